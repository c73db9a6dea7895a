"""A first plan from sorted layers: what is used, what was counted, what was guessed, what is missing.

In codes and numbers; `show/say/start` has the sentences. Nothing is read or written here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from planner.layers import drawing, lettering
from planner.layers.columns import text
from planner.layers.crs_near import crs_by_place, scales
from planner.layers.frame import WGS84, apart_m, local_frame, project, project_shapes
from planner.layers.look import Form, Looked
from planner.layers.raster import unit_by_name
from planner.layers.signs import astray
from planner.layers.zone_rows import zone_headings
from planner.ledger import PlanError
from planner.site import SURROUNDINGS_M, Floats, KeepOut, Shapes
from planner.start import recognise
from planner.start.recognise import SURE, Basis, Reading
from planner.start.sort import COVERS, Clue, Kind, Sorted
from planner.start.words import plain, words
from planner.units import M_PER_FT, Units

AT_HALF_M = 60.0  # half the side of the square drawn around a place: a small commercial lot, common practice
AROUND_M = 15.0  # how far around what stands there an outline is drawn
WIDEST_M = 2500.0  # what lies wider apart than this is no one site
NEAR_M = 300.0  # what stands within this is counted: seen from the site's edge, 10 m there stand 2 degrees high
RISES_M = 2.0  # what a surface model shows above the ground, at its high places
FEET = 0.31  # metres of a CRS's unit up to which it is a foot
MOST_NAMED = 8  # files that an error names


class Code(StrEnum):
    """What a comment says; the numbers and names stand in its :class:`Note`."""

    # of a layer
    TAKEN = "taken"
    OUTLINE_DRAWN_AT = "outline drawn at"
    OUTLINE_DRAWN_AROUND = "outline drawn around"
    PICKED = "picked"
    CRS_DEGREES = "crs degrees"
    CRS_PLACE = "crs place"
    CRS_OTHERS = "crs others"
    # of a column
    COUNTED = "counted"
    COUNTED_LENGTHS = "counted lengths"
    UNIT = "unit"
    UNIT_OTHER = "unit other"
    NAME_ODD = "name odd"
    LETTERED = "lettered"
    LETTERED_ELEVATION = "lettered elevation"
    ROOF_INCLUDED = "roof included"
    OTHER_UNIT = "other unit"
    OTHER_READING = "other reading"
    ELEVATIONS = "elevations"
    STORIES_FILL = "stories fill"
    GROUND_STOREY = "ground story"
    SPECIES = "species"
    RADIUS = "radius"
    TELLS_APART = "tells apart"
    ASTRAY = "astray"
    KIND_BY_NAME = "kind by name"
    SURFACE_AS_TERRAIN = "surface as terrain"
    # of what is missing
    NO_BUILDINGS = "no buildings"
    NO_HEIGHTS = "no heights"
    NO_TREES = "no trees"
    NO_CROWNS = "no crown width"
    NO_TERRAIN = "no terrain"
    NO_CONTROLLERS = "no controllers"
    NO_KEEP_OUTS = "no keep-outs"
    FEWEST = "fewest"
    NO_STANDS = "no stands"  # nothing to mount on
    SENSOR = "sensor"
    ZONES = "zones"
    ZONE_TABLE = "zone table"
    ZONE_UNIT = "zone unit"
    ZONE_UNIT_SAID = "zone unit said"
    # of the plan
    UNITS_FEET = "units feet"
    UNITS_PLACE = "units place"
    UNITS_METRIC = "units metric"
    UNITS_MOST = "units most"
    ALSO = "also"
    # of a file that is not used
    UNREADABLE = "unreadable"
    NOT_LOOKED_AT = "not looked at"
    NOT_TOLD = "not told"
    NO_PLACE = "no place"
    FAR = "far"
    DRAWING = "drawing"
    CONTROL = "control"
    NO_KIND = "no kind"
    STATIONS = "stations"
    ATTRIBUTION = "attribution"


@dataclass(frozen=True)
class Note:
    """One comment: its code and what it speaks of. size is in metres, or in `unit`."""

    code: Code
    name: str = ""
    other: str = ""
    count: int = 0
    of: int = 0
    size: float = float("nan")
    unit: str = ""
    basis: str = ""
    check: bool = False


@dataclass(frozen=True)
class Line:
    """A key with its value and what is said of it; off: commented out, for it is another reading."""

    key: str
    value: object
    notes: tuple[Note, ...] = ()
    off: bool = False


@dataclass(frozen=True)
class Block:
    """A section of the plan; off: commented out as a whole, for it is missing or another reading."""

    section: str
    lines: tuple[Line, ...]
    notes: tuple[Note, ...] = ()
    off: bool = False


@dataclass(frozen=True)
class Draft:
    """A first plan. blocks: in the plan's order; the first has no section. outline: longitudes and latitudes of a
    site outline that was drawn, None where a layer has it. contract: whether the plan is one of many sites."""

    title: str
    blocks: tuple[Block, ...]
    unused: tuple[Note, ...]
    outline: BaseGeometry | None = None
    contract: bool = False
    where_deg: tuple[float, float] = (float("nan"), float("nan"))


@dataclass
class _Found:
    """What is put together so far."""

    crs: dict[int, tuple[CRS, tuple[Note, ...]]] = field(default_factory=dict)
    unused: list[Note] = field(default_factory=list)
    drawn: list[Sorted] = field(default_factory=list)  # of drawings that nothing places


def draft(
    title: str,
    parts: Sequence[Sorted],
    at: tuple[float, float] | None,
    outline_name: str,
    control: Sequence[Mapping[str, float]] = (),
) -> Draft:
    """A plan from sorted layers.

    Parameters
    ----------
    title
        Of the plan.
    parts
        What the layers were found to be.
    at
        (latitude, longitude) of the site, where it was told.
    outline_name
        The file that an outline that has to be drawn will be in.
    control
        Points that place the drawings among the layers, by the plan's keys.

    Returns
    -------
    Draft
        Keys in the order of a plan file, in codes and numbers.

    Raises
    ------
    PlanError
        Nothing tells which place the site is.
    """
    found, parts = _Found(), _as_sites(parts)
    for part in parts:
        if (note := _not_used(part)) is not None and part.kind is not Kind.ZONES:
            found.unused.append(note)
    there = [part for part in parts if _not_used(part) is None]
    vectors = [part for part in there if part.looked.form is not Form.RASTER]
    placed = _placed(vectors, at, found)
    if at is None and _is_contract(placed):
        return _contract(title, placed, _zone(parts), found)
    outline, site, picked = _site(title, placed, at, outline_name, found)
    centre = np.array(outline.centroid.coords[0])
    near = [found_near for part in placed if (found_near := _near(part, outline, found)) is not None]
    rasters = [part for part in there if part.looked.form is Form.RASTER and _covers(part, centre, found)]
    rasters = _surfaces_apart(rasters)
    chosen = _one_a_kind([*near, *rasters])
    layers: list[Block] = [site]
    feet = any(_in_feet(part, found) for part in chosen.values())
    for kind, build in (
        (Kind.BUILDINGS, _buildings), (Kind.TREES, _trees), (Kind.TERRAIN, _raster), (Kind.SURFACE, _raster),
        (Kind.CANOPY, _raster), (Kind.CONTROLLERS, _controllers), (Kind.POLES, _poles),
        (Kind.KEEP_OUTS, _keep_outs), (Kind.GROUNDS, _grounds),
    ):  # fmt: skip
        if kind in chosen:
            layers.append(build(chosen[kind], found))
    others = [
        replace(_also(part, found), off=True)
        for part in [*near, *rasters]
        if part.kind in chosen and part is not chosen[part.kind] and part.kind is not Kind.SITE
    ]
    others += _unplaced(found)
    us = feet or any(
        line.value == "ft" for block in layers for line in block.lines if line.key == "height_unit" and not line.off
    )
    head = Block("", (Line("title", title), _units_line(us, centre)))
    units: Units = "us" if head.lines[1].value == "us" else "metric"
    missing, zone = _missing(chosen, layers, outline, units), _zone(parts)
    drawn = outline if picked is None else None
    layers = [*_control(control), *layers]
    every = [*layers, zone, *others, *missing] if not zone.off else [*layers, *others, *missing, zone]
    return Draft(
        title,
        (head, *sorted(every, key=lambda block: block.off)),  # what counts stands before what is commented out
        tuple(found.unused),
        drawn,
        where_deg=(float(centre[1]), float(centre[0])),
    )


# --- where things lie ---------------------------------------------------------------------------------------


def _not_used(part: Sorted) -> Note | None:
    looked, name = part.looked, _name(part)
    if looked.form is Form.UNREADABLE:
        return Note(Code.UNREADABLE, name, looked.fault)
    if looked.form is Form.OTHER:
        return Note(Code.NOT_LOOKED_AT, name)
    if part.kind is Kind.ZONES:
        return Note(Code.ZONE_TABLE, looked.path.name)
    if part.kind is Kind.STATIONS:
        return Note(Code.STATIONS, looked.path.name)
    if part.kind is Kind.UNKNOWN:
        return Note(Code.NOT_TOLD, name, str(looked.form), looked.count, len(looked.columns))
    return None


def _name(part: Sorted) -> str:
    return part.looked.path.name + (f", layer {part.looked.layer}" if part.looked.layer else "")


def _placed(parts: Sequence[Sorted], at: tuple[float, float] | None, found: _Found) -> list[Sorted]:
    """Those with a known CRS, or one that can only be meant; the others are listed."""
    known = [part for part in parts if part.looked.crs is not None]
    anchors = [np.array([at[1], at[0]])] if at is not None else []
    anchors += [_middle(part.looked.lonlat()) for part in known]
    placed = []
    for part in parts:
        looked = part.looked
        if looked.crs is not None:
            found.crs[id(part)] = looked.crs, ()
        elif looked.degrees and not looked.is_drawing:
            found.crs[id(part)] = WGS84, (Note(Code.CRS_DEGREES, check=True),)
        elif (told := _fitting(looked, known, anchors) or _by_place(looked, known, at)) is not None:
            crs, scale, code = told
            if scale != 1:  # the drawing's unit is not the CRS's
                part = replace(part, looked=replace(looked, shapes=_times(looked.shapes, scale)))
            found.crs[id(part)] = crs, (Note(code, crs.name, check=True),)
        elif looked.is_drawing:
            found.drawn.append(part)
            continue
        else:
            found.unused.append(Note(Code.NO_PLACE, _name(part), str(part.kind)))
            continue
        if len(part.looked.lonlat(found.crs[id(part)][0])):
            placed.append(part)
    return placed


_Told = tuple[CRS, float, Code]  # a CRS, what coordinates are multiplied by to be its own, and how it was told


def _times(shapes: Shapes, scale: float) -> Shapes:
    return np.asarray(shapely.transform(shapes, lambda xy: xy * scale), object)


def _fitting(looked: Looked, known: Sequence[Sorted], anchors: Sequence[Floats]) -> _Told | None:
    """Of the other layers' CRSs the one by which this layer lies where they do; None where none or several do."""
    crss: list[CRS] = []
    for part in known:
        own = part.looked.crs
        if own is not None and not own.is_geographic and not part.looked.is_drawing and own not in crss:
            crss.append(own)
    middle = _middle(looked.shapes[~shapely.is_missing(looked.shapes)])
    fitting = []
    for crs in crss if np.isfinite(middle).all() else []:
        for scale in scales(crs, looked.unit_m):
            spot = project(middle * scale, crs, WGS84)
            if np.isfinite(spot).all() and any(float(apart_m(spot, a)) < WIDEST_M for a in anchors):
                fitting.append((crs, scale, Code.CRS_OTHERS))
    return fitting[0] if len(fitting) == 1 else None


