"""What stands in a radio's way in decibels: over everything, round the buildings, through them, in leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from planner.compiled import in_threads, inner, kernel, maker
from planner.reach.profile import (
    BUILDING,
    CROWN,
    Met,
    ground,
    height,
    heights,
    pieces,
    room,
    steps,
    straight,
)
from planner.reach.scene import Scene
from planner.site import Floats, Ints

SHORT_M = 0.6  # a piece this short is one edge; at a line's end the wall that the end hangs on, no obstacle
CLOSE_M = 0.3  # two edges so near to each other are one
ASIDE_M = 1e-6  # a corner nearer to the line than this is on it
NEAR_M = 0.05  # an edge nearer to an end than this is at the end
VEG_BASE = 0.25  # crowns of a canopy raster start at a quarter of its height: common practice, no source
TOUCHES_V = -0.78  # an edge so far under the line takes nothing (P.526 eq. 31)
BESIDE_V = 0.8  # a little over 0.78
EDGE = 10.0**0.345  # 6.9 dB, as an amplitude (P.526 eq. 31)
WHOLE = (
    6.0  # excess of an edge's amplitude over grazing at which it multiplies in full, by `data/fit_diffraction.py`
)
MOST_EDGES = 32  # of one string; those nearest to the string drawn tight over all are kept
MOST_CHAINS = 6  # kept for each pair of edges: those that no other beats in both of its parts
MOST_JOINED = 16  # a way round that meets more buildings is none
MOST_ROUND = 2  # buildings in the way that a way may lead round or through while it passes over the rest
SAME = 1e-9  # two points of the ground so near to each other, as a share, are one
MOST_TRIED = 6  # buildings in the way of which every two are tried
GROUND_LEVELS = 3  # the highest point of the ground, the highest to either side of it, and so on
RADIO_EARTH_M = 8.5e6  # radius of the earth as a radio sees it, 4/3 of the real one (ITU-R P.526, P.452)
BENEATH, UNDER_IT, IN_IT = 0, 1, 2  # a building's piece: of no account, under the line, the line goes through it
OVER, LEFT, RIGHT, THROUGH = 0, 1, 2, 3  # the way that carries most; left and right as seen from the start
NOBODY = -1  # whose edge: the ground's


@dataclass(frozen=True)
class Obstruction:
    """What the path of each of n lines meets, reduced.

    over_db, left_db, right_db, through_db: over everything; round the buildings in the way by either side, and
    through their walls, with what is left to pass over (inf: there is no such way; equal to over where nothing is
    in the way). past_db: all ways together, by power, with the corners beside the line; outside_db: the same
    without those through walls. way: the one that carries most (OVER, LEFT, RIGHT, THROUGH).
    edges: roofs' edges, corners and ground that touch the line's Fresnel zone, as P.526 counts them.
    clearance: least height of the line over buildings and ground, in radii of the first Fresnel zone; negative
    where something stands above the line. ridge_db, ridge_clearance: the same of the ground (or the surface
    model) alone. crossed: buildings that the line goes through; walls: outer walls and roofs of these that it
    goes through, two for each wing. crown_m: metres inside crowns, crown_evergreen_m the evergreen part,
    canopy_m the part of a canopy raster. unknown_m: metres over ground that no raster knows; it is taken to lie as
    low as the known ground at either side. sunk_a_m, sunk_b_m: how far the straight line that fits the known ground
    best lies under the ground at either end; negative where it lies over it.
    """

    over_db: Floats
    left_db: Floats
    right_db: Floats
    through_db: Floats
    past_db: Floats
    outside_db: Floats
    way: Ints
    edges: Ints
    clearance: Floats
    ridge_db: Floats
    ridge_clearance: Floats
    crossed: Ints
    walls: Ints
    crown_m: Floats
    crown_evergreen_m: Floats
    canopy_m: Floats
    unknown_m: Floats
    sunk_a_m: Floats
    sunk_b_m: Floats


# one row a line, as the compiled loops write it
ROW = np.dtype(
    [(name, np.int64 if kind == "Ints" else np.float64) for name, kind in Obstruction.__annotations__.items()]
)


class Edges(NamedTuple):
    """Room for edges along a line, sorted by `at`: metres from its start, and `up` over it.

    whose: place in `Blocks` of the building that it belongs to, NOBODY for the ground. grazes: 1 where it takes its
    part although it lies just under the line or a higher string, 0 for the lesser points of the ground, which are
    one surface with the highest. filled: (1,).
    """

    at: Floats
    up: Floats
    whose: Ints
    grazes: Floats
    filled: Ints


class Table(NamedTuple):
    """Room for the costliest chain of edges: those of one string, with its ends, and by (edge before, edge).

    hull: of the string drawn tight over them; below: v of each under it; sums: running, of one chord.
    under: by chord; total, product, kept: the two parts of each chain that ends in a chord, and how many.
    """

    at: Floats
    up: Floats
    grazes: Floats
    below: Floats
    sums: Floats
    hull: Ints
    under: Floats
    total: Floats
    product: Floats
    kept: Ints


class Blocks(NamedTuple):
    """Room for buildings under or in the line: row, highest edge's v, walls in the line; and some of them.

    left, right: the most power that can get round each. order: places in `row`, the highest first. gone: the places
    of those that a way leads round or through; some: rows of these, and what joins them.
    """

    row: Ints
    v: Floats
    walls: Ints
    left: Floats
    right: Floats
    order: Ints
    gone: Ints
    some: Ints


class Way(NamedTuple):
    """Room for the reduction of one line: what it meets, and edges of it.

    tight: corners that a string drawn tight round the buildings touches; corners: all on that side. seen, mark:
    which buildings the search beside the line has looked at, as in `Met`.
    """

    met: Met
    edges: Edges
    tight: Edges
    corners: Edges
    table: Table
    blocks: Blocks
    seen: Ints
    mark: Ints


@maker
def _edges(most):  # type: ignore[no-untyped-def]
    return Edges(np.empty(most), np.empty(most), np.empty(most, np.int64), np.empty(most), np.zeros(1, np.int64))


@maker
def _table(most):  # type: ignore[no-untyped-def]
    n = MOST_EDGES + 2
    return Table(
        np.empty(most),
        np.empty(most),
        np.empty(most),
        np.empty(most),
        np.empty(most),
        np.empty(most, np.int64),
        np.empty((n, n)),
        np.empty((n, n, MOST_CHAINS)),
        np.empty((n, n, MOST_CHAINS)),
        np.empty((n, n), np.int64),
    )


@maker
def _way(s):  # type: ignore[no-untyped-def]
    met = room(s)
    most = 2 * met.kind.shape[0] + 2**GROUND_LEVELS + 2
    corners = s.edge.shape[0] + 1
    n = s.n_buildings + 1
    blocks = Blocks(
        np.empty(n, np.int64),
        np.empty(n),
        np.empty(n, np.int64),
        np.empty(n),
        np.empty(n),
        np.empty(n, np.int64),
        np.empty(MOST_ROUND, np.int64),
        np.empty(n, np.int64),
    )
    return Way(
        met,
        _edges(most),
        _edges(corners),
        _edges(corners),
        _table(max(most, corners) + 2),
        blocks,
        np.full(n, -1),
        np.zeros(1, np.int64),
    )


def diffract(
    s: Scene,
    a: Floats,
    b: Floats,
    wavelength_m: float,
    inside: Ints | None = None,
    wall_db: float = np.inf,
    most_db: Floats | float = np.inf,
) -> Obstruction:
    """Reduce the profiles of lines a to b.

    Parameters
    ----------
    s : Scene
        The site, laid out by `scene`.
    a, b : (n, 3) arrays
        Ends of the lines, metres in the site's frame.
    wavelength_m : float
        Of the carrier.
    inside : (n,) integers, optional
        Row of the building that holds the end b; -1 for none. The piece of the line that ends in it is no
        obstacle, for its wall is reckoned apart; another wing of the same building is one.
    wall_db : float
        What one wall or roof of a building in the way takes; infinite where no way leads through.
    most_db : (n,) or float
        Losses over edges in a row are not reckoned beyond it: what takes more is given as this.

    Returns
    -------
    Obstruction
        One row a line.

    References
    ----------
    ITU-R P.526 eq. 31 (one edge); Epstein and Peterson 1953 (edges in a row, each between its neighbours); n edges
    that all just touch the line, evenly spaced, leave 1 / (n + 1) of the field (Lee 1978, from memory; the integral
    in `data/fit_diffraction.py` gives the same).
    """
    a, b = (np.ascontiguousarray(p, float).reshape(-1, 3) for p in (a, b))
    skip = np.full(len(a), -1, np.int64) if inside is None else np.ascontiguousarray(inside, np.int64)
    if s.n_buildings == 0:
        skip = np.full(len(a), -1, np.int64)
    found = np.zeros(len(a), ROW)
    most = 10.0 ** (0.05 * np.broadcast_to(np.asarray(most_db, float), len(a)))
    given = (s, a, b, float(wavelength_m), skip, float(wall_db), most, found)
    in_threads(lambda lines: _reduce(lines.start, lines.stop, *given), len(a))
    return Obstruction(**{name: np.ascontiguousarray(found[name]) for name in ROW.names or ()})


def edges_db(at_m: Floats, up_m: Floats, long_m: float, wavelength_m: float) -> float:
    """Loss over edges in a row, beyond free space; as in `diffract`.

    Parameters
    ----------
    at_m, up_m : (n,) arrays
        Distance of each edge from the start, ascending, and its height over the straight line between the ends.
    long_m, wavelength_m : float
        Length of that line, and of the wave.

    Examples
    --------
    Three edges, evenly spaced, that just touch the line leave a quarter of the field, 12.04 dB:

    >>> abs(edges_db(np.array([40.0, 80.0, 120.0]), np.zeros(3), 160.0, 0.33) - 12.04) < 0.05
    True
    """
    n = len(at_m)
    at, up = np.ascontiguousarray(at_m, float), np.ascontiguousarray(up_m, float)
    edges = Edges(at, up, np.full(n, NOBODY), np.ones(n), np.array([n]))
    nobody, nothing = np.empty(0, np.int64), np.empty(0)
    blocks = Blocks(nobody, nothing, nobody, nothing, nothing, nobody, nobody, nobody)
    return float(_string_db(edges, blocks, float(long_m), float(wavelength_m)))


@kernel
def _string_db(edges, blocks, long_m, wave):  # type: ignore[no-untyped-def]
    return _decibels(_string(edges, _table(edges.at.shape[0] + 2), blocks, 0, long_m, wave, np.inf))


@kernel
def _reduce(first, last, s, a, b, wave, skip, wall_db, most, found):  # type: ignore[no-untyped-def]
    way = _way(s)
    for k in range(first, last):
        this = straight(a[k, 0], a[k, 1], a[k, 2], b[k, 0], b[k, 1], b[k, 2])
        _reduce_one(s, this, wave, skip[k], wall_db, most[k], found[k], way)


@inner
def _reduce_one(s, line, wave, skip, wall_db, most, out, way):  # type: ignore[no-untyped-def]
    if line.plan_m < NEAR_M:
        out.clearance = out.ridge_clearance = np.inf
        return
    way.edges.filled[0] = 0
    n = pieces(s, line, way.met, BESIDE_V * np.sqrt(wave * line.plan_m / 8.0))
    _leaves(s, line, way.met, n, out)
    highest = _ground_below(s, line, wave, out, way)
    out.ridge_clearance = -highest / np.sqrt(2.0)
    everything = _string(way.edges, way.table, way.blocks, 0, line.long_m, wave, most)
    out.ridge_db, of_ground = _decibels(everything), way.edges.filled[0]
    count, highest = _roofs(s, line, wave, skip, out, way, n, highest)
    out.clearance = -highest / np.sqrt(2.0)
    out.edges = way.edges.filled[0]
    if out.edges > of_ground:
        everything = _string(way.edges, way.table, way.blocks, 0, line.long_m, wave, most)
    out.over_db = out.left_db = out.right_db = out.through_db = _decibels(everything)
    past, outside = _past(s, line, wave, skip, wall_db, out, way, count, everything, most)
    beside = _beside(s, line, wave, skip, out, way)
    out.past_db = -10.0 * np.log10(max(past * beside, 1e-30))
    out.outside_db = -10.0 * np.log10(max(outside * beside, 1e-30))


@inner
def _past(s, line, wave, skip, wall_db, out, way, count, everything, enough):  # type: ignore[no-untyped-def]
    """Share of the power that gets past what the line meets, by all ways, and by those outside alone.

    With r the share that gets round (or through) one building or two: r of what passes over the rest, and (1 - r)
    of what passes over everything. Those that let most past are taken. Neither a building more nor a higher one can
    raise it: one that is not among them stands in the way over the rest, and with one that is they leave no more
    than they did without it. So all that are in the way are tried, not the highest alone; where these are more than
    MOST_TRIED the highest two, which lets no more past.
    """
    over = everything**-2.0
    most = outside = over
    if count == 0 or everything == 1.0:
        return most, outside
    out.left_db = out.right_db = out.through_db = np.inf
    blocks, long_m = way.blocks, line.long_m
    tried = count if count <= MOST_TRIED else MOST_ROUND
    for i in range(tried):
        one = blocks.order[i]
        blocks.left[one] = _round_at_most(s, line, wave, 1.0, blocks.row[one])
        blocks.right[one] = _round_at_most(s, line, wave, -1.0, blocks.row[one])
    for i in range(tried):
        one = blocks.order[i]
        for j in range(-1, i):  # itself alone, then with each that is higher
            other = one if j < 0 else blocks.order[j]
            k = 1 if j < 0 else 2
            blocks.gone[0], blocks.gone[1] = one, other
            walls = blocks.walls[one] + (blocks.walls[other] if k == 2 else 0)
            # a building that the line does not enter has no way through
            entered = blocks.walls[one] > 0 and blocks.walls[other] > 0
            through = 10.0 ** (-0.1 * walls * wall_db) if entered else 0.0
            left, right = min(blocks.left[one], blocks.left[other]), min(blocks.right[one], blocks.right[other])
            if not _better(over, 1.0, left + right, through, most, outside):
                continue
            n, least = _gathered(way.edges, way.table, blocks, k, long_m, wave)
            if not _better(over, least**-2.0, left + right, through, most, outside):
                continue
            rest = _costliest(way.table, n, least, wave, enough) ** -2.0
            if not _better(over, rest, left + right, through, most, outside):
                continue
            left = _round(s, line, wave, 1.0, skip, way, k, count, enough) ** -2.0 if left > 0.0 else 0.0
            right = _round(s, line, wave, -1.0, skip, way, k, count, enough) ** -2.0 if right > 0.0 else 0.0
            outside = max(outside, over + min(1.0, left + right) * (rest - over))
            this = over + min(1.0, left + right + through) * (rest - over)
            if this > most:
                most = this
                left, right, through = left * rest, right * rest, through * rest
                out.left_db, out.right_db = -10.0 * np.log10(left), -10.0 * np.log10(right)
                out.through_db = -10.0 * np.log10(through)
                best = max(max(over, left), max(right, through))
                out.way = OVER if best == over else LEFT if best == left else RIGHT if best == right else THROUGH
    return most, outside


@inner
def _better(over, rest, round_it, through, most, outside):  # type: ignore[no-untyped-def]
    """Whether with so much over the rest, and at most so much round and through, more gets past than so far."""
    gain = max(rest - over, 0.0)
    return (
        over + min(1.0, round_it + through) * gain > most * (1.0 + 1e-9)
        or over + min(1.0, round_it) * gain > outside * (1.0 + 1e-9)
    )  # fmt: skip


@inner
def _leaves(s, line, met, n, out):  # type: ignore[no-untyped-def]
    """Metres inside crowns, and the evergreen part."""
    for i in range(n):
        if met.kind[i] == BUILDING:
            continue
        row = met.row[i]
        ever = s.crown_evergreen[row] if met.kind[i] == CROWN else s.prism_evergreen[row]
        deep = (met.t_out[i] - met.t_in[i]) * line.long_m
        out.crown_m += deep
        out.crown_evergreen_m += deep if ever else 0.0


# --- strings of edges ---------------------------------------------------------------------------------------------


@inner
def _beyond(v):  # type: ignore[no-untyped-def]
    """How far an edge's loss, as an amplitude, lies over none: 0 where clear, 1 at grazing (P.526 eq. 31)."""
    w = v - 0.1
    return max(EDGE * (np.sqrt(w * w + 1.0) + w) - 1.0, 0.0) if v > TOUCHES_V else 0.0


