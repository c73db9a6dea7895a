"""What shade does to the ETo a sensor reports: FAO-56's own example, direct recomputation, and its ends."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.climate.eto import (
    MonthlyInputs,
    air_pressure_kpa,
    clear_sky_radiation,
    daily_eto,
    extraterrestrial_radiation,
    monthly_eto,
    monthly_extraterrestrial_radiation,
    psychrometric_constant_kpa_c,
)
from planner.sun.water import Assumed, eto_bias, eto_bias_from_eto, eto_lost_mm_day

LATITUDE, ELEVATION = 40.0, 1600.0
T_MIN = np.array([-8, -6, -2, 2, 7, 12, 16, 15, 10, 3, -3, -8.0])
T_MAX = np.array([7, 9, 13, 17, 22, 28, 32, 31, 26, 19, 11, 7.0])
RS = np.array([8.5, 11.8, 16.0, 19.8, 22.2, 24.6, 24.4, 21.6, 18.2, 13.4, 9.3, 7.7])
EA = np.array([0.27, 0.30, 0.36, 0.47, 0.70, 0.88, 1.05, 1.05, 0.76, 0.52, 0.35, 0.28])
U2 = np.full(12, 2.4)
KNOWN = MonthlyInputs(T_MIN, T_MAX, RS, EA, U2)


def column(inputs):
    return MonthlyInputs(*(None if v is None else v[:, None] for v in vars(inputs).values()))


def test_loss_in_the_worked_example_of_fao56():
    """FAO-56 example 18 (p. 72, Uccle 6 July: Tx 21.5, Tn 12.3, ea 1.409, u2 2.078, Rs 22.07, ETo 3.88), with the
    light halved: by hand from the printed D 0.122 kPa/K, g 0.0666, and the weights printed there, 0.122 / 0.2411.
    The longwave factor printed for the open day is 1.35 x 22.07/30.90 - 0.35 = 0.614; halved it is 0.132."""
    t_min, t_max, ea, u2, rs, rso = 12.3, 21.5, 1.409, 2.078, 22.07, 30.90
    weight = 0.408 * 0.122 / (0.122 + 0.0666 * (1 + 0.34 * 2.078))
    kelvin4 = 4.903e-9 * ((t_max + 273.16) ** 4 + (t_min + 273.16) ** 4) / 2
    rnl_clear = kelvin4 * (0.34 - 0.14 * np.sqrt(ea))
    by_hand = weight * (0.77 * rs / 2 - rnl_clear * (0.614 - 0.132))
    found = eto_lost_mm_day(
        np.full((1, 1), 0.5),
        *(np.array([v]) for v in (t_min, t_max, ea)),
        u2,
        np.array([rs]),
        np.array([rso]),
        0.0666,
    )
    assert found[0, 0] == pytest.approx(by_hand, rel=0.005)
    # and by running the whole day anew
    day = [daily_eto(t_min, t_max, ea, s * rs, u2, 50.8, 100.0, 187) for s in (1.0, 0.5)]
    assert day[0] == pytest.approx(3.88, abs=0.01)
    assert found[0, 0] == pytest.approx(day[0] - day[1], rel=0.01)


def test_bias_is_the_months_computed_anew():
    """Closed form against FAO-56 run twice, with the full light and with the share (eq. 6 is linear in Rs while
    Rs/Rso stays above 0.3)."""
    share = np.random.default_rng(1).uniform(0.55, 1.0, (30, 12))
    bias = eto_bias(share, KNOWN, LATITUDE, ELEVATION)
    lat, z = np.array([LATITUDE]), np.array([ELEVATION])
    whole = monthly_eto(column(KNOWN), lat, z)[0][:, 0]
    np.testing.assert_allclose(bias.open_mm_day, whole, rtol=1e-9)
    watered = whole >= 0.3
    assert watered.sum() > 8
    for row in range(30):
        less = monthly_eto(column(MonthlyInputs(T_MIN, T_MAX, share[row] * RS, EA, U2)), lat, z)[0][:, 0]
        anew = 100 * (less / whole - 1)
        np.testing.assert_allclose(bias.percent[row, watered], np.minimum(anew, 0)[watered], rtol=1e-6, atol=1e-9)
    assert bias.assumed == ()


def test_losing_all_sun_loses_the_radiation_term():
    """What is left is the air's term, gamma 900/(T + 273) u2 (es - ea) / (...), the longwave loss and the soil."""
    rso = clear_sky_radiation(monthly_extraterrestrial_radiation(np.array([LATITUDE]))[:, 0], ELEVATION)
    gamma = psychrometric_constant_kpa_c(air_pressure_kpa(ELEVATION))
    lost = eto_lost_mm_day(np.zeros((1, 12)), T_MIN, T_MAX, EA, U2, RS, rso, gamma, own_longwave=False)
    t = (T_MIN + T_MAX) / 2
    delta = 4098 * 0.6108 * np.exp(17.27 * t / (t + 237.3)) / (t + 237.3) ** 2
    np.testing.assert_allclose(lost[0], 0.408 * delta * 0.77 * RS / (delta + gamma * (1 + 0.34 * U2)), rtol=1e-12)
    bias = eto_bias(np.zeros((1, 12)), KNOWN, LATITUDE, ELEVATION)
    summer = bias.percent[0, 5:8]
    assert (summer < -45).all()
    assert (summer >= -100).all()
    assert (bias.by_sun_percent[0, 5:8] == -100).all()


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_more_light_never_reports_less(seed):
    rng = np.random.default_rng(seed)
    low, high = np.sort(rng.uniform(0, 1, (2, 4, 12)), axis=0)
    for climate in (KNOWN, MonthlyInputs(T_MIN, T_MAX), MonthlyInputs(T_MIN, T_MAX, RS)):
        a, b = (eto_bias(s, climate, LATITUDE, ELEVATION) for s in (low, high))
        # in cold months eq. 39 takes back more than eq. 38 takes
        warm = a.open_mm_day > 2.5
        assert warm.sum() >= 5
        assert (b.percent >= a.percent - 1e-9)[:, warm].all()
        # the loss of water is milder than the loss of sun, for the air keeps drying
        assert (b.percent >= b.by_sun_percent - 1e-9)[:, warm].all()
        np.testing.assert_allclose(b.by_sun_percent[:, warm], 100 * (high - 1)[:, warm])
    whole = eto_bias(np.ones((1, 12)), KNOWN, LATITUDE, ELEVATION)
    for percent in (whole.percent, whole.low_percent, whole.high_percent):
        assert np.nanmax(np.abs(percent)) == 0


