"""What a layer is: told by its geometry, the names of its file and layer, and what its columns hold."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import shapely

from planner.layers.columns import text
from planner.layers.lettering import columns_of
from planner.layers.look import Form, Looked
from planner.layers.zone_rows import zone_headings
from planner.site import Bools, KeepOut
from planner.start import recognise
from planner.start.words import each, words

COVERS = (
    "lawn", "planting", "field", "path", "paving", "parking", "court", "track", "road", "conduit", "pool", "water",
    "forbidden",
)  # fmt: skip


class Kind(StrEnum):
    """What a layer may be; the first nine are sections of a plan's layers."""

    SITE = "site"
    BUILDINGS = "buildings"
    TREES = "trees"
    TERRAIN = "terrain"
    SURFACE = "surface"
    CANOPY = "canopy"
    CONTROLLERS = "controllers"
    POLES = "poles"
    KEEP_OUTS = "keep_outs"
    GROUNDS = "grounds"
    MANY_SITES = "many sites"  # a contract's
    ZONES = "zones"  # a controller's zone table
    STATIONS = "stations"  # of a controller's program
    UNKNOWN = "unknown"


class Clue(StrEnum):
    """What told it."""

    NAME = "name"
    COLUMNS = "columns"
    VALUES = "values"
    WHERE = "where"  # features of one kind in a layer of several
    TOLD = "told"  # somebody said so
    NONE = "none"


@dataclass(frozen=True)
class Sorted:
    """A layer and what it is. where: the condition that picks its features, '' for all; above_ground: of a surface
    model whose heights are above ground."""

    looked: Looked
    kind: Kind
    clue: Clue
    score: int = 0
    where: str = ""
    above_ground: bool = False
    near_m: float = float("nan")


_WORDS: dict[Kind, frozenset[str]] = {
    Kind.SITE: each(
        "site outline boundary perimeter parcel parcels lot property campus emprise parcelle "
        "perceel parcela grundstuck grundstueck flurstuck extent aoi premises limits limit border"
    ),
    Kind.BUILDINGS: each(
        "building buildings bldg bldgs footprint footprints structure structures batiment "
        "batiments bati gebaude gebaeude gebouw gebouwen pand panden edificio edificios edifici "
        "hus byggnad byggnader roofprints houses halls roofs"
    ),
    Kind.TREES: each("tree trees arbre arbres baum baeume baume bomen boom arbol arboles alberi albero trad traer"),
    Kind.CONTROLLERS: each(
        "controller controllers ctrl controls timers clocks programmateurs programadores steuergerate "
        "steuergeraete steuergerat steuergeraet"
    ),
    Kind.POLES: each(
        "pole poles mast masts lamp lamps lightpole lightpoles lights streetlight streetlights "
        "flagpole posts lampposts"
    ),
    Kind.KEEP_OUTS: each(
        "keepout keepouts keep spray sprays sprinkler sprinklers rotors heads exhaust hvac vents restricted"
    ),
    Kind.GROUNDS: each(
        "grounds landcover lawn lawns turf paving pavement hardscape parking roads walks sidewalks paths surfaces"
    ),
    Kind.MANY_SITES: each("site sites locations properties stores addresses contract portfolio"),
}
# as drawings abbreviate them: C-PROP, V-BNDY (abbreviations of the U.S. National CAD Standard, from memory)
_ON_DRAWINGS: dict[Kind, frozenset[str]] = {Kind.SITE: each("prop bndy bdy")}
_FORMS: dict[Kind, frozenset[Form]] = {
    Kind.SITE: frozenset([Form.POLYGONS, Form.LINES, Form.MIXED]),
    Kind.BUILDINGS: frozenset([Form.POLYGONS, Form.LINES, Form.MIXED]),
    Kind.TREES: frozenset([Form.POINTS, Form.POLYGONS]),
    Kind.CONTROLLERS: frozenset([Form.POINTS]),
    Kind.POLES: frozenset([Form.POINTS]),
    Kind.KEEP_OUTS: frozenset([Form.POINTS, Form.POLYGONS, Form.LINES, Form.MIXED]),
    Kind.GROUNDS: frozenset([Form.POLYGONS, Form.LINES, Form.MIXED]),
    Kind.MANY_SITES: frozenset([Form.POINTS, Form.POLYGONS]),
}
_TERRAIN = each("dtm dem terrain ground bare earth elevation elev mnt dgm ahn relief topo height heights")
_SURFACE = each("dsm surface mns dom")
_ABOVE = each("ndsm normalized normalised hag")
_CANOPY = each("chm canopy cdsm vegetation trees tree")
_FOLDED = each("stations valves program programme")

NAMED, TOLD = 3, 2  # what a name and what columns weigh


def kinds_of(form: Form) -> tuple[Kind, ...]:
    """What a layer of some form may be of one site, its own kind aside."""
    if form is Form.RASTER:
        return (Kind.TERRAIN, Kind.SURFACE, Kind.CANOPY)
    return tuple(kind for kind, forms in _FORMS.items() if form in forms and kind is not Kind.MANY_SITES)


