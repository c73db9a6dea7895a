"""An invented county: sites on a grid, with buildings and trees in and between them, in any format."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import rasterio
import shapely
from pyproj import Transformer

from planner.plan import PlanFile, parse_plan

CRS = "EPSG:26911"  # UTM 11 north: the south of California
AT = (480_000.0, 3_760_000.0)
SITE_M, APART_M = 120.0, 700.0


def county(
    folder: Path,
    *,
    sites: int = 5,
    buildings: int = 200,
    trees: int = 300,
    side_m: float | None = None,
    suffix: str = "gpkg",
    terrain: bool = True,
    seed: int = 8,
) -> None:
    """Write sites, controllers, buildings and trees.

    Each site has four buildings, six trees and two controllers of its own; `buildings` and `trees` more stand
    anywhere in a square of `side_m` round them all, but on no site. Site 2 has no building height; the controllers
    of site 1 stand outside its outline.
    """
    rng = np.random.default_rng(seed)
    across = int(np.ceil(np.sqrt(sites)))
    corner = np.array([(k % across, k // across) for k in range(sites)], float) * APART_M + AT
    outlines = shapely.box(*corner.T, *(corner + SITE_M).T)
    write(
        folder / f"sites.{suffix}",
        {"site": [f"Park {k + 1}" for k in range(sites)], "code": [f"P-{k + 1:04d}" for k in range(sites)]},
        outlines,
    )
    own = np.repeat(corner, 4, axis=0) + np.tile([[10, 10], [70, 15], [15, 75], [75, 70]], (sites, 1))
    size = rng.uniform(12, 30, (len(own), 2))
    height = rng.uniform(4, 12, len(own)).round(1)
    height[4:8] = np.nan
    middle, half = corner.mean(axis=0) + SITE_M / 2, (side_m or (across - 1) * APART_M + 1500) / 2
    spare = shapely.union_all(shapely.buffer(outlines, 30))

    def scattered(n: int) -> Any:
        at = middle + rng.uniform(-half, half, (2 * n + 10, 2))
        return at[~shapely.contains_xy(spare, at)][:n]

    other = scattered(buildings)
    low, wide = np.vstack([own, other]), np.vstack([size, rng.uniform(8, 30, (len(other), 2))])
    write(
        folder / f"buildings.{suffix}",
        {
            "id": [f"B{k}" for k in range(len(low))],
            "height": np.concatenate([height, rng.uniform(3, 20, len(other)).round(1)]),
        },
        shapely.box(*low.T, *(low + wide).T),
    )
    grown = np.repeat(corner, 6, axis=0) + rng.uniform(0, SITE_M, (6 * sites, 2))
    spots = np.vstack([grown, scattered(trees)])
    write(
        folder / f"trees.{suffix}",
        {"height": rng.uniform(3, 15, len(spots)).round(1), "crown": rng.uniform(2, 9, len(spots)).round(1)},
        shapely.points(spots),
    )
    places = np.repeat(corner, 2, axis=0) + np.tile([[60.0, 50.0], [5.0, 110.0]], (sites, 1))
    places[0:2] = corner[0] + [[-10, 40], [-20, 80]]
    write(
        folder / f"controllers.{suffix}",
        {
            "name": [f"C{k}" for k in range(len(places))],
            "site": [f"Park {k // 2 + 1}" for k in range(len(places))],
        },
        shapely.points(places),
    )
    if terrain:
        _terrain(folder / "terrain.tif", corner)


def write(path: Path, columns: dict[str, Any], shapes: Any) -> None:
    frame = geopandas.GeoDataFrame(columns, geometry=shapes, crs=CRS)
    if path.suffix in (".parquet", ".geoparquet"):  # the second without covering boxes
        frame.to_parquet(path, write_covering_bbox=path.suffix == ".parquet", row_group_size=50)
    elif path.suffix == ".geojson":
        frame.to_crs("EPSG:4326").to_file(path)
    else:
        frame.to_file(path)


def _terrain(path: Path, corner: Any) -> None:
    low, high = corner.min(axis=0) - 6000, corner.max(axis=0) + 6000
    cols, rows = ((high - low) / 60).astype(int)
    y, x = np.mgrid[0:rows, 0:cols]
    values = (300 + 40 * np.sin(x / 17) + 25 * np.cos(y / 11) + 0.6 * x).astype("float32")
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=cols,
        height=rows,
        count=1,
        dtype="float32",
        crs=CRS,
        transform=rasterio.Affine(60, 0, low[0], 0, -60, high[1]),
        tiled=True,
    ) as out:
        out.write(values, 1)


def layers(folder: Path, suffix: str = "gpkg") -> dict[str, Any]:
    found: dict[str, Any] = {
        "buildings": {"path": f"buildings.{suffix}", "height": "height", "height_unit": "m", "name": "id"},
        "trees": {"path": f"trees.{suffix}", "height": "height", "height_unit": "m", "crown_width": "crown"},
        "controllers": {"path": f"controllers.{suffix}", "name": "name"},
    }
    if (folder / "terrain.tif").exists():
        found["terrain"] = {"path": "terrain.tif"}
    return found


def contract(folder: Path, suffix: str = "gpkg", **more: Any) -> PlanFile:
    """A contract's plan over a county; `more` are whole sections, `layers` merged by layer."""
    own = layers(folder, suffix)
    for name, section in more.pop("layers", {}).items():
        own[name] = {**own.get(name, {}), **section}
    sites = {"path": f"sites.{suffix}", "name": "site", **more.pop("sites", {})}
    raw = {"contract": {"sites": sites}, "layers": own, "sun": FAST, **more}
    return parse_plan(raw, folder / "contract.toml")


def one(folder: Path, k: int, suffix: str = "gpkg", **more: Any) -> PlanFile:
    """The plan of one of its sites alone, from 1: the same layers, with that site picked."""
    own = layers(folder, suffix)
    own["controllers"]["where"] = f"site = 'Park {k}'"
    own["site"] = {"path": f"sites.{suffix}", "name": "site", "pick": f"Park {k}"}
    return parse_plan({"layers": own, "sun": FAST, **more}, folder / "one.toml")


FAST = {"terrain_km": 5.0}


def centre() -> tuple[float, float]:
    """Longitude and latitude of the county's corner."""
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(*AT)
    return float(lon), float(lat)
