"""Sun and shade against published sun positions, closed forms and an independent ray test."""

import functools
import itertools

import numpy as np
import pandas as pd
import pvlib
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_sun import prism_hits, prism_tangent, raster_tangent

from planner.site import Crowns, Heights, bare_site, prisms
from planner.sun import sun_table, year_of_light
from planner.sun.horizon import crown_spans, directions
from planner.sun.leaves import CrownLight

FAR = 1e7  # long enough to be endless
ORIGIN = np.zeros(3)


def elevation_deg(mount, solids, azimuth_deg):
    looks = directions(np.atleast_1d(np.asarray(azimuth_deg, float)))
    return np.degrees(np.arctan(looks.unsort(prism_tangent(np.asarray(mount, float), solids, looks))))


@functools.cache
def sun_at(latitude_deg):
    return sun_table(latitude_deg, 0.0)


def light(site, mount=ORIGIN, **kwargs):
    return year_of_light(site, np.atleast_2d(mount), sun_at(site.latitude_deg), **kwargs)


# --- the sun's position -------------------------------------------------------------------------------------


def test_position_is_the_published_nrel_example():
    """Reda and Andreas (2004, NREL/TP-560-34302), the worked example: zenith 50.11162, azimuth 194.34024.

    The published zenith includes refraction.
    """
    when = pd.DatetimeIndex(["2003-10-17 12:30:30-07:00"])
    found = pvlib.solarposition.spa_python(
        when, 39.742476, -105.1786, altitude=1830.14, pressure=82000, temperature=11, delta_t=67
    )
    assert found["apparent_zenith"].iloc[0] == pytest.approx(50.11162, abs=1e-4)
    assert found["azimuth"].iloc[0] == pytest.approx(194.34024, abs=1e-4)


@pytest.mark.parametrize(
    ("latitude", "june", "december"), [(40, 73.44, 26.56), (51.5, 61.94, 15.06), (60, 53.44, 6.56)]
)
def test_noon_height_at_the_solstices(latitude, june, december):
    """Noon altitude is 90 - |latitude - declination| with 23.44 degrees at the solstice (spherical astronomy)."""
    table = sun_table(latitude, 0.0, step_minutes=5, day_step=1)
    noon = [table.elevation_deg[table.month == m].max() for m in (5, 11)]
    # refraction lifts a low sun by a sixth of a degree at most here; December's highest noon is on its 1st
    assert noon[0] == pytest.approx(june, abs=0.05)
    lowest = min(table.elevation_deg[(table.month == 11) & (abs(table.solar_hour - 12) < 0.05)])
    assert lowest == pytest.approx(december, abs=0.2)


def test_day_length_is_that_of_fao56():
    """FAO-56 eq. 34, example 9 (20 S, 3 September: 11.7 h); the table's sun is up longer by refraction only."""
    table = sun_table(-20.0, -45.0, step_minutes=5, day_step=1)
    omega = np.arccos(-np.tan(np.radians(-20)) * np.tan(0.409 * np.sin(2 * np.pi * 246 / 365 - 1.39)))
    assert 24 / np.pi * omega == pytest.approx(11.7, abs=0.05)
    september = table.monthly(table.hours_per_day)[8]
    days = np.arange(244, 274)
    mean = np.mean(
        24 / np.pi * np.arccos(-np.tan(np.radians(-20)) * np.tan(0.409 * np.sin(2 * np.pi * days / 365 - 1.39)))
    )
    assert mean < september < mean + 0.15


def test_a_day_is_whole_wherever_the_site_is():
    """Local days: the same latitude sees the same months on every meridian, the antimeridian included."""
    hours = [sun_table(35.0, lon).monthly(sun_table(35.0, lon).hours_per_day) for lon in (0.0, -119.0, 179.9)]
    np.testing.assert_allclose(hours[1], hours[0], atol=0.12)
    np.testing.assert_allclose(hours[2], hours[0], atol=0.12)