def _by_place(looked: Looked, known: Sequence[Sorted], at: tuple[float, float] | None) -> _Told | None:
    """The system in use there by which a layer lies at the place that was told, or at the site's outline."""
    outlines = [part for part in known if part.kind is Kind.SITE and part.looked.count == 1]
    if at is not None:
        place = np.array([at[1], at[0]])
    elif outlines:
        place = _middle(outlines[0].looked.lonlat())
    else:
        return None
    spot = _middle(looked.shapes[~shapely.is_missing(looked.shapes)])
    by_place = crs_by_place(spot, place, NEAR_M, looked.unit_m) if np.isfinite(spot).all() else None
    return (*by_place, Code.CRS_PLACE) if by_place is not None else None


def _middle(shapes: object) -> Floats:
    xy = shapely.get_coordinates(shapes)
    good = xy[np.isfinite(xy).all(axis=1)]
    return np.median(good, axis=0) if len(good) else np.full(2, np.nan)


def _crs_of(part: Sorted, found: _Found) -> CRS | None:
    return found.crs[id(part)][0] if id(part) in found.crs else part.looked.crs


def _in_feet(part: Sorted, found: _Found) -> bool:
    """Whether a layer's coordinates are in feet."""
    crs, looked = _crs_of(part, found), part.looked
    if looked.is_drawing and np.isfinite(looked.unit_m):
        return bool(0.3 < looked.unit_m < FEET)
    return crs is not None and crs.is_projected and bool(crs.axis_info[0].unit_conversion_factor < FEET)


