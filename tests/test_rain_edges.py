"""What stands around a mount, a little to either side of where it begins to count.

The closed forms here are of plane geometry and written without the module's own helpers.
"""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from scipy.integrate import quad

from planner.rain import GROUND_REACH_M, _covered_area, _Walls, rain_and_surroundings, windward
from planner.site import Crowns, Heights, KeepOut, KeepOuts, bare_site, prisms

HEAD = np.array([[0.0, 0.0, 3.0]])


def seen(at=HEAD, **parts):
    return rain_and_surroundings(bare_site(**parts), np.atleast_2d(np.asarray(at, float)))


def solid(*shapes, top=8.0, names=None):
    return prisms(list(shapes), [-1.0] * len(shapes), np.broadcast_to(top, len(shapes)), names)


def crown(x, y, z=5.0, radius_m=4.0, half_height_m=3.0):
    one = np.ones(1)
    return Crowns(("oak",), np.array([[x, y, z]], float), radius_m * one, half_height_m * one, one > 0)


def polar(azimuth_deg, away):
    return away * np.sin(np.radians(azimuth_deg)), away * np.cos(np.radians(azimuth_deg))


def tilted(*corners):
    """A footprint whose first corner is there twice, as drawings have them."""
    return shapely.Polygon([corners[0], *corners])


# --- under a roof or beside it -----------------------------------------------------------------------------------

DIAMOND = shapely.Polygon([(5, 0), (0, 5), (-5, 0), (0, -5)])


@pytest.mark.parametrize(
    ("at", "under"),
    [
        ((5, 0.03), True), ((5, -0.03), False), ((5, 9.97), True), ((5, 10.03), False),
        ((0.03, 5), True), ((-0.03, 5), False), ((9.97, 5), True), ((10.03, 5), False),
    ],
)  # fmt: skip
def test_what_is_3_cm_inside_a_footprint_is_under_it(at, under):
    for shape in (shapely.box(0, 0, 10, 10), tilted((0, 0), (10, 0), (10, 10), (0, 10))):
        found = seen((*at, 3.0), buildings=solid(shape))
        assert bool(found.covered[0]) is under
        assert found.wall_m[0] == (np.inf if under else pytest.approx(0.03))


@pytest.mark.parametrize(
    ("at", "under"),
    [((0, 0), True), ((-4.9, 0), True), ((-5.1, 0), False), ((0, 4.9), True), ((0, 5.1), False), ((9, 0), False)],
)
def test_corners_level_with_a_mount_are_counted_once(at, under):
    assert bool(seen((*at, 3.0), buildings=solid(DIAMOND)).covered[0]) is under


@pytest.mark.parametrize(("z", "counts"), [(7.97, True), (8.0, False), (8.03, False)])
def test_a_roof_counts_for_what_is_lower_than_its_top(z, counts):
    hall = {"buildings": solid(shapely.box(0, 0, 10, 10)), "pitched": np.array([True])}
    assert bool(seen((5, 5, z), **hall).covered[0]) is counts
    beside = seen((5, -0.5, z), **hall)
    assert beside.steepest_deg[0] == pytest.approx(np.degrees(np.arctan(0.03 / 0.5)) if counts else 0.0)
    assert (beside.wall_m[0], beside.drip_m[0]) == ((0.5, 0.5) if counts else (np.inf, np.inf))
    assert (beside.wall_name[0], beside.drip_name[0]) == (("#1", "#1") if counts else ("", ""))


@pytest.mark.parametrize(
    ("at", "away"), [((10.3, 0), 0.3), ((-0.3, 0), 0.3), ((0, 10.3), 0.3), ((-0.4, -0.3), 0.5)]
)
def test_beyond_its_corners_a_wall_is_no_longer(at, away):
    """On the wall's line, past its end: nothing leads inside, and the corner is the nearest of it."""
    found = seen((*at, 3.0), buildings=solid(shapely.box(0, 0, 10, 10)))
    assert found.wall_m[0] == pytest.approx(away)
    assert found.steepest_deg[0] == pytest.approx(np.degrees(np.arctan(5.0 / away)))
    assert not found.covered[0]


