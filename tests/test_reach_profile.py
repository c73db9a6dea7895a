"""Compiled profiles against shapely pair by pair, and what they are reduced to."""

import numpy as np
import pytest
import shapely
from campus_scenes import lines, scattered
from hypothesis import example, given, settings
from hypothesis import strategies as st
from plain_profiles import PlainProfiles, edge_v

from planner.reach.diffraction import diffract
from planner.reach.profile import BUILDING, CROWN, CROWN_PRISM, trace
from planner.reach.radio import knife_edge_db, wavelength_m
from planner.reach.scene import scene
from planner.site import Heights, bare_site, prisms

F_MHZ = 915.0
WAVE = wavelength_m(F_MHZ)


def rows(found, k):
    i, j = found.first[k], found.first[k + 1]
    return list(zip(found.kind[i:j], found.row[i:j], found.enter_m[i:j], found.leave_m[i:j], strict=True))


def close(one, other):
    np.testing.assert_allclose(np.reshape(one, (-1, 2)), np.reshape(other, (-1, 2)), atol=1e-6)


def ground(found, k):
    return found.ground_m[found.ground_first[k] : found.ground_first[k + 1]]


@pytest.mark.parametrize("terrain_cell_m", [None, 2.0])
def test_same_pieces_as_shapely(terrain_cell_m):
    site = scattered(seed=3, terrain_cell_m=terrain_cell_m)
    a, b = lines(11, 250)
    found, plain = trace(scene(site), a, b), PlainProfiles(site)
    kinds = set()
    for k in range(len(a)):
        pieces, heights = plain.line(a[k], b[k])
        mine = rows(found, k)
        assert [p[:2] for p in pieces] == [(int(p[0]), int(p[1])) for p in mine]
        close([p[2:] for p in pieces], [p[2:] for p in mine])
        np.testing.assert_allclose(ground(found, k), heights, atol=1e-9)
        kinds |= {p[0] for p in pieces}
    assert kinds == {BUILDING, CROWN, CROWN_PRISM}


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_same_pieces_as_shapely_wherever(seed):
    site = scattered(seed=seed, buildings=12, trees=10, side_m=120, hedges=2)
    a, b = lines(seed + 1, 10, side_m=120)
    found, plain = trace(scene(site), a, b), PlainProfiles(site)
    for k in range(len(a)):
        pieces, _ = plain.line(a[k], b[k])
        assert [p[:2] for p in pieces] == [(int(p[0]), int(p[1])) for p in rows(found, k)]
        close([p[2:] for p in pieces], [p[2:] for p in rows(found, k)])


def test_a_line_through_corners_and_along_walls():
    """Degenerate lines: a corner touched is no piece, a diagonal is one, a shared wall is one at most."""
    blocks = prisms([shapely.box(10, 0, 20, 10), shapely.box(20, 0, 30, 10)], [-1, -1], [9, 9])
    s = scene(bare_site(buildings=blocks))
    a = np.array([[0, 0, 5], [5, 15, 5], [20, -5, 5], [0, 5, 5]], float)
    b = np.array([[40, 40, 5], [15, 5, 5], [20, 15, 5], [40, 5, 5]], float)
    found = trace(s, a, b)
    assert len(rows(found, 0)) == 0 or rows(found, 0)[0][3] - rows(found, 0)[0][2] < 1e-5
    assert rows(found, 1)[0][1] == 0
    assert len(rows(found, 2)) <= 1
    assert [p[1] for p in rows(found, 3)] == [0, 1]


def screen(x=50.0, top=10.0, width=2000.0):
    return prisms([shapely.box(x - 0.005, -width, x + 0.005, width)], [-5], [top])


@pytest.mark.parametrize("top", [2.0, 4.5, 4.999, 8.0, 15.0])
def test_one_thin_screen_is_a_knife_edge(top):
    """ITU-R P.526 section 4.1: a long screen gives J(v) of its top; its two faces, 1 cm apart, are one edge."""
    s = scene(bare_site(buildings=screen(top=top)))
    found = diffract(s, np.array([[0, 0, 5.0]]), np.array([[120.0, 0, 5.0]]), WAVE)
    want = float(knife_edge_db(edge_v(top - 5.0, 50.0, 70.0, F_MHZ)))
    assert found.over_db[0] == pytest.approx(want, abs=0.05)
    assert found.crossed[0] == (top > 5.0)
    h = (5.0 - top) / np.sqrt(WAVE * 50 * 70 / 120)
    assert found.clearance[0] == pytest.approx(min(h, 5.0 / np.sqrt(WAVE * 60 * 60 / 120)), abs=0.01)


