"""The station table: who has what area, flow, plants and soil, from whatever columns the office keeps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from planner.layers.rows import figure, plain, read_rows
from planner.layers.source import locate
from planner.ledger import DataError, Kind, Ledger, PlanError, offered
from planner.plan import PlanFile
from planner.readings import StationTable
from planner.site import Floats
from planner.units import MM_PER_IN, Units

# by column: headings that offices give it (in small letters, marks as spaces)
HEADINGS: Mapping[str, tuple[str, ...]] = {
    "station": (
        "station",
        "stn",
        "sta",
        "valve",
        "zone",
        "station no",
        "station number",
        "station name",
        "no",
        "number",
    ),
    "controller": ("controller", "controller name", "clock", "ctrl"),
    "programme": ("program", "programme", "prog", "pgm"),
    "kind": (
        "type",
        "head type",
        "heads",
        "head",
        "sprinkler",
        "device",
        "emission device",
        "irrigation type",
        "kind",
    ),
    "area": ("area", "irrigated area", "landscape area"),
    "flow": ("flow", "flow rate", "q"),
    "rate": ("precipitation rate", "precip rate", "precip", "pr", "application rate", "rate"),
    "catch": ("catch ml", "cans ml", "catch can ml", "catch", "catch can", "catch cans", "cans", "catches"),
    "catch_minutes": ("catch minutes", "catch time", "test minutes", "test time"),
    "catch_area": ("catch area", "can area", "can opening", "throat area", "opening"),
    "uniformity": (
        "du",
        "dulq",
        "du lq",
        "distribution uniformity",
        "low quarter du",
        "lower quarter du",
        "uniformity",
    ),
    "efficiency": ("efficiency", "ie", "ae", "application efficiency", "irrigation efficiency"),
    "plant": ("plant", "plants", "plant type", "plant category", "planting", "vegetation", "water use"),
    "factor": (
        "plant factor",
        "pf",
        "kc",
        "kl",
        "crop coefficient",
        "landscape coefficient",
        "coefficient",
        "factor",
    ),
    "soil": ("soil", "soil type", "soil texture", "texture"),
    "intake": ("intake", "intake rate", "basic intake rate", "basic intake", "infiltration", "infiltration rate"),
    "slope": ("slope",),
    "root": ("root", "root depth", "root zone", "rooting depth", "roots"),
    "depletion": ("depletion", "allowed depletion", "allowable depletion", "mad"),
    "pipe": ("pipe", "pipe id", "lateral", "lateral id", "inside diameter", "pipe size"),
}
_LENGTH = {"in": 25.4, "inch": 25.4, "inches": 25.4, "mm": 1.0, "cm": 10.0, "ft": 304.8, "m": 1000.0}
# by column: unit at the end of the heading to factor, and the unit of a heading without one, US and metric
UNITS: Mapping[str, tuple[Mapping[str, float], str, str]] = {
    "area": (
        {
            "ft2": 0.09290304,
            "sq ft": 0.09290304,
            "sqft": 0.09290304,
            "sf": 0.09290304,
            "m2": 1.0,
            "sq m": 1.0,
            "sqm": 1.0,
            "ac": 4046.8564224,
            "acre": 4046.8564224,
            "acres": 4046.8564224,
            "ha": 10000.0,
        },
        "ft2",
        "m2",
    ),
    "flow": (
        {
            "gpm": 3.785411784,
            "l/min": 1.0,
            "lpm": 1.0,
            "l min": 1.0,
            "l/s": 60.0,
            "m3/h": 1000.0 / 60.0,
            "gph": 3.785411784 / 60.0,
            "l/h": 1.0 / 60.0,
        },
        "gpm",
        "l/min",
    ),
    "rate": (
        {
            "in/h": MM_PER_IN,
            "in/hr": MM_PER_IN,
            "iph": MM_PER_IN,
            "in": MM_PER_IN,
            "mm/h": 1.0,
            "mm/hr": 1.0,
            "mm": 1.0,
        },
        "in/h",
        "mm/h",
    ),
    "catch_area": ({"in2": 6.4516, "sq in": 6.4516, "cm2": 1.0, "sq cm": 1.0}, "in2", "cm2"),
    "root": (_LENGTH, "in", "cm"),
    "pipe": (_LENGTH, "in", "mm"),
}
UNITS = {**UNITS, "intake": UNITS["rate"]}
SHARES = ("uniformity", "efficiency", "depletion")
# what a number of a column can be, in its inner unit
RANGES: Mapping[str, tuple[float, float]] = {
    "area": (0.05, 1e6),
    "flow": (0.01, 20_000.0),
    "rate": (0.1, 200.0),
    "uniformity": (0.1, 1.0),
    "efficiency": (0.1, 1.0),
    "factor": (0.01, 1.4),
    "intake": (0.5, 200.0),
    "slope": (0.0, 100.0),
    "root": (25.0, 3000.0),
    "depletion": (0.05, 0.95),
    "pipe": (5.0, 500.0),
    "catch_minutes": (0.5, 240.0),
    "catch_area": (5.0, 2000.0),
}


@dataclass(frozen=True)
class Words:
    """What the table's words may be: kinds of emission device, plants and soils, and other names for them."""

    kinds: Sequence[str]
    plants: Sequence[str]
    plants_also: Mapping[str, str]
    soils: Sequence[str]
    soils_also: Mapping[str, str]