def _near(part: Sorted, outline: BaseGeometry, found: _Found) -> Sorted | None:
    """A layer with what of it is near the site, which alone is counted; None where nothing is."""
    if part.kind in (Kind.SITE, Kind.MANY_SITES):
        return None
    frame, crs = local_frame(outline, WGS84), _crs_of(part, found)
    there = np.array([s is not None and not s.is_empty for s in part.looked.shapes], bool)
    local = project_shapes(part.looked.lonlat(crs), WGS84, frame.crs)
    gap = np.full(len(there), np.inf)
    gap[there] = shapely.distance(local, project_shapes([outline], WGS84, frame.crs)[0])
    gap = np.where(np.isfinite(gap), gap, np.inf)
    within = next((most for most in (NEAR_M, SURROUNDINGS_M) if (gap <= most).any()), None)
    if within is None:
        least = float(gap.min()) if len(gap) and np.isfinite(gap.min()) else float("nan")
        found.unused.append(Note(Code.FAR, _name(part), str(part.kind), size=least))
        return None
    if (gap <= within).all():
        return part
    keep = np.flatnonzero(gap <= within)
    columns = {name: tuple(values[k] for k in keep) for name, values in part.looked.columns.items()}
    near = replace(
        part, looked=replace(part.looked, shapes=part.looked.shapes[keep], columns=columns), near_m=within
    )
    if id(part) in found.crs:
        found.crs[id(near)] = found.crs[id(part)]
    return near


def _covers(part: Sorted, centre: Floats, found: _Found) -> bool:
    box = part.looked.lonlat()
    if not len(box):
        found.unused.append(Note(Code.NO_PLACE, _name(part), str(part.kind)))
        return False
    if box[0].covers(shapely.Point(centre)):
        return True
    away = float(apart_m(np.array(box[0].centroid.coords[0]), centre))
    found.unused.append(Note(Code.FAR, _name(part), str(part.kind), size=away))
    return False


def _surfaces_apart(rasters: Sequence[Sorted]) -> list[Sorted]:
    """Of several rasters that only their values make terrain, those that stand higher on the same low ground are
    surface models."""
    unnamed = [p for p in rasters if p.kind is Kind.TERRAIN and p.clue is Clue.VALUES]
    if len(unnamed) < 2:
        return list(rasters)
    marks = {id(p): p.looked.relief.percentiles for p in unnamed if p.looked.relief is not None}
    lowest = min(unnamed, key=lambda p: marks[id(p)][3])
    low, high = marks[id(lowest)][1], marks[id(lowest)][3]
    return [
        replace(part, kind=Kind.SURFACE)
        if id(part) in marks and marks[id(part)][3] > high + RISES_M and abs(marks[id(part)][1] - low) < RISES_M
        else part
        for part in rasters
    ]


def _one_a_kind(parts: Iterable[Sorted]) -> dict[Kind, Sorted]:
    """The best layer of each kind: the surest, then the fullest; of terrain the one with the finest cells."""
    chosen: dict[Kind, Sorted] = {}
    for part in parts:
        best = chosen.get(part.kind)
        if best is None or _rank(part) > _rank(best):
            chosen[part.kind] = part
    return chosen


def _rank(part: Sorted) -> tuple[float, ...]:
    """Of buildings those with heights before any others: no name is worth as much."""
    relief = part.looked.relief
    high = part.kind is Kind.BUILDINGS and _tells_heights(part.looked)
    return (high, part.score, -relief.cell_m if relief is not None else part.looked.count)


