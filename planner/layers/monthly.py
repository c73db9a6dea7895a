"""Monthly climate layers read at sites: a raster of 12 bands, a NetCDF, or one file a month.

A polygon takes the mean of the cells it covers, each weighted by the area it covers of them, exactly; a point takes
its cell. Only the tiles that sites touch are read, so a layer of any size costs the same. Where a site lies on
unknown cells, as at a coast, the nearest known cell within a stated distance stands in, and that is said.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
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
from planner.climate.builtin import at_sea, builtin_elevation_m, builtin_normals, eto_estimate_mm_day
from planner.climate.eto import (
    MonthlyInputs,
    dew_point_c,
    monthly_eto,
    vapour_pressure_from_dew_point_kpa,
    vapour_pressure_from_rh_kpa,
    vapour_pressure_from_rh_max_kpa,
    vapour_pressure_from_rh_mean_kpa,
    wind_at_2m_m_s,
)
from planner.climate.spreads import APART_KM, APART_MM_DAY, SPREAD_MM_DAY
from planner.layers import conventions
from planner.layers.coverage import cell_weights, weighted_means
from planner.layers.frame import WGS84, Shapes, apart_m, project, project_shapes
from planner.layers.source import label, locate, place, settle_crs
from planner.layers.weather import StationMonths, station_months
from planner.ledger import DataError, Kind, Ledger, PlanError, nearest
from planner.plan import Climate, ClimateLayer, PlanFile
from planner.site import Bools, Floats, Ints
from planner.units import M_PER_FT, MM_PER_IN, MONTH_DAYS, MONTHS

SPREAD_TAG = "SPREAD_MM_DAY"  # of an ETo layer: standard deviation of the peak month's ETo
NEAREST_KM = 25.0  # how far the nearest known cell may be (or one cell, where cells are wider): a coast's width
_TILE = 256
# Mean fall of temperature with height: the standard atmosphere's (ISO 2533), to which FAO-56 eq. 7 holds as well.
LAPSE_K_PER_M = 0.0065
NO_SUMMER_C = 10.0  # Koeppen's bound of the polar climates; from memory
LAPSE_SAID_M = 50.0  # 0.3 K: less is within what layers differ by


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
        if ("/day" in unit or "/s" in unit) and "/month" in self.inner:
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
        "solar radiation",
        "MJ/m2/day",
        {"MJ/m2/day": (1.0, 0.0), "W/m2": (0.0864, 0.0), "kJ/m2/day": (0.001, 0.0)},
        -0.1,
        45.0,
        6.0,
        42.0,
    ),
    "wind": Quantity(
        "wind", "m/s", {"m/s": (1.0, 0.0), "km/h": (1.0 / 3.6, 0.0), "mph": (0.44704, 0.0)}, 0.0, 25.0, 0.3, 15.0
    ),
    "rh_min": Quantity("minimum humidity", "%", {"%": (1.0, 0.0)}, 0.0, 101.0, 1.5, 101.0),
    "rh_max": Quantity("maximum humidity", "%", {"%": (1.0, 0.0)}, 0.0, 101.0, 1.5, 101.0),
    "rh_mean": Quantity("mean humidity", "%", {"%": (1.0, 0.0)}, 0.0, 101.0, 1.5, 101.0),
    "vapour_pressure": Quantity(
        "vapour pressure", "kPa", {"kPa": (1.0, 0.0), "hPa": (0.1, 0.0), "Pa": (0.001, 0.0)}, 0.0, 5.0, 0.25, 4.5
    ),
    "rain": Quantity(
        "rain",
        "mm/month",
        {
            "mm/month": (1.0, 0.0),
            "mm/day": (1.0, 0.0),
            "in/month": (MM_PER_IN, 0.0),
            "kg/m2/s": (86400.0, 0.0),
        },
        0.0,
        4000.0,
        0.0,
        4000.0,
    ),
}

_BESIDE_ETO = ("rain", "mean temperature")  # ETo is not made of these


@dataclass(frozen=True)
class LayerValues:
    """A layer at n sites: values (n, 12) in the quantity's inner unit, NaN where there are none.

    away_km (n,): 0 where the site's own cells are known, else the distance to the nearest that is; inf where none
    is within reach. outside (n,): beyond the layer. known_share (n,): share of the site's area on known cells.
    peak_range (n, 2): lowest and highest of the highest months of the cells under the site, in the file's own unit.
    spread_mm_day: the standard deviation that the file itself states (an ETo layer made from less), else 0.
    """

    values: Floats
    away_km: Floats
    outside: Bools
    known_share: Floats
    peak_range: Floats
    spread_mm_day: float = 0.0


# --- the file --------------------------------------------------------------------------------------------


class Months:
    """Bands of one grid: the twelve months, from one file or from twelve, or the one of a still quantity."""

    def __init__(self, files: Sequence[rasterio.DatasetReader], where: str, bands: int = 12) -> None:
        self.files, first = files, files[0]
        self.width, self.height, self.transform = first.width, first.height, first.transform
        self.bands = bands
        self.months = _months_of(first, where) if len(files) == 1 and bands == 12 else None
        if len(files) == 1 and bands == 12 and first.count != 12 and self.months is None:
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
        """(bands, rows, cols), NaN where unknown, scale and offset applied."""
        if self.months is not None:
            here = list(range(1, 1 + len(self.months)))
        else:
            here = list(range(1, 1 + (self.bands if len(self.files) == 1 else 1)))
        parts = [file.read(here, window=window, masked=True) for file in self.files]
        values = np.concatenate([np.ma.filled(part.astype(np.float64), np.nan) for part in parts])
        scales = np.concatenate([file.scales[: len(here)] for file in self.files])
        offsets = np.concatenate([file.offsets[: len(here)] for file in self.files])
        if (scales != 1.0).any() or (offsets != 0.0).any():
            values = values * scales[:, None, None] + offsets[:, None, None]
        values[np.isinf(values)] = np.nan
        if self.months is not None:
            # a month of several years is their mean
            at = np.array(self.months)
            values = np.stack([values[at == m].mean(axis=0) for m in range(12)])
        return np.asarray(values, np.float64)

    @property
    def unit_said(self) -> str:
        """The unit as the file writes it, "" where it states none."""
        return (self.files[0].units[0] or "").strip() or str(self.files[0].tags(1).get("units", ""))

    @property
    def unit(self) -> str | None:
        """The unit that the file states, as a plan writes it; None where it states none, or one unknown."""
        return conventions.unit(self.unit_said) if self.unit_said else None

    @property
    def spread_mm_day(self) -> float:
        """What the file says of its own spread (`noonmark climate` writes it); 0 where it says nothing."""
        try:
            return max(0.0, float(self.files[0].tags().get(SPREAD_TAG, 0.0)))
        except ValueError:
            return 0.0

    def cells_at(self, xy: Floats, crs: CRS) -> Ints:
        """(m, 2) row and column of the cells that hold (m, 2) places in the layer's CRS; may lie outside."""
        at = np.floor(_at(~self.transform, xy[:, 0], xy[:, 1])).astype(np.int64)
        col = _wrap(at[:, 0], crs, self) if crs.is_geographic else at[:, 0]
        return np.column_stack([at[:, 1], col])

    def gather(self, rows: Ints, cols: Ints) -> Floats:
        """(m, bands) at cells inside the grid, tile by tile; NaN in every month where any month is unknown."""
        out = np.empty((len(rows), self.bands))
        tiles = (rows // _TILE) * (self.width // _TILE + 1) + cols // _TILE
        order = np.argsort(tiles, kind="stable")
        for group in np.split(order, np.flatnonzero(np.diff(tiles[order])) + 1) if len(order) else ():
            r, c = rows[group], cols[group]
            r0, c0 = int(r.min()), int(c.min())
            block = self.read(Window(c0, r0, int(c.max()) + 1 - c0, int(r.max()) + 1 - r0))
            out[group] = block[:, r - r0, c - c0].T
        out[np.isnan(out).any(axis=1)] = np.nan
        return out


def _months_of(file: rasterio.DatasetReader, where: str) -> list[int] | None:
    """Months of the bands by the file's time axis, None where it has none; whole years, in any order."""
    said = file.tags()
    units, calendar = said.get("time#units"), said.get("time#calendar", "standard")
    values = [file.tags(k).get("NETCDF_DIM_time") for k in range(1, file.count + 1)]
    if units is None or any(v is None for v in values):
        return None
    found = conventions.months([float(str(v)) for v in values], units, calendar)
    if found is None:
        return None
    counts = np.bincount(found, minlength=12)
    if counts.min() == 0 or counts.min() != counts.max():
        lacking = [MONTHS[m] for m in np.flatnonzero(counts < counts.max())]
        raise DataError(
            where,
            f"its time axis ({units}) does not hold each month equally often: {', '.join(lacking)} occur less",
            "Give the twelve mean months, or whole years of months",
        )
    return found


@contextmanager
def open_layer(plan: PlanFile, key: str, section: ClimateLayer, ledger: Ledger) -> Iterator[tuple[Months, CRS]]:
    """A plan's layer with its settled CRS, to be read by cells."""
    where = _where(key, section)
    with _open(plan, key, section, where) as months:
        yield months, _crs(plan, key, section, where, months, ledger)


def _where(key: str, section: ClimateLayer) -> str:
    return f"{key} ({section.path.replace(chr(92), '/').rsplit('/', 1)[-1]})"


@contextmanager
def _open(plan: PlanFile, key: str, section: ClimateLayer, where: str, bands: int = 12) -> Iterator[Months]:
    names = _month_files(plan, key, section)
    with ExitStack() as stack:
        try:
            with warnings.catch_warnings():
                # a file of several variables has no place itself; its variables have
                warnings.simplefilter("ignore", NotGeoreferencedWarning)
                files = [stack.enter_context(rasterio.open(name)) for name in names]
            if len(files) == 1 and files[0].subdatasets:
                chosen = _variable(where, files[0].subdatasets, section.variable, key, plan, stack)
                files = [stack.enter_context(rasterio.open(chosen))]
            yield Months(files, where, bands)
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


def _variable(
    where: str, subdatasets: Sequence[str], wanted: str | None, key: str, plan: PlanFile, stack: ExitStack
) -> str:
    names = {text.rsplit(":", 1)[-1].strip("/"): text for text in subdatasets}
    if wanted is None:
        told = {name: stack.enter_context(rasterio.open(text)).tags(1) for name, text in names.items()}
        wanted = conventions.variable(key.rsplit(".", 1)[-1], told)
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
    where = _where(key, section)
    _check_stated_unit(plan, key, section, quantity)
    with _open(plan, key, section, where) as months:
        unit = layer_unit(plan, key, section, quantity, months, ledger)
        crs = _crs(plan, key, section, where, months, ledger)
        found = _at_sites(np.asarray(shapes_lonlat, object), crs, months)
        middle = project(_at(months.transform, months.width / 2, months.height / 2), crs, WGS84)
        stated = months.spread_mm_day
    reached: Bools = np.asarray(np.isfinite(found.values).all(axis=1))
    if strict and not reached.all():
        k = int(np.flatnonzero(~reached)[0])
        at = place(centres_of(np.asarray(shapes_lonlat, object))[k])
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

    def named(rows: Bools) -> list[str]:
        return [names[int(k)] for k in np.flatnonzero(rows)]

    lacking = named(~reached)
    if lacking:
        ledger.add(Kind.CHECK, where, "no value at these sites; the next best source stands in", lacking)
    away = reached & (found.away_km > 0)
    if away.any():
        farthest = found.away_km[away].max()
        ledger.add(
            Kind.ASSUMED,
            where,
            f"unknown cells under these sites; the nearest known cell stands in, up to {farthest:.0f} km away"
            + (
                f"; it adds {np.interp(farthest, APART_KM, APART_MM_DAY):.2f} mm/day to the spread, in quadrature"
                if quantity.name not in _BESIDE_ETO and plan.plan.climate.spread_mm_day is None
                else ""
            ),
            named(away),
        )
    partly = named(reached & (found.away_km == 0) & (found.known_share < 0.99))
    if partly:
        ledger.add(
            Kind.CHECK, where, "part of the area lies on unknown cells; the mean is of the known part", partly
        )
    values = quantity.convert(found.values, unit)
    check_range(where, key, quantity, unit, found.values, values)
    peaks = _converted(found.peak_range, found.values, values)
    return replace(found, values=values, peak_range=peaks, spread_mm_day=stated)


def _check_stated_unit(plan: PlanFile, key: str, section: ClimateLayer, quantity: Quantity) -> None:
    if section.unit is not None and section.unit not in quantity.units:
        raise PlanError(
            f"{plan.path}: {key}.unit",
            f"'{section.unit}' is not a unit of {quantity.name}",
            f"Of the units it can have ({', '.join(quantity.units)}): {nearest(section.unit, quantity.units)}",
        )


def layer_unit(
    plan: PlanFile, key: str, section: ClimateLayer, quantity: Quantity, months: Months, ledger: Ledger
) -> str:
    """The plan's unit, else the file's own, which is stated; PlanError where neither can be one of the quantity."""
    where, units = _where(key, section), ", ".join(quantity.units)
    said = months.unit
    if section.unit is None:
        if said in quantity.units:
            ledger.add(Kind.ASSUMED, where, f"unit {said}, as the file says")
            return str(said)
        raise PlanError(
            f"{plan.path}: {key}.unit",
            "the plan states no unit, and the file "
            + (f"says '{months.unit_said}', which is none of ours" if months.unit_said else "says none"),
            f"State one of: {units}",
        )
    _check_stated_unit(plan, key, section, quantity)
    if said in quantity.units and said != section.unit:
        ledger.add(
            Kind.CHECK, where, f"the file says its unit is {said}, the plan {section.unit}: the plan's is used"
        )
    return section.unit


def _converted(peaks: Floats, raw: Floats, values: Floats) -> Floats:
    """Peaks (n, 2) in the unit of the values, scaled as the site's own peak is."""
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = values.max(axis=1) / raw.max(axis=1)
    return np.asarray(peaks * np.where(np.isfinite(scale), scale, 1.0)[:, None], np.float64)


def _at_sites(shapes_lonlat: Shapes, crs: CRS, months: Months) -> LayerValues:
    """Raw values of the layer at the sites, in the file's own unit."""
    n = len(shapes_lonlat)
    sites, rows, cols, weights = _cells_under(shapes_lonlat, crs, months)
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
    values, share = weighted_means(sites, weights, cells, n)
    peaks = np.column_stack([np.full(n, np.inf), np.full(n, -np.inf)])
    np.minimum.at(peaks[:, 0], sites, cells.max(axis=1))
    np.maximum.at(peaks[:, 1], sites, cells.max(axis=1))
    peaks[share == 0] = np.nan
    away = np.where(share > 0, 0.0, np.inf)
    lacking = np.flatnonzero(share == 0)
    centres = centres_of(shapes_lonlat[lacking])
    for k, centre in zip(lacking, centres, strict=True):
        near = _nearest_known(centre, crs, months)
        if near is not None:
            values[k], away[k] = near
    return LayerValues(values, away, outside, np.divide(share, total, out=np.zeros(n), where=total > 0), peaks)


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


def _wrap(cols: Ints, crs: CRS, months: Months) -> Ints:
    """Columns round the earth, where the raster goes all the way round."""
    turn = 2 * np.pi / crs.axis_info[0].unit_conversion_factor / abs(months.transform.a or 1.0)
    return cols % months.width if abs(turn - months.width) < 0.5 else cols


def centres_of(shapes_lonlat: Shapes) -> Floats:
    """(n, 2) longitude and latitude of a point in each site."""
    spots = np.asarray(shapes_lonlat, object).copy()
    areas = shapely.get_type_id(spots) != 0
    spots[areas] = shapely.point_on_surface(spots[areas])
    return np.asarray(shapely.get_coordinates(spots), np.float64).reshape(-1, 2)


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


def check_range(where: str, key: str, quantity: Quantity, unit: str, raw: Floats, values: Floats) -> None:
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
    level, stands in for air pressure alone, and it is said). Where a site's elevation and its cell's are known, the
    cell is lapsed to the site. strict: a site outside a layer is an error; the default is so for a single site.
    """
    shapes = np.asarray(shapes_lonlat, object)
    n = len(shapes)
    strict = n == 1 if strict is None else strict
    names = [f"#{k + 1}" for k in range(n)] if names is None else names
    section = plan.plan.climate
    lon, lat = centres_of(shapes).T

    layers: dict[str, Floats] = {}
    away_of: dict[str, Floats] = {}
    away, share, cells_peak = np.zeros(n), np.ones(n), None
    eto_layer_spread = SPREAD_MM_DAY["layer"]
    for name, quantity in QUANTITIES.items():
        layer = getattr(section, name)
        if layer is not None:
            found = read_layer(plan, f"climate.{name}", layer, quantity, shapes, ledger, strict=strict, names=names)
            layers[name], away_of[name] = found.values, found.away_km
            away = np.maximum(away, found.away_km)
            share = np.minimum(share, np.where(found.outside, 1.0, found.known_share))
            if name == "eto":
                cells_peak = found.peak_range
                eto_layer_spread = max(eto_layer_spread, found.spread_mm_day)
    low, high = layers.get("tmin"), layers.get("tmax")
    if (low is None) != (high is None):
        there, missing = ("tmin", "tmax") if high is None else ("tmax", "tmin")
        raise PlanError(
            f"{plan.path}: climate.{missing}",
            f"{there} is given and {missing} is not",
            f"Give both, or leave {there} out",
        )
    if low is not None and high is not None:
        bad = crossed(low, high)
        if bad.any():
            raise extremes_fault(plan, names[int(bad.argmax())])

    z = np.asarray(elevation_m, np.float64)
    above_builtin = z - builtin_elevation_m(lon, lat)
    above_layers = (
        z - _cell_elevation(plan, shapes, ledger) if section.elevation is not None else np.full(n, np.nan)
    )
    if section.elevation is None and set(layers) - {"rain"}:
        known = [names[int(k)] for k in np.flatnonzero(np.isfinite(z))]
        if known:
            ledger.add(
                Kind.ASSUMED,
                "elevation",
                "the sites' elevation is known, that of the layers' cells is not (climate.elevation): temperature "
                "and ETo are the cell's own, not moved to the site's height",
                known,
            )
    builtin = builtin_normals(lon, lat)
    station = station_months(plan, np.column_stack([lon, lat]), ledger, strict=strict, names=names)
    rises = _Rises(above_layers, above_builtin, z - station.elevation_m if station else np.full(n, np.nan))
    read = _Read(layers, away_of, eto_layer_spread, builtin, station)
    whole = _composed(plan, read, lat, z, rises, names, ledger)
    unlapsed = None
    if whole.above.any():
        unlapsed = _composed(plan, read, lat, z, _Rises.none(n), names, Ledger()).eto.max(axis=1)
        moved = np.flatnonzero(np.abs(whole.above) >= LAPSE_SAID_M)
        if len(moved):
            ledger.add(
                Kind.ASSUMED,
                "elevation",
                f"temperature lapsed from cell to site by {LAPSE_K_PER_M * 1000:g} K/km, the dew point with it",
                [names[int(k)] for k in moved],
            )
    other_peak, other_spread = None, None
    if low is not None and ("eto" in layers or station is not None):
        alone = {name: values for name, values in layers.items() if name != "eto"}
        other = _composed(plan, replace(read, layers=alone, station=None), lat, z, rises, names, Ledger())
        computed = np.array([basis.endswith("from layers") for basis in _BASES], bool)[other.basis]
        other_peak, other_spread = np.where(computed, other.eto.max(axis=1), np.nan), other.spread
    if section.spread_mm_day is not None:
        whole.spread[:] = section.spread_mm_day
    sea = (whole.basis == 0) & at_sea(lon, lat)
    if sea.any():
        ledger.add(
            Kind.CHECK,
            "place",
            "no land near by the elevation grid in pvlib (small islands are not in it): the climate is that of the "
            "open sea. Is the place right?",
            [names[int(k)] for k in np.flatnonzero(sea)],
        )
    cold = whole.t_mean.max(axis=1) < NO_SUMMER_C
    if cold.any():
        ledger.add(
            Kind.CHECK,
            "place",
            f"no summer to speak of: the hottest month's mean is under {NO_SUMMER_C:g} C. Is the place right?",
            [names[int(k)] for k in np.flatnonzero(cold)],
        )
    return SiteClimate(
        eto_mm_day=whole.eto,
        spread_mm_day=whole.spread,
        basis=tuple(np.array(_BASES, object)[whole.basis]),
        t_mean_c=whole.t_mean,
        rain_mm=whole.rain,
        away_km=away if layers else None,
        source=whole.sources(),
        known_share=share if layers else None,
        above_m=whole.above_known,
        unlapsed_peak_mm_day=unlapsed,
        cells_peak_mm_day=cells_peak,
        computed_peak_mm_day=other_peak,
        computed_spread_mm_day=other_spread,
        yearly_peak_mm_day=read_yearly_peaks(plan, ledger),
        at_sea=sea,
    )


_BASES = (
    TEMPERATURE_ONLY,
    "Hargreaves from layers",
    "Penman-Monteith from layers",
    "ASCE hours of a weather file",
    "ETo layer",
)
_HARGREAVES, _PENMAN, _HOURS, _LAYER = range(1, 5)


@dataclass(frozen=True)
class _Read:
    """What was read for n sites: layers (n, 12) by name, how far their cells are (n,) km, the spread of an ETo
    layer's own, the built-in temperature and rain (n, 12), and a weather file's months."""

    layers: dict[str, Floats]
    away_km: dict[str, Floats]
    layer_spread_mm_day: float
    builtin: tuple[Floats, Floats]
    station: StationMonths | None

    def apart_mm_day(self, names: Iterable[str], n: int) -> Floats:
        """(n,) what the distance to the farthest of these layers' cells adds to the spread."""
        away = np.max([np.zeros(n), *(self.away_km[k] for k in names if k in self.away_km)], axis=0)
        return np.asarray(np.interp(away, APART_KM, APART_MM_DAY), np.float64)


