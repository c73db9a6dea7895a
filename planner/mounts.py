"""Candidate mount points: on roof edges, wall tops, poles, open ground, or where the user points.

Nothing here knows the sun or the radio, and nothing is thrown away for a rule's sake: what a requirement shuts out
is kept, so that the map can say why.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import shapely

from planner.plan import Mounts as MountsSection
from planner.plan import NamedMount
from planner.records import compared
from planner.site import Bools, Floats, Ints, Site

SHORTEST_EDGE_M = 1.0  # shorter edges are corners and reveals: no bracket fits
ROUND_OFF_M = (0.3, 0.8)  # how far a round or stepped outline may be straightened to find edges on it
REFINE_STEP_M = 0.5  # of a move along the edge, and of mast: about what a fitter would bother with
REFINE_ALONG_M = 5.0  # to either side: half the usual distance between candidates
REFINE_RAISE_M = 2.0  # more mast than this wants guys and a look at the wind load: common practice, no source


class Support(StrEnum):
    PARAPET = "parapet"
    EAVE = "eave"
    WALL = "wall_top"
    POLE = "pole"
    GROUND = "new_post"
    NAMED = "named_point"


@dataclass(frozen=True)
class Holder:
    """What a mount is fixed to.

    name: of the building, the pole or the named point, "" on open ground. courtyard: an edge or a wall round a
    courtyard, which faces inward. as_planned: what the plan says that holds a named point, "" elsewhere.
    """

    name: str
    courtyard: bool = False
    as_planned: str = ""


@compared
@dataclass(frozen=True)
class Mounts:
    """Candidates, one row each (n).

    ids: short and stable for the same layers and plan ("R12-3"); support; holder: what it is fixed to. xyz: (n, 3)
    the sensor's head in the frame. height_m: (n,) head above the ground beneath. facing_deg: (n,) azimuth the edge
    or wall faces, NaN for poles and posts. building: (n,) row of the building that carries it, -1 for none.
    """

    ids: tuple[str, ...]
    support: tuple[Support, ...]
    holder: tuple[Holder, ...]
    xyz: Floats
    height_m: Floats
    facing_deg: Floats
    building: Ints

    def __len__(self) -> int:
        return len(self.ids)


def find_mounts(site: Site, section: MountsSection, mast_m: float, named_xy: Floats | None = None) -> Mounts:
    """All candidates of a site: named, on poles, on buildings, on posts, in this order.

    Parameters
    ----------
    site
        In its local frame.
    section
        The plan's `[mounts]`: what is tried, and how far apart.
    mast_m
        Head above the roof edge or pole top.
    named_xy
        (k, 2) the plan's own points in the site's frame, in the order of `section.named`.

    Returns
    -------
    Mounts
        None is thrown away for a requirement's sake.

    Raises
    ------
    ValueError
        `named_xy` and `section.named` differ in number.
    """
    found = [
        _named(site, section.named, named_xy if named_xy is not None else np.empty((0, 2))),
        _poles(site, mast_m if section.poles else None),
        _buildings(site, section, mast_m),
        _posts(site, section.ground_spacing_m, section.ground_post_m),
    ]
    return Mounts(
        sum((m.ids for m in found), ()),
        sum((m.support for m in found), ()),
        sum((m.holder for m in found), ()),
        np.vstack([m.xyz for m in found]),
        np.concatenate([m.height_m for m in found]),
        np.concatenate([m.facing_deg for m in found]),
        np.concatenate([m.building for m in found]),
    )


def _mounts(
    site: Site,
    ids: Sequence[str],
    support: Sequence[Support],
    holder: Sequence[Holder],
    xyz: Floats,
    facing_deg: Floats | None = None,
    building: Ints | None = None,
) -> Mounts:
    """Rows with their height above the ground filled in; no edge and no building unless given."""
    n, xyz = len(ids), np.asarray(xyz, float).reshape(-1, 3)
    return Mounts(
        tuple(ids),
        tuple(support),
        tuple(holder),
        xyz,
        xyz[:, 2] - site.ground_at(xyz[:, :2]),
        facing_deg if facing_deg is not None else np.full(n, np.nan),
        building if building is not None else np.full(n, -1, np.int64),
    )


def _named(site: Site, points: Sequence[NamedMount], xy: Floats) -> Mounts:
    if len(points) != len(xy):
        raise ValueError(f"{len(points)} named points, but {len(xy)} places")
    xy = np.asarray(xy, float).reshape(-1, 2)
    return _mounts(
        site,
        [f"N{k + 1}" for k in range(len(points))],
        [Support.NAMED] * len(points),
        [Holder(point.name, as_planned=point.support) for point in points],
        np.column_stack([xy, site.ground_at(xy) + np.array([point.height_m for point in points], float)]),
    )


def _poles(site: Site, mast_m: float | None) -> Mounts:
    n = len(site.poles) if mast_m is not None else 0
    return _mounts(
        site,
        [f"P{k + 1}" for k in range(n)],
        [Support.POLE] * n,
        [Holder(name) for name in site.poles.names[:n]],
        site.poles.xyz[:n] + np.array([0.0, 0.0, mast_m or 0.0]),
    )


def _posts(site: Site, spacing_m: float | None, post_m: float) -> Mounts:
    xy = np.empty((0, 2))
    if spacing_m:
        x0, y0, x1, y1 = site.outline.bounds
        east, north = np.arange(x0 + spacing_m / 2, x1, spacing_m), np.arange(y0 + spacing_m / 2, y1, spacing_m)
        xy = np.column_stack([axis.ravel() for axis in np.meshgrid(east, north)])
        xy = xy[shapely.contains_xy(site.outline, xy)]
        built = shapely.STRtree(site.buildings.shapes).query(shapely.points(xy), predicate="within")[0]
        xy = np.delete(xy, built, axis=0)
    return _mounts(
        site,
        [f"G{k + 1}" for k in range(len(xy))],
        [Support.GROUND] * len(xy),
        [Holder("")] * len(xy),
        np.column_stack([xy, site.ground_at(xy) + post_m]),
    )


def _buildings(site: Site, section: MountsSection, mast_m: float) -> Mounts:
    """Roof edges and wall tops of all buildings at once; a roof's place stands before the wall's beneath it."""
    solids = site.buildings
    shapes = np.array(solids.shapes, object)
    usable = np.flatnonzero(np.asarray(site.mountable, bool) & shapely.intersects(site.outline, shapes))
    points = _along_edges(shapes, usable, section.spacing_m)
    b, facing = points.building, np.degrees(np.arctan2(points.out[:, 0], points.out[:, 1])) % 360.0
    shapely.prepare(site.outline)
    shapely.prepare(shapes)

    roof = points.xy - section.setback_m * points.out
    carries = shapely.contains_xy(shapes[b], roof) & section.roof_edges
    on_roof = carries & shapely.contains_xy(site.outline, roof)

    wall = points.xy + section.wall_offset_m * points.out
    middle = shapely.get_coordinates(shapely.point_on_surface(shapes)).reshape(-1, 2)
    # a roof on posts has no wall to fix to
    walled = (solids.base_m <= site.ground_at(middle) + 0.5)[b] & section.walls
    if site.surface is not None:
        walled[:] = False  # its cells do not show the very wall that a bracket would hang on
    wall_top = solids.top_m[b] - section.wall_drop_m
    on_wall = walled & shapely.contains_xy(site.outline, wall)
    on_wall[on_wall] = ~_inside_any(site, wall[on_wall], wall_top[on_wall])

    row = np.concatenate([np.flatnonzero(on_roof), np.flatnonzero(on_wall)])
    is_wall = np.repeat([False, True], [on_roof.sum(), on_wall.sum()])
    by = np.lexsort((is_wall, row))
    row, is_wall = row[by], is_wall[by]
    number = np.where(is_wall, _count_within(b, np.ones(len(b), bool))[row], _count_within(b, carries)[row])
    edge = [Support.EAVE if site.pitched[k] else Support.PARAPET for k in range(len(shapes))]
    return _mounts(
        site,
        [f"{'W' if w else 'R'}{k + 1}-{n}" for w, k, n in zip(is_wall, b[row], number, strict=True)],
        [Support.WALL if w else edge[k] for w, k in zip(is_wall, b[row], strict=True)],
        [Holder(solids.names[k], bool(inner)) for k, inner in zip(b[row], points.inner[row], strict=True)],
        np.column_stack(
            [
                np.where(is_wall[:, None], wall[row], roof[row]),
                np.where(is_wall, wall_top[row], solids.top_m[b[row]] + mast_m),
            ]
        ),
        facing[row],
        b[row],
    )


def _count_within(owner: Ints, counted: Bools) -> Ints:
    """(n,) how many of `counted` there are in one's own building up to and with oneself; owners are sorted."""
    total = np.cumsum(counted)
    first = np.searchsorted(owner, owner, side="left")
    before = np.concatenate([[0], total])[first]
    return np.asarray(total - before, np.int64)


