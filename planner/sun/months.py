"""Light by month from a sampled horizon: one table for all mounts, so that the time step costs nothing.

The table holds, for each stretch of azimuth and each height of the horizon, the light of each month that comes from
under it. A mount's loss is then one look-up an azimuth, whatever the time step was.

What it costs: the horizon is sampled at 2,880 azimuths, not at the sun's own, and the sun is spread evenly within
half a degree of azimuth and between two heights. Against the sum over every minute of the year at the sun's own
azimuths, the worst month of the worst mount of a dense city stays within half a percent of that month's open light
(`tests/test_hierarchy.py`). Use it for cities; a site takes the exact form (`year`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.compiled import in_threads, inner, kernel
from planner.site import Floats
from planner.sun.hierarchy import STACK, Tree, compile_looks, walk
from planner.sun.horizon import directions
from planner.sun.path import SunTable

AZIMUTHS = 720  # stretches of azimuth in the table
SAMPLES = 4  # of the horizon in each
HEIGHTS = 384  # heights of the horizon in the table, even in t / (1 + t) of its tangent t
TOGETHER = 2048  # mounts to a task, summed side by side: each stretch of the table is fetched once for all of them
FLOOR_DEG = 0.5  # obstacles lower than this are left out of a city's horizon


class LightTable(NamedTuple):
    """below (AZIMUTHS, HEIGHTS + 1, 12): Wh/m2 of beam on the level, in a mean day, from under a height of horizon.

    least, most (AZIMUTHS,): the sun's range there, in t / (1 + t) of its tangent t; above 1 where it never is.
    beam, diffuse (12,): of the open sky. Made by :func:`light_table`.
    """

    below: NDArray[np.float32]
    least: NDArray[np.float32]
    most: NDArray[np.float32]
    beam: Floats
    diffuse: Floats


@dataclass(frozen=True)
class CityLight:
    """Light by month of n mounts among prisms alone, from sampled horizons.

    light_share, beam_share (n, 12); sky_view (n,). floor_deg: lower obstacles were left out; floor_cost (12,): the
    largest share of a month's light that this can hide.
    """

    light_share: Floats
    beam_share: Floats
    sky_view: Floats
    floor_deg: float
    floor_cost: Floats


SAMPLED_DEG = (np.arange(AZIMUTHS * SAMPLES) + 0.5) * 360.0 / (AZIMUTHS * SAMPLES)


def light_table(sun: SunTable) -> LightTable:
    """The table of a sun path; steps of one minute make it exact to the bound stated above."""
    stretch = np.minimum((sun.azimuth_deg * (AZIMUTHS / 360.0)).astype(np.int64), AZIMUTHS - 1)
    tangent = np.tan(np.radians(sun.elevation_deg))
    x = tangent / (1.0 + tangent)
    least, most = np.full(AZIMUTHS, 2.0), np.full(AZIMUTHS, -1.0)
    np.minimum.at(least, stretch, x)
    np.maximum.at(most, stretch, x)
    most = np.maximum(most, least + 1e-6)
    part = (x - least[stretch]) / (most - least)[stretch]
    spread = np.where(part < 0.5, np.sqrt(part / 2), 1.0 - np.sqrt((1.0 - part) / 2))  # as in _add
    height = np.minimum((spread * HEIGHTS).astype(np.int64), HEIGHTS - 1)
    cell = (stretch * HEIGHTS + height) * 12 + sun.month
    light = np.bincount(cell, weights=sun.beam_wh_m2, minlength=AZIMUTHS * HEIGHTS * 12)
    below = np.zeros((AZIMUTHS, HEIGHTS + 1, 12), np.float32)
    below[:, 1:] = light.reshape(AZIMUTHS, HEIGHTS, 12).cumsum(axis=1)
    return LightTable(
        below,
        least.astype(np.float32),
        most.astype(np.float32),
        sun.monthly(sun.beam_wh_m2),
        sun.monthly(sun.diffuse_wh_m2),
    )


def light_below(sun: SunTable, elevation_deg: float) -> Floats:
    """(12,) share of each month's beam that comes from under an elevation: the most that a floor can hide."""
    under = sun.monthly(np.where(sun.elevation_deg < elevation_deg, sun.beam_wh_m2, 0.0))
    total = sun.monthly(sun.beam_wh_m2)
    return np.divide(under, total, out=np.zeros(12), where=total > 0)


def monthly_beam(tangent: Floats, table: LightTable, floor_deg: float = 0.0) -> Floats:
    """(n, 12) Wh/m2 of beam kept, from (n, AZIMUTHS * SAMPLES) tangents of the horizon along SAMPLED_DEG."""
    out = np.empty((len(tangent), 12))
    floor = np.tan(np.radians(floor_deg)) * (1 + 1e-9)

    def work(rows: slice) -> None:
        _beams(tangent[rows], table, floor, out[rows])

    in_threads(work, len(tangent), TOGETHER)
    return out


