"""Openness to rain, and the places that shut a sensor out.

What stands around a mount is cut into 36 sectors of 10 degrees, the first centred on north. Within a sector the
steepest point of a wall is found in closed form::

        a-------f-----b     1/t = cos(azimuth - azimuth of f) / (distance of f)
         \\     |    /
          \\    |   /        f: foot of the perpendicular from the mount o on the wall's line;
           \\   |  /         so the steepest point in a sector is the one nearest to f
            \\  | /
              \\o/

Plain loops over mounts and edges, compiled; what is lower than LEAST_DEG is left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import shapely

from planner.compiled import inner, kernel
from planner.ground import SiteGround, overhead, site_ground
from planner.records import compared
from planner.site import (
    Bools,
    Floats,
    Ints,
    KeepOut,
    Prisms,
    Site,
    prisms,
)

# WMO-No. 8, siting classification for precipitation: an obstacle's distance is at least 4, 2, 1 and 0.5 times
# its height above the gauge for classes 1 to 4. The ratios are from memory; the angles 14, 26.6 and 45 degrees
# are confirmed by an open implementation of the classification.
WMO_DISTANCE_PER_HEIGHT = (4.0, 2.0, 1.0, 0.5)
LEAST_DEG = 0.5  # an obstacle 115 times as far as it is high takes no rain
SECTORS = 36
SECTOR_DEG = 360.0 / SECTORS
DRIP_REACH_M = 5.0  # eaves farther than this are not looked for
# Radii of the circles and rings in which WMO-No. 8 counts heat sources and reflecting surfaces for temperature.
HEAT_RADII_M = (3.0, 5.0, 10.0, 30.0, 100.0)
WINDWARD_HALF_DEG = 45.0  # either side of the wind: common practice, no source
GROUND_REACH_M = 300.0  # hills farther off take sun, but no rain
TOUCH_M = 1e-6  # closer than this to a footprint's edge is on it
EDGE_LOOKS = 10  # looks a sector, to tell which lead inside a footprint from its edge


@compared
@dataclass(frozen=True)
class RainResult:
    """One row a mount (n).

    covered: (n,) something hangs over it; cover_name: what. steepest_deg: (n,) elevation of the steepest obstacle
    (buildings, crowns and the ground near by; what is lower than LEAST_DEG is 0),
    steepest_azimuth_deg: (n,) where it stands, steepest_name: what it is; under a cover 90, NaN and the cover.
    wmo_class: (n,) 1 to 5, WMO-No. 8 precipitation, by obstacles only.
    sector_deg, sector_class: (n, 36) the same by sectors of 10 degrees, the first centred on north; all 90 and 5
    under a cover. sector_obstacle: (n, 36) row of `obstacles`, -1 where none.
    drip_m: (n,) distance to the nearest eave that is higher than the mount (inf where none is within
    DRIP_REACH_M); drip_name: whose it is. wall_m: (n,) distance to the nearest building wall that rises above the
    mount and may reflect sun or give off heat (inf where none does); wall_name: whose it is. heat_share: (n, 5)
    share of the circles of HEAT_RADII_M that buildings and heat keep-outs cover on plan.
    spray_m, heat_m, no_access_m: (n,) distance to the nearest such keep-out (0 inside, inf where there is none);
    *_name: (n,) what that is.
    """

    covered: Bools
    steepest_deg: Floats
    steepest_azimuth_deg: Floats
    steepest_name: tuple[str, ...]
    wmo_class: Ints
    spray_m: Floats
    heat_m: Floats
    no_access_m: Floats
    spray_name: tuple[str, ...]
    heat_name: tuple[str, ...]
    no_access_name: tuple[str, ...]
    cover_name: tuple[str, ...]
    sector_deg: Floats
    sector_class: Ints
    sector_obstacle: Ints
    obstacles: tuple[str, ...]
    drip_m: Floats
    drip_name: tuple[str, ...]
    wall_m: Floats
    wall_name: tuple[str, ...]
    heat_share: Floats


def rain_and_surroundings(site: Site, xyz: Floats, ground: SiteGround | None = None) -> RainResult:
    """Cover, obstacles by sector, their WMO class, drip, heat and distances to keep-outs.

    Exact for prisms and ellipsoid crowns, whatever the azimuth. A canopy raster, and a surface model that stands
    in for footprints and crowns as it does for the sun, are looked at every half degree, as the sun's shade is
    (`planner.ground.SiteGround`); a footprint's roof still covers what is under it, and its walls still reflect.

    Parameters
    ----------
    site
        In its local frame.
    xyz
        (n, 3) mounts, metres.
    ground
        The site's rasters (`planner.ground.site_ground`), where they are at hand.

    Returns
    -------
    RainResult
        One row a mount.
    """
    xyz = np.ascontiguousarray(xyz, float).reshape(-1, 3)
    n = len(xyz)
    seen = _Sectors(np.zeros((n, SECTORS)), np.full((n, SECTORS), -1, np.int64), np.full((n, SECTORS), np.nan))
    cover, wall = np.full((2, n), -1, np.int64)
    wall_m = np.full(n, np.inf)
    _add_prisms(xyz, _walls(site.buildings), 0, seen, cover, wall_m, wall)
    first = len(site.buildings)
    if site.surface is not None:  # how high all stands is the surface model's to say
        seen.tangent[:], seen.obstacle[:], seen.bearing[:] = 0.0, -1, np.nan
    else:
        hedge_m, hedge = np.full(n, np.inf), wall.copy()  # leaves are no walls
        _add_prisms(xyz, _walls(site.crown_prisms), first, seen, cover, hedge_m, hedge)
        crowns = _Ellipsoids(site.crowns.centre, site.crowns.radius_m, site.crowns.half_height_m)
        _add_crowns(xyz, crowns, first + len(site.crown_prisms), seen, cover)
    solids = (*site.buildings.names, *site.crown_prisms.names, *site.crowns.names)
    obstacles = (*solids, "the ground", "the surface model", "tree canopy")
    _add_rasters(ground or site_ground(site), xyz, len(solids), seen, cover)
    covered, worst, rows = cover >= 0, seen.tangent.argmax(axis=1), np.arange(n)
    steepest = np.where(covered, np.inf, seen.tangent[rows, worst])
    under = np.where(covered[:, None], np.inf, seen.tangent)

    def named(obstacle: Ints) -> tuple[str, ...]:
        return tuple(obstacles[k] if k >= 0 else "" for k in obstacle)

    points = shapely.points(xyz[:, :2])
    drip_m, drip_name = _drip(site, xyz, points)
    nearest = {kind: _keep_out(site, points, kind) for kind in KeepOut}
    return RainResult(
        covered,
        np.degrees(np.arctan(steepest)),
        np.where(covered, np.nan, seen.bearing[rows, worst]),
        named(np.where(covered, cover, seen.obstacle[rows, worst])),
        rain_class(steepest),
        nearest[KeepOut.SPRAY][0],
        nearest[KeepOut.HEAT][0],
        nearest[KeepOut.NO_ACCESS][0],
        nearest[KeepOut.SPRAY][1],
        nearest[KeepOut.HEAT][1],
        nearest[KeepOut.NO_ACCESS][1],
        named(cover),
        np.degrees(np.arctan(under)),
        rain_class(under),
        seen.obstacle,
        obstacles,
        drip_m,
        drip_name,
        wall_m,
        named(wall),
        _heat_share(site, xyz),
    )


def rain_class(tangent: Floats) -> Ints:
    """WMO-No. 8 precipitation class 1 to 5 from the tangent of the steepest obstacle's elevation, any shape."""
    # a hair of slack keeps an obstacle exactly at a limit in the better class
    limits = np.array([1 / ratio for ratio in WMO_DISTANCE_PER_HEIGHT]) * (1 + 1e-9)
    return np.asarray(1 + np.searchsorted(limits, tangent, side="left"), np.int64)