def _inside_any(site: Site, xy: Floats, z: Floats) -> Bools:
    """Whether a wall bracket would stand inside another building: there the wall is shared, and is no place."""
    point, prism = shapely.STRtree(site.buildings.shapes).query(shapely.points(xy), predicate="intersects")
    deep = (site.buildings.base_m[prism] <= z[point]) & (z[point] < site.buildings.top_m[prism])
    inside = np.zeros(len(xy), bool)
    inside[point[deep]] = True
    return inside


@dataclass(frozen=True)
class _EdgePoints:
    """xy (n, 2); out (n, 2) outward unit normal; inner (n,) on the ring of a hole; building (n,) sorted."""

    xy: Floats
    out: Floats
    inner: Bools
    building: Ints


def _along_edges(shapes: object, buildings: Ints, spacing_m: float) -> _EdgePoints:
    """Points along every ring of some (multi-)polygons, evenly within each straight edge."""
    parts, of_part = shapely.get_parts(np.asarray(shapes, object)[buildings], return_index=True)
    rings, of_ring = shapely.get_rings(parts, return_index=True)
    inner = np.ones(len(rings), bool)
    inner[np.unique(of_ring, return_index=True)[1]] = False
    # the inside is then on the left of every ring
    rings = np.where(shapely.is_ccw(rings) == inner, shapely.reverse(rings), rings)
    for tolerance_m in ROUND_OFF_M:
        crooked = _straight_share(rings) < 0.5
        rings[crooked] = shapely.simplify(rings[crooked], tolerance_m)
    xy, of_vertex = shapely.get_coordinates(rings, return_index=True)
    edge = np.flatnonzero(of_vertex[1:] == of_vertex[:-1]) if len(xy) else np.empty(0, np.int64)
    step = xy[edge + 1] - xy[edge]
    length = np.hypot(step[:, 0], step[:, 1])
    fits = length >= SHORTEST_EDGE_M
    edge, step, length = edge[fits], step[fits], length[fits]
    count = np.maximum(1, np.round(length / spacing_m)).astype(np.int64)
    row = np.repeat(np.arange(len(edge)), count)
    share = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[row]
    ring = of_vertex[edge][row]
    along = step[row] / length[row, None]
    return _EdgePoints(
        xy[edge][row] + share[:, None] * step[row],
        np.column_stack([along[:, 1], -along[:, 0]]),
        inner[ring],
        buildings[of_part[of_ring[ring]]],
    )


