"""Rasters of heights, resampled into the site's frame: ground, surface, canopy.

Only the window around the site is read, and no more of it than about four million cells, so a file of any size
costs the same. Unknown cells are NaN from here on, whatever the file calls them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.enums import MaskFlags, Resampling
from rasterio.errors import RasterioError
from rasterio.warp import reproject
from rasterio.windows import Window
from shapely.geometry.base import BaseGeometry

from planner.layers.frame import WGS84, Frame, project
from planner.layers.opening import Trusted, raster
from planner.layers.source import fits, label, locate, misfit, place, settle_crs
from planner.ledger import DataError, Kind, Ledger
from planner.plan import HeightsLayer, PlanFile
from planner.site import Floats, Heights, points_inside
from planner.units import M_PER_FT

MOST_CELLS = 4_000_000
CACHE_MB = 64
LOWEST_M, HIGHEST_M = -500.0, 9000.0  # below the Dead Sea's shore (-430 m) and above Everest nothing is ground
FEET = re.compile(r"(?i)\b(ft|foot|feet|us-?ft|ussft|ftus)\b|^'$")
METRES = re.compile(r"(?i)\b(m|metre|meter|metres|meters)\b")
FROM_ZERO = 20.0  # ground that lies farther from 0 than this everywhere (m or ft) has no neighbor of 0


@dataclass(frozen=True)
class Around:
    """What of a raster is read: `reach_m` beyond the bounds of the site's outline in its frame, in at most
    `most_cells`."""

    frame: Frame
    outline: BaseGeometry
    reach_m: float
    most_cells: int = MOST_CELLS

    @property
    def box(self) -> tuple[float, float, float, float]:
        """West, south, east, north, metres in the frame."""
        left, bottom, right, top = self.outline.bounds
        return left - self.reach_m, bottom - self.reach_m, right + self.reach_m, top + self.reach_m


@dataclass(frozen=True)
class Taken:
    """How a raster's values are taken.

    low_m, high_m: values outside are unknown (listed). gaps_are: what unknown cells become; NaN leaves them unknown
    and says so where they touch the site. steps: each cell is taken as it stands, so that walls stay upright;
    otherwise bilinear. zeros_count: heights of exactly 0 are what they say, as beside a tower on a plain at sea
    level; otherwise they are unknown where nothing else comes near 0.
    """

    low_m: float = LOWEST_M
    high_m: float = HIGHEST_M
    gaps_are: float = np.nan
    steps: bool = False
    zeros_count: bool = False


GROUND = Taken()


def read_heights(
    plan_file: PlanFile,
    key: str,
    section: HeightsLayer,
    around: Around,
    ledger: Ledger,
    taken: Taken = GROUND,
) -> Heights:
    """A raster of heights around the site: metres, north up, square cells.

    Raises
    ------
    PlanError, DataError
        Where the file cannot be used, also where nothing is known at the site.
    """
    path = locate(plan_file, f"{key}.path", section.path)
    where = f"{key} ({path.name})"
    try:
        with rasterio.Env(GDAL_CACHEMAX=CACHE_MB), raster(where, path, Trusted.by(plan_file), ledger) as source:
            crs, height_m = _checked(plan_file, key, where, section, source, ledger)
            values, transform, thin = _window(where, source, crs, around)
            declared = _declared(source)
    except RasterioError as fault:
        raise DataError(
            where,
            f"the file cannot be read as a raster: {str(fault).rstrip('.')}",
            "Open it in a GIS, and export it again",
        ) from None
    if not (declared or taken.zeros_count) and np.isnan(taken.gaps_are):
        _take_out_zeros(where, values, ledger)
    values *= height_m
    absurd = (values < taken.low_m) | (values > taken.high_m)
    if absurd.any():
        ledger.add(
            Kind.SKIPPED,
            where,
            f"{int(absurd.sum())} cells out of range ({ledger.length(taken.low_m)} to "
            f"{ledger.length(taken.high_m)}) treated as unknown",
        )
        values[absurd] = np.nan
    heights, native_m = _into_frame(values, transform, crs, around, taken.steps)
    if heights.cell_m > 1.01 * native_m / thin:
        ledger.add(
            Kind.ASSUMED,
            where,
            f"cells of {ledger.length(native_m / thin)} joined into cells of {ledger.length(heights.cell_m)}, to "
            f"stay within {around.most_cells / 1e6:g} million cells",
        )
    _check_cover(where, heights, around.outline, taken.gaps_are, ledger)
    if not np.isnan(taken.gaps_are):
        heights = replace(heights, values=np.where(np.isnan(heights.values), taken.gaps_are, heights.values))
    return heights


def unit_in_words(said: str) -> str | None:
    """'m' or 'ft', of words such as 'feet (NAVD88)'; None of others."""
    return "ft" if FEET.search(said) else "m" if METRES.search(said) else None


def _declared(source: rasterio.DatasetReader) -> bool:
    """Whether the file says which of its cells are unknown."""
    return source.nodata is not None or source.mask_flag_enums[0] != [MaskFlags.all_valid]


def _take_out_zeros(where: str, values: Floats, ledger: Ledger) -> None:
    """Cells of exactly 0 among heights that come nowhere near it are unknown, whatever the file fails to say."""
    zero = values == 0.0
    others = np.abs(values[~zero & np.isfinite(values)])
    if zero.any() and others.size and others.min() > FROM_ZERO:
        values[zero] = np.nan
        ledger.add(
            Kind.SKIPPED,
            where,
            f"{int(zero.sum()):,} cells are exactly 0, all others at least {others.min():.0f} from it in the "
            "file's unit: treated as unknown (an undeclared nodata value)",
        )


def covers(
    plan_file: PlanFile, path: Path, stated_crs: str | None, longitude_deg: float, latitude_deg: float
) -> bool:
    """Whether a raster's extent holds a point; False where the file or its CRS cannot be read."""
    try:
        with raster("", path, Trusted.by(plan_file)) as source:
            crs = CRS.from_user_input(stated_crs or source.crs.to_wkt())
            col, row = _pixels(np.array([[longitude_deg, latitude_deg]]), WGS84, crs, source.transform, source)[0]
            return bool(0 <= col <= source.width and 0 <= row <= source.height)
    except Exception:  # whatever is wrong is said, with its reason, when the raster itself is read
        return False