def read_station_table(plan_file: PlanFile, words: Words, ledger: Ledger) -> StationTable:
    """The table that the plan names in `programme.stations`.

    Parameters
    ----------
    plan_file
        The plan.
    words
        What kinds, plants and soils may be called.
    ledger
        Told which rows and columns are not used.

    Returns
    -------
    StationTable
        One row a station, metric.

    Raises
    ------
    PlanError
        The plan names none, or its file is not there.
    DataError
        It cannot be read, has no station column, or gives a station a uniformity and an efficiency.
    """
    section = plan_file.plan.programme
    if section.stations is None:
        raise PlanError(
            f"{plan_file.path}: programme.stations",
            "the plan names no station table",
            'Give a CSV with a column of stations, for example stations = "stations.csv"',
        )
    path = locate(plan_file, "programme.stations", section.stations)
    where = f"programme.stations ({path.name})"
    rows = read_rows(path, where, section.table)
    head_row, found = _heading(rows, section.columns.model_dump(), where)
    head = rows[head_row]
    body = [row + [""] * (len(head) - len(row)) for row in rows[head_row + 1 :]]
    at_station = found["station"]
    body, units_row = _without_units_row(body, found)
    kept = [row for row in body if row[at_station]]
    if len(kept) < len(body):
        ledger.add(Kind.SKIPPED, where, f"{len(body) - len(kept)} rows without a station")
    kept, total = _without_totals(kept, at_station)
    if total:
        ledger.add(Kind.SKIPPED, where, "a row of totals", total)
    if not kept:
        raise DataError(where, "it has no station", "Give one row a station")
    names = tuple(row[at_station] for row in kept)
    ignored = [cell for k, cell in enumerate(head) if cell and k not in found.values()]
    if ignored:
        ledger.add(Kind.SKIPPED, where, "columns that are not known, so not used", ignored)
    read = _Reader(where, head, units_row, kept, names, found, section.columns_in or plan_file.plan.units, ledger)
    catch_rate, catch_du = read.cans()
    rate, uniformity = read.numbers("rate"), read.numbers("uniformity")
    try:
        return StationTable(
            names=names,
            controllers=read.text("controller", "controller"),
            programmes=read.text("programme", "A"),
            kind=read.known("kind", words.kinds, _kinds(words.kinds)),
            plant=read.known("plant", words.plants, words.plants_also),
            soil=read.known("soil", words.soils, words.soils_also),
            area_m2=read.numbers("area"),
            flow_l_min=read.numbers("flow"),
            rate_mm_h=np.where(np.isfinite(rate), rate, catch_rate),
            uniformity=np.where(np.isfinite(uniformity), uniformity, catch_du),
            efficiency=read.numbers("efficiency"),
            factor=read.numbers("factor"),
            intake_mm_h=read.numbers("intake"),
            slope_percent=read.numbers("slope"),
            root_m=read.numbers("root") / 1000.0,
            depletion=read.numbers("depletion"),
            pipe_mm=read.numbers("pipe"),
        )
    except ValueError as fault:
        raise DataError(where, str(fault), "Empty one of the two cells; catch cans give a uniformity too") from None


