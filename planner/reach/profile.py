"""What a straight line meets: buildings, crowns and ground along it, exactly, for many lines at once.

        a                                           t = 0 at a, 1 at b; z of the line is linear in t
         \\___        ______
             ``--..|      |  .-.                    pieces: (building, t_in, t_out), (crown, t_in, t_out)
                   |``--..| (   )                   ground: bilinear heights at even steps of t
        ___________|______|__|_|____b

Buildings' pieces are the parts of the line over a footprint, whatever the heights (a roof under the line still
counts for the Fresnel zone). Crowns' pieces are the parts inside the crown in space. Compiled, over a grid of
boxes; :func:`trace` gives the pieces themselves, :func:`diffract` reduces them to what a radio needs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numba import get_num_threads

from planner.compiled import kernel, prange
from planner.site import Bools, Floats, Ints, Prisms, Site

BUILDING, CROWN, CROWN_PRISM = 0, 1, 2
SHORT_M = 0.6  # a piece this short is one edge; at a line's end the wall that the end hangs on, no obstacle
NEAR_M = 0.05  # an edge nearer to an end than this is at the end
USUAL_PIECES = 48  # room for the pieces of a line, on average, to begin with
LEAST_STEPS = 64  # samples of the ground on the shortest line
SIDE_ROUNDS = 6  # a way round a building may meet so many more before it is given up
VEG_BASE = 0.25  # crowns of a canopy raster start at a quarter of its height: common practice, no source
WALL = 0.88  # of w = v - 0.1, below which an edge takes nothing (P.526)
EARTH_M = 8.5e6  # radius of the earth as a radio sees it, 4/3 of the real one (ITU-R P.526, P.452)
BENEATH, UNDER_IT, IN_IT = 0, 1, 2  # a building's piece: of no account, under the line, the line goes through it


class Scene(NamedTuple):
    """A site as flat arrays for the compiled loops.

    Prisms are the buildings and then the crowns that are prisms; items of the grid are the prisms and then the
    crowns. edge: (e, 4) x0, y0, x1, y1, sorted by prism; edge_first: (p + 1,). ground, veg: (rows, cols)
    rasters, empty where there are none, with left, top and cell.
    """

    n_buildings: int
    edge: Floats
    edge_first: Ints
    base: Floats
    top: Floats
    crown: Floats  # (c, 5) x, y, z, radius, half height
    prism_evergreen: Bools
    crown_evergreen: Bools
    box: Floats  # (items, 4) centre and half size
    cell_first: Ints
    cell_item: Ints
    grid: Floats  # x0, y0, cell
    grid_shape: Ints  # columns, rows
    ground: Floats
    ground_at: Floats  # left, top, cell, share of the line's ends that is left out in metres
    far: Floats  # heights where `ground` knows none
    far_at: Floats
    veg: Floats
    veg_at: Floats
    veg_evergreen: bool


def _raster(heights: Any) -> tuple[Floats, Floats]:
    if heights is None:
        return np.empty((0, 0)), np.zeros(3)
    at = np.array([heights.left_m, heights.top_m, heights.cell_m], float)
    return np.ascontiguousarray(heights.values, float), at


def scene(site: Site) -> Scene:
    """Lay a site out for :func:`trace` and :func:`diffract`.

    A surface model that serves as obstacle stands in for footprints and crowns, as it does for the sun. Beyond it
    the terrain serves, beyond the terrain the coarser one to the horizon.
    """
    raised = site.surface is not None
    solids = [] if raised else [site.buildings, site.crown_prisms]
    nb = 0 if raised else len(site.buildings)
    edge = [np.empty((0, 4))]
    first = [np.zeros(1, np.int64)]
    boxes = [np.empty((0, 4))]
    for some in solids:
        edge.append(np.hstack([some.edge_start, some.edge_end]))
        counts = np.bincount(some.edge_prism, minlength=len(some)).astype(np.int64)
        first.append(counts)
        boxes.append(_bounds(some))
    crowns = np.empty((0, 5))
    if not raised and len(site.crowns):
        c = site.crowns
        crowns = np.column_stack([c.centre, c.radius_m, c.half_height_m])
        boxes.append(
            np.column_stack([c.centre[:, :2] - c.radius_m[:, None], c.centre[:, :2] + c.radius_m[:, None]])
        )
    box = np.vstack(boxes)
    grid, shape, cell_first, cell_item = _grid(box)
    ground, ground_at = _raster(site.surface if raised else site.terrain)
    far, far_at = _raster(site.terrain if raised else site.terrain_far)
    veg, veg_at = _raster(None if raised else site.canopy)
    end = 1.5 * ground_at[2] if raised else 0.0
    return Scene(
        nb,
        np.ascontiguousarray(np.vstack(edge)),
        np.cumsum(np.concatenate(first)),
        np.concatenate([s.base_m for s in solids]) if solids else np.empty(0),
        np.concatenate([s.top_m for s in solids]) if solids else np.empty(0),
        np.ascontiguousarray(crowns),
        np.asarray(site.crown_evergreen, bool) if not raised else np.empty(0, bool),
        np.asarray(site.crowns.evergreen, bool) if not raised else np.empty(0, bool),
        np.ascontiguousarray(np.hstack([box[:, :2] + box[:, 2:], box[:, 2:] - box[:, :2]]) / 2.0),
        cell_first,
        cell_item,
        grid,
        shape,
        ground,
        np.append(ground_at, end),
        far,
        far_at,
        veg,
        veg_at,
        bool(site.canopy_evergreen),
    )


def _bounds(solids: Prisms) -> Floats:
    if not len(solids):
        return np.empty((0, 4))
    low = np.full((len(solids), 2), np.inf)
    high = np.full((len(solids), 2), -np.inf)
    for ends in (solids.edge_start, solids.edge_end):
        np.minimum.at(low, solids.edge_prism, ends)
        np.maximum.at(high, solids.edge_prism, ends)
    return np.hstack([low, high])


def _grid(box: Floats) -> tuple[Floats, Ints, Ints, Ints]:
    """Square cells with the items whose boxes touch them, as (first, items) in row-major order."""
    if not len(box):
        return np.array([0.0, 0.0, 1.0]), np.zeros(2, np.int64), np.zeros(1, np.int64), np.empty(0, np.int64)
    low, high = box[:, :2].min(axis=0), box[:, 2:].max(axis=0)
    extent = np.maximum(high - low, 1.0)
    cell = float(np.clip(np.sqrt(extent.prod() / len(box)), 5.0, 200.0))
    cell = max(cell, float(extent.max()) / 2000.0)
    shape = np.floor(extent / cell).astype(np.int64) + 1
    c0 = np.clip(np.floor((box[:, :2] - low) / cell).astype(np.int64), 0, shape - 1)
    c1 = np.clip(np.floor((box[:, 2:] - low) / cell).astype(np.int64), 0, shape - 1)
    span = c1 - c0 + 1
    count = span.prod(axis=1)
    item = np.repeat(np.arange(len(box)), count)
    at = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    col = c0[item, 0] + at % span[item, 0]
    row = c0[item, 1] + at // span[item, 0]
    cell_of = row * shape[0] + col
    order = np.argsort(cell_of, kind="stable")
    first = np.searchsorted(cell_of[order], np.arange(shape.prod() + 1))
    return np.array([low[0], low[1], cell]), shape, first.astype(np.int64), item[order].astype(np.int64)


# --- compiled: the pieces of one line ---------------------------------------------------------------------------


@kernel
def _solid(edge, first, last, ax, ay, bx, by, cuts):  # type: ignore[no-untyped-def]
    """Shares of the line at which it crosses edges first to last of a prism, sorted into `cuts`; returns how many.

    The line is taken as endless: between the first and the second cut it is inside, and so on. An end of an edge
    that lies on the line belongs to its left side, so that a corner is crossed once or twice, never half.
    """
    dx, dy = bx - ax, by - ay
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


@kernel
def _pieces(s, ax, ay, az, bx, by, bz, stamp, mark, cuts, kind, row, t_in, t_out):  # type: ignore[no-untyped-def]
    """Pieces of the line a to b, sorted by where they start; returns their number."""
    n = 0
    nx, ny = s.grid_shape[0], s.grid_shape[1]
    if nx == 0:
        return 0
    dx, dy, dz = bx - ax, by - ay, bz - az
    plan = np.sqrt(dx * dx + dy * dy)
    if plan < 1e-9:
        return 0
    cell = s.grid[2]
    # the line's part inside the grid
    t0, t1 = 0.0, 1.0
    for axis in range(2):
        o, d, low = (ax, dx, s.grid[0]) if axis == 0 else (ay, dy, s.grid[1])
        high = low + cell * s.grid_shape[axis]
        if abs(d) < 1e-12:
            if o < low or o > high:
                return 0
        else:
            u, v = (low - o) / d, (high - o) / d
            if u > v:
                u, v = v, u
            t0, t1 = max(t0, u), min(t1, v)
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
                if stamp[item] == mark:
                    continue
                stamp[item] = mark
                # the box lies all on one side of the line; a hair of slack leaves corners to the exact test
                off = abs(dx * (s.box[item, 1] - ay) - dy * (s.box[item, 0] - ax))
                if off > (abs(dx) * s.box[item, 3] + abs(dy) * s.box[item, 2]) * (1.0 + 1e-9) + 1e-9:
                    continue
                if item < s.base.shape[0]:
                    m = _solid(s.edge, s.edge_first[item], s.edge_first[item + 1], ax, ay, bx, by, cuts)
                    for w in range(0, m - 1, 2):
                        u, v = max(cuts[w], 0.0), min(cuts[w + 1], 1.0)
                        what = 0 if item < s.n_buildings else 2
                        which = item if what == 0 else item - s.n_buildings
                        if what == 2:  # inside the crown in space
                            u, v = _between(az, dz, s.base[item], s.top[item], u, v)
                        if (v - u) * plan > 1e-6:
                            n = _insert(kind, row, t_in, t_out, n, what, which, u, v)
                else:
                    w = item - s.base.shape[0]
                    u, v = _in_ellipsoid(s.crown, w, ax, ay, az, dx, dy, dz)
                    if (v - u) * plan > 1e-6:
                        n = _insert(kind, row, t_in, t_out, n, 1, w, u, v)
    return n


@kernel
def _insert(kind, row, t_in, t_out, n, what, which, u, v):  # type: ignore[no-untyped-def]
    k = n
    while k > 0 and (
        t_in[k - 1] > u
        or (t_in[k - 1] == u and (kind[k - 1] > what or (kind[k - 1] == what and row[k - 1] > which)))
    ):
        kind[k], row[k], t_in[k], t_out[k] = kind[k - 1], row[k - 1], t_in[k - 1], t_out[k - 1]
        k -= 1
    kind[k], row[k], t_in[k], t_out[k] = what, which, u, v
    return n + 1


@kernel
def _between(az, dz, base, top, u, v):  # type: ignore[no-untyped-def]
    """The part of [u, v] where the line's height is between base and top."""
    if abs(dz) < 1e-12:
        return (u, v) if base <= az <= top else (0.0, 0.0)
    p, q = (base - az) / dz, (top - az) / dz
    if p > q:
        p, q = q, p
    return max(u, p), min(v, q)


