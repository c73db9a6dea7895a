"""A sound small input of every kind that a plan can name, to spoil one thing of at a time.

A yard of 90 x 100 m near Bakersfield with two halls, trees, controllers and the rest; a contract of six sites round
it; monthly weather layers of 6 x 6 cells; a station table, a log and the weather of its days.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, timedelta
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
import shapely.affinity
from rasterio.transform import from_origin

UTM = "EPSG:32611"
EAST, NORTH = 285_200.0, 3_905_200.0  # the yard's south-west corner in UTM
LONGITUDE, LATITUDE = -119.3605, 35.2665  # near it
MONTHS = np.arange(12)
SUMMER = -np.cos(2 * np.pi * (MONTHS + 0.3) / 12)  # -1 in winter, 1 in July


def frame(shapes: list[shapely.Geometry], **columns: list[object]) -> gpd.GeoDataFrame:
    """Shapes in metres from the yard's corner."""
    moved = [None if s is None else shapely.affinity.translate(s, EAST, NORTH) for s in shapes]
    return gpd.GeoDataFrame(columns, geometry=moved, crs=UTM)


def layers() -> dict[str, gpd.GeoDataFrame]:
    box, point = shapely.box, shapely.Point
    contract = [box(x, y, x + 60, y + 60) for x in (0, 3000, 9000) for y in (0, 4000)]
    return {
        "site": frame([box(0, 0, 90, 100)], name=["Yard"]),
        "buildings": frame(
            [box(20, 60, 50, 80), box(60, 20, 75, 50)], name=["Hall", "Shed"], h=[6.0, 4.0],
            roof=["flat", "pitched"], base=[0.0, 0.0], may=["yes", "no"], top=[100.0, 98.0], ground=[94.0, 94.0],
        ),
        "trees": frame(
            [point(10, 20), point(40, 30)], name=["T1", "T2"], h=[8.0, 10.0], wide=[5.0, 6.0], base=[2.0, 3.0],
            leaf=["evergreen", "deciduous"],
        ),
        "controllers": frame(
            [point(30, 70), point(80, 90)], name=["A", "B"], inside=["yes", "no"], h=[1.5, 1.2], depth=[0.0, 0.0],
            storey=[1, 1], loss=[0.0, 0.0],
        ),
        "poles": frame([point(5, 90)], name=["P"], h=[5.0]),
        "keep_outs": frame(
            [box(55, 85, 65, 95), box(80, 0, 85, 5)], name=["Lawn", "Flue"], kind=["spray", "heat"]
        ),
        "grounds": frame([box(0, 0, 90, 10), box(0, 10, 10, 60)], name=["Lot", "Bed"], kind=["paving", "planting"]),
        "sites": frame(contract, name=[f"S{k}" for k in range(6)], elev=[90.0 + k for k in range(6)]),
    }  # fmt: skip


def raster(path: Path, values: np.ndarray, cell_m: float, left_m: float, top_m: float, **more: object) -> None:
    """A GeoTIFF on the yard's grid; values (rows, columns) or (bands, rows, columns)."""
    bands = values if values.ndim == 3 else values[None]
    profile = {
        "driver": "GTiff", "count": len(bands), "height": bands.shape[1], "width": bands.shape[2],
        "dtype": bands.dtype.name, "crs": UTM, "nodata": -9999.0,
        "transform": from_origin(EAST + left_m, NORTH + top_m, cell_m, cell_m),
    } | more  # fmt: skip
    with rasterio.open(path, "w", **profile) as out:
        out.write(bands)


HEIGHTS = ("terrain", "surface", "canopy")


def heights(name: str) -> np.ndarray:
    """(60, 60) cells of 10 m round the yard."""
    row, col = np.mgrid[:60, :60].astype(np.float32)
    ground = 94 + 0.02 * col + 0.01 * row
    if name == "canopy":
        return np.where((row < 20) & (col < 20), 6.0, 0.0).astype(np.float32)
    return ground if name == "terrain" else ground + np.where((row > 40) & (col > 40), 5.0, 0.0).astype(np.float32)


WEATHER = {  # layer: unit, middle of the year, half its swing
    "eto": ("mm/day", 4.5, 3.0), "tmin": ("C", 10.0, 8.0), "tmax": ("C", 25.0, 10.0), "tmean": ("C", 17.5, 9.0),
    "radiation": ("MJ/m2/day", 18.0, 9.0), "wind": ("m/s", 2.5, 0.5), "rh_min": ("%", 35.0, -10.0),
    "rh_max": ("%", 80.0, -10.0), "rh_mean": ("%", 55.0, -10.0), "dew_point": ("C", 7.0, 3.0),
    "vapour_pressure": ("kPa", 1.0, 0.2), "rain": ("mm/month", 12.0, -10.0),
}  # fmt: skip


def monthly(name: str) -> np.ndarray:
    """(12, 6, 6) of a weather layer."""
    _, middle, swing = WEATHER[name]
    return ((middle + swing * SUMMER)[:, None, None] + np.zeros((12, 6, 6))).astype(np.float32)


def write_monthly(path: Path, values: np.ndarray, **more: object) -> None:
    raster(path, values, 5000.0, -10_000.0, 20_000.0, **more)


def write_heights(path: Path, values: np.ndarray, **more: object) -> None:
    raster(path, values, 10.0, -250.0, 350.0, **more)


STATIONS = """Controller,Program,Station,Type,Area (sq ft),Flow (gpm),DU,Plants,Soil,Slope (%)
A,A,1,spray,1730,27.0,0.6,cool turf,clay loam,
A,A,2,rotor,4200,18.0,0.7,cool turf,loam,3
B,B,1,drip,900,2.0,,low water shrubs,loam,
"""
ZONES = "label,low,high\nA,,4\nB,4,6\nC,6,\n"
HORIZON = "azimuth,elevation\n" + "".join(f"{a},{3 + a % 60 / 20}\n" for a in range(0, 360, 30))


