"""What stands between a mount and the sky, evaluated in the very directions that are asked for.

Three kinds of obstacle, each in its plain form::

      prism (opaque)            crown (lets light through)        raster (ground, surface)
       ______                        .-'''-.
      |      | top                  (   c   )                          _/\\__
      |      |                       '-...-'                    ______/     \\__
    o-|------|---- azimuth        o----|-------- azimuth      o----> marched outward
       t: distance to the edge

Angles are degrees at the faces and radians inside; azimuth is clockwise from north. A mount is (3,) east, north,
up in the site's frame. Azimuth lists are sorted once (:class:`Directions`), so that an edge or a crown touches
only the azimuths it spans.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from planner.ground import DROP_PER_M2
from planner.site import Bools, Crowns, Floats, Heights, Ints, Prisms

TOUCH_M = 1e-6  # closer than this to an edge is on the edge


@dataclass(frozen=True)
class Directions:
    """Azimuths to look along, sorted: azimuth_deg (n,) ascending in 0..360, their sine and cosine.

    order: (n,) where each came from in the list the caller gave.
    """

    azimuth_deg: Floats
    sin: Floats
    cos: Floats
    order: Ints

    def __len__(self) -> int:
        return len(self.azimuth_deg)

    def unsort(self, values: Floats) -> Floats:
        """Values per sorted azimuth, back in the caller's order."""
        out = np.empty_like(values)
        out[self.order] = values
        return out


def directions(azimuth_deg: Floats) -> Directions:
    azimuth = np.asarray(azimuth_deg, float) % 360.0
    order = np.argsort(azimuth, kind="stable")
    azimuth = azimuth[order]
    return Directions(azimuth, np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth)), order)


def _azimuth(east: Floats, north: Floats) -> Floats:
    return np.degrees(np.arctan2(east, north)) % 360.0