def windward(rain: RainResult, from_deg: float) -> tuple[Floats, Ints]:
    """The steepest obstacle on the side that wind-driven rain comes from.

    Parameters
    ----------
    rain
        Of n mounts.
    from_deg
        Clockwise from north. Sectors whose middle lies within WINDWARD_HALF_DEG of it count: 45 degrees to either
        side, give or take half a sector.

    Returns
    -------
    steepest_deg : ndarray, shape (n,)
    sector : ndarray of int, shape (n,)
    """
    off = (np.arange(SECTORS) * SECTOR_DEG - from_deg + 180.0) % 360.0 - 180.0
    side = np.flatnonzero(np.abs(off) <= WINDWARD_HALF_DEG)
    worst = side[rain.sector_deg[:, side].argmax(axis=1)]
    return rain.sector_deg[np.arange(len(worst)), worst], worst


# --- obstacles by sector ----------------------------------------------------------------------------------------


class _Walls(NamedTuple):
    """Prisms for the compiled loops: edges, where each prism's begin (n + 1,), bounding boxes (n, 4), tops."""

    start: Floats
    end: Floats
    first: Ints
    boxes: Floats
    top: Floats


class _Ellipsoids(NamedTuple):
    centre: Floats
    radius: Floats
    half_height: Floats


