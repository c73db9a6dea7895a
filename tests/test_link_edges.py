"""What a link's margin, its spread and its room are made of, each beside its formula written out by hand.

What the path meets is given here, so that nothing but the formulas of `planner.reach.link` is tried.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from planner import plan
from planner.reach import ReachResult, link
from planner.reach.diffraction import Obstruction
from planner.reach.link import Grade, Receivers, grade, holding, links, outdoors, reach, wired_height_m
from planner.reach.radio import Radio
from planner.site import Heights, Places, bare_site

RADIO = Radio(915.0, 100.0, 3.0, 6.0, 14.0, 7.0, 14.0, 8.0, ())
OWN_DB = np.sqrt(5.06**2 + 3.0**2)  # P.1411 in sight, and what the radio allows


def meets(**given: float) -> Obstruction:
    """What n lines meet: nothing but what is given."""
    n = max((np.size(v) for v in given.values()), default=1)
    whole = ("way", "edges", "crossed", "walls")
    nothing = {name: np.zeros(n, int if name in whole else float) for name in Obstruction.__dataclass_fields__}
    return Obstruction(**nothing | {name: np.broadcast_to(v, n) for name, v in given.items()})


@pytest.fixture
def over(monkeypatch):
    """One link over 60 m of flat ground that meets what is given, and what it asked the search for."""
    asked = SimpleNamespace(most_db=np.nan)

    def found(
        head=(0.0, 0.0, 3.0), up=3.0, to=(60.0, 0.0, 1.5), to_up=1.5, indoors=False, extra=0.0, r=RADIO, **met
    ):
        def diffract(*args):
            asked.most_db = float(args[-1][0])
            return meets(**met)

        monkeypatch.setattr(link, "diffract", diffract)
        there = Receivers(
            np.array([to]), np.array([to_up]), np.array([-1]), np.array([indoors]), np.array([extra], float)
        )
        seen = links(None, np.array([head]), np.array([up]), there, r)
        return SimpleNamespace(
            most_db=asked.most_db,
            loss_db=float(seen.loss_db[0]),
            obstacle_db=float(seen.obstacle_db[0]),
            **{name: float(getattr(seen, name)[0]) for name in seen.__dataclass_fields__},
        )

    return found


def free_db(distance_m):
    """ITU-R P.525 with its constant to four places (20 log of 4 pi 1e9 / c), MHz and kilometers."""
    return 32.4478 + 20 * np.log10(915.0) + 20 * np.log10(distance_m / 1000)


def two_rays_db(distance_m, up_a, up_b):
    return 40 * np.log10(distance_m) - 20 * np.log10(up_a * up_b)


# --- the loss ----------------------------------------------------------------------------------------------------


def test_a_margin_is_what_is_allowed_less_what_is_kept_in_hand_and_what_the_path_takes(over):
    distance = np.hypot(60.0, 1.5)
    clear = over()
    assert clear.free_space_db == pytest.approx(free_db(distance), abs=1e-3)
    assert clear.ground_db == 0.0  # within pi times P.1411's breakpoint
    assert clear.margin_db == pytest.approx(100.0 - 6.0 - free_db(distance), abs=1e-3)
    assert clear.loss_db == pytest.approx(clear.free_space_db)
    assert clear.spread_db == pytest.approx(OWN_DB, rel=1e-9)
    assert over(indoors=True).spread_db == pytest.approx(np.hypot(OWN_DB, 7.0), rel=1e-9)
    found = over(past_db=5.0, outside_db=5.0, edges=1, extra=2.5)
    assert (found.obstacle_db, found.entry_db) == (5.0, 2.5)
    assert found.margin_db == pytest.approx(clear.margin_db - 7.5)
    assert found.loss_db == pytest.approx(clear.loss_db + 7.5)


def test_of_flat_ground_and_what_stands_in_the_way_the_larger_counts(over):
    low = over((0.0, 0.0, 0.5), 0.5, (60.0, 0.0, 0.5), 0.5, past_db=1.0)
    ground_db = two_rays_db(60.0, 0.5, 0.5) - free_db(60.0)
    assert ground_db > 15
    assert (low.ground_db, low.obstacle_db) == pytest.approx((ground_db, ground_db), abs=1e-3)
    high = over((0.0, 0.0, 0.5), 0.5, (60.0, 0.0, 0.5), 0.5, past_db=30.0)
    assert (high.ground_db, high.obstacle_db) == pytest.approx((ground_db, 30.0), abs=1e-3)
    assert high.margin_db == pytest.approx(low.margin_db + ground_db - 30.0, abs=1e-3)


@pytest.mark.parametrize(("up", "counts"), [(0.0, 0.3), (0.29, 0.3), (0.3, 0.3), (0.31, 0.31)])
def test_no_antenna_is_reckoned_lower_than_30_cm(over, up, counts):
    for head, end in ((up, 1.0), (1.0, up)):
        found = over((0.0, 0.0, 1.0), head, (60.0, 0.0, 1.0), end)
        assert found.ground_db == pytest.approx(two_rays_db(60.0, counts, 1.0) - free_db(60.0), abs=1e-3)


@pytest.mark.parametrize(("sunk", "more"), [(0.0, 0.0), (2.0, 2.0), (0.04, 0.04), (-0.04, 0.0), (-3.0, 0.0)])
def test_ground_that_sinks_between_the_ends_lies_deeper_and_a_hill_no_higher(over, sunk, more):
    for end in ("sunk_a_m", "sunk_b_m"):
        found = over((0.0, 0.0, 0.5), 0.5, (60.0, 0.0, 0.5), 0.5, **{end: sunk})
        assert found.ground_db == pytest.approx(two_rays_db(60.0, 0.5 + more, 0.5) - free_db(60.0), abs=1e-3)


@pytest.mark.parametrize("to", [(60.0, 0.0, 1.5), (0.0, -60.0, 1.5), (36.0, 48.0, 1.5)])
def test_walls_take_more_of_a_path_that_comes_down_steeply(over, to):
    """P.2109-2, a traditional building at 915 MHz by hand: 10 log of the powers of 12.498 dB and 0.212 dB for each
    degree of elevation, of 9.216 dB and of -3 dB. 14.253 dB at level, 19.331 at 30 degrees up or down, 31.605
    straight up. Nothing of it outdoors."""
    head = (0.0, 0.0, 1.5 + 60.0 * np.tan(np.radians(30.0)))
    assert over(head, head[2], to).entry_db == 0.0
    for a, b in ((head, to), (to, head)):
        assert over(a, a[2], b, b[2], indoors=True).entry_db == pytest.approx(14.0 + 19.331 - 14.253, abs=0.002)
    assert over(to=to, head=(0, 0, 1.5), indoors=True, extra=4.0).entry_db == pytest.approx(18.0)
    straight_up = over((0.0, 0.0, 9.0), 9.0, (0.0, 0.0, 1.5), 1.5, indoors=True)
    assert straight_up.entry_db == pytest.approx(14.0 + 31.605 - 14.253, abs=0.002)


def test_ends_in_one_place_are_10_cm_apart(over):
    for apart, counts in ((0.0, 0.1), (0.099, 0.1), (0.101, 0.101)):
        assert over(to=(apart, 0.0, 3.0)).distance_m == pytest.approx(counts)


def test_obstacles_are_reckoned_to_25_db_beyond_what_is_allowed(over):
    found = over()
    assert found.most_db == pytest.approx(100.0 - found.free_space_db + 25.0)
    assert over(r=replace(RADIO, allowed_db=50.0)).most_db == 25.0
    assert over(r=replace(RADIO, allowed_db=found.free_space_db - 0.02)).most_db == 25.0
    assert over(r=replace(RADIO, allowed_db=found.free_space_db + 0.02)).most_db == pytest.approx(25.02)


@pytest.mark.parametrize(("evergreen_m", "left"), [(0.0, 1 / 1.2), (10.0, 1.0), (2.5, 0.25 + 0.75 / 1.2)])
def test_bare_crowns_take_a_sixth_less_but_for_what_is_evergreen(over, evergreen_m, left):
    """A crown in leaf takes a fifth more than a bare one (P.833); Weissberger up to 14 m: 0.45 f^0.284 d."""
    found = over(crown_m=10.0, crown_evergreen_m=evergreen_m)
    in_leaf = 0.45 * 0.915**0.284 * 10.0
    assert found.foliage_db == pytest.approx(in_leaf)
    assert found.foliage_bare_db == pytest.approx(in_leaf * left)


# --- the spread --------------------------------------------------------------------------------------------------


def spread(margin_db, ground_db=0.0, foliage_db=0.0, entry_spread_db=0.0, **met):
    obstacle_db = np.maximum(ground_db, met.get("past_db", 0.0))
    given = (np.atleast_1d(np.asarray(v, float)) for v in (margin_db, obstacle_db, ground_db, foliage_db))
    return float(link._spread(meets(**met), *given, np.atleast_1d(entry_spread_db), RADIO)[0])


def roofs(loss_db, stated_db):
    """5.67 dB brings P.1411's spread in sight, 5.06, to 7.60 without it; all of it from 12 dB on."""
    return np.hypot(5.67, stated_db) * min(loss_db / 12.0, 1.0)


