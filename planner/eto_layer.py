"""Monthly weather layers turned into one ETo layer, a block of cells at a time, so that a layer of any size goes
through in the memory of a few blocks.

Finished blocks stand in a folder beside the output until all are there: what was interrupted goes on where it
stopped. The result is a Cloud Optimized GeoTIFF of 12 bands, January first, with its history in its tags.
"""

from __future__ import annotations

import json
import os
import shutil
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
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
from planner.layers.climate_grid import SPREAD_TAG, Months, check_range, layer_unit, open_layer
from planner.layers.frame import WGS84, project
from planner.layers.source import files_state, locate
from planner.ledger import DataError, Kind, Ledger, OutputError, PlanError
from planner.plan import PlanFile
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
    """The ETo layer of the plan's `[climate]` layers, in mm/day, written to `out` (a GeoTIFF).

    progress: called with (done, total) after each block. The layers must share one grid; `climate.elevation` may
    have its own. Raises PlanError or DataError for the input, OutputError for the output.
    """
    out = Path(out)
    if out.exists() and not force:
        raise OutputError(str(out), "it is there already", "Choose another name, or give --force to overwrite it")
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
        layers: dict[str, Months] = {}
        crs = WGS84
        for name, layer in given.items():
            layers[name], own = stack.enter_context(open_layer(plan_file, f"climate.{name}", layer, ledger))
            crs = own if name == "tmin" else crs
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
        parts = out.with_name(f".{out.name}.parts")
        _prepare(parts, job)
        for k, window in enumerate(windows):
            part = parts / f"{k:06d}.tif"
            if not part.exists():
                weather = {
                    name: QUANTITIES[name].convert(months.read(window).reshape(12, -1).T, units[name]).T
                    for name, months in layers.items()
                }
                eto, steps, spread = eto_from_weather(
                    section, weather, _latitude(grid, crs, window), elevation(window)
                )
                bad = crossed(weather["tmin"].T, weather["tmax"].T)
                eto[:, bad] = np.nan
                _note(parts, (*steps, CROSSED) if bad.any() else steps, spread)
                _write_part(part, eto.reshape(12, window.height, window.width))
            if progress is not None:
                progress(k + 1, len(windows))
        _assemble(parts, windows, grid, crs, _noted(parts), job, out)
        if CROSSED in _noted(parts)[0]:
            ledger.add(Kind.SKIPPED, f"{plan_file.path}: climate.tmin, climate.tmax", CROSSED)
    shutil.rmtree(parts)
    return out


class _Elevation:
    """Elevation of the grid's cells, (n,) m of a window: the plan's layer, else its one number, else sea level."""

    def __init__(self, plan_file: PlanFile, grid: Months, crs: CRS, ledger: Ledger) -> None:
        section = plan_file.plan.climate
        self._one = section.elevation_m or 0.0
        self._stack = ExitStack()
        self._layer: WarpedVRT | None = None
        if section.elevation is None:
            if section.elevation_m is None:
                ledger.add(
                    Kind.ASSUMED,
                    f"{plan_file.path}: climate.elevation",
                    "elevation of the cells unknown, sea level taken for air pressure",
                )
            return
        self._factor = M_PER_FT if section.elevation.height_unit == "ft" else 1.0
        path = locate(plan_file, "climate.elevation.path", section.elevation.path)
        try:
            source = self._stack.enter_context(rasterio.open(path))
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
                f"climate.elevation ({path.name})",
                f"the file cannot be read as a raster: {str(fault).rstrip('.')}",
                "Open it in a GIS, and export it again; state its crs where it has none",
            ) from None

    def __enter__(self) -> _Elevation:
        return self

    def __exit__(self, *fault: object) -> None:
        self._stack.close()

    def __call__(self, window: Window) -> Floats:
        if self._layer is None:
            return np.full(window.height * window.width, self._one)
        values = self._layer.read(1, window=window).ravel().astype(np.float64) * self._factor
        return np.where(values == NODATA * self._factor, self._one, values)


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


def _latitude(grid: Months, crs: CRS, window: Window) -> Floats:
    """(n,) latitude of the window's cells; where each has its own, to 0.01 degrees: 0.02 % of the sun."""
    row, col = np.mgrid[
        window.row_off : window.row_off + window.height, window.col_off : window.col_off + window.width
    ]
    x, y = grid.transform @ (col.ravel() + 0.5, row.ravel() + 0.5)
    if crs.is_geographic:
        return np.asarray(np.degrees(y * crs.axis_info[0].unit_conversion_factor), np.float64)
    return np.round(project(np.column_stack([x, y]), crs, WGS84)[:, 1], 2)


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
        "version": __version__,
    }
    return json.dumps(job, sort_keys=True)


