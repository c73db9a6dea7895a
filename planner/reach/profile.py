"""What a straight line meets: buildings, crowns and ground along it, exactly, for many lines at once.

        a                                           t = 0 at a, 1 at b; z of the line is linear in t
         \\___        ______
             ``--..|      |  .-.                    pieces: (building, t_in, t_out), (crown, t_in, t_out)
                   |``--..| (   )                   ground: bilinear heights at even steps of t
        ___________|______|__|_|____b

Buildings' pieces are the parts of the line over a footprint, whatever the heights (a roof under the line still
counts for the Fresnel zone). Crowns' pieces are the parts inside the crown in space. Compiled, over a grid of
boxes; :func:`trace` gives the pieces themselves, `diffraction` reduces them to what a radio needs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from planner.compiled import in_threads, inner, kernel, maker, tasks
from planner.reach.scene import Scene
from planner.site import Floats, Ints

BUILDING, CROWN, CROWN_PRISM = 0, 1, 2
USUAL_PIECES = 48  # room for the pieces of a line, on average, to begin with
LEAST_STEPS = 64  # samples of the ground on the shortest line


class Line(NamedTuple):
    """A straight line from a: its start, its way to the end, and its length on plan and in space, metres."""

    ax: float
    ay: float
    az: float
    dx: float
    dy: float
    dz: float
    plan_m: float
    long_m: float


class Met(NamedTuple):
    """Room for what one line meets, used line after line: pieces, and which items the walk has seen (`stamp`).

    kind, row, t_in, t_out: of the pieces, sorted by t_in. mark: (1,) of the present line. cuts: of one prism.
    beside: rows of the buildings near the line that it does not cross; filled: (1,) of these.
    """

    kind: Ints
    row: Ints
    t_in: Floats
    t_out: Floats
    stamp: Ints
    mark: Ints
    cuts: Floats
    beside: Ints
    filled: Ints


@inner
def straight(ax, ay, az, bx, by, bz):  # type: ignore[no-untyped-def]
    dx, dy, dz = bx - ax, by - ay, bz - az
    plan_m = np.sqrt(dx * dx + dy * dy)
    return Line(ax, ay, az, dx, dy, dz, plan_m, np.sqrt(plan_m * plan_m + dz * dz))


@maker
def room(s):  # type: ignore[no-untyped-def]
    """Room for the most pieces that one line can have, and for the most cuts of one prism."""
    most = 2
    for p in range(s.base.shape[0]):
        most = max(most, s.edge_first[p + 1] - s.edge_first[p] + 1)
    n = s.edge.shape[0] // 2 + s.base.shape[0] + s.crown.shape[0] + 1
    return Met(
        np.empty(n, np.int64),
        np.empty(n, np.int64),
        np.empty(n),
        np.empty(n),
        np.full(s.base.shape[0] + s.crown.shape[0], -1),
        np.zeros(1, np.int64),
        np.empty(most),
        np.empty(s.n_buildings + 1, np.int64),
        np.zeros(1, np.int64),
    )


# --- compiled: the pieces of one line ---------------------------------------------------------------------------


@inner
def _solid(edge, first, last, line, cuts):  # type: ignore[no-untyped-def]
    """Shares of the line at which it crosses edges first to last of a prism, sorted into `cuts`; returns how many.

    The line is taken as endless: between the first and the second cut it is inside, and so on. An end of an edge
    that lies on the line belongs to its left side, so that a corner is crossed once or twice, never half.
    """
    ax, ay, dx, dy = line.ax, line.ay, line.dx, line.dy
    square = dx * dx + dy * dy
    n = 0
    for e in range(first, last):
        x0, y0, x1, y1 = edge[e, 0], edge[e, 1], edge[e, 2], edge[e, 3]
        side0 = dx * (y0 - ay) - dy * (x0 - ax)
        side1 = dx * (y1 - ay) - dy * (x1 - ax)
        if (side0 >= 0.0) == (side1 >= 0.0):
            continue
        share = side0 / (side0 - side1)  # along the edge; sound even where the edge all but lies on the line
        t = ((x0 + share * (x1 - x0) - ax) * dx + (y0 + share * (y1 - y0) - ay) * dy) / square
        k = n
        while k > 0 and cuts[k - 1] > t:
            cuts[k] = cuts[k - 1]
            k -= 1
        cuts[k] = t
        n += 1
    return n


@inner
def pieces(s, line, met, near_m):  # type: ignore[no-untyped-def]
    """Write the pieces of a line to `met`, sorted by where they start; returns their number.

    Buildings that it does not cross but comes as near to as `near_m` (boxes: at least these) are noted too.
    """
    n = 0
    met.filled[0] = 0
    nx, ny = s.grid_shape[0], s.grid_shape[1]
    if nx == 0 or line.plan_m < 1e-9:
        return 0
    met.mark[0] += 1
    ax, ay, dx, dy = line.ax, line.ay, line.dx, line.dy
    cell = s.grid[2]
    t0, t1 = _in_grid(s, line)
    if t0 > t1:
        return 0
    # walk the cells row by row, the way the line goes: its pieces then come nearly in order
    ya, yb = ay + t0 * dy, ay + t1 * dy
    r0 = min(max(int(np.floor((min(ya, yb) - s.grid[1]) / cell - 1e-9)), 0), ny - 1)
    r1 = min(max(int(np.floor((max(ya, yb) - s.grid[1]) / cell + 1e-9)), 0), ny - 1)
    for i in range(r1 - r0 + 1):
        r = r0 + i if dy >= 0.0 else r1 - i
        u, v = t0, t1
        if abs(dy) > 1e-12:
            p = (s.grid[1] + r * cell - ay) / dy
            q = (s.grid[1] + (r + 1) * cell - ay) / dy
            if p > q:
                p, q = q, p
            u, v = max(u, p), min(v, q)
        xa, xb = ax + u * dx, ax + v * dx
        c0 = min(max(int(np.floor((min(xa, xb) - s.grid[0]) / cell - 1e-9)), 0), nx - 1)
        c1 = min(max(int(np.floor((max(xa, xb) - s.grid[0]) / cell + 1e-9)), 0), nx - 1)
        for j in range(c1 - c0 + 1):
            c = c0 + j if dx >= 0.0 else c1 - j
            for k in range(s.cell_first[r * nx + c], s.cell_first[r * nx + c + 1]):
                item = s.cell_item[k]
                if met.stamp[item] == met.mark[0]:
                    continue
                met.stamp[item] = met.mark[0]
                # the box lies all on one side of the line; a hair of slack leaves corners to the exact test
                off = abs(dx * (s.box[item, 1] - ay) - dy * (s.box[item, 0] - ax))
                half = abs(dx) * s.box[item, 3] + abs(dy) * s.box[item, 2]
                before = n
                if off <= half * (1.0 + 1e-9) + 1e-9:
                    n = _item(s, line, item, met, n)
                if n == before and item < s.n_buildings and off <= half + near_m * line.plan_m:
                    met.beside[met.filled[0]] = item
                    met.filled[0] += 1
    return n


@inner
def _in_grid(s, line):  # type: ignore[no-untyped-def]
    """The part of a line inside the grid; its end before its start where there is none."""
    t0, t1 = 0.0, 1.0
    for axis in range(2):
        o, d, low = (line.ax, line.dx, s.grid[0]) if axis == 0 else (line.ay, line.dy, s.grid[1])
        high = low + s.grid[2] * s.grid_shape[axis]
        if abs(d) < 1e-12:
            if o < low or o > high:
                return 1.0, 0.0
        else:
            u, v = (low - o) / d, (high - o) / d
            if u > v:
                u, v = v, u
            t0, t1 = max(t0, u), min(t1, v)
    return t0, t1


@inner
def _item(s, line, item, met, n):  # type: ignore[no-untyped-def]
    """Add one item's pieces to the n there are; returns how many there are then."""
    if item >= s.base.shape[0]:
        crown = item - s.base.shape[0]
        u, v = _in_ellipsoid(s.crown, crown, line)
        return _insert(met, n, 1, crown, u, v) if (v - u) * line.plan_m > 1e-6 else n
    m = _solid(s.edge, s.edge_first[item], s.edge_first[item + 1], line, met.cuts)
    for w in range(0, m - 1, 2):
        u, v = max(met.cuts[w], 0.0), min(met.cuts[w + 1], 1.0)
        what = 0 if item < s.n_buildings else 2
        which = item if what == 0 else item - s.n_buildings
        if what == 2:  # inside the crown in space
            u, v = between(line.az, line.dz, s.base[item], s.top[item], u, v)
        if (v - u) * line.plan_m > 1e-6:
            n = _insert(met, n, what, which, u, v)
    return n