def test_finer_steps_change_the_light_by_little():
    wall = bare_site(buildings=prisms([shapely.box(-30, -12, 25, -8)], [-1], [9]), latitude_deg=40)
    coarse = year_of_light(wall, np.zeros((1, 3)), sun_at(40))
    fine = year_of_light(wall, np.zeros((1, 3)), sun_table(40, 0, step_minutes=2))
    np.testing.assert_allclose(coarse.light_share, fine.light_share, atol=0.004)
    np.testing.assert_allclose(coarse.direct_h, fine.direct_h, atol=0.1)


# --- one wall, one canyon, one basin: closed forms -----------------------------------------------------------


@pytest.mark.parametrize("azimuth", [0.0, 20.0, 45.0, 70.0, -45.0])
def test_endless_wall(azimuth):
    """A wall of height h at distance d in the north stands atan(h cos(azimuth) / d) high (plane geometry)."""
    wall = prisms([shapely.box(-FAR, 10, FAR, 11)], [-5], [6])
    expected = np.degrees(np.arctan(6 * np.cos(np.radians(azimuth)) / 10))
    assert elevation_deg(ORIGIN, wall, azimuth)[0] == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("height", [2.0, 10.0, 40.0])
def test_sky_view_of_a_wall_and_a_canyon(height):
    """Sky view of the level: (1 + cos a) / 2 before an endless wall, cos a in the middle of an endless canyon
    (closed forms for infinite strips, Oke, Boundary Layer Climates; derived as 1 - view factor of the walls)."""
    wall = prisms([shapely.box(-FAR, 10, FAR, 11)], [-5], [height])
    canyon = prisms([shapely.box(-FAR, 10, FAR, 11), shapely.box(-FAR, -11, FAR, -10)], [-5, -5], [height] * 2)
    angle = np.arctan(height / 10)
    assert light(bare_site(buildings=wall)).sky_view[0, 0] == pytest.approx((1 + np.cos(angle)) / 2, abs=1e-3)
    assert light(bare_site(buildings=canyon)).sky_view[0, 0] == pytest.approx(np.cos(angle), abs=1e-3)


def test_sky_view_along_the_axes():
    """Walls that end due north or east, or are centred there: three quarters before a corner; before a wall the
    integral of cos^2 of its horizon (a million azimuths). Off by half a degree an end at most, and evenly so."""
    table = sun_table(40, 0, step_minutes=60, day_step=30)

    def view(solids, mount=(0.0, 0.0, 0.0)):
        return year_of_light(bare_site(buildings=solids), np.array([mount]), table).sky_view[0, 0]

    corner = prisms([shapely.box(0, 0, 50, 50)], [-5], [500])
    assert view(corner, (-1e-4, -1e-4, 0)) == pytest.approx(0.75, abs=1e-4)
    azimuth = np.radians((np.arange(1_000_000) + 0.5) * 360 / 1_000_000)
    taken = np.where(np.cos(azimuth) > 0, 1 - 1 / (1 + (3 * np.cos(azimuth)) ** 2), 0)
    aside = np.abs(np.tan(azimuth)) * 10
    off = [
        view(prisms([shapely.box(-half, 10, half, 11)], [-5], [30])) - (1 - taken[aside <= half].sum() / 1e6)
        for half in np.linspace(0.5, 8, 60)
    ]
    assert np.abs(off).max() < 2 * 0.5 / 360
    assert abs(np.mean(off)) < 2e-4


def test_basin_is_cos_squared():
    """In the middle of a round basin with rim angle a the sky view is cos^2 a (closed form)."""
    ring = shapely.Point(0, 0).buffer(21, 512).difference(shapely.Point(0, 0).buffer(20, 512))
    basin = prisms([ring], [-5], [12])
    assert light(bare_site(buildings=basin)).sky_view[0, 0] == pytest.approx(
        np.cos(np.arctan(12 / 20)) ** 2, abs=1e-4
    )