def test_a_corner_cut_off_by_3_cm_is_a_wall_as_well():
    cut = shapely.Polygon([(0.02, 0), (10, 0), (10, 10), (0, 10), (0, 0.02)])
    found = seen((-1, -1, 3.0), buildings=solid(cut))
    assert found.wall_m[0] == pytest.approx(1.01 * np.sqrt(2), rel=1e-9)
    assert found.steepest_deg[0] == pytest.approx(np.degrees(np.arctan(5 / (1.01 * np.sqrt(2)))), rel=1e-9)


def test_of_two_alike_the_first_is_named():
    two = solid(shapely.box(5, -2, 9, 2), shapely.box(5, -2, 9, 2), names=["a", "b"])
    found = seen(buildings=two)
    assert (found.steepest_name, found.wall_name) == (("a",), ("a",))


@pytest.mark.parametrize(("bearing_deg", "closed"), [(94.49, True), (94.51, False)])
def test_the_last_look_of_a_sector_is_half_a_degree_before_its_end(bearing_deg, closed):
    """A wall from the mount to `bearing_deg`, its building on the right; looks are whole degrees apart."""
    along = np.array(polar(bearing_deg, 9.0))
    right = np.array([along[1], -along[0]])
    hall = solid(shapely.Polygon([-along, along, along + right, right - along]))
    found = seen(buildings=hall)
    assert (found.sector_deg[0, 9] == 90.0) is np.bool_(closed)
    assert found.sector_deg[0, 18] == 90.0


# --- sectors -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low_deg", "high_deg"),
    [
        (-4.9, 4.9),
        (-5.1, 4.9),
        (-4.9, 5.1),
        (15.1, 24.9),
        (14.9, 25.1),
        (175.1, 184.9),
        (174.9, 185.1),
        (-94.9, -85.2),
        (301.0, 318.0),
    ],
)
def test_a_wall_stands_in_the_sectors_that_it_reaches_into(low_deg, high_deg):
    """And where it stands is told from 0 to 360 degrees, at the nearest point of its face."""
    middle = (low_deg + high_deg) / 2
    shape = shapely.Polygon([polar(low_deg, 20), polar(high_deg, 20), polar(middle, 23)])
    found = seen(buildings=solid(shape))
    low, high = (round(deg / 10) for deg in (low_deg, high_deg))
    rows = found.sector_obstacle[0]
    assert sorted(np.flatnonzero(rows >= 0).tolist()) == sorted(s % 36 for s in range(low, high + 1))
    assert set(rows.tolist()) == {-1, 0}
    assert found.steepest_azimuth_deg[0] == pytest.approx(middle % 360)
    face = 20 * np.cos(np.radians((high_deg - low_deg) / 2))
    assert found.steepest_deg[0] == pytest.approx(np.degrees(np.arctan(5 / face)))


@pytest.mark.parametrize("azimuth_deg", [0.5, 90.0, 179.0, 181.0, 225.0, 301.0, 358.0])
def test_where_a_crown_stands_is_told_from_0_to_360_degrees(azimuth_deg):
    found = seen(crowns=crown(*polar(azimuth_deg, 30.0)))
    assert found.steepest_azimuth_deg[0] == pytest.approx(azimuth_deg)
    assert set(found.sector_obstacle[0].tolist()) == {-1, 0}


@pytest.mark.parametrize("past_deg", [0.01, 1e-5])
@pytest.mark.parametrize("z", [9.0, 4.0, 2.5])
def test_of_a_crown_s_rim_only_a_narrow_slice_stands_in_the_next_sector(past_deg, z):
    """The plane at 5 degrees cuts an ellipse out of it; the steepest of its points, one by one."""
    away, half_height = 50.0, 6.0
    radius = away * np.sin(np.radians(5.0 + past_deg))
    found = seen(crowns=crown(0.0, away, z, radius, half_height))
    apart = away * np.sin(np.radians(5.0))
    slim = np.sqrt(1 - (apart / radius) ** 2)
    t = np.linspace(0, 2 * np.pi, 200_001)
    out = away * np.cos(np.radians(5.0)) + radius * slim * np.cos(t)
    steepest = np.degrees(np.arctan2(z - 3.0 + half_height * slim * np.sin(t), out)).max()
    for s in (1, 35):
        assert found.sector_deg[0, s] == pytest.approx(steepest if steepest > 0.5 else 0.0, abs=1e-5)