def _kinds(kinds: Sequence[str]) -> dict[str, str]:
    """'pop-up spray', 'Rotors', 'drip emitters' mean their kind."""
    return {f"{kind}s": kind for kind in kinds} | {
        "rotary": "rotor",
        "spray head": "spray",
        "spray heads": "spray",
        "fixed spray": "spray",
        "pop up spray": "spray",
        "drip line": "drip",
        "dripline": "drip",
        "drip emitters": "drip",
        "emitters": "drip",
        "point source": "drip",
        "gear rotor": "rotor",
        "impact": "rotor",
        "tree bubblers": "bubbler",
    }


def _heading(rows: list[list[str]], named: Mapping[str, str | None], where: str) -> tuple[int, dict[str, int]]:
    """The row of headings among the first twenty, and the place of each column."""
    best = 0
    found: dict[str, int] = {}
    for k, row in enumerate(rows[:20]):
        here = _columns(row, named)
        if len(here) > len(found):
            best, found = k, here
    for column, heading in named.items():
        if heading is not None and column not in found:
            raise DataError(where, f"it has no column '{heading}'", offered("Of its columns", heading, rows[best]))
    if "station" not in found:
        raise DataError(
            where,
            "no column of stations was found",
            "Give it a heading such as 'station', or name it in programme.columns.station",
        )
    return best, found


def _columns(row: list[str], named: Mapping[str, str | None]) -> dict[str, int]:
    found: dict[str, int] = {}
    for column, heading in named.items():
        if heading is not None:
            if heading in row:
                found[column] = row.index(heading)
            continue
        for k, cell in enumerate(row):
            if k not in found.values() and _without_unit(plain(cell), column) in HEADINGS[column]:
                found[column] = k
                break
    return found


def _without_unit(heading: str, column: str) -> str:
    unit = _unit(heading, column)
    for tail in (unit, "%", "percent"):
        if tail and heading.endswith(f" {tail}"):
            return heading[: -len(tail) - 1].strip()
    return heading.removesuffix("%").strip()


def _unit(heading: str, column: str) -> str | None:
    """The unit at the end of a heading, the longest that fits."""
    if column not in UNITS:
        return None
    fits = [u for u in UNITS[column][0] if heading == u or heading.endswith(f" {u}")]
    return max(fits, key=len) if fits else None


def _without_units_row(body: list[list[str]], found: Mapping[str, int]) -> tuple[list[list[str]], list[str] | None]:
    """The body without a row of units under the headings, and that row."""
    cells = {c: body[0][found[c]] for c in UNITS if c in found} if body else {}
    named = any(_unit(plain(cell), c) for c, cell in cells.items())
    numbers = any(cell and figure(cell) is not None for cell in cells.values())
    return (body[1:], body[0]) if named and not numbers else (body, None)


def _without_totals(rows: list[list[str]], at: int) -> tuple[list[list[str]], list[str]]:
    kept = [row for row in rows if not plain(row[at]).startswith(("total", "sum", "average", "mean"))]
    return kept, [row[at] for row in rows if row not in kept]


