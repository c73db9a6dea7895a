"""The horizon over rasters: against closed forms, the plain march, and every cell one by one."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_sun import prism_tangent, raster_tangent

from planner.ground import (
    DROP_PER_M2,
    canopy_relief,
    cell_error_deg,
    ground_relief,
    relief_horizon,
    site_ground,
    surface_relief,
)
from planner.rain import rain_and_surroundings
from planner.site import Heights, bare_site, ground_at, prisms
from planner.sun import sun_table, year_of_light
from planner.sun.horizon import directions

AZIMUTH = np.arange(0.0, 360.0, 1.0)


def raster(function, half_m, cell_m):
    """Heights from a function of east and north, square, centred on the origin."""
    n = int(2 * half_m / cell_m)
    x = -half_m + (np.arange(n) + 0.5) * cell_m
    east, north = np.meshgrid(x, x[::-1])
    return Heights(np.asarray(function(east, north), float), -half_m, half_m, cell_m)


def rough(seed, half_m=2000.0, cell_m=40.0, relief_m=300.0):
    """Random hills of every width (spectral synthesis)."""
    n = int(2 * half_m / cell_m)
    f = np.fft.fftfreq(n)
    k = np.hypot(*np.meshgrid(f, f))
    k[0, 0] = 1.0
    noise = np.random.default_rng(seed).normal(size=(n, n))
    z = np.fft.ifft2(np.fft.fft2(noise) * k**-1.8).real
    z = (z - z.min()) / np.ptp(z) * relief_m
    return Heights(z, -half_m, half_m, cell_m)


def one(xyz, relief, azimuth=AZIMUTH, reach_m=1e5, **kwargs):
    found = relief_horizon(
        np.array([xyz], float), [relief] if not isinstance(relief, list) else relief, azimuth, reach_m, **kwargs
    )
    return found.tangent[0], found.distance_m[0]


# --- closed forms --------------------------------------------------------------------------------------------


def test_cone_hill_stands_as_high_as_its_tangent():
    """A cone of height h and foot radius f, its axis d away: along its axis the horizon is its tip, (h - z)/d
    less the drop; at azimuth a off the axis the largest value of (h (1 - rho/f) - z)/t along the ray (closed form
    for one ray by fine search of the formula, not of the raster)."""
    d, h, f, z = 4000.0, 250.0, 900.0, 2.0
    hill = raster(lambda e, n: np.maximum(0, h * (1 - np.hypot(e - d, n) / f)), 6000, 5.0)
    off = np.array([-10.0, -3.0, 0.0, 1.0, 7.0])
    tangent, distance = one([0, 0, z], ground_relief(hill), 90 + off)
    t = np.linspace(2000, 5500, 700_001)
    for k, a in enumerate(np.radians(off)):
        rho = np.hypot(t * np.cos(a) - d, t * np.sin(a))
        exact = (np.maximum(0, h * (1 - rho / f)) - z) / t - DROP_PER_M2 * t
        assert tangent[k] == pytest.approx(exact.max(), abs=3e-4)  # cells of 5 m clip the tip by a metre
        assert distance[k] == pytest.approx(t[exact.argmax()], abs=15)
    assert tangent[2] == pytest.approx((h - z) / d - d * (1 - 0.13) / (2 * 6_371_000), abs=3e-4)


def test_ridge_one_cell_wide_is_never_stepped_over():
    """A wall one cell wide, 20 km away, seen askew: (h - drop)/r with r = d / cos(azimuth off its normal)."""
    d, h = 20_000.0, 400.0
    values = np.zeros((1500, 1500))
    col = int((d + 22_500) / 30)
    values[:, col] = h
    terrain = Heights(values, -22_500.0, 22_500.0, 30.0)
    at = -22_500 + (col + 0.5) * 30
    off = np.linspace(-25, 25, 101)
    tangent, distance = one([0, 0, 0.0], ground_relief(terrain), 90 + off, 30_000)
    r = at / np.cos(np.radians(off))
    inside = np.abs(r * np.sin(np.radians(off))) < 22_400
    np.testing.assert_allclose(tangent[inside], (h / r - DROP_PER_M2 * r)[inside], rtol=1e-9)
    np.testing.assert_allclose(distance[inside], r[inside], rtol=1e-6)


def test_curved_earth_hides_what_lies_below_its_edge():
    """The drop is r^2 (1 - k)/2R with k = 0.13 (surveying): 27.3 m at 20 km, 61.4 m at 30 km."""
    drop = np.array([20_000.0, 30_000.0]) ** 2 * DROP_PER_M2
    np.testing.assert_allclose(drop, [27.3, 61.45], atol=0.05)
    for height, seen in ((60.0, False), (63.0, True)):
        far = raster(lambda e, n, h=height: np.where(e >= 29_900, h, -100.0), 31_000, 100.0)
        tangent, distance = one([0, 0, 0.0], ground_relief(far), [90.0], 31_000)
        assert (tangent[0] > 0) == seen
        assert np.isfinite(distance[0]) == seen


def test_slope_one_stands_on_is_its_own_horizon():
    """On an even slope s the horizon uphill is s, whatever the distance (drop aside), sideways 0."""
    slope = raster(lambda e, n: 0.2 * n, 1000, 10.0)
    tangent, _ = one([3.0, 4.0, 0.8], ground_relief(slope), [0.0, 90.0, 180.0, 30.0], start_m=1.0)
    assert tangent[0] == pytest.approx(0.2, abs=1e-4)
    assert tangent[1:3].tolist() == [0, 0]
    assert tangent[3] == pytest.approx(0.2 * np.cos(np.radians(30)), abs=1e-4)


# --- against the plain forms ---------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_ground_is_what_the_plain_march_approaches(seed):
    """`raster_tangent` samples the same surface: never above the exact one, and close to it at fine steps."""
    hills = rough(seed)
    rng = np.random.default_rng(seed)
    relief = ground_relief(hills)
    for _ in range(3):
        xy = rng.uniform(-900, 900, 2)
        mount = np.array([*xy, hills.at(xy) + rng.uniform(0.5, 30)])
        exact, _ = one(mount, relief, reach_m=1071)  # the march ends up to a step beyond its reach
        plain = raster_tangent(mount, hills, AZIMUTH, 1050, start_m=1.0, growth=0.0005)
        assert (plain <= exact + 1e-9).all()
        assert (exact - plain).mean() < 2e-3
        fine = np.sort(rng.uniform(1.0, 1071, 60_000))
        for k in rng.choice(360, 12):
            xy_k = mount[:2] + fine[:, None] * [np.sin(np.radians(k)), np.cos(np.radians(k))]
            tangent = (hills.at(xy_k) - mount[2]) / fine - DROP_PER_M2 * fine
            assert exact[k] == pytest.approx(max(0, tangent.max()), abs=3e-5)


@pytest.mark.parametrize("make", [ground_relief, surface_relief])
def test_a_ray_along_a_cell_line_reads_the_cells_beside_it(make):
    """Sines of 180 and 360 degrees are not quite 0: such a ray drifts over its line by less than rounding tells.

    A step that waits for the line to be crossed never ends in any time that a person would give it.
    """
    hills = rough(1)
    line = [0.0, 0.0, float(hills.at(np.array([0.0, 0.0]))) + 2.0]
    along = np.array([0.0, 90.0, 180.0, 270.0, 360.0])
    found, _ = one(line, make(hills), along, 20_000.0)
    beside = [one([x, y, line[2]], make(hills), along, 20_000.0)[0] for x in (-1e-6, 1e-6) for y in (-1e-6, 1e-6)]
    assert (found > 0).any()
    for k, tangent in enumerate(found):
        assert min(abs(tangent - other[k]) for other in beside) < 1e-5


def brute_cells(mount, heights, azimuth_deg, start_m):
    """Every cell as a square: where the ray enters it, by the slab method, one by one."""
    out = np.zeros(len(azimuth_deg))
    rows, cols = heights.values.shape
    left = heights.left_m + np.arange(cols) * heights.cell_m - mount[0]
    low = heights.top_m - (np.arange(rows) + 1) * heights.cell_m - mount[1]
    x, y = np.meshgrid(left, low)
    for k, a in enumerate(np.radians(azimuth_deg)):
        with np.errstate(divide="ignore"):
            tx = np.sort([x / np.sin(a), (x + heights.cell_m) / np.sin(a)], axis=0)
            ty = np.sort([y / np.cos(a), (y + heights.cell_m) / np.cos(a)], axis=0)
        enter, leave = np.maximum(tx[0], ty[0]), np.minimum(tx[1], ty[1])
        met = (enter < leave - 1e-5) & (enter >= start_m)
        with np.errstate(divide="ignore", invalid="ignore"):
            tangent = (heights.values - mount[2]) / enter - DROP_PER_M2 * enter
        out[k] = max(0.0, np.nanmax(np.where(met, tangent, -np.inf)))
    return out


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), rows=st.integers(1, 40), cols=st.integers(1, 40))
def test_surface_cells_agree_with_every_cell_one_by_one(seed, rows, cols):
    rng = np.random.default_rng(seed)
    values = rng.choice([0.0, 0.0, 0.0, 4.0, 9.0, 30.0], (rows, cols)) + rng.uniform(0, 1, (rows, cols))
    values[rng.random((rows, cols)) < 0.1] = np.nan
    if np.isnan(values).all():
        return
    surface = Heights(values, -cols / 2, rows / 2, 1.0)
    mount = np.array([*rng.uniform(-25, 25, 2), rng.uniform(0, 12)])
    azimuth = rng.uniform(0, 360, 40)
    tangent, distance = one(mount, surface_relief(surface), azimuth, start_m=1.5)
    np.testing.assert_allclose(tangent, brute_cells(mount, surface, azimuth, 1.5), atol=1e-6)
    seen = tangent > 0
    xy = mount[:2] + (distance[seen, None] + 1e-7) * np.column_stack(
        [np.sin(np.radians(azimuth[seen])), np.cos(np.radians(azimuth[seen]))]
    )
    heights = surface.values[np.floor(rows / 2 - xy[:, 1]).astype(int), np.floor(xy[:, 0] + cols / 2).astype(int)]
    again = (heights - mount[2]) / distance[seen] - DROP_PER_M2 * distance[seen]
    np.testing.assert_allclose(again, tangent[seen], rtol=1e-6)


def test_due_east_and_along_the_rims():
    """Rays along the grid's own lines end, whatever lies there."""
    surface = raster(lambda e, n: np.where(e > 3, 5.0, 0.0), 5, 1.0)
    for y in (-5.0, -4.5, -1.0, 0.0, 4.0, 5.0):
        tangent, _ = one([0, y, 1.0], surface_relief(surface), [90.0, 270.0, 0.0, 180.0])
        assert tangent[1:].tolist() == [0, 0, 0]
        assert tangent[0] in (pytest.approx(4 / 3, rel=1e-5), 0.0)
        assert tangent[0] > 0 or abs(y) == 5.0


