"""A zone table typed from a controller's manual, read from its CSV."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from planner.ledger import DataError, offered
from planner.readings import ZoneRows

MOST_ZONES = 1000  # a controller has a dozen
_COLUMNS = ("label", "low", "high", "peak", "t_low_c", "t_high_c", "description")
_CALLED = {
    **dict.fromkeys(("zone", "name"), "label"),
    **dict.fromkeys(("from", "min", "minimum", "lower"), "low"),
    **dict.fromkeys(("to", "max", "maximum", "upper"), "high"),
}
_UNIT = re.compile(r"[(\[]?\s*\b(mm|in|inch|inches)\b\.?\s*(?:/|per)\s*(day|d|month|mo)\b\.?\s*[)\]]?")


@dataclass(frozen=True)
class Headings:
    """The columns of a zone table by our names, alike with the file's; unit: of its bands where they say it."""

    columns: tuple[str, ...]
    units: tuple[str, ...]

    @property
    def is_table(self) -> bool:
        """Whether all are there that a zone table needs."""
        return {"label", "low", "high"} <= set(self.columns)

    @property
    def unit(self) -> str | None:
        return self.units[0] if len(self.units) == 1 else None


def zone_headings(names: Iterable[str]) -> Headings:
    """What the columns of a zone table are, as people call them.

    Parameters
    ----------
    names
        Of the columns.

    Returns
    -------
    Headings
        Our names, or the file's own where a column is none of them, and the units said in them.

    Examples
    --------
    >>> zone_headings(["Zone", "From (in/day)", "To (in/day)"])
    Headings(columns=('label', 'low', 'high'), units=('in/day',))
    """
    columns: list[str] = []
    units: dict[str, None] = {}
    for name in names:
        said = name.strip().lower()
        if found := _UNIT.search(said):
            units[f"{found[1][:2]}/{'day' if found[2].startswith('d') else 'month'}"] = None
        word = re.sub(r"[\s_]+", " ", _UNIT.sub(" ", said)).strip()
        word = re.sub(r"^(?:peak )?et[o0]? | et[o0]?$", "", word)
        columns.append(_CALLED.get(word, word if found else said))
    return Headings(tuple(columns), tuple(units))


def read_zone_rows(path: Path) -> ZoneRows:
    """The rows of a zone table.

    Parameters
    ----------
    path
        A CSV with a header line; its columns in any order.

    Returns
    -------
    ZoneRows
        Text, with the line that each row stands on.

    Raises
    ------
    DataError
        It is not there, cannot be read, or lacks a column.
    """
    where = str(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        near = [p.name for p in path.parent.glob("*.csv")] if path.parent.is_dir() else []
        raise DataError(where, "there is no such file", offered("In that folder", path.name, near)) from None
    except (OSError, UnicodeDecodeError) as fault:
        raise DataError(where, f"cannot be read: {fault}", "A zone table is a CSV in UTF-8") from None
    numbered = [(k, line) for k, line in enumerate(text.splitlines(), 1) if line.strip(" ,;\t")]
    lines = [line for _, line in numbered]
    if len(lines) < 2:
        raise DataError(where, "the table has no rows", "Give a header line and one line a zone")
    delimiter = max(",;\t", key=lines[0].count)
    try:
        cells = [
            [cell.strip() for cell in row]
            for row in csv.reader(lines, delimiter=delimiter, skipinitialspace=True, strict=True)
        ]
    except csv.Error as fault:
        raise DataError(where, f"it cannot be read as a CSV: {fault}", "Close each quote that it opens") from None
    headings = zone_headings(cells[0])
    header = list(headings.columns)
    for name in header:
        if name not in _COLUMNS:
            raise DataError(where, f"the column '{name}' is not known", offered("Of its columns", name, _COLUMNS))
    if len(headings.units) > 1:
        raise DataError(
            where,
            f"its headings say {' and '.join(headings.units)}",
            "Give all bounds in one unit, and say that one",
        )
    for name in _COLUMNS[:3]:
        if name not in header:
            raise DataError(where, f"the column '{name}' is missing", f"Columns: {', '.join(_COLUMNS)}")
    for name in header:
        if header.count(name) > 1:
            raise DataError(where, f"the column '{name}' is there twice", "Keep one of them")
    if len(cells) - 1 > MOST_ZONES:
        raise DataError(where, f"it has {len(cells) - 1:,} zones", f"A table may have {MOST_ZONES:,} at most")
    numbers = [k for k, _ in numbered[1:]]
    least = 1 + max(header.index(name) for name in _COLUMNS[:3])
    for k, row in zip(numbers, cells[1:], strict=True):
        if len(row) < least:
            raise DataError(
                f"{where}: line {k}",
                f"it ends after {len(row)} of {len(header)} values: is the file cut?",
                f"Give the line its {' and '.join(_COLUMNS[1:3])}; leave an open end empty, between its separators",
            )
        if any(row[len(header) :]):
            raise DataError(
                f"{where}: line {k}",
                f"it has {len(row)} values, and the header names {len(header)} columns",
                "Write numbers with a decimal point, and put words with a comma in them in quotes",
            )
    blank = dict.fromkeys(_COLUMNS, "")
    rows = tuple(blank | dict(zip(header, row, strict=False)) for row in cells[1:])
    if delimiter != ",":  # a comma within a cell is a decimal sign
        rows = tuple({k: v.replace(",", ".") if k in _COLUMNS[1:6] else v for k, v in row.items()} for row in rows)
    return ZoneRows(where, path.name, rows, tuple(numbers), headings.unit)