def _checked(
    plan_file: PlanFile, key: str, where: str, section: HeightsLayer, source: rasterio.DatasetReader, ledger: Ledger
) -> tuple[CRS, float]:
    """The raster's CRS, after the questions that its header answers, and metres to its unit of height."""
    if source.count > 1:
        if source.dtypes[0] == "uint8" and source.count >= 3:
            raise DataError(where, "this is a picture, not heights", "Give a raster with one band of heights")
        ledger.add(Kind.CHECK, where, f"it has {source.count} bands; the first is taken for the heights")
    if source.dtypes[0].startswith("complex"):
        raise DataError(where, "its cells are complex numbers, not heights", "Give a raster of heights")
    if source.transform == Affine.identity() or source.transform.is_degenerate:
        raise DataError(
            where, "the raster has no georeference", "Give it one in a GIS (a GeoTIFF, or a world file)"
        )
    corners = _corners(source)
    crs = settle_crs(
        plan_file, key, where, section.crs, source.crs.to_wkt() if source.crs else None, corners, ledger
    )
    if not fits(corners, crs).any() and not fits(corners.mean(axis=0, keepdims=True), crs).any():
        raise DataError(where, *misfit(corners, crs))
    return crs, _height_m(where, section, source, crs, ledger)


def _height_m(where: str, section: HeightsLayer, source: rasterio.DatasetReader, crs: CRS, ledger: Ledger) -> float:
    """Metres to the unit of a raster's heights: the plan's word, else the band's, else the vertical CRS's."""
    factors: dict[str, float] = {"m": 1.0, "ft": M_PER_FT}
    own = source.crs.to_wkt() if source.crs else None
    band = (source.units[0] or "").strip()
    by_band = unit_in_words(band)
    by_crs = next((unit for unit in map(vertical_unit, (section.crs, own)) if unit), None)
    said = f"'{band}'" if by_band else f"'{by_crs}', by its vertical CRS"
    stated = by_band or by_crs
    if by_band and by_crs and by_band != by_crs:
        ledger.add(
            Kind.CHECK,
            where,
            f"the file says its heights are in '{band}', and its vertical CRS that they are in '{by_crs}'"
            + ("" if section.height_unit else f": {by_band} is used"),
        )
    elif section.height_unit and stated and stated != section.height_unit:
        ledger.add(
            Kind.CHECK,
            where,
            f"the file says its heights are in {said}, the plan says {section.height_unit}: the plan's is used",
        )
    if section.height_unit or stated:
        return factors[section.height_unit or stated or "m"]
    if unit_by_name(Path(section.path)) == "ft":
        ledger.add(Kind.ASSUMED, where, "its heights are taken as feet, as the file's name says")
        return M_PER_FT
    plane = crs.axis_info[0].unit_conversion_factor if crs.is_projected else 1.0
    if abs(plane - 1) > 1e-3:
        ledger.add(
            Kind.CHECK,
            where,
            f"its heights are taken as meters: the file does not say their unit, and its CRS is in "
            f'{crs.axis_info[0].unit_name}. If they are in feet, write height_unit = "ft"',
        )
    else:
        ledger.add(Kind.ASSUMED, where, "its heights are taken as meters: neither the file nor height_unit says so")
    return 1.0


