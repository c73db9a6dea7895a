"""Make the demo: an invented college campus, and an invented contract of 40 sites from coast to desert.

    python data/make_demo.py [--out examples]

writes campus/campus.gpkg, campus/terrain.tif, contract/sites.gpkg, contract/eto.tif, tmean.tif, rain.tif and
elevation.tif under the folder, and the campus' stations.csv, weather.csv and log.csv. Every building, hill, tree,
town, name, station and month of weather here is invented. Only the place is real: the strip between 35 and 36
degrees north, 121.6 and 117.3 degrees west, whose climate the invented one follows loosely, so that it can be
compared with the built-in climate layer. Nothing here is a survey of anything.

The seed is fixed. The same library versions give the same bytes; other versions the same content, to the
rounding stated beside each layer. The tests compare content. The package must be installed or on the path.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from numpy.typing import ArrayLike, NDArray
from rasterio.transform import from_origin
from shapely import Point, Polygon, box
from shapely.affinity import rotate, scale, translate
from shapely.geometry.base import BaseGeometry

from planner.climate.eto import (
    MonthlyInputs,
    clear_sky_radiation,
    monthly_eto,
    monthly_extraterrestrial_radiation,
    saturation_vapour_pressure_kpa,
)

Floats = NDArray[np.float64]

SEED = 351193
# GeoPackage stamps the day it was written; a pinned day keeps the bytes alike.
PINNED_DATE = "2025-01-01T00:00:00.000Z"

KM_PER_DEGREE = 111.32  # of latitude; of longitude times the cosine of latitude


def ripples(seed: int, x: Floats, y: Floats, lengths: Sequence[float]) -> Floats:
    """Smooth seeded noise about zero, spread 0.7: waves in random directions, longer ones higher."""
    rng = np.random.default_rng([SEED, seed])
    total = np.zeros(np.broadcast(x, y).shape)
    for length in lengths:
        for _ in range(4):
            turn, phase = rng.uniform(0, 2 * np.pi, 2)
            along = x * np.cos(turn) + y * np.sin(turn)
            total += length * np.sin(2 * np.pi * along / length + phase)
    return np.asarray(total / (4 * sum(length**2 for length in lengths)) ** 0.5)


def step(x: ArrayLike, low: float, high: float) -> Floats:
    """0 below `low`, 1 above `high`, a smooth rise between."""
    t = np.clip((np.asarray(x, float) - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t))


def bump(x: ArrayLike, width: float) -> Floats:
    """1 at zero, 1/e at `width`: the shape of a hill."""
    return np.asarray(np.exp(-((np.asarray(x, float) / width) ** 2)))


# --- the strip from coast to desert ----------------------------------------------------------------------

CELL_DEG = 0.04
WEST_DEG, NORTH_DEG, COLUMNS, ROWS = -121.64, 36.04, 110, 27

# The line of the coast: invented, bent loosely like the real one.
COAST_LAT_LON = np.array(
    [(34.9, -120.66), (35.12, -120.64), (35.2, -120.78), (35.4, -120.87), (35.6, -121.1), (36.1, -121.6)]
)


def inland_km(lon: ArrayLike, lat: ArrayLike) -> Floats:
    """Distance east of the coast along the parallel, km; negative at sea."""
    lat = np.asarray(lat, float)
    coast = np.interp(lat, COAST_LAT_LON[:, 0], COAST_LAT_LON[:, 1])
    return np.asarray((np.asarray(lon, float) - coast) * KM_PER_DEGREE * np.cos(np.radians(lat)))


def second_crest_lon(lat: ArrayLike) -> Floats:
    """Longitude of the second range's crest."""
    return -118.62 + 0.25 * (np.asarray(lat, float) - 35.0)


def desert_share(lon: ArrayLike, lat: ArrayLike) -> Floats:
    """0 in the valley, 1 in the desert behind the second range."""
    return step(np.asarray(lon, float) - second_crest_lon(lat), 0.0, 0.35)


def elevation_m(lon: ArrayLike, lat: ArrayLike) -> Floats:
    """Ground of the strip, metres: coastal plain, first range, valley, second range, high desert."""
    lon, lat = np.asarray(lon, float), np.asarray(lat, float)
    d = inland_km(lon, lat)
    rough = ripples(1, lon * 90, lat * KM_PER_DEGREE, (60.0, 25.0, 12.0))
    first = (560 + 180 * rough) * bump(d - 45, 22)
    second = (1250 + 700 * (lat - 35) + 250 * rough) * bump(lon - second_crest_lon(lat), 0.22)
    valley = 95 * step(d, 5, 95)
    desert = (640 + 90 * rough) * desert_share(lon, lat)
    return np.maximum(first + second + valley + desert + 6 * step(d, 0, 8), 2.0)


# Twelve months at the shore, in the valley and in the desert, as they would read at sea level; each place is a
# blend of the three. The numbers are invented, near what such climates have.
SHORE_MEAN_C = (12.6, 12.5, 12.6, 12.7, 13.2, 14.1, 15.0, 15.7, 16.1, 15.7, 14.4, 12.9)
VALLEY_MEAN_C = (10.9, 12.6, 15.3, 18.4, 22.7, 27.2, 30.8, 29.8, 26.4, 20.6, 14.4, 10.8)
DESERT_MEAN_C = (12.6, 14.1, 17.0, 20.3, 24.8, 29.8, 33.0, 32.2, 28.9, 22.8, 16.6, 12.4)
SHORE_RANGE_C = (9.5, 9.2, 8.8, 8.6, 7.8, 7.4, 7.2, 7.4, 8.2, 9.2, 9.8, 9.8)
INLAND_RANGE_C = (11.0, 12.5, 13.8, 15.3, 16.2, 17.2, 17.8, 17.8, 17.4, 16.2, 13.8, 11.2)
# Share of the clear sky's radiation: morning low cloud at the shore in early summer, winter fog in the valley,
# a little thunder cloud in the desert's late summer, which moves its peak to June.
SHORE_CLEARNESS = (0.73, 0.75, 0.79, 0.82, 0.76, 0.70, 0.73, 0.77, 0.81, 0.82, 0.78, 0.74)
VALLEY_CLEARNESS = (0.70, 0.76, 0.82, 0.88, 0.92, 0.95, 0.95, 0.95, 0.93, 0.89, 0.79, 0.70)
DESERT_CLEARNESS = (0.84, 0.86, 0.88, 0.91, 0.93, 0.95, 0.91, 0.91, 0.93, 0.91, 0.87, 0.83)
SHORE_DEW_C = (6.5, 7.2, 7.8, 8.2, 9.8, 11.4, 12.8, 13.2, 12.6, 10.8, 8.2, 6.5)
VALLEY_DEW_C = (5.2, 6.4, 6.8, 7.2, 9.0, 11.0, 13.2, 13.2, 11.2, 8.2, 6.2, 4.8)
DESERT_DEW_C = (-1.5, -1.0, -0.8, -0.5, 1.5, 3.2, 8.6, 9.4, 5.5, 1.0, -0.8, -1.8)
SHORE_WIND_M_S = (1.7, 1.9, 2.2, 2.5, 2.5, 2.3, 2.0, 1.9, 1.8, 1.8, 1.7, 1.7)
VALLEY_WIND_M_S = (1.3, 1.5, 1.8, 2.0, 2.1, 2.1, 1.8, 1.7, 1.5, 1.4, 1.3, 1.2)
DESERT_WIND_M_S = (1.7, 2.0, 2.5, 2.8, 2.9, 2.8, 2.2, 2.0, 1.9, 1.8, 1.7, 1.6)
# The whole winter storm, before any range has taken its share; and the desert's late summer.
STORM_MM = (92, 94, 66, 29, 10, 3, 2, 2, 4, 18, 38, 88)
THUNDER_MM = (0, 0, 0, 0, 0, 0, 3, 4, 2, 0, 0, 0)
LAPSE_C_PER_M = 0.0055  # about the mean fall of temperature with height; common practice, no source
SEA_BREEZE_KM = 28.0  # over which the sea's part falls to 1/e; invented


