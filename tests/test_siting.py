"""WMO-No. 8 classes and the trade's words for sun: limits as published, decided by geometry a hand can check."""

import numpy as np
import pytest
import shapely
from plain_sun import shade_of

from planner.rain import rain_and_surroundings
from planner.show.say.siting import UNJUDGED, why_said
from planner.site import Crowns, Heights, bare_site, prisms
from planner.siting import (
    HEAT_LIMITS,
    PRECIPITATION_DEG,
    RADIATION_DEG,
    SHADE_OF_A_DAY,
    TEMPERATURE_DEG,
    Limit,
    Scale,
    Unjudged,
    ground_slope_deg,
    siting,
    sunlight,
)
from planner.sun import year_of_light
from planner.sun.path import SunTable, sun_table
from planner.sun.result import SunResult

ALL_YEAR = np.ones(12, bool)


def behind(table, rim_deg):
    """The shade of a rim, (360,) elevations at whole degrees of azimuth or one all round."""
    rim = np.interp(table.azimuth_deg, np.arange(360), np.broadcast_to(rim_deg, 360), period=360)
    return shade_of(table, (table.elevation_deg <= rim)[None])


def picture(table, rim_deg, n=1, direct_h=8.0):
    """A year's result with nothing in it but what the classes read."""
    hours, none = np.full((n, 12), direct_h), np.zeros((n, 360))
    rim = behind(table, rim_deg)
    shade = type(rim)(*(np.repeat(column, n) for column in vars(rim).values()))
    return SunResult(hours, np.full(12, 12.0), hours / 12, hours / 12, hours / 12, none, none, shade)


def classes(site, xyz, horizon=0.0, latitude=40.0, **kwargs):
    xyz = np.atleast_2d(np.asarray(xyz, float))
    table = sun_table(latitude, 0.0, day_step=3)
    return siting(
        site, xyz, picture(table, horizon, len(xyz), **kwargs), rain_and_surroundings(site, xyz), ALL_YEAR
    )


def test_words_of_the_trade():
    """Oregon State University Extension: full sun six hours and more, part sun three to six, shade under three."""
    assert [sunlight(h) for h in (12, 6.0, 5.99, 3.0, 2.99, 0)] == [
        "full sun", "full sun", "part sun", "part sun", "shade", "shade",
    ]  # fmt: skip
    found = classes(bare_site(), [0, 0, 2], direct_h=4.0)
    assert found.sunlight == ("part sun",)
    assert found.least_direct_h.tolist() == [4.0]


@pytest.mark.parametrize(
    ("rim_deg", "radiation", "sunshine"),
    [(0, 1, 1), (2.9, 1, 1), (4.9, 1, 2), (6.9, 2, 3), (9.9, 3, 4), (11, 4, 4), (40, 5, 5)],
)
def test_radiation_and_sunshine_by_an_even_rim(rim_deg, radiation, sunshine):
    """WMO-No. 8, from memory: radiation 5, 7, 10 degrees, sunshine 3, 5, 7, then at most 30 % of any day's sun
    time. At 40 degrees a rim of 11 takes a good quarter of a winter day, one of 40 all of it."""
    found = classes(bare_site(), [0, 0, 2], rim_deg)
    assert found.radiation.tolist() == [radiation]
    assert found.sunshine.tolist() == [sunshine]
    assert found.from_memory == ("radiation", "sunshine")


def test_poleward_of_60_the_limits_are_lower():
    """From memory: 3, 5 and 7 degrees from 60 degrees of latitude on."""
    site = bare_site(latitude_deg=62.0)
    assert classes(site, [0, 0, 2], 2.9, latitude=62.0).radiation.tolist() == [1]
    assert classes(site, [0, 0, 2], 4.5, latitude=62.0).radiation.tolist() == [2]
    assert classes(bare_site(latitude_deg=58.0), [0, 0, 2], 4.5, latitude=58.0).radiation.tolist() == [1]


