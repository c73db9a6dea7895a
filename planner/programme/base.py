"""The base program: run times at 100% for the peak month, and whether window, supply and pipes allow them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from planner.programme.runtime import (
    MOST_PIPE_M_S,
    interval_days,
    longest_cycle_min,
    pipe_velocity_m_s,
    run_time_min,
    soak_min,
)
from planner.programme.stations import Stations
from planner.site import Bools, Floats, Ints

WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
SLOPE_FLAT_PERCENT = 3.0  # first class of slope tables in the trade; no usable source for the others


@dataclass(frozen=True)
class ProgrammeDays:
    """One program of a controller: its stations' rows, the days it waters, and whether the soil holds over."""

    controller: str
    name: str
    rows: tuple[int, ...]
    days: tuple[str, ...]
    longest_gap_d: int
    dry_rows: tuple[int, ...]  # stations whose soil does not last over the longest gap


@dataclass(frozen=True)
class ControllerLoad:
    """One controller's busiest day against the window, and its largest flow against the supply.

    needed_h: stations in their order, each as soon as one of the `at once` that may run together has ended, soak
    going on meanwhile; at least the longest station with its soak. flow_l_min: of the largest stations that may
    run together; NaN where a flow is not known.
    """

    name: str
    busiest_day: str
    needed_h: float
    window_h: float
    flow_l_min: float
    supply_l_min: float  # NaN: not told

    @property
    def fits(self) -> bool:
        return self.needed_h <= self.window_h + 1e-9

    @property
    def enough(self) -> bool | None:
        if np.isnan(self.flow_l_min) or np.isnan(self.supply_l_min):
            return None
        return bool(self.flow_l_min <= self.supply_l_min + 1e-9)


@dataclass(frozen=True)
class BaseProgramme:
    """Run times of n stations at 100%.

    base_eto_mm_day: ETo that 100% stands for, in the peak month. weekly_mm (n,): net depth a week; interval_d: that
    the soil allows; days_a_week: of its program; depth_mm: net, a watering day. run_min: on a watering day, in
    whole cycles of whole minutes: cycles (n,) of cycle_min; soak_min: least pause between two. exact_min: before
    rounding. volume_l: a watering day. velocity_m_s: NaN where flow or pipe is not known. NaN where there is no
    rate.
    """

    stations: Stations
    peak_month: int
    base_eto_mm_day: float
    weekly_mm: Floats
    interval_d: Floats
    days_a_week: Ints
    depth_mm: Floats
    exact_min: Floats
    cycles: Ints
    cycle_min: Floats
    soak_min: Floats
    run_min: Floats
    volume_l: Floats
    velocity_m_s: Floats
    programmes: tuple[ProgrammeDays, ...]
    loads: tuple[ControllerLoad, ...]

    @property
    def too_fast(self) -> Bools:
        return np.asarray(np.nan_to_num(self.velocity_m_s) > MOST_PIPE_M_S)

    @property
    def steep(self) -> Bools:
        """(n,) overhead stations on slopes, where water runs off sooner than flat ground's numbers say."""
        return np.asarray(
            self.stations.overhead & (np.nan_to_num(self.stations.table.slope_percent) > SLOPE_FLAT_PERCENT)
        )


def longest_gap(days: Sequence[int]) -> int:
    """Longest way from one watering day (0 to 6) to the next, round the week; 7 for a single day."""
    order = sorted(days)
    return max((later - day) % 7 or 7 for day, later in zip(order, [*order[1:], order[0]], strict=True))


def watering_days(allowed: Sequence[int], interval_d: float) -> tuple[int, ...]:
    """The fewest allowed days of the week whose longest gap the soil bridges; all of them where none do.

    Among as many days the set with the shortest longest gap is taken, and the earliest of those.
    """
    for count in range(1, len(allowed) + 1):
        gap, best = min((longest_gap(days), days) for days in combinations(sorted(allowed), count))
        if gap <= interval_d + 1e-9:
            return best
    return tuple(sorted(allowed))


