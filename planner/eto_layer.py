"""Monthly weather layers turned into one ETo layer, a block of cells at a time, so that a layer of any size goes
through in the memory of a few blocks.

Finished blocks stand in a folder beside the output until all are there: what was interrupted goes on where it
stopped. The result is a Cloud Optimized GeoTIFF of 12 bands, January first, with its history in its tags.
"""

from __future__ import annotations

import json
import os
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import rasterio
import rasterio.shutil
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window

from planner import __version__
from planner.climate.best import crossed, eto_from_weather, extremes_fault
from planner.climate.builtin import GROUND_SAID, ground_elevation_m
from planner.layers.climate_grid import SPREAD_TAG, Months, check_range, layer_unit, open_layer
from planner.layers.frame import WGS84, project
from planner.layers.opening import Trusted, raster
from planner.layers.raster import HIGHEST_M, LOWEST_M
from planner.layers.source import files_state, label, locate
from planner.ledger import DataError, Kind, Ledger, OutputError, PlanError
from planner.pieces import Pieces, flush, hold, keep, sign, signed, told, unwritable, whole
from planner.plan import Climate, ClimateLayer, PlanFile
from planner.readings import QUANTITIES
from planner.site import Floats
from planner.units import M_PER_FT, MONTHS

CELLS_AT_ONCE = 1 << 17  # 12 months of one quantity are 13 MB then, and a dozen such arrays are held
CACHE_MB = 128  # of GDAL's own, which else takes a share of the machine
NODATA = -9999.0
_WEATHER = tuple(name for name in QUANTITIES if name not in ("eto", "tmean", "rain"))
MOST_CROSSED = 0.01  # of a sample; a few cells are a fault of the layers, more are layers exchanged
CROSSED = "cells whose minimum temperature is above their maximum left unknown"
_SAMPLE = 48  # cells along each side of the sample whose range is looked at first


def write_eto_layer(
    plan_file: PlanFile,
    out: Path,
    ledger: Ledger,
    progress: Callable[[int, int], None] | None = None,
    force: bool = False,
) -> Path:
    """The ETo layer of the plan's `[climate]` layers, in mm/day.

    Parameters
    ----------
    plan_file
        Its layers must share one grid; `climate.elevation` may have its own.
    out
        The GeoTIFF to be written.
    ledger
        Told what was assumed.
    progress
        Called with (done, total) after each block.
    force
        Overwrite a file that we did not make, or that was changed since.

    Returns
    -------
    Path
        Of what was written: 12 bands, January first.

    Raises
    ------
    PlanError, DataError
        A layer is missing, or holds what cannot be used.
    OutputError
        The file is not ours, or cannot be written: an OSError of the disk.
    """
    out = Path(out)
    plan_file.origin().spare([out])
    if out.exists() and not force and not signed(out):
        what = "a file is there that we did not make, or that was changed since"
        raise OutputError(str(out), what, "Choose another name, or give --force to overwrite it")
    section = plan_file.plan.climate
    given = {name: getattr(section, name) for name in _WEATHER if getattr(section, name) is not None}
    for name in ("tmin", "tmax"):
        if name not in given:
            raise PlanError(
                f"{plan_file.path}: climate.{name}",
                "an ETo layer is computed from temperature extremes, and this one is not given",
                "Give climate.tmin and climate.tmax, and what there is of radiation, wind and humidity",
            )
    with ExitStack() as stack:
        stack.enter_context(rasterio.Env(GDAL_CACHEMAX=CACHE_MB))
        layers, crs = _on_one_grid(plan_file, given, stack, ledger)
        grid = layers["tmin"]
        elevation = stack.enter_context(_Elevation(plan_file, grid, crs, ledger))
        units = {
            name: layer_unit(plan_file, f"climate.{name}", given[name], QUANTITIES[name], months, ledger)
            for name, months in layers.items()
        }
        sample = {name: _sample(name, months, units[name]) for name, months in layers.items()}
        bad = crossed(sample["tmin"], sample["tmax"])
        if bad.mean() > MOST_CROSSED:
            raise extremes_fault(str(plan_file.path), f"{bad.mean():.0%} of the cells looked at")
        windows = list(_windows(grid))
        job = _job(plan_file, grid, list(layers))
        with hold(out.with_name(f".{out.name}.parts"), job) as pieces:
            paths = [pieces.path(f"{k:06d}", ".tif") for k in range(len(windows))]
            for k, (window, path) in enumerate(zip(windows, paths, strict=True)):
                if not whole(path):
                    weather = {
                        name: QUANTITIES[name].convert(months.read(window).reshape(12, -1).T, units[name]).T
                        for name, months in layers.items()
                    }
                    lonlat = _lonlat(grid, crs, window)
                    high, odd = elevation(window, lonlat)
                    eto, block = _block(section, weather, lonlat[:, 1], high)
                    block.impossible["elevation"] = odd
                    _keep_block(path, eto.reshape(12, window.height, window.width), block)
                if progress is not None:
                    progress(k + 1, len(windows))
            if _job(plan_file, grid, list(layers)) != job:
                raise DataError(
                    str(plan_file.path),
                    "a layer that the plan names was changed while it was read: the blocks do not fit together",
                    "Run it again",
                )
            done = _Block.of_all([_Block(**told(path)) for path in paths])
            if not done.known:
                raise DataError(
                    f"{plan_file.path}: climate",
                    "no cell has a value in every month and every layer",
                    "Check the layers' nodata values, and that they lie over each other",
                )
            _say_left_out(plan_file, done, ledger)
            _assemble(pieces, paths, windows, grid, crs, done, job, out)
            pieces.clear()
    return out


