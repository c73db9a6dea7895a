"""Horizons among any number of prisms: a hierarchy of boxes walked from near to far, compiled.

The answer is that of `prism_tangent` in `tests/plain_sun.py`, to float precision. What makes it quick::

    mount o ....[ box, highest top ]......   a box is passed over when even its highest top, at its nearest
              \\__ horizon so far __/         point, stays under the horizon already found over all its width

Prisms are packed along a space-filling curve, eight to a box, boxes eight to a box. The nearest come first, so that
they hide what is behind them. Only edges that face the mount are evaluated: the rest of a prism is behind them.
Compiled by numba; `compiled` says where the machine code is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.compiled import in_threads, inner, kernel, maker
from planner.site import Floats, Ints, Prisms
from planner.sun.horizon import TOUCH_M, Directions

FAN = 8  # children to a box
STOREYS = (0.7, 0.93)  # shares of a city's prisms, by height, that are packed apart
CITY = 20_000  # prisms; fewer reach less far than a low one can be seen
BLOCKS = 64  # stretches of azimuth whose lowest horizon is kept, to pass over boxes quickly
STACK = 64 * FAN
CHUNK = 256  # mounts to a task: small enough to share the work, large enough to hide the hand-over
TURN = 1.0 / (2.0 * math.pi)


class Tree(NamedTuple):
    """Packed prisms and the boxes over them, as arrays that compiled code can walk.

    node (n + m, 5): west, south, east, north and highest top, rounded outward to single precision, which halves
    the memory to walk through: the n prisms first, then the boxes, level by level; level (k,): where each level
    starts; size (k,): its length. top, base (n,): of the prisms, exact; first (n + 1,): where their vertices start;
    vertex (v, 2): closed rings, parted by NaN, the inside on their left; row (n,): place in the Prisms given.
    """

    node: NDArray[np.float32]
    level: Ints
    size: Ints
    top: Floats
    base: Floats
    first: Ints
    vertex: Floats
    row: Ints


class Looks(NamedTuple):
    """Sorted azimuths for compiled code: in turns, with sine, cosine, and where each 4096th of a turn starts."""

    turn: Floats
    sin: Floats
    cos: Floats
    bucket: Ints
    shift: int


@dataclass(frozen=True)
class Horizons:
    """Tangent of the horizon for n mounts along m azimuths, and what was left out.

    tangent (n, m). floor_deg: obstacles that stay under this elevation are left out; the horizon is then given as
    this elevation's tangent where nothing rises above it.
    """

    tangent: Floats
    floor_deg: float


def pack(solids: Prisms) -> Tree:
    """Pack prisms into a tree; about a quarter of a second for a million footprints."""
    n = len(solids)
    if n == 0:
        none, nobody = np.empty(0), np.empty(0, np.int64)
        return Tree(
            np.empty((0, 5), np.float32),
            nobody,
            nobody,
            none,
            none,
            np.zeros(1, np.int64),
            np.empty((0, 2)),
            nobody,
        )
    start, end, owner = solids.edge_start, solids.edge_end, solids.edge_prism
    edges = np.bincount(owner, minlength=n)
    at = np.concatenate([[0], np.cumsum(edges)])
    box = np.column_stack([np.minimum.reduceat(start, at[:-1]), np.maximum.reduceat(start, at[:-1])])
    # the tallest apart from the others: far off only they matter, and boxes of low ones are then passed over whole
    storeys = np.quantile(solids.top_m, STOREYS if n >= CITY else ())
    order = np.lexsort((_curve(box), -np.searchsorted(storeys, solids.top_m)))
    # a ring ends where the next edge does not go on from here; its last vertex and a NaN follow
    closes = np.ones(len(start), bool)
    closes[:-1] = (owner[1:] != owner[:-1]) | (start[1:] != end[:-1]).any(axis=1)
    size = edges + 2 * np.bincount(owner[closes], minlength=n)
    first = np.concatenate([[0], np.cumsum(size[order])])
    place = np.empty(n, np.int64)
    place[order] = first[:-1]
    vertex = np.full((first[-1], 2), np.nan)
    rings_before = np.cumsum(closes) - closes
    ring0 = rings_before[at[:-1]]
    to = place[owner] + (np.arange(len(start)) - at[owner]) + 2 * (rings_before - ring0[owner])
    vertex[to] = start
    vertex[to[closes] + 1] = end[closes]
    top = np.ascontiguousarray(solids.top_m[order])
    node, level, sizes = _boxes(box[order], top)
    return Tree(node, level, sizes, top, np.ascontiguousarray(solids.base_m[order]), first, vertex, order)


def pack_boxes(box: Floats, top: Floats) -> Tree:
    """A tree of things known by their boxes alone: (n, 4) west, south, east, north, and the highest top (n,).

    For :func:`in_sight`; there is nothing in it that a horizon could be found from.
    """
    n = len(top)
    order = np.argsort(_curve(box), kind="stable") if n else np.empty(0, np.int64)
    node, level, sizes = _boxes(box[order], top[order]) if n else (np.empty((0, 5), np.float32), order, order)
    return Tree(node, level, sizes, top[order], np.zeros(n), np.zeros(n + 1, np.int64), np.empty((0, 2)), order)


def with_tops(tree: Tree, top_m: Floats) -> Tree:
    """The tree with other tops, (n,) metres in the order of the prisms that it was packed from."""
    top, node = np.ascontiguousarray(top_m[tree.row]), tree.node.copy()
    highest = _outward(top, np.inf)
    for k, (start, size) in enumerate(zip(tree.level, tree.size, strict=True)):
        node[start : start + size, 4] = highest = (
            np.maximum.reduceat(highest, np.arange(0, len(highest), FAN)) if k else highest
        )
    return tree._replace(node=node, top=top)


def _curve(box: Floats) -> Ints:
    """Place of each box's middle along a Z-order curve."""
    middle = (box[:, :2] + box[:, 2:]) / 2
    low = middle.min(axis=0)
    scale = 65535.0 / max(float((middle.max(axis=0) - low).max()), 1e-9)
    cell = ((middle - low) * scale).astype(np.uint64)
    for shift, mask in ((8, 0x00FF00FF), (4, 0x0F0F0F0F), (2, 0x33333333), (1, 0x55555555)):
        cell = (cell | (cell << np.uint64(shift))) & np.uint64(mask)
    return np.asarray(cell[:, 0] | (cell[:, 1] << np.uint64(1)), np.int64)