def sort(looked: Looked) -> Sorted:
    """What one layer is."""
    if looked.form in (Form.UNREADABLE, Form.OTHER):
        return Sorted(looked, Kind.UNKNOWN, Clue.NONE)
    if looked.form is Form.RASTER:
        return _raster(looked)
    if looked.form is Form.TABLE and zone_headings(looked.columns).is_table:
        return Sorted(looked, Kind.ZONES, Clue.COLUMNS, TOLD)
    if looked.form is Form.TABLE:
        named = set(_said(looked)) & _FOLDED
        return Sorted(looked, Kind.STATIONS if named else Kind.UNKNOWN, Clue.NAME if named else Clue.NONE)
    said = _said(looked)
    by_columns = _by_columns(looked)
    best = Sorted(looked, Kind.UNKNOWN, Clue.NONE)
    for kind, forms in _FORMS.items():
        if looked.form not in forms:
            continue
        by_name = bool(set(said) & _WORDS[kind])
        score = NAMED * by_name + TOLD * (by_columns is kind)
        if score > best.score:
            best = Sorted(looked, kind, Clue.NAME if by_name else Clue.COLUMNS, score)
    if (
        best.kind is Kind.SITE
        and looked.form is Form.POLYGONS
        and by_columns is Kind.BUILDINGS
        and looked.count > 3
    ):
        return Sorted(looked, Kind.BUILDINGS, Clue.COLUMNS, TOLD)  # "campus.gpkg" of buildings
    if best.kind is Kind.KEEP_OUTS and _kinds(looked, [k.value for k in KeepOut]) is None and "keep" in said:
        return Sorted(looked, Kind.UNKNOWN, Clue.NONE)
    return best


def _said(looked: Looked) -> tuple[str, ...]:
    """Words of the layer's own name, and of the file's where it holds but one layer."""
    return words(looked.layer) if looked.layer is not None else words(looked.path.stem)


def _kinds(looked: Looked, known: list[str]) -> recognise.Reading | None:
    return recognise.kind_column(looked.columns, known)


def _by_columns(looked: Looked) -> Kind | None:
    names = list(looked.columns)
    if looked.form in (Form.POLYGONS, Form.LINES, Form.MIXED):
        if _kinds(looked, [k.value for k in KeepOut]):
            return Kind.KEEP_OUTS
        if _kinds(looked, list(COVERS)):
            return Kind.GROUNDS
    if looked.form is Form.POLYGONS:
        schema = recognise.schema_of(names)
        built = ("building" in {n.lower() for n in names}) or bool(schema)
        if built or any(
            is_one(n)
            for n in names
            for is_one in (
                recognise.is_stories,
                recognise.is_top,
                recognise.is_roof_shape,
                recognise.is_roof_height,
            )
        ):
            return Kind.BUILDINGS
        if any(recognise.is_height(n) for n in names):
            return Kind.BUILDINGS
    if looked.form is Form.POINTS:
        flat = {w for n in names for w in words(n)}
        if flat & {"dbh", "trunk"} or any(
            recognise.is_species(n) or recognise.is_crown_width(n) or recognise.is_radius(n) for n in names
        ):
            return Kind.TREES
        if _kinds(looked, [k.value for k in KeepOut]):
            return Kind.KEEP_OUTS
    return None


def _raster(looked: Looked) -> Sorted:
    """Ground, surface, or heights above ground: by name, else by values."""
    relief, said = looked.relief, set(words(looked.path.stem))
    assert relief is not None
    if relief.bands > 1 or relief.bytes_only or not np.isfinite(relief.percentiles[2]):
        return Sorted(looked, Kind.UNKNOWN, Clue.NONE)
    if said & _ABOVE:
        return Sorted(looked, Kind.SURFACE, Clue.NAME, NAMED, above_ground=True)
    if said & _CANOPY:
        return Sorted(looked, Kind.CANOPY, Clue.NAME, NAMED)
    if said & _SURFACE:
        return Sorted(looked, Kind.SURFACE, Clue.NAME, NAMED)
    if said & _TERRAIN:
        return Sorted(looked, Kind.TERRAIN, Clue.NAME, NAMED)
    low, _, middle, _, high = relief.percentiles
    if relief.zero_share > 0.2 and low >= -1 and high < 150 and middle < 30:
        # heights above ground, of what, nobody says
        return Sorted(looked, Kind.UNKNOWN, Clue.VALUES)
    return Sorted(looked, Kind.TERRAIN, Clue.VALUES, TOLD)


# --- one layer of several kinds -----------------------------------------------------------------------------

# of OpenStreetMap's extracts: the kind, its forms, the column, and the value that counts ('' for any)
_OSM: tuple[tuple[Kind, tuple[Form, ...], str, str], ...] = (
    (Kind.BUILDINGS, (Form.POLYGONS,), "building", ""),
    (Kind.TREES, (Form.POINTS,), "natural", "tree"),
    (Kind.POLES, (Form.POINTS,), "highway", "street_lamp"),
)
_TELLING = ("layer", "kind", "type", "class", "category", "feature", "what")  # columns that tell kinds apart
MOST_KINDS = 40
BESIDE_M = 3.0  # as `drawing.label_within_m` is by default


