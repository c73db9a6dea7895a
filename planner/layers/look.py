"""What lies in a folder: each layer's geometry, columns and values, looked at and not yet judged.

A large layer is looked at in part, and says so. What cannot be read is told with its fault and stops nothing.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyproj import CRS
from rasterio.enums import Resampling

from planner.layers import drawing, geoparquet, opening
from planner.layers.coordinates import Coordinates, coordinate_columns, points
from planner.layers.frame import WGS84, horizontal, project_shapes
from planner.layers.headings import layer_source
from planner.layers.raster import unit_in_words, vertical_unit
from planner.layers.source import look_like_degrees
from planner.ledger import DataError, Ledger
from planner.plan import ControlPoint
from planner.site import Shapes

VECTORS = (
    ".gpkg", ".shp", ".zip", ".geojson", ".json", ".fgb", ".parquet", ".geoparquet", ".kml", ".kmz", ".dxf", ".csv",
    ".gml", ".xlsx", ".ods", ".geojsonl", ".geojsons", ".geojsonseq", ".gpx", ".gdb", *opening.OSM,
)  # fmt: skip
RASTERS = (".tif", ".tiff", ".asc", ".img", ".vrt", ".dem", ".hgt", ".bil")
BESIDE = (".dbf", ".shx", ".prj", ".cpg", ".qpj", ".sbn", ".sbx", ".xml", ".tfw", ".ovr", ".qml", ".sld", ".qix")
MOST_FILES = 200
MOST_ROWS = 50_000
RASTER_LOOK = 512  # cells each way to which a raster is read down
OURS = "noonmark-out"


class Form(StrEnum):
    POINTS = "points"
    LINES = "lines"
    POLYGONS = "polygons"
    MIXED = "mixed"
    TABLE = "table"
    RASTER = "raster"
    UNREADABLE = "unreadable"
    OTHER = "other"  # of a kind that is not looked at


@dataclass(frozen=True)
class Relief:
    """A raster's values, read down: band count, cell in metres (NaN unknown), whether whole bytes (a picture), and
    the least, 10th, 50th, 90th percentile and greatest value, and the share that is zero.

    unit: of its heights, as the file states it: "m", "ft", "" where it does not.
    """

    bands: int
    cell_m: float
    bytes_only: bool
    percentiles: tuple[float, float, float, float, float]
    zero_share: float
    unit: str = ""


@dataclass(frozen=True)
class Texts:
    """Lettering of a drawing (k): its points, and what it says."""

    spots: Shapes
    words: tuple[str, ...]


@dataclass(frozen=True)
class Looked:
    """One layer, rows alike (n): `rows` of the `count` in it.

    layer: its name where the file has several. crs: the file's own, None where it says none. shapes: in that CRS.
    columns: by name. fault: why it cannot be read. unit_m: metres of the unit that a drawing states, NaN for none.
    texts: of a drawing.
    """

    path: Path
    layer: str | None
    form: Form
    count: int = 0
    crs: CRS | None = None
    shapes: Shapes = field(default_factory=lambda: np.empty(0, object))
    columns: Mapping[str, tuple[object, ...]] = field(default_factory=dict)
    coordinates: Coordinates | None = None
    relief: Relief | None = None
    fault: str = ""
    unit_m: float = float("nan")
    texts: Texts | None = None

    @property
    def rows(self) -> int:
        return len(self.shapes)

    @property
    def is_drawing(self) -> bool:
        """Whether it is a CAD drawing, which does not say where it lies."""
        return _kind(self.path) == ".dxf"

    @property
    def degrees(self) -> bool:
        """Whether its coordinates look like degrees."""
        return bool(look_like_degrees(shapely.get_coordinates(self.shapes)))

    def lonlat(self, crs: CRS | None = None) -> Shapes:
        """The shapes in longitude and latitude; none where no CRS is known."""
        own = crs or self.crs
        if own is None or not len(self.shapes):
            return np.empty(0, object)
        there = np.array([s for s in self.shapes if s is not None and not s.is_empty], object)
        return project_shapes(there, own, WGS84)


def files_in(paths: Iterable[Path]) -> list[Path]:
    """Files of folders and files that may be layers.

    Parameters
    ----------
    paths
        Folders are looked through four levels deep.

    Returns
    -------
    list of Path
        In order, each once, at most MOST_FILES; without hidden ones, sidecars and what we wrote.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir() and path.suffix.lower() != ".gdb":
            for folder, inner, files in os.walk(path):
                whole = [name for name in inner if name.lower().endswith(".gdb")]  # folders that are one layer file
                found += [Path(folder) / name for name in sorted(whole)]
                inner[:] = sorted(n for n in inner if not n.startswith(".") and n != OURS and n not in whole)
                if len(Path(folder).relative_to(path).parts) >= 4:
                    inner[:] = []
                found += [Path(folder) / name for name in sorted(files) if not name.startswith(".")]
        else:
            found.append(path)
    there = [p for p in dict.fromkeys(found) if p.is_file() or p.suffix.lower() == ".gdb"]
    return [p for p in there if p.suffix.lower() not in BESIDE][:MOST_FILES]


