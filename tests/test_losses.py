"""Losses: who takes which hours. At the equator the sun turns about the north-south line, so a wall along it that
stands a degrees high takes the hours after 18:00 - a/15, in every month: a closed form for the clock."""

import dataclasses
import re

import numpy as np
import pytest
import shapely
from scenes import town

from planner.show.say.shade import day_said, hour_said, loss_name, loss_said
from planner.site import Crowns, Heights, bare_site, no_prisms, prisms
from planner.sun import sun_table, year_of_light
from planner.sun.losses import (
    SOLAR,
    Loss,
    Obstacle,
    attribute,
    clock_hours,
    day_of_sun,
)
from planner.sun.shading import shading

FAR = 1e5
EQUATOR = sun_table(0.0, 0.0, 0.0, 10, 3)
STEP_H = 10 / 60
ALL_YEAR = np.ones(12, bool)
ORIGIN = np.zeros(3)


def wall(distance, height, base=-5.0, deep=1.0):
    """In the west, endless to north and south."""
    return shapely.box(-distance - deep, -FAR, -distance, FAR), base, height


def west(*walls, names=None):
    shapes, base, top = zip(*walls, strict=True)
    return prisms(shapes, base, top, names)


def equator(mount=ORIGIN, **parts):
    return day_of_sun(bare_site(latitude_deg=0.0, **parts), np.array(mount, float), EQUATOR, ALL_YEAR)


@pytest.mark.parametrize("angle_deg", [15.0, 30.0, 45.0, 60.0])
def test_one_wall_takes_the_hours_it_must(angle_deg):
    day = equator(buildings=west(wall(10, 10 * np.tan(np.radians(angle_deg))), names=["Mill"]))
    (loss,) = day.losses
    assert (loss.name, loss.kind, loss.months) == ("Mill", Obstacle.BUILDING, tuple(range(12)))
    assert loss.from_h == pytest.approx(18 - angle_deg / 15, abs=STEP_H)
    # refraction keeps the sun up some 4 minutes past 18:00 (about 34 minutes of arc)
    assert loss.to_h == pytest.approx(18.0, abs=STEP_H)
    assert loss.hours_day == pytest.approx(angle_deg / 15, abs=0.1)
    np.testing.assert_allclose(day.last_h, 18 - angle_deg / 15, atol=STEP_H / 2)
    np.testing.assert_allclose(day.first_h, day.open_first_h)
    assert (day.gap_h == 0).all()
    assert day.clock == SOLAR


def test_of_two_in_a_row_the_one_that_decides_is_named():
    """A wall 15 degrees high before one of 45: the far one takes the sun at 15:00, the near one at 17:00."""
    low, tall = wall(10, 10 * np.tan(np.radians(15))), wall(100, 100.0)
    losses = {loss.name: loss for loss in equator(buildings=west(tall, low, names=["tower", "garden wall"])).losses}
    assert losses["tower"].from_h == pytest.approx(15, abs=STEP_H)
    assert losses["tower"].to_h == pytest.approx(17, abs=STEP_H)
    assert losses["garden wall"].from_h == pytest.approx(17, abs=STEP_H)
    assert losses["tower"].hours_day == pytest.approx(2, abs=0.1)
    assert losses["garden wall"].hours_day == pytest.approx(1, abs=0.1)


def test_what_hides_behind_a_nearer_one_is_not_named():
    near, far = wall(10, 10.0), wall(100, 100 * np.tan(np.radians(30)))
    assert {loss.name for loss in equator(buildings=west(far, near, names=["far", "near"])).losses} == {"near"}


