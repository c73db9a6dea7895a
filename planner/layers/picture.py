"""An ETo layer around a site or a contract, on an even grid of degrees, for a picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.layers.climate_grid import OpenLayer, opened_layer
from planner.layers.frame import WGS84, project
from planner.ledger import Ledger
from planner.plan import PlanFile
from planner.readings import QUANTITIES, Window
from planner.site import Floats

LONG_SIDE = 160  # cells along the picture's longer side
SMALLEST_DEG = 1.5  # a single site's picture shows its region, not its cell
SQUAT = 0.6  # least height of the picture, over its width


def read_window(plan_file: PlanFile, longitude_deg: Floats, latitude_deg: Floats, ledger: Ledger) -> Window:
    """The plan's ETo layer around sites, for a picture.

    Parameters
    ----------
    plan_file
        The plan.
    longitude_deg, latitude_deg
        (n,) of the sites.
    ledger
        Told what was assumed of the layer.

    Returns
    -------
    Window
        The grid alone where the plan names no such layer.
    """
    window, section = empty_window(longitude_deg, latitude_deg), plan_file.plan.climate.eto
    if section is None:
        return window
    with opened_layer(plan_file, "climate.eto", section, QUANTITIES["eto"], ledger) as layer:
        return window_of(layer, window)


def empty_window(longitude_deg: Floats, latitude_deg: Floats) -> Window:
    """The grid around sites at (n,) longitudes and latitudes, with no layer in it."""
    west, east = _padded(longitude_deg)
    # a contract along a road still lies in a country, not in a strip
    south, north = _padded(np.clip(latitude_deg, -89, 89), SQUAT * (east - west))
    south, north = max(south, -90.0), min(north, 90.0)
    step = max(east - west, north - south) / LONG_SIDE
    lon = np.arange(west + step / 2, east, step)
    lat = np.arange(north - step / 2, south, -step)
    return Window(lon, lat, float(west), float(lat[-1] - step / 2), float(lon[-1] + step / 2), float(north), None)


def window_of(layer: OpenLayer, window: Window) -> Window:
    """The same window with an ETo layer in it: each cell takes the layer's at its middle, nothing is smoothed."""
    lon, lat = window.longitude_deg, window.latitude_deg
    grid, months = np.stack(np.meshgrid(lon, lat), axis=-1).reshape(-1, 2), layer.months
    xy = project(grid, WGS84, layer.crs)
    inside_earth = np.asarray(np.isfinite(xy).all(axis=1))
    cell = months.cells_at(np.where(inside_earth[:, None], xy, 0.0), layer.crs)
    inside = inside_earth & (cell >= 0).all(axis=1) & (cell < (months.height, months.width)).all(axis=1)
    values = np.full((len(grid), 12), np.nan)
    values[inside] = months.gather(cell[inside, 0], cell[inside, 1])
    values = layer.quantity.convert(values, layer.unit)
    return replace(window, eto_mm_day=values.reshape(len(lat), len(lon), 12))


def _padded(degrees: Floats, least_deg: float = SMALLEST_DEG) -> tuple[float, float]:
    """Ends of a stretch that holds all values with a margin, and is no shorter than a region."""
    low, high = float(np.min(degrees)), float(np.max(degrees))
    half = max((high - low) / 2 * 1.15, SMALLEST_DEG / 2, least_deg / 2)
    return (low + high) / 2 - half, (low + high) / 2 + half
