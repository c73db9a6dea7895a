"""GeoParquet files read by rows."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

SUFFIXES = (".parquet", ".geoparquet")


def info(path: Path) -> dict[str, Any]:
    """`fields`, `features`, `crs` (text or None) and `geometry_type` (None for a table without geometry)."""
    file = pq.ParquetFile(path)
    geo = _geo(file)
    column = geo.get("primary_column")
    spec = geo.get("columns", {}).get(column, {})
    # the format's own default, where it names no CRS at all, is longitude and latitude of WGS 84
    crs = json.dumps(spec["crs"]) if spec.get("crs") else ("OGC:CRS84" if "crs" not in spec else None)
    fields = [name for name in file.schema_arrow.names if name != column]
    return {
        "fields": fields,
        "features": file.metadata.num_rows,
        "crs": crs if column else None,
        "geometry_type": "Unknown" if column else None,
    }


def read(path: Path, columns: Sequence[str], skip: int, count: int | None) -> tuple[Any, list[Any]]:
    """WKB of the geometry (n,), an Arrow column, None where the file has none, and the wanted columns, of rows from
    `skip` on."""
    file = pq.ParquetFile(path)
    geometry = _geo(file).get("primary_column")
    names = (*columns, *([geometry] if geometry else []))
    sizes = [file.metadata.row_group(k).num_rows for k in range(file.metadata.num_row_groups)]
    starts = np.concatenate([[0], np.cumsum(sizes)]).astype(int)
    end = starts[-1] if count is None else min(skip + count, starts[-1])
    groups = tuple(k for k in range(len(sizes)) if starts[k] < end and starts[k + 1] > skip)
    table = _groups(path, path.stat().st_mtime_ns, groups, names)
    table = table.slice(skip - (starts[groups[0]] if groups else 0), max(0, end - skip))
    wkb = table[geometry].combine_chunks() if geometry else None
    return wkb, [table[name].to_pandas().to_numpy() for name in columns]


@lru_cache(maxsize=1)
def _groups(path: Path, changed: int, groups: tuple[int, ...], names: tuple[str, ...]) -> pa.Table:
    """Some groups of rows; a file often has one large one, that many parts are taken from in turn."""
    return pq.ParquetFile(path).read_row_groups(list(groups), columns=list(names))


def _geo(file: pq.ParquetFile) -> dict[str, Any]:
    found = (file.schema_arrow.metadata or {}).get(b"geo")
    geo: dict[str, Any] = json.loads(found) if found else {}
    encoding = geo.get("columns", {}).get(geo.get("primary_column"), {}).get("encoding", "WKB")
    if encoding != "WKB":
        raise ValueError(f"its geometry is encoded as '{encoding}', not as WKB")
    return geo
