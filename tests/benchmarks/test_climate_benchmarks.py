"""ETo layers, values at sites, and a contract of a million. Run: pytest tests/benchmarks --benchmark-only -s

Each prints `ratio NAME VALUE`: how many times the yardstick takes longer than ours (for `contract_vs_file`,
ours than the yardstick). The two are run in turn and the best of each is taken, so a busy machine is fair to both.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import geopandas
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from numpy.testing import assert_allclose

from planner.climate.eto import MonthlyInputs, monthly_eto
from planner.deliver import run_contract_files
from planner.layers.cell_shares import cell_weights, weighted_means
from planner.ledger import Ledger
from planner.plan import parse_plan


def best(work: Callable[[], object], yardstick: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Least seconds of each, run in turn."""
    ours, theirs = [], []
    for _ in range(rounds):
        for times, run in ((theirs, yardstick), (ours, work)):
            start = time.perf_counter()
            run()
            times.append(time.perf_counter() - start)
    return min(ours), min(theirs)


# --- ETo ---------------------------------------------------------------------------------------------------

ROWS, COLS = 1000, 1000


@pytest.fixture(scope="module")
def weather() -> tuple[MonthlyInputs, np.ndarray, np.ndarray]:
    """12 x 1000 x 1000 cells between 50 south and 50 north."""
    rng = np.random.default_rng(11)
    shape = (12, ROWS * COLS)
    low = rng.uniform(-5, 22, shape)
    high = low + rng.uniform(4, 16, shape)
    vapour = 0.6108 * np.exp(17.27 * low / (low + 237.3)) * rng.uniform(0.5, 1.0, shape)
    inputs = MonthlyInputs(low, high, rng.uniform(8, 28, shape), vapour, rng.uniform(0.6, 5.0, shape))
    latitude = np.repeat(np.linspace(50, -50, ROWS), COLS)
    return inputs, latitude, rng.uniform(0, 2000, ROWS * COLS)


def test_eto_against_plain_numpy(benchmark, weather):
    """The same formula in plain NumPy. The sun's path, alike for both, is compiled and shared by rows in both."""
    inputs, latitude, elevation = weather
    ours, plain = (
        monthly_eto(inputs, latitude, elevation)[0],
        monthly_eto(inputs, latitude, elevation, compiled=False)[0],
    )
    assert_allclose(ours, plain, rtol=1e-9, atol=1e-12)
    mine, theirs = best(
        lambda: monthly_eto(inputs, latitude, elevation),
        lambda: monthly_eto(inputs, latitude, elevation, compiled=False),
        3,
    )
    benchmark.pedantic(lambda: monthly_eto(inputs, latitude, elevation), rounds=1)
    print(f"\nratio eto_vs_numpy {theirs / mine:.1f}")


def test_eto_against_pyet(benchmark, weather):
    """pyet's FAO-56 of days, fed a day a month as one array of all cells. Its result is not ours (day 15, no
    monthly soil heat): only time is compared here; numbers are in tests/test_zone_trust.py.
    """
    import pyet
    import xarray

    inputs, latitude, elevation = weather
    n = 400_000  # pyet holds many copies: two fifths of the cells, for both
    days = pd.date_range("2001-01-15", periods=12, freq="31D")

    def grid(values: np.ndarray) -> xarray.DataArray:
        return xarray.DataArray(values[:, :n], dims=("time", "cell"), coords={"time": days})

    low, high = grid(inputs.t_min_c), grid(inputs.t_max_c)
    rs, ea, u2 = (grid(v) for v in (inputs.radiation_mj_m2_day, inputs.vapour_pressure_kpa, inputs.wind_2m_m_s))
    lat = xarray.DataArray(np.radians(latitude[:n]), dims="cell")
    z = xarray.DataArray(elevation[:n], dims="cell")
    mean = (low + high) / 2

    def theirs_run() -> object:
        return pyet.pm_fao56(mean, u2, rs=rs, elevation=z, lat=lat, tmax=high, tmin=low, ea=ea)

    part = MonthlyInputs(*(np.ascontiguousarray(v.values) for v in (low, high, rs, ea, u2)))
    mine, theirs = best(
        lambda: monthly_eto(part, latitude[:n], elevation[:n]),
        theirs_run,
        3,
    )
    benchmark.pedantic(lambda: monthly_eto(inputs, latitude, elevation), rounds=1)
    print(f"\nratio eto_vs_pyet {theirs / mine:.1f}")


# --- values at sites -----------------------------------------------------------------------------------------

GRID = (2160, 4320)


