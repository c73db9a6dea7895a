"""Requirements, score and order on sites small enough to judge by hand."""

import numpy as np
import pytest
import shapely
from decided import SEASON, TABLE, decided

from planner import plan
from planner.decide import APART_M, Cause, Part, Requirement, Shortfall, Verdict, decide, substitutes
from planner.ledger import PlanError
from planner.mounts import find_mounts
from planner.rain import rain_and_surroundings
from planner.reach import reach
from planner.site import KeepOut, KeepOuts, Places, bare_site, prisms
from planner.sun import sun_table, year_of_light


def judge(site, points, season=SEASON, **keys):
    return decided(site, points, season, **keys).decision


def test_a_cover_is_said_once():
    """Under a canopy, with a hall beside it: nothing says that the hall stands 90 degrees high."""
    built = prisms([shapely.box(-2, -2, 2, 2), shapely.box(-20, 8, 20, 12)], [4, -1], [4.3, 9], ["Canopy", "Hall"])
    found = judge(bare_site(buildings=built, latitude_deg=35), [("a", 0, 0, 2.0)], mounts={"choose": "a"})
    causes = {short.requirement: short.cause for short in found.shortfalls[0]}
    assert causes[Requirement.OPEN_TO_RAIN] is causes[Requirement.NOTHING_OVERHEAD] is Cause.COVER
    assert {short.obstacle for short in found.shortfalls[0] if short.cause is Cause.COVER} == {"Canopy"}


def controllers(*xyz):
    return Places(tuple(f"C{k + 1}" for k in range(len(xyz))), np.array(xyz, float), np.zeros(len(xyz), bool))


def failed(decision, k):
    return [g for g, ok in zip(decision.requirements, decision.passes[k], strict=True) if not ok]


def test_open_ground_passes_every_gate():
    found = judge(bare_site(controllers=controllers([50, 0, 1.5])), [("a", 0, 0, 3.0)])
    assert found.passes.all()
    assert found.chosen == 0
    assert found.shortfalls == ((),)
    assert found.verdict(0) is Verdict.CHOSEN
    assert found.reach_judged


NAN = pytest.approx(np.nan, nan_ok=True)
DARK_WALL = {"buildings": prisms([shapely.box(-300, -60, 300, -59)], [-1], [65])}


@pytest.mark.parametrize(
    ("parts", "point", "short"),
    [
        (
            {"keep_outs": KeepOuts(("yard",), (KeepOut.NO_ACCESS,), (shapely.box(-1, -1, 1, 1),))},
            (0, 0, 3),
            Shortfall(Requirement.ALLOWED_PLACE, Cause.NO_ACCESS, NAN, NAN, "yard"),
        ),
        (
            {"buildings": prisms([shapely.box(-1, -1, 1, 1)], [4], [5], ["porch"])},
            (0, 0, 3),
            Shortfall(Requirement.NOTHING_OVERHEAD, Cause.COVER, NAN, NAN, "porch"),
        ),
        (
            {"keep_outs": KeepOuts(("lawn",), (KeepOut.SPRAY,), (shapely.box(0.5, -9, 9, 9),))},
            (0, 0, 3),
            Shortfall(Requirement.CLEAR_OF_SPRAY, Cause.SPRAY, pytest.approx(0.5), 1.0, "lawn"),
        ),
        (
            {"keep_outs": KeepOuts(("flue",), (KeepOut.HEAT,), (shapely.box(2, -1, 4, 1),))},
            (0, 0, 3),
            Shortfall(Requirement.CLEAR_OF_HEAT, Cause.HEAT, pytest.approx(2.0), 3.0, "flue"),
        ),
        ({}, (0, 0, 12), Shortfall(Requirement.SERVICEABLE, Cause.HEIGHT, pytest.approx(12.0), 10.0)),
        (
            {"buildings": prisms([shapely.box(-1, 4, 1, 6)], [-1], [9], ["shed"])},
            (0, 0, 3),
            Shortfall(
                Requirement.OPEN_TO_RAIN, Cause.STEEP, pytest.approx(np.degrees(np.arctan(6 / 4))), 45.0, "shed"
            ),
        ),
        (
            {"controllers": controllers([50, 0, 1], [900, 0, 1])},
            (0, 0, 3),
            Shortfall(Requirement.IN_REACH, Cause.OUT_OF_REACH, 1.0, 0.0),
        ),
    ],
)
def test_each_requirement_rules_out_and_says_by_how_much(parts, point, short):
    found = judge(bare_site(**parts), [("a", *point)])
    assert short in found.shortfalls[0]
    assert short.requirement in failed(found, 0)
    assert np.isnan(found.score[0])
    assert found.chosen == -1
    assert found.verdict(0) is Verdict.RULED_OUT
    assert found.ruled_out_by()[short.requirement] == 1


