"""The built-in climate: temperature, rain and sun of any place on earth, and an ETo estimate that says it is one.

Temperature and rain are `era5_normals.tif` beside this file, made by data/make_builtin_climate.py: ERA5 means of
2000-2025 on a 0.25 degree grid, on land and to 1 degree off it; means of 2 degree blocks on the open sea. The
elevation of its cells comes from the global grid that pvlib carries, and so does that of the ground at a place:
temperature is lapsed from the one to the other, or to a site's own elevation where that is known. The sun is
`merra2_clearness.tif`, made by data/make_builtin_sunlight.py: MERRA-2 means of 2011-2015 at 3 degrees.
`gldas_less_era5.tif`, made by data/make_builtin_difference.py, says where another analysis has warmer air.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import as_file, files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.climate import kernels
from planner.climate.answer import Basis, SiteClimate
from planner.climate.eto import MM_PER_MJ_M2, monthly_extraterrestrial_radiation
from planner.climate.spreads import estimate_spread_mm_day
from planner.site import Floats

ATTRIBUTION = (
    "Contains modified Copernicus Climate Change Service information 2000-2025 (ERA5, Hersbach et al., "
    "doi 10.24381/cds.f17050d7). Neither the European Commission nor ECMWF is responsible for any use that "
    "may be made of the Copernicus information or data it contains."
)
SUNLIGHT_ATTRIBUTION = (
    "Solar radiation: NASA MERRA-2, 2011-2015 (Gelaro et al. 2017, doi 10.1175/JCLI-D-16-0758.1), by way of "
    "gsee-climate-data (Pfenninger and Staffell 2016)."
)
DIFFERENCE_ATTRIBUTION = (
    "Air temperature less that of ERA5: NASA GLDAS-2.1, 2010-2018 (Rodell et al. 2004, "
    "doi 10.1175/BAMS-85-3-381), by way of pvcz (Karin et al. 2019)."
)
ALL_ATTRIBUTIONS = f"{ATTRIBUTION} {SUNLIGHT_ATTRIBUTION} {DIFFERENCE_ATTRIBUTION}"
SOURCE = "built-in ERA5 means 2000-2025 at 0.25 degrees"
TEMPERATURE_SOURCE = f"{SOURCE}, lapsed to the elevation of the place by 6.5 °C per km (3.6 °F per 1,000 ft)"
HOW_ESTIMATED = (
    "estimated from temperature, rain, elevation and sun: the mean of Hargreaves-Samani and Hargreaves's radiation "
    "formula, each with a fitted factor, higher where GLDAS has warmer air than ERA5"
)

# Two estimates, whose mean is taken, for their errors are not all alike. From data/fit_eto_estimate.py: 80 places
# in 43 regions of six continents, ETo by Penman-Monteith there; all else is the layers' own, lapsed to the ground
# there. RMSE of the peak month's ETo in regions left out: 0.55 mm/day, regions alike; of either alone 0.57 and
# 0.59; 0.56 where the terms too are chosen anew without the region. What it does not know is wind.
# Root of the daily range (K^0.5) = A + MOISTURE ln(moisture) + ELEVATION ln(1 + elevation / 100 m)
# + DIFFERENCE (GLDAS less ERA5, K); factor of the radiation formula = the same with the moisture of the month and
# the two before. That ETo is higher where GLDAS has the warmer air was found, not foreseen.
ROOT_A, ROOT_MOISTURE, ROOT_ELEVATION, ROOT_DIFFERENCE = 3.153, -0.477, 0.357, 0.234
SUN_A, SUN_MOISTURE, SUN_ELEVATION, SUN_DIFFERENCE = 0.929, -0.051, 0.044, 0.053
ELEVATION_SCALE_M = 100.0
HIGHEST_M = 3000.0  # held above: no place of the fit stands higher
LEAST_ROOT_RANGE, MOST_ROOT_RANGE = 1.5, 5.2  # ranges of 2 to 27 K: none wider or narrower occurs in a month
LEAST_SUN_FACTOR, MOST_SUN_FACTOR = 0.5, 1.6
MOST_DIFFERENCE_K = 2.0  # held beyond, either way: no place of the fit has more, and 5 % of the land do

# Mean fall of temperature with height: the standard atmosphere's (ISO 2533), to which FAO-56 eq. 7 holds as well.
LAPSE_K_PER_M = 0.0065

_STEP = 0.25
_SUN_STEP = 3.0
_GROUND_STEP = 1.0 / 12.0
_SEA = 255  # of the altitude grid
_ROWS, _COLS = 721, 1440


@lru_cache(maxsize=1)
def _layer() -> tuple[NDArray[np.int16], Floats]:
    """The whole layer (rows, columns, 24), 50 MB, and its scales (24,): 12 of temperature, 12 of rain."""
    import rasterio

    with as_file(files("planner.climate") / "era5_normals.tif") as path, rasterio.open(path) as layer:
        return np.ascontiguousarray(np.moveaxis(layer.read(), 0, -1)), np.asarray(layer.scales, np.float64)


@lru_cache(maxsize=1)
def _clearness() -> tuple[NDArray[np.int16], Floats]:
    """(61, 120, 12) share of the sun above the air that reaches the ground, and its scales (12,)."""
    import rasterio

    with as_file(files("planner.climate") / "merra2_clearness.tif") as path, rasterio.open(path) as layer:
        return np.ascontiguousarray(np.moveaxis(layer.read(), 0, -1)), np.asarray(layer.scales, np.float64)


@lru_cache(maxsize=1)
def _difference() -> tuple[NDArray[np.int16], Floats]:
    """(721, 1440, 1) how much warmer GLDAS is than ERA5, and its scale (1,)."""
    import rasterio

    with as_file(files("planner.climate") / "gldas_less_era5.tif") as path, rasterio.open(path) as layer:
        return np.ascontiguousarray(np.moveaxis(layer.read(), 0, -1)), np.asarray(layer.scales, np.float64)


@lru_cache(maxsize=1)
def _altitude_steps() -> NDArray[np.uint8]:
    """(2160, 4320) the global grid in pvlib: cells of 1/12 degree from 90 N, 180 W; 255 where there is no land."""
    import h5py

    # found, not imported: pvlib takes seconds to load, and only its data is wanted
    found = find_spec("pvlib")
    assert found is not None
    assert found.origin is not None
    with h5py.File(Path(found.origin).parent / "data" / "Altitude.h5") as file:
        return np.asarray(file["Altitude"])


@lru_cache(maxsize=1)
def _last_land_row() -> int:
    """Of the altitude grid, which ends at 85 S: from there to the pole all is Antarctica's ice."""
    return int(np.flatnonzero((_altitude_steps() != _SEA).any(axis=1))[-1])


