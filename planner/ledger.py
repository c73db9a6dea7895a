"""What was repaired, assumed or left out, and the errors a person can act on.

Rooms never print. They add a :class:`Notice` to the :class:`Ledger` they are given, and the faces (command
line, map, field sheet) show the list with the result. What cannot be repaired safely is a
:class:`PlannerError`, which always says where, what, and what to do.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from planner.units import M_PER_FT, Units, distance


class Exit(IntEnum):
    """Exit codes of the command line; the README's table is checked against this list."""

    OK = 0
    UNEXPECTED = 1  # a fault of ours or of the installation: please report it
    USAGE = 2  # the command line itself, or the scheduler that it names
    PLAN = 3  # the plan file, or what it names is not there
    DATA = 4  # a layer, a raster or a table that the plan names
    NO_MOUNT = 5  # everything ran and was written, but no mount meets every requirement
    OUTPUT = 6  # the output folder cannot be written, or holds files that are not ours
    STOPPED = 130  # stopped from the keyboard


class Kind(StrEnum):
    REPAIRED = "repaired"
    ASSUMED = "assumed"
    SKIPPED = "left out"
    CHECK = "please check"


@dataclass(frozen=True)
class Notice:
    """One thing a reader should know about their input.

    where: file, layer or plan key; what: one sentence; features: names or row numbers concerned; more: how many
    besides those.
    """

    kind: Kind
    where: str
    what: str
    features: tuple[str, ...] = ()
    more: int = 0

    def __str__(self) -> str:
        shown = self.some(8)
        return f"{self.kind.value}: {self.where}: {self.what}" + (f" ({shown})" if shown else "")

    def some(self, most: int) -> str:
        """The first few features, and how many more there are."""
        more = len(self.features[most:]) + self.more
        return ", ".join(self.features[:most]) + (f" and {more:,} more" if more else "")


class Ledger:
    """A growing list of notices; the same notice is kept once. units: those of the plan, for lengths in notices."""

    def __init__(self, units: Units = "metric") -> None:
        self._notices: dict[Notice, None] = {}
        self.units: Units = units

    def length(self, value_m: float) -> str:
        """'6 m' or '18 ft', three digits at most."""
        value, unit = (value_m / M_PER_FT, "ft") if self.units == "us" else (value_m, "m")
        return f"{float(f'{value:.3g}'):,g} {unit}"

    def distance(self, value_m: float) -> str:
        """How far away something is: '420 m', '12 km'; '1,378 ft', '7 miles'."""
        return distance(value_m, self.units)

    def add(self, kind: Kind, where: str, what: str, features: Iterable[object] = ()) -> None:
        self._notices.setdefault(Notice(kind, where, what, tuple(map(str, features))))

    def take(self, others: Iterable[Notice]) -> None:
        """Add notices of another ledger."""
        for notice in others:
            self._notices.setdefault(notice, None)

    def __iter__(self) -> Iterator[Notice]:
        return iter(self._notices)

    def __len__(self) -> int:
        return len(self._notices)


class PlannerError(Exception):
    """Input that cannot be used: what is wrong, where, and what to do about it.

    where: file and feature, or file and key; what: the fault in one sentence; todo: the next step.
    """

    exit_code: Exit = Exit.UNEXPECTED

    def __init__(self, where: str, what: str, todo: str) -> None:
        super().__init__(where, what, todo)  # all three, so that it comes back whole from another process
        self.where, self.what, self.todo = where, what, todo

    def __str__(self) -> str:
        return f"{self.where}: {self.what}. {self.todo}"


class CommandError(PlannerError):
    exit_code = Exit.USAGE


class PlanError(PlannerError):
    """The plan file is wrong, or what it names is not there."""

    exit_code = Exit.PLAN


class DataError(PlannerError):
    """A layer, a raster or a table that the plan names holds something that cannot be used."""

    exit_code = Exit.DATA


class SitesError(DataError):
    """A few of the sites asked for, by row, cannot be used; the others can."""

    def __init__(self, where: str, what: str, todo: str, rows: tuple[int, ...] = ()) -> None:
        super().__init__(where, what, todo)
        self.rows = rows


class OutputError(PlannerError):
    """The output folder cannot be written, or holds files that are not ours."""

    exit_code = Exit.OUTPUT


def nearest(word: str, known: Iterable[str]) -> str:
    """'did you mean ...' for a mistyped name, or the list of names when none is near.

    Parameters
    ----------
    word
        What was typed.
    known
        What might have been meant.

    Returns
    -------
    str
        To stand in an error.

    Examples
    --------
    >>> nearest("bulidings", ["site", "buildings"]), nearest("x", ["site", "buildings"]), nearest("x", [])
    ("did you mean 'buildings'?", 'known: site, buildings', 'there are none')
    """
    names = [str(k) for k in known]
    lowered = {n.lower(): n for n in names}
    close = difflib.get_close_matches(word.lower(), lowered, n=1, cutoff=0.5)
    if close:
        return f"did you mean '{lowered[close[0]]}'?"
    return "known: " + ", ".join(names) if names else "there are none"


def offered(place: str, word: str, known: Iterable[str]) -> str:
    """The same as :func:`nearest`, of one place that has names to offer.

    Parameters
    ----------
    place
        Where the names are: "In that folder".
    word
        What was typed.
    known
        What might have been meant.

    Returns
    -------
    str
        To stand in an error.

    Examples
    --------
    >>> offered("In that folder", "q", ["plan.toml", "roofs.gpkg"])
    'In that folder: plan.toml, roofs.gpkg'
    """
    return f"{place}: {nearest(word, known).removeprefix('known: ')}"
