"""A controller's export of its percentage, day by day: ragged, as exports are, and read or refused clearly."""

from __future__ import annotations

import re
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np

from planner.layers.rows import figure, plain, read_rows
from planner.ledger import DataError, Kind, Ledger, offered
from planner.plan.schema import Review
from planner.readings import Log

# Headings in small letters; a column of a person's own is named in the plan.
DATE = ("date", "day", "datum", "date time", "datetime", "date/time", "timestamp", "time", "fecha", "logged")
PERCENT = (
    "percent",
    "%",
    "percentage",
    "adjustment",
    "adjust",
    "water budget",
    "budget",
    "seasonal adjust",
    "seasonal adjustment",
    "weather adjustment",
    "et adjust",
    "et adjustment",
    "scale",
    "value",
    "prozent",
)
WHO = ("who", "user", "by", "changed by", "source", "operator", "set by", "origin", "benutzer")
NOTE = ("note", "notes", "event", "status", "remark", "remarks", "comment", "reason", "hold", "state", "alarm")
# words of headings whose percentage is of something else
OTHER = {"batt", "battery", "charge", "humidity", "rh", "humedad", "feuchte", "moisture", "soil", "signal", "rssi"}
OTHER |= {"link", "cloud", "cloudiness", "chance", "probability", "efficiency", "uniformity", "du", "level", "tank"}
MONTH_NAMES = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
MOST_GAP_DAYS = 400
MOST_PERCENT = 500.0


class Entry(NamedTuple):
    day: date
    percent: float
    hold: str
    who: str
    note: str


def read_log(path: Path, how: Review, ledger: Ledger) -> Log:
    """Read a log and lay it on days without gaps.

    Parameters
    ----------
    path
        A table of any of the formats that `rows` reads.
    how
        The plan's `[review]`: columns, the order of dates, what a gap means.
    ledger
        Told which rows were left out, and how dates and percentages were read.

    Returns
    -------
    Log
        Of several entries of a day the last counts.

    Raises
    ------
    DataError
        It has no dates or no percentages, or its dates may be read in two ways.
    """
    where = path.name
    rows = read_rows(path, where)
    named = {"date": how.date_column, "percent": how.percent_column, "who": how.who_column, "note": how.note_column}
    head, at = _heading(rows, named, where)
    _say_guess(rows[head], at, how, where, ledger)
    body = [row + [""] * (max(at.values()) + 1 - len(row)) for row in rows[head + 1 :]]
    days, left_out, end = _dates([row[at["date"]] for row in body], how.date_order, where)
    if left_out:
        ledger.add(Kind.SKIPPED, where, "rows without a date (units, page heads, notes)", left_out)
    if end:
        ledger.add(Kind.SKIPPED, where, "rows after the last date", end)
    entries: list[Entry] = []
    odd = []
    for row, day in zip(body, days, strict=True):
        if day is None:
            continue
        text = row[at["percent"]]
        who, note = (row[at[key]] if key in at else "" for key in ("who", "note"))
        hold = _hold(f"{note} {text}")
        percent = _percent(text)
        if percent is None and not hold:
            odd.append(f"{day}: {text}")
            continue
        if percent is not None and not 0 <= percent <= MOST_PERCENT:
            odd.append(f"{day}: {text}")
            continue
        entries.append(Entry(day, np.nan if percent is None else percent, hold, who, note))
    if odd:
        ledger.add(Kind.SKIPPED, where, "values that are no percentage", odd)
    if not any(np.isfinite(e.percent) for e in entries):
        raise DataError(where, "it holds no percentage", "Name its column with review.percent_column")
    return _laid_out(_scaled(entries, where, ledger), how.gaps, where, ledger)


def _heading(rows: list[list[str]], named: dict[str, str | None], where: str) -> tuple[int, dict[str, int]]:
    best = 0
    found: dict[str, int] = {}
    known = {"date": DATE, "percent": PERCENT, "who": WHO, "note": NOTE}
    for k, row in enumerate(rows[:30]):
        here: dict[str, int] = {}
        for key, words in known.items():
            heading = named[key]
            if heading is not None:
                if heading in row:
                    here[key] = row.index(heading)
                continue
            cells = [_bare(cell) for cell in row]
            at = [cells.index(w) for w in words if w in cells and cells.index(w) not in here.values()]
            if not at and key == "percent":
                at = [j for j in _perhaps(row) if j not in here.values()]
            if at:
                here[key] = at[0]
        if len(here) > len(found):
            best, found = k, here
    for key, heading in named.items():
        if heading is not None and key not in found:
            raise DataError(where, f"it has no column '{heading}'", offered("Of its columns", heading, rows[best]))
    for key, what in (("date", "dates"), ("percent", "percentages")):
        if key not in found:
            raise DataError(
                where,
                f"no column of {what} was found",
                f"Name it with review.{key}_column; its headings may be: {', '.join(rows[best])[:200]}",
            )
    return best, found


