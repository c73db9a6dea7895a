"""Formats: CSV without formulas, strict JSON, GeoPackage bytes, Arrow text from few words."""

from __future__ import annotations

import json
import math
import re
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas
import pyarrow as pa

from planner.ledger import OutputError


def csv_bytes(rows: pandas.DataFrame) -> bytes:
    """CSV in UTF-8 with a byte-order mark, so that spreadsheets read accents; no cell starts a formula."""
    safe = rows.copy()
    for name in safe.columns:
        if not pandas.api.types.is_numeric_dtype(safe[name]):
            safe[name] = safe[name].map(_no_formula)
    return str(safe.to_csv(index=False, lineterminator="\r\n")).encode("utf-8-sig")


_PLAIN_NUMBER = re.compile(r"[+-]\d+([.,]\d+)?")


def _no_formula(value: Any) -> Any:
    """A text that a spreadsheet would run as a formula, with an apostrophe before it; a plain number is none."""
    if not isinstance(value, str) or value[:1] not in ("=", "+", "-", "@", "\t", "\r"):
        return value
    return value if _PLAIN_NUMBER.fullmatch(value) else f"'{value}"


def json_bytes(data: Any) -> bytes:
    """JSON in UTF-8; NaN and infinite numbers are null."""
    return (json.dumps(_plain(data), ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray | list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float):
        return round(value, 7) if math.isfinite(value) else None
    return None if value is pandas.NA or value is pandas.NaT else value


def gpkg_bytes(layers: Mapping[str, geopandas.GeoDataFrame]) -> bytes:
    """A GeoPackage of some layers; SQLite needs a real file, so it is made in a temporary folder."""
    with tempfile.TemporaryDirectory(prefix="noonmark-") as folder:
        path = Path(folder) / "layers.gpkg"
        try:
            for name, rows in layers.items():
                rows.to_file(path, layer=name, driver="GPKG", engine="pyogrio", mode="a" if path.exists() else "w")
        except RuntimeError as fault:  # what GDAL says of a full disk
            raise OutputError(
                folder,
                f"a GeoPackage cannot be written there: {fault}",
                "Free some space, or set TMPDIR to a folder with some",
            ) from None
        return path.read_bytes()


def pick(words_: Sequence[str], rows: Any) -> Any:
    """Arrow text: the word of each row; null below zero."""
    rows = np.asarray(rows, np.int64)
    index = pa.array(np.maximum(rows, 0), pa.int32(), mask=rows < 0)
    return pa.DictionaryArray.from_arrays(index, pa.array(list(words_) or [""], pa.string())).cast(pa.string())


def coded(texts: Sequence[str]) -> Any:
    kinds = {text: k for k, text in enumerate(dict.fromkeys(texts))}
    return pick(list(kinds), [kinds[text] for text in texts])
