"""A year of light for every mount, step by step: the plain form that faster ones are tested against."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from planner.site import Bools, Floats, Ints, Site, no_crowns
from planner.sun.horizon import (
    Directions,
    crown_spans,
    directions,
    prism_hits,
    prism_tangent,
    raster_tangent,
)
from planner.sun.path import SunTable, leaf_on

# Share of the sun's light that passes a crown: Heisler (1986), Urban Ecology 9:337-359, sugar maple, clear sky,
# south wall: about 80 % cut in leaf and nearly 40 % leafless. Evergreens are taken as in leaf all year.
IN_LEAF, LEAFLESS = 0.20, 0.60

PICTURE_AZIMUTH_DEG = np.arange(360.0)
PATCH_DEG = 2.0  # sky patches, for the part of the sky behind crowns and canopies only
SURFACE_REACH_M = 300.0
TERRAIN_AZIMUTH_DEG = np.arange(360.0)
SURFACE_AZIMUTH_DEG = np.arange(0.0, 360.0, 0.5)


@dataclass(frozen=True)
class SunResult:
    """What each mount gets, one row a mount (n), months January first.

    direct_h: (n, 12) hours of direct sun in a clear mean day, neither opaque things nor crowns in the way;
    open_direct_h: (12,) the same under an open sky.
    light_share: (n, 12) share of the open sky's clear-sky energy on the level that is kept (beam and diffuse).
    beam_share: (n, 12) the same of the beam alone.
    sky_view: (n, 12) share of an even sky's light that reaches the level sensor (leaf season changes it).
    horizon_deg: (n, 360) elevation of what is opaque at azimuths 0, 1, ... 359 degrees, for the picture.
    veil_deg: (n, 360) the same of crowns, which let part of the light through; 0 where none.
    """

    direct_h: Floats
    open_direct_h: Floats
    light_share: Floats
    beam_share: Floats
    sky_view: Floats
    horizon_deg: Floats
    veil_deg: Floats


def year_of_light(
    site: Site,
    mounts_xyz: Floats,
    sun: SunTable,
    *,
    terrain_reach_m: float = 20_000.0,
    progress: Callable[[int, int], None] | None = None,
) -> SunResult:
    """Direct hours and light kept at (n, 3) mounts.

    The sunlit test is made at the sun's own azimuth: against the edges of prisms, the tangents of crowns, and the
    ground. The diffuse part is isotropic: the sky view weighs it. progress(done, total) is called as mounts end.
    """
    looks, picture, patches = directions(sun.azimuth_deg), directions(PICTURE_AZIMUTH_DEG), _patches()
    leaves = np.array(leaf_on(site.latitude_deg))
    done = 0

    def one(mount: Floats) -> tuple[Floats, ...]:
        return _one_mount(site, mount, sun, looks, picture, patches, leaves, terrain_reach_m)

    rows = []
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for row in pool.map(one, np.asarray(mounts_xyz, float).reshape(-1, 3)):
            rows.append(row)
            done += 1
            if progress:
                progress(done, len(mounts_xyz))
    open_h = sun.monthly(sun.hours_per_day)
    if not rows:
        none = np.empty((0, 12))
        return SunResult(none, open_h, none, none, none, np.empty((0, 360)), np.empty((0, 360)))
    direct, light, beam, view, horizon, veil = (np.vstack(column) for column in zip(*rows, strict=True))
    return SunResult(direct, open_h, light, beam, view, horizon, veil)


def _one_mount(
    site: Site,
    mount: Floats,
    sun: SunTable,
    looks: Directions,
    picture: Directions,
    patches: _Patches,
    leaves: Bools,
    terrain_reach_m: float,
) -> tuple[Floats, ...]:
    far = _rasters(site, mount, terrain_reach_m)
    veil_raster = _canopy(site, mount)

    # the beam, at the sun's own azimuths (sorted once)
    tangent = _opaque(site, mount, looks, far)
    tan_sun = np.tan(np.radians(sun.elevation_deg[looks.order]))
    month = sun.month[looks.order]
    lit = tan_sun > tangent
    for k in _hanging(site, mount):
        lit &= ~prism_hits(mount, site.buildings, k, looks, tan_sun)
    passed = _through_crowns(site, mount, looks, _crowns(site, mount, looks), tan_sun, leaves[month], veil_raster)
    beam_kept = looks.unsort(lit * passed)
    clear = looks.unsort((lit & (passed == 1.0)).astype(float))

    crowns = _crowns(site, mount, picture)
    horizon, horizon_deg, veil_deg = _picture(site, mount, picture, crowns, far, veil_raster)
    view = np.empty(12)
    for in_leaf in (True, False):
        view[leaves == in_leaf] = _sky_view(site, mount, picture, crowns, horizon, patches, in_leaf, veil_raster)

    beam, diffuse = sun.monthly(sun.beam_wh_m2), sun.monthly(sun.diffuse_wh_m2)
    kept = sun.monthly(sun.beam_wh_m2 * beam_kept)
    with np.errstate(divide="ignore", invalid="ignore"):  # polar night has no light to keep
        light = np.where(beam + diffuse > 0, (kept + diffuse * view) / (beam + diffuse), 1.0)
        beam_share = np.where(beam > 0, kept / beam, 1.0)
    return sun.monthly(sun.hours_per_day * clear), light, beam_share, view, horizon_deg, veil_deg


def opaque_tangent(site: Site, mount: Floats, looks: Directions, terrain_reach_m: float) -> Floats:
    """Tangent of the opaque horizon (prisms, ground, surface model) along `looks`; hanging roofs are not in it."""
    return _opaque(site, mount, looks, _rasters(site, mount, terrain_reach_m))


def _opaque(site: Site, mount: Floats, looks: Directions, far: tuple[Floats, Floats] | None) -> Floats:
    ground = _interpolate(far, looks.azimuth_deg)
    if site.surface is not None:  # it stands in for the prisms
        return ground
    return np.maximum(prism_tangent(mount, site.buildings, looks), ground)


def _hanging(site: Site, mount: Floats) -> list[int]:
    """Buildings whose underside is above the mount: there is sky beneath them."""
    return [] if site.surface is not None else np.flatnonzero(site.buildings.base_m > mount[2]).tolist()


def _rasters(site: Site, mount: Floats, terrain_reach_m: float) -> tuple[Floats, Floats] | None:
    """Tangent of the horizon over ground and surface model, as (azimuths, tangents)."""
    found = []
    if site.terrain is not None and terrain_reach_m > 0:
        found.append(
            (
                TERRAIN_AZIMUTH_DEG,
                raster_tangent(
                    mount, site.terrain, TERRAIN_AZIMUTH_DEG, terrain_reach_m, start_m=site.terrain.cell_m
                ),
            )
        )
    if site.surface is not None:
        # the mount's own cell and the next one are left out: they hold its own support
        found.append(
            (
                SURFACE_AZIMUTH_DEG,
                raster_tangent(
                    mount,
                    site.surface,
                    SURFACE_AZIMUTH_DEG,
                    SURFACE_REACH_M,
                    start_m=1.5 * site.surface.cell_m,
                    growth=0.0,
                    nearest=True,
                ),
            )
        )
    if not found:
        return None
    azimuth = max((a for a, _ in found), key=len)
    return azimuth, np.max([np.interp(azimuth, a, t, period=360.0) for a, t in found], axis=0)


def _canopy(site: Site, mount: Floats) -> tuple[Floats, Floats] | None:
    """Tangent of the upper edge of a canopy raster; it is taken as crowns down to the ground."""
    if site.canopy is None:
        return None
    ground = site.terrain if site.terrain is not None else site.canopy
    if site.terrain is None:
        tangent = raster_tangent(
            mount,
            site.canopy,
            SURFACE_AZIMUTH_DEG,
            SURFACE_REACH_M,
            start_m=1.5 * site.canopy.cell_m,
            growth=0.0,
            nearest=True,
        )
    else:
        tangent = raster_tangent(
            mount,
            ground,
            SURFACE_AZIMUTH_DEG,
            SURFACE_REACH_M,
            start_m=1.5 * site.canopy.cell_m,
            growth=0.0,
            extra=site.canopy,
        )
        # where nothing grows the ground itself would count: only what is above it is a veil
        bare = raster_tangent(
            mount,
            ground,
            SURFACE_AZIMUTH_DEG,
            SURFACE_REACH_M,
            start_m=1.5 * site.canopy.cell_m,
            growth=0.0,
        )
        tangent = np.where(tangent > bare, tangent, 0.0)
    return SURFACE_AZIMUTH_DEG, tangent


def _interpolate(raster: tuple[Floats, Floats] | None, azimuth_deg: Floats) -> Floats:
    if raster is None:
        return np.zeros(len(azimuth_deg))
    return np.interp(azimuth_deg, raster[0], raster[1], period=360.0)


CrownSpans = tuple[Ints, Ints, Floats, Floats]  # what horizon.crown_spans returns


def _crowns(site: Site, mount: Floats, looks: Directions) -> CrownSpans:
    """Where crowns stand, unless a surface model stands in for them."""
    return crown_spans(mount, site.crowns if site.surface is None else no_crowns(), looks)


def _through_crowns(
    site: Site,
    mount: Floats,
    looks: Directions,
    crowns: CrownSpans,
    tan_elevation: Floats,
    in_leaf: Bools,
    canopy: tuple[Floats, Floats] | None,
) -> Floats:
    """Share of the light that passes all crowns on its way, (n,) along `looks`; crowns in a row multiply."""
    log = np.zeros(len(looks))
    leafy, leafless = np.log(IN_LEAF), np.log(LEAFLESS)
    owner, look, low, high = crowns
    if owner.size:
        through = (tan_elevation[look] > low) & (tan_elevation[look] < high)
        owner, look = owner[through], look[through]
        dense = site.crowns.evergreen[owner] | in_leaf[look]
        log += np.bincount(look, weights=np.where(dense, leafy, leafless), minlength=len(looks))
    if site.surface is None:
        for k in range(len(site.crown_prisms)):
            hit = prism_hits(mount, site.crown_prisms, k, looks, tan_elevation)
            log += np.where(hit, np.where(site.crown_evergreen[k] | in_leaf, leafy, leafless), 0.0)
    if canopy is not None:
        behind = tan_elevation < _interpolate(canopy, looks.azimuth_deg)
        log += np.where(behind, np.where(site.canopy_evergreen | in_leaf, leafy, leafless), 0.0)
    return np.exp(log)


def _picture(
    site: Site,
    mount: Floats,
    picture: Directions,
    crowns: CrownSpans,
    far: tuple[Floats, Floats] | None,
    canopy: tuple[Floats, Floats] | None,
) -> tuple[Floats, Floats, Floats]:
    """Tangent of the opaque horizon, and elevation in degrees of what is opaque and of crowns, by whole azimuth."""
    horizon = _opaque(site, mount, picture, far)
    veil = _interpolate(canopy, picture.azimuth_deg)
    shown = horizon.copy()
    np.maximum.at(veil, crowns[1], crowns[3])
    if site.surface is None:
        steps = np.tan(np.radians(np.arange(0.5, 90.0)))
        grid = np.repeat(steps[:, None], len(picture), axis=1)
        for k in range(len(site.crown_prisms)):
            hit = prism_hits(mount, site.crown_prisms, k, picture, grid)
            veil = np.maximum(veil, np.where(hit, grid, 0.0).max(axis=0))
        for k in _hanging(site, mount):
            hit = prism_hits(mount, site.buildings, k, picture, grid)
            shown = np.maximum(shown, np.where(hit, grid, 0.0).max(axis=0))
    degrees = np.degrees(np.arctan(np.maximum(0.0, np.vstack([shown, veil]))))
    return horizon, picture.unsort(degrees[0]), picture.unsort(degrees[1])


@dataclass(frozen=True)
class _Patches:
    """Elevation rings of the sky: tangent of their centres, lower and upper sine squared (r,)."""

    tangent: Floats
    low: Floats
    high: Floats


def _patches() -> _Patches:
    bounds = np.radians(np.arange(0.0, 90.0 + PATCH_DEG, PATCH_DEG))
    return _Patches(np.tan((bounds[:-1] + bounds[1:]) / 2), np.sin(bounds[:-1]) ** 2, np.sin(bounds[1:]) ** 2)


def _sky_view(
    site: Site,
    mount: Floats,
    picture: Directions,
    crowns: CrownSpans,
    horizon: Floats,
    patches: _Patches,
    in_leaf: bool,
    canopy: tuple[Floats, Floats] | None,
) -> float:
    """Share of an even sky's light on the level sensor.

    Above an opaque horizon h the share of an azimuth is cos^2(h) = 1/(1 + tan^2 h), exactly; what crowns and
    hanging roofs take from it is summed over patches.
    """
    with np.errstate(over="ignore"):
        open_share = 1.0 / (1.0 + horizon**2)
    view = float(open_share.mean())
    hanging = _hanging(site, mount)
    if site.surface is None and not (len(site.crowns) or len(site.crown_prisms) or hanging) and canopy is None:
        return view
    ground = 1.0 - open_share  # sin^2 of the horizon
    leaf = np.full(len(picture), in_leaf)
    for tangent, low, high in zip(patches.tangent, patches.low, patches.high, strict=True):
        seen = np.clip(high - np.maximum(low, ground), 0.0, None)
        if not seen.any():
            continue
        rays = np.full(len(picture), tangent)
        passed = _through_crowns(site, mount, picture, crowns, rays, leaf, canopy)
        for k in hanging:
            passed = np.where(prism_hits(mount, site.buildings, k, picture, rays), 0.0, passed)
        view -= float((seen * (1.0 - passed)).mean())
    return view