@dataclass(frozen=True)
class Months:
    """Invented weather of n places, (12, n) each, January first; n may have more axes."""

    t_min_c: Floats
    t_max_c: Floats
    radiation_mj_m2_day: Floats
    vapour_pressure_kpa: Floats
    wind_2m_m_s: Floats
    rain_mm: Floats

    @property
    def t_mean_c(self) -> Floats:
        return (self.t_min_c + self.t_max_c) / 2


def months_at(lon: Floats, lat: Floats) -> Months:
    """The invented weather at (n,) places, by distance from the sea, height, and the ranges between.

    Temperature falls with height, and the sea narrows its daily and yearly range; radiation is a share of
    FAO-56's clear sky (eq. 37, p. 51); the dew point stays under the minimum.
    """
    d, z = inland_km(lon, lat), elevation_m(lon, lat)
    marine = np.exp(-np.maximum(d, 0) / SEA_BREEZE_KM)
    desert = desert_share(lon, lat)

    def blend(shore: Sequence[float], valley: Sequence[float], dry: Sequence[float]) -> Floats:
        sea, mid, sand = (np.reshape(m, (12, *[1] * d.ndim)) for m in (shore, valley, dry))
        return np.asarray(marine * sea + (1 - marine) * ((1 - desert) * mid + desert * sand))

    t_mean = blend(SHORE_MEAN_C, VALLEY_MEAN_C, DESERT_MEAN_C) - LAPSE_C_PER_M * z
    span = blend(SHORE_RANGE_C, INLAND_RANGE_C, INLAND_RANGE_C)
    t_min, t_max = t_mean - span / 2, t_mean + span / 2
    clear = clear_sky_radiation(monthly_extraterrestrial_radiation(lat), z)
    dew = np.minimum(blend(SHORE_DEW_C, VALLEY_DEW_C, DESERT_DEW_C) - 0.002 * z, t_min - 0.3)
    # Each range keeps back part of the rain; height wrings out more.
    shadow = 1 - 0.55 * step(d, 45, 85) - 0.25 * desert
    storm, thunder = (np.reshape(m, (12, *[1] * d.ndim)) for m in (STORM_MM, THUNDER_MM))
    rain = storm * shadow * (1 + z / 1500) + thunder * step(z, 500, 1500)
    return Months(
        t_min_c=t_min,
        t_max_c=t_max,
        radiation_mj_m2_day=blend(SHORE_CLEARNESS, VALLEY_CLEARNESS, DESERT_CLEARNESS) * clear,
        vapour_pressure_kpa=saturation_vapour_pressure_kpa(dew),
        wind_2m_m_s=blend(SHORE_WIND_M_S, VALLEY_WIND_M_S, DESERT_WIND_M_S),
        rain_mm=rain,
    )


def eto_of(weather: Months, lat: Floats, z_m: Floats) -> Floats:
    """(12, n) ETo in mm/day by FAO-56 Penman-Monteith."""
    inputs = MonthlyInputs(
        weather.t_min_c,
        weather.t_max_c,
        weather.radiation_mj_m2_day,
        weather.vapour_pressure_kpa,
        weather.wind_2m_m_s,
    )
    return monthly_eto(inputs, lat, z_m, "penman-monteith")[0]


def grid_lon_lat() -> tuple[Floats, Floats]:
    """Centres of the climate cells, (rows, columns) each, northernmost row first."""
    lon = WEST_DEG + CELL_DEG * (np.arange(COLUMNS) + 0.5)
    lat = NORTH_DEG - CELL_DEG * (np.arange(ROWS) + 0.5)
    lon, lat = np.meshgrid(lon, lat)
    return lon, lat


def climate_grids() -> dict[str, Floats]:
    """`eto` (mm/day), `tmean` (C), `rain` (mm a month) and `elevation` (m), NaN at sea, two decimals.

    (12, rows, columns) each, the elevation (1, rows, columns).
    """
    lon, lat = grid_lon_lat()
    weather, z_m = months_at(lon.ravel(), lat.ravel()), elevation_m(lon, lat).ravel()
    eto = eto_of(weather, lat.ravel(), z_m)
    land = inland_km(lon, lat) >= 0
    layers = {"eto": eto, "tmean": weather.t_mean_c, "rain": weather.rain_mm, "elevation": z_m}
    return {name: np.where(land, np.round(v, 2).reshape(-1, ROWS, COLUMNS), np.nan) for name, v in layers.items()}


# --- the campus ------------------------------------------------------------------------------------------

# The campus is drawn in its own frame: u along its streets (about east), v across (about north), metres from
# the centre, then turned by a few degrees as most campuses are.
CAMPUS_LON_DEG, CAMPUS_LAT_DEG = -119.362, 35.268
TURN_DEG = 7.0  # counterclockwise
FRAME = f"+proj=tmerc +lat_0={CAMPUS_LAT_DEG} +lon_0={CAMPUS_LON_DEG} +k=1 +datum=NAD83 +units=m +no_defs"
PLANS_CRS = "EPSG:2229"  # state plane, US survey feet: what the drawing office would use
SURVEY_CRS = "EPSG:26911"  # UTM 11N, metres: what the tree survey and the terrain came in
PHONE_CRS = "EPSG:4326"  # longitude and latitude: controllers noted with a phone


@dataclass(frozen=True)
class Building:
    """One footprint in the campus frame; heights in feet, None where the drawings have none."""

    name: str
    use: str
    shape: BaseGeometry
    height_ft: float | None
    roof: str = "flat"
    base_ft: float = 0.0
    mountable: bool = True


