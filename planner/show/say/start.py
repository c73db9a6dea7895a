"""What a first plan says beside its keys: where a layer was found, what was counted, what is guessed or missing."""

from __future__ import annotations

import math
from collections.abc import Callable

from planner.show.say.figures import plural
from planner.start.draft import Code, Note
from planner.start.recognise import Basis
from planner.start.sort import Clue
from planner.units import fixed

CHECK = "check: "

_UNIT = {"m": "meters", "ft": "feet", "storeys": "stories"}
_SHORT = {"m": "m", "ft": "ft", "storeys": "stories", "": ""}
_KIND = {
    "site": "the site's outline",
    "buildings": "buildings",
    "trees": "trees",
    "terrain": "terrain (heights of the ground)",
    "surface": "a surface model",
    "canopy": "heights of vegetation",
    "controllers": "irrigation controllers",
    "poles": "poles",
    "keep_outs": "places that rule a sensor out",
    "grounds": "ground covers, for cable routes",
    "many sites": "the contract's sites",
}
_CLUE = {
    Clue.NAME: "by its name",
    Clue.COLUMNS: "by its columns",
    Clue.VALUES: "by its values alone",
    Clue.WHERE: "picked out of a layer of several kinds",
    Clue.TOLD: "as you chose",
    Clue.NONE: "",
}
_BASIS = {
    Basis.NAME: "as the column's name says",
    Basis.WRITTEN: "the unit is written with the values",
    Basis.SCHEMA: "as the publisher of this kind of layer states",
    Basis.FILE: "the file's name says so, the file does not",
    Basis.STORIES: "only so do they fit the column of stories",
    Basis.CRS: "the layer's coordinates are in feet; of its heights nothing says it",
    Basis.SIZE: "the values are large for meters; the column does not say",
    Basis.ASSUMED: "nothing says which; most open data are in meters",
}
ATTRIBUTION = {
    "osm": "© OpenStreetMap contributors (ODbL)",
    "overture": "Overture Maps Foundation; holds OpenStreetMap data (ODbL): © OpenStreetMap contributors",
    "3dbag": "© 3D BAG by tudelft3d and 3DGI (CC BY 4.0)",
    "bdtopo": "IGN BD TOPO (Licence Ouverte 2.0)",
    "microsoft": "Microsoft building footprints (CDLA-Permissive-2.0)",
}


def note_said(note: Note) -> str:
    """A comment, without the number sign."""
    return (CHECK if note.check else "") + _SAID[note.code](note)


def _all(count: int, one: str, many: str = "") -> str:
    return f"the {one} is" if count == 1 else f"all {plural(count, one, many)} are"


def _size(note: Note) -> str:
    return f"median {fixed(note.size, 1 if note.size < 100 else 0)} {_SHORT[note.unit]}" if _known(note) else ""


def _known(note: Note) -> bool:
    return math.isfinite(note.size)


def _have(note: Note) -> str:
    if note.count == note.of:
        return "it has one" if note.of == 1 else f"all {note.of:,} have one"
    return f"{note.count:,} of {note.of:,} have one"


def _taken(note: Note) -> str:
    kind = _KIND.get(note.name, note.name)
    seen = f"; the first {note.of:,} were looked at" if note.of < note.count else ""
    if _known(note):
        seen = f"; what is counted below are the {note.of:,} within {note.size:.0f} m of the site"
    raster = note.name in ("terrain", "surface", "canopy")
    count = "" if raster else f", {plural(note.count, 'feature')}{seen}"
    clue = _CLUE[Clue(note.basis)]
    return f"{note.other}: taken as {kind}{' ' + clue if clue else ''}{count}."


def _features(note: Note) -> str:
    raster = note.other in ("terrain", "surface", "canopy")
    return "" if raster else f" ({plural(note.count, 'feature')})"


def _away(note: Note) -> str:
    if not _known(note):
        return "far"
    return f"{note.size / 1000:,.0f} km" if note.size >= 2000 else f"{note.size:,.0f} m"


