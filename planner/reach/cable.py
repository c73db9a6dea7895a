"""Cable: the cheapest route over the ground, along walls, through conduits and buildings, and its length.

A grid of prices a metre is laid over the site; scikit-image's minimum-cost path finds the way, which is then
drawn tight: pieces of it are replaced by straight lines where these cost no more. Prices are measured along the
lines themselves, not by the cells' steps. Slopes are not counted: 1 in 10 adds half a percent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import rasterio.features
import shapely
from rasterio.transform import from_origin

from planner import plan
from planner.reach.wire import WireCheck, check
from planner.site import Cover, Floats, Ints, KeepOut, Site
from planner.units import Units

MOST_CELLS = 1_500_000  # beyond that the grid takes larger cells
BEYOND_M = 15.0  # searched outside the site, the mount and the controllers
WALL_M = 1.2  # a cable this near to a wall is fixed to it
SEEN_AHEAD = 60  # bends looked over when the route is drawn tight
SURFACES = ("along walls", "lawn or soil", "paving", "under a road", "in a conduit", "inside buildings")
WALL, SOFT, PAVED, ROAD, CONDUIT, INSIDE, BARRED = range(7)


@dataclass(frozen=True)
class Ground:
    """Surfaces (rows, cols) by index into SURFACES, BARRED where no cable may go, and the price of each a metre."""

    surface: Ints
    price_m: Floats  # (7,), infinite for BARRED
    left_m: float
    top_m: float
    cell_m: float

    def at(self, xy: Floats) -> Ints:
        """Surface under (n, 2) points; BARRED outside the grid."""
        rows, cols = self.surface.shape
        col = np.floor((xy[:, 0] - self.left_m) / self.cell_m).astype(np.int64)
        row = np.floor((self.top_m - xy[:, 1]) / self.cell_m).astype(np.int64)
        inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        found = self.surface[np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)]
        return np.where(inside, found, BARRED)

    def run(self, xy: Floats) -> Floats:
        """(7,) metres of a polyline (n, 2) on each surface, measured at quarter cells."""
        step = np.diff(xy, axis=0)
        long = np.hypot(step[:, 0], step[:, 1])
        count = np.maximum(np.ceil(long / (self.cell_m / 4)).astype(np.int64), 1)
        of = np.repeat(np.arange(len(long)), count)
        # a little off the middle, so that samples of a diagonal never fall on the corner between four cells
        share = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + 0.47) / count[of]
        where = self.at(xy[:-1][of] + share[:, None] * step[of])
        return np.bincount(where, weights=(long / count)[of], minlength=7).astype(float)

    def cost(self, xy: Floats) -> float:
        """Price of laying a cable along a polyline; infinite where it meets what no cable may cross."""
        metres = self.run(np.asarray(xy, float))
        used = metres > 0
        return float(metres[used] @ self.price_m[used])


def ground(site: Site, prices: plan.Prices, cell_m: float, around: Floats) -> Ground:
    """The grid for routes within the site and around (n, 2) points.

    Barred: grounds that say so, and keep-outs of heat and without access. The reach of a sprinkler is lawn.
    """
    boxes = shapely.union_all([shapely.box(*site.outline.bounds), *shapely.points(around)]).buffer(BEYOND_M).bounds
    west, south, east, north = boxes
    cell = max(cell_m, float(np.sqrt((east - west) * (north - south) / MOST_CELLS)))
    shape = (int(np.ceil((north - south) / cell)), int(np.ceil((east - west) / cell)))
    turn = from_origin(west, north, cell, cell)
    surface = np.full(shape, SOFT, np.int64)

    def burn(shapes: list[shapely.Geometry], value: int, touched: bool = False) -> None:
        kept = [s for s in shapes if not s.is_empty]
        if kept:
            mask = rasterio.features.rasterize(kept, out_shape=shape, transform=turn, all_touched=touched)
            surface[mask == 1] = value

    of_cover = {Cover.SOFT: SOFT, Cover.PAVED: PAVED, Cover.ROAD: ROAD}
    for shape_k, cover in zip(site.grounds.shapes, site.grounds.covers, strict=True):
        if cover in of_cover:
            burn([shape_k], of_cover[cover])
    walled = [s for k, s in enumerate(site.buildings.shapes) if _stands(site, k)]
    burn([s.buffer(WALL_M, join_style="mitre") for s in walled], WALL)
    burn(walled, INSIDE)
    covers = list(zip(site.grounds.shapes, site.grounds.covers, strict=True))
    burn([s for s, cover in covers if cover is Cover.CONDUIT], CONDUIT, touched=True)
    burn([s for s, cover in covers if cover is Cover.BARRED], BARRED, touched=True)
    shut = (KeepOut.HEAT, KeepOut.NO_ACCESS)
    burn([s for s, k in zip(site.keep_outs.shapes, site.keep_outs.kinds, strict=True) if k in shut], BARRED, True)
    p = prices
    price = np.array([p.wall_m, p.lawn_m, p.paving_m, p.road_m, p.conduit_m, p.inside_m, np.inf])
    price[:6] += p.cable_m
    return Ground(surface, price, west, north, cell)


def _stands(site: Site, k: int) -> bool:
    """A building with walls to the ground; a cable passes under a roof on posts as in the open."""
    middle = np.asarray(site.buildings.shapes[k].representative_point().coords)[0, :2]
    return bool(site.buildings.base_m[k] <= site.ground_at(middle) + 0.5)


def routes(g: Ground, start: Floats, ends: Floats) -> list[Floats | None]:
    """The cheapest polyline from (2,) to each of (m, 2), None where what is barred shuts one off.

    Never dearer than the straight line, where that is allowed.
    """
    from skimage.graph import MCP_Geometric  # half a second to load

    price = np.where(g.surface == BARRED, -1.0, np.maximum(g.price_m[g.surface], 1e-6))
    rows, cols = g.surface.shape

    def cell(xy: Floats) -> tuple[int, int]:
        col = int((xy[0] - g.left_m) / g.cell_m)
        row = int((g.top_m - xy[1]) / g.cell_m)
        return min(max(row, 0), rows - 1), min(max(col, 0), cols - 1)

    found: list[Floats | None] = []
    if price[cell(start)] < 0:
        return [None] * len(ends)
    paths = MCP_Geometric(price)
    reached, _ = paths.find_costs([cell(start)], [cell(end) for end in ends])
    for end in ends:
        if not np.isfinite(reached[cell(end)]):
            found.append(None)
            continue
        steps = np.array(paths.traceback(cell(end)), float)
        xy = np.column_stack([g.left_m + (steps[:, 1] + 0.5) * g.cell_m, g.top_m - (steps[:, 0] + 0.5) * g.cell_m])
        xy = np.vstack([start, xy, end])  # by the middles of the end cells, so that no corner is cut
        straight = np.vstack([start, end])
        tight = _tight(g, xy)
        found.append(straight if g.cost(straight) <= g.cost(tight) else tight)
    return found


def _tight(g: Ground, xy: Floats) -> Floats:
    """A path of cells without its needless bends: from each bend straight to the farthest that costs no more."""
    turns = np.diff(np.round(np.diff(xy, axis=0), 6), axis=0).any(axis=1)
    xy = xy[np.concatenate([[True], turns, [True]])]
    legs = np.array([g.cost(xy[k : k + 2]) for k in range(len(xy) - 1)])
    so_far = np.concatenate([[0.0], np.cumsum(legs)])
    out, k = [0], 0
    while k < len(xy) - 1:
        best = k + 1
        for j in range(min(len(xy) - 1, k + SEEN_AHEAD), k + 1, -1):
            if g.cost(xy[[k, j]]) <= so_far[j] - so_far[k] + 1e-9:
                best = j
                break
        out.append(best)
        k = best
    return xy[out]


@dataclass(frozen=True)
class CableRun:
    """One cable from the mount to a controller.

    xy: (k, 2) its route. surface_m: (6,) metres by SURFACES. plan_m, vertical_m: over the ground, and down from
    the mount and up to the controller. length_m: both, with slack and ends: what to buy. price: cable and laying.
    wire: the electrical check. supplied: the sensor's own cable is long enough.
    """

    xy: Floats
    surface_m: Floats
    plan_m: float
    vertical_m: float
    length_m: float
    price: float
    wire: WireCheck
    supplied: bool

    @property
    def holds(self) -> bool:
        """Long enough a cable can be had that is good enough, with this conductor or the next ones up."""
        return self.wire.ok or self.wire.instead is not None


def cables(
    g: Ground,
    mount_xy: Floats,
    mount_height_m: float,
    controllers_xy: Floats,
    controller_height_m: Floats,
    sensor: plan.Sensor,
    settings: plan.Cable,
    prices: plan.Prices,
    units: Units,
) -> list[CableRun | None]:
    """A cable to each controller, None where there is no way."""
    out: list[CableRun | None] = []
    for xy, up in zip(routes(g, mount_xy, controllers_xy), controller_height_m, strict=True):
        if xy is None:
            out.append(None)
            continue
        metres = g.run(xy)[:6]
        plan_m, vertical = float(metres.sum()), float(max(mount_height_m, 0.0) + max(up, 0.0))
        total = (plan_m + vertical) * (1.0 + settings.slack_share) + settings.ends_m
        supplied = total <= sensor.cable_supplied_m
        laying = float(metres @ (g.price_m[:6] - prices.cable_m)) + vertical * prices.wall_m
        price = laying + (0.0 if supplied else total * prices.cable_m)
        out.append(
            CableRun(xy, metres, plan_m, vertical, total, price, check(total, sensor, settings, units), supplied)
        )
    return out
