"""Monthly climate layers read at sites.

A polygon takes the mean of the cells it covers, each weighted by the area it covers of them, exactly; a point takes
its cell. Only the tiles that sites touch are read, so a layer of any size costs the same. Where a site lies on
unknown cells, as at a coast, the nearest known cell within a stated distance stands in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from planner.layers.cell_shares import cell_weights, weighted_means
from planner.layers.climate_grid import (
    Months,
    OpenLayer,
    check_range,
    layer_crs,
    on_map,
    open_bands,
    opened_layer,
    round_the_earth,
)
from planner.layers.daily import read_yearly_peaks
from planner.layers.frame import WGS84, apart_m, project, project_shapes
from planner.layers.picture import empty_window, window_of
from planner.layers.source import label, place
from planner.layers.weather import station_at
from planner.ledger import DataError, Kind, Ledger
from planner.plan import ClimateLayer, PlanFile
from planner.readings import QUANTITIES, AtSites, Quantity, Readings
from planner.site import Bools, Floats, Ints, Shapes, inner_points
from planner.units import M_PER_FT

NEAREST_KM = 25.0  # how far the nearest known cell may be (or one cell, where cells are wider): a coast's width


def read_climate(
    plan_file: PlanFile,
    shapes_lonlat: Sequence[BaseGeometry] | Shapes,
    ledger: Ledger,
    *,
    names: Sequence[str] | None = None,
    strict: bool | None = None,
    layers: Mapping[str, AtSites] | None = None,
    around: Floats | None = None,
) -> Readings:
    """All that the files of `[climate]` say of n sites.

    Parameters
    ----------
    plan_file
        What its `[climate]` names is read.
    shapes_lonlat
        (n,) polygons or points, EPSG:4326.
    ledger
        Told what was repaired or assumed.
    names
        (n,) for messages; numbers unless given.
    strict
        A site outside a layer is an error; so for a single site unless given.
    layers
        Those that are read already, by the names of QUANTITIES; none of the plan's is then read.
    around
        (k, 2) longitudes and latitudes round which the ETo layer is read for a picture too.

    Returns
    -------
    Readings
        One row a site, in inner units.

    Raises
    ------
    PlanError, DataError
        A file is not there, or holds what cannot be used.
    """
    shapes = np.asarray(shapes_lonlat, object)
    n = len(shapes)
    strict = n == 1 if strict is None else strict
    names = [f"#{k + 1}" for k in range(n)] if names is None else names
    section, lonlat = plan_file.plan.climate, inner_points(shapes)
    window = None if around is None else empty_window(around[:, 0], around[:, 1])
    if layers is None:
        layers = {}
        for name, quantity in QUANTITIES.items():
            if (given := getattr(section, name)) is None:
                continue
            with opened_layer(plan_file, f"climate.{name}", given, quantity, ledger) as layer:
                layers[name] = _layer_at(layer, shapes, ledger, strict=strict, names=names)
                if name == "eto" and window is not None:
                    window = window_of(layer, window)
    return Readings(
        plan=str(plan_file.path),
        names=names,
        lonlat=lonlat,
        layers=layers,
        cell_elevation_m=None if section.elevation is None else _cell_elevation(plan_file, shapes, ledger),
        station=station_at(plan_file, lonlat, ledger, strict=strict, names=names),
        yearly_peak_mm_day=read_yearly_peaks(plan_file, ledger),
        around=window,
    )


def read_layer(
    plan_file: PlanFile,
    key: str,
    section: ClimateLayer,
    quantity: Quantity,
    shapes_lonlat: Sequence[BaseGeometry] | Shapes,
    ledger: Ledger,
    *,
    strict: bool,
    names: Sequence[str],
) -> AtSites:
    """A plan's layer at n sites, converted to the quantity's inner unit.

    Parameters
    ----------
    plan_file
        Names the layer.
    key
        Where in the plan, such as "climate.eto".
    section
        What the plan says there.
    quantity
        What the layer holds.
    shapes_lonlat
        (n,) polygons or points, EPSG:4326.
    ledger
        Told what was repaired or assumed.
    strict
        A site outside the layer is an error; otherwise it is NaN and listed.
    names
        (n,) for messages.

    Returns
    -------
    AtSites
        Values (n, 12), with how near they are.

    Raises
    ------
    PlanError
        The file or its unit is not known.
    DataError
        The file holds what cannot be used.
    """
    with opened_layer(plan_file, key, section, quantity, ledger) as layer:
        return _layer_at(layer, shapes_lonlat, ledger, strict=strict, names=names)


def _layer_at(
    layer: OpenLayer,
    shapes_lonlat: Sequence[BaseGeometry] | Shapes,
    ledger: Ledger,
    *,
    strict: bool,
    names: Sequence[str],
) -> AtSites:
    where, months, crs, quantity = layer.where, layer.months, layer.crs, layer.quantity
    found = _at_sites(np.asarray(shapes_lonlat, object), crs, months)
    middle = project(on_map(months.transform, months.width / 2, months.height / 2), crs, WGS84)
    reached: Bools = np.asarray(np.isfinite(found.values).all(axis=1))
    if strict and not reached.all():
        k = int(np.flatnonzero(~reached)[0])
        at = place(inner_points(np.asarray(shapes_lonlat, object))[k])
        raise DataError(
            where,
            f"the layer has no value at the site ({at})"
            + (
                f": its middle is at {place(middle)} by {label(crs)}"
                if found.outside[k]
                else f" nor within {ledger.distance(1000 * NEAREST_KM)} of it"
            ),
            "Give a layer that covers the site, or leave it out: the built-in layer then stands in",
        )

    def named(rows: Bools) -> list[str]:
        return [names[int(k)] for k in np.flatnonzero(rows)]

    lacking = named(~reached)
    if lacking:
        what = "no value at these sites; the next best source stands in, if there is one"
        ledger.add(Kind.CHECK, where, what, lacking)
    partly = named(reached & (found.away_km == 0) & (found.known_share < 0.99))
    if partly:
        ledger.add(
            Kind.CHECK, where, "part of the area lies on unknown cells; the mean is of the known part", partly
        )
    values = quantity.convert(found.values, layer.unit)
    check_range(where, layer.key, quantity, layer.unit, found.values, values)
    peaks = _converted(found.peak_range, found.values, values)
    return replace(found, values=values, peak_range=peaks, spread_mm_day=months.spread_mm_day, where=where)


# --- cells and weights -------------------------------------------------------------------------------------------


def _in_cells(shapes_lonlat: Shapes, crs: CRS, months: Months) -> tuple[Shapes, Ints]:
    """Polygons and points of the sites in cell coordinates, each on the raster's own turn of the earth."""
    shapes, owner = shapely.get_parts(np.asarray(shapes_lonlat, object), return_index=True)
    bad = ~shapely.is_valid(shapes)
    if bad.any():
        shapes[bad] = shapely.make_valid(shapes[bad])
        shapes, again = shapely.get_parts(shapes, return_index=True)
        owner = owner[again]
    inverse = ~months.transform
    shapes = project_shapes(shapes, WGS84, crs)
    if crs.is_geographic:
        turn = 2 * np.pi / crs.axis_info[0].unit_conversion_factor
        middle = on_map(months.transform, months.width / 2, months.height / 2)[0]
        x = shapely.bounds(shapes)[:, [0, 2]].mean(axis=1)
        turns = turn * np.round((x - middle) / turn)
        for k in np.flatnonzero(turns):
            shapes[k] = shapely.transform(shapes[k], lambda xy, by=turns[k]: xy - (by, 0.0))
    shapes = shapely.transform(shapes, lambda xy: on_map(inverse, xy[:, 0], xy[:, 1]))
    return shapes, owner.astype(np.int64)


