"""One layer beside a site that is there: what it is, which readings it has, and the keys that come of an answer.

As the first plan of a folder would have it; what that plan would write below a key, commented out, is a choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS

from planner.layers import lonlat_shapes
from planner.layers.frame import WGS84, apart_m, horizontal
from planner.layers.look import Form, Looked
from planner.layers.source import on_earth
from planner.ledger import PlanError, PlannerError
from planner.site import KeepOut, Site
from planner.start.draft import Block, Code, Draft, Line, Note, draft
from planner.start.sort import Clue, Kind, Sorted, kinds_of

FAR_M = 2000.0  # an outline farther off is another site's
NOT_TAKEN = (Kind.MANY_SITES, Kind.STATIONS, Kind.UNKNOWN)
FIRST = ("height_unit", "height", "kind", "default_kind", "unit", "crs")  # what a person is asked first
ETO_UNITS = ("mm/day", "in/day", "mm/month", "in/month")


@dataclass(frozen=True)
class Choice:
    """A key with its readings, the likeliest first; asked: where it is a guess. notes: what is said of it."""

    key: str
    values: tuple[Any, ...]
    notes: tuple[Note, ...] = ()
    asked: bool = False


@dataclass(frozen=True)
class Told:
    """One layer. kind: None where nothing tells. kinds: what it may be. choices: keys of its section, none where it
    cannot be used: `why_not` then says why. notes: of the layer. needs_crs: where only its CRS is missing.
    """

    part: Sorted
    kind: Kind | None
    kinds: tuple[Kind, ...]
    choices: tuple[Choice, ...] = ()
    notes: tuple[Note, ...] = ()
    why_not: tuple[Note, ...] = ()
    needs_crs: bool = False

    @property
    def usable(self) -> bool:
        return bool(self.choices)


def told(part: Sorted, site: Site, kind: Kind | None = None, crs: str | None = None) -> Told:
    """What one layer is, and which readings it has, as the first plan of a folder would say beside the site.

    Parameters
    ----------
    part
        What the layer was found to be.
    site
        That it is brought to.
    kind, crs
        As a person chose; None for what was found.

    Returns
    -------
    Told
        In codes and numbers.

    Raises
    ------
    PlanError
        The CRS is none.
    """
    kinds = kinds_of(part.looked.form)
    own = part.kind if part.kind not in NOT_TAKEN else None
    if kind is not None and kind is not part.kind:
        if kind not in kinds:
            raise PlanError(_name(part), f"it cannot be {kind.value}", "Choose another kind")
        part, own = replace(part, kind=kind, clue=Clue.TOLD), kind
    if crs:
        part = replace(part, looked=replace(part.looked, crs=_crs(crs)))
    try:
        found = _draft(part, site)
    except PlannerError as fault:
        note = Note(Code.UNREADABLE, _name(part), fault.what)
        return Told(part, own, kinds, why_not=(note,))
    block = _block(found, part)
    if block is None or own is None:
        lost = {Code.NO_PLACE, Code.DRAWING}
        asked = [note for one in found.blocks if one.off for note in one.notes if note.code in lost]
        unplaced = bool(asked) or any(note.code in lost for note in found.unused)
        unused = [replace(one, other=one.other.replace(str(part.looked.path), _name(part))) for one in found.unused]
        return Told(part, own, kinds, why_not=(*unused, *asked), needs_crs=unplaced and own is not None)
    choices = _choices(block)
    if crs:
        choices = (*choices, Choice("crs", (crs,)))
    return Told(part, own, kinds, choices, block.notes)


def _crs(said: str) -> CRS:
    try:
        found = horizontal(CRS.from_user_input(said))
        known = on_earth(found)
    except Exception:
        known = False
    if not known:
        raise PlanError("CRS", f"'{said[:40]}' is not a CRS of places on the earth", "Write it as EPSG:2229")
    return found


def _draft(part: Sorted, site: Site) -> Draft:
    outline = lonlat_shapes([site.outline], site.crs)
    if part.kind is not Kind.SITE:
        looked = Looked(Path("outline"), None, Form.POLYGONS, 1, WGS84, outline)
        return draft("", [Sorted(looked, Kind.SITE, Clue.NAME, 99), part], None, "")
    at = np.array(outline[0].centroid.coords[0])
    found = draft("", [part], (float(at[1]), float(at[0])), "")
    where = np.array(found.where_deg[::-1])
    if found.outline is not None or not apart_m(where, at) <= FAR_M:
        away = float("nan") if found.outline is not None else float(apart_m(where, at))
        far = Note(Code.FAR, _name(part), str(Kind.SITE), size=away)
        return replace(found, blocks=(), unused=(*found.unused, far))
    return found


def _block(found: Draft, part: Sorted) -> Block | None:
    section = "zone" if part.kind is Kind.ZONES else f"layers.{part.kind}"
    for block in found.blocks:
        if block.section == section and not block.off and block.lines:
            return block
    return None


def _choices(block: Block) -> tuple[Choice, ...]:
    """A key with each of its readings; those in doubt, with what is said of them."""
    keys: dict[str, list[Line]] = {}
    for line in block.lines:
        keys.setdefault(line.key, []).append(line)
    out = []
    for key, lines in keys.items():
        if all(line.off for line in lines):
            continue  # another reading of a key that is not taken
        notes = tuple(note for line in lines for note in line.notes)
        values = [line.value for line in sorted(lines, key=lambda line: line.off)]
        if key == "default_kind":
            values += [kind.value for kind in KeepOut if kind.value not in values]
        if key == "unit":
            values += [unit for unit in ETO_UNITS if unit not in values]
        doubt = len(values) > 1
        out.append(Choice(key, tuple(dict.fromkeys(map(_plain, values))), notes, doubt))
    return tuple(sorted(out, key=lambda one: (not one.asked, FIRST.index(one.key) if one.key in FIRST else 9)))


def _name(part: Sorted) -> str:
    return part.looked.path.name


def _plain(value: object) -> Any:
    return str(value) if isinstance(value, Path) else value


def section_keys(told: Told, answers: Mapping[str, Any]) -> tuple[tuple[str, Any], ...]:
    """The keys of a layer's section, with what was chosen.

    Parameters
    ----------
    told
        What the layer is, and which readings it has.
    answers
        The readings chosen, by key.

    Returns
    -------
    tuple
        Keys and their values.

    Raises
    ------
    PlanError
        An answer was not offered, or the layer cannot be used.
    """
    if not told.usable:
        raise PlanError(told.part.looked.path.name, "it cannot be used as it is", "See what is said of it")
    known = {choice.key: choice for choice in told.choices}
    out = {}
    for choice in told.choices:
        value = answers.get(choice.key, choice.values[0])
        if value not in choice.values or isinstance(value, bool) is not isinstance(choice.values[0], bool):
            raise PlanError(choice.key, f"{value!r} was not offered", "Choose one of the list")
        out[choice.key] = value
    if unknown := sorted(set(answers) - set(known)):
        raise PlanError(unknown[0], "this was not asked", "Reload the page")
    return tuple(out.items())
