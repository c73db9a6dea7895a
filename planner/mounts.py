"""Candidate mount points: on roof edges, wall tops, poles, open ground, or where the user points.

Nothing here knows the sun or the radio, and nothing is thrown away for a rule's sake: what a gate shuts out is
kept, so that the map can say why.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from planner import plan
from planner.site import Floats, Ints, Site

SHORTEST_EDGE_M = 1.0  # shorter edges are corners and reveals: no bracket fits
WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


class Support(StrEnum):
    PARAPET = "parapet"
    EAVE = "eave"
    WALL = "wall top"
    POLE = "pole"
    GROUND = "new post"
    NAMED = "named point"


@dataclass(frozen=True)
class Mounts:
    """Candidates, one row each (n).

    ids: short and stable for the same layers and plan ("R12-3"); support; on: what it is fixed to, in words
    ("Library, south edge"). xyz: (n, 3) the sensor's head in the frame. height_m: (n,) head above the ground
    beneath. facing_deg: (n,) azimuth the edge or wall faces, NaN for poles and posts. building: (n,) row of the
    building that carries it, -1 for none.
    """

    ids: tuple[str, ...]
    support: tuple[Support, ...]
    on: tuple[str, ...]
    xyz: Floats
    height_m: Floats
    facing_deg: Floats
    building: Ints

    def __len__(self) -> int:
        return len(self.ids)


@dataclass(frozen=True)
class _Row:
    id: str
    support: Support
    on: str
    x: float
    y: float
    z: float
    facing_deg: float = np.nan
    building: int = -1


def compass(azimuth_deg: float) -> str:
    """One of eight winds in words."""
    return WINDS[round(azimuth_deg / 45.0) % 8]


def find_mounts(site: Site, settings: plan.Mounts, mast_m: float, named_xy: Floats | None = None) -> Mounts:
    """All candidates of a site.

    mast_m: head above the roof edge or pole top. named_xy: (k, 2) the plan's own points in the site's frame, in
    the order of `settings.named`.
    """
    rows = [
        *_named(site, settings.named, named_xy if named_xy is not None else np.empty((0, 2))),
        *(_poles(site, mast_m) if settings.poles else ()),
        *_buildings(site, settings, mast_m),
        *(_posts(site, settings.ground_spacing_m, settings.ground_post_m) if settings.ground_spacing_m else ()),
    ]
    xyz = np.array([(r.x, r.y, r.z) for r in rows], float).reshape(-1, 3)
    return Mounts(
        tuple(r.id for r in rows),
        tuple(r.support for r in rows),
        tuple(r.on for r in rows),
        xyz,
        xyz[:, 2] - site.ground_at(xyz[:, :2]),
        np.array([r.facing_deg for r in rows], float),
        np.array([r.building for r in rows], np.int64),
    )


def _named(site: Site, points: Sequence[plan.NamedMount], xy: Floats) -> Iterator[_Row]:
    for k, (point, (x, y)) in enumerate(zip(points, xy, strict=True)):
        ground = float(site.ground_at(np.array([x, y])))
        yield _Row(f"N{k + 1}", Support.NAMED, f"{point.name}, {point.support}", x, y, ground + point.height_m)


def _poles(site: Site, mast_m: float) -> Iterator[_Row]:
    for k, (name, (x, y, z)) in enumerate(zip(site.poles.names, site.poles.xyz, strict=True)):
        yield _Row(f"P{k + 1}", Support.POLE, name, x, y, z + mast_m)


def _posts(site: Site, spacing_m: float, post_m: float) -> Iterator[_Row]:
    x0, y0, x1, y1 = site.outline.bounds
    grid = np.meshgrid(np.arange(x0 + spacing_m / 2, x1, spacing_m), np.arange(y0 + spacing_m / 2, y1, spacing_m))
    xy = np.column_stack([axis.ravel() for axis in grid])
    free = shapely.contains_xy(site.outline, xy)
    for shape in site.buildings.shapes:
        free &= ~shapely.contains_xy(shape, xy)
    xy = xy[free]
    for k, ((px, py), ground) in enumerate(zip(xy, site.ground_at(xy), strict=True)):
        yield _Row(f"G{k + 1}", Support.GROUND, "open ground", px, py, ground + post_m)


def _buildings(site: Site, settings: plan.Mounts, mast_m: float) -> Iterator[_Row]:
    shapely.prepare(site.outline)
    tree = shapely.STRtree(site.buildings.shapes)
    for b, shape in enumerate(site.buildings.shapes):
        if not site.mountable[b] or not site.outline.intersects(shape):
            continue
        name, top = site.buildings.names[b], float(site.buildings.top_m[b])
        middle = np.asarray(shape.representative_point().coords)[0, :2]
        # a roof on posts has no wall to fix to
        walled = bool(site.buildings.base_m[b] <= site.ground_at(middle) + 0.5)
        edge_support = Support.EAVE if site.pitched[b] else Support.PARAPET
        roof_n = wall_n = 0
        for x, y, out_x, out_y, inner in _along_edges(shape, settings.spacing_m):
            facing = float(np.degrees(np.arctan2(out_x, out_y)) % 360.0)
            # an edge of a courtyard faces inward: "south edge" would send a person to the wrong side
            edge, wall = (
                (f"courtyard edge that faces {compass(facing)}", f"courtyard wall that faces {compass(facing)}")
                if inner
                else (f"{compass(facing)} edge", f"{compass(facing)} wall")
            )
            rx, ry = x - settings.setback_m * out_x, y - settings.setback_m * out_y
            if settings.roof_edges and shape.contains(shapely.Point(rx, ry)):
                roof_n += 1
                if site.outline.contains(shapely.Point(rx, ry)):
                    yield _Row(
                        f"R{b + 1}-{roof_n}",
                        edge_support,
                        f"{name}, {edge}",
                        rx,
                        ry,
                        top + mast_m,
                        facing,
                        b,
                    )
            wx, wy = x + settings.wall_offset_m * out_x, y + settings.wall_offset_m * out_y
            if settings.walls and walled:
                wall_n += 1
                point = shapely.Point(wx, wy)
                if site.outline.contains(point) and not _is_inside(site, tree, point, top - settings.wall_drop_m):
                    yield _Row(
                        f"W{b + 1}-{wall_n}",
                        Support.WALL,
                        f"{name}, {wall}",
                        wx,
                        wy,
                        top - settings.wall_drop_m,
                        facing,
                        b,
                    )


def _is_inside(site: Site, tree: shapely.STRtree, point: BaseGeometry, z_m: float) -> bool:
    """Whether a wall bracket would stand inside another building: there the wall is shared, and is no place."""
    return any(
        site.buildings.base_m[k] <= z_m < site.buildings.top_m[k] for k in tree.query(point, predicate="intersects")
    )


def _along_edges(shape: BaseGeometry, spacing_m: float) -> Iterator[tuple[float, float, float, float, bool]]:
    """Points along every ring, evenly within each straight edge: x, y, the outward unit normal, ring of a hole."""
    for part in shape.geoms if isinstance(shape, MultiPolygon) else [shape]:
        if not isinstance(part, Polygon):
            continue
        part = shapely.geometry.polygon.orient(part)  # the inside is then on the left of every ring
        for inner, ring in [(False, part.exterior), *((True, hole) for hole in part.interiors)]:
            xy = np.asarray(ring.coords)[:, :2]
            for a, b in itertools.pairwise(xy):
                length = float(np.hypot(*(b - a)))
                if length < SHORTEST_EDGE_M:
                    continue
                n = max(1, round(length / spacing_m))
                along = (b - a) / length
                for s in (np.arange(n) + 0.5) / n:
                    x, y = a + s * (b - a)
                    yield float(x), float(y), float(along[1]), float(-along[0]), inner
