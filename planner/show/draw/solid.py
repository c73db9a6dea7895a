"""The site as solids, for the 3-D view of the map page: triangles, crowns, ground, places and links.

The page (`solid.js`) draws them with the sun where it stands at a day and hour, and the shadows that it throws:
the same prisms, crowns and ground that the light was computed from, as far as RADIUS_M around the site. Metres in
the site's frame, from the ground at its centre up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from planner.ground import site_ground
from planner.reach.radio import fresnel_radius_m
from planner.show.draw import palette
from planner.show.layout import layout, proposed, serving
from planner.show.say import solid as said
from planner.show.say.figures import letter
from planner.site import Floats, Prisms, Site
from planner.sun.leaves import leaf_share
from planner.sun.losses import clock_hours

if TYPE_CHECKING:
    from planner.job import SiteResult

RADIUS_M = 500.0  # beyond the site's own extent; a city would not fit a page
MOST_TRIANGLES = 60_000
MOST_CROWNS = 1_500
SHADE_M = 30.0  # around the site's extent, shadows are drawn on the map
EYE_M = 2.0
GROUND_CELLS = 40  # along the longer side: what a page can bear


def solids(result: SiteResult, degrees: Callable[[Floats], Floats] | None = None) -> dict[str, Any]:
    """What `solid.js` draws; numbers in centimetres where they are whole.

    `blocks`: each [colour code, 9 numbers a triangle (x, y, z three times)]; `crowns`: rows of x, y, z, radius,
    half height, evergreen; `ground`: corner, cell and heights; `places`, `links`: ends and words; `takes`: (12,)
    share of the light that deciduous crowns take; `more`: what was left out, in words, or "". `leaf`: the same as
    shares in leaf and leafless; `clock_ahead`: (12,) hours of the clock before true solar time, None without a time
    zone; `hills`: (360,) hundredths of a degree, the ground's horizon from the middle, None without terrain;
    `shade_box`, `shade_bounds`: where shadows are drawn on the map, in metres and (given `degrees`) in degrees.
    """
    site = result.site
    middle = np.array([0.0, 0.0])
    zero = float(site.ground_at(middle[None, :])[0])
    zero = zero if np.isfinite(zero) else 0.0
    west, south, east, north = _extent(result)
    box = shapely.box(west - RADIUS_M, south - RADIUS_M, east + RADIUS_M, north + RADIUS_M)
    blocks, left_out = _blocks(site, box, zero)
    crowns, more_crowns = _crowns(site, box, zero)
    return {
        "latitude": site.latitude_deg,
        "longitude": site.longitude_deg,
        "extent": [west, south, east, north],
        "outline": [_cm(ring.coords[:]) for part in _parts(site.outline) for ring in (part.exterior,)],
        "blocks": blocks,
        "crowns": crowns,
        "takes": _takes(result),
        "evergreen_takes": round(1 - result.plan.sun.crown_in_leaf, 3),
        "leaf": _leaf(result),
        "clock_ahead": _clock_ahead(result),
        "hills": _hills(result),
        "shade_box": [west - SHADE_M, south - SHADE_M, east + SHADE_M, north + SHADE_M],
        "shade_bounds": _bounds((west, south, east, north), degrees) if degrees else None,
        "ground": _ground(site, zero),
        "places": list(_places(result, zero)),
        "links": list(_links(result, zero)),
        "colours": {
            "wall": palette.STONE[1],
            "roof": palette.STONE[0],
            "leaf": palette.DECIDUOUS,
            "evergreen": palette.EVERGREEN,
            "link": palette.LINK[2],
            "outline": palette.INK,
        },
        "words": said.words(result),
        "more": said.left_out(left_out, more_crowns),
    }


def _extent(result: SiteResult) -> tuple[float, float, float, float]:
    points = [shapely.points(xyz[:, :2]) for xyz in (result.site.controllers.xyz, result.mounts.xyz) if len(xyz)]
    bounds = shapely.total_bounds([result.site.outline, *(p for some in points for p in some)])
    west, south, east, north = (round(float(v), 2) for v in bounds)
    return west, south, east, north


def _parts(shape: Any) -> list[Any]:
    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]


def _cm(values: Any) -> list[int]:
    return [int(v) for v in np.round(np.asarray(values, float).ravel() * 100)]


def _blocks(site: Site, box: Any, zero: float) -> tuple[list[list[Any]], int]:
    """Buildings, and stands of trees drawn as prisms, the nearest first; and how many were left out."""
    found: list[tuple[float, str, Prisms, int]] = []
    leafy = {True: "evergreen", False: "leaf"}
    for prisms, codes in (
        (site.buildings, ["wall"] * len(site.buildings)),
        (site.crown_prisms, [leafy[bool(e)] for e in site.crown_evergreen]),
    ):
        if len(prisms):
            shapes = np.array(prisms.shapes, object)
            for row in np.flatnonzero(shapely.intersects(shapes, box)):
                away = float(shapely.distance(shapes[row], site.outline))
                found.append((away, codes[int(row)], prisms, int(row)))
    found.sort(key=lambda one: one[0])
    out: list[list[Any]] = []
    total = 0
    for k, (_, code, stand, one) in enumerate(found):
        triangles = _block(stand, one, site, zero)
        total += len(triangles)
        if total > MOST_TRIANGLES:
            return out, len(found) - k
        out.append([code, _cm(triangles)])
    return out, 0


def _block(prisms: Prisms, row: int, site: Site, zero: float) -> Floats:
    """(n, 3, 3) triangles of one prism: roof, walls, and the underside where it hangs above the ground."""
    base, top = float(prisms.base_m[row]) - zero, float(prisms.top_m[row]) - zero
    flat = [
        np.asarray(triangle.exterior.coords[:3])
        for part in _parts(prisms.shapes[row])
        for triangle in shapely.get_parts(shapely.constrained_delaunay_triangles(part))
    ]
    level = np.array(flat).reshape(-1, 3, 2)
    one, other = level[:, 1] - level[:, 0], level[:, 2] - level[:, 0]
    turn = one[:, 0] * other[:, 1] < one[:, 1] * other[:, 0]
    level[turn] = level[turn][:, ::-1]
    faces = [_lifted(level, top)]
    mine = prisms.edge_prism == row
    start, end = prisms.edge_start[mine], prisms.edge_end[mine]
    low, high = np.full(len(start), base), np.full(len(start), top)
    a, b = np.column_stack([start, low]), np.column_stack([end, low])
    c, d = np.column_stack([end, high]), np.column_stack([start, high])
    faces += [np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]
    ground = site.ground_at(np.concatenate([start, end])) - zero if len(start) else np.array([base])
    if base > np.nanmin(ground) + 0.5:
        faces.append(_lifted(level[:, ::-1], base))
    return np.concatenate(faces)


def _lifted(level: Floats, z: float) -> Floats:
    return np.concatenate([level, np.full((*level.shape[:2], 1), z)], axis=2)


def _crowns(site: Site, box: Any, zero: float) -> tuple[list[list[int]], int]:
    crowns = site.crowns
    if not len(crowns):
        return [], 0
    at = shapely.points(crowns.centre[:, :2])
    rows = np.flatnonzero(shapely.intersects(at, box))
    rows = rows[np.argsort(shapely.distance(at[rows], site.outline), kind="stable")]
    kept = rows[:MOST_CROWNS]
    told = np.column_stack(
        [
            crowns.centre[kept] - [0, 0, zero],
            crowns.radius_m[kept],
            crowns.half_height_m[kept],
            crowns.evergreen[kept] / 100,
        ]
    )
    return [_cm(row) for row in told], len(rows) - len(kept)


def _bounds(extent: tuple[float, float, float, float], degrees: Callable[[Floats], Floats]) -> list[list[float]]:
    """Southwest and northeast corner of what `shade_box` covers, latitude first.

    The frame is a transverse Mercator around the site: its axes are those of the map to centimetres there.
    """
    west, south, east, north = extent
    middle = ((west + east) / 2, (south + north) / 2)
    ends = degrees(
        np.array(
            [
                [west - SHADE_M, middle[1]],
                [east + SHADE_M, middle[1]],
                [middle[0], south - SHADE_M],
                [middle[0], north + SHADE_M],
            ]
        )
    )
    (lon0, lon1), (lat0, lat1) = ends[:2, 0], ends[2:, 1]
    return [[round(float(lat0), 8), round(float(lon0), 8)], [round(float(lat1), 8), round(float(lon1), 8)]]


def _leaf(result: SiteResult) -> dict[str, Any]:
    sun = result.plan.sun
    share = leaf_share(result.site.latitude_deg, sun.leaf_dates())
    return {
        "share": [round(float(v), 4) for v in share],
        "in_leaf": sun.crown_in_leaf,
        "leafless": sun.crown_leafless,
    }


def _clock_ahead(result: SiteResult) -> list[float] | None:
    if result.plan.time_zone is None:
        return None
    noon = clock_hours(np.full(12, 12.0), np.arange(12), result.site.longitude_deg, result.plan.time_zone)
    return [round(float(v), 4) for v in (noon - 12.0 + 12.0) % 24.0 - 12.0]


def _hills(result: SiteResult) -> list[int] | None:
    """The ground's horizon from a head's height above the middle of the site: one for the whole map."""
    site = result.site
    if site.terrain is None:
        return None
    azimuth = np.arange(360.0)
    at = np.array([[0.0, 0.0, float(site.ground_at(np.zeros((1, 2)))[0]) + EYE_M]])
    found = site_ground(site).bare(at, azimuth, result.plan.sun.terrain_km * 1000)
    return None if found is None else _cm(np.degrees(np.arctan(found.tangent[0])))


def _takes(result: SiteResult) -> list[float]:
    """(12,) share of the sun's light that a deciduous crown takes, by month."""
    sun = result.plan.sun
    leafy = leaf_share(result.site.latitude_deg, sun.leaf_dates())
    takes = 1 - (leafy * sun.crown_in_leaf + (1 - leafy) * sun.crown_leafless)
    return [round(float(v), 3) for v in takes]


