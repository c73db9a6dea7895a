"""How sure the light is: what changes when the sensor stands a little elsewhere, or things are a little higher.

Three causes, taken as independent: where it is fixed, how high buildings and trees are, and what crowns let
through. Each is moved one standard deviation to either side; half the difference is its part, and the parts add in
quadrature. Nobody fixes a head inside a wall: where one side is, the other side's whole difference counts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from planner.ground import centres, overhead, site_ground
from planner.site import Bools, Floats, Heights, Ints, Prisms, Site
from planner.sun.leaves import CrownLight
from planner.sun.path import SunTable
from planner.sun.year import year_of_light


@dataclass(frozen=True)
class LightSpread:
    """Standard deviations of one mount's light, months January first.

    light_share (12,): of the share of light kept. direct_h (12,): of the hours of direct sun.
    """

    light_share: Floats
    direct_h: Floats


def light_spread(
    site: Site,
    mounts_xyz: Floats,
    building: Ints,
    sun: SunTable,
    *,
    placing_m: float,
    heights_share: float,
    crown_light: float,
    terrain_reach_m: float = 20_000.0,
    crowns: CrownLight | None = None,
    in_leaf: Floats | None = None,
) -> list[LightSpread]:
    """Spread of the light at (n, 3) mounts.

    building: (n,) row of the building that carries each, -1 for none (see `carriers`); its height does not change,
    for the mount stands on it: what counts is how much higher the others are. placing_m: standard deviation of
    where the head really stands, east, north and up; beside a surface model at least half its cell, for its walls
    may stand off by as much. heights_share: of heights above ground of buildings and trees. crown_light: of the
    share of light that a crown lets through.
    """
    mounts, light = np.asarray(mounts_xyz, float).reshape(-1, 3), crowns or CrownLight()
    rows = np.asarray(building, np.int64)

    def year(where: Site, at: Floats, through: CrownLight) -> tuple[Floats, Floats]:
        found = year_of_light(where, at, sun, terrain_reach_m=terrain_reach_m, crowns=through, in_leaf=in_leaf)
        return found.light_share, found.direct_h

    def moved(step_m: Floats) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats], Ints]:
        there = [mounts + sign * step_m for sign in (1, -1)]
        shut = [_walled_in(site, at) for at in there]
        one, other = (
            year(site, np.where(inside[:, None], mounts, at), light) for at, inside in zip(there, shut, strict=True)
        )
        return one, other, 2 - shut[0].astype(np.int64) - shut[1]

    def others_raised(factor: float) -> tuple[Floats, Floats]:
        share, hours = np.empty((len(mounts), 12)), np.empty((len(mounts), 12))
        for own in np.unique(rows):
            mine = rows == own
            share[mine], hours[mine] = year(_raised(site, factor, int(own)), mounts[mine], light)
        return share, hours

    more, less = (
        replace(
            light,
            in_leaf=float(np.clip(light.in_leaf + sign * crown_light, 1e-3, 1.0)),
            leafless=float(np.clip(light.leafless + sign * crown_light, 1e-3, 1.0)),
        )
        for sign in (1, -1)
    )
    beside_m = max(placing_m, site.surface.cell_m / 2) if site.surface is not None else placing_m
    both = np.full(len(mounts), 2)
    pairs = [
        *(moved(step_m) for step_m in np.diag([beside_m, beside_m, placing_m])),
        (others_raised(1.0 + heights_share), others_raised(1.0 - heights_share), both),
        (year(site, mounts, more), year(site, mounts, less), both),
    ]
    squares = sum(
        ((np.array(one) - np.array(other)) / np.maximum(sides, 1)[:, None]) ** 2 for one, other, sides in pairs
    )
    return [LightSpread(share, hours) for share, hours in zip(*np.sqrt(squares), strict=True)]


def carriers(site: Site, mounts_xyz: Floats, building: Ints) -> Ints:
    """(n,) row of the building that carries each mount: `building`, or where that is -1 (points that the plan
    names) the highest roof beneath the head; -1 for none."""
    mounts = np.asarray(mounts_xyz, float).reshape(-1, 3)
    point, roof = shapely.STRtree(site.buildings.shapes).query(shapely.points(mounts[:, :2]), "intersects")
    beneath = (site.buildings.top_m[roof] <= mounts[point, 2]) & (np.asarray(building)[point] < 0)
    point, roof = point[beneath], roof[beneath]
    by = np.argsort(site.buildings.top_m[roof], kind="stable")  # the highest is written last
    found = np.array(building, np.int64)
    found[point[by]] = roof[by]
    return found


def _walled_in(site: Site, xyz: Floats) -> Bools:
    """(n,) whether a place is inside a building, or under what a surface model shows there."""
    if site.surface is not None:
        return overhead(site_ground(site).surface, xyz)
    within = np.zeros(len(xyz), bool)
    solids = site.buildings
    point, prism = shapely.STRtree(solids.shapes).query(shapely.points(xyz[:, :2]), "intersects")
    z = xyz[point, 2]
    within[point[(solids.base_m[prism] < z) & (z < solids.top_m[prism])]] = True
    return within


def _raised(site: Site, factor: float, own: int) -> Site:
    """The site with all that stands on it, but for building `own`, higher above ground by a factor."""
    crowns = site.crowns
    lift = (crowns.centre[:, 2] - site.ground_at(crowns.centre[:, :2])) * (factor - 1.0)
    taller = replace(
        crowns,
        centre=crowns.centre + lift[:, None] * np.array([0.0, 0.0, 1.0]),
        half_height_m=crowns.half_height_m * factor,
    )
    return replace(
        site,
        buildings=_taller(site, site.buildings, factor, own),
        crown_prisms=_taller(site, site.crown_prisms, factor, -1),
        crowns=taller,
        surface=_taller_cells(site, site.surface, factor, own) if site.surface is not None else None,
        canopy=replace(site.canopy, values=site.canopy.values * factor) if site.canopy is not None else None,
    )


def _taller_cells(site: Site, surface: Heights, factor: float, own: int) -> Heights:
    at = centres(surface)
    ground = site.ground_at(at)
    values = ground + (surface.values - ground) * factor
    if own >= 0:  # and the cells that its edges cross
        mine = shapely.contains_xy(site.buildings.shapes[own].buffer(surface.cell_m), at[..., 0], at[..., 1])
        values = np.where(mine, surface.values, values)
    return replace(surface, values=values)


def _taller(site: Site, solids: Prisms, factor: float, own: int) -> Prisms:
    if not len(solids):
        return solids
    spots = np.array([shape.representative_point().coords[0][:2] for shape in solids.shapes])
    ground = site.ground_at(spots)
    top_m = ground + (solids.top_m - ground) * factor
    if own >= 0:
        top_m[own] = solids.top_m[own]
    return replace(solids, top_m=top_m)
