"""The horizon over rasters: ground far and near, and surface models cell by cell; exact along each azimuth.

Two kinds of raster, one walk::

      ground: bilinear between the centres          surface: each cell a prism of its height
               __/\\__                                        _    __
        ______/      \\____                              ____| |__|  |___

A pyramid of maxima bounds what a block of cells can show: (highest - mount)/r at the block's near side, less the
earth's drop. A block that cannot rise above the horizon found so far is stepped over whole, any other is opened,
down to single cells, where the horizon has a closed form. So no ridge is missed, whatever its width, and a far
raster costs little.

The earth's curvature and the usual refraction are taken off: drop = r^2 (1 - 0.13) / 2R. Azimuths
are degrees clockwise from north, mounts (n, 3) metres in the site's frame, results tangents of elevation.

The kernels run on one core without the interpreter's lock: call them from threads, a share of the mounts each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from planner.compiled import inner, kernel
from planner.site import EARTH_RADIUS_M, SURROUNDINGS_M, Bools, Floats, Heights, Ints, Site, ground_at

REFRACTION = 0.13  # share of the earth's curvature undone by the bending of light near the ground (surveying)
DROP_PER_M2 = (1.0 - REFRACTION) / (2.0 * EARTH_RADIUS_M)
NUDGE_M = 1e-6  # steps over a cell's side: both sides meet there, so nothing is lost
OWN_CELLS = 1.5  # cells of a surface model that begin nearer may hold the mount's own support
OVERHEAD_M = 1.0  # a raster this much above the head, at its own place, is a cover and not its support
ZENITH = 1e12  # tangent of what is overhead: finite, so that azimuths may be mixed
START_M = 1.0  # ground nearer than this lies under the mount's own feet


@dataclass(frozen=True)
class Relief:
    """A raster and its pyramid of maxima, ready to be walked.

    heights: the raster. cells: True where each cell is a prism of its height, False where the surface is bilinear
    between the centres. rows, cols: (levels,) blocks of each level; those of level 0 are single cells (or, where it
    is bilinear, the patches between four centres), those of the next twice as wide. maxima: highest point of each
    block, from level 1, flat, level k from start[k]; -inf where nothing is known.
    """

    heights: Heights
    cells: bool
    maxima: Floats
    start: Ints
    rows: Ints
    cols: Ints


@dataclass(frozen=True)
class GroundHorizon:
    """Horizon of n mounts along k azimuths.

    tangent: (n, k) of the elevation, at least 0. distance_m: (n, k) to the point that makes it, NaN where the
    horizon is open (0 degrees or below).
    """

    tangent: Floats
    distance_m: Floats


def ground_relief(heights: Heights) -> Relief:
    """Bare ground, bilinear between the centres of its cells, as :meth:`Heights.at` reads it.

    Parameters
    ----------
    heights
        The raster. The half cell beyond the outermost centres is left out; beside an unknown cell the ground is
        unknown.

    Returns
    -------
    Relief
        With a pyramid of maxima.
    """
    v, cell = heights.values, heights.cell_m
    if min(v.shape) < 2:  # too narrow to have anything between centres: its own cells again, on both sides
        down, across = int(v.shape[0] < 2), int(v.shape[1] < 2)
        v = np.pad(v, [(down, down), (across, across)], mode="edge")
        heights = Heights(v, heights.left_m - across * cell, heights.top_m + down * cell, cell)
    with np.errstate(invalid="ignore"):
        top = np.maximum(np.maximum(v[:-1, :-1], v[:-1, 1:]), np.maximum(v[1:, :-1], v[1:, 1:]))
    return _pyramid(heights, False, top)


def surface_relief(heights: Heights) -> Relief:
    """A surface model as obstacles: each known cell a prism from far below to its height, with upright walls."""
    return _pyramid(heights, True, heights.values)


def canopy_relief(canopy: Heights, terrain: Heights | None) -> Relief:
    """Vegetation's height above ground as prisms of leaves that reach down to the ground; none where it is 0.

    Where the terrain is unknown so is the height of what grows there: it is left out.
    """
    grown = np.where(canopy.values > 0, canopy.values, np.nan)
    if terrain is not None:
        grown = grown + terrain.at(centres(canopy))
    return surface_relief(Heights(grown, canopy.left_m, canopy.top_m, canopy.cell_m))


def _pyramid(heights: Heights, cells: bool, finest: Floats) -> Relief:
    levels = [np.where(np.isnan(finest), -np.inf, finest)]
    while max(levels[-1].shape) > 1:
        v = levels[-1]
        v = np.pad(v, [(0, v.shape[0] % 2), (0, v.shape[1] % 2)], constant_values=-np.inf)
        levels.append(np.maximum(np.maximum(v[::2, ::2], v[::2, 1::2]), np.maximum(v[1::2, ::2], v[1::2, 1::2])))
    # the finest level is read from the raster itself
    sizes = np.array([0, *(v.size for v in levels[1:])], np.int64)
    return Relief(
        heights,
        cells,
        np.concatenate([np.empty(0), *(v.ravel() for v in levels[1:])]),
        np.cumsum(sizes) - sizes,
        np.array([v.shape[0] for v in levels], np.int64),
        np.array([v.shape[1] for v in levels], np.int64),
    )


def relief_horizon(
    mounts_xyz: Floats,
    reliefs: Sequence[Relief],
    azimuth_deg: ArrayLike,
    reach_m: float,
    *,
    start_m: float = START_M,
) -> GroundHorizon:
    """Horizon over rasters, out to `reach_m`.

    reliefs: the finest and nearest first, the coarsest and widest last. Each is looked at from where the one before
    it ends along the azimuth, so what they share is read from the finer one. start_m: what is nearer is not looked
    at; a surface model's cell that begins nearer is left out whole (it holds the mount's own support).

    Agrees with `raster_tangent` in `tests/plain_sun.py` as the steps of that go to zero.

        >>> hill = Heights(np.zeros((50, 50)), -250.0, 250.0, 10.0)
        >>> hill.values[:10] = 60.0
        >>> found = relief_horizon(np.zeros((1, 3)), [ground_relief(hill)], [0.0, 180.0], 1000.0)
        >>> found.tangent.round(2).tolist(), found.distance_m.round(0).tolist()
        ([[0.39, 0.0]], [[155.0, nan]])
    """
    mounts = np.ascontiguousarray(np.asarray(mounts_xyz, float).reshape(-1, 3))
    azimuth = np.radians(np.atleast_1d(np.asarray(azimuth_deg, float)))
    sin, cos = np.sin(azimuth), np.cos(azimuth)
    tangent = np.zeros((len(mounts), len(azimuth)))
    distance = np.full(tangent.shape, np.nan)
    # where each raster takes over from the finer one
    start_m = max(start_m, NUDGE_M)
    begins = [np.full(tangent.shape, start_m)]
    blocks = [_blocks(relief) for relief in reliefs]
    for each in blocks[:-1]:
        begins.append(_ends(mounts, sin, cos, each, begins[-1]))
    # far first: most of what is near lies below the far horizon, and is then passed over quickly
    for each, begin in zip(reversed(blocks), reversed(begins), strict=True):
        _walk_all(mounts, sin, cos, each, begin, start_m, float(reach_m), tangent, distance)
    return GroundHorizon(tangent, distance)


@dataclass(frozen=True)
class SiteGround:
    """The rasters of a site, ready to be walked; build it once, ask it for shares of the mounts from threads.

    ground: terrain; surface: the surface model where it stands in for footprints and crowns; canopy: vegetation.
    Each with the fine raster first, and empty where the site has none. Surface model and canopy close the whole sky
    above a mount that they stand over by more than OVERHEAD_M at its own place. Where they do not, a surface
    model's cells that begin within OWN_CELLS are left out, for they may hold the mount's support; nothing stands on
    leaves, so that of a canopy only the mount's own cell is.

        rasters = site_ground(site)
        opaque = rasters.opaque(mounts_xyz, azimuth_deg, terrain_reach_m)  # GroundHorizon or None
        veil = rasters.veil(mounts_xyz, azimuth_deg)
    """

    ground: tuple[Relief, ...]
    surface: tuple[Relief, ...]
    canopy: tuple[Relief, ...]

    def opaque(self, mounts_xyz: Floats, azimuth_deg: ArrayLike, terrain_reach_m: float) -> GroundHorizon | None:
        """Horizon over ground and surface model; None where the site has neither."""
        over = _solid(self.surface, mounts_xyz, azimuth_deg) if self.surface else None
        bare = self.bare(mounts_xyz, azimuth_deg, terrain_reach_m)
        if over is None or bare is None:
            return bare if over is None else over
        higher = over.tangent >= bare.tangent
        return GroundHorizon(
            np.where(higher, over.tangent, bare.tangent), np.where(higher, over.distance_m, bare.distance_m)
        )

    def bare(self, mounts_xyz: Floats, azimuth_deg: ArrayLike, reach_m: float) -> GroundHorizon | None:
        """Horizon over the ground alone; None where the site has no terrain."""
        return (
            relief_horizon(mounts_xyz, self.ground, azimuth_deg, reach_m) if self.ground and reach_m > 0 else None
        )

    def standing(self, mounts_xyz: Floats, azimuth_deg: ArrayLike) -> GroundHorizon | None:
        """Upper edge of what stands on the ground by the surface model; None where the site has none."""
        return _solid(self.standing_surface, mounts_xyz, azimuth_deg) if self.surface else None

    @cached_property
    def standing_surface(self) -> tuple[Relief, ...]:
        """The surface model where it shows something that stands on the ground, unknown elsewhere."""
        return tuple(surface_relief(_standing(relief.heights, self.ground)) for relief in self.surface)

    def veil(self, mounts_xyz: Floats, azimuth_deg: ArrayLike) -> GroundHorizon | None:
        """Upper edge of the canopy raster; None where the site has none."""
        return _near(self.canopy, mounts_xyz, azimuth_deg, 0.0) if self.canopy else None


def site_ground(site: Site, terrain: tuple[Relief, ...] | None = None) -> SiteGround:
    """The rasters of a site with their pyramids.

    Where a canopy layer says that leaves stand, the surface model's cells are those leaves: they are taken out of
    it, so that they veil, and do not shut out as well.

    Parameters
    ----------
    site
        In its local frame.
    terrain
        Its terrain with the pyramids, where they are at hand: `SiteGround.ground` of an earlier call.

    Returns
    -------
    SiteGround
        Good until a raster of the site changes.
    """
    if terrain is None:
        terrain = tuple(ground_relief(h) for h in (site.terrain, site.terrain_far) if h is not None)
    surface = [h for h in (site.surface, site.surface_far) if h is not None]
    canopy = [h for h in (site.canopy, site.canopy_far) if h is not None]
    return SiteGround(terrain, site_surface(site, surface), tuple(canopy_relief(h, site.terrain) for h in canopy))


def site_surface(site: Site, surface: Sequence[Heights]) -> tuple[Relief, ...]:
    """A surface model as `SiteGround.surface`, without the cells that are leaves by the site's canopy layer."""
    canopy = [h for h in (site.canopy, site.canopy_far) if h is not None]
    bare = [replace(h, values=np.where(_finest(canopy, centres(h)) > 0, np.nan, h.values)) for h in surface]
    return tuple(surface_relief(h) for h in bare)