def at_sea(longitude_deg: ArrayLike, latitude_deg: ArrayLike, cells: int = 1) -> NDArray[np.bool_]:
    """Whether places have no land within a cell of 1/12 degree (9 km north and south), or within several.

    Parameters
    ----------
    longitude_deg, latitude_deg
        (n,).
    cells
        How far land is looked for.

    Returns
    -------
    ndarray of bool, shape (n,)
        Small islands count as sea: the grid does not know them.
    """
    steps = _altitude_steps()
    rows, cols = steps.shape
    row = np.clip(np.floor((90.0 - np.asarray(latitude_deg, np.float64)) * 12), 0, rows - 1).astype(np.int64)
    col = np.floor((np.asarray(longitude_deg, np.float64) + 180.0) * 12).astype(np.int64)
    sea = np.ones(row.shape, bool)
    for down in range(-cells, cells + 1):
        beside = np.clip(row + down, 0, rows - 1)
        for right in range(-cells, cells + 1):
            sea &= (steps[beside, (col + right) % cols] == _SEA) & (beside <= _last_land_row())
    return sea


def far_at_sea(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> NDArray[np.bool_]:
    """Whether places (n,) have no land within half a degree.

    One that has is rather a little off its coast than where a lost sign or exchanged axes have put it.
    """
    return at_sea(longitude_deg, latitude_deg, 6)


@lru_cache(maxsize=1)
def _ground_m() -> NDArray[np.int16]:
    """(2160, 4320, 1) elevation of the global grid in pvlib, m, in steps of 28: the sea is 0. South of its last
    land all is ice, and its first and last column are empty: there it is held."""
    steps = _altitude_steps()
    high = np.where(steps == _SEA, 0, 28 * steps.astype(np.int16) - 450).astype(np.int16)
    high[_last_land_row() + 1 :] = high[_last_land_row()]
    high[:, [0, -1]] = high[:, [1, -2]]
    return np.ascontiguousarray(high[:, :, None])


@lru_cache(maxsize=1)
def _elevation() -> NDArray[np.float32]:
    """(rows, columns, 1) mean elevation, m, around each point of the layer: of 3 x 3 cells of 1/12 degree, which
    make a cell of the layer."""
    # the grid's rows run from north to south and its columns from 180 west; the layer's points are corners of 3 x 3
    # blocks
    fine = np.roll(_ground_m()[:, :, 0], 1, axis=1)
    rows = np.clip(np.arange(_ROWS)[:, None] * 3 + np.arange(-1, 2), 0, fine.shape[0] - 1)
    high = fine[rows].mean(axis=1, dtype=np.float32).reshape(_ROWS, _COLS, 3).mean(axis=2)
    return np.ascontiguousarray(high[:, :, None], np.float32)


def _refuse_off_the_earth(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> None:
    if not (np.isfinite(longitude_deg).all() and np.all(np.abs(latitude_deg) <= 90)):
        raise ValueError("longitude must be finite and latitude within 90 degrees of the equator")


def _between(
    cells: NDArray[Any], scale: Floats, longitude_deg: ArrayLike, latitude_deg: ArrayLike, step: float = _STEP
) -> Floats:
    lon = np.atleast_1d(np.asarray(longitude_deg, np.float64))
    lat = np.atleast_1d(np.asarray(latitude_deg, np.float64))
    _refuse_off_the_earth(lon, lat)
    col, row = (lon + 180.0) % 360.0 / step, (90.0 - lat) / step
    rows, cols = cells.shape[:2]
    left = np.floor(col).astype(np.int64) % cols
    top = np.minimum(np.floor(row).astype(np.int64), rows - 2)
    return np.asarray(
        kernels.bilinear(cells, top, left, (left + 1) % cols, col - np.floor(col), row - top, scale), np.float64
    )


FEW = 8  # places for which the layer's corners are read by themselves, in place of all of its 50 MB


def _at_few(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> Floats:
    """(n, 24) what :func:`_between` gives of the layer, from the corners of a few places alone."""
    import rasterio
    from rasterio.windows import Window

    lon, lat = (np.atleast_1d(np.asarray(degrees, np.float64)) for degrees in (longitude_deg, latitude_deg))
    values = np.empty((len(lon), 24))
    with as_file(files("planner.climate") / "era5_normals.tif") as path, rasterio.open(path) as layer:
        for k, (col, row) in enumerate(zip((lon + 180.0) % 360.0 / _STEP, (90.0 - lat) / _STEP, strict=True)):
            left, top = int(col) % _COLS, min(int(row), _ROWS - 2)
            west, east = (
                layer.read(window=Window(c, top, 1, 2))[:, :, 0].astype(np.float64)
                for c in (left, (left + 1) % _COLS)
            )
            at_both = west + (east - west) * (col - np.floor(col))
            values[k] = (at_both[:, 0] + (at_both[:, 1] - at_both[:, 0]) * (row - top)) * np.asarray(layer.scales)
    return values


def builtin_normals(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Mean temperature (n, 12) degrees C and the month's rain (n, 12) mm at (n,) places, bilinear between points:
    the cells' own, at :func:`builtin_elevation_m`.

    Any longitude is taken round the earth; latitude from -90 to 90, else ValueError.
    """
    _refuse_off_the_earth(longitude_deg, latitude_deg)
    few = np.size(latitude_deg) <= FEW and not _layer.cache_info().currsize
    values = _at_few(longitude_deg, latitude_deg) if few else _between(*_layer(), longitude_deg, latitude_deg)
    return np.ascontiguousarray(values[:, :12]), np.ascontiguousarray(values[:, 12:])


def builtin_elevation_m(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> Floats:
    """(n,) elevation that the layer's temperature stands for, to about 30 m; as :func:`builtin_normals`."""
    return _between(_elevation(), np.ones(1), longitude_deg, latitude_deg)[:, 0]


GROUND_SAID = "the ground's by the built-in grid"


def ground_elevation_m(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> Floats:
    """Elevation of the ground, bilinear between the middles of cells of 1/12 degree of the global grid in pvlib.

    A valley narrower than some 10 km is not in it.

    Parameters
    ----------
    longitude_deg, latitude_deg
        (n,), in any range of longitudes.

    Returns
    -------
    array
        (n,) m; 0 at sea.

    Raises
    ------
    ValueError
        Where a place lies off the earth.
    """
    _refuse_off_the_earth(longitude_deg, latitude_deg)
    lon, lat = np.asarray(longitude_deg, np.float64), np.asarray(latitude_deg, np.float64)
    half = _GROUND_STEP / 2.0
    row = np.clip(lat + half, 2.0 * half - 90.0, 90.0)
    return _between(_ground_m(), np.ones(1), lon - half, row, _GROUND_STEP)[:, 0]


def builtin_radiation_mj_m2_day(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> Floats:
    """(n, 12) solar radiation on the level at (n,) places: clearness, bilinear between points 3 degrees apart,
    times the sun above the air; as :func:`builtin_normals`."""
    clear = _between(*_clearness(), longitude_deg, latitude_deg, _SUN_STEP)
    return np.asarray(clear * monthly_extraterrestrial_radiation(_shared_sun(latitude_deg)).T, np.float64)


def gldas_less_era5_k(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> Floats:
    """(n,) how much warmer the year's air is in GLDAS than in ERA5, K; none at sea; as :func:`builtin_normals`."""
    return _between(*_difference(), longitude_deg, latitude_deg)[:, 0]


def _shared_sun(latitude_deg: ArrayLike) -> Floats:
    """Sites within 0.01 degrees of latitude share their sun, which differs by less than 0.02 % there."""
    return np.asarray(np.round(np.atleast_1d(np.asarray(latitude_deg, np.float64)), 2), np.float64)


def evaporating_power_mm_day(t_mean_c: Floats, latitude_deg: ArrayLike) -> Floats:
    """(n, 12) Hargreaves-Samani (FAO-56 eq. 52) but for the root of the daily range: mm/day per K^0.5."""
    ra = monthly_extraterrestrial_radiation(_shared_sun(latitude_deg)).T
    return 0.0023 * np.maximum(t_mean_c + 17.8, 0.0) * MM_PER_MJ_M2 * ra


def radiation_formula_mm_day(t_mean_c: Floats, radiation_mj_m2_day: Floats) -> Floats:
    """(n, 12) ETo = 0.0135 Rs (T + 17.8), Rs as the water that it could evaporate: Hargreaves's formula of 1975, as
    Hargreaves and Allen (2003) give it. From memory; the factor fitted to it takes up the constant."""
    return 0.0135 * np.maximum(t_mean_c + 17.8, 0.0) * MM_PER_MJ_M2 * radiation_mj_m2_day


def moisture(rain_mm: Floats, power_mm_day: Floats) -> Floats:
    """(n, 12) the month's rain over its evaporating power: wet months have clouds, and a narrow daily range."""
    return (rain_mm + 5.0) / (30.0 * np.maximum(power_mm_day, 0.1))


def season_rain_mm(rain_mm: Floats) -> Floats:
    """(n, 12) mean of the month's rain and the two months' before: what the ground has to wet the air with."""
    return (rain_mm + np.roll(rain_mm, 1, axis=1) + np.roll(rain_mm, 2, axis=1)) / 3.0


def eto_estimate_mm_day(
    t_mean_c: Floats,
    rain_mm: Floats,
    radiation_mj_m2_day: Floats,
    latitude_deg: ArrayLike,
    elevation_m: ArrayLike,
    difference_k: ArrayLike,
) -> Floats:
    """(n, 12) ETo from mean temperature, rain, solar radiation (n, 12), elevation (n,) and, (n,), what
    :func:`gldas_less_era5_k` says; how sure: spreads.estimate_spread_mm_day."""
    high = np.clip(np.asarray(elevation_m, np.float64), 0.0, HIGHEST_M)[..., None]
    rise = np.log1p(high / ELEVATION_SCALE_M)
    power = evaporating_power_mm_day(t_mean_c, latitude_deg)
    month, season = (np.log(moisture(rain, power)) for rain in (rain_mm, season_rain_mm(rain_mm)))
    warmer = np.clip(np.asarray(difference_k, np.float64), -MOST_DIFFERENCE_K, MOST_DIFFERENCE_K)[..., None]
    root = ROOT_A + ROOT_MOISTURE * month + ROOT_ELEVATION * rise + ROOT_DIFFERENCE * warmer
    factor = SUN_A + SUN_MOISTURE * season + SUN_ELEVATION * rise + SUN_DIFFERENCE * warmer
    by_range = power * np.clip(root, LEAST_ROOT_RANGE, MOST_ROOT_RANGE)
    by_sun = radiation_formula_mm_day(t_mean_c, radiation_mj_m2_day) * np.clip(
        factor, LEAST_SUN_FACTOR, MOST_SUN_FACTOR
    )
    return (by_range + by_sun) / 2.0


def builtin_climate(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> SiteClimate:
    """Climate of n places from the built-in layer alone, lapsed to the elevation of the ground there.

    Parameters
    ----------
    longitude_deg, latitude_deg
        (n,) degrees.

    Returns
    -------
    SiteClimate
        Months (n, 12); one source for all.

    Raises
    ------
    ValueError
        A place is off the earth.
    """
    t, rain = builtin_normals(longitude_deg, latitude_deg)
    latitude = np.atleast_1d(np.asarray(latitude_deg, np.float64))
    sun = builtin_radiation_mj_m2_day(longitude_deg, latitude_deg)
    height, cell, difference = (
        f(longitude_deg, latitude_deg) for f in (ground_elevation_m, builtin_elevation_m, gldas_less_era5_k)
    )
    t -= LAPSE_K_PER_M * (height - cell)[:, None]
    eto = eto_estimate_mm_day(t, rain, sun, latitude, height, difference)
    n = len(t)
    return SiteClimate(
        eto_mm_day=eto,
        spread_mm_day=estimate_spread_mm_day(eto),
        basis=(Basis.BUILT_IN,) * n,
        t_mean_c=t,
        rain_mm=rain,
        source=(f"{TEMPERATURE_SOURCE}; ETo {HOW_ESTIMATED}",) * n,
    )
