"""Coverage: the margin of a receiver anywhere on the site, from one mount."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from planner.reach.link import Grade, ReachResult, grade, links, outdoors
from planner.reach.scene import Scene
from planner.site import Floats, Heights, Ints, Site

MOST_CELLS = 250_000  # beyond that the picture takes larger cells
BEYOND_M = 20.0  # drawn outside the site's outline


@dataclass(frozen=True)
class Coverage:
    """margin_db, probability: rasters, NaN inside buildings; grade: (rows, cols), -1 there.

    receiver_m: height of the receivers above the ground.
    """

    margin_db: Heights
    probability: Heights
    grade: Ints
    receiver_m: float


def coverage(
    site: Site,
    s: Scene,
    heads: Floats,
    heads_m: Floats,
    reached: ReachResult,
    *,
    cell_m: float,
    receiver_m: float,
) -> Coverage:
    """Links to receivers outdoors all over the site, by the radio and as asked of `reached`, from (k, 3) heads that
    are (k,) metres up: at each place that from the nearest head whose link is dependable, else the likeliest.
    """
    west, south, east, north = np.array(site.outline.bounds) + BEYOND_M * np.array([-1, -1, 1, 1])
    cell = max(cell_m, float(np.sqrt((east - west) * (north - south) / MOST_CELLS)))
    cols, rows = (int(np.ceil(span / cell)) for span in (east - west, north - south))
    x = west + (np.arange(cols) + 0.5) * cell
    y = north - (np.arange(rows) + 0.5) * cell
    xy = np.column_stack([grid.ravel() for grid in np.meshgrid(x, y)])
    free = np.ones(len(xy), bool)
    if len(site.buildings):
        # a roof on posts lets one stand beneath it
        walled = site.buildings.base_m <= site.ground_at(_middles(site)) + 0.5
        held = shapely.STRtree(np.array(site.buildings.shapes, object)[walled]).query(
            shapely.points(xy), predicate="within"
        )[0]
        free[held] = False
    ground = site.ground_at(xy[free])
    n = int(free.sum())
    there = np.column_stack([xy[free], ground + receiver_m])
    heads, heads_m = np.reshape(heads, (-1, 3)), np.atleast_1d(heads_m)
    nearest_first = np.argsort([np.hypot(*(there[:, :2] - head[:2]).T) for head in heads], axis=0)
    likeliest, margin = np.full((2, n), -np.inf)
    marks = np.zeros(n, np.int64)
    for by in nearest_first:
        at = np.flatnonzero(marks < Grade.DEPENDABLE)  # no other head gives a better grade than that
        found = links(
            s, heads[by[at]], heads_m[by[at]], outdoors(there[at], np.full(len(at), receiver_m)), reached.radio
        )
        mark = grade(found.probability, reached.asked, found.distance_m, reached.usable_m)
        # beyond the range that may be used a link counts for less, however likely
        better = (mark > marks[at]) | ((mark == marks[at]) & (found.probability > likeliest[at]))
        for kept, new in ((likeliest, found.probability), (margin, found.margin_db), (marks, mark)):
            kept[at[better]] = new[better]

    def raster(values: Floats) -> Heights:
        out = np.full(rows * cols, np.nan)
        out[free] = values
        return Heights(out.reshape(rows, cols), west, north, cell)

    all_marks = np.full(rows * cols, -1, np.int64)
    all_marks[free] = marks
    return Coverage(raster(margin), raster(likeliest), all_marks.reshape(rows, cols), receiver_m)


def _middles(site: Site) -> Floats:
    return np.asarray(shapely.get_coordinates(shapely.point_on_surface(np.array(site.buildings.shapes, object))))