def test_shade_of_a_day_is_spherical_astronomy():
    """Under an even rim h the sun is hidden on the shortest day for 1 - H(h)/H(0) of its time, with cos H =
    (sin h - sin phi sin d)/(cos phi cos d), d = -23.44 degrees (textbook)."""
    phi, d = np.radians(40.0), np.radians(-23.44)

    def half_day(h):
        return np.arccos((np.sin(np.radians(h)) - np.sin(phi) * np.sin(d)) / (np.cos(phi) * np.cos(d)))

    # the sun is seen from half a degree under the level, by refraction
    expected = 1 - half_day(15.0) / half_day(-0.4)
    shade = behind(sun_table(40.0, 0.0, step_minutes=2), 15.0)
    assert shade.worst_day[0] == pytest.approx(expected, abs=0.01)
    assert shade.worst_day_month[0] == 11
    assert shade.highest_deg[0] == pytest.approx(15.0, abs=0.3)
    free = behind(sun_table(40.0, 0.0), 0.0)
    assert free.highest_deg[0] == -np.inf
    assert free.worst_day[0] == 0


def test_a_wall_only_the_sun_of_one_month_meets():
    """A rim of 20 degrees from azimuth 118 to 124: only the winter sun rises behind it, and says when."""
    rim = np.zeros(360)
    rim[118:125] = 20.0
    shade = behind(sun_table(40.0, 0.0), rim)
    assert 118 <= shade.azimuth_deg[0] <= 125
    assert shade.highest_deg[0] < 20
    assert shade.worst_day[0] < SHADE_OF_A_DAY
    night = np.zeros(360)
    night[330:] = 60.0  # north: no sun ever stands there at 40 degrees
    assert behind(sun_table(40.0, 0.0), night).highest_deg[0] == -np.inf
    assert behind(sun_table(-40.0, 0.0), night).highest_deg[0] > 20


def test_days_are_told_apart_in_polar_summer():
    table = sun_table(75.0, 0.0, step_minutes=30, day_step=3)
    half = np.zeros(360)
    half[180:] = 89.0  # the west is shut: half of each day
    shade = behind(table, half)
    assert 0.5 <= shade.worst_day[0] <= 1.0
    # days of midsummer, when the sun never sets: half of each, no more
    summer = (table.month == 5) | (table.month == 6)
    only = SunTable(*(column[summer] for column in vars(table).values()))
    assert behind(only, half).worst_day[0] == pytest.approx(0.5, abs=0.03)


def lit(table, hit):
    """The worst day's share and the highest sun of the steps whose rays `hit` meets, day by day."""
    day = np.cumsum(np.diff(table.solar_hour, prepend=0) < 0)
    shares = [hit[day == d].mean() for d in np.unique(day)]
    return max(shares), table.elevation_deg[hit].max(initial=-np.inf)


def test_beneath_a_roof_and_a_crown_the_sun_comes_in():
    """Rays one by one, by plane geometry: a ray of elevation e meets a flat roof h above the head h / tan e away,
    an ellipsoid where the quadratic of its unit sphere has a positive root."""
    table = sun_table(40.0, 0.0)
    toward = np.column_stack(
        [
            np.sin(np.radians(table.azimuth_deg)),
            np.cos(np.radians(table.azimuth_deg)),
            np.tan(np.radians(table.elevation_deg)),
        ]
    )
    # a roof 0.2 m thick, its underside 4 m above the head, 2 to 3 m south of it
    roof = bare_site(buildings=prisms([shapely.box(-200, -3, 200, -2)], [6.0], [6.2]))
    span = np.array([-3.0, -2.0]) / np.where(toward[:, 1] < 0, toward[:, 1], np.nan)[:, None]
    under, over = span.max(axis=1) * toward[:, 2], span.min(axis=1) * toward[:, 2]
    hit = (under > 4.0) & (over < 4.2)
    # an evergreen crown 6 m south, from 3.5 m up, head at 2 m
    crown = Crowns(("yew",), np.array([[0.0, -6.0, 6.5]]), np.array([3.0]), np.array([3.0]), np.array([True]))
    start = (np.array([0.0, 0.0, 2.0]) - crown.centre[0]) / 3.0
    a, b, c = (toward**2).sum(axis=1) / 9, toward @ start / 3, start @ start - 1
    met = (b * b > a * c) & (b < 0)
    for site, expected in ((roof, hit), (bare_site(crowns=crown), met)):
        xyz = np.array([[0.0, 0.0, 2.0]])
        year = year_of_light(site, xyz, table)
        share, highest = lit(table, expected)
        assert 0 < share < 1
        assert year.shade.worst_day[0] == pytest.approx(share, abs=0.02)
        assert year.shade.highest_deg[0] == pytest.approx(highest, abs=0.01)
        found = siting(site, xyz, year, rain_and_surroundings(site, xyz), ALL_YEAR)
        assert found.radiation[0] == (4 if share <= SHADE_OF_A_DAY else 5)


