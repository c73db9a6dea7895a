"""How sure the light is: what changes when the sensor stands a little elsewhere, or things are a little higher.

Causes, taken as independent: where it is fixed, how high buildings and trees are, what crowns let through, where
the cells of a canopy raster end, the ground that the terrain does not know, and what stands where a surface model
knows nothing. Each is moved one standard
deviation to either side; half the difference is its part, and the parts add in quadrature. Nobody fixes a head
inside a wall: where one side is, the other side's whole difference counts; and so does what higher ground takes,
and what may stand on it, for the light is reckoned as if these took none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from planner.gaps import higher_ground, higher_surface
from planner.ground import centres, overhead, site_surface
from planner.records import compared
from planner.site import SURROUNDINGS_M, Bools, Floats, Heights, Ints, Prisms, Site
from planner.sun.path import SunTable
from planner.sun.shading import Shading, shading
from planner.sun.year import year_of_light


@compared
@dataclass(frozen=True)
class LightSpread:
    """Standard deviations of one mount's light, months January first.

    light_share (12,): of the share of light kept. direct_h (12,): of the hours of direct sun.
    """

    light_share: Floats
    direct_h: Floats


@dataclass(frozen=True)
class Doubt:
    """Standard deviations of what the light is reckoned from.

    placing_m: of where the head really stands, east, north and up. heights_share: of heights above ground of
    buildings and trees. crown_light: of the share of light that a crown lets through.
    """

    placing_m: float
    heights_share: float
    crown_light: float


def light_spread(
    site: Site, mounts_xyz: Floats, building: Ints, sun: SunTable, doubt: Doubt, shade: Shading | None = None
) -> list[LightSpread]:
    """Spread of the light at mounts.

    Parameters
    ----------
    site
        In its local frame.
    mounts_xyz
        (n, 3) heads of the sensors, metres.
    building
        (n,) row of the building that carries each, -1 for none (see `carriers`); its height does not change, for
        the mount stands on it: what counts is how much higher the others are.
    sun
        The sun's year.
    doubt
        Beside a surface model the place is unsure by at least half its cell, for its walls may stand off by as
        much; and so are a canopy raster's leaves.
    shade
        As `year_of_light` was given it.

    Returns
    -------
    list of LightSpread
        One a mount.
    """
    mounts = np.asarray(mounts_xyz, float).reshape(-1, 3)
    rows, known = np.asarray(building, np.int64), shade or shading(site)

    both = np.full(len(mounts), 2)  # sides that were tried

    def year(where: Site, at: Floats, how: Shading) -> tuple[Floats, Floats]:
        found = year_of_light(where, at, sun, how)
        return found.light_share, found.direct_h

    def moved(step_m: Floats) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats], Ints]:
        there = [mounts + sign * step_m for sign in (1, -1)]
        shut = [_walled_in(site, at, known) for at in there]
        one, other = (
            year(site, np.where(inside[:, None], mounts, at), known) for at, inside in zip(there, shut, strict=True)
        )
        return one, other, 2 - shut[0].astype(np.int64) - shut[1]

    def others_raised(factor: float) -> tuple[Floats, Floats]:
        share, hours = np.empty((len(mounts), 12)), np.empty((len(mounts), 12))
        taller = _raised(site, factor)
        for own in np.unique(rows):
            mine, there = rows == own, _but_for(taller, site, int(own))
            share[mine], hours[mine] = year(there, mounts[mine], known.with_heights_of(there))
        return share, hours

    def leaves_aside(east: int, north: int) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats], Ints]:
        there = [_leaves_moved(site, sign * east, sign * north) for sign in (1, -1)]
        one, other = (year(where, mounts, known.with_heights_of(where)) for where in there)
        return one, other, both

    def hills() -> list[tuple[tuple[Floats, Floats], tuple[Floats, Floats], Ints]]:
        ground = higher_ground(known.ground.ground, site.outline.bounds, known.terrain_reach_m)
        if ground is None:
            return []
        higher = replace(known, ground=replace(known.ground, ground=ground))
        return [(year(site, mounts, known), year(site, mounts, higher), both - 1)]

    def standing_there() -> list[tuple[tuple[Floats, Floats], tuple[Floats, Floats], Ints]]:
        surface = higher_surface(
            [h for h in (site.surface, site.surface_far) if h is not None], site.outline.bounds, SURROUNDINGS_M
        )
        if surface is None:
            return []
        higher = replace(known, ground=replace(known.ground, surface=site_surface(site, surface)))
        return [(year(site, mounts, known), year(site, mounts, higher), both - 1)]

    more, less = (_lighter(known, sign * doubt.crown_light) for sign in (1, -1))
    beside_m = max(doubt.placing_m, site.surface.cell_m / 2) if site.surface is not None else doubt.placing_m
    leaves = [] if site.canopy is None else [leaves_aside(east, north) for east, north in ((1, 0), (0, 1))]
    pairs = [
        *leaves,
        *hills(),
        *standing_there(),
        *(moved(step_m) for step_m in np.diag([beside_m, beside_m, doubt.placing_m])),
        (others_raised(1.0 + doubt.heights_share), others_raised(1.0 - doubt.heights_share), both),
        (year(site, mounts, more), year(site, mounts, less), both),
    ]
    squares = sum(
        ((np.array(one) - np.array(other)) / np.maximum(sides, 1)[:, None]) ** 2 for one, other, sides in pairs
    )
    return [LightSpread(share, hours) for share, hours in zip(*np.sqrt(squares), strict=True)]


def _lighter(shade: Shading, more: float) -> Shading:
    light = shade.crown_light
    in_leaf, leafless = (float(np.clip(share + more, 1e-3, 1.0)) for share in (light.in_leaf, light.leafless))
    return replace(shade, crown_light=replace(light, in_leaf=in_leaf, leafless=leafless))


def carriers(site: Site, mounts_xyz: Floats, building: Ints) -> Ints:
    """The building that carries each mount.

    Parameters
    ----------
    site
        In its local frame.
    mounts_xyz
        (n, 3) heads.
    building
        (n,) row of the building where it is known; where it is -1 (points that the plan names) the highest roof
        beneath the head is taken.

    Returns
    -------
    ndarray of int, shape (n,)
        -1 for none.
    """
    mounts = np.asarray(mounts_xyz, float).reshape(-1, 3)
    point, roof = shapely.STRtree(site.buildings.shapes).query(shapely.points(mounts[:, :2]), "intersects")
    beneath = (site.buildings.top_m[roof] <= mounts[point, 2]) & (np.asarray(building)[point] < 0)
    point, roof = point[beneath], roof[beneath]
    by = np.argsort(site.buildings.top_m[roof], kind="stable")  # the highest is written last
    found = np.array(building, np.int64)
    found[point[by]] = roof[by]
    return found


def _walled_in(site: Site, xyz: Floats, shade: Shading) -> Bools:
    """(n,) whether a place is inside a building, or under what a surface model shows there."""
    if site.surface is not None:
        return overhead(shade.ground.surface, xyz)
    within = np.zeros(len(xyz), bool)
    solids = site.buildings
    point, prism = shapely.STRtree(solids.shapes).query(shapely.points(xyz[:, :2]), "intersects")
    z = xyz[point, 2]
    within[point[(solids.base_m[prism] < z) & (z < solids.top_m[prism])]] = True
    return within


def _raised(site: Site, factor: float) -> Site:
    """The site with all that stands on it higher above ground by a factor."""
    crowns = site.crowns
    lift = (crowns.centre[:, 2] - site.ground_at(crowns.centre[:, :2])) * (factor - 1.0)
    taller = replace(
        crowns,
        centre=crowns.centre + lift[:, None] * np.array([0.0, 0.0, 1.0]),
        half_height_m=crowns.half_height_m * factor,
    )

    def cells(surface: Heights | None) -> Heights | None:
        if surface is None:
            return None
        ground = site.ground_at(centres(surface))
        return replace(surface, values=ground + (surface.values - ground) * factor)

    def leaves(canopy: Heights | None) -> Heights | None:
        return None if canopy is None else replace(canopy, values=canopy.values * factor)

    return replace(
        site,
        buildings=_taller(site, site.buildings, factor),
        crown_prisms=_taller(site, site.crown_prisms, factor),
        crowns=taller,
        surface=cells(site.surface),
        surface_far=cells(site.surface_far),
        canopy=leaves(site.canopy),
        canopy_far=leaves(site.canopy_far),
    )


def _leaves_moved(site: Site, east: int, north: int) -> Site:
    """The site with its canopy raster half a cell aside."""
    canopy = site.canopy
    if canopy is None:
        return site
    half = canopy.cell_m / 2
    return replace(
        site, canopy=replace(canopy, left_m=canopy.left_m + east * half, top_m=canopy.top_m + north * half)
    )


def _taller(site: Site, solids: Prisms, factor: float) -> Prisms:
    spots = shapely.get_coordinates(shapely.point_on_surface(np.array(solids.shapes, object)))
    ground = site.ground_at(spots)
    return replace(solids, top_m=ground + (solids.top_m - ground) * factor)


def _but_for(taller: Site, site: Site, own: int) -> Site:
    """`taller`, but that building `own` (-1 for none) is as high as on the site."""
    if own < 0:
        return taller
    top_m, surface = taller.buildings.top_m.copy(), taller.surface
    top_m[own] = site.buildings.top_m[own]
    if surface is not None and site.surface is not None:  # and the cells that its edges cross
        x, y = np.moveaxis(centres(surface), -1, 0)
        mine = shapely.contains_xy(site.buildings.shapes[own].buffer(surface.cell_m), x, y)
        surface = replace(surface, values=np.where(mine, site.surface.values, surface.values))
    return replace(taller, buildings=replace(taller.buildings, top_m=top_m), surface=surface)
