"""Monthly climate layers read at sites: a raster of 12 bands, a NetCDF, or one file a month.

A polygon takes the mean of the cells it covers, each weighted by the area it covers of them, exactly; a point takes
its cell. Only the tiles that sites touch are read, so a layer of any size costs the same. Where a site lies on
unknown cells, as at a coast, the nearest known cell within a stated distance stands in, and that is said.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

import numpy as np
import rasterio
import shapely
from affine import Affine
from numpy.typing import ArrayLike
from pyproj import CRS
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window
from shapely.geometry.base import BaseGeometry

from planner.climate.answer import SiteClimate
from planner.climate.builtin import BASIS as TEMPERATURE_ONLY
from planner.climate.builtin import SOURCE as BUILTIN_SOURCE
from planner.climate.builtin import SPREAD_MM_DAY as TEMPERATURE_ONLY_SPREAD_MM_DAY
from planner.climate.builtin import builtin_normals, eto_estimate_mm_day
from planner.climate.eto import (
    MONTH_DAYS,
    MonthlyInputs,
    monthly_eto,
    vapour_pressure_from_dew_point_kpa,
    vapour_pressure_from_rh_kpa,
    vapour_pressure_from_rh_max_kpa,
    wind_at_2m_m_s,
)
from planner.layers.frame import WGS84, Shapes, apart_m, project, project_shapes
from planner.layers.source import label, locate, place, settle_crs
from planner.ledger import DataError, Kind, Ledger, PlanError, nearest
from planner.plan import ClimateLayer, PlanFile
from planner.site import Bools, Floats, Ints
from planner.units import MM_PER_IN, MONTHS

NEAREST_KM = 25.0  # how far the nearest known cell may be (or one cell, where cells are wider): a coast's width
_TILE = 256
_BOXES_AT_ONCE = 200_000

# Standard deviation of the peak month's ETo, mm/day, by how it was found. `layer`: gridMET cells 25 km apart
# differ by 0.32 in July over Montana (RMS), cells 4 km apart by 0.13; what a grid misses at a site is taken to be
# of that size: an assumption. The others are RMSE against the same layer's ETo in July when one quantity is
# withheld, and add in quadrature; `hargreaves` is measured at 41 points in 17 regions (data/fit_daily_range.py),
# as is the built-in estimate's own spread.
SPREAD_MM_DAY = {
    "layer": 0.35,
    "formula": 0.10,
    "no radiation": 0.20,
    "no humidity": 0.46,
    "no wind": 0.39,
    "hargreaves": 0.75,
}


@dataclass(frozen=True)
class Quantity:
    """What a layer holds: to its inner unit, and the range that a month's mean can have there.

    units: name to (factor, offset), value * factor + offset; totals of a month are divided by its days.
    low, high: of any month. peak_low, peak_high: of the highest month of a site.
    """

    name: str
    inner: str
    units: dict[str, tuple[float, float]]
    low: float
    high: float
    peak_low: float
    peak_high: float

    def convert(self, values: Floats, unit: str) -> Floats:
        """(n, 12) from the file's unit to the inner one."""
        factor, offset = self.units[unit]
        month = MONTH_DAYS if "/month" in unit and "/day" in self.inner else 1.0
        if "/day" in unit and "/month" in self.inner:
            month = 1.0 / MONTH_DAYS
        return np.asarray((values * factor + offset) / month, np.float64)

    def plausible(self, values: Floats) -> bool:
        """Whether known values (n, 12), in the inner unit, can be what they are said to be."""
        rows = values[np.isfinite(values).all(axis=1)]
        if not len(rows):
            return True
        top = np.median(rows.max(axis=1))
        return bool(rows.min() >= self.low and rows.max() <= self.high and self.peak_low <= top <= self.peak_high)