@kernel
def _in_ellipsoid(crown, w, ax, ay, az, dx, dy, dz):  # type: ignore[no-untyped-def]
    r, h = crown[w, 3], crown[w, 4]
    ox, oy, oz = (ax - crown[w, 0]) / r, (ay - crown[w, 1]) / r, (az - crown[w, 2]) / h
    ux, uy, uz = dx / r, dy / r, dz / h
    a = ux * ux + uy * uy + uz * uz
    b = ox * ux + oy * uy + oz * uz
    c = ox * ox + oy * oy + oz * oz - 1.0
    inside = b * b - a * c
    if inside <= 0.0:
        return 0.0, 0.0
    root = np.sqrt(inside)
    return max((-b - root) / a, 0.0), min((-b + root) / a, 1.0)


@kernel
def _height(values, at, x, y):  # type: ignore[no-untyped-def]
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


@kernel
def _ground(s, x, y):  # type: ignore[no-untyped-def]
    """Height of the ground, or of what the surface model shows; NaN where neither raster knows it."""
    h = _height(s.ground, s.ground_at, x, y)
    return _height(s.far, s.far_at, x, y) if h != h and s.far.shape[0] else h


@kernel
def _steps(s, plan):  # type: ignore[no-untyped-def]
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
    """Profiles of lines from (n, 3) a to (n, 3) b, metres in the site's frame."""
    a, b = (np.ascontiguousarray(p, float).reshape(-1, 3) for p in (a, b))
    n, plan = len(a), np.hypot(*(b - a)[:, :2].T)
    cell = s.ground_at[2] if len(s.ground) else np.inf
    steps = np.maximum(LEAST_STEPS, np.ceil(plan / cell)).astype(np.int64)
    ground_first = np.concatenate([[0], np.cumsum(steps + 1)]).astype(np.int64)
    ground = np.zeros(int(ground_first[-1]))
    counts, chunks, room = np.zeros(n, np.int64), _chunks(n), USUAL_PIECES
    while True:
        # the pieces of a run of lines lie one after another from where the run's room begins
        kind, row = np.empty(n * room, np.int64), np.empty(n * room, np.int64)
        enter, leave = np.empty(n * room), np.empty(n * room)
        _fill(s, a, b, counts, room, kind, row, enter, leave, ground_first, ground, chunks)
        first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        filled = first[chunks[1:]] - first[chunks[:-1]]
        if (filled <= np.diff(chunks) * room).all():
            break
        room = int(np.ceil((filled / np.diff(chunks)).max()))  # more than usual: once more, with room for it
    runs = [slice(k * room, k * room + f) for k, f in zip(chunks[:-1], filled, strict=True)]
    packed = [np.concatenate([some[run] for run in runs] or [some]) for some in (kind, row, enter, leave)]
    return Profiles(first, packed[0], packed[1], packed[2], packed[3], ground_first, ground)


