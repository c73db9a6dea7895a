"""The plain form of a line's profile: one pair at a time, with shapely. What the compiled form is held against."""

from __future__ import annotations

import numpy as np
import shapely

from planner.reach.profile import BUILDING, CROWN, CROWN_PRISM, LEAST_STEPS
from planner.reach.radio import wavelength_m
from planner.site import Site


class PlainProfiles:
    def __init__(self, site: Site) -> None:
        self.site = site
        self.trees = {
            BUILDING: shapely.STRtree(site.buildings.shapes),
            CROWN_PRISM: shapely.STRtree(site.crown_prisms.shapes),
            CROWN: shapely.STRtree(
                shapely.buffer(shapely.points(site.crowns.centre[:, :2]), site.crowns.radius_m * 1.01)
            ),
        }

    def line(self, a, b):
        """Pieces (kind, row, enter_m, leave_m) sorted by where they start, and heights of the ground."""
        a, b = np.asarray(a, float), np.asarray(b, float)
        line = shapely.LineString([a[:2], b[:2]])
        long, plan = np.linalg.norm(b - a), line.length
        found = []
        for kind, solids in ((BUILDING, self.site.buildings), (CROWN_PRISM, self.site.crown_prisms)):
            for row in self.trees[kind].query(line, predicate="intersects"):
                for part in shapely.get_parts(shapely.intersection(line, solids.shapes[row])):
                    if part.geom_type != "LineString" or part.length <= 1e-6:
                        continue
                    ends = shapely.get_coordinates(part)[[0, -1]]
                    u, v = sorted(np.hypot(*(ends - a[:2]).T) / plan)
                    if kind == CROWN_PRISM:
                        u, v = self._between(a[2], b[2] - a[2], solids.base_m[row], solids.top_m[row], u, v)
                    if (v - u) * plan > 1e-6:
                        found.append((kind, int(row), u * long, v * long))
        for row in self.trees[CROWN].query(line, predicate="intersects"):
            c = self.site.crowns
            size = np.array([c.radius_m[row]] * 2 + [c.half_height_m[row]])
            o, d = (a - c.centre[row]) / size, (b - a) / size
            roots = np.roots([d @ d, 2 * o @ d, o @ o - 1])
            if np.isreal(roots).all():
                u, v = np.clip(np.sort(roots.real), 0, 1)
                if (v - u) * plan > 1e-6:
                    found.append((CROWN, int(row), u * long, v * long))
        terrain = self.site.terrain
        steps = LEAST_STEPS if terrain is None else max(LEAST_STEPS, int(np.ceil(plan / terrain.cell_m)))
        share = np.arange(steps + 1)[:, None] / steps
        xy = a[:2] + share * (b[:2] - a[:2])
        ground = np.zeros(steps + 1) if terrain is None else terrain.at(xy)
        return sorted(found, key=lambda piece: (piece[2], piece[0], piece[1])), ground

    @staticmethod
    def _between(az, dz, base, top, u, v):
        if dz == 0:
            return (u, v) if base <= az <= top else (0.0, 0.0)
        p, q = sorted(((base - az) / dz, (top - az) / dz))
        return max(u, p), min(v, q)


def edge_v(height_m, d1_m, d2_m, f_mhz):
    """ITU-R P.526: the knife edge's parameter for an edge `height_m` above the line (below: negative)."""
    d1, d2 = np.asarray(d1_m, float), np.asarray(d2_m, float)
    return np.asarray(np.asarray(height_m, float) * np.sqrt(2.0 / wavelength_m(f_mhz) * (1.0 / d1 + 1.0 / d2)))
