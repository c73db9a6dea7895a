"""The compiled forms against the plain ones and against an independent ray caster."""

import numpy as np
import pytest
import shapely
from plain_sun import plain_year_of_light, prism_tangent
from scenes import roofs, streets, town, walls
from test_sun import scene

from planner.site import Crowns, Heights, Prisms, bare_site, no_prisms, prisms
from planner.sun import sun_table, year, year_of_light
from planner.sun.hierarchy import horizons, pack, pack_boxes
from planner.sun.horizon import directions
from planner.sun.leaves import CrownLight
from planner.sun.months import SAMPLED_DEG, city_light, light_below, light_table, monthly_beam
from planner.sun.shading import shading


def elevation_deg(tangent):
    return np.degrees(np.arctan(tangent))


# --- horizons ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_same_horizon_as_the_plain_form(seed):
    """Courtyards, L shapes, either orientation, overlaps, mounts inside and out; even and uneven azimuths."""
    rng = np.random.default_rng(seed)
    solids = scene(rng, 40)
    azimuth = np.arange(0, 360, 0.5) if seed % 2 else rng.uniform(0, 360, 700)
    looks = directions(azimuth)
    mounts = np.column_stack([rng.uniform(-95, 95, (40, 2)), rng.uniform(0, 15, 40)])
    found = horizons(pack(solids), mounts, looks).tangent
    for mount, ours in zip(mounts, found, strict=True):
        np.testing.assert_allclose(
            elevation_deg(ours), elevation_deg(prism_tangent(mount, solids, looks)), atol=1e-9
        )


@pytest.mark.parametrize(
    "point", [(5, 5, 0), (5, 0, 0), (0, 0, 0), (10, 10, 0), (5, -1e-9, 0), (5, 5, 5.6), (-3, 5, 2)]
)
def test_edges_corners_and_the_own_roof(point):
    block = prisms([shapely.box(0, 0, 10, 10)], [-1], [5])
    looks = directions(np.arange(0.3, 360, 7.0))
    mount = np.array(point, float)
    ours = horizons(pack(block), mount[None], looks).tangent[0]
    np.testing.assert_allclose(elevation_deg(ours), elevation_deg(prism_tangent(mount, block, looks)), atol=1e-9)


def test_touching_overlapping_and_multi_part_footprints():
    shapes = [
        shapely.box(5, 0, 15, 10),
        shapely.box(15, 0, 25, 10),  # wall to wall
        shapely.box(10, 5, 20, 15),  # across both
        shapely.MultiPolygon([shapely.box(-20, 0, -10, 5), shapely.box(-20, 20, -10, 25)]),
    ]
    solids = prisms(shapes, [-1] * 4, [4, 7, 10, 6])
    looks = directions(np.linspace(0.3, 359.3, 500))  # not along a wall the mount stands on
    for mount in np.array([(0.0, 0, 1), (4.9, 5, 2), (15, -3, 6), (-15, 10, 0), (15.0, 0.0, 5)]):
        ours = horizons(pack(solids), mount[None], looks).tangent[0]
        np.testing.assert_allclose(
            elevation_deg(ours), elevation_deg(prism_tangent(mount, solids, looks)), atol=1e-9
        )


def test_many_vertices():
    solids, _, width = town(300, seed=2, sides=40)
    looks = directions(np.arange(0, 360, 0.25))
    some = prisms(list(shapely.polygons(solids.edge_start.reshape(300, 40, 2))), solids.base_m, solids.top_m)
    for mount in streets(width, 12):
        ours = horizons(pack(solids), mount[None], looks).tangent[0]
        np.testing.assert_allclose(elevation_deg(ours), elevation_deg(prism_tangent(mount, some, looks)), atol=1e-9)


def test_a_floor_hides_only_what_is_under_it():
    solids, middle, width = town(2000, seed=3)
    tree, looks = pack(solids), directions(np.arange(0, 360, 0.5))
    mounts = np.vstack([roofs(solids, middle, np.arange(0, 2000, 40)), streets(width, 50)])
    whole, floored = horizons(tree, mounts, looks).tangent, horizons(tree, mounts, looks, floor_deg=1.0)
    floor = np.tan(np.radians(1.0))
    np.testing.assert_allclose(floored.tangent, np.maximum(whole, floor), rtol=1e-12)
    assert floored.floor_deg == 1.0