@inner
def _decibels(amplitude):  # type: ignore[no-untyped-def]
    return 20.0 * np.log10(amplitude)


@inner
def _string(edges, table, blocks, without, long_m, wave, most):  # type: ignore[no-untyped-def]
    """Loss, as an amplitude of 1 and more, over all edges but those of the first `without` buildings in `gone`.

    most: no loss is reckoned beyond it.
    """
    n, least = _gathered(edges, table, blocks, without, long_m, wave)
    return _costliest(table, n, least, wave, most)


@inner
def _gathered(edges, table, blocks, without, long_m, wave):  # type: ignore[no-untyped-def]
    """Put those edges into the table; returns the place of the far end, and what they take at least."""
    at, up = table.at, table.up
    n = 1
    at[0] = up[0] = 0.0
    for i in range(edges.filled[0]):
        left_out = False
        for j in range(without):
            left_out = left_out or blocks.gone[j] == edges.whose[i]
        if not left_out:
            at[n], up[n], table.grazes[n] = edges.at[i], edges.up[i], edges.grazes[i]
            n += 1
    at[n], up[n] = long_m, 0.0
    if n == 1:
        return n, 1.0
    if n == 2:
        return n, 1.0 + _beyond(_v(at, up, 0, 1, 2, wave))
    return _tight(table, n, wave)