def _perhaps(row: list[str]) -> list[int]:
    """Places of headings that have a percent sign, and no word of another quantity (a battery's charge)."""
    return [
        j
        for j, cell in enumerate(row)
        if "%" in cell and figure(cell) is None and OTHER.isdisjoint(re.findall(r"[a-z]+", cell.lower()))
    ]


def _say_guess(headings: list[str], at: dict[str, int], how: Review, where: str, ledger: Ledger) -> None:
    """Tell of a column of percentages that is known by its percent sign alone; refuse to choose between several."""
    if how.percent_column is not None or _bare(headings[at["percent"]]) in PERCENT:
        return
    perhaps = [headings[j] for j in _perhaps(headings)]
    if len(perhaps) > 1:
        raise DataError(
            where,
            f"its percentage may be any of the columns {', '.join(perhaps)[:200]}",
            "Name it with review.percent_column",
        )
    ledger.add(
        Kind.ASSUMED,
        where,
        f"'{headings[at['percent']]}' is taken as the percentage, by its percent sign alone; "
        "review.percent_column names another",
    )


def _bare(cell: str) -> str:
    text = plain(cell)
    return text if text == "%" else text.removesuffix("%").removesuffix("percent").strip() or text


def _percent(text: str) -> float | None:
    """A percentage; None for words and for nothing."""
    value = figure(text)
    return None if value is None or np.isnan(value) else value


def _hold(text: str) -> str:
    words = plain(text)
    if re.search(r"\b(rain|regen|lluvia|wet)\b", words):
        return "rain"
    if re.search(r"\b(freeze|frost|freezing)\b", words):
        return "freeze"
    return "off" if re.search(r"\b(off|hold|suspended|shut ?off|paused)\b", words) else ""


def _dates(cells: list[str], order: str, where: str) -> tuple[list[date | None], list[str], list[str]]:
    """The day of each row, texts of rows without one before the last date, and of those after it."""
    parts = [_parts(cell) for cell in cells]
    if not any(parts):
        raise DataError(where, "no row begins with a date", "Name the column of dates with review.date_column")
    day_month = [p for p in parts if p is not None and p[0] == "two"]
    first = _order(day_month, order, where)
    days = [_day(p, first) for p in parts]
    last = max((k for k, day in enumerate(days) if day is not None), default=-1)
    if last < 0:
        raise DataError(where, "no row begins with a date", "Name the column of dates with review.date_column")
    before = [cells[k] or "an empty cell" for k in range(last) if days[k] is None]
    return days, before, [cell or "an empty cell" for cell in cells[last + 1 :]]


Parts = tuple[str, int, int, int]


def _parts(cell: str) -> Parts | None:
    """('sure', year, month, day), or ('two', a, b, year) where day and month may be either way round."""
    text = cell.strip().lower()
    match = re.match(r"^\D{0,12}?(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})", text)
    if match:
        return "sure", int(match[1]), int(match[2]), int(match[3])
    match = re.match(r"^(\d{4})(\d{2})(\d{2})\b", text)
    if match:
        return "sure", int(match[1]), int(match[2]), int(match[3])
    match = re.match(r"^(?:[a-z]+\.?,?\s+)?(\d{1,2})[-/. ]+([a-z]{3})[a-z]*\.?[-/., ]+(\d{2,4})", text)
    if match and match[2] in MONTH_NAMES:
        return "sure", _year(int(match[3])), MONTH_NAMES.index(match[2]) + 1, int(match[1])
    match = re.match(r"^(?:[a-z]+\.?,?\s+)?([a-z]{3})[a-z]*\.?\s+(\d{1,2}),?\s+(\d{2,4})", text)
    if match and match[1] in MONTH_NAMES:
        return "sure", _year(int(match[3])), MONTH_NAMES.index(match[1]) + 1, int(match[2])
    match = re.match(r"^(?:[a-z]+\.?,?\s+)?(\d{1,2})[-/.](\d{1,2})[-/.](\d{2,4})", text)
    if match:
        return "two", int(match[1]), int(match[2]), _year(int(match[3]))
    return None