def test_block_as_cells_is_the_block_as_a_prism():
    """A block on cell borders is the same thing both ways, to the numbers' end."""
    block = shapely.box(-10, -25, 10, -15)
    surface = raster(lambda e, n: np.where((abs(e) < 10) & (n > -25) & (n < -15), 8.0, 0.0), 100, 1.0)
    looks = directions(np.arange(0.05, 360, 0.37))
    mount = np.array([0.3, 0.4, 1.0])
    cells, _ = one(mount, surface_relief(surface), looks.azimuth_deg, start_m=1.5)
    np.testing.assert_allclose(
        cells, prism_tangent(mount, prisms([block], [-1], [8]), looks), atol=3e-6
    )  # less the drop


def test_turned_blocks_as_cells_stay_within_the_stated_error():
    """Cells that take the height at their centre: walls seen within the bound, but for the ends of walls, which
    the bound for azimuths covers."""
    worst, used = 0.0, 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        block = shapely.affinity.translate(
            shapely.affinity.rotate(shapely.box(-15, -6, 15, 6), rng.uniform(0, 90)), 0, rng.uniform(18, 30)
        )
        top = rng.uniform(3, 40)
        surface = raster(lambda e, n, b=block, h=top: np.where(shapely.contains_xy(b, e, n), h, 0.0), 60, 1.0)
        looks = directions(np.arange(0.0, 360.0, 0.5))
        cells, _ = one([0, 0, 1.0], surface_relief(surface), looks.azimuth_deg, start_m=1.5)
        exact = prism_tangent(np.array([0, 0, 1.0]), prisms([block], [-1], [top]), looks)
        corners = np.array(block.exterior.coords)
        inner = exact > 0
        for x, y in corners:  # corners and ends of walls: the bound along the horizon covers them
            off = (looks.azimuth_deg - np.degrees(np.arctan2(x, y)) + 180) % 360 - 180
            inner &= np.abs(off) > np.degrees(np.arctan(2.0 / np.hypot(x, y)))
        assert inner.sum() > 5
        edges = shapely.linestrings(np.stack([corners[:-1], corners[1:]], axis=1))
        hit = (top - 1.0) / exact[inner, None] * np.column_stack([looks.sin, looks.cos])[inner]
        edge = shapely.distance(edges[None, :], shapely.points(hit)[:, None]).argmin(axis=1)
        a, b = corners[:-1][edge], corners[1:][edge]
        square = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / np.hypot(*(b - a).T)
        found = np.degrees(np.abs(np.arctan(cells[inner]) - np.arctan(exact[inner])))
        bound = cell_error_deg(square, 1.0, np.degrees(np.arctan(exact[inner])))
        assert (found <= bound + 1e-6).all()
        assert (bound <= cell_error_deg(square, 1.0) + 1e-9).all()
        worst, used = max(worst, (found / bound).max()), used + inner.sum()
    assert used > 1000
    assert worst > 0.5  # the bound is no idle one


