"""The light's spread against closed forms of small changes."""

import numpy as np
import pytest
import shapely

from planner.site import Crowns, bare_site, prisms
from planner.sun import sun_table
from planner.sun.spread import light_spread

TABLE = sun_table(40, 0, step_minutes=5)
NONE = {"placing_m": 0.0, "heights_share": 0.0, "crown_light": 0.0}
FAR = 1e7


def canyon_wall(height=10.0, away=10.0):
    return bare_site(buildings=prisms([shapely.box(-FAR, away, FAR, away + 1)], [-1], [height]), latitude_deg=40)


def test_an_open_mount_is_sure():
    (found,) = light_spread(
        bare_site(), np.array([[0.0, 0, 3]]), [-1], TABLE, placing_m=0.3, heights_share=0.1, crown_light=0.1
    )
    assert (found.light_share == 0).all()
    assert (found.direct_h == 0).all()


def test_moving_before_a_wall():
    """A wall in the north takes only sky from December's light: its view (1 + cos a) / 2, a = atan(h / d).

    Moving by s changes it by sin(a) / 2 * da, da = h s / (h^2 + d^2).
    """
    (found,) = light_spread(canyon_wall(), np.zeros((1, 3)), [-1], TABLE, **(NONE | {"placing_m": 0.2}))
    beam, diffuse = TABLE.monthly(TABLE.beam_wh_m2)[11], TABLE.monthly(TABLE.diffuse_wh_m2)[11]
    angle = np.pi / 4
    moved = np.sin(angle) / 2 * 10 * 0.2 / 200  # towards the wall
    raised = np.sin(angle) / 2 * 10 * 0.2 / 200  # up: h shrinks by as much, at h = d
    assert found.light_share[11] == pytest.approx(np.hypot(moved, raised) * diffuse / (beam + diffuse), rel=0.03)


def test_a_higher_wall():
    (found,) = light_spread(canyon_wall(), np.zeros((1, 3)), [-1], TABLE, **(NONE | {"heights_share": 0.05}))
    beam, diffuse = TABLE.monthly(TABLE.beam_wh_m2)[11], TABLE.monthly(TABLE.diffuse_wh_m2)[11]
    raised = np.sin(np.pi / 4) / 2 * 10 * 0.5 / 200
    assert found.light_share[11] == pytest.approx(raised * diffuse / (beam + diffuse), rel=0.03)


def test_a_crowns_light():
    """Inside a crown all light is its share: the spread is the share's own."""
    tree = Crowns(("oak",), np.array([[0.0, 0, 0]]), np.array([5.0]), np.array([5.0]), np.array([True]))
    (found,) = light_spread(
        bare_site(crowns=tree, latitude_deg=40), np.zeros((1, 3)), [-1], TABLE, **(NONE | {"crown_light": 0.1})
    )
    np.testing.assert_allclose(found.light_share, 0.1, atol=1e-9)


def test_causes_add_in_quadrature():
    mount = np.array([[3.0, 2, 1.0]])
    site = bare_site(buildings=prisms([shapely.box(-8, -20, 30, -9)], [-1], [9]), latitude_deg=40)
    one = light_spread(site, mount, [-1], TABLE, **(NONE | {"placing_m": 0.1}))[0].light_share
    other = light_spread(site, mount, [-1], TABLE, **(NONE | {"heights_share": 0.05}))[0].light_share
    both = light_spread(site, mount, [-1], TABLE, placing_m=0.1, heights_share=0.05, crown_light=0.0)[0].light_share
    np.testing.assert_allclose(both, np.hypot(one, other))
    assert both.max() > 0.005


@pytest.mark.parametrize(("x", "z"), [(5.0, 20.6), (10.3, 19.85)])
def test_a_mount_rides_on_its_own_building(x, z):
    """Mast and wall bracket on a lone tower: its height's error moves them along and takes no light."""
    tower = bare_site(buildings=prisms([shapely.box(0, 0, 10, 10)], [-1], [20]), latitude_deg=40)
    (found,) = light_spread(tower, np.array([[x, 5.0, z]]), [0], TABLE, **(NONE | {"heights_share": 0.1}))
    np.testing.assert_allclose(found.light_share, 0, atol=1e-12)
    # seen from another tower's roof it does take light
    pair = bare_site(
        buildings=prisms([shapely.box(0, 0, 10, 10), shapely.box(0, -30, 10, -20)], [-1, -1], [20, 24]),
        latitude_deg=40,
    )
    (other,) = light_spread(pair, np.array([[5.0, 5.0, 20.6]]), [0], TABLE, **(NONE | {"heights_share": 0.1}))
    assert other.light_share.max() > 1e-4