@pytest.mark.parametrize("far_m", [5.0, 4.0, 1.5])
def test_a_roof_raised_through_the_line_never_jumps(far_m):
    """By 1 cm steps from far under to far over the line, level or falling; P.526 where both edges touch it."""
    tops = np.arange(0.0, 8.0, 0.01)
    a, b = np.array([[0, 0, 5.0]]), np.array([[120.0, 0, far_m]])

    def over(top):
        roof = prisms([shapely.box(40, -900, 80, 900)], [-5], [top])
        return diffract(scene(bare_site(buildings=roof)), a, b, WAVE).over_db[0]

    loss = np.array([over(top) for top in tops])
    assert (np.diff(loss) > -1e-9).all()
    assert np.diff(loss).max() < 0.1
    assert loss[0] == 0.0
    if far_m == 5.0:  # both edges touch: two knife edges evenly spaced leave a third (Lee 1978, from memory)
        touching = np.abs(tops - 5.0) < 0.001
        np.testing.assert_allclose(loss[touching], 20 * np.log10(3), atol=0.1)


def test_one_ridge_of_ground_is_one_edge():
    """A single sample of ground stands above the line: its knife edge alone."""
    values = np.zeros((3, 121))
    values[:, 60] = 8.0
    terrain = Heights(values, -0.5, 1.5, 1.0)
    s = scene(bare_site(terrain=terrain))
    found = diffract(s, np.array([[0.0, 0, 5.0]]), np.array([[120.0, 0, 5.0]]), WAVE)
    assert found.over_db[0] == pytest.approx(float(knife_edge_db(edge_v(3.0, 60.0, 60.0, F_MHZ))), abs=0.01)
    assert found.crossed[0] == 0


def test_no_summit_between_two_samples_of_the_ground_is_missed():
    """Rough ground in cells of 10 m: the clearance is that of 20,000 points along each line."""
    rng = np.random.default_rng(5)
    terrain = Heights(rng.uniform(0, 8, (40, 80)), 0.0, 400.0, 10.0)
    a = np.column_stack([np.full(12, 15.0), rng.uniform(20, 380, (12, 1)), rng.uniform(9, 14, (12, 1))])
    b = np.column_stack([np.full(12, 785.0), rng.uniform(20, 380, (12, 1)), rng.uniform(9, 14, (12, 1))])
    found = diffract(scene(bare_site(terrain=terrain)), a, b, WAVE)
    t = np.linspace(0, 1, 20_001)[200:-200]
    for k in range(12):
        long_m = np.linalg.norm(b[k] - a[k])
        line = a[k] + t[:, None] * (b[k] - a[k])
        over = terrain.at(line[:, :2]) + t * (1 - t) * long_m**2 / (2 * 8.5e6) - line[:, 2]
        highest = (over / np.sqrt(WAVE * long_m * t * (1 - t))).max()
        assert found.ridge_clearance[k] == pytest.approx(-highest, abs=0.003)


SCREENS = {  # distances, heights, ends' heights, length, MHz, dB by the integral in data/fit_diffraction.py
    "two": ([40.0, 90.0], [12.0, 9.0], 5.0, 2.0, 140.0, 915.0, 36.5),
    "three": ([30.0, 60.0, 110.0], [9.0, 12.0, 8.0], 6.0, 2.0, 150.0, 868.0, 38.7),
    "five": ([20.0, 45.0, 70.0, 100.0, 125.0], [9.0, 10.0, 11.0, 9.0, 8.0], 7.0, 2.0, 150.0, 2400.0, 61.9),
}