def test_nothing_to_see():
    none = prisms([], [], [])
    assert (horizons(pack(none), np.zeros((2, 3)), directions(np.arange(10.0))).tangent == 0).all()
    one = prisms([shapely.box(0, 0, 1, 1)], [0], [5])
    assert horizons(pack(one), np.empty((0, 3)), directions(np.arange(10.0))).tangent.shape == (0, 10)
    assert horizons(pack(one), np.zeros((2, 3)), directions(np.empty(0))).tangent.shape == (2, 0)


@pytest.mark.parametrize("count", [1_000, 100_000])
def test_horizon_agrees_with_an_embree_ray_caster(count):
    """Independent: Embree occlusion rays (package embreex, single precision), 0.01 and 0.1 degree about ours.

    200 mounts, 360 azimuths each; agreement of 99.99 % and more.
    """
    rtcs = pytest.importorskip("embreex.rtcore_scene")
    from embreex.mesh_construction import TriangleMesh

    solids, middle, width = town(count)
    origin = np.array([width / 2, width / 2])
    vertex, triangle = walls(solids, origin)
    caster = rtcs.EmbreeScene()
    TriangleMesh(caster, vertex[triangle])
    rows = np.random.default_rng(5).integers(0, count, 100)
    mounts = np.vstack([roofs(solids, middle, rows), streets(width, 100)])
    looks = directions(np.arange(360.0) + 0.137)
    tangent = horizons(pack(solids), mounts, looks).tangent
    start = np.repeat(np.column_stack([mounts[:, :2] - origin, mounts[:, 2]]), len(looks), axis=0).astype(
        np.float32
    )
    for offset in (-0.1, -0.01, 0.01, 0.1):
        angle = np.radians(elevation_deg(tangent) + offset)
        ray = np.stack([np.cos(angle) * looks.sin, np.cos(angle) * looks.cos, np.sin(angle)], axis=-1)
        blocked = caster.run(start, ray.reshape(-1, 3).astype(np.float32), query="OCCLUDED") == 0
        asked = ((angle > 0) & np.isfinite(tangent)).ravel()
        assert asked.sum() > 45_000
        assert (blocked == (offset < 0))[asked].mean() >= 0.9999


# --- the year ---------------------------------------------------------------------------------------------------


def full_site(latitude_deg):
    """A bit of everything: courtyards, canopies above the mounts, crowns of three kinds, a hill."""
    rng = np.random.default_rng(abs(latitude_deg))
    solid, hanging = scene(rng, 15), scene(rng, 5, hanging=True)
    buildings = prisms(
        [*solid.shapes, *hanging.shapes],
        np.concatenate([solid.base_m, hanging.base_m]),
        np.concatenate([solid.top_m, hanging.top_m]),
    )
    crowns = Crowns(
        tuple(map(str, range(60))),
        np.column_stack([rng.uniform(-90, 90, (60, 2)), rng.uniform(3, 9, 60)]),
        rng.uniform(1, 5, 60),
        rng.uniform(1, 4, 60),
        rng.random(60) < 0.5,
    )
    grove = prisms([shapely.box(20, 20, 40, 60).difference(shapely.box(25, 30, 35, 40))], [2.0], [9.0])
    slope = np.tile(np.maximum(0, np.linspace(200, -270, 200)), (200, 1))  # level where the mounts stand
    return bare_site(
        buildings=buildings,
        crowns=crowns,
        crown_prisms=grove,
        crown_evergreen=np.array([False]),
        terrain=Heights(slope, -1000, 1000, 10.0),
        latitude_deg=latitude_deg,
    )


def raster_site(latitude_deg):
    values = np.zeros((200, 200))
    values[90:110, 120:130] = 15
    values[140:150, 60:110] = 8
    return bare_site(
        surface=Heights(values, -100.0, 100.0, 1.0),
        canopy=Heights(np.roll(values, 15, axis=0) * 0.5, -100.0, 100.0, 1.0),
        buildings=scene(np.random.default_rng(1), 5),
        latitude_deg=latitude_deg,
    )