@dataclass(frozen=True)
class _Rises:
    """How far n sites stand above the cells of the layers, of the built-in layer, and above the weather file's
    station, m; NaN where unknown."""

    layers: Floats
    builtin: Floats
    station: Floats

    @classmethod
    def none(cls, n: int) -> _Rises:
        return cls(np.zeros(n), np.zeros(n), np.zeros(n))


@dataclass(frozen=True)
class _Composed:
    """ETo, mean temperature and rain (n, 12) of sites, each with the code of where it came from."""

    eto: Floats
    spread: Floats
    basis: Ints
    eto_from: Ints
    eto_words: tuple[str, ...]
    t_mean: Floats
    t_from: Ints
    rain: Floats
    rain_from: Ints
    above: Floats
    above_known: Floats

    def sources(self) -> tuple[str, ...]:
        t_words = (BUILTIN_SOURCE, "weather file", "mean of tmin and tmax layers", "tmean layer")
        rain_words = (BUILTIN_SOURCE, "rain layer")
        code = (self.eto_from * 4 + self.t_from) * 2 + self.rain_from
        kinds, place = np.unique(code, return_inverse=True)
        said = [
            f"ETo: {self.eto_words[k // 8]}. Temperature: {t_words[k // 2 % 4]}. Rain: {rain_words[k % 2]}"
            for k in kinds
        ]
        return tuple(np.array(said, object)[place])


