"""A year of light, step by step and in plain NumPy: what the compiled form (`year`) is tested against."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from planner.ground import SiteGround, site_ground
from planner.site import Floats, Site, no_crowns
from planner.sun.horizon import Directions, crown_spans, directions, prism_hits, prism_tangent
from planner.sun.leaves import CrownLight, leaf_share, over_the_month
from planner.sun.path import SunTable
from planner.sun.result import PICTURE_AZIMUTH_DEG, SunResult, along, raster_azimuth_deg, shade_of, sum_up

PATCH_DEG = 0.5  # rings of the sky, for the part of it behind crowns and canopies


def plain_year_of_light(
    site: Site,
    mounts_xyz: Floats,
    sun: SunTable,
    *,
    terrain_reach_m: float = 20_000.0,
    crowns: CrownLight | None = None,
    in_leaf: Floats | None = None,
) -> SunResult:
    """As :func:`planner.sun.year_of_light`, but that crowns always take their whole share."""
    light = crowns or CrownLight()
    leaf = leaf_share(site.latitude_deg) if in_leaf is None else in_leaf
    looks, picture = directions(sun.azimuth_deg), directions(PICTURE_AZIMUTH_DEG)
    rasters, n = site_ground(site), len(mounts_xyz)
    hours, beam, view = np.empty((n, 12)), np.empty((n, 12)), np.empty((n, 12))
    horizon, veil = np.empty((n, 360)), np.empty((n, 360))
    hidden = np.empty((n, len(looks)), bool)
    slope = np.tan(np.radians(sun.elevation_deg[looks.order]))
    for k, mount in enumerate(np.asarray(mounts_xyz, float)):
        # the beam, at the sun's own azimuths (sorted once)
        lit = slope > opaque_tangent(site, mount, looks, terrain_reach_m, rasters)
        for row in _hanging(site, mount):
            lit &= ~prism_hits(mount, site.buildings, row, looks, slope)
        passed = _through_crowns(site, mount, looks, slope, light, rasters)
        hidden[k] = looks.unsort(~lit | (passed[0] != 1.0))
        hours[k] = sun.monthly(np.where(hidden[k], 0.0, sun.hours_per_day))
        bare, leafy = (sun.monthly(sun.beam_wh_m2 * looks.unsort(lit * p)) for p in passed)
        beam[k] = over_the_month(leafy, bare, leaf)
        shape = opaque_tangent(site, mount, picture, terrain_reach_m, rasters)
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
    """(2, m) share of the light that passes all crowns, leafless and in leaf; crowns in a row multiply."""
    log = np.zeros((2, len(looks)))
    crowns = site.crowns if site.surface is None else no_crowns()
    owner, look, low, high = crown_spans(mount, crowns, looks)
    through = (slope[look] > low) & (slope[look] < high)
    each = light.log_light(crowns.evergreen)
    for state in (0, 1):
        log[state] += np.bincount(look[through], weights=each[owner[through], state], minlength=len(looks))
    if site.surface is None:
        for k, pair in enumerate(light.log_light(site.crown_evergreen)):
            log += prism_hits(mount, site.crown_prisms, k, looks, slope) * pair[:, None]
    behind = slope < _canopy(site, mount, looks, rasters)
    log += behind * light.log_light(np.array([site.canopy_evergreen]))[0][:, None]
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
    bounds = np.radians(np.arange(0.0, 90.0 + PATCH_DEG, PATCH_DEG))
    floor = np.sin(np.arctan(shape)) ** 2
    view = np.zeros(2)
    for low, high in pairwise(bounds):
        seen = np.clip(np.sin(high) ** 2 - np.maximum(np.sin(low) ** 2, floor), 0.0, None)
        rays = np.full(len(picture), np.tan((low + high) / 2))
        passed = _through_crowns(site, mount, picture, rays, light, rasters)
        for k in _hanging(site, mount):
            passed = np.where(prism_hits(mount, site.buildings, k, picture, rays), 0.0, passed)
        view += (seen * passed).mean(axis=1)
    return view
