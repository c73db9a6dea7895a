"""What lies near one site, out of layers that hold a county: by the file's own spatial index.

A GeoPackage, a FlatGeobuf file or any other format whose index GDAL can use is asked for a box, and so is
GeoParquet whose row groups have covering boxes and lie apart. One without (GeoJSON, a shapefile in an archive, a
table of points, a drawing, other GeoParquet) is read once, a part at a time, and kept as a GeoPackage in the folder
of unfinished work: its :class:`StandIn`. Rows keep their numbers and their order in the file either way, so that
what is read for one site is what reading all of it would have left.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from planner import pieces
from planner.layers import geoparquet, picked
from planner.layers.columns import text
from planner.layers.frame import WGS84, Frame, project
from planner.site import Ints, Shapes

MARGIN_M = 25.0  # of the box, for what its corners lose between two projections
STEPS = 16  # points along each side of the box that are taken to the file's CRS
ROWS = 100_000  # read at a time where a stand-in is made
_ROW, _NAME = "row", "name"


@dataclass(frozen=True)
class Near:
    """A box of one site: `reach_m` beyond the bounds of its outline in its frame. stand_ins: by the plan's key."""

    frame: Frame
    outline: BaseGeometry
    reach_m: float
    stand_ins: Mapping[str, StandIn] = field(default_factory=dict)

    def box(self, crs: CRS) -> tuple[float, float, float, float] | None:
        """Least and greatest x and y of it in a CRS, None where that has no answer there."""
        left, bottom, right, top = self.outline.bounds
        more = self.reach_m + MARGIN_M
        along = np.linspace(0.0, 1.0, STEPS + 1)
        ring = shapely.box(left - more, bottom - more, right + more, top + more).exterior
        at = shapely.get_coordinates(shapely.line_interpolate_point(ring, np.repeat(along, 4), normalized=True))
        corners = shapely.get_coordinates(ring)
        xy = project(project(np.vstack([at, corners]), self.frame.crs, WGS84), WGS84, crs)
        if not np.isfinite(xy).all():
            return None
        return float(xy[:, 0].min()), float(xy[:, 1].min()), float(xy[:, 0].max()), float(xy[:, 1].max())


@dataclass(frozen=True)
class Found:
    """Rows (n,) of a layer, from 0 and rising, their shapes (n,), None where there are none, and columns."""

    rows: Ints
    shapes: Shapes
    table: pd.DataFrame


def has_index(source: object, info: Mapping[str, Any]) -> bool:
    """Whether what lies in a box of a layer is found without going through all of it."""
    if isinstance(source, Path) and source.suffix.lower() in geoparquet.SUFFIXES:
        return geoparquet.row_groups(source) is not None
    return isinstance(source, Path) and bool(info.get("capabilities", {}).get("fast_spatial_filter"))


def in_box(
    source: Path, layer: str, box: tuple[float, float, float, float], columns: list[str], where: str | None
) -> Found:
    """Features of an indexed layer whose bounds touch a box in its CRS, in the order of the file."""
    if source.suffix.lower() in geoparquet.SUFFIXES:
        return _in_row_groups(source, layer, box, columns, where)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        meta, fids, wkb, fields = pyogrio.raw.read(
            source,
            layer=layer,
            # GDAL takes what is not read for empty, in the condition too
            columns=None if where is not None else columns,
            where=where,
            bbox=box,
            return_fids=True,
        )
    rows = _row_numbers(source, layer, np.asarray(fids, np.int64))
    order = np.argsort(rows, kind="stable")
    held = dict(zip(map(str, meta["fields"]), fields, strict=True))
    table = pd.DataFrame({name: held[name][order] for name in columns if name in held}, index=range(len(fids)))
    shapes = shapely.from_wkb(np.asarray(wkb, object), on_invalid="ignore")
    return Found(rows[order], shapes[order], table)