def _boxes(box: Floats, top: Floats) -> tuple[NDArray[np.float32], Ints, Ints]:
    """Boxes over boxes, FAN to one, until one holds all; the prisms' own boxes are the lowest level."""
    levels = [
        np.column_stack([_outward(box[:, :2], -np.inf), _outward(np.column_stack([box[:, 2:], top]), np.inf)])
    ]
    while len(levels) < 2 or len(levels[-1]) > 1:
        below = levels[-1]
        at = np.arange(0, len(below), FAN)
        levels.append(
            np.column_stack([np.minimum.reduceat(below[:, :2], at), np.maximum.reduceat(below[:, 2:], at)])
        )
    sizes = np.array([len(each) for each in levels])
    return np.vstack(levels), np.cumsum(sizes) - sizes, sizes


def _outward(values: Floats, to: float) -> NDArray[np.float32]:
    """Single precision, rounded towards `to`."""
    single = values.astype(np.float32)
    short = (single > values) if to < 0 else (single < values)
    return np.where(short, np.nextafter(single, np.float32(to)), single)


def compile_looks(looks: Directions) -> Looks:
    """The sorted azimuths as compiled code wants them."""
    turn = looks.azimuth_deg / 360.0
    bucket = np.searchsorted(turn, np.arange(4097) / 4096.0)
    shift = max(0, math.ceil(math.log2(max(len(turn), 1) / BLOCKS)))
    return Looks(turn, looks.sin, looks.cos, bucket, shift)