def _converted(peaks: Floats, raw: Floats, values: Floats) -> Floats:
    """Peaks (n, 2) in the unit of the values, scaled as the site's own peak is."""
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = values.max(axis=1) / raw.max(axis=1)
    return np.asarray(peaks * np.where(np.isfinite(scale), scale, 1.0)[:, None], np.float64)


def _at_sites(shapes_lonlat: Shapes, crs: CRS, months: Months) -> AtSites:
    """Raw values of the layer at the sites, in the file's own unit."""
    n = len(shapes_lonlat)
    sites, rows, cols, weights = _cells_under(shapes_lonlat, crs, months)
    if crs.is_geographic:
        # cells of equal degrees narrow towards the poles
        y = on_map(months.transform, cols + 0.5, rows + 0.5)[:, 1]
        weights = weights * np.cos(np.clip(y * crs.axis_info[0].unit_conversion_factor, -np.pi / 2, np.pi / 2))
        weights = np.maximum(weights, 1e-12)
        cols = round_the_earth(cols, crs, months)
    inside = (rows >= 0) & (rows < months.height) & (cols >= 0) & (cols < months.width)
    total = np.bincount(sites, weights, n)
    sites, rows, cols, weights = sites[inside], rows[inside], cols[inside], weights[inside]
    outside = np.bincount(sites, weights, n) == 0
    cells = months.gather(rows, cols)
    known = np.isfinite(cells[:, 0])
    sites, cells, weights = sites[known], cells[known], weights[known]
    values, share = weighted_means(sites, weights, cells, n)
    peaks = np.column_stack([np.full(n, np.inf), np.full(n, -np.inf)])
    np.minimum.at(peaks[:, 0], sites, cells.max(axis=1))
    np.maximum.at(peaks[:, 1], sites, cells.max(axis=1))
    peaks[share == 0] = np.nan
    away = np.where(share > 0, 0.0, np.inf)
    lacking = np.flatnonzero(share == 0)
    centres = inner_points(shapes_lonlat[lacking])
    for k, centre in zip(lacking, centres, strict=True):
        near = _nearest_known(centre, crs, months)
        if near is not None:
            values[k], away[k] = near
    return AtSites(values, away, outside, np.divide(share, total, out=np.zeros(n), where=total > 0), peaks)


