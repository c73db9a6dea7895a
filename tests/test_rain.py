"""Rain openness against WMO-No. 8, and distances to keep-outs."""

import dataclasses

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import town

from planner.rain import HEAT_RADII_M, LEAST_DEG, rain_and_surroundings, rain_class, windward
from planner.site import Crowns, Heights, KeepOut, KeepOuts, bare_site, prisms
from planner.sun import sun_table, year_of_light


@pytest.mark.parametrize(
    ("angle_deg", "wmo_class"),
    [(13.9, 1), (14.1, 2), (26.5, 2), (26.6, 3), (44.9, 3), (45.1, 4), (63.4, 4), (63.5, 5), (90, 5)],
)
def test_class_by_obstacle_angle(angle_deg, wmo_class):
    """WMO-No. 8, siting classification, precipitation: 14, 26.6, 45 and 63.4 degrees.

    Angles confirmed by an open implementation; the distance ratios 4, 2, 1, 0.5 behind them are from memory.
    """
    tangent = np.array([np.tan(np.radians(angle_deg)) if angle_deg < 90 else np.inf])
    assert rain_class(tangent)[0] == wmo_class


@pytest.mark.parametrize(
    ("distance", "wmo_class"), [(40.0, 1), (39.9, 2), (20.0, 2), (19.9, 3), (10.0, 3), (9.9, 4), (5.0, 4), (4.9, 5)]
)
def test_class_by_distance_over_height(distance, wmo_class):
    """An obstacle 10 m above the gauge: class limits at 4, 2, 1 and 0.5 times its height (ratios from memory)."""
    wall = prisms([shapely.box(-5, distance, 5, distance + 3)], [0], [12])
    found = rain_and_surroundings(bare_site(buildings=wall), np.array([[0, 0, 2.0]]))
    assert found.wmo_class[0] == wmo_class
    assert found.steepest_deg[0] == pytest.approx(np.degrees(np.arctan(10 / distance)))


def test_the_steepest_is_named_with_its_direction():
    two = prisms([shapely.box(20, -2, 30, 2), shapely.box(-2, -60, 2, -50)], [0, 0], [9, 9], ["near", "far"])
    found = rain_and_surroundings(bare_site(buildings=two), np.array([[0.0, 0, 1]]))
    assert found.steepest_name == ("near",)
    assert found.steepest_azimuth_deg[0] == pytest.approx(90)


def test_cover():
    canopy = prisms([shapely.box(-3, -3, 3, 3)], [4], [4.3])
    crown = Crowns(("oak",), np.array([[20.0, 0, 6]]), np.array([4.0]), np.array([3.0]), np.array([True]))
    site = bare_site(buildings=canopy, crowns=crown)
    mounts = np.array([[0, 0, 2.0], [0, 0, 5.0], [20, 1, 2.0], [20, 1, 12.0], [0, 10, 2.0]])
    found = rain_and_surroundings(site, mounts)
    assert found.covered.tolist() == [True, False, True, False, False]
    assert found.wmo_class[0] == found.wmo_class[2] == 5
    assert found.steepest_name[1] == "oak"  # not the canopy it stands on


def test_crown_angle_is_the_tangent_of_its_ellipse():
    """Independent: the largest elevation over points of the ellipse, sampled finely."""
    crown = Crowns(("oak",), np.array([[10.0, 0, 5]]), np.array([4.0]), np.array([3.0]), np.array([True]))
    found = rain_and_surroundings(bare_site(crowns=crown), np.array([[0.0, 0, 1]]))
    t = np.linspace(0, 2 * np.pi, 100_000)
    sampled = np.degrees(np.arctan2(5 + 3 * np.sin(t) - 1, 10 + 4 * np.cos(t))).max()
    assert found.steepest_deg[0] == pytest.approx(sampled, abs=1e-4)


def test_keep_outs_by_kind():
    outs = KeepOuts(
        ("lawn", "pitch", "boiler"),
        (KeepOut.SPRAY, KeepOut.SPRAY, KeepOut.HEAT),
        (shapely.box(10, -5, 20, 5), shapely.box(-40, -5, -30, 5), shapely.Point(0, 7).buffer(1)),
    )
    found = rain_and_surroundings(bare_site(keep_outs=outs), np.array([[0.0, 0, 2], [15, 0, 2]]))
    assert found.spray_m.tolist() == [10.0, 0.0]
    assert found.spray_name == ("lawn", "lawn")
    assert found.heat_m[0] == pytest.approx(6.0, abs=0.01)
    assert np.isinf(found.no_access_m).all()