def days(n: int = 60) -> list[str]:
    return [str(date(2025, 5, 1) + timedelta(k)) for k in range(n)]


def log() -> str:
    return "Date,Adjustment\n" + "".join(f"{d},{95 + k % 7} %\n" for k, d in enumerate(days()))


def weather_days() -> str:
    return "date,eto (mm),rain (mm)\n" + "".join(
        f"{d},{6.5 + 0.1 * (k % 7):.2f},0.0\n" for k, d in enumerate(days())
    )


def daily() -> str:
    begin = date(2018, 1, 1)
    run = [begin + timedelta(k) for k in range(3 * 365 + 1)]
    return "date,eto\n" + "".join(
        f"{d},{4.5 - 3 * np.cos(2 * np.pi * (d.timetuple().tm_yday + 9) / 365):.2f}\n" for d in run
    )


def hours() -> str:
    """A year by the hour as EPW has it, of a station at the yard."""
    lines = [
        f"LOCATION,Yard,CA,USA,invented,0,{LATITUDE},{LONGITUDE},-8.0,95.0",
        "DESIGN CONDITIONS,0", "TYPICAL/EXTREME PERIODS,0", "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0", "COMMENTS 1,invented", "COMMENTS 2,none",
        "DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31",
    ]  # fmt: skip
    for k in range(365):
        day = date(2023, 1, 1) + timedelta(k)
        for h in range(24):
            up = max(0.0, np.sin(np.pi * (h - 5.5) / 13))
            t = 18 + 8 * -np.cos(2 * np.pi * k / 365) + 6 * up
            values = [day.year, day.month, day.day, h + 1, 60, "A", f"{t:.1f}", 7.0, 40, 100500, 0, 0, 330,
                      f"{750 * up:.0f}", f"{700 * up:.0f}", f"{90 * up:.0f}", 0, 0, 0, 0, 270, 2.5, 2, 2, 30, 7777,
                      9, "999999999", 15, 0.1, 0, 0, 0.2, 0, 0]  # fmt: skip
            lines.append(",".join(map(str, values)))
    return "\n".join(lines) + "\n"


TEXTS = {
    "stations.csv": lambda: STATIONS, "zones.csv": lambda: ZONES, "horizon.csv": lambda: HORIZON, "log.csv": log,
    "weather.csv": weather_days, "daily.csv": daily, "hours.epw": hours,
}  # fmt: skip

# the plan of all of it, dotted keys; a case takes the part that it needs
SITE = {
    "title": "Corpus", "sun.step_minutes": 60, "sun.day_step": 15, "sun.terrain_km": 1, "mounts.spacing_m": 30,
    "outputs.runners_up": 1, "requirements.min_light_share": 0.1, "requirements.min_direct_h_day": 1.0,
    "sensor.rated_range_m": 1000,
    "layers.site.path": "site.gpkg", "layers.site.name": "name",
    "layers.buildings.path": "buildings.gpkg", "layers.buildings.height": "h", "layers.buildings.name": "name",
    "layers.trees.path": "trees.gpkg", "layers.trees.height": "h", "layers.trees.crown_width": "wide",
    "layers.controllers.path": "controllers.gpkg", "layers.controllers.name": "name",
    "layers.controllers.indoors": "inside",
    "layers.poles.path": "poles.gpkg", "layers.poles.height": "h", "layers.poles.name": "name",
    "layers.keep_outs.path": "keep_outs.gpkg", "layers.keep_outs.name": "name",
    "layers.grounds.path": "grounds.gpkg",
    "layers.terrain.path": "terrain.tif",
}  # fmt: skip
CONTRACT = {
    "title": "Corpus", "contract.sites.path": "sites.gpkg", "contract.sites.name": "name",
    "contract.sites.elevation": "elev",
}  # fmt: skip
# the same contract with what stands on its sites: the yard is the first of them
EACH = CONTRACT | {
    key: value for key, value in SITE.items() if not key.startswith(("layers.site", "layers.terrain"))
}
CLIMATE = {
    "climate.tmin.path": "tmin.tif", "climate.tmin.unit": "C", "climate.tmax.path": "tmax.tif",
    "climate.tmax.unit": "C",
}  # fmt: skip
PROGRAMME = {"layers.site.path": "site.gpkg", "layers.site.name": "name", "programme.stations": "stations.csv"}
REVIEW = {"layers.site.path": "site.gpkg", "layers.site.name": "name", "review.weather": "weather.csv",
          "review.gaps": "missing"}  # fmt: skip


def write_all(folder: Path) -> None:
    for name, table in layers().items():
        table.to_file(folder / f"{name}.gpkg", layer=name, engine="pyogrio")
    for name in HEIGHTS:
        write_heights(folder / f"{name}.tif", heights(name))
    for name in WEATHER:
        write_monthly(folder / f"{name}.tif", monthly(name))
    raster(folder / "elevation.tif", np.full((6, 6), 95, np.float32), 5000.0, -10_000.0, 20_000.0)
    for name, text in TEXTS.items():
        (folder / name).write_text(text(), encoding="utf-8")


def toml(keys: Mapping[str, object]) -> str:
    """Dotted keys as a plan file."""
    return "".join(f"{key} = {_value(value)}\n" for key, value in keys.items() if value is not None)


def _value(value: object) -> str:
    if isinstance(value, Raw):
        return value.text
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + "}"
    return str(value) if isinstance(value, date) else json.dumps(value)


class Raw:
    """A value written into the plan as it is."""

    def __init__(self, text: str) -> None:
        self.text = text
