"""The light's spread against closed forms of small changes."""

import numpy as np
import pytest
import shapely

from planner.site import Crowns, Heights, bare_site, prisms
from planner.sun import sun_table, year_of_light
from planner.sun.spread import Doubt, carriers, light_spread

TABLE = sun_table(40, 0, step_minutes=5)


def doubt(placing_m=0.0, heights_share=0.0, crown_light=0.0):
    return Doubt(placing_m, heights_share, crown_light)


FAR = 1e7


def canyon_wall(height=10.0, away=10.0):
    return bare_site(buildings=prisms([shapely.box(-FAR, away, FAR, away + 1)], [-1], [height]), latitude_deg=40)


def test_an_open_mount_is_sure():
    (found,) = light_spread(bare_site(), np.array([[0.0, 0, 3]]), [-1], TABLE, Doubt(0.3, 0.1, 0.1))
    assert (found.light_share == 0).all()
    assert (found.direct_h == 0).all()


def test_moving_before_a_wall():
    """A wall in the north takes only sky from December's light: its view (1 + cos a) / 2, a = atan(h / d).

    Moving by s changes it by sin(a) / 2 * da, da = h s / (h^2 + d^2).
    """
    (found,) = light_spread(canyon_wall(), np.zeros((1, 3)), [-1], TABLE, doubt(placing_m=0.2))
    beam, diffuse = TABLE.monthly(TABLE.beam_wh_m2)[11], TABLE.monthly(TABLE.diffuse_wh_m2)[11]
    angle = np.pi / 4
    moved = np.sin(angle) / 2 * 10 * 0.2 / 200  # towards the wall
    raised = np.sin(angle) / 2 * 10 * 0.2 / 200  # up: h shrinks by as much, at h = d
    assert found.light_share[11] == pytest.approx(np.hypot(moved, raised) * diffuse / (beam + diffuse), rel=0.03)


def test_a_higher_wall():
    (found,) = light_spread(canyon_wall(), np.zeros((1, 3)), [-1], TABLE, doubt(heights_share=0.05))
    beam, diffuse = TABLE.monthly(TABLE.beam_wh_m2)[11], TABLE.monthly(TABLE.diffuse_wh_m2)[11]
    raised = np.sin(np.pi / 4) / 2 * 10 * 0.5 / 200
    assert found.light_share[11] == pytest.approx(raised * diffuse / (beam + diffuse), rel=0.03)


def test_a_crowns_light():
    """Inside a crown all light is its share: the spread is the share's own."""
    tree = Crowns(("oak",), np.array([[0.0, 0, 0]]), np.array([5.0]), np.array([5.0]), np.array([True]))
    (found,) = light_spread(
        bare_site(crowns=tree, latitude_deg=40),
        np.zeros((1, 3)),
        [-1],
        TABLE,
        doubt(crown_light=0.1),
    )
    np.testing.assert_allclose(found.light_share, 0.1, atol=1e-9)


def test_causes_add_in_quadrature():
    mount = np.array([[3.0, 2, 1.0]])
    site = bare_site(buildings=prisms([shapely.box(-8, -20, 30, -9)], [-1], [9]), latitude_deg=40)
    one = light_spread(site, mount, [-1], TABLE, doubt(placing_m=0.1))[0].light_share
    other = light_spread(site, mount, [-1], TABLE, doubt(heights_share=0.05))[0].light_share
    both = light_spread(site, mount, [-1], TABLE, Doubt(0.1, 0.05, 0.0))[0].light_share
    np.testing.assert_allclose(both, np.hypot(one, other))
    assert both.max() > 0.005


@pytest.mark.parametrize(("x", "z"), [(5.0, 20.6), (10.3, 19.85)])
def test_a_mount_rides_on_its_own_building(x, z):
    """Mast and wall bracket on a lone tower: its height's error moves them along and takes no light."""
    tower = bare_site(buildings=prisms([shapely.box(0, 0, 10, 10)], [-1], [20]), latitude_deg=40)
    (found,) = light_spread(tower, np.array([[x, 5.0, z]]), [0], TABLE, doubt(heights_share=0.1))
    np.testing.assert_allclose(found.light_share, 0, atol=1e-12)
    # seen from another tower's roof it does take light
    pair = bare_site(
        buildings=prisms([shapely.box(0, 0, 10, 10), shapely.box(0, -30, 10, -20)], [-1, -1], [20, 24]),
        latitude_deg=40,
    )
    (other,) = light_spread(pair, np.array([[5.0, 5.0, 20.6]]), [0], TABLE, doubt(heights_share=0.1))
    assert other.light_share.max() > 1e-4