@inner
def _costliest(table, n, least, wave, most):  # type: ignore[no-untyped-def]
    """Loss over the edges in the table, which is at least so much; not reckoned beyond `most`."""
    return min(least if n < 3 or least >= most else _chain(table, n, wave, most), most)


@inner
def _v(at, up, before, this, after, wave):  # type: ignore[no-untyped-def]
    """P.526's v of an edge between two others."""
    d1, d2 = at[this] - at[before], at[after] - at[this]
    over = up[this] - (up[before] * d2 + up[after] * d1) / (d1 + d2)
    return over * np.sqrt(2.0 / wave * (1.0 / d1 + 1.0 / d2))


@inner
def _tight(table, n, wave):  # type: ignore[no-untyped-def]
    """At least what the costliest chain takes: the edges that a string drawn tight touches; keeps MOST_EDGES.

    Where there are more, those farthest under that string are dropped, in place; returns the place of the far end,
    and that loss.
    """
    at, up, hull, below = table.at, table.up, table.hull, table.below
    c = 0
    for k in range(n + 1):
        while c > 1 and (up[hull[c - 1]] - up[hull[c - 2]]) * (at[k] - at[hull[c - 2]]) <= (
            up[k] - up[hull[c - 2]]
        ) * (at[hull[c - 1]] - at[hull[c - 2]]):
            c -= 1
        hull[c] = k
        c += 1
    total = product = 1.0
    last = 0
    for q in range(1, c - 1):
        if last > 0 and at[hull[q]] - at[last] < CLOSE_M:
            continue
        after = q + 1
        while after < c - 1 and at[hull[after]] - at[hull[q]] < CLOSE_M:
            after += 1
        adds, times = _part(_v(at, up, last, hull[q], hull[after], wave))
        total += adds * table.grazes[hull[q]]
        product *= times
        last = hull[q]
    if n - 1 > MOST_EDGES:
        leg, kept = 0, 1
        for x in range(1, n):
            while hull[leg + 1] < x:
                leg += 1
            v = np.inf if hull[leg + 1] == x else _v(at, up, hull[leg], x, hull[leg + 1], wave)
            if v > -np.inf:  # not right beneath another
                at[kept], up[kept], table.grazes[kept], below[kept] = at[x], up[x], table.grazes[x], v
                kept += 1
        at[kept], up[kept] = at[n], up[n]
        n = kept
    while n - 1 > MOST_EDGES:
        low = 1
        for x in range(2, n):
            low = x if below[x] < below[low] else low
        for x in range(low, n):
            at[x], up[x], table.grazes[x], below[x] = at[x + 1], up[x + 1], table.grazes[x + 1], below[x + 1]
        n -= 1
    return n, total * product