def campus_buildings() -> list[Building]:
    """About sixty buildings: the college's own, then its neighbours (`use` is "neighbour")."""
    b = Building
    commons = box(-55, 68, 15, 128).difference(box(-34, 86, -6, 110))
    library = Polygon([(62, -50), (112, -50), (112, -20), (84, -20), (84, 45), (62, 45)])
    octagon = Point(-108, 0).buffer(15, quad_segs=2)
    campus = [
        b("Garnet Library", "library", library, 42),
        b("Basalt Commons", "student centre", commons, 29),
        b("Slate Hall", "administration", box(-60, -78, 22, -60), 26, "pitched"),
        b("Feldspar Hall", "sciences", box(40, -106, 112, -76), 46),
        b("Opal Hall", "lecture hall", octagon, 24),
        b("Marble Hall", "humanities", box(-114, 26, -92, 76), 28),
        b("Jasper Hall", "social sciences", box(-114, -76, -92, -26), 28),
        b("Flint Tower", "clock tower", box(48, 52, 54, 58), 62, mountable=False),
        b("Onyx Theatre, house", "theatre", box(-184, 28, -146, 66), 34),
        b("Onyx Theatre, stage", "theatre", box(-204, 32, -184, 62), 68),
        b("Amber Hall", "music", box(-204, -8, -160, 12), 25),
        b("Ochre Studios", "art", box(-204, -62, -150, -40), 20, "pitched"),
        b("Pumice Gallery", "art", box(-144, -8, -130, 12), 18),
        b("Granite Gymnasium", "gym", box(92, 62, 146, 108), 44),
        b("Marl Pool House", "pool", box(92, 146, 146, 156), 14),
        b("Shale Field House", "changing rooms", box(180, 14, 216, 27), 16, "pitched"),
        b("Grandstand", "grandstand", box(150, 105, 157, 155), 19, mountable=False),
        b("Mica Shop", "automotive", box(-132, -152, -88, -122), 24),
        b("Dolomite Shop", "welding", box(-76, -152, -40, -122), 24),
        b("Gypsum Shop", "building trades", box(12, -152, 58, -124), 22),
        b("Calcite Hall", "health", box(76, -152, 132, -122), 30),
        b("Plant Room", "central plant", box(140, -86, 168, -64), 20),
        b("Switch House", "electrical", box(176, -84, 188, -74), 12, mountable=False),
        b("Maintenance Shop", "maintenance", box(208, -112, 252, -92), 18, "pitched"),
        b("Vehicle Shed", "maintenance", box(258, -116, 268, -76), 14, "pitched"),
        b("Grounds Shed", "maintenance", box(212, -84, 232, -74), None, "pitched"),
        b("Loam Lab", "horticulture", box(-236, -152, -200, -138), 14, "pitched"),
        b("Greenhouse 1", "greenhouse", box(-236, -126, -200, -117), 15, "pitched", mountable=False),
        b("Greenhouse 2", "greenhouse", box(-236, -108, -200, -99), 15, "pitched", mountable=False),
        b("Lath House", "shade house", box(-192, -126, -172, -102), 11, base_ft=9, mountable=False),
        b("Pebble Children's Centre", "child care", box(-150, 150, -112, 172), 15, "pitched", mountable=False),
        b("Gatehouse", "campus safety", box(-38, -224, -32, -218), 11, "pitched"),
    ]
    for row, v in enumerate((136.0, 172.0)):
        for k in range(4):
            height = None if (row, k) in {(0, 2), (1, 1)} else 12
            name = f"Portable {row * 4 + k + 1}"
            u = -262.0 + 22 * k
            campus.append(b(name, "portable classroom", box(u, v, u + 18, v + 8), height))
    for name, shape, base, top in (
        ("Solar canopy, lot 1 north", box(-190, -188, -64, -182), 13, 15),
        ("Solar canopy, lot 1 south", box(-190, -213, -64, -207), 13, 15),
        ("Solar canopy, lot 2", box(30, -188, 150, -182), 13, 15),
        ("Walk canopy, Basalt to Garnet", box(15, 70, 64, 74).union(box(64, 45, 68, 74)), 9, 10.5),
        ("Walk canopy, Marble to Jasper", box(-92, -76, -88, 76), 9, 10.5),
        ("Walk canopy, portables", box(-262, 156, -178, 159), 9, 10),
        ("Bus shelter", box(-8, -228, 6, -225), 8, 9),
    ):
        campus.append(b(name, "canopy", shape, top, base_ft=base, mountable=False))

    around: list[tuple[str, BaseGeometry, float | None, str]] = [
        ("Millrace House", box(-214, -282, -168, -258), 104, "flat"),
        ("Millrace Court", box(-140, -282, -96, -260), 34, "flat"),
        ("Corner market", box(214, -206, 256, -170), 20, "flat"),
        ("Shops on Tarn Street", box(304, -60, 326, 40), 18, "flat"),
    ]
    for k in range(9):
        u = -252.0 + 58 * k + (6 if k % 2 else 0)
        around.append((f"{12 + 4 * k} Sorrel Street", box(u, 262, u + 15, 275), None if k == 6 else 17, "pitched"))
    return campus + [b(name, "neighbour", s, h, roof, mountable=False) for name, s, h, roof in around]


def campus_site() -> Polygon:
    """Outline, about 25 ha, with a notch in the south-east where a shop stands."""
    return Polygon(box(-280, -235, 280, 235).difference(box(196, -235, 280, -136)).exterior)


def stadium(u: float, v: float, straight: float, radius: float) -> BaseGeometry:
    """A running track's shape: two straights along v, two half circles."""
    return shapely.LineString([(u, v - straight / 2), (u, v + straight / 2)]).buffer(radius, quad_segs=12)


TRACK = stadium(214, 128, 84.39, 46.0)
PITCH = box(214 - 32, 128 - 50, 214 + 32, 128 + 50)


def campus_grounds() -> list[tuple[str, str, BaseGeometry]]:
    """(name, kind, shape) of lawns, paths, parking, courts; not read by the plan, but sprays are made from it."""
    line = shapely.LineString
    quad = box(-80, -46, 46, 50)
    paths = [
        line([(-80, -46), (46, 50)]),
        line([(-80, 50), (46, -46)]),
        line([(-17, -60), (-17, 68)]),
        line([(-88, 2), (62, 2)]),
        line([(-15, -235), (-15, -78)]),
        line([(-280, 88), (-120, 88), (-17, 60), (140, 58)]),
        line([(-140, 88), (-140, -90), (170, -112)]),
        line([(-204, 20), (-88, 20)]),
        line([(-140, -90), (-200, -90), (-200, -152)]),
        line([(62, 2), (54, 58)]),
        line([(116, -112), (116, 60)]),
        line([(160, -60), (160, 235)]),
        line([(-224, 88), (-224, 210)]),
    ]
    walks = shapely.union_all([p.buffer(2.2 if k != 4 else 4, cap_style="flat") for k, p in enumerate(paths)])
    diamond = Polygon(
        [(-60, 150)] + [(-60 + 62 * np.cos(a), 150 + 62 * np.sin(a)) for a in np.radians(np.linspace(0, 90, 13))]
    )
    built = shapely.union_all([x.shape for x in campus_buildings() if not x.base_ft])
    rows: list[tuple[str, str, BaseGeometry]] = [
        ("Quad", "lawn", quad),
        ("Arts court", "lawn", box(-204, -34, -146, -14)),
        ("Library lawn", "lawn", box(88, -16, 112, 45)),
        ("Entrance lawn west", "lawn", box(-86, -114, -21, -84)),
        ("Entrance lawn east", "lawn", box(-9, -118, 34, -84)),
        ("Health garden", "lawn", box(138, -152, 186, -120)),
        ("Theatre lawn", "lawn", box(-204, 68, -120, 84)),
        ("Portables lawn", "lawn", box(-218, 100, -124, 134)),
        ("North lawn", "lawn", box(16, 82, 84, 130)),
        ("Teaching plots", "planting", box(-270, -92, -206, -66)),
        ("Softball field", "field", diamond),
        ("Stadium pitch", "field", PITCH),
        ("Running track", "track", TRACK.difference(TRACK.buffer(-9.8))),
        ("Tennis courts", "court", box(92, 166, 146, 228)),
        ("Pool", "pool", box(106, 116, 131, 136)),
        ("Lot 1", "parking", box(-200, -222, -50, -166)),
        ("Lot 2", "parking", box(20, -222, 180, -166)),
        ("Lot 3", "parking", box(204, -62, 274, 8)),
        ("Sorrel Street", "road", box(-330, 239, 330, 249)),
        ("Quarry Road", "road", box(-330, -249, 330, -239)),
        ("Tarn Street", "road", box(285, -239, 295, 239)),
    ]
    rows = [
        (name, kind, (shape.difference(walks) if kind in {"lawn", "planting"} else shape).difference(built))
        for name, kind, shape in rows
    ]
    solid = shapely.union_all([shape for _, kind, shape in rows if kind not in {"lawn", "planting"}] + [built])
    return [*rows, ("Walks", "path", walks.difference(solid).intersection(campus_site()))]