def test_a_roof_overhead_takes_its_slot():
    """A strip 2 to 6 m west, 3 to 3.2 m up: from atan(3.2/2) down to atan(3/6); a wall of 10 degrees the last."""
    roof = (shapely.box(-6, -FAR, -2, FAR), 3.0, 3.2)
    low = wall(50, 50 * np.tan(np.radians(10)))
    day = equator(buildings=west(roof, low, names=["canopy", "shed"]))
    losses = {loss.name: loss for loss in day.losses}
    first, last = (18 - np.degrees(np.arctan(x)) / 15 for x in (3.2 / 2, 3 / 6))
    assert losses["canopy"].kind is Obstacle.OVERHANG
    assert losses["canopy"].from_h == pytest.approx(first, abs=STEP_H)
    assert losses["canopy"].to_h == pytest.approx(last, abs=STEP_H)
    assert losses["shed"].from_h == pytest.approx(18 - 10 / 15, abs=STEP_H)
    # the sun is back between the two: the gap is the slot's width
    np.testing.assert_allclose(day.gap_h, last - first, atol=STEP_H)
    np.testing.assert_allclose(day.last_h, 18 - 10 / 15, atol=STEP_H / 2)


def test_morning_and_evening_are_told_apart():
    """One ring-shaped building 30 degrees high on both sides: two losses of two hours each."""
    height = 10 * np.tan(np.radians(30))
    both = shapely.MultiPolygon([wall(10, 0)[0], shapely.affinity.scale(wall(10, 0)[0], -1, 1, origin=(0, 0))])
    early, late = sorted(
        equator(buildings=prisms([both], [-5], [height], ["Court"])).losses, key=lambda loss: loss.from_h
    )
    assert early.name == late.name == "Court"
    assert (early.from_h, early.to_h) == pytest.approx((6, 8), abs=STEP_H)
    assert (late.from_h, late.to_h) == pytest.approx((16, 18), abs=STEP_H)


def test_losses_are_shares_of_the_months_light():
    """At the equator in the equinox months the beam after 15:00 is known from the table itself."""
    (loss,) = equator(buildings=west(wall(10, 10.0))).losses
    late = EQUATOR.solar_hour > 15
    wanted = EQUATOR.beam_wh_m2[late].sum() / (EQUATOR.beam_wh_m2 + EQUATOR.diffuse_wh_m2).sum()
    assert loss.light_share == pytest.approx(wanted, rel=0.03)


# --- crowns -------------------------------------------------------------------------------------------------------


def crowns(*rows, evergreen=True):
    xyzrh = np.array(rows, float)
    n = len(rows)
    return Crowns(
        tuple(f"tree {k + 1}" for k in range(n)), xyzrh[:, :3], xyzrh[:, 3], xyzrh[:, 4], np.full(n, evergreen)
    )


def test_a_crown_takes_four_fifths():
    """Heisler (1986), Urban Ecology 9:337-359: a crown in leaf passes a fifth; here it is all round the mount."""
    found = attribute(bare_site(latitude_deg=0.0, crowns=crowns((0, 0, 0, 5, 5))), ORIGIN, EQUATOR)
    np.testing.assert_allclose(found.lost, 0.8)
    (loss,) = equator(crowns=crowns((0, 0, 0, 5, 5))).losses
    assert loss.kind is Obstacle.TREE
    assert loss.light_share == pytest.approx(
        0.8 * EQUATOR.beam_wh_m2.sum() / (EQUATOR.beam_wh_m2 + EQUATOR.diffuse_wh_m2).sum()
    )


def test_two_crowns_in_a_row_share_what_they_dim():
    found = attribute(bare_site(latitude_deg=0.0, crowns=crowns((0, 0, 0, 5, 5), (0, 0, 0, 7, 7))), ORIGIN, EQUATOR)
    np.testing.assert_allclose(found.lost, 0.96)
    np.testing.assert_allclose(found.part, 0.5)
    assert len(found.part) == 2 * len(EQUATOR.month)


def test_behind_a_wall_no_crown_is_blamed():
    site = {"crowns": crowns((-5, 0, 0, 3, 3)), "buildings": west(wall(20, 400.0), names=["cliff house"])}
    assert {loss.name for loss in equator(**site).losses} == {"cliff house"}


# --- the whole ----------------------------------------------------------------------------------------------------