def test_wall_in_the_sun_takes_the_hours_it_must():
    """An endless wall due south hides the sun exactly while its elevation is under the wall's at that azimuth."""
    site = bare_site(buildings=prisms([shapely.box(-FAR, -11, FAR, -10)], [-5], [8]), latitude_deg=40)
    table = sun_at(40)
    azimuth = np.radians(table.azimuth_deg)
    hidden = np.tan(np.radians(table.elevation_deg)) <= np.maximum(0, -8 * np.cos(azimuth) / 10)
    expected = table.monthly(np.where(hidden, 0, table.hours_per_day))
    np.testing.assert_allclose(light(site).direct_h[0], expected, atol=1e-9)


# --- geometry ------------------------------------------------------------------------------------------------


def ray_blocked(mount, solids, azimuth_deg, elevation_deg_, reach_m=400.0):
    """Independent test: cut the ray with every footprint by shapely, and look at its height there."""
    direction = np.array([np.sin(np.radians(azimuth_deg)), np.cos(np.radians(azimuth_deg))])
    slope = np.tan(np.radians(elevation_deg_))
    line = shapely.LineString([mount[:2], mount[:2] + reach_m * direction])
    for shape, base, top in zip(solids.shapes, solids.base_m, solids.top_m, strict=True):
        for piece in shapely.get_parts(line.intersection(shape)):
            t = (shapely.get_coordinates(piece) - mount[:2]) @ direction
            if piece.length > 0 and mount[2] + t.min() * slope < top and mount[2] + t.max() * slope > base:
                return True
    return False


def scene(rng, n, hanging=False):
    shapes, base, top = [], [], []
    for _ in range(n):
        w, h = rng.uniform(4, 30, 2)
        shape = shapely.box(0, 0, w, h)
        if rng.random() < 0.4:
            shape = shape.difference(shapely.box(w * 0.3, h * 0.3, w * 0.7, h * 0.7))  # a courtyard
        if rng.random() < 0.4:
            shape = shape.difference(shapely.box(w * 0.6, h * 0.6, w, h))  # an L
        if rng.random() < 0.5:
            shape = shape.reverse()
        shape = shapely.affinity.rotate(shape, rng.uniform(0, 90))
        shapes.append(shapely.affinity.translate(shape, *rng.uniform(-80, 80, 2)))
        base.append(rng.uniform(3, 8) if hanging else -1.0)
        top.append(rng.uniform(9, 20))
    return prisms(shapes, base, top)


@pytest.mark.parametrize("seed", range(6))
def test_horizon_among_prisms_agrees_with_shapely_rays(seed):
    """300 rays a scene, aimed a hundredth of a degree above and below our horizon."""
    rng = np.random.default_rng(seed)
    solids = scene(rng, 25)
    checked = 0
    while checked < 30:
        mount = np.array([*rng.uniform(-90, 90, 2), rng.uniform(0, 14)])
        if any(
            s.contains(shapely.Point(mount[:2])) and t > mount[2]
            for s, t in zip(solids.shapes, solids.top_m, strict=True)
        ):
            continue
        azimuth = rng.uniform(0, 360, 10)
        for a, e in zip(azimuth, elevation_deg(mount, solids, azimuth), strict=True):
            assert not ray_blocked(mount, solids, a, e + 0.01)
            if e > 0.01:
                assert ray_blocked(mount, solids, a, e - 0.01)
        checked += 1


@pytest.mark.parametrize("seed", range(4))
def test_hanging_prisms_agree_with_shapely_rays(seed):
    """Canopies above the mount leave a gap beneath; from under one the sky is seen at its sides."""
    rng = np.random.default_rng(seed)
    solids = scene(rng, 10, hanging=True)
    for _ in range(25):
        mount = np.array([*rng.uniform(-80, 80, 2), rng.uniform(0, 12)])
        looks = directions(rng.uniform(0, 360, 12))
        slope = np.tan(np.radians(rng.uniform(1, 88, 12)))
        for k in range(len(solids)):
            one = prisms([solids.shapes[k]], [solids.base_m[k]], [solids.top_m[k]])
            hit = prism_hits(mount, solids, k, looks, slope)
            said = [
                ray_blocked(mount, one, a, np.degrees(np.arctan(s)))
                for a, s in zip(looks.azimuth_deg, slope, strict=True)
            ]
            assert hit.tolist() == said


