"""What stands in a radio's way in decibels: over everything, round the buildings, through them, in leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from planner.compiled import kernel, prange
from planner.reach.profile import (
    BUILDING,
    CROWN,
    Met,
    between,
    chunks,
    ground,
    height,
    pieces,
    room,
    steps,
    straight,
)
from planner.reach.scene import Scene
from planner.site import Floats, Ints

SHORT_M = 0.6  # a piece this short is one edge; at a line's end the wall that the end hangs on, no obstacle
NEAR_M = 0.05  # an edge nearer to an end than this is at the end
SIDE_ROUNDS = 6  # a way round a building may meet so many more before it is given up
VEG_BASE = 0.25  # crowns of a canopy raster start at a quarter of its height: common practice, no source
TOUCHES_V = -0.78  # an edge so far under the line takes nothing (P.526 eq. 31)
BESIDE_V = 0.8  # a little over 0.78
EDGE = 10.0**0.345  # 6.9 dB, as an amplitude (P.526 eq. 31)
WHOLE = (
    6.0  # excess of an edge's amplitude over grazing at which it multiplies in full, by `data/fit_diffraction.py`
)
MOST_EDGES = 10  # of one string; the highest are kept
MOST_CORNERS = 16  # of one way round
MOST_ROUND = 2  # the highest buildings in the way, which a way may lead round while it passes over the rest
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
    in the way). past_db: all ways together, by power, with the corners beside the line. way: the one that carries
    most (OVER, LEFT, RIGHT, THROUGH). walled: share of the power that comes through walls.
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
    way: Ints
    walled: Floats
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
    one surface with the highest. count: (1,).
    """

    at: Floats
    up: Floats
    whose: Ints
    grazes: Floats
    count: Ints


class Table(NamedTuple):
    """Room for the costliest chain of edges: those of one string, with its ends, and by (edge before, edge)."""

    at: Floats
    up: Floats
    grazes: Floats
    under: Floats
    total: Floats
    product: Floats


class Blocks(NamedTuple):
    """Room for buildings under or in the line: row, highest edge's v, walls in the line; and some of them.

    order: places in `row`, the highest first. some: rows of those that a way leads round, and what joins them.
    """

    row: Ints
    v: Floats
    walls: Ints
    order: Ints
    some: Ints


class Way(NamedTuple):
    """Room for the reduction of one line: what it meets, what a way round meets, and edges of each.

    tight: corners that a string drawn tight round the buildings touches; corners: all on that side.
    """

    met: Met
    aside: Met
    edges: Edges
    tight: Edges
    corners: Edges
    table: Table
    blocks: Blocks


@kernel
def _edges(most):  # type: ignore[no-untyped-def]
    return Edges(np.empty(most), np.empty(most), np.empty(most, np.int64), np.empty(most), np.zeros(1, np.int64))


@kernel
def _way(s):  # type: ignore[no-untyped-def]
    met = room(s)
    most = max(2 * met.kind.shape[0] + 2**GROUND_LEVELS, MOST_EDGES) + 2
    n = s.n_buildings + 1
    square = (MOST_EDGES + 2, MOST_EDGES + 2)
    return Way(
        met,
        room(s),
        _edges(most),
        _edges(MOST_CORNERS + 1),
        _edges(s.edge.shape[0] + 1),
        Table(
            np.empty(MOST_EDGES + 2),
            np.empty(MOST_EDGES + 2),
            np.empty(MOST_EDGES + 2),
            np.empty(square),
            np.empty(square),
            np.empty(square),
        ),
        Blocks(
            np.empty(n, np.int64), np.empty(n), np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n, np.int64)
        ),
    )


