"""Formats: CSV without formulas, strict JSON, GeoPackage bytes, Arrow text from few words."""

from __future__ import annotations

import contextlib
import errno
import json
import math
import re
import sqlite3
import struct
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas
import pyarrow as pa
import pyogrio

from planner.pieces import room_for, scratch
from planner.show.write.schema import Column


def csv_bytes(rows: pandas.DataFrame) -> bytes:
    """CSV in UTF-8 with a byte-order mark, so that spreadsheets read accents; no cell starts a formula."""
    safe = rows.copy()
    for name in safe.columns:
        if not pandas.api.types.is_numeric_dtype(safe[name]):
            safe[name] = safe[name].map(_no_formula)
    return str(safe.to_csv(index=False, lineterminator="\r\n")).encode("utf-8-sig")


# full-width signs are the same to spreadsheets set to East Asian languages
_STARTS_FORMULA = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")
_PLAIN_NUMBER = re.compile(r"[+-]\d+([.,]\d+)?")


def _no_formula(value: Any) -> Any:
    """A text that a spreadsheet would run as a formula, with an apostrophe before it; a plain number is none."""
    if not isinstance(value, str) or value[:1] not in _STARTS_FORMULA:
        return value
    return value if _PLAIN_NUMBER.fullmatch(value) else f"'{value}"