@pytest.mark.parametrize("site", [full_site(-33), full_site(52), raster_site(48)])
def test_same_year_as_the_plain_form(site):
    table = sun_table(site.latitude_deg, 0, step_minutes=30, day_step=10)
    rng = np.random.default_rng(7)
    mounts = np.column_stack([rng.uniform(-80, 80, (14, 2)), rng.uniform(0.5, 16, 14)])
    ours, plain = year_of_light(site, mounts, table), plain_year_of_light(site, mounts, table)
    for name in ("direct_h", "open_direct_h", "beam_share"):
        np.testing.assert_allclose(getattr(ours, name), getattr(plain, name), atol=1e-12, err_msg=name)
    # the plain form sums the sky in rings of half a degree, and tries elevations half a degree apart
    for name, bound in (("sky_view", 2e-3), ("light_share", 1e-3), ("horizon_deg", 0.5)):
        np.testing.assert_allclose(getattr(ours, name), getattr(plain, name), atol=bound, err_msg=name)
    shown = [np.maximum(each.veil_deg, each.horizon_deg) for each in (ours, plain)]
    np.testing.assert_allclose(*shown, atol=0.5)
    assert not ((ours.veil_deg > 0) & (ours.veil_deg <= ours.horizon_deg)).any()
    for name in vars(ours.shade):
        np.testing.assert_allclose(getattr(ours.shade, name), getattr(plain.shade, name), atol=1e-12, err_msg=name)
    assert np.ptp(ours.shade.worst_day) > 0.1  # no scene that hides all from all
    other = shading(site, crown_light=CrownLight(0.1, 0.5), in_leaf=np.linspace(0, 1, 12))
    ours, plain = year_of_light(site, mounts, table, other), plain_year_of_light(site, mounts, table, other)
    np.testing.assert_allclose(ours.beam_share, plain.beam_share, atol=1e-12)
    np.testing.assert_allclose(ours.light_share, plain.light_share, atol=1e-3)


def sky_rays(azimuths=720, rings=720):
    """Directions over the sky (east, north, up) and the light each brings to a level plane from an even sky."""
    azimuth = 2 * np.pi * (np.arange(azimuths) + 0.5) / azimuths
    sine2 = (np.arange(rings) + 0.5) / rings  # rings of the same light
    sine, cosine = np.sqrt(sine2)[:, None], np.sqrt(1 - sine2)[:, None]
    rays = np.stack([cosine * np.sin(azimuth), cosine * np.cos(azimuth), sine + 0 * azimuth], axis=-1)
    return rays.reshape(-1, 3), np.ones(azimuths * rings)


def sky_through(mount, crown, passed):
    """Share of an even sky's light behind one crown, by the way of each ray through the ellipsoid (quadratic)."""
    direction, weight = sky_rays()
    axes = np.array([crown.radius_m[0], crown.radius_m[0], crown.half_height_m[0]])
    ray, centre = direction / axes, (crown.centre[0] - mount) / axes
    a, b, c = (ray**2).sum(axis=1), ray @ centre, (centre**2).sum() - 1
    way = 2 * np.sqrt(np.maximum(b**2 - a * c, 0)) / a * (b > 0)
    chord = 4 / 3 * crown.radius_m[0]  # a sphere's
    return (weight * passed ** (way / chord)).sum() / weight.sum()


def test_by_path_a_crown_takes_its_share_on_average():
    """Rays that fill a crown evenly, in a direction, pass with the stated share on their mean way (Beer's law)."""
    crown = Crowns(("oak",), np.array([[0.0, 40, 12]]), np.array([4.0]), np.array([4.0]), np.array([True]))
    site = bare_site(crowns=crown, latitude_deg=-30)
    table = sun_table(-30, 0, step_minutes=20, day_step=10)
    mounts = np.array([[0.0, 0, 2.0], [1.0, 20, 1.0], [1.0, 35, 8.0]])
    whole = year_of_light(site, mounts, table, shading(site, crown_light=CrownLight(0.2, 0.6)))
    path = year_of_light(site, mounts, table, shading(site, crown_light=CrownLight(0.2, 0.6, by_path=True)))
    # the sun passes through the middle, where the way (8 m) is longer than the mean (16/3 m), and through the rim
    assert (path.direct_h == whole.direct_h).all()
    assert np.abs(path.beam_share - whole.beam_share).max() > 1e-3
    assert (path.beam_share >= whole.beam_share - 0.05).all()
    # the sky behind it as well: the even sky's light by brute force, ray by ray
    for k, mount in enumerate(mounts):
        assert path.sky_view[k, 0] == pytest.approx(sky_through(mount, crown, 0.2), abs=6e-4)
    assert np.abs(path.sky_view - whole.sky_view).max() > 4e-3