_TEMPERATURE_UNITS = {"C": (1.0, 0.0), "K": (1.0, -273.15), "F": (5.0 / 9.0, -160.0 / 9.0)}
QUANTITIES = {
    "eto": Quantity(
        "ETo",
        "mm/day",
        {"mm/day": (1.0, 0.0), "mm/month": (1.0, 0.0), "in/day": (MM_PER_IN, 0.0), "in/month": (MM_PER_IN, 0.0)},
        -0.5,
        20.0,
        0.8,
        18.0,
    ),
    "tmin": Quantity("minimum temperature", "C", _TEMPERATURE_UNITS, -60.0, 40.0, -12.0, 36.0),
    "tmax": Quantity("maximum temperature", "C", _TEMPERATURE_UNITS, -55.0, 52.0, 0.0, 50.0),
    "tmean": Quantity("mean temperature", "C", _TEMPERATURE_UNITS, -60.0, 45.0, -6.0, 42.0),
    "dew_point": Quantity("dew point", "C", _TEMPERATURE_UNITS, -65.0, 32.0, -15.0, 30.0),
    "radiation": Quantity(
        "solar radiation", "MJ/m2/day", {"MJ/m2/day": (1.0, 0.0), "W/m2": (0.0864, 0.0)}, -0.1, 45.0, 6.0, 42.0
    ),
    "wind": Quantity(
        "wind", "m/s", {"m/s": (1.0, 0.0), "km/h": (1.0 / 3.6, 0.0), "mph": (0.44704, 0.0)}, 0.0, 25.0, 0.3, 15.0
    ),
    "rh_min": Quantity("minimum humidity", "%", {"%": (1.0, 0.0)}, 0.0, 101.0, 1.5, 101.0),
    "rh_max": Quantity("maximum humidity", "%", {"%": (1.0, 0.0)}, 0.0, 101.0, 1.5, 101.0),
    "vapour_pressure": Quantity(
        "vapour pressure", "kPa", {"kPa": (1.0, 0.0), "hPa": (0.1, 0.0), "Pa": (0.001, 0.0)}, 0.0, 5.0, 0.25, 4.5
    ),
    "rain": Quantity(
        "rain",
        "mm/month",
        {"mm/month": (1.0, 0.0), "mm/day": (1.0, 0.0), "in/month": (MM_PER_IN, 0.0)},
        0.0,
        4000.0,
        0.0,
        4000.0,
    ),
}


@dataclass(frozen=True)
class LayerValues:
    """A layer at n sites: values (n, 12) in the quantity's inner unit, NaN where there are none.

    away_km (n,): 0 where the site's own cells are known, else the distance to the nearest that is; inf where none
    is within reach. outside (n,): beyond the layer. known_share (n,): share of the site's area on known cells.
    """

    values: Floats
    away_km: Floats
    outside: Bools
    known_share: Floats


# --- the file --------------------------------------------------------------------------------------------