def test_a_point_named_on_a_roof_rides_on_it():
    """Found by plane geometry: the highest roof at or beneath the head; what is named already stays."""
    shapes = [shapely.box(0, 0, 20, 20), shapely.box(0, 0, 8, 8), shapely.box(30, 0, 40, 10)]
    site = bare_site(buildings=prisms(shapes, [-1] * 3, [10, 14, 6]), latitude_deg=40)
    mounts = np.array([[4.0, 4, 14.4], [15, 15, 10.4], [4, 4, 12.0], [50, 50, 3], [35, 5, 6.0], [15, 15, 10.4]])
    rows = carriers(site, mounts, np.array([-1, -1, -1, -1, -1, 2]))
    assert rows.tolist() == [1, 0, 0, -1, 2, 2]
    assert carriers(bare_site(), mounts[:1], np.array([-1])).tolist() == [-1]
    lone = bare_site(buildings=prisms(shapes[:1], [-1], [10]), latitude_deg=40)
    mount = mounts[1:2]
    own = carriers(lone, mount, np.array([-1]))
    (found,) = light_spread(lone, mount, own, TABLE, Doubt(0.1, 0.05, 0.1))
    assert found.light_share.max() == found.direct_h.max() == 0


def test_no_head_is_tried_inside_a_wall():
    """0.5 m before an endless wall in the north, moved by 0.6 m: from within the wall nothing would be seen. The
    sky view a step farther off is the closed form (1 + cos a) / 2."""
    mount = np.array([[0.0, 9.5, 0.0]])
    (found,) = light_spread(canyon_wall(), mount, [-1], TABLE, doubt(placing_m=0.6))
    beam, diffuse = TABLE.monthly(TABLE.beam_wh_m2)[11], TABLE.monthly(TABLE.diffuse_wh_m2)[11]
    moved = (np.cos(np.arctan(10 / 1.1)) - np.cos(np.arctan(10 / 0.5))) / 2
    raised = (np.cos(np.arctan(9.4 / 0.5)) - np.cos(np.arctan(10.6 / 0.5))) / 4
    assert found.light_share[11] == pytest.approx(np.hypot(moved, raised) * diffuse / (beam + diffuse), rel=0.05)
    assert found.direct_h[11] == 0


def test_a_surface_model_is_no_surer_than_footprints():
    """The same hall as 1 m cells and as a prism: its height counts alike, and its walls may be half a cell off."""
    n = 200
    x = -100 + np.arange(n) + 0.5
    east, north = np.meshgrid(x, -x)
    hall, flat = shapely.box(-20, -20, 20, -8), Heights(np.zeros((n, n)), -100.0, 100.0, 1.0)
    cells = Heights(np.where(shapely.contains_xy(hall, east, north), 10.0, 0.0), -100.0, 100.0, 1.0)
    solids = prisms([hall], [0], [10.0])
    as_cells = bare_site(buildings=solids, surface=cells, terrain=flat, latitude_deg=40)
    as_prism = bare_site(buildings=solids, terrain=flat, latitude_deg=40)
    mount = np.array([[0.0, 0.0, 2.0]])

    def spread(site, own=-1, at=mount, **kwargs):
        return light_spread(site, at, [own], TABLE, doubt(**kwargs))[0].light_share

    # east, north and up by hand: half a cell, half a cell and nothing
    year = [year_of_light(as_cells, mount + step, TABLE).light_share[0] for step in np.eye(3)[:2] * 0.5]
    back = [year_of_light(as_cells, mount - step, TABLE).light_share[0] for step in np.eye(3)[:2] * 0.5]
    by_hand = np.sqrt(sum(((a - b) / 2) ** 2 for a, b in zip(year, back, strict=True)))
    np.testing.assert_allclose(spread(as_cells), by_hand, atol=1e-9)
    assert by_hand.max() > 0.01
    of_height = spread(as_prism, heights_share=0.05)
    both = spread(as_cells, heights_share=0.05)
    np.testing.assert_allclose(both, np.hypot(by_hand, of_height), atol=0.05 * both.max())
    # a mast on the hall itself: its roof's cells rise with it
    assert spread(as_cells, own=0, at=np.array([[0.0, -12.0, 10.6]]), heights_share=0.1).max() < 1e-9
    wood = bare_site(canopy=cells, latitude_deg=40)
    assert spread(wood, heights_share=0.05).max() > 0.01


def test_leaves_in_cells_may_be_half_a_cell_off():
    """A belt of leaves in cells of 4 m: the same, moved half a cell by hand, east and north."""
    n = 100
    x = -200 + (np.arange(n) + 0.5) * 4.0
    north = np.broadcast_to(-x[:, None], (n, n))
    wood = Heights(np.where((north < -4) & (north > -24), 12.0, 0.0), -200.0, 200.0, 4.0)
    mount = np.array([[1.0, 1.0, 2.0]])

    def year(left, top):
        site = bare_site(canopy=Heights(wood.values, left, top, 4.0), latitude_deg=40)
        return year_of_light(site, mount, TABLE).light_share[0]

    pairs = [(year(-198, 200), year(-202, 200)), (year(-200, 202), year(-200, 198))]
    by_hand = np.sqrt(sum(((a - b) / 2) ** 2 for a, b in pairs))
    (found,) = light_spread(bare_site(canopy=wood, latitude_deg=40), mount, [-1], TABLE, doubt())
    np.testing.assert_allclose(found.light_share, by_hand, atol=1e-12)
    assert by_hand.max() > 0.01
