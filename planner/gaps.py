"""Where a site's rasters know nothing, seen from its middle, and how high the ground may be there.

Unknown ground, and what stands there, is taken to go on as the nearest known does, give or take what the known
differs by over the same distance: the root mean square of the differences of all pairs of cells so far apart.
Nothing is known of hills unlike those that the raster shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.ndimage import distance_transform_edt

from planner.ground import Relief, centres, ground_relief
from planner.site import Floats, Heights

Box = tuple[float, float, float, float]  # west, south, east, north

ENOUGH = 0.9  # share of the way asked for, from which a raster is not called short
AZIMUTHS_DEG = np.arange(360.0)
STEP_SHARE = 0.01  # of the distance: half of what parts the azimuths there, and never less than a cell
FAR_CELLS = 500  # across the raster that stands in beyond the known ones


def unknown_from(rasters: Sequence[Heights], box: Box, reach_m: float) -> Floats:
    """Distance from which unknown cells begin along each azimuth.

    Parameters
    ----------
    rasters
        Of one layer, the finest first; a cell is known where any of them knows it.
    box
        Bounds of the site; unknown cells inside it are not counted.
    reach_m
        How far is looked, metres from the middle of the box.

    Returns
    -------
    ndarray, shape (360,)
        Metres from the middle of the box, by whole degrees clockwise from north; inf where all is known to
        `ENOUGH` of `reach_m`.
    """
    middle = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
    r = [rasters[0].cell_m]
    while r[-1] < ENOUGH * reach_m:
        r.append(r[-1] + max(rasters[0].cell_m, STEP_SHARE * r[-1]))
    r_m = np.array(r[:-1])
    turn = np.radians(AZIMUTHS_DEG)
    xy = middle + r_m[:, None] * np.stack([np.sin(turn), np.cos(turn)], axis=-1)[:, None, :]
    known = _off_box(xy, box) <= 0
    for heights in rasters:
        known |= np.isfinite(heights.at(xy))
    return np.asarray(np.where(known, np.inf, r_m).min(axis=1, initial=np.inf))


def runs(unknown: Floats) -> list[tuple[int, int, float]]:
    """Ranges of azimuths that hold unknown cells.

    Parameters
    ----------
    unknown
        (360,) as `unknown_from` gives it.

    Returns
    -------
    list of (first, last, near)
        Degrees, and the least distance in metres; widest first.

    Examples
    --------
    >>> far = np.full(360, np.inf)
    >>> far[[358, 359, 0, 1, 90]] = 500.0
    >>> runs(far)
    [(358, 1, 500.0), (90, 90, 500.0)]
    """
    gap = np.isfinite(unknown)
    if gap.all() or not gap.any():
        return [(0, 359, float(unknown.min()))] if gap.all() else []
    shift = int(np.flatnonzero(~gap)[0])  # so that none runs over the seam
    turned = np.concatenate([np.roll(gap, -shift), [False]])
    edges = np.flatnonzero(np.diff(turned.astype(int)))
    found = []
    for begin, end in zip(edges[::2] + 1, edges[1::2] + 1, strict=True):
        rows = (np.arange(begin, end) + shift) % 360
        found.append((int(rows[0]), int(rows[-1]), float(unknown[rows].min()), len(rows)))
    return [(first, last, near) for first, last, near, _ in sorted(found, key=lambda run: -run[3])]


def higher_ground(ground: Sequence[Relief], box: Box, reach_m: float) -> tuple[Relief, ...] | None:
    """The ground with unknown cells one standard deviation higher than the nearest known one; None without gaps.

    The rise over a distance is `rms_difference`. No cell stands higher over the site's edge than ground so far
    from the site differs by, and those inside its box not at all: the mounts stand on that ground.

    Parameters
    ----------
    ground
        Terrain of the site, the fine raster first.
    box
        Bounds of the site in its frame, metres.
    reach_m
        How far hills are looked for.

    Returns
    -------
    tuple of Relief or None
        As `SiteGround.ground`, with a coarse one more where the others end short of `reach_m`.
    """
    if not ground or reach_m <= 0:
        return None
    filled = _higher([relief.heights for relief in ground], box, reach_m)
    return None if filled is None else tuple(ground_relief(heights) for heights in filled)


def higher_surface(surface: Sequence[Heights], box: Box, reach_m: float) -> tuple[Heights, ...] | None:
    """A surface model with what it does not know beyond the site as high as it shows elsewhere.

    As `higher_ground`, but for unknown cells inside the site's box: next to a wall the nearest known one may be the
    roof, and a mount there would stand in it.

    Parameters
    ----------
    surface
        The surface model, the fine raster first.
    box
        Bounds of the site in its frame, metres.
    reach_m
        How far it is looked at.

    Returns
    -------
    tuple of Heights, or None
        With a coarse one more where the others end short of `reach_m`; None without gaps.
    """
    if not surface or reach_m <= 0:
        return None
    filled = _higher(surface, box, reach_m)
    if filled is None:
        return None
    inside = [_off_box(centres(heights), box) <= 0 for heights in filled]
    known = [*surface, *([None] * (len(filled) - len(surface)))]
    return tuple(
        replace(h, values=np.where(site, np.nan if was is None else was.values, h.values))
        for h, was, site in zip(filled, known, inside, strict=True)
    )


def _higher(rasters: Sequence[Heights], box: Box, reach_m: float) -> list[Heights] | None:
    """The rasters with unknown cells filled, and a coarse one more beyond; None where all is known."""
    if np.isinf(unknown_from(rasters, box, reach_m)).all():
        return None
    widest = rasters[-1]
    lag_m, rise_m = rms_difference(widest)
    filled = []
    for k, heights in enumerate(rasters):
        v = heights.values
        for other in rasters[k + 1 :]:
            v = np.where(np.isnan(v), other.at(centres(heights)), v)
        filled.append(_filled(replace(heights, values=v), box, lag_m, rise_m))
    width_m, height_m = box[2] - box[0] + 2 * reach_m, box[3] - box[1] + 2 * reach_m
    cell = max(widest.cell_m, max(width_m, height_m) / FAR_CELLS)
    rows, cols = int(np.ceil(height_m / cell)), int(np.ceil(width_m / cell))
    beyond = Heights(np.zeros((rows, cols)), box[0] - reach_m, box[3] + reach_m, cell)
    beyond = replace(beyond, values=widest.at(centres(beyond)))
    if np.isfinite(beyond.values).any():
        filled.append(_filled(beyond, box, lag_m, rise_m))
    return filled


def rms_difference(heights: Heights) -> tuple[Floats, Floats]:
    """Root mean square difference of known heights, by the distance between them along rows and columns.

    Returns
    -------
    lag_m, rms_m : ndarray, shape (k,)
        From 0 at 0, distances doubling to half the raster's longer side.
    """
    v, lags, found = heights.values, [0.0], [0.0]
    lag = 1
    while lag <= max(max(v.shape) // 2, 1):
        pairs = [v[lag:] - v[:-lag], v[:, lag:] - v[:, :-lag]]
        squares = np.concatenate([p[np.isfinite(p)] for p in pairs]) ** 2
        if len(squares):
            lags.append(lag * heights.cell_m)
            found.append(float(np.sqrt(squares.mean())))
        lag *= 2
    return np.array(lags), np.array(found)


def _filled(heights: Heights, box: Box, lag_m: Floats, rise_m: Floats) -> Heights:
    unknown = np.isnan(heights.values)
    if not unknown.any() or unknown.all():
        return heights
    away, (row, col) = distance_transform_edt(unknown, sampling=heights.cell_m, return_indices=True)
    from_known = away[unknown]
    from_site = _off_box(centres(heights)[unknown], box)
    values = heights.values.copy()
    values[unknown] = heights.values[row[unknown], col[unknown]]
    values[unknown] += np.interp(np.minimum(from_known, from_site), lag_m, rise_m)
    return replace(heights, values=values)


def _off_box(xy: Floats, box: Box) -> Floats:
    """(...,) distance of (..., 2) points from a box, 0 inside."""
    low, high = np.array(box[:2]), np.array(box[2:])
    return np.asarray(np.linalg.norm(np.maximum(np.maximum(low - xy, xy - high), 0.0), axis=-1))