_SAID: dict[Code, Callable[[Note], str]] = {
    Code.TAKEN: _taken,
    Code.OUTLINE_DRAWN_AT: lambda n: (
        f"no outline was given: a square of {n.size:.0f} m (400 ft) around the place; draw your own over it"
    ),
    Code.OUTLINE_DRAWN_AROUND: lambda n: (
        f"no outline was found: drawn {n.size:.0f} m (50 ft) around all that stands there; draw your own over it"
    ),
    Code.PICKED: lambda n: f"of {n.count:,} outlines this one holds what else was found",
    Code.CRS_DEGREES: lambda n: "the file does not say; the coordinates look like longitude and latitude",
    Code.CRS_OTHERS: lambda n: (
        f"the file does not say; only in {n.name}, as another layer, does it lie at the site"
    ),
    Code.CRS_PLACE: lambda n: (
        f"the file does not say; of the systems in use there, {n.name} puts it at the site; ask who made it"
    ),
    Code.COUNTED: _have,
    Code.COUNTED_LENGTHS: lambda n: ", ".join(filter(None, (_have(n), _size(n)))),
    Code.UNIT: lambda n: f"{_UNIT[n.unit]}: {_BASIS[Basis(n.basis)]}",
    Code.UNIT_OTHER: lambda n: f"the other reading: {_UNIT[n.unit]}",
    Code.NAME_ODD: lambda n: (
        f"the name '{n.name}' says {_UNIT[n.unit]}, and a median of {fixed(n.size, 1)} is unusual for that"
    ),
    Code.LETTERED: lambda n: (
        "texts of the drawing, each of the outline that it is in; a dimension in there reads alike"
    ),
    Code.LETTERED_ELEVATION: lambda n: (
        "texts of the drawing that say EL: taken as heights above ground, for want of any"
    ),
    Code.ROOF_INCLUDED: lambda n: "such layers measure to the ridge; noonmark wants the roof's edge",
    Code.OTHER_UNIT: lambda n: (
        f"its name says {_UNIT[n.unit]}, and a section has one unit: to use it, make a column in the unit below"
    ),
    Code.OTHER_READING: lambda n: f"another column of heights: {_have(n)}",
    Code.ELEVATIONS: lambda n: "elevations above sea level, not heights above ground",
    Code.STORIES_FILL: lambda n: f"stories stand in where a height is missing: {_have(n)}",
    Code.GROUND_STOREY: lambda n: (
        "some controllers are on story 0: taken as the one at ground level"
        if n.count == 0
        else "the story at ground level is taken as 1; where it is called 0, write 0"
    ),
    Code.SPECIES: lambda n: f"evergreen or deciduous goes by the genus: {_have(n)}",
    Code.TELLS_APART: lambda n: (
        f"{plural(n.count, 'name')} above come{'s' if n.count == 1 else ''} again; this column tells all sites "
        "apart"
    ),
    Code.ASTRAY: lambda n: (
        f"{plural(n.count, 'site')} far from all others, and near them with the {n.other} changed: {n.name}"
        + (" ..." if n.count > 5 else "")
    ),
    Code.RADIUS: lambda n: "a radius by its name: doubled",
    Code.KIND_BY_NAME: lambda n: "no column tells the kind: spray by its name; heat and no_access are the others",
    Code.SURFACE_AS_TERRAIN: lambda n: "a surface model by its name: roofs and trees are in it",
    Code.NO_BUILDINGS: lambda n: (
        "No buildings were found. Without them nothing shades the sensor, and no roof can carry it."
    ),
    Code.NO_HEIGHTS: lambda n: (
        f"no column of heights was found: {_all(n.count, 'building')} taken as 7 m (23 ft) high, or what "
        "default_height_ft says; shade rests on that"
    ),
    Code.NO_TREES: lambda n: "No trees were found. Trees shade, and leaves weaken a radio's signal.",
    Code.NO_CROWNS: lambda n: (
        f"no column of canopy widths was found: {_all(n.count, 'canopy', 'canopies')} taken as 7 m "
        "(23 ft) wide, or what default_crown_width_ft says; shade rests on that"
        + (
            f". '{n.name}' is of trunks, and is not turned into canopies: how far a single tree strays from what "
            "is published (24 to 27 times as wide as the trunk, free-standing broadleaved trees of two cities, "
            "Coombes, Martin and Slater 2019) is not known here"
            if n.name
            else ""
        )
    ),
    Code.NO_TERRAIN: lambda n: (
        "No terrain was found: the ground is taken as flat. Hills take early and late sun. National terrain models "
        "are free in many countries; take some miles around the site."
    ),
    Code.NO_CONTROLLERS: lambda n: (
        "No controllers were found. Without them nobody can say whether the sensor's signal arrives. A CSV with "
        "name, latitude, longitude will do."
    ),
    Code.NO_KEEP_OUTS: lambda n: (
        "No spray, heat or closed areas were found. A sensor in spray or over an exhaust reads wrong."
    ),
    Code.FEWEST: lambda n: (
        f'as few sensors as serve all {n.count} controllers; "every" asks one sensor to reach every one'
    ),
    Code.NO_STANDS: lambda n: (
        f"no building and no pole to mount on is known: new posts are tried every {n.size:.0f} m "
        f"({n.size / 0.3048:.0f} ft)"
    ),
    Code.SENSOR: lambda n: (
        "Range and band of the radio come from the data sheet of the sensor that is specified; until then 200 m "
        "(650 ft) at 915 MHz is assumed, which decides what is in reach."
    ),
    Code.ZONES: lambda n: (
        "Your controller's own zones, typed from its manual (label, low, high); until then a neutral table serves."
    ),
    Code.ZONE_TABLE: lambda n: f"{n.name}: taken as your controller's zone table by its columns.",
    Code.ZONE_UNIT: lambda n: f"by the size of its bands: the highest ends at {n.size:g}; the file does not say",
    Code.ZONE_UNIT_SAID: lambda n: "as the table's headings say",
    Code.UNITS_FEET: lambda n: 'layers are in feet; "metric" for meters and millimeters',
    Code.UNITS_PLACE: lambda n: 'the site is in or near the United States; "metric" for meters and millimeters',
    Code.UNITS_MOST: lambda n: 'most sites are in or near the United States; "metric" for meters and millimeters',
    Code.UNITS_METRIC: lambda n: '"us" for feet and inches',
    Code.ALSO: lambda n: (
        f"{n.name} could be {_KIND.get(n.other, n.other)} as well{_features(n)}: to take it "
        "instead, exchange the two."
    ),
    Code.UNREADABLE: lambda n: (
        f"{n.name}: cannot be read: {n.other}"
        + ("; unpack it and start again" if n.name.endswith((".zip", ".gz")) else "")
    ),
    Code.NOT_LOOKED_AT: lambda n: (
        f"{n.name}: not a kind of file that is looked at"
        + ("; save it as DXF in the CAD program" if n.name.lower().endswith(".dwg") else "")
    ),
    Code.NOT_TOLD: lambda n: (
        f"{n.name}: nothing tells what it is ({n.other}, {plural(n.count, 'feature')}, {plural(n.of, 'column')})"
    ),
    Code.NO_PLACE: lambda n: (
        f"{n.name}: {_KIND.get(n.other, n.other)}, but it does not say its CRS, and nothing tells where it lies; "
        "name its CRS to use it"
    ),
    Code.FAR: lambda n: f"{n.name}: {_KIND.get(n.other, n.other)}, {_away(n)} from the site: not used",
    Code.DRAWING: lambda n: (
        f"{n.name} does not say where on the earth it lies. Ask who made it for the CRS of its coordinates and "
        "write it here; or give two points that you know in it and on a map, far apart, as below, or to `noonmark "
        "start` as --control X,Y=LATITUDE,LONGITUDE. Then take the drawing's layers below into the plan, and its "
        "outline as the site."
    ),
    Code.CONTROL: lambda n: "Points known in the drawing (x, y, in its unit) and on the earth: they place it.",
    Code.NO_KIND: lambda n: (
        f"{n.name} has no column with the kinds of ground that noonmark knows (lawn, paving, road ...): give it one"
    ),
    Code.STATIONS: lambda n: f"{n.name}: a station table? name it under [programme] for base run times",
    Code.ATTRIBUTION: lambda n: f"Source to name in what you hand over: {ATTRIBUTION[n.name]}.",
}
