"""Monthly climate layers as files: a raster of 12 bands, a NetCDF, or one file a month, each on one grid."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import ArrayLike
from pyproj import CRS
from rasterio.errors import RasterioError
from rasterio.windows import Window

from planner.layers import conventions
from planner.layers.frame import WGS84
from planner.layers.opening import Trusted, raster, raster_part
from planner.layers.source import locate, settle_crs
from planner.ledger import DataError, Kind, Ledger, PlanError, SitesError, offered
from planner.plan import ClimateLayer, PlanFile
from planner.readings import Quantity
from planner.site import Floats, Ints
from planner.units import MONTHS

SPREAD_TAG = "SPREAD_MM_DAY"  # of an ETo layer: standard deviation of the peak month's ETo
_TILE = 256
WIDEST_SPREAD_MM_DAY = 5.0  # half of the highest monthly ETo there is


class Months:
    """Bands of one grid: the twelve months, from one file or from twelve, or the one of a still quantity."""

    def __init__(self, files: Sequence[rasterio.DatasetReader], where: str, bands: int = 12) -> None:
        self.files, first, self.where = files, files[0], where
        self.width, self.height, self.transform = first.width, first.height, first.transform
        self.bands = bands
        self.months = _months_of(first, where) if len(files) == 1 and bands == 12 else None
        self.described = self.months is None and len(files) == 1 and bands == 12 and first.count == 12
        if self.described:  # by the bands' descriptions, where they name another order
            self.months = conventions.months_in_words([text or "" for text in first.descriptions])
            self.described = self.months is not None
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
        told = first.tags().items()
        if any(name.endswith("#grid_mapping_name") and how == "rotated_latitude_longitude" for name, how in told):
            raise DataError(
                where,
                "its grid has a rotated pole: its longitudes and latitudes are not those of the earth",
                "Bring it to a regular grid of longitude and latitude in a GIS or with CDO (`cdo remapbil`)",
            )
        if first.transform == Affine.identity() and first.tags(ns="GEOLOCATION"):
            raise DataError(
                where,
                "its grid is curvilinear: each cell has a longitude and latitude of its own",
                "Bring it to a regular grid in a GIS (`gdalwarp -geoloc`)",
            )
        if first.transform == Affine.identity() or first.transform.is_degenerate:
            raise DataError(where, "the raster has no georeference", "Give it one in a GIS, or export it again")

    def read(self, window: Window, cells: tuple[Ints, Ints] | None = None) -> Floats:
        """(bands, rows, cols), or (bands, m) of the `cells` at rows (m,) and columns (m,) of the window; NaN where
        unknown, scale and offset applied."""
        if self.months is not None:
            here = list(range(1, 1 + len(self.months)))
        else:
            here = list(range(1, 1 + (self.bands if len(self.files) == 1 else 1)))
        parts = [file.read(here, window=window, masked=True) for file in self.files]
        if cells is not None:
            parts = [part[:, cells[0], cells[1]] for part in parts]
        values = np.concatenate([np.ma.filled(part.astype(np.float64), np.nan) for part in parts])
        scales = np.concatenate([file.scales[: len(here)] for file in self.files])
        offsets = np.concatenate([file.offsets[: len(here)] for file in self.files])
        if (scales != 1.0).any() or (offsets != 0.0).any():
            each = (-1, *[1] * (values.ndim - 1))
            values = values * scales.reshape(each) + offsets.reshape(each)
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
            said = float(self.files[0].tags().get(SPREAD_TAG, 0.0))
        except ValueError:
            return 0.0
        if not -WIDEST_SPREAD_MM_DAY <= said <= WIDEST_SPREAD_MM_DAY:
            raise DataError(
                self.where,
                f"its tag {SPREAD_TAG} says a spread of {said:.4g} mm/day, which cannot be",
                f"Mend the tag: the spread of peak-month ETo, up to {WIDEST_SPREAD_MM_DAY:g} mm/day",
            )
        return max(0.0, said)

    def cells_at(self, xy: Floats, crs: CRS) -> Ints:
        """(m, 2) row and column of the cells that hold (m, 2) places in the layer's CRS; may lie outside."""
        at = np.floor(on_map(~self.transform, xy[:, 0], xy[:, 1])).astype(np.int64)
        col = round_the_earth(at[:, 0], crs, self) if crs.is_geographic else at[:, 0]
        return np.column_stack([at[:, 1], col])

    def gather(self, rows: Ints, cols: Ints) -> Floats:
        """(m, bands) at cells inside the grid, tile by tile; NaN in every month where any month is unknown."""
        out = np.empty((len(rows), self.bands))
        tiles = (rows // _TILE) * (self.width // _TILE + 1) + cols // _TILE
        order = np.argsort(tiles, kind="stable")
        for group in np.split(order, np.flatnonzero(np.diff(tiles[order])) + 1) if len(order) else ():
            r, c = rows[group], cols[group]
            r0, c0 = int(r.min()), int(c.min())
            window = Window(c0, r0, int(c.max()) + 1 - c0, int(r.max()) + 1 - r0)
            out[group] = self.read(window, (r - r0, c - c0)).T
        out[np.isnan(out).any(axis=1)] = np.nan
        return out


def _months_of(file: rasterio.DatasetReader, where: str) -> list[int] | None:
    """Months of the bands by the file's time axis, None where it has none; whole years, in any order."""
    said = file.tags()
    units, calendar = said.get("time#units"), said.get("time#calendar", "standard")
    values = [file.tags(k).get("NETCDF_DIM_time") for k in range(1, file.count + 1)]
    if units is None or any(v is None for v in values):
        return None
    try:
        times = [float(str(v)) for v in values]
        if not np.isfinite(times).all():
            raise ValueError("a time in it is no number")
        found = conventions.months(times, units, calendar)
    except (ValueError, OverflowError) as fault:
        raise DataError(
            where, f"its time axis ({units}) cannot be read: {fault}", "Mend the axis, or give one file a month"
        ) from None
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


@dataclass(frozen=True)
class OpenLayer:
    """A plan's layer while its files are open: `where` for messages, the unit of its numbers, its settled CRS."""

    key: str
    where: str
    quantity: Quantity
    months: Months
    unit: str
    crs: CRS


@contextmanager
def opened_layer(
    plan_file: PlanFile, key: str, section: ClimateLayer, quantity: Quantity, ledger: Ledger
) -> Iterator[OpenLayer]:
    """A plan's layer to be read by cells, at sites and for a picture, from files that are opened once.

    Raises PlanError for an unknown unit or file, DataError for what the file holds.
    """
    where = layer_where(key, section)
    check_stated_unit(plan_file, key, section, quantity)
    with open_bands(plan_file, key, section, where) as months:
        unit = layer_unit(plan_file, key, section, quantity, months, ledger)
        yield OpenLayer(
            key, where, quantity, months, unit, layer_crs(plan_file, key, section, where, months, ledger)
        )


@contextmanager
def open_layer(
    plan_file: PlanFile, key: str, section: ClimateLayer, ledger: Ledger
) -> Iterator[tuple[Months, CRS]]:
    """A plan's layer with its settled CRS, to be read by cells; a context manager.

    Parameters
    ----------
    plan_file
        The plan.
    key
        Where it names the layer.
    section
        What it says there.
    ledger
        Told what was assumed of the CRS.

    Yields
    ------
    Months, CRS
        Twelve bands, January first; open while this lasts.

    Raises
    ------
    PlanError
        The file is not there.
    DataError
        It cannot be read, or has no twelve bands or no CRS.
    """
    where = layer_where(key, section)
    with open_bands(plan_file, key, section, where) as months:
        yield months, layer_crs(plan_file, key, section, where, months, ledger)


def layer_where(key: str, section: ClimateLayer) -> str:
    return f"{key} ({section.path.replace(chr(92), '/').rsplit('/', 1)[-1]})"


@contextmanager
def open_bands(
    plan_file: PlanFile, key: str, section: ClimateLayer, where: str, bands: int = 12
) -> Iterator[Months]:
    paths = _month_files(plan_file, key, section)
    with ExitStack() as stack:
        try:
            trusted = Trusted.by(plan_file)
            files = [stack.enter_context(raster(where, path, trusted)) for path in paths]
            if len(files) == 1 and files[0].subdatasets:
                chosen = _variable(where, files[0].subdatasets, section.variable, key, plan_file, stack)
                files = [stack.enter_context(raster_part(chosen))]
            yield Months(files, where, bands)
        except RasterioError as fault:
            raise DataError(
                where,
                f"the file cannot be read as a raster: {str(fault).rstrip('.')}",
                "Open it in a GIS, and export it again",
            ) from None


def _month_files(plan_file: PlanFile, key: str, section: ClimateLayer) -> list[Path]:
    text = section.path
    # ${NAME} belongs to the plan, not to the months
    if not re.search(r"(?<!\$)\{(mon|mm|m)\}", text):
        return [locate(plan_file, f"{key}.path", text)]

    def fill(month: int) -> str:
        words = {"mon": MONTHS[month].lower(), "mm": f"{month + 1:02d}", "m": str(month + 1)}
        return re.sub(r"(?<!\$)\{(mon|mm|m)\}", lambda match: words[match[1]], text)

    return [locate(plan_file, f"{key}.path", fill(month)) for month in range(12)]


def _variable(
    where: str, subdatasets: Sequence[str], wanted: str | None, key: str, plan_file: PlanFile, stack: ExitStack
) -> str:
    names = {text.rsplit(":", 1)[-1].strip("/"): text for text in subdatasets}
    if wanted is None:
        told = {name: stack.enter_context(raster_part(text)).tags(1) for name, text in names.items()}
        wanted = conventions.variable(key.rsplit(".", 1)[-1], told)
    if wanted is None:
        raise PlanError(
            f"{plan_file.path}: {key}.variable", "the file holds several variables", f"Name one: {', '.join(names)}"
        )
    if wanted not in names:
        raise DataError(where, f"it has no variable '{wanted}'", offered("Of its variables", wanted, names))
    return names[wanted]


def layer_crs(
    plan_file: PlanFile, key: str, section: ClimateLayer, where: str, months: Months, ledger: Ledger
) -> CRS:
    file = months.files[0]
    found = file.crs.to_wkt() if file.crs else None
    corners = np.array(
        [
            on_map(file.transform, col, row)
            for col, row in ((0, 0), (file.width, 0), (0, file.height), (file.width, file.height))
        ]
    )
    degrees = [value for name, value in file.tags().items() if name.endswith("#units") and "degrees" in value]
    if found is None and section.crs is None and len(degrees) >= 2:
        ledger.add(Kind.ASSUMED, where, "its axes are in degrees and it names no CRS: WGS 84 (EPSG:4326) taken")
        return WGS84
    return settle_crs(plan_file, key, where, section.crs, found, corners, ledger)


def on_map(transform: Affine, x: ArrayLike, y: ArrayLike) -> Floats:
    """(..., 2) points of cell coordinates on the map, or back with the inverse."""
    x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
    return np.stack(
        [
            transform.a * x + transform.b * y + transform.c,
            transform.d * x + transform.e * y + transform.f,
        ],
        axis=-1,
    )


def check_stated_unit(plan_file: PlanFile, key: str, section: ClimateLayer, quantity: Quantity) -> None:
    if section.unit is not None and section.unit not in quantity.units:
        raise PlanError(
            f"{plan_file.path}: {key}.unit",
            f"'{section.unit}' is not a unit of {quantity.name}",
            offered(f"Of the units it can have ({', '.join(quantity.units)})", section.unit, quantity.units),
        )


def layer_unit(
    plan_file: PlanFile, key: str, section: ClimateLayer, quantity: Quantity, months: Months, ledger: Ledger
) -> str:
    """The plan's unit of a layer, else the file's own.

    Parameters
    ----------
    plan_file
        For messages.
    key
        Where the plan names the layer.
    section
        What it says there.
    quantity
        Whose units may be meant.
    months
        The layer's bands, with what the file says of its unit.
    ledger
        Told the file's unit, or that it is not the plan's.

    Returns
    -------
    str
        One of `quantity.units`.

    Raises
    ------
    PlanError
        Neither can be a unit of the quantity.
    """
    where, units = layer_where(key, section), ", ".join(quantity.units)
    said = months.unit
    if months.described:
        ledger.add(
            Kind.REPAIRED,
            where,
            "its bands are in another order than the year: taken by the months they are named after",
        )
    if section.unit is None:
        if said in quantity.units:
            ledger.add(Kind.ASSUMED, where, f"unit {said}, as the file says")
            return str(said)
        raise PlanError(
            f"{plan_file.path}: {key}.unit",
            "the plan states no unit, and the file "
            + (f"says '{months.unit_said}', which is none of ours" if months.unit_said else "says none"),
            f"State one of: {units}",
        )
    check_stated_unit(plan_file, key, section, quantity)
    if said in quantity.units and said != section.unit:
        ledger.add(
            Kind.CHECK, where, f"the file says its unit is {said}, the plan {section.unit}: the plan's is used"
        )
    return section.unit


def check_range(where: str, key: str, quantity: Quantity, unit: str, raw: Floats, values: Floats) -> None:
    """Refuse values that cannot be what the plan says they are, and name the unit that they look like.

    Parameters
    ----------
    where
        The layer, for messages.
    key
        Where the plan names it.
    quantity
        What it is said to hold.
    unit
        In which it is said to hold it.
    raw, values
        (n, 12) in that unit, and in the quantity's inner one; NaN where unknown.

    Raises
    ------
    SitesError
        Most rows are as they should be, so that only some cells are wrong.
    DataError
        Otherwise.
    """
    if quantity.plausible(values):
        return
    known = np.isfinite(values).all(axis=1)
    with np.errstate(invalid="ignore"):
        odd = known & ((values < quantity.low) | (values > quantity.high)).any(axis=1)
    few = 0 < 2 * odd.sum() < known.sum() and quantity.plausible(values[~odd])
    rows = raw[odd if few else known]
    top = int(rows.mean(axis=0).argmax())
    said = (
        f"values from {rows.min():.4g} to {rows.max():.4g}, {MONTHS[top]} mean {rows.mean(axis=0)[top]:.4g}, "
        f"cannot be {quantity.name} in {unit}"
    )
    if few:
        raise SitesError(
            where,
            said,
            "The layer is right at the other sites: mend its cells here, or its nodata value",
            tuple(np.flatnonzero(odd).tolist()),
        )
    others = [u for u in quantity.units if u != unit and quantity.plausible(quantity.convert(raw, u))]
    if quantity.inner == "%" and rows.max() <= 1.01:
        guess = " (a fraction of 1? multiply it by 100)"
    else:
        guess = f" ({' or '.join(others)}?)" if others else ""
    raise DataError(where, f"{said}{guess}", f"State the file's own unit as {key}.unit")


def round_the_earth(cols: Ints, crs: CRS, months: Months) -> Ints:
    """Columns round the earth, where the raster goes all the way round."""
    turn = 2 * np.pi / crs.axis_info[0].unit_conversion_factor / abs(months.transform.a or 1.0)
    return cols % months.width if abs(turn - months.width) < 0.5 else cols