def _standing(surface: Heights, ground: Sequence[Relief]) -> Heights:
    fine, far = (*(relief.heights for relief in ground), None, None)[:2]
    rise = surface.values - ground_at(fine, centres(surface), far)
    return replace(surface, values=np.where(rise > OVERHEAD_M, surface.values, np.nan))


def centres(heights: Heights) -> Floats:
    """Centres of a raster's cells.

    Parameters
    ----------
    heights
        The raster (rows, cols).

    Returns
    -------
    ndarray, shape (rows, cols, 2)
        East and north, metres in the raster's frame.
    """
    rows, cols = heights.values.shape
    x = heights.left_m + (np.arange(cols) + 0.5) * heights.cell_m
    y = heights.top_m - (np.arange(rows) + 0.5) * heights.cell_m
    return np.stack(np.meshgrid(x, y), axis=-1)


def _finest(rasters: Sequence[Heights], xy: Floats) -> Floats:
    """Height of the cell that holds each of (..., 2) points, by the first raster that knows it; NaN by none."""
    found = np.full(xy.shape[:-1], np.nan)
    for heights in rasters:
        gaps = np.isnan(found)
        found[gaps] = heights.cell_at(xy[gaps])
    return found


def overhead(reliefs: Sequence[Relief], mounts_xyz: Floats) -> Bools:
    """(n,) whether a raster hangs over each mount: its own cell stands more than OVERHEAD_M above the head."""
    # unknown heights compare as False
    own = _finest([relief.heights for relief in reliefs], mounts_xyz[:, :2])
    return np.asarray(own > mounts_xyz[:, 2] + OVERHEAD_M)


