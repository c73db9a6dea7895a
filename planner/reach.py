"""Reach: how far each controller is from each mount, and what it needs to be reached."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from planner.plan import Sensor
from planner.site import Floats, Ints, Site
from planner.units import Units, length


@dataclass(frozen=True)
class ReachResult:
    """One row a mount, one column a controller (n, m).

    distance_m: straight, in space. cable_m: along the ground in a straight line, down from the mount and up to
    the controller; a run along walls is longer. range_share: distance over the rated open-field range.
    crossed: number of buildings that the straight line passes through.
    """

    distance_m: Floats
    cable_m: Floats
    range_share: Floats
    crossed: Ints


def reach(site: Site, xyz: Floats, height_m: Floats, rated_range_m: float) -> ReachResult:
    """Straight distances from (n, 3) mounts with heads (n,) above ground to the site's m controllers.

    Walls, trees and ground take from a radio's range; here they are only counted (buildings), not weighed.
    """
    xyz = np.asarray(xyz, float).reshape(-1, 3)
    there = site.controllers.xyz
    offset = there[None, :, :] - xyz[:, None, :]
    distance = np.sqrt((offset**2).sum(axis=2))
    plan_m = np.hypot(offset[..., 0], offset[..., 1])
    up = there[:, 2] - site.ground_at(there[:, :2]) if len(there) else np.empty(0)
    return ReachResult(
        distance,
        plan_m + np.asarray(height_m)[:, None] + up[None, :],
        distance / rated_range_m,
        _buildings_crossed(site, xyz),
    )


def _buildings_crossed(site: Site, xyz: Floats) -> Ints:
    """Buildings on the straight line of each (mount, controller), by its height where it is over the footprint."""
    n, m = len(xyz), len(site.controllers)
    counts = np.zeros(n * m, np.int64)
    if not (n and m and len(site.buildings)):
        return counts.reshape(n, m)
    a, b = np.repeat(xyz, m, axis=0), np.tile(site.controllers.xyz, (n, 1))
    lines = shapely.linestrings(np.stack([a[:, :2], b[:, :2]], axis=1))
    line, building = shapely.STRtree(site.buildings.shapes).query(lines, predicate="intersects")
    shapes = np.array(site.buildings.shapes, object)[building]
    # each straight piece inside a footprint (a courtyard makes two): its height at both ends
    pieces, which = shapely.get_parts(shapely.intersection(lines[line], shapes), return_index=True)
    pieces_xy = shapely.bounds(pieces)
    real = shapely.length(pieces) > 1e-6
    pieces, which, pieces_xy = pieces[real], which[real], pieces_xy[real]
    low_high = []
    for end in (0, -1):
        spot = shapely.get_coordinates(shapely.get_point(pieces, end)).reshape(-1, 2)
        start, stop = a[line[which]], b[line[which]]
        whole = np.hypot(*(stop - start)[:, :2].T)
        share = np.hypot(*(spot - start[:, :2]).T) / np.maximum(whole, 1e-9)
        low_high.append(start[:, 2] + share * (stop - start)[:, 2])
    low, high = np.minimum(*low_high), np.maximum(*low_high)
    solid = building[which]
    met = (low < site.buildings.top_m[solid]) & (high > site.buildings.base_m[solid])
    pairs = np.unique(np.column_stack([line[which][met], solid[met]]), axis=0)
    np.add.at(counts, pairs[:, 0], 1)
    return counts.reshape(n, m)


def margin(found: ReachResult, sensor: Sensor, range_used: float) -> Floats:
    """(n, m) share of the allowed distance that is left over: 1 at the controller, 0 at the limit, below: out."""
    if sensor.link == "cable":
        return 1.0 - found.cable_m / sensor.cable_longest_m
    return 1.0 - found.range_share / range_used


def needs(found: ReachResult, mount: int, controller: int, indoors: bool, sensor: Sensor, units: Units) -> str:
    """What one controller needs to be reached from one mount, in plain words."""
    if sensor.link == "cable":
        run = float(found.cable_m[mount, controller])
        said = f"about {length(run, units)} of cable in a straight line, more along walls"
        if run > sensor.cable_longest_m:
            return f"{said}: over the {length(sensor.cable_longest_m, units)} allowed with {sensor.cable_conductor}"
        if run > sensor.cable_supplied_m:
            return f"{said}: buy {sensor.cable_conductor}; {length(sensor.cable_supplied_m, units)} is supplied"
        return f"{said}: the supplied {length(sensor.cable_supplied_m, units)} is enough"
    share, crossed = float(found.range_share[mount, controller]), int(found.crossed[mount, controller])
    walls = [f"{crossed} building{'s' if crossed > 1 else ''} in the way"] if crossed else []
    walls += ["receiver indoors"] if indoors else []
    if share > 1:
        return "out of the rated range: a repeater, a second sensor or a cable"
    if walls:
        return f"in range in the open, but {' and '.join(walls)}: test the link on site before fixing"
    if share > 0.5:
        return "clear line, over half the rated range used: test the link on site"
    return "clear line, under half the rated range used"