@inner
def _part(v):  # type: ignore[no-untyped-def]
    """What an edge of a chain adds to its sum, and the factor of its product."""
    beyond = max(_beyond(v) - 1.0, 0.0)
    whole = min(beyond / WHOLE, 1.0)
    return 1.0 - whole, (2.0 + beyond) / (2.0 - whole)


@inner
def _under(table, i, k, n, wave):  # type: ignore[no-untyped-def]
    """What the edges between edges i and k add to the line between these; two as near as CLOSE_M add as one."""
    at, up, sums = table.at, table.up, table.sums
    whole = at[k] - at[i]
    rise = (up[k] - up[i]) / whole
    first = at[i] + CLOSE_M if i > 0 else at[i]
    last = at[k] - CLOSE_M if k < n else at[k]
    p = i
    sums[i] = 0.0
    for x in range(i + 1, k):
        adds = 0.0
        if table.grazes[x] > 0.0 and first <= at[x] <= last:
            d1, d2 = at[x] - at[i], at[k] - at[x]
            over = up[x] - up[i] - rise * d1
            square = over * over * 2.0 / wave * whole  # of v, times d1 d2
            if over >= 0.0:
                adds = 1.0
            elif square < TOUCHES_V * TOUCHES_V * d1 * d2:
                adds = min(_beyond(-np.sqrt(square / (d1 * d2))), 1.0)
        while p + 1 < x and at[p + 1] <= at[x] - CLOSE_M:
            p += 1
        sums[x] = max(sums[x - 1], adds + sums[p])
    return sums[k - 1]


@inner
def _chain(table, n, wave, most):  # type: ignore[no-untyped-def]
    """The costliest chain of edges, each over the line between its neighbours, from end 0 to end n.

    Losses of edges deep in the way multiply, each between its neighbours (Epstein and Peterson); those of edges
    that just touch add, so that n of them leave 1 / (n + 1); in between the one passes into the other. Edges under
    the chain take part as they near it. Being the costliest of all chains, it never falls as an edge is added. As
    a sum times a product, a chain may be beaten by another only where that has no less of either.
    """
    at, up, under, total, product, kept = table.at, table.up, table.under, table.total, table.product, table.kept
    for i in range(n):
        for k in range(i + 1, n + 1):
            under[i, k] = -1.0
            kept[i, k] = 0
    best = 1.0 + _under(table, 0, n, n, wave)
    for i in range(1, n):
        total[0, i, 0], product[0, i, 0], kept[0, i] = 1.0 + _under(table, 0, i, n, wave), 1.0, 1
    for i in range(1, n):
        for j in range(i):
            if kept[j, i] == 0:
                continue
            d1 = at[i] - at[j]
            rise = (up[i] - up[j]) / d1
            for k in range(i + 1, n + 1):
                d2 = at[k] - at[i]
                bend = rise * d2 - (up[k] - up[i])
                if bend < 0.0 or (k < n and d2 < CLOSE_M):
                    continue
                if under[i, k] < 0.0:
                    under[i, k] = _under(table, i, k, n, wave)
                # over = bend d1 / (d1 + d2)
                adds, times = _part(bend * np.sqrt(2.0 / wave * d1 / (d2 * (d1 + d2))))
                adds = adds * table.grazes[i] + under[i, k]
                for q in range(kept[j, i]):
                    one, other = total[j, i, q] + adds, product[j, i, q] * times
                    if k == n:
                        best = max(best, one * other)
                        if best >= most:
                            return best
                    else:
                        kept[i, k] = _kept(total[i, k], product[i, k], kept[i, k], one, other)
    return best