def _composed(
    plan: PlanFile, read: _Read, lat: Floats, z: Floats, rises: _Rises, names: Sequence[str], ledger: Ledger
) -> _Composed:
    n, station = len(lat), read.station
    colder = -LAPSE_K_PER_M * np.nan_to_num(rises.layers)[:, None]
    t_mean = read.builtin[0] - LAPSE_K_PER_M * np.nan_to_num(rises.builtin)[:, None]
    rain = read.builtin[1].copy()
    t_from, rain_from = np.zeros(n, np.int64), np.zeros(n, np.int64)
    above = rises.builtin.copy()
    layers = _lapsed(read.layers, colder)
    low, high = layers.get("tmin"), layers.get("tmax")
    if station is not None:
        near = np.isfinite(station.away_km)
        there = station.t_mean_c - LAPSE_K_PER_M * np.nan_to_num(rises.station)[:, None]
        here = _take(t_mean, np.where(near[:, None], there, np.nan), t_from, 1)
        above[here] = rises.station[here]
    if low is not None and high is not None:
        _take(t_mean, (low + high) / 2.0, t_from, 2)
    if "tmean" in layers:
        _take(t_mean, layers["tmean"], t_from, 3)
    if "rain" in layers:
        _take(rain, layers["rain"], rain_from, 1)
    above[t_from > 1] = rises.layers[t_from > 1]

    words = ["estimated by Hargreaves-Samani, daily range estimated from rain"]
    eto, spread = np.full((n, 12), np.nan), np.full(n, TEMPERATURE_ONLY_SPREAD_MM_DAY)
    basis, eto_from = np.zeros(n, np.int64), np.zeros(n, np.int64)
    given = layers.get("eto")
    rows = np.zeros(n, bool) if given is None else np.isfinite(given).all(axis=1)
    if low is not None and high is not None and not rows.all():
        computed, how, computed_spread = _computed(plan, layers, low, high, lat, z, names, ledger)
        words.append("; ".join(how))
        here = _take(eto, computed, eto_from, 1)
        basis[here] = _HARGREAVES if how[0].startswith("Hargreaves") else _PENMAN
        apart = read.apart_mm_day([k for k in layers if k not in ("eto", "rain", "tmean")], n)
        spread[here] = np.hypot(computed_spread, apart[here])
    elif (
        given is None
        and station is None
        and any(k in layers for k in ("radiation", "wind", "rh_max", "rh_mean", "dew_point", "vapour_pressure"))
    ):
        ledger.add(
            Kind.CHECK,
            f"{plan.path}: climate",
            "radiation, wind and humidity are of no use without tmin and tmax; ETo is estimated",
        )
    if station is not None:
        words.append(f"ASCE standardized short reference by the hour, weather file of {station.name}")
        off = np.hypot(_joint_spread("formula", "one year"), np.interp(station.away_km, APART_KM, APART_MM_DAY))
        surer = near & ((basis == 0) | (off < spread))
        by_hours = np.where(surer[:, None], station.eto_mm_day * np.ones((n, 1)), np.nan)
        here = _take(eto, _warmed(by_hours, t_mean, rises.station), eto_from, len(words) - 1)
        basis[here], spread[here] = _HOURS, off[here]
    if given is not None:
        words += ["ETo layer", "ETo layer, the nearest known cell"]
        here = _take(eto, _warmed(given, t_mean, rises.layers), eto_from, len(words) - 2)
        apart = read.apart_mm_day(["eto"], n)
        eto_from[here & (apart > 0)] = len(words) - 1
        basis[here], spread[here] = _LAYER, np.hypot(read.layer_spread_mm_day, apart[here])
    left = np.flatnonzero(~np.isfinite(eto).all(axis=1))
    eto[left] = eto_estimate_mm_day(t_mean[left], rain[left], lat[left])
    # what moved a site's ETo: the layers' cells where a layer speaks, the station, else the built-in layer's
    decisive = np.where(basis == _HOURS, rises.station, np.where(basis > 0, rises.layers, above))
    return _Composed(
        eto,
        spread,
        basis,
        eto_from,
        tuple(words),
        t_mean,
        t_from,
        rain,
        rain_from,
        np.nan_to_num(decisive),
        decisive,
    )