def _straight_share(rings: Any) -> Floats:
    """(n,) share of each ring's length that lies in edges long enough for a bracket."""
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(xy):
        return np.zeros(len(rings))
    step = np.hypot(*np.diff(xy, axis=0).T) * (ring[1:] == ring[:-1])
    whole, straight = (np.bincount(ring[1:], part, len(rings)) for part in (step, step * (step >= SHORTEST_EDGE_M)))
    return np.asarray(straight / np.maximum(whole, 1e-9))


# --- the best few, a little to the side and a little higher -----------------------------------------------------

# (n,) light kept in the worst month, (n,) score, NaN where ruled out, (n,) controllers in reach
Judge = Callable[[Mounts], tuple[Floats, Floats, Ints]]


@compared
@dataclass(frozen=True)
class Refined:
    """What a little more mast, or a step to the side, would buy at one mount.

    raised_m: (k,) from 0 up; moved_m: (j,) along the edge, positive to the right of one who looks outward
    (towards moved_to_deg), 0 among them; empty for mounts on no edge. *_light: share of light kept in the worst
    irrigation month; *_score: 0 to 100, NaN where a requirement rules the place out; raised_held:
    controllers in reach.
    """

    raised_m: Floats
    raised_light: Floats
    raised_score: Floats
    raised_held: Ints
    moved_m: Floats
    moved_light: Floats
    moved_score: Floats
    moved_to_deg: float

    def best_move(self, worth: float = 0.5) -> int:
        """Row of `moved_m` with the best score; that of staying unless another is better by more than `worth`."""
        if not len(self.moved_m):
            return -1
        stay = int(np.argmin(np.abs(self.moved_m)))
        score = np.nan_to_num(self.moved_score, nan=-1.0)
        return int(np.argmax(score)) if score.max() > score[stay] + worth else stay