def _solid(reliefs: tuple[Relief, ...], mounts_xyz: Floats, azimuth_deg: ArrayLike) -> GroundHorizon:
    return _near(reliefs, mounts_xyz, azimuth_deg, OWN_CELLS * reliefs[0].heights.cell_m)


def _near(reliefs: tuple[Relief, ...], mounts_xyz: Floats, azimuth_deg: ArrayLike, start_m: float) -> GroundHorizon:
    found = relief_horizon(mounts_xyz, reliefs, azimuth_deg, SURROUNDINGS_M, start_m=start_m)
    covered = overhead(reliefs, mounts_xyz)[:, None]
    return GroundHorizon(np.where(covered, ZENITH, found.tangent), np.where(covered, 0.0, found.distance_m))


class _Blocks(NamedTuple):
    """A relief for the compiled loops: the corner of its finest blocks, their width, and what is in them."""

    left_m: float
    top_m: float
    cell_m: float
    values: Floats
    maxima: Floats
    start: Ints
    rows: Ints
    cols: Ints
    cells: bool


class _Ray(NamedTuple):
    """One azimuth, in blocks: the mount from the raster's corner, blocks a metre, and metres a block."""

    u0: float
    v0: float
    su: float
    sv: float
    ru: float
    rv: float


def _blocks(relief: Relief) -> _Blocks:
    h, shift = relief.heights, 0.0 if relief.cells else 0.5
    return _Blocks(
        h.left_m + shift * h.cell_m,
        h.top_m - shift * h.cell_m,
        h.cell_m,
        np.ascontiguousarray(h.values, np.float64),
        relief.maxima,
        relief.start,
        relief.rows,
        relief.cols,
        relief.cells,
    )