def campus_keep_outs() -> list[tuple[str, str, BaseGeometry]]:
    """(name, kind, shape): spray over lawns and fields, heat that comes out, places nobody may go."""
    built = shapely.union_all([x.shape for x in campus_buildings() if not x.base_ft])
    throw = {"lawn": 2.0, "field": 4.0, "planting": 1.0}  # overspray beyond the grass, m; invented
    sprays = [
        (f"Spray, {name}", "spray", shape.buffer(throw[kind]).simplify(0.3).difference(built))
        for name, kind, shape in campus_grounds()
        if kind in throw
    ]
    return [
        *sprays,
        ("Kitchen exhaust, Basalt Commons", "heat", box(4, 118, 12, 126)),
        ("Fume hoods, Feldspar Hall", "heat", box(46, -98, 62, -86)),
        ("Chillers, Feldspar Hall", "heat", box(92, -102, 108, -90)),
        ("Boiler flue, Plant Room", "heat", Point(146, -80).buffer(2.5)),
        ("Weld extract, Dolomite Shop", "heat", box(-62, -130, -54, -124)),
        ("Laundry vent, Marl Pool House", "heat", box(92, 148, 95, 151)),
        ("Spray booth exhaust, Mica Shop", "heat", box(-96, -150, -90, -144)),
        ("Heater flue, Greenhouse 1", "heat", Point(-202, -121.5).buffer(1.5)),
        ("Electrical plant, roof of Garnet Library", "no_access", box(92, -46, 110, -24)),
        ("High-voltage compound", "no_access", box(172, -88, 192, -66)),
        ("Fly loft roof, Onyx Theatre", "no_access", box(-204, 32, -184, 62)),
    ]


def campus_poles() -> list[tuple[str, float, float, float]]:
    """(name, u, v, height_ft)."""
    sports = [(u, v) for u in (162.0, 266.0) for v in (84.0, 128.0, 172.0)]
    lots = [(-160.0, -196.0), (-94.0, -196.0), (60.0, -196.0), (126.0, -196.0), (222.0, -28.0), (256.0, -28.0)]
    walks = [(-120.0, 92.0), (-20.0, -94.0), (116.0, -64.0), (-144.0, -30.0), (-20.0, 54.0)]
    return [
        *((f"Stadium light {k + 1}", u, v, 70.0) for k, (u, v) in enumerate(sports)),
        *((f"Car park light {k + 1}", u, v, 25.0) for k, (u, v) in enumerate(lots)),
        *((f"Path light {k + 1}", u, v, 14.0) for k, (u, v) in enumerate(walks)),
        ("Flag pole", -28.0, -84.0, 35.0),
        ("Camera mast, lot 1", -46.0, -170.0, 20.0),
        ("Camera mast, field gate", 166.0, 46.0, 20.0),
    ]


def campus_controllers() -> list[tuple[str, float, float, bool, str]]:
    """(name, u, v, indoors, where it hangs)."""
    return [
        ("Controller A, library", 61.6, 12.0, False, "west wall of Garnet Library"),
        ("Controller B, gym", 146.4, 70.0, False, "east wall of Granite Gymnasium"),
        ("Controller C, plant", 156.0, -72.0, True, "inside the Plant Room"),
        ("Controller D, horticulture", -199.6, -145.0, False, "east wall of Loam Lab"),
        ("Controller E, far field", 270.0, 206.0, False, "pedestal at the north-east corner"),
    ]


@dataclass(frozen=True)
class TreeKind:
    name: str
    leaf: str
    height_m: float
    crown_m: float
    base_share: float  # underside of the crown over the height


PLANE = TreeKind("plane", "deciduous", 13.0, 8.5, 0.28)
OAK = TreeKind("evergreen oak", "evergreen", 10.5, 10.0, 0.22)
GUM = TreeKind("tall gum", "evergreen", 27.0, 9.0, 0.30)
ASH = TreeKind("ash", "deciduous", 7.5, 6.0, 0.30)
PINE = TreeKind("pine", "evergreen", 15.0, 7.0, 0.18)
OLIVE = TreeKind("olive", "evergreen", 5.5, 5.0, 0.25)
FRUIT = TreeKind("fruit", "deciduous", 3.6, 3.4, 0.20)
ELM = TreeKind("elm", "deciduous", 11.0, 8.0, 0.28)


@dataclass(frozen=True)
class Tree:
    kind: TreeKind
    u: float
    v: float
    height_m: float | None
    crown_m: float
    base_m: float


def along(u0: float, v0: float, u1: float, v1: float, gap: float) -> list[tuple[float, float]]:
    """Points from one end to the other, both included, about `gap` metres apart."""
    n = max(round(float(np.hypot(u1 - u0, v1 - v0)) / gap), 1)
    return [(u0 + (u1 - u0) * k / n, v0 + (v1 - v0) * k / n) for k in range(n + 1)]


def lattice(u0: float, v0: float, u1: float, v1: float, gap: float) -> list[tuple[float, float]]:
    return [p for u, _ in along(u0, 0, u1, 0, gap) for p in along(u, v0, u, v1, gap)]


def campus_trees() -> list[Tree]:
    """About 250 trees: planted in rows, squares and groves; none in a wall, a pitch or another tree's trunk."""
    rng = np.random.default_rng([SEED, 2])
    planted: list[tuple[TreeKind, list[tuple[float, float]], float]] = [
        (GUM, along(-274, -226, -274, -30, 12), 0.8),
        (GUM, along(-262, -229, -206, -229, 12), 0.8),
        (PLANE, along(-25, -210, -25, -162, 10) + along(-5, -210, -5, -162, 10), 0.3),
        (PLANE, along(-25, -150, -25, -92, 10) + along(-5, -150, -5, -92, 10), 0.3),
        (OAK, along(-74, 42, 40, 42, 15) + along(-74, -40, 40, -40, 15), 0.8),
        (OAK, [(-74, 16), (-74, -14), (40, 20), (40, -16), (-48, 0), (10, -10), (-2, 18)], 1.0),
        (ELM, along(94, -10, 94, 40, 12) + along(106, -10, 106, 40, 12), 0.5),
        (ELM, along(-274, 224, -76, 228, 17), 1.0),
        (ASH, along(-192, -198, -66, -198, 12.5) + along(-192, -172, -66, -172, 17), 0.3),
        (ASH, along(30, -198, 168, -198, 13.5) + along(30, -172, 168, -172, 17), 0.3),
        (ASH, lattice(212, -52, 266, -4, 24), 0.4),
        (OLIVE, along(-198, -24, -152, -24, 9), 0.4),
        (OLIVE, along(-198, 76, -128, 76, 11), 0.4),
        (FRUIT, lattice(-262, -86, -214, -72, 12), 0.3),
        (PINE, along(274, 30, 274, 230, 13), 1.0),
        (PINE, along(166, 230, 262, 230, 13), 1.0),
        (PINE, [(-272, 20), (-262, 34), (-268, 50), (-256, 60), (-246, 30), (-240, 48), (-252, 10)], 2.0),
        (ELM, along(62, -228, 180, -228, 13), 0.6),
        (
            OAK,
            [(-206, 112), (-186, 118), (-168, 110), (-150, 120), (-134, 110), (26, 92), (44, 118), (66, 96)],
            1.5,
        ),
        (OAK, [(144, -140), (162, -128), (178, -142)], 1.5),
        (OAK, [(-147, 8), (-127, -3), (-148, -6), (-253, 148), (-209, 132), (-187, 148)], 0.0),
        (PINE, [(-58, -156), (-82, -138), (67, -138), (-110, -156), (104, -156), (34, -156)], 0.0),
        (ELM, along(-254, 254, 270, 254, 40), 2.0),
        (PLANE, along(-160, -254, 190, -254, 32), 1.0),
    ]
    walls = shapely.union_all([b.shape for b in campus_buildings()])
    play = shapely.union_all([s for _, kind, s in campus_grounds() if kind in {"field", "track", "court", "pool"}])
    play = play.union(TRACK)
    trees: list[Tree] = []
    for kind, spots, stray in planted:
        for u, v in spots:
            u, v = u + rng.uniform(-stray, stray), v + rng.uniform(-stray, stray)
            size = float(np.clip(rng.normal(1, 0.1), 0.75, 1.25))
            crown = kind.crown_m * float(np.clip(size + rng.normal(0, 0.06), 0.7, 1.3))
            spot = Point(u, v)
            near = min((np.hypot(t.u - u, t.v - v) / (t.crown_m + crown) for t in trees), default=9.0)
            # those that do not stray are old, and stand closer to the walls than anyone would plant today
            clear = 0.4 * crown + 0.8 if stray else 2.0
            if spot.distance(walls) < clear or spot.distance(play) < 2 or near < 0.3:
                continue
            height = kind.height_m * size
            trees.append(Tree(kind, u, v, round(height, 1), round(crown, 1), round(kind.base_share * height, 1)))
    for k in rng.choice(len(trees), 7, replace=False):  # never measured
        t = trees[k]
        trees[k] = Tree(t.kind, t.u, t.v, None, t.crown_m, t.base_m)
    return trees


