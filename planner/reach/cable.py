"""Cable: the cheapest route over the ground, along walls, through conduits and buildings, and its length.

A grid of prices a metre is laid over the site. Dijkstra's search over 80 moves from corner to corner of its cells,
on smaller cells where the grid is small, finds the way; it is then drawn tight: bends are left out, added and moved
where that costs less. Prices are measured along the lines themselves. Slopes are not counted: 1 in 10 adds half a
percent.

Where the cheapest route is longer than the sensor's cable may be, the shortest one is taken if it is short enough.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from heapq import heappop, heappush
from itertools import pairwise

import numpy as np
import rasterio.features
import shapely
from rasterio.transform import from_origin
from scipy.ndimage import maximum_filter, minimum_filter

from planner.compiled import inner, kernel, maker
from planner.plan import Cable, Prices, Sensor
from planner.reach.wire import WireCheck, check, further_mm2, sensor_cable
from planner.site import Cover, Floats, Ints, KeepOut, Site

MOST_CELLS = 1_500_000  # beyond that the grid takes larger cells
MOST_IN_ALL = 3_000_000  # the same, of all grids that are searched for every mount and controller
BEYOND_M = 15.0  # searched outside the site, the mount and the controllers
WALL_M = 1.2  # a cable this near to a wall is fixed to it; on larger cells, within one of them
SPLIT_TO = 300_000  # the search divides the cells of smaller grids into about so many in all,
MOST_PARTS = 4  # each side into this many at most
SEEN_AHEAD = 60  # bends looked over when the route is drawn tight
ROUNDS = 3  # of leaving bends out and moving them
SHIFTS = (1.0, 0.5, 0.25, 0.1, 0.03)  # cells by which bends are moved
ON_EDGE = 1e-9  # a line so near to the edge between two cells, in cells, runs along it
FARTHEST = 5  # cells that one move of the search passes: 80 directions, 11 degrees apart or less
CORNERS = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])  # of a cell, as rows and columns
WALL, SOFT, PAVED, ROAD, CONDUIT, INSIDE, OUTSIDE, BARRED = range(8)  # surfaces


@dataclass(frozen=True)
class Ground:
    """Surfaces (rows, cols) by their numbers above, BARRED where no cable may go, and the price of each a metre."""

    surface: Ints
    price_m: Floats  # (8,), infinite for BARRED
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
        """(8,) metres of a polyline (n, 2) on each surface."""
        metres = np.zeros(8)
        frame = (self.left_m, self.top_m, self.cell_m)
        for a, b in pairwise(np.ascontiguousarray(xy, float)):
            _line(self.surface, self.price_m, *frame, a[0], a[1], b[0], b[1], metres, np.inf)
        return metres

    def cost(self, xy: Floats) -> float:
        """Price of laying a cable along a polyline; infinite where it meets what no cable may cross."""
        metres = self.run(np.asarray(xy, float))
        used = metres > 0
        return float(metres[used] @ self.price_m[used])


@kernel
def _line(surface, price, left, top, cell, ax, ay, bx, by, metres, most):  # type: ignore[no-untyped-def]
    """Add the metres of a line on each surface to `metres` (8,), cell by cell; returns their price.

    Given up as soon as the price is over `most`; what is outside the grid is barred. Along the edge between two
    cells the cheaper counts.
    """
    rows, cols = surface.shape
    long = np.hypot(bx - ax, by - ay)
    x, y = (ax - left) / cell, (top - ay) / cell
    dx, dy = (bx - ax) / cell, (ay - by) / cell
    along_col = abs(dx) < ON_EDGE and abs(x - np.round(x)) < ON_EDGE
    along_row = abs(dy) < ON_EDGE and abs(y - np.round(y)) < ON_EDGE
    if along_col:
        x, dx = np.round(x), 0.0
    if along_row:
        y, dy = np.round(y), 0.0
    col, row = int(np.floor(x)), int(np.floor(y))
    over_col, over_row = 1 if dx > 0.0 else -1, 1 if dy > 0.0 else -1
    # shares of the line at which it comes to the next column and row, and from one to the next
    step_col = abs(1.0 / dx) if dx != 0.0 else np.inf
    step_row = abs(1.0 / dy) if dy != 0.0 else np.inf
    next_col = ((col + 1 - x) if dx > 0.0 else (x - col)) * step_col if dx != 0.0 else np.inf
    next_row = ((row + 1 - y) if dy > 0.0 else (y - row)) * step_row if dy != 0.0 else np.inf
    at = total = 0.0
    while at < 1.0 and total <= most:
        to = min(next_col, next_row, 1.0)
        run = (to - at) * long
        if run > 1e-9:
            what = surface[row, col] if 0 <= row < rows and 0 <= col < cols else BARRED
            if along_col and 0 <= row < rows and 0 < col <= cols and price[surface[row, col - 1]] < price[what]:
                what = surface[row, col - 1]
            if along_row and 0 < row <= rows and 0 <= col < cols and price[surface[row - 1, col]] < price[what]:
                what = surface[row - 1, col]
            metres[what] += run
            total += run * price[what]
        at = to
        if next_col <= next_row:
            col += over_col
            next_col += step_col
        else:
            row += over_row
            next_row += step_row
    return total


def _moves() -> tuple[Ints, Ints, Floats]:
    """The search's moves by direction: (80, 2) rows and columns from corner to corner of cells, the cells that
    each passes: (80, k, 2), and their shares (80, k) of its length; shares that are not needed are 0, and those of
    a move along an edge are both 1.
    """
    steps = range(-FARTHEST, FARTHEST + 1)
    moves = [(r, c) for r in steps for c in steps if np.gcd(r, c) == 1]
    moves.sort(key=lambda move: float(np.arctan2(*move)))
    cells, shares = np.zeros((len(moves), 2 * FARTHEST, 2), np.int64), np.zeros((len(moves), 2 * FARTHEST))
    for k, move in enumerate(moves):
        cuts = np.unique(np.round([0.0, 1.0, *(n / abs(d) for d in move for n in range(1, abs(d)))], 12))
        middles = np.outer((cuts[1:] + cuts[:-1]) / 2.0, move)
        if 0 in move:  # the cells at either side
            aside = 0.5 * np.array(move[::-1])
            cells[k, :2], shares[k, :2] = np.floor([middles[0] + aside, middles[0] - aside]), 1.0
        else:
            # the cell left first and the one reached last stand first: they tell most
            order = np.array([0, len(middles) - 1, *range(1, len(middles) - 1)][: len(middles)])
            cells[k, : len(order)], shares[k, : len(order)] = np.floor(middles)[order], np.diff(cuts)[order]
    return np.array(moves, np.int64), cells, shares


MOVES, PASSED, SHARES = _moves()


@kernel
def _search(price, alike, first, begin, sought, steps, offsets, shares, lengths):  # type: ignore[no-untyped-def]
    """Dijkstra from corner to corner of a flat grid of prices, infinite where barred and on a rim as wide as the
    farthest move.

    A corner has the number of the cell right below it. alike: corners with one price as far round as a move goes;
    there a way goes straight on, but for the directions next to its own. first, begin: corners to start from, and
    the cost there; sought: those to go to. steps (moves,): from corner to corner; offsets, shares (moves, k): of
    the cells that a move passes, the two beside it where it runs along an edge; lengths (moves,).
    Returns the cost of each corner, and the row of the move that came there (-1: none); to the last one sought
    only.
    """
    cost = np.full(len(price), np.inf)
    came = np.full(len(price), -1, np.int8)
    waits = np.zeros(len(price), np.bool_)
    for there in sought:
        waits[there] = True
    left = int(waits.sum())
    moves = len(lengths)
    heap = [(np.inf, 0)]
    for i in range(len(first)):
        cost[first[i]] = min(cost[first[i]], begin[i])
        heappush(heap, (begin[i], first[i]))
    while left:
        so_far, here = heappop(heap)
        if so_far == np.inf:
            break
        if so_far > cost[here]:
            continue
        if waits[here]:
            waits[here] = False
            left -= 1
        to, last = 0, moves
        if alike[here] and came[here] >= 0:
            to, last = came[here] - 1, came[here] + 2
        for turn in range(to, last):
            k = turn % moves
            there = here + steps[k]
            if cost[there] <= so_far:
                continue
            p, q = price[here + offsets[k, 0]], price[here + offsets[k, 1]]
            if shares[k, 0] == shares[k, 1] == 1.0:
                total = so_far + lengths[k] * min(p, q)
            else:
                total = so_far + lengths[k] * (shares[k, 0] * p + (shares[k, 1] * q if shares[k, 1] > 0.0 else 0.0))
                for j in range(2, offsets.shape[1]):
                    if shares[k, j] == 0.0 or total >= cost[there]:
                        break
                    total += lengths[k] * shares[k, j] * price[here + offsets[k, j]]
            if total < cost[there]:
                cost[there] = total
                came[there] = k
                heappush(heap, (total, there))
    return cost, came


@kernel
def _tight(surface, price, left, top, cell, xy):  # type: ignore[no-untyped-def]
    """A path with the bends that the cheapest way along it needs, each at its best place near by."""
    metres = np.zeros(8)
    for _ in range(ROUNDS):
        xy = _halved(_straightened(surface, price, left, top, cell, xy, metres), cell)
        _shifted(surface, price, left, top, cell, xy, metres)
    return _straightened(surface, price, left, top, cell, xy, metres)


@maker
def _halved(xy, cell):  # type: ignore[no-untyped-def]
    """The same path with a bend more in the middle of each piece that is longer than a cell."""
    # number by number: to set a row, Numba compiles what would say that its shape is wrong, for two seconds
    out, count = np.empty((2 * len(xy), 2)), 1
    out[0, 0], out[0, 1] = xy[0, 0], xy[0, 1]
    for k in range(1, len(xy)):
        x, y, before_x, before_y = xy[k, 0], xy[k, 1], xy[k - 1, 0], xy[k - 1, 1]
        if np.hypot(x - before_x, y - before_y) > cell:
            out[count, 0], out[count, 1] = (x + before_x) / 2.0, (y + before_y) / 2.0
            count += 1
        out[count, 0], out[count, 1] = x, y
        count += 1
    return out[:count]


@maker
def _straightened(surface, price, left, top, cell, xy, metres):  # type: ignore[no-untyped-def]
    """The cheapest of all ways straight from bend to later bend of a path, of equals the one of fewer bends."""
    n = len(xy)
    least, before = np.full(n, np.inf), np.zeros(n, np.int64)
    least[0] = 0.0
    for k in range(1, n):
        for j in range(max(0, k - SEEN_AHEAD), k):
            most = least[k] - least[j] - 1e-9
            if not most > 0.0:
                continue
            spent = _line(surface, price, left, top, cell, xy[j, 0], xy[j, 1], xy[k, 0], xy[k, 1], metres, most)
            if spent < most:
                least[k] = least[j] + spent
                before[k] = j
    count, k = 1, n - 1
    while k > 0:
        k = before[k]
        count += 1
    kept, k = np.empty((count, 2)), n - 1
    for i in range(count - 1, -1, -1):
        kept[i, 0], kept[i, 1] = xy[k, 0], xy[k, 1]
        k = before[k]
    return kept


@inner
def _shifted(surface, price, left, top, cell, xy, metres):  # type: ignore[no-untyped-def]
    """Move each bend of a path, in place, as long as that makes it cheaper."""
    for part in SHIFTS:
        for _ in range(10):
            moved = False
            for k in range(1, len(xy) - 1):
                a, b = xy[k - 1], xy[k + 1]
                now = _line(surface, price, left, top, cell, a[0], a[1], xy[k, 0], xy[k, 1], metres, np.inf)
                now += _line(surface, price, left, top, cell, xy[k, 0], xy[k, 1], b[0], b[1], metres, np.inf)
                for to in range(10):
                    x = xy[k, 0] + part * cell * (to // 3 - 1)
                    y = xy[k, 1] + part * cell * (to % 3 - 1)
                    if to == 9:  # to the nearest corner of cells
                        x = left + np.rint((xy[k, 0] - left) / cell) * cell
                        y = top - np.rint((top - xy[k, 1]) / cell) * cell
                    then = _line(surface, price, left, top, cell, a[0], a[1], x, y, metres, now)
                    if then < now:
                        then += _line(surface, price, left, top, cell, x, y, b[0], b[1], metres, now - then)
                    if then < now - 1e-9:
                        now = then
                        xy[k, 0], xy[k, 1] = x, y
                        moved = True
            if not moved:
                break


def ground(site: Site, prices: Prices, cell_m: float, around: Floats, most_cells: int = MOST_CELLS) -> Ground:
    """The grid for cable routes within the site and around some points.

    Parameters
    ----------
    site
        Barred: grounds that say so, and keep-outs of heat and without access. The reach of a sprinkler is lawn.
        What no layer tells of is lawn within the outline; beyond it, where others own it and streets run, a road.
    prices
        A metre of each surface.
    cell_m
        Of the grid, larger where there would be too many.
    around
        (n, 2) mounts and controllers that it must hold.
    most_cells
        Of the grid.

    Returns
    -------
    Ground
    """
    boxes = shapely.union_all([shapely.box(*site.outline.bounds), *shapely.points(around)]).buffer(BEYOND_M).bounds
    west, south, east, north = boxes
    cell = max(cell_m, float(np.sqrt((east - west) * (north - south) / most_cells)))
    # whole cells from the frame's origin: what is around changes the grid's rim, not its cells
    west, north = np.floor(west / cell) * cell, np.ceil(north / cell) * cell
    shape = (int(np.ceil((north - south) / cell)), int(np.ceil((east - west) / cell)))
    turn = from_origin(west, north, cell, cell)
    surface = np.full(shape, SOFT, np.int64)

    def burn(shapes: list[shapely.Geometry], value: int, touched: bool = False) -> None:
        kept = [s for s in shapes if not s.is_empty]
        if kept:
            mask = rasterio.features.rasterize(kept, out_shape=shape, transform=turn, all_touched=touched)
            surface[mask == 1] = value

    burn([shapely.box(*boxes).buffer(2 * cell).difference(site.outline)], OUTSIDE)
    of_cover = {Cover.SOFT: SOFT, Cover.PAVED: PAVED, Cover.ROAD: ROAD}
    for shape_k, cover in zip(site.grounds.shapes, site.grounds.covers, strict=True):
        if cover in of_cover:
            burn([shape_k], of_cover[cover])
    walled = [s for k, s in enumerate(site.buildings.shapes) if _stands(site, k)]
    burn([s.buffer(max(WALL_M, cell), join_style="mitre") for s in walled], WALL)
    burn(walled, INSIDE)
    covers = list(zip(site.grounds.shapes, site.grounds.covers, strict=True))
    burn([s for s, cover in covers if cover is Cover.BARRED], BARRED, touched=True)
    # a conduit that is there leads on under water
    burn([s for s, cover in covers if cover is Cover.CONDUIT], CONDUIT, touched=True)
    shut = (KeepOut.HEAT, KeepOut.NO_ACCESS)
    burn([s for s, k in zip(site.keep_outs.shapes, site.keep_outs.kinds, strict=True) if k in shut], BARRED, True)
    p = prices
    price = np.array([p.wall_m, p.lawn_m, p.paving_m, p.road_m, p.conduit_m, p.inside_m, p.road_m, np.inf])
    price[:BARRED] += p.cable_m
    return Ground(surface, price, west, north, cell)


def _stands(site: Site, k: int) -> bool:
    """A building with walls to the ground; a cable passes under a roof on posts as in the open."""
    middle = np.asarray(site.buildings.shapes[k].representative_point().coords)[0, :2]
    return bool(site.buildings.base_m[k] <= site.ground_at(middle) + 0.5)


def routes(g: Ground, start: Floats, ends: Floats) -> list[Floats | None]:
    """The cheapest polylines from a point, never dearer than the straight line where that is allowed.

    Parameters
    ----------
    g
        The grid.
    start
        (2,).
    ends
        (m, 2).

    Returns
    -------
    list of ndarray or None
        (k, 2) for each end; None where what is barred shuts it off.
    """
    parts = int(np.clip(np.sqrt(SPLIT_TO / g.surface.size), 1, MOST_PARTS))
    fine = g.surface.repeat(parts, axis=0).repeat(parts, axis=1)
    cell_m = g.cell_m / parts
    rows, cols = fine.shape
    wide = cols + 2 * FARTHEST
    price = np.pad(np.maximum(g.price_m[fine], 1e-6), FARTHEST, constant_values=np.inf)
    round_it = {"size": 2 * FARTHEST, "mode": "nearest"}  # centred on the corner above and left of a cell
    alike = (minimum_filter(price, **round_it) == maximum_filter(price, **round_it)).ravel()
    price = price.ravel()

    def corners(xy: Floats) -> tuple[Ints, Floats]:
        """(4,) corners of the cell of a point, and the cost from it to each; none where no cable may be."""
        at = np.array([(g.top_m - xy[1]) / cell_m, (xy[0] - g.left_m) / cell_m])
        cell = np.floor(at).astype(np.int64)
        there = (cell[0] + FARTHEST) * wide + cell[1] + FARTHEST
        if not (0 <= cell[0] < rows and 0 <= cell[1] < cols and np.isfinite(price[there])):
            return np.empty(0, np.int64), np.empty(0)
        away = np.hypot(*(cell + CORNERS - at).T) * cell_m
        return there + CORNERS @ np.array([wide, 1]), away * price[there]

    first, begin = corners(start)
    lasts = [corners(end) for end in ends]
    sought = np.concatenate([np.empty(0, np.int64), *(last for last, _ in lasts)])
    if not len(first) or not len(sought):
        return [None] * len(ends)
    lengths = np.hypot(*MOVES.T) * cell_m
    steps, offsets = MOVES @ np.array([wide, 1]), PASSED @ np.array([wide, 1])
    cost, came = _search(price, alike, first, begin, sought, steps, offsets, SHARES, lengths)
    found: list[Floats | None] = []
    for end, (last, then) in zip(ends, lasts, strict=True):
        if not np.isfinite(cost[last]).any():
            found.append(None)
            continue
        way = [int(last[np.argmin(cost[last] + then)])]
        while came[way[-1]] >= 0:
            way.append(way[-1] - int(steps[came[way[-1]]]))
        row, col = np.divmod(np.array(way[::-1]), wide)
        xy = np.column_stack([g.left_m + (col - FARTHEST) * cell_m, g.top_m - (row - FARTHEST) * cell_m])
        xy = np.vstack([start, xy, end])
        turns = np.diff(np.round(np.diff(xy, axis=0), 6), axis=0).any(axis=1)
        xy = np.ascontiguousarray(xy[np.concatenate([[True], turns, [True]])])
        tight = _tight(g.surface, g.price_m, g.left_m, g.top_m, g.cell_m, xy)
        straight = np.vstack([start, end])
        found.append(straight if g.cost(straight) <= g.cost(tight) else tight)
    return found


@dataclass(frozen=True)
class CableRun:
    """One cable from a mount to a controller.

    xy: (k, 2) its route; kind: "cheapest", or "shortest" where the cheapest would be too long. surface_m:
    (7,) metres by surface. plan_m, vertical_m: over the ground, and down from the mount and up to the controller;
    from the one to the other where the route keeps to walls and rooms.
    length_m: both, with slack and ends: what to buy. price: cable, of the conductor that it takes, and laying.
    wire: the electrical check. supplied: the sensor's own cable is long enough.
    """

    xy: Floats
    kind: str
    surface_m: Floats
    plan_m: float
    vertical_m: float
    length_m: float
    price: float
    wire: WireCheck
    supplied: bool

    @property
    def holds(self) -> bool:
        """Good enough with this conductor or a thicker one, and within what the maker allows."""
        return self.wire.ok or (self.wire.instead is not None and not self.wire.ask_maker)

    @property
    def room(self) -> float:
        """Share of the longest run that is left over; negative where it is too long."""
        return 1.0 - self.length_m / self.wire.longest_m


Runs = tuple[tuple[CableRun | None, ...], ...]


def cables(
    g: Ground,
    start: Floats,
    start_height_m: float,
    ends: Floats,
    ends_height_m: Floats,
    sensor: Sensor,
    section: Cable,
    prices: Prices,
) -> list[CableRun | None]:
    """A cable from (2,) to each of (m, 2), None where there is no way.

    start_height_m, ends_height_m (m,): above the ground, negative below it.
    """

    def runs(some: Ground, rows: Ints, kind: str) -> list[CableRun | None]:
        out: list[CableRun | None] = []
        for k, xy in zip(rows, routes(some, start, ends[rows]), strict=True):
            ends_m = start_height_m, float(ends_height_m[k])
            out.append(None if xy is None else _run(g, xy, kind, ends_m, sensor, section, prices))
        return out

    found = runs(g, np.arange(len(ends)), "cheapest")
    # too long, although something shorter might do: the straight line would
    rows = np.array([k for k, run in enumerate(found) if run and not run.holds and _may_be_shorter(run)], np.int64)
    if len(rows):
        any_metre = replace(g, price_m=np.where(np.isfinite(g.price_m), 1.0, np.inf))
        for k, shorter in zip(rows, runs(any_metre, rows, "shortest"), strict=True):
            if shorter is not None and shorter.holds:
                found[k] = shorter
    return found


def _may_be_shorter(run: CableRun) -> bool:
    straight = float(np.hypot(*(run.xy[-1] - run.xy[0])))
    return run.length_m * (straight + run.vertical_m) / (run.plan_m + run.vertical_m) <= run.wire.longest_m


def _run(
    g: Ground,
    xy: Floats,
    kind: str,
    ends_m: tuple[float, float],
    sensor: Sensor,
    section: Cable,
    prices: Prices,
) -> CableRun:
    metres = g.run(xy)[:BARRED]
    plan_m = float(metres.sum())
    # along walls and through rooms a cable need not come down to the ground
    hung = bool(plan_m - metres[WALL] - metres[INSIDE] < 1e-6)
    vertical_m = abs(ends_m[0] - ends_m[1]) if hung else abs(ends_m[0]) + abs(ends_m[1])
    total = (plan_m + vertical_m) * (1.0 + section.slack_share) + section.ends_m
    wire = check(total, sensor, section)
    supplied = total <= sensor_cable(sensor).supplied_m and wire.ok
    a_metre = prices.cable_m + prices.copper_mm2_m * further_mm2(wire)
    laying = float(metres @ (g.price_m[:BARRED] - prices.cable_m)) + vertical_m * prices.wall_m
    price = laying + (0.0 if supplied else total * a_metre)
    return CableRun(xy, kind, metres, plan_m, vertical_m, total, price, wire, supplied)


def every_cable(
    site: Site,
    xyz: Floats,
    height_m: Floats,
    controller_height_m: Floats,
    sensor: Sensor,
    section: Cable,
    prices: Prices,
) -> tuple[Runs, float]:
    """Cables of (n, 3) mounts to each of the site's m controllers, and the cell of the grid that they took.

    One search a controller gives the routes of all mounts.
    """
    there = site.controllers.xyz[:, :2]
    if not len(there) or not len(xyz):
        return tuple(() for _ in range(len(xyz))), section.cell_m
    around = np.vstack([there, xyz[:, :2]])
    g = ground(site, prices, section.cell_m, around, min(MOST_CELLS, MOST_IN_ALL // len(there)))
    columns = [
        cables(g, xy, float(up), xyz[:, :2], np.asarray(height_m, float), sensor, section, prices)
        for xy, up in zip(there, controller_height_m, strict=True)
    ]
    turned = [[run and replace(run, xy=run.xy[::-1]) for run in column] for column in columns]
    return tuple(zip(*turned, strict=True)), g.cell_m