def _prepare(parts: Path, job: str) -> None:
    """A folder for the blocks; what an other job left in it is taken away."""
    mark = parts / "job.json"
    try:
        if parts.exists() and (not mark.exists() or mark.read_text(encoding="utf-8") != job):
            shutil.rmtree(parts)
        parts.mkdir(parents=True, exist_ok=True)
        mark.write_text(job, encoding="utf-8")
    except OSError as fault:
        raise _unwritable(parts, fault) from None


def _note(parts: Path, steps: tuple[str, ...], spread_mm_day: float) -> None:
    """Blocks may differ in what had to be done (still air in one of them): all of it is history."""
    seen, widest = _noted(parts)
    new = [step for step in steps if step not in seen]
    if new or spread_mm_day > widest:
        told = {"steps": [*seen, *new], "spread_mm_day": max(widest, spread_mm_day)}
        (parts / "steps.json").write_text(json.dumps(told), encoding="utf-8")


def _noted(parts: Path) -> tuple[tuple[str, ...], float]:
    """What was done to the blocks so far, and the widest spread of their ETo."""
    path = parts / "steps.json"
    if not path.exists():
        return (), 0.0
    told = json.loads(path.read_text(encoding="utf-8"))
    return tuple(told["steps"]), float(told["spread_mm_day"])


def _write_part(part: Path, eto: Floats) -> None:
    # to 1/1024 mm/day: digits that mean nothing would not compress
    values = np.where(np.isfinite(eto), np.round(eto * 1024.0) / 1024.0, NODATA).astype(np.float32)
    beside = part.with_suffix(".writing")
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
        os.replace(beside, part)
    except (OSError, RasterioError) as fault:
        beside.unlink(missing_ok=True)
        raise _unwritable(part, fault) from None


def _unwritable(path: Path, fault: Exception) -> OutputError:
    return OutputError(
        str(path),
        f"it cannot be written: {getattr(fault, 'strerror', None) or fault}",
        "Free some space or choose another folder, then run again: finished blocks are kept",
    )


def _assemble(
    parts: Path,
    windows: list[Window],
    grid: Months,
    crs: CRS,
    noted: tuple[tuple[str, ...], float],
    job: str,
    out: Path,
) -> None:
    steps, spread_mm_day = noted
    bands = "".join(
        f'<VRTRasterBand dataType="Float32" band="{m}"><NoDataValue>{NODATA}</NoDataValue>'
        f"<Description>{MONTHS[m - 1]}</Description><UnitType>mm/day</UnitType>"
        + "".join(
            f'<SimpleSource><SourceFilename relativeToVRT="1">{k:06d}.tif</SourceFilename>'
            f"<SourceBand>{m}</SourceBand>"
            f'<SrcRect xOff="0" yOff="0" xSize="{w.width}" ySize="{w.height}"/>'
            f'<DstRect xOff="{w.col_off}" yOff="{w.row_off}" xSize="{w.width}" ySize="{w.height}"/></SimpleSource>'
            for k, w in enumerate(windows)
        )
        + "</VRTRasterBand>"
        for m in range(1, 13)
    )
    tags = {
        "TITLE": "Mean daily reference evapotranspiration (ETo) by month, mm/day, January first",
        "UNITS": "mm/day",
        "TIFFTAG_SOFTWARE": f"noonmark {__version__}",
        "HISTORY": "; ".join(steps),
        SPREAD_TAG: f"{spread_mm_day:.3f}",
        "INPUT": json.dumps(json.loads(job)["layers"]),
    }
    meta = "".join(f'<MDI key="{k}">{escape(v)}</MDI>' for k, v in tags.items())
    geo = ",".join(map(repr, grid.transform.to_gdal()))
    vrt = parts / "all.vrt"
    vrt.write_text(
        f'<VRTDataset rasterXSize="{grid.width}" rasterYSize="{grid.height}"><SRS>{escape(crs.to_wkt())}</SRS>'
        f"<GeoTransform>{geo}</GeoTransform><Metadata>{meta}</Metadata>{bands}</VRTDataset>",
        encoding="utf-8",
    )
    whole, beside = parts / "all.tif", parts / "cloud.tif"
    try:
        # overviews are made band by band, which keeps the memory small; the last step only lays the tiles in order
        rasterio.shutil.copy(
            vrt,
            whole,
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
            with rasterio.Env(GDAL_TIFF_OVR_BLOCKSIZE="512"), rasterio.open(whole, "r+") as file:
                file.build_overviews(levels, Resampling.average)
        rasterio.shutil.copy(
            whole, beside, driver="COG", COMPRESS="DEFLATE", PREDICTOR="YES", BIGTIFF="IF_SAFER", NUM_THREADS="2"
        )
        os.replace(beside, out)
    except (OSError, RasterioError) as fault:
        raise _unwritable(out, fault) from None