def _on_one_grid(
    plan_file: PlanFile, given: Mapping[str, ClimateLayer], stack: ExitStack, ledger: Ledger
) -> tuple[dict[str, Months], CRS]:
    """The layers opened, and the CRS of tmin; raises DataError where another has another CRS or grid."""
    layers: dict[str, Months] = {}
    crs = WGS84
    for name, layer in given.items():
        layers[name], own = stack.enter_context(open_layer(plan_file, f"climate.{name}", layer, ledger))
        crs = own if name == "tmin" else crs
        if not own.equals(crs, ignore_axis_order=True):
            raise DataError(
                f"climate.{name}",
                f"it is in another CRS than climate.tmin ({label(own)} against {label(crs)})",
                "Bring the layers to one CRS and one grid",
            )
    grid = layers["tmin"]
    for name, months in layers.items():
        if (months.width, months.height) != (grid.width, grid.height) or not months.transform.almost_equals(
            grid.transform, 1e-6
        ):
            raise DataError(
                f"climate.{name}",
                f"it has another grid than climate.tmin ({months.width} x {months.height} cells against "
                f"{grid.width} x {grid.height})",
                "Bring the layers to one grid",
            )
    return layers, crs


@dataclass(frozen=True)
class _Block:
    """What is to be told of a block: how it was computed, its widest spread, cells with a value, and cells left
    unknown, by what was wrong with them."""

    steps: list[str]
    spread_mm_day: float
    known: int
    crossed: int
    impossible: dict[str, int]

    @classmethod
    def of_all(cls, blocks: Sequence[_Block]) -> _Block:
        """Blocks may differ in what had to be done (still air in one of them): all of it is history."""
        counts: Counter[str] = Counter()
        for block in blocks:
            counts.update(block.impossible)
        return cls(
            list(dict.fromkeys(step for block in blocks for step in block.steps)),
            max(block.spread_mm_day for block in blocks),
            sum(block.known for block in blocks),
            sum(block.crossed for block in blocks),
            dict(counts),
        )


