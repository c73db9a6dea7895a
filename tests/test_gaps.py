"""Where rasters know nothing: holes and edges by plane geometry, rises by closed forms, the light it may cost."""

import numpy as np
import pytest
import shapely

from planner.gaps import higher_ground, higher_surface, rms_difference, runs, unknown_from
from planner.ground import SiteGround, centres, ground_relief, relief_horizon
from planner.site import Heights, bare_site
from planner.sun import sun_table
from planner.sun.shading import shading
from planner.sun.spread import Doubt, light_spread

BOX = (-50.0, -50.0, 50.0, 50.0)


def ground(value=lambda x, y: 0 * x, half_m=2000.0, cell_m=20.0):
    """A square raster round the site's middle."""
    n = round(2 * half_m / cell_m)
    flat = Heights(np.zeros((n, n)), -half_m, half_m, cell_m)
    x, y = np.moveaxis(centres(flat), -1, 0)
    return Heights(np.asarray(value(x, y), float), -half_m, half_m, cell_m)


def rolling(x, y):
    return 60 * np.sin(x / 150) * np.cos(y / 170)


def holed(value, hole):
    return lambda x, y: np.where(hole(x, y), np.nan, value(x, y))


def test_a_full_raster_has_no_gap():
    full = ground()
    assert np.isinf(unknown_from([full], BOX, 2000.0)).all()
    assert runs(unknown_from([full], BOX, 2000.0)) == []
    assert higher_ground((ground_relief(full),), BOX, 2000.0) is None
    assert higher_ground((), BOX, 2000.0) is None


def test_a_hole_is_seen_where_it_lies():
    """A square hole 300 to 500 m east, 100 m to either side: it begins at 300 / sin(azimuth), and spans
    90 +- atan(100 / 300) degrees, a cell to either side being unknown as well."""
    hole = ground(holed(rolling, lambda x, y: (x > 300) & (x < 500) & (abs(y) < 100)))
    far = unknown_from([hole], BOX, 2000.0)
    assert far[90] == pytest.approx(300, abs=25)
    assert far[80] == pytest.approx(300 / np.sin(np.radians(80)), abs=25)
    ((first, last, near),) = runs(far)
    half_deg = np.degrees(np.arctan(100 / 300))
    assert first == pytest.approx(90 - half_deg, abs=4)
    assert last == pytest.approx(90 + half_deg, abs=4)
    assert near == pytest.approx(300, abs=25)
    # what a coarser raster knows is known, and what lies inside the site is not counted
    assert np.isinf(unknown_from([hole, ground(cell_m=100.0)], BOX, 2000.0)).all()
    assert np.isinf(unknown_from([hole], (-600, -600, 600, 600), 2000.0)).all()


def test_edges_of_a_short_raster():
    far = unknown_from([ground(half_m=500)], BOX, 2000.0)
    assert far[0] == far[270] == pytest.approx(500, abs=25)
    assert far[45] == pytest.approx(500 * np.sqrt(2), abs=25)
    assert runs(far) == [(0, 359, far.min())]
    # a raster that ends near enough to what was asked for is not short
    assert np.isinf(unknown_from([ground(half_m=500)], BOX, 550.0)).all()
    assert np.isfinite(unknown_from([ground(half_m=500)], BOX, 650.0)[[0, 90, 180, 270]]).all()


def test_how_much_ground_differs():
    """A plane of slope s: s times the distance along it, nothing across, so s / sqrt(2) over both. White noise of
    standard deviation 3: 3 sqrt(2) at any distance."""
    lag_m, rms_m = rms_difference(ground(lambda x, y: 0.1 * x))
    np.testing.assert_allclose(rms_m, 0.1 * lag_m / np.sqrt(2))
    noise = np.random.default_rng(2).normal(0, 3, (200, 200))
    noise[:50, :80] = np.nan
    lag_m, rms_m = rms_difference(Heights(noise, -2000, 2000, 20.0))
    assert lag_m[0] == rms_m[0] == 0
    np.testing.assert_allclose(rms_m[1:], 3 * np.sqrt(2), rtol=0.05)