def test_the_fewest_are_sought_among_those_that_meet_every_other_requirement():
    """One of three stands too high to be serviced, which is one requirement of many: no layout may use it."""
    points = [("a", 0, 0, 3.0), ("too high", 40, 0, 12.0), ("b", 80, 0, 3.0)]
    site = bare_site(controllers=controllers([100, 0, 1.5]))
    found = judge(site, points, requirements={"reach": "fewest"})
    assert found.usable.tolist() == [0, 2]
    assert failed(found, 1) == [Requirement.SERVICEABLE, Requirement.IN_REACH]


def test_a_wall_to_the_south_takes_sun_and_light():
    """What is said is the month's own number and what is asked of it."""
    site = bare_site(**DARK_WALL)
    found = judge(site, [("a", 0, 0, 3)])
    light = year_of_light(site, np.array([[0, 0, 3.0]]), TABLE)
    short = {s.requirement: s for s in found.shortfalls[0]}
    sun, dark = short[Requirement.FULL_SUN], short[Requirement.LIGHT_KEPT]
    assert sun.cause is Cause.SHORT_SUN
    assert sun.value == pytest.approx(light.direct_h[0, sun.month])
    assert sun.limit == pytest.approx(min(6.0, 0.9 * light.open_direct_h[sun.month]))
    assert dark.cause is Cause.DARK
    assert dark.value == light.light_share[0, dark.month] == light.light_share[0, SEASON].min()
    assert dark.limit == 0.9
    assert SEASON[sun.month]
    assert SEASON[dark.month]


def test_an_eave_that_drips_shuts_out_what_stands_under_it():
    house = bare_site(buildings=prisms([shapely.box(-9, -9, 9, 9)], [-1], [4], ["house"]), pitched=np.array([True]))
    found = judge(house, [("under the eave", 0, -9.3, 3.8), ("on the eave", 0, -8.7, 4.6), ("beside", 0, -14, 3)])
    assert failed(found, 0) == [Requirement.NOTHING_OVERHEAD]
    drip = Shortfall(Requirement.NOTHING_OVERHEAD, Cause.DRIP, pytest.approx(0.3), 1.0, "house")
    assert found.shortfalls[0] == (drip,)
    assert failed(found, 1) == failed(found, 2) == []
    asked = judge(house, [("under the eave", 0, -9.3, 3.8)], requirements={"min_drip_margin_m": 0.2})
    assert asked.passes.all()


def test_driving_rain_asks_for_more_room_to_windward():
    """A wall 30 degrees high passes the 45 degree rule, and shelters from rain that comes in at 22 degrees."""
    shed = bare_site(
        buildings=prisms([shapely.box(-40, -16, -10, 16)], [-1], [3 + 10 * np.tan(np.pi / 6)], ["shed"])
    )
    points = [("a", 0, 0, 3.0)]
    assert Requirement.OPEN_TO_RAIN not in failed(judge(shed, points), 0)
    assert Requirement.OPEN_TO_RAIN not in failed(judge(shed, points, climate={"rain_from_deg": 90.0}), 0)
    west = judge(shed, points, climate={"rain_from_deg": 270.0})
    assert Requirement.OPEN_TO_RAIN in failed(west, 0)
    driven = Shortfall(Requirement.OPEN_TO_RAIN, Cause.STEEP_WINDWARD, pytest.approx(30.0), 22.5, "shed")
    assert driven in west.shortfalls[0]