def json_bytes(data: Any) -> bytes:
    """JSON in UTF-8; NaN and infinite numbers are null."""
    return (json.dumps(_plain(data), ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()


def _plain(value: Any) -> Any:
    kind = type(value)
    if kind is float:
        return round(value, 7) if math.isfinite(value) else None
    if kind is str or kind is int or kind is bool:
        return value
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    return None if value is pandas.NA or value is pandas.NaT else value


GPKG_VERSION = "1.2"  # of newer ones the long-term release of a common GIS warns at every layer


def gpkg_bytes(
    layers: Mapping[str, pandas.DataFrame],
    columns: Mapping[str, Sequence[Column]] | None = None,
    styles: Mapping[str, str] | None = None,
) -> bytes:
    """A GeoPackage of some layers; SQLite needs a real file, so it is made in a temporary folder.

    layers: GeoDataFrames, and DataFrames as tables without places. columns and styles: as :func:`describe_gpkg`.
    """
    # what is read back at once need not outlast a power cut: SQLite syncs several times a layer
    unsynced = gdal_set("OGR_SQLITE_SYNCHRONOUS", "OFF")
    with scratch() as folder, room_for("a GeoPackage", folder), unsynced:
        path = folder / "layers.gpkg"
        for name, rows in layers.items():
            new = {} if path.exists() else {"VERSION": GPKG_VERSION}
            pyogrio.write_dataframe(rows, path, layer=name, driver="GPKG", append=path.exists(), **new)
        describe_gpkg(path, columns or {}, styles or {})
        check_gpkg(path, {name: len(rows) for name, rows in layers.items()})
        return path.read_bytes()


@contextlib.contextmanager
def gdal_set(name: str, value: str) -> Iterator[None]:
    """GDAL with an option set, unless the user set it."""
    own = pyogrio.get_gdal_config_option(name)
    if own is None:
        pyogrio.set_gdal_config_options({name: value})
    try:
        yield
    finally:
        if own is None:
            pyogrio.set_gdal_config_options({name: None})


def check_gpkg(path: Path, rows: Mapping[str, int]) -> None:
    """Raise OSError unless a GeoPackage holds its rows: a full disk is not always said when a file is closed."""
    try:
        where = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
        with contextlib.closing(sqlite3.connect(where, uri=True)) as file:
            for name, count in rows.items():
                quoted = name.replace('"', '""')
                if file.execute(f'select count(*) from "{quoted}"').fetchone()[0] != count:
                    raise OSError(errno.ENOSPC, "it was not written whole; the disk may be full", str(path))
    except sqlite3.Error as fault:
        raise OSError(errno.ENOSPC, f"it was not written whole ({fault})", str(path)) from None


# As the GeoPackage standard has the tables of its extension for schemas (OGC 12-128r17, annex F.9), and QGIS that
# of styles (as its OGR provider makes it).
_DESCRIPTIONS = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL,
  definition TEXT NOT NULL, scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE IF NOT EXISTS gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT,
  title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (constraint_name TEXT NOT NULL,
  constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
"""
_STYLES = """
CREATE TABLE IF NOT EXISTS layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
  f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT,
  styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')));
"""
_SCHEMA_EXTENSION = ("gpkg_schema", "http://www.geopackage.org/spec121/#extension_schema", "read-write")


def describe_gpkg(path: Path, columns: Mapping[str, Sequence[Column]], styles: Mapping[str, str]) -> None:
    """Write into a finished GeoPackage what each column means, and how its layers are drawn.

    columns: layer to columns, of which those that the layer has are described. styles: layer to QML; layers that
    are not there are passed over.
    """
    with contextlib.closing(sqlite3.connect(path)) as base, base:
        shapes = dict(base.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
        layers = [name for (name,) in base.execute("SELECT table_name FROM gpkg_contents")]
        if columns:
            base.executescript(_DESCRIPTIONS)
            for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
                base.execute(
                    "INSERT OR IGNORE INTO gpkg_extensions VALUES (?, NULL, ?, ?, ?)", (table, *_SCHEMA_EXTENSION)
                )
        for layer in set(layers) & set(columns):
            there = {name for _, name, *_ in base.execute(f'PRAGMA table_info("{layer}")')}
            base.executemany(
                "INSERT OR REPLACE INTO gpkg_data_columns (table_name, column_name, description) VALUES (?, ?, ?)",
                [(layer, c.name, c.described) for c in columns[layer] if c.name in there],
            )
        if drawn := {name: qml for name, qml in styles.items() if name in shapes}:
            base.executescript(_STYLES)
            base.execute(  # or a reader that finds other tables without places does not see it
                "INSERT OR IGNORE INTO gpkg_contents (table_name, data_type, identifier)"
                " VALUES ('layer_styles', 'attributes', 'layer_styles')"
            )
            base.executemany(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column,"
                " styleName, styleQML, styleSLD, useAsDefault, description, owner)"
                " VALUES ('', '', ?, ?, ?, ?, '', 1, '', '')",
                [(name, shapes[name], name, qml) for name, qml in drawn.items()],
            )


def xlsx_bytes(sheets: Mapping[str, pandas.DataFrame]) -> bytes:
    """A workbook of some sheets, by GDAL's own writer: numbers stay numbers, and no text becomes a formula."""
    with scratch() as folder, room_for("a workbook", folder):
        path = folder / "sheets.xlsx"
        for name, rows in sheets.items():
            pyogrio.write_dataframe(rows, path, layer=name, driver="XLSX", append=path.exists())
        check_xlsx(path)
        undate_zip(path)
        return path.read_bytes()


_EARLIEST = struct.pack("<HH", 0, 1 << 5 | 1)  # midnight of January 1, 1980, where a zip file's dates begin


def undate_zip(path: Path) -> None:
    """Set the dates inside a zip file to the earliest there is, so that the same rows give the same bytes.

    Where the dates stand: APPNOTE.TXT of PKWARE, 4.3.7 (beside each file) and 4.3.12 (in the directory).
    """
    with zipfile.ZipFile(path) as archive:
        files, directory = [one.header_offset for one in archive.infolist()], archive.start_dir
    with path.open("r+b") as file:
        for start in files:
            file.seek(start + 10)
            file.write(_EARLIEST)
        start = directory
        for _ in files:
            file.seek(start + 28)
            lengths = struct.unpack("<HHH", file.read(6))  # of the name, further fields and the comment
            file.seek(start + 12)
            file.write(_EARLIEST)
            start += 46 + sum(lengths)


def check_xlsx(path: Path) -> None:
    """Raise OSError unless a workbook is whole: GDAL says nothing of a full disk when it closes one."""
    try:
        with zipfile.ZipFile(path) as archive:
            broken = archive.testzip()
    except (OSError, zipfile.BadZipFile) as fault:
        broken = str(fault)
    if broken is not None:
        raise OSError(errno.ENOSPC, f"it was not written whole ({broken}); the disk may be full", str(path))


def pick(words_: Sequence[str], rows: Any) -> Any:
    """Arrow text: the word of each row; null below zero."""
    rows = np.asarray(rows, np.int64)
    index = pa.array(np.maximum(rows, 0), pa.int32(), mask=rows < 0)
    return pa.DictionaryArray.from_arrays(index, pa.array(list(words_) or [""], pa.string())).cast(pa.string())


def coded(texts: Sequence[str]) -> Any:
    kinds = {text: k for k, text in enumerate(dict.fromkeys(texts))}
    return pick(list(kinds), [kinds[text] for text in texts])
