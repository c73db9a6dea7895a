"""Daily weather of a station, as networks and services hand it out.

Layouts without headings are told by their shape (AZMET's daily files, GHCN-Daily's `.dly`); all others by their
headings and units: AZMET's API, CIMIS, CoAgMET, AgriMet as RefET has it, GHCN-Daily CSV, NOAA orders, gridMET at a
point, KNMI, GeoSphere Austria, AquaCrop, or a plain table. What a service writes for "missing", or marks as bad,
stays unknown. A plan's own table of daily ETo, of which only the peaks count, is read by `daily`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from planner.layers.rows import figure, plain, read_rows
from planner.ledger import DataError, Kind, Ledger
from planner.readings import DAY, DaysMeasured
from planner.site import Floats
from planner.units import MM_PER_IN

MISSING = (-999.0, -9999.0, -6999.0, 999.0, 999.9, 9999.0, 99999.0, -99.0, -999.9)
_LANGLEY = 0.04184  # MJ/m2
_T = {"c": (1.0, 0.0), "f": (5 / 9, -160 / 9), "k": (1.0, -273.15)}
_DEPTH = {"mm": (1.0, 0.0), "in": (MM_PER_IN, 0.0), "inches": (MM_PER_IN, 0.0), "cm": (10.0, 0.0)}
_SUN = {
    "mj/m2": (1.0, 0.0),
    "mj m2": (1.0, 0.0),
    "mj/m2/day": (1.0, 0.0),
    "mj m 2": (1.0, 0.0),
    "w/m2": (0.0864, 0.0),
    "w m2": (0.0864, 0.0),
    "w/sq m": (0.0864, 0.0),
    "w sq m": (0.0864, 0.0),
    "ly/day": (_LANGLEY, 0.0),
    "ly": (_LANGLEY, 0.0),
    "langley": (_LANGLEY, 0.0),
    "langleys": (_LANGLEY, 0.0),
    "j/cm2": (0.01, 0.0),
    "kj/m2": (0.001, 0.0),
    "kwh/m2": (3.6, 0.0),
    "wh/m2": (0.0036, 0.0),
}
_WIND = {
    "m/s": (1.0, 0.0),
    "mps": (1.0, 0.0),
    "mph": (0.44704, 0.0),
    "km/h": (1 / 3.6, 0.0),
    "kph": (1 / 3.6, 0.0),
    "km/d": (1 / 86.4, 0.0),
    "km/day": (1 / 86.4, 0.0),
    "mi/d": (1.609344 / 86.4, 0.0),
    "mi": (1.609344 / 86.4, 0.0),
    "miles": (1.609344 / 86.4, 0.0),
    "km": (1 / 86.4, 0.0),
}
_RH = {"%": (1.0, 0.0), "fraction": (100.0, 0.0), "percent": (1.0, 0.0)}
_VAPOUR = {"kpa": (1.0, 0.0), "hpa": (0.1, 0.0), "mbar": (0.1, 0.0), "mbars": (0.1, 0.0), "pa": (0.001, 0.0)}


@dataclass(frozen=True)
class _Column:
    """names: headings in small letters; units; plain: unit where none is named; low, high: what can be."""

    names: tuple[str, ...]
    units: Mapping[str, tuple[float, float]]
    plain: str
    low: float
    high: float


COLUMNS: Mapping[str, _Column] = {
    "t_min_c": _Column(
        (
            "tmin",
            "t min",
            "min air temp",
            "temp air min",
            "mn",
            "tmmn",
            "mintemp",
            "tn",
            "minimum temperature",
            "temp min",
            "min temp",
            "tasmin",
            "temperature min",
        ),
        _T,
        "c",
        -70,
        50,
    ),
    "t_max_c": _Column(
        (
            "tmax",
            "t max",
            "max air temp",
            "temp air max",
            "mx",
            "tmmx",
            "maxtemp",
            "tx",
            "maximum temperature",
            "temp max",
            "max temp",
            "tasmax",
            "temperature max",
        ),
        _T,
        "c",
        -60,
        60,
    ),
    "dew_point_c": _Column(
        ("tdew", "dew point", "dewpoint", "dew pt", "ym", "dwpt", "dwp", "tdmean", "mean dewpoint"),
        _T,
        "c",
        -70,
        40,
    ),
    "vapour_pressure_kpa": _Column(
        (
            "vp",
            "ea",
            "avg vap pres",
            "vapor pressure",
            "vapour pressure",
            "actual vapor pressure",
            "vap pres",
            "avg vapor pressure",
        ),
        _VAPOUR,
        "kpa",
        0,
        8,
    ),
    "rh_max_percent": _Column(
        ("rhmax", "rh max", "max rel hum", "relative humidity max", "rmax", "maximum relative humidity"),
        _RH,
        "%",
        1,
        110,
    ),
    "rh_min_percent": _Column(
        ("rhmin", "rh min", "min rel hum", "relative humidity min", "rmin", "minimum relative humidity"),
        _RH,
        "%",
        0,
        110,
    ),
    "rh_mean_percent": _Column(
        ("rh", "rhmean", "avg rel hum", "relative humidity mean", "mean relative humidity", "rel", "ug", "rh mean"),
        _RH,
        "%",
        1,
        110,
    ),
    "radiation_mj_m2": _Column(
        (
            "srad",
            "sol rad",
            "solar radiation",
            "sol rad total",
            "solar rad",
            "solarrad",
            "solar",
            "sr",
            "strahl",
            "rs",
            "radiation",
            "q",
        ),
        _SUN,
        "mj/m2",
        0,
        45,
    ),
    "wind_m_s": _Column(
        (
            "wind",
            "wind speed",
            "avg wind speed",
            "wndsp",
            "wind spd mean",
            "wind spd",
            "ua",
            "vv",
            "vs",
            "u2",
            "fg",
            "windspeed",
            "awnd",
            "windrun",
            "wind run",
        ),
        _WIND,
        "m/s",
        0,
        40,
    ),
    "rain_mm": _Column(
        ("rain", "precip", "prcp", "pr", "precipitation", "precip total", "pp", "rainfall", "ppt", "rr"),
        _DEPTH,
        "mm",
        0,
        700,
    ),
    "eto_mm": _Column(
        (
            "eto",
            "et0",
            "etref",
            "reference et",
            "referenceet",
            "eto pen mon",
            "etos",
            "et asce0",
            "asce eto",
            "pet",
            "eto asce",
            "et o",
            "evapotranspiration",
            "etosz",
        ),
        _DEPTH,
        "mm",
        -0.5,
        20,
    ),
}
# Columns whose unit their names do not tell, by a set of headings that only this service has.
SERVICES: Mapping[str, tuple[frozenset[str], Mapping[str, str]]] = {
    "AgriMet": (
        frozenset(("year", "month", "day", "mn", "mx", "sr", "ua")),
        {
            "t_min_c": "f",
            "t_max_c": "f",
            "dew_point_c": "f",
            "radiation_mj_m2": "langley",
            "wind_m_s": "mph",
            "eto_mm": "in",
        },
    ),
    "CoAgMET": (
        frozenset(("solar", "windrun", "rhmax", "rhmin", "et asce0")),
        {"radiation_mj_m2": "w/m2", "wind_m_s": "km/d", "rh_max_percent": "fraction", "rh_min_percent": "fraction"},
    ),
    "gridMET": (
        frozenset(("tmmx", "tmmn")),
        {"t_min_c": "k", "t_max_c": "k", "radiation_mj_m2": "w/m2"},
    ),
    "GeoSphere Austria": (frozenset(("strahl", "tmax", "tmin", "vv")), {"radiation_mj_m2": "j/cm2"}),
}
GRIDMET_WIND_M = 10.0
_GHCN = {"TMAX": ("t_max_c", 0.1), "TMIN": ("t_min_c", 0.1), "PRCP": ("rain_mm", 0.1), "AWND": ("wind_m_s", 0.1)}
# KNMI: tenths, J/cm2, -1 for under 0.05 mm
_KNMI = {
    "TN": ("t_min_c", 0.1),
    "TX": ("t_max_c", 0.1),
    "FG": ("wind_m_s", 0.1),
    "Q": ("radiation_mj_m2", 0.01),
    "RH": ("rain_mm", 0.1),
    "UG": ("rh_mean_percent", 1.0),
}
# AZMET's daily files, 28 columns from 2003 and 25 before
_AZMET = {
    "t_max_c": 3,
    "t_min_c": 4,
    "rh_max_percent": 6,
    "rh_min_percent": 7,
    "rh_mean_percent": 8,
    "radiation_mj_m2": 10,
    "rain_mm": 11,
    "wind_m_s": 18,
}
_AZMET_28 = {**_AZMET, "eto_mm": 25, "vapour_pressure_kpa": 26, "dew_point_c": 27}
_AZMET_25 = {**_AZMET, "eto_mm": 23}
BAD_MARKS = ("R", "M")  # CIMIS: rejected, missing


def read_days(path: Path, where: str, wind_height_m: float, ledger: Ledger) -> DaysMeasured:
    """Days of a weather file, by the service that its columns give away.

    Parameters
    ----------
    path
        The file.
    where
        What it is called in messages.
    wind_height_m
        At which the station's wind was measured, where the service does not fix it.
    ledger
        Told which values and rows cannot be.

    Returns
    -------
    DaysMeasured
        Metric, by rising day.

    Raises
    ------
    DataError
        It cannot be read, or has neither ETo nor both extremes of temperature.
    """
    if path.suffix.lower() == ".dly":
        found = _dly(path, where)
        return _measured(path.stem, *found, wind_height_m, where, ledger)
    rows = read_rows(path, where)
    if len(rows[0]) == 1 and len(rows[0][0].split()) > 3:  # parted by blanks
        rows = [cell[0].replace("\t", " ").split() for cell in rows]
    lead = rows[0]
    if lead[0].startswith("#") or any(row[0].lstrip("# ").startswith("STN") for row in rows[:80]):
        return _measured(path.stem, *_knmi(rows, where), wind_height_m, where, ledger)
    if len(lead) in (25, 28) and all(figure(cell) is not None for cell in lead):
        return _measured(path.stem, *_azmet(rows), wind_height_m, where, ledger)
    if _is_ghcn(rows):
        return _measured(path.stem, *_ghcn(rows), wind_height_m, where, ledger)
    day, columns, service = _headed(rows, where, ledger)
    high = GRIDMET_WIND_M if service == "gridMET" else wind_height_m
    return _measured(path.stem, day, columns, high, where, ledger)


def _measured(
    name: str,
    day: Sequence[np.datetime64],
    columns: Mapping[str, Sequence[float]],
    wind_height_m: float,
    where: str,
    ledger: Ledger,
) -> DaysMeasured:
    """Days that can be, with values that can be."""
    n = len(day)
    clean: dict[str, Floats] = {}
    for key, column in COLUMNS.items():
        values = np.asarray(columns.get(key, np.full(n, np.nan)), np.float64)
        values = np.where(np.isin(values, MISSING), np.nan, values)
        with np.errstate(invalid="ignore"):
            odd = (values < column.low) | (values > column.high)
        if odd.any():
            ledger.add(Kind.SKIPPED, where, f"{int(odd.sum())} values of {key.rsplit('_', 1)[0]} that cannot be")
        clean[key] = np.where(odd, np.nan, values)
    days = np.array([np.datetime64("NaT") if d is None else d for d in day], "datetime64[D]")
    real = ~np.isnat(days) & (days > np.datetime64("1900-01-01")) & (days < np.datetime64("2100-01-01"))
    if (~real).any():
        ledger.add(Kind.SKIPPED, where, f"{int((~real).sum())} rows without a date that can be")
    if not real.any():
        raise DataError(where, "it has no days", "Give daily weather with dates")
    known = {k for k, v in clean.items() if np.isfinite(v[real]).any()}
    if "eto_mm" not in known and not {"t_min_c", "t_max_c"} <= known:
        raise DataError(
            where,
            "it has neither ETo nor both minimum and maximum temperature",
            "Give a daily file of a weather network, or a table with the columns date and eto",
        )
    return DaysMeasured(
        name=name, day=days[real], wind_height_m=wind_height_m, **{k: v[real] for k, v in clean.items()}
    )


Found = tuple[list[np.datetime64], dict[str, list[float]]]


def _number(text: str) -> float:
    value = figure(text)
    return np.nan if value is None else value


def _date(year: float, month: float, day: float) -> np.datetime64 | None:
    try:
        return np.datetime64(f"{int(year):04d}-{int(month):02d}-{int(day):02d}")
    except ValueError:
        return None


def _day_of(year: float, day: float) -> np.datetime64 | None:
    if not (np.isfinite(year) and 1 <= day <= 366):
        return None
    return np.datetime64(f"{int(year):04d}-01-01") + (int(day) - 1) * DAY


def _azmet(rows: list[list[str]]) -> Found:
    place = _AZMET_28 if len(rows[0]) == 28 else _AZMET_25
    whole = [row for row in rows if len(row) == len(rows[0])]
    years = [_number(row[0]) for row in whole]
    years = [y + (1900 if y > 50 else 2000) if y < 100 else y for y in years]
    day = [_day_of(y, _number(row[1])) for y, row in zip(years, whole, strict=True)]
    return day, {key: [_number(row[k]) for row in whole] for key, k in place.items()}  # type: ignore[return-value]


def _knmi(rows: list[list[str]], where: str) -> Found:
    head = next((row for row in rows if "YYYYMMDD" in [c.strip(" #") for c in row]), None)
    if head is None:
        raise DataError(where, "it has no line of headings with YYYYMMDD", "Fetch it anew, with its headings")
    names = [cell.strip(" #") for cell in head]
    body = [row for row in rows if len(row) == len(names) and re.fullmatch(r"\d{8}", row[names.index("YYYYMMDD")])]
    day = []
    for row in body:
        text = row[names.index("YYYYMMDD")]
        day.append(_date(int(text[:4]), int(text[4:6]), int(text[6:])))
    columns = {}
    for name, (key, factor) in _KNMI.items():
        if name in names:
            raw = [_number(row[names.index(name)]) for row in body]
            columns[key] = [0.0 if key == "rain_mm" and v == -1 else v * factor for v in raw]
    return day, columns  # type: ignore[return-value]


def _dly(path: Path, where: str) -> Found:
    try:
        lines = path.read_text(encoding="ascii", errors="replace").splitlines()
    except OSError as fault:
        raise DataError(where, f"it cannot be opened: {fault.strerror}", "Check the path and its rights") from None
    entries = []
    for line in lines:
        element = line[17:21]
        if element not in _GHCN or not line[11:17].isdigit():
            continue
        for k in range(31):
            cell = line[21 + 8 * k : 29 + 8 * k].ljust(8)
            if cell[:5].strip() and int(cell[:5]) != -9999 and cell[6] == " ":
                day = _date(int(line[11:15]), int(line[15:17]), k + 1)
                if day is not None:
                    entries.append((day, element, float(cell[:5])))
    return _by_element(entries)


def _is_ghcn(rows: list[list[str]]) -> bool:
    head = [cell.upper() for cell in rows[0]]
    if {"ELEMENT", "DATE"} <= set(head):
        return True
    return len(rows[0]) >= 4 and re.fullmatch(r"\d{8}", rows[0][1]) is not None and len(rows[0][2]) == 4


def _ghcn(rows: list[list[str]]) -> Found:
    """Lines of station, date, element, value, three flags; a mark of quality means rejected."""
    body = rows[1:] if not re.fullmatch(r"\d{8}", rows[0][1]) else rows
    entries = []
    for row in body:
        row = row + [""] * (8 - len(row))
        text = row[1].replace("-", "")
        if row[2] in _GHCN and not row[5] and re.fullmatch(r"\d{8}", text):
            day = _date(int(text[:4]), int(text[4:6]), int(text[6:]))
            value = _number(row[3])
            if day is not None and value != -9999:
                entries.append((day, row[2], value))
    return _by_element(entries)


def _by_element(entries: list[tuple[np.datetime64, str, float]]) -> Found:
    days = sorted({day for day, _, _ in entries})
    row = {day: k for k, day in enumerate(days)}
    columns = {key: [np.nan] * len(days) for key, _ in _GHCN.values()}
    for day, element, value in entries:
        key, factor = _GHCN[element]
        columns[key][row[day]] = value * factor
    return days, columns


# --- files with headings -----------------------------------------------------------------------------------------


def _headed(
    rows: list[list[str]], where: str, ledger: Ledger
) -> tuple[list[np.datetime64], dict[str, list[float]], str]:
    head_row = max(range(min(len(rows), 40)), key=lambda k: (_score(rows[k]), -k))
    head = rows[head_row]
    if not _score(head):
        raise DataError(
            where,
            "no layout of daily weather that is known",
            "Give a network's daily file, or a table with the columns date and eto (or tmin and tmax)",
        )
    names = [_name(cell) for cell in head]
    service = next((s for s, (marks, _) in SERVICES.items() if marks <= set(names)), "")
    body = [row + [""] * (len(head) - len(row)) for row in rows[head_row + 1 :]]
    units_row = [""] * len(head)
    if body and not any(figure(cell) is not None and cell for cell in body[0][1:]):
        units_row, body = body[0], body[1:]
    days = _days(names, body, where)
    columns: dict[str, list[float]] = {}
    for key, column in COLUMNS.items():
        place = next((names.index(n) for n in column.names if n in names), None)
        if place is None:
            continue
        unit = _unit_of(head[place], column) or _unit_of(f"x ({units_row[place]})", column)
        if unit is None:
            unit = SERVICES[service][1].get(key, column.plain) if service else column.plain
            if names[place] in ("windrun", "wind run"):
                unit = "km/d"
        factor, offset = column.units[unit]
        values = np.array([_number(row[place]) for row in body])
        values = np.where(np.isin(values, MISSING), np.nan, values)
        if place + 1 < len(head) and names[place + 1] == "qc":
            bad = np.array([row[place + 1].strip().upper() in BAD_MARKS for row in body])
            values = np.where(bad, np.nan, values)
        if unit == "c" and not service and _unit_of(head[place], column) is None and _looks_f(values):
            factor, offset = _T["f"]
            ledger.add(Kind.ASSUMED, where, f"'{head[place]}' names no unit: its values are degrees Fahrenheit")
        if key == "rain_mm" and not service and unit == "mm" and _inches(head, body, names):
            factor = MM_PER_IN
            ledger.add(Kind.ASSUMED, where, f"'{head[place]}' names no unit: inches, as its temperatures are in F")
        columns[key] = (values * factor + offset).tolist()
    return days, columns, service


def _score(row: list[str]) -> int:
    names = [_name(cell) for cell in row]
    hits = sum(any(n in names for n in column.names) for column in COLUMNS.values())
    dated = any(n in names for n in ("date", "datetime", "day", "doy", "time", "yyyymmdd", "jul"))
    return hits * dated


def _name(cell: str) -> str:
    """A heading without its unit: 'Max Air Temp (F)' and 'temp_air_maxF' to 'max air temp', 'temp air max'."""
    text = re.sub(r"\(.*?\)|\[.*?\]", " ", cell)
    text = re.sub(r"(?<=[a-z])[CF]$", "", text.strip())
    name = plain(text)
    return re.sub(r" (mm|in|mps|mph|c|f|mj m2)$", "", name)


def _unit_of(cell: str, column: _Column) -> str | None:
    """The unit that a heading names, in brackets or at its end."""
    said = re.search(r"[(\[](.*?)[)\]]", cell)
    text = plain(said[1] if said else re.sub(r"(?<=[a-z])([CF])$", r" \1", cell.strip()))
    for unit in sorted(column.units, key=len, reverse=True):
        if text == unit or text.startswith(f"{unit} ") or (not said and text.endswith(f" {unit}")):
            return unit
    return None


def _looks_f(values: Floats) -> bool:
    known = values[np.isfinite(values)]
    return bool(len(known) and np.quantile(known, 0.9) > 50.0)


def _inches(head: list[str], body: list[list[str]], names: list[str]) -> bool:
    place = next((names.index(n) for n in COLUMNS["t_max_c"].names if n in names), None)
    if place is None or _unit_of(head[place], COLUMNS["t_max_c"]) is not None:
        return False
    return _looks_f(np.array([_number(row[place]) for row in body]))


def _days(names: list[str], body: list[list[str]], where: str) -> list[np.datetime64]:
    def column(*words: str) -> int | None:
        return next((names.index(w) for w in words if w in names), None)

    year, month, day = column("year"), column("month"), column("day")
    doy = column("doy", "jul", "julian day", "day of year")
    dated = column("date", "datetime", "time", "yyyymmdd")
    if dated is not None:
        return _dates([row[dated] for row in body])
    if year is not None and month is not None and day is not None:
        return [_date(*(_number(row[k]) for k in (year, month, day))) for row in body]  # type: ignore[misc]
    if year is not None and doy is not None:
        return [_day_of(_number(row[year]), _number(row[doy])) for row in body]  # type: ignore[misc]
    raise DataError(where, "it has no column of dates", "Give a column 'date' (2025-06-30), or year, month and day")


def _dates(cells: list[str]) -> list[np.datetime64]:
    """ISO dates, 20250630, or m/d/yyyy as American services write it (d/m where a first part exceeds 12)."""
    found: list[np.datetime64 | None] = []
    day_first = any((m := re.match(r"(\d{1,2})[/.](\d{1,2})[/.]\d{4}", c)) and int(m[1]) > 12 for c in cells)
    for cell in cells:
        match = re.match(r"(\d{4})-?/?(\d{2})-?/?(\d{2})", cell)
        if match:
            found.append(_date(int(match[1]), int(match[2]), int(match[3])))
            continue
        match = re.match(r"(\d{1,2})[/.](\d{1,2})[/.](\d{4})", cell)
        if match:
            month, day = (int(match[2]), int(match[1])) if day_first else (int(match[1]), int(match[2]))
            found.append(_date(int(match[3]), month, day))
        else:
            found.append(None)
    return found  # type: ignore[return-value]
