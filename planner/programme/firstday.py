"""The first day on site: checks in order, programs that stay manual, and the dates to come back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

import numpy as np

from planner.programme.base import BaseProgramme
from planner.site import Bools


class Check(StrEnum):
    """What is looked at, in order: each rests on the one before."""

    PARTS = "parts"
    POWER = "power"
    WIRES = "wires"
    SENSOR = "sensor answers"
    CONTROLLERS = "controllers"
    RAIN = "rain input"
    FREEZE = "freeze input"
    BASE = "base"
    ZONE = "zone"
    PROGRAMMES = "programs"
    PHOTO = "photo"
    RETURN = "return"
    CLEAN = "clean"


COME_BACK_DAYS = (7, 10)  # in season: common practice, no source
FIRST_CLEANING_DAYS = 90  # dust and pollen of a season: common practice, no source


@dataclass(frozen=True)
class Manual:
    """A program that does not follow the weather yet; takes_over None: until somebody changes it."""

    controller: str
    programme: str
    reason: str
    percent: float
    start: date | None
    days: int | None

    @property
    def takes_over(self) -> date | None:
        return self.start + timedelta(days=self.days) if self.start and self.days else None


@dataclass(frozen=True)
class FirstDay:
    """checks: in order. come_back: first and last day, None without a first day. cleaning: the first.

    loop_ohm: by controller, what the cable check computed. manual: programs that stay manual; weather: the others.
    """

    start: date | None
    checks: tuple[Check, ...]
    come_back: tuple[date, date] | None
    waits_for_season: bool
    cleaning: date | None
    loop_ohm: tuple[tuple[str, float], ...]
    manual: tuple[Manual, ...]
    weather: tuple[tuple[str, str], ...]


def manual_programmes(base: BaseProgramme, asked: Sequence[Manual], start: date | None) -> tuple[Manual, ...]:
    """Each program that a rule keeps manual, once.

    Parameters
    ----------
    base
        All programs.
    asked
        The plan's rules; one of '*' meets every program, controller '' any.
    start
        The first day of rules that have none of their own.

    Returns
    -------
    tuple of Manual
        Of two rules that meet a program the first.

    Raises
    ------
    ValueError
        A rule meets no program.
    """
    found: dict[tuple[str, str], Manual] = {}
    for rule in asked:
        met = [
            p for p in base.programmes if rule.programme in ("*", p.name) and rule.controller in ("", p.controller)
        ]
        if not met:
            raise ValueError(
                f"no program '{rule.programme}'" + (f" at '{rule.controller}'" if rule.controller else "")
            )
        for p in met:
            found.setdefault(
                (p.controller, p.name),
                Manual(p.controller, p.name, rule.reason, rule.percent, rule.start or start, rule.days),
            )
    return tuple(found.values())


def first_day(
    base: BaseProgramme,
    manual: Sequence[Manual],
    start: date | None,
    season: Bools,
    loop_ohm: Sequence[tuple[str, float]],
    cable: bool,
) -> FirstDay:
    """What is done on the day the sensor is mounted, and when somebody comes back.

    Parameters
    ----------
    base
        Programs that might follow the weather.
    manual
        Those that stay manual.
    start
        The day; None where the plan names none.
    season
        (12,) months that irrigation runs; outside it the return waits for the season's first day.
    loop_ohm
        What a meter should read, by cable.
    cable
        Whether the sensor has one: its wires are checked then.

    Returns
    -------
    FirstDay
    """
    checks = tuple(c for c in Check if not (c is Check.WIRES and not cable))
    held = {(m.controller, m.programme) for m in manual}
    weather = tuple((p.controller, p.name) for p in base.programmes if (p.controller, p.name) not in held)
    if start is None:
        return FirstDay(None, checks, None, False, None, tuple(loop_ohm), tuple(manual), weather)
    begin = season_day(start, season)
    come_back = tuple(begin + timedelta(days=d) for d in COME_BACK_DAYS)
    return FirstDay(
        start,
        checks,
        (come_back[0], come_back[1]),
        begin != start,
        start + timedelta(days=FIRST_CLEANING_DAYS),
        tuple(loop_ohm),
        tuple(manual),
        weather,
    )


def season_day(day: date, season: Bools) -> date:
    """The day itself where its month irrigates, else the first day of the next month that does."""
    if not np.any(season) or season[day.month - 1]:
        return day
    ahead = next(k for k in range(1, 13) if season[(day.month - 1 + k) % 12])
    months = day.month - 1 + ahead
    return date(day.year + months // 12, months % 12 + 1, 1)