def _tells_heights(looked: Looked) -> bool:
    told = recognise.building_columns(looked.columns, False)
    return told.height is not None or told.top is not None


# --- the site -----------------------------------------------------------------------------------------------


def _site(
    title: str, placed: Sequence[Sorted], at: tuple[float, float] | None, outline_name: str, found: _Found
) -> tuple[BaseGeometry, Block, Sorted | None]:
    """Its outline in longitude and latitude, its block, and the layer that it is from, None where it was drawn."""
    outlines = sorted((p for p in placed if p.kind is Kind.SITE), key=lambda p: p.looked.count)
    others = [p for p in placed if p.kind not in (Kind.SITE, Kind.MANY_SITES)]
    spots = np.array([_middle(p.looked.lonlat(_crs_of(p, found))) for p in others]).reshape(-1, 2)
    if at is not None:
        spots = np.array([[at[1], at[0]]])
    for part in outlines:
        shapes = _surfaces(part.looked.lonlat(_crs_of(part, found)))
        inside = np.array([shapely.contains_xy(shape, spots).sum() for shape in shapes])
        if len(shapes) == 1:
            return shapes[0], _site_block(part, None, "", found), part
        if inside.any():
            row = int(np.argmax(inside))
            by = _telling_column(part.looked, row)
            if by is not None:
                return shapes[row], _site_block(part, by, text(part.looked.columns[by][row]), found), part
    if at is not None:
        frame = local_frame(shapely.Point(at[1], at[0]), WGS84)
        square = shapely.box(-AT_HALF_M, -AT_HALF_M, AT_HALF_M, AT_HALF_M)
        drawn = project_shapes([square], frame.crs, WGS84)[0]
        note = Note(Code.OUTLINE_DRAWN_AT, size=2 * AT_HALF_M)
        return drawn, Block("layers.site", (Line("path", outline_name, (note,)),)), None
    around = [
        p for p in others if p.kind in (Kind.BUILDINGS, Kind.CONTROLLERS, Kind.POLES, Kind.GROUNDS, Kind.TREES)
    ]
    if around:
        every = np.concatenate([p.looked.lonlat(_crs_of(p, found)) for p in around])
        whole = shapely.geometrycollections(every)
        frame = local_frame(whole, WGS84)
        local = project_shapes([whole], WGS84, frame.crs)[0]
        left, bottom, right, top = local.bounds
        if max(right - left, top - bottom) <= WIDEST_M:
            hull = shapely.simplify(local.convex_hull.buffer(AROUND_M, quad_segs=2), 1.0)
            drawn = project_shapes([hull], frame.crs, WGS84)[0]
            note = Note(Code.OUTLINE_DRAWN_AROUND, size=AROUND_M, check=True)
            return drawn, Block("layers.site", (Line("path", outline_name, (note,)),)), None
    if found.drawn and not outlines and not around:
        raise PlanError(
            found.drawn[0].looked.path.name,
            "a drawing does not say where on the earth it lies, and nothing else here does",
            "Give two points that you know in it and on a map, far apart: --control X,Y=LATITUDE,LONGITUDE, twice; "
            "or --at LATITUDE,LONGITUDE for a first plan without it",
        )
    todo = "Give --at LATITUDE,LONGITUDE, or put the site's outline (one polygon) beside the layers"
    if outlines:
        raise PlanError(title, "no layer says which of the outlines is the site", todo)
    left = [f"{note.name} ({note.other})" if note.other else note.name for note in found.unused]
    raise PlanError(
        title,
        "no layer says which place the site is: there is no outline, and what is there lies too wide apart, or is "
        "nothing at all" + (f". Not used: {', '.join(left[:MOST_NAMED])}" if left else ""),
        todo
        + (
            ". A table needs columns of latitude and longitude"
            if any(note.code is Code.NOT_TOLD and note.other == Form.TABLE for note in found.unused)
            else ""
        ),
    )


def _surfaces(shapes: object) -> list[BaseGeometry]:
    """Polygons, and closed lines as polygons."""
    found = []
    for shape in np.asarray(shapes, object):
        if shape.geom_type in ("LineString", "LinearRing") and shape.is_closed and len(shape.coords) > 3:
            shape = shapely.Polygon(shape)
        found.append(shape)
    return found


def _telling_column(looked: Looked, row: int) -> str | None:
    """A column by whose value one feature can be picked, a name before a number."""
    named = recognise.name_reading(looked.columns)
    for column in ([named.column] if named is not None else []) + list(looked.columns):
        values = [text(v) for v in looked.columns[column]]
        if values[row] and values.count(values[row]) == 1:
            return column
    return None


def _site_block(part: Sorted, by: str | None, pick: str, found: _Found) -> Block:
    lines = list(_where_lines(part, found))
    named = recognise.name_reading(part.looked.columns)
    if by is not None:
        lines += [
            Line("name", by),
            Line("pick", pick, (Note(Code.PICKED, pick, count=part.looked.count, check=True),)),
        ]
    elif named is not None and part.looked.count == 1:
        lines.append(Line("name", named.column))
    return Block("layers.site", tuple(lines), (_taken(part),))


# --- sections -----------------------------------------------------------------------------------------------


def _taken(part: Sorted) -> Note:
    name, looked, unsure = _name(part), part.looked, part.clue is Clue.VALUES
    return Note(
        Code.TAKEN, str(part.kind), name, looked.count, looked.rows, part.near_m, basis=str(part.clue), check=unsure
    )