def _chunks(n: int) -> Ints:
    """Bounds of runs of lines; each run has its own scratch space."""
    return np.linspace(0, n, min(n, 8 * int(get_num_threads())) + 1).astype(np.int64)


@kernel
def _room(s):  # type: ignore[no-untyped-def]
    """The most pieces that one line can have, and the most cuts of one prism."""
    most = 2
    for p in range(s.base.shape[0]):
        most = max(most, s.edge_first[p + 1] - s.edge_first[p] + 1)
    return s.edge.shape[0] // 2 + s.base.shape[0] + s.crown.shape[0] + 1, most


@kernel(parallel=True)
def _fill(s, a, b, counts, usual, kind, row, enter, leave, ground_first, ground, chunks):  # type: ignore[no-untyped-def]
    for c in prange(len(chunks) - 1):
        room, most = _room(s)
        stamp, cuts = np.full(s.base.shape[0] + s.crown.shape[0], -1), np.empty(most)
        kind1, row1, t_in, t_out = (
            np.empty(room, np.int64),
            np.empty(room, np.int64),
            np.empty(room),
            np.empty(room),
        )
        at = chunks[c] * usual
        for k in range(chunks[c], chunks[c + 1]):
            ax, ay, az, bx, by, bz = a[k, 0], a[k, 1], a[k, 2], b[k, 0], b[k, 1], b[k, 2]
            n = _pieces(s, ax, ay, az, bx, by, bz, stamp, k, cuts, kind1, row1, t_in, t_out)
            counts[k] = n
            long = np.sqrt((bx - ax) ** 2 + (by - ay) ** 2 + (bz - az) ** 2)
            if at + n <= chunks[c + 1] * usual:
                for m in range(n):
                    kind[at + m], row[at + m] = kind1[m], row1[m]
                    enter[at + m], leave[at + m] = t_in[m] * long, t_out[m] * long
            at += n
            if s.ground.shape[0]:
                _heights(s, ax, ay, bx, by, ground[ground_first[k] : ground_first[k + 1]])