def placed(shape: BaseGeometry) -> BaseGeometry:
    """From the campus frame to metres east and north of its centre."""
    return rotate(shape, TURN_DEG, origin=(0, 0))


def campus_layer(
    shapes: Iterable[BaseGeometry], columns: Mapping[str, Sequence[object] | Floats], crs: str
) -> gpd.GeoDataFrame:
    """A layer in its own CRS; coordinates rounded to about a centimetre."""
    frame = gpd.GeoDataFrame(dict(columns), geometry=[placed(s) for s in shapes], crs=FRAME).to_crs(crs)
    grain = {PHONE_CRS: 1e-7, PLANS_CRS: 0.05}.get(crs, 0.01)
    frame.geometry = shapely.set_precision(frame.geometry.values, grain)
    return frame


def campus_layers() -> dict[str, gpd.GeoDataFrame]:
    """Every vector layer of the campus, by its name in the GeoPackage."""
    yes = {True: "yes", False: "no"}
    buildings, trees = campus_buildings(), campus_trees()
    keep, grounds = campus_keep_outs(), campus_grounds()
    poles, controllers = campus_poles(), campus_controllers()
    return {
        "site": campus_layer(
            [campus_site()], {"site_name": ["Quailbrush Community College"], "note": ["invented"]}, PLANS_CRS
        ),
        "buildings": campus_layer(
            [b.shape for b in buildings],
            {
                "bldg_name": [b.name for b in buildings],
                "bldg_use": [b.use for b in buildings],
                "height_ft": np.array([b.height_ft for b in buildings], float),
                "base_ft": [b.base_ft for b in buildings],
                "roof": [b.roof for b in buildings],
                "may_mount": [yes[b.mountable] for b in buildings],
            },
            PLANS_CRS,
        ),
        "trees": campus_layer(
            [Point(t.u, t.v) for t in trees],
            {
                "tag": [f"T{k + 1:03d}" for k in range(len(trees))],
                "kind": [t.kind.name for t in trees],
                "height_m": np.array([t.height_m for t in trees], float),
                "crown_m": [t.crown_m for t in trees],
                "base_m": [t.base_m for t in trees],
                "leaf": [t.kind.leaf for t in trees],
            },
            SURVEY_CRS,
        ),
        "controllers": campus_layer(
            [Point(u, v) for _, u, v, _, _ in controllers],
            {
                "label": [c[0] for c in controllers],
                "indoors": [yes[c[3]] for c in controllers],
                "location": [c[4] for c in controllers],
            },
            PHONE_CRS,
        ),
        "poles": campus_layer(
            [Point(u, v) for _, u, v, _ in poles],
            {"pole": [p[0] for p in poles], "height_ft": [p[3] for p in poles]},
            PLANS_CRS,
        ),
        "keep_outs": campus_layer(
            [s for _, _, s in keep],
            {"what": [k[0] for k in keep], "kind": [k[1] for k in keep]},
            PLANS_CRS,
        ),
        "grounds": campus_layer(
            [s for _, _, s in grounds],
            {"what": [g[0] for g in grounds], "kind": [g[1] for g in grounds]},
            PLANS_CRS,
        ),
    }


TERRAIN_CELL_M, TERRAIN_CELLS, TERRAIN_QUANTUM_M = 10.0, 800, 0.1


def terrain_m(x_km: Floats, y_km: Floats) -> Floats:
    """Invented ground around the campus: a plain that falls to the east, and hills on its western side.

    x_km, y_km: east and north of the campus. The near crest, 2.2 to 2.6 km west, stands about 300 m above it.
    """
    level = float(elevation_m(CAMPUS_LON_DEG, CAMPUS_LAT_DEG))
    plain = level - 5.0 * x_km + 1.5 * y_km
    crest = -2.4 + 0.16 * np.sin(y_km / 0.9) - 0.05 * y_km
    spurs = 0.70 * (1 + 0.20 * ripples(6, 0.35 * x_km, y_km, (1.3, 0.8, 0.5)))
    rough = ripples(3, x_km, y_km, (2.2, 1.1, 0.6))
    near = 290 * bump((x_km - crest) / spurs, 1) * (0.82 + 0.14 * np.cos(y_km / 1.1 + 0.4)) * (1 + 0.10 * rough)
    far = 330 * bump(x_km + 3.9, 0.55) * (1 + 0.12 * ripples(4, x_km, y_km, (2.0, 0.9)))
    knoll = 45 * bump(np.hypot(x_km - 2.1, y_km - 2.6), 0.6)
    wash = -3.5 * bump(x_km - 1.1 - 0.25 * np.sin(y_km * 1.7), 0.05)
    return plain + near + far + knoll + wash + 1.2 * rough * step(np.hypot(x_km, y_km), 0.4, 1.5)


def campus_centre_m() -> tuple[float, float]:
    """Campus centre in SURVEY_CRS."""
    centre = gpd.GeoSeries([Point(0, 0)], crs=FRAME).to_crs(SURVEY_CRS).iloc[0]
    return centre.x, centre.y


def write_terrain(path: Path) -> None:
    x0, y0 = campus_centre_m()
    half = TERRAIN_CELL_M * TERRAIN_CELLS / 2
    left, top = (round(a / TERRAIN_CELL_M) * TERRAIN_CELL_M for a in (x0 - half, y0 + half))
    steps = TERRAIN_CELL_M * (np.arange(TERRAIN_CELLS) + 0.5)
    x_km, y_km = np.meshgrid((left + steps - x0) / 1000, (top - steps - y0) / 1000)
    counts = np.round(terrain_m(x_km, y_km) / TERRAIN_QUANTUM_M).astype(np.int16)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=TERRAIN_CELLS,
        height=TERRAIN_CELLS,
        count=1,
        dtype="int16",
        crs=SURVEY_CRS,
        transform=from_origin(left, top, TERRAIN_CELL_M, TERRAIN_CELL_M),
        nodata=-32768,
        compress="deflate",
        predictor=2,
        zlevel=9,
        tiled=True,
    ) as dst:
        dst.scales, dst.units = (TERRAIN_QUANTUM_M,), ("m",)
        dst.update_tags(note="Invented ground, demo only")
        dst.write(counts, 1)


