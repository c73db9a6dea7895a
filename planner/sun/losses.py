"""Which obstacle takes which hours of sun from a mount, named; and when its sun comes, goes and is away.

For each step of the sun's year the ray towards the sun is followed outward. The first building that it meets is
the one that takes it; where no building does, the ground. Light that only crowns filter is shared among the
crowns in a row by how much each dims (their logarithms). So the losses add up to what the mount lacks::

      o ---- low wall ---- tower ----> sun at noon: over the wall, the tower takes it
                                       sun at dusk: the wall, which stands first

For the few mounts that are shown: nearest buildings first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

import numpy as np
import pvlib

from planner.compiled import inner, kernel
from planner.ground import GroundHorizon
from planner.records import compared
from planner.site import Bools, Crowns, Floats, Ints, Site
from planner.sun.hierarchy import Looks, Tree, compile_looks, inside, touches
from planner.sun.horizon import TOUCH_M, Directions, crown_spans, directions
from planner.sun.leaves import (
    ellipsoid_mean_chord_m,
    ellipsoid_path_m,
    over_the_month,
)
from planner.sun.path import YEAR, SunTable
from planner.sun.result import along, raster_azimuth_deg
from planner.sun.shading import Shading, crown_chords, shading
from planner.sun.veil import MOST_CROSSINGS, crossings, looks_between, prism_span

SOLAR = "true solar time"
LEAST_H_DAY = 2 / 60  # a month that loses less is not named for an obstacle: a step's width blurs that much
APART_H = 1.0  # without a loss between them, morning and evening are told apart
ALIKE = 0.5  # share of their hours that months have in common to be said in one


class Obstacle(StrEnum):
    BUILDING = "building"
    OVERHANG = "roof overhead"
    TREE = "tree"
    CANOPY = "tree canopy"
    GROUND = "ground"
    SURFACE = "surface model"


OPAQUE = (Obstacle.BUILDING, Obstacle.OVERHANG, Obstacle.GROUND, Obstacle.SURFACE)


@dataclass(frozen=True)
class Loss:
    """Sun that one obstacle takes, or a crown filters, in one part of the day.

    months: 0 to 11, in a row (December may come before January). from_h, to_h: the earliest begin and the latest
    end in those months, hours of the day; to_h is above 24 where the sun stays up past midnight. hours_day: hours
    of direct sun lost in a mean clear day of them. light_share: share of their light (beam and diffuse) that is
    lost with the beam. name: "" for ground, surface and canopy models; azimuth_deg: where it stands, on the mean.
    """

    name: str
    kind: Obstacle
    months: tuple[int, ...]
    from_h: float
    to_h: float
    hours_day: float
    light_share: float
    azimuth_deg: float = np.nan


@compared
@dataclass(frozen=True)
class DayOfSun:
    """A mount's day, months (12,) January first, hours of the day in the time that `clock` names.

    first_h, last_h: when direct sun first reaches the mount and last leaves it, mean of the month's days, NaN
    where it never comes; open_first_h, open_last_h: the same under an open sky. gap_h: longest stretch without
    direct sun between the two, mean of the days. beam_lost: share of the month's light that obstacles take from
    the beam; what is missing beyond it is hidden sky. worst_month: 0 to 11, the irrigation month that loses the
    most of it. losses: what costs most light in irrigation months first. clock: SOLAR or the time zone's name.
    """

    first_h: Floats
    last_h: Floats
    open_first_h: Floats
    open_last_h: Floats
    gap_h: Floats
    beam_lost: Floats
    worst_month: int
    losses: tuple[Loss, ...]
    clock: str


def day_of_sun(
    site: Site,
    mount: Floats,
    sun: SunTable,
    season: Bools,
    shade: Shading | None = None,
    *,
    time_zone: str | None = None,
) -> DayOfSun:
    """Losses and hours of one mount.

    Parameters
    ----------
    site
        In its local frame.
    mount
        (3,) head of the sensor, metres.
    sun
        The sun's year.
    season
        (12,) irrigation months; the whole year where there is none.
    shade
        As `year_of_light` was given it.
    time_zone
        An IANA name, for local clock time (with summer time as in the middle of each month, which the equation of
        time moves by less than 8 minutes within a month); true solar time without it.

    Returns
    -------
    DayOfSun
        Hours of the day by month, and the losses that cost the most light in irrigation months first.
    """
    found = attribute(site, np.asarray(mount, float), sun, shade)
    hour = clock_hours(sun.solar_hour, sun.month, site.longitude_deg, time_zone)
    light = sun.monthly(sun.beam_wh_m2 + sun.diffuse_wh_m2)
    with np.errstate(divide="ignore", invalid="ignore"):  # polar night has no light to lose
        lost = np.where(light > 0, sun.monthly(found.lost * sun.beam_wh_m2) / light, 0.0)
    first, last, gap = _hours(sun, hour, ~found.hidden)
    open_first, open_last, _ = _hours(sun, hour, np.ones(len(hour), bool))
    among = np.flatnonzero(season) if np.any(season) else np.arange(12)
    losses = sorted(
        _losses(found, sun, hour, light),
        key=lambda loss: -sum(loss.light_share * light[m] for m in loss.months if m in among),
    )
    worst = int(among[np.argmax(lost[among])])
    return DayOfSun(first, last, open_first, open_last, gap, lost, worst, tuple(losses), time_zone or SOLAR)


def clock_hours(solar_hour: Floats, month: Ints, longitude_deg: float, time_zone: str | None) -> Floats:
    """Hours of the local clock from true solar time in the middle of each month.

    Parameters
    ----------
    solar_hour, month
        Hours, and the month of each, 0 to 11.
    longitude_deg
        Of the site.
    time_zone
        By its name in the tz database; without one the hours stay as they are.

    Returns
    -------
    ndarray
        Hours, 0 to 24.

    References
    ----------
    Equation of time: Spencer (1971), as in pvlib.
    """
    if time_zone is None:
        return np.asarray(solar_hour, float)
    middle = [datetime(YEAR, m + 1, 15, 12, tzinfo=ZoneInfo(time_zone)) for m in range(12)]
    east_h = np.array([when.utcoffset().total_seconds() / 3600 for when in middle])  # type: ignore[union-attr]
    late_h = np.array([pvlib.solarposition.equation_of_time_spencer71(w.timetuple().tm_yday) for w in middle]) / 60
    return np.asarray((solar_hour + (east_h - longitude_deg / 15 - late_h)[month]) % 24)


# --- who takes what ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Attribution:
    """Who takes the beam at each step of a sun table (n,).

    lost: (n,) share of the beam that is lost, 1 behind something opaque. hidden: (n,) no direct sun. step,
    obstacle: (k,) row of the step and of the obstacle for each part of a loss; part: (k,) share of the step's loss,
    the parts of a step sum to 1. names, kinds: of the obstacles; those without a name of their own have "".
    """

    lost: Floats
    hidden: Bools
    step: Ints
    obstacle: Ints
    part: Floats
    names: tuple[str, ...]
    kinds: tuple[Obstacle, ...]
    azimuth_deg: Floats


def attribute(
    site: Site,
    mount: Floats,
    sun: SunTable,
    shade: Shading | None = None,
) -> Attribution:
    """For each step of the sun's year, what stands between a (3,) mount and the sun; as `year_of_light` has it."""
    shade = shade or shading(site)
    looks, azimuth, rasters = directions(sun.azimuth_deg), raster_azimuth_deg(site), shade.ground
    rays, slope = compile_looks(looks), np.tan(np.radians(sun.elevation_deg[looks.order]))
    leafy, light = shade.in_leaf[sun.month[looks.order]], shade.crown_light
    stands = site.surface is None  # else the surface model stands in for footprints and crowns
    names: list[str] = []
    kinds: list[Obstacle] = []

    def over(found: GroundHorizon | None) -> Floats:
        return np.zeros(len(looks)) if found is None else along(found.tangent, azimuth, looks)[0]

    # what is opaque: the nearest building, else the ground
    owner = np.full(len(looks), -1, np.int64)
    if stands:
        owner = _nearest(mount, shade.buildings, rays, slope)
        names += site.buildings.names
        kinds += [Obstacle.OVERHANG if base > mount[2] else Obstacle.BUILDING for base in site.buildings.base_m]
    ground = over(rasters.opaque(mount[None], azimuth, shade.terrain_reach_m))
    owner[(owner < 0) & (slope <= ground)] = len(names)
    names.append("")
    kinds.append(Obstacle.GROUND if stands else Obstacle.SURFACE)
    dark = np.flatnonzero(owner >= 0)
    steps, obstacles, logs = [dark], [owner[dark]], [np.full((len(dark), 2), -np.inf)]

    # what filters, in logarithms, leafless and in leaf
    def veil(rows: Ints, who: Ints, log: Floats) -> None:
        free = owner[rows] < 0
        steps.append(rows[free])
        obstacles.append(who[free] + len(names))
        logs.append(log[free])

    if stands and len(site.crowns):
        crown, look, low, high = crown_spans(mount, site.crowns, looks)
        through = (slope[look] > low) & (slope[look] < high)
        crown, look = crown[through], look[through]
        log = light.log_light(site.crowns.evergreen)[crown]
        veil(
            look,
            crown,
            log * _ways(site.crowns, mount, crown, looks, look, slope)[:, None] if light.by_path else log,
        )
        names += site.crowns.names
        kinds += [Obstacle.TREE] * len(site.crowns)
    if stands:
        ray, who, way = _ways_through(mount, shade.grown, rays, slope)
        share = way / crown_chords(site.crown_prisms)[who] if light.by_path else np.ones(len(way))
        veil(ray, who, light.log_light(site.crown_evergreen)[who] * share[:, None])
        names += site.crown_prisms.names
        kinds += [Obstacle.TREE] * len(site.crown_prisms)
    behind = np.flatnonzero(slope < over(rasters.veil(mount[None], azimuth)))
    canopy = light.log_light(np.array([site.canopy_evergreen]))
    veil(behind, np.zeros(len(behind), np.int64), np.repeat(canopy, len(behind), axis=0))
    names.append("")
    kinds.append(Obstacle.CANOPY)

    look, obstacle, log = np.concatenate(steps), np.concatenate(obstacles), np.vstack(logs)
    total = np.zeros((len(looks), 2))
    np.add.at(total, look, log)
    lost = 1.0 - over_the_month(np.exp(total[:, 1]), np.exp(total[:, 0]), leafy)
    return Attribution(
        looks.unsort(lost),
        looks.unsort((total[:, 0] < 0).astype(float)) > 0,
        looks.order[look],
        obstacle,
        _parts(look, log, total, leafy),
        tuple(names),
        tuple(kinds),
        sun.azimuth_deg,
    )