@pytest.mark.parametrize("away", [0.0, 2.0, 3.9])
def test_a_crown_covers_what_is_under_its_upper_surface(away):
    surface = 5.0 + 3.0 * np.sqrt(1 - (away / 4.0) ** 2)
    for z, covers in ((surface - 0.01, True), (surface + 0.01, False), (1.0, True)):
        assert bool(seen((away, 0.0, z), crowns=crown(0, 0)).covered[0]) is covers
    assert not seen((0.0, 0.0, 8.0), crowns=crown(0, 0)).covered[0]


def test_a_crown_s_rim_is_under_it():
    """Straight under its widest line, not a hair farther."""
    assert seen((4.0, 0.0, 4.9), crowns=crown(0, 0)).covered[0]
    beside = seen((4.0 + 1e-6, 0.0, 4.9), crowns=crown(0, 0))
    assert not beside.covered[0]
    assert beside.steepest_deg[0] > 89


def test_windward_are_the_sectors_whose_middle_is_within_45_degrees():
    """In whole degrees, every sector and every wind."""
    for wind in (*range(20), 181, 222, 316, 359):
        within = [s for s in range(36) if min((10 * s - wind) % 360, (wind - 10 * s) % 360) <= 45]
        for s in range(36):
            only = np.zeros((1, 36))
            only[0, s] = 7.0
            steep, sector = windward(SimpleNamespace(sector_deg=only), float(wind))
            assert (steep[0], sector[0] == s) == ((7.0, True) if s in within else (0.0, s == min(within)))


# --- rasters -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("spike_m", "counts"), [(290.0, True), (320.0, False)])
def test_hills_count_to_300_m(spike_m, counts):
    """A ridge of cells 10 m apart, 60 m over the head's ground and level with it 10 m before and behind."""
    assert GROUND_REACH_M == 300.0
    at = np.arange(-500.0, 510.0, 10.0)
    ridge = np.where(at == spike_m, 60.0, 0.0)
    terrain = Heights(np.broadcast_to(ridge, (101, 101)).copy(), -505.0, 505.0, 10.0)
    found = seen(terrain=terrain)
    assert found.steepest_deg[0] == pytest.approx(
        np.degrees(np.arctan(57.0 / spike_m)) if counts else 0.0, abs=0.05
    )
    assert found.steepest_name == (("the ground",) if counts else ("",))
    assert (found.sector_obstacle[0, 27], found.obstacles) == (
        -1,
        ("the ground", "the surface model", "tree canopy"),
    )


def test_a_canopy_layer_and_a_surface_model_cover_by_their_own_names():
    """A roof that is known is named before them."""
    leaves = Heights(np.full((40, 40), 12.0), -20.0, 20.0, 1.0)
    roof = prisms([shapely.box(-9, -9, 9, 9)], [4.0], [5.0], ["roof"])
    assert seen(canopy=leaves).cover_name == ("tree canopy",)
    assert seen(canopy=leaves, buildings=roof).cover_name == ("roof",)
    standing = Heights(np.zeros((40, 40)), -20.0, 20.0, 1.0)
    standing.values[10:30, 10:30] = 9.0
    level = Heights(np.zeros((40, 40)), -20.0, 20.0, 1.0)
    assert seen(surface=standing, terrain=level).cover_name == ("the surface model",)
    flat = seen(surface=level, terrain=level, buildings=solid(shapely.box(5, 5, 9, 9)))
    assert (set(flat.sector_obstacle[0].tolist()), flat.sector_deg.max()) == ({-1}, 0.0)


# --- drip, keep-outs, heat ---------------------------------------------------------------------------------------


def test_the_nearest_eave_is_told_and_there_may_be_none():
    pair = solid(shapely.box(1, -9, 9, 9), shapely.box(-9, -9, -2, 9), names=["east", "west"])
    for pitched, name, away in (
        ([True, True], "east", 1.0),
        ([False, True], "west", 2.0),
        ([False, False], "", np.inf),
    ):
        found = seen(buildings=pair, pitched=np.array(pitched))
        assert (found.drip_name, found.drip_m.tolist()) == ((name,), [away])