@inner
def _kept(totals, products, n, total, product):  # type: ignore[no-untyped-def]
    """Put a chain among the n of its pair, without those that it beats; returns how many there are then."""
    for q in range(n):
        if totals[q] >= total and products[q] >= product:
            return n
    c = 0
    for q in range(n):
        if totals[q] > total or products[q] > product:
            totals[c], products[c] = totals[q], products[q]
            c += 1
    if c == MOST_CHAINS:
        low = 0
        for q in range(1, c):
            low = q if totals[q] * products[q] < totals[low] * products[low] else low
        if totals[low] * products[low] < total * product:
            totals[low], products[low] = total, product
        return c
    totals[c], products[c] = total, product
    return c + 1


@inner
def _add(edges, at_m, up_m, whose, grazes):  # type: ignore[no-untyped-def]
    """Put an edge where it belongs by its distance."""
    i = edges.filled[0]
    while i > 0 and edges.at[i - 1] > at_m:
        edges.at[i], edges.up[i] = edges.at[i - 1], edges.up[i - 1]
        edges.whose[i], edges.grazes[i] = edges.whose[i - 1], edges.grazes[i - 1]
        i -= 1
    edges.at[i], edges.up[i], edges.whose[i], edges.grazes[i] = at_m, up_m, whose, grazes
    edges.filled[0] += 1


# --- over ---------------------------------------------------------------------------------------------------------


@inner
def _over(line, t, h):  # type: ignore[no-untyped-def]
    """Height over the line of a point at share t of it; the earth's curve lifts it (P.526)."""
    return h + t * (1.0 - t) * line.long_m * line.long_m / (2.0 * RADIO_EARTH_M) - (line.az + t * line.dz)


@inner
def _alone(line, t, over, wave):  # type: ignore[no-untyped-def]
    """P.526's v of an edge as if it stood alone."""
    return over * np.sqrt(2.0 / (wave * line.long_m * t * (1.0 - t)))


@inner
def _roofs(s, line, wave, skip, out, way, n, highest):  # type: ignore[no-untyped-def]
    """Add the edges of what the line goes over or through; returns how many buildings, and the highest edge's v."""
    near = NEAR_M / line.plan_m
    blocks = way.blocks
    count = 0
    for i in range(n):
        if way.met.kind[i] != BUILDING:
            continue
        p, u, w = way.met.row[i], way.met.t_in[i], way.met.t_out[i]
        stands = standing(s.base[p], s.top[p], u, w, line, p == skip)
        if stands == BENEATH:
            continue
        b = 0
        while b < count and blocks.row[b] != p:
            b += 1
        new = b == count
        if new:
            blocks.row[b], blocks.v[b], blocks.walls[b] = p, -np.inf, 0
            count += 1
        if stands == IN_IT:
            blocks.walls[b] += 2  # for an end inside too: else a roof raised above it would take a wall away
        # a thin screen is one edge
        thin = (w - u) * line.plan_m < SHORT_M
        for end in range(1 if thin else 2):
            t = (u + w) / 2.0 if thin else u if end == 0 else w
            if near < t < 1.0 - near:
                over = _over(line, t, s.top[p])
                v = _alone(line, t, over, wave)
                blocks.v[b] = max(blocks.v[b], v)
                highest = max(highest, v)
                if v > TOUCHES_V:
                    _add(way.edges, t * line.long_m, over, b, 1.0)
        if new and blocks.v[b] <= TOUCHES_V and stands != IN_IT:
            count -= 1
    for b in range(count):
        out.walls += blocks.walls[b]
        out.crossed += 1 if blocks.walls[b] else 0
        i = b
        while i > 0 and blocks.v[blocks.order[i - 1]] < blocks.v[b]:
            blocks.order[i] = blocks.order[i - 1]
            i -= 1
        blocks.order[i] = b
    return count, highest


@maker
def _ground_below(s, line, wave, out, way):  # type: ignore[no-untyped-def]
    """Add the ground's points, find the metres in a canopy raster and over unknown ground; returns the highest v.

    Each step's highest point counts, wherever in the step it lies. What is not known lies as low as the lower of
    its sides.
    """
    count = steps(s, line.plan_m)
    bare = s.ground.shape[0] == 0
    green = s.veg.shape[0] > 0
    over = np.full(count + 1, -np.inf)
    place = np.arange(count + 1) / count
    end = 0.0 if bare else s.ground_at[3] / line.plan_m
    rise, level = np.zeros(count + 1), np.zeros(count + 1)
    if not bare:
        heights(s, line, level)
    # what the line and the earth's curve may add within half a step
    tilt = (0.5 * abs(line.dz) + line.long_m * line.long_m / (4.0 * RADIO_EARTH_M)) / count
    in_veg = unknown = waiting = 0
    last_h = np.nan
    n = sum_t = sum_tt = sum_h = sum_th = 0.0
    for m in range(1, count):
        t, h = m / count, level[m]
        x, y, z = line.ax + t * line.dx, line.ay + t * line.dy, line.az + t * line.dz
        if h != h:
            waiting += 1
            unknown += 1
        else:
            low = h if last_h != last_h else min(h, last_h)
            for back in range(1, waiting + 1):
                over[m - back] = _over(line, (m - back) / count, low)
            waiting, last_h = 0, h
            if bare:
                over[m] = _over(line, t, h)
            elif end < t < 1.0 - end:
                over[m] = _over(line, t, h)
                rise[m] = _most(s, x, y) - h + tilt
            n += 1.0
            sum_t += t
            sum_tt += t * t
            sum_h += h
            sum_th += t * h
        if green:
            tall = height(s.veg, s.veg_at, x, y)
            if tall > 0.5 and h + VEG_BASE * tall < z < h + tall:
                in_veg += 1
    if last_h == last_h:
        for back in range(1, waiting + 1):
            over[count - back] = _over(line, (count - back) / count, last_h)
    out.unknown_m = unknown * line.long_m / count
    out.canopy_m = in_veg * line.long_m / count
    out.crown_m += out.canopy_m
    out.crown_evergreen_m += out.canopy_m if s.veg_evergreen else 0.0
    if n > 2.0 and not bare:
        slope = (n * sum_th - sum_t * sum_h) / (n * sum_tt - sum_t * sum_t)
        start = (sum_h - slope * sum_t) / n
        at_a, at_b = level[0], level[count]
        out.sunk_a_m = at_a - start if at_a == at_a else 0.0
        out.sunk_b_m = at_b - (start + slope) if at_b == at_b else 0.0
    return _ridges(s, line, over, rise, place, count, wave, way.edges)