def _where_lines(part: Sorted, found: _Found) -> list[Line]:
    looked = part.looked
    lines = [Line("path", looked.path)]
    if looked.layer is not None:
        lines.append(Line("layer", looked.layer))
    if part.where:
        lines.append(Line("where", part.where))
    if looked.coordinates is not None:
        lines += [Line("x", looked.coordinates.x), Line("y", looked.coordinates.y)]
    crs, notes = found.crs.get(id(part), (None, ()))
    if notes and crs is not None:
        lines.append(Line("crs", _code(crs), notes))
    return lines


def _code(crs: CRS) -> str:
    code = crs.to_authority(min_confidence=20)
    return f"{code[0]}:{code[1]}" if code else crs.to_wkt()


def _column(key: str, reading: Reading | None) -> list[Line]:
    if reading is None or not reading.known:
        return []
    return [Line(key, reading.column, (Note(Code.COUNTED, count=reading.known, of=reading.of),))]


def _length(key: str, reading: Reading | None, *more: Note) -> list[Line]:
    if reading is None or not reading.known:
        return []
    note = Note(
        Code.COUNTED_LENGTHS,
        reading.column,
        count=reading.known,
        of=reading.of,
        size=reading.median,
        unit=reading.unit,
    )
    return [Line(key, reading.column, (note, *more))]


def _lengths(
    lengths: Sequence[tuple[str, Reading | None, tuple[Note, ...]]], key: str = "height_unit"
) -> tuple[list[Line], list[Line]]:
    """Lines of a section's lengths, the one that matters most first, and of their one unit.

    The first says the unit, unless nothing tells it and another one does. One whose own name says another unit than
    that is commented out: a section has one unit, and a name is never overruled.
    """
    there = [(k, reading, notes) for k, reading, notes in lengths if reading is not None and reading.known]
    if not there:
        return [], []
    best = there[0][1]
    if best.basis is Basis.ASSUMED:
        rank = list(Basis)
        best = min((reading for _, reading, _ in there), key=lambda reading: rank.index(reading.basis))
    lines = []
    for name, reading, notes in there:
        if reading.basis is Basis.NAME and reading.unit != best.unit:
            lines.append(
                Line(name, reading.column, (Note(Code.OTHER_UNIT, reading.column, unit=reading.unit),), off=True)
            )
        else:
            lines += _length(name, reading, *notes)
    return lines, _unit(best, key)


def _unit(best: Reading, key: str) -> list[Line]:
    """The unit, and the other one below it where it is a guess."""
    notes = [Note(Code.UNIT, best.column, unit=best.unit, basis=str(best.basis), check=best.basis not in SURE)]
    if best.odd:
        notes.append(Note(Code.NAME_ODD, best.column, size=best.median, unit=best.unit, check=True))
    lines = [Line(key, best.unit, tuple(notes))]
    if best.basis not in SURE:
        other = "m" if best.unit == "ft" else "ft"
        lines.append(Line(key, other, (Note(Code.UNIT_OTHER, unit=other),), off=True))
    return lines


def _any_words(part: Sorted) -> Reading | None:
    """A column of words that are all there and all different; of a drawing none that it has of itself."""
    own = {"Layer", *drawing.OWN, *lettering.COLUMNS} if part.looked.is_drawing else ()
    return recognise.text_reading({name: values for name, values in part.looked.columns.items() if name not in own})


def _buildings(part: Sorted, found: _Found) -> Block:
    feet = _in_feet(part, found)
    told = recognise.building_columns(part.looked.columns, feet)
    named = told.name or _any_words(part)
    lines = _where_lines(part, found) + _column("name", named)
    told, elevation = _with_elevation_text(told, part, feet)
    lettered = _lettered(told)
    main = told.height or (told.top if told.ground is not None or told.schema else None)
    stories = told.stories
    if told.height is not None:
        included = told.schema in recognise.ROOF_INCLUDED
        roof = told.roof_height if included else None
        ridge = (Note(Code.ROOF_INCLUDED, told.height.column, check=True),) if included and roof is None else ()
        sizes, units = _lengths(
            [("height", told.height, (*ridge, *lettered)), ("roof_height", roof, ()), ("base", told.base, ())]
        )
        lines += sizes[:1]
        for other in told.other_heights[:2]:
            note = Note(Code.OTHER_READING, other.column, count=other.known, of=other.of)
            lines.append(Line("height", other.column, (note,), off=True))
        lines += [*sizes[1:], *units]
        if stories is not None:
            lines.append(
                Line("storeys", stories.column, (Note(Code.STORIES_FILL, count=stories.known, of=stories.of),))
            )
        if told.top is not None:
            lines.append(Line("top", told.top.column, (Note(Code.ELEVATIONS, told.top.column),), off=True))
    elif main is not None:
        elevations = (Note(Code.ELEVATIONS, main.column),)
        sizes, units = _lengths([("top", main, elevations), ("ground", told.ground, ())])
        lines += [*sizes, *units]
    elif stories is not None:
        # a surface model measures: what is counted stands behind it
        note = Note(Code.UNIT, stories.column, unit="storeys", basis=str(Basis.NAME))
        lines += _length("storeys", stories, note, *lettered)
    if elevation is not None:
        if told.height is not elevation:
            again = Note(Code.OTHER_READING, elevation.column, count=elevation.known, of=elevation.of)
            lines.append(Line("height", elevation.column, (again,), off=True))
        lines.append(Line("top", elevation.column, (Note(Code.ELEVATIONS, elevation.column),), off=True))
    lines += _column("roof", told.roof) + _column("mountable", told.mountable)
    notes = [_taken(part)]
    if main is None and stories is None:
        notes.append(Note(Code.NO_HEIGHTS, count=part.looked.count, check=True))
    if told.schema in ("osm", "overture", "3dbag", "bdtopo", "microsoft"):
        notes.append(Note(Code.ATTRIBUTION, told.schema))
    return Block("layers.buildings", tuple(lines), tuple(notes))