def _parts(look: Ints, log: Floats, total: Floats, leafy: Floats) -> Floats:
    """(k,) share that each has in the loss of its ray: by its logarithm in either state of leaf."""
    part = np.ones(len(look))
    some = np.isfinite(log[:, 0])
    ray, log = look[some], log[some]
    weight = np.column_stack([1.0 - leafy, leafy])[ray] * (1.0 - np.exp(total[ray]))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(total[ray] < 0, log / total[ray], 0.0)
        part[some] = (weight * share).sum(axis=1) / weight.sum(axis=1)
    return np.nan_to_num(part)


def _ways(crowns: Crowns, mount: Floats, crown: Ints, looks: Directions, look: Ints, slope: Floats) -> Floats:
    """(k,) length of rays inside ellipsoid crowns over the mean of all ways through."""
    chord = ellipsoid_mean_chord_m(crowns.radius_m, crowns.half_height_m)
    east, north, up = (crowns.centre - mount).T
    r, h = crowns.radius_m, crowns.half_height_m
    return np.array(
        [
            ellipsoid_path_m(east[c], north[c], up[c], r[c], h[c], looks.sin[k], looks.cos[k], slope[k]) / chord[c]
            for c, k in zip(crown, look, strict=True)
        ]
    )


def _nearest(mount: Floats, tree: Tree, looks: Looks, slope: Floats) -> Ints:
    """(m,) row of the first prism that each ray meets, -1 where it meets none."""
    owner = np.full(len(slope), -1, np.int64)
    if not len(tree.top) or not len(slope):
        return owner
    box, rise = tree.node[: len(tree.top)], tree.top - mount[2]
    away = np.hypot(*(np.maximum(np.maximum(box[:, k] - mount[k], mount[k] - box[:, k + 2]), 0.0) for k in (0, 1)))
    # the ray's height at a prism is its distance times the slope, or more
    might = np.flatnonzero((rise > 0) & (away * slope.min() < rise))
    might = might[np.argsort(away[might], kind="stable")]
    _first_met(mount, tree, might, away[might], looks, slope, owner)
    return owner


