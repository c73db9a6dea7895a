"""Run times, cycles, intervals and budgets against published worked numbers; the source stands beside each."""

from datetime import date

import numpy as np
import pytest

from planner.programme import knowledge
from planner.programme.base import base_programme, longest_gap, watering_days
from planner.programme.budget import check_budget, epa_allowance_gal, etwu_gal, mawa_gal
from planner.programme.firstday import Check, Manual, first_day, manual_programmes, season_day
from planner.programme.knowledge import Mark
from planner.programme.runtime import (
    M2_PER_FT2,
    interval_days,
    longest_cycle_min,
    pipe_velocity_m_s,
    precipitation_rate_mm_h,
    run_time_min,
    run_time_multiplier,
    soak_min,
)
from planner.programme.stations import settle
from planner.programme.year import scs_rain_mm, sum_of_known, year_ahead, years_spread
from planner.readings import StationTable
from planner.season import effective_rain_mm

L_PER_GAL = 3.785411784
IN = 25.4

# Maricopa, Arizona: mean daily ETo by month and month's rain, mm, from AZMET 2003-2020 (rounded); peak June
MARICOPA_ETO = np.array([2.5, 3.4, 5.2, 7.0, 8.3, 8.8, 7.7, 7.1, 6.2, 4.7, 3.2, 2.2])
MARICOPA_RAIN = np.array([20.0, 19, 13, 6, 3, 1, 20, 24, 15, 11, 13, 20])


NUMBERS = (
    "area_m2",
    "flow_l_min",
    "rate_mm_h",
    "uniformity",
    "efficiency",
    "factor",
    "intake_mm_h",
    "slope_percent",
    "root_m",
    "depletion",
    "pipe_mm",
)


def table(n=1, **given):
    """A table of n stations in which all but `given` is missing."""
    text = {
        "names": tuple(str(k + 1) for k in range(n)),
        "controllers": ("A",) * n,
        "programmes": ("1",) * n,
        "kind": ("spray",) * n,
        "plant": ("warm turf",) * n,
        "soil": ("loam",) * n,
    }
    numbers = {key: np.full(n, np.nan) for key in NUMBERS}
    return StationTable(**{**text, **numbers, **given})


def base_of(stations, days=("mon", "tue", "wed", "thu", "fri", "sat", "sun"), eto=8.77, **how):
    settings = {"peak_month": 5, "window_h": 14.0, "at_once": 1, "supply_l_min": None, **how}
    return base_programme(stations, base_eto_mm_day=eto, allowed=days, **settings)


# --- formulas --------------------------------------------------------------------------------------------------


def test_precipitation_rate_is_96_25_gpm_over_square_feet():
    # 96.25 = 60 x 231 / 144, exact
    flow, area = 12.0, 850.0
    assert precipitation_rate_mm_h(flow * L_PER_GAL, area * M2_PER_FT2) / IN == pytest.approx(96.25 * flow / area)
    # metric: 60 L/min on a square meter is 1000 m3/h on it
    assert precipitation_rate_mm_h(20.0, 60.0) == pytest.approx(1000 * (20.0 * 0.06) / 60.0)


def test_run_time_multiplier_meets_the_published_pairs():
    # a public-agency landscaper training, second hand: 1.37 at 0.55, 1.22 at 0.70
    assert run_time_multiplier(0.55) == pytest.approx(1.37, abs=0.005)
    assert run_time_multiplier(0.70) == pytest.approx(1.22, abs=0.005)


def test_cycle_and_soak_on_loam():
    # 60 x 0.30 / (1.5 - 0.35) = 15.65 min
    assert longest_cycle_min(1.5 * IN, 0.35 * IN, 0.30 * IN) == pytest.approx(15.65, abs=0.01)
    # below the intake nothing runs off: the form with |PR - IR| that is in circulation would say 120 min
    assert np.isinf(longest_cycle_min(0.20 * IN, 0.35 * IN, 0.30 * IN))
    assert soak_min(15.65, 1.5 * IN, 0.35 * IN) == pytest.approx(15.65 * 1.15 / 0.35)
    assert soak_min(60.0, 0.2 * IN, 0.35 * IN) == 0.0


def test_pipe_velocity():
    # v [ft/s] = 0.4085 gpm / in2, so 5 ft/s at 12.24 d2 gpm
    assert pipe_velocity_m_s(12.24 * L_PER_GAL, 25.4) / 0.3048 == pytest.approx(5.0, abs=0.005)
    assert pipe_velocity_m_s(10.0 * L_PER_GAL, 1.049 * 25.4) / 0.3048 == pytest.approx(
        0.4085 * 10 / 1.049**2, rel=1e-3
    )


