"""Candidates: where they stand, and what they are called."""

import itertools

import numpy as np
import pytest
import shapely

from planner import plan
from planner.mounts import Support, find_mounts, refine
from planner.show.say.verdict import fixed_to
from planner.site import Heights, Places, bare_site, compass, prisms

OUTLINE = shapely.box(-100, -100, 100, 100)


def one_building(shape=None, top=8.0, base=-1.0, **parts):
    shape = shape or shapely.box(0, 0, 40, 20)
    return bare_site(OUTLINE, buildings=prisms([shape], [base], [top], ["Hall"]), **parts)


def test_roof_edges_stand_inside_and_walls_outside():
    site, settings = one_building(), plan.Mounts(spacing_m=10)
    found = find_mounts(site, settings, mast_m=0.6)
    roof = [k for k in range(len(found)) if found.support[k] is Support.PARAPET]
    wall = [k for k in range(len(found)) if found.support[k] is Support.WALL]
    assert len(roof) == len(wall) == 4 + 2 + 4 + 2
    hall = site.buildings.shapes[0]
    for k in roof:
        point = shapely.Point(found.xyz[k, :2])
        assert hall.contains(point)
        assert hall.exterior.distance(point) == pytest.approx(settings.setback_m)
        assert found.xyz[k, 2] == pytest.approx(8.6)
        assert found.height_m[k] == pytest.approx(8.6)
    for k in wall:
        point = shapely.Point(found.xyz[k, :2])
        assert not hall.intersects(point)
        assert hall.distance(point) == pytest.approx(settings.wall_offset_m)
        assert found.xyz[k, 2] == pytest.approx(8.0 - settings.wall_drop_m)
    south = [k for k in wall if found.xyz[k, 1] < 0]
    assert {found.facing_deg[k] for k in south} == {180.0}
    assert {fixed_to(found, k) for k in south} == {"Hall, south wall"}


@pytest.mark.parametrize("reverse", [False, True])
def test_either_ring_orientation_gives_the_same_places(reverse):
    shape = shapely.box(0, 0, 40, 20).difference(shapely.box(10, 5, 30, 15))
    site = one_building(shape.reverse() if reverse else shape)
    found = find_mounts(site, plan.Mounts(), 0.6)
    key = sorted(tuple(np.round(xyz, 6)) for xyz in found.xyz)
    again = find_mounts(one_building(shape), plan.Mounts(), 0.6)
    assert key == sorted(tuple(np.round(xyz, 6)) for xyz in again.xyz)
    # a bracket in the courtyard stands over the courtyard, and faces its middle
    inner = [
        k
        for k in range(len(found))
        if found.support[k] is Support.WALL and 10 < found.xyz[k, 0] < 30 and 5 < found.xyz[k, 1] < 15
    ]
    assert inner
    for k in inner:
        step = np.array([np.sin(np.radians(found.facing_deg[k])), np.cos(np.radians(found.facing_deg[k]))])
        assert not site.buildings.shapes[0].contains(shapely.Point(found.xyz[k, :2] + step))


def test_pitched_roofs_have_eaves():
    found = find_mounts(one_building(pitched=np.array([True])), plan.Mounts(walls=False), 0.6)
    assert set(found.support) == {Support.EAVE}


def test_nothing_where_no_sensor_may_be_fixed():
    assert len(find_mounts(one_building(mountable=np.array([False])), plan.Mounts(), 0.6)) == 0


def test_a_canopy_has_no_wall():
    found = find_mounts(one_building(base=3.0, top=3.5), plan.Mounts(), 0.6)
    assert set(found.support) == {Support.PARAPET}


def test_only_inside_the_site():
    site = bare_site(
        shapely.box(0, 0, 20, 20),
        buildings=prisms([shapely.box(10, 5, 40, 15), shapely.box(50, 0, 60, 10)], [-1, -1], [6, 6]),
    )
    found = find_mounts(site, plan.Mounts(), 0.6)
    assert len(found)
    assert (found.xyz[:, 0] <= 20).all()