def _warmed(eto: Floats, t_mean_c: Floats, rise_m: Floats) -> Floats:
    """ETo (n, 12) given elsewhere, as it is at sites that stand (n,) rise_m higher: in proportion to T + 17.8, as
    Hargreaves-Samani is (FAO-56 eq. 52). t_mean_c (n, 12): at the site."""
    rise = np.nan_to_num(rise_m)[:, None]
    if not rise.any():
        return eto
    warmth = np.maximum(t_mean_c + 17.8, 1.0)
    return np.asarray(eto * warmth / np.maximum(warmth + LAPSE_K_PER_M * rise, 1.0), np.float64)


def _lapsed(layers: dict[str, Floats], colder: Floats) -> dict[str, Floats]:
    """Temperatures (n, 12) moved by `colder` (n, 1) K. The dew point moves with them, so that relative humidity
    stays nearly what it is, as layers of relative humidity do; FAO-56 (chapter 3) has no rule of its own for this.
    """
    if not colder.any():
        return layers
    moved = dict(layers)
    for name in ("tmin", "tmax", "tmean", "dew_point"):
        if name in moved:
            moved[name] = moved[name] + colder
    if "vapour_pressure" in moved:
        dew = dew_point_c(moved["vapour_pressure"]) + colder
        moved["vapour_pressure"] = vapour_pressure_from_dew_point_kpa(dew)
    return moved