@kernel
def _first_met(mount, tree, rows, away, looks, slope, owner):  # type: ignore[no-untyped-def]
    """Note in (m,) `owner` the first of some prisms, the nearest first, that each ray meets."""
    m, east, north = len(slope), mount[0], mount[1]
    met, found = np.full(m, np.inf), np.empty(MOST_CROSSINGS)
    ahead = 10.0 * TOUCH_M
    for j, far in zip(rows, away):  # noqa: B905 (compiled)
        begin, end = tree.first[j], tree.first[j + 1]
        base, top = tree.base[j] - mount[2], tree.top[j] - mount[2]
        beside = far <= TOUCH_M and touches(east, north, tree.vertex, begin, end)
        within = far <= TOUCH_M and not beside and inside(east, north, tree.vertex, begin, end)
        start, stop = prism_span(east, north, tree.node[j])
        first, last = looks_between(looks, start, stop)
        for w in range(first, last):
            i = w if w < m else w - m
            if met[i] <= far or far * slope[i] >= top:
                continue
            if beside:  # fixed to this wall: it closes what leads inside
                x, y = east + ahead * looks.sin[i], north + ahead * looks.cos[i]
                through = inside(x, y, tree.vertex, begin, end)
                count = crossings(x, y, looks.sin[i], looks.cos[i], tree.vertex, begin, end, found)
            else:
                through = within
                count = crossings(east, north, looks.sin[i], looks.cos[i], tree.vertex, begin, end, found)
            at, _ = _meeting(found, count, through, base, top, slope[i])
            if at < met[i]:
                met[i], owner[i] = at, tree.row[j]


