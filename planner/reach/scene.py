"""A site as flat arrays for compiled loops: prisms and crowns behind a grid of boxes, and rasters of the ground."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from planner.site import Bools, Floats, Ints, Prisms, Site

Floats32 = NDArray[np.float32]

BESIDE_M = 8.0  # a building so far from a line is found from the line's own cells: the Fresnel zone of a kilometre


class Scene(NamedTuple):
    """A site as flat arrays for the compiled loops.

    Prisms are the buildings and then the crowns that are prisms; items of the grid are the prisms and then the
    crowns. edge: (e, 4) x0, y0, x1, y1, sorted by prism; edge_first: (p + 1,). ground, veg: (rows, cols)
    rasters, empty where there are none, with left, top and cell. ground_most: (rows, cols) no less than the ground
    anywhere within half a cell of a cell; infinite beside gaps and at the rim.
    """

    n_buildings: int
    edge: Floats
    edge_first: Ints
    base: Floats
    top: Floats
    crown: Floats  # (c, 5) x, y, z, radius, half height
    prism_evergreen: Bools
    crown_evergreen: Bools
    box: Floats  # (items, 4) centre and half size
    cell_first: Ints
    cell_item: Ints
    grid: Floats  # x0, y0, cell
    grid_shape: Ints  # columns, rows
    ground: Floats
    ground_at: Floats  # left, top, cell, share of the line's ends that is left out in metres
    ground_most: Floats32
    far: Floats  # heights where `ground` knows none
    far_at: Floats
    veg: Floats
    veg_at: Floats
    veg_evergreen: bool


def _raster(heights: Any) -> tuple[Floats, Floats]:
    if heights is None:
        return np.empty((0, 0)), np.zeros(3)
    at = np.array([heights.left_m, heights.top_m, heights.cell_m], float)
    return np.ascontiguousarray(heights.values, float), at


def _most(values: Floats) -> Floats32:
    """The highest of each cell and the eight around it, rounded up."""
    out = np.full(values.shape, np.inf, np.float32)
    near = values.astype(np.float32)
    near = np.where(near < values, np.nextafter(near, np.float32(np.inf)), near)
    near[np.isnan(values)] = np.inf
    if min(values.shape) >= 3:
        for axis in (0, 1):
            near = sliding_window_view(near, 3, axis).max(axis=-1)
        out[1:-1, 1:-1] = near
    return out


def scene(site: Site) -> Scene:
    """Lay a site out for :func:`trace` and :func:`diffract`.

    A surface model that serves as obstacle stands in for footprints and crowns, as it does for the sun. Beyond it
    the terrain serves, beyond the terrain the coarser one to the horizon.

    Parameters
    ----------
    site
        In its local frame.

    Returns
    -------
    Scene
        Flat arrays; good until anything on the site changes.
    """
    raised = site.surface is not None
    solids = [] if raised else [site.buildings, site.crown_prisms]
    nb = 0 if raised else len(site.buildings)
    edge = [np.empty((0, 4))]
    first = [np.zeros(1, np.int64)]
    boxes = [np.empty((0, 4))]
    for some in solids:
        edge.append(np.hstack([some.edge_start, some.edge_end]))
        counts = np.bincount(some.edge_prism, minlength=len(some)).astype(np.int64)
        first.append(counts)
        boxes.append(_bounds(some))
    crowns = np.empty((0, 5))
    if not raised and len(site.crowns):
        c = site.crowns
        crowns = np.column_stack([c.centre, c.radius_m, c.half_height_m])
        boxes.append(
            np.column_stack([c.centre[:, :2] - c.radius_m[:, None], c.centre[:, :2] + c.radius_m[:, None]])
        )
    box = np.vstack(boxes)
    grid, shape, cell_first, cell_item = _grid(box + np.array([-BESIDE_M, -BESIDE_M, BESIDE_M, BESIDE_M]))
    ground, ground_at = _raster(site.surface if raised else site.terrain)
    far, far_at = _raster(site.terrain if raised else site.terrain_far)
    veg, veg_at = _raster(None if raised else site.canopy)
    end = 1.5 * ground_at[2] if raised else 0.0
    return Scene(
        nb,
        np.ascontiguousarray(np.vstack(edge)),
        np.cumsum(np.concatenate(first)),
        np.concatenate([s.base_m for s in solids]) if solids else np.empty(0),
        np.concatenate([s.top_m for s in solids]) if solids else np.empty(0),
        np.ascontiguousarray(crowns),
        np.asarray(site.crown_evergreen, bool) if not raised else np.empty(0, bool),
        np.asarray(site.crowns.evergreen, bool) if not raised else np.empty(0, bool),
        np.ascontiguousarray(np.hstack([box[:, :2] + box[:, 2:], box[:, 2:] - box[:, :2]]) / 2.0),
        cell_first,
        cell_item,
        grid,
        shape,
        ground,
        np.append(ground_at, end),
        _most(ground),
        far,
        far_at,
        veg,
        veg_at,
        bool(site.canopy_evergreen),
    )


def _bounds(solids: Prisms) -> Floats:
    if not len(solids):
        return np.empty((0, 4))
    low = np.full((len(solids), 2), np.inf)
    high = np.full((len(solids), 2), -np.inf)
    for ends in (solids.edge_start, solids.edge_end):
        np.minimum.at(low, solids.edge_prism, ends)
        np.maximum.at(high, solids.edge_prism, ends)
    return np.hstack([low, high])


def _grid(box: Floats) -> tuple[Floats, Ints, Ints, Ints]:
    """Square cells with the items whose boxes touch them, as (first, items) in row-major order."""
    if not len(box):
        return np.array([0.0, 0.0, 1.0]), np.zeros(2, np.int64), np.zeros(1, np.int64), np.empty(0, np.int64)
    low, high = box[:, :2].min(axis=0), box[:, 2:].max(axis=0)
    extent = np.maximum(high - low, 1.0)
    cell = float(np.clip(np.sqrt(extent.prod() / len(box)), 5.0, 200.0))
    cell = max(cell, float(extent.max()) / 2000.0)
    shape = np.floor(extent / cell).astype(np.int64) + 1
    c0 = np.clip(np.floor((box[:, :2] - low) / cell).astype(np.int64), 0, shape - 1)
    c1 = np.clip(np.floor((box[:, 2:] - low) / cell).astype(np.int64), 0, shape - 1)
    span = c1 - c0 + 1
    count = span.prod(axis=1)
    item = np.repeat(np.arange(len(box)), count)
    at = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    col = c0[item, 0] + at % span[item, 0]
    row = c0[item, 1] + at // span[item, 0]
    cell_of = row * shape[0] + col
    order = np.argsort(cell_of, kind="stable")
    first = np.searchsorted(cell_of[order], np.arange(shape.prod() + 1))
    return np.array([low[0], low[1], cell]), shape, first.astype(np.int64), item[order].astype(np.int64)