def test_the_nearest_keep_out_of_each_kind_is_told_and_there_may_be_no_mounts():
    outs = KeepOuts(
        ("pitch", "lawn", "flue", "roof edge"),
        (KeepOut.SPRAY, KeepOut.SPRAY, KeepOut.HEAT, KeepOut.NO_ACCESS),
        (shapely.box(9, -5, 20, 5), shapely.box(4, -5, 5, 5), shapely.box(-8, -1, -6, 1), shapely.box(-1, 2, 1, 3)),
    )
    found = seen(keep_outs=outs)
    assert (found.spray_name, found.heat_name, found.no_access_name) == (("lawn",), ("flue",), ("roof edge",))
    assert (found.spray_m[0], found.heat_m[0], found.no_access_m[0]) == (4.0, 6.0, 2.0)
    none = rain_and_surroundings(bare_site(keep_outs=outs), np.empty((0, 3)))
    assert (none.spray_name, none.spray_m.shape, none.drip_m.shape) == ((), (0,), (0,))


def shared_area(a, b):
    """Signed area that a triangle from the middle of a circle of 3 m to an edge has in it."""
    one = _Walls(
        np.array([a], float), np.array([b], float), np.array([0, 1]), np.array([[-9.0, -9, 9, 9]]), np.zeros(1)
    )
    return float(_covered_area(np.zeros((1, 3)), one, np.array([3.0]))[0, 0])


def area_by_angle(a, b, r):
    """The same area in polar coordinates: half the square of the nearer of circle and edge, over the angle."""
    start = np.arctan2(a[1], a[0])
    turn = np.arctan2(a[0] * b[1] - a[1] * b[0], a[0] * b[0] + a[1] * b[1])
    cross = a[0] * b[1] - a[1] * b[0]

    def half_square(share):
        u = np.array([np.cos(start + share * turn), np.sin(start + share * turn)])
        along = u[0] * (b[1] - a[1]) - u[1] * (b[0] - a[0])
        return 0.5 * min(r, cross / along) ** 2 * turn

    return quad(half_square, 0, 1, limit=400, epsabs=1e-12, epsrel=1e-12, points=np.linspace(0.01, 0.99, 60))[0]


@pytest.mark.parametrize(
    ("enters", "leaves"),
    [
        (0.2, 0.8), (0.03, 0.97), (-0.03, 0.97), (0.03, 1.03), (-0.3, 1.4), (0.97, 1.5), (1.03, 1.5),
        (-0.6, 0.03), (-0.6, -0.03), (1.5, 1.7), (-0.9, -0.5),
    ],
)  # fmt: skip
@pytest.mark.parametrize("off", [0.4, 2.0, 2.999])
def test_a_circle_s_share_of_a_triangle_is_its_area_by_angle(enters, leaves, off):
    """An edge `off` from the middle of a circle of 3 m, entered and left at these shares of the edge's length."""
    chord = np.sqrt(9 - off**2)
    length = 2 * chord / (leaves - enters)
    a = np.array([-chord - enters * length, off])
    for turn in (0.0, 1.0, 2.5):
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        one, two = spin @ a, spin @ (a + np.array([length, 0.0]))
        found = shared_area(one, two)
        assert found == pytest.approx(area_by_angle(one, two, 3.0), rel=1e-6, abs=1e-7)
        assert shared_area(two, one) == pytest.approx(-found)


def test_an_edge_that_misses_the_circle_or_has_no_length():
    assert shared_area((-2.0, 3.01), (2.0, 3.01)) == pytest.approx(-9 * np.arctan(2 / 3.01))
    assert shared_area((1.0, 1.0), (1.0, 1.0)) == 0.0
    assert shared_area((4.0, 4.0), (4.0, 4.0)) == 0.0


@pytest.mark.parametrize("off", [2.995, 2.9, 0.0])
def test_a_small_segment_of_heat_counts(off):
    """A shed whose face cuts a segment off the circle of 3 m: r^2 acos(d/r) - d sqrt(r^2 - d^2)."""
    found = seen(buildings=solid(tilted((off, -4), (9, -4), (9, 4), (off, 4))), at=(0, 0, 9.0))
    segment = 9 * np.arccos(off / 3) - off * np.sqrt(9 - off**2)
    assert found.heat_share[0, 0] == pytest.approx(segment / (9 * np.pi), rel=1e-6)