def _with_elevation_text(
    told: recognise.BuildingColumns, part: Sorted, feet: bool
) -> tuple[recognise.BuildingColumns, Reading | None]:
    """With a drawing's texts of elevations as heights, where it has no better and they could be such; and those
    texts, which may be elevations as they say."""
    values = part.looked.columns.get(lettering.ELEVATION)
    if values is None:
        return told, None
    elevation = recognise.length_reading(lettering.ELEVATION, values, recognise.BUILDING, None, "", feet)
    high_m = elevation.median * (M_PER_FT if elevation.unit == "ft" else 1.0)
    as_height = told.height is None and high_m <= recognise.BUILDING.high
    return (replace(told, height=elevation) if as_height else told), elevation


def _lettered(told: recognise.BuildingColumns) -> tuple[Note, ...]:
    """Of heights that stand as texts in a drawing."""
    reading = told.height or told.stories
    if reading is None or reading.column not in lettering.COLUMNS:
        return ()
    by_elevation = reading.column == lettering.ELEVATION
    return (Note(Code.LETTERED_ELEVATION if by_elevation else Code.LETTERED, reading.column, check=True),)


def _trees(part: Sorted, found: _Found) -> Block:
    told = recognise.tree_columns(part.looked.columns, _in_feet(part, found))
    lines = _where_lines(part, found) + _column("name", told.name)
    points = part.looked.form is Form.POINTS  # a canopy drawn as a polygon is as wide as it is drawn
    width = told.crown_width if points else None
    radius = told.crown_radius if points and width is None else None
    sizes, units = _lengths(
        [
            ("height", told.height, ()),
            ("crown_width", width, ()),
            ("crown_radius", radius, () if radius is None else (Note(Code.RADIUS, radius.column),)),
            ("crown_base", told.crown_base, ()),
        ]
    )
    lines += [*sizes, *units, *_column("leaf", told.leaf)]
    if told.species is not None:
        note = Note(Code.SPECIES, count=told.species.known, of=told.species.of)
        lines.append(Line("species", told.species.column, (note,)))
    notes = [_taken(part)]
    if points and not any(line.key in ("crown_width", "crown_radius") and not line.off for line in lines):
        trunk = recognise.trunk_column(list(part.looked.columns))
        notes.append(Note(Code.NO_CROWNS, trunk, count=part.looked.count, check=True))
    return Block("layers.trees", tuple(lines), tuple(notes))


def _raster(part: Sorted, found: _Found) -> Block:
    lines, notes = _where_lines(part, found), [_taken(part)]
    if part.kind is Kind.SURFACE and part.above_ground:
        lines.append(Line("above", "ground"))
    lines += _relief_unit(part, found)
    if part.kind is Kind.TERRAIN and "dsm" in plain(part.looked.path.stem):
        notes.append(Note(Code.SURFACE_AS_TERRAIN, check=True))
    return Block(f"layers.{part.kind}", tuple(lines), tuple(notes))


def _relief_unit(part: Sorted, found: _Found) -> list[Line]:
    """Feet, where the file does not say the unit of its heights and its name or its CRS does; as a guess."""
    relief, column = part.looked.relief, part.looked.path.name
    assert relief is not None
    by_name = unit_by_name(part.looked.path) == "ft"
    if relief.unit or not (by_name or _in_feet(part, found)):
        return []
    basis = Basis.FILE if by_name else Basis.CRS
    return _unit(recognise.Reading(column, "ft", basis), "height_unit")


def _controllers(part: Sorted, found: _Found) -> Block:
    columns = part.looked.columns
    named = recognise.name_reading(columns, ("controller", "clock")) or _any_words(part)
    indoors = recognise.flag_column(columns, ("indoors", "indoor", "inside"))
    told = recognise.controller_columns(columns, _in_feet(part, found))
    lines = _where_lines(part, found) + _column("name", named) + _column("indoors", indoors)
    lines += _column("storey", told.storey)
    if told.storey is not None:
        first = 0 if told.from_zero else 1
        lines.append(Line("ground_storey", first, (Note(Code.GROUND_STOREY, count=first, check=True),)))
    sizes, units = _lengths([("height", told.height, ()), ("depth", told.depth, ())])
    lines += [*sizes, *units]
    return Block("layers.controllers", tuple(lines), (_taken(part),))


def _poles(part: Sorted, found: _Found) -> Block:
    columns = part.looked.columns
    named = recognise.name_reading(columns, ("pole", "asset")) or _any_words(part)
    height = recognise.pole_height(columns, _in_feet(part, found))
    sizes, units = _lengths([("height", height, ())])
    lines = [*_where_lines(part, found), *_column("name", named), *sizes, *units]
    return Block("layers.poles", tuple(lines), (_taken(part),))


def _keep_outs(part: Sorted, found: _Found) -> Block:
    columns = part.looked.columns
    kind = recognise.kind_column(columns, [k.value for k in KeepOut])
    lines = _where_lines(part, found) + _column("name", recognise.name_reading(columns, ("what",)))
    lines += _column("kind", kind)
    if kind is None:
        lines.append(Line("default_kind", "spray", (Note(Code.KIND_BY_NAME, _name(part), check=True),)))
    return Block("layers.keep_outs", tuple(lines), (_taken(part),))