def mixed(seed):
    rng = np.random.default_rng(seed)
    shapes, base, top = [], [], []
    for k in range(12):
        shape = shapely.affinity.rotate(shapely.box(0, 0, *rng.uniform(5, 30, 2)), rng.uniform(0, 90))
        shapes.append(shapely.affinity.translate(shape, *rng.uniform(-70, 70, 2)))
        base.append(rng.uniform(4, 6) if k % 4 == 0 else -1.0)
        top.append(rng.uniform(7, 18))
    n = 300
    x, y = np.meshgrid(np.arange(n) * 20.0 - 2990, 2990 - np.arange(n) * 20.0)
    hills = 120 * np.exp(-((x + 1500) ** 2 + (y - 200) ** 2) / 4e5)
    return bare_site(
        latitude_deg=38.0,
        buildings=prisms(shapes, base, top, [f"B{k}" for k in range(12)]),
        crowns=Crowns(
            ("oak", "pine", "ash"),
            np.column_stack([rng.uniform(-40, 40, (3, 2)), [6.0, 7.0, 5.0]]),
            np.array([5.0, 4.0, 3.0]),
            np.array([4.0, 5.0, 3.0]),
            np.array([False, True, False]),
        ),
        crown_prisms=prisms([shapely.box(-60, 30, 60, 40)], [2.0], [9.0], ["hedge"]),
        crown_evergreen=np.array([False]),
        terrain=Heights(hills, -3000.0, 3000.0, 20.0),
    )


TABLE = sun_table(38.0, 0.0, 0.0, 20, 10)


@pytest.mark.parametrize("seed", range(5))
def test_losses_add_up_to_what_the_mount_lacks(seed):
    """Hours and beam by month, against the year of light, which knows no names."""
    site = mixed(seed)
    mount = np.array([*np.random.default_rng(seed).uniform(-60, 60, 2), 2.5])
    near = shading(site, terrain_reach_m=3000.0)
    found = attribute(site, mount, TABLE, near)
    year = year_of_light(site, mount[None, :], TABLE, near)
    by_step = np.bincount(found.step, weights=found.part, minlength=len(TABLE.month))
    np.testing.assert_allclose(by_step, found.hidden, atol=1e-12)
    np.testing.assert_allclose(
        TABLE.monthly(TABLE.hours_per_day * by_step), year.open_direct_h - year.direct_h[0], atol=1e-9
    )
    lost = TABLE.monthly(found.lost * TABLE.beam_wh_m2) / TABLE.monthly(TABLE.beam_wh_m2)
    np.testing.assert_allclose(lost, 1 - year.beam_share[0], atol=1e-9)
    assert lost.max() > 0.04


@pytest.mark.parametrize("seed", range(3))
def test_the_named_building_is_the_first_that_the_ray_enters(seed):
    """Independent: shapely cuts the ray with each footprint, and looks at its height where it goes in and out."""
    site = dataclasses.replace(mixed(seed), terrain=None)
    mount = np.array([*np.random.default_rng(seed + 9).uniform(-60, 60, 2), 2.5])
    found = attribute(site, mount, TABLE)
    opaque = {int(s): int(o) for s, o in zip(found.step, found.obstacle, strict=True) if o < len(site.buildings)}
    tried = 0
    for step in np.random.default_rng(1).choice(len(TABLE.month), 150, replace=False):
        azimuth, slope = np.radians(TABLE.azimuth_deg[step]), np.tan(np.radians(TABLE.elevation_deg[step]))
        ahead = np.array([np.sin(azimuth), np.cos(azimuth)])
        ray = shapely.LineString([mount[:2], mount[:2] + 400 * ahead])
        first, who = np.inf, None
        for k, shape in enumerate(site.buildings.shapes):
            for piece in shapely.get_parts(ray.intersection(shape)):
                t = (shapely.get_coordinates(piece) - mount[:2]) @ ahead
                base, top = site.buildings.base_m[k] - mount[2], site.buildings.top_m[k] - mount[2]
                if piece.length > 0 and t.min() * slope < top and t.max() * slope > base:
                    enters = max(t.min(), base / slope)
                    if enters < first:
                        first, who = enters, k
        assert opaque.get(int(step)) == who
        tried += who is not None
    assert tried > 5