def city_light(tree: Tree, mounts_xyz: Floats, sun: SunTable, floor_deg: float = FLOOR_DEG) -> CityLight:
    """Light by month at (n, 3) mounts among any number of prisms; horizons are not kept, so memory stays small.

    Mounts that lie near one another should stand near one another in the list: it is several times as fast.
    """
    mounts = np.ascontiguousarray(mounts_xyz, np.float64).reshape(-1, 3)
    table, looks = light_table(sun), compile_looks(directions(SAMPLED_DEG))
    floor = float(np.tan(np.radians(floor_deg)))
    beam, view = np.empty((len(mounts), 12)), np.empty(len(mounts))

    def work(rows: slice) -> None:
        _city(mounts[rows], tree, looks, table, floor, beam[rows], view[rows])

    in_threads(work, len(mounts), TOGETHER)
    total = table.beam + table.diffuse
    cost = light_below(sun, floor_deg) * np.divide(table.beam, total, out=np.zeros(12), where=total > 0)
    with np.errstate(divide="ignore", invalid="ignore"):  # polar night has no light to keep
        light = np.where(total > 0, (beam + table.diffuse * view[:, None]) / total, 1.0)
        share = np.where(table.beam > 0, beam / table.beam, 1.0)
    return CityLight(light, share, view, floor_deg, cost)


@inner
def _height(tangent, floor):  # type: ignore[no-untyped-def]
    """A horizon in t / (1 + t) of its tangent t; 0 up to the floor."""
    t = min(np.float32(tangent), np.float32(1e9))
    return t / (np.float32(1.0) + t) if t > floor else np.float32(0.0)


@kernel
def _beams(tangents, table, floor, out):  # type: ignore[no-untyped-def]
    """Light of each month that comes from over the horizons of some mounts, (n, m) tangents, into (n, 12).

    One stretch of azimuth for all mounts, then the next: its part of the table stays in the core's own cache.
    """
    one = np.float32(1.0)
    lost = np.zeros((len(out), 12), np.float32)
    for a in range(AZIMUTHS):
        least, most = table.least[a], table.most[a]
        if least > one:  # the sun is never there
            continue
        scale, below = one / (most - least), table.below[a]
        for n in range(len(out)):
            low = high = tangents[n, a * SAMPLES]
            for s in range(1, SAMPLES):
                low, high = min(low, tangents[n, a * SAMPLES + s]), max(high, tangents[n, a * SAMPLES + s])
            low, high = _height(low, floor), _height(high, floor)
            if high <= least:
                continue
            if low >= most:
                for k in range(12):
                    lost[n, k] += below[HEIGHTS, k]
            elif (high - low) * scale < np.float32(0.01) and low > least and high < most:
                _add(below, ((low + high) * np.float32(0.5) - least) * scale, one, lost[n])
            else:
                for s in range(SAMPLES):
                    part = min((_height(tangents[n, a * SAMPLES + s], floor) - least) * scale, one)
                    if part > np.float32(0.0):
                        _add(below, part, np.float32(1.0 / SAMPLES), lost[n])
    for n in range(len(out)):
        for k in range(12):
            out[n, k] = table.beam[k] - lost[n, k]


@inner
def _add(below, part, share, lost):  # type: ignore[no-untyped-def]
    one, half = np.float32(1.0), np.float32(0.5)
    spread = np.sqrt(part * half) if part < half else one - np.sqrt((one - part) * half)
    y = spread * np.float32(HEIGHTS)
    h = min(int(y), HEIGHTS - 1)
    upper = (y - np.float32(h)) * share
    lower = share - upper
    for k in range(12):
        lost[k] += lower * below[h, k] + upper * below[h + 1, k]


@kernel
def _city(mounts, tree, looks, table, floor, beam, view):  # type: ignore[no-untyped-def]
    m = len(looks.turn)
    stack = np.empty((STACK, 2), np.int64)
    low, tangent = np.empty((m >> looks.shift) + 1), np.empty(m)
    tangents = np.empty((len(mounts), m), np.float32)
    for n in range(len(mounts)):
        walk(mounts[n, 0], mounts[n, 1], mounts[n, 2], tree, looks, floor, tangent, low, stack)
        tangents[n] = tangent
        sky = 0.0
        for i in range(m):
            t = tangent[i]
            sky += 1.0 if t <= floor * (1.0 + 1e-9) else 1.0 / (1.0 + t * t)
        view[n] = sky / m
    _beams(tangents, table, floor * (1.0 + 1e-9), beam)
