"""The sun's parts in plain NumPy and shapely, one thing at a time: what the compiled forms are tested against.

Three kinds of obstacle, each in its plain form::

      prism (opaque)            crown (lets light through)        raster (ground, surface)
       ______                        .-'''-.
      |      | top                  (   c   )                          _/\\__
      |      |                       '-...-'                    ______/     \\__
    o-|------|---- azimuth        o----|-------- azimuth      o----> marched outward
       t: distance to the edge
"""

from __future__ import annotations

import numpy as np
import shapely

from planner.ground import DROP_PER_M2, SiteGround, site_ground
from planner.site import Bools, Floats, Heights, Prisms, Site, no_crowns
from planner.sun.horizon import TOUCH_M, Directions, _azimuth, _spans, crown_spans, directions
from planner.sun.leaves import CrownLight, over_the_month
from planner.sun.path import SunTable
from planner.sun.result import (
    PICTURE_AZIMUTH_DEG,
    Shade,
    SunResult,
    along,
    days_of,
    name_shade,
    raster_azimuth_deg,
    sum_up,
)
from planner.sun.shading import Shading, shading

PATCH_DEG = 0.5  # rings of the sky, for the part of it behind crowns and canopies


def _edge_spans(start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Azimuth span (low, width) of edges seen from the origin; width is below 180."""
    a, b = _azimuth(start[:, 0], start[:, 1]), _azimuth(end[:, 0], end[:, 1])
    turn = (b - a) % 360.0
    return np.where(turn <= 180.0, a, b), np.where(turn <= 180.0, turn, 360.0 - turn)


def prism_tangent(mount: Floats, solids: Prisms, looks: Directions) -> Floats:
    """Tangent of the horizon's elevation among opaque prisms that start at or below the mount; 0 where open.

    For an edge from a to b seen from the mount, with e = b - a, the ray along (sin, cos) meets its line at
    1/t = (sin * e_north - cos * e_east) / (a x e), so that the tangent (top - z)/t is linear in sine and cosine.
    Exact for holes, courtyards and either orientation of the rings. A mount inside a prism sees nothing (inf);
    one on an edge sees nothing in the directions that lead inside.

    Returns (n,) in the order of `looks`.
    """
    out = np.zeros(len(looks))
    rise = solids.top_m - mount[2]
    grounded = (solids.base_m <= mount[2]) & (rise > 0)
    rows = np.flatnonzero(grounded[solids.edge_prism]) if len(solids) else np.empty(0, np.int64)
    if rows.size:
        start = solids.edge_start[rows] - mount[:2]
        edge = solids.edge_end[rows] - solids.edge_start[rows]
        cross = start[:, 0] * edge[:, 1] - start[:, 1] * edge[:, 0]
        length = np.hypot(edge[:, 0], edge[:, 1])
        broad = np.abs(cross) > TOUCH_M * length  # an edge seen end-on has no width
        rows, start, edge, cross = rows[broad], start[broad], edge[broad], cross[broad]
        low, width = _edge_spans(start, start + edge)
        owner, look = _spans(low, width, looks)
        tangent = (looks.sin[look] * edge[owner, 1] - looks.cos[look] * edge[owner, 0]) / cross[owner]
        tangent *= rise[solids.edge_prism[rows]][owner]
        np.maximum.at(out, look, tangent)
    for k in np.flatnonzero(grounded):
        shape = solids.shapes[k]
        x0, y0, x1, y1 = shape.bounds
        if not (x0 - 1 <= mount[0] <= x1 + 1 and y0 - 1 <= mount[1] <= y1 + 1):
            continue
        point = shapely.Point(mount[:2])
        if shapely.contains(shape, point):
            out[:] = np.inf
        elif shapely.distance(shape, point) <= TOUCH_M:
            ahead = mount[:2] + 10 * TOUCH_M * np.column_stack([looks.sin, looks.cos])
            out[shapely.contains_xy(shape, ahead[:, 0], ahead[:, 1])] = np.inf
    return out


def prism_hits(mount: Floats, solid: Prisms, row: int, looks: Directions, tan_elevation: Floats) -> Bools:
    """Whether rays pass through one prism that may hang above the mount (canopy, bridge, crown polygon).

    tan_elevation: (..., n) tangents, the last axis along `looks`. A ray is inside the footprint between an
    entry t0 and an exit t1, and meets the prism where its height there overlaps base to top.
    """
    mine = np.flatnonzero(solid.edge_prism == row)
    start = solid.edge_start[mine] - mount[:2]
    edge = solid.edge_end[mine] - solid.edge_start[mine]
    cross = start[:, 0] * edge[:, 1] - start[:, 1] * edge[:, 0]
    low, width = _edge_spans(start, start + edge)
    owner, look = _spans(low, width, looks)
    across = looks.sin[look] * edge[owner, 1] - looks.cos[look] * edge[owner, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = cross[owner] / across
    met = np.isfinite(distance) & (distance >= 0)
    owner, look, distance = owner[met], look[met], distance[met]
    hit = np.zeros(tan_elevation.shape, bool)
    inside = shapely.contains_xy(solid.shapes[row], mount[0], mount[1])
    touched = np.arange(len(looks)) if inside else np.unique(look)
    if not touched.size:
        return hit
    # distances by azimuth, sorted outward: entries and exits take turns
    by = np.lexsort((distance, look))
    look, distance = look[by], distance[by]
    count = np.bincount(look, minlength=len(looks))
    place = np.arange(len(look)) - np.repeat(np.cumsum(count) - count, count) + int(inside)
    table = np.full((len(looks), int(count.max(initial=0)) + 2), np.inf)
    if inside:
        table[:, 0] = 0.0
    table[look, place] = distance
    base, top = solid.base_m[row] - mount[2], solid.top_m[row] - mount[2]
    for k in range(0, table.shape[1] - 1, 2):
        t0, t1 = table[touched, k], table[touched, k + 1]
        real = np.isfinite(t0) & np.isfinite(t1)
        t0, t1 = np.where(real, t0, 0.0), np.where(real, t1, 0.0)
        slope = tan_elevation[..., touched]
        # a level ray or a rising one: its lowest point in the footprint is at the entry
        hit[..., touched] |= real & (t0 * slope < top) & (t1 * slope > base)
    return hit


def raster_tangent(
    mount: Floats,
    heights: Heights,
    azimuth_deg: Floats,
    reach_m: float,
    *,
    start_m: float,
    growth: float = 0.01,
    nearest: bool = False,
    extra: Heights | None = None,
) -> Floats:
    """Tangent of the horizon over a raster of heights, marched outward from `start_m` to `reach_m`; at least 0.

    Steps are half a cell near the mount and grow to `growth` of the distance: a ridge thinner than that may be
    missed. The earth's curvature and the usual refraction are taken off. nearest: cells as they stand (surface
    models, where walls are steep), not smoothed. extra: heights to add (a canopy over the ground), NaN counting
    as none. Cells that are unknown shade nothing. Returns (n,) in the order of `azimuth_deg`. The error near the
    mount is of the order of a cell over the distance: vectors are for what is near.
    """
    steps = [start_m]
    while steps[-1] < reach_m:
        steps.append(steps[-1] + max(heights.cell_m / 2, growth * steps[-1]))
    r = np.asarray(steps)
    azimuth = np.radians(np.asarray(azimuth_deg, float))
    along = np.stack([np.sin(azimuth), np.cos(azimuth)], axis=-1)
    xy = mount[:2] + along[:, None, :] * r[None, :, None]
    height = heights.cell_at(xy) if nearest else heights.at(xy)
    if extra is not None:
        height = height + np.nan_to_num(extra.cell_at(xy))
    tangent = (height - mount[2] - DROP_PER_M2 * r**2) / r
    return np.asarray(np.maximum(0.0, np.nan_to_num(tangent, nan=-np.inf).max(axis=1)))


def shade_of(sun: SunTable, hidden: Bools) -> Shade:
    """Shade from (n, m) steps whose sun is hidden."""
    day = days_of(sun)
    if not len(day):
        return name_shade(sun, np.full(len(hidden), -1), np.zeros(len(hidden)), np.zeros(len(hidden), np.int64))
    highest = np.where(hidden, sun.elevation_deg, -np.inf).argmax(axis=1)
    share = np.array([np.bincount(day, weights=row) for row in hidden]).reshape(len(hidden), -1) / np.bincount(day)
    return name_shade(sun, np.where(hidden.any(axis=1), highest, -1), share.max(axis=1), share.argmax(axis=1))


def plain_year_of_light(
    site: Site,
    mounts_xyz: Floats,
    sun: SunTable,
    shade: Shading | None = None,
) -> SunResult:
    """As :func:`planner.sun.year_of_light`, but that crowns always take their whole share."""
    shade = shade or shading(site)
    light, leaf = shade.crown_light, shade.in_leaf
    looks, picture = directions(sun.azimuth_deg), directions(PICTURE_AZIMUTH_DEG)
    rasters, n = shade.ground, len(mounts_xyz)
    hours, beam, view = np.empty((n, 12)), np.empty((n, 12)), np.empty((n, 12))
    horizon, veil = np.empty((n, 360)), np.empty((n, 360))
    hidden = np.empty((n, len(looks)), bool)
    slope = np.tan(np.radians(sun.elevation_deg[looks.order]))
    for k, mount in enumerate(np.asarray(mounts_xyz, float)):
        # the beam, at the sun's own azimuths (sorted once)
        lit = slope > opaque_tangent(site, mount, looks, shade.terrain_reach_m, rasters)
        for row in _hanging(site, mount):
            lit &= ~prism_hits(mount, site.buildings, row, looks, slope)
        passed = _through_crowns(site, mount, looks, slope, light, rasters)
        hidden[k] = looks.unsort(~lit | (passed[0] != 1.0))
        hours[k] = sun.monthly(np.where(hidden[k], 0.0, sun.hours_per_day))
        bare, leafy = (sun.monthly(sun.beam_wh_m2 * looks.unsort(lit * p)) for p in passed)
        beam[k] = over_the_month(leafy, bare, leaf)
        shape = opaque_tangent(site, mount, picture, shade.terrain_reach_m, rasters)
        bare_view, leafy_view = _sky_views(site, mount, picture, shape, light, rasters)
        view[k] = over_the_month(leafy_view, bare_view, leaf)
        horizon[k], veil[k] = _picture(site, mount, picture, shape, rasters)
    return sum_up(sun, hours, beam, view, horizon, veil, shade_of(sun, hidden))


def opaque_tangent(
    site: Site, mount: Floats, looks: Directions, terrain_reach_m: float, rasters: SiteGround | None = None
) -> Floats:
    """Tangent of the opaque horizon (prisms, ground, surface model) along `looks`; hanging roofs are not in it."""
    rasters, azimuth = rasters or site_ground(site), raster_azimuth_deg(site)
    over = rasters.opaque(mount[None], azimuth, terrain_reach_m)
    ground = np.zeros(len(looks)) if over is None else along(over.tangent, azimuth, looks)[0]
    if site.surface is not None:  # it stands in for the prisms
        return ground
    return np.maximum(prism_tangent(mount, site.buildings, looks), ground)


def _hanging(site: Site, mount: Floats) -> list[int]:
    """Buildings whose underside is above the mount: there is sky beneath them."""
    return [] if site.surface is not None else np.flatnonzero(site.buildings.base_m > mount[2]).tolist()


def _canopy(site: Site, mount: Floats, looks: Directions, rasters: SiteGround) -> Floats:
    azimuth = raster_azimuth_deg(site)
    over = rasters.veil(mount[None], azimuth)
    return np.zeros(len(looks)) if over is None else along(over.tangent, azimuth, looks)[0]


def _through_crowns(
    site: Site, mount: Floats, looks: Directions, slope: Floats, light: CrownLight, rasters: SiteGround
) -> Floats:
    """(2, ..., m) share of the light that passes all crowns, leafless and in leaf; crowns in a row multiply.

    slope: (..., m) tangents, the last axis along `looks`.
    """
    log = np.zeros((2, *slope.shape))
    crowns = site.crowns if site.surface is None else no_crowns()
    owner, look, low, high = crown_spans(mount, crowns, looks)
    for k, pair in enumerate(light.log_light(crowns.evergreen)):
        at = look[owner == k]
        through = (slope[..., at] > low[owner == k]) & (slope[..., at] < high[owner == k])
        log[..., at] += np.multiply.outer(pair, through)
    if site.surface is None:
        for k, pair in enumerate(light.log_light(site.crown_evergreen)):
            log += np.multiply.outer(pair, prism_hits(mount, site.crown_prisms, k, looks, slope))
    behind = slope < _canopy(site, mount, looks, rasters)
    log += np.multiply.outer(light.log_light(np.array([site.canopy_evergreen]))[0], behind)
    return np.exp(log)


def _picture(
    site: Site, mount: Floats, picture: Directions, shape: Floats, rasters: SiteGround
) -> tuple[Floats, Floats]:
    """Elevation in degrees of what is opaque and of crowns along `picture`, to half a degree for what hangs."""
    veil, shown = _canopy(site, mount, picture, rasters), shape.copy()
    if site.surface is None:
        _, look, low, high = crown_spans(mount, site.crowns, picture)
        np.maximum.at(veil, look, np.where(high > low, high, 0.0))
        steps = np.tan(np.radians(np.arange(0.25, 90.0, 0.5)))
        grid = np.repeat(steps[:, None], len(picture), axis=1)
        for k in range(len(site.crown_prisms)):
            hit = prism_hits(mount, site.crown_prisms, k, picture, grid)
            veil = np.maximum(veil, np.where(hit, grid, 0.0).max(axis=0))
        for k in _hanging(site, mount):
            hit = prism_hits(mount, site.buildings, k, picture, grid)
            shown = np.maximum(shown, np.where(hit, grid, 0.0).max(axis=0))
    degrees = np.degrees(np.arctan(np.maximum(0.0, np.vstack([shown, veil]))))
    return picture.unsort(degrees[0]), picture.unsort(degrees[1])


def _sky_views(
    site: Site, mount: Floats, picture: Directions, shape: Floats, light: CrownLight, rasters: SiteGround
) -> Floats:
    """(2,) share of an even sky's light on the level sensor, leafless and in leaf, ring by ring of the sky."""
    bounds = np.radians(np.arange(0.0, 90.0 + PATCH_DEG, PATCH_DEG))[:, None]
    low, high, floor = bounds[:-1], bounds[1:], np.sin(np.arctan(shape)) ** 2
    seen = np.clip(np.sin(high) ** 2 - np.maximum(np.sin(low) ** 2, floor), 0.0, None)
    rays = np.repeat(np.tan((low + high) / 2), len(picture), axis=1)
    passed = _through_crowns(site, mount, picture, rays, light, rasters)
    for k in _hanging(site, mount):
        passed = np.where(prism_hits(mount, site.buildings, k, picture, rays), 0.0, passed)
    return np.asarray((seen * passed).mean(axis=-1).sum(axis=-1))
