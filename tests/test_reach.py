"""Straight distances, what stands between, and the words for it."""

import numpy as np
import pytest
import shapely

from planner.plan import Sensor
from planner.reach import margin, needs, reach
from planner.site import Places, bare_site, prisms


def site_with(controllers, **parts):
    xyz = np.array(controllers, float)
    return bare_site(
        controllers=Places(tuple(f"C{k}" for k in range(len(xyz))), xyz, np.zeros(len(xyz), bool)), **parts
    )


def test_distance_is_in_space_and_cable_goes_down_and_up():
    found = reach(site_with([[30, 40, 1.5]]), np.array([[0, 0, 13.5]]), np.array([13.5]), 100.0)
    assert found.distance_m[0, 0] == pytest.approx(np.sqrt(50**2 + 12**2))
    assert found.cable_m[0, 0] == pytest.approx(50 + 13.5 + 1.5)
    assert found.range_share[0, 0] == pytest.approx(found.distance_m[0, 0] / 100)


def test_only_what_the_line_really_passes_counts():
    blocks = prisms(
        [
            shapely.box(10, -5, 20, 5),
            shapely.box(40, -5, 50, 5),
            shapely.box(60, 20, 70, 30),
            shapely.box(70, -5, 80, 5),
        ],
        [-1, -1, -1, 5],
        [4, 20, 20, 9],
    )
    # from 12 m down to 2 m over 100 m: over the first, through the second, past the third, under the canopy
    found = reach(site_with([[100, 0, 2.0]], buildings=blocks), np.array([[0, 0, 12.0]]), np.array([12.0]), 200.0)
    assert found.crossed[0, 0] == 1
    low = reach(site_with([[100, 0, 2.0]], buildings=blocks), np.array([[0, 0, 3.0]]), np.array([3.0]), 200.0)
    assert low.crossed[0, 0] == 2


def test_a_courtyard_is_one_building():
    ring = shapely.box(10, -10, 40, 10).difference(shapely.box(15, -5, 35, 5))
    found = reach(
        site_with([[60, 0, 2.0]], buildings=prisms([ring], [-1], [9])), np.array([[0, 0, 2.0]]), np.array([2.0]), 99
    )
    assert found.crossed[0, 0] == 1


def test_margin_and_words():
    far = reach(
        site_with([[50, 0, 2.0], [150, 0, 2.0], [260, 0, 2.0]]), np.array([[0, 0, 2.0]]), np.array([2.0]), 200.0
    )
    assert margin(far, Sensor(), 1.0)[0] == pytest.approx([0.75, 0.25, -0.3])
    said = [needs(far, 0, k, False, Sensor(), "metric") for k in range(3)]
    assert said[0].startswith("clear line, under half")
    assert "test the link on site" in said[1]
    assert said[2].startswith("out of the rated range")
    assert "indoors" in needs(far, 0, 0, True, Sensor(), "metric")


@pytest.mark.parametrize(("distance", "said"), [(6, "enough"), (40, "buy"), (80, "over the 197 ft allowed")])
def test_cable_words(distance, said):
    """12 m supplied, 60 m longest: common practice, no source."""
    cable = Sensor(link="cable")
    found = reach(site_with([[distance, 0, 1.5]]), np.array([[0, 0, 3.0]]), np.array([3.0]), 200.0)
    assert said in needs(found, 0, 0, False, cable, "us")
    assert (margin(found, cable, 1.0)[0, 0] < 0) == (distance == 80)


def test_no_controllers_no_columns():
    found = reach(bare_site(), np.zeros((3, 3)), np.zeros(3), 100.0)
    assert found.distance_m.shape == found.crossed.shape == found.cable_m.shape == (3, 0)