def horizons(tree: Tree, mounts_xyz: Floats, looks: Directions, floor_deg: float = 0.0) -> Horizons:
    """Horizon of n mounts along m azimuths (in the order of `looks`), all cores.

    floor_deg: leave out obstacles that stay lower than this, which is what a city needs; 0 leaves out none. The
    cost of a floor is at most the light that comes from under it (`months.light_below`).
    """
    mounts = np.ascontiguousarray(mounts_xyz, np.float64).reshape(-1, 3)
    compiled = compile_looks(looks)
    out = np.empty((len(mounts), len(looks)))
    floor = math.tan(math.radians(floor_deg))

    def work(rows: slice) -> None:
        _many(mounts[rows], tree, compiled, floor, out[rows])

    in_threads(work, len(mounts), CHUNK)
    return Horizons(out, floor_deg)


@kernel
def _many(mounts, tree, looks, floor, out):  # type: ignore[no-untyped-def]
    stack = np.empty((STACK, 2), np.int64)
    low = np.empty((len(looks.turn) >> looks.shift) + 1)
    for i in range(len(mounts)):
        walk(mounts[i, 0], mounts[i, 1], mounts[i, 2], tree, looks, floor, out[i], low, stack)


@maker
def walk(east, north, up, tree, looks, floor, tangent, low, stack):  # type: ignore[no-untyped-def]
    """Fill `tangent` (m,) for one mount; `low` and `stack` are room to work in."""
    tangent[:] = floor
    low[:] = floor
    if len(tree.top) == 0 or len(tangent) == 0:
        return
    lowest = floor
    near = np.empty(FAN)
    child = np.empty(FAN, np.int64)
    stack[0, 0] = len(tree.size) - 1
    stack[0, 1] = 0
    depth = 1
    while depth > 0:
        depth -= 1
        k, i = stack[depth, 0], stack[depth, 1]
        # asked only now, when what is nearer has been seen
        box = tree.node[tree.level[k] + i]
        rise = box[4] - up
        away2 = _away2(east, north, box)
        if rise <= 0.0 or rise * rise <= lowest * lowest * away2:
            continue
        if away2 > 0.0 and _hidden(east, north, rise, away2, box, looks, low):
            continue
        k -= 1
        offset = tree.level[k]
        kept = 0
        for j in range(i * FAN, min((i + 1) * FAN, tree.size[k])):
            box = tree.node[offset + j]
            rise = box[4] - up
            if rise <= 0.0:
                continue
            away2 = _away2(east, north, box)
            if rise * rise <= lowest * lowest * away2:
                continue
            # sorted with the nearest last, which the stack gives back first
            p = kept
            while p > 0 and near[p - 1] < away2:
                near[p] = near[p - 1]
                child[p] = child[p - 1]
                p -= 1
            near[p] = away2
            child[p] = j
            kept += 1
        if k > 0:
            for p in range(kept):
                stack[depth, 0] = k
                stack[depth, 1] = child[p]
                depth += 1
            continue
        for p in range(kept - 1, -1, -1):
            j = child[p]
            box = tree.node[j]
            reach = box[4] - up
            if reach * reach <= lowest * lowest * near[p]:
                continue
            apart = near[p] > TOUCH_M * TOUCH_M
            if apart and _hidden(east, north, reach, near[p], box, looks, low):
                continue
            rise = tree.top[j] - up
            if tree.base[j] > up or rise <= 0.0:
                continue
            if not apart and _within(east, north, j, tree, looks, tangent):
                # inside, or on an edge: what leads inside is closed already
                _lowest_anew(tangent, looks.shift, low, 0, len(tangent))
            first, last = _raise(
                east, north, rise, tree.vertex, tree.first[j], tree.first[j + 1], looks, tangent, low
            )
            if first <= last and _lowest_anew(tangent, looks.shift, low, first, last + 1) <= lowest:
                lowest = low[0]
                for b in range(1, ((len(tangent) - 1) >> looks.shift) + 1):
                    lowest = min(lowest, low[b])