@kernel
def _ways_through(mount, tree, looks, slope):  # type: ignore[no-untyped-def]
    """Rays that meet prisms: (k,) row of the ray and of the prism, and the length of the way inside."""
    m, east, north = len(slope), mount[0], mount[1]
    found = np.empty(MOST_CROSSINGS)
    ray, prism, way = [0 for _ in range(0)], [0 for _ in range(0)], [0.0 for _ in range(0)]
    for j in range(len(tree.top)):
        begin, end = tree.first[j], tree.first[j + 1]
        base, top = tree.base[j] - mount[2], tree.top[j] - mount[2]
        if top <= 0.0:
            continue
        within = inside(east, north, tree.vertex, begin, end)
        start, stop = prism_span(east, north, tree.node[j])
        first, last = looks_between(looks, start, stop)
        for w in range(first, last):
            i = w if w < m else w - m
            count = crossings(east, north, looks.sin[i], looks.cos[i], tree.vertex, begin, end, found)
            at, long = _meeting(found, count, within, base, top, slope[i])
            if at < np.inf:
                ray.append(i)
                prism.append(tree.row[j])
                way.append(long)
    return np.array(ray), np.array(prism), np.array(way)


@inner
def _meeting(found, count, within, base, top, slope):  # type: ignore[no-untyped-def]
    """Level distance at which a rising ray meets a prism, inf where it misses it, and its way inside.

    A ray is inside the footprint between pairs of crossings with its rings, and meets the prism where its height
    there lies between base and top: the same law for what stands and what hangs.
    """
    at, level = np.inf, 0.0
    k = -1 if within else 0
    while k + 1 < count:
        enter, leave = 0.0 if k < 0 else found[k], found[k + 1]
        if enter * slope < top and leave * slope > base:
            enter = max(enter, max(base, 0.0) / slope)
            at = min(at, enter)
            level += min(leave, top / slope) - enter
        k += 2
    return at, level * np.sqrt(1.0 + slope * slope)


# --- from steps to hours and months -----------------------------------------------------------------------------


def _step_h(sun: SunTable) -> float:
    step = np.diff(sun.solar_hour)
    return float(np.median(step[step > 0])) if np.any(step > 0) else 0.0


def _hours(sun: SunTable, hour: Floats, lit: Bools) -> tuple[Floats, Floats, Floats]:
    """First and last hour of sun and the longest gap between, (12,) each, mean over the sampled days."""
    first, last, gap = (np.full(12, np.nan) for _ in range(3))
    half = _step_h(sun) / 2
    days: dict[int, list[tuple[float, float, float]]] = {m: [] for m in range(12)}
    breaks = np.flatnonzero((np.diff(sun.solar_hour) < 0) | (np.diff(sun.month) != 0)) + 1
    for day in np.split(np.arange(len(hour)), breaks):
        sunny = day[lit[day]]
        if sunny.size:
            # the clock may pass midnight within a sunny day near the poles: count from its first step
            at = hour[day[0]] + (hour[sunny] - hour[day[0]]) % 24
            longest = max(0.0, float(np.diff(at).max(initial=0.0)) - 2 * half)
            days[int(sun.month[day[0]])].append((at[0] - half, at[-1] + half, longest if longest > half else 0.0))
    for m, rows in days.items():
        if rows:
            first[m], last[m], gap[m] = np.mean(rows, axis=0)
    return first, last, gap


