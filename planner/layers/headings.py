"""Tables as offices have them: a title above the columns' names, and text as Windows saves it.

GDAL reads a table that begins with its columns' names, in UTF-8. One that does not is made so, in a temporary
folder; the file itself stays as it is.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import pandas as pd
import pyogrio

from planner.layers.opening import Source, Trusted, unpacked_name, vector_source
from planner.layers.rows import SHEETS, figure, separator
from planner.ledger import Kind, Ledger
from planner.pieces import room_for, scratch

MOST_LEAD = 10  # lines above the columns' names
_LOOK = 1 << 16  # bytes in which they stand
_UNNAMED = re.compile(r"(Field\d+)?\s*")  # GDAL's own names for a workbook's columns without any
_BLOCK = 1 << 20


@contextmanager
def layer_source(where: str, path: Path, trusted: Trusted, ledger: Ledger | None = None) -> Iterator[Source]:
    """As :func:`vector_source`, of a table the part from its columns' names on, in UTF-8.

    ledger: takes a word on what was passed over, and on the encoding.
    """
    with ExitStack() as stack:
        source = stack.enter_context(vector_source(where, path, trusted, ledger))
        kind = unpacked_name(path).suffix.lower()
        if isinstance(source, Path) and kind == ".csv" and source.is_file():
            source = stack.enter_context(_csv(where, source, ledger))
        elif isinstance(source, Path) and kind in SHEETS and kind != ".xls":
            source = stack.enter_context(_workbook(where, source, ledger))
        yield source


@dataclass(frozen=True)
class _Head:
    """How a CSV begins: its encoding, and how many of its lines stand above the columns' names."""

    encoding: str
    lead: int


@contextmanager
def _csv(where: str, path: Path, ledger: Ledger | None) -> Iterator[Path]:
    state = path.stat()
    head = _head_of(path, state.st_size, state.st_mtime_ns)
    if head == _Head("utf-8-sig", 0):
        yield path
        return
    if ledger is not None and head.encoding == "cp1252":
        ledger.add(
            Kind.ASSUMED,
            where,
            "its text is not in UTF-8: read as Windows saves it (code page 1252). If names come out garbled, save "
            "it as 'CSV UTF-8'",
        )
    if ledger is not None and head.lead:
        _say_lead(where, head.lead, ledger)
    with scratch() as folder:
        there = folder / path.name
        with (
            path.open(encoding=head.encoding, errors="replace", newline="") as read,
            there.open("w", encoding="utf-8", newline="") as written,
        ):
            for _ in range(head.lead):
                read.readline()
            while block := read.read(_BLOCK):
                written.write(block)
        yield there


@lru_cache(maxsize=64)
def _head_of(path: Path, size: int, changed_ns: int) -> _Head:
    """size, changed_ns: of the file, so that a changed one is looked at anew."""
    with path.open("rb") as file:
        start = file.read(_LOOK)
    encoding = "utf-8-sig"
    if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    elif not _is_utf8(path):
        encoding = "cp1252"
    lines = start.decode(encoding, "replace").splitlines()
    mark = separator([line for line in lines if line.strip()])
    rows = [next(csv.reader([line], delimiter=mark), []) for line in lines[:200]]
    return _Head(encoding, _lead([[cell.strip() for cell in row] for row in rows]))


def _is_utf8(path: Path) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                decoder.decode(block)
            decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _lead(rows: list[list[str]]) -> int:
    """How many rows stand above the columns' names: a title has fewer cells than half of the rows have.

    >>> _lead([["Clocks 2026"], [], ["Name", "Lat", "Long"], ["A", "33.4", "-112.1"], ["B", "33.5", "-112.0"]])
    2
    """
    filled = [sum(bool(cell) for cell in row) for row in rows]
    usual = max(filled, key=filled.count) if filled else 0
    for k, count in enumerate(filled[: MOST_LEAD + 1]):
        if count >= 2 and 2 * count > usual:
            return k
    return 0


@contextmanager
def _workbook(where: str, path: Path, ledger: Ledger | None) -> Iterator[Path]:
    state = path.stat()
    leads = _leads_of(path, state.st_size, state.st_mtime_ns)
    if not leads:
        yield path
        return
    with scratch() as folder:
        there = folder / f"{path.stem}.gpkg"
        for name, _ in pyogrio.list_layers(path):
            lead = leads.get(str(name))
            if lead is None:
                table = pyogrio.read_dataframe(path, layer=name, read_geometry=False)
            else:
                table = _headed(_cells(path, str(name)), lead)
                if ledger is not None and lead:
                    _say_lead(where, lead, ledger)
            with room_for("a stand-in of the workbook", folder):
                pyogrio.write_dataframe(table, there, layer=str(name), driver="GPKG", append=there.exists())
        yield there


@lru_cache(maxsize=16)
def _leads_of(path: Path, size: int, changed_ns: int) -> dict[str, int]:
    """By sheet in which GDAL finds no names of columns: how many rows stand above them. Others are left out."""
    found = {}
    for name, _ in pyogrio.list_layers(path):
        fields = [str(field) for field in pyogrio.read_info(path, layer=name)["fields"]]
        if len(fields) > 1 and sum(bool(_UNNAMED.fullmatch(field)) for field in fields) >= len(fields) - 1:
            rows = [[_plain(cell) for cell in row] for row in _cells(path, str(name)).head(200).to_numpy()]
            lead = _lead(rows)
            named = rows[lead] if rows else []
            if named and not any(figure(cell) is not None for cell in named if cell):
                found[str(name)] = lead
    return found


def _cells(path: Path, name: str) -> pd.DataFrame:
    return pyogrio.read_dataframe(
        path, layer=name, read_geometry=False, HEADERS="DISABLE", FIELD_TYPES="STRING"
    ).astype(object)


def _headed(cells: pd.DataFrame, lead: int) -> pd.DataFrame:
    """The rows below the columns' names; columns of numbers as numbers, columns without a name left out."""
    names: dict[str, int] = {}
    for k, cell in enumerate(cells.iloc[lead]):
        if (word := _plain(cell)) and word not in names:
            names[word] = k
    table = cells.iloc[lead + 1 :, list(names.values())].reset_index(drop=True)
    table.columns = pd.Index(list(names))
    for name in names:
        numbers = pd.to_numeric(table[name], errors="coerce")
        if (numbers.notna() == table[name].map(lambda cell: bool(_plain(cell)))).all():
            table[name] = numbers
    return table


def _plain(cell: object) -> str:
    return "" if cell is None or cell != cell else str(cell).strip()


def _say_lead(where: str, lead: int, ledger: Ledger) -> None:
    lines = "line is a title" if lead == 1 else f"{lead} lines are a title"
    ledger.add(Kind.ASSUMED, where, f"the first {lines}: the names of the columns stand below")