def _year(year: int) -> int:
    return year if year >= 100 else 2000 + year


def _day(parts: Parts | None, day_first: bool) -> date | None:
    if parts is None:
        return None
    kind, a, b, c = parts
    try:
        if kind == "sure":
            return date(a, b, c)
        return date(c, b, a) if day_first else date(c, a, b)
    except ValueError:
        return None


def _order(found: list[Parts], order: str, where: str) -> bool:
    """True where the day comes first. Raises DataError where the dates themselves leave it open."""
    if order in ("day first", "month first"):
        return order == "day first"
    if any(p[1] > 12 for p in found):
        return True
    if not found or any(p[2] > 12 for p in found):
        return False
    steps = []
    for day_first in (False, True):
        days = [d for d in (_day(p, day_first) for p in found) if d is not None]
        gaps = [abs((b - a).days) for a, b in pairwise(days)]
        steps.append((len(days), -sum(gaps)))
    if steps[0] == steps[1] or len(found) < 3:
        raise DataError(
            where,
            "its dates may be read day first or month first",
            'Say which in the plan: [review] date_order = "month first" (or "day first")',
        )
    return steps[1] > steps[0]


def _scaled(entries: list[Entry], where: str, ledger: Ledger) -> list[Entry]:
    """Shares (0.85) made percent."""
    values = np.array([e.percent for e in entries])
    known = values[np.isfinite(values)]
    if len(known) and known.max() <= 3.0 and (known[known > 0] % 1 != 0).any():
        ledger.add(Kind.ASSUMED, where, "values up to 3 are taken as shares: 0.85 is 85%")
        return [e._replace(percent=100.0 * e.percent) for e in entries]
    return entries


def _laid_out(entries: list[Entry], gaps: str, where: str, ledger: Ledger) -> Log:
    order = sorted(range(len(entries)), key=lambda k: entries[k].day)  # stable: a day's last entry stays last
    by_day: dict[date, Entry] = {}
    twice = 0
    for k in order:
        entry = entries[k]
        if (old := by_day.get(entry.day)) is not None:
            twice += 1  # a hold and a percentage of one day belong together
            entry = Entry(
                entry.day,
                old.percent if np.isnan(entry.percent) else entry.percent,
                entry.hold or old.hold,
                entry.who or old.who,
                entry.note or old.note,
            )
        by_day[entry.day] = entry
    if twice:
        ledger.add(
            Kind.REPAIRED,
            where,
            f"{twice} {'entry' if twice == 1 else 'entries'} of a day that had one: the day's last counts",
        )
    days = sorted(by_day)
    span = (days[-1] - days[0]).days + 1
    if span > len(days) + MOST_GAP_DAYS:
        raise DataError(
            where,
            f"it runs from {days[0]} to {days[-1]} with {len(days)} days in it",
            "Check its dates, or cut the log to the season in question",
        )
    neighbours = [by_day[a].percent == by_day[b].percent for a, b in pairwise(days) if (b - a).days == 1]
    sparse = len(neighbours) < (len(days) - 1) / 2 and not any(neighbours)
    changes_only = gaps == "no change" or (gaps == "auto" and sparse)
    day = np.datetime64(days[0]) + np.arange(span)
    percent = np.full(span, np.nan)
    written = np.zeros(span, bool)
    hold, who, note = ([""] * span for _ in range(3))
    for k in range(span):
        if (written_then := by_day.get(days[0] + timedelta(days=k))) is not None:
            _, percent[k], hold[k], who[k], note[k] = written_then
            written[k] = True
        elif changes_only and k:
            percent[k], hold[k] = percent[k - 1], hold[k - 1]
    if span > len(days):
        ledger.add(
            Kind.ASSUMED,
            where,
            f"{span - len(days)} {'day' if span == len(days) + 1 else 'days'} without an entry: "
            + ("no change (the log lists changes)" if changes_only else "left out")
            + "; set review.gaps to change that",
        )
    return Log(day, percent, tuple(hold), tuple(who), tuple(note), written, _step(percent))


def _step(percent: np.ndarray) -> float:
    """The log's resolution: the largest of 10, 5 and 1% on which all values lie, 1% at least."""
    known = percent[np.isfinite(percent) & (percent > 0)]
    return next((s for s in (10.0, 5.0) if len(np.unique(known)) > 2 and np.allclose(known % s, 0)), 1.0)
