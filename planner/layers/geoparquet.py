"""GeoParquet files read by rows: geometry as WKB, or in one of the format's native (GeoArrow) encodings."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import shapely

SUFFIXES = (".parquet", ".geoparquet")


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