def test_no_bracket_on_a_shared_wall():
    pair = prisms([shapely.box(0, 0, 20, 20), shapely.box(20, 0, 40, 20)], [-1, -1], [6, 12], ["low", "high"])
    found = find_mounts(bare_site(OUTLINE, buildings=pair), plan.Mounts(roof_edges=False), 0.6)
    walls = [(fixed_to(found, k), x) for k, x in enumerate(found.xyz[:, 0])]
    assert not [w for w in walls if w[0] == "low, east wall"]
    assert [w for w in walls if w[0] == "high, west wall"]  # it rises above its neighbour


def test_poles_posts_and_named_points():
    terrain = Heights(np.full((30, 30), 50.0), -150, 150, 10.0)
    site = bare_site(
        OUTLINE,
        terrain=terrain,
        poles=Places(("Pole A",), np.array([[5.0, 5.0, 56.0]]), np.array([False])),
        buildings=prisms([shapely.box(-60, -60, -20, -20)], [49], [58]),
    )
    named = plan.NamedMount(name="Shed", x=0, y=0, height_m=3, support="ridge")
    settings = plan.Mounts(roof_edges=False, walls=False, ground_spacing_m=20, named=(named,))
    found = find_mounts(site, settings, 0.5, np.array([[10.0, -5.0]]))
    assert found.ids[:2] == ("N1", "P1")
    assert fixed_to(found, 0) == "Shed, ridge"
    assert found.xyz[0].tolist() == [10.0, -5.0, 53.0]
    assert found.xyz[1].tolist() == [5.0, 5.0, 56.5]
    assert found.height_m[1] == pytest.approx(6.5)
    posts = found.xyz[[s is Support.GROUND for s in found.support]]
    assert len(posts) == 100 - 4
    assert (posts[:, 2] == 53.0).all()
    assert len(set(found.ids)) == len(found)


@pytest.mark.parametrize(
    ("azimuth", "wind"), [(0, "north"), (359, "north"), (46, "northeast"), (181, "south"), (292, "west")]
)
def test_compass(azimuth, wind):
    assert compass(azimuth) == wind


# --- by the ten thousand, and the best few ------------------------------------------------------------------------


def plain_edge_points(ring, spacing_m):
    """Independent: shapely walks the middle of each equal part of every edge."""
    xy = np.asarray(ring.coords)
    for a, b in itertools.pairwise(xy):
        edge = shapely.LineString([a, b])
        if edge.length >= 1:
            n = max(1, round(edge.length / spacing_m))
            for k in range(n):
                yield edge.interpolate((k + 0.5) / n, normalized=True)


