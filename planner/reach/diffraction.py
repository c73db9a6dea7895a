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
WALL = 0.88  # of w = v - 0.1, below which an edge takes nothing (P.526)
RADIO_EARTH_M = 8.5e6  # radius of the earth as a radio sees it, 4/3 of the real one (ITU-R P.526, P.452)
BENEATH, UNDER_IT, IN_IT = 0, 1, 2  # a building's piece: of no account, under the line, the line goes through it
ALL, BESIDES, GROUND = 0, 1, 2  # strings of edges: everything, all but the buildings in the way, the ground alone


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


# one row a line, as the compiled loops write it
ROW = np.dtype(
    [(name, np.int64 if kind == "Ints" else np.float64) for name, kind in Obstruction.__annotations__.items()]
)


class Way(NamedTuple):
    """Room for the reduction of one line: what it meets, what a way round meets, and the buildings in the way.

    v: (3, 2) by string of edges, the two highest; rise_a, rise_b: (3,) steepest slope from either end up to an
    edge, over the line. blocks: rows of the buildings in the way.
    """

    met: Met
    aside: Met
    v: Floats
    rise_a: Floats
    rise_b: Floats
    blocks: Ints


def diffract(s: Scene, a: Floats, b: Floats, wavelength_m: float, inside: Ints | None = None) -> Obstruction:
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

    Returns
    -------
    Obstruction
        One row a line.
    """
    a, b = (np.ascontiguousarray(p, float).reshape(-1, 3) for p in (a, b))
    skip = np.full(len(a), -1, np.int64) if inside is None else np.ascontiguousarray(inside, np.int64)
    if s.n_buildings == 0:
        skip = np.full(len(a), -1, np.int64)
    found = np.zeros(len(a), ROW)
    _reduce(s, a, b, float(wavelength_m), skip, found, chunks(len(a)))
    return Obstruction(**{name: np.ascontiguousarray(found[name]) for name in ROW.names or ()})


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
def _reduce(s, a, b, wave, skip, found, runs):  # type: ignore[no-untyped-def]
    for c in prange(len(runs) - 1):
        way = Way(
            room(s), room(s), np.empty((3, 2)), np.empty(3), np.empty(3), np.empty(s.n_buildings + 1, np.int64)
        )
        for k in range(runs[c], runs[c + 1]):
            this = straight(a[k, 0], a[k, 1], a[k, 2], b[k, 0], b[k, 1], b[k, 2])
            _reduce_one(s, this, wave, skip[k], found[k], way)


@kernel
def _reduce_one(s, line, wave, skip, out, way):  # type: ignore[no-untyped-def]
    if line.plan_m < NEAR_M:
        out.clearance = out.ridge_clearance = np.inf
        return
    way.v[:] = -np.inf
    way.rise_a[:] = 0.0
    way.rise_b[:] = 0.0
    n = pieces(s, line, way.met)
    _leaves(s, line, way.met, n, out)
    blocked = _roofs(s, line, wave, skip, out, way, n)
    _ground_below(s, line, wave, out, way)
    out.clearance, out.ridge_clearance = -way.v[ALL, 0] / np.sqrt(2.0), -way.v[GROUND, 0] / np.sqrt(2.0)
    out.over_db = _string(line, wave, way, ALL)
    out.ridge_db = _string(line, wave, way, GROUND)
    if blocked == 0:
        out.left_db = out.right_db = out.rest_db = out.over_db
        return
    out.rest_db = _string(line, wave, way, BESIDES)
    out.left_db = out.rest_db + _round(s, line, wave, 1.0, skip, way, blocked)
    out.right_db = out.rest_db + _round(s, line, wave, -1.0, skip, way, blocked)


@kernel
def _leaves(s, line, met, n, out):  # type: ignore[no-untyped-def]
    """Metres inside crowns: those that hold neither end, those that hold one, and the evergreen part of each."""
    for i in range(n):
        if met.kind[i] == BUILDING:
            continue
        row = met.row[i]
        ever = s.crown_evergreen[row] if met.kind[i] == CROWN else s.prism_evergreen[row]
        deep = (met.t_out[i] - met.t_in[i]) * line.long_m
        if met.t_in[i] <= 0.0 or met.t_out[i] >= 1.0:
            out.wood_m += deep
            out.wood_evergreen_m += deep if ever else 0.0
        else:
            out.crown_m += deep
            out.crown_evergreen_m += deep if ever else 0.0


@kernel
def _roofs(s, line, wave, skip, out, way, n):  # type: ignore[no-untyped-def]
    """Add the edges of what the line goes over or through to the strings; returns the buildings in the way."""
    near = NEAR_M / line.plan_m
    blocked = 0
    for i in range(n):
        if way.met.kind[i] != BUILDING:
            continue
        p, u, w = way.met.row[i], way.met.t_in[i], way.met.t_out[i]
        stands = standing(s.base[p], s.top[p], u, w, line, p == skip)
        if stands == BENEATH:
            continue
        if stands == IN_IT:
            known = False
            for j in range(blocked):
                known = known or way.blocks[j] == p
            if not known:
                way.blocks[blocked] = p
                blocked += 1
            first, last = between(line.az, line.dz, s.base[p], s.top[p], u, w)
            out.walls += (1 if first > 0.0 else 0) + (1 if last < 1.0 else 0)
        # a thin screen is one edge
        thin = (w - u) * line.plan_m < SHORT_M
        for end in range(1 if thin else 2):
            t = (u + w) / 2.0 if thin else u if end == 0 else w
            if t > near and t < 1.0 - near:
                _point(t, s.top[p], line, wave, way, ALL)
                if stands == UNDER_IT:
                    _point(t, s.top[p], line, wave, way, BESIDES)
    out.crossed = blocked
    return blocked


@kernel
def _ground_below(s, line, wave, out, way):  # type: ignore[no-untyped-def]
    """Add the ground to every string, and find the metres in a canopy raster and over unknown ground."""
    count = steps(s, line.plan_m)
    bare = s.ground.shape[0] == 0
    green = s.veg.shape[0] > 0
    in_veg = unknown = waiting = 0
    last_h = np.nan
    for m in range(1, count):
        t = m / count
        x, y, z = line.ax + t * line.dx, line.ay + t * line.dy, line.az + t * line.dz
        h = 0.0 if bare else ground(s, x, y)
        if h != h:
            waiting += 1
            unknown += 1
        else:
            # what is not known lies as low as the lower of its sides
            low = h if last_h != last_h else min(h, last_h)
            for back in range(waiting):
                for which in range(3):
                    _point((m - 1 - back) / count, low, line, wave, way, which)
            waiting, last_h = 0, h
            if bare or (t * line.plan_m > s.ground_at[3] and (1.0 - t) * line.plan_m > s.ground_at[3]):
                for which in range(3):
                    _point(t, h, line, wave, way, which)
        if green:
            tall = height(s.veg, s.veg_at, x, y)
            if tall > 0.5 and h + VEG_BASE * tall < z < h + tall:
                in_veg += 1
    if last_h == last_h:
        for back in range(waiting):
            for which in range(3):
                _point((count - 1 - back) / count, last_h, line, wave, way, which)
    out.unknown_m = unknown * line.long_m / count
    out.canopy_m = in_veg * line.long_m / count
    out.crown_m += out.canopy_m
    out.crown_evergreen_m += out.canopy_m if s.veg_evergreen else 0.0


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


@kernel
def _point(t, h, line, wave, way, which):  # type: ignore[no-untyped-def]
    """Add an edge of height h at share t to a string; the earth's curve lifts it (P.526)."""
    d1, d2 = t * line.long_m, (1.0 - t) * line.long_m
    over = h + d1 * d2 / (2.0 * RADIO_EARTH_M) - (line.az + t * line.dz)
    this = over * np.sqrt(2.0 / wave * (1.0 / d1 + 1.0 / d2))
    way.v[which, 1] = max(way.v[which, 1], min(way.v[which, 0], this))
    way.v[which, 0] = max(way.v[which, 0], this)
    if over > 0.0:
        way.rise_a[which] = max(way.rise_a[which], over / d1)
        way.rise_b[which] = max(way.rise_b[which], over / d2)


