"""Outlines of countries, US states and US counties under a map that opens with the network off.

The lines were made by `data/make_outlines.py`; a page gets those around what it shows, simplified to what can be
seen there.
"""

from __future__ import annotations

import gzip
import json
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import shapely

from planner.show.draw import palette
from planner.site import Ints, Shapes

SOURCE = (
    "Outlines: US Census Bureau cartographic boundaries (2017) and Natural Earth, both in the public domain; "
    "simplified, for orientation only."
)
COUNTRY, STATE, COUNTY = 0, 1, 2
AROUND = 1.6  # of the sites' span, on each side
LEAST_DEG = 1.5  # on each side: an area that a person knows
COUNTIES_TO_DEG, STATES_TO_DEG = 16.0, 70.0  # drawn where what is shown is no wider than this
SEEN = 1500  # pixels or so over what is shown: what is finer than one of them is left out
ISLET = 6  # of them: islands smaller than that are left out
STYLES = {
    COUNTRY: {"color": palette.QUIET, "weight": 1.4, "opacity": 0.75},
    STATE: {"color": palette.QUIET, "weight": 1.1, "opacity": 0.6},
    COUNTY: {"color": palette.RULED_OUT, "weight": 0.7, "opacity": 0.55},
}


@cache
def _lines() -> tuple[Shapes, Ints]:
    """(n,) lines in degrees, and their level."""
    packed = files("planner.show").joinpath("assets", "outlines.json.gz").read_bytes()
    kept = json.loads(gzip.decompress(packed))
    shapes = np.empty(len(kept["lines"]), object)
    shapes[:] = [
        shapely.LineString(np.cumsum(np.reshape(line[1:], (-1, 2)), axis=0) / kept["steps"])
        for line in kept["lines"]
    ]
    return shapes, np.array([line[0] for line in kept["lines"]], np.int64)


def outlines_group(west: float, south: float, east: float, north: float) -> dict[str, Any] | None:
    """The lines around a box in degrees, as a group of the map; None where there are none.

    east may lie beyond 180 where the box crosses the antimeridian: lines there are turned with it.
    """
    shapes, level = _lines()
    aside = max((east - west) * AROUND, (north - south) * AROUND, LEAST_DEG)
    box = (west - aside, max(south - aside, -85.0), east + aside, min(north + aside, 85.0))
    span = max(box[2] - box[0], box[3] - box[1])
    deepest = COUNTY if span <= COUNTIES_TO_DEG else STATE if span <= STATES_TO_DEG else COUNTRY
    decimals = 3 if span < 20.0 else 2 if span < 150.0 else 1
    drawn = shapes[level <= deepest], level[level <= deepest]
    features = []
    for turn in (-360.0, 0.0, 360.0):
        near = (box[0] - turn, box[1], box[2] - turn, box[3])
        if near[2] < -180.0 or near[0] > 180.0:
            continue
        cut = shapely.clip_by_rect(drawn[0], *near)
        for kind, style in STYLES.items():
            parts = shapely.get_parts(cut[drawn[1] == kind])
            islet = shapely.is_ring(parts) & (shapely.length(parts) < 4 * ISLET * span / SEEN)
            seen = shapely.simplify(parts[~islet & ~shapely.is_empty(parts)], span / SEEN)
            lines = [_turned(line, turn, decimals) for line in seen]
            if lines:
                shape = {"type": "MultiLineString", "coordinates": lines}
                features.append({"type": "Feature", "geometry": shape, "properties": {"s": style}})
    if not features:
        return None
    return {
        "id": "land",
        "name": ("Countries", "Countries and states", "States and counties")[deepest],
        "on": True,
        "style": {"interactive": False, "fill": False},
        "features": {"type": "FeatureCollection", "features": features},
        "key": {"shape": "line", **STYLES[STATE]},
    }


def _turned(line: Any, turn_deg: float, decimals: int) -> list[list[float]]:
    at = shapely.get_coordinates(line)
    at[:, 0] += turn_deg
    turned: list[list[float]] = np.round(at, decimals).tolist()
    return turned