@pytest.mark.parametrize("name", SCREENS)
def test_screens_in_a_row_are_those_of_the_integral(name):
    """Within 4 dB, twice the spread that is promised."""
    at, tops, high_a, high_b, long_m, f_mhz, want = SCREENS[name]
    walls = prisms([shapely.box(x - 0.005, -3000, x + 0.005, 3000) for x in at], [-50] * len(at), tops)
    ends = np.array([[0, 0, high_a]]), np.array([[long_m, 0, high_b]])
    found = diffract(scene(bare_site(buildings=walls)), *ends, wavelength_m(f_mhz))
    assert found.over_db[0] == pytest.approx(want, abs=4.0)
    assert found.edges[0] == len(at)


@pytest.mark.parametrize("n", [1, 2, 3, 5, 8, 20])
def test_screens_that_all_just_touch_the_line(n):
    """Evenly spaced they leave 1 / (n + 1) of the field (Lee 1978, from memory; so does the integral)."""
    tops = np.arange(1, n + 1) * 40.0 * (40.0 * (n + 1) - np.arange(1, n + 1) * 40.0) / (2 * 8.5e6)
    walls = prisms(
        [shapely.box(40 * k - 0.005, -3000, 40 * k + 0.005, 3000) for k in range(1, n + 1)], [-50] * n, 10.0 - tops
    )
    ends = np.array([[0, 0, 10.0]]), np.array([[40.0 * (n + 1), 0, 10.0]])
    found = diffract(scene(bare_site(buildings=walls)), *ends, WAVE)
    assert found.over_db[0] == pytest.approx(20 * np.log10(n + 1), abs=0.2 if n < 10 else 0.4)


def test_round_a_tower_is_shorter_than_over_it():
    tower = prisms([shapely.box(45, -3, 55, 4)], [-5], [80.0])
    found = diffract(
        scene(bare_site(buildings=tower)), np.array([[0.0, 0, 5.0]]), np.array([[100.0, 0, 5.0]]), WAVE
    )
    for off, got in ((4.0, found.left_db[0]), (3.0, found.right_db[0])):  # left of the way is north
        # two corners: more than one edge between them, less than two that stand alone
        one, long = (
            float(knife_edge_db(edge_v(off, 50.0, 50.0, F_MHZ))),
            float(knife_edge_db(edge_v(0.0, 1, 1, F_MHZ))),
        )
        assert one < got < one + long + 0.5
    assert found.right_db[0] < found.left_db[0] < found.over_db[0]
    both = -10 * np.log10(10 ** (-0.1 * found.left_db[0]) + 10 ** (-0.1 * found.right_db[0]))
    assert found.past_db[0] == pytest.approx(both, abs=0.05)  # by power


def test_a_way_round_meets_the_next_building():
    """A second tower beside the first joins it; a wall without end leaves no way round."""
    pair = prisms([shapely.box(45, -3, 55, 3), shapely.box(40, -40, 60, -3)], [-5, -5], [80.0, 80.0])
    ends = np.array([[0.0, 0, 5.0]]), np.array([[100.0, 0, 5.0]])
    found = diffract(scene(bare_site(buildings=pair)), *ends, WAVE)
    alone = diffract(scene(bare_site(buildings=prisms([pair.shapes[0]], [-5], [80.0]))), *ends, WAVE)
    assert found.left_db[0] == pytest.approx(alone.left_db[0])
    assert found.right_db[0] > alone.right_db[0] + 10
    back = prisms([shapely.box(20, -50, 60, 50).difference(shapely.box(-10, -45, 50, 45))], [-5], [80.0])
    hook = prisms([shapely.union(back.shapes[0], shapely.box(-20, 45, 20, 50))], [-5], [80.0])
    assert np.isinf(diffract(scene(bare_site(buildings=hook)), *ends, WAVE).left_db[0])


def test_a_roof_on_posts_lets_a_low_line_pass():
    roof = prisms([shapely.box(40, -9, 60, 9)], [4.0], [5.0])
    s = scene(bare_site(buildings=roof))
    low = diffract(s, np.array([[0, 0, 2.0]]), np.array([[100.0, 0, 2.0]]), WAVE)
    bare = diffract(scene(bare_site()), np.array([[0, 0, 2.0]]), np.array([[100.0, 0, 2.0]]), WAVE)
    assert low.crossed[0] == 0
    assert low.over_db[0] == bare.over_db[0]
    assert diffract(s, np.array([[0, 0, 4.5]]), np.array([[100.0, 0, 4.5]]), WAVE).crossed[0] == 1


