"""All that stands between the mounts of a site and the sky, ready to be walked: made once, asked by every part of
the sun, from any thread."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from planner.ground import SiteGround, site_ground
from planner.site import Floats, Heights, Prisms, Site, no_prisms
from planner.sun.hierarchy import Tree, pack, with_tops
from planner.sun.leaves import CrownLight, leaf_share, prism_mean_chord_m


@dataclass(frozen=True)
class Shading:
    """How a site's sun is reckoned.

    ground: its rasters. buildings, grown: its footprints and crown polygons, empty where a surface model stands in
    for them. terrain_reach_m: how far hills are looked for. crown_light: what crowns let through. in_leaf: (12,)
    share of each month that deciduous trees are in leaf. rasters: what `ground` was made of, terrain aside.
    """

    ground: SiteGround
    buildings: Tree
    grown: Tree
    terrain_reach_m: float
    crown_light: CrownLight
    in_leaf: Floats
    rasters: tuple[Heights | None, ...]

    def with_heights_of(self, site: Site) -> Shading:
        """The same for a site that differs in nothing but the heights of what stands on its ground."""
        buildings, grown = _solids(site)
        rasters = _rasters(site)
        alike = all(one is other for one, other in zip(rasters, self.rasters, strict=True))
        return replace(
            self,
            ground=self.ground if alike else site_ground(site, self.ground.ground),
            rasters=rasters,
            buildings=with_tops(self.buildings, buildings.top_m),
            grown=with_tops(self.grown, grown.top_m),
        )


def shading(
    site: Site,
    *,
    terrain_reach_m: float = 20_000.0,
    crown_light: CrownLight | None = None,
    in_leaf: Floats | None = None,
) -> Shading:
    """Pack what shades on a site.

    Parameters
    ----------
    site
        In its local frame.
    terrain_reach_m
        Distance in metres to which the terrain's horizon is looked for; 0 leaves hills out.
    crown_light
        What crowns let through; `CrownLight()` where it is not given.
    in_leaf
        (12,) share of each month, January first, that deciduous trees are in leaf; by latitude where it is not
        given.

    Returns
    -------
    Shading
        Good for this site until anything on it changes.
    """
    buildings, grown = _solids(site)
    return Shading(
        site_ground(site),
        pack(buildings),
        pack(grown),
        terrain_reach_m,
        crown_light or CrownLight(),
        leaf_share(site.latitude_deg) if in_leaf is None else in_leaf,
        _rasters(site),
    )


def crown_chords(grown: Prisms) -> Floats:
    """(n,) mean length of all straight ways through crown polygons, metres."""
    shapes = np.array(grown.shapes, object)
    return prism_mean_chord_m(shapely.area(shapes), shapely.length(shapes), grown.top_m - grown.base_m)


def _rasters(site: Site) -> tuple[Heights | None, ...]:
    return site.surface, site.surface_far, site.canopy, site.canopy_far


def _solids(site: Site) -> tuple[Prisms, Prisms]:
    return (site.buildings, site.crown_prisms) if site.surface is None else (no_prisms(), no_prisms())
