"""The programming sheet and the log review as text and pictures, block by block: what the HTML page and the PDF are
both laid out from.

Every sentence is finished here, and both layouts only place it; it may be stored and typeset later.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, Literal

Role = Literal["", "small", "warn", "answer", "finding", "verdict", "limit"]


@dataclass(frozen=True)
class Line:
    """A paragraph. lead and after stand before and behind the text: with an answer they are plain and the text is
    large, elsewhere the lead is bold.
    """

    text: str
    role: Role = ""
    lead: str = ""
    after: str = ""
    kind: str = "line"


@dataclass(frozen=True)
class Facts:
    """Labels and values."""

    rows: tuple[tuple[str, str], ...]
    kind: str = "facts"


@dataclass(frozen=True)
class Points:
    """Sentences, each on a line of its own."""

    rows: tuple[str, ...]
    role: Role = ""
    kind: str = "points"


@dataclass(frozen=True)
class Column:
    """Head of a column. short: what stands before each value on a phone; the head itself where it is ''.

    wide: takes the room that the others leave, on paper.
    """

    name: str
    number: bool = False
    short: str = ""
    wide: bool = False


@dataclass(frozen=True)
class Cell:
    """mark: 'warn', 'strong', 'off' (not in season), or '' for none."""

    text: str
    mark: Literal["", "warn", "strong", "off"] = ""


@dataclass(frozen=True)
class Group:
    """Rows of a table; title: a line above them, '' for none."""

    rows: tuple[tuple[Cell, ...], ...]
    title: str = ""


@dataclass(frozen=True)
class Table:
    """style: 'tight' is set smaller; 'months' has a row's name first and twelve months."""

    columns: tuple[Column, ...]
    groups: tuple[Group, ...]
    style: Literal["", "tight", "months"] = ""
    kind: str = "table"


@dataclass(frozen=True)
class Picture:
    """svg: our own, with its title in it. said: that title. caption: stands below."""

    svg: str
    said: str
    caption: str
    kind: str = "picture"


@dataclass(frozen=True)
class Checks:
    """Things to do in order, each with a box to tick and room to write behind `found`."""

    rows: tuple[str, ...]
    found: str
    kind: str = "checks"


@dataclass(frozen=True)
class Blanks:
    """Labels in one row, each with room to write."""

    labels: tuple[str, ...]
    kind: str = "blanks"


Block = Line | Facts | Points | Table | Picture | Checks | Blanks


@dataclass(frozen=True)
class Part:
    """What stands under one heading ('' for none). beside: stands at its right. whole: is not broken over two
    pages of paper where one takes it. new_page: begins one.
    """

    head: str
    blocks: tuple[Block, ...]
    beside: Part | None = None
    whole: bool = False
    new_page: bool = False


@dataclass(frozen=True)
class Document:
    """what: the kind of sheet, at its top and at the foot of each page of paper."""

    title: str
    site: str
    what: str
    parts: tuple[Part, ...]

    def packed(self) -> dict[str, Any]:
        """As a dictionary of texts, lists and flags that JSON takes."""
        return dataclasses.asdict(self)