def _cells_under(shapes_lonlat: Shapes, crs: CRS, months: Months) -> tuple[Ints, Ints, Ints, Floats]:
    """Site, row, column and weight (m,) of the cells under the sites; rows and columns may lie outside."""
    is_point = shapely.get_type_id(shapes_lonlat) == 0
    points, areas = np.flatnonzero(is_point), np.flatnonzero(~is_point)
    xy = project(shapely.get_coordinates(shapes_lonlat[points]), WGS84, crs)
    cell = months.cells_at(np.where(np.isfinite(xy), xy, 0.0), crs)
    cell[~np.isfinite(xy).all(axis=1)] = -1
    found = [(points, cell[:, 0], cell[:, 1], np.ones(len(points)))]
    if len(areas):
        shapes, owner = _in_cells(shapes_lonlat[areas], crs, months)
        of, rows, cols, weights = cell_weights(shapes, owner)
        found.append((areas[of], rows, cols, weights))
    sites, rows, cols, weights = (np.concatenate(column) for column in zip(*found, strict=True))
    return sites, rows, cols, weights


def _nearest_known(centre: Floats, crs: CRS, months: Months) -> tuple[Floats, float] | None:
    """Values (12,) of the known cell nearest to a place, and how far it is in km; None beyond the limit."""
    shape, _ = _in_cells(np.array([shapely.Point(centre)], object), crs, months)
    col, row = np.floor(shapely.get_coordinates(shape)[0])
    if not (np.isfinite(col) and np.isfinite(row)):
        return None
    corner = project(
        on_map(months.transform, np.array([col, col + 1, col]), np.array([row, row, row + 1])), crs, WGS84
    )
    if not np.isfinite(corner).all():
        return None
    wide, high = apart_m(corner[1:], corner[0]) / 1000.0
    reach_c, reach_r = (int(np.clip(np.ceil(NEAREST_KM / max(size, 1e-3)), 1, 500)) for size in (wide, high))
    r, c = np.meshgrid(
        np.arange(row - reach_r, row + reach_r + 1), np.arange(col - reach_c, col + reach_c + 1), indexing="ij"
    )
    rows, cols = r.ravel().astype(np.int64), c.ravel().astype(np.int64)
    at = project(on_map(months.transform, cols + 0.5, rows + 0.5), crs, WGS84)
    if crs.is_geographic:
        cols = round_the_earth(cols, crs, months)
    keep = (rows >= 0) & (rows < months.height) & (cols >= 0) & (cols < months.width) & np.isfinite(at).all(axis=1)
    rows, cols, at = rows[keep], cols[keep], at[keep]
    if not len(rows):
        return None
    cells, km = months.gather(rows, cols), apart_m(at, centre) / 1000.0
    km = np.where(np.isfinite(cells[:, 0]), km, np.inf)
    best = int(km.argmin())
    limit = max(NEAREST_KM, 1.5 * max(wide, high))
    return (cells[best], float(km[best])) if km[best] <= limit else None


def _cell_elevation(plan_file: PlanFile, shapes: Shapes, ledger: Ledger) -> Floats:
    """(n,) elevation of the layers' cells under the sites, NaN where unknown."""
    section = plan_file.plan.climate.elevation
    assert section is not None
    where = f"climate.elevation ({section.path.replace(chr(92), '/').rsplit('/', 1)[-1]})"
    layer = ClimateLayer(path=section.path, unit=section.height_unit, crs=section.crs)
    with open_bands(plan_file, "climate.elevation", layer, where, bands=1) as months:
        crs = layer_crs(plan_file, "climate.elevation", layer, where, months, ledger)
        found = _at_sites(shapes, crs, months)
    height = found.values[:, 0] * (M_PER_FT if section.height_unit == "ft" else 1.0)
    known = height[np.isfinite(height)]
    if len(known) and not (known.min() > -500 and known.max() < 9000):
        raise DataError(
            where,
            f"elevations from {known.min():.4g} to {known.max():.4g} m at the sites cannot be",
            "State climate.elevation.height_unit, or mend the file's nodata value",
        )
    return np.asarray(height, np.float64)
