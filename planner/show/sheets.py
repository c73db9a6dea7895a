"""One field sheet as text and pictures: what the HTML page and the PDF are both laid out from.

Every sentence is finished here, and both layouts only place it; it may be stored and typeset later.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil
from typing import Any, Self

ROWS_A_PAGE = 28  # of controllers, on the pages that follow a sheet which has no room for all of them


@dataclass(frozen=True)
class Fact:
    """A label and its value; link: what a tap on the value opens, '' for nothing."""

    label: str
    value: str
    link: str = ""


@dataclass(frozen=True)
class ZonePart:
    """The zone to set, as said. percent: (12,) of each month, '?' where not known. season: (12,) irrigated."""

    label: str
    answer: str
    chance: str
    peak: str
    find: str
    more: str
    season_said: str
    percent: tuple[str, ...]
    season: tuple[bool, ...]


@dataclass(frozen=True)
class ControllerPart:
    """Controllers as rows of cells: name, distance, cable or margin, what it needs.

    rows: those on the sheet itself. more: says how many are left, '' for none. every: all of them, where the sheet
    itself has no room, for the pages that follow. write: there is a box to tick for each.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    more: str
    every_title: str
    every: tuple[tuple[str, ...], ...]
    write: bool


@dataclass(frozen=True)
class Sheet:
    """The sheet of one place, or of a site where no mount meets every requirement (`sign` is '' then).

    drawing, picture: SVG, '' for none. lead and what follows it is said where there is no place. full: much to
    say, so that HTML is printed a little smaller. bill: of the whole site, in sentences, on its first sheet. words:
    the headings that both layouts share.
    """

    title: str
    site: str
    what: str
    sign: str
    kind: str
    mount: str
    head: str
    on: str
    facts: tuple[Fact, ...]
    warnings: tuple[str, ...]
    lead: str
    numbers: tuple[Fact, ...]
    alternate: str
    drawing: str
    drawing_said: str
    picture: str
    picture_said: tuple[str, ...]
    zone: ZonePart
    nearest: str
    proposed: str
    controllers: ControllerPart
    bill: tuple[str, ...]
    checks: tuple[str, ...]
    blanks: tuple[str, ...]
    cautions: tuple[Fact, ...]
    defer: str
    full: bool
    words: dict[str, str]

    @property
    def name(self) -> str:
        """What an index calls it."""
        return self.site or self.title

    @property
    def pages(self) -> int:
        """Pages that it takes in print: itself, and those of the controllers that it has no room for."""
        return 1 + ceil(len(self.controllers.every) / ROWS_A_PAGE)

    def packed(self) -> dict[str, Any]:
        """As a dictionary of texts, lists and flags that JSON takes."""
        return dataclasses.asdict(self)

    @classmethod
    def unpacked(cls, packed: Mapping[str, Any]) -> Self:
        """The inverse of :meth:`packed`, also through JSON. Raises KeyError or TypeError where it is none."""
        told = dict(packed)
        told["zone"] = ZonePart(**{k: _tuples(v) for k, v in told["zone"].items()})
        told["controllers"] = ControllerPart(**{k: _tuples(v) for k, v in told["controllers"].items()})
        for name in ("facts", "numbers", "cautions"):
            told[name] = tuple(Fact(**fact) for fact in told[name])
        for name in ("warnings", "picture_said", "bill", "checks", "blanks"):
            told[name] = tuple(told[name])
        return cls(**told)


def _tuples(value: Any) -> Any:
    return tuple(_tuples(v) for v in value) if isinstance(value, list | tuple) else value