def test_by_path_a_crown_polygon_dims_the_sky_by_the_way_through_it():
    """A wide hedge, seen from beside it: the even sky's light by brute force, with the way through a box by its
    slabs (Kay and Kajiya 1986) and the mean way 4 V / S (Cauchy)."""
    hedge = prisms([shapely.box(-30, 5, 30, 9)], [1.0], [6.0])
    site = bare_site(crown_prisms=hedge, crown_evergreen=np.array([True]), latitude_deg=-30)
    table = sun_table(-30, 0, step_minutes=60, day_step=30)
    found = year_of_light(
        site, np.array([[0.0, 0.0, 2.0]]), table, shading(site, crown_light=CrownLight(0.2, 0.6, True))
    )
    direction, weight = sky_rays()
    low, high = np.array([-30.0, 5.0, -1.0]), np.array([30.0, 9.0, 4.0])
    with np.errstate(divide="ignore"):
        one, other = low / direction, high / direction
    way = np.minimum.reduce([np.maximum(one, other).min(axis=1)]) - np.maximum(
        np.minimum(one, other).max(axis=1), 0
    )
    chord = 4 * 60 * 4 * 5 / (2 * 60 * 4 + 2 * 64 * 5)
    truth = (weight * 0.2 ** (np.maximum(way, 0) / chord)).sum() / weight.sum()
    assert found.sky_view[0, 0] == pytest.approx(truth, abs=1e-3)
    whole = year_of_light(site, np.array([[0.0, 0.0, 2.0]]), table).sky_view[0, 0]
    assert abs(whole - truth) > 5e-3


# --- light by month from a sampled horizon -----------------------------------------------------------------------


@pytest.mark.parametrize(("latitude_deg", "every"), [(35.0, 1), (52.0, 4), (-33.0, 4)])
def test_monthly_sums_keep_to_their_bound(latitude_deg, every):
    """Against every minute of the year at the sun's own azimuths: within 0.5 % of the month's open light.

    Of 200 mounts at one latitude, of every fourth of them, and every second minute, at two more.
    """
    solids, middle, width = town(1500, seed=4, per_m2=0.0015)
    tree = pack(solids)
    mounts = np.vstack([roofs(solids, middle + 3, np.arange(0, 1500, 15)), streets(width, 100)])[::every]
    sun = sun_table(latitude_deg, 0.0, step_minutes=1 if every == 1 else 2)
    looks = directions(sun.azimuth_deg)
    month, beam = sun.month[looks.order], sun.beam_wh_m2[looks.order]
    slope = np.tan(np.radians(sun.elevation_deg[looks.order]))
    seen = [slope > horizons(tree, each[None], looks).tangent[0] for each in mounts]
    exact = np.vstack([np.bincount(month, beam * lit, 12) for lit in seen])
    table = light_table(sun)
    np.testing.assert_allclose(table.beam, np.bincount(month, beam, 12))
    sampled = monthly_beam(horizons(tree, mounts, directions(SAMPLED_DEG), 0.5).tangent, table, 0.5)
    worst = np.abs(sampled - exact).max(axis=0) / table.beam
    assert worst.max() < 0.005
    assert (exact / table.beam).min() < 0.7  # there is shade to be right about
    # the same in one call that keeps no horizons
    city = city_light(tree, mounts, sun)
    np.testing.assert_allclose(city.beam_share * table.beam, sampled, rtol=1e-6)
    assert city.floor_deg == 0.5


def test_city_light_is_the_sites_light():
    """The city's form against the exact one of a site without crowns or ground, beam and sky."""
    rng = np.random.default_rng(11)
    solids = scene(rng, 25)
    site = bare_site(buildings=solids, latitude_deg=35)
    mounts = np.column_stack([rng.uniform(-80, 80, (60, 2)), rng.uniform(1, 14, 60)])
    sun = sun_table(35, 0, step_minutes=2)
    exact, city = year_of_light(site, mounts, sun), city_light(pack(solids), mounts, sun)
    np.testing.assert_allclose(city.light_share, exact.light_share, atol=0.006)
    np.testing.assert_allclose(city.sky_view, exact.sky_view[:, 0], atol=0.006)


def test_light_below_is_small_and_grows():
    sun = sun_table(52, 0, step_minutes=5)
    low, high = light_below(sun, 1.0), light_below(sun, 15.0)
    assert (low < 1e-4).all()  # what a floor of one degree can hide
    assert (high > low).all()
    assert high[11] > 0.8  # most of a northern December comes from under 15 degrees
    np.testing.assert_allclose(light_below(sun, 91.0), 1.0)


