"""Input that is odd or huge: refused, repaired or said, in bounded time, the same whatever the parts."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import rasterio
import shapely
from affine import Affine

from planner.layers import conventions
from planner.layers.build import named_xy, read_contract_sites, read_site
from planner.layers.climate_grid import open_layer
from planner.layers.daily import read_yearly_peaks
from planner.layers.outline import MOST_PARTS, WIDEST_M
from planner.layers.raster import unit_in_words
from planner.layers.rows import read_rows
from planner.layers.zone_rows import MOST_ZONES, read_zone_rows
from planner.ledger import DataError, Ledger, PlanError
from planner.plan import PlanFile, parse_plan
from planner.show.write.formats import csv_bytes

MOON = "+proj=longlat +R=1737400 +no_defs"
MARS = "+proj=merc +R=3396190"
LOCAL = 'ENGCRS["a",EDATUM["b"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],LENGTHUNIT["metre",1]]'
EAST, NORTH = 420_000.0, 3_700_000.0


def box(x: float, y: float, width: float, height: float) -> shapely.Polygon:
    return shapely.box(EAST + x, NORTH + y, EAST + x + width, NORTH + y + height)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    save(tmp_path / "site.gpkg", [box(0, 0, 80, 60)])
    return tmp_path


def save(path: Path, shapes: list[object], crs: object = 32612, **columns: object) -> None:
    named = {"name": [f"n{k}" for k in range(len(shapes))], **columns}
    gpd.GeoDataFrame(named, geometry=shapes, crs=crs).to_file(path)


def ground(path: Path, values: np.ndarray, crs: str = "EPSG:32612", **more: object) -> None:
    height, width = values.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=width, height=height, count=1, dtype="float32", crs=crs,
        transform=Affine(10, 0, EAST - 300, 0, -10, NORTH + 300), **more,
    ) as file:  # fmt: skip
        file.write(values.astype(np.float32), 1)


def plan(folder: Path, site: dict[str, object] | None = None, **layers: object) -> PlanFile:
    return parse_plan({"layers": {"site": site or {"path": "site.gpkg"}, **layers}}, folder / "plan.toml")


# --- places that are none on the earth --------------------------------------------------------------------------


@pytest.mark.parametrize("crs", [MOON, "IAU_2015:30100", MARS, LOCAL, "EPSG:4978", "EPSG:5703", "x" * 5000])
def test_a_crs_of_no_place_on_the_earth(folder: Path, crs: str) -> None:
    with pytest.raises(PlanError, match=r"layers\.site\.crs") as fault:
        read_site(plan(folder, {"path": "site.gpkg", "crs": crs}), Ledger())
    assert len(str(fault.value)) < 1000
    mount = {"name": "a", "x": -112.0, "y": 33.0, "height_m": 3.0, "crs": crs}
    named = parse_plan({"mounts": {"named": [mount]}}, folder / "plan.toml")
    with pytest.raises(PlanError, match="not a CRS of places on the earth"):
        named_xy(named, read_site(plan(folder), Ledger()))


@pytest.mark.parametrize("crs", [MOON, LOCAL])
def test_a_file_whose_own_crs_is_of_no_place_on_the_earth(folder: Path, crs: str) -> None:
    save(folder / "own.gpkg", [shapely.box(-112, 33, -111.999, 33.001)], crs)
    with pytest.raises(DataError, match="which coordinate reference system"):
        read_site(plan(folder, {"path": "own.gpkg"}), Ledger())
    ground(folder / "ground.tif", np.full((60, 60), 300.0), crs)
    with pytest.raises(DataError, match="which coordinate reference system"):
        read_site(plan(folder, terrain={"path": "ground.tif"}), Ledger())


# --- times and cells --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "times",
    [[float("nan")] * 12, [float("inf")] * 12, [1e300] * 12, ["no date"] * 12],
)
@pytest.mark.parametrize(
    ("since", "calendar"),
    [
        ("days since 1981-01-01", "standard"),
        ("months since 1981-01-01", "standard"),
        ("days since 1981-02-31", "standard"),
        ("days since 1981-01-01", "noleap"),
        ("days since 1981-01-01", "360_day"),
    ],
)
def test_a_time_axis_that_tells_no_date(tmp_path: Path, times: list[object], since: str, calendar: str) -> None:
    path = tmp_path / "pet.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=4, height=4, count=12, dtype="float32", crs="EPSG:4326",
        transform=Affine(1, 0, 0, 0, -1, 4),
    ) as file:  # fmt: skip
        file.write(np.ones((12, 4, 4), np.float32))
        file.update_tags(**{"time#units": since, "time#calendar": calendar})
        for band, time in enumerate(times, 1):
            file.update_tags(band, NETCDF_DIM_time=str(time))
    section = {"eto": {"path": "pet.tif", "unit": "mm/day"}}
    source = parse_plan({"climate": section}, tmp_path / "plan.toml")
    assert source.plan.climate.eto is not None
    with (
        pytest.raises(DataError, match="time axis"),
        open_layer(source, "climate.eto", source.plan.climate.eto, Ledger()),
    ):
        pass
    assert conventions.months([15.0], "days since 1981-01-01", "standard") == [0]


def test_days_with_several_offsets_from_utc(tmp_path: Path) -> None:
    days = np.arange("2020-01-01", "2022-01-01", dtype="datetime64[D]")
    rows = [
        f"{day}T00:00:00-0{7 if 80 < k % 366 < 300 else 8}:00,{5 + (k % 366) / 100}" for k, day in enumerate(days)
    ]
    (tmp_path / "days.csv").write_text("date,eto\n" + "\n".join(rows))
    daily = {"path": "days.csv", "date": "date", "eto": "eto", "unit": "mm/day"}
    mixed = read_yearly_peaks(parse_plan({"climate": {"daily": daily}}, tmp_path / "plan.toml"), Ledger())
    (tmp_path / "days.csv").write_text("date,eto\n" + "\n".join(row[:10] + row[25:] for row in rows))
    plain = read_yearly_peaks(parse_plan({"climate": {"daily": daily}}, tmp_path / "plan.toml"), Ledger())
    assert mixed is not None
    assert plain is not None
    np.testing.assert_array_equal(mixed, plain)
    assert len(mixed) == 2


def test_a_cell_of_131_073_characters(tmp_path: Path) -> None:
    (tmp_path / "table.csv").write_text('a,b\n1,"' + "x" * 131_073 + '"\n')
    with pytest.raises(DataError, match="cannot be read as a table"):
        read_rows(tmp_path / "table.csv", "programme.stations")


def test_a_geometry_column_of_integers(folder: Path) -> None:
    table = pa.table({"name": ["a", "b"], "geometry": [1, 2]})
    told = {"version": "1.0.0", "primary_column": "geometry"}
    told["columns"] = {"geometry": {"encoding": "WKB", "geometry_types": []}}  # type: ignore[assignment]
    pq.write_table(table.replace_schema_metadata({"geo": json.dumps(told)}), folder / "ints.parquet")
    with sqlite3.connect(folder / "site.gpkg") as file:
        for (trigger,) in file.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            file.execute(f'drop trigger "{trigger}"')
        file.execute("update site set geom = 7")
    for name in ("ints.parquet", "site.gpkg"):
        with pytest.raises(DataError, match=name.split(".")[1]):
            read_site(plan(folder, {"path": name}), Ledger())


@pytest.mark.parametrize("key", ["weights.light", "prices.lawn_m", "prices.sensor"])
def test_numbers_that_overflow_a_sum(key: str) -> None:
    section, name = key.split(".")
    with pytest.raises(PlanError, match="less than or equal"):
        parse_plan({section: {name: 1e308}}, "plan.toml")


# --- heights ----------------------------------------------------------------------------------------------------


def test_ground_of_an_undeclared_zero(folder: Path) -> None:
    values = np.full((60, 60), 300.0)
    values[:, :34] = 0.0  # half the site
    ledger = Ledger()
    ground(folder / "ground.tif", values)
    site = read_site(plan(folder, terrain={"path": "ground.tif"}), ledger)
    assert site.elevation_m == pytest.approx(300.0)
    assert float(site.ground_at(np.array([[-35.0, 0.0]]))[0]) == pytest.approx(
        float(site.ground_at(np.zeros((1, 2)))[0])
    )
    assert any("exactly 0" in notice.what for notice in ledger)
    # a shore is one: its heights come down to 0 by and by
    ledger = Ledger()
    ground(folder / "shore.tif", np.maximum(np.arange(60) - 30.0, 0.0) * np.ones((60, 1)))
    read_site(plan(folder, terrain={"path": "shore.tif"}), ledger)
    assert not any("exactly 0" in notice.what for notice in ledger)


def test_units_in_words() -> None:
    said = {
        "feet (NAVD88)": "ft",
        "US survey foot": "ft",
        "ftUS": "ft",
        "metre": "m",
        "m (EGM96)": "m",
        "furlong": None,
    }
    assert {words: unit_in_words(words) for words in said} == said


def test_a_spread_that_cannot_be(tmp_path: Path) -> None:
    path = tmp_path / "eto.tif"
    for said, right in (("0.4", True), ("1e9", False), ("nan", False)):
        with rasterio.open(
            path, "w", driver="GTiff", width=4, height=4, count=12, dtype="float32", crs="EPSG:4326",
            transform=Affine(1, 0, 0, 0, -1, 4),
        ) as file:  # fmt: skip
            file.write(np.ones((12, 4, 4), np.float32))
            file.update_tags(SPREAD_MM_DAY=said)
        source = parse_plan({"climate": {"eto": {"path": "eto.tif", "unit": "mm/day"}}}, tmp_path / "plan.toml")
        assert source.plan.climate.eto is not None
        with open_layer(source, "climate.eto", source.plan.climate.eto, Ledger()) as (months, _):
            if right:
                assert months.spread_mm_day == pytest.approx(0.4)
            else:
                with pytest.raises(DataError, match="SPREAD_MM_DAY"):
                    _ = months.spread_mm_day


# --- sizes ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "fits"), [(WIDEST_M - 50, True), (WIDEST_M + 50, False)])
def test_how_wide_a_site_may_be(folder: Path, width: float, fits: bool) -> None:
    save(folder / "wide.gpkg", [box(-width / 2, 0, width, 60)])
    source = plan(folder, {"path": "wide.gpkg"})
    if fits:
        read_site(source, Ledger())
    else:
        with pytest.raises(DataError, match="One site may be 20 km wide"):
            read_site(source, Ledger())


def test_how_many_parts_a_site_may_have(folder: Path) -> None:
    parts = shapely.MultiPolygon([box(3 * (k % 50), 3 * (k // 50), 1, 1) for k in range(MOST_PARTS + 1)])
    save(folder / "parts.gpkg", [parts])
    with pytest.raises(DataError, match="2,001 parts"):
        read_site(plan(folder, {"path": "parts.gpkg"}), Ledger())


def test_how_many_zones_a_table_may_have(tmp_path: Path) -> None:
    for count, fits in ((MOST_ZONES, True), (MOST_ZONES + 1, False)):
        rows = [f"z{k},{k},{k + 1}" for k in range(count)]
        (tmp_path / "zones.csv").write_text("\n".join(["label,low,high", *rows]))
        if fits:
            assert len(read_zone_rows(tmp_path / "zones.csv").rows) == count
        else:
            with pytest.raises(DataError, match="1,001 zones"):
                read_zone_rows(tmp_path / "zones.csv")


def contract(folder: Path, shapes: list[object], crs: object = 4326) -> PlanFile:
    save(folder / "sites.gpkg", shapes, crs)
    return parse_plan({"contract": {"sites": {"path": "sites.gpkg", "name": "name"}}}, folder / "plan.toml")


def test_a_contracts_polygon_of_the_whole_earth(tmp_path: Path) -> None:
    shapes = [shapely.box(-179.9, -89, 179.9, 89), shapely.box(-112, 33, -111.99, 33.01), shapely.box(0, 0, 3, 1)]
    ledger = Ledger()
    sites = read_contract_sites(contract(tmp_path, shapes), ledger)
    assert sites.names == ("n1",)
    assert [one.name for one in sites.rejected] == ["n0", "n2"]
    assert any("2 degrees wide" in notice.what for notice in ledger)


@pytest.mark.parametrize("size", [1, 2, 4])
def test_an_exchanged_row_is_judged_alike_in_every_part(tmp_path: Path, size: int) -> None:
    at = [(-112.0, 33.4), (33.5, -112.1), (-112.2, 33.6), (33.7, -112.3)]
    source = contract(tmp_path, [shapely.Point(*xy) for xy in at])
    found, said = [], Ledger()
    for first in range(0, 4, size):
        sites = read_contract_sites(source, said, (first, first + size))
        found += [
            (name, *np.round(shape.coords[0], 1)) for name, shape in zip(sites.names, sites.shapes, strict=True)
        ]
    assert found == [("n0", -112.0, 33.4), ("n1", -112.1, 33.5), ("n2", -112.2, 33.6), ("n3", -112.3, 33.7)]
    assert any("wrong order" in notice.what for notice in said)


# --- names and spreadsheets -------------------------------------------------------------------------------------


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20", "\n=", "\t="])
def test_no_cell_of_a_csv_starts_a_formula(sign: str) -> None:
    import pandas

    text = csv_bytes(pandas.DataFrame({"name": [f"{sign}cmd|' /C calc'!A0"]})).decode("utf-8-sig")
    assert f"'{sign}cmd" in text


def test_controllers_of_one_name_are_told_apart(folder: Path) -> None:
    save(
        folder / "c.gpkg",
        [shapely.Point(EAST + k, NORTH + k) for k in (10, 20, 30)],
        name=["Clock", "Pump", "Clock"],
    )
    ledger = Ledger()
    site = read_site(plan(folder, controllers={"path": "c.gpkg", "name": "name"}), ledger)
    assert site.controllers.names == ("Clock", "Pump", "Clock (2)")
    assert any("same name" in notice.what for notice in ledger)


def test_a_sliver_is_no_building(folder: Path) -> None:
    sliver = shapely.Polygon([(EAST + 10, NORTH + 10), (EAST + 40, NORTH + 10), (EAST + 40, NORTH + 10.02)])
    save(folder / "b.gpkg", [sliver, box(50, 20, 10, 10)], h=[5.0, 5.0])
    ledger = Ledger()
    site = read_site(plan(folder, buildings={"path": "b.gpkg", "name": "name", "height": "h"}), ledger)
    assert site.buildings.names == ("n1",)
    assert any(notice.features == ("n0",) and "sliver" in notice.what for notice in ledger)


def test_a_crown_of_many_vertices(folder: Path) -> None:
    angle = np.linspace(0, 2 * np.pi, 20_001)[:-1]
    radius = 6.0 + 0.02 * np.sin(900 * angle)
    ring = np.column_stack([EAST + 40 + radius * np.cos(angle), NORTH + 30 + radius * np.sin(angle)])
    save(folder / "t.gpkg", [shapely.Polygon(ring)], h=[8.0])
    ledger = Ledger()
    site = read_site(plan(folder, trees={"path": "t.gpkg", "height": "h"}), ledger)
    (crown,) = site.crown_prisms.shapes
    assert shapely.get_num_coordinates(crown) < 400
    assert crown.area == pytest.approx(shapely.Polygon(ring).area, rel=0.02)
    assert any("corners" in notice.what for notice in ledger)
    json.dumps([notice.what for notice in ledger])


@pytest.mark.parametrize("content", [b"", b"\n\n"])
def test_points_of_an_empty_table(folder: Path, content: bytes) -> None:
    (folder / "a.csv").write_bytes(content)
    with pytest.raises(DataError, match=r"a\.csv"):
        read_site(plan(folder, {"path": "a.csv", "crs": "EPSG:32612"}), Ledger())