@dataclass(frozen=True)
class _Reader:
    """Columns of one table, each read once."""

    where: str
    head: list[str]
    units_row: list[str] | None
    rows: list[list[str]]
    names: tuple[str, ...]
    found: Mapping[str, int]
    units: Units
    ledger: Ledger

    def cells(self, column: str) -> list[str]:
        at = self.found.get(column)
        return [""] * len(self.rows) if at is None else [row[at] for row in self.rows]

    def text(self, column: str, default: str) -> tuple[str, ...]:
        return tuple(cell or default for cell in self.cells(column))

    def known(self, column: str, words: Sequence[str], also: Mapping[str, str]) -> tuple[str, ...]:
        """Words that are known, '' where the table is silent or its word is not (which is listed)."""
        lookup = {plain(w): w for w in words} | {plain(w): to for w, to in also.items()}
        cells = self.cells(column)
        found = tuple(lookup.get(plain(cell), "") for cell in cells)
        odd = [f"{n}: {c}" for n, c, f in zip(self.names, cells, found, strict=True) if c and not f]
        if odd:
            self.ledger.add(
                Kind.CHECK,
                self.where,
                f"words in '{self.head[self.found[column]]}' that are not known, so the "
                f"default stands; known: {', '.join(words)}",
                odd,
            )
        return found

    def numbers(self, column: str) -> Floats:
        """(n,) in the inner unit (mm, m2, L/min, mm/h, shares), NaN where there is none."""
        cells = self.cells(column)
        factor = self._factor(column) if column in self.found else 1.0
        values = np.full(len(cells), np.nan)
        odd = []
        for k, cell in enumerate(cells):
            value = figure(cell)
            if value is None:
                odd.append(f"{self.names[k]}: {cell}")
                continue
            value *= factor
            if column in SHARES and (value > 1.0 or cell.endswith("%")):
                value /= 100.0
            low, high = RANGES[column]
            if value < low or value > high:
                odd.append(f"{self.names[k]}: {cell}")
                continue
            values[k] = value
        if odd:
            self.ledger.add(
                Kind.SKIPPED,
                self.where,
                f"values in '{self.head[self.found[column]]}' that are no number or cannot be; treated as missing",
                odd,
            )
        return values

    def _factor(self, column: str) -> float:
        if column not in UNITS:
            return 1.0
        factors, us, metric = UNITS[column]
        heading = self.head[self.found[column]]
        unit = _unit(plain(heading), column)
        if unit is None and self.units_row is not None:
            unit = _unit(plain(self.units_row[self.found[column]]), column)
        if unit is None:
            unit = us if self.units == "us" else metric
            self.ledger.add(
                Kind.ASSUMED, self.where, f"'{heading}' names no unit: taken as {unit} (programme.columns_in)"
            )
        return factors[unit]

    def cans(self) -> tuple[Floats, Floats]:
        """(n,) rate in mm/h and low-quarter uniformity from catch cans, NaN where there are none."""
        n = len(self.rows)
        rate, uniformity = np.full(n, np.nan), np.full(n, np.nan)
        if "catch" not in self.found:
            return rate, uniformity
        minutes, opening = self.numbers("catch_minutes"), self.numbers("catch_area")
        few = []
        for k, cell in enumerate(self.cells("catch")):
            catch = [figure(part) for part in cell.replace(";", " ").replace("|", " ").split()]
            volumes = np.sort([v for v in catch if v is not None and np.isfinite(v)])
            if len(volumes) < 4 or volumes.mean() <= 0:
                few += [self.names[k]] if cell else []
                continue
            if len(volumes) < 24 or len(volumes) % 4:
                few.append(self.names[k])
            uniformity[k] = volumes[: len(volumes) // 4].mean() / volumes.mean()
            rate[k] = volumes.mean() / opening[k] * 600.0 / minutes[k]
        if few:
            self.ledger.add(
                Kind.CHECK, self.where, "fewer than 24 catch cans, or a number not divisible by four", few
            )
        return rate, uniformity