class _Sectors(NamedTuple):
    """(n, 36) each: tangent of the steepest obstacle so far, its row, and where it stands, degrees."""

    tangent: Floats
    obstacle: Ints
    bearing: Floats


def _walls(solids: Prisms) -> _Walls:
    first = np.searchsorted(solids.edge_prism, np.arange(len(solids) + 1)).astype(np.int64)
    boxes = shapely.bounds(np.array(solids.shapes, object)).reshape(-1, 4)
    return _Walls(
        np.ascontiguousarray(solids.edge_start), np.ascontiguousarray(solids.edge_end), first, boxes, solids.top_m
    )


@inner
def _box_distance(x: float, y: float, box: Floats) -> float:
    return math.hypot(max(box[0] - x, 0.0, x - box[2]), max(box[1] - y, 0.0, y - box[3]))


@inner
def _inside(x: float, y: float, walls: _Walls, p: int) -> bool:
    """Even-odd rule over all rings of a footprint."""
    start, end = walls.start, walls.end
    odd = False
    for e in range(walls.first[p], walls.first[p + 1]):
        ax, ay, bx, by = start[e, 0] - x, start[e, 1] - y, end[e, 0] - x, end[e, 1] - y
        ex, ey = bx - ax, by - ay
        if (ay > 0.0) != (by > 0.0) and ax - ay * ex / ey > 0.0:
            odd = not odd
    return odd


@inner
def _on_edge(x: float, y: float, walls: _Walls, p: int) -> bool:
    start, end = walls.start, walls.end
    for e in range(walls.first[p], walls.first[p + 1]):
        ax, ay = start[e, 0] - x, start[e, 1] - y
        ex, ey = end[e, 0] - start[e, 0], end[e, 1] - start[e, 1]
        length2 = ex * ex + ey * ey
        if length2 > 0.0:
            t = min(1.0, max(0.0, -(ax * ex + ay * ey) / length2))
            if math.hypot(ax + t * ex, ay + t * ey) <= TOUCH_M:
                return True
    return False


@inner
def _take(k: int, tangent: float, azimuth: float, row: int, sector: int, seen: _Sectors) -> None:
    s = sector % SECTORS
    if tangent > seen.tangent[k, s]:
        seen.tangent[k, s] = tangent
        seen.obstacle[k, s] = row
        seen.bearing[k, s] = azimuth % 360.0


@kernel
def _add_prisms(
    xyz: Floats, walls: _Walls, offset: int, seen: _Sectors, cover: Ints, nearest_m: Floats, nearest: Ints
) -> None:
    """Raise (n, 36) sectors to the steepest points of prisms; note in (n,) `cover` what hangs over a mount, and in
    `nearest_m` and `nearest` the closest of those that rise above it."""
    least = math.tan(math.radians(LEAST_DEG))
    start, end, first = walls.start, walls.end, walls.first
    for k in range(len(xyz)):
        x, y, z = xyz[k]
        for p in range(len(walls.top)):
            rise = walls.top[p] - z
            if rise <= 0.0:
                continue
            away = _box_distance(x, y, walls.boxes[p])
            if rise < away * least:
                continue
            if away <= TOUCH_M:
                if _on_edge(x, y, walls, p):
                    # fixed to this wall: it closes what leads inside, and hangs over nothing
                    for i in range(SECTORS * EDGE_LOOKS):
                        azimuth = (i + 0.5) * SECTOR_DEG / EDGE_LOOKS
                        a = math.radians(azimuth)
                        ahead_x, ahead_y = x + 10.0 * TOUCH_M * math.sin(a), y + 10.0 * TOUCH_M * math.cos(a)
                        if _inside(ahead_x, ahead_y, walls, p):
                            s = math.floor(azimuth / SECTOR_DEG + 0.5)
                            _take(k, math.inf, azimuth, offset + p, s, seen)
                elif _inside(x, y, walls, p):
                    cover[k] = offset + p
                    continue
            for e in range(first[p], first[p + 1]):
                ax, ay, bx, by = start[e, 0] - x, start[e, 1] - y, end[e, 0] - x, end[e, 1] - y
                ex, ey = bx - ax, by - ay
                cross = ax * ey - ay * ex
                length = math.hypot(ex, ey)
                if length > 0.0:
                    t = min(1.0, max(0.0, -(ax * ex + ay * ey) / length**2))
                    off = math.hypot(ax + t * ex, ay + t * ey)
                    if off < nearest_m[k]:
                        nearest_m[k], nearest[k] = off, offset + p
                if abs(cross) <= TOUCH_M * length:
                    continue  # seen end-on: its neighbours tell
                foot = math.degrees(math.atan2(cross * ey, -cross * ex))
                low, turn = math.degrees(math.atan2(ax, ay)), math.degrees(math.atan2(bx, by))
                turn = (turn - low) % 360.0
                if turn > 180.0:
                    low, turn = low + turn, 360.0 - turn
                high = low + turn
                foot = low + ((foot - low + 180.0) % 360.0 - 180.0)
                for s in range(math.floor(low / SECTOR_DEG + 0.5), math.floor(high / SECTOR_DEG + 0.5) + 1):
                    azimuth = min(max(foot, low, (s - 0.5) * SECTOR_DEG), high, (s + 0.5) * SECTOR_DEG)
                    value = rise * length / abs(cross) * math.cos(math.radians(azimuth - foot))
                    if value >= least:
                        _take(k, value, azimuth, offset + p, s, seen)