@kernel
def _heights(s, ax, ay, bx, by, out):  # type: ignore[no-untyped-def]
    """Bilinear heights at even steps from a to b, both ends in; as `_ground` at each."""
    values, at = s.ground, s.ground_at
    rows, cols = values.shape
    steps = out.shape[0] - 1
    c0, c1 = (ax - at[0]) / at[2] - 0.5, (bx - at[0]) / at[2] - 0.5
    r0, r1 = (at[1] - ay) / at[2] - 0.5, (at[1] - by) / at[2] - 0.5
    within = (
        min(c0, c1) >= 0.0 and max(c0, c1) < cols - 1.0 and min(r0, r1) >= 0.0 and max(r0, r1) < rows - 1.0
    )  # then so is all that lies between
    share = 1.0 / steps
    for m in range(steps + 1):
        t = m * share
        if within:
            col, row = c0 + t * (c1 - c0), r0 + t * (r1 - r0)
            i, j = int(row), int(col)
            fr, fc = row - i, col - j
            north = values[i, j] + fc * (values[i, j + 1] - values[i, j])
            south = values[i + 1, j] + fc * (values[i + 1, j + 1] - values[i + 1, j])
            out[m] = north + fr * (south - north)
        if not within or (out[m] != out[m] and s.far.shape[0]):
            out[m] = _ground(s, ax + t * (bx - ax), ay + t * (by - ay))


