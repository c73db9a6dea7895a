"""GeoParquet files read by rows, or by a box: geometry as WKB, or in a native (GeoArrow) encoding of the format."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import shapely

SUFFIXES = (".parquet", ".geoparquet")
MOST_ROWS = 50_000  # read for one box in the mean: above that a file's row groups are no index worth the name
SEAM_DEG = 179.0  # at the antimeridian a covering box may turn round (GeoParquet 1.1, bbox covering)


def info(path: Path) -> dict[str, Any]:
    """`fields` and their `dtypes`, `features`, `crs` (text or None) and `geometry_type` (None: it has none)."""
    file = pq.ParquetFile(path)
    column, spec = _geometry(file)
    # the format's own default, where it names no CRS at all, is longitude and latitude of WGS 84
    crs = json.dumps(spec["crs"]) if spec.get("crs") else ("OGC:CRS84" if "crs" not in spec else None)
    fields = [field for field in file.schema_arrow if field.name != column]
    return {
        "fields": [field.name for field in fields],
        "dtypes": [_numpy_type(field.type) for field in fields],
        "features": file.metadata.num_rows,
        "crs": crs if column else None,
        "geometry_type": "Unknown" if column else None,
    }


def _numpy_type(kind: pa.DataType) -> str:
    for is_kind, name in (
        (pa.types.is_integer, "int64"),
        (pa.types.is_floating, "float64"),
        (pa.types.is_decimal, "float64"),
        (pa.types.is_boolean, "bool"),
        (pa.types.is_timestamp, "datetime64"),
    ):
        if is_kind(kind):
            return name
    return "object"


def read(path: Path, columns: Sequence[str], skip: int, count: int | None) -> tuple[Any, list[Any]]:
    """Shapes (n,), None where the file has none, and the wanted columns, of rows from `skip` on.

    A shape that cannot be read is None, as an open ring.
    """
    file = pq.ParquetFile(path)
    geometry, spec = _geometry(file)
    names = [*columns, *([geometry] if geometry else [])]
    sizes = [file.metadata.row_group(k).num_rows for k in range(file.metadata.num_row_groups)]
    starts = np.concatenate([[0], np.cumsum(sizes)]).astype(int)
    end = starts[-1] if count is None else min(skip + count, starts[-1])
    groups = [k for k in range(len(sizes)) if starts[k] < end and starts[k + 1] > skip]
    table = file.read_row_groups(groups, columns=names)
    table = table.slice(skip - (starts[groups[0]] if groups else 0), max(0, end - skip))
    shapes = None
    if geometry and spec.get("encoding", "WKB") == "WKB":
        wkb = table[geometry].combine_chunks().to_numpy(zero_copy_only=False)
        shapes = shapely.from_wkb(wkb, on_invalid="ignore")
    elif geometry:
        # GeoPandas knows the native encodings, of a whole file
        shapes = geopandas.read_parquet(path, columns=[geometry]).geometry.to_numpy()[skip:end]
    return shapes, [table[name].to_pandas() for name in columns]


def _geometry(file: pq.ParquetFile) -> tuple[str | None, dict[str, Any]]:
    """The column of the geometry, None where there is none, and what the file says of it."""
    found = (file.schema_arrow.metadata or {}).get(b"geo")
    geo: dict[str, Any] = json.loads(found) if found else {}
    column = geo.get("primary_column")
    return column, geo.get("columns", {}).get(column, {})


# --- covering boxes ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RowGroups:
    """The row groups (g) of a file with covering boxes.

    starts: (g + 1,) first row of each, and the end. bounds: (g, 4) least and greatest x and y of each. box: paths
    of the columns of each feature's least and greatest x and y.
    """

    starts: Any
    bounds: Any
    box: tuple[tuple[str, ...], ...]

    @property
    def rows_a_box(self) -> float:
        """Rows in the groups that touch a small box, in the mean over places within the bounds of all."""
        wide, high = (self.bounds[:, 2:] - self.bounds[:, :2]).T
        left, bottom = self.bounds[:, :2].min(axis=0)
        right, top = self.bounds[:, 2:].max(axis=0)
        whole = max((right - left) * (top - bottom), np.finfo(float).tiny)
        return float((np.diff(self.starts) * wide * high).sum() / whole)


def row_groups(path: Path) -> RowGroups | None:
    """The row groups of a file (GeoParquet 1.1, `covering.bbox`) by which what lies in a box is found; None where
    it has none, where their statistics are missing, or where too much would be read for each box."""
    state = path.stat()
    return _row_groups(path, state.st_size, state.st_mtime_ns)


@lru_cache(maxsize=64)
def _row_groups(path: Path, size: int, changed_ns: int) -> RowGroups | None:
    """size, changed_ns: of the file, so that one that is written anew is read anew."""
    file = pq.ParquetFile(path)
    column, spec = _geometry(file)
    covering: Mapping[str, Any] = (spec.get("covering") or {}).get("bbox") or {}
    sides = ("xmin", "ymin", "xmax", "ymax")
    if column is None or spec.get("encoding", "WKB") != "WKB" or not all(side in covering for side in sides):
        return None
    box = tuple(tuple(map(str, covering[side])) for side in sides)
    meta = file.metadata
    groups = [meta.row_group(k) for k in range(meta.num_row_groups)]
    if not groups:
        return None
    place = {groups[0].column(k).path_in_schema: k for k in range(groups[0].num_columns)}
    if not all(".".join(way) in place for way in box):
        return None
    held = [[group.column(place[".".join(way)]).statistics for way in box] for group in groups]
    if not all(one is not None and one.has_min_max for some in held for one in some):
        return None
    bounds = np.array([[a.min, b.min, c.max, d.max] for a, b, c, d in held], float)
    found = RowGroups(np.concatenate([[0], np.cumsum([group.num_rows for group in groups])]), bounds, box)
    across = np.abs(bounds[:, [0, 2]]).max()
    usable = np.isfinite(bounds).all() and not SEAM_DEG <= across <= 180.0 and found.rows_a_box <= MOST_ROWS
    return found if usable else None


def in_box(
    path: Path, groups: RowGroups, box: tuple[float, float, float, float], columns: Sequence[str]
) -> tuple[Any, Any, list[Any]]:
    """Row numbers (n,) from 0, shapes (n,) and the wanted columns of features whose covering box touches a box."""
    file = pq.ParquetFile(path)
    geometry, _ = _geometry(file)
    left, bottom, right, top = groups.bounds.T
    touched = (left <= box[2]) & (right >= box[0]) & (bottom <= box[3]) & (top >= box[1])
    some = np.flatnonzero(touched).tolist()
    sides = [".".join(way) for way in groups.box]
    table = file.read_row_groups(some, columns=[*columns, str(geometry), *sides]).combine_chunks()
    least_x, least_y, most_x, most_y = (_numbers(table, way) for way in groups.box)
    inside = (least_x <= box[2]) & (most_x >= box[0]) & (least_y <= box[3]) & (most_y >= box[1])
    each = [np.arange(groups.starts[k], groups.starts[k + 1]) for k in some]
    rows = np.concatenate(each) if each else np.empty(0, np.int64)
    kept = table.filter(pa.array(inside))
    wkb = kept[str(geometry)].to_numpy()
    return rows[inside], shapely.from_wkb(wkb, on_invalid="ignore"), [kept[name].to_pandas() for name in columns]


def _numbers(table: pa.Table, way: tuple[str, ...]) -> Any:
    """(n,) of a column in a struct, NaN where there is none."""
    column = table[way[0]]
    for name in way[1:]:
        column = pc.struct_field(column, name)
    return column.to_numpy().astype(float)