def test_cell_error_closed_form():
    """Worst over heights: the largest of atan(h/(d - e)) - atan(h/d), found by search here."""
    h = np.linspace(0.01, 400, 400_000)
    for d in (1.5, 4.0, 25.0):
        e = np.sqrt(0.5)
        search = np.degrees(np.max(np.arctan(h / (d - e)) - np.arctan(h / d)))
        assert cell_error_deg(d, 1.0) == pytest.approx(search, abs=1e-4)
    assert cell_error_deg([0.5, 0.7], 1.0).tolist() == [90.0, 90.0]
    assert cell_error_deg(10, 1.0, shift_cells=1.5) > 2.9 * cell_error_deg(10, 1.0)


# --- fine near, coarse far ------------------------------------------------------------------------------------


def test_two_rasters_see_what_one_sees():
    """The same ground, cut fine near and whole far: the horizon of the whole one."""
    whole = rough(7, half_m=4000.0, cell_m=20.0)
    half = whole.values.shape[0] // 2
    cut = slice(half - 25, half + 25)
    near = Heights(whole.values[cut, cut].copy(), -500.0, 500.0, 20.0)
    rng = np.random.default_rng(7)
    # where the two share cells, they share the surface; at the fine one's rim the coarse one takes over
    for _ in range(5):
        xy = rng.uniform(-300, 300, 2)
        mount = [*xy, float(whole.at(xy)) + 3.0]
        alone, d1 = one(mount, ground_relief(whole), reach_m=6000)
        both, d2 = one(mount, [ground_relief(near), ground_relief(whole)], reach_m=6000)
        np.testing.assert_allclose(both, alone, atol=1e-12)
        np.testing.assert_allclose(d2, d1, atol=1e-4)
    # a mount outside the fine one is served by the coarse one from its feet
    out = [2000.0, 100.0, float(whole.at(np.array([2000.0, 100.0]))) + 3.0]
    np.testing.assert_array_equal(
        one(out, [ground_relief(near), ground_relief(whole)])[0], one(out, ground_relief(whole))[0]
    )