def diffract(
    s: Scene, a: Floats, b: Floats, wavelength_m: float, inside: Ints | None = None, wall_db: float = np.inf
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
    _reduce(s, a, b, float(wavelength_m), skip, float(wall_db), found, chunks(len(a)))
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
    Three edges, evenly spaced, that just touch the line leave a quarter of the field:

    >>> round(edges_db(np.array([40.0, 80.0, 120.0]), np.zeros(3), 160.0, 0.33), 1)
    12.0
    """
    n, square = len(at_m), (MOST_EDGES + 2, MOST_EDGES + 2)
    at, up = np.ascontiguousarray(at_m, float), np.ascontiguousarray(up_m, float)
    edges = Edges(at, up, np.full(n, NOBODY), np.ones(n), np.array([n]))
    rows = (np.empty(MOST_EDGES + 2) for _ in range(3))
    table = Table(*rows, np.empty(square), np.empty(square), np.empty(square))
    nobody = np.empty(0, np.int64)
    blocks = Blocks(nobody, np.empty(0), nobody, nobody, nobody)
    return float(_decibels(_string(edges, table, blocks, 0, float(long_m), float(wavelength_m))))


@kernel(parallel=True)
def _reduce(s, a, b, wave, skip, wall_db, found, runs):  # type: ignore[no-untyped-def]
    for c in prange(len(runs) - 1):
        way = _way(s)
        for k in range(runs[c], runs[c + 1]):
            this = straight(a[k, 0], a[k, 1], a[k, 2], b[k, 0], b[k, 1], b[k, 2])
            _reduce_one(s, this, wave, skip[k], wall_db, found[k], way)


@kernel
def _reduce_one(s, line, wave, skip, wall_db, out, way):  # type: ignore[no-untyped-def]
    if line.plan_m < NEAR_M:
        out.clearance = out.ridge_clearance = np.inf
        return
    way.edges.count[0] = 0
    n = pieces(s, line, way.met, BESIDE_V * np.sqrt(wave * line.plan_m / 8.0))
    _leaves(s, line, way.met, n, out)
    highest = _ground_below(s, line, wave, out, way)
    out.ridge_clearance = -highest / np.sqrt(2.0)
    out.ridge_db = _decibels(_string(way.edges, way.table, way.blocks, -1, line.long_m, wave))
    count, highest = _roofs(s, line, wave, skip, out, way, n, highest)
    out.clearance = -highest / np.sqrt(2.0)
    out.edges = way.edges.count[0]
    everything = _string(way.edges, way.table, way.blocks, 0, line.long_m, wave)
    out.over_db = out.left_db = out.right_db = out.through_db = out.past_db = _decibels(everything)
    past = _past(s, line, wave, skip, wall_db, out, way, count, everything)
    past *= _beside(s, line, wave, skip, out, way)
    out.past_db = -10.0 * np.log10(max(past, 1e-30))


@kernel
def _past(s, line, wave, skip, wall_db, out, way, count, everything):  # type: ignore[no-untyped-def]
    """Share of the power that gets past what the line meets, by all ways.

    With r the share that gets round (or through) the highest k buildings: r of what passes over the rest, and
    (1 - r) of what passes over everything. It lies between the two, and no building more can raise it. The k that
    lets most past is taken.
    """
    over = everything**-2.0
    if count == 0 or out.over_db < 0.05:
        return over
    out.left_db = out.right_db = out.through_db = np.inf
    most = over
    for k in range(1, min(count, MOST_ROUND) + 1):
        walls = blocked = 0
        for i in range(k):
            walls += way.blocks.walls[way.blocks.order[i]]
            blocked += 1 if way.blocks.walls[way.blocks.order[i]] else 0
        left = _round(s, line, wave, 1.0, skip, way, k) ** -2.0
        right = _round(s, line, wave, -1.0, skip, way, k) ** -2.0
        # a building that the line does not enter has no way through
        through = 10.0 ** (-0.1 * walls * wall_db) if blocked == k else 0.0
        rest = _string(way.edges, way.table, way.blocks, k, line.long_m, wave) ** -2.0
        share = min(1.0, left + right + through)
        this = (1.0 - share) * over + share * rest
        if this > most:
            most = this
            most_left, most_right, most_through = left * rest, right * rest, through * rest
            out.left_db, out.right_db, out.through_db = (
                -10.0 * np.log10(most_left),
                -10.0 * np.log10(most_right),
                -10.0 * np.log10(most_through),
            )
            out.walled = most_through / max(over + most_left + most_right + most_through, 1e-30)
            best = max(max(over, most_left), max(most_right, most_through))
            out.way = (
                OVER if best == over else LEFT if best == most_left else RIGHT if best == most_right else THROUGH
            )
    return most


@kernel
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


@kernel
def _beyond(v):  # type: ignore[no-untyped-def]
    """How far an edge's loss, as an amplitude, lies over none: 0 where clear, 1 at grazing (P.526 eq. 31)."""
    w = v - 0.1
    return max(EDGE * (np.sqrt(w * w + 1.0) + w) - 1.0, 0.0) if v > TOUCHES_V else 0.0


@kernel
def _decibels(amplitude):  # type: ignore[no-untyped-def]
    return 20.0 * np.log10(amplitude)


@kernel
def _string(edges, table, blocks, without, long_m, wave):  # type: ignore[no-untyped-def]
    """Loss, as an amplitude of 1 and more, over all edges but those of the highest `without` buildings.

    without: -1 for the ground's alone.
    """
    n = 1
    table.at[0] = table.up[0] = 0.0
    for i in range(edges.count[0]):
        whose = edges.whose[i]
        if whose != NOBODY:
            left_out = without < 0
            for j in range(without):
                left_out = left_out or blocks.order[j] == whose
            if left_out:
                continue
        if n > 1 and edges.at[i] - table.at[n - 1] < SHORT_M / 2.0:  # two so near are one, the higher
            if edges.up[i] <= table.up[n - 1]:
                continue
            n -= 1
        elif n > MOST_EDGES:
            low = 1
            for j in range(2, n):
                low = j if table.up[j] < table.up[low] else low
            if table.up[low] >= edges.up[i]:
                continue
            for j in range(low, n - 1):
                table.at[j], table.up[j], table.grazes[j] = table.at[j + 1], table.up[j + 1], table.grazes[j + 1]
            n -= 1
        table.at[n], table.up[n], table.grazes[n] = edges.at[i], edges.up[i], edges.grazes[i]
        n += 1
    table.at[n], table.up[n] = long_m, 0.0
    if n == 1:
        return 1.0
    if n == 2:
        return 1.0 + _beyond(_v(table.at, table.up, 0, 1, 2, wave))
    one = _chain(table, n, wave)
    # the same from the other end, for the search keeps one chain to each pair of edges
    for i in range((n + 1) // 2):
        j = n - i
        table.at[i], table.at[j] = long_m - table.at[j], long_m - table.at[i]
        table.up[i], table.up[j] = table.up[j], table.up[i]
        table.grazes[i], table.grazes[j] = table.grazes[j], table.grazes[i]
    if n % 2 == 0:
        table.at[n // 2] = long_m - table.at[n // 2]
    return max(one, _chain(table, n, wave))


@kernel
def _v(at, up, before, this, after, wave):  # type: ignore[no-untyped-def]
    """P.526's v of an edge between two others."""
    d1, d2 = at[this] - at[before], at[after] - at[this]
    over = up[this] - (up[before] * d2 + up[after] * d1) / (d1 + d2)
    return over * np.sqrt(2.0 / wave * (1.0 / d1 + 1.0 / d2))


@kernel
def _chain(table, n, wave):  # type: ignore[no-untyped-def]
    """The costliest chain of edges, each over the line between its neighbours, from end 0 to end n.

    Losses of edges deep in the way multiply, each between its neighbours (Epstein and Peterson); those of edges
    that just touch add, so that n of them leave 1 / (n + 1); in between the one passes into the other. Edges under
    the chain take part as they near it. Being the costliest of all chains, it never falls as an edge is added.
    """
    at, up, grazes, under, total, product = table
    for i in range(n + 1):
        for k in range(i + 1, n + 1):
            some = 0.0
            for x in range(i + 1, k):
                some += grazes[x] * min(_beyond(_v(at, up, i, x, k, wave)), 1.0)
            under[i, k] = some
            total[i, k] = -1.0
    best = 1.0 + under[0, n]
    for i in range(1, n):
        total[0, i], product[0, i] = 1.0 + under[0, i], 1.0
    for i in range(1, n):
        for j in range(i):
            if total[j, i] < 0.0:
                continue
            for k in range(i + 1, n + 1):
                v = _v(at, up, j, i, k, wave)
                if v < 0.0:
                    continue
                beyond = max(_beyond(v) - 1.0, 0.0)
                whole = min(beyond / WHOLE, 1.0)
                adds = total[j, i] + (1.0 - whole) * grazes[i] + under[i, k]
                times = product[j, i] * (2.0 + beyond) / (2.0 - whole)
                if k == n:
                    best = max(best, adds * times)
                elif total[i, k] < 0.0 or adds * times > total[i, k] * product[i, k]:
                    total[i, k], product[i, k] = adds, times
    return best


@kernel
def _add(edges, at_m, up_m, whose, grazes):  # type: ignore[no-untyped-def]
    """Put an edge where it belongs by its distance."""
    i = edges.count[0]
    while i > 0 and edges.at[i - 1] > at_m:
        edges.at[i], edges.up[i] = edges.at[i - 1], edges.up[i - 1]
        edges.whose[i], edges.grazes[i] = edges.whose[i - 1], edges.grazes[i - 1]
        i -= 1
    edges.at[i], edges.up[i], edges.whose[i], edges.grazes[i] = at_m, up_m, whose, grazes
    edges.count[0] += 1


# --- over ---------------------------------------------------------------------------------------------------------


@kernel
def _over(line, t, h):  # type: ignore[no-untyped-def]
    """Height over the line of a point at share t of it; the earth's curve lifts it (P.526)."""
    return h + t * (1.0 - t) * line.long_m * line.long_m / (2.0 * RADIO_EARTH_M) - (line.az + t * line.dz)


@kernel
def _alone(line, t, over, wave):  # type: ignore[no-untyped-def]
    """P.526's v of an edge as if it stood alone."""
    return over * np.sqrt(2.0 / (wave * line.long_m * t * (1.0 - t)))


@kernel
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
            first, last = between(line.az, line.dz, s.base[p], s.top[p], u, w)
            blocks.walls[b] += (1 if first > 0.0 else 0) + (1 if last < 1.0 else 0)
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


@kernel
def _ground_below(s, line, wave, out, way):  # type: ignore[no-untyped-def]
    """Add the ground's points, find the metres in a canopy raster and over unknown ground; returns the highest v.

    What is not known lies as low as the lower of its sides.
    """
    count = steps(s, line.plan_m)
    bare = s.ground.shape[0] == 0
    green = s.veg.shape[0] > 0
    over = np.full(count + 1, -np.inf)
    in_veg = unknown = waiting = 0
    last_h = np.nan
    n = sum_t = sum_tt = sum_h = sum_th = 0.0
    for m in range(1, count):
        t = m / count
        x, y, z = line.ax + t * line.dx, line.ay + t * line.dy, line.az + t * line.dz
        h = 0.0 if bare else ground(s, x, y)
        if h != h:
            waiting += 1
            unknown += 1
        else:
            low = h if last_h != last_h else min(h, last_h)
            for back in range(1, waiting + 1):
                over[m - back] = _over(line, (m - back) / count, low)
            waiting, last_h = 0, h
            if bare or (t * line.plan_m > s.ground_at[3] and (1.0 - t) * line.plan_m > s.ground_at[3]):
                over[m] = _over(line, t, h)
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
        at_a, at_b = ground(s, line.ax, line.ay), ground(s, line.ax + line.dx, line.ay + line.dy)
        out.sunk_a_m = at_a - start if at_a == at_a else 0.0
        out.sunk_b_m = at_b - (start + slope) if at_b == at_b else 0.0
    return _ridges(line, over, count, wave, way.edges)


@kernel
def _ridges(line, over, count, wave, edges):  # type: ignore[no-untyped-def]
    """Add the highest point of a profile; where it stands over the line the highest to either side, and so on."""
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
            for m in range(i + 1, k):
                share = (m - i) / (k - i)
                rises = over[m] - (up_i * (1.0 - share) + up_k * share)
                v = rises * np.sqrt(2.0 / (wave * line.long_m * (k - i) / count * share * (1.0 - share)))
                if v > best:
                    best, at = v, m
            if level == 0:
                top = best
            if at < 0 or best <= (TOUCHES_V if level == 0 else 0.0):
                continue
            _add(edges, at * line.long_m / count, over[at], NOBODY, 1.0 if level == 0 else 0.0)
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


@kernel
def _beside(s, line, wave, skip, out, way):  # type: ignore[no-untyped-def]
    """Share of the power that is left by buildings whose corners stand beside the line, within its Fresnel zone.

    Each takes what a knife edge at its nearest corner does, but for what passes over it: so no loss jumps as the
    line moves off a corner.
    """
    share = 1.0
    ux, uy = line.dx / line.plan_m, line.dy / line.plan_m
    for i in range(way.met.count[0]):
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


@kernel
def _round(s, direct, wave, sign, skip, way, k):  # type: ignore[no-untyped-def]
    """Loss, as an amplitude, round the highest k buildings by the left (sign 1) or the right; inf where that leads
    backwards.

    Their corners on that side are a string of edges lying flat. A building that the way round meets joins it.
    """
    plan, some, tight = direct.plan_m, way.blocks.some, way.tight
    ux, uy = direct.dx / plan, direct.dy / plan
    for i in range(k):
        some[i] = way.blocks.row[way.blocks.order[i]]
    n = k
    for _ in range(SIDE_ROUNDS):
        if not _wrapped(s, direct, sign, some, n, tight):
            return np.inf
        before = n
        # the legs of the way, at the heights of the straight line
        along, off = 0.0, 0.0
        for leg in range(tight.count[0] + 1):
            last = leg == tight.count[0]
            to_along, to_off = (plan, 0.0) if last else (tight.at[leg], sign * tight.up[leg])
            this = straight(
                direct.ax + along * ux - off * uy,
                direct.ay + along * uy + off * ux,
                direct.az + direct.dz * along / plan,
                direct.ax + to_along * ux - to_off * uy,
                direct.ay + to_along * uy + to_off * ux,
                direct.az + direct.dz * to_along / plan,
            )
            n = _joined(s, this, way, n, skip if last else -1)
            along, off = to_along, to_off
        if n == before:
            way.corners.count[0] = 0
            for i in range(n):
                for e in range(s.edge_first[some[i]], s.edge_first[some[i] + 1]):
                    x, y = s.edge[e, 0] - direct.ax, s.edge[e, 1] - direct.ay
                    off = sign * (x * -uy + y * ux)
                    if off > 1e-6:
                        _add(way.corners, x * ux + y * uy, off, NOBODY, 1.0)
            return _string(way.corners, way.table, way.blocks, 0, plan, wave)
    return np.inf


@kernel
def _wrapped(s, direct, sign, some, n, tight):  # type: ignore[no-untyped-def]
    """The string drawn tight round the corners of n buildings on one side; False where it would lead backwards."""
    plan = direct.plan_m
    ux, uy = direct.dx / plan, direct.dy / plan
    tight.count[0] = 0
    along, off = 0.0, 0.0
    while True:
        best, best_along, best_off = -off / (plan - along), plan, 0.0
        for i in range(n):
            for e in range(s.edge_first[some[i]], s.edge_first[some[i] + 1]):
                x, y = s.edge[e, 0] - direct.ax, s.edge[e, 1] - direct.ay
                to_along, to_off = x * ux + y * uy, sign * (x * -uy + y * ux)
                if to_off <= 1e-6:
                    continue
                if to_along < NEAR_M or to_along > plan - NEAR_M:
                    return False
                if to_along > along + 1e-9:
                    slope = (to_off - off) / (to_along - along)
                    if slope > best + 1e-12 or (slope > best - 1e-12 and to_along > best_along):
                        best, best_along, best_off = slope, to_along, to_off
        if best_along >= plan:
            return True
        c = tight.count[0]
        if c == 0 or best_along - tight.at[c - 1] >= SHORT_M / 2.0 or c == MOST_CORNERS:
            tight.count[0] = min(c + 1, MOST_CORNERS)
        at = tight.count[0] - 1
        tight.at[at], tight.up[at], tight.whose[at] = best_along, best_off, NOBODY
        along, off = best_along, best_off


@kernel
def _joined(s, leg, way, n, skip):  # type: ignore[no-untyped-def]
    """Add the buildings that a leg of a way round goes through to the n in the way; returns how many there are."""
    found = way.aside
    m = pieces(s, leg, found, 0.0)
    for i in range(m):
        p = found.row[i]
        if found.kind[i] != BUILDING or (p == skip and found.t_out[i] >= 1.0 - 1e-9):
            continue
        z0, z1 = leg.az + found.t_in[i] * leg.dz, leg.az + found.t_out[i] * leg.dz
        if min(z0, z1) >= s.top[p] or max(z0, z1) <= s.base[p]:
            continue
        known = False
        for j in range(n):
            known = known or way.blocks.some[j] == p
        if not known:
            way.blocks.some[n] = p
            n += 1
    return n
