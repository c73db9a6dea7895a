"""A zone table typed from a controller's manual, read from its CSV."""

from __future__ import annotations

import csv
from pathlib import Path

from planner.ledger import DataError, nearest
from planner.readings import ZoneRows

_COLUMNS = ("label", "low", "high", "peak", "t_low_c", "t_high_c", "description")


def read_zone_rows(path: Path) -> ZoneRows:
    """The rows of a zone table, a CSV with a header line; its columns in any order. Raises DataError."""
    where = str(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        near = [p.name for p in path.parent.glob("*.csv")] if path.parent.is_dir() else []
        raise DataError(where, "there is no such file", f"In that folder: {nearest(path.name, near)}") from None
    except (OSError, UnicodeDecodeError) as fault:
        raise DataError(where, f"cannot be read: {fault}", "A zone table is a CSV in UTF-8") from None
    numbered = [(k, line) for k, line in enumerate(text.splitlines(), 1) if line.strip(" ,;\t")]
    lines = [line for _, line in numbered]
    if len(lines) < 2:
        raise DataError(where, "the table has no rows", "Give a header line and one line a zone")
    delimiter = max(",;\t", key=lines[0].count)
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=True)
    header = [name.strip().lower() for name in next(reader)]
    for name in header:
        if name not in _COLUMNS:
            raise DataError(
                where, f"the column '{name}' is not known", f"Of its columns: {nearest(name, _COLUMNS)}"
            )
    for name in _COLUMNS[:3]:
        if name not in header:
            raise DataError(where, f"the column '{name}' is missing", f"Columns: {', '.join(_COLUMNS)}")
    blank = dict.fromkeys(_COLUMNS, "")
    rows = [blank | dict(zip(header, (cell.strip() for cell in row), strict=False)) for row in reader]
    return ZoneRows(where, path.name, tuple(rows), tuple(k for k, _ in numbered[1:]))