# --- by sectors ---------------------------------------------------------------------------------------------------

FAR = 1e5


def street(seed, buildings=14, crowns=6):
    rng = np.random.default_rng(seed)
    shapes = []
    for k in range(buildings):
        shape = shapely.box(0, 0, *rng.uniform(3, 25, 2))
        if k % 3 == 0:
            shape = shape.difference(shapely.affinity.scale(shape, 0.5, 0.5))  # a courtyard
        shape = shapely.affinity.rotate(shape if k % 2 else shape.reverse(), rng.uniform(0, 90))
        shapes.append(shapely.affinity.translate(shape, *rng.uniform(-70, 70, 2)))
    trees = Crowns(
        tuple(f"tree {k}" for k in range(crowns)),
        np.column_stack([rng.uniform(-60, 60, (crowns, 2)), rng.uniform(4, 9, crowns)]),
        rng.uniform(1.5, 5, crowns),
        rng.uniform(1.5, 4, crowns),
        rng.random(crowns) < 0.5,
    )
    return bare_site(
        buildings=prisms(shapes, np.full(buildings, -1.0), rng.uniform(3, 15, buildings)), crowns=trees
    )


def wedge(centre, sector, reach=400.0):
    low, high = np.radians([10 * sector - 5, 10 * sector + 5])
    arc = np.linspace(low, high, 40)
    return shapely.Polygon(
        [centre, *(centre + reach / np.cos(np.radians(5)) * np.column_stack([np.sin(arc), np.cos(arc)]))]
    )


@pytest.mark.parametrize("seed", range(4))
def test_sectors_agree_with_footprints_cut_by_wedges(seed):
    """Independent: GEOS cuts each footprint by the sector's wedge; the nearest point of what is left decides."""
    site = street(seed, crowns=0)
    rng = np.random.default_rng(seed + 50)
    mounts = np.column_stack([rng.uniform(-75, 75, (12, 2)), rng.uniform(0, 8, 12)])
    found = rain_and_surroundings(site, mounts)
    checked = 0
    for k, mount in enumerate(mounts):
        point = shapely.Point(mount[:2])
        if found.covered[k]:
            assert (found.sector_deg[k] == 90).all()
            continue
        for sector in range(36):
            cone = wedge(mount[:2], sector)
            steepest = 0.0
            for shape, top in zip(site.buildings.shapes, site.buildings.top_m, strict=True):
                piece = shape.intersection(cone)
                if top > mount[2] and not piece.is_empty:
                    steepest = max(steepest, np.degrees(np.arctan((top - mount[2]) / piece.distance(point))))
            assert found.sector_deg[k, sector] == pytest.approx(steepest if steepest > LEAST_DEG else 0, abs=1e-4)
            checked += 1
    assert checked > 200


def test_crown_sectors_agree_with_points_on_the_ellipsoid():
    """Independent: the ellipsoid sampled finely, largest elevation in each sector."""
    crown = Crowns(("oak",), np.array([[6.0, 5.0, 5.0]]), np.array([4.0]), np.array([3.0]), np.array([True]))
    found = rain_and_surroundings(bare_site(crowns=crown), np.array([[0.0, 0, 1]]))
    u, v = np.meshgrid(np.linspace(0, 2 * np.pi, 3001), np.linspace(-np.pi / 2, np.pi / 2, 1501))
    x, y, z = 6 + 4 * np.cos(v) * np.cos(u), 5 + 4 * np.cos(v) * np.sin(u), 4 + 3 * np.sin(v)
    sector = np.round(np.degrees(np.arctan2(x, y)) / 10).astype(int) % 36
    angle = np.degrees(np.arctan2(z, np.hypot(x, y)))
    for s in range(36):
        here = angle[sector == s]
        assert found.sector_deg[0, s] == pytest.approx(here.max() if here.size else 0, abs=0.05)


