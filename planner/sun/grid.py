"""Light over a whole site on an even grid: what a sensor would keep if it stood there.

The same year of light as for mounts, tile by tile, so that memory does not grow with the site (besides the result).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from planner.records import compared
from planner.site import Bools, Floats, Ints, Site
from planner.sun.path import SunTable
from planner.sun.result import SunResult
from planner.sun.year import year_of_light

TILE = 32  # cells along a tile's side: near together, so that the same obstacles serve, and few enough for memory
MOST_CELLS = 60_000  # inside a site; beyond it the cells grow

Year = Callable[..., SunResult]  # as planner.sun.year_of_light


@compared
@dataclass(frozen=True)
class LightGrid:
    """Cells of `cell_m`, row 0 the northernmost; left_m, top_m: outer corner of the first, in the site's frame.

    light_share, direct_h: (rows, cols, 12) as in SunResult, NaN outside the site. on_roof: (rows, cols) the cell's
    middle is on a roof. ground_m, roof_m: the head's height above ground and above roofs.
    """

    light_share: NDArray[np.float32]
    direct_h: NDArray[np.float32]
    on_roof: Bools
    left_m: float
    top_m: float
    cell_m: float
    ground_m: float
    roof_m: float

    def worst(self, season: Bools) -> NDArray[np.float32]:
        """(rows, cols) share of light kept in the worst month of `season` (12,), of the year if that has none."""
        among = np.flatnonzero(season) if np.any(season) else np.arange(12)
        return np.asarray(self.light_share[:, :, among].min(axis=2))


def light_grid(
    site: Site,
    sun: SunTable,
    *,
    cell_m: float = 5.0,
    ground_m: float = 3.0,
    roof_m: float = 0.6,
    most_cells: int = MOST_CELLS,
    progress: Callable[[int, int], None] | None = None,
    year: Year = year_of_light,
) -> LightGrid:
    """Light at the middle of every cell inside the site's outline.

    A cell stands for its middle: a shade narrower than a cell may be missed.

    Parameters
    ----------
    site, sun
        The site in its frame, and the sun's year.
    cell_m
        Of the grid.
    ground_m, roof_m
        Height of the head over open ground, and over a roof.
    most_cells
        Where the site has more, cells grow until it has not.
    progress
        Called as progress(done, total) as tiles end.
    year
        Where more is to be said of how light is reckoned, `year_of_light` with that filled in.

    Returns
    -------
    LightGrid
    """
    cell_m = max(cell_m, float(np.sqrt(site.outline.area / most_cells)))
    west, south, east, north = site.outline.bounds
    cols, rows = (max(1, int(np.ceil(span / cell_m - 1e-9))) for span in (east - west, north - south))
    light = np.full((rows, cols, 12), np.nan, np.float32)
    hours = np.full((rows, cols, 12), np.nan, np.float32)
    roof = np.zeros((rows, cols), bool)
    shapely.prepare(site.outline)
    tree = shapely.STRtree(site.buildings.shapes)
    done, total = 0, rows * cols
    for r, c in _tiles(rows, cols):
        xy = np.stack([west + (c + 0.5) * cell_m, north - (r + 0.5) * cell_m], axis=-1)
        inside = shapely.contains_xy(site.outline, xy)
        if inside.any():
            r_in, c_in, xy = r[inside], c[inside], xy[inside]
            stands_on, on_roof = _stands_on(site, tree, xy)
            xyz = np.column_stack([xy, stands_on + np.where(on_roof, roof_m, ground_m)])
            found = year(site, xyz, sun)
            light[r_in, c_in], hours[r_in, c_in], roof[r_in, c_in] = found.light_share, found.direct_h, on_roof
        done += len(r)
        if progress:
            progress(done, total)
    return LightGrid(light, hours, roof, west, north, cell_m, ground_m, roof_m)


def _tiles(rows: int, cols: int) -> Iterator[tuple[Ints, Ints]]:
    """Rows and columns of the cells of each tile."""
    for r0 in range(0, rows, TILE):
        for c0 in range(0, cols, TILE):
            r, c = np.mgrid[r0 : min(r0 + TILE, rows), c0 : min(c0 + TILE, cols)]
            yield r.ravel(), c.ravel()


def _stands_on(site: Site, tree: shapely.STRtree, xy: Floats) -> tuple[Floats, Bools]:
    """Height of the ground or of the highest roof at (n, 2) points, and whether it is a roof."""
    ground = site.ground_at(xy)
    top = ground.copy()
    point, prism = tree.query(shapely.points(xy), predicate="intersects")
    np.maximum.at(top, point, site.buildings.top_m[prism])
    return top, top > ground
