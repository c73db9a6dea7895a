"""How much of each cell of a grid a polygon covers, exactly.

An edge adds the signed area between itself and the right-hand side of each cell that it passes; summed from left to
right over a row, all edges of a ring give the share of every cell that lies inside. The work grows with the edges
and with the cells, not with their product, and needs no clipping; holes are rings that count negative.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from planner.compiled import in_threads, kernel
from planner.site import Floats, Ints, Shapes

_CELLS_AT_ONCE = 4_000_000  # cells of the boxes around the polygons that are held at a time
_NOTHING = 1e-9  # share of a polygon's area below which a cell is not touched: rounding


def cell_weights(parts: Shapes, owner: Ints) -> tuple[Ints, Ints, Ints, Floats]:
    """Cells that shapes cover, and how much of each: owner, row, column (m,) and the area in cells (m,).

    parts: (k,) polygons or points in cell coordinates (x the column, y the row, from the grid's outer corner);
    owner: (k,) the site of each. A point covers its own cell with weight 1. Columns and rows may lie outside.
    """
    parts, owner = _no_larger_than(np.asarray(parts, object), np.asarray(owner, np.int64))
    flat = shapely.area(parts) <= 0.0
    points, surfaces = parts[flat], parts[~flat]
    xy = shapely.get_coordinates(shapely.point_on_surface(points)) if len(points) else np.empty((0, 2))
    at = np.floor(xy).astype(np.int64)
    found = [(owner[flat], at[:, 1], at[:, 0], np.ones(len(at)))]
    if len(surfaces):
        mine = owner[~flat]
        bounds = shapely.bounds(surfaces)
        first = np.floor(bounds[:, :2]).astype(np.int64)
        size = np.maximum(np.ceil(bounds[:, 2:]).astype(np.int64) - first, 1)
        cells = size[:, 0] * size[:, 1]
        blocks = np.flatnonzero(np.diff(np.cumsum(cells) // _CELLS_AT_ONCE)) + 1
        for rows in np.split(np.arange(len(surfaces)), blocks):
            found.append(_covered(surfaces[rows], mine[rows], first[rows], size[rows], cells[rows]))
    o, r, c, w = (np.concatenate(column) for column in zip(*found, strict=True))
    return o, r, c, w


def weighted_means(owner: Ints, weights: Floats, cells: Floats, n: int) -> tuple[Floats, Floats]:
    """(n, 12) mean of the cells (m, 12) of each owner, NaN where it has none, and (n,) its sum of weights."""
    sums, total = _sums(owner, weights, np.ascontiguousarray(cells), n)
    with np.errstate(invalid="ignore"):
        return sums / total[:, None], total


def _no_larger_than(parts: Shapes, owner: Ints) -> tuple[Shapes, Ints]:
    """Shapes whose boxes hold more cells than memory should, cut in halves until they do not."""
    while True:
        bounds = shapely.bounds(parts)
        wide, high = (bounds[:, 2:] - bounds[:, :2]).T
        large = wide * high > _CELLS_AT_ONCE
        if not large.any():
            return parts, owner
        b = bounds[large]
        middle = np.round((b[:, :2] + b[:, 2:]) / 2)
        across = (wide >= high)[large]
        low, high_end = b[:, :2].copy(), b[:, 2:].copy()
        end = np.where(
            across[:, None], np.column_stack([middle[:, 0], b[:, 3]]), np.column_stack([b[:, 2], middle[:, 1]])
        )
        start = np.where(
            across[:, None], np.column_stack([middle[:, 0], b[:, 1]]), np.column_stack([b[:, 0], middle[:, 1]])
        )
        halves = [
            shapely.intersection(parts[large], shapely.box(*low.T, *end.T)),
            shapely.intersection(parts[large], shapely.box(*start.T, *high_end.T)),
        ]
        pieces, of = shapely.get_parts(np.concatenate(halves), return_index=True)
        keep = shapely.area(pieces) > 0
        both = np.concatenate([owner[large], owner[large]])
        parts, owner = (
            np.concatenate([parts[~large], pieces[keep]]),
            np.concatenate([owner[~large], both[of[keep]]]),
        )


def _covered(
    surfaces: Shapes, owner: Ints, first: Ints, size: Ints, cells: Ints
) -> tuple[Ints, Ints, Ints, Floats]:
    start = np.concatenate([[0], np.cumsum(cells)]).astype(np.int64)
    if shapely.get_num_interior_rings(surfaces).any():
        _, xy, (rings, polygons) = shapely.to_ragged_array(surfaces)
    else:  # one ring each: no need to take the polygons apart
        xy = shapely.get_coordinates(surfaces)
        rings = np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(surfaces))])
        polygons = np.arange(len(surfaces) + 1)
    weight = np.zeros(start[-1])
    given = (np.ascontiguousarray(xy[:, :2]), rings.astype(np.int64), polygons.astype(np.int64), first, size, start)
    in_threads(lambda some: _shares(some.start, some.stop, *given, weight), len(size))
    kept = np.flatnonzero(weight)
    which = np.repeat(np.arange(len(surfaces)), cells)[kept]
    step = kept - start[which]
    wide = size[which, 0]
    return owner[which], first[which, 1] + step // wide, first[which, 0] + step % wide, weight[kept]


@kernel
def _shares(
    begin: int, end: int, xy: Any, rings: Any, polygons: Any, first: Any, size: Any, start: Any, out: Any
) -> None:
    """Area of each box's cells inside its polygon, row by row, polygon by polygon."""
    for p in range(begin, end):
        left, top, wide, high = first[p, 0], first[p, 1], size[p, 0], size[p, 1]
        gain = np.zeros((high, wide + 2))  # what a cell adds to the running sum of its row
        inside = 0.0
        for ring in range(polygons[p], polygons[p + 1]):
            a, b = rings[ring], rings[ring + 1]
            area = 0.0
            for k in range(a, b - 1):
                area += (xy[k, 0] - left) * (xy[k + 1, 1] - top) - (xy[k + 1, 0] - left) * (xy[k, 1] - top)
            sign = 1.0 if (area > 0.0) == (ring == polygons[p]) else -1.0
            inside += abs(area) / 2.0 if ring == polygons[p] else -abs(area) / 2.0
            for k in range(a, b - 1):
                _edge(gain, wide, xy[k, 0] - left, xy[k, 1] - top, xy[k + 1, 0] - left, xy[k + 1, 1] - top, sign)
        for row in range(high):
            share = 0.0
            for col in range(wide):
                share += gain[row, col]
                if share > _NOTHING * inside:
                    out[start[p] + row * wide + col] = share


@kernel(inline="always")
def _edge(gain: Any, wide: int, x0: float, y0: float, x1: float, y1: float, sign: float) -> None:
    if y0 == y1:
        return
    if y0 > y1:
        x0, y0, x1, y1, sign = x1, y1, x0, y0, -sign
    slope = (x1 - x0) / (y1 - y0)
    for row in range(math.floor(y0), min(math.ceil(y1), len(gain))):
        ya, yb = max(y0, float(row)), min(y1, row + 1.0)
        # a corner is taken as it stands: a product may miss it by the last digit
        xa = x0 if ya == y0 else x0 + slope * (ya - y0)
        xb = x1 if yb == y1 else x0 + slope * (yb - y0)
        high = sign * (yb - ya)
        low_x, high_x = min(max(min(xa, xb), 0.0), float(wide)), min(max(max(xa, xb), 0.0), float(wide))
        col, last = math.floor(low_x), math.floor(high_x)
        if col == last:
            middle = (low_x + high_x) / 2.0 - col
            gain[row, col] -= high * (1.0 - middle)
            gain[row, col + 1] -= high * middle
            continue
        for c in range(col, last + 1):
            a, b = max(low_x, float(c)), min(high_x, c + 1.0)
            part = high * (b - a) / (high_x - low_x)
            middle = (a + b) / 2.0 - c
            gain[row, c] -= part * (1.0 - middle)
            gain[row, c + 1] -= part * middle


@kernel
def _sums(owner: Any, weights: Any, cells: Any, n: int) -> Any:
    sums, total = np.zeros((n, cells.shape[1])), np.zeros(n)
    for k in range(len(owner)):
        total[owner[k]] += weights[k]
        for m in range(cells.shape[1]):
            sums[owner[k], m] += weights[k] * cells[k, m]
    return sums, total
