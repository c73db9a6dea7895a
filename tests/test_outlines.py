"""Outlines under a contract's map: known borders and coasts are where they are, and no page grows by much."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
import shapely

from planner.show.draw import outlines
from planner.show.draw.outlines import outlines_group

PAGE_MOST = 150_000  # characters


def lines(group: dict[str, Any] | None) -> shapely.Geometry:
    assert group is not None
    features = group["features"]["features"]
    return shapely.union_all([shapely.from_geojson(json.dumps(one["geometry"])) for one in features])


@pytest.mark.parametrize(
    ("box", "at"),
    [
        ((-121, 38, -117, 40), (-120.0, 39.0)),  # where the border of California and Nevada bends, at Lake Tahoe
        ((-112, 36, -108, 38), (-109.045, 37.0)),  # the corner of four states
        ((6, 46, 8, 48), (7.59, 47.58)),  # Basel, where three countries meet
        ((-76, 44, -72, 46), (-74.7, 45.0)),  # the border along the 45th parallel
        ((177, -19, 181, -16), (178.4, -18.2)),  # Fiji's coast
        ((150, -35, 152, -33), (151.28, -33.8)),  # Sydney's
    ],
)
def test_known_borders_are_there(box: tuple[float, ...], at: tuple[float, float]) -> None:
    found = lines(outlines_group(*box))
    assert found.distance(shapely.Point(at)) < 0.12
    assert found.distance(shapely.Point(at[0] + 0.4, at[1] + 0.4)) > 0.02  # and not everywhere


def test_a_page_bears_them_wherever_the_sites_are() -> None:
    draw = np.random.default_rng(5)
    boxes = [(-180.0, -60.0, 180.0, 75.0), (-125.0, 25.0, -66.0, 49.0), (-80.0, 25.0, -75.0, 45.0)]
    for wide in (0.0, 1.0, 5.0, 20.0):
        for x, y in zip(draw.uniform(-125, -70, 3), draw.uniform(28, 47, 3), strict=True):
            boxes.append((x, y, x + wide, y + wide))
    for box in boxes:
        group = outlines_group(*box)
        assert len(json.dumps(group, separators=(",", ":"))) < PAGE_MOST, box


def test_across_the_antimeridian_lines_turn_with_the_sites() -> None:
    west, _, east, _ = lines(outlines_group(176.0, -20.0, 184.0, -14.0)).bounds
    assert west < 179.0 < 181.0 < east < 200.0


def test_far_out_at_sea_there_is_nothing_to_draw() -> None:
    assert outlines_group(-140.0, 30.0, -140.0, 30.0) is None


def test_counties_only_where_little_is_shown_and_states_only_within_a_continent() -> None:
    for wide, name in ((1.0, "States and counties"), (15.0, "Countries and states"), (90.0, "Countries")):
        group = outlines_group(-110.0, 35.0, -110.0 + wide, 36.0)
        assert group is not None
        assert group["name"] == name
    assert "public domain" in outlines.SOURCE