def test_open_sky_loses_nothing_and_a_pit_all():
    table = light_table(sun_table(40, 0, step_minutes=10))
    flat, pit = np.zeros((1, len(SAMPLED_DEG))), np.full((1, len(SAMPLED_DEG)), np.inf)
    np.testing.assert_allclose(monthly_beam(flat, table)[0], table.beam)
    np.testing.assert_allclose(monthly_beam(pit, table)[0] / table.beam, 0, atol=1e-4)


def test_what_is_summed_side_by_side_is_summed_alone():
    """A mount's months are the same to the last bit whatever stands beside it in the list."""
    tangent = np.random.default_rng(5).gamma(0.5, 0.5, (40, len(SAMPLED_DEG)))
    tangent[:20] = tangent[:20, :1]  # level ones, which are looked up once a stretch
    table = light_table(sun_table(40, 0, step_minutes=10))
    alone = np.vstack([monthly_beam(each[None], table) for each in tangent])
    np.testing.assert_array_equal(monthly_beam(tangent, table), alone)
    assert 0.01 < (alone / table.beam).mean() < 0.99


def test_packing_keeps_every_edge():
    rng = np.random.default_rng(3)
    solids: Prisms = scene(rng, 30)
    tree = pack(solids)
    known = ~np.isnan(tree.vertex[:, 0])
    assert known.sum() == len(solids.edge_start) + (~known).sum()  # a ring has one vertex more than edges
    assert sorted(tree.row) == list(range(30))
    np.testing.assert_array_equal(tree.top, solids.top_m[tree.row])
    assert (tree.node[-1, :2] <= solids.edge_start.min(axis=0)).all()  # rounded outward
    assert (tree.node[-1, 2:4] >= solids.edge_start.max(axis=0)).all()
    np.testing.assert_allclose(tree.node[-1, :2], solids.edge_start.min(axis=0), atol=1e-4)
    assert solids.top_m.max() <= tree.node[-1, 4] < solids.top_m.max() + 1e-4


def wood(count, buildings=0, seed=3):
    """Crowns, and buildings among them, as thick as on a campus: the square grows with their number."""
    rng = np.random.default_rng(seed)
    half = 400.0 * np.sqrt(count / 300)
    crowns = Crowns(
        tuple(f"T{k}" for k in range(count)),
        np.column_stack([rng.uniform(-half, half, (count, 2)), rng.uniform(4, 8, count)]),
        rng.uniform(2, 5, count),
        rng.uniform(2, 4, count),
        rng.random(count) < 0.5,
    )
    corner, size = rng.uniform(-half, half, (buildings, 2)), rng.uniform(15, 40, (buildings, 2))
    shapes = [shapely.box(*c, *(c + s)) for c, s in zip(corner, size, strict=True)]
    solids = prisms(shapes, np.full(buildings, -1.0), rng.uniform(4, 15, buildings)) if buildings else no_prisms()
    leafy = prisms([shapely.Point(30 * k, 40).buffer(4) for k in range(-5, 5)], np.full(10, 3.0), np.full(10, 9.0))
    return bare_site(
        buildings=solids, crowns=crowns, crown_prisms=leafy, crown_evergreen=np.arange(10) % 2 == 0, latitude_deg=40
    )


def in_full_sight(box, top):
    """Boxes that hide nothing: every crown is asked, one after the other."""
    return pack_boxes(box, np.full(len(top), np.inf))


@pytest.mark.parametrize("by_path", [False, True])
def test_crowns_passed_over_dim_nothing(monkeypatch, by_path):
    """The same year with every crown asked; only the order in which logarithms are added differs."""
    site, rng = wood(600, 200), np.random.default_rng(8)
    mounts = np.column_stack([rng.uniform(-150, 150, (25, 2)), rng.uniform(0.5, 16, 25)])
    mounts[0] = site.crowns.centre[0]  # within a crown
    mounts[1] = site.crowns.centre[1] + (0, 0, site.crowns.half_height_m[1])
    table = sun_table(40, 0, step_minutes=30, day_step=10)
    shade = shading(site, crown_light=CrownLight(0.2, 0.6, by_path))
    ours = year_of_light(site, mounts, table, shade)
    monkeypatch.setattr(year, "pack_boxes", in_full_sight)
    every = year_of_light(site, mounts, table, shade)
    for name in ("direct_h", "beam_share", "light_share", "sky_view", "horizon_deg", "veil_deg"):
        np.testing.assert_allclose(getattr(ours, name), getattr(every, name), rtol=0, atol=1e-12, err_msg=name)
    assert ours.veil_deg.max() > 5
