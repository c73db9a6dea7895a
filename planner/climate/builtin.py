"""The built-in climate: temperature and rain of any place on earth, and an ETo estimate that says it is one.

The layer is `era5_normals.tif` beside this file, made by data/make_builtin_climate.py: ERA5 means of 2000-2025 on
a 0.25 degree grid, on land and to 1 degree off it; means of 2 degree blocks on the open sea. The elevation of its
cells is not in it, so nothing is corrected for a site that stands higher or lower than its surroundings.
"""

from __future__ import annotations

from importlib.resources import as_file, files

import numpy as np
import rasterio
from numpy.typing import ArrayLike
from rasterio.windows import Window

from planner.climate.answer import SiteClimate
from planner.climate.eto import MM_PER_MJ_M2, monthly_extraterrestrial_radiation
from planner.site import Floats

ATTRIBUTION = (
    "Contains modified Copernicus Climate Change Service information 2000-2025 (ERA5, Hersbach et al., "
    "doi 10.24381/cds.f17050d7). Neither the European Commission nor ECMWF is responsible for any use that "
    "may be made of the Copernicus information or data it contains."
)
SOURCE = "built-in ERA5 means 2000-2025 at 0.25 degrees, elevation of the cell unknown"
BASIS = "temperature only"

# From data/fit_daily_range.py: 41 station and grid points in 17 regions of six continents (6 in the tropics or
# south of the equator), ETo by Penman-Monteith there, temperature and rain from the layer. Root of the daily range
# (K^0.5) = A - B ln(moisture). Spread: RMSE of the peak month's ETo, each region estimated from the others.
RANGE_A, RANGE_B = 3.590, 0.363
SPREAD_MM_DAY = 0.80
LEAST_ROOT_RANGE, MOST_ROOT_RANGE = 1.5, 5.2  # ranges of 2 to 27 K: none wider or narrower occurs in a month

_STEP = 0.25
_ROWS, _COLS = 721, 1440


def builtin_normals(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Mean temperature (n, 12) degrees C and the month's rain (n, 12) mm at (n,) places, bilinear between points.

    Any longitude is taken round the earth; latitude from -90 to 90, else ValueError.
    """
    lon = np.atleast_1d(np.asarray(longitude_deg, np.float64))
    lat = np.atleast_1d(np.asarray(latitude_deg, np.float64))
    if not (np.isfinite(lon).all() and np.all(np.abs(lat) <= 90)):
        raise ValueError("longitude must be finite and latitude within 90 degrees of the equator")
    col, row = (lon + 180.0) % 360.0 / _STEP, (90.0 - lat) / _STEP
    left = np.floor(col).astype(np.int64) % _COLS
    top = np.minimum(np.floor(row).astype(np.int64), _ROWS - 2)
    right = (left + 1) % _COLS
    x, y = col - np.floor(col), row - top
    if not len(lon):
        return np.empty((0, 12)), np.empty((0, 12))
    row_0 = int(top.min())
    # a site between the last column and the first needs both ends of the row
    wraps = bool((right < left).any())
    col_0, col_1 = (0, _COLS) if wraps else (int(left.min()), int(right.max()) + 1)
    with as_file(files("planner.climate") / "era5_normals.tif") as path, rasterio.open(path) as layer:
        cells = layer.read(window=Window(col_0, row_0, col_1 - col_0, int(top.max()) + 2 - row_0))
        scale = np.asarray(layer.scales)[:, None]
    top, left, right = top - row_0, left - col_0, right - col_0
    values = scale * (
        (1 - y) * ((1 - x) * cells[:, top, left] + x * cells[:, top, right])
        + y * ((1 - x) * cells[:, top + 1, left] + x * cells[:, top + 1, right])
    )
    return np.ascontiguousarray(values[:12].T), np.ascontiguousarray(values[12:].T)


def evaporating_power_mm_day(t_mean_c: Floats, latitude_deg: ArrayLike) -> Floats:
    """(n, 12) Hargreaves-Samani (FAO-56 eq. 52) but for the root of the daily range: mm/day per K^0.5."""
    ra = monthly_extraterrestrial_radiation(np.asarray(latitude_deg, np.float64)).T
    return 0.0023 * np.maximum(t_mean_c + 17.8, 0.0) * MM_PER_MJ_M2 * ra


def moisture(t_mean_c: Floats, rain_mm: Floats, latitude_deg: ArrayLike) -> Floats:
    """(n, 12) the month's rain over its evaporating power: wet months have clouds, and a narrow daily range."""
    power = evaporating_power_mm_day(t_mean_c, latitude_deg)
    return (rain_mm + 5.0) / (30.0 * np.maximum(power, 0.1))


def eto_estimate_mm_day(t_mean_c: Floats, rain_mm: Floats, latitude_deg: ArrayLike) -> Floats:
    """(n, 12) ETo from mean temperature and rain alone; see SPREAD_MM_DAY for how good it is."""
    root = np.clip(
        RANGE_A - RANGE_B * np.log(moisture(t_mean_c, rain_mm, latitude_deg)),
        LEAST_ROOT_RANGE,
        MOST_ROOT_RANGE,
    )
    return evaporating_power_mm_day(t_mean_c, latitude_deg) * root


def builtin_climate(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> SiteClimate:
    """Climate of n places from the built-in layer alone."""
    t, rain = builtin_normals(longitude_deg, latitude_deg)
    n = len(t)
    return SiteClimate(
        eto_mm_day=eto_estimate_mm_day(t, rain, np.atleast_1d(np.asarray(latitude_deg, np.float64))),
        spread_mm_day=np.full(n, SPREAD_MM_DAY),
        basis=(BASIS,) * n,
        t_mean_c=t,
        rain_mm=rain,
        source=(SOURCE + "; ETo estimated by Hargreaves-Samani, daily range estimated from rain",) * n,
    )
