"""Published yardsticks beside our own score: WMO-No. 8 siting classes, and the trade's words for sun.

WMO-No. 8, annex on siting classifications for surface observing stations on land, which is ISO 19289 as well:
class 1 is the reference, class 5 is unfit to stand for a wider area. A class holds where all its limits hold; what
decided is the limit of the next better class that the mount misses. A roof edge is seldom better than class 4 for
temperature, for the building is a heat source: that tells how far its air may be off, not that the mount is bad.

Where the limits come from: temperature and the angles and slopes of precipitation, two open implementations of the
classification that agree (wmoSC, sitingclass). Radiation and sunshine: from memory of the annex, and marked so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np

from planner.rain import HEAT_RADII_M, SECTOR_DEG, SECTORS, RainResult
from planner.records import compared
from planner.site import Bools, Floats, Ints, Site
from planner.sun.result import Shade, SunResult

# Highest sun that may be shaded, degrees, for classes 1 to 3: from memory. Poleward of 60 degrees the first line
# gives way to the second.
RADIATION_DEG = (5.0, 7.0, 10.0)
RADIATION_POLEWARD_DEG = (3.0, 5.0, 7.0)
SUNSHINE_DEG = (3.0, 5.0, 7.0)
POLEWARD_LATITUDE_DEG = 60.0
SHADE_OF_A_DAY = 0.30  # class 4 of both: share of the daytime, on every day; from memory
TEMPERATURE_DEG = (5.0, 7.0, 7.0, 20.0)  # classes 1 to 4
TEMPERATURE_SLOPE_DEG = (19.0, 19.0)  # classes 1 and 2
# Share of a circle, or of the ring between two radii, that heat sources may cover, classes 1 to 4.
HEAT_LIMITS = (
    ((0.0, 100.0, 0.10), (10.0, 30.0, 0.05), (0.0, 10.0, 0.01)),
    ((0.0, 30.0, 0.10), (5.0, 10.0, 0.05), (0.0, 5.0, 0.01)),
    ((0.0, 10.0, 0.10), (0.0, 5.0, 0.05)),
    ((0.0, 10.0, 0.50), (0.0, 3.0, 0.30)),
)
PRECIPITATION_SLOPE_DEG = (19.0, 19.0, 30.0)  # classes 1 to 3
PRECIPITATION_DEG = (14.0, 26.6, 45.0, 63.4)  # 4, 2, 1 and half the obstacle's height away
SLOPE_OVER_M = 10.0  # length over which the ground's slope is taken

# Hours of direct sun a day: Oregon State University Extension.
FULL_SUN_H, PART_SUN_H = 6.0, 3.0


class Sunlight(StrEnum):
    """The trade's word for a place's direct sun in a day: six hours and more, three to six, less."""

    FULL = "full sun"
    PART = "part sun"
    SHADE = "shade"


class Scale(StrEnum):
    """What the classes are of."""

    RADIATION = "radiation"
    SUNSHINE = "sunshine"
    TEMPERATURE = "temperature"
    PRECIPITATION = "precipitation"


class Limit(StrEnum):
    """What a siting class limits; FREE where nothing speaks against class 1."""

    FREE = "free"
    SUN_HIDDEN = "sun_hidden"  # degrees: highest sun that is hidden
    DAY_SHADED = "day_shaded"  # share of a day
    HEAT = "heat"  # share of a circle or ring
    SLOPE = "slope"  # degrees
    OBSTACLE = "obstacle"  # degrees
    COVER = "cover"


class Unjudged(StrEnum):
    """What the classes ask for and no layer tells."""

    REFLECTING = "reflecting"  # radiation: walls beside the sun's path
    SURROUNDS = "surrounds"  # temperature: paving, water, the height of what grows
    EVEN_OBSTACLES = "even_obstacles"  # precipitation: class 1 allows them up to 26 degrees all round
    SLOPE = "slope"  # there is no terrain


@dataclass(frozen=True)
class Why:
    """The limit that decided a class: that of the next better class which the mount misses.

    value: what the mount has, allowed: what class `better` allows, both as `Limit` says; for FREE what class 1
    allows. name: the obstacle or cover, "" where it is not sure. azimuth_deg, month: of the hidden sun; month: of
    the shaded day (0 to 11). inner_m, outer_m: of the circle or ring of HEAT. What does not apply is NaN, -1 or 0.
    """

    limit: Limit
    better: int
    value: float
    allowed: float
    name: str = ""
    azimuth_deg: float = np.nan
    month: int = -1
    inner_m: float = 0.0
    outer_m: float = 0.0


@compared
@dataclass(frozen=True)
class Siting:
    """One row a mount (n). Classes are 1 to 5.

    *_why: (n,) the limit that decided. least_direct_h: (n,) direct sun under a clear sky in the
    irrigation month that has the least, least_month: (n,) 0 to 11; sunlight: (n,) the word for it.
    not_judged: what the classes ask for and no layer tells. from_memory: classes whose limits are from memory.
    """

    radiation: Ints
    radiation_why: tuple[Why, ...]
    sunshine: Ints
    sunshine_why: tuple[Why, ...]
    temperature: Ints
    temperature_why: tuple[Why, ...]
    precipitation: Ints
    precipitation_why: tuple[Why, ...]
    least_direct_h: Floats
    least_month: Ints
    sunlight: tuple[Sunlight, ...]
    not_judged: tuple[Unjudged, ...]
    from_memory: tuple[Scale, ...] = (Scale.RADIATION, Scale.SUNSHINE)


def sunlight(direct_h: float) -> Sunlight:
    """The trade's word for a place with so many hours of direct sun a day.

    >>> [str(sunlight(hours)) for hours in (6.0, 3.0, 2.9)]
    ['full sun', 'part sun', 'shade']
    """
    if direct_h >= FULL_SUN_H:
        return Sunlight.FULL
    return Sunlight.PART if direct_h >= PART_SUN_H else Sunlight.SHADE


def siting(site: Site, xyz: Floats, sun: SunResult, rain: RainResult, season: Bools) -> Siting:
    """WMO classes of mounts, with what decided each.

    The sun is hidden where the year of light found it so, step by step; crowns hide it too.

    Parameters
    ----------
    site
        In its local frame.
    xyz
        (n, 3) heads, metres.
    sun, rain
        What was found for these mounts.
    season
        (12,) irrigation months.

    Returns
    -------
    Siting
        Classes (n,) of radiation, sunshine, temperature and precipitation.

    References
    ----------
    WMO-No. 8, volume I, annex 1.D (ISO 19289).
    """
    xyz = np.asarray(xyz, float).reshape(-1, 3)
    shade = sun.shade
    slope = ground_slope_deg(site, xyz)
    limits = RADIATION_POLEWARD_DEG if abs(site.latitude_deg) >= POLEWARD_LATITUDE_DEG else RADIATION_DEG
    radiation = _light_class(shade, limits)
    sunshine = _light_class(shade, SUNSHINE_DEG)
    temperature, temperature_why = _temperature(shade, slope, rain)
    precipitation, precipitation_why = _precipitation(slope, rain)
    months = np.flatnonzero(season) if np.any(season) else np.arange(12)
    hours = sun.direct_h[:, months]
    least = hours.argmin(axis=1)
    least_h = hours[np.arange(len(hours)), least]
    rows = range(len(xyz))
    return Siting(
        radiation,
        tuple(_light_why(shade, k, int(radiation[k]), limits, rain) for k in rows),
        sunshine,
        tuple(_light_why(shade, k, int(sunshine[k]), SUNSHINE_DEG, rain) for k in rows),
        temperature,
        temperature_why,
        precipitation,
        precipitation_why,
        least_h,
        months[least].astype(np.int64),
        tuple(sunlight(h) for h in least_h),
        tuple(what for what in Unjudged if what is not Unjudged.SLOPE or site.terrain is None),
    )


# --- shade -------------------------------------------------------------------------------------------------------


def _light_class(shade: Shade, limits: tuple[float, ...]) -> Ints:
    by_angle = 1 + np.searchsorted(np.asarray(limits), shade.highest_deg, side="left")
    by_day = np.where(shade.worst_day <= SHADE_OF_A_DAY, 4, 5)
    return np.asarray(np.where(by_angle <= len(limits), by_angle, by_day), np.int64)


def _light_why(shade: Shade, k: int, given: int, limits: tuple[float, ...], rain: RainResult) -> Why:
    highest = float(shade.highest_deg[k])
    if given == 1:
        return Why(Limit.FREE, 1, highest, limits[0])
    if given == 5:
        return Why(
            Limit.DAY_SHADED, 4, float(shade.worst_day[k]), SHADE_OF_A_DAY, month=int(shade.worst_day_month[k])
        )
    return _hidden(shade, k, given - 1, limits[given - 2], rain)


def _hidden(shade: Shade, k: int, better: int, allowed: float, rain: RainResult) -> Why:
    return Why(
        Limit.SUN_HIDDEN,
        better,
        float(shade.highest_deg[k]),
        allowed,
        _obstacle(rain, k, shade),
        float(shade.azimuth_deg[k]),
        int(shade.month[k]),
    )


def _obstacle(rain: RainResult, k: int, shade: Shade) -> str:
    """What hides the highest hidden sun, where that is sure: not under a cover, nor beyond what takes rain."""
    if not np.isfinite(shade.azimuth_deg[k]):
        return ""
    sector = round(shade.azimuth_deg[k] / SECTOR_DEG) % SECTORS
    row = rain.sector_obstacle[k, sector]
    sure = row >= 0 and not rain.covered[k] and rain.sector_deg[k, sector] >= shade.highest_deg[k]
    return rain.obstacles[row] if sure else ""


# --- air, rain ---------------------------------------------------------------------------------------------------


class _Test(NamedTuple):
    """holds: (n,); limit, value (n,), allowed and the ring: of the one that it tests."""

    holds: Bools
    limit: Limit
    value: Floats
    allowed: float
    inner_m: float = 0.0
    outer_m: float = 0.0


def _temperature(shade: Shade, slope: Floats, rain: RainResult) -> tuple[Ints, tuple[Why, ...]]:
    """The best class whose limits all hold, and the first limit of the next better one that does not."""
    tests: list[list[_Test]] = []
    for c in range(4):
        group = []
        for inner, outer, most in HEAT_LIMITS[c]:
            covered = _share(rain, inner, outer)
            group.append(_Test(covered <= most + 1e-9, Limit.HEAT, covered, most, inner, outer))
        group.append(_under(Limit.SUN_HIDDEN, shade.highest_deg, TEMPERATURE_DEG[c]))
        group += [_under(Limit.SLOPE, slope, most) for most in TEMPERATURE_SLOPE_DEG[c : c + 1]]
        tests.append(group)

    def why(k: int, better: int, missed: _Test | None) -> Why:
        if missed is None:
            return Why(Limit.FREE, 1, float(shade.highest_deg[k]), TEMPERATURE_DEG[0])
        if missed.limit is Limit.SUN_HIDDEN:
            return _hidden(shade, k, better, missed.allowed, rain)
        ring = (missed.inner_m, missed.outer_m)
        return Why(missed.limit, better, float(missed.value[k]), missed.allowed, "", np.nan, -1, *ring)

    given, missed = _best(tests)
    return given, tuple(why(k, int(given[k]) - 1, one) for k, one in enumerate(missed))


def _precipitation(slope: Floats, rain: RainResult) -> tuple[Ints, tuple[Why, ...]]:
    tests: list[list[_Test]] = []
    for c in range(4):
        stands = _Test(rain.wmo_class <= c + 1, Limit.OBSTACLE, rain.steepest_deg, PRECIPITATION_DEG[c])
        tests.append([stands, *(_under(Limit.SLOPE, slope, most) for most in PRECIPITATION_SLOPE_DEG[c : c + 1])])

    def why(k: int, better: int, missed: _Test | None) -> Why:
        if missed is None:
            return Why(Limit.FREE, 1, float(rain.steepest_deg[k]), PRECIPITATION_DEG[0])
        value = float(missed.value[k])
        if missed.limit is Limit.SLOPE:
            return Why(Limit.SLOPE, better, value, missed.allowed)
        if rain.covered[k]:
            return Why(Limit.COVER, better, value, missed.allowed, rain.cover_name[k])
        return Why(Limit.OBSTACLE, better, value, missed.allowed, rain.steepest_name[k])

    given, missed = _best(tests)
    return given, tuple(why(k, int(given[k]) - 1, one) for k, one in enumerate(missed))


def _under(limit: Limit, value: Floats, most: float) -> _Test:
    return _Test(value <= most, limit, value, most)


def _best(tests: Sequence[Sequence[_Test]]) -> tuple[Ints, list[_Test | None]]:
    """(n,) the best class whose tests all hold, 5 for none; the first test that fails of the next better one."""
    holds = np.array([np.logical_and.reduce([one.holds for one in group]) for group in tests])
    given = np.asarray(np.where(holds.any(axis=0), 1 + holds.argmax(axis=0), 5), np.int64)
    return given, [
        None if c == 1 else next(one for one in tests[c - 2] if not one.holds[k]) for k, c in enumerate(given)
    ]


def _share(rain: RainResult, inner_m: float, outer_m: float) -> Floats:
    """(n,) share of a circle, or of the ring between two radii, that heat sources cover."""
    outer = rain.heat_share[:, HEAT_RADII_M.index(outer_m)] * outer_m**2
    inner = rain.heat_share[:, HEAT_RADII_M.index(inner_m)] * inner_m**2 if inner_m else 0.0
    return np.asarray((outer - inner) / (outer_m**2 - inner_m**2))


def ground_slope_deg(site: Site, xyz: Floats) -> Floats:
    """(n,) steepness of the ground over SLOPE_OVER_M about each mount; 0 where there is no terrain."""
    half = SLOPE_OVER_M / 2
    steps = np.array([[half, 0.0], [-half, 0.0], [0.0, half], [0.0, -half]])
    z = site.ground_at(xyz[None, :, :2] + steps[:, None, :])
    rise = np.hypot(z[0] - z[1], z[2] - z[3]) / SLOPE_OVER_M
    return np.asarray(np.degrees(np.arctan(rise)))