@inner
def in_sight(east, north, up, tree, looks, low, stack, listed):  # type: ignore[no-untyped-def]
    """Places in the tree of all that may show over `low`, the lowest height of each stretch of azimuths; how many.

    What is left out stays, at its highest and nearest, under `low` over all its width, or under the mount's level.
    listed: room for all of the tree; stack: room to work in.
    """
    count = 0
    if len(tree.top) == 0 or len(looks.turn) == 0:
        return count
    stack[0, 0], stack[0, 1] = len(tree.size) - 1, 0
    depth = 1
    while depth > 0:
        depth -= 1
        k, i = stack[depth, 0], stack[depth, 1]
        box = tree.node[tree.level[k] + i]
        rise = box[4] - up
        if rise <= 0.0:
            continue
        away2 = _away2(east, north, box)
        if away2 > 0.0 and _hidden(east, north, rise, away2, box, looks, low):
            continue
        if k == 0:
            listed[count] = i
            count += 1
            continue
        for j in range(i * FAN, min((i + 1) * FAN, tree.size[k - 1])):
            stack[depth, 0], stack[depth, 1] = k - 1, j
            depth += 1
    return count


@inner
def _away2(east, north, box):  # type: ignore[no-untyped-def]
    """Square of the distance from a mount to a box, 0 inside it."""
    dx = max(box[0] - east, 0.0, east - box[2])
    dy = max(box[1] - north, 0.0, north - box[3])
    return dx * dx + dy * dy


@inner
def _raise(east, north, rise, vertex, begin, end, looks, tangent, low):  # type: ignore[no-untyped-def]
    """Raise the horizon by the edges of one prism that face the mount.

    Returns the first and last azimuth at which a stretch's lowest horizon may have changed (first > last: none).
    """
    m = len(tangent)
    first, last = m, -1
    x0, y0 = vertex[begin, 0] - east, vertex[begin, 1] - north
    a0 = math.nan  # azimuths are taken only of edges that face the mount
    for v in range(begin + 1, end):
        x1, y1 = vertex[v, 0] - east, vertex[v, 1] - north
        a1 = math.nan
        cross = x0 * y1 - y0 * x1
        ex, ey = x1 - x0, y1 - y0
        # the inside is on the left of an edge: seen from outside it runs clockwise; NaN parts rings
        if cross < -TOUCH_M * math.sqrt(ex * ex + ey * ey):
            if math.isnan(a0):
                a0 = math.atan2(x0, y0) * TURN
            a1 = math.atan2(x1, y1) * TURN
            low_turn = a0 if a0 >= 0.0 else a0 + 1.0
            high_turn = a1 if a1 >= 0.0 else a1 + 1.0
            f = rise / cross
            across, ahead = ey * f, -ex * f
            u, stop = first_look(looks, low_turn), first_look(looks, high_turn)
            if low_turn > high_turn:  # over north
                stop += m
            for w in range(u, stop):
                i = w if w < m else w - m
                value = across * looks.sin[i] + ahead * looks.cos[i]
                if value > tangent[i]:
                    if tangent[i] <= low[i >> looks.shift]:
                        first = min(first, i)
                        last = max(last, i)
                    tangent[i] = value
        x0, y0, a0 = x1, y1, a1
    return first, last


@inner
def first_look(looks, turn):  # type: ignore[no-untyped-def]
    """First azimuth at or after `turn`."""
    i = looks.bucket[min(int(turn * 4096.0), 4096)]
    while i < len(looks.turn) and looks.turn[i] < turn:
        i += 1
    return i