def together(*parts):
    return pytest.approx(np.sqrt(sum(part**2 for part in parts)), rel=1e-9)


def test_a_clear_link_has_the_spread_of_the_law_of_what_is_allowed_and_of_walls():
    assert spread(20.0) == together(5.06, 3.0)
    assert spread(20.0, entry_spread_db=7.0) == together(5.06, 3.0, 7.0)
    assert np.hypot(5.06, 5.67) == pytest.approx(7.60, abs=0.005)


@pytest.mark.parametrize(
    ("margin_db", "foliage_db", "leaves_db"),
    [(20.0, 10.0, 3.0), (0.0, 10.0, 3.0), (-4.0, 10.0, 1.8), (-10.0, 10.0, 0.0), (-30.0, 10.0, 0.0)],
)
def test_leaves_bring_three_tenths_of_what_they_take_as_far_as_it_decides(margin_db, foliage_db, leaves_db):
    assert spread(margin_db, foliage_db=foliage_db) == together(OWN_DB, leaves_db)


@pytest.mark.parametrize(
    ("margin_db", "ground_db", "past_db", "taken_db"),
    [
        (-5.0, 3.0, 14.0, 6.0),
        (-0.03, 0.0, 8.0, 7.97),
        (-5.0, 0.0, 40.0, 12.0),
        (-5.0, 2.0, 2.0, 0.0),
        (-5.0, 0.0, 0.0, 0.0),
    ],
)
def test_a_link_that_does_not_hold_is_judged_by_one_edge_that_takes_all_that_was_left(
    margin_db, ground_db, past_db, taken_db
):
    """Whatever stands there: walls, and any number of edges."""
    for edges, walls in ((1, 0), (9, 4)):
        met = {"past_db": past_db, "outside_db": past_db + 3.0, "edges": edges, "walls": walls}
        assert spread(margin_db, ground_db, **met) == together(OWN_DB, roofs(taken_db, 0.8))


