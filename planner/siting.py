"""Published yardsticks beside our own score: WMO-No. 8 siting classes, and the trade's words for sun.

WMO-No. 8, annex on siting classifications for surface observing stations on land, which is ISO 19289 as well:
class 1 is the reference, class 5 is unfit to stand for a wider area. A class holds where all its limits hold; what
decided is the limit of the next better class that the mount misses. A roof edge is seldom better than class 4 for
temperature, for the building is a heat source: that tells how far its air may be off, not that the mount is bad.

Where the limits come from: temperature and the angles and slopes of precipitation, two open implementations of the
classification that agree (wmoSC, sitingclass). Radiation and sunshine: from memory of the annex, and marked so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.rain import HEAT_RADII_M, SECTOR_DEG, SECTORS, RainResult
from planner.records import compared
from planner.site import Bools, Floats, Ints, Site
from planner.sun.result import Shade, SunResult
from planner.units import MONTHS

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


@compared
@dataclass(frozen=True)
class Siting:
    """One row a mount (n). Classes are 1 to 5.

    *_why: (n,) the limit that decided, one sentence. least_direct_h: (n,) direct sun under a clear sky in the
    irrigation month that has the least, least_month: (n,) 0 to 11; sunlight: (n,) "full sun", "part sun" or
    "shade". not_judged: what the classes ask for and no layer tells. from_memory: classes whose limits are from
    memory.
    """

    radiation: Ints
    radiation_why: tuple[str, ...]
    sunshine: Ints
    sunshine_why: tuple[str, ...]
    temperature: Ints
    temperature_why: tuple[str, ...]
    precipitation: Ints
    precipitation_why: tuple[str, ...]
    least_direct_h: Floats
    least_month: Ints
    sunlight: tuple[str, ...]
    not_judged: tuple[str, ...]
    from_memory: tuple[str, ...] = ("radiation", "sunshine")


def sunlight(direct_h: float) -> str:
    """The trade's word for a place with so many hours of direct sun a day: six and more, three to six, less.

    >>> sunlight(6.0), sunlight(3.0), sunlight(2.9)
    ('full sun', 'part sun', 'shade')
    """
    return "full sun" if direct_h >= FULL_SUN_H else "part sun" if direct_h >= PART_SUN_H else "shade"


def siting(site: Site, xyz: Floats, sun: SunResult, rain: RainResult, season: Bools) -> Siting:
    """Classes of (n, 3) mounts.

    sun, rain: what was found for these mounts; season: (12,) irrigation months. The sun is hidden where the year
    of light found it so, step by step; crowns hide it too.

        classes = siting(site, mounts.xyz, sun, rain, season)
        classes.radiation[k], classes.radiation_why[k]
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
    least = hours.argmin(axis=1) if len(hours) else np.empty(0, np.int64)
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
        (
            "reflecting walls beside the sun's path (radiation)",
            "paving, water and the height of what grows (temperature)",
            "obstacles that stand evenly all round, which class 1 allows up to 26 degrees (precipitation)",
            *(("slope of the ground (no terrain)",) if site.terrain is None else ()),
        ),
    )


# --- shade -------------------------------------------------------------------------------------------------------


def _light_class(shade: Shade, limits: tuple[float, ...]) -> Ints:
    by_angle = 1 + np.searchsorted(np.asarray(limits), shade.highest_deg, side="left")
    by_day = np.where(shade.worst_day <= SHADE_OF_A_DAY, 4, 5)
    return np.asarray(np.where(by_angle <= len(limits), by_angle, by_day), np.int64)


def _light_why(shade: Shade, k: int, given: int, limits: tuple[float, ...], rain: RainResult) -> str:
    if given == 1:
        return f"no shade while the sun is above {limits[0]:g} degrees"
    if given == 5:
        return (
            f"shade takes {shade.worst_day[k]:.0%} of a day in {MONTHS[shade.worst_day_month[k]]}; class 4 allows "
            f"{SHADE_OF_A_DAY:.0%}"
        )
    behind = _obstacle(rain, k, shade)
    return (
        f"the sun is hidden{behind} while {shade.highest_deg[k]:.1f} degrees high at {shade.azimuth_deg[k]:.0f} "
        f"degrees of azimuth ({MONTHS[shade.month[k]]}); class {given - 1} allows {limits[given - 2]:g}"
    )