def test_an_endless_wall_by_sector():
    """A wall 10 m away and 10 m over the gauge: tan = cos(azimuth) to the nearest point of each sector."""
    wall = prisms([shapely.box(-FAR, 10, FAR, 12)], [-1], [12])
    found = rain_and_surroundings(bare_site(buildings=wall), np.array([[0.0, 0, 2]]))
    for s in range(36):
        off = max(0.0, min(10 * s, 360 - 10 * s) - 5.0)
        wanted = np.degrees(np.arctan(np.cos(np.radians(off)))) if off < 89 else 0.0
        assert found.sector_deg[0, s] == pytest.approx(wanted, abs=1e-6)
    # WMO-No. 8 class by sector: at 45 degrees class 3, over 26.6 degrees too, then 2, then 1 behind the back
    assert found.sector_class[0, 0] == 3
    assert found.sector_class[0, 7] == 2
    assert found.sector_class[0, 18] == 1
    assert found.obstacles[found.sector_obstacle[0, 0]] == "#1"
    assert found.sector_obstacle[0, 18] == -1


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000), turns=st.integers(1, 35))
def test_turning_the_scene_by_a_sector_turns_the_sectors(seed, turns):
    site = street(seed)

    def turn(shape):
        return shapely.affinity.rotate(shape, -10 * turns, origin=(0, 0))

    centre = site.crowns.centre.copy()
    centre[:, :2] = [turn(shapely.Point(c)).coords[0] for c in centre[:, :2]]
    turned = bare_site(
        buildings=prisms([turn(s) for s in site.buildings.shapes], site.buildings.base_m, site.buildings.top_m),
        crowns=Crowns(
            site.crowns.names, centre, site.crowns.radius_m, site.crowns.half_height_m, site.crowns.evergreen
        ),
    )
    mount = np.array([[0.0, 0.0, 1.0]])
    before, after = rain_and_surroundings(site, mount), rain_and_surroundings(turned, mount)
    np.testing.assert_allclose(np.roll(before.sector_deg, turns, axis=1), after.sector_deg, atol=1e-5)


def test_windward_looks_only_where_the_rain_comes_from():
    shed = prisms([shapely.box(-3, 12, 3, 18)], [-1], [8], ["shed"])
    found = rain_and_surroundings(bare_site(buildings=shed), np.array([[0.0, 0, 2]]))
    steep, sector = windward(found, 40.0)
    assert steep[0] == pytest.approx(np.degrees(np.arctan(6 / 12)))
    assert sector[0] == 0
    assert windward(found, 180.0)[0][0] == 0
    # from 50 degrees the sector of 5 to 15 degrees is the outermost that counts; the wall's face lies north
    at_five = np.degrees(np.arctan(6 / 12 * np.cos(np.radians(5))))
    assert windward(found, 50.0)[0][0] == pytest.approx(at_five)
    assert windward(found, 60.0)[0][0] == 0


# --- drip and heat ------------------------------------------------------------------------------------------------


def test_eaves_drip_and_parapets_do_not():
    pair = prisms([shapely.box(0, 0, 10, 10), shapely.box(30, 0, 40, 10)], [-1, -1], [5, 5], ["house", "block"])
    site = bare_site(buildings=pair, pitched=np.array([True, False]))
    mounts = np.array(
        [
            [5, -0.3, 4.8],  # a bracket under the eave
            [5, 0.3, 5.6],  # a mast on the roof, above it
            [35, -0.3, 4.8],  # under a parapet
            [5, -4.0, 3.0],  # in reach of nothing that falls straight down
            [5, -9.0, 3.0],
        ]
    )
    found = rain_and_surroundings(site, mounts)
    np.testing.assert_allclose(found.drip_m, [0.3, np.inf, np.inf, 4.0, np.inf])
    assert found.drip_name == ("house", "", "", "house", "")


@pytest.mark.parametrize("seed", range(3))
def test_heat_share_is_the_area_that_geos_cuts(seed):
    """Independent: GEOS cuts the union of footprints and heat places by a disc of 1,440 corners."""
    site = street(seed)
    hot = KeepOuts(("flue", "lawn"), (KeepOut.HEAT, KeepOut.SPRAY), (shapely.box(-4, -4, 9, 3),) * 2)
    site = dataclasses.replace(site, keep_outs=hot)
    rng = np.random.default_rng(seed)
    mounts = np.column_stack([rng.uniform(-80, 80, (25, 2)), rng.uniform(0, 8, 25)])
    found = rain_and_surroundings(site, mounts)
    built = shapely.union_all([*site.buildings.shapes, hot.shapes[0]])
    for k, (x, y, _) in enumerate(mounts):
        for j, radius in enumerate(HEAT_RADII_M):
            area = built.intersection(shapely.Point(x, y).buffer(radius, quad_segs=360)).area
            assert found.heat_share[k, j] == pytest.approx(area / (np.pi * radius**2), abs=2e-5)