@inner
def _highest(s, line, t, half):  # type: ignore[no-untyped-def]
    """Where the ground stands highest over a line within `half` of its share t, at most half a cell, and how high.

    Exact on the finer raster: between four cells' middles the bilinear ground, less the line and the earth's curve,
    is quadratic along the line.
    """
    at = s.ground_at
    first, last = t - half, t + half
    c0 = (line.ax + first * line.dx - at[0]) / at[2] - 0.5
    r0 = (at[1] - line.ay - first * line.dy) / at[2] - 0.5
    c1, r1 = c0 + (last - first) * line.dx / at[2], r0 - (last - first) * line.dy / at[2]
    by_col = by_row = last
    if np.floor(c0) != np.floor(c1):
        by_col = first + (last - first) * (max(np.floor(c0), np.floor(c1)) - c0) / (c1 - c0)
    if np.floor(r0) != np.floor(r1):
        by_row = first + (last - first) * (max(np.floor(r0), np.floor(r1)) - r0) / (r1 - r0)
    cuts = (first, min(by_col, by_row), max(by_col, by_row), last)
    where, top = t, _ground_over(s, line, t)
    f1 = _ground_over(s, line, first)
    if f1 > top:
        where, top = first, f1
    for k in range(3):
        t0, span = cuts[k], cuts[k + 1] - cuts[k]
        if span <= 0.0:
            continue
        f0, f1 = f1, _ground_over(s, line, cuts[k + 1])
        middle = _ground_over(s, line, t0 + 0.5 * span)
        if f1 > top:
            where, top = cuts[k + 1], f1
        if middle > top:
            where, top = t0 + 0.5 * span, middle
        bend, rise = 2.0 * (f0 + f1 - 2.0 * middle), 4.0 * middle - 3.0 * f0 - f1
        if bend < 0.0 < rise < -2.0 * bend:
            x = -0.5 * rise / bend
            if f0 + (rise + bend * x) * x > top:
                where, top = t0 + x * span, f0 + (rise + bend * x) * x
    return where, top


@inner
def _most(s, x, y):  # type: ignore[no-untyped-def]
    """No less than the finer raster's ground half a cell around; infinite at its rim and beside gaps."""
    most, at = s.ground_most, s.ground_at
    rows, cols = most.shape
    col, row = int(np.floor((x - at[0]) / at[2])), int(np.floor((at[1] - y) / at[2]))
    return most[row, col] if 0 <= row < rows and 0 <= col < cols else np.inf


@inner
def _ground_over(s, line, t):  # type: ignore[no-untyped-def]
    return _over(line, t, ground(s, line.ax + t * line.dx, line.ay + t * line.dy))


@maker
def _ridges(s, line, over, rise, place, count, wave, edges):  # type: ignore[no-untyped-def]
    """Add the highest point of a profile; where it stands over the line the highest to either side, and so on.

    over, place: of each step, how high over the line and at which share of it; rise: how much higher it may be
    elsewhere in the step. It is found out where that might make it the highest.
    """
    end = 0.0 if s.ground.shape[0] == 0 else s.ground_at[3] / line.plan_m
    lows, highs = np.empty(2**GROUND_LEVELS, np.int64), np.empty(2**GROUND_LEVELS, np.int64)
    lows[0], highs[0] = 0, count
    spans, top = 1, -np.inf
    for level in range(GROUND_LEVELS):
        parts, spans = spans, 0
        new_lows, new_highs = np.empty_like(lows), np.empty_like(highs)
        for q in range(parts):
            i, k = lows[q], highs[q]
            up_i, up_k = 0.0 if i == 0 else over[i], 0.0 if k == count else over[k]
            best, at = -np.inf, -1
            whole = place[k] - place[i]
            for m in range(i + 1, k):
                share = (place[m] - place[i]) / whole
                if not SAME < share < 1.0 - SAME:  # the end of one step, and the beginning of the next
                    continue
                rises = over[m] - (up_i * (1.0 - share) + up_k * share)
                v = rises * np.sqrt(2.0 / (wave * line.long_m * whole * share * (1.0 - share)))
                if v > best:
                    best, at = v, m
            for m in range(i + 1, k):
                if rise[m] == 0.0:
                    continue
                share = (m / count - place[i]) / whole
                near = 1.5 / count / whole
                if near < share < 1.0 - near:
                    rises = over[m] + rise[m] - (up_i * (1.0 - share) + up_k * share)
                    rises += 0.5 / count / whole * abs(up_k - up_i)
                    v = rises * np.sqrt(2.0 / (wave * line.long_m * whole * share * (1.0 - share)))
                    # within half a step to the nearer end v is larger by so much at most, or less far below 0
                    nearer, step = min(share, 1.0 - share), 0.5 / count / whole
                    if v * (1.0 + 0.5 * step / (nearer - step)) <= best and v / (1.0 + 0.5 * step / nearer) <= best:
                        continue
                half = min(0.5 / count, m / count - end, 1.0 - end - m / count)
                place[m], over[m] = _highest(s, line, m / count, half)
                rise[m] = 0.0
                share = (place[m] - place[i]) / whole
                if SAME < share < 1.0 - SAME:
                    rises = over[m] - (up_i * (1.0 - share) + up_k * share)
                    v = rises * np.sqrt(2.0 / (wave * line.long_m * whole * share * (1.0 - share)))
                    if v > best:
                        best, at = v, m
            if level == 0:
                top = best
            if at < 0 or best <= (TOUCHES_V if level == 0 else 0.0):
                continue
            _add(edges, place[at] * line.long_m, over[at], NOBODY, 1.0 if level == 0 else 0.0)
            if best > 0.0:
                new_lows[spans], new_highs[spans] = i, at
                new_lows[spans + 1], new_highs[spans + 1] = at, k
                spans += 2
        lows, highs = new_lows, new_highs
    return top