def look_at(path: Path) -> list[Looked]:
    """Every layer of a file, without a plan that says what it is.

    Parameters
    ----------
    path
        Any file.

    Returns
    -------
    list of Looked
        One a layer; a file that cannot be read is one with its fault, and nothing is raised for it.
    """
    kind = _kind(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if kind in RASTERS:
                return [_raster(path)]
            if kind in VECTORS:
                with layer_source(path.name, path, opening.Trusted(path.parent.resolve())) as source:
                    return _vector(path, source)
    except DataError as fault:
        return [Looked(path, None, Form.UNREADABLE, fault=fault.what)]
    except Exception as fault:  # whatever a library says of a file is that file's fault
        said = str(fault).split(";")[0].strip().splitlines()
        return [Looked(path, None, Form.UNREADABLE, fault=said[0] if said else type(fault).__name__)]
    return [Looked(path, None, Form.OTHER)]


def _kind(path: Path) -> str:
    """By which a file's format is told: the suffix, of a packed file that of what is in it."""
    return opening.unpacked_name(path).suffix.lower()


def _vector(path: Path, source: opening.Source) -> list[Looked]:
    if isinstance(source, Path) and _kind(path) in geoparquet.SUFFIXES:
        info = geoparquet.info(source)
        shapes, fields = geoparquet.read(source, info["fields"], 0, MOST_ROWS)
        return [_looked(path, None, info["fields"], fields, shapes, info["crs"], info["features"])]
    if isinstance(source, Path) and _kind(path) == ".dxf":
        return [_drawing(path, source)]
    names = [str(name) for name, _ in pyogrio.list_layers(source)]
    looked = []
    for name in names:
        meta, _, wkb, fields = pyogrio.raw.read(source, layer=name, max_features=MOST_ROWS)
        info = pyogrio.read_info(source, layer=name, force_feature_count=True)
        if not info["features"] and _kind(path) in (*opening.OSM, ".gpx"):
            continue  # GDAL lists its five layers whether or not there is anything in them
        shapes = None if wkb is None else shapely.from_wkb(np.asarray(wkb, object), on_invalid="ignore")
        if info["geometry_type"] is None:
            shapes = None
        several = name if len(names) > 1 else None
        looked.append(_looked(path, several, list(meta["fields"]), fields, shapes, meta["crs"], info["features"]))
    return looked


def _drawing(path: Path, source: Path) -> Looked:
    """What lies in a drawing's model space, without its texts: closed lines as polygons, blocks as points."""
    with drawing.blocks_as_points():
        meta, _, wkb, fields = pyogrio.raw.read(source, layer=drawing.LAYER, max_features=MOST_ROWS)
    shapes = shapely.from_wkb(np.asarray(wkb, object), on_invalid="ignore")
    table = pd.DataFrame(dict(zip(map(str, meta["fields"]), fields, strict=True)))
    table = drawing.with_block_attributes(table).drop(columns=["BlockAttributes"], errors="ignore")
    model, lettered = drawing.in_model(table), drawing.is_text(table, shapes)
    keep = np.flatnonzero(model & ~lettered & ~shapely.is_missing(shapes))
    letters = np.flatnonzero(model & lettered & ~shapely.is_empty(shapes))
    texts = Texts(shapely.force_2d(shapes[letters]), tuple(table["Text"].iloc[letters].tolist()))
    formed = drawing.shaped(shapely.force_2d(shapes[keep]))
    columns = {str(name): tuple(table[name].iloc[keep].tolist()) for name in table.columns}
    unit = drawing.stated_unit(source)
    unit_m = drawing.METRES[unit] if unit else float("nan")
    return Looked(path, None, _form(formed), len(keep), None, formed, columns, unit_m=unit_m, texts=texts)


def at_points(looked: Looked, control: Sequence[ControlPoint]) -> Looked:
    """A drawing laid so that its control points lie where they lie on the earth.

    Parameters
    ----------
    looked
        The drawing.
    control
        Points in both.

    Returns
    -------
    Looked
        With the CRS that they give it.

    Raises
    ------
    DataError
        The points cannot be right.
    """
    name = drawing.BY_METRES.get(looked.unit_m)
    unit = drawing.Unit(name, by_plan=False) if name else None
    placed = drawing.placed_by_points(looked.path.name, control, unit, Ledger())
    texts = looked.texts and replace(looked.texts, spots=placed.moved(looked.texts.spots))
    shapes = placed.moved(looked.shapes)
    return replace(looked, crs=placed.crs, shapes=shapes, unit_m=placed.unit_m, texts=texts)


def _looked(
    path: Path, layer: str | None, names: list[Any], fields: list[Any], shapes: Any, crs: Any, count: int
) -> Looked:
    columns = {str(name): tuple(values.tolist()) for name, values in zip(names, fields, strict=True)}
    if shapes is None or all(shapely.is_missing(shapes)):
        found = coordinate_columns(list(columns), list(columns.values()))
        if found is None:
            return Looked(path, layer, Form.TABLE, int(count), columns=columns)
        spots = points(columns[found.x], columns[found.y], found.x if found.x == found.y else None)
        return Looked(path, layer, Form.POINTS, int(count), None, spots, columns, found)
    return Looked(path, layer, _form(shapes), int(count), _crs(crs), np.asarray(shapes, object), columns)


def _form(shapes: Shapes) -> Form:
    kinds = set(shapely.get_type_id(shapes[~shapely.is_missing(shapes)]).tolist())
    for form, ids in ((Form.POINTS, {0, 4}), (Form.LINES, {1, 2, 5}), (Form.POLYGONS, {3, 6})):
        if kinds <= ids:
            return form
    return Form.MIXED


def _crs(said: Any) -> CRS | None:
    if not said:
        return None
    try:
        crs = horizontal(CRS.from_user_input(said))
    except Exception:
        return None
    known = (crs.is_geographic or crs.is_projected) and not crs.name.lower().startswith("undefined")
    return crs if known else None


def _raster(path: Path) -> Looked:
    with opening.raster(path.name, path, opening.Trusted(path.parent.resolve())) as file:
        crs = _crs(file.crs)
        shape = (min(file.height, RASTER_LOOK), min(file.width, RASTER_LOOK))
        values = file.read(1, out_shape=shape, resampling=Resampling.nearest, masked=True)
        known = np.asarray(values.compressed(), float)
        known = known[np.isfinite(known) & (np.abs(known) < 1e30)]
        marks = tuple(float(v) for v in np.percentile(known, (0, 10, 50, 90, 100))) if len(known) else (np.nan,) * 5
        scale = crs.axis_info[0].unit_conversion_factor if crs is not None and crs.is_projected else np.nan
        outline = shapely.box(*file.bounds)
        relief = Relief(
            file.count,
            float(abs(file.transform.a) * scale),
            all(kind == "uint8" for kind in file.dtypes),
            (marks[0], marks[1], marks[2], marks[3], marks[4]),
            float((known == 0).mean()) if len(known) else 0.0,
            unit_in_words(file.units[0] or "") or vertical_unit(file.crs.to_wkt() if file.crs else None) or "",
        )
    return Looked(path, None, Form.RASTER, 1, crs, np.array([outline], object), relief=relief)