def _cell_elevation(plan: PlanFile, shapes: Shapes, ledger: Ledger) -> Floats:
    """(n,) elevation of the layers' cells under the sites, NaN where unknown."""
    section = plan.plan.climate.elevation
    assert section is not None
    where = f"climate.elevation ({section.path.replace(chr(92), '/').rsplit('/', 1)[-1]})"
    layer = ClimateLayer(path=section.path, unit=section.height_unit, crs=section.crs)
    with _open(plan, "climate.elevation", layer, where, bands=1) as months:
        crs = _crs(plan, "climate.elevation", layer, where, months, ledger)
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


def read_yearly_peaks(plan: PlanFile, ledger: Ledger) -> Floats | None:
    """(years,) each whole year's highest monthly mean ETo, mm/day, at the station of `climate.daily`; None if none.

    A month counts with 25 days and more, a year with 12 such months. Raises DataError for a table that has none.
    """
    section = plan.plan.climate.daily
    if section is None:
        return None
    path = locate(plan, "climate.daily.path", section.path)
    where = f"climate.daily ({path.name})"
    try:
        table = pd.read_csv(path, encoding="utf-8-sig")
    except (ValueError, OSError) as fault:
        raise DataError(where, f"it cannot be read as a CSV: {fault}", "Save it as a CSV in UTF-8") from None
    for column in (section.date, section.eto):
        if column not in table:
            raise DataError(
                where, f"it has no column '{column}'", f"Of its columns: {nearest(column, table.columns)}"
            )
    day = pd.to_datetime(table[section.date], errors="coerce")
    eto = pd.to_numeric(table[section.eto], errors="coerce") * (MM_PER_IN if section.unit == "in/day" else 1.0)
    good = day.notna() & eto.between(-0.5, 25.0)
    if (~good).any():
        ledger.add(Kind.SKIPPED, where, f"{int((~good).sum())} days without a date, or with an ETo that cannot be")
    by_month = eto[good].groupby([day[good].dt.year, day[good].dt.month])
    means = by_month.mean()[by_month.count() >= 25].unstack()
    whole = means.dropna() if means.shape[1] == 12 else means.iloc[:0]
    if not len(whole):
        raise DataError(where, "it holds no whole year of days", "Give at least one year of daily ETo")
    return np.asarray(whole.max(axis=1), np.float64)