@pytest.mark.parametrize("spacing", [0.5, 3.0, 10.0])
def test_every_step_of_every_edge_is_tried(spacing):
    rng = np.random.default_rng(2)
    shapes = []
    for k in range(12):
        shape = shapely.box(0, 0, *rng.uniform(6, 20, 2))
        if k % 3 == 0:
            shape = shape.difference(shapely.box(2, 2, 4, 4))
        shape = shapely.affinity.rotate(shape, rng.uniform(0, 90))
        shapes.append(shapely.affinity.translate(shape, 45 * (k % 4) - 85, 45 * (k // 4) - 65))
    solids = prisms(shapes, np.full(12, -1.0), rng.uniform(4, 9, 12))
    found = find_mounts(bare_site(OUTLINE, buildings=solids), plan.Mounts(spacing_m=spacing, setback_m=0.05), 0.6)
    for b, shape in enumerate(shapes):
        rings = [shape.exterior, *shape.interiors]
        wanted = sorted((p.x, p.y) for ring in rings for p in plain_edge_points(ring, spacing))
        walls = np.flatnonzero((found.building == b) & (np.array(found.support) == Support.WALL))
        out = np.radians(found.facing_deg[walls])
        back = found.xyz[walls, :2] - 0.3 * np.column_stack([np.sin(out), np.cos(out)])
        np.testing.assert_allclose(sorted(map(tuple, back)), wanted, atol=1e-9)
        assert [found.ids[k] for k in walls] == [f"W{b + 1}-{n + 1}" for n in range(len(walls))]


def linear_judge(trials):
    """Light grows with height, score with the easting: what refine must report is then known."""
    return 0.5 + 0.1 * (trials.xyz[:, 2] - 8.6), 50 + trials.xyz[:, 0], (trials.xyz[:, 2] > 9).astype(int)


def test_refine_says_what_more_mast_and_a_step_aside_would_buy():
    site = one_building()
    found = find_mounts(site, plan.Mounts(walls=False), 0.6)
    south = next(k for k in range(len(found)) if found.facing_deg[k] == 180 and found.xyz[k, 0] < 8)
    asked = []

    def judge(trials):
        asked.append(trials)
        return linear_judge(trials)

    result = refine(site, found, [south, south + 1], judge)
    assert len(asked) == 1
    mine = result[south]
    np.testing.assert_allclose(mine.raised_m, [0, 0.5, 1, 1.5, 2])
    np.testing.assert_allclose(mine.raised_light, 0.5 + 0.1 * mine.raised_m)
    assert mine.raised_held.tolist() == (8.6 + mine.raised_m > 9).astype(int).tolist()
    # one who looks south has the west to the right; the corner at x = 0 is 5 m away, less the setback's 0.3 m
    assert mine.moved_to_deg == 270
    x = found.xyz[south, 0]
    assert x == 5
    np.testing.assert_allclose(mine.moved_m, np.arange(-5, 4.6, 0.5))
    np.testing.assert_allclose(mine.moved_score, 50 + x - mine.moved_m)
    assert mine.moved_m[mine.best_move()] == -5
    heights = asked[0].height_m - 8.6
    assert heights.max() == pytest.approx(2.0)


def test_a_step_that_buys_little_is_not_taken():
    site = one_building()
    found = find_mounts(site, plan.Mounts(walls=False), 0.6)
    mine = refine(site, found, [0], lambda t: (np.ones(len(t)), 60 + 0.01 * t.xyz[:, 0], np.ones(len(t), int)))[0]
    assert mine.moved_m[mine.best_move()] == 0
    shut = refine(site, found, [0], lambda t: (np.ones(len(t)), np.full(len(t), np.nan), np.zeros(len(t), int)))[0]
    assert shut.moved_m[shut.best_move()] == 0


def test_a_pole_can_only_grow():
    pole = Places(("Pole A",), np.array([[5.0, 5.0, 6.0]]), np.array([False]))
    site = bare_site(OUTLINE, poles=pole)
    found = find_mounts(site, plan.Mounts(), 0.5)
    mine = refine(site, found, [0], linear_judge)[0]
    assert len(mine.raised_m) == 5
    assert len(mine.moved_m) == 0
    assert mine.best_move() == -1
    assert refine(site, found, [], linear_judge) == {}


def test_a_wall_bracket_moves_along_its_wall():
    site = one_building(shapely.affinity.rotate(shapely.box(0, 0, 40, 20), 30))
    found = find_mounts(site, plan.Mounts(roof_edges=False), 0.6)
    judged = []
    refine(site, found, range(len(found)), lambda t: (judged.append(t), linear_judge(t))[1])
    hall = site.buildings.shapes[0]
    away = shapely.distance(hall, shapely.points(judged[0].xyz[:, :2]))
    np.testing.assert_allclose(away, 0.3, atol=0.05)


@pytest.mark.parametrize("radius", [6.0, 15.0, 50.0])
def test_a_round_building_has_edges(radius):
    """2,000 short edges are one round wall: places all round it, still at its rim."""
    site = bare_site(OUTLINE, buildings=prisms([shapely.Point(0, 0).buffer(radius, 500)], [-1], [8.0], ["Rotunda"]))
    found = find_mounts(site, plan.Mounts(spacing_m=5), 0.6)
    assert len(found) >= 2 * 2 * np.pi * radius / 5 * 0.6
    away = np.hypot(found.xyz[:, 0], found.xyz[:, 1])
    wall = np.array([s is Support.WALL for s in found.support])
    assert (away[~wall] < radius).all()
    assert (away[wall] > radius).all()
    assert np.abs(away - radius).max() < 1.0
    assert len(set(np.round(found.facing_deg / 45.0) % 8)) >= 8  # it faces all ways


def test_a_stepped_outline_has_edges():
    """A footprint traced from a raster: a diagonal of 0.8 m steps."""
    steps = [(0.8 * k + dx, 0.8 * k + dy) for k in range(20) for dx, dy in ((0, 0), (0.8, 0))]
    shape = shapely.Polygon([*steps, (16, 16), (0, 16)])
    found = find_mounts(one_building(shape), plan.Mounts(spacing_m=5, walls=False), 0.6)
    facing = found.facing_deg
    assert ((facing > 90) & (facing < 180)).any()  # the stepped side faces south-east


@pytest.mark.parametrize(("bump_m", "places"), [(0.29, 5), (0.31, 0)])
def test_an_outline_of_short_edges_is_straightened_by_30_cm(bump_m, places):
    """A wall of 16 m with a vertex each 0.8 m and a bump in its middle: one wall for 5 places 3 m apart that face
    west, or two that meet at the bump and face a little aside."""
    ring = shapely.segmentize(shapely.box(0, 0, 16, 16), 0.8)
    at = shapely.get_coordinates(ring)
    at[(at[:, 0] == 0.0) & (np.abs(at[:, 1] - 8.0) < 0.1), 0] = -bump_m
    found = find_mounts(one_building(shapely.Polygon(at)), plan.Mounts(spacing_m=3, walls=False), 0.6)
    assert (found.facing_deg == 270.0).sum() == places


@pytest.mark.parametrize(("bump_m", "places"), [(0.79, 5), (0.81, 0)])
def test_what_is_crooked_yet_is_straightened_by_80_cm(bump_m, places):
    """The same wall; teeth along two others are too deep for 30 cm, with flanks too short for a bracket."""
    teeth = [(0, 0), *((x, 0.6 * (k % 2)) for k, x in enumerate(np.arange(1, 15.1, 0.5)))]
    north = [(16 - x, 16 - y) for x, y in teeth]
    west = [(-bump_m if y == 8 else 0, y) for y in np.arange(16, 0, -0.8).round(1)]
    hall = shapely.Polygon([*teeth, *((16, y) for y in np.arange(0, 16, 0.8)), *north, *west])
    found = find_mounts(one_building(hall), plan.Mounts(spacing_m=3, walls=False), 0.6)
    assert (found.facing_deg == 270.0).sum() == places


@pytest.mark.parametrize(("width_m", "places"), [(16.2, 5), (15.8, 0)])
def test_an_outline_is_straightened_where_less_than_half_of_it_is_straight(width_m, places):
    """Two walls of 16 m are straight; two of about as much have a vertex each 0.8 m, and so room for nothing."""
    along = np.linspace(0, width_m, 21 + (width_m > 16))
    hall = shapely.Polygon([*((x, 0) for x in along), *((x, 16) for x in along[::-1])])
    found = find_mounts(one_building(hall), plan.Mounts(spacing_m=3, walls=False), 0.6)
    assert (found.facing_deg == 0.0).sum() == places


def test_no_wall_tops_where_a_surface_model_shades():
    surface = Heights(np.zeros((20, 20)), -100, 100, 10.0)
    found = find_mounts(one_building(surface=surface), plan.Mounts(), 0.6)
    assert len(found)
    assert Support.WALL not in found.support


def test_courtyard_edges_are_named_by_the_side_they_are_on():
    site = one_building(shapely.box(0, 0, 40, 40).difference(shapely.box(10, 10, 30, 30)))
    found = find_mounts(site, plan.Mounts(walls=False), 0.6)
    north = [
        k
        for k in range(len(found))
        if found.xyz[k, 1] > 29.9 and found.xyz[k, 1] < 31 and 11 < found.xyz[k, 0] < 29
    ]
    assert north
    for k in north:
        assert fixed_to(found, k) == "Hall, edge on the north side of the courtyard"
        assert found.facing_deg[k] == pytest.approx(180)