def test_unknown_cells_shade_nothing_and_mounts_may_stand_anywhere():
    hills = rough(3)
    holed = Heights(
        np.where(np.random.default_rng(3).random(hills.values.shape) < 0.2, np.nan, hills.values),
        *(hills.left_m, hills.top_m, hills.cell_m),
    )
    for xy in ((0.0, 0.0), (-1999.0, 1999.0), (5000.0, 0.0)):
        with_holes, _ = one([*xy, 150.0], ground_relief(holed))
        full, _ = one([*xy, 150.0], ground_relief(hills))
        assert (with_holes <= full + 1e-12).all()
    nothing = Heights(np.full((30, 30), np.nan), -15.0, 15.0, 1.0)
    assert one([0, 0, 1], ground_relief(nothing))[0].max() == 0
    assert one([0, 0, 1], surface_relief(nothing))[0].max() == 0
    narrow = Heights(np.full((1, 200), 5.0), 10.0, 0.5, 1.0)
    assert one([0, 0, 1.0], ground_relief(narrow), [90.0, 270.0])[0].tolist() == [
        pytest.approx(4 / 10.5, rel=0.01),
        0,
    ]


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_higher_ground_never_lowers_the_horizon(seed):
    rng = np.random.default_rng(seed)
    low = rng.uniform(0, 30, (33, 47))
    high = low + rng.choice([0.0, 5.0], low.shape)
    mount = [*rng.uniform(-15, 15, 2), rng.uniform(5, 40)]
    for relief in (ground_relief, surface_relief):
        a, b = (one(mount, relief(Heights(v, -23.5, 16.5, 1.0)), start_m=1.5)[0] for v in (low, high))
        assert (b >= a - 1e-12).all()


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_turning_and_mirroring_the_raster_turns_the_horizon(seed):
    rng = np.random.default_rng(seed)
    values, (x, y), z = rng.uniform(0, 30, (40, 40)), rng.uniform(-12, 12, 2), rng.uniform(0, 40)
    azimuth = rng.uniform(0, 360, 50)
    for relief in (ground_relief, surface_relief):

        def seen(v, mount, looks, relief=relief):
            return one(mount, relief(Heights(v, -20.0, 20.0, 1.0)), looks, start_m=1.5)[0]

        as_is = seen(values, [x, y, z], azimuth)
        turned = seen(np.rot90(values, -1), [y, -x, z], azimuth + 90)  # a quarter clockwise
        mirrored = seen(values[:, ::-1].copy(), [-x, y, z], -azimuth)
        # a ray that grazes a corner may fall to either side of it
        assert np.sum(np.abs(turned - as_is) > 1e-6) <= 1
        assert np.sum(np.abs(mirrored - as_is) > 1e-6) <= 1