def base_programme(
    stations: Stations,
    peak_month: int,
    base_eto_mm_day: float,
    allowed: Sequence[str],
    window_h: float,
    at_once: int,
    supply_l_min: float | None,
) -> BaseProgramme:
    """Run times at 100% of the base. Rain is not taken off: the base is for a week without.

    Parameters
    ----------
    stations
        n of them, without gaps.
    peak_month
        0 to 11.
    base_eto_mm_day
        What 100% stands for.
    allowed
        Days on which watering is allowed, of :data:`WEEK`.
    window_h
        Hours of a watering day.
    at_once
        Stations of a controller that run together.
    supply_l_min
        What the supply gives; None where it sets no limit.

    Returns
    -------
    BaseProgramme
        Minutes, cycles and soaks by station; days by program.
    """
    table, n = stations.table, len(stations)
    use = stations.factor[:, peak_month] * base_eto_mm_day
    interval = interval_days(stations.available_mm_m, stations.root_m, stations.depletion, use)
    may = [WEEK.index(day) for day in allowed]
    programmes, days_a_week = [], np.zeros(n, np.int64)
    for controller, name in dict.fromkeys(zip(table.controllers, table.programmes, strict=True)):
        rows = [k for k in range(n) if (table.controllers[k], table.programmes[k]) == (controller, name)]
        days = watering_days(may, float(interval[rows].min()))
        gap = longest_gap(days)
        dry = tuple(k for k in rows if interval[k] < gap - 1e-9)
        programmes.append(ProgrammeDays(controller, name, tuple(rows), tuple(WEEK[d] for d in days), gap, dry))
        days_a_week[rows] = len(days)
    weekly = 7.0 * use
    depth = weekly / days_a_week
    exact = run_time_min(depth, stations.rate_mm_h, stations.multiplier)
    longest = np.where(
        stations.overhead, longest_cycle_min(stations.rate_mm_h, stations.intake_mm_h, stations.surface_mm), np.inf
    )
    known = np.isfinite(exact)
    cycles = np.ones(n, np.int64)
    whole = np.maximum(np.floor(longest[known]), 1.0)  # no cycle of whole minutes may be longer
    cycles[known] = np.maximum(np.ceil(exact[known] / whole - 1e-9), 1).astype(np.int64)
    cycle = np.where(known, np.maximum(np.round(exact / cycles), 1.0), np.nan)
    soak = np.where(cycles > 1, np.ceil(soak_min(cycle, stations.rate_mm_h, stations.intake_mm_h)), 0.0)
    run = cycles.astype(np.float64) * cycle
    return BaseProgramme(
        stations,
        peak_month,
        base_eto_mm_day,
        weekly,
        interval,
        days_a_week,
        depth,
        exact,
        cycles,
        cycle,
        soak,
        run,
        run * stations.flow_l_min,
        pipe_velocity_m_s(stations.flow_l_min, table.pipe_mm),
        tuple(programmes),
        _loads(stations, programmes, run, cycles, soak, window_h, at_once, supply_l_min),
    )


def _together_min(run_min: Floats, at_once: int) -> float:
    """When the last of some stations ends, of which so many run together.

    >>> _together_min(np.array([60.0, 60.0, 60.0]), 2)
    120.0
    """
    ends = [0.0] * at_once
    for minutes in run_min:
        ends[ends.index(min(ends))] += float(minutes)
    return max(ends)


def _loads(
    stations: Stations,
    programmes: Sequence[ProgrammeDays],
    run_min: Floats,
    cycles: Ints,
    soak: Floats,
    window_h: float,
    at_once: int,
    supply_l_min: float | None,
) -> tuple[ControllerLoad, ...]:
    loads = []
    whole = run_min + (cycles - 1) * soak
    for controller in dict.fromkeys(p.controller for p in programmes):
        own = [p for p in programmes if p.controller == controller]
        day_h = {}
        for day in WEEK:
            rows = [k for p in own if day in p.days for k in p.rows if np.isfinite(run_min[k])]
            day_h[day] = max(_together_min(run_min[rows], at_once), whole[rows].max()) / 60.0 if rows else 0.0
        busiest = max(WEEK, key=lambda day: day_h[day])
        flows = np.sort(stations.flow_l_min[[k for p in own for k in p.rows]])[::-1]
        loads.append(
            ControllerLoad(
                controller,
                busiest,
                float(day_h[busiest]),
                window_h,
                float(flows[:at_once].sum()) if np.isfinite(flows).all() else np.nan,
                np.nan if supply_l_min is None else supply_l_min,
            )
        )
    return tuple(loads)