def test_depth_of_crowns_and_of_the_one_that_holds_an_end():
    site = scattered(seed=5, buildings=1, trees=2, hedges=1)
    crowns = site.crowns
    through = crowns.centre[0]
    r = crowns.radius_m[0]
    a, b = through - np.array([40.0, 0, 0]), through + np.array([40.0, 0, 0])
    alone = bare_site(
        crowns=type(crowns)(("T",), through[None, :], np.array([r]), np.array([3.0]), np.array([True]))
    )
    found = diffract(scene(alone), np.array([a, through]), np.array([b, b]), WAVE)
    assert found.crown_m[0] == pytest.approx(2 * r)
    assert found.crown_evergreen_m[0] == pytest.approx(2 * r)
    assert found.crown_m[1] == pytest.approx(r)


def test_the_building_round_a_receiver_indoors_is_no_obstacle():
    hall = prisms([shapely.box(60, -20, 100, 20)], [-1], [9.0])
    s = scene(bare_site(buildings=hall))
    a, b = np.array([[0, 0, 5.0]]), np.array([[80.0, 0, 1.5]])
    assert diffract(s, a, b, WAVE).crossed[0] == 1
    held = diffract(s, a, b, WAVE, np.array([0]))
    assert held.crossed[0] == 0
    assert held.over_db[0] < 1


COURT = shapely.box(10, -300, 50, 300).difference(shapely.box(15, -295, 45, 295))


def test_two_wings_across_a_courtyard_are_four_walls():
    """Each wing is entered and left; over the roof of one, it is two."""
    s = scene(bare_site(buildings=prisms([COURT], [-1], [9.0])))
    a = np.array([[0, 0, 2.0], [0, 0, 2.0], [0, 0, 22.0]])
    b = np.array([[60, 0, 2.0], [30, 0, 2.0], [60, 0, 2.0]])
    found = diffract(s, a, b, WAVE)
    assert found.crossed.tolist() == [1, 1, 1]
    # from 22 m down it passes over the first wing and through the second: in by its wall or roof, out by its wall
    assert found.walls.tolist() == [4, 2, 2]


def test_another_wing_of_the_building_round_the_receiver_is_an_obstacle():
    """The wing that holds the receiver is not, its walls being the entry loss; the one across the courtyard is."""
    s = scene(bare_site(buildings=prisms([COURT], [-1], [9.0])))
    a, b = np.array([[0, 0, 2.0]]), np.array([[47.0, 0, 2.0]])
    held = diffract(s, a, b, WAVE, np.array([0]))
    assert (held.crossed[0], held.walls[0]) == (1, 2)
    wing = prisms([shapely.box(10, -300, 15, 300)], [-1], [9.0])
    alone = diffract(scene(bare_site(buildings=wing)), a, b, WAVE)
    assert held.over_db[0] == pytest.approx(alone.over_db[0], abs=0.01)


def test_the_earth_curves_away():
    """ITU-R P.526: over flat ground the bulge between the ends is d1 d2 / (2 k a), with k a = 8,500 km."""
    s = scene(bare_site())
    found = diffract(s, np.array([[0, 0, 30.0]]), np.array([[20_000.0, 0, 30.0]]), WAVE)
    middle = 10_000.0**2 / (2 * 8.5e6)
    first = np.sqrt(WAVE * 10_000.0 / 2)
    assert found.clearance[0] == pytest.approx((30.0 - middle) / first, abs=0.01)
    assert found.ridge_clearance[0] == found.clearance[0]


def test_unknown_ground_lies_as_low_as_the_known_ground_beside_it():
    """Terrain for 1 km of a line of 4; the coarser terrain serves where it is known, and the rest is told."""
    near = Heights(np.full((40, 100), 3.0), -20.0, 200.0, 10.0)
    far = Heights(np.full((10, 25), 5.0), -100.0, 500.0, 100.0)
    a, b = np.array([[0, 0, 13.0]]), np.array([[4000.0, 0, 13.0]])
    one = diffract(scene(bare_site(terrain=near)), a, b, WAVE)
    assert one.unknown_m[0] == pytest.approx(3020, abs=15)
    middle = 2000.0**2 / (2 * 8.5e6)
    first = np.sqrt(WAVE * 2000.0 / 2)
    assert one.clearance[0] == pytest.approx((10.0 - middle) / first, abs=0.01)
    both = diffract(scene(bare_site(terrain=near, terrain_far=far)), a, b, WAVE)
    assert both.unknown_m[0] == pytest.approx(1600, abs=15)
    assert both.clearance[0] == pytest.approx((8.0 - middle) / first, abs=0.01)
    back = diffract(scene(bare_site(terrain=near, terrain_far=far)), b, a, WAVE)
    assert back.over_db[0] == pytest.approx(both.over_db[0])