def test_overhang_slot():
    """Under the edge of a roof: hidden between the angles of its near and far edges (plane geometry)."""
    roof = prisms([shapely.box(-FAR, 2, FAR, 6)], [3], [3.2])
    looks = directions(np.array([0.0] * 4))
    slopes = np.array([3 / 6 * 0.99, 3 / 6 * 1.01, 3.2 / 2 * 0.99, 3.2 / 2 * 1.01])
    assert prism_hits(ORIGIN, roof, 0, looks, slopes).tolist() == [False, True, True, False]
    site = bare_site(buildings=roof)
    # the strip from atan(3/6) to atan(3.2/2): view factor of an endless strip is half the difference of sines...
    low, high = np.arctan(3 / 6), np.arctan(3.2 / 2)
    # ... of the angle from the zenith, so half of cos(low) - cos(high)
    assert light(site).sky_view[0, 0] == pytest.approx(1 - (np.cos(low) - np.cos(high)) / 2, abs=0.01)


def test_on_an_edge_on_a_corner_inside():
    block = prisms([shapely.box(0, 0, 10, 10)], [-1], [5])
    assert elevation_deg([5, 5, 0], block, [0, 90, 200]).tolist() == [90, 90, 90]
    assert elevation_deg([5, 0, 0], block, [0, 45, 135, 180, 268]).tolist() == [90, 90, 0, 0, 0]
    assert elevation_deg([0, 0, 0], block, [45, 135, 225, 315]).tolist() == [90, 0, 0, 0]
    # on the roof nothing of the building stands above the mast
    assert elevation_deg([5, 5, 5.6], block, np.arange(0, 360, 7)).max() == 0


@settings(max_examples=40, deadline=None)
@given(turn=st.floats(0, 360), seed=st.integers(0, 10_000))
def test_turning_the_scene_turns_the_horizon(turn, seed):
    rng = np.random.default_rng(seed)
    solids = scene(rng, 6)
    turned = prisms(
        [shapely.affinity.rotate(s, -turn, origin=(0, 0)) for s in solids.shapes], solids.base_m, solids.top_m
    )
    azimuth = rng.uniform(0, 360, 20)
    mount = [0, 0, 21.0 if elevation_deg(ORIGIN, solids, 0.0)[0] == 90 else 0.0]
    before, after = elevation_deg(mount, solids, azimuth), elevation_deg(mount, turned, azimuth + turn)
    # a ray along an edge may fall to either side of it
    assert np.sum(abs(before - after) > 1e-5) <= 1


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_more_obstacles_never_give_more_light(seed):
    rng = np.random.default_rng(seed)
    solids = scene(rng, 5)
    some = prisms(solids.shapes[:4], solids.base_m[:4], solids.top_m[:4])
    table = sun_table(40, 0, step_minutes=60, day_step=15)
    mount = np.array([[*rng.uniform(-60, 60, 2), 1.0]])
    fewer, more = (year_of_light(bare_site(buildings=p), mount, table) for p in (some, solids))
    assert (more.light_share <= fewer.light_share + 1e-12).all()
    assert (more.direct_h <= fewer.direct_h + 1e-12).all()


def test_above_everything_keeps_all():
    site = bare_site(buildings=scene(np.random.default_rng(3), 20), latitude_deg=-33)
    result = light(site, [0, 0, 25.0])
    np.testing.assert_allclose(result.light_share, 1.0, atol=1e-12)
    np.testing.assert_allclose(result.direct_h[0], result.open_direct_h)


# --- crowns ---------------------------------------------------------------------------------------------------


def one_crown(x, y, z, radius, half_height, evergreen=False):
    return Crowns(
        ("tree",), np.array([[x, y, z]], float), np.array([radius]), np.array([half_height]), np.array([evergreen])
    )