def _ground(site: Site, zero: float) -> dict[str, Any] | None:
    """Heights on a square grid over the site and around; None where there is no terrain."""
    if site.terrain is None:
        return None
    west, south, east, north = site.outline.bounds
    half = max(east - west, north - south) / 2 + 0.4 * RADIUS_M
    x, y = (west + east) / 2, (south + north) / 2
    steps = np.linspace(-half, half, GROUND_CELLS + 1)
    xy = np.stack(np.meshgrid(x + steps, y + steps), axis=-1)
    z = site.ground_at(xy.reshape(-1, 2)) - zero
    z = np.where(np.isfinite(z), z, 0.0)
    return {"left": round(x - half, 2), "bottom": round(y - half, 2), "side": round(2 * half, 2), "z": _cm(z)}


def _places(result: SiteResult, zero: float) -> Iterator[dict[str, Any]]:
    """Sensors, repeaters and controllers with their sign; `foot` is the ground beneath."""
    site = result.site
    xyz = result.mounts.xyz
    for place in layout(result) or proposed(result):
        yield {
            "kind": str(place.kind),
            "sign": place.sign,
            "name": result.mounts.ids[place.row],
            "at": _cm(xyz[place.row] - [0, 0, zero]),
            "foot": _cm(xyz[place.row, 2] - result.mounts.height_m[place.row] - zero)[0],
        }
    for k, name in enumerate(site.controllers.names):
        at = site.controllers.xyz[k]
        foot = float(site.ground_at(at[None, :2])[0]) - zero
        yield {
            "kind": "controller",
            "sign": letter(k),
            "name": name,
            "at": _cm(at - [0, 0, zero]),
            "foot": _cm(foot if np.isfinite(foot) else at[2] - zero)[0],
        }


def _links(result: SiteResult, zero: float) -> Iterator[dict[str, Any]]:
    """Each radio link that serves, with the widest radius of its first Fresnel zone (ITU-R P.526, 2)."""
    if result.reach.runs is not None:
        return
    for k, row in enumerate(serving(result)):
        if row >= 0:
            a, b = result.mounts.xyz[row], result.site.controllers.xyz[k]
            half = float(np.linalg.norm(a - b)) / 2
            radius = float(fresnel_radius_m(half, half, result.plan.sensor.radio_band_mhz))
            yield {"ends": _cm([a - [0, 0, zero], b - [0, 0, zero]]), "radius": round(radius, 2)}