@inner
def _insert(met, n, what, which, u, v):  # type: ignore[no-untyped-def]
    kind, row, t_in, t_out = met.kind, met.row, met.t_in, met.t_out
    k = n
    while k > 0 and (
        t_in[k - 1] > u
        or (t_in[k - 1] == u and (kind[k - 1] > what or (kind[k - 1] == what and row[k - 1] > which)))
    ):
        kind[k], row[k], t_in[k], t_out[k] = kind[k - 1], row[k - 1], t_in[k - 1], t_out[k - 1]
        k -= 1
    kind[k], row[k], t_in[k], t_out[k] = what, which, u, v
    return n + 1


@inner
def between(az, dz, base, top, u, v):  # type: ignore[no-untyped-def]
    """The part of [u, v] where the line's height is between base and top."""
    if abs(dz) < 1e-12:
        return (u, v) if base <= az <= top else (0.0, 0.0)
    p, q = (base - az) / dz, (top - az) / dz
    if p > q:
        p, q = q, p
    return max(u, p), min(v, q)


@inner
def _in_ellipsoid(crown, w, line):  # type: ignore[no-untyped-def]
    r, h = crown[w, 3], crown[w, 4]
    ox, oy, oz = (line.ax - crown[w, 0]) / r, (line.ay - crown[w, 1]) / r, (line.az - crown[w, 2]) / h
    ux, uy, uz = line.dx / r, line.dy / r, line.dz / h
    a = ux * ux + uy * uy + uz * uz
    b = ox * ux + oy * uy + oz * uz
    c = ox * ox + oy * oy + oz * oz - 1.0
    inside = b * b - a * c
    if inside <= 0.0:
        return 0.0, 0.0
    root = np.sqrt(inside)
    return max((-b - root) / a, 0.0), min((-b + root) / a, 1.0)