def sort_parts(looked: Looked) -> tuple[Sorted, ...]:
    """What a layer is.

    Parameters
    ----------
    looked
        The layer.

    Returns
    -------
    tuple of Sorted
        One; or one a part, where one layer holds several kinds.
    """
    if looked.is_drawing:
        return _drawing(looked)
    parts = (_osm(looked) or _told_apart(looked)) if looked.rows and looked.relief is None else ()
    return parts or (sort(looked),)


def _osm(looked: Looked) -> tuple[Sorted, ...]:
    parts = []
    for kind, forms, column, value in _OSM:
        if column not in looked.columns:
            continue
        there = np.array([text(v) for v in looked.columns[column]], object)
        part = _part(looked, (there != "") & (there != "no") if not value else there == value)
        form = _single(part, forms)
        if form is not None:
            where = f"{_quoted(column)} = '{value}'" if value else f"{_quoted(column)} IS NOT NULL"
            parts.append(Sorted(form, kind, Clue.WHERE, NAMED + TOLD, where))
    # a layer of buildings alone needs no condition
    whole = len(parts) == 1 and parts[0].looked.rows == looked.rows
    return (replace(parts[0], where="", clue=Clue.COLUMNS),) if whole else tuple(parts)


def _drawing(looked: Looked) -> tuple[Sorted, ...]:
    """By the names of a drawing's layers, and of its blocks."""
    by_layer, by_block = _named_in(looked, "Layer"), _named_in(looked, "BlockName")
    found = {part.kind: part for part in by_block} | {part.kind: part for part in by_layer}
    parts = tuple(_lettered(part) if part.kind is Kind.BUILDINGS else part for part in found.values())
    return parts or (Sorted(looked, Kind.UNKNOWN, Clue.NONE),)


def _lettered(part: Sorted) -> Sorted:
    """Buildings of a drawing with the heights that stand as texts in them, or beside where the unit is known."""
    looked = part.looked
    if looked.texts is None:
        return part
    unit_m = 1.0 if looked.crs is not None else looked.unit_m  # one that was placed is in metres
    within = BESIDE_M / unit_m if np.isfinite(unit_m) else 0.0
    told = columns_of(looked.shapes, looked.texts.spots, looked.texts.words, within)
    columns = {**looked.columns, **{name: tuple(values) for name, values in told.items()}}
    return replace(part, looked=replace(looked, columns=columns))


def _told_apart(looked: Looked) -> tuple[Sorted, ...]:
    """By a column whose words name kinds, as a drawing's layers do; () where fewer than two are named."""
    for column in looked.columns:
        if set(words(column)[-1:]) & set(_TELLING):
            parts = _named_in(looked, column)
            if len(parts) >= 2:
                return parts
    return ()


def _named_in(looked: Looked, column: str) -> tuple[Sorted, ...]:
    """The kinds that the words of a column name, the fullest part for each."""
    if column not in looked.columns:
        return ()
    there = np.array([text(v) for v in looked.columns[column]], object)
    kinds = sorted(set(there.tolist()) - {""})
    parts: dict[Kind, Sorted] = {}
    for word in kinds if len(kinds) <= MOST_KINDS else []:
        part = _part(looked, there == word)
        # the same for all of them, it names none
        part = replace(part, columns={name: values for name, values in part.columns.items() if name != column})
        for kind, forms in _FORMS.items():
            if kind in (Kind.GROUNDS, Kind.KEEP_OUTS, Kind.MANY_SITES):
                continue
            if not set(words(word)) & (_WORDS[kind] | _ON_DRAWINGS.get(kind, frozenset())):
                continue
            form = _single(part, tuple(forms - {Form.MIXED}))
            if form is not None and (kind not in parts or form.rows > parts[kind].looked.rows):
                where = f"{_quoted(column)} = '{word.replace(chr(39), chr(39) * 2)}'"
                parts[kind] = Sorted(form, kind, Clue.WHERE, NAMED + TOLD, where)
                break
    return tuple(parts.values())


def _quoted(column: str) -> str:
    return column if re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", column) else '"' + column.replace('"', '""') + '"'


def _part(looked: Looked, mask: Bools) -> Looked:
    keep = np.flatnonzero(mask)
    columns = {name: tuple(values[k] for k in keep) for name, values in looked.columns.items()}
    # columns that say nothing of these features are other features'
    columns = {name: values for name, values in columns.items() if any(text(v) for v in values)}
    return replace(looked, shapes=looked.shapes[keep], columns=columns, count=len(keep))


def _single(part: Looked, forms: tuple[Form, ...]) -> Looked | None:
    """The part's features of some forms, as far as they are most of it; None where there are none."""
    ids = {Form.POINTS: (0, 4), Form.LINES: (1, 2, 5), Form.POLYGONS: (3, 6)}
    kinds = shapely.get_type_id(part.shapes) if part.rows else np.empty(0, int)
    for form in sorted(forms, key=list(Form).index, reverse=True):
        mask = np.isin(kinds, ids[form])
        if mask.any() and mask.mean() >= 0.5:
            return replace(_part(part, mask), form=form)
    return None
