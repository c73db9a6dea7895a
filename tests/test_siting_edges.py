"""WMO-No. 8 siting classes at every limit, and the limit that each class is said to be decided by.

What is seen of the sun and of what stands around is given here. The limits are written out once more, as the annex
has them (radiation and sunshine from memory).
"""

from dataclasses import asdict
from types import SimpleNamespace

import numpy as np
import pytest

from planner import siting
from planner.rain import HEAT_RADII_M
from planner.site import Heights, bare_site
from planner.siting import Limit

A_LITTLE = 1e-6
NAN = np.nan


def shade(highest_deg=-np.inf, azimuth_deg=NAN, month=-1, worst_day=0.0, worst_day_month=-1):
    given = {"highest_deg": highest_deg, "azimuth_deg": azimuth_deg, "month": month}
    given |= {"worst_day": worst_day, "worst_day_month": worst_day_month}
    return SimpleNamespace(**{name: np.array([value]) for name, value in given.items()})


def rain(heat=(0.0,) * 5, wmo_class=1, steepest_deg=0.0, covered=False, sectors=None, names=("North wing", "oak")):
    """sectors: {sector: (row of names, degrees)}."""
    row, deg = np.full((1, 36), -1), np.zeros((1, 36))
    for s, (k, angle) in (sectors or {}).items():
        row[0, s], deg[0, s] = k, angle
    return SimpleNamespace(
        heat_share=np.array([heat]),
        wmo_class=np.array([wmo_class]),
        steepest_deg=np.array([steepest_deg]),
        steepest_name=("North wing",),
        covered=np.array([covered]),
        cover_name=("Canopy" if covered else "",),
        sector_obstacle=row,
        sector_deg=deg,
        obstacles=names,
    )


def classes(seen=None, around=None, latitude=40.0, season=(True,) * 12, direct_h=None):
    hours = np.full((1, 12), 8.0) if direct_h is None else np.array(direct_h, float)
    sun = SimpleNamespace(shade=seen or shade(), direct_h=hours)
    return siting.siting(
        bare_site(latitude_deg=latitude), np.zeros((len(hours), 3)), sun, around or rain(), np.array(season)
    )


def is_why(why, limit, better, value, allowed, **more):
    """Every field: what does not apply is "", NaN, -1 or 0."""
    rest = {"name": "", "azimuth_deg": NAN, "month": -1, "inner_m": 0.0, "outer_m": 0.0} | more
    wanted = {"limit": limit, "better": better, "value": value, "allowed": allowed} | rest
    np.testing.assert_equal(
        {k: v for k, v in asdict(why).items() if k != "value"}, {k: v for k, v in wanted.items() if k != "value"}
    )
    assert why.value == pytest.approx(value)


# --- sun ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("highest_deg", "given", "allowed"),
    [(3.0, 1, 5), (5.0, 1, 5), (5.1, 2, 5), (7.0, 2, 5), (7.1, 3, 7), (10.0, 3, 7), (10.1, 4, 10)],
)
def test_what_decides_radiation_is_the_next_better_class(highest_deg, given, allowed):
    seen = shade(highest_deg, 121.0, 10, 0.2, 11)
    found = classes(seen, rain(sectors={12: (1, highest_deg)}))
    assert found.radiation.tolist() == [given]
    if given == 1:
        is_why(found.radiation_why[0], Limit.FREE, 1, highest_deg, 5.0)
    else:
        hidden = {"name": "oak", "azimuth_deg": 121.0, "month": 10}
        is_why(found.radiation_why[0], Limit.SUN_HIDDEN, given - 1, highest_deg, allowed, **hidden)


@pytest.mark.parametrize(
    ("highest_deg", "given", "allowed"),
    [(3.0, 1, 3), (3.1, 2, 3), (5.0, 2, 3), (5.1, 3, 5), (7.0, 3, 5), (7.1, 4, 7)],
)
def test_what_decides_sunshine_and_beyond_60_degrees_radiation(highest_deg, given, allowed):
    seen = shade(highest_deg, 121.0, 10, 0.2, 11)
    for latitude in (60.0, -60.0, 66.0):
        found = classes(seen, latitude=latitude)
        assert found.radiation.tolist() == found.sunshine.tolist() == [given]
        for why in (found.radiation_why[0], found.sunshine_why[0]):
            if given == 1:
                is_why(why, Limit.FREE, 1, highest_deg, 3.0)
            else:
                is_why(why, Limit.SUN_HIDDEN, given - 1, highest_deg, allowed, azimuth_deg=121.0, month=10)
    for latitude in (59.99, -59.99):
        assert classes(shade(4.0), latitude=latitude).radiation.tolist() == [1]
        assert classes(shade(4.0), latitude=latitude).sunshine.tolist() == [2]