def _grounds(part: Sorted, found: _Found) -> Block:
    columns = part.looked.columns
    kind = recognise.kind_column(columns, COVERS)
    lines = _where_lines(part, found) + _column("name", recognise.name_reading(columns, ("what",)))
    if kind is None:
        return Block("layers.grounds", tuple(lines), (_taken(part), Note(Code.NO_KIND, _name(part))), off=True)
    return Block("layers.grounds", (*lines, *_column("kind", kind)), (_taken(part),))


def _unplaced(found: _Found) -> list[Block]:
    """A drawing that nothing places: what would take it in, commented out, with what is asked."""
    if not found.drawn:
        return []
    builds: dict[Kind, Callable[[Sorted, _Found], Block]] = {
        Kind.BUILDINGS: _buildings,
        Kind.TREES: _trees,
        Kind.CONTROLLERS: _controllers,
        Kind.POLES: _poles,
        Kind.SITE: lambda part, found: _site_block(part, None, "", found),
    }
    blocks = [replace(builds[part.kind](part, found), off=True) for part in found.drawn if part.kind in builds]
    asked = Note(Code.DRAWING, found.drawn[0].looked.path.name, check=True)
    some = ({"x": 0.0, "y": 0.0, "longitude": -119.36, "latitude": 35.27},) * 2
    points = [replace(block, off=True) for block in _control(some)]
    return [Block("drawing", (Line("crs", "EPSG:2229"),), (asked,), off=True), *points, *blocks]


def _control(points: Sequence[Mapping[str, float]]) -> list[Block]:
    """Points that are known in a drawing and on the earth."""
    first = (Note(Code.CONTROL),) if points else ()
    keys = ("x", "y", "longitude", "latitude")
    return [
        Block("[drawing.control]", tuple(Line(key, point[key]) for key in keys), () if k else first)
        for k, point in enumerate(points)
    ]


def _also(part: Sorted, found: _Found) -> Block:
    """Another layer of a kind that is taken already."""
    lines = tuple(replace(line, notes=()) for line in _where_lines(part, found))
    return Block(f"layers.{part.kind}", lines, (Note(Code.ALSO, _name(part), str(part.kind), part.looked.count),))


# --- what is missing, and the plan's head -------------------------------------------------------------------


def _missing(
    chosen: dict[Kind, Sorted], layers: Sequence[Block], outline: BaseGeometry, units: Units
) -> list[Block]:
    """Blocks that are commented out, each with why it matters; and what gives a first answer: new posts where there
    is nothing to mount on, and sensors that share several controllers."""
    us = units == "us"
    blocks = []
    if Kind.CONTROLLERS in chosen and (count := chosen[Kind.CONTROLLERS].looked.rows) > 1:
        blocks.append(Block("requirements", (Line("reach", "fewest", (Note(Code.FEWEST, count=count),)),)))

    def lacks(kind: Kind, code: Code, *lines: Line) -> None:
        if kind not in chosen:
            blocks.append(Block(f"layers.{kind}", lines, (Note(code),), off=True))

    if Kind.BUILDINGS not in chosen and Kind.POLES not in chosen:
        frame = local_frame(outline, WGS84)
        area = float(project_shapes([outline], WGS84, frame.crs)[0].area)
        spacing = float(min(200.0, max(5.0, round(np.sqrt(area / 150)))))
        key, value = ("ground_spacing_ft", round(spacing / M_PER_FT)) if us else ("ground_spacing_m", spacing)
        blocks.append(Block("mounts", (Line(key, value, (Note(Code.NO_STANDS, size=spacing),)),)))
    lacks(
        Kind.BUILDINGS,
        Code.NO_BUILDINGS,
        Line("path", "buildings.gpkg"),
        Line("height", "height"),
        Line("height_unit", "m"),
    )
    lacks(Kind.TREES, Code.NO_TREES, Line("path", "trees.gpkg"), Line("height", "height"))
    lacks(Kind.TERRAIN, Code.NO_TERRAIN, Line("path", "terrain.tif"))
    lacks(
        Kind.CONTROLLERS,
        Code.NO_CONTROLLERS,
        Line("path", "controllers.csv"),
        Line("x", "longitude"),
        Line("y", "latitude"),
        Line("crs", "EPSG:4326"),
        Line("name", "name"),
    )
    lacks(Kind.KEEP_OUTS, Code.NO_KEEP_OUTS, Line("path", "spray.gpkg"), Line("kind", "kind"))
    rated = Line("rated_range_ft", 650) if us else Line("rated_range_m", 200)
    blocks.append(Block("sensor", (rated, Line("radio_band_mhz", 915)), (Note(Code.SENSOR),), off=True))
    return blocks


def _zone(parts: Sequence[Sorted]) -> Block:
    """The controller's zone table, its unit by the size of its bands; commented out where there is none."""
    table = next((part.looked for part in parts if part.kind is Kind.ZONES), None)
    if table is None:
        return Block("zone", (Line("table", "zones.csv"),), (Note(Code.ZONES),), off=True)
    headings = zone_headings(table.columns)
    if headings.unit is not None:
        lines = [Line("table", table.path), Line("unit", headings.unit, (Note(Code.ZONE_UNIT_SAID),))]
    else:
        bounds = [
            recognise.sizes(values).bare
            for called, values in zip(headings.columns, table.columns.values(), strict=True)
            if called in ("low", "high")
        ]
        most = float(np.nanmax(bounds)) if np.isfinite(bounds).any() else float("nan")
        unit = "in/day" if most < 1.5 else "mm/day" if most < 25 else "mm/month"
        lines = [
            Line("table", table.path),
            Line("unit", unit, (Note(Code.ZONE_UNIT, unit, size=most, check=True),)),
        ]
    return Block("zone", tuple(lines), (Note(Code.ZONE_TABLE, table.path.name),))