def _spans(low_deg: Floats, width_deg: Floats, looks: Directions) -> tuple[Ints, Ints]:
    """Which azimuths lie in which half-open span [low, low + width): (rows of the spans, rows of the azimuths).

    A span may run over north.
    """
    high = low_deg + width_deg
    wrap = high > 360.0
    rows = np.arange(len(low_deg))
    # a span over north is its part up to 360 and its part from 0
    lows = np.concatenate([low_deg, np.zeros(wrap.sum())])
    highs = np.concatenate([np.where(wrap, np.inf, high), high[wrap] - 360.0])
    rows = np.concatenate([rows, rows[wrap]])
    first = np.searchsorted(looks.azimuth_deg, lows, side="left")
    count = np.searchsorted(looks.azimuth_deg, highs, side="left") - first
    owner = np.repeat(rows, count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return owner, np.repeat(first, count) + step


def _edge_spans(start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Azimuth span (low, width) of edges seen from the origin; width is below 180."""
    a, b = _azimuth(start[:, 0], start[:, 1]), _azimuth(end[:, 0], end[:, 1])
    turn = (b - a) % 360.0
    return np.where(turn <= 180.0, a, b), np.where(turn <= 180.0, turn, 360.0 - turn)


def prism_tangent(mount: Floats, solids: Prisms, looks: Directions) -> Floats:
    """Tangent of the horizon's elevation among opaque prisms that start at or below the mount; 0 where open.

    For an edge from a to b seen from the mount, with e = b - a, the ray along (sin, cos) meets its line at
    1/t = (sin * e_north - cos * e_east) / (a x e), so that the tangent (top - z)/t is linear in sine and cosine.
    Exact for holes, courtyards and either orientation of the rings. A mount inside a prism sees nothing (inf);
    one on an edge sees nothing in the directions that lead inside.

    Returns (n,) in the order of `looks`.
    """
    out = np.zeros(len(looks))
    rise = solids.top_m - mount[2]
    grounded = (solids.base_m <= mount[2]) & (rise > 0)
    rows = np.flatnonzero(grounded[solids.edge_prism]) if len(solids) else np.empty(0, np.int64)
    if rows.size:
        start = solids.edge_start[rows] - mount[:2]
        edge = solids.edge_end[rows] - solids.edge_start[rows]
        cross = start[:, 0] * edge[:, 1] - start[:, 1] * edge[:, 0]
        length = np.hypot(edge[:, 0], edge[:, 1])
        broad = np.abs(cross) > TOUCH_M * length  # an edge seen end-on has no width
        rows, start, edge, cross = rows[broad], start[broad], edge[broad], cross[broad]
        low, width = _edge_spans(start, start + edge)
        owner, look = _spans(low, width, looks)
        tangent = (looks.sin[look] * edge[owner, 1] - looks.cos[look] * edge[owner, 0]) / cross[owner]
        tangent *= rise[solids.edge_prism[rows]][owner]
        np.maximum.at(out, look, tangent)
    for k in np.flatnonzero(grounded):
        shape = solids.shapes[k]
        x0, y0, x1, y1 = shape.bounds
        if not (x0 - 1 <= mount[0] <= x1 + 1 and y0 - 1 <= mount[1] <= y1 + 1):
            continue
        point = shapely.Point(mount[:2])
        if shapely.contains(shape, point):
            out[:] = np.inf
        elif shapely.distance(shape, point) <= TOUCH_M:
            ahead = mount[:2] + 10 * TOUCH_M * np.column_stack([looks.sin, looks.cos])
            out[shapely.contains_xy(shape, ahead[:, 0], ahead[:, 1])] = np.inf
    return out


def prism_hits(mount: Floats, solid: Prisms, row: int, looks: Directions, tan_elevation: Floats) -> Bools:
    """Whether rays pass through one prism that may hang above the mount (canopy, bridge, crown polygon).

    tan_elevation: (..., n) tangents, the last axis along `looks`. A ray is inside the footprint between an
    entry t0 and an exit t1, and meets the prism where its height there overlaps base to top.
    """
    mine = np.flatnonzero(solid.edge_prism == row)
    start = solid.edge_start[mine] - mount[:2]
    edge = solid.edge_end[mine] - solid.edge_start[mine]
    cross = start[:, 0] * edge[:, 1] - start[:, 1] * edge[:, 0]
    low, width = _edge_spans(start, start + edge)
    owner, look = _spans(low, width, looks)
    across = looks.sin[look] * edge[owner, 1] - looks.cos[look] * edge[owner, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = cross[owner] / across
    met = np.isfinite(distance) & (distance >= 0)
    owner, look, distance = owner[met], look[met], distance[met]
    hit = np.zeros(tan_elevation.shape, bool)
    inside = shapely.contains_xy(solid.shapes[row], mount[0], mount[1])
    touched = np.arange(len(looks)) if inside else np.unique(look)
    if not touched.size:
        return hit
    # distances by azimuth, sorted outward: entries and exits take turns
    by = np.lexsort((distance, look))
    look, distance = look[by], distance[by]
    count = np.bincount(look, minlength=len(looks))
    place = np.arange(len(look)) - np.repeat(np.cumsum(count) - count, count) + int(inside)
    table = np.full((len(looks), int(count.max(initial=0)) + 2), np.inf)
    if inside:
        table[:, 0] = 0.0
    table[look, place] = distance
    base, top = solid.base_m[row] - mount[2], solid.top_m[row] - mount[2]
    for k in range(0, table.shape[1] - 1, 2):
        t0, t1 = table[touched, k], table[touched, k + 1]
        real = np.isfinite(t0) & np.isfinite(t1)
        t0, t1 = np.where(real, t0, 0.0), np.where(real, t1, 0.0)
        slope = tan_elevation[..., touched]
        # a level ray or a rising one: its lowest point in the footprint is at the entry
        hit[..., touched] |= real & (t0 * slope < top) & (t1 * slope > base)
    return hit


def crown_spans(mount: Floats, crowns: Crowns, looks: Directions) -> tuple[Ints, Ints, Floats, Floats]:
    """Where ellipsoid crowns stand: (crown row, azimuth row, tangent of lower edge, tangent of upper edge).

    One entry for each azimuth that a crown spans. The vertical plane along the azimuth cuts the ellipsoid in an
    ellipse with centre at d cos(delta) and half-axes R s, H s, with s^2 = 1 - (d sin(delta) / R)^2; its tangents
    from the mount are the roots m of (dz - m d)^2 = H^2 + m^2 R^2. Over a crown's inside the pair is -inf, inf.
    """
    offset = crowns.centre - mount
    away = np.hypot(offset[:, 0], offset[:, 1])
    over = away <= crowns.radius_m
    half = np.where(over, 180.0, np.degrees(np.arcsin(np.minimum(1.0, crowns.radius_m / np.maximum(away, 1e-9)))))
    bearing = _azimuth(offset[:, 0], offset[:, 1])
    owner, look = _spans((bearing - half) % 360.0, 2 * half, looks)
    delta = np.radians(looks.azimuth_deg[look] - bearing[owner])
    d, r, h, dz = (
        away[owner] * np.cos(delta),
        crowns.radius_m[owner],
        crowns.half_height_m[owner],
        offset[owner, 2],
    )
    s2 = np.maximum(0.0, 1.0 - (away[owner] * np.sin(delta) / r) ** 2)
    r2, h2 = r**2 * s2, h**2 * s2
    lead = d**2 - r2
    root = np.sqrt(np.maximum(0.0, (d * dz) ** 2 - lead * (dz**2 - h2)))
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = (d * dz - root) / lead, (d * dz + root) / lead
    # the plane's ellipse stands over the mount: from below it reaches the zenith, from inside it is all round
    beside = lead > 0
    within = (d**2 / np.maximum(r2, 1e-12) + dz**2 / np.maximum(h2, 1e-12)) <= 1.0
    under = ~beside & (dz > 0) & ~within
    rim = np.where(np.isfinite(high), np.maximum(low, high), np.inf)
    low = np.where(beside, low, np.where(within, -np.inf, np.where(under, rim, np.inf)))
    high = np.where(beside, high, np.where(within | under, np.inf, -np.inf))
    keep = high > low
    return owner[keep], look[keep], low[keep], high[keep]


def raster_tangent(
    mount: Floats,
    heights: Heights,
    azimuth_deg: Floats,
    reach_m: float,
    *,
    start_m: float,
    growth: float = 0.01,
    nearest: bool = False,
    extra: Heights | None = None,
) -> Floats:
    """Tangent of the horizon over a raster of heights, marched outward from `start_m` to `reach_m`; at least 0.

    Steps are half a cell near the mount and grow to `growth` of the distance: a ridge thinner than that may be
    missed. The earth's curvature and the usual refraction are taken off. nearest: cells as they stand (surface
    models, where walls are steep), not smoothed. extra: heights to add (a canopy over the ground), NaN counting
    as none. Cells that are unknown shade nothing. Returns (n,) in the order of `azimuth_deg`. The error near the
    mount is of the order of a cell over the distance: vectors are for what is near.
    """
    steps = [start_m]
    while steps[-1] < reach_m:
        steps.append(steps[-1] + max(heights.cell_m / 2, growth * steps[-1]))
    r = np.asarray(steps)
    azimuth = np.radians(np.asarray(azimuth_deg, float))
    along = np.stack([np.sin(azimuth), np.cos(azimuth)], axis=-1)
    xy = mount[:2] + along[:, None, :] * r[None, :, None]
    height = heights.cell_at(xy) if nearest else heights.at(xy)
    if extra is not None:
        height = height + np.nan_to_num(extra.cell_at(xy))
    tangent = (height - mount[2] - DROP_PER_M2 * r**2) / r
    return np.asarray(np.maximum(0.0, np.nan_to_num(tangent, nan=-np.inf).max(axis=1)))