@inner
def height(values, at, x, y):  # type: ignore[no-untyped-def]
    """Bilinear height; NaN outside or beside a gap. As `Heights.at`."""
    rows, cols = values.shape
    col = (x - at[0]) / at[2] - 0.5
    row = (at[1] - y) / at[2] - 0.5
    if not (-0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5):
        return np.nan
    row, col = min(max(row, 0.0), rows - 1.0), min(max(col, 0.0), cols - 1.0)
    r0, c0 = min(int(row), max(rows - 2, 0)), min(int(col), max(cols - 2, 0))
    r1, c1 = min(r0 + 1, rows - 1), min(c0 + 1, cols - 1)
    fr, fc = row - r0, col - c0
    north = (1.0 - fc) * values[r0, c0] + fc * values[r0, c1]
    return (1.0 - fr) * north + fr * ((1.0 - fc) * values[r1, c0] + fc * values[r1, c1])


@inner
def ground(s, x, y):  # type: ignore[no-untyped-def]
    """Height of the ground, or of what the surface model shows; NaN where neither raster knows it."""
    h = height(s.ground, s.ground_at, x, y)
    return height(s.far, s.far_at, x, y) if h != h and s.far.shape[0] else h


@inner
def steps(s, plan):  # type: ignore[no-untyped-def]
    """Samples of the ground along a line of `plan` metres: one a cell, at least LEAST_STEPS."""
    if s.ground.shape[0] == 0:
        return LEAST_STEPS
    return max(LEAST_STEPS, int(np.ceil(plan / s.ground_at[2])))


# --- the pieces themselves --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Profiles:
    """What n lines meet. Rows of line k: first[k] to first[k + 1].

    kind: BUILDING, CROWN or CROWN_PRISM; row: of the site's buildings, crowns or crown prisms; enter_m, leave_m:
    along the line from its start, in space. ground: heights at even steps from a to b, both ends in, rows of
    line k: ground_first[k] to ground_first[k + 1]; NaN where unknown, 0 where there is no terrain.
    """

    first: Ints
    kind: Ints
    row: Ints
    enter_m: Floats
    leave_m: Floats
    ground_first: Ints
    ground_m: Floats


