"""The irrigation season, where the plan does not say it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from planner.climate.builtin import builtin_climate
from planner.season import SeasonBasis, effective_rain_mm, irrigation_months, season_months


def test_effective_rain():
    """FAO Training Manual 3 (1986), Annex 1, worked values from independent programs that cite it."""
    rain = np.array([35.0, 90.0, 116.0, 5.0, 260.0, 75.0])
    assert_allclose(effective_rain_mm(rain), [11, 47, 68, 0, 183, 35], atol=0.5)
    assert effective_rain_mm(np.linspace(0, 400, 200)).min() == 0
    assert (np.diff(effective_rain_mm(np.linspace(0, 400, 200))) >= 0).all()


# Months that a year must and must not hold, by what is plain of the climate (common practice, no source): a desert
# waters all year, a Mediterranean summer is dry in the north in July and in the south in January, a monsoon stops
# irrigation, a cold winter too.
PLACES = {
    "Maricopa, desert": (33.07, -111.97, range(1, 13), ()),
    "Seville, dry summer": (37.4, -5.9, range(5, 10), (12,)),
    "Cape Town, dry summer": (-33.97, 18.6, (11, 12, 1, 2, 3), (6, 7)),
    "Billings, cold winter": (45.78, -108.5, (6, 7, 8, 9), (12, 1, 2, 3)),
    "Punta Arenas, cold": (-53.16, -70.9, (), (6, 7, 8)),
    "Nagpur, monsoon": (21.15, 79.09, (2, 3, 4, 5), (7, 8)),
    "Darwin, dry season": (-12.46, 130.84, (5, 6, 7, 8, 9), (1, 2)),
}


@pytest.mark.parametrize("place", PLACES)
def test_seasons_round_the_earth(place):
    latitude, longitude, runs, rests = PLACES[place]
    found = builtin_climate(longitude, latitude)
    flags, basis = irrigation_months(found.eto_mm_day[0], found.rain_mm[0], found.t_mean_c[0])
    on = {int(m) + 1 for m in np.flatnonzero(flags)}
    assert set(runs) <= on
    assert not set(rests) & on
    assert basis is SeasonBasis.CLIMATE


def test_no_month_or_no_climate_still_gives_a_season():
    cold, wet = np.full(12, -5.0), np.full(12, 500.0)
    rates = np.full(12, 1.0)
    rates[6] = 2.0
    flags, basis = irrigation_months(rates, wet, cold)
    assert np.flatnonzero(flags).tolist() == [6]
    assert basis is SeasonBasis.HIGHEST_ETO
    rates[2] = np.nan
    flags, basis = irrigation_months(rates, wet, cold)
    assert flags.tolist() == [True] * 12
    assert basis is SeasonBasis.NOT_KNOWN


def test_the_plans_own_months_win():
    year = (np.full(12, 5.0), np.zeros(12), np.full(12, 20.0))
    flags, basis = season_months((4, 5, 10), *year)
    assert flags.shape == (12,)
    assert (np.flatnonzero(flags) + 1).tolist() == [4, 5, 10]
    assert basis is SeasonBasis.PLAN
    flags, basis = season_months(None, *year)
    assert flags.all()
    assert basis is SeasonBasis.CLIMATE
