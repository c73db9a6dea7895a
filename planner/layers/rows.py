"""A table as people hand it over, as rows of text: a CSV of any separator, a workbook's sheet, a GeoPackage.

Nothing is taken for a heading here: exports carry titles above it, units under it and totals at the end.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pyogrio

from planner.layers.opening import NOTHING, vector_source
from planner.ledger import DataError, PlanError, offered

SHEETS = (".xlsx", ".xls", ".ods")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def read_rows(path: Path, where: str, table: str | None = None) -> list[list[str]]:
    """Rows of trimmed text, without the empty ones.

    table: sheet of a workbook, or table of a GeoPackage. Raises PlanError where there is no such file, DataError
    where it cannot be read, or is empty.
    """
    if not path.is_file():
        near = [p.name for p in sorted(path.parent.iterdir())] if path.parent.is_dir() else []
        raise PlanError(where, "there is no such file", offered("In that folder", path.name, near))
    kind = path.suffix.lower()
    if kind in (*SHEETS, ".gpkg", ".geojson", ".shp"):
        rows = _driver(path, where, table, kind)
    else:
        rows = _delimited(path, where)
    rows = [row for row in rows if any(row)]
    if not rows:
        raise DataError(where, "it is empty", "Give a table with rows in it")
    return rows


def _driver(path: Path, where: str, table: str | None, kind: str) -> list[list[str]]:
    sheet = kind in SHEETS
    options = {"HEADERS": "DISABLE", "FIELD_TYPES": "STRING"} if sheet and kind != ".xls" else {}
    try:
        with vector_source(where, path, NOTHING) as source:
            names = [str(name) for name, _ in pyogrio.list_layers(source)]
            if table is None and len(names) > 1:
                raise DataError(where, f"it has {len(names)} tables", f"Name one of them: {', '.join(names)}")
            if table is not None and table not in names:
                raise DataError(where, f"it has no table '{table}'", offered("Of its tables", table, names))
            frame = pyogrio.read_dataframe(source, layer=table or names[0], read_geometry=False, **options)
    except (OSError, ValueError, RuntimeError) as fault:
        said = str(fault).splitlines()[0] if str(fault) else type(fault).__name__
        raise DataError(where, f"it cannot be read: {said}", "Save it as a CSV, and give that") from None
    body = [[_text(value) for value in row] for row in frame.itertuples(index=False)]
    return body if sheet else [[str(name) for name in frame.columns], *body]


def _text(value: object) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return str(value).strip()


def _delimited(path: Path, where: str) -> list[list[str]]:
    try:
        raw = path.read_bytes()
    except OSError as fault:
        raise DataError(where, f"it cannot be opened: {fault.strerror}", "Check its rights") from None
    text = _decoded(raw).replace("\x1a", "\n").replace("\x00", "")
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines:
        return []
    try:
        return [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=separator(lines))]
    except csv.Error as fault:  # a cell of 131,072 characters: a quote that never closes
        raise DataError(where, f"it cannot be read as a table: {fault}", "Close each quote that it opens") from None


def _decoded(raw: bytes) -> str:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def separator(lines: list[str]) -> str:
    """The mark that parts most lines into the same number of cells, of two and more."""
    best, most = ",", 0
    for mark in (";", "\t", ",", "|"):
        counts = [len(row) for row in csv.reader(lines[:200], delimiter=mark)]
        common = max(set(counts), key=counts.count, default=0)
        if common > 1 and counts.count(common) * 100 + common > most:
            best, most = mark, counts.count(common) * 100 + common
    return best


def figure(text: str) -> float | None:
    """A number as exports write it, NaN for nothing, None for words.

    Spaces and apostrophes part thousands; so does a comma before three digits, and a point where a comma follows;
    any other comma is a decimal sign.

    >>> figure("1,250"), figure("12,5"), figure("1.250,5"), figure("85 %"), figure("n/a"), figure("off")
    (1250.0, 12.5, 1250.5, 85.0, nan, None)
    """
    word = text.strip().rstrip("%").strip().replace("\u2212", "-")
    if word.lower() in ("", "-", "--", "n/a", "na", "nan", "none", "null"):
        return float("nan")
    word = re.sub(r"(?<=\d)[ '\u00a0\u202f\u2019](?=\d{3}\b)", "", word)
    if "," in word and "." in word:
        word = (
            word.replace(".", "").replace(",", ".") if word.rfind(",") > word.rfind(".") else word.replace(",", "")
        )
    elif re.fullmatch(r"[+-]?[1-9]\d{0,2}(,\d{3})+", word):
        word = word.replace(",", "")
    else:
        word = word.replace(",", ".")
    return float(word) if _NUMBER.fullmatch(word) else None


def plain(text: str) -> str:
    """A heading in small letters, its marks made spaces: 'Precip_Rate (in/hr)' to 'precip rate in hr'."""
    return " ".join(
        re.sub(r"[^a-z0-9%/]+", " ", text.lower().replace("\u00b2", "2").replace("\u00b0", " ")).split()
    )