def trace(s: Scene, a: Floats, b: Floats) -> Profiles:
    """What lines meet: pieces of buildings and crowns, and the ground beneath.

    Parameters
    ----------
    s
        The site, laid out.
    a, b
        (n, 3) ends of the lines, metres in the site's frame.

    Returns
    -------
    Profiles
        Pieces of all lines, one line's after another's.
    """
    a, b = (np.require(p, float, ("C", "W")).reshape(-1, 3) for p in (a, b))  # one form: `_fill` is compiled once
    n, plan = len(a), np.hypot(*(b - a)[:, :2].T)
    cell = s.ground_at[2] if len(s.ground) else np.inf
    samples = np.maximum(LEAST_STEPS, np.ceil(plan / cell)).astype(np.int64) + 1
    ground_first = np.concatenate([[0], np.cumsum(samples)]).astype(np.int64)
    ground_m = np.zeros(int(ground_first[-1]))
    counts, usual = np.zeros(n, np.int64), USUAL_PIECES
    runs = np.array([0, *(run.stop for run in tasks(n))])
    while True:
        # the pieces of a run of lines lie one after another from where the run's room begins
        whats = np.empty(n * usual, np.int64), np.empty(n * usual, np.int64)
        found = (*whats, np.empty(n * usual), np.empty(n * usual))
        given = (s, a, b, counts, usual, *found, ground_first, ground_m)
        in_threads(lambda run, given=given: _fill(run.start, run.stop, *given), n)  # type: ignore[misc]
        first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        filled = first[runs[1:]] - first[runs[:-1]]
        if (filled <= np.diff(runs) * usual).all():
            break
        usual = int(np.ceil((filled / np.diff(runs)).max()))  # more than usual: once more, with room for it
    parts = [slice(k * usual, k * usual + f) for k, f in zip(runs[:-1], filled, strict=True)]
    kind, row, enter, leave = (np.concatenate([some[part] for part in parts] or [some]) for some in found)
    return Profiles(first, kind, row, enter, leave, ground_first, ground_m)


@kernel
def _fill(first, last, s, a, b, counts, usual, kind, row, enter, leave, ground_first, ground_m):  # type: ignore[no-untyped-def]
    met = room(s)
    at = first * usual
    for k in range(first, last):
        this = straight(a[k, 0], a[k, 1], a[k, 2], b[k, 0], b[k, 1], b[k, 2])
        n = pieces(s, this, met, 0.0)
        counts[k] = n
        if at + n <= last * usual:
            for m in range(n):
                kind[at + m], row[at + m] = met.kind[m], met.row[m]
                enter[at + m], leave[at + m] = met.t_in[m] * this.long_m, met.t_out[m] * this.long_m
        at += n
        if s.ground.shape[0]:
            heights(s, this, ground_m[ground_first[k] : ground_first[k + 1]])


@inner
def heights(s, line, out):  # type: ignore[no-untyped-def]
    """Bilinear heights at even steps along a line, both ends in; as `ground` at each."""
    ax, ay, bx, by = line.ax, line.ay, line.ax + line.dx, line.ay + line.dy
    values, at = s.ground, s.ground_at
    rows, cols = values.shape
    last = out.shape[0] - 1
    c0, c1 = (ax - at[0]) / at[2] - 0.5, (bx - at[0]) / at[2] - 0.5
    r0, r1 = (at[1] - ay) / at[2] - 0.5, (at[1] - by) / at[2] - 0.5
    within = (
        min(c0, c1) >= 0.0 and max(c0, c1) < cols - 1.0 and min(r0, r1) >= 0.0 and max(r0, r1) < rows - 1.0
    )  # then so is all that lies between
    share = 1.0 / last
    for m in range(last + 1):
        t = m * share
        if within:
            col, row = c0 + t * (c1 - c0), r0 + t * (r1 - r0)
            i, j = int(row), int(col)
            fr, fc = row - i, col - j
            north = values[i, j] + fc * (values[i, j + 1] - values[i, j])
            south = values[i + 1, j] + fc * (values[i + 1, j + 1] - values[i + 1, j])
            out[m] = north + fr * (south - north)
        if not within or (out[m] != out[m] and s.far.shape[0]):
            out[m] = ground(s, ax + t * (bx - ax), ay + t * (by - ay))