@kernel
def standing(base, top, u, w, line, holds):  # type: ignore[no-untyped-def]
    """BENEATH, UNDER_IT or IN_IT: what a building's piece from share u to w of a line means for a radio.

    holds: the building holds the line's end, so that the piece that ends there is reckoned apart.
    """
    if holds and (1.0 - w) * line.plan_m < NEAR_M:
        return BENEATH
    # the line sinks towards the earth's curve as it leaves either end
    z0 = line.az + u * line.dz - u * (1.0 - u) * line.plan_m * line.plan_m / (2.0 * RADIO_EARTH_M)
    z1 = line.az + w * line.dz - w * (1.0 - w) * line.plan_m * line.plan_m / (2.0 * RADIO_EARTH_M)
    if (u <= 0.0 or w >= 1.0) and (w - u) * line.plan_m < SHORT_M and top > min(z0, z1):
        return BENEATH  # the wall that an end hangs on
    if base > max(z0, z1):
        return BENEATH  # it passes beneath
    return IN_IT if min(z0, z1) < top and max(z0, z1) > base else UNDER_IT


# --- round --------------------------------------------------------------------------------------------------------


@inner
def _beside(s, line, wave, skip, out, way):  # type: ignore[no-untyped-def]
    """Share of the power that is left by buildings whose corners stand beside the line, within its Fresnel zone.

    Each takes what a knife edge at its nearest corner does, but for what passes over it: so no loss jumps as the
    line moves off a corner.
    """
    share = 1.0
    ux, uy = line.dx / line.plan_m, line.dy / line.plan_m
    for i in range(way.met.filled[0]):
        p = way.met.beside[i]
        if p == skip:
            continue
        for side in range(2):
            sign = 1.0 if side == 0 else -1.0
            nearest, at = -np.inf, 0.0
            for e in range(s.edge_first[p], s.edge_first[p + 1]):
                x, y = s.edge[e, 0] - line.ax, s.edge[e, 1] - line.ay
                along, off = x * ux + y * uy, sign * (x * -uy + y * ux)
                # a corner on the line itself is at its left
                if off < 0.0 or (side == 1 and off == 0.0) or along < NEAR_M or along > line.plan_m - NEAR_M:
                    continue
                v = -off * np.sqrt(2.0 / wave * (1.0 / along + 1.0 / (line.plan_m - along)))
                if v > nearest:
                    nearest, at = v, along / line.plan_m
            if nearest <= TOUCHES_V or s.base[p] > line.az + at * line.dz:
                continue
            round_it = (1.0 + _beyond(nearest)) ** -2.0
            over_it = (1.0 + _beyond(_alone(line, at, _over(line, at, s.top[p]), wave))) ** -2.0
            share *= round_it + (1.0 - round_it) * over_it
            out.edges += 1
    return share


@inner
def _round_at_most(s, line, wave, sign, p):  # type: ignore[no-untyped-def]
    """The most power that can get round building p on one side: past its farthest corner alone."""
    ux, uy = line.dx / line.plan_m, line.dy / line.plan_m
    most = 1.0
    for e in range(s.edge_first[p], s.edge_first[p + 1]):
        x, y = s.edge[e, 0] - line.ax, s.edge[e, 1] - line.ay
        along, off = x * ux + y * uy, sign * (x * -uy + y * ux)
        if off > ASIDE_M:
            if along < NEAR_M or along > line.plan_m - NEAR_M:
                return 0.0
            v = off * np.sqrt(2.0 / wave * (1.0 / along + 1.0 / (line.plan_m - along)))
            most = min(most, (1.0 + _beyond(v)) ** -2.0)
    return most


@inner
def _round(s, direct, wave, sign, skip, way, k, count, most):  # type: ignore[no-untyped-def]
    """Loss, as an amplitude, round the first k buildings in `gone` by the left (sign 1) or the right; inf where
    that leads backwards.

    Their corners on that side are a string of edges lying flat. A building between the line and the way round, or
    in that, joins it, but for those of the `count` in the line itself that the way passes over.
    """
    plan, some = direct.plan_m, way.blocks.some
    ux, uy = direct.dx / plan, direct.dy / plan
    for i in range(k):
        some[i] = way.blocks.row[way.blocks.gone[i]]
    n, before = k, 0
    while n > before:
        if n > MOST_JOINED or not _wrapped(s, direct, sign, some, n, way.tight):
            return np.inf
        before = n
        n = _joined(s, direct, sign, skip, way, n, count)
    way.corners.filled[0] = 0
    for i in range(n):
        for e in range(s.edge_first[some[i]], s.edge_first[some[i] + 1]):
            x, y = s.edge[e, 0] - direct.ax, s.edge[e, 1] - direct.ay
            off = sign * (x * -uy + y * ux)
            if off > ASIDE_M:
                _add(way.corners, x * ux + y * uy, off, NOBODY, 1.0)
    return _string(way.corners, way.table, way.blocks, 0, plan, wave, most)


@inner
def _wrapped(s, direct, sign, some, n, tight):  # type: ignore[no-untyped-def]
    """The string drawn tight round the corners of n buildings on one side; False where it would lead backwards."""
    plan = direct.plan_m
    ux, uy = direct.dx / plan, direct.dy / plan
    tight.filled[0] = 0
    along, off = 0.0, 0.0
    while True:
        best, best_along, best_off = -off / (plan - along), plan, 0.0
        for i in range(n):
            for e in range(s.edge_first[some[i]], s.edge_first[some[i] + 1]):
                x, y = s.edge[e, 0] - direct.ax, s.edge[e, 1] - direct.ay
                to_along, to_off = x * ux + y * uy, sign * (x * -uy + y * ux)
                if to_off <= ASIDE_M:
                    continue
                if to_along < NEAR_M or to_along > plan - NEAR_M:
                    return False
                if to_along > along + 1e-9:
                    slope = (to_off - off) / (to_along - along)
                    if slope > best + 1e-12 or (slope > best - 1e-12 and to_along > best_along):
                        best, best_along, best_off = slope, to_along, to_off
        if best_along >= plan:
            return True
        c = tight.filled[0]
        tight.at[c], tight.up[c] = best_along, best_off
        tight.filled[0] = c + 1
        along, off = best_along, best_off