@kernel(inline="always")
def _ray(mount, sin, cos, blocks):  # type: ignore[no-untyped-def]
    su, sv = sin / blocks.cell_m, -cos / blocks.cell_m
    return _Ray(
        (mount[0] - blocks.left_m) / blocks.cell_m,
        (blocks.top_m - mount[1]) / blocks.cell_m,
        su,
        sv,
        1.0 / su if su != 0.0 else 0.0,
        1.0 / sv if sv != 0.0 else 0.0,
    )


@kernel
def _ends(mounts, sin, cos, blocks, begin):  # type: ignore[no-untyped-def]
    """Distance at which the rays leave a raster; `begin` where they are not over it by then."""
    end = begin.copy()
    for m in range(mounts.shape[0]):
        for a in range(sin.shape[0]):
            ray = _ray(mounts[m], sin[a], cos[a], blocks)
            t0, t1 = _over(ray, blocks, begin[m, a], np.inf)
            # a raster that begins farther out leaves a gap, which the wider one must fill
            if t0 == begin[m, a] and t1 > t0:
                end[m, a] = t1
    return end


@inner
def _over(ray, blocks, t0, t1):  # type: ignore[no-untyped-def]
    """The part of the ray from t0 to t1 that is over the raster; empty (end before start) where none is."""
    nr, nc = blocks.rows[0], blocks.cols[0]
    if ray.su != 0.0:
        a, b = -ray.u0 / ray.su, (nc - ray.u0) / ray.su
        t0, t1 = max(t0, min(a, b)), min(t1, max(a, b))
    elif ray.u0 <= 0.0 or ray.u0 >= nc:
        t1 = -1.0
    if ray.sv != 0.0:
        a, b = -ray.v0 / ray.sv, (nr - ray.v0) / ray.sv
        t0, t1 = max(t0, min(a, b)), min(t1, max(a, b))
    elif ray.v0 <= 0.0 or ray.v0 >= nr:
        t1 = -1.0
    return t0, t1


