"""What a sound sensor's log should say: the weather of its days through the ETo engine, over the base."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.climate.days import StationDays, month_of
from planner.months import MONTH_DAYS
from planner.readings import DAY, Days
from planner.review.asked import Ask, day_spread
from planner.site import Bools, Floats

WET_MONTH_SHARE = 0.5  # of the peak: months under it are not judged where rain exceeds ETo
LEAST_ETO_MM_DAY = 1.5
PEAK_MONTHS = 3


@dataclass(frozen=True)
class Expected:
    """Expected percentage of n days, NaN where the weather is not known.

    band (n, 2): within which 95 of 100 sound days lie. rain_mm, t_min_c (n,) of the day, NaN where unknown.
    judged (n,): months in which a log can be judged. peak (n,): days of the three peak months. daily_weather: False
    where only normals are known.
    """

    day: Days
    percent: Floats
    band: Floats
    rain_mm: Floats
    t_min_c: Floats
    clearness: Floats
    judged: Bools
    peak: Bools
    daily_weather: bool
    base_mm_day: float


def daily_normals(day: Days, month_mm_day: Floats) -> Floats:
    """(n,) normal ETo of days, mm/day: straight lines round the year whose mean over each month is the month's own.

    month_mm_day (12,). 29 February counts as the 28th.
    """
    starts = np.concatenate([[0], np.cumsum(MONTH_DAYS)])
    middle = (starts[:-1] + starts[1:]) / 2.0
    every = np.arange(365) + 0.5
    # what each month's middle gives to each day; lines drawn through the means themselves would cut the peak off
    gives = np.stack([np.interp(every, middle, unit, period=365.0) for unit in np.eye(12)], axis=1)
    nodes = np.linalg.solve(np.add.reduceat(gives, starts[:-1], axis=0) / MONTH_DAYS[:, None], month_mm_day)
    month = month_of(day)
    of_month = (day - day.astype("datetime64[M]")).astype(np.int64)
    at = starts[month] + np.minimum(of_month, MONTH_DAYS[month] - 1)
    return np.asarray(np.maximum(gives @ nodes, 0.0)[at], np.float64)


def trailing_mean(values: Floats, days: int) -> Floats:
    """(n,) mean of each day and the days before it, `days` in all; NaN in, NaN out, and at the beginning."""
    sums = np.convolve(values, np.ones(days), "full")[: len(values)]
    sums[: days - 1] = np.nan
    return np.asarray(sums / days, np.float64)


def judged_months(eto_mm_day: Floats, rain_mm: Floats) -> Bools:
    """(12,) months in which a log may be judged: half the peak's ETo or more, or dry months of 1.5 mm/day and more.

    In wet winters the ratio of two sound ETo formulas ran from 0.50 to 1.33 (Graz, De Bilt).
    """
    eto = np.asarray(eto_mm_day)
    dry = (eto * MONTH_DAYS > np.nan_to_num(rain_mm, nan=np.inf)) & (eto >= LEAST_ETO_MM_DAY)
    return np.asarray((eto >= WET_MONTH_SHARE * eto.max()) | dry, bool)


def peak_months(eto_mm_day: Floats) -> Bools:
    """(12,) the three months of the highest ETo."""
    flags = np.zeros(12, bool)
    flags[np.argsort(eto_mm_day)[-PEAK_MONTHS:]] = True
    return flags


def expected(
    day: Days,
    weather: StationDays | None,
    clear: Floats | None,
    eto_mm_day: Floats,
    rain_mm: Floats,
    base_mm_day: float,
    ask: Ask,
    lag: int = 0,
) -> Expected:
    """What a sound sensor's log should say, day by day.

    Parameters
    ----------
    day
        (n,) of the log, in order, without gaps.
    weather
        Of those days, None where only normals are known.
    clear
        (m,) clearness of the weather's days; None where it is not known.
    eto_mm_day, rain_mm
        (12,) normals.
    base_mm_day
        What 100% stands for.
    ask
        How the log is judged: trailing mean, limits, noise.
    lag
        Days by which the log comes after its weather.

    Returns
    -------
    Expected
        Percent of the n days, with the band of sound ones.
    """
    months, trailing = month_of(day), ask.trailing
    sky = np.full(len(day), np.nan)
    if weather is None:
        eto = daily_normals(day, eto_mm_day)
        rain, cold = np.full(len(day), np.nan), np.full(len(day), np.nan)
        percent = 100.0 * eto / base_mm_day
        judged = peak_months(eto_mm_day)
    else:
        span = trailing - 1 + lag
        wide = np.arange(day[0] - span * DAY, day[-1] + DAY)
        mean = trailing_mean(_at(weather, weather.eto_mm, wide), trailing)
        percent = 100.0 * mean[trailing - 1 : len(wide) - lag] / base_mm_day
        rain, cold = _at(weather, weather.rain_mm, day), _at(weather, weather.t_min_c, day)
        if clear is not None:
            sky = trailing_mean(_at(weather, clear, wide), trailing)[trailing - 1 : len(wide) - lag]
        judged = judged_months(eto_mm_day, rain_mm)
    percent = np.clip(percent, ask.lowest, ask.highest)
    band = percent[:, None] * np.exp(np.array([-1.96, 1.96]) * day_spread(ask))
    return Expected(
        day,
        percent,
        np.clip(band, ask.lowest, ask.highest),
        rain,
        cold,
        sky,
        judged[months],
        peak_months(eto_mm_day)[months],
        weather is not None,
        base_mm_day,
    )


def _at(weather: StationDays, values: Floats, day: Days) -> Floats:
    place = np.searchsorted(weather.day, day)
    inside = np.minimum(place, len(weather.day) - 1)
    return np.where((place < len(weather.day)) & (weather.day[inside] == day), values[inside], np.nan)