def test_effective_rain_breaks_at_75_mm():
    # FAO Training Manual 3, Annex 1 (second hand, six programs): 0.8 P - 25 above 75 mm, not above 250
    assert effective_rain_mm(np.array([74.9, 75.1, 100.0])) == pytest.approx([34.94, 35.08, 55.0])
    # USDA-SCS as in CROPWAT (Smith 1992; second hand): both forms meet at 250 mm
    assert scs_rain_mm(np.array([50.0, 250.0, 300.0])) == pytest.approx([46.0, 150.0, 155.0])


def test_interval_is_storage_over_use():
    # loam 1.8 in/ft over 8 in, half of it, at 0.3 in/day: 0.6 in, two days
    assert interval_days(1.8 * IN / 0.3048, 8 * 0.0254, 0.5, 0.3 * IN) == pytest.approx(2.0)


# --- a week at Maricopa ----------------------------------------------------------------------------------------


def test_bermuda_at_maricopa_every_second_day():
    """June ETo 8.77 mm/day, bermuda 0.68 (UC, June): 5.96 mm/day; 11.9 mm every second day takes 23.8 min at
    1.5 in/h and DU 0.65, in two cycles on loam (worked by hand)."""
    stations = settle(
        table(rate_mm_h=np.array([1.5 * IN]), uniformity=np.array([0.65]), factor=np.array([0.68])), "loam", 0.7
    )
    assert run_time_min(2 * 5.96, 1.5 * IN, run_time_multiplier(0.65)) == pytest.approx(23.8, abs=0.1)
    base = base_of(stations)
    assert base.weekly_mm[0] == pytest.approx(7 * 5.96, abs=0.05)
    assert base.interval_d[0] == pytest.approx(150.0 * 0.2032 * 0.5 / 5.9636, rel=1e-3)  # 2.6 days
    assert base.days_a_week[0] == 4  # gaps of two days and one: the fewest days that the soil bridges
    assert base.exact_min[0] == pytest.approx(7 / 4 * 5.9636 / 38.1 * 60 / 0.79, rel=1e-3)
    assert base.cycles[0] == 2
    assert base.cycle_min[0] <= 15.65
    assert base.soak_min[0] >= soak_min(base.cycle_min[0], 38.1, 0.35 * IN)


def test_uniformity_and_efficiency_are_never_both():
    with pytest.raises(ValueError, match="station '1' has a uniformity and an efficiency"):
        table(uniformity=np.array([0.65]), efficiency=np.array([0.75]))
    with_efficiency = settle(table(efficiency=np.array([0.75]), rate_mm_h=np.array([20.0])), "loam", 0.7)
    assert with_efficiency.multiplier[0] == pytest.approx(1 / 0.75)


def test_defaults_carry_their_mark():
    stations = settle(table(kind=("spray",), plant=("",), soil=("",)), "loam", 0.7)
    assert stations.rate_mm_h[0] == pytest.approx(1.5 * IN)
    assert stations.basis["rate"][0].mark is Mark.PRACTICE
    assert stations.basis["factor"][0].source == "programme.plant_factor"
    assert all(stations.assumed(q)[0] for q in ("rate", "multiplier", "factor", "soil", "root"))
    worked = settle(table(flow_l_min=np.array([40.0]), area_m2=np.array([100.0])), "loam", 0.7)
    assert worked.rate_mm_h[0] == pytest.approx(24.0)
    assert not worked.assumed("rate")[0]


def test_a_station_without_any_rate_gets_no_run_time():
    base = base_of(settle(table(2, kind=("drip", "spray")), "loam", 0.7))
    assert np.isnan(base.run_min[0])
    assert base.run_min[1] > 0
    assert np.isfinite(base.loads[0].needed_h)


def test_days_are_the_fewest_that_the_soil_bridges():
    assert longest_gap([0, 2, 4]) == 3
    assert longest_gap([6]) == 7
    assert watering_days(range(7), 7.0) == (0,)
    assert longest_gap(watering_days(range(7), 2.9)) == 2
    assert watering_days([0, 2, 4], 2.0) == (0, 2, 4)  # the law allows no more: they are all taken
    assert len(watering_days(range(7), 0.5)) == 7


def test_soil_that_does_not_last_is_told():
    base = base_of(settle(table(soil=("sand",)), "loam", 0.7), days=("mon", "thu"))
    assert base.programmes[0].dry_rows == (0,)
    assert base.programmes[0].days == ("mon", "thu")