def test_canopy_stands_on_its_ground():
    canopy = raster(lambda e, n: np.where(n > 30, 12.0, 0.0), 50, 1.0)
    slope = raster(lambda e, n: 0.1 * n, 80, 2.0)
    tangent, distance = one([0, 0, 0.0], canopy_relief(canopy, slope), [0.0, 180.0])
    assert tangent[0] == pytest.approx(15.0 / 30, rel=0.05)
    assert distance[0] == pytest.approx(30, abs=20)
    assert tangent[1] == 0
    flat, _ = one([0, 0, 0.0], canopy_relief(canopy, None), [0.0, 180.0])
    assert flat.tolist() == [pytest.approx(12 / 30, abs=1e-5), 0.0]


def test_rasters_of_a_site():
    """Surface model and hills together; a wood that stands in the surface model is not counted twice."""
    hill = raster(lambda e, n: np.where(e < -500, 200.0, 0.0), 2000, 20.0)
    block = raster(lambda e, n: np.where(e > 20, 10.0, 0.0), 50, 1.0)
    wood = raster(lambda e, n: np.where(n > 20, 10.0, 0.0), 50, 1.0)
    mounts = np.array([[0.0, 0.0, 1.0]])
    both = site_ground(bare_site(terrain=hill, surface=block, canopy=wood))
    found = both.opaque(mounts, [90.0, 270.0, 0.0], 5000.0)
    assert found.tangent[0].tolist() == [pytest.approx(9 / 20, rel=1e-4), pytest.approx(199 / 510, rel=0.01), 0]
    assert found.distance_m[0, :2].tolist() == [pytest.approx(20, abs=0.01), pytest.approx(510, abs=1)]
    # of what both layers hold, the leaves are leaves: the wood veils, what stands east of it shuts out
    assert both.opaque(mounts, [60.0], 0.0).distance_m[0, 0] == pytest.approx(20 / np.sin(np.radians(60)), abs=0.01)
    assert both.opaque(mounts, [30.0], 0.0).tangent[0, 0] == 0
    assert both.veil(mounts, [0.0, 90.0]).tangent[0].tolist() == [pytest.approx(9 / 20, rel=1e-4), 0]
    assert both.opaque(mounts, [270.0], 0.0).tangent.tolist() == [[0.0]]
    trees = site_ground(bare_site(canopy=wood))
    assert trees.veil(mounts, [0.0]).tangent[0, 0] == pytest.approx(9 / 20, rel=1e-4)
    assert trees.opaque(mounts, [0.0], 5000.0) is None