def test_a_day_that_is_shaded_for_more_than_three_tenths_is_told_with_its_month():
    found = classes(shade(40.0, 180.0, 6, 0.31, 0))
    for given, why in ((found.radiation, found.radiation_why), (found.sunshine, found.sunshine_why)):
        assert given.tolist() == [5]
        is_why(why[0], Limit.DAY_SHADED, 4, 0.31, 0.30, month=0)


@pytest.mark.parametrize(
    ("azimuth_deg", "sector"),
    [(0.0, 0), (4.9, 0), (5.1, 1), (94.9, 9), (95.1, 10), (354.9, 35), (355.1, 0), (359.9, 0)],
)
def test_what_hides_the_sun_is_sought_in_its_own_sector(azimuth_deg, sector):
    for s in range(36):
        found = classes(shade(20.0, azimuth_deg, 3), rain(sectors={s: (0, 25.0)}))
        assert found.radiation_why[0].name == ("North wing" if s == sector else "")


@pytest.mark.parametrize(
    ("around", "name"),
    [
        (rain(sectors={9: (0, 20.0)}), "North wing"),
        (rain(sectors={9: (1, 20.0)}), "oak"),
        (rain(sectors={9: (1, 20.0 - A_LITTLE)}), ""),  # the sun would stand free of it
        (rain(sectors={9: (-1, 25.0)}), ""),
        (rain(sectors={9: (1, 90.0)}, covered=True), ""),
    ],
)
def test_what_hides_the_sun_is_named_where_that_is_sure(around, name):
    assert classes(shade(20.0, 90.0, 3), around).radiation_why[0].name == name
    assert classes(shade(20.0, NAN, 3), around).radiation_why[0].name == ""


# --- heat, slope, obstacles -------------------------------------------------------------------------------------


def test_the_share_of_a_ring_is_what_the_wide_circle_has_more_than_the_narrow_one():
    """Areas by hand: circles of 3, 5, 10, 30 and 100 m."""
    assert HEAT_RADII_M == (3.0, 5.0, 10.0, 30.0, 100.0)
    full_ring = rain((0.0, 0.0, 75 / 100, 0.3, 0.2))  # all of 5 to 10 m, 195 of 800 parts of 10 to 30 m
    assert siting._share(full_ring, 5.0, 10.0)[0] == pytest.approx(1.0)
    assert siting._share(full_ring, 10.0, 30.0)[0] == pytest.approx((0.3 * 900 - 75) / 800)
    for outer, share in zip(HEAT_RADII_M, full_ring.heat_share[0], strict=True):
        assert siting._share(full_ring, 0.0, outer)[0] == pytest.approx(share)


# most of the circles of 3, 5, 10, 30 and 100 m that is covered, class, ring that decides, what it has and may have
HEAT = [
    ((0, 0, 0, 0, 0.10), 1, None),
    ((0, 0, 0, 0, 0.101), 2, (0, 100, 0.101, 0.10)),
    ((0, 0, 0, 0.05 * 800 / 900, 0), 1, None),
    ((0, 0, 0, 0.051 * 800 / 900, 0), 2, (10, 30, 0.051, 0.05)),
    ((0, 0, 0.01, 0, 0), 1, None),
    ((0, 0, 0.0101, 0, 0), 2, (0, 10, 0.0101, 0.01)),
    ((0, 0, 0, 0.10, 0), 2, (10, 30, 0.1125, 0.05)),
    ((0, 0, 0, 0.101, 0), 3, (0, 30, 0.101, 0.10)),
    ((0, 0, 0.05 * 75 / 100, 0, 0), 2, (0, 10, 0.0375, 0.01)),
    ((0, 0, 0.051 * 75 / 100, 0, 0), 3, (5, 10, 0.051, 0.05)),
    ((0, 0.01, 0.01, 0, 0), 1, None),
    ((0, 0.01, 0.0101, 0, 0), 2, (0, 10, 0.0101, 0.01)),
    ((0, 0.0101, 0.0101, 0, 0), 3, (0, 5, 0.0101, 0.01)),
    ((0, 0, 0.10, 0, 0), 3, (5, 10, 0.10 / 0.75, 0.05)),
    ((0, 0, 0.101, 0, 0), 4, (0, 10, 0.101, 0.10)),
    ((0, 0.05, 0.05, 0, 0), 3, (0, 5, 0.05, 0.01)),
    ((0, 0.0501, 0.05, 0, 0), 4, (0, 5, 0.0501, 0.05)),
    ((0, 0, 0.50, 0, 0), 4, (0, 10, 0.50, 0.10)),
    ((0, 0, 0.501, 0, 0), 5, (0, 10, 0.501, 0.50)),
    ((0.30, 0.30, 0.30, 0, 0), 4, (0, 10, 0.30, 0.10)),
    ((0.301, 0.30, 0.30, 0, 0), 5, (0, 3, 0.301, 0.30)),
]