def test_less_sun_never_reports_more_also_in_the_cold():
    """Eq. 39 takes back more longwave than eq. 38 takes shortwave in cold, clear months: then nothing is lost."""
    share = np.linspace(0.0, 1.0, 21)[:, None] * np.ones(12)
    cold = MonthlyInputs(T_MIN - 6, T_MAX - 6, RS, EA * 0.5, U2)
    taken_back = eto_lost_mm_day(
        share[15:16],
        T_MIN - 6,
        T_MAX - 6,
        EA * 0.5,
        U2,
        RS,
        clear_sky_radiation(monthly_extraterrestrial_radiation(np.array([LATITUDE]))[:, 0], ELEVATION),
        psychrometric_constant_kpa_c(air_pressure_kpa(ELEVATION)),
    )
    assert taken_back.min() < 0  # what the test is of does occur
    for bias in (
        eto_bias(share, cold, LATITUDE, ELEVATION),
        eto_bias(share, MonthlyInputs(T_MIN - 6, T_MAX - 6), LATITUDE, ELEVATION),
        eto_bias_from_eto(share, np.full(12, 1.0), (T_MIN + T_MAX) / 2 - 6, LATITUDE, ELEVATION),
    ):
        for percent in (bias.percent, bias.low_percent, bias.high_percent):
            assert np.nanmax(percent) == 0
        assert (bias.low_percent <= bias.percent)[:, bias.open_mm_day >= 0.3].all()
        assert (bias.percent <= bias.high_percent)[:, bias.open_mm_day >= 0.3].all()