def test_a_hill_is_named_by_where_it_stands():
    x = np.arange(300) * 20.0 - 2990
    ridge = np.tile(np.where((x < -1000) & (x > -1100), 300.0, 0.0), (300, 1))
    day = equator(terrain=Heights(ridge, -3000.0, 3000.0, 20.0), mount=(0, 0, 2))
    (loss,) = day.losses
    assert loss.kind is Obstacle.GROUND
    assert loss.name == ""
    assert loss_name(loss) == "high ground in the west"
    assert loss.from_h == pytest.approx(18 - np.degrees(np.arctan(298 / 1000)) / 15, abs=0.2)


def test_a_surface_model_stands_in_for_names():
    values = np.zeros((300, 300))
    values[:, 100:110] = 20.0
    site = bare_site(latitude_deg=0.0, buildings=west(wall(2, 50.0)), surface=Heights(values, -150.0, 150.0, 1.0))
    losses = day_of_sun(site, np.array([0, 0, 2.0]), EQUATOR, ALL_YEAR).losses
    assert {loss.kind for loss in losses} == {Obstacle.SURFACE}


def test_on_open_ground_nothing_is_lost():
    day = equator()
    assert day.losses == ()
    assert (day.beam_lost == 0).all()
    np.testing.assert_allclose(day.first_h, 6.0, atol=STEP_H)


def test_a_loss_goes_on_past_midnight():
    """At 75 degrees north the June sun stands due north at midnight, 8.4 degrees high (75 + 23.4 - 90): a hall
    there takes one stretch about 24:00. In the south as well, where the day's hours are not cut."""
    hall, mill = shapely.box(-5, 20, 5, 25), shapely.box(-2, -30, 2, -20)
    table = sun_table(75.0, 0.0, 0.0, 10, 3)
    june = np.arange(12) == 5
    site = bare_site(latitude_deg=75.0, buildings=prisms([hall, mill], [-1] * 2, [20, 60], ["Hall", "Mill"]))
    day = day_of_sun(site, np.array([0.0, 0.0, 1.0]), table, june)
    (north,) = [loss for loss in day.losses if loss.name == "Hall" and 5 in loss.months]
    assert north.from_h < 24 < north.to_h
    assert (north.from_h + north.to_h) / 2 == pytest.approx(24, abs=STEP_H)
    # the sun turns by about 15 degrees an hour
    assert north.to_h - north.from_h == pytest.approx(2 * np.degrees(np.arctan(5 / 20)) / 15, abs=2 * STEP_H)
    assert re.search(r"Hall shades it from 2[23]:\d\d to [01]:\d\d,", loss_said(north, "metric"))
    (south,) = [loss for loss in day.losses if loss.name == "Mill" and 5 in loss.months]
    assert south.from_h < 12 < south.to_h < 24
    # where the night parts evening and morning they stay apart
    wide = bare_site(latitude_deg=60.0, buildings=prisms([shapely.box(-500, 20, 500, 25)], [-1], [40], ["Hall"]))
    day = day_of_sun(wide, np.array([0.0, 0.0, 1.0]), sun_table(60.0, 0.0, 0.0, 10, 3), june)
    assert all(loss.to_h <= 24 for loss in day.losses)
    assert len([loss for loss in day.losses if 5 in loss.months]) == 2