# a box that holds the United States without Alaska and Hawaii, and some of its neighbours
_US_BOX = (-125.0, 24.4, -66.9, 49.4)


def _units_line(us: bool, centre: Floats) -> Line:
    west, south, east, north = _US_BOX
    here = west <= centre[0] <= east and south <= centre[1] <= north
    units: Units = "us" if us or here else "metric"
    code = Code.UNITS_FEET if us else Code.UNITS_PLACE if here else Code.UNITS_METRIC
    return Line("units", units, (Note(code),))


# --- many sites ---------------------------------------------------------------------------------------------


def _as_sites(parts: Sequence[Sorted]) -> Sequence[Sorted]:
    """Where nothing is known of any layer, the fullest one of points that lie wide apart is one of sites."""
    apart = (Kind.UNKNOWN, Kind.ZONES, Kind.STATIONS)
    if any(part.kind not in apart for part in parts):
        return parts
    wide = [part for part in parts if part.looked.form is Form.POINTS and _width_m(part) > WIDEST_M]
    if not wide:
        return parts
    fullest = max(wide, key=lambda part: part.looked.rows)
    sites = replace(fullest, kind=Kind.MANY_SITES, clue=Clue.VALUES)
    return [sites if part is fullest else part for part in parts]


def _width_m(part: Sorted) -> float:
    """Of the box that holds a layer whose place is known, or in degrees; NaN of any other."""
    crs = part.looked.crs or (WGS84 if part.looked.degrees else None)
    lonlat = part.looked.lonlat(crs) if crs is not None else np.empty(0, object)
    if not len(lonlat):
        return float("nan")
    left, bottom, right, top = shapely.total_bounds(lonlat)
    return float(apart_m(np.array([left, bottom]), np.array([right, top])))


def _is_contract(placed: Sequence[Sorted]) -> bool:
    """Many sites and nothing that stands on one."""
    many = [part for part in placed if part.kind is Kind.MANY_SITES]
    rest = [part for part in placed if part.kind not in (Kind.MANY_SITES, Kind.SITE)]
    return bool(many) and not rest and max(part.looked.count for part in many) > 1


def _contract(title: str, placed: Sequence[Sorted], zone: Block, found: _Found) -> Draft:
    part = max((p for p in placed if p.kind is Kind.MANY_SITES), key=lambda p: p.looked.count)
    columns = part.looked.columns
    named = recognise.name_reading(columns, ("site", "name", "property", "location"))
    apart = None if named is None else recognise.telling_apart(columns, named)
    high = [
        recognise.length_reading(c, v, recognise.Limits(9e9, 9e9), None, "", _in_feet(part, found))
        for c, v in columns.items()
        if set(words(c)) & {"elevation", "elev", "altitude"}
    ]
    elevation = next((one for one in high if one.known), None)
    sizes, units = _lengths([("elevation", elevation, ())], "elevation_unit")
    lines = [*_where_lines(part, found), *_column("name", named)]
    if apart is not None:
        lines.append(Line("name", apart.column, (Note(Code.TELLS_APART, count=apart.of - apart.known),), off=True))
    lines += [*sizes, *units]
    lonlat = part.looked.lonlat(_crs_of(part, found))
    centre = _middle(lonlat)
    head = Block("", (Line("title", title), _contract_units(elevation, shapely.get_coordinates(lonlat))))
    body = Block("contract.sites", tuple(lines), (_taken(part), *_astray(part, _crs_of(part, found), named)))
    others = [
        Block("contract.sites", lines, (Note(Code.ALSO, _name(one), str(one.kind), one.looked.count),), off=True)
        for one in placed
        if one.kind is Kind.MANY_SITES and one is not part
        for lines in (tuple(replace(line, notes=()) for line in _where_lines(one, found)),)
    ]
    blocks = sorted((head, body, zone, *others), key=lambda block: block.off)
    return Draft(title, tuple(blocks), tuple(found.unused), None, True, (float(centre[1]), float(centre[0])))


def _astray(part: Sorted, crs: CRS | None, named: Reading | None) -> tuple[Note, ...]:
    """Sites that lie far from all others, and among them with a sign turned or the axes exchanged."""
    there = np.flatnonzero([s is not None and not s.is_empty for s in part.looked.shapes])
    xy = shapely.get_coordinates(shapely.centroid(part.looked.lonlat(crs)))
    if len(xy) != len(there):
        return ()
    called = None if named is None else part.looked.columns[named.column]
    return tuple(
        Note(
            Code.ASTRAY,
            ", ".join(text(called[there[k]]) if called is not None else f"row {there[k] + 1}" for k in rows[:5]),
            str(slip),
            count=len(rows),
            check=True,
        )
        for slip, rows in astray(xy).items()
    )


def _contract_units(elevation: Reading | None, lonlat: Floats) -> Line:
    """US units where elevations are in feet, or most sites are in or near the United States."""
    if elevation is not None and elevation.unit == "ft":
        return Line("units", "us", (Note(Code.UNITS_FEET),))
    west, south, east, north = _US_BOX
    here = np.asarray((lonlat >= (west, south)).all(axis=1) & (lonlat <= (east, north)).all(axis=1))
    most = bool(len(here)) and bool(here.mean() > 0.5)
    return Line("units", "us" if most else "metric", (Note(Code.UNITS_MOST if most else Code.UNITS_METRIC),))