@pytest.mark.parametrize(("heat", "given", "why"), HEAT)
def test_heat_holds_at_each_limit_itself(heat, given, why):
    found = classes(around=rain(heat))
    assert found.temperature.tolist() == [given]
    if why is None:
        is_why(found.temperature_why[0], Limit.FREE, 1, -np.inf, 5.0)
    else:
        inner, outer, value, allowed = why
        is_why(found.temperature_why[0], Limit.HEAT, given - 1, value, allowed, inner_m=inner, outer_m=outer)


@pytest.mark.parametrize(
    ("highest_deg", "given", "allowed"),
    [(5.0, 1, 5), (5.01, 2, 5), (7.0, 2, 5), (7.01, 4, 7), (20.0, 4, 7), (20.01, 5, 20)],
)
def test_the_sun_that_temperature_asks_for(highest_deg, given, allowed):
    found = classes(shade(highest_deg, 90.0, 3), rain(sectors={9: (0, 25.0)}))
    assert found.temperature.tolist() == [given]
    if given == 1:
        is_why(found.temperature_why[0], Limit.FREE, 1, highest_deg, 5.0)
    else:
        hidden = {"name": "North wing", "azimuth_deg": 90.0, "month": 3}
        is_why(found.temperature_why[0], Limit.SUN_HIDDEN, given - 1, highest_deg, allowed, **hidden)


@pytest.mark.parametrize(
    ("slope", "temperature", "precipitation", "allowed"),
    [(19.0, 1, 1, 19), (19.01, 3, 3, 19), (30.0, 3, 3, 19), (30.01, 3, 4, 30)],
)
def test_slopes_hold_at_the_limit_itself(slope, temperature, precipitation, allowed):
    given, why = siting._temperature(shade(), np.array([slope]), rain())
    assert given.tolist() == [temperature]
    if temperature > 1:
        is_why(why[0], Limit.SLOPE, 2, slope, 19.0)
    given, why = siting._precipitation(np.array([slope]), rain())
    assert given.tolist() == [precipitation]
    if precipitation > 1:
        is_why(why[0], Limit.SLOPE, precipitation - 1, slope, allowed)
    else:
        is_why(why[0], Limit.FREE, 1, 0.0, 14.0)


@pytest.mark.parametrize(("given", "allowed"), [(1, 14.0), (2, 14.0), (3, 26.6), (4, 45.0), (5, 63.4)])
def test_what_decides_precipitation(given, allowed):
    found = classes(around=rain(wmo_class=given, steepest_deg=12.3))
    assert found.precipitation.tolist() == [given]
    if given == 1:
        is_why(found.precipitation_why[0], Limit.FREE, 1, 12.3, 14.0)
    else:
        is_why(found.precipitation_why[0], Limit.OBSTACLE, given - 1, 12.3, allowed, name="North wing")
    under = classes(around=rain(wmo_class=5, steepest_deg=90.0, covered=True))
    is_why(under.precipitation_why[0], Limit.COVER, 4, 90.0, 63.4, name="Canopy")


def test_the_grounds_slope_is_taken_over_10_m():
    """A cubic eastward, a plane and a cubic northward: what they rise from 5 m before to 5 m behind."""
    at = np.arange(-50.0, 51.0)
    east, north = at[None, :], -at[:, None]
    site = bare_site(terrain=Heights(0.02 * east**3 + 0.3 * north + 0.002 * north**3, -50.5, 50.5, 1.0))
    for x, y, eastward, northward in ((0, 0, 0.02 * 25, 0.3 + 0.002 * 25), (3, 7, 0.02 * 52, 0.3 + 0.002 * 172)):
        slope = siting.ground_slope_deg(site, np.array([[x, y, 99.0]]))[0]
        assert slope == pytest.approx(np.degrees(np.arctan(np.hypot(eastward, northward))))
    assert siting.ground_slope_deg(bare_site(), np.zeros((2, 3))).tolist() == [0.0, 0.0]


# --- hours ------------------------------------------------------------------------------------------------------


def test_the_month_with_the_least_sun_is_one_of_the_season():
    hours = np.arange(12.0)[None] + 1.0
    season = np.isin(np.arange(12), [4, 5, 6])
    found = classes(season=season, direct_h=hours)
    assert (found.least_month.tolist(), found.least_direct_h.tolist(), found.sunlight) == (
        [4],
        [5.0],
        ("part sun",),
    )
    back = classes(season=season, direct_h=hours[:, ::-1])
    assert (back.least_month.tolist(), back.least_direct_h.tolist()) == ([6], [6.0])
    none = classes(season=[False] * 12, direct_h=hours[:, ::-1])
    assert (none.least_month.tolist(), none.least_direct_h.tolist()) == ([11], [1.0])