# --- the contract ----------------------------------------------------------------------------------------

SITES_CRS = "EPSG:3310"  # an equal-area frame in metres over the whole strip
BAND_MM_DAY = 1.0  # width of our neutral zone table's bands; their edges are whole numbers


@dataclass(frozen=True)
class ContractSite:
    """One site: shape in metres about its centre, at a longitude and latitude."""

    name: str
    kind: str
    town: str
    lon: float
    lat: float
    shape: BaseGeometry


def block(width: float, depth: float, turn: float = 0.0) -> BaseGeometry:
    return rotate(box(-width / 2, -depth / 2, width / 2, depth / 2), turn)


def ell(width: float, depth: float, turn: float = 0.0) -> BaseGeometry:
    return rotate(
        block(width, depth).difference(translate(block(width * 0.5, depth * 0.45), width / 4, depth / 3)), turn
    )


def green(radius: float, squeeze: float = 1.0, turn: float = 0.0) -> BaseGeometry:
    """A rounded park."""
    return rotate(scale(Point(0, 0).buffer(radius, quad_segs=6), squeeze, 1), turn)


def strips(count: int, length: float, width: float, gap: float, turn: float) -> BaseGeometry:
    """Medians of a road: so many strips in a line, one multi-part site."""
    step_m = length + gap
    parts = [translate(block(length, width), (k - (count - 1) / 2) * step_m) for k in range(count)]
    return rotate(shapely.union_all(parts), turn, origin=(0, 0))


def on_band_edge(lat: float, lon_from: float, lon_to: float) -> float:
    """Longitude of the cell centre along a parallel whose peak-month ETo comes nearest to a band's edge."""
    lon = np.arange(lon_from, lon_to, CELL_DEG)
    lon = WEST_DEG + CELL_DEG * (np.floor((lon - WEST_DEG) / CELL_DEG) + 0.5)
    lats = np.full(lon.shape, lat)
    peak = eto_of(months_at(lon, lats), lats, elevation_m(lon, lats)).max(axis=0)
    return float(lon[np.argmin(np.abs(peak / BAND_MM_DAY - np.round(peak / BAND_MM_DAY)))])


def contract_sites() -> list[ContractSite]:
    """Forty invented sites in nine invented towns, from the sea to the desert."""
    s = ContractSite
    # 0.4 km from the sea by the coast line, in a cell whose centre is at sea.
    quay_lat = 35.06
    quay_lon = float(np.interp(quay_lat, COAST_LAT_LON[:, 0], COAST_LAT_LON[:, 1])) + 0.004
    towns = {
        "Sandhook": (-120.60, 35.08),
        "Pellard Cove": (-120.74, 35.31),
        "Ferrow": (-120.42, 35.22),
        "Hollin Gap": (-120.12, 35.38),
        "Dunmarrow": (-119.72, 35.30),
        "Quailbrush": (-119.36, 35.26),
        "Tarn Flat": (-119.08, 35.52),
        "Ashlock": (-118.84, 35.16),
        "Coldiron Wells": (-117.92, 35.20),
    }
    plots: list[tuple[str, str, str, BaseGeometry]] = [
        ("Sandhook Dune School", "school", "Sandhook", block(240, 180, 12)),
        ("Kelp Street Park", "park", "Sandhook", green(85, 1.4, 20)),
        ("Lantern Plaza", "plaza", "Sandhook", block(70, 55, 12)),
        ("Pellard Cove Middle School", "school", "Pellard Cove", ell(280, 230, -8)),
        ("Bramble Point Park", "park", "Pellard Cove", green(140, 0.7, 35)),
        ("Pellard Cove Library", "library", "Pellard Cove", block(90, 80, -8)),
        ("Ferrow Fields", "sports park", "Ferrow", block(420, 330, 5)),
        ("Ferrow Primary School", "school", "Ferrow", ell(210, 190, 5)),
        ("Wether Lane Park", "park", "Ferrow", green(60, 1.2)),
        ("Ferrow Clinic", "clinic", "Ferrow", block(120, 95, 5)),
        ("Hollin Gap School", "school", "Hollin Gap", block(200, 170, 30)),
        ("Juniper Shelf Park", "park", "Hollin Gap", green(190, 1.5, -25)),
        ("Gap Road Depot", "depot", "Hollin Gap", block(150, 110, 30)),
        ("Dunmarrow High School", "school", "Dunmarrow", ell(400, 380, 0)),
        ("Saltgrass Park", "park", "Dunmarrow", green(120, 1.1)),
        ("Dunmarrow Town Plaza", "plaza", "Dunmarrow", block(80, 80, 0)),
        ("Furrow Avenue Basin", "basin park", "Dunmarrow", block(260, 140, 0)),
        ("Dunmarrow Senior Court", "housing", "Dunmarrow", ell(140, 120, 0)),
        ("Quailbrush Community Park", "park", "Quailbrush", block(360, 300, 7)),
        ("Sorrel Street School", "school", "Quailbrush", ell(230, 210, 7)),
        ("Quailbrush Civic Lawn", "civic", "Quailbrush", block(130, 90, 7)),
        ("Millrace Greenway", "greenway", "Quailbrush", strips(3, 310, 24, 30, 7)),
        ("Tarn Flat School", "school", "Tarn Flat", block(260, 210, -4)),
        ("Cottonwood Row Park", "park", "Tarn Flat", green(100, 1.8, -4)),
        ("Tarn Flat Ball Fields", "sports park", "Tarn Flat", block(300, 290, -4)),
        ("Canal Bank Office", "office", "Tarn Flat", block(110, 70, -4)),
        ("Ashlock Primary School", "school", "Ashlock", ell(180, 160, 40)),
        ("Ridge Oak Park", "park", "Ashlock", green(110, 1.2, 40)),
        ("Coldiron Wells High School", "school", "Coldiron Wells", ell(380, 330, 2)),
        ("Mesquite Tally Park", "park", "Coldiron Wells", green(130, 1.3)),
        ("Coldiron Wells Plaza", "plaza", "Coldiron Wells", block(75, 60, 2)),
        ("Dry Lake Sports Park", "sports park", "Coldiron Wells", block(420, 300, 2)),
        ("Borax Street Clinic", "clinic", "Coldiron Wells", block(130, 100, 2)),
    ]
    sites = []
    for k, (name, kind, town, shape) in enumerate(plots):
        # spread over the town on a spiral, so that no two meet
        east_km, north_km = (0.8 + 0.09 * k) * np.cos(2.4 * k), (0.8 + 0.09 * k) * np.sin(2.4 * k)
        lon, lat = towns[town]
        lon += east_km / (KM_PER_DEGREE * np.cos(np.radians(lat)))
        lat += north_km / KM_PER_DEGREE
        sites.append(s(name, kind, town, round(lon, 5), round(lat, 5), shape))
    graves = green(170, 1.3, 15).difference(block(60, 45, 15))
    mesa = Polygon([(-5200, -2600), (3900, -3000), (5400, 600), (2600, 2900), (-1800, 2200), (-4800, 1500)])
    return [
        s("Sandhook Quay Green", "park", "Sandhook", quay_lon, quay_lat, block(90, 50, 60)),
        *sites,
        s("Hollin Gap Cemetery", "cemetery", "Hollin Gap", -120.05, 35.37, graves),
        s(
            "Long Mesa Regional Park",
            "regional park",
            "Hollin Gap",
            on_band_edge(35.25, -120.35, -120.05),
            35.25,
            mesa,
        ),
        s("Tarn Flat Road Medians", "medians", "Tarn Flat", -119.02, 35.49, strips(6, 120, 6, 18, 82)),
        s("Bluff Edge Park", "park", "Ferrow", on_band_edge(35.18, -120.55, -120.30), 35.18, green(80)),
        s(
            "Foothill Line School",
            "school",
            "Hollin Gap",
            on_band_edge(35.34, -120.15, -119.85),
            35.34,
            block(190, 160),
        ),
        s("Windrow Park", "park", "Coldiron Wells", on_band_edge(35.26, -118.30, -117.70), 35.26, green(120, 1.2)),
    ]


