"""Every limit that decides, at its edge: just on the one side it holds, just on the other it does not.

The limits' own sources stand beside them in the code; here stands only where each one cuts.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from decided import SEASON, TABLE, decided

from planner import plan, siting
from planner.climate.zones import zone_of
from planner.decide import Decision, Requirement, _spread_out, decide, got_at, substitutes, weighed
from planner.mounts import Refined, _straight_share, find_mounts, refine
from planner.rain import rain_and_surroundings, windward
from planner.reach import ReachResult
from planner.reach.link import FULL_ROOM_DB, Grade, grade
from planner.season import effective_rain_mm, irrigation_months
from planner.site import Crowns, Heights, KeepOut, KeepOuts, Places, bare_site, prisms
from planner.siting import HEAT_LIMITS, PRECIPITATION_DEG, SHADE_OF_A_DAY, Limit, _best, _light_class, _Test
from planner.sun import year_of_light

A_LITTLE = 1e-6


def passes(requirement: Requirement, site, height_m=3.0, x=0.0, **keys) -> bool:
    found = decided(site, [("a", x, 0, height_m)], **keys).decision
    return bool(found.passes[0, found.requirements.index(requirement)])


# --- decide -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("over", "held"), [(0.0, True), (-A_LITTLE, True), (A_LITTLE, False)])
def test_height_heat_and_eaves_hold_at_the_limit_itself(over, held):
    assert passes(Requirement.SERVICEABLE, bare_site(), 10.0 + over) is held
    flue = KeepOuts(("flue",), (KeepOut.HEAT,), (shapely.box(3.0, -1, 5, 1),))
    assert passes(Requirement.CLEAR_OF_HEAT, bare_site(keep_outs=flue), x=over) is held
    house = prisms([shapely.box(-9, -9, 9, 9)], [-1], [4], ["house"])
    site = bare_site(buildings=house, pitched=np.array([True]))
    assert passes(Requirement.NOTHING_OVERHEAD, site, 3.8, x=10.0 - over) is held


def test_spray_asks_for_a_distance_up_to_a_height():
    def lawn(x0):
        return bare_site(keep_outs=KeepOuts(("lawn",), (KeepOut.SPRAY,), (shapely.box(x0, -9, 20, 9),)))

    clear = Requirement.CLEAR_OF_SPRAY
    assert passes(clear, lawn(1.0))
    assert not passes(clear, lawn(1.0 - A_LITTLE))
    assert passes(clear, lawn(0.5), 5.0)
    assert not passes(clear, lawn(0.5), 5.0 - A_LITTLE)
    # inside it no distance is asked for that it could keep
    inside = lawn(-5)
    assert not passes(clear, inside, requirements={"min_spray_margin_m": 0.0})
    assert passes(clear, lawn(0.1), requirements={"min_spray_margin_m": 0.0})


def test_rain_angles_hold_at_the_limit_itself():
    def wall(deg):
        return bare_site(
            buildings=prisms([shapely.box(-40, -16, -10, 16)], [-1], [3 + 10 * np.tan(np.radians(deg))], ["wall"])
        )

    assert passes(Requirement.OPEN_TO_RAIN, wall(45.0))
    assert not passes(Requirement.OPEN_TO_RAIN, wall(45.0 + 1e-4))
    west = {"rain_from_deg": 270.0}
    assert passes(Requirement.OPEN_TO_RAIN, wall(22.5), climate=west)
    assert not passes(Requirement.OPEN_TO_RAIN, wall(22.5 + 1e-4), climate=west)


def test_light_and_sun_hold_at_the_limit_itself():
    site = bare_site(buildings=prisms([shapely.box(-300, -60, 300, -59)], [-1], [65]))
    light = year_of_light(site, np.array([[0, 0, 3.0]]), TABLE)
    least = float(light.light_share[0, SEASON].min())
    assert 0.05 < least < 0.95
    kept = Requirement.LIGHT_KEPT
    assert passes(kept, site, requirements={"min_light_share": least})
    assert not passes(kept, site, requirements={"min_light_share": least + A_LITTLE})
    hours = decided(site, [("a", 0, 0, 3.0)]).decision
    short = int(hours.short_month[0])
    asked = float(light.direct_h[0, short])
    assert 0 < asked < 0.9 * light.open_direct_h[short]
    assert passes(Requirement.FULL_SUN, site, requirements={"min_direct_h_day": asked})
    assert not passes(Requirement.FULL_SUN, site, requirements={"min_direct_h_day": asked + A_LITTLE})


def test_nine_tenths_of_the_open_sky_are_enough():
    """README: where the open sky gives less than is asked and a tenth more, nine tenths of what it gives."""
    found = decided(bare_site(), [("a", 0, 0, 3.0)], np.ones(12, bool), requirements={"min_direct_h_day": 24.0})
    np.testing.assert_allclose(found.decision.wanted_h, 0.9 * found.sun.open_direct_h, rtol=1e-12)
    six = decided(bare_site(), [("a", 0, 0, 3.0)], np.ones(12, bool)).decision
    np.testing.assert_allclose(six.wanted_h, np.minimum(6.0, 0.9 * found.sun.open_direct_h))


@pytest.mark.parametrize(("apart_m", "taken"), [(30.0, 1), (30.0 - A_LITTLE, 0)])
def test_runners_up_stand_30_m_apart(apart_m, taken):
    found = decided(bare_site(), [("a", 0, 0, 3), ("b", apart_m, 0, 3)]).decision
    assert len(found.runners_up) == taken


def test_the_parts_of_the_score_go_from_the_limit_to_the_best():
    wall = bare_site(buildings=prisms([shapely.box(-40, -16, -10, 16)], [-1], [13.0]))  # 45 degrees from 3 m
    at_limit = decided(wall, [("a", 0, 0, 3.0)]).decision.part_scores[0]
    assert at_limit[1] == pytest.approx(0.0, abs=1e-9)
    free = decided(bare_site(), [("a", 0, 0, 10.0)]).decision.part_scores[0]
    np.testing.assert_allclose(free, [1.0, 1.0, 1.0, 0.0], atol=1e-9)
    low = decided(bare_site(), [("a", 0, 0, 2.5)], requirements={"max_height_m": 5.0}).decision.part_scores[0]
    assert low[3] == pytest.approx(0.5)
    light = decided(wall, [("a", 0, 0, 3.0)], requirements={"min_light_share": 0.5})
    share = light.sun.light_share[0, SEASON].min()
    assert light.decision.part_scores[0, 0] == pytest.approx((share - 0.5) / 0.5)


def test_what_is_lacking_is_a_share_of_what_is_required():
    heat = KeepOuts(("flue",), (KeepOut.HEAT,), (shapely.box(2.0, -1, 5, 1),))
    found = decided(bare_site(keep_outs=heat), [("a", 0, 0, 15.0)]).decision
    lacking = dict(zip(found.requirements, found.lacking[0], strict=True))
    assert lacking[Requirement.CLEAR_OF_HEAT] == pytest.approx(1 / 3)
    assert lacking[Requirement.SERVICEABLE] == pytest.approx(0.5)
    assert lacking[Requirement.FULL_SUN] == lacking[Requirement.ALLOWED_PLACE] == 0
    far = decided(bare_site(), [("a", 0, 0, 30.0)]).decision
    assert far.lacking.max() == 1.0
    yard = KeepOuts(("yard",), (KeepOut.NO_ACCESS,), (shapely.box(-1, -1, 1, 1),))
    assert decided(bare_site(keep_outs=yard), [("a", 0, 0, 3.0)]).decision.lacking[0, 0] == 1.0


def test_reach_is_scored_by_the_weakest_of_every_and_by_the_mean_of_any():
    places = Places(("A", "B"), np.array([[40, 0, 1.5], [120, 0, 1.5]], float), np.zeros(2, bool))
    every, some = (
        decided(bare_site(controllers=places), [("a", 0, 0, 3.0)], requirements={"reach": rule})
        for rule in ("every", "any")
    )
    room = np.clip(every.room[0], 0, 1)
    assert every.decision.part_scores[0, 2] == pytest.approx(room.min())
    assert some.decision.part_scores[0, 2] == pytest.approx(room.mean())


def test_what_is_lacking_of_reach_is_the_mean_over_controllers():
    """Of the one in reach nothing is lacking, however much room it has; with `any` the best one counts."""
    places = Places(("A", "B"), np.array([[40, 0, 1.5], [300, 0, 1.5]], float), np.zeros(2, bool))
    every = decided(bare_site(controllers=places), [("a", 0, 0, 3.0)])
    near, far = every.room[0]
    assert far < 0 < near
    assert every.decision.lacking[0, -1] == pytest.approx(min(-far, 1.0) / 2)
    apart = Places(("B",), np.array([[300, 0, 1.5]], float), np.zeros(1, bool))
    some = decided(bare_site(controllers=apart), [("a", 0, 0, 3.0)], requirements={"reach": "any"})
    assert some.decision.lacking[0, -1] == pytest.approx(min(-some.room[0, 0], 1.0))


def crafted(n: int = 1, rain=(), sun=(), room=None, among=None, **keys) -> Decision:
    """The decision on n mounts in a row on open ground, with some of what was found of them replaced; room (n, m):
    what is left of a cable's longest run. among: the candidates' question, of which the n are trials."""
    m = 0 if room is None else len(room[0])
    boxes = Places(
        tuple("ABC"[:m]), np.array([[9.0 * k, 9, 1.5] for k in range(m)]).reshape(m, 3), np.zeros(m, bool)
    )
    found = decided(bare_site(controllers=boxes), [(f"m{k}", 40 * k, 0, 3.0) for k in range(n)], **keys)
    rained, lit, reached = replace(found.rain, **dict(rain)), replace(found.sun, **dict(sun)), found.reach
    if room is not None:
        runs = tuple(tuple(SimpleNamespace(room=r, price=0.0) for r in row) for row in room)
        reached = replace(reached, runs=runs)
    return decide(found.plan, found.mounts, lit, rained, reached, SEASON, among=among)


def of(requirement: Requirement, decision: Decision) -> int:
    return decision.requirements.index(requirement)


def test_inside_a_keep_out_nothing_passes_however_small_its_margin():
    found = crafted(3, {"heat_m": np.array([0.0, 1e-3, np.inf])}, requirements={"min_heat_margin_m": 0.0})
    assert found.passes[:, of(Requirement.CLEAR_OF_HEAT, found)].tolist() == [False, True, True]
    found = crafted(3, {"no_access_m": np.array([0.0, 1e-3, 5.0])})
    assert found.passes[:, of(Requirement.ALLOWED_PLACE, found)].tolist() == [False, True, True]


def test_what_cannot_be_said_is_lacking_whole():
    found = crafted(2, {"steepest_deg": np.array([np.nan, 0.0])})
    assert found.lacking[:, of(Requirement.OPEN_TO_RAIN, found)].tolist() == [1.0, 0.0]
    found = crafted(2, {"drip_m": np.array([0.0, 0.25]), "drip_name": ("eave", "eave")})
    assert found.lacking[:, of(Requirement.NOTHING_OVERHEAD, found)].tolist() == [1.0, 0.75]
    found = crafted(1, {"covered": np.array([True]), "cover_name": ("roof",), "drip_m": np.array([0.4])})
    assert found.lacking[:, of(Requirement.NOTHING_OVERHEAD, found)].tolist() == [1.0]


def test_spray_may_be_left_aside_or_upwards():
    found = crafted(1, {"spray_m": np.array([0.9])})  # 3 m high, 5 m and more would be above it
    assert found.lacking[0, of(Requirement.CLEAR_OF_SPRAY, found)] == pytest.approx(0.1)
    found = crafted(1, {"spray_m": np.array([0.1])})
    assert found.lacking[0, of(Requirement.CLEAR_OF_SPRAY, found)] == pytest.approx(0.4)


def test_rain_from_windward_is_lacking_by_its_own_limit():
    sectors = np.zeros((2, 36))
    sectors[0, 27], sectors[1, 9] = 33.75, 33.75  # west, and east where no rain comes from
    at = {"sector_deg": sectors, "steepest_deg": np.full(2, 33.75), "obstacles": ("hall",),
          "sector_obstacle": np.where(sectors > 0, 0, -1)}  # fmt: skip
    found = crafted(2, at, climate={"rain_from_deg": 270.0})
    k = of(Requirement.OPEN_TO_RAIN, found)
    assert found.lacking[:, k].tolist() == [pytest.approx(0.5), 0.0]
    short = found.shortfalls[0][0]
    assert (short.value, short.limit, short.obstacle) == (33.75, 22.5, "hall")


def test_parts_of_the_score_do_not_fall_below_nothing_and_weights_share_them_out():
    lit = {"light_share": np.array([[0.2] * 12, [0.95] * 12])}
    weights = {"light": 1.0, "rain": 2.0, "reach": 50.0, "access": 1.0}
    steep = {"steepest_deg": np.array([90.0, 9.0])}
    found = crafted(2, steep, lit, requirements={"max_height_m": 2.0}, weights=weights)
    np.testing.assert_allclose(found.part_scores, [[0, 0, 1, 0], [0.5, 0.8, 1, 0]])
    assert found.worth[1] == pytest.approx((0.5 + 2 * 0.8) / 4)  # nothing to reach: its weight counts nothing
    assert np.isnan(found.score).all()  # too high, both
    good = crafted(1, {"steepest_deg": np.array([9.0])}, weights={"light": 0.0, "rain": 1.0, "access": 1.0})
    assert good.score[0] == pytest.approx(100 * (0.8 + 0.7) / 2)
    no_light = crafted(1, sun={"light_share": np.full((1, 12), 1.0)}, requirements={"min_light_share": 1.0})
    assert no_light.part_scores[0, 0] == 0.0


def test_the_worst_month_is_one_of_the_season():
    light = np.full((1, 12), 0.99)
    light[0, 0], light[0, 5] = 0.1, 0.95  # January is not irrigated
    found = crafted(1, sun={"light_share": light, "direct_h": np.where(light < 0.5, 0.0, 7 + light)})
    assert (found.worst_month[0], found.short_month[0]) == (5, 5)


def test_the_nearest_place_is_told_only_where_none_passes():
    assert crafted(2).nearest == -1
    steep = np.array([90.0, 46.0, 47.0])
    assert crafted(3, {"steepest_deg": steep}).nearest == 1
    # equally lacking: the better parts of the score
    both = {"steepest_deg": np.full(3, 46.0)}
    light = {"light_share": np.array([[0.91] * 12, [0.93] * 12, [0.92] * 12])}
    assert crafted(3, both, light).nearest == 1


def test_who_may_be_gone_to():
    asked = plan.Plan()
    mounts = SimpleNamespace(height_m=np.array([3.0, 3.0, 10.0, 10.0 + A_LITTLE]))
    rain = SimpleNamespace(no_access_m=np.array([0.0, 0.5, np.inf, np.inf]))
    assert got_at(asked, mounts, rain).tolist() == [False, True, True, False]


def test_reach_holds_at_no_room_at_all():
    cable = {"link": "cable", "cable_longest_m": 100.0}
    rooms = [[0.5, 0.0], [0.0, -A_LITTLE], [-A_LITTLE, -3.0]]
    ends = {"every": [True, False, False], "any": [True, True, False], "fewest": [True, False, False]}
    lacks = {"every": [0, A_LITTLE / 2, (A_LITTLE + 1) / 2], "any": [0, 0, A_LITTLE]}
    for rule, held in ends.items():
        found = crafted(3, room=rooms, sensor=cable, requirements={"reach": rule})
        k = of(Requirement.IN_REACH, found)
        assert found.passes[:, k].tolist() == held, rule
        if rule in lacks:
            np.testing.assert_allclose(found.lacking[:, k], lacks[rule], atol=1e-12)
        short = found.shortfalls[2][-1]
        assert (short.value, short.limit) == (2.0, 1.0 if rule == "any" else 0.0)
        if rule == "every":
            assert found.shortfalls[1][-1].value == 1.0  # the one at no room is in reach
    beyond = crafted(1, room=[[-3.0]], sensor=cable, requirements={"reach": "any"})
    assert beyond.lacking[0, -1] == 1.0
    off = crafted(1, room=[[-3.0]], sensor=cable, requirements={"reach": "off"})
    assert off.passes.all()
    assert not off.reach_judged


def test_trials_are_judged_by_the_layouts_of_the_candidates():
    """Alone, what serves one controller of two would be the best there is; a candidate serves both."""
    asked = {"requirements": {"reach": "fewest"}}
    candidates = crafted(room=[[1.0, 1.0]], **asked).sharing
    for among, held in ((None, True), (candidates, False)):
        trial = crafted(room=[[1.0, -1.0]], among=among, **asked)
        assert trial.passes[0, of(Requirement.IN_REACH, trial)] == held
    assert trial.sharing is candidates


def test_runners_up_are_on_other_buildings_first_and_posts_are_on_none():
    def taken(building, count=2, chosen=0):
        rows = SimpleNamespace(xyz=np.array([[100.0 * k, 0, 0] for k in range(len(building))]), building=building)
        return _spread_out(tuple(range(len(building))), rows, chosen, count)

    assert taken(np.array([-1, -1, 0, 0])) == (1, 2)
    assert taken(np.array([0, 0, 1, -1])) == (2, 3)
    assert taken(np.array([0, 0, 1, -1]), 3) == (2, 3, 1)
    assert taken(np.array([0, 0, 0]), 1) == (1,)
    assert taken(np.array([0, 1, 2]), 0) == ()


def test_controllers_that_a_mount_is_judged_by():
    room = np.array([0.0, -A_LITTLE, 0.3])
    assert [(rows.tolist(), whole) for rows, whole in (weighed(room, "every"), weighed(room, "any"))] == [
        ([0, 1, 2], True),
        ([0, 2], False),
    ]
    assert weighed(np.full(2, -1.0), "any")[1]
    assert weighed(np.full(2, 1.0), "fewest")[1]


def test_a_substitute_stands_30_m_from_every_place_and_keeps_all_served():
    xyz = np.array([[0, 0, 3], [100, 0, 3], [30, 0, 3], [30 - A_LITTLE, 0, 3], [60, 0, 3]], float)
    holds = np.array([[1, 0, 1], [0, 1, 1], [1, 0, 0], [1, 1, 1], [0, 1, 0]], bool)
    feeds = np.array([[1], [0], [1], [1], [0]], bool)
    assert substitutes([0, 1], [3, 4, 2], holds, feeds, xyz) == {0: 2, 1: 4}
    feeds[2] = False  # it no longer reaches the repeater that the first place feeds
    assert substitutes([0, 1], [3, 4, 2], holds, feeds, xyz) == {0: -1, 1: 4}


# --- mounts -----------------------------------------------------------------------------------------------------

OUTLINE = shapely.box(-100, -100, 100, 100)


@pytest.mark.parametrize(("width_m", "sides"), [(1.0, 4), (0.99, 2)])
def test_an_edge_of_a_metre_carries_a_bracket(width_m, sides):
    site = bare_site(OUTLINE, buildings=prisms([shapely.box(0, 0, 20, width_m)], [-1], [5.0], ["wall"]))
    found = find_mounts(site, plan.Mounts(setback_m=0.1, walls=False), 0.6)
    assert len(set(found.facing_deg.tolist())) == sides


@pytest.mark.parametrize(("base_m", "walls"), [(0.5, True), (0.5 + A_LITTLE, False)])
def test_a_roof_on_posts_has_no_wall(base_m, walls):
    site = bare_site(OUTLINE, buildings=prisms([shapely.box(0, 0, 20, 20)], [base_m], [5.0], ["carport"]))
    found = find_mounts(site, plan.Mounts(roof_edges=False), 0.6)
    assert bool(len(found)) is walls


@pytest.mark.parametrize(("length_m", "count"), [(14.9, 1), (15.1, 2), (24.9, 2), (25.1, 3)])
def test_candidates_stand_about_a_spacing_apart(length_m, count):
    site = bare_site(OUTLINE, buildings=prisms([shapely.box(0, 0, length_m, 40)], [-1], [5.0], ["hall"]))
    found = find_mounts(site, plan.Mounts(walls=False, spacing_m=10.0), 0.6)
    assert (found.facing_deg == 180).sum() == count


@pytest.mark.parametrize(("gain", "moves"), [(0.5, False), (0.5 + A_LITTLE, True)])
def test_half_a_point_is_worth_a_move(gain, moves):
    none = np.zeros(1)
    tried = Refined(
        none, none, none, none.astype(int), np.array([0.0, 1.0]), none, np.array([60.0, 60 + gain]), 90.0
    )
    assert tried.best_move() == int(moves)


def test_how_far_a_mount_is_moved_and_raised():
    site = bare_site(OUTLINE, buildings=prisms([shapely.box(0, 0, 60, 40)], [-1], [5.0], ["hall"]))
    found = find_mounts(site, plan.Mounts(walls=False), 0.6)
    south = next(k for k in range(len(found)) if found.facing_deg[k] == 180 and 20 < found.xyz[k, 0] < 40)

    def judge(trials):
        return np.ones(len(trials)), np.ones(len(trials)), np.ones(len(trials), int)

    mine = refine(site, found, [south], judge)[south]
    np.testing.assert_allclose(mine.raised_m, [0, 0.5, 1.0, 1.5, 2.0])
    np.testing.assert_allclose(mine.moved_m, np.arange(-10, 11) * 0.5)


def test_the_straight_share_counts_edges_of_a_metre():
    rings = shapely.get_rings(
        [shapely.box(0, 0, 1, 1), shapely.box(0, 0, 1 - A_LITTLE, 1), shapely.box(0, 0, 0.5, 0.5)]
    )
    np.testing.assert_allclose(_straight_share(rings), [1.0, 0.5, 0.0], atol=1e-5)


def test_a_pole_carries_the_sensor_on_its_top():
    poles = Places(("P",), np.array([[3.0, 4.0, 5.0]]), np.zeros(1, bool))
    found = find_mounts(bare_site(OUTLINE, poles=poles), plan.Mounts(), 0.6)
    np.testing.assert_allclose(found.xyz, [[3.0, 4.0, 5.6]], atol=1e-12)
    assert np.isnan(found.facing_deg[0])
    assert found.building[0] == -1
    np.testing.assert_array_equal(find_mounts(bare_site(OUTLINE, poles=poles), plan.Mounts(), 0.0).xyz[:, 2], 5.0)


@pytest.mark.parametrize(("end_m", "tried"), [(0.2512, True), (0.2488, False)])
def test_a_move_ends_where_the_rim_is_5_cm_nearer(end_m, tried):
    """One place on each edge, 0.3 m inside; a move of 4.5 m ends `end_m` from the corner."""
    hall = prisms([shapely.box(0, 0, 2 * (4.5 + end_m), 20)], [-1], [5.0], ["hall"])
    site = bare_site(OUTLINE, buildings=hall)
    found = find_mounts(site, plan.Mounts(walls=False, spacing_m=60), 0.6)
    south = int(np.flatnonzero(found.facing_deg == 180)[0])

    def judge(trials):
        return np.ones(len(trials)), np.ones(len(trials)), np.ones(len(trials), int)

    moved = refine(site, found, [south], judge)[south].moved_m
    assert (4.5 in moved.tolist()) is (-4.5 in moved.tolist()) is tried
    west = int(np.flatnonzero(found.facing_deg == 270)[0])
    assert refine(site, found, [west], judge)[west].moved_to_deg == 0.0


@pytest.mark.parametrize(
    ("top_m", "base_m", "bracket"),
    [(5.0, -1, True), (5.0 + A_LITTLE, -1, False), (9, 5.0, False), (9, 5.0 + A_LITTLE, True)],
)
def test_a_wall_within_another_building_carries_nothing(top_m, base_m, bracket):
    """The bracket's head is at the wall's top, 5 m; another building stands against that wall."""
    built = prisms([shapely.box(0, 0, 20, 20), shapely.box(0, -20, 20, 0)], [-1, base_m], [5.0, top_m], ["a", "b"])
    found = find_mounts(bare_site(OUTLINE, buildings=built), plan.Mounts(roof_edges=False, wall_drop_m=0.0), 0.6)
    assert bool(((found.building == 0) & (found.facing_deg == 180)).any()) is bracket


def test_posts_stand_half_a_spacing_from_the_edge_and_in_no_building():
    hall = prisms([shapely.box(-100, -100, 0, 0)], [-1], [5.0], ["hall"])
    found = find_mounts(
        bare_site(OUTLINE, buildings=hall), plan.Mounts(roof_edges=False, walls=False, ground_spacing_m=100), 0.6
    )
    np.testing.assert_allclose(found.xyz, [[50, -50, 3], [-50, 50, 3], [50, 50, 3]])


# --- season -----------------------------------------------------------------------------------------------------


def test_effective_rain_changes_its_line_at_75_mm():
    np.testing.assert_allclose(effective_rain_mm(np.array([73.0, 75.0, 77.0])), [33.8, 35.0, 36.6], atol=1e-12)
    np.testing.assert_allclose(effective_rain_mm(np.array([16.0, 17.0])), [0.0, 0.2], atol=1e-12)


def test_a_month_runs_when_eto_exceeds_rain_by_the_margin_and_it_is_warm():
    warm, dry = np.full(12, 20.0), np.zeros(12)
    eto = np.full(12, 0.8)
    eto[3] = 0.8 + A_LITTLE
    assert np.flatnonzero(irrigation_months(eto, dry, warm)[0]).tolist() == [3]
    cold = np.full(12, 8.0 - A_LITTLE)
    cold[5] = 8.0
    assert np.flatnonzero(irrigation_months(np.full(12, 5.0), dry, cold)[0]).tolist() == [5]
    # 62 mm of effective rain in January are 2 mm a day, over the month's own 31 days
    wet = np.full(12, (62.0 + 25.0) / 0.8)
    need = np.full(12, 2.8)
    need[0] += A_LITTLE
    assert np.flatnonzero(irrigation_months(need, wet, warm)[0]).tolist() == [0]
    assert irrigation_months(need + 62 / 30 - 2, wet, warm)[0][3]


# --- siting -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("limits", [(5.0, 7.0, 10.0), (3.0, 5.0, 7.0)])
def test_light_classes_hold_at_the_limit_itself(limits):
    for c, limit in enumerate(limits, start=1):
        at = SimpleNamespace(highest_deg=np.array([limit, limit + A_LITTLE]), worst_day=np.array([0.0, 0.0]))
        assert _light_class(at, limits).tolist() == [c, c + 1]
    day = np.array([0.30, 0.30 + A_LITTLE])
    assert SHADE_OF_A_DAY == 0.30
    assert _light_class(SimpleNamespace(highest_deg=np.full(2, 40.0), worst_day=day), limits).tolist() == [4, 5]


def test_limits_of_temperature_and_precipitation_are_the_published_ones():
    """WMO-No. 8: heat sources over 10 % within 100 m, 5 % from 10 to 30 m, 1 % within 10 m in class 1, and so on;
    obstacles 4, 2, 1 and half their height away. The angles of the latter are computed here."""
    assert HEAT_LIMITS[0] == ((0.0, 100.0, 0.10), (10.0, 30.0, 0.05), (0.0, 10.0, 0.01))
    assert HEAT_LIMITS[1] == ((0.0, 30.0, 0.10), (5.0, 10.0, 0.05), (0.0, 5.0, 0.01))
    assert HEAT_LIMITS[2] == ((0.0, 10.0, 0.10), (0.0, 5.0, 0.05))
    assert HEAT_LIMITS[3] == ((0.0, 10.0, 0.50), (0.0, 3.0, 0.30))
    assert siting.RADIATION_DEG == (5.0, 7.0, 10.0)
    assert siting.RADIATION_POLEWARD_DEG == siting.SUNSHINE_DEG == (3.0, 5.0, 7.0)
    assert siting.TEMPERATURE_DEG == (5.0, 7.0, 7.0, 20.0)
    assert siting.TEMPERATURE_SLOPE_DEG == (19.0, 19.0)
    np.testing.assert_allclose(PRECIPITATION_DEG, np.degrees(np.arctan(1 / np.array([4, 2, 1, 0.5]))), atol=0.05)


def test_the_best_class_is_the_first_whose_limits_all_hold():
    def one(holds, limit):
        return _Test(np.array([holds]), Limit.HEAT, np.zeros(1), limit)

    tests = [[one(True, 1.0), one(False, 2.0)], [one(True, 3.0)], [one(True, 4.0)], [one(True, 5.0)]]
    given, decided_by = _best(tests)
    assert given.tolist() == [2]
    assert decided_by == [tests[0][1]]
    given, decided_by = _best([[one(False, limit)] for limit in (1.0, 2.0, 3.0, 4.0)])
    assert given.tolist() == [5]
    assert decided_by[0].allowed == 4.0
    given, decided_by = _best([[one(True, 1.0)]] * 4)
    assert (given.tolist(), decided_by) == ([1], [None])


# --- rain -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ratio", [4.0, 2.0, 1.0, 0.5])
def test_precipitation_classes_hold_at_the_distance_itself(ratio):
    """An obstacle `ratio` times its height away, and 1e-4 of it nearer."""

    def wmo_class(away_m):
        wall = prisms([shapely.box(-50, away_m, 50, away_m + 1)], [-1], [13.0], ["wall"])
        return int(rain_and_surroundings(bare_site(buildings=wall), np.array([[0, 0, 3.0]])).wmo_class[0])

    best = {4.0: 1, 2.0: 2, 1.0: 3, 0.5: 4}[ratio]
    assert wmo_class(10.0 * ratio * (1 + 1e-4)) == best
    assert wmo_class(10.0 * ratio * (1 - 1e-4)) == best + 1


@pytest.mark.parametrize(("off_deg", "counts"), [(40.0, True), (50.0, False)])
def test_windward_is_45_degrees_to_either_side(off_deg, counts):
    """A narrow mast in the middle of a sector of 10 degrees."""
    at = 30.0 * np.array([np.sin(np.radians(off_deg)), np.cos(np.radians(off_deg))])
    mast = prisms([shapely.box(at[0] - 0.1, at[1] - 0.1, at[0] + 0.1, at[1] + 0.1)], [-1], [20.0], ["mast"])
    rain = rain_and_surroundings(bare_site(buildings=mast), np.array([[0, 0, 3.0]]))
    assert bool(windward(rain, 0.0)[0][0] > 10) is counts
    assert bool(windward(rain, (2 * off_deg) % 360)[0][0] > 10) is counts


@pytest.mark.parametrize(("away_m", "found"), [(4.99, True), (5.01, False)])
def test_eaves_are_looked_for_to_5_m(away_m, found):
    house = prisms([shapely.box(-9, -9, 9, 9)], [-1], [4], ["house"])
    site = bare_site(buildings=house, pitched=np.array([True]))
    rain = rain_and_surroundings(site, np.array([[0, -9 - away_m, 3.0]]))
    assert bool(np.isfinite(rain.drip_m[0])) is found


def crown(x, y, z, radius_m, half_height_m) -> Crowns:
    one = np.ones(1)
    return Crowns(("tree",), np.array([[x, y, z]]), radius_m * one, half_height_m * one, one > 0)


@pytest.mark.parametrize("radius_m", [3.0, 5.0, 10.0, 30.0, 100.0])
def test_heat_is_counted_in_circles_of_3_to_100_m(radius_m):
    """A building from half the radius on covers a segment of the circle: its area is elementary."""
    hall = prisms([shapely.box(radius_m / 2, -900, 900, 900)], [-1], [4.0], ["hall"])
    share = rain_and_surroundings(bare_site(buildings=hall), np.array([[0, 0, 3.0]])).heat_share[0]
    k = [3.0, 5.0, 10.0, 30.0, 100.0].index(radius_m)
    assert share[k] == pytest.approx((np.arccos(0.5) - 0.5 * np.sqrt(0.75)) / np.pi, rel=1e-12)
    assert (share[:k] < share[k]).all()


def test_heat_within_a_building_fills_the_circle():
    hall = prisms([shapely.box(-900, -900, 900, 900)], [-1], [4.0], ["hall"])
    for at in ([0, 0, 5.0], [800, 0, 5.0]):
        np.testing.assert_allclose(
            rain_and_surroundings(bare_site(buildings=hall), np.array([at])).heat_share[0, :4], 1.0
        )


@pytest.mark.parametrize(("deg", "counts"), [(0.51, True), (0.49, False)])
def test_what_is_half_a_degree_high_takes_rain(deg, counts):
    away = 50.0
    top = 3.0 + away * np.tan(np.radians(deg))
    at = np.array([[0, 0, 3.0]])
    wall = prisms([shapely.box(-20, away, 20, away + 1)], [-1], [top], ["wall"])
    # a line touches an ellipsoid where the middle is so much lower
    low = np.hypot(5.0 * np.tan(np.radians(deg)), 1.0)
    tree = crown(0.0, away, top - low, 5.0, 1.0)
    for parts in ({"buildings": wall}, {"crowns": tree}):
        found = rain_and_surroundings(bare_site(**parts), at)
        assert found.steepest_deg[0] == pytest.approx(deg if counts else 0.0, abs=1e-9)


@pytest.mark.parametrize("at", [(9.9, 0), (0.1, 0), (10, 9.9), (10, 0.1), (0.1, 10), (9.9, 10), (0, 0.1), (0, 9.9)])
def test_what_is_fixed_to_a_wall_is_under_no_roof(at):
    """Near the ends of each wall, and on a corner cut off by 10 cm."""
    hall = prisms([shapely.box(0, 0, 10, 10)], [-1], [8.0], ["hall"])
    assert not rain_and_surroundings(bare_site(buildings=hall), np.array([[*at, 3.0]])).covered[0]
    cut = shapely.Polygon([(0.1, 0), (10, 0), (10, 10), (0, 10), (0, 0.1)])
    hall = prisms([cut], [-1], [8.0], ["hall"])
    assert not rain_and_surroundings(bare_site(buildings=hall), np.array([[0.05, 0.05, 3.0]])).covered[0]


@pytest.mark.parametrize(("bearing_deg", "closed"), [(94.2, True), (94.49, True), (94.6, False)])
def test_a_wall_closes_the_sectors_that_one_of_ten_looks_enters(bearing_deg, closed):
    """The wall runs from the mount to `bearing_deg`, its building on the right; the sector ends at 95 degrees."""
    along = np.array([np.sin(np.radians(bearing_deg)), np.cos(np.radians(bearing_deg))])
    right = np.array([along[1], -along[0]])
    corners = [-9 * along, 9 * along, 9 * along + 9 * right, -9 * along + 9 * right]
    hall = prisms([shapely.Polygon(corners)], [-1], [8.0], ["hall"])
    found = rain_and_surroundings(bare_site(buildings=hall), np.array([[0, 0, 3.0]]))
    assert (found.sector_deg[0, 9] == 90.0) == closed
    assert found.sector_deg[0, 18] == 90.0
    assert found.sector_deg[0, 0] < 90.0


def test_the_ground_is_looked_at_every_half_degree():
    x = np.arange(-300, 300, 10.0) + 5
    hill = 80 * np.exp(-((x[None, :] - 133.0) ** 2 + (-x[:, None] - 71.0) ** 2) / 800)
    found = rain_and_surroundings(bare_site(terrain=Heights(hill, -300.0, 300.0, 10.0)), np.array([[0, 0, 3.0]]))
    assert found.steepest_name[0] == "the ground"
    assert found.steepest_azimuth_deg[0] == pytest.approx(np.degrees(np.arctan2(133, 71)), abs=5)
    assert found.steepest_azimuth_deg[0] * 2 == round(found.steepest_azimuth_deg[0] * 2)


@pytest.mark.parametrize("azimuth_deg", [0.0, 0.7, 0.8, 5.1, 4.9, 352.0])
def test_a_crown_stands_in_the_sectors_that_it_reaches_into(azimuth_deg):
    """5 m wide to either side, 50 m away: 5.74 degrees to either side."""
    at = 50 * np.array([np.sin(np.radians(azimuth_deg)), np.cos(np.radians(azimuth_deg))])
    seen = rain_and_surroundings(
        bare_site(crowns=crown(*at, 20.0, 5.0, 15.0)), np.array([[0, 0, 3.0]])
    ).sector_obstacle[0]
    half = np.degrees(np.arcsin(5 / 50))
    low, high = (int(np.floor((azimuth_deg + side * half) / 10 + 0.5)) for side in (-1, 1))
    assert sorted(np.flatnonzero(seen >= 0).tolist()) == sorted(s % 36 for s in range(low, high + 1))


# --- reach and zones --------------------------------------------------------------------------------------------


def test_grades_cut_at_half_at_what_is_asked_and_half_way_to_certainty():
    marks = [0.5 - A_LITTLE, 0.5, 0.9 - A_LITTLE, 0.9, 0.95 - A_LITTLE, 0.95 + A_LITTLE]
    named = [Grade.NONE, Grade.DOUBTFUL, Grade.DOUBTFUL, Grade.LIKELY, Grade.LIKELY, Grade.DEPENDABLE]
    assert grade(np.array(marks), 0.9).tolist() == named
    beyond = grade(np.full(2, 0.999), 0.9, np.array([160.0, 160.0 + A_LITTLE]), 160.0)
    assert beyond.tolist() == [Grade.DEPENDABLE, Grade.DOUBTFUL]


def test_room_is_full_at_20_db_over_what_is_asked():
    assert FULL_ROOM_DB == 20.0

    def room(over_db, away_m=10.0):
        z = 1.2815515655446004  # the normal quantile of 0.9 (Abramowitz and Stegun, Table 26.5)
        links = SimpleNamespace(margin_db=np.array([[over_db + z * 5.0]]), spread_db=np.array([[5.0]]))
        found = SimpleNamespace(links=links, asked=0.9, distance_m=np.array([[away_m]]), usable_m=160.0, runs=None)
        return float(ReachResult.radio_room.func(found)[0, 0])

    assert room(0.0) == pytest.approx(0.0, abs=1e-9)
    assert room(10.0) == pytest.approx(0.5)
    assert room(20.0) == room(35.0) == pytest.approx(1.0)
    assert room(-4.0) == pytest.approx(-0.2)
    assert room(35.0, 160.0) == pytest.approx(1.0)
    assert room(35.0, 240.0) == pytest.approx(-0.5)


def test_a_band_holds_its_lower_end_and_not_its_upper():
    low, high = np.array([4.0, 5.0, 6.0]), np.array([5.0, 6.0, 7.0])
    values = np.array([4.0, 5.0 - 1e-9, 5.0, 6.0, 7.0 - 1e-9, 7.0, 4.0 - 1e-9, np.nan])
    assert zone_of(values, low, high).tolist() == [0, 0, 1, 2, 2, -1, -1, -1]