# --- what a radio needs of them ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Obstruction:
    """What the path of each of n lines meets, reduced.

    over_db, left_db, right_db: diffraction over everything, and round the buildings in the way by either side
    with what is left to pass over (inf: there is no such way; equal to over where nothing is in the way).
    rest_db: over what does not stand in the line, for a way that goes through the buildings that do.
    clearance: least height of the line over buildings and ground, in radii of the first Fresnel zone; negative
    where something stands above the line. ridge_db, ridge_clearance: the same of the ground (or the surface
    model) alone. crossed: buildings that the line goes through; walls: outer walls and roofs of these that it
    goes through, two for each wing. crown_m: metres inside crowns that hold neither end, crown_evergreen_m the
    evergreen part, canopy_m the part of a canopy raster; wood_m: inside crowns that hold an end, wood_evergreen_m
    likewise. unknown_m: metres over ground that no raster knows; it is taken to lie as low as the known ground at
    either side.
    """

    over_db: Floats
    left_db: Floats
    right_db: Floats
    rest_db: Floats
    clearance: Floats
    ridge_db: Floats
    ridge_clearance: Floats
    crossed: Ints
    walls: Ints
    crown_m: Floats
    crown_evergreen_m: Floats
    canopy_m: Floats
    wood_m: Floats
    wood_evergreen_m: Floats
    unknown_m: Floats


def diffract(s: Scene, a: Floats, b: Floats, wavelength_m: float, inside: Ints | None = None) -> Obstruction:
    """Reduce the profiles of lines a to b, (n, 3) each.

    inside: (n,) row of the building that holds the end b; -1 for none. The piece of the line that ends in it is
    no obstacle, for its wall is reckoned apart; another wing of the same building is one.
    """
    a, b = (np.ascontiguousarray(p, float).reshape(-1, 3) for p in (a, b))
    skip = np.full(len(a), -1, np.int64) if inside is None else np.ascontiguousarray(inside, np.int64)
    if s.n_buildings == 0:
        skip = np.full(len(a), -1, np.int64)
    loss = np.zeros((len(a), len(COLUMNS)))
    _reduce(s, a, b, float(wavelength_m), skip, loss, _chunks(len(a)))
    found = {name: np.ascontiguousarray(loss[:, k]) for k, name in enumerate(COLUMNS)}
    crossed, walls = (found.pop(name).astype(np.int64) for name in ("crossed", "walls"))
    return Obstruction(**found, crossed=crossed, walls=walls)