@kernel
def _walk_all(mounts, sin, cos, blocks, begin, start_m, reach_m, tangent, distance):  # type: ignore[no-untyped-def]
    """One raster for all mounts and azimuths; raises `tangent`."""
    for m in range(mounts.shape[0]):
        last = np.nan
        for a in range(sin.shape[0]):
            ray = _ray(mounts[m], sin[a], cos[a], blocks)
            t0, t1 = _over(ray, blocks, begin[m, a], reach_m)
            if t0 >= t1:
                continue
            if not blocks.cells:
                best, where = _guess(ray, mounts[m, 2], blocks, t0, t1, tangent[m, a], last)
            else:
                best, where = tangent[m, a], np.nan
                if t0 == start_m:  # inside a cell, whose near wall is behind the start
                    i, j = _cell(ray, blocks, t0 + NUDGE_M)
                    t0 = _leave(ray, i, j, 0, t0, t1)
            best, where = _walk(ray, mounts[m, 2], blocks, t0, t1, best, where)
            if best > tangent[m, a]:
                tangent[m, a] = best
                distance[m, a] = where
                last = where


@kernel(inline="always")
def _cell(ray, blocks, t):  # type: ignore[no-untyped-def]
    i = min(max(int(ray.v0 + ray.sv * t), 0), blocks.rows[0] - 1)
    j = min(max(int(ray.u0 + ray.su * t), 0), blocks.cols[0] - 1)
    return i, j


@inner
def _guess(ray, z0, blocks, t0, t1, best, guess_m):  # type: ignore[no-untyped-def]
    """A lower bound from the point where the azimuth before had its horizon, mostly a good one."""
    if guess_m > t0 and guess_m < t1:
        i, j = _cell(ray, blocks, guess_m)
        found, at = _cell_best(ray, z0, blocks.values, i, j, guess_m, guess_m)
        if found > best:
            return found, at
    return best, np.nan


@inner
def _walk(ray, z0, blocks, t0, t1, best, where):  # type: ignore[no-untyped-def]
    """Largest tangent along one azimuth from t0 to t1, and its distance: `best`, `where` if nothing is higher."""
    values, maxima, start, cols = blocks.values, blocks.maxima, blocks.start, blocks.cols
    level = 0
    top = len(blocks.rows) - 1
    t = t0
    while t + NUDGE_M < t1:
        i, j = _cell(ray, blocks, t + NUDGE_M)
        if level > 0:
            rise = maxima[start[level] + (i >> level) * cols[level] + (j >> level)] - z0
            # (rise - drop)/t falls with t, so the block's near side bounds it
            if rise <= best * t + DROP_PER_M2 * t * t:
                t = _leave(ray, i, j, level, t, t1)
                if level < top:
                    level += 1
            else:
                level -= 1
            continue
        out = _leave(ray, i, j, 0, t, t1)
        if blocks.cells:
            found, at = (values[i, j] - z0) / t - DROP_PER_M2 * t, t
        else:
            found, at = _cell_best(ray, z0, values, i, j, t, out)
        if found > best:  # never where the height is unknown
            best, where = found, at
        t = out
        level = 1 if top > 0 else 0
    return best, where