def _block(
    section: Climate, weather: dict[str, Floats], latitude_deg: Floats, elevation_m: Floats
) -> tuple[Floats, _Block]:
    """ETo (12, n) of a block of cells; unknown where any value (12, n) of the weather cannot be."""
    impossible = {}
    for name, values in weather.items():
        quantity = QUANTITIES[name]
        if np.fmin.reduce(values, axis=None) < quantity.low or np.fmax.reduce(values, axis=None) > quantity.high:
            bad = ((values < quantity.low) | (values > quantity.high)).any(axis=0)
            weather[name] = np.where(bad, np.nan, values)
            impossible[name] = int(bad.sum())
    eto, steps, spread = eto_from_weather(section, weather, latitude_deg, elevation_m)
    bad = crossed(weather["tmin"].T, weather["tmax"].T)
    eto[:, bad] = np.nan
    known = int(np.isfinite(eto).all(axis=0).sum())
    return eto, _Block(list(steps), spread, known, int(bad.sum()), impossible)


def _say_left_out(plan_file: PlanFile, done: _Block, ledger: Ledger) -> None:
    if done.crossed:
        ledger.add(
            Kind.SKIPPED,
            f"{plan_file.path}: climate.tmin, climate.tmax",
            f"{done.crossed:,} {CROSSED}",
        )
    for name, cells in done.impossible.items():
        if cells and name == "elevation":
            what = (
                f"elevations out of range (an undeclared nodata value?): the plan's, else {GROUND_SAID}, stands in"
            )
        elif cells:
            q = QUANTITIES[name]
            what = (
                f"cells whose {q.name} is out of range ({q.low:g} to {q.high:g} {q.inner}; an undeclared nodata "
                "value?) left unknown"
            )
        else:
            continue
        ledger.add(Kind.SKIPPED, f"{plan_file.path}: climate.{name}", f"{cells:,} {what}")


class _Elevation:
    """Elevation of the cells, (n,) m of a window: the plan's layer, else its one number, else the ground's."""

    def __init__(self, plan_file: PlanFile, grid: Months, crs: CRS, ledger: Ledger) -> None:
        section = plan_file.plan.climate
        self._one = section.elevation_m
        self._stack = ExitStack()
        self._layer: WarpedVRT | None = None
        if section.elevation is None:
            if section.elevation_m is None:
                ledger.add(
                    Kind.ASSUMED,
                    f"{plan_file.path}: climate.elevation",
                    f"elevation of the cells unknown, {GROUND_SAID} taken for air pressure",
                )
            return
        self._factor = M_PER_FT if section.elevation.height_unit == "ft" else 1.0
        path = locate(plan_file, "climate.elevation.path", section.elevation.path)
        where = f"climate.elevation ({path.name})"
        try:
            source = self._stack.enter_context(raster(where, path, Trusted.by(plan_file), ledger))
            self._layer = self._stack.enter_context(
                WarpedVRT(
                    source,
                    src_crs=section.elevation.crs,
                    crs=crs.to_wkt(),
                    transform=grid.transform,
                    width=grid.width,
                    height=grid.height,
                    resampling=Resampling.average,
                    nodata=NODATA,
                    dtype="float32",
                )
            )
        except RasterioError as fault:
            self._stack.close()
            raise DataError(
                where,
                f"the file cannot be read as a raster: {str(fault).rstrip('.')}",
                "Open it in a GIS, and export it again; state its crs where it has none",
            ) from None

    def __enter__(self) -> _Elevation:
        return self

    def __exit__(self, *fault: object) -> None:
        self._stack.close()

    def __call__(self, window: Window, lonlat: Floats) -> tuple[Floats, int]:
        """(n,) of a window's cells, which lie at (n, 2), and of how many the layer's value cannot be."""
        other = _ground_m(lonlat) if self._one is None else np.full(len(lonlat), self._one)
        if self._layer is None:
            return other, 0
        read = self._layer.read(1, window=window).ravel().astype(np.float64)
        values = read * self._factor
        good = (values > LOWEST_M) & (values < HIGHEST_M)
        return np.where(good, values, other), int((~good & (read != NODATA)).sum())