@pytest.mark.parametrize(
    ("mount", "crown"),
    [
        ([0, 0, 0], (0, 12, 6, 3, 4)),
        ([1, -2, 5], (6, 8, 4, 4, 2)),
        ([0, 0, 0], (1, 1, 9, 4, 3)),  # from beneath
        ([0, 0, 6], (1, 0, 6, 4, 3)),  # from inside
        ([0, 0, 20], (1, 1, 9, 4, 3)),  # from above
    ],
)
def test_crown_edges_agree_with_rays_through_the_ellipsoid(mount, crown):
    """Independent: the line-ellipsoid quadratic, over the whole sky."""
    x, y, z, r, h = crown
    mount = np.array(mount, float)
    looks = directions(np.arange(0.25, 360, 0.5))
    _, look, low, high = crown_spans(mount, one_crown(*crown), looks)
    e = np.radians(np.arange(0.5, 90, 0.5))
    ours = np.zeros((len(e), len(looks)), bool)
    ours[:, look] = (np.tan(e)[:, None] > low) & (np.tan(e)[:, None] < high)
    u = np.stack(
        [
            np.cos(e)[:, None] * looks.sin,
            np.cos(e)[:, None] * looks.cos,
            np.repeat(np.sin(e)[:, None], len(looks), 1),
        ]
    )
    scale = np.array([r, r, h])
    q = (mount - [x, y, z]) / scale
    v = u / scale[:, None, None]
    a, b, c = (v**2).sum(0), np.einsum("k,kij->ij", q, v), q @ q - 1
    root = b**2 - a * c
    truth = (root >= 0) & ((-b + np.sqrt(np.maximum(root, 0))) > 0)
    assert (ours == truth).mean() > 0.9995


def test_crown_lets_through_what_heisler_measured():
    """Heisler (1986), Urban Ecology 9:337-359: a crown passes about 0.20 in leaf and 0.60 leafless."""
    assert (CrownLight().in_leaf, CrownLight().leafless) == (0.20, 0.60)
    # a crown all round the mount: every ray passes it once
    shroud = bare_site(crowns=one_crown(0, 0, 0, 5, 5), latitude_deg=40)
    result = light(shroud)
    np.testing.assert_allclose(result.light_share[0, [5, 6, 7]], 0.20, atol=1e-9)
    np.testing.assert_allclose(result.light_share[0, [0, 1, 11]], 0.60, atol=1e-9)
    assert (result.direct_h == 0).all()
    evergreen = light(bare_site(crowns=one_crown(0, 0, 0, 5, 5, True), latitude_deg=40))
    np.testing.assert_allclose(evergreen.light_share, 0.20, atol=1e-9)
    two = prisms([shapely.box(-9, -9, 9, 9)], [-9], [9])
    both = light(
        bare_site(crowns=one_crown(0, 0, 0, 5, 5, True), crown_prisms=two, crown_evergreen=np.array([True]))
    )
    np.testing.assert_allclose(both.light_share, 0.04, atol=1e-9)


# --- ground ---------------------------------------------------------------------------------------------------


def ridge(height_m, at_m, cell_m=10.0, span_m=6000.0):
    n = int(2 * span_m / cell_m)
    values = np.zeros((n, n))
    col = int((at_m + span_m) / cell_m)
    values[:, col : col + 3] = height_m
    return Heights(values, -span_m, span_m, cell_m)


def test_ridge_in_the_east_stands_as_high_as_it_must():
    """atan((h - drop) / d), with the drop d^2 (1 - 0.13) / 2R of a round earth (surveying)."""
    terrain = ridge(200.0, 3000.0)
    tangent = raster_tangent(
        np.array([0, 0, 2.0]), terrain, np.array([90.0, 270.0]), 5000, start_m=10, growth=0.002
    )
    d = 3000.0 + 5
    drop = d**2 * (1 - 0.13) / (2 * 6_371_000)
    assert tangent[0] == pytest.approx((200 - 2 - drop) / d, rel=0.01)
    assert tangent[1] == 0
    # coarser steps find the same ridge, lower by their width at most
    coarse = raster_tangent(np.array([0, 0, 2.0]), ridge(200.0, 3000.0, 50.0), np.array([90.0]), 5000, start_m=10)
    assert coarse[0] == pytest.approx(tangent[0], rel=0.05)


