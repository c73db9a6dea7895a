"""The irrigation season: the months in which it runs, where the plan does not say."""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from planner.months import MONTH_DAYS
from planner.site import Bools, Floats

# A month needs water where ETo exceeds effective rain by more than the soil gives back, and plants grow. The margin
# is 25 mm a month, about what roots can draw from 30 cm of loam (150 mm/m held, half of it readily drawn: FAO-56
# Tables 19 and 22, from memory). The temperature, at which turf begins to grow, is common practice, no source.
MARGIN_MM_DAY = 0.8
WARM_C = 8.0


class SeasonBasis(StrEnum):
    """How the irrigation months were found."""

    PLAN = "plan"
    CLIMATE = "climate"
    HIGHEST_ETO = "highest_eto"  # no month needs irrigation: the one with the highest ETo stands for the season
    NOT_KNOWN = "not_known"  # the climate is not known in every month: all months


def effective_rain_mm(rain_mm: Floats) -> Floats:
    """Part of a month's rain that roots can use: 0.8 P - 25 above 75 mm a month, 0.6 P - 10 below, never negative.

    Brouwer and Heibloem (1986), FAO Irrigation Water Management Training Manual 3, Annex 1, for slopes up to 4 or
    5 %. The manual itself was not at hand: formula and worked values (35 mm gives 11, 90 gives 47, 260 gives 183)
    were checked in independent programs that cite it.
    """
    rain = np.asarray(rain_mm, np.float64)
    return np.asarray(np.maximum(np.where(rain > 75.0, 0.8 * rain - 25.0, 0.6 * rain - 10.0), 0.0), np.float64)


def irrigation_months(eto_mm_day: Floats, rain_mm: Floats, t_mean_c: Floats) -> tuple[Bools, SeasonBasis]:
    """Months in which irrigation runs, (12,), and how they were found.

    eto_mm_day: mean daily ETo; rain_mm: the month's rain; t_mean_c: mean temperature; (12,) each. A month runs
    where ETo exceeds effective rain by 0.8 mm/day and it is 8 degrees C and more. Where no month does, the month
    with the highest ETo stands for the season; where the climate is unknown, all months do, the stricter choice.
    """
    if not all(np.isfinite(values).all() for values in (eto_mm_day, rain_mm, t_mean_c)):
        return np.ones(12, bool), SeasonBasis.NOT_KNOWN
    need = np.asarray(eto_mm_day) - effective_rain_mm(rain_mm) / MONTH_DAYS
    flags: Bools = np.asarray((need > MARGIN_MM_DAY) & (np.asarray(t_mean_c) >= WARM_C))
    if flags.any():
        return flags, SeasonBasis.CLIMATE
    flags[int(np.argmax(eto_mm_day))] = True
    return flags, SeasonBasis.HIGHEST_ETO


def season_months(
    given: tuple[int, ...] | None, eto_mm_day: Floats, rain_mm: Floats, t_mean_c: Floats
) -> tuple[Bools, SeasonBasis]:
    """The plan's months where it gives them, else those of :func:`irrigation_months`.

    Parameters
    ----------
    given
        1 to 12; None where the plan leaves them to the climate.
    eto_mm_day, rain_mm, t_mean_c
        (12,) mean daily ETo, the month's rain, mean temperature.

    Returns
    -------
    months : ndarray of bool, shape (12,)
    basis : SeasonBasis

    Examples
    --------
    >>> months, basis = season_months((6, 7, 8), np.ones(12), np.ones(12), np.ones(12))
    >>> np.flatnonzero(months) + 1, basis.value
    (array([6, 7, 8]), 'plan')
    """
    if given is None:
        return irrigation_months(eto_mm_day, rain_mm, t_mean_c)
    return np.isin(np.arange(1, 13), given), SeasonBasis.PLAN