@inner
def _joined(s, direct, sign, skip, way, n, count):  # type: ignore[no-untyped-def]
    """Add the buildings between the line and the string drawn tight to the n on the way; returns how many then.

    Height: of the straight line at the same distance. The building that holds the line's end never joins.
    """
    nx, ny, cell, tight = s.grid_shape[0], s.grid_shape[1], s.grid[2], way.tight
    plan, corners = direct.plan_m, way.tight.filled[0]
    ux, uy = direct.dx / plan, direct.dy / plan
    low, high = min(direct.az, direct.az + direct.dz), max(direct.az, direct.az + direct.dz)
    wide, y_low, y_high = 0.0, min(direct.ay, direct.ay + direct.dy), max(direct.ay, direct.ay + direct.dy)
    for c in range(corners):
        wide = max(wide, tight.up[c])
        y = direct.ay + tight.at[c] * uy + sign * tight.up[c] * ux
        y_low, y_high = min(y_low, y), max(y_high, y)
    way.mark[0] += 1
    r0 = min(max(int(np.floor((y_low - s.grid[1]) / cell)), 0), ny - 1)
    r1 = min(max(int(np.floor((y_high - s.grid[1]) / cell)), 0), ny - 1)
    for r in range(r0, r1 + 1):
        c0, c1 = _columns(s, direct, sign, tight, r)
        for m in range(s.cell_first[r * nx + c0], s.cell_first[r * nx + c1 + 1]):
            p = s.cell_item[m]
            if p >= s.n_buildings or way.seen[p] == way.mark[0]:
                continue
            way.seen[p] = way.mark[0]
            if p == skip or s.top[p] <= low or s.base[p] >= high:
                continue
            off = sign * ((s.box[p, 1] - direct.ay) * ux - (s.box[p, 0] - direct.ax) * uy)
            half = abs(ux) * s.box[p, 3] + abs(uy) * s.box[p, 2]
            if off + half <= ASIDE_M or off - half > wide + ASIDE_M:
                continue
            known = False
            for j in range(n):
                known = known or way.blocks.some[j] == p
            for j in range(count):
                known = known or way.blocks.row[j] == p
            if not known and _stands_between(s, direct, sign, tight, p):
                way.blocks.some[n] = p
                n += 1
    return n


@inner
def _columns(s, direct, sign, tight, r):  # type: ignore[no-untyped-def]
    """First and last column of the grid's row r between the line and the string drawn tight beside it."""
    ux, uy = direct.dx / direct.plan_m, direct.dy / direct.plan_m
    y0 = s.grid[1] + r * s.grid[2]
    y1 = y0 + s.grid[2]
    low, high = np.inf, -np.inf
    x, y = direct.ax, direct.ay
    for c in range(tight.filled[0] + 2):
        if c < tight.filled[0]:
            along, off = tight.at[c], sign * tight.up[c]
        else:  # to the far end, and back
            along, off = direct.plan_m if c == tight.filled[0] else 0.0, 0.0
        to_x, to_y = direct.ax + along * ux - off * uy, direct.ay + along * uy + off * ux
        u, v = 0.0, 1.0
        if abs(to_y - y) > 1e-12:
            p, q = (y0 - y) / (to_y - y), (y1 - y) / (to_y - y)
            u, v = max(min(p, q), 0.0), min(max(p, q), 1.0)
        elif y < y0 or y > y1:
            v = -1.0
        if u <= v:
            p, q = x + u * (to_x - x), x + v * (to_x - x)
            low, high = min(low, min(p, q)), max(high, max(p, q))
        x, y = to_x, to_y
    nx = s.grid_shape[0]
    if low > high:  # only in the rows beside the grid, whose lines lie outside
        return 0, -1
    c0 = min(max(int(np.floor((low - s.grid[0]) / s.grid[2])), 0), nx - 1)
    return c0, min(max(int(np.floor((high - s.grid[0]) / s.grid[2])), 0), nx - 1)


@inner
def _stands_between(s, direct, sign, tight, p):  # type: ignore[no-untyped-def]
    """Whether a wall of building p stands between the line and the string drawn tight, or touches the string, at
    the line's height.
    """
    plan = direct.plan_m
    ux, uy = direct.dx / plan, direct.dy / plan
    for e in range(s.edge_first[p], s.edge_first[p + 1]):
        x0, y0 = s.edge[e, 0] - direct.ax, s.edge[e, 1] - direct.ay
        x1, y1 = s.edge[e, 2] - direct.ax, s.edge[e, 3] - direct.ay
        a0, o0 = x0 * ux + y0 * uy, sign * (x0 * -uy + y0 * ux)
        a1, o1 = x1 * ux + y1 * uy, sign * (x1 * -uy + y1 * ux)
        u, v = _clipped(o0 - ASIDE_M, o1 - ASIDE_M, 0.0, 1.0)
        along, off = 0.0, 0.0
        for c in range(tight.filled[0] + 1):
            last = c == tight.filled[0]
            to_along, to_off = (plan, 0.0) if last else (tight.at[c], tight.up[c])
            slope = (to_off - off) / (to_along - along)
            u, v = _clipped(
                off + slope * (a0 - along) - o0 + ASIDE_M, off + slope * (a1 - along) - o1 + ASIDE_M, u, v
            )
            if u >= v:
                break
            along, off = to_along, to_off
        if u < v:
            z0 = direct.az + direct.dz * (a0 + u * (a1 - a0)) / plan
            z1 = direct.az + direct.dz * (a0 + v * (a1 - a0)) / plan
            if s.top[p] > min(z0, z1) and s.base[p] < max(z0, z1):
                return True
    return False


@inner
def _clipped(f0, f1, u, v):  # type: ignore[no-untyped-def]
    """The part of [u, v] where a value that goes evenly from f0 at 0 to f1 at 1 is above 0."""
    if f0 <= 0.0 and f1 <= 0.0:
        return 1.0, 0.0
    if f0 < 0.0:
        return max(u, f0 / (f0 - f1)), v
    if f1 < 0.0:
        return u, min(v, f0 / (f0 - f1))
    return u, v