def test_spray_does_not_reach_a_high_roof():
    lawn = KeepOuts(("lawn",), (KeepOut.SPRAY,), (shapely.box(-9, -9, 9, 9),))
    assert failed(judge(bare_site(keep_outs=lawn), [("a", 0, 0, 7)]), 0) == []


def test_a_short_winter_day_asks_for_less():
    """Six hours of full sun cannot be asked of a month that has no more than that under an open sky."""
    north = bare_site(latitude_deg=60)
    light = year_of_light(north, np.array([[0, 0, 3.0]]), sun_table(60, 0))
    assert light.open_direct_h[11] < 6.6
    found = judge(
        bare_site(), [("a", 0, 0, 3.0)], season=np.ones(12, bool), requirements={"min_direct_h_day": 24.0}
    )
    assert found.passes.all()


def test_reach_every_any_off():
    site = bare_site(controllers=controllers([50, 0, 1], [900, 0, 1]))
    for rule, ok in (("every", False), ("any", True), ("off", True)):
        assert bool(judge(site, [("a", 0, 0, 3)], requirements={"reach": rule}).passes.all()) is ok


def test_the_place_nearest_to_passing_reaches_the_most():
    """None reaches both controllers: the higher one that reaches one of them, not the better one."""
    site = bare_site(controllers=controllers([50, 0, 1], [900, 0, 1]))
    found = judge(site, [("none", -400, 0, 3), ("one", 0, 0, 5)], requirements={"reach": "every"})
    assert found.chosen == -1
    assert found.part_scores[0].sum() > found.part_scores[1].sum()
    assert found.nearest == 1


def test_the_score_is_the_weighted_sum_of_its_parts():
    wall = prisms([shapely.box(-20, -42, 20, -40)], [-1], [12])
    site = bare_site(buildings=wall, controllers=controllers([60, 0, 1.5]))
    found = judge(
        site, [("a", 0, 0, 3), ("b", 30, 60, 6)], weights={"light": 2, "rain": 1, "reach": 1, "access": 0}
    )
    for k in range(2):
        light, rain, near, _ = found.part_scores[k]
        assert found.score[k] == pytest.approx(100 * (2 * light + rain + near) / 4)
    assert found.order[0] == int(np.argmax(found.score))
    assert found.part_scores[0, 1] == pytest.approx(1 - np.degrees(np.arctan(9 / 40)) / 45)
    assert found.part_scores[0, 3] == pytest.approx(0.7)


def test_runners_up_stand_apart():
    points = [(f"p{k}", 10.0 * k, 0, 3 + 0.1 * k) for k in range(12)]
    found = judge(bare_site(), points, outputs={"runners_up": 3})
    taken = [found.chosen, *found.runners_up]
    xs = [points[k][1] for k in taken]
    assert len(taken) == 4
    assert min(abs(a - b) for i, a in enumerate(xs) for b in xs[:i]) >= APART_M
    assert [found.verdict(k) for k in taken] == [Verdict.CHOSEN] + [Verdict.RUNNER_UP] * 3


def test_runners_up_are_on_other_buildings_first():
    pair = prisms([shapely.box(0, 0, 120, 20), shapely.box(300, 0, 320, 20)], [-1, -1], [4, 8], ["low", "high"])
    site = bare_site(shapely.box(-50, -50, 400, 100), buildings=pair)
    settings = plan.Plan(mounts=plan.Mounts(walls=False))
    mounts = find_mounts(site, settings.mounts, 0.6)
    light = year_of_light(site, mounts.xyz, TABLE)
    found = decide(
        settings,
        mounts,
        light,
        rain_and_surroundings(site, mounts.xyz),
        reach(site, mounts.xyz, mounts.height_m, settings),
        SEASON,
    )
    assert mounts.holder[found.chosen].name == "low"
    assert mounts.holder[found.runners_up[0]].name == "high"
    assert any(mounts.holder[k].name == "low" for k in found.runners_up[1:])


