"""How sure the light is: what changes when the sensor stands a little elsewhere, or things are a little higher.

Three causes, taken as independent: where it is fixed, how high buildings and trees are, and what crowns let
through. Each is moved one standard deviation to either side; half the difference is its part, and the parts add in
quadrature.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planner.site import Floats, Prisms, Site
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

    placing_m: standard deviation of where the head really stands, east, north and up. heights_share: of heights
    above ground of buildings and trees. crown_light: of the share of light that a crown lets through.
    """
    mounts, light = np.asarray(mounts_xyz, float).reshape(-1, 3), crowns or CrownLight()
    higher, lower = (_raised(site, 1.0 + sign * heights_share) for sign in (1, -1))
    more, less = (
        replace(
            light,
            in_leaf=float(np.clip(light.in_leaf + sign * crown_light, 1e-3, 1.0)),
            leafless=float(np.clip(light.leafless + sign * crown_light, 1e-3, 1.0)),
        )
        for sign in (1, -1)
    )
    pairs = [((site, placing_m * axis, light), (site, -placing_m * axis, light)) for axis in np.eye(3)]
    pairs += [((higher, np.zeros(3), light), (lower, np.zeros(3), light))]
    pairs += [((site, np.zeros(3), more), (site, np.zeros(3), less))]
    squares = np.zeros((2, len(mounts), 12))
    for pair in pairs:
        one, other = (
            year_of_light(
                where, mounts + shift, sun, terrain_reach_m=terrain_reach_m, crowns=through, in_leaf=in_leaf
            )
            for where, shift, through in pair
        )
        squares[0] += ((one.light_share - other.light_share) / 2) ** 2
        squares[1] += ((one.direct_h - other.direct_h) / 2) ** 2
    return [LightSpread(share, hours) for share, hours in zip(*np.sqrt(squares), strict=True)]


def _raised(site: Site, factor: float) -> Site:
    """The site with all that stands on it higher above ground by a factor; mounts stay where they are."""
    crowns = site.crowns
    lift = (crowns.centre[:, 2] - site.ground_at(crowns.centre[:, :2])) * (factor - 1.0)
    taller = replace(
        crowns,
        centre=crowns.centre + lift[:, None] * np.array([0.0, 0.0, 1.0]),
        half_height_m=crowns.half_height_m * factor,
    )
    return replace(
        site,
        buildings=_taller(site, site.buildings, factor),
        crown_prisms=_taller(site, site.crown_prisms, factor),
        crowns=taller,
    )


def _taller(site: Site, solids: Prisms, factor: float) -> Prisms:
    if not len(solids):
        return solids
    spots = np.array([shape.representative_point().coords[0][:2] for shape in solids.shapes])
    ground = site.ground_at(spots)
    return replace(solids, top_m=ground + (solids.top_m - ground) * factor)