class Months:
    """Twelve bands of one grid, from one file or from twelve."""

    def __init__(self, files: Sequence[rasterio.DatasetReader], where: str) -> None:
        self.files, first = files, files[0]
        self.width, self.height, self.transform = first.width, first.height, first.transform
        if len(files) == 1 and first.count != 12:
            raise DataError(
                where,
                f"it has {first.count} band{'s' if first.count != 1 else ''}, not one for each of the 12 months",
                "Give 12 bands, January first, or one file a month with {mon}, {mm} or {m} in its name",
            )
        for file in files[1:]:
            if (file.width, file.height) != (first.width, first.height) or not file.transform.almost_equals(
                first.transform, 1e-6
            ):
                raise DataError(
                    where, f"{file.name} has another grid than {first.name}", "Bring the months to one grid"
                )
        if len(files) == 12 and any(file.count != 1 for file in files):
            raise DataError(where, "a month's file has more than one band", "Give one band a month")
        if first.transform == Affine.identity():
            raise DataError(where, "the raster has no georeference", "Give it one in a GIS, or export it again")

    def read(self, window: Window) -> Floats:
        """(12, rows, cols), NaN where unknown, scale and offset applied."""
        parts = [file.read(window=window, masked=True) for file in self.files]
        values = np.concatenate([np.ma.filled(part.astype(np.float64), np.nan) for part in parts])
        scales = np.concatenate([file.scales for file in self.files])
        offsets = np.concatenate([file.offsets for file in self.files])
        values = values * scales[:, None, None] + offsets[:, None, None]
        values[np.isinf(values)] = np.nan
        return np.asarray(values, np.float64)

    def cells_at(self, xy: Floats, crs: CRS) -> Ints:
        """(m, 2) row and column of the cells that hold (m, 2) places in the layer's CRS; may lie outside."""
        at = np.floor(_at(~self.transform, xy[:, 0], xy[:, 1])).astype(np.int64)
        col = _wrap(at[:, 0], crs, self) if crs.is_geographic else at[:, 0]
        return np.column_stack([at[:, 1], col])

    def gather(self, rows: Ints, cols: Ints) -> Floats:
        """(m, 12) at cells inside the grid, tile by tile; NaN in every month where any month is unknown."""
        out = np.empty((len(rows), 12))
        tiles = (rows // _TILE) * (self.width // _TILE + 1) + cols // _TILE
        order = np.argsort(tiles, kind="stable")
        for group in np.split(order, np.flatnonzero(np.diff(tiles[order])) + 1) if len(order) else ():
            r, c = rows[group], cols[group]
            r0, c0 = int(r.min()), int(c.min())
            block = self.read(Window(c0, r0, int(c.max()) + 1 - c0, int(r.max()) + 1 - r0))
            out[group] = block[:, r - r0, c - c0].T
        out[np.isnan(out).any(axis=1)] = np.nan
        return out


@contextmanager
def open_layer(plan: PlanFile, key: str, section: ClimateLayer, ledger: Ledger) -> Iterator[tuple[Months, CRS]]:
    """A plan's layer with its settled CRS, to be read by cells."""
    where = _where(key, section)
    with _open(plan, key, section, where) as months:
        yield months, _crs(plan, key, section, where, months, ledger)


def _where(key: str, section: ClimateLayer) -> str:
    return f"{key} ({section.path.replace(chr(92), '/').rsplit('/', 1)[-1]})"


@contextmanager
def _open(plan: PlanFile, key: str, section: ClimateLayer, where: str) -> Iterator[Months]:
    names = _month_files(plan, key, section)
    with ExitStack() as stack:
        try:
            with warnings.catch_warnings():
                # a file of several variables has no place itself; its variables have
                warnings.simplefilter("ignore", NotGeoreferencedWarning)
                files = [stack.enter_context(rasterio.open(name)) for name in names]
            if len(files) == 1 and files[0].subdatasets:
                chosen = _variable(where, files[0].subdatasets, section.variable, key, plan)
                files = [stack.enter_context(rasterio.open(chosen))]
            yield Months(files, where)
        except RasterioError as fault:
            raise DataError(
                where,
                f"the file cannot be read as a raster: {str(fault).rstrip('.')}",
                "Open it in a GIS, and export it again",
            ) from None


def _month_files(plan: PlanFile, key: str, section: ClimateLayer) -> list[str]:
    text = section.path
    # ${NAME} belongs to the plan, not to the months
    if not re.search(r"(?<!\$)\{(mon|mm|m)\}", text):
        return [str(locate(plan, f"{key}.path", text))]

    def fill(month: int) -> str:
        words = {"mon": MONTHS[month].lower(), "mm": f"{month + 1:02d}", "m": str(month + 1)}
        return re.sub(r"(?<!\$)\{(mon|mm|m)\}", lambda match: words[match[1]], text)

    return [str(locate(plan, f"{key}.path", fill(month))) for month in range(12)]


def _variable(where: str, subdatasets: Sequence[str], wanted: str | None, key: str, plan: PlanFile) -> str:
    names = {text.rsplit(":", 1)[-1].strip("/"): text for text in subdatasets}
    if wanted is None:
        raise PlanError(
            f"{plan.path}: {key}.variable", "the file holds several variables", f"Name one: {', '.join(names)}"
        )
    if wanted not in names:
        raise DataError(where, f"it has no variable '{wanted}'", f"Of its variables: {nearest(wanted, names)}")
    return names[wanted]


def _crs(plan: PlanFile, key: str, section: ClimateLayer, where: str, months: Months, ledger: Ledger) -> CRS:
    file = months.files[0]
    found = file.crs.to_wkt() if file.crs else None
    corners = np.array(
        [
            _at(file.transform, col, row)
            for col, row in ((0, 0), (file.width, 0), (0, file.height), (file.width, file.height))
        ]
    )
    degrees = [value for name, value in file.tags().items() if name.endswith("#units") and "degrees" in value]
    if found is None and section.crs is None and len(degrees) >= 2:
        ledger.add(Kind.ASSUMED, where, "its axes are in degrees and it names no CRS: WGS 84 (EPSG:4326) taken")
        return WGS84
    return settle_crs(plan, key, where, section.crs, found, corners, ledger)


def _at(transform: Affine, x: ArrayLike, y: ArrayLike) -> Floats:
    """(..., 2) points of cell coordinates on the map, or back with the inverse."""
    x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
    return np.stack(
        [
            transform.a * x + transform.b * y + transform.c,
            transform.d * x + transform.e * y + transform.f,
        ],
        axis=-1,
    )


# --- cells and weights -----------------------------------------------------------------------------------


def cell_weights(parts: Shapes, owner: Ints) -> tuple[Ints, Ints, Ints, Floats]:
    """Cells that shapes cover, and how much of each: owner, row, column (m,) and the area in cells (m,).

    parts: (k,) polygons or points in cell coordinates (x the column, y the row, from the grid's outer corner);
    owner: (k,) the site of each. A point covers its own cell with weight 1. Columns and rows may lie outside.
    """
    parts = np.asarray(parts, object)
    flat = shapely.area(parts) <= 0.0
    bounds = shapely.bounds(parts)
    first = np.floor(bounds[:, :2]).astype(np.int64)
    last = np.maximum(np.ceil(bounds[:, 2:]).astype(np.int64), first + 1)
    if flat.any():
        xy = shapely.get_coordinates(shapely.point_on_surface(parts[flat]))
        first[flat] = np.floor(xy).astype(np.int64)
        last[flat] = first[flat] + 1
    size = last - first
    counts = size[:, 0] * size[:, 1]
    found: list[tuple[Ints, Ints, Ints, Floats]] = []
    for block in np.split(np.arange(len(parts)), np.flatnonzero(np.diff(np.cumsum(counts) // _BOXES_AT_ONCE)) + 1):
        which = np.repeat(block, counts[block])
        step = np.arange(len(which)) - np.repeat(np.cumsum(counts[block]) - counts[block], counts[block])
        col, row = first[which, 0] + step % size[which, 0], first[which, 1] + step // size[which, 0]
        weight = np.ones(len(which))
        cut = (counts[which] > 1) & ~flat[which]
        single = (counts[which] == 1) & ~flat[which]
        weight[single] = shapely.area(parts[which[single]])
        if cut.any():
            boxes = shapely.box(col[cut], row[cut], col[cut] + 1, row[cut] + 1)
            shapely.prepare(parts[block])
            shapes = parts[which[cut]]
            area = np.ones(len(boxes))
            rim = ~shapely.contains_properly(shapes, boxes)
            area[rim] = shapely.area(shapely.intersection(shapes[rim], boxes[rim]))
            weight[cut] = area
        keep = weight > 0
        found.append((owner[which[keep]], row[keep], col[keep], weight[keep]))
    o, r, c, w = (np.concatenate(column) for column in zip(*found, strict=True))
    return o, r, c, w


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
        middle = _at(months.transform, months.width / 2, months.height / 2)[0]
        x = shapely.bounds(shapes)[:, [0, 2]].mean(axis=1)
        turns = turn * np.round((x - middle) / turn)
        for k in np.flatnonzero(turns):
            shapes[k] = shapely.transform(shapes[k], lambda xy, by=turns[k]: xy - (by, 0.0))
    shapes = shapely.transform(shapes, lambda xy: _at(inverse, xy[:, 0], xy[:, 1]))
    return shapes, owner.astype(np.int64)


def read_layer(
    plan: PlanFile,
    key: str,
    section: ClimateLayer,
    quantity: Quantity,
    shapes_lonlat: Sequence[BaseGeometry] | Shapes,
    ledger: Ledger,
    *,
    strict: bool,
    names: Sequence[str],
) -> LayerValues:
    """A plan's layer at n sites (EPSG:4326), converted to the quantity's inner unit.

    strict: a site outside the layer is an error; otherwise it is NaN and listed. Raises PlanError for an unknown
    unit or file, DataError for what the file holds.
    """
    if section.unit not in quantity.units:
        raise PlanError(
            f"{plan.path}: {key}.unit",
            f"'{section.unit}' is not a unit of {quantity.name}",
            f"Of the units it can have ({', '.join(quantity.units)}): {nearest(section.unit, quantity.units)}",
        )
    where = _where(key, section)
    n = len(shapes_lonlat)
    with _open(plan, key, section, where) as months:
        crs = _crs(plan, key, section, where, months, ledger)
        found = _at_sites(np.asarray(shapes_lonlat, object), crs, months)
        middle = project(_at(months.transform, months.width / 2, months.height / 2), crs, WGS84)
    reached: Bools = np.asarray(np.isfinite(found.values).all(axis=1))
    if strict and not reached.all():
        k = int(np.flatnonzero(~reached)[0])
        at = place(_centres(np.asarray(shapes_lonlat, object))[k])
        raise DataError(
            where,
            f"the layer has no value at the site ({at})"
            + (
                f": its middle is at {place(middle)} by {label(crs)}"
                if found.outside[k]
                else f" nor within {NEAREST_KM:g} km of it"
            ),
            "Give a layer that covers the site, or leave it out: the built-in layer then stands in",
        )
    lacking = [names[k] for k in range(n) if not reached[k]]
    if lacking:
        ledger.add(Kind.CHECK, where, "no value at these sites; the next best source stands in", lacking)
    away = [k for k in range(n) if reached[k] and found.away_km[k] > 0]
    if away:
        farthest = found.away_km[away].max()
        ledger.add(
            Kind.ASSUMED,
            where,
            f"unknown cells under these sites; the nearest known cell stands in, up to {farthest:.0f} km away",
            [names[k] for k in away],
        )
    partly = [names[k] for k in range(n) if reached[k] and found.away_km[k] == 0 and found.known_share[k] < 0.99]
    if partly:
        ledger.add(
            Kind.CHECK, where, "part of the area lies on unknown cells; the mean is of the known part", partly
        )
    values = quantity.convert(found.values, section.unit)
    _check_range(where, key, quantity, section.unit, found.values, values)
    return LayerValues(values, found.away_km, found.outside, found.known_share)


def _at_sites(shapes_lonlat: Shapes, crs: CRS, months: Months) -> LayerValues:
    """Raw values of the layer at the sites, in the file's own unit."""
    n = len(shapes_lonlat)
    shapes, owner = _in_cells(shapes_lonlat, crs, months)
    sites, rows, cols, weights = cell_weights(shapes, owner)
    if crs.is_geographic:
        # cells of equal degrees narrow towards the poles
        y = _at(months.transform, cols + 0.5, rows + 0.5)[:, 1]
        weights = weights * np.cos(np.clip(y * crs.axis_info[0].unit_conversion_factor, -np.pi / 2, np.pi / 2))
        weights = np.maximum(weights, 1e-12)
        cols = _wrap(cols, crs, months)
    inside = (rows >= 0) & (rows < months.height) & (cols >= 0) & (cols < months.width)
    total = np.bincount(sites, weights, n)
    sites, rows, cols, weights = sites[inside], rows[inside], cols[inside], weights[inside]
    outside = np.bincount(sites, weights, n) == 0
    cells = months.gather(rows, cols)
    known = np.isfinite(cells[:, 0])
    sites, cells, weights = sites[known], cells[known], weights[known]
    share = np.bincount(sites, weights, n)
    with np.errstate(invalid="ignore"):
        values = np.stack([np.bincount(sites, weights * cells[:, m], n) for m in range(12)], 1) / share[:, None]
    away = np.where(share > 0, 0.0, np.inf)
    centres = _centres(shapes_lonlat)
    for k in np.flatnonzero(share == 0):
        near = _nearest_known(centres[k], crs, months)
        if near is not None:
            values[k], away[k] = near
    return LayerValues(values, away, outside, np.divide(share, total, out=np.zeros(n), where=total > 0))


def _wrap(cols: Ints, crs: CRS, months: Months) -> Ints:
    """Columns round the earth, where the raster goes all the way round."""
    turn = 2 * np.pi / crs.axis_info[0].unit_conversion_factor / abs(months.transform.a or 1.0)
    return cols % months.width if abs(turn - months.width) < 0.5 else cols


def _centres(shapes_lonlat: Shapes) -> Floats:
    """(n, 2) longitude and latitude of a point in each site."""
    return np.asarray(shapely.get_coordinates(shapely.point_on_surface(shapes_lonlat)), np.float64)


def _nearest_known(centre: Floats, crs: CRS, months: Months) -> tuple[Floats, float] | None:
    """Values (12,) of the known cell nearest to a place, and how far it is in km; None beyond the limit."""
    shape, _ = _in_cells(np.array([shapely.Point(centre)], object), crs, months)
    col, row = np.floor(shapely.get_coordinates(shape)[0])
    if not (np.isfinite(col) and np.isfinite(row)):
        return None
    corner = project(
        _at(months.transform, np.array([col, col + 1, col]), np.array([row, row, row + 1])), crs, WGS84
    )
    if not np.isfinite(corner).all():
        return None
    wide, high = apart_m(corner[1:], corner[0]) / 1000.0
    reach_c, reach_r = (int(np.clip(np.ceil(NEAREST_KM / max(size, 1e-3)), 1, 500)) for size in (wide, high))
    r, c = np.meshgrid(
        np.arange(row - reach_r, row + reach_r + 1), np.arange(col - reach_c, col + reach_c + 1), indexing="ij"
    )
    rows, cols = r.ravel().astype(np.int64), c.ravel().astype(np.int64)
    at = project(_at(months.transform, cols + 0.5, rows + 0.5), crs, WGS84)
    if crs.is_geographic:
        cols = _wrap(cols, crs, months)
    keep = (rows >= 0) & (rows < months.height) & (cols >= 0) & (cols < months.width) & np.isfinite(at).all(axis=1)
    rows, cols, at = rows[keep], cols[keep], at[keep]
    if not len(rows):
        return None
    cells, km = months.gather(rows, cols), apart_m(at, centre) / 1000.0
    km = np.where(np.isfinite(cells[:, 0]), km, np.inf)
    best = int(km.argmin())
    limit = max(NEAREST_KM, 1.5 * max(wide, high))
    return (cells[best], float(km[best])) if km[best] <= limit else None


def _check_range(where: str, key: str, quantity: Quantity, unit: str, raw: Floats, values: Floats) -> None:
    """Refuse values that cannot be what the plan says they are, and name the unit that they look like."""
    if quantity.plausible(values):
        return
    rows = raw[np.isfinite(raw).all(axis=1)]
    top = int(rows.mean(axis=0).argmax())
    others = [u for u in quantity.units if u != unit and quantity.plausible(quantity.convert(raw, u))]
    if quantity.inner == "%" and rows.max() <= 1.01:
        guess = " (a fraction of 1? multiply it by 100)"
    else:
        guess = f" ({' or '.join(others)}?)" if others else ""
    raise DataError(
        where,
        f"values from {rows.min():.4g} to {rows.max():.4g}, {MONTHS[top]} mean {rows.mean(axis=0)[top]:.4g}, "
        f"cannot be {quantity.name} in {unit}{guess}",
        f"State the file's own unit as {key}.unit",
    )


# --- the climate of sites --------------------------------------------------------------------------------


def read_climate(
    plan: PlanFile,
    shapes_lonlat: Sequence[BaseGeometry] | Shapes,
    elevation_m: Floats,
    ledger: Ledger,
    *,
    names: Sequence[str] | None = None,
    strict: bool | None = None,
) -> SiteClimate:
    """The climate of n sites, from the best that the plan gives: ETo layer, else computed, else built in.

    shapes_lonlat: polygons or points, EPSG:4326. elevation_m: (n,), NaN where unknown (then the plan's, else sea
    level, and it is said). strict: a site outside a layer is an error; the default is so for a single site.
    """
    shapes = np.asarray(shapes_lonlat, object)
    n = len(shapes)
    strict = n == 1 if strict is None else strict
    names = [f"#{k + 1}" for k in range(n)] if names is None else names
    section = plan.plan.climate
    lon, lat = _centres(shapes).T

    layers: dict[str, Floats] = {}
    away = np.zeros(n)
    for name, quantity in QUANTITIES.items():
        layer = getattr(section, name)
        if layer is not None:
            found = read_layer(plan, f"climate.{name}", layer, quantity, shapes, ledger, strict=strict, names=names)
            layers[name], away = found.values, np.maximum(away, found.away_km)

    t_mean, rain = builtin_normals(lon, lat)
    t_from, rain_from = np.full(n, BUILTIN_SOURCE, object), np.full(n, BUILTIN_SOURCE, object)
    low, high = layers.get("tmin"), layers.get("tmax")
    if (low is None) != (high is None):
        there, missing = ("tmin", "tmax") if high is None else ("tmax", "tmin")
        raise PlanError(
            f"{plan.path}: climate.{missing}",
            f"{there} is given and {missing} is not",
            f"Give both, or leave {there} out",
        )
    if low is not None and high is not None:
        _check_extremes(plan, low, high, names)
        _take(t_mean, (low + high) / 2.0, t_from, "mean of tmin and tmax layers")
    if "tmean" in layers:
        _take(t_mean, layers["tmean"], t_from, "tmean layer")
    if "rain" in layers:
        _take(rain, layers["rain"], rain_from, "rain layer")

    eto = eto_estimate_mm_day(t_mean, rain, lat)
    spread = np.full(n, TEMPERATURE_ONLY_SPREAD_MM_DAY)
    basis = np.full(n, TEMPERATURE_ONLY, object)
    eto_from = np.full(n, "estimated by Hargreaves-Samani, daily range estimated from rain", object)
    all_given = "eto" in layers and bool(np.isfinite(layers["eto"]).all())
    if low is not None and high is not None and not all_given:
        computed, how, computed_spread = _computed(plan, layers, low, high, lat, elevation_m, names, ledger)
        rows = _take(eto, computed, eto_from, "; ".join(how))
        hargreaves = how[0].startswith("Hargreaves")
        basis[rows] = "Hargreaves from layers" if hargreaves else "Penman-Monteith from layers"
        spread[rows] = computed_spread
    elif "eto" not in layers and any(
        k in layers for k in ("radiation", "wind", "rh_max", "dew_point", "vapour_pressure")
    ):
        ledger.add(
            Kind.CHECK,
            f"{plan.path}: climate",
            "radiation, wind and humidity are of no use without tmin and tmax; ETo is estimated",
        )
    if "eto" in layers:
        rows = _take(eto, layers["eto"], eto_from, "ETo layer")
        basis[rows], spread[rows] = "ETo layer", SPREAD_MM_DAY["layer"]
    if section.spread_mm_day is not None:
        spread[:] = section.spread_mm_day
    return SiteClimate(
        eto_mm_day=eto,
        spread_mm_day=spread,
        basis=tuple(str(b) for b in basis),
        t_mean_c=t_mean,
        rain_mm=rain,
        away_km=away if layers else None,
        source=tuple(
            f"ETo: {e}. Temperature: {t}. Rain: {r}" for e, t, r in zip(eto_from, t_from, rain_from, strict=True)
        ),
    )


def _take(into: Floats, values: Floats, origin: Shapes, word: str) -> Bools:
    """Put values where they are known in all months, note where they came from, and return those rows."""
    rows: Bools = np.asarray(np.isfinite(values).all(axis=1))
    into[rows], origin[rows] = values[rows], word
    return rows


def _check_extremes(plan: PlanFile, low: Floats, high: Floats, names: Sequence[str]) -> None:
    crossed = np.flatnonzero((low > high + 1e-6).any(axis=1))
    if len(crossed):
        raise DataError(
            f"{plan.path}: climate.tmin, climate.tmax",
            f"the minimum is above the maximum at {names[int(crossed[0])]}",
            "The two layers are exchanged, or one has another unit",
        )


def _computed(
    plan: PlanFile,
    layers: dict[str, Floats],
    low: Floats,
    high: Floats,
    latitude_deg: Floats,
    elevation_m: Floats,
    names: Sequence[str],
    ledger: Ledger,
) -> tuple[Floats, tuple[str, ...], float]:
    """ETo (n, 12) from layers, how, and its spread; NaN where a layer that is used has no value."""
    section = plan.plan.climate
    vapour, humid_how = _vapour_pressure(layers, low, high)
    wind = layers.get("wind")
    u2 = None if wind is None else wind_at_2m_m_s(wind, section.wind_height_m)
    radiation = layers.get("radiation")
    z = np.asarray(elevation_m, np.float64).copy()
    if section.elevation_m is not None:
        z[np.isnan(z)] = section.elevation_m
    if np.isnan(z).any():
        ledger.add(
            Kind.ASSUMED,
            f"{plan.path}: climate.elevation_m",
            "elevation unknown, sea level taken for air pressure",
            [names[int(k)] for k in np.flatnonzero(np.isnan(z))],
        )
        z = np.nan_to_num(z)
    inputs = MonthlyInputs(
        low.T,
        high.T,
        None if radiation is None else radiation.T,
        None if vapour is None else vapour.T,
        None if u2 is None else u2.T,
    )
    eto, steps = monthly_eto(inputs, latitude_deg, z, section.method)
    if steps[0].startswith("Hargreaves"):
        return eto.T, steps, SPREAD_MM_DAY["hargreaves"]
    parts = ["layer", "formula"]
    parts += [
        f"no {name}"
        for name, given in (("radiation", radiation), ("humidity", vapour), ("wind", u2))
        if given is None
    ]
    ledger.add(Kind.ASSUMED, "ETo", "computed from layers: " + "; ".join((*steps, *humid_how)))
    return eto.T, (*steps, *humid_how), float(np.sqrt(sum(SPREAD_MM_DAY[p] ** 2 for p in parts)))


def _vapour_pressure(layers: dict[str, Floats], low: Floats, high: Floats) -> tuple[Floats | None, tuple[str, ...]]:
    """Actual vapour pressure by the best way the layers allow, in FAO-56's order (p. 36 to 39), and its name."""
    if "vapour_pressure" in layers:
        return layers["vapour_pressure"], ("vapour pressure layer",)
    if "dew_point" in layers:
        return vapour_pressure_from_dew_point_kpa(layers["dew_point"]), ("humidity from dew point (eq. 14)",)
    if "rh_max" in layers and "rh_min" in layers:
        kpa = vapour_pressure_from_rh_kpa(low, high, layers["rh_max"], layers["rh_min"])
        return kpa, ("humidity from its daily extremes (eq. 17)",)
    if "rh_max" in layers:
        kpa = vapour_pressure_from_rh_max_kpa(low, layers["rh_max"])
        return kpa, ("humidity from its daily maximum (eq. 18)",)
    return None, ()