def unit_by_name(path: Path) -> str | None:
    """Unit of the heights that a raster's file name tells ("ft"); None for any other.

    >>> unit_by_name(Path("dtm_ft.tif")), unit_by_name(Path("loft.tif"))
    ('ft', None)
    """
    said = {word for word in re.split(r"[^a-z]+", path.stem.lower()) if word}
    return "ft" if said & {"ft", "feet", "usft", "ftus"} else None


def vertical_unit(crs: str | None) -> str | None:
    """Unit of the heights ("m", "ft") that a compound or three-dimensional CRS states; None where it states none.

    >>> vertical_unit("EPSG:2277+6360"), vertical_unit("EPSG:32614+5703"), vertical_unit("EPSG:2277")
    ('ft', 'm', None)
    """
    try:
        found = CRS.from_user_input(crs)
    except CRSError:
        return None
    parts = found.sub_crs_list or [found]
    up = [axis for part in parts for axis in part.axis_info if axis.direction.lower() in ("up", "down")]
    if not up:
        return None
    return next(
        (u for u, m in (("m", 1.0), ("ft", M_PER_FT)) if abs(up[0].unit_conversion_factor / m - 1) < 1e-4), None
    )


def _corners(source: rasterio.DatasetReader) -> Floats:
    w, h = source.width, source.height
    return _apply(source.transform, np.array([(0, 0), (w, 0), (w, h), (0, h)], float))


def _pixels(xy: Floats, xy_crs: CRS | str, crs: CRS, transform: Affine, source: rasterio.DatasetReader) -> Floats:
    """(n, 2) column and row of points; longitudes are taken round the earth to the side the raster is on."""
    xy = project(xy, xy_crs, crs)
    if crs.is_geographic:
        turn = 2 * np.pi / crs.axis_info[0].unit_conversion_factor
        middle = _corners(source)[:, 0].mean()
        xy[:, 0] -= turn * np.round((xy[:, 0] - middle) / turn)
    return _apply(~transform, xy)


def _apply(transform: Affine, xy: Floats) -> Floats:
    x, y = xy[:, 0], xy[:, 1]
    t = transform
    return np.column_stack([t.a * x + t.b * y + t.c, t.d * x + t.e * y + t.f])


def _rim(box: tuple[float, float, float, float], count: int = 21) -> Floats:
    """(count ** 2, 2) points over a box, its rim included: enough to bound its image in another CRS."""
    x, y = np.meshgrid(np.linspace(box[0], box[2], count), np.linspace(box[1], box[3], count))
    return np.column_stack([x.ravel(), y.ravel()])


