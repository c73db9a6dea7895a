"""A layer's own columns, to be brought back beside what is found of its features."""

from __future__ import annotations

import contextlib
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from planner.layers.vector import Layer


def own_columns(layer: Layer) -> dict[str, pa.Array]:
    """Every column of a layer read whole, (n,), by its name: numbers, whole ones, yes or no, all else as text.

    The type is the one that the file states, so that parts of one file agree where a part lacks values.
    """
    return {str(name): _arrow(layer.table[name], layer.types[name]) for name in layer.table.columns}


def own_values(own: dict[str, Any]) -> dict[str, object]:
    """One feature's attributes as plain values; None where missing."""
    return {str(name): _plain(value) for name, value in own.items()}


def _arrow(column: pd.Series, stated: str) -> pa.Array:
    if stated == "object":
        # texts as they stand, with no look at each; a column of other things besides takes the way below
        with contextlib.suppress(pa.ArrowInvalid, pa.ArrowTypeError):
            texts = pa.array(column, pa.string(), from_pandas=True)
            return texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts
    values = column.to_numpy()
    missing = pd.isna(values) if values.dtype != object else np.array([_missing(v) for v in values], bool)
    if stated == "bool":
        return pa.array([None if m else bool(v) for v, m in zip(values, missing, strict=True)], pa.bool_())
    if stated.startswith(("int", "uint")):
        whole = np.where(missing, 0, values).astype(np.int64)
        return pa.array(whole, pa.int64(), mask=missing)
    if stated.startswith("float"):
        return pa.array(np.where(missing, np.nan, values).astype(np.float64), from_pandas=True)
    return pa.array([None if m else _plain_text(v) for v, m in zip(values, missing, strict=True)], pa.string())


def _missing(value: object) -> bool:
    return value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and np.isnan(value))


def _plain_text(value: object) -> str:
    if isinstance(value, np.datetime64 | pd.Timestamp):
        return str(pd.Timestamp(value).isoformat())
    return value if isinstance(value, str) else str(value)


def _plain(value: object) -> object:
    if _missing(value):
        return None
    if isinstance(value, np.generic) and not isinstance(value, np.datetime64):
        return value.item()
    return value if isinstance(value, bool | int | float | str) else _plain_text(value)