@kernel
def _string(line, wave, way, which):  # type: ignore[no-untyped-def]
    return _string_db(way.v[which, 0], way.v[which, 1], way.rise_a[which], way.rise_b[which], line.long_m, wave)


@kernel
def _round(s, direct, wave, sign, skip, way, blocked):  # type: ignore[no-untyped-def]
    """Loss round the buildings in the way, by the left (sign 1) or the right; inf where that leads backwards.

    Their corners on that side are a string of edges lying flat. A building that the way round meets joins them.
    """
    plan, blocks = direct.plan_m, way.blocks
    ux, uy = direct.dx / plan, direct.dy / plan
    n = blocked
    for _ in range(SIDE_ROUNDS):
        rise_a = rise_b = 0.0
        xa = ya = xb = yb = 0.0
        at_a, at_b = -1, -2
        for i in range(n):
            p = blocks[i]
            for e in range(s.edge_first[p], s.edge_first[p + 1]):
                x, y = s.edge[e, 0] - direct.ax, s.edge[e, 1] - direct.ay
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
            tx, ty = (xa, ya) if leg == 0 else ((xb, yb) if leg == 1 else (direct.dx, direct.dy))
            fz = direct.az + direct.dz * min(max((fx * ux + fy * uy) / plan, 0.0), 1.0)
            tz = direct.az + direct.dz * min(max((tx * ux + ty * uy) / plan, 0.0), 1.0)
            this = straight(direct.ax + fx, direct.ay + fy, fz, direct.ax + tx, direct.ay + ty, tz)
            n = _joined(s, this, way, n, skip if leg == 2 else -1)
        if n == before:
            # one corner is an edge alone, two are a string
            return _string_db(0.0, -np.inf if at_a == at_b else 0.0, rise_a, rise_b, plan, wave)
    return np.inf


@kernel
def _joined(s, leg, way, n, skip):  # type: ignore[no-untyped-def]
    """Add the buildings that a leg of a way round goes through to the n in the way; returns how many there are."""
    found = way.aside
    m = pieces(s, leg, found)
    for i in range(m):
        p = found.row[i]
        if found.kind[i] != BUILDING or (p == skip and found.t_out[i] >= 1.0 - 1e-9):
            continue
        z0, z1 = leg.az + found.t_in[i] * leg.dz, leg.az + found.t_out[i] * leg.dz
        if min(z0, z1) >= s.top[p] or max(z0, z1) <= s.base[p]:
            continue
        known = False
        for j in range(n):
            known = known or way.blocks[j] == p
        if not known:
            way.blocks[n] = p
            n += 1
    return n