def test_precipitation_by_the_obstacle_s_distance():
    """4, 2, 1 and half its height away: 14, 26.6, 45 and 63.4 degrees."""
    assert np.degrees(np.arctan([1 / 4, 1 / 2, 1, 2])) == pytest.approx(PRECIPITATION_DEG, abs=0.05)
    for away, expected in ((41, 1), (21, 2), (11, 3), (6, 4), (4, 5)):
        site = bare_site(buildings=prisms([shapely.box(away, -20, away + 10, 20)], [-1], [11.0], ["North wing"]))
        found = classes(site, [0, 0, 1.0])
        assert found.precipitation.tolist() == [expected]
        if expected > 1:
            (why,) = found.precipitation_why
            assert (why.name, why.better, why.limit) == ("North wing", expected - 1, Limit.OBSTACLE)
            assert f"class {expected - 1} allows {PRECIPITATION_DEG[expected - 2]:g}" in why_said(
                Scale.PRECIPITATION, why, "us"
            )
    roofed = bare_site(buildings=prisms([shapely.box(-5, -5, 5, 5)], [3.0], [3.3], ["Canopy"]))
    (why,) = classes(roofed, [0, 0, 1.0]).precipitation_why
    assert why.limit is Limit.COVER
    assert why_said(Scale.PRECIPITATION, why, "us") == "Canopy hangs over it"


def test_temperature_by_what_is_built_around():
    """Share of circles that heat sources cover, by plane geometry: a building that covers half of all around gives
    class 5, on its own roof's middle too; one far off none."""
    assert [limit[-1] for limit in HEAT_LIMITS[3]] == [0.50, 0.30]

    def said(found):
        return why_said(Scale.TEMPERATURE, found.temperature_why[0], "metric")

    half = bare_site(buildings=prisms([shapely.box(0, -300, 600, 300)], [-1], [0.5], ["Depot"]))
    found = classes(half, [-0.01, 0, 1.0])
    assert found.temperature.tolist() == [5]
    assert said(found) == "buildings and heat sources cover 50% of the area within 3 m; class 4 allows 30%"
    assert "of the area within 10 ft;" in why_said(Scale.TEMPERATURE, found.temperature_why[0], "us")
    assert classes(half, [-4.0, 0, 1.0]).temperature.tolist() == [4]  # a quarter of 10 m, none of 3 m
    assert classes(half, [-9.0, 0, 1.0]).temperature.tolist() == [3]
    assert classes(half, [-29.0, 0, 1.0]).temperature.tolist() == [2]
    far = classes(half, [-99.5, 0, 1.0])
    assert far.temperature.tolist() == [1]
    assert "sun free above 5°" in said(far)
    shaded = classes(half, [-99.5, 0, 1.0], 15.0)
    assert shaded.temperature.tolist() == [4]
    assert said(shaded) == "the sun is hidden while 15.0° high; class 3 allows 7"
    assert TEMPERATURE_DEG == (5.0, 7.0, 7.0, 20.0)
    assert RADIATION_DEG == (5.0, 7.0, 10.0)


@pytest.mark.parametrize(("angle", "temperature", "precipitation"), [(10, 1, 1), (20, 3, 3), (35, 3, 4)])
def test_slope_of_the_ground(angle, temperature, precipitation):
    """19 degrees for the first two classes of both, 30 for precipitation's third."""
    n = 81
    x = (np.arange(n) - n // 2) * 2.0
    plane = Heights(np.tan(np.radians(angle)) * np.broadcast_to(x, (n, n)).copy(), -81.0, 81.0, 2.0)
    site = bare_site(terrain=plane)
    assert ground_slope_deg(site, np.zeros((1, 3)))[0] == pytest.approx(angle, abs=1e-6)
    found = classes(site, [0, 0, 2.0])
    assert found.temperature.tolist() == [temperature]
    assert found.precipitation.tolist() == [precipitation]
    assert Unjudged.SLOPE not in found.not_judged
    assert Unjudged.SLOPE in classes(bare_site(), [0, 0, 2.0]).not_judged
    assert set(UNJUDGED) == set(Unjudged)


def test_no_mounts_no_rows():
    found = classes(bare_site(), np.empty((0, 3)))
    assert found.radiation.shape == found.least_month.shape == found.least_direct_h.shape == (0,)
    assert found.sunlight == ()