@pytest.mark.parametrize("seed", range(2))
def test_the_nearest_wall_is_one_that_rises_above(seed):
    """Independent: shapely's distance to each footprint that is higher than the mount."""
    site = street(seed)
    rng = np.random.default_rng(seed)
    mounts = np.column_stack([rng.uniform(-60, 60, (30, 2)), rng.uniform(0, 12, 30)])
    found = rain_and_surroundings(site, mounts)
    for k in np.flatnonzero(~found.covered):
        point = shapely.Point(mounts[k, :2])
        away = {
            name: shape.distance(point)
            for name, shape, top in zip(
                site.buildings.names, site.buildings.shapes, site.buildings.top_m, strict=True
            )
            if top - mounts[k, 2] > shape.distance(point) * np.tan(np.radians(LEAST_DEG))
        }
        if away:
            assert found.wall_m[k] == pytest.approx(min(away.values()))
            assert away[found.wall_name[k]] == pytest.approx(found.wall_m[k])
        else:
            assert np.isinf(found.wall_m[k])


def test_nothing_around_and_no_mounts():
    open_ground = rain_and_surroundings(bare_site(), np.array([[0.0, 0, 2]]))
    assert open_ground.heat_share.tolist() == [[0.0] * 5]
    assert (open_ground.sector_deg == 0).all()
    assert (open_ground.sector_class == 1).all()
    none = rain_and_surroundings(street(1), np.empty((0, 3)))
    assert none.sector_deg.shape == (0, 36)
    assert none.drip_name == none.cover_name == ()


def cells(height, rows=slice(None), cols=slice(None), n=200):
    values = np.zeros((n, n))
    values[rows, cols] = height
    return Heights(values, -n / 2, n / 2, 1.0)


def test_a_surface_model_is_seen():
    """A block of cells 7 m to the north, 30 m high, before a head at 4 m: atan(26 / 7) by plane geometry."""
    site = bare_site(surface=cells(30.0, slice(80, 93), slice(90, 110)))
    found = rain_and_surroundings(site, np.array([[0.5, 0.0, 4.0]]))
    assert found.steepest_deg[0] == pytest.approx(np.degrees(np.arctan(26 / 7)), abs=0.5)
    assert found.steepest_name == ("the surface model",)
    assert found.wmo_class[0] == 5
    assert not found.covered[0]


def test_a_canopy_is_seen_and_covers():
    ring = cells(15.0)
    ring.values[94:106, 94:106] = 0.0
    site = bare_site(canopy=ring)
    beside, beneath = np.array([[0.0, 0, 4.0]]), np.array([[40.0, 0, 4.0]])
    found = rain_and_surroundings(site, beside)
    assert found.steepest_deg[0] == pytest.approx(np.degrees(np.arctan(11 / 6)), abs=1.0)
    assert found.steepest_name == ("tree canopy",)
    assert rain_and_surroundings(site, beneath).covered.tolist() == [True]


def test_beside_a_surface_model_the_sun_s_obstacles_count():
    """A hall and an oak that the surface model does not show, as the sun leaves them out; but the hall's wall is
    still a wall, and its roof overhead still a roof."""
    flat = cells(0.0)
    crown = Crowns(("oak",), np.array([[6.0, 0.0, 8.0]]), np.array([4.0]), np.array([4.0]), np.array([True]))
    hall = prisms(
        [shapely.box(-30, 5, 30, 9), shapely.box(-60, -60, -40, -40)], [-1, 4], [12.0, 5.0], ["hall", "roof"]
    )
    site = bare_site(buildings=hall, crowns=crown, surface=flat, terrain=flat)
    found = rain_and_surroundings(site, np.array([[0.0, 0.0, 2.0], [-50, -50, 2]]))
    assert found.steepest_deg[0] == 0
    assert found.steepest_name[0] == ""
    assert found.wall_m[0] == pytest.approx(5)
    assert found.cover_name == ("", "roof")
    year = year_of_light(site, np.array([[0.0, 0.0, 2.0]]), sun_table(40, 0, step_minutes=60, day_step=30))
    assert year.light_share.min() == pytest.approx(1)


