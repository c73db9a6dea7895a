"""Openness to rain, and the places that shut a sensor out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from planner.site import Bools, Floats, Ints, KeepOut, Site

# WMO-No. 8, siting classification for precipitation: an obstacle's distance is at least 4, 2, 1 and 0.5 times
# its height above the gauge for classes 1 to 4. The ratios are from memory; the angles 14, 26.6 and 45 degrees
# are confirmed by an open implementation of the classification.
WMO_DISTANCE_PER_HEIGHT = (4.0, 2.0, 1.0, 0.5)


@dataclass(frozen=True)
class RainResult:
    """One row a mount (n).

    covered: (n,) something hangs over it. steepest_deg: (n,) elevation of the steepest obstacle (buildings and
    crowns; the ground itself does not count), steepest_azimuth_deg: (n,) where it stands, steepest_name: what it
    is. wmo_class: (n,) 1 to 5, WMO-No. 8 precipitation, by obstacles only.
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


def rain_and_surroundings(site: Site, xyz: Floats) -> RainResult:
    """Cover, the steepest obstacle, its WMO class, and distances to keep-outs for (n, 3) mounts.

    The steepest point of a building is the nearest point of its footprint; that of a crown is the tangent through
    its middle. Both are exact, whatever the azimuth. Where a surface model stands in for footprints, its cells
    are not looked at here: footprints and crowns still are.
    """
    xyz = np.asarray(xyz, float).reshape(-1, 3)
    n = len(xyz)
    points = shapely.points(xyz[:, :2])
    covered = np.zeros(n, bool)
    tangent = np.zeros(n)
    azimuth = np.full(n, np.nan)
    names = np.full(n, "", object)

    def take(steeper: Bools, value: Floats, bearing: Floats, name: str) -> None:
        tangent[steeper] = value[steeper]
        azimuth[steeper] = bearing[steeper]
        names[steeper] = name

    for solids in (site.buildings, site.crown_prisms):
        for k, shape in enumerate(solids.shapes):
            rise = solids.top_m[k] - xyz[:, 2]
            inside = shapely.intersects(shape, points)
            covered |= inside & (rise > 0)
            away = shapely.distance(shape, points)
            with np.errstate(divide="ignore", invalid="ignore"):
                value = np.where(inside | (rise <= 0), 0.0, rise / away)
            steeper = value > tangent
            if steeper.any():
                foot = shapely.get_coordinates(shapely.shortest_line(shape, points)).reshape(-1, 2, 2)[:, 0]
                take(steeper, value, _bearing(foot - xyz[:, :2]), solids.names[k])
    for k in range(len(site.crowns)):
        offset = site.crowns.centre[k] - xyz
        away, r, h = (
            np.hypot(offset[:, 0], offset[:, 1]),
            site.crowns.radius_m[k],
            site.crowns.half_height_m[k],
        )
        over = away <= r
        half = h * np.sqrt(np.clip(1 - (away / r) ** 2, 0, None))  # of the crown's thickness there
        covered |= over & (offset[:, 2] + half > 0)
        lead = away**2 - r**2
        with np.errstate(divide="ignore", invalid="ignore"):
            root = np.sqrt(np.maximum(0.0, (away * offset[:, 2]) ** 2 - lead * (offset[:, 2] ** 2 - h**2)))
            value = np.where(over, 0.0, (away * offset[:, 2] + root) / lead)
        take(value > tangent, value, _bearing(offset[:, :2]), site.crowns.names[k])
    nearest = {kind: _keep_out(site, points, kind) for kind in KeepOut}
    return RainResult(
        covered,
        np.where(covered, 90.0, np.degrees(np.arctan(tangent))),
        azimuth,
        tuple(names),
        rain_class(np.where(covered, np.inf, tangent)),
        nearest[KeepOut.SPRAY][0],
        nearest[KeepOut.HEAT][0],
        nearest[KeepOut.NO_ACCESS][0],
        nearest[KeepOut.SPRAY][1],
        nearest[KeepOut.HEAT][1],
        nearest[KeepOut.NO_ACCESS][1],
    )


def rain_class(tangent: Floats) -> Ints:
    """WMO-No. 8 precipitation class 1 to 5 from the tangent of the steepest obstacle's elevation, (n,)."""
    # a hair of slack keeps an obstacle exactly at a limit in the better class
    limits = np.array([1 / ratio for ratio in WMO_DISTANCE_PER_HEIGHT]) * (1 + 1e-9)
    return np.asarray(1 + np.searchsorted(limits, tangent, side="left"), np.int64)


def _bearing(offset: Floats) -> Floats:
    return np.asarray(np.degrees(np.arctan2(offset[:, 0], offset[:, 1])) % 360.0)


def _keep_out(site: Site, points: Floats, kind: KeepOut) -> tuple[Floats, tuple[str, ...]]:
    """Distance to the nearest keep-out of a kind, and its name."""
    mine = [k for k, found in enumerate(site.keep_outs.kinds) if found == kind]
    if not mine or not len(points):
        return np.full(len(points), np.inf), ("",) * len(points)
    away = np.array([shapely.distance(site.keep_outs.shapes[k], points) for k in mine])
    which = away.argmin(axis=0)
    return away.min(axis=0), tuple(site.keep_outs.names[mine[k]] for k in which)