def _obstacle(rain: RainResult, k: int, shade: Shade) -> str:
    """What hides the highest hidden sun, where that is sure: not under a cover, nor beyond what takes rain."""
    sector = round(shade.azimuth_deg[k] / SECTOR_DEG) % SECTORS
    row = rain.sector_obstacle[k, sector]
    sure = row >= 0 and not rain.covered[k] and rain.sector_deg[k, sector] >= shade.highest_deg[k]
    return f" behind {rain.obstacles[row]}" if sure else ""


# --- air, rain ---------------------------------------------------------------------------------------------------


def _temperature(shade: Shade, slope: Floats, rain: RainResult) -> tuple[Ints, tuple[str, ...]]:
    """The best class whose limits all hold, and the first limit of the next better one that does not."""
    tests: list[list[tuple[Bools, Callable[[int], str]]]] = []
    for c in range(4):
        group: list[tuple[Bools, Callable[[int], str]]] = []
        for inner, outer, most in HEAT_LIMITS[c]:
            covered = _share(rain, inner, outer)
            where = f"the ring from {inner:g} to {outer:g} m" if inner else f"the circle of {outer:g} m"

            def heat(k: int, covered: Floats = covered, where: str = where, most: float = most, c: int = c) -> str:
                return f"buildings and heat cover {covered[k]:.0%} of {where}; class {c + 1} allows {most:.0%}"

            group.append((covered <= most + 1e-9, heat))
        limit = TEMPERATURE_DEG[c]

        def hidden(k: int, limit: float = limit, c: int = c) -> str:
            return (
                f"the sun is hidden{_obstacle(rain, k, shade)} while {shade.highest_deg[k]:.1f} "
                f"degrees high; class {c + 1} allows {limit:g}"
            )

        group.append((shade.highest_deg <= limit, hidden))
        if c < len(TEMPERATURE_SLOPE_DEG):
            group.append((slope <= TEMPERATURE_SLOPE_DEG[c], _slope_why(slope, TEMPERATURE_SLOPE_DEG[c], c)))
        tests.append(group)
    return _best(tests, "little built around it, and the sun free above 5 degrees")


def _precipitation(slope: Floats, rain: RainResult) -> tuple[Ints, tuple[str, ...]]:
    tests: list[list[tuple[Bools, Callable[[int], str]]]] = []
    for c in range(4):

        def steep(k: int, c: int = c) -> str:
            if rain.covered[k]:
                return f"{rain.cover_name[k]} hangs over it"
            return (
                f"{rain.steepest_name[k]} stands {rain.steepest_deg[k]:.1f} degrees high; class {c + 1} allows "
                f"{PRECIPITATION_DEG[c]:g}"
            )

        group: list[tuple[Bools, Callable[[int], str]]] = [(rain.wmo_class <= c + 1, steep)]
        if c < len(PRECIPITATION_SLOPE_DEG):
            group.append((slope <= PRECIPITATION_SLOPE_DEG[c], _slope_why(slope, PRECIPITATION_SLOPE_DEG[c], c)))
        tests.append(group)
    return _best(tests, f"nothing stands higher than {PRECIPITATION_DEG[0]:g} degrees")


def _slope_why(slope: Floats, limit: float, c: int) -> Callable[[int], str]:
    return lambda k: f"the ground slopes by {slope[k]:.0f} degrees; class {c + 1} allows {limit:g}"


def _best(tests: list[list[tuple[Bools, Callable[[int], str]]]], free: str) -> tuple[Ints, tuple[str, ...]]:
    holds = np.array([np.logical_and.reduce([ok for ok, _ in group]) for group in tests])
    given = np.where(holds.any(axis=0), 1 + holds.argmax(axis=0), 5)
    said = []
    for k, c in enumerate(given):
        missed = [why(k) for ok, why in tests[c - 2] if not ok[k]] if c > 1 else [free]
        said.append(missed[0])
    return np.asarray(given, np.int64), tuple(said)


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