def test_the_plan_may_choose_even_what_is_shut_out():
    found = judge(bare_site(), [("a", 0, 0, 3), ("too high", 60, 0, 20)], mounts={"choose": "too high"})
    assert found.chosen == 1
    assert found.overridden
    assert found.verdict(1) is Verdict.CHOSEN
    assert [short.requirement for short in found.shortfalls[1]] == [Requirement.SERVICEABLE]


def test_an_unknown_choice_names_the_nearest():
    with pytest.raises(PlanError, match="did you mean 'gate house'"):
        judge(bare_site(), [("gate house", 0, 0, 3)], mounts={"choose": "gatehouse"})


def test_southern_season_is_judged_in_its_own_months():
    """In the south the sun stands in the north: a wall there matters, one in the south does not."""
    season = np.array([True] * 4 + [False] * 5 + [True] * 3)
    north, south = (prisms([shapely.box(-300, y, 300, y + 1)], [-1], [25]) for y in (14, -15))
    table = sun_table(-35, 0, step_minutes=20, day_step=10)
    shares = [
        year_of_light(bare_site(buildings=w, latitude_deg=-35), np.array([[0, 0, 3.0]]), table)
        .beam_share[0, season]
        .min()
        for w in (north, south)
    ]
    assert shares[0] < 0.6 < shares[1]


def test_nothing_to_judge():
    found = judge(bare_site(), [])
    assert found.chosen == -1
    assert found.passes.shape == found.lacking.shape == (0, len(Requirement))
    assert found.part_scores.shape == (0, len(Part))
    assert found.order == found.runners_up == found.shortfalls == ()


def test_a_substitute_keeps_everybody_served():
    """Two places: the first alone serves A and feeds the repeater, the second alone serves C; both serve B."""
    xyz = np.array([[0, 0, 3], [200, 0, 3], [50, 0, 3], [60, 0, 3], [10, 0, 3], [100, 0, 3]], float)
    holds = np.array([[1, 1, 0], [0, 1, 1], [1, 0, 0], [1, 1, 1], [1, 1, 1], [0, 0, 1]], bool)
    feeds = np.array([[1], [0], [0], [1], [1], [0]], bool)
    # best first: 4 stands too near to the first place, 2 does not feed the repeater, 3 does both
    assert substitutes((0, 1), (4, 0, 1, 5, 2, 3), holds, feeds, xyz) == {0: 3, 1: 5}
    assert substitutes((0, 1), (4, 0, 1, 2), holds, feeds, xyz) == {0: -1, 1: -1}
    assert substitutes((0, 1), (0, 1, 2), holds, feeds[:, :0], xyz) == {0: 2, 1: -1}


def test_the_nearest_to_passing_lacks_least():
    """One fails a single requirement by far, the other two by a little."""
    lawn = KeepOuts(("lawn",), (KeepOut.SPRAY,), (shapely.box(39.05, -9, 60, 9),))
    hot = KeepOuts(("flue",), (KeepOut.HEAT,), (shapely.box(35, -9, 35.05, 9),))
    both = KeepOuts((*lawn.names, *hot.names), (*lawn.kinds, *hot.kinds), (*lawn.shapes, *hot.shapes))
    found = judge(bare_site(keep_outs=both), [("far over", 0, 0, 19.0), ("by a little", 38.0, 0, 4.9)])
    assert found.lacking[0].sum() == pytest.approx(0.9)
    by_little = found.lacking[1].sum()
    assert 0 < by_little < 0.2
    assert (found.passes == (found.lacking == 0)).all()
    assert found.nearest == 1