def test_polar_night_and_inside_a_building():
    table = sun_table(75.0, 0.0, 0.0, 30, 10)
    site = bare_site(latitude_deg=75.0, buildings=prisms([shapely.box(-5, -5, 5, 5)], [-1], [9], ["silo"]))
    shut = day_of_sun(site, ORIGIN, table, ALL_YEAR)
    assert np.isnan(shut.first_h).all()
    assert {loss.name for loss in shut.losses} == {"silo"}
    assert day_said(shut, 5, "us") == "No direct sun in June."
    free = day_of_sun(dataclasses.replace(site, buildings=no_prisms()), ORIGIN, table, ALL_YEAR)
    assert np.isnan(free.first_h[11])
    assert free.last_h[5] - free.first_h[5] == pytest.approx(24, abs=1)


# --- clock and words ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "longitude", "month", "noon"),
    [
        ("UTC", 0.0, 1, 12 + 14.2 / 60),
        ("UTC", 0.0, 10, 12 - 15.4 / 60),
        ("America/Denver", -105.0, 6, 13 + 5.9 / 60),  # summer time, on the zone's own meridian
        ("America/Phoenix", -112.0, 6, 12 + 28 / 60 + 5.9 / 60),  # none there; 7 degrees west of the meridian
    ],
)
def test_local_clock_at_solar_noon(zone, longitude, month, noon):
    """Equation of time in mid-month: -14.2 min in February, -5.9 in July, +15.4 in November (from memory, as
    published in almanacs)."""
    at = clock_hours(np.array([12.0]), np.array([month]), longitude, zone)
    assert at[0] == pytest.approx(noon, abs=1 / 60)
    assert clock_hours(np.array([12.0]), np.array([month]), longitude, None)[0] == 12.0


def test_losses_by_the_clock_are_shifted_losses():
    site = bare_site(latitude_deg=0.0, buildings=west(wall(10, 10.0)))
    day = day_of_sun(site, ORIGIN, EQUATOR, ALL_YEAR, time_zone="UTC")
    first = min(loss.from_h for loss in day.losses)
    assert 15 - 0.3 - STEP_H < first < 15 + STEP_H
    assert day.clock == "UTC"


@pytest.mark.parametrize(
    ("hour", "said", "by_twelve"),
    [
        (15.16, "15:10", "3:10 p.m."),
        (9.999, "10:00", "10:00 a.m."),
        (12.0, "12:00", "12:00 p.m."),
        (23.99, "0:00", "12:00 a.m."),
        (0.0, "0:00", "12:00 a.m."),
    ],
)
def test_hours_are_said_to_five_minutes(hour, said, by_twelve):
    assert hour_said(hour, "metric") == said
    assert hour_said(hour, "us") == by_twelve


def test_a_loss_in_words():
    loss = Loss("Garnet Library", Obstacle.BUILDING, (4, 5, 6, 7), 15 + 1 / 6, 16 + 2 / 3, 1.4, 0.083)
    assert loss_said(loss, "us") == (
        "Garnet Library shades it from 3:10 p.m. to 4:40 p.m., May through August: 1.4 h a day, "
        "8% of the sunlight then"
    )
    assert "from 15:10 to 16:40, " in loss_said(loss, "metric")
    tree = dataclasses.replace(loss, name="oak", kind=Obstacle.TREE, months=(11, 0), hours_day=0.3)
    assert loss_said(tree, "us").startswith(
        "Oak filters the sun from 3:10 p.m. to 4:40 p.m., December and January: 18 min a day"
    )


@pytest.mark.parametrize(
    ("name", "said"),
    [("T223", "Tree T223"), ("#12", "Tree #12"), ("7-2", "Tree 7-2"), ("oak", "Oak"), ("Oak 3 by the gate",) * 2],
)
def test_a_bare_tag_is_said_with_its_kind(name, said):
    tree = Loss(name, Obstacle.TREE, (5,), 15.0, 16.0, 0.5, 0.02)
    assert loss_said(tree, "us").startswith(f"{said} filters the sun")


def test_a_day_in_words():
    day = equator(buildings=west(wall(10, 10.0)))
    said = day_said(day, 3, "metric")
    assert said.startswith("Direct sun in April from 6:00 to 15:00; "), said
    assert "under an open sky from 6:00 to 18:00 (true solar time)." in said