@kernel
def _add_crowns(xyz: Floats, crowns: _Ellipsoids, offset: int, seen: _Sectors, cover: Ints) -> None:
    """The same for ellipsoids: in a sector the upper tangent nearest to the crown's middle is the steepest."""
    least = math.tan(math.radians(LEAST_DEG))
    for k in range(len(xyz)):
        for c in range(len(crowns.radius)):
            centre = crowns.centre[c]
            east, north, dz = centre[0] - xyz[k, 0], centre[1] - xyz[k, 1], centre[2] - xyz[k, 2]
            r, h = crowns.radius[c], crowns.half_height[c]
            away = math.hypot(east, north)
            if away <= r:
                if dz + h * math.sqrt(1.0 - (away / r) ** 2) > 0.0:
                    cover[k] = offset + c
                continue
            if dz + h < (away - r) * least:
                continue
            middle = math.degrees(math.atan2(east, north))
            half = math.degrees(math.asin(r / away))
            for s in range(
                math.floor((middle - half) / SECTOR_DEG + 0.5),
                math.floor((middle + half) / SECTOR_DEG + 0.5) + 1,
            ):
                azimuth = min(
                    max(middle, middle - half, (s - 0.5) * SECTOR_DEG), middle + half, (s + 0.5) * SECTOR_DEG
                )
                delta = math.radians(azimuth - middle)
                d = away * math.cos(delta)
                s2 = max(0.0, 1.0 - (away * math.sin(delta) / r) ** 2)
                lead = d * d - r * r * s2
                root = math.sqrt(max(0.0, (d * dz) ** 2 - lead * (dz * dz - h * h * s2)))
                value = (d * dz + root) / lead
                if value >= least:
                    _take(k, value, azimuth, offset + c, s, seen)


def _add_rasters(ground: SiteGround, xyz: Floats, first: int, seen: _Sectors, cover: Ints) -> None:
    """The same for the ground (obstacle `first`), a surface model that shades, and a canopy raster (next two)."""
    azimuth = np.arange(0.0, 360.0, 0.5)
    sector = np.round(azimuth / SECTOR_DEG).astype(np.int64) % SECTORS
    # of the surface model what stands on the ground: the ground counts by itself
    rasters = ground.bare(xyz, azimuth, GROUND_REACH_M), ground.standing(xyz, azimuth), ground.veil(xyz, azimuth)
    for row, edge in enumerate(rasters, start=first):
        if edge is None or not len(xyz):
            continue
        for s in range(SECTORS):
            mine = np.flatnonzero(sector == s)
            best = mine[edge.tangent[:, mine].argmax(axis=1)]
            value = edge.tangent[np.arange(len(xyz)), best]
            higher = (value > seen.tangent[:, s]) & (value >= math.tan(math.radians(LEAST_DEG)))
            seen.tangent[higher, s], seen.obstacle[higher, s] = value[higher], row
            seen.bearing[higher, s] = azimuth[best[higher]]
    for row, reliefs in ((first + 1, ground.standing_surface), (first + 2, ground.canopy)):
        cover[(cover < 0) & overhead(reliefs, xyz)] = row


# --- drip, heat, keep-outs --------------------------------------------------------------------------------------