def test_a_surface_model_stands_in_for_footprints_and_crowns():
    """A block of cells 9 m high between the ends is diffracted over like ground; not the footprint too."""
    values = np.zeros((40, 120))
    values[:, 50:60] = 9.0
    surface = Heights(values, 0.0, 20.0, 1.0)
    block = prisms([shapely.box(50, -20, 60, 20)], [0], [9.0])
    a, b = np.array([[5.0, 0, 5.0]]), np.array([[110.0, 0, 2.0]])
    cells = diffract(scene(bare_site(buildings=block, surface=surface)), a, b, WAVE)
    walls = diffract(scene(bare_site(buildings=block)), a, b, WAVE)
    assert cells.crossed[0] == 0
    assert walls.crossed[0] == 1
    assert cells.over_db[0] == pytest.approx(walls.over_db[0], abs=1.5)


def test_a_canopy_layer_is_crowns_on_the_line():
    """Trees 12 m high for 30 m: a line at 6 m goes through all of them, one at 2 m under their crowns."""
    values = np.zeros((40, 120))
    values[:, 40:70] = 12.0
    s = scene(bare_site(canopy=Heights(values, 0.0, 20.0, 1.0)))
    at = np.array([6.0, 2.0])
    a = np.column_stack([np.full(2, 5.0), np.zeros(2), at])
    b = np.column_stack([np.full(2, 105.0), np.zeros(2), at])
    found = diffract(s, a, b, WAVE)
    assert found.crown_m[0] == pytest.approx(30, abs=2)
    assert found.crown_m[1] < 3  # the ramp between two cells
    assert found.crown_evergreen_m[0] == 0


def test_a_line_with_no_length_and_no_lines():
    s = scene(bare_site())
    assert diffract(s, np.zeros((1, 3)), np.array([[0, 0, 4.0]]), WAVE).over_db[0] == 0
    assert len(trace(s, np.empty((0, 3)), np.empty((0, 3))).kind) == 0
    assert len(diffract(s, np.empty((0, 3)), np.empty((0, 3)), WAVE).over_db) == 0


@given(st.integers(0, 100_000))
@settings(max_examples=40, deadline=None)
def test_there_and_back_are_alike(seed):
    """Reciprocity: every loss is the same from either end, with left and right changing places."""
    site = scattered(seed=seed, buildings=15, trees=8, side_m=150, hedges=2, terrain_cell_m=5.0)
    a, b = lines(seed, 6, side_m=150, low_m=6)
    s = scene(site)
    there, back = diffract(s, a, b, WAVE), diffract(s, b, a, WAVE)
    for one, other in (
        ("over_db", "over_db"),
        ("left_db", "right_db"),
        ("clearance", "clearance"),
        ("crown_m", "crown_m"),
    ):
        np.testing.assert_allclose(getattr(there, one), getattr(back, other), atol=1e-6)


@given(st.integers(0, 100_000))
@example(4525)
@settings(max_examples=40, deadline=None)
def test_one_more_building_never_helps_over_the_top(seed):
    rng = np.random.default_rng(seed)
    site = scattered(seed=seed, buildings=10, trees=0, side_m=150, hedges=0)
    low, span = rng.uniform(0, 140, 2), rng.uniform(3, 20, 2)
    more = prisms(
        [*site.buildings.shapes, shapely.box(*low, *(low + span))],
        np.append(site.buildings.base_m, -5.0),
        np.append(site.buildings.top_m, rng.uniform(3, 15)),
    )
    a, b = lines(seed, 8, side_m=150)
    before = diffract(scene(site), a, b, WAVE).over_db
    after = diffract(scene(bare_site(buildings=more)), a, b, WAVE).over_db
    assert (after >= before - 1e-9).all()