def blobs(n: int, seed: int) -> np.ndarray:
    """Polygons of nine corners, 0.01 to 4 cells across, with unknown cells under some."""
    rng = np.random.default_rng(seed)
    centre = np.column_stack([rng.uniform(5, GRID[1] - 5, n), rng.uniform(5, GRID[0] - 5, n)])
    angle = np.sort(rng.uniform(0, 2 * np.pi, (n, 9)), axis=1)
    radius = rng.uniform(0.6, 1.0, (n, 9)) * 10 ** rng.uniform(-2.3, 0.3, (n, 1))
    ring = np.stack([centre[:, :1] + radius * np.cos(angle), centre[:, 1:] + radius * np.sin(angle)], axis=-1)
    shapes = shapely.polygons(np.concatenate([ring, ring[:, :1]], axis=1))
    return shapes[shapely.is_valid(shapes)]


def test_values_of_100_000_polygons_against_exactextract(benchmark):
    """Area-weighted means of 12 bands from arrays in memory, a fifth of the cells unknown."""
    from exactextract import exact_extract
    from exactextract.raster import NumPyRasterSource

    rng = np.random.default_rng(5)
    values = rng.uniform(1, 9, (12, *GRID)).astype(np.float32)
    values[:, rng.random(GRID) < 0.2] = np.nan
    shapes = blobs(105_000, 6)[:100_000]
    assert len(shapes) == 100_000
    owner = np.arange(len(shapes))

    def ours() -> np.ndarray:
        of, row, col, weight = cell_weights(shapes, owner)
        cells = values[:, row, col].T
        known = np.isfinite(cells[:, 0])
        return weighted_means(of[known], weight[known], cells[known], len(shapes))[0]

    upright = shapely.transform(shapes, lambda xy: np.column_stack([xy[:, 0], GRID[0] - xy[:, 1]]))
    sites = geopandas.GeoDataFrame({"id": owner}, geometry=upright, crs="EPSG:3857")
    bands = [
        NumPyRasterSource(
            values[m],
            xmin=0,
            ymin=0,
            xmax=GRID[1],
            ymax=GRID[0],
            nodata=np.nan,
            name=f"b{m}",
            srs_wkt=sites.crs.to_wkt(),
        )
        for m in range(12)
    ]

    def theirs() -> np.ndarray:
        found = exact_extract(bands, sites, ["mean"], output="pandas")
        return found[[f"b{m}_mean" for m in range(12)]].to_numpy(float)

    assert_allclose(ours(), theirs(), atol=1e-6, rtol=0, equal_nan=True)
    mine, yard = best(ours, theirs, 2)
    benchmark.pedantic(ours, rounds=1)
    print(f"\nratio zonal_vs_exactextract {yard / mine:.1f}")


# --- a contract ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["gpkg", "parquet"])
def test_a_million_sites_from_file_to_file(benchmark, tmp_path, form):
    """Against GeoPandas reading the file of sites and writing what it read, in the same format."""
    n = 1_000_000
    rng = np.random.default_rng(7)
    sites = geopandas.GeoDataFrame(
        {"site": [f"Site {k:07d}" for k in range(n)], "elev": rng.uniform(0, 500, n).round()},
        geometry=geopandas.points_from_xy(rng.uniform(-124, -66, n), rng.uniform(25, 49, n)),
        crs="EPSG:4326",
    )
    file = tmp_path / f"sites.{form}"

    def write(rows: geopandas.GeoDataFrame, path) -> None:
        rows.to_parquet(path) if form == "parquet" else rows.to_file(path)

    write(sites, file)
    month = np.arange(12)[:, None, None]
    eto = (5 + 0.05 * rng.normal(size=(12, 600, 1440)) - 3 * np.cos((month - 0.5) / 6 * np.pi)).astype("float32")
    with rasterio.open(
        tmp_path / "eto.tif",
        "w",
        driver="GTiff",
        width=1440,
        height=600,
        count=12,
        dtype="float32",
        crs="EPSG:4326",
        transform=rasterio.Affine(1 / 24, 0, -125, 0, -1 / 24, 50),
        tiled=True,
        compress="deflate",
    ) as out:
        out.write(eto)
    plan = parse_plan(
        {
            "contract": {"sites": {"path": file.name, "name": "site", "elevation": "elev"}},
            "climate": {"eto": {"path": "eto.tif", "unit": "mm/day"}},
            "outputs": {"sites": [form], "map": False},
        },
        tmp_path / "plan.toml",
    )

    def ours() -> None:
        found = run_contract_files(plan, tmp_path / "out", Ledger(), force=True)
        assert found.counts.sites == n

    def theirs() -> None:
        rows = geopandas.read_parquet(file) if form == "parquet" else geopandas.read_file(file)
        write(rows, tmp_path / f"copy.{form}")
        (tmp_path / f"copy.{form}").unlink()

    mine, yard = best(ours, theirs, 2)
    benchmark.pedantic(ours, rounds=1)
    name = "contract_vs_file" if form == "gpkg" else "contract_vs_file_parquet"
    print(f"\nratio {name} {mine / yard:.2f}")