def contract_layer() -> gpd.GeoDataFrame:
    """The forty sites in SITES_CRS, coordinates to a centimetre."""
    sites = contract_sites()
    centres = gpd.GeoSeries([Point(s.lon, s.lat) for s in sites], crs=PHONE_CRS).to_crs(SITES_CRS)
    shapes = [translate(s.shape, c.x, c.y) for s, c in zip(sites, centres, strict=True)]
    lon, lat = np.array([s.lon for s in sites]), np.array([s.lat for s in sites])
    frame = gpd.GeoDataFrame(
        {
            "site_no": [f"S{k + 1:02d}" for k in range(len(sites))],
            "site_name": [s.name for s in sites],
            "kind": [s.kind for s in sites],
            "town": [s.town for s in sites],
            "elev_m": np.round(elevation_m(lon, lat)),
        },
        geometry=shapes,
        crs=SITES_CRS,
    )
    frame.geometry = shapely.set_precision(frame.geometry.values, 0.01)
    return frame


# What stands at a kind of site: buildings (width, depth and height in metres, how many), trees, light poles and
# controllers.
STANDING: dict[str, tuple[tuple[tuple[float, float, float, int], ...], int, int, int]] = {
    "school": (((46, 18, 4.6, 3), (34, 28, 9.5, 1)), 14, 1, 2),
    "park": (((9, 7, 3.6, 1),), 16, 2, 1),
    "plaza": (((18, 12, 8.0, 1),), 7, 2, 1),
    "library": (((34, 24, 7.5, 1),), 8, 1, 1),
    "sports park": (((14, 9, 4.2, 2),), 10, 4, 2),
    "clinic": (((40, 26, 6.8, 1),), 5, 1, 1),
    "depot": (((38, 20, 7.2, 2),), 4, 2, 1),
    "basin park": (((8, 6, 3.4, 1),), 12, 0, 1),
    "housing": (((26, 14, 8.8, 2),), 10, 0, 1),
    "civic": (((36, 22, 8.6, 1),), 8, 2, 1),
    "greenway": ((), 8, 2, 1),
    "office": (((36, 20, 7.4, 1),), 4, 0, 1),
    "cemetery": (((16, 10, 7.0, 1),), 14, 0, 1),
    "regional park": (((22, 14, 5.0, 2),), 16, 0, 2),
    "medians": ((), 6, 3, 1),
}
WITHOUT_ANYTHING = "Bluff Edge Park"  # no building, no pole: nothing to mount on
NOT_MEASURED = ("Ferrow Clinic", "Canal Bank Office", "Sandhook Dune School")  # no heights


def grounds_layers(sites: gpd.GeoDataFrame) -> dict[str, gpd.GeoDataFrame]:
    """What stands at the contract's sites, in SITES_CRS: buildings, trees, poles and controllers, seeded."""
    draw = np.random.default_rng(SEED)
    rows: dict[str, list[dict[str, object]]] = {name: [] for name in ("buildings", "trees", "poles", "controllers")}

    def spot(inside: BaseGeometry) -> Point:
        west, south, east, north = inside.bounds
        while True:
            at = Point(draw.uniform(west, east), draw.uniform(south, north))
            if inside.contains(at):
                return at

    for site in sites.itertuples():
        buildings, trees, poles, controllers = STANDING[site.kind]
        if site.site_name == WITHOUT_ANYTHING:
            buildings, poles = (), 0
        # of a large park, what stands is near its middle
        near = site.geometry.intersection(site.geometry.representative_point().buffer(260.0))
        turn, taken = float(draw.uniform(0, 90)), shapely.Polygon()
        standing: list[tuple[BaseGeometry, float]] = []
        for width, depth, height, count in buildings:
            for _ in range(count):
                for _ in range(200):
                    at = spot(near)
                    shape = translate(rotate(block(width, depth), turn), at.x, at.y)
                    if near.buffer(-2.0).contains(shape) and not taken.intersects(shape.buffer(7.0)):
                        standing.append((shape, round(height * draw.uniform(0.9, 1.15), 1)))
                        taken = taken.union(shape)
                        break
        free = near.difference(taken.buffer(9.0))
        for k, (shape, height) in enumerate(standing):
            known = site.site_name not in NOT_MEASURED
            name = f"{site.site_name} {'ABCDEFG'[k]}"
            rows["buildings"].append({"name": name, "height_m": height if known else None, "geometry": shape})
        for _ in range(trees):
            kind = (PLANE, OAK, ELM, ASH, PINE, OLIVE)[int(draw.integers(6))]
            size = draw.uniform(0.6, 1.1)
            rows["trees"].append(
                {
                    "height_m": round(kind.height_m * size, 1),
                    "crown_m": round(kind.crown_m * size, 1),
                    "leaf": kind.leaf,
                    "geometry": spot(free),
                }
            )
        lights = [spot(free) for _ in range(poles)]
        rows["poles"] += [{"height_m": round(draw.uniform(5.0, 9.0), 1), "geometry": at} for at in lights]
        # a controller needs power: it is on an outside wall or, without a building, a step from a light pole
        powered = [shape.buffer(0.4).exterior for shape, _ in standing] or [
            at.buffer(1.5).intersection(free).exterior for at in lights
        ]
        for k in range(controllers):
            # of two the second is at the far side of the site: a regional park's is out of reach
            if k > 0 and site.kind == "regional park":
                at = spot(site.geometry.difference(near.buffer(1500.0)))
            elif powered:
                at = powered[k % len(powered)].interpolate(draw.uniform(), normalized=True)
            else:
                at = spot(free)
            rows["controllers"].append({"name": f"Controller {k + 1}", "site_no": site.site_no, "geometry": at})
    frames = {}
    for name, some in rows.items():
        frame = gpd.GeoDataFrame(some, geometry="geometry", crs=SITES_CRS)
        frame.geometry = shapely.set_precision(frame.geometry.values, 0.01)
        frames[name] = frame
    return frames


# --- files -----------------------------------------------------------------------------------------------


def write_layers(path: Path, layers: dict[str, gpd.GeoDataFrame], index: str = "NO") -> None:
    path.unlink(missing_ok=True)
    for name, frame in layers.items():
        pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG", SPATIAL_INDEX=index)