@dataclass(frozen=True)
class _Stretch:
    """What one obstacle takes in one part of one month's day: steps (k,) rows of the sun's year; hours of a mean
    day; lost: Wh/m2 of beam in a mean day."""

    month: int
    from_h: float
    to_h: float
    steps: Ints
    hours: float
    lost: float


def _losses(found: Attribution, sun: SunTable, hour: Floats, light: Floats) -> Iterator[Loss]:
    """Each obstacle's losses, by part of the day and by months in a row with about the same hours."""
    half = _step_h(sun) / 2
    for who in np.unique(found.obstacle):
        mine = np.flatnonzero(found.obstacle == who)
        month = sun.month[found.step[mine]]
        by_month = [_stretches(found, sun, hour, mine[month == m], half) for m in range(12)]
        for group in _in_a_row(by_month):
            months = [one.month for one in group]
            yield Loss(
                found.names[who],
                found.kinds[who],
                tuple(months),
                min(one.from_h for one in group),
                max(one.to_h for one in group),
                float(np.mean([one.hours for one in group])),
                float(sum(one.lost for one in group) / light[months].sum()),
                _mean_azimuth(found, group),
            )


def _stretches(found: Attribution, sun: SunTable, hour: Floats, rows: Ints, half: float) -> list[_Stretch]:
    """The parts of the day, more than APART_H from one another, of one obstacle's losses in one month."""
    if not len(rows):
        return []
    step = found.step[rows]
    at = _past_midnight(hour[step])
    order = np.argsort(at, kind="stable")
    parts = []
    for part in np.split(order, np.flatnonzero(np.diff(at[order]) > APART_H) + 1):
        steps, share = step[part], found.part[rows[part]]
        hours = float((sun.hours_per_day[steps] * found.hidden[steps]) @ share)
        if hours >= LEAST_H_DAY:
            lost = float((sun.beam_wh_m2[steps] * found.lost[steps]) @ share)
            from_h, to_h = float(at[part].min() - half), float(at[part].max() + half)
            parts.append(_Stretch(int(sun.month[steps[0]]), from_h, to_h, steps, hours, lost))
    return parts


def _past_midnight(hour: Floats) -> Floats:
    """Hours of the day, those after midnight counted on (above 24) where they go on from before it."""
    at = hour.copy()
    by = np.argsort(hour, kind="stable")
    breaks = np.flatnonzero(np.diff(hour[by]) > APART_H) + 1
    if len(breaks) and hour[by[0]] + 24 - hour[by[-1]] <= APART_H:
        at[by[: breaks[0]]] += 24
    return at


def _mean_azimuth(found: Attribution, group: list[_Stretch]) -> float:
    azimuth = np.radians(found.azimuth_deg[np.concatenate([one.steps for one in group])])
    return float(np.degrees(np.arctan2(np.sin(azimuth).mean(), np.cos(azimuth).mean())) % 360.0)


def _common(group: list[_Stretch]) -> float:
    """Share of the whole stretch of hours that is common to all months of a group."""
    low, high = np.array([one.from_h for one in group]), np.array([one.to_h for one in group])
    return float((high.min() - low.max()) / (high.max() - low.min()))


def _in_a_row(by_month: list[list[_Stretch]]) -> list[list[_Stretch]]:
    """Months in a row whose hours overlap so far that half of the whole stretch is common to all; parts of the day
    that run apart in one month stay apart in all."""
    groups: list[list[_Stretch]] = []
    for parts in by_month:
        open_groups = [group for group in groups if parts and group[-1].month == parts[0].month - 1]
        for one in parts:
            likely = max(open_groups, key=lambda group: _common([*group, one]), default=None)
            if likely is not None and _common([*likely, one]) >= ALIKE:
                likely.append(one)
                open_groups = [group for group in open_groups if group is not likely]
            else:
                groups.append([one])
    # the year is a ring
    for first in [group for group in groups if group[0].month == 0]:
        before = [group for group in groups if group is not first and group[-1].month == 11]
        last = max(before, key=lambda group: _common([*group, *first]), default=None)
        if last is not None and _common([*last, *first]) >= ALIKE:
            groups = [group for group in groups if group is not first]
            last.extend(first)
    return groups