@pytest.mark.parametrize(
    ("edges", "stated_db"),
    [
        (0, 0.8),
        (1, 0.8),
        (2, 1.4),
        (3, 1.6),
        (4, 2.0),
        (5, 2.2),
        (9, 2.2),
        (10, 2.5),
        (19, 2.5),
        (20, 3.1),
        (32, 3.1),
    ],
)
def test_edges_in_a_row_bring_a_spread_of_their_own(edges, stated_db):
    for loss_db in (0.3, 6.0, 12.0, 30.0):
        found = spread(20.0, past_db=loss_db, outside_db=loss_db, edges=edges)
        assert found == together(OWN_DB, roofs(loss_db, stated_db))
    assert link._roofs_spread_db(np.array([-0.01, 0.0]), edges).tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("past_db", "walls", "count"), [(50.0, 2, 2.0), (28.0, 4, 2.0), (7.0, 2, 0.5), (14.0, 0, 0.0)]
)
def test_walls_bring_theirs_by_the_root_of_how_many_they_are(past_db, walls, count):
    """8 dB each, as far as what they take makes walls of 14 dB, or the roofs' where that is more."""
    found = spread(20.0, past_db=past_db, outside_db=60.0 + past_db, edges=1, walls=walls)
    assert found == together(OWN_DB, max(8.0 * np.sqrt(count), roofs(past_db, 0.8)))


@pytest.mark.parametrize("past_db", [0.0, -1e-12])
def test_walls_that_take_nothing_bring_nothing(past_db):
    assert spread(20.0, past_db=past_db, outside_db=past_db, walls=2) == together(OWN_DB)


def test_the_surer_of_two_accounts_counts():
    """All ways with the walls' spread, or without the ways through walls and with what is then left."""
    met = {"past_db": 10.0, "outside_db": 11.0, "edges": 2, "walls": 2}
    every = np.hypot(OWN_DB, 8.0 * np.sqrt(10.0 / 14.0))
    outside = np.hypot(OWN_DB, roofs(11.0, 1.4))
    assert outside * 30 / 29 < every < outside * 3 / 2
    assert spread(30.0, **met) == pytest.approx(outside * 30 / 29)
    assert spread(3.0, **met) == pytest.approx(every)
    # flat ground that takes more than what stands in the way: the same is left both ways
    assert spread(30.0, 12.0, **met) == pytest.approx(outside)
    # nothing is left without walls: no account
    assert spread(30.0, **met | {"outside_db": 45.0}) == pytest.approx(every)