def test_hill_takes_the_evening():
    site = bare_site(terrain=ridge(300.0, -1500.0), latitude_deg=35)
    shaded, free = light(site), light(bare_site(latitude_deg=35))
    assert (shaded.direct_h < free.direct_h - 0.3).all()
    assert shaded.horizon_deg[0, 270] == pytest.approx(np.degrees(np.arctan(300 / 1500)), abs=0.6)
    assert shaded.horizon_deg[0, 90] == 0


def test_surface_model_stands_in_for_footprints():
    """A block as cells gives nearly the light of the block as a prism; the cells' width is the error."""
    block = shapely.box(-10, -25, 10, -15)
    values = np.zeros((200, 200))
    values[115:125, 90:110] = 8.0
    as_cells = bare_site(surface=Heights(values, -100.0, 100.0, 1.0), latitude_deg=40)
    as_prism = bare_site(buildings=prisms([block], [-1], [8]), latitude_deg=40)
    mount = [0.3, 0.4, 1.0]
    cells, prism = light(as_cells, mount), light(as_prism, mount)
    np.testing.assert_allclose(cells.light_share, prism.light_share, atol=0.03)
    assert prism.light_share.min() < 0.92
    both = light(bare_site(surface=as_cells.surface, buildings=as_prism.buildings, latitude_deg=40), mount)
    np.testing.assert_allclose(both.light_share, cells.light_share)  # nothing is counted twice


def test_canopy_raster_is_a_veil():
    values = np.zeros((200, 200))
    values[130:140, :] = 12.0  # a wood in the south
    site = bare_site(canopy=Heights(values, -100.0, 100.0, 1.0), latitude_deg=40)
    result = light(site, [0, 0, 2.0])
    solid = light(
        bare_site(buildings=prisms([shapely.box(-100, -40, 100, -30)], [-1], [12.0]), latitude_deg=40), [0, 0, 2.0]
    )
    assert result.veil_deg[0, 180] == pytest.approx(np.degrees(np.arctan(10 / 30)), abs=0.8)
    assert result.horizon_deg.max() == 0
    for month in range(12):
        assert solid.light_share[0, month] < result.light_share[0, month] <= 1.0


def test_mirror_north_south():
    """The same scene mirrored gives a southern site half a year later the same hours, but for the
    orbit and the months' lengths (half an hour where the shade comes and goes)."""
    block = shapely.box(-8, -30, 20, -12)
    mirrored = shapely.affinity.scale(block, 1, -1, origin=(0, 0))
    north = light(bare_site(buildings=prisms([block], [-1], [9]), latitude_deg=35))
    south = light(bare_site(buildings=prisms([mirrored], [-1], [9]), latitude_deg=-35))
    np.testing.assert_allclose(np.roll(south.direct_h[0], 6), north.direct_h[0], atol=0.55)


def test_no_mounts_is_no_rows():
    result = year_of_light(bare_site(), np.empty((0, 3)), sun_table(40, 0))
    assert result.light_share.shape == (0, 12)
    assert result.horizon_deg.shape == (0, 360)


def test_every_azimuth_is_spanned_once():
    """A ring of edges round the mount covers each azimuth exactly once: no seam at north."""
    ring = prisms([shapely.Point(0, 0).buffer(10, 16).difference(shapely.Point(0, 0).buffer(9, 16))], [-1], [5])
    azimuth = list(itertools.chain(np.arange(0, 360, 0.37), [0.0, 360.0, 359.999999]))
    assert elevation_deg(ORIGIN, ring, azimuth).min() > 25