def test_a_mount_on_a_wall_line_is_beside_the_wall():
    """Half of all directions lead inside: these are shut, nothing hangs over it; at a corner a quarter is."""
    house = prisms([shapely.box(0, 0, 10, 10)], [-1], [9.0], ["house"])
    found = rain_and_surroundings(
        bare_site(buildings=house), np.array([[5.0, 0, 4], [0, 0, 4], [5, 1e-3, 4], [5, 0, 9.5]])
    )
    assert found.covered.tolist() == [False, False, True, False]
    assert found.wall_m[:2].tolist() == [0, 0]
    shut = found.sector_deg == 90
    # the wall runs east and west, so these two sectors are cut by it; at the corner north and east are
    assert np.flatnonzero(~shut[0]).tolist() == list(range(10, 27))
    assert np.flatnonzero(shut[1]).tolist() == list(range(10))
    assert (found.sector_deg[0, 10:27] == 0).all()
    assert found.steepest_name[:2] == ("house", "house")
    assert found.steepest_deg[3] == 0


def test_the_cover_is_named_and_nothing_else():
    """A crown overhead and a hall at 40 degrees: what stands at 90 is the crown, and has no direction."""
    crown = Crowns(("T1",), np.array([[0.0, 0.0, 8.0]]), np.array([4.0]), np.array([4.0]), np.array([True]))
    hall = prisms([shapely.box(-3, 8, 3, 12)], [-1], [9.0], ["Hall"])
    found = rain_and_surroundings(bare_site(buildings=hall, crowns=crown), np.array([[0.0, 0, 1.5], [0, -9, 1.5]]))
    assert found.steepest_name == ("T1", "T1")
    assert np.isnan(found.steepest_azimuth_deg[0])
    assert found.steepest_azimuth_deg[1] == pytest.approx(0)
    assert found.steepest_deg[0] == 90


def test_steep_ground_is_an_obstacle():
    """A slope of 1 in 1 beside a head at 3 m: it rises to 45 degrees, less the head's own height."""
    slope = Heights(np.tile(np.linspace(199, 0, 200)[:, None], (1, 200)), -100.0, 100.0, 1.0)
    at = slope.at(np.array([[0.0, 0.0]]))[0]
    for site in (bare_site(terrain=slope), bare_site(terrain=slope, surface=slope)):
        found = rain_and_surroundings(site, np.array([[0.0, 0, at + 3]]))
        assert found.steepest_deg[0] == pytest.approx(np.degrees(np.arctan(99.5 / 99.5 - 3 / 99.5)), abs=0.3)
        assert found.steepest_name == ("the ground",)
        assert found.steepest_azimuth_deg[0] == pytest.approx(0, abs=0.6)
        assert not found.covered[0]


def test_level_ground_is_none():
    flat = Heights(np.full((40, 40), 7.0), -200.0, 200.0, 10.0)
    found = rain_and_surroundings(bare_site(terrain=flat), np.array([[0.0, 0, 9.0]]))
    assert found.steepest_deg[0] == 0


def test_heat_around_is_that_of_all_buildings():
    """Only what stands within the widest circle is looked at: the shares are those of discs cut by shapely with
    every building, a disc being a polygon of 4,000 sides, whose area is short by 4e-7 of it."""
    solids, _, width = town(600, seed=2)
    shapes = shapely.polygons(solids.edge_start.reshape(-1, 4, 2))
    site = bare_site(buildings=prisms(list(shapes), solids.base_m, solids.top_m))
    mounts = np.column_stack([np.random.default_rng(0).uniform(0, width, (6, 2)), np.full(6, 9.0)])
    union = shapely.union_all(shapes)
    for mount, shares in zip(mounts, rain_and_surroundings(site, mounts).heat_share, strict=True):
        for radius, share in zip(HEAT_RADII_M, shares, strict=True):
            disc = shapely.Point(mount[:2]).buffer(radius, quad_segs=1000)
            assert share == pytest.approx(disc.intersection(union).area / disc.area, abs=2e-6)