def test_window_and_supply():
    stations = settle(table(30, rate_mm_h=np.full(30, 12.0), flow_l_min=np.full(30, 60.0)), "loam", 0.7)
    base = base_of(stations, window_h=6.0, at_once=2, supply_l_min=100.0)
    load = base.loads[0]
    assert load.needed_h == pytest.approx(base.run_min.sum() / 2 / 60)
    assert not load.fits
    assert load.flow_l_min == 120.0
    assert load.enough is False
    assert base_of(stations, window_h=24.0, at_once=5, supply_l_min=400.0).loads[0].enough is True


def test_three_stations_of_which_two_run_together_take_two_turns():
    """By hand: the third begins when one of the first two ends, so that half of their sum is not enough."""
    three = table(3, rate_mm_h=np.full(3, 12.0), flow_l_min=np.full(3, 60.0))
    stations = settle(three, "sandy loam", 0.7)
    base = base_of(stations, window_h=24.0, at_once=2)
    assert (base.run_min == base.run_min[0]).all()
    assert base.loads[0].needed_h == pytest.approx(2 * base.run_min[0] / 60)
    # fits by half of the sum, and does not
    tight = base_of(stations, window_h=1.6 * base.run_min[0] / 60, at_once=2)
    assert not tight.loads[0].fits
    assert base_of(stations, window_h=24.0, at_once=3).loads[0].needed_h == pytest.approx(base.run_min[0] / 60)


def test_the_peak_month_is_not_assumed():
    """South of the line the same stations by month take January's coefficient for a January peak."""
    stations = settle(table(plant=("cool turf by month",)), "loam", 0.7)
    january = base_of(stations, eto=6.0, peak_month=0)
    july = base_of(stations, eto=6.0, peak_month=6)
    assert january.weekly_mm[0] == pytest.approx(7 * 6.0 * 0.61)
    assert july.weekly_mm[0] == pytest.approx(7 * 6.0 * 0.94)


# --- the year ahead --------------------------------------------------------------------------------------------


def test_water_that_nobody_can_know_is_not_told_as_nothing():
    """Stations without flow and area have run times and no liters; beside one of 60 L/min they are left out."""
    for flows, known in (([np.nan, np.nan], False), ([60.0, np.nan], True)):
        rates = np.full(2, 40.0)
        stations = settle(table(n=2, flow_l_min=np.array(flows), rate_mm_h=rates), "loam", 0.7)
        base = base_of(stations, eto=8.8)
        ahead = year_ahead(base, MARICOPA_ETO, MARICOPA_RAIN, np.ones(12, bool), "none")
        assert np.isfinite(ahead.minutes).all()
        water = sum_of_known(ahead.volume_l)
        assert np.isfinite([water, ahead.after_rain_l]).all() == known
        assert np.isnan([water, ahead.after_rain_l]).all() != known
        if known:
            assert water[5] == pytest.approx(base.run_min[0] * base.days_a_week[0] / 7 * 30 * 60)


def test_the_year_ahead_is_each_month_over_the_base():
    stations = settle(table(area_m2=np.array([200.0]), flow_l_min=np.array([60.0])), "loam", 0.7)
    base = base_of(stations, eto=8.8)
    ahead = year_ahead(base, MARICOPA_ETO, MARICOPA_RAIN, np.ones(12, bool), "fao")
    assert ahead.percent[5] == pytest.approx(100.0)
    assert ahead.percent[11] == pytest.approx(25.0)
    # minutes and volume go together, and June's are the base's own weeks
    assert ahead.minutes[0, 5] == pytest.approx(base.run_min[0] * base.days_a_week[0] / 7 * 30)
    assert ahead.volume_l[0] == pytest.approx(ahead.minutes[0] * 60.0)
    # need without rounding and rain: the program's water of June to half a minute a run
    assert ahead.after_rain_l[5] == pytest.approx(ahead.volume_l[0, 5], rel=0.05)
    dry = year_ahead(base, MARICOPA_ETO, MARICOPA_RAIN, np.ones(12, bool), "none")
    assert dry.after_rain_l[7] > ahead.after_rain_l[7]


def test_dry_and_wet_years():
    stations = settle(table(area_m2=np.array([100.0]), flow_l_min=np.array([30.0])), "loam", 0.7)
    base = base_of(stations, eto=8.8)
    years = np.arange(2001, 2012)
    swing = np.linspace(0.9, 1.1, 11)[:, None]
    eto = 1.3 * MARICOPA_ETO * 30.4 * swing  # a station that reads high by a constant, which is taken out
    spread = years_spread(base, years, eto, np.zeros((11, 12)), MARICOPA_ETO, np.ones(12, bool), "none")
    assert (spread.wet, spread.middle, spread.dry) == (1, 5, 9)
    mean = year_ahead(base, MARICOPA_ETO, np.zeros(12), np.ones(12, bool), "none").after_rain_l.sum()
    assert spread.need_l[5] == pytest.approx(mean, rel=1e-6)
    with pytest.raises(ValueError, match="three"):
        years_spread(base, years[:2], eto[:2], eto[:2], MARICOPA_ETO, np.ones(12, bool), "none")