@pytest.mark.parametrize("at", [(0.0, 10.0), (-20.0, 15.0), (3.0, 10.0)])
def test_a_mount_on_a_wall_loses_what_the_wall_closes(at):
    """Exactly on an edge the wall takes the rays that lead inside and no others, as the year of light has it."""
    hall = prisms([shapely.box(-20, 10, 20, 30), shapely.box(-5, -30, 5, -20)], [-1, -1], [8, 6])
    site = bare_site(buildings=hall, latitude_deg=38.0)
    mount = np.array([*at, 3.0])
    found, year = attribute(site, mount, TABLE), year_of_light(site, mount[None], TABLE)
    by_step = np.bincount(found.step, weights=found.part, minlength=len(TABLE.month))
    np.testing.assert_allclose(
        TABLE.monthly(TABLE.hours_per_day * by_step), year.open_direct_h - year.direct_h[0], atol=1e-9
    )
    assert set(found.obstacle) <= {0, 1}
    assert 0 in found.obstacle


def test_among_many_the_same_buildings_take_the_sun():
    """Those that cannot hide the lowest sun are not asked: one by one, by shapely, none is missed."""
    solids, _, width = town(900, seed=5)
    shapes = shapely.polygons(solids.edge_start.reshape(-1, 4, 2))
    site = bare_site(buildings=prisms(list(shapes), solids.base_m, solids.top_m), latitude_deg=38.0)
    mount = np.array([width / 2 + 2, width / 2 + 1, 6.0])
    found = attribute(site, mount, TABLE)
    owner = np.full(len(TABLE.month), -1)
    owner[found.step] = found.obstacle
    steps = np.random.default_rng(3).choice(len(TABLE.month), 300, replace=False)
    for step in steps:
        azimuth, slope = np.radians(TABLE.azimuth_deg[step]), np.tan(np.radians(TABLE.elevation_deg[step]))
        ahead = np.array([np.sin(azimuth), np.cos(azimuth)])
        ray = shapely.LineString([mount[:2], mount[:2] + 3 * width * ahead])
        within = shapely.intersection(ray, shapes)
        away = shapely.distance(within, shapely.Point(mount[:2]))
        met = ~shapely.is_empty(within) & (away * slope < solids.top_m - mount[2])
        first = int(np.argmin(np.where(met, away, np.inf))) if met.any() else -1
        assert owner[step] == first
    assert len(np.unique(owner[steps])) > 5


def test_a_hidden_winter_noon_does_not_join_summer_s_morning_and_evening():
    """Within a ring wall of one name (a yard), open to the north, at 52 degrees: in winter the sun is away from
    rise to set, in summer only low in the morning and in the evening, hours apart. By month, each stretch of the
    day by itself: the steps that the attribution lists."""
    yard = shapely.difference(shapely.box(-30, -25, 30, 25), shapely.box(-20, -15, 20, 26))
    site = bare_site(buildings=prisms([yard], [-1], [14.0]), latitude_deg=52.0)
    table = sun_table(52.0, 0.0, 0.0, 10, 5)
    losses = day_of_sun(site, ORIGIN, table, ALL_YEAR).losses
    june = [loss for loss in losses if 5 in loss.months]
    assert len(june) == 2
    morning, evening = sorted(june, key=lambda loss: loss.from_h)
    assert morning.to_h < 11 < 13 < evening.from_h
    assert morning.hours_day == pytest.approx(evening.hours_day, abs=STEP_H)
    (december,) = [loss for loss in losses if 11 in loss.months]
    assert december.from_h < 9
    assert december.to_h > 15
    found = attribute(site, ORIGIN, table)
    for month in range(12):
        said = sum(loss.hours_day for loss in losses if loss.months == (month,))
        if said:
            by_step = np.bincount(found.step, weights=found.part, minlength=len(table.month))
            assert said <= table.monthly(table.hours_per_day * by_step)[month] + 1e-9
