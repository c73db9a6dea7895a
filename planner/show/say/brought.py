"""What the page that answers says of a layer that was brought in: what it was taken for, and what is asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from planner.changes import JOINED
from planner.show.say.figures import plural
from planner.show.say.start import note_said
from planner.start.beside import Choice, Told
from planner.start.sort import Kind

if TYPE_CHECKING:
    from planner.changes import Brought

KINDS = {
    Kind.SITE: "the site's outline",
    Kind.BUILDINGS: "buildings",
    Kind.TREES: "trees",
    Kind.TERRAIN: "terrain",
    Kind.SURFACE: "a surface model",
    Kind.CANOPY: "heights of vegetation",
    Kind.CONTROLLERS: "controllers",
    Kind.POLES: "poles",
    Kind.KEEP_OUTS: "places that rule a sensor out",
    Kind.GROUNDS: "ground covers, for cable routes",
    Kind.ZONES: "a zone table",
}
KEYS = {
    "height": "Height",
    "height_unit": "Unit of its heights",
    "name": "Name",
    "crown_width": "Tree canopy width",
    "crown_radius": "Tree canopy radius",
    "crown_base": "Underside of the tree canopy",
    "leaf": "Evergreen or deciduous",
    "species": "Species",
    "base": "Underside",
    "roof": "Roof shape",
    "roof_height": "Roof height",
    "mountable": "May carry a sensor",
    "storeys": "Stories",
    "top": "Top, above sea level",
    "ground": "Ground, above sea level",
    "indoors": "Indoors",
    "kind": "Kind",
    "default_kind": "Kind of all of them",
    "crs": "Coordinate system",
    "where": "Picked",
    "above": "Heights are above",
    "unit": "Unit of its bands",
    "x": "Longitude or easting",
    "y": "Latitude or northing",
    "pick": "Picked",
}
VALUES = {"m": "meters", "ft": "feet", "storeys": "stories", "no_access": "no access"}
UNSAID = ("path", "layer", "table")
WORDS = {"height_unit", "default_kind", "unit", "crs", "above", "where", "pick"}  # other values name columns


def told_said(told: Told, there: Mapping[str, int]) -> dict[str, Any]:
    """One layer as the page shows it.

    Parameters
    ----------
    told
        What the layer is, and which readings it has.
    there
        Features of each layer of the site as it stands.

    Returns
    -------
    dict
        For JSON.
    """
    looked, kind = told.part.looked, told.kind
    has = there.get(str(kind), 0) if kind is not None else 0
    return {
        "file": looked.path.name + (f", layer {looked.layer}" if looked.layer else ""),
        "kind": str(kind) if kind is not None else "",
        "kinds": [(str(one), KINDS[one]) for one in told.kinds],
        "taken": f"Taken as {KINDS[kind]}" if kind is not None and told.usable else "Not used so far",
        "says": [_stopped(note_said(note)) for note in (*told.notes, *told.why_not)]
        + [_read(one) for one in told.choices if one.key not in UNSAID and not one.asked],
        "asks": [_asked(one) for one in told.choices if one.asked],
        "asksCrs": told.needs_crs or any(one.key == "crs" for one in told.choices),
        "usable": told.usable,
        "there": _there(kind, has) if kind is not None else "",
        "has": bool(has),
        "joins": str(kind) in JOINED,
    }


def _there(kind: Kind, has: int) -> str:
    if kind in (Kind.TERRAIN, Kind.SURFACE, Kind.CANOPY, Kind.SITE, Kind.ZONES):
        return "It takes the place of the one that is there." if has else ""
    return (
        f"{plural(has, 'feature')} {'stand' if has > 1 else 'stands'} there now." if has else "There are none now."
    )


def _value(choice: Choice, value: Any) -> str:
    if choice.key in WORDS:
        return VALUES.get(str(value), str(value))
    return f"column {value}"


def _read(choice: Choice) -> str:
    said = "; ".join(note_said(note) for note in choice.notes)
    name = KEYS.get(choice.key, choice.key)
    return _stopped(f"{name}: {_value(choice, choice.values[0])}" + (f"; {said}" if said else ""))


def _asked(choice: Choice) -> dict[str, Any]:
    notes = [note_said(note).removeprefix("check: ") for note in choice.notes]
    return {
        "key": choice.key,
        "label": KEYS.get(choice.key, choice.key),
        "choices": [(value, _value(choice, value)) for value in choice.values],
        "why": _sentence("; ".join(notes)) if notes else "",
    }


def _sentence(text: str) -> str:
    return _stopped(text[:1].upper() + text[1:])


def _stopped(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def change_said(one: Brought) -> str:
    """The change in a line of the list."""
    what = KINDS[Kind.ZONES if one.name == "zone" else Kind(one.name)]
    return f"{what[0].upper()}{what[1:]} from {one.title}" + (", added to those there" if one.joins else "")


def saved_said(from_site: Sequence[str], layers: Sequence[Brought], any_change: bool) -> str:
    """What a plan saved now would hold.

    Parameters
    ----------
    from_site
        Layers of the site that are written anew.
    layers
        Those that were brought in.
    any_change
        Whether anything else was changed.

    Returns
    -------
    str
        A sentence; "" where there is no change.
    """
    if not any_change:
        return ""
    parts = ["A new plan file with your comments and the changed keys."]
    if from_site:
        names = " and ".join(filter(None, (", ".join(_plain(n) for n in from_site[:-1]), _plain(from_site[-1]))))
        parts.append(
            f"A GeoPackage with all {names} as they stand here: the new plan reads these from it, and what is "
            "changed in your own files later does not reach it."
        )
    copied = [one.title for one in layers if one.name not in from_site]
    if copied:
        parts.append(f"A copy of {', '.join(copied)}.")
    parts.append("Every other layer is read from your own files, as before.")
    return " ".join(parts)


def _plain(name: str) -> str:
    return KINDS[Kind(name)]


def compared_counts(
    before: Mapping[str, int], now: Mapping[str, int], layers: Sequence[Brought]
) -> list[tuple[str, str, str]]:
    """Features of layers that were brought in, or of which there are more or fewer than before the changes.

    Parameters
    ----------
    before, now
        Features of each layer.
    layers
        That were brought in.

    Returns
    -------
    list of tuple
        The layer, and both counts, in words.
    """
    others = {one.name for one in layers}
    rows = []
    for kind in Kind:
        one, other = before.get(str(kind), 0), now.get(str(kind), 0)
        if one != other or (str(kind) in others and other):
            what = KINDS[kind]
            rows.append((what[0].upper() + what[1:], f"{one:,}", f"{other:,}"))
    return rows