def _window(where: str, source: rasterio.DatasetReader, crs: CRS, around: Around) -> tuple[Floats, Affine, int]:
    """The raster around the site, NaN where unknown, thinned to at most 4 x `most_cells`; and how much."""
    frame, outline, most_cells = around.frame, around.outline, around.most_cells
    pixels = _pixels(_rim(around.box), frame.crs, crs, source.transform, source)
    pixels = pixels[np.isfinite(pixels).all(axis=1)]
    size = np.array([source.width, source.height])
    low = np.clip(np.floor(pixels.min(axis=0)) - 2, 0, size) if len(pixels) else size
    high = np.clip(np.ceil(pixels.max(axis=0)) + 2, 0, size) if len(pixels) else size
    (col, row), (width, height) = low.astype(int), (high - low).astype(int)
    site = _pixels(_rim(outline.bounds, 2), frame.crs, crs, source.transform, source)
    apart = (site.max(axis=0) < 0).any() or (site.min(axis=0) > size).any()
    if width < 1 or height < 1 or apart or not np.isfinite(site).all():
        raise _elsewhere(where, source, crs, frame)
    # up to four times the cells are read as they are, so that the last step to the frame's cell is a small one
    thin = max(1, int(np.sqrt(width * height / most_cells)))
    # whole blocks only: GDAL shifts the means of blocks that end inside a cell
    width, height = max(width - width % thin, 1), max(height - height % thin, 1)
    shape = (max(height // thin, 1), max(width // thin, 1))
    # a mean would smear an undeclared "unknown" value over its neighbours before it can be told from a height
    declared = _declared(source)
    data = source.read(
        1,
        window=Window(col, row, width, height),
        out_shape=shape,
        masked=True,
        resampling=Resampling.average if thin > 1 and declared else Resampling.nearest,
    )
    values = np.ma.filled(data.astype(float), np.nan) * source.scales[0] + source.offsets[0]
    values[np.isinf(values)] = np.nan
    t, (left, top) = source.transform, _apply(source.transform, np.array([[col, row]], float))[0]
    across, along = width / shape[1], height / shape[0]
    return values, Affine(t.a * across, t.b * along, left, t.d * across, t.e * along, top), thin


def _elsewhere(where: str, source: rasterio.DatasetReader, crs: CRS, frame: Frame) -> DataError:
    middle = project(_corners(source).mean(axis=0), crs, WGS84)
    at = f"its middle is at {place(middle)}" if np.isfinite(middle).all() else "its place on the earth is unclear"
    return DataError(
        where,
        f"the raster does not cover the site: {at} by {label(crs)}, the site at "
        f"{place(np.array([frame.longitude_deg, frame.latitude_deg]))}",
        "Give a raster of the site, or check the CRS of both",
    )


def _into_frame(values: Floats, transform: Affine, crs: CRS, around: Around, steps: bool) -> tuple[Heights, float]:
    """The window on a north-up grid of the frame, and the width of the window's own cells in metres."""
    rows, cols = values.shape
    frame = around.frame
    # what the window covers, in the frame
    there = project(_apply(transform, _rim((0, 0, cols, rows))), crs, frame.crs)
    there = there[np.isfinite(there).all(axis=1)]
    left, bottom, right, top = around.box
    left, right = max(left, there[:, 0].min()), min(right, there[:, 0].max())
    bottom, top = max(bottom, there[:, 1].min()), min(top, there[:, 1].max())

    # one cell of the window, measured in the frame at its middle
    i, j = cols / 2, rows / 2
    origin, along, down = project(_apply(transform, np.array([(i, j), (i + 1, j), (i, j + 1)])), crs, frame.crs)
    native = float(min(np.hypot(*(along - origin)), np.hypot(*(down - origin))))
    width, height = max(right - left, native), max(top - bottom, native)
    cell = max(native, float(np.sqrt(width * height / around.most_cells)))
    shape = (int(np.ceil(height / cell)), int(np.ceil(width / cell)))
    out = np.full(shape, np.nan)
    reproject(
        values,
        out,
        src_transform=transform,
        src_crs=crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=Affine(cell, 0, left, 0, -cell, top),
        dst_crs=frame.crs,
        dst_nodata=np.nan,
        resampling=Resampling.nearest if steps else Resampling.bilinear,
        tolerance=0.01,
    )
    return Heights(out, float(left), float(top), cell), native


def _check_cover(where: str, heights: Heights, outline: BaseGeometry, gaps_are: float, ledger: Ledger) -> None:
    spots = points_inside(outline, heights.cell_m, 10_000)
    unknown = np.isnan(heights.at(spots))
    if unknown.all():
        raise DataError(
            where,
            "the raster has no known value inside the site",
            "Give a raster that covers it, or leave this one out",
        )
    if unknown.any() and np.isnan(gaps_are):
        ledger.add(
            Kind.CHECK,
            where,
            f"{100 * unknown.mean():.0f} % of the site has no known height; the nearest known one is used there",
        )