COLUMNS = (  # of what `_reduce_one` writes
    "over_db", "left_db", "right_db", "clearance", "crossed", "crown_m", "crown_evergreen_m", "wood_m",
    "wood_evergreen_m", "rest_db", "walls", "ridge_db", "ridge_clearance", "canopy_m", "unknown_m",
)  # fmt: skip


@kernel
def _edge_db(v):  # type: ignore[no-untyped-def]
    """ITU-R P.526 eq. 31; as `radio.knife_edge_db`."""
    w = v - 0.1
    return 6.9 + 20.0 * np.log10(np.sqrt(w * w + 1.0) + w) if w > -WALL else 0.0


@kernel
def _string_db(first_v, second_v, rise_a, rise_b, long, wave):  # type: ignore[no-untyped-def]
    """ITU-R P.526 section 4.5.1: the highest edge where all lie under the line, else Bullington's equivalent one.

    first_v, second_v: the two highest; rise_a, rise_b: steepest slope from either end up to an edge, over the line.
    One edge alone is a knife edge. The term for several comes in with the second highest, whole where that is as
    high as the first or touches the line, so that no loss jumps as an edge grows or moves.
    """
    first = luc = _edge_db(first_v)
    if rise_a > 0.0 and rise_b > 0.0:
        luc = _edge_db(np.sqrt(2.0 * long * rise_a * rise_b / wave))
    share = min(1.0, _edge_db(second_v) / max(min(first, _edge_db(0.0)), 1e-9))
    return luc + (1.0 - np.exp(-share * luc / 6.0)) * (10.0 + 0.02 * long / 1000.0)


@kernel(parallel=True)
def _reduce(s, a, b, wave, skip, loss, chunks):  # type: ignore[no-untyped-def]
    for c in prange(len(chunks) - 1):
        room, most = _room(s)
        stamp, cuts = np.full(s.base.shape[0] + s.crown.shape[0], -1), np.empty(most)
        kind, row, t_in, t_out = np.empty(room, np.int64), np.empty(room, np.int64), np.empty(room), np.empty(room)
        kind2, row2, t_in2, t_out2 = (
            np.empty(room, np.int64),
            np.empty(room, np.int64),
            np.empty(room),
            np.empty(room),
        )
        blocks = np.empty(s.n_buildings + 1, np.int64)
        mark = np.zeros(1, np.int64)
        for k in range(chunks[c], chunks[c + 1]):
            _reduce_one(
                s, a[k], b[k], wave, skip[k], loss[k], stamp, mark, cuts,
                kind, row, t_in, t_out, kind2, row2, t_in2, t_out2, blocks,
            )  # fmt: skip