@pytest.mark.parametrize("cell_m", [1.0, 2.0, 5.0, 10.0])
def test_in_a_wood_and_in_a_hall_there_is_no_sun(cell_m):
    """A head in the middle of a wood or hall of cells gets what it gets in the same wood and hall as prisms."""
    block = raster(lambda e, n: np.where((abs(e) < 50) & (abs(n) < 50), 8.0, 0.0), 200, cell_m)
    flat = raster(lambda e, n: 0 * e, 200, cell_m)
    shape = [shapely.box(-50, -50, 50, 50)]
    # within OVERHEAD_M of the raster: a roof is the mount's support and hides nothing, leaves stand beside it
    mounts, table = np.array([[0.3, 0.3, 2.0], [0.3, 0.3, 7.5]]), sun_table(40, 0, step_minutes=30, day_step=10)
    for cells, whole in (
        (
            bare_site(canopy=block, canopy_evergreen=True),
            bare_site(crown_prisms=prisms(shape, [0.0], [8.0]), crown_evergreen=np.array([True])),
        ),
        (bare_site(surface=block, terrain=flat), bare_site(buildings=prisms(shape, [0.0], [8.0]))),
    ):
        found, truth = year_of_light(cells, mounts, table), year_of_light(whole, mounts[:1], table)
        np.testing.assert_allclose(found.light_share[0], truth.light_share[0], atol=1e-6)
        np.testing.assert_allclose(found.sky_view[0], truth.sky_view[0], atol=1e-6)
        assert found.direct_h[0].max() == truth.direct_h[0].max() == 0
        assert rain_and_surroundings(cells, mounts).covered.tolist() == [True, False]
        roof = cells.canopy is None
        assert found.light_share[1, 5] > 0.9 if roof else 0.5 < found.light_share[1, 5] < 0.9


def test_site_reads_its_ground_near_first():
    near, far = raster(lambda e, n: 0 * e + 5.0, 100, 1.0), raster(lambda e, n: 0 * e + 7.0, 1000, 50.0)
    near.values[:10] = np.nan
    site = bare_site(terrain=near, terrain_far=far)
    points = np.array([[0.0, 0.0], [0.0, 95.0], [500.0, 0.0], [5000.0, 0.0]])
    assert site.ground_at(points).tolist() == [5, 7, 7, 5]
    assert ground_at(near, points).tolist() == [5, 5, 5, 5]
    assert float(site.ground_at(np.zeros(2))) == 5


def belt(cell_m, half_m=400.0):
    """Leaves of 20 m, evergreen, from 4 m to 34 m in the south and 600 m long, as a raster of cells."""
    return raster(lambda x, y: np.where((y < -4) & (y > -34) & (abs(x) < 300), 20.0, 0.0), half_m, cell_m)