def _ground_m(lonlat: Floats) -> Floats:
    """(n,) elevation of the ground at places (n, 2), some of which may lie off the earth."""
    lon, lat = lonlat.T
    there = np.isfinite(lon) & (np.abs(lat) <= 90.0)
    return np.where(there, ground_elevation_m(np.where(there, lon, 0.0), np.where(there, lat, 0.0)), 0.0)


def _sample(name: str, months: Months, unit: str) -> Floats:
    """(cells, 12) of a quantity, in its inner unit; DataError where it cannot be what it is said to be."""
    rows = np.linspace(0, months.height - 1, min(_SAMPLE, months.height)).astype(np.int64)
    cols = np.linspace(0, months.width - 1, min(_SAMPLE, months.width)).astype(np.int64)
    r, c = np.meshgrid(rows, cols, indexing="ij")
    raw = months.gather(r.ravel(), c.ravel())
    quantity = QUANTITIES[name]
    values = quantity.convert(raw, unit)
    check_range(f"climate.{name}", f"climate.{name}", quantity, unit, raw, values)
    return values


def _windows(grid: Months) -> Iterator[Window]:
    """Blocks of cells, along the way the file lies: whole rows of a file in strips, squares of a tiled one."""
    tile = max(file.block_shapes[0][1] for file in grid.files)
    wide = grid.width if tile >= grid.width else min(grid.width, 1024)
    high = max(1, CELLS_AT_ONCE // wide)
    for row in range(0, grid.height, high):
        for col in range(0, grid.width, wide):
            yield Window(col, row, min(wide, grid.width - col), min(high, grid.height - row))


def _lonlat(grid: Months, crs: CRS, window: Window) -> Floats:
    """(n, 2) degrees of the window's cells; where each has its own latitude, to 0.01: 0.02 % of the sun."""
    row, col = np.mgrid[
        window.row_off : window.row_off + window.height, window.col_off : window.col_off + window.width
    ]
    x, y = grid.transform @ (col.ravel() + 0.5, row.ravel() + 0.5)
    if crs.is_geographic:
        return np.asarray(np.degrees(np.column_stack([x, y]) * crs.axis_info[0].unit_conversion_factor))
    return np.round(project(np.column_stack([x, y]), crs, WGS84), 2)


def _job(plan_file: PlanFile, grid: Months, layers: Sequence[str]) -> str:
    """What the result hangs on, as text: of another job's blocks none may be used."""
    section = plan_file.plan.climate
    paths = [getattr(section, name).path for name in layers] + (
        [section.elevation.path] if section.elevation else []
    )
    job = {
        "layers": {name: getattr(section, name).model_dump() for name in layers},
        "files": {path: files_state(plan_file, path) for path in paths},
        "wind_height_m": section.wind_height_m,
        "elevation": section.elevation.model_dump() if section.elevation else section.elevation_m,
        "method": section.method,
        "grid": [grid.width, grid.height, *grid.transform[:6]],
        "cells_at_once": CELLS_AT_ONCE,
        "version": __version__,
    }
    return json.dumps(job, sort_keys=True)


def _keep_block(path: Path, eto: Floats, block: _Block) -> None:
    # to 1/1024 mm/day: digits that mean nothing would not compress
    values = np.where(np.isfinite(eto), np.round(eto * 1024.0) / 1024.0, NODATA).astype(np.float32)

    def write(beside: Path) -> None:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", NotGeoreferencedWarning)
                with rasterio.open(
                    beside,
                    "w",
                    driver="GTiff",
                    width=eto.shape[2],
                    height=eto.shape[1],
                    count=12,
                    dtype="float32",
                    nodata=NODATA,
                    compress="deflate",
                    zlevel=1,
                    interleave="band",
                ) as file:
                    file.write(values)
                with rasterio.open(beside) as file:  # a full disk is not said when a file is closed
                    same = np.array_equal(file.read(), values)
        except RasterioError as fault:
            raise OSError(str(fault)) from None
        if not same:
            raise OSError("the disk may be full: the block was not written whole")

    keep(path, write, asdict(block))


def _assemble(
    pieces: Pieces,
    paths: Sequence[Path],
    windows: Sequence[Window],
    grid: Months,
    crs: CRS,
    done: _Block,
    job: str,
    out: Path,
) -> None:
    bands = "".join(
        f'<VRTRasterBand dataType="Float32" band="{m}"><NoDataValue>{NODATA}</NoDataValue>'
        f"<Description>{MONTHS[m - 1]}</Description><UnitType>mm/day</UnitType>"
        + "".join(
            f'<SimpleSource><SourceFilename relativeToVRT="1">{path.name}</SourceFilename>'
            f"<SourceBand>{m}</SourceBand>"
            f'<SrcRect xOff="0" yOff="0" xSize="{w.width}" ySize="{w.height}"/>'
            f'<DstRect xOff="{w.col_off}" yOff="{w.row_off}" xSize="{w.width}" ySize="{w.height}"/></SimpleSource>'
            for path, w in zip(paths, windows, strict=True)
        )
        + "</VRTRasterBand>"
        for m in range(1, 13)
    )
    tags = {
        "TITLE": "Mean daily reference evapotranspiration (ETo) by month, mm/day, January first",
        "UNITS": "mm/day",
        "TIFFTAG_SOFTWARE": f"noonmark {__version__}",
        "HISTORY": "; ".join([*done.steps, *([CROSSED] if done.crossed else [])]),
        SPREAD_TAG: f"{done.spread_mm_day:.3f}",
        "INPUT": json.dumps(json.loads(job)["layers"]),
    }
    meta = "".join(f'<MDI key="{k}">{escape(v)}</MDI>' for k, v in tags.items())
    geo = ",".join(map(repr, grid.transform.to_gdal()))
    vrt, stacked, beside = pieces.half("all.vrt"), pieces.half("all.tif"), pieces.half("cloud.tif")
    vrt.write_text(
        f'<VRTDataset rasterXSize="{grid.width}" rasterYSize="{grid.height}"><SRS>{escape(crs.to_wkt())}</SRS>'
        f"<GeoTransform>{geo}</GeoTransform><Metadata>{meta}</Metadata>{bands}</VRTDataset>",
        encoding="utf-8",
    )
    try:
        # overviews are made band by band, which keeps the memory small; the last step only lays the tiles in order
        rasterio.shutil.copy(
            vrt,
            stacked,
            driver="GTiff",
            TILED="YES",
            BLOCKXSIZE="512",
            BLOCKYSIZE="512",
            INTERLEAVE="BAND",
            COMPRESS="DEFLATE",
            ZLEVEL="1",
            BIGTIFF="IF_SAFER",
        )
        levels = [2**k for k in range(1, 12) if max(grid.width, grid.height) / 2 ** (k - 1) > 512]
        if levels:
            with rasterio.Env(GDAL_TIFF_OVR_BLOCKSIZE="512"), rasterio.open(stacked, "r+") as file:
                file.build_overviews(levels, Resampling.average)
        rasterio.shutil.copy(
            stacked, beside, driver="COG", COMPRESS="DEFLATE", PREDICTOR="YES", BIGTIFF="IF_SAFER", NUM_THREADS="2"
        )
        if not _same(beside, paths, windows):  # a full disk is not said when a file is closed
            raise OSError("the disk may be full: the layer was not written whole")
        flush(beside)
        sign(out, beside)
        os.replace(beside, out)
    except (OSError, RasterioError) as fault:
        raise unwritable(out, fault) from None


def _same(layer: Path, paths: Sequence[Path], windows: Sequence[Window]) -> bool:
    """Whether a layer holds what its blocks do, read back cell by cell."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with rasterio.open(layer) as file:
            for path, window in zip(paths, windows, strict=True):
                with rasterio.open(path) as block:
                    if not np.array_equal(file.read(window=window), block.read()):
                        return False
    return True