def _drip(site: Site, xyz: Floats, points: Floats) -> tuple[Floats, tuple[str, ...]]:
    """Distance to the nearest eave above each mount, and whose it is.

    Pitched roofs drain over their edges; flat ones behind their parapets. Which edges of a pitched roof are eaves
    and which are gables is not known: all count.
    """
    pitched = np.flatnonzero(site.pitched)
    away, owner = np.full(len(xyz), np.inf), np.full(len(xyz), -1, np.int64)
    rims = shapely.boundary(np.array([site.buildings.shapes[k] for k in pitched], object))
    mount, rim = shapely.STRtree(rims).query(points, predicate="dwithin", distance=DRIP_REACH_M)
    above = site.buildings.top_m[pitched[rim]] > xyz[mount, 2]
    mount, rim = mount[above], rim[above]
    distance = shapely.distance(points[mount], rims[rim])
    by = np.argsort(-distance, kind="stable")  # the nearest is written last
    away[mount[by]], owner[mount[by]] = distance[by], pitched[rim[by]]
    return away, tuple(site.buildings.names[k] if k >= 0 else "" for k in owner)


def _heat_share(site: Site, xyz: Floats) -> Floats:
    """(n, 5) share of circles around mounts that buildings and heat keep-outs cover, exact on plan."""
    hot = [s for s, kind in zip(site.keep_outs.shapes, site.keep_outs.kinds, strict=True) if kind is KeepOut.HEAT]
    every = np.array([*site.buildings.shapes, *hot], object)
    _, near = shapely.STRtree(every).query(shapely.points(xyz[:, :2]), "dwithin", distance=HEAT_RADII_M[-1])
    parts = shapely.get_parts(shapely.union_all(every[np.unique(near)]))
    flat = [p for p in parts if p.geom_type == "Polygon"]
    walls, radii = _walls(prisms(flat, np.zeros(len(flat)), np.zeros(len(flat)))), np.array(HEAT_RADII_M)
    return np.asarray(_covered_area(xyz, walls, radii) / (np.pi * radii**2))


@inner
def _wedge(ax: float, ay: float, bx: float, by: float) -> float:
    return math.atan2(ax * by - ay * bx, ax * bx + ay * by)


@inner
def _circle_by_edge(ax: float, ay: float, bx: float, by: float, r: float) -> float:
    """Signed area that the triangle (centre, a, b) shares with a circle: closed form, Green's theorem."""
    dx, dy = bx - ax, by - ay
    lead, mid, rest = dx * dx + dy * dy, ax * dx + ay * dy, ax * ax + ay * ay - r * r
    inner = mid * mid - lead * rest
    if lead == 0.0:
        return 0.0
    if inner <= 0.0:
        return 0.5 * r * r * _wedge(ax, ay, bx, by)
    root = math.sqrt(inner)
    t1, t2 = (-mid - root) / lead, (-mid + root) / lead
    if t2 <= 0.0 or t1 >= 1.0:
        return 0.5 * r * r * _wedge(ax, ay, bx, by)
    t1, t2 = max(t1, 0.0), min(t2, 1.0)
    px, py, qx, qy = ax + t1 * dx, ay + t1 * dy, ax + t2 * dx, ay + t2 * dy
    # where an end lies inside, its wedge is none
    return 0.5 * (px * qy - py * qx + r * r * (_wedge(ax, ay, px, py) + _wedge(qx, qy, bx, by)))


@kernel
def _covered_area(xyz: Floats, walls: _Walls, radii: Floats) -> Floats:
    """(n, r) area of disjoint polygons inside circles around mounts."""
    start, end, first = walls.start, walls.end, walls.first
    out = np.zeros((len(xyz), len(radii)))
    for k in range(len(xyz)):
        x, y = xyz[k, 0], xyz[k, 1]
        for p in range(len(walls.boxes)):
            away = _box_distance(x, y, walls.boxes[p])
            for j in range(len(radii)):
                if away < radii[j]:
                    area = 0.0
                    for e in range(first[p], first[p + 1]):
                        area += _circle_by_edge(
                            start[e, 0] - x, start[e, 1] - y, end[e, 0] - x, end[e, 1] - y, radii[j]
                        )
                    out[k, j] += area
    return out


def _keep_out(site: Site, points: Floats, kind: KeepOut) -> tuple[Floats, tuple[str, ...]]:
    """Distance to the nearest keep-out of a kind, and its name."""
    mine = [k for k, found in enumerate(site.keep_outs.kinds) if found == kind]
    if not mine:
        return np.full(len(points), np.inf), ("",) * len(points)
    away = np.array([shapely.distance(site.keep_outs.shapes[k], points) for k in mine])
    which = away.argmin(axis=0)
    return away.min(axis=0), tuple(site.keep_outs.names[mine[k]] for k in which)