@kernel
def _reduce_one(  # type: ignore[no-untyped-def]
    s, a, b, wave, skip, out, stamp, mark, cuts, kind, row, t_in, t_out, kind2, row2, t_in2, t_out2, blocks
):
    ax, ay, az, bx, by, bz = a[0], a[1], a[2], b[0], b[1], b[2]
    dx, dy, dz = bx - ax, by - ay, bz - az
    plan = np.sqrt(dx * dx + dy * dy)
    long = np.sqrt(plan * plan + dz * dz)
    if plan < NEAR_M:
        out[3] = out[12] = np.inf
        return
    mark[0] += 1
    n = _pieces(s, ax, ay, az, bx, by, bz, stamp, mark[0], cuts, kind, row, t_in, t_out)
    near = NEAR_M / plan
    # [everything, all but the buildings in the way, ground]: the two highest v, steepest slopes from a and b
    v = np.full((3, 2), -np.inf)
    rise_a, rise_b = np.zeros(3), np.zeros(3)
    blocked = walls = 0
    crown = crown_ever = wood = wood_ever = 0.0
    for i in range(n):
        u, w = t_in[i], t_out[i]
        if kind[i] != 0:
            ever = s.crown_evergreen[row[i]] if kind[i] == 1 else s.prism_evergreen[row[i]]
            deep = (w - u) * long
            if u <= 0.0 or w >= 1.0:
                wood += deep
                wood_ever += deep if ever else 0.0
            else:
                crown += deep
                crown_ever += deep if ever else 0.0
            continue
        p = row[i]
        stands = standing(s.base[p], s.top[p], u, w, az, dz, plan, p == skip)
        if stands == BENEATH:
            continue
        if stands == IN_IT:
            known = False
            for j in range(blocked):
                known = known or blocks[j] == p
            if not known:
                blocks[blocked] = p
                blocked += 1
            first, last = _between(az, dz, s.base[p], s.top[p], u, w)
            walls += (1 if first > 0.0 else 0) + (1 if last < 1.0 else 0)
        # a thin screen is one edge
        thin = (w - u) * plan < SHORT_M
        for end in range(1 if thin else 2):
            t = (u + w) / 2.0 if thin else u if end == 0 else w
            if t > near and t < 1.0 - near:
                _point(t, s.top[p], az, dz, long, wave, v, rise_a, rise_b, 0)
                if stands == UNDER_IT:
                    _point(t, s.top[p], az, dz, long, wave, v, rise_a, rise_b, 1)
    steps = _steps(s, plan)
    bare = s.ground.shape[0] == 0
    green = s.veg.shape[0] > 0
    in_veg = unknown = waiting = 0
    last_h = np.nan
    for m in range(1, steps):
        t = m / steps
        x, y, z = ax + t * dx, ay + t * dy, az + t * dz
        ground = 0.0 if bare else _ground(s, x, y)
        if ground != ground:
            waiting += 1
            unknown += 1
        else:
            # what is not known lies as low as the lower of its sides
            low = ground if last_h != last_h else min(ground, last_h)
            for back in range(waiting):
                for which in range(3):
                    _point((m - 1 - back) / steps, low, az, dz, long, wave, v, rise_a, rise_b, which)
            waiting, last_h = 0, ground
            if bare or (t * plan > s.ground_at[3] and (1.0 - t) * plan > s.ground_at[3]):
                for which in range(3):
                    _point(t, ground, az, dz, long, wave, v, rise_a, rise_b, which)
        if green:
            h = _height(s.veg, s.veg_at, x, y)
            if h > 0.5 and ground + VEG_BASE * h < z < ground + h:
                in_veg += 1
    if last_h == last_h:
        for back in range(waiting):
            for which in range(3):
                _point((steps - 1 - back) / steps, last_h, az, dz, long, wave, v, rise_a, rise_b, which)
    if in_veg:
        deep = in_veg * long / steps
        crown += deep
        crown_ever += deep if s.veg_evergreen else 0.0
        out[13] = deep
    out[3], out[12] = -v[0, 0] / np.sqrt(2.0), -v[2, 0] / np.sqrt(2.0)
    out[4], out[10] = blocked, walls
    out[5], out[6], out[7], out[8] = crown, crown_ever, wood, wood_ever
    out[14] = unknown * long / steps
    out[0] = _string_db(v[0, 0], v[0, 1], rise_a[0], rise_b[0], long, wave)
    out[11] = _string_db(v[2, 0], v[2, 1], rise_a[2], rise_b[2], long, wave)
    if blocked == 0:
        out[1] = out[2] = out[9] = out[0]
        return
    rest = _string_db(v[1, 0], v[1, 1], rise_a[1], rise_b[1], long, wave)
    out[9] = rest
    for side in range(2):
        sign = 1.0 if side == 0 else -1.0
        out[1 + side] = rest + _round(
            s, ax, ay, az, dx, dy, dz, plan, wave, sign, skip, blocks, blocked,
            stamp, mark, cuts, kind2, row2, t_in2, t_out2,
        )  # fmt: skip


@kernel
def standing(base, top, u, w, az, dz, plan, holds):  # type: ignore[no-untyped-def]
    """BENEATH, UNDER_IT or IN_IT: what a building's piece from share u to w of a line means for a radio.

    az, dz: height of the line's start, and its rise to the end; plan: its length on plan. holds: the building
    holds the line's end, so that the piece that ends there is reckoned apart.
    """
    if holds and (1.0 - w) * plan < NEAR_M:
        return BENEATH
    # the line sinks towards the earth's curve as it leaves either end
    z0 = az + u * dz - u * (1.0 - u) * plan * plan / (2.0 * EARTH_M)
    z1 = az + w * dz - w * (1.0 - w) * plan * plan / (2.0 * EARTH_M)
    if (u <= 0.0 or w >= 1.0) and (w - u) * plan < SHORT_M and top > min(z0, z1):
        return BENEATH  # the wall that an end hangs on
    if base > max(z0, z1):
        return BENEATH  # it passes beneath
    return IN_IT if min(z0, z1) < top and max(z0, z1) > base else UNDER_IT