def _take(into: Floats, values: Floats, origin: Ints, code: int) -> Bools:
    """Put values where they are known in all months, note where they came from, and return those rows."""
    rows: Bools = np.asarray(np.isfinite(values).all(axis=1))
    into[rows], origin[rows] = values[rows], code
    return rows


def crossed(low: Floats, high: Floats) -> Bools:
    """(n,) where the minimum is above the maximum in any of (n, 12) months."""
    return np.asarray((low > high + 1e-6).any(axis=1))


def extremes_fault(plan: PlanFile, place: str) -> DataError:
    return DataError(
        f"{plan.path}: climate.tmin, climate.tmax",
        f"the minimum is above the maximum at {place}",
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
    weather = {name: values.T for name, values in layers.items()} | {"tmin": low.T, "tmax": high.T}
    eto, steps, spread = eto_from_weather(section, weather, latitude_deg, z)
    if not steps[0].startswith("Hargreaves"):
        ledger.add(Kind.ASSUMED, "ETo", "computed from layers: " + "; ".join(steps))
    return eto.T, steps, spread


def eto_from_weather(
    section: Climate, weather: Mapping[str, Floats], latitude_deg: Floats, elevation_m: Floats
) -> tuple[Floats, tuple[str, ...], float]:
    """ETo (12, n), how it was found, and its standard deviation, from layers (12, n) in their inner units.

    weather: by the names of QUANTITIES; `tmin` and `tmax` must be among them.
    """
    low, high = weather["tmin"], weather["tmax"]
    vapour, humid_how = _vapour_pressure(weather, low, high)
    wind, radiation = weather.get("wind"), weather.get("radiation")
    u2 = None if wind is None else wind_at_2m_m_s(wind, section.wind_height_m)
    inputs = MonthlyInputs(low, high, radiation, vapour, u2)
    eto, steps = monthly_eto(inputs, latitude_deg, elevation_m, section.method)
    if steps[0].startswith("Hargreaves"):
        return eto, steps, _joint_spread("layer", "hargreaves")
    withheld = (("radiation", radiation), ("humidity", vapour), ("wind", u2))
    spread = _joint_spread("layer", "formula", *(f"no {name}" for name, given in withheld if given is None))
    wind_how = () if wind is None else (f"wind at {section.wind_height_m:g} m brought to 2 m (eq. 47)",)
    return eto, (*steps, *humid_how, *wind_how), spread


def _joint_spread(*causes: str) -> float:
    return float(np.sqrt(sum(SPREAD_MM_DAY[cause] ** 2 for cause in causes)))


def _vapour_pressure(
    layers: Mapping[str, Floats], low: Floats, high: Floats
) -> tuple[Floats | None, tuple[str, ...]]:
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
    if "rh_mean" in layers:
        kpa = vapour_pressure_from_rh_mean_kpa(low, high, layers["rh_mean"])
        return kpa, ("humidity from its daily mean (eq. 19)",)
    return None, (("minimum humidity alone is not used",) if "rh_min" in layers else ())