def write_climate(folder: Path) -> None:
    notes = {
        "eto": ("mm/day", "mean daily ETo, mm/day, January to December"),
        "tmean": ("C", "mean temperature, C, January to December"),
        "rain": ("mm", "rain of the month, mm, January to December"),
        "elevation": ("m", "elevation of the cells, m"),
    }
    for name, values in climate_grids().items():
        unit, what = notes[name]
        with rasterio.open(
            folder / f"{name}.tif",
            "w",
            driver="GTiff",
            width=COLUMNS,
            height=ROWS,
            count=len(values),
            dtype="float32",
            crs="EPSG:4326",
            transform=from_origin(WEST_DEG, NORTH_DEG, CELL_DEG, CELL_DEG),
            nodata=np.nan,
            compress="deflate",
            predictor=3,
            zlevel=9,
            interleave="band",
        ) as dst:
            dst.update_tags(note=f"Invented climate, demo only: {what}")
            dst.units = (unit,) * len(values)
            dst.write(values.astype(np.float32))


# --- stations, a summer of weather, and a controller's log --------------------------------------------------

LOG_FROM, LOG_UNTIL = np.datetime64("2025-04-14"), np.datetime64("2025-08-31")
SET_PEAK_MM_DAY = 5.5  # the log's controller stands at band 5; the campus is in band 7


@dataclass(frozen=True)
class Planting:
    """A kind of station on the campus: device, plants, precipitation rate, areas and uniformities to draw from."""

    kind: str
    plants: str
    rate_in_h: float
    area_ft2: tuple[int, int]
    uniformity: tuple[float, float]


LAWN = Planting("spray", "cool turf", 1.5, (900, 1800), (0.55, 0.72))
FIELD = Planting("rotor", "warm turf", 0.5, (5000, 9000), (0.65, 0.78))
BEDS = Planting("drip", "shrubs", 0.7, (600, 1500), (0.80, 0.90))
NATIVE = Planting("drip", "low", 0.5, (800, 2400), (0.80, 0.90))
COURT = Planting("spray", "annual flowers", 1.4, (250, 600), (0.55, 0.70))
TREES = Planting("bubbler", "trees", 1.2, (150, 400), (0.75, 0.85))
CONTROLLERS = (
    ("Controller A, library", "clay loam", (LAWN,) * 6 + (COURT,) * 2 + (BEDS,) * 4),
    ("Controller B, gym", "clay loam", (LAWN,) * 5 + (FIELD,) * 3 + (BEDS,) * 3 + (TREES,)),
    ("Controller C, plant", "loam", (NATIVE,) * 7 + (BEDS,) * 3 + (TREES,) * 2),
    ("Controller D, horticulture", "sandy loam", (COURT,) * 3 + (BEDS,) * 5 + (NATIVE,) * 4),
    ("Controller E, far field", "loam", (FIELD,) * 10 + (LAWN,) * 2),
)
PROGRAM = {"cool turf": "A", "warm turf": "A", "annual flowers": "B", "shrubs": "C", "low": "D", "trees": "D"}


def station_rows() -> list[str]:
    """Sixty invented stations, as an office's table has them: some cells are empty, one controller on a slope."""
    rng = np.random.default_rng([SEED, 60])
    rows = ["Controller,Program,Station,Type,Area (sq ft),Flow (gpm),DU,Plants,Soil,Slope (%),Lateral ID (in)"]
    for name, soil, plantings in CONTROLLERS:
        for k, p in enumerate(plantings, 1):
            area = round(float(rng.uniform(*p.area_ft2)), -1)
            flow = area * p.rate_in_h / 96.25
            uniformity = f"{rng.uniform(*p.uniformity):.2f}" if rng.random() > 0.3 else ""
            area_said = "" if rng.random() < 0.06 else f"{area:.0f}"
            slope = f"{rng.uniform(4, 9):.0f}" if name.endswith("plant") and p is not TREES and k % 4 == 0 else ""
            pipe = 1.049 if flow < 13 else 1.38 if flow < 23 else 1.61 if flow < 32 else 2.067
            rows.append(
                f'"{name}",{PROGRAM[p.plants]},{k},{p.kind},{area_said},{flow:.1f},{uniformity},{p.plants},{soil},'
                f"{slope},{pipe}"
            )
    return rows


def summer(eto_mm_day: Floats) -> tuple[NDArray[np.datetime64], Floats, Floats]:
    """Days from some days before the log, their ETo and rain, mm; eto_mm_day (12,): normals."""
    rng = np.random.default_rng([SEED, 61])
    day = np.arange(LOG_FROM - 10, LOG_UNTIL + 1)
    at = (day - day.astype("datetime64[Y]")).astype(int)
    middle = np.array([15.5, 45, 74.5, 105, 135.5, 166, 196.5, 227.5, 258, 288.5, 319, 349.5])
    normal = np.interp(at, middle, eto_mm_day, period=365)
    swing = np.zeros(len(day))
    for k in range(1, len(day)):
        swing[k] = 0.6 * swing[k - 1] + rng.normal(0, 0.11)
    rain = np.where(np.isin(np.arange(len(day)), (14, 15, 27, 41)), rng.uniform(6, 16, len(day)), 0.0)
    return day, normal * np.exp(swing - np.where(rain > 0, 0.5, 0.0)), rain


def log_rows(day: NDArray[np.datetime64], eto: Floats, rain: Floats) -> list[str]:
    """What a controller in the wrong zone wrote: month first, percent as text, gaps, holds, a footer."""
    rng = np.random.default_rng([SEED, 62])
    rows = ["Quailbrush Community College,,", "Controller B,,", "Date,Adjustment,Status"]
    for k in range(10, len(day)):
        sensor = np.mean(eto[k - 2 : k + 1]) * np.exp(rng.normal(0.01, 0.05))
        date = day[k].astype(object)
        if rng.random() < 0.04:
            continue
        wet = rain[k] > 6 or rain[k - 1] > 6
        percent = f"{100 * sensor / SET_PEAK_MM_DAY:.0f} %"
        rows.append(f"{date.month}/{date.day}/{date.year},{percent},{'Rain hold' if wet else ''}")
    return [*rows, f"Entries: {len(rows) - 3},,"]


def write_upkeep(folder: Path) -> None:
    """The campus' stations, weather and log; the ETo is that of the climate layer at its first controller."""
    campus = folder / "campus"
    at = gpd.read_file(campus / "campus.gpkg", layer="controllers").to_crs(PHONE_CRS).geometry[0]
    with rasterio.open(folder / "contract" / "eto.tif") as layer:
        normals = np.array(next(layer.sample([(at.x, at.y)])), float)
    day, eto, rain = summer(normals)
    days = zip(day, eto, rain, strict=True)
    weather = ["date,eto (in),rain (in)", *(f"{d},{e / 25.4:.3f},{r / 25.4:.2f}" for d, e, r in days)]
    for name, rows in (("stations", station_rows()), ("weather", weather), ("log", log_rows(day, eto, rain))):
        (campus / f"{name}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8", newline="\n")


def make(folder: Path, say: Callable[[str], object] = print) -> None:
    """Write all demo data under `folder`/campus and `folder`/contract; the plan files there are hand-written."""
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": PINNED_DATE})
    try:
        campus, contract = folder / "campus", folder / "contract"
        for place in (campus, contract):
            place.mkdir(parents=True, exist_ok=True)
        write_layers(campus / "campus.gpkg", campus_layers())
        write_terrain(campus / "terrain.tif")
        sites = contract_layer()
        write_layers(contract / "sites.gpkg", {"sites": sites})
        write_layers(contract / "grounds.gpkg", grounds_layers(sites), "YES")
        write_climate(contract)
        write_upkeep(folder)
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    for path in sorted(folder.glob("c*/*")):
        say(f"{path.relative_to(folder)}: {path.stat().st_size / 1024:.0f} kB")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Make the invented demo data.")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent.parent / "examples")
    make(parser.parse_args().out)