@pytest.mark.parametrize(("left_db", "counts"), [(0.03, True), (0.0, False), (-0.03, False)])
def test_an_account_counts_where_anything_is_left_in_it(left_db, counts):
    met = {"past_db": 10.0, "outside_db": 10.0 + max(-left_db, 0.0), "edges": 2, "walls": 2}
    every, outside = np.hypot(OWN_DB, 8.0 * np.sqrt(10.0 / 14.0)), np.hypot(OWN_DB, roofs(10.0, 1.4))
    assert outside < every
    assert spread(max(left_db, 0.0), **met) == pytest.approx(outside if counts else every)


def test_a_probability_is_the_normal_share_below_the_margin_in_spreads(over):
    for met in ({}, {"past_db": 20.0, "outside_db": 20.0, "edges": 1}, {"past_db": 45.0, "outside_db": 45.0}):
        found = over(**met)
        assert found.probability == pytest.approx(norm.cdf(found.margin_db / found.spread_db))


# --- grade, room, ends -------------------------------------------------------------------------------------------


def test_a_plan_that_asks_for_less_than_half_has_it_as_likely():
    found = grade(np.array([0.399, 0.4, 0.45, 0.69, 0.71]), 0.4)
    assert found.tolist() == [Grade.NONE, Grade.LIKELY, Grade.LIKELY, Grade.LIKELY, Grade.DEPENDABLE]
    assert [int(g) for g in (Grade.NONE, Grade.DOUBTFUL, Grade.LIKELY, Grade.DEPENDABLE)] == [0, 1, 2, 3]


def reached(over_db=0.0, away_m=10.0, runs=None):
    one = SimpleNamespace(margin_db=np.array([[over_db]]), spread_db=np.array([[5.0]]))
    rest = (None, 0.5, False, runs, 0.0, 1.0, 160.0)
    return ReachResult(np.array([[away_m]]), np.array([[np.nan]]), np.zeros((1, 1), int), one, *rest)


@pytest.mark.parametrize(
    ("over_db", "away_m", "room"),
    [(40.0, 155.2, 1.0), (40.0, 164.8, -0.03), (-10.0, 164.8, -0.5), (-10.0, 155.2, -0.5), (40.0, 160.0, 1.0)],
)
def test_beyond_the_usable_range_room_is_no_more_than_what_is_left_of_it(over_db, away_m, room):
    found = reached(over_db, away_m)
    assert (found.room[0, 0], found.radio_room[0, 0]) == pytest.approx((room, room))


def test_a_cables_room_is_its_runs_and_a_radios_its_decibels():
    for run, room, long_m in ((None, -np.inf, np.inf), (SimpleNamespace(room=0.4, length_m=31.0), 0.4, 31.0)):
        found = reached(10.0, runs=((run,),))
        assert (found.room[0, 0], found.cable_m[0, 0]) == (room, long_m)
        assert found.radio_room[0, 0] == pytest.approx(0.5)


def test_a_receiver_in_the_open_is_in_no_building_and_behind_no_wall():
    found = outdoors(np.zeros((2, 3)), np.array([1.0, 2.0]))
    assert (found.inside.tolist(), found.indoors.tolist()) == ([-1, -1], [False, False])
    assert found.extra_loss_db.tolist() == [0.0, 0.0]


def test_a_radio_sensor_has_no_cable_grid():
    site = bare_site(controllers=Places(("C",), np.array([[20.0, 0, 1.5]]), np.zeros(1, bool)))
    found = reach(site, np.array([[0, 0, 3.0]]), np.array([3.0]), plan.Plan())
    assert (found.runs, found.cable_cell_m, found.fine, found.fine_cell_m) == (None, 0.0, (), 0.0)


@pytest.mark.parametrize(("depth_m", "at_m"), [(0.0, 1.5), (0.04, -0.04), (0.5, -0.5), (4.0, -4.0)])
def test_a_cable_ends_at_the_controller_or_as_deep_as_it_lies(depth_m, at_m):
    ground = Heights(np.full((40, 40), 7.0), -200.0, 200.0, 10.0)
    there = Places(("C",), np.array([[20.0, 0, 8.5]]), np.ones(1, bool), depth_m=np.array([depth_m]))
    site = bare_site(controllers=there, terrain=ground)
    assert wired_height_m(site)[0] == pytest.approx(at_m)
    assert holding(site).tolist() == [-1]