def test_what_is_not_known_widens_the_range():
    share = np.full((1, 12), 0.8)
    found = [
        eto_bias(share, climate, LATITUDE, ELEVATION)
        for climate in (
            KNOWN,
            MonthlyInputs(T_MIN, T_MAX, RS, EA),
            MonthlyInputs(T_MIN, T_MAX, RS),
            MonthlyInputs(T_MIN, T_MAX),
        )
    ]
    widths = [bias.high_percent[0, 6] - bias.low_percent[0, 6] for bias in found]
    assert 0 < widths[0] < min(widths[1:])
    # both forms of the longwave loss are in it, so it is not the same to both sides of what is named
    assert found[0].high_percent[0, 6] == found[0].percent[0, 6] > found[0].low_percent[0, 6]
    assert max(widths) < 15  # a fifth of the light is lost: more cannot be
    little = eto_bias(share, MonthlyInputs(T_MIN, T_MAX), LATITUDE, ELEVATION)
    assert little.assumed == (Assumed.RADIATION, Assumed.DEW_POINT, Assumed.WIND)


def test_from_eto_alone_the_truth_is_within_the_range():
    """The true bias of eight climates, FAO-56 run twice with all that is known, lies within what temperature and
    ETo alone allow."""
    rng = np.random.default_rng(5)
    share = np.full((1, 12), 0.8)
    for _ in range(8):
        latitude, elevation = rng.uniform(-45, 50), rng.uniform(0, 1500)
        ra = monthly_extraterrestrial_radiation(np.array([latitude]))[:, 0]
        season = np.cos(2 * np.pi * (np.arange(12) - (6.5 if latitude > 0 else 0.5)) / 12)
        mean = rng.uniform(14, 22) + season * rng.uniform(2, 10)
        width = rng.uniform(8, 15)
        low, high = mean - width / 2, mean + width / 2
        ea = 0.6108 * np.exp(17.27 * (low - rng.uniform(0, 3)) / (low + 237.3))
        rs = np.minimum(rng.uniform(0.16, 0.19) * np.sqrt(width) * ra, clear_sky_radiation(ra, elevation))
        inputs = MonthlyInputs(low, high, rs, ea, np.full(12, rng.uniform(1, 3)))
        truth = eto_bias(share, inputs, latitude, elevation)
        found = eto_bias_from_eto(share, truth.open_mm_day, mean, latitude, elevation)
        peak = int(np.nanargmax(truth.open_mm_day))
        low, high = found.low_percent[0, peak], found.high_percent[0, peak]
        assert low <= truth.percent[0, peak] <= high
        assert low > -25  # the sun's own 20 %, and a little more where longwave loss makes ETo small


def test_winter_without_eto_says_nothing():
    polar = eto_bias(np.full((2, 12), 0.5), MonthlyInputs(T_MIN - 20, T_MAX - 20), 68.0, 100.0)
    assert np.isnan(polar.percent[:, 0]).all()
    assert np.isfinite(polar.percent[:, 6]).all()
    assert np.isnan(polar.by_sun_percent[:, 0]).all()
    with pytest.raises(ValueError, match="twelve"):
        eto_bias(np.ones((1, 12)), MonthlyInputs(T_MIN[:3], T_MAX[:3]), 40.0, 0.0)
    unknown = eto_bias_from_eto(np.ones((1, 12)), np.full(12, np.nan), np.full(12, 20.0), 40.0, 0.0)
    assert np.isnan(unknown.percent).all()


def test_extraterrestrial_light_of_the_example():
    """FAO-56 example 18: Ra 41.09, Rso 30.90."""
    ra = extraterrestrial_radiation(50.8, 187)
    assert ra == pytest.approx(41.09, abs=0.05)
    assert clear_sky_radiation(ra, 100) == pytest.approx(30.90, abs=0.05)