def test_higher_ground_keeps_what_is_known_and_the_site_itself():
    hole = ground(holed(rolling, lambda x, y: y < -30))
    (near, beyond) = higher_ground((ground_relief(hole),), BOX, 4000.0)
    known = np.isfinite(hole.values)
    np.testing.assert_array_equal(near.heights.values[known], hole.values[known])
    assert np.isfinite(near.heights.values).all()
    assert np.isfinite(beyond.heights.values).all()
    assert beyond.heights.left_m == -4050
    # inside the site: the nearest known height. Elsewhere: so much higher as ground over the distance differs by
    xy = np.array([[10.0, -40.0], [10.0, -250.0]])
    edge = hole.cell_at(np.array([10.0, -20.0]))
    rise = near.heights.cell_at(xy) - edge
    assert rise[0] == 0
    lag_m, rms_m = rms_difference(hole)
    assert rise[1] == pytest.approx(np.interp(200, lag_m, rms_m), rel=0.01)


def test_the_spread_holds_what_may_stand_where_a_surface_model_knows_nothing():
    """A town of blocks with a hole to the south: the spread is what such blocks take; without blocks, none."""
    table = sun_table(40, 0, step_minutes=20, day_step=5)
    mount = np.array([[0.0, 0.0, 3.0]])

    def spread_over(value):
        surface = ground(value, half_m=2100.0, cell_m=10.0)
        site = bare_site(shapely.box(*BOX), terrain=ground(half_m=2100.0), surface=surface, latitude_deg=40)
        return light_spread(site, mount, [-1], table, Doubt(0.0, 0.0, 0.0), shading(site, terrain_reach_m=0.0))[0]

    def blocks(x, y):
        return np.where((x % 80 < 40) & (y % 80 < 40) & (np.hypot(x, y) > 100), 30.0, 0.0)

    def hole(x, y):
        return (y < -60) & (y > -200) & (abs(x) < 300)

    # half a cell of the surface model is doubt about the place, which blocks far away do not feel much
    whole, holed_there = spread_over(blocks).light_share[11], spread_over(holed(blocks, hole)).light_share[11]
    assert holed_there > whole + 0.05
    assert spread_over(holed(lambda x, y: 0 * x, hole)).light_share[11] < 1e-3


def test_a_surface_model_is_not_filled_inside_the_site():
    surface = ground(holed(rolling, lambda x, y: np.hypot(x - 60, y) < 45))
    filled = higher_surface([surface], BOX, 1900.0)
    middles = centres(surface)
    inside = (abs(middles) <= 50).all(axis=-1)
    assert np.isnan(filled[0].values[inside & np.isnan(surface.values)]).all()
    assert np.isfinite(filled[0].values[~inside]).all()


def test_the_spread_holds_what_unknown_hills_may_take():
    """Hills to the south unknown from 200 m on: the light is what it is without them, and its spread what ground
    one deviation higher takes; ground that is known, or flat, adds nothing."""
    table = sun_table(40, 0, step_minutes=20, day_step=5)
    mount = np.array([[0.0, 0.0, 3.0]])

    def spread_over(terrain):
        site = bare_site(shapely.box(*BOX), terrain=terrain, latitude_deg=40)
        shade = shading(site, terrain_reach_m=1900.0)
        return light_spread(site, mount, [-1], table, Doubt(0.0, 0.0, 0.0), shade)[0], shade

    def unknown(x, y):
        return y < -200

    def steep(x, y):
        return 5 * rolling(x, y)

    assert (spread_over(ground(steep))[0].light_share == 0).all()
    assert (spread_over(ground(holed(lambda x, y: 0 * x, unknown)))[0].light_share == 0).all()
    found, shade = spread_over(ground(holed(steep, unknown)))
    assert found.light_share[11] > 0.05
    assert found.direct_h[11] > 0.2
    assert found.light_share[5] < found.light_share[11]  # the high sun of June passes over
    # the unknown ground does what a horizon over it does
    higher = SiteGround(higher_ground(shade.ground.ground, BOX, 1900.0), (), ())
    south = relief_horizon(mount, higher.ground, [180.0], 1900.0).tangent[0, 0]
    assert south > relief_horizon(mount, shade.ground.ground, [180.0], 1900.0).tangent[0, 0] + 0.1