# --- budgets ---------------------------------------------------------------------------------------------------


def test_mwelo_at_fresno():
    """23 CCR 490-495 (2015), Appendix B, with ETo 51.1 in and 50,000 ft2: by hand, and the older factor 0.7's
    1,108,870 gal as found in public repositories."""
    assert mawa_gal(51.1, 50_000, 0, 0.45) == pytest.approx(712_845)
    assert mawa_gal(51.1, 50_000, 0, 0.55) == pytest.approx(871_255)
    assert mawa_gal(51.1, 50_000, 0, 0.70) == pytest.approx(1_108_870)
    used = etwu_gal(51.1, np.array([0.8, 0.2]), np.array([0.75, 0.81]), np.array([10_000.0, 40_000.0]))
    assert used == pytest.approx(650_850, abs=1)
    # a special landscape area counts in full
    assert mawa_gal(51.1, 50_000, 10_000, 0.45) == pytest.approx(51.1 * 0.62 * (0.45 * 50_000 + 0.55 * 10_000))


def test_budget_of_stations():
    days = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    eto = np.full(12, 51.1 * IN / days.sum())
    stations = settle(
        table(
            3,
            kind=("spray", "drip", "spray"),
            plant=("cool turf", "low", ""),
            area_m2=np.array([10_000 * M2_PER_FT2, 40_000 * M2_PER_FT2, np.nan]),
        ),
        "loam",
        0.7,
    )
    found = check_budget("mwelo non-residential", stations, eto, 6)
    assert found.allowed_l / L_PER_GAL == pytest.approx(712_845, rel=1e-6)
    assert found.estimated_l / L_PER_GAL == pytest.approx(650_850, rel=1e-5)
    assert found.passes
    assert found.unknown == ("3",)
    # EPA (2009): 70% of the peak month's ETo; 10 in on 1,000 ft2 is 4,364 gal
    assert epa_allowance_gal(10.0, 1000.0) == pytest.approx(0.7 * 10 * 1000 * 0.6233, rel=1e-3)


# --- the first day ---------------------------------------------------------------------------------------------


def test_manual_programs_and_when_weather_takes_over():
    stations = settle(table(3, controllers=("A", "A", "B"), programmes=("1", "2", "1")), "loam", 0.7)
    base = base_of(stations)
    rule = Manual("A", "2", "new sod", 120.0, None, 30)
    manual = manual_programmes(base, [rule], date(2026, 5, 1))
    assert [(m.controller, m.programme) for m in manual] == [("A", "2")]
    assert manual[0].takes_over == date(2026, 5, 31)
    day = first_day(base, manual, date(2026, 5, 1), np.ones(12, bool), [], cable=False)
    assert day.weather == (("A", "1"), ("B", "1"))
    assert day.come_back == (date(2026, 5, 8), date(2026, 5, 11))
    assert Check.WIRES not in day.checks
    assert day.checks.index(Check.SENSOR) < day.checks.index(Check.CONTROLLERS) < day.checks.index(Check.RETURN)
    with pytest.raises(ValueError, match="no program '9'"):
        manual_programmes(base, [Manual("", "9", "x", 100.0, None, None)], None)


def test_out_of_season_the_return_waits():
    season = np.array([False] * 3 + [True] * 6 + [False] * 3)
    assert season_day(date(2026, 11, 20), season) == date(2027, 4, 1)
    assert season_day(date(2026, 6, 20), season) == date(2026, 6, 20)
    south = np.roll(season, 6)
    assert season_day(date(2026, 6, 20), south) == date(2026, 10, 1)


def test_every_plant_and_soil_can_be_reckoned_with():
    for plant in knowledge.PLANTS:
        for soil in knowledge.SOILS:
            base = base_of(settle(table(plant=(plant,), soil=(soil,)), "loam", 0.7))
            assert np.isfinite(base.run_min[0]), (plant, soil)
            assert base.cycle_min[0] * base.cycles[0] == base.run_min[0]
            longest = longest_cycle_min(
                base.stations.rate_mm_h, base.stations.intake_mm_h, base.stations.surface_mm
            )
            assert base.cycle_min[0] <= longest[0]
    assert set(knowledge.PLANT_ALSO.values()) <= set(knowledge.PLANTS)
    assert set(knowledge.SOIL_ALSO.values()) <= set(knowledge.SOILS)