def _in_row_groups(
    source: Path, layer: str, box: tuple[float, float, float, float], columns: list[str], where: str | None
) -> Found:
    groups = geoparquet.row_groups(source)
    assert groups is not None  # has_index was asked
    rows, shapes, fields = geoparquet.in_box(source, groups, box, columns)
    table = pd.DataFrame(dict(zip(columns, fields, strict=True)), index=range(len(rows)))
    if where is None:
        return Found(rows, shapes, table)
    meets = np.isin(rows, picked.picked_rows(source, layer, where))
    return Found(rows[meets], shapes[meets], table[meets].reset_index(drop=True))


def _row_numbers(source: Path, layer: str, fids: Ints) -> Ints:
    state = source.stat()
    every = _fids_of(source, layer, state.st_size, state.st_mtime_ns)
    return fids - every if isinstance(every, int) else np.asarray(every.get_indexer(fids), np.int64)


@lru_cache(maxsize=64)
def _fids_of(source: Path, layer: str, size: int, changed_ns: int) -> int | pd.Index:
    """The first of a layer's numbers where they run on without a gap, else all of them, in the order of the file.

    size, changed_ns: of the file, so that one that is written anew is read anew.
    """
    if source.suffix.lower() == ".fgb":
        return 0
    fids = pyogrio.raw.read(source, layer=layer, columns=[], read_geometry=False, return_fids=True)[1]
    if len(fids) and (np.diff(fids) == 1).all():
        return int(fids[0])
    return pd.Index(fids)


# --- stand-ins --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StandIn:
    """A layer without an index, kept as a GeoPackage: its path, and the CRS and columns of what it stands for."""

    path: Path
    crs: str
    columns: tuple[str, ...]
    types: Mapping[str, str]

    def in_box(self, box: tuple[float, float, float, float]) -> tuple[tuple[str, ...], Found]:
        """Names and features whose bounds touch a box, in the order of the file that it stands for."""
        meta, _, wkb, fields = pyogrio.raw.read(self.path, layer="features", bbox=box, return_fids=True)
        held = dict(zip(map(str, meta["fields"]), fields, strict=True))
        rows = np.asarray(held[_ROW], np.int64)
        order = np.argsort(rows, kind="stable")
        table = pd.DataFrame(
            {name: held[f"c{k}"][order] for k, name in enumerate(self.columns)}, index=range(len(rows))
        )
        shapes = shapely.from_wkb(np.asarray(wkb, object))
        return tuple(map(str, held[_NAME][order])), Found(rows[order], shapes[order], table)


def write_stand_in(path: Path, crs: CRS, parts: Any, types: Mapping[str, str]) -> None:
    """Keep a layer as a stand-in, whole at `path` or not there at all.

    parts: (names, Found) of some rows each, in the order of the file. Raises OutputError.
    """
    columns: list[str] = []

    def write(beside: Path) -> None:
        for k, (names, found) in enumerate(parts):
            columns[:] = [str(column) for column in found.table.columns]
            held = {_ROW: found.rows, _NAME: np.array(names, object)}
            held |= {f"c{j}": _plain(found.table[column]) for j, column in enumerate(columns)}
            pyogrio.raw.write(
                beside,
                shapely.to_wkb(found.shapes),
                list(held.values()),
                list(held),
                layer="features",
                driver="GPKG",
                geometry_type="Unknown",
                crs=crs.to_wkt(),
                append=k > 0,
            )

    word: dict[str, Any] = {"crs": crs.to_wkt(), "columns": columns, "types": dict(types)}
    pieces.keep(path, write, word)


def read_stand_in(path: Path) -> StandIn:
    word = pieces.told(path)
    return StandIn(path, word["crs"], tuple(word["columns"]), word["types"])


def _plain(column: pd.Series) -> Any:
    """A column as a GeoPackage holds it: numbers as they are, all else as the text that is read of it."""
    if column.dtype.kind in "iufb":
        return column.to_numpy()
    return np.array([text(value) or None for value in column], object)
