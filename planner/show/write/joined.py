"""The tables of a contract's sites laid end to end: mounts, layout, controllers, links and cables of all of them.

Each site's tables are those of its own GeoPackage, with the site's name and row before them; they are kept as Arrow
streams while the contract runs, and joined a site at a time.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import shapely
from pyproj import CRS

from planner.show.write import schema
from planner.show.write.schema import Column, Type
from planner.show.write.tables import site_layers
from planner.store import read_kept

if TYPE_CHECKING:
    from planner.found import SiteFound
    from planner.job import SiteResult

KEY = (
    Column("site", Type.TEXT, "", "name of the site"),
    Column("site_row", Type.WHOLE, "", "number of the site's row in the file of sites, from 1"),
)
COLUMNS = {
    "mounts": (*KEY, *schema.MOUNT),
    "layout": (*KEY, *schema.LAYOUT),
    "controllers": (*KEY, *schema.CONTROLLERS),
    "links": (*KEY, *schema.LINKS),
    "cables": (*KEY, *schema.CABLES),
}
SHAPES = {name: "LineString" if name in ("links", "cables") else "Point" for name in COLUMNS}
ARROW = {
    Type.TEXT: pa.string(),
    Type.CODE: pa.string(),
    Type.NUMBER: pa.float64(),
    Type.WHOLE: pa.int64(),
    Type.YES_NO: pa.bool_(),
}


def schema_of(layer: str) -> pa.Schema:
    """The columns of one joined layer, with `geometry` as WKB at the end."""
    return pa.schema([*((c.name, ARROW[c.type]) for c in COLUMNS[layer]), ("geometry", pa.binary())])


def tables_of(result: SiteResult, found: SiteFound) -> dict[str, bytes]:
    """One site's tables as Arrow streams, by layer; those without a row are left out."""
    there = site_layers(result)
    return {
        layer: _stream(_with_key(there[layer], layer, found))
        for layer in COLUMNS
        if layer in there and len(there[layer])
    }


def _with_key(rows: Any, layer: str, found: SiteFound) -> pa.Table:
    n, stated = len(rows), schema_of(layer)
    key = {"site": pa.array([found.name] * n, pa.string()), "site_row": pa.array([found.row] * n, pa.int64())}
    arrays = []
    for field in stated:
        if field.name in key:
            arrays.append(key[field.name])
        elif field.name == "geometry":
            arrays.append(pa.array(shapely.to_wkb(rows.geometry.to_numpy()), pa.binary()))
        elif field.name in rows:
            arrays.append(_column(rows[field.name], field.type))
        else:
            arrays.append(pa.nulls(n, field.type))
    return pa.Table.from_arrays(arrays, schema=stated)


def _column(values: pandas.Series, kind: pa.DataType) -> pa.Array:
    if pa.types.is_string(kind):
        return pa.array([None if v is None or v is pandas.NA or v != v else str(v) for v in values], kind)
    return pa.array(values, kind, from_pandas=True)


def _stream(table: pa.Table) -> bytes:
    out = pa.BufferOutputStream()
    with pa.ipc.new_stream(out, table.schema) as stream:
        stream.write_table(table)
    return bytes(out.getvalue().to_pybytes())


def batches(parts: Sequence[Path], layer: str) -> Iterator[pa.RecordBatch]:
    """The rows of one layer at all sites, in the order of the sites."""
    for part in parts:
        for _, kept in read_kept(part, layer):
            yield from pa.ipc.open_stream(kept)


def append_gpkg(parts: Sequence[Path], plain: Path) -> dict[str, int]:
    """Add the joined layers to a GeoPackage; the rows of each that has any."""
    counts = {}
    for layer in COLUMNS:
        first = next(batches(parts, layer), None)
        if first is None:
            continue
        pyogrio.raw.write_arrow(
            pa.RecordBatchReader.from_batches(schema_of(layer), batches(parts, layer)),
            plain,
            layer=layer,
            driver="GPKG",
            geometry_name="geometry",
            geometry_type=SHAPES[layer],
            crs="EPSG:4326",
            append=True,
        )
        counts[layer] = sum(batch.num_rows for batch in batches(parts, layer))
    return counts


def write_parquet(parts: Sequence[Path], layer: str, target: Path) -> None:
    """One joined layer as GeoParquet, version 1.1.0 of the format; without a row where no site has any."""
    spec = {"encoding": "WKB", "geometry_types": [SHAPES[layer]], "crs": CRS.from_epsg(4326).to_json_dict()}
    geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": spec}}
    stated = schema_of(layer).with_metadata({"geo": json.dumps(geo)})
    with pq.ParquetWriter(target, stated, compression="snappy") as out:
        for batch in batches(parts, layer):
            out.write_batch(batch.replace_schema_metadata(stated.metadata))
