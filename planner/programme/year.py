"""The year ahead: what a weather-adjusted controller should come to by month, and the water that it takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from planner.months import MONTH_DAYS
from planner.programme.base import BaseProgramme
from planner.season import effective_rain_mm
from planner.site import Bools, Floats, Ints

RainRule = Literal["fao", "scs", "none"]


def scs_rain_mm(rain_mm: Floats) -> Floats:
    """Part of a month's rain that counts, USDA-SCS as CROPWAT has it (Smith 1992, FAO 46; second hand).

    P (125 - 0.2 P) / 125 up to 250 mm, 125 + 0.1 P above.
    """
    rain = np.asarray(rain_mm, np.float64)
    return np.asarray(np.where(rain <= 250.0, rain * (125.0 - 0.2 * rain) / 125.0, 125.0 + 0.1 * rain), np.float64)


def rain_that_counts_mm(rain_mm: Floats, rule: RainRule) -> Floats:
    if rule == "none":
        return np.zeros_like(np.asarray(rain_mm, np.float64))
    return effective_rain_mm(rain_mm) if rule == "fao" else scs_rain_mm(rain_mm)


@dataclass(frozen=True)
class YearAhead:
    """percent (12,): each month's ETo over the base, what the controller shows; of_peak (12,): over the site's own
    peak month. season (12,). minutes, volume_l (p, 12): of each program as the controller runs it without rain;
    nothing outside the season. after_rain_l (12,): all programs, by need less the rain that counts. Water is that
    of the stations whose flow or area is known, NaN where there is none. rain_mm (12,): that counts. programmes:
    (controller, name).
    """

    percent: Floats
    of_peak: Floats
    season: Bools
    programmes: tuple[tuple[str, str], ...]
    minutes: Floats
    volume_l: Floats
    rain_mm: Floats
    after_rain_l: Floats


def year_ahead(
    base: BaseProgramme, eto_mm_day: Floats, rain_mm: Floats, season: Bools, rule: RainRule
) -> YearAhead:
    """The mean year ahead.

    Parameters
    ----------
    base
        What runs at 100%.
    eto_mm_day
        (12,).
    rain_mm
        (12,) the month's sum.
    season
        (12,) months that irrigation runs.
    rule
        How much of the rain counts.

    Returns
    -------
    YearAhead
        Percent, minutes and liters by month (12,).
    """
    share = np.asarray(eto_mm_day) / base.base_eto_mm_day * np.asarray(season)
    counts = np.asarray(base.days_a_week) / 7.0
    minutes, volume = [], []
    for p in base.programmes:
        rows = list(p.rows)
        minutes.append(np.nansum(base.run_min[rows] * counts[rows]) * MONTH_DAYS * share)
        volume.append(sum_of_known(base.volume_l[rows] * counts[rows]) * MONTH_DAYS * share)
    counted = rain_that_counts_mm(np.nan_to_num(rain_mm), rule)
    return YearAhead(
        100.0 * np.asarray(eto_mm_day) / base.base_eto_mm_day,
        100.0 * np.asarray(eto_mm_day) / np.max(eto_mm_day),
        np.asarray(season, bool),
        tuple((p.controller, p.name) for p in base.programmes),
        np.array(minutes),
        np.array(volume),
        counted,
        need_l(base, np.asarray(eto_mm_day) * MONTH_DAYS, counted) * np.asarray(season),
    )


def sum_of_known(amounts: Floats) -> Floats:
    """Sum over the first axis of what is known; NaN, and not nothing, where none is."""
    return np.where(np.isnan(amounts).all(axis=0), np.nan, np.nansum(amounts, axis=0))


def need_l(base: BaseProgramme, eto_mm: Floats, counted_rain_mm: Floats) -> Floats:
    """Water that all stations of known area need, (..., 12): plant use less rain that counts, lengthened for
    uneven application; NaN where no area is known. eto_mm, counted_rain_mm (..., 12): months' sums."""
    s = base.stations
    known = np.isfinite(s.rate_mm_h) & np.isfinite(s.area_m2)
    area = np.where(known, s.area_m2, 0.0 if known.any() else np.nan)
    lacks = np.maximum(s.factor * np.asarray(eto_mm)[..., None, :] - np.asarray(counted_rain_mm)[..., None, :], 0.0)
    return np.asarray((lacks * (area * s.multiplier)[:, None]).sum(axis=-2), np.float64)


@dataclass(frozen=True)
class YearsSpread:
    """Water of single years (y,), by need less rain that counts, in the season; a dry, a middle and a wet year.

    dry, middle, wet: index of the year at the 90th, 50th and 10th percentile of the need.
    """

    years: Ints
    need_l: Floats
    dry: int
    middle: int
    wet: int


def years_spread(
    base: BaseProgramme,
    years: Ints,
    eto_mm: Floats,
    rain_mm: Floats,
    normal_eto_mm_day: Floats,
    season: Bools,
    rule: RainRule,
) -> YearsSpread:
    """Dry and wet years, from a station's record of whole years.

    The station's ETo is laid on the site's own normals month by month, so that only its year-to-year swing is
    taken.

    Parameters
    ----------
    base
        What runs at 100%.
    years
        (y,) three and more.
    eto_mm, rain_mm
        (y, 12) months' sums there.
    normal_eto_mm_day
        (12,) the site's own.
    season
        (12,) months that irrigation runs.
    rule
        How much of the rain counts.

    Returns
    -------
    YearsSpread
        Liters by year, and which years stand for dry, middle and wet.

    Raises
    ------
    ValueError
        There are under three years.
    """
    if len(years) < 3:
        raise ValueError("at least three whole years are needed")
    scale = normal_eto_mm_day * MONTH_DAYS / np.maximum(eto_mm.mean(axis=0), 1e-9)
    need = (need_l(base, eto_mm * scale, rain_that_counts_mm(rain_mm, rule)) * season).sum(axis=-1)
    order = np.argsort(need)
    dry, middle, wet = (int(order[round(q * (len(order) - 1))]) for q in (0.9, 0.5, 0.1))
    return YearsSpread(np.asarray(years), need, dry, middle, wet)