@kernel(inline="always")
def _leave(ray, i, j, level, t, t1):  # type: ignore[no-untyped-def]
    """Distance, at most t1, at which the ray leaves the block that holds cell (i, j); always beyond t."""
    out = t1
    # a side that is not ahead is one that the ray runs along, and rounding put it on
    if ray.su != 0.0:
        side = ((((j >> level) + (ray.su > 0.0)) << level) - ray.u0) * ray.ru
        if side > t:
            out = min(out, side)
    if ray.sv != 0.0:
        side = ((((i >> level) + (ray.sv > 0.0)) << level) - ray.v0) * ray.rv
        if side > t:
            out = min(out, side)
    return max(out, t + NUDGE_M)


@kernel(inline="always")
def _cell_best(ray, z0, values, i, j, t_in, t_out):  # type: ignore[no-untyped-def]
    """Largest tangent between two distances over the bilinear patch of four centres: (tangent, distance).

    Along the ray the height is quadratic, so the tangent is a/t + b + c t; it has a maximum inside only where a
    and c are below zero, at sqrt(a/c).
    """
    z00, z01 = values[i, j], values[i, j + 1]
    z10, z11 = values[i + 1, j], values[i + 1, j + 1]
    p, q, su, sv = ray.u0 - j, ray.v0 - i, ray.su, ray.sv
    du, dv, twist = z01 - z00, z10 - z00, z00 - z01 - z10 + z11
    a = z00 - z0 + du * p + dv * q + twist * p * q
    b = du * su + dv * sv + twist * (p * sv + q * su)
    c = twist * su * sv - DROP_PER_M2
    best, at = a / t_in + b + c * t_in, t_in
    end = a / t_out + b + c * t_out
    if end > best:
        best, at = end, t_out
    if a < 0.0 and c < 0.0:
        s = np.sqrt(a / c)
        if t_in < s < t_out:
            peak = a / s + b + c * s
            if peak > best:
                best, at = peak, s
    return best, at


def cell_error_deg(
    distance_m: ArrayLike,
    cell_m: float,
    elevation_deg: ArrayLike | None = None,
    shift_cells: float = 0.5,
) -> Floats:
    """How wrong a wall's elevation may be when a surface model's cells stand in for it.

    A cell takes the height at its centre, so a wall may stand off by half a cell (`shift_cells`) each way, which is
    e = cell_m * shift_cells * sqrt(2) square to it at worst. Corners and ends of walls may be off along the horizon
    as well, by atan(e/d).

    Parameters
    ----------
    distance_m
        From the mount square to the wall's line.
    cell_m
        Of the surface model.
    elevation_deg
        Of the wall along the ray; without it the worst over all heights, atan(e / (2 sqrt(d (d - e)))), which is a
        wall seen at about 45 degrees.
    shift_cells
        1.5 where the model was resampled bilinearly on the way.

    Returns
    -------
    ndarray
        Degrees; 90 where the wall may be at the mount.

    Examples
    --------
    >>> cell_error_deg([2.0, 10.0, 100.0], 1.0).round(1).tolist()
    [12.4, 2.1, 0.2]
    """
    d = np.asarray(distance_m, float)
    e = cell_m * shift_cells * np.sqrt(2.0)
    near = d - e
    with np.errstate(divide="ignore", invalid="ignore"):
        if elevation_deg is None:
            error = np.degrees(np.arctan(e / (2.0 * np.sqrt(d * near))))
        else:
            elevation = np.asarray(elevation_deg, float)
            error = np.degrees(np.arctan(np.tan(np.radians(elevation)) * d / near)) - elevation
    return np.asarray(np.where(near <= 0, 90.0, error))
