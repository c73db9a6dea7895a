"""What lets light through, or hangs above the mount with sky beneath: crowns, crown polygons, canopies; compiled.

The same forms as `horizon.crown_spans` and `prism_hits` in `tests/plain_sun.py`, one mount at a time. Light is
dimmed in logarithms: `dim` (rows, m) holds the natural logarithm of the share let through, one row for each set of
rays.
"""

from __future__ import annotations

import math

import numpy as np

from planner.compiled import inner, kernel
from planner.sun.hierarchy import TURN, first_look, inside
from planner.sun.leaves import ellipsoid_path_m, prism_path_m

MOST_CROSSINGS = 256  # of one ray with one footprint; more are not told apart


@inner
def crown_edges(offset, radius, half_height, sine, cosine):  # type: ignore[no-untyped-def]
    """Tangents of a crown's lower and upper edge along one azimuth; low > high where it is not met."""
    above = offset[2]
    d = offset[0] * sine + offset[1] * cosine
    side = (offset[1] * sine - offset[0] * cosine) / radius
    s2 = max(0.0, 1.0 - side * side)
    r2, h2 = radius * radius * s2, half_height * half_height * s2
    if r2 <= 0.0 or h2 <= 0.0:
        return np.inf, -np.inf
    if d * d / max(r2, 1e-12) + above * above / max(h2, 1e-12) <= 1.0:
        return -np.inf, np.inf
    lead = d * d - r2
    root = math.sqrt(max(0.0, d * above * d * above - lead * (above * above - h2)))
    if lead > 0.0:
        return (d * above - root) / lead, (d * above + root) / lead
    if above > 0.0:
        if lead == 0.0:
            return np.inf, np.inf
        return max((d * above - root) / lead, (d * above + root) / lead), np.inf
    return np.inf, -np.inf


@inner
def crown_span(offset, radius):  # type: ignore[no-untyped-def]
    """Distance, and first and last azimuth in turns of a crown at `offset` (east, north, up)."""
    away = math.hypot(offset[0], offset[1])
    bearing = math.atan2(offset[0], offset[1]) * TURN
    half = 0.5 if away <= radius else math.asin(radius / away) * TURN
    start = bearing - half
    start -= math.floor(start)
    return away, start, start + 2.0 * half


@inner
def looks_between(looks, start, stop):  # type: ignore[no-untyped-def]
    """First and one past the last azimuth in [start, stop) turns; past the end of the list means over north."""
    m = len(looks.turn)
    if stop - start >= 1.0:
        return 0, m
    first = first_look(looks, start)
    last = first_look(looks, stop) if stop <= 1.0 else m + first_look(looks, stop - 1.0)
    return first, last


@inner
def crossings(east, north, sine, cosine, vertex, begin, end, found):  # type: ignore[no-untyped-def]
    """Distances at which a ray crosses closed rings, sorted outward into `found`; how many."""
    count = 0
    x0, y0 = vertex[begin, 0] - east, vertex[begin, 1] - north
    c0 = x0 * cosine - y0 * sine
    for v in range(begin + 1, end):
        x1, y1 = vertex[v, 0] - east, vertex[v, 1] - north
        c1 = x1 * cosine - y1 * sine
        if (c0 > 0.0) != (c1 > 0.0) and not (math.isnan(c0) or math.isnan(c1)):
            t0, t1 = x0 * sine + y0 * cosine, x1 * sine + y1 * cosine
            t = t0 + (t1 - t0) * c0 / (c0 - c1)
            if t >= 0.0 and count < len(found):
                p = count
                while p > 0 and found[p - 1] > t:
                    found[p] = found[p - 1]
                    p -= 1
                found[p] = t
                count += 1
        x0, y0, c0 = x1, y1, c1
    return count


@inner
def prism_span(east, north, box):  # type: ignore[no-untyped-def]
    """First and last azimuth in turns that a box spans, a little more than it does."""
    x, y = (box[0] + box[2]) * 0.5 - east, (box[1] + box[3]) * 0.5 - north
    r2 = ((box[2] - box[0]) ** 2 + (box[3] - box[1]) ** 2) * 0.25 * 1.0001
    d2 = x * x + y * y
    if d2 <= 1.1 * r2:
        return 0.0, 1.0
    half = min(0.5, math.sqrt(r2 / (d2 - r2)) * TURN)
    start = math.atan2(x, y) * TURN - half
    start -= math.floor(start)
    return start, start + 2.0 * half