@pytest.mark.parametrize("cell_m", [1.0, 2.0])
def test_leaves_beside_a_mount_shade_as_a_crown_polygon_does(cell_m):
    """The same belt as a polygon: exact. Nothing of a canopy holds the mount, so its cells shade from the next one
    on. Its edges lie on the cells', so that both are alike."""
    wood = prisms([shapely.box(-300, -34, 300, -4)], [0.0], [20.0])
    kinds = {"crown_evergreen": np.array([True]), "latitude_deg": 40.0}
    mount, table = np.array([[0.5, 0.0, 3.0]]), sun_table(40, 0, step_minutes=20, day_step=10)
    exact = year_of_light(bare_site(crown_prisms=wood, **kinds), mount, table).light_share[0]
    cells = bare_site(canopy=belt(cell_m), canopy_evergreen=True, latitude_deg=40.0)
    found = year_of_light(cells, mount, table).light_share[0]
    assert exact.min() < 0.31
    np.testing.assert_allclose(found, exact, atol=0.005)


def test_only_its_own_cell_of_leaves_is_left_out():
    """Cells of 10 m, the mount in the middle of one, leaves of 20 m in the next: they begin 5 m away."""
    wood = raster(lambda x, y: np.where((x > 5) & (x < 35), 20.0, 0.0), 105.0, 10.0)
    mount = np.array([[0.0, 0.0, 3.0]])
    edge = site_ground(bare_site(canopy=wood)).veil(mount, [90.0, 270.0])
    assert edge.tangent[0].tolist() == [pytest.approx(17 / 5, abs=1e-3), 0.0]
    # rain takes it alike
    assert rain_and_surroundings(bare_site(canopy=wood), mount).sector_deg[0, 9] == pytest.approx(
        np.degrees(np.arctan(17 / 5)), abs=0.01
    )
    # and of a surface model the cells that begin within 1.5 may still be the wall that the mount is fixed to
    flat = raster(lambda x, y: 0 * x, 105.0, 10.0)
    solid = site_ground(bare_site(surface=wood, terrain=flat)).opaque(mount, [90.0], 300.0)
    assert solid.tangent[0, 0] == pytest.approx(17 / 25, abs=1e-3)


def test_a_tower_beyond_the_fine_cells_is_seen():
    """80 m at 420 m, by the coarse part of a surface model: (80 - 3) / 410, less the earth's drop."""
    fine = raster(lambda x, y: 0 * x, 300.0, 1.0)
    far = raster(lambda x, y: np.where((x > 410) & (x < 430) & (abs(y) < 20), 80.0, 0.0), 2000.0, 10.0)
    site = bare_site(surface=fine, surface_far=far, terrain=raster(lambda x, y: 0 * x, 2000.0, 50.0))
    mount = np.array([[0.5, 0.5, 3.0]])
    seen = site_ground(site).opaque(mount, [90.0, 180.0], 2000.0)
    assert seen.tangent[0, 0] == pytest.approx(77 / 409.5, abs=1e-4)
    assert seen.tangent[0, 1] == 0
    assert rain_and_surroundings(site, mount).steepest_deg[0] == pytest.approx(
        np.degrees(np.arctan(77 / 409.5)), abs=0.01
    )


def test_where_a_coarse_raster_takes_over_nothing_is_left_out():
    """A block across the rim of the fine cells: of the coarse cell that straddles it the part beyond counts."""
    fine = raster(lambda x, y: 0 * x, 300.0, 1.0)
    far = raster(lambda x, y: np.where((x > 296) & (x < 304) & (abs(y) < 50), 30.0, 0.0), 2000.0, 8.0)
    site = bare_site(surface=fine, surface_far=far, terrain=raster(lambda x, y: 0 * x, 2000.0, 50.0))
    seen = site_ground(site).opaque(np.array([[0.0, 0.5, 3.0]]), [90.0], 2000.0)
    assert seen.tangent[0, 0] == pytest.approx(27 / 300, abs=1e-4)


def test_nothing_hangs_over_a_mount_that_the_fine_cells_leave_free():
    fine = raster(lambda x, y: 0 * x, 300.0, 1.0)
    far = raster(lambda x, y: 0 * x + 20.0, 2000.0, 10.0)  # joined cells smear a wall beside the mount over it
    site = bare_site(surface=fine, surface_far=far, terrain=raster(lambda x, y: 0 * x, 2000.0, 50.0))
    assert site_ground(site).opaque(np.array([[0.0, 0.5, 3.0]]), [90.0], 100.0).tangent[0, 0] < 0.1
