"""Which features of a file a plan's `where` picks: an SQL condition, evaluated by GDAL's own engine."""

from __future__ import annotations

import io
import re
import warnings
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio

from planner.layers import geoparquet
from planner.layers.opening import Source
from planner.ledger import PlanError
from planner.site import Ints

FEW_VALUES, FEW_COLUMNS = 8, 30  # shown of a column, and of columns
HOW = "Text stands in single quotes, a name with a colon or a space in double quotes"


class BadCondition(ValueError):
    """GDAL cannot evaluate a condition; the text is what it said."""


def picked_rows(source: Source, layer: str, where: str) -> Ints:
    """Row numbers, from 0, of the features of a layer that meet a condition, in the order in which GDAL gives them.

    Raises BadCondition, and what a reader raises where the file itself is at fault.
    """
    if isinstance(source, bytes):
        return _rows(source, layer, where, 0, 0)
    if isinstance(source, str):  # within an archive: whether it changed is not known, so it is read each time
        return np.asarray(_rows.__wrapped__(source, layer, where, 0, 0))
    state = source.stat()
    return _rows(source, layer, where, state.st_size, state.st_mtime_ns)


@lru_cache(maxsize=64)
def _rows(source: Source, layer: str, where: str, size: int, changed_ns: int) -> Ints:
    """size, changed_ns: of the file, so that one that is written anew is read anew."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if isinstance(source, Path) and source.suffix.lower() in geoparquet.SUFFIXES:
            return _rows_of_parquet(source, where)
        every = pyogrio.raw.read(source, layer=layer, columns=[], read_geometry=False, return_fids=True)[1]
        try:
            # with all columns and the geometry: GDAL takes what is not read for empty, in the condition too
            some = pyogrio.raw.read(source, layer=layer, where=where, return_fids=True)[1]
        except Exception as fault:
            raise BadCondition(_said(fault, source, layer, where)) from None
    return np.asarray(pd.Index(every).get_indexer(some), np.int64)


def _rows_of_parquet(path: Path, where: str) -> Ints:
    """The columns that the condition names, as a table that GDAL can hold; it has no reader for the format here."""
    file = pq.ParquetFile(path)
    named = [
        field.name for field in file.schema_arrow if field.name in where and not pa.types.is_nested(field.type)
    ]
    if not named:
        raise BadCondition("it names no column of the file")
    table = file.read(columns=named)
    held = io.BytesIO()
    pyogrio.raw.write_arrow(table, held, driver="GPKG", layer="features", geometry_name=None, geometry_type=None)
    try:
        fids = pyogrio.raw.read(held.getvalue(), layer="features", where=where, return_fids=True)[1]
    except Exception as fault:
        raise BadCondition(_said(fault, held.getvalue(), "features", where)) from None
    return np.sort(np.asarray(fids, np.int64)) - 1


def _said(fault: Exception, source: Source, layer: str, where: str) -> str:
    """GDAL's own words on a condition, without the query around it."""
    words = str(fault)
    if "Invalid SQL query" in words:  # the reason is only told where the condition is part of a query
        try:
            quoted = layer.replace('"', '""')
            sql = f'SELECT * FROM "{quoted}" WHERE {where}'
            pyogrio.raw.read(source, sql=sql, sql_dialect="OGRSQL", max_features=1)
        except Exception as other:
            words = str(other)
    words = words.rsplit(f"WHERE {where}:", 1)[-1]
    return re.sub(r"\s+", " ", words.split("Occurred around")[0]).strip().rstrip(".")


def refusal(plan: str, key: str, where: str, label: str, said: str, columns: list[str]) -> PlanError:
    """What to say where GDAL cannot evaluate a condition."""
    cast = "; a number kept as text is compared as CAST(column AS float)" if "Type mismatch" in said else ""
    return PlanError(
        f"{plan}: {key}",
        f'GDAL cannot evaluate the condition {where!r} on {label}: "{said}"',
        f"{HOW}{cast}. Its columns: {_few(columns, FEW_COLUMNS)}",
    )


def nothing(plan: str, key: str, where: str, label: str, table: pd.DataFrame) -> PlanError:
    """What to say where a condition picks no feature. table: the layer's columns, to show what stands in those that
    the condition names."""
    seen = [
        f"{name} has {_few(sorted({str(v) for v in table[name].dropna()}), FEW_VALUES)}"
        for name in table.columns
        if str(name).lower() in where.lower() and table[name].notna().any()
    ]
    return PlanError(
        f"{plan}: {key}",
        f"none of the {len(table):,} features of {label} meets the condition {where!r}",
        ("In that layer: " + "; ".join(seen))
        if seen
        else f"Its columns: {_few([str(c) for c in table.columns], FEW_COLUMNS)}",
    )


def _few(words: list[str], most: int) -> str:
    return ", ".join(words[:most]) + (f" and {len(words) - most} more" if len(words) > most else "")