@kernel
def way_through(found, count, within, base, top, slope):  # type: ignore[no-untyped-def]
    """Length of a ray's way inside a prism, from its crossings."""
    total = 0.0
    k = -1 if within else 0
    while k + 1 < count:
        total += prism_path_m(0.0 if k < 0 else found[k], found[k + 1], slope, base, top)
        k += 2
    return total


@inner
def meets(found, count, within, base, top, slope):  # type: ignore[no-untyped-def]
    """Whether a ray of this slope meets a prism between base and top above the mount, from its crossings."""
    k = -1 if within else 0
    while k + 1 < count:
        enter = 0.0 if k < 0 else found[k]
        if enter * slope < top and found[k + 1] * slope > base:
            return True
        k += 2
    return False


@inner
def dim_by_prism(east, north, up, tree, j, looks, slope, log, chord, dim, found):  # type: ignore[no-untyped-def]
    """Add log[r] to row r of `dim` (rows, m) wherever a ray of slope (rows, m) meets prism j.

    chord: where above 0, log holds for a way of that length through the prism, and other ways take in proportion.
    """
    m = len(looks.turn)
    begin, end = tree.first[j], tree.first[j + 1]
    start, stop = prism_span(east, north, tree.node[j])
    first, last = looks_between(looks, start, stop)
    within = inside(east, north, tree.vertex, begin, end)
    base, top = tree.base[j] - up, tree.top[j] - up
    for w in range(first, last):
        i = w if w < m else w - m
        count = crossings(east, north, looks.sin[i], looks.cos[i], tree.vertex, begin, end, found)
        if count == 0:
            continue
        for r in range(dim.shape[0]):
            if meets(found, count, within, base, top, slope[r, i]):
                if chord > 0.0:
                    dim[r, i] += log[r] * way_through(found, count, within, base, top, slope[r, i]) / chord
                else:
                    dim[r, i] += log[r]


@inner
def _under(most, lowest, first, last, m, shift):  # type: ignore[no-untyped-def]
    """Whether a slope stays under the lowest of all stretches from azimuth `first` to `last`, past m over north."""
    for b in range(first >> shift, (min(last, m) - 1 >> shift) + 1):
        if most > lowest[b]:
            return False
    for b in range(0, (last - m - 1 >> shift) + 1):  # noqa: SIM110 (compiled)
        if most > lowest[b]:
            return False
    return True


@inner
def dim_by_crown(offset, radius, half_height, looks, slope, log, chord, dim, lowest):  # type: ignore[no-untyped-def]
    """Add log[r] to row r of `dim` (rows, m) wherever a ray of slope (rows, m) passes an ellipsoid at `offset`.

    The slopes of an azimuth are alike in all rows: rows are states of the leaves. lowest: of each stretch of
    1 << looks.shift azimuths the lowest slope that matters; a crown under it is passed over. chord: as in
    :func:`dim_by_prism`.
    """
    m = len(looks.turn)
    away, start, stop = crown_span(offset, radius)
    first, last = looks_between(looks, start, stop)
    least, most = -np.inf, np.inf
    if away > radius:  # its edges are farthest apart along its middle
        least, most = crown_edges(offset, radius, half_height, offset[0] / away, offset[1] / away)
        if first < last and _under(most, lowest, first, last, m, looks.shift):
            return
    for w in range(first, last):
        i = w if w < m else w - m
        if slope[0, i] >= most or slope[0, i] <= least:
            continue
        low, high = crown_edges(offset, radius, half_height, looks.sin[i], looks.cos[i])
        for r in range(dim.shape[0]):
            if low < slope[r, i] < high:
                if chord > 0.0:
                    way = ellipsoid_path_m(
                        offset[0],
                        offset[1],
                        offset[2],
                        radius,
                        half_height,
                        looks.sin[i],
                        looks.cos[i],
                        slope[r, i],
                    )
                    dim[r, i] += log[r] * way / chord
                else:
                    dim[r, i] += log[r]
