"""Rain openness against WMO-No. 8, and distances to keep-outs."""

import numpy as np
import pytest
import shapely

from planner.rain import rain_and_surroundings, rain_class
from planner.site import Crowns, KeepOut, KeepOuts, bare_site, prisms


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