@inner
def _hidden(east, north, rise, away2, box, looks, low):  # type: ignore[no-untyped-def]
    """Whether a box, at its highest and nearest, stays under the horizon over all its width."""
    x, y = (box[0] + box[2]) * 0.5 - east, (box[1] + box[3]) * 0.5 - north
    wide, high = box[2] - box[0], box[3] - box[1]
    r2 = (wide * wide + high * high) * 0.25 * 1.0001
    d2 = x * x + y * y
    m = len(looks.turn)
    if d2 <= 1.1 * r2:
        return _under(rise, away2, low, 0, m, looks.shift)
    half = math.sqrt(r2 / (d2 - r2)) * TURN  # the tangent is above the angle
    if half >= 0.5:
        return _under(rise, away2, low, 0, m, looks.shift)
    start = math.atan2(x, y) * TURN - half
    start -= math.floor(start)
    stop = start + 2.0 * half
    first = looks.bucket[int(start * 4096.0)]
    if stop < 1.0:
        return _under(rise, away2, low, first, looks.bucket[int(stop * 4096.0) + 1], looks.shift)
    last = looks.bucket[min(int((stop - 1.0) * 4096.0) + 1, 4096)]
    return _under(rise, away2, low, first, m, looks.shift) and _under(rise, away2, low, 0, last, looks.shift)


@inner
def _under(rise, away2, low, first, last, shift):  # type: ignore[no-untyped-def]
    if first >= last:
        return True  # nobody looks there
    limit = rise * rise
    for b in range(first >> shift, ((last - 1) >> shift) + 1):  # noqa: SIM110 (compiled)
        if low[b] * low[b] * away2 < limit:
            return False
    return True


@inner
def _lowest_anew(tangent, shift, low, first, last):  # type: ignore[no-untyped-def]
    """Take the lowest horizon of stretches anew; the lowest of those that rose, as it was before."""
    rose = np.inf
    for b in range(first >> shift, ((last - 1) >> shift) + 1):
        value = np.inf
        for i in range(b << shift, min((b + 1) << shift, len(tangent))):
            value = min(value, tangent[i])
        if value > low[b]:
            rose = min(rose, low[b])
            low[b] = value
    return rose


@inner
def inside(east, north, vertex, begin, end):  # type: ignore[no-untyped-def]
    """Even-odd test of a point against closed rings parted by NaN."""
    odd = False
    for v in range(begin + 1, end):
        x0, y0, x1, y1 = vertex[v - 1, 0], vertex[v - 1, 1], vertex[v, 0], vertex[v, 1]
        if (y0 > north) != (y1 > north) and east < x0 + (north - y0) * (x1 - x0) / (y1 - y0):
            odd = not odd
    return odd


@inner
def touches(east, north, vertex, begin, end):  # type: ignore[no-untyped-def]
    """Whether a point lies on an edge."""
    for v in range(begin + 1, end):
        x, y = vertex[v - 1, 0] - east, vertex[v - 1, 1] - north
        ex, ey = vertex[v, 0] - vertex[v - 1, 0], vertex[v, 1] - vertex[v - 1, 1]
        square = ex * ex + ey * ey
        if not square > 0.0:  # NaN, or no edge
            continue
        t = min(1.0, max(0.0, -(x * ex + y * ey) / square))
        if math.hypot(x + t * ex, y + t * ey) <= TOUCH_M:
            return True
    return False


@inner
def _within(east, north, j, tree, looks, tangent):  # type: ignore[no-untyped-def]
    """Close the directions that lead inside a prism whose footprint the mount is in or on; whether any did."""
    begin, end = tree.first[j], tree.first[j + 1]
    if touches(east, north, tree.vertex, begin, end):
        ahead = 10.0 * TOUCH_M
        for i in range(len(tangent)):
            if inside(east + ahead * looks.sin[i], north + ahead * looks.cos[i], tree.vertex, begin, end):
                tangent[i] = np.inf
        return True
    if inside(east, north, tree.vertex, begin, end):
        tangent[:] = np.inf
        return True
    return False