@kernel
def _point(t, h, az, dz, long, wave, v, rise_a, rise_b, which):  # type: ignore[no-untyped-def]
    """Add an edge of height h at share t to the string; the earth's curve lifts it (P.526)."""
    d1, d2 = t * long, (1.0 - t) * long
    over = h + d1 * d2 / (2.0 * EARTH_M) - (az + t * dz)
    this = over * np.sqrt(2.0 / wave * (1.0 / d1 + 1.0 / d2))
    v[which, 1] = max(v[which, 1], min(v[which, 0], this))
    v[which, 0] = max(v[which, 0], this)
    if over > 0.0:
        rise_a[which] = max(rise_a[which], over / d1)
        rise_b[which] = max(rise_b[which], over / d2)


@kernel
def _round(  # type: ignore[no-untyped-def]
    s, ax, ay, az, dx, dy, dz, plan, wave, sign, skip, blocks, blocked,
    stamp, mark, cuts, kind, row, t_in, t_out,
):  # fmt: skip
    """Loss round the buildings in the way, by the left (sign 1) or the right; inf where that leads backwards.

    Their corners on that side are a string of edges lying flat. A building that the way round meets joins them.
    """
    ux, uy = dx / plan, dy / plan
    n = blocked
    for _ in range(SIDE_ROUNDS):
        rise_a = rise_b = 0.0
        xa = ya = xb = yb = 0.0
        at_a, at_b = -1, -2
        for i in range(n):
            p = blocks[i]
            for e in range(s.edge_first[p], s.edge_first[p + 1]):
                x, y = s.edge[e, 0] - ax, s.edge[e, 1] - ay
                along, off = x * ux + y * uy, sign * (x * -uy + y * ux)
                if off <= 1e-6:
                    continue
                if along < NEAR_M or along > plan - NEAR_M:
                    return np.inf
                if off / along > rise_a:
                    rise_a, at_a, xa, ya = off / along, e, x, y
                if off / (plan - along) > rise_b:
                    rise_b, at_b, xb, yb = off / (plan - along), e, x, y
        before = n
        # the legs of the way, at the heights of the straight line
        for leg in range(3):
            if at_a < 0 or (leg == 1 and at_a == at_b):
                continue
            fx, fy = (0.0, 0.0) if leg == 0 else ((xa, ya) if leg == 1 else (xb, yb))
            tx, ty = (xa, ya) if leg == 0 else ((xb, yb) if leg == 1 else (dx, dy))
            fz = az + dz * min(max((fx * ux + fy * uy) / plan, 0.0), 1.0)
            tz = az + dz * min(max((tx * ux + ty * uy) / plan, 0.0), 1.0)
            mark[0] += 1
            m = _pieces(s, ax + fx, ay + fy, fz, ax + tx, ay + ty, tz, stamp, mark[0], cuts, kind, row, t_in, t_out)
            for i in range(m):
                p = row[i]
                if kind[i] != 0 or (p == skip and leg == 2 and t_out[i] >= 1.0 - 1e-9):
                    continue
                z0, z1 = fz + t_in[i] * (tz - fz), fz + t_out[i] * (tz - fz)
                if min(z0, z1) >= s.top[p] or max(z0, z1) <= s.base[p]:
                    continue
                known = False
                for j in range(n):
                    known = known or blocks[j] == p
                if not known:
                    blocks[n] = p
                    n += 1
        if n == before:
            # one corner is an edge alone, two are a string
            return _string_db(0.0, -np.inf if at_a == at_b else 0.0, rise_a, rise_b, plan, wave)
    return np.inf