def refine(
    site: Site,
    mounts: Mounts,
    rows: Sequence[int],
    judge: Judge,
    *,
    step_m: float = REFINE_STEP_M,
    along_m: float = REFINE_ALONG_M,
    raise_m: float = REFINE_RAISE_M,
) -> dict[int, Refined]:
    """Try mounts higher, and along their own edges, in steps; all trials are judged in one call.

    A place to the side is tried where it is still on the edge: as far from the footprint's rim as the mount.

    Parameters
    ----------
    site
        In its local frame.
    mounts
        All of them.
    rows
        Those that are tried elsewhere.
    judge
        Light kept, score, and controllers in reach of each trial.
    step_m
        Between trials.
    along_m, raise_m
        The farthest to either side, and up.

    Returns
    -------
    dict of int to Refined
        By row.
    """
    raised = np.arange(0.0, raise_m + 1e-9, step_m)
    reach = np.arange(1, int(along_m / step_m + 1e-9) + 1) * step_m
    moves = np.concatenate([-reach[::-1], [0.0], reach])
    owner, up, side = [], [], []
    for row in rows:
        kept = moves[_still_on_edge(site, mounts, row, moves)]
        owner += [row] * (len(raised) + len(kept))
        up.append(np.concatenate([raised, np.zeros(len(kept))]))
        side.append(np.concatenate([np.zeros(len(raised)), kept]))
    if not owner:
        return {}
    of = np.array(owner, np.int64)
    higher, aside = np.concatenate(up), np.concatenate(side)
    light, score, held = judge(_trials(site, mounts, of, higher, aside))
    out = {}
    for k in rows:
        mine = np.flatnonzero(of == k)
        lift, move = mine[: len(raised)], mine[len(raised) :]
        out[k] = Refined(
            raised,
            light[lift],
            score[lift],
            held[lift],
            aside[move],
            light[move],
            score[move],
            float((mounts.facing_deg[k] + 90.0) % 360.0),
        )
    return out


def _sideways(mounts: Mounts, row: Ints | int) -> Floats:
    """(..., 2) unit step along the edge, to the right of one who looks outward."""
    facing = np.radians(mounts.facing_deg[row])
    return np.stack([np.cos(facing), -np.sin(facing)], axis=-1)


def _still_on_edge(site: Site, mounts: Mounts, row: int, moves: Floats) -> Bools:
    if not np.isfinite(mounts.facing_deg[row]):  # on no building's edge
        return np.zeros(len(moves), bool)
    shape = site.buildings.shapes[int(mounts.building[row])]
    here = mounts.xyz[row, :2]
    there = here + moves[:, None] * _sideways(mounts, row)
    rim = shapely.boundary(shape)
    off = shapely.distance(rim, shapely.points(there)) - shapely.distance(rim, shapely.Point(here))
    same_side = shapely.contains_xy(shape, there) == shapely.contains_xy(shape, *here)
    return np.asarray((np.abs(off) < 0.05) & same_side & shapely.contains_xy(site.outline, there))


def _trials(site: Site, mounts: Mounts, row: Ints, higher: Floats, aside: Floats) -> Mounts:
    xyz = mounts.xyz[row].copy()
    moved = aside != 0
    xyz[moved, :2] += aside[moved, None] * _sideways(mounts, row[moved])
    xyz[:, 2] += higher
    return _mounts(
        site,
        [mounts.ids[k] for k in row],
        [mounts.support[k] for k in row],
        [mounts.holder[k] for k in row],
        xyz,
        mounts.facing_deg[row],
        mounts.building[row],
    )
