"""What a column holds, in which unit, and how sure that is: from its name and its values alone.

Pure functions of names and values. The names are those of the open schemas (Overture, OpenStreetMap, 3DBAG,
BD TOPO, city inventories) and of the words for them in eight languages.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from planner.layers.columns import NO, YES, length_m, likely, name_text, number, text, unit_said
from planner.layers.vocabulary import leaf_of
from planner.site import Floats
from planner.start.words import each, plain, run_together, words
from planner.units import M_PER_FT


class Basis(StrEnum):
    """What a unit rests on, the surest first."""

    NAME = "name"  # the column's own name says it
    WRITTEN = "written"  # most values have their unit written with them
    SCHEMA = "schema"  # an open schema states it
    FILE = "file"  # the file's name says it
    STORIES = "stories"  # beside a column of stories only one unit makes sense
    CRS = "crs"  # coordinates are in feet, heights then often are
    SIZE = "size"  # the values are too large for metres
    ASSUMED = "assumed"  # nothing tells: metres, as in most open data


SURE = frozenset([Basis.NAME, Basis.WRITTEN, Basis.SCHEMA])


@dataclass(frozen=True)
class Reading:
    """One column as one thing. unit: "m", "ft", "storeys", "" for none. known: values that can be used, of `of`;
    median: of those, in the unit, NaN for words. odd: the values look unlike the unit that the name says."""

    column: str
    unit: str = ""
    basis: Basis = Basis.NAME
    known: int = 0
    of: int = 0
    median: float = float("nan")
    odd: bool = False

    @property
    def sure(self) -> bool:
        return self.basis in SURE


Columns = Mapping[str, Sequence[object]]

# --- names --------------------------------------------------------------------------------------------------

_HEIGHT = r"height|hauteur|hoehe|hohe|altura|hoogte|altezza|hojd|hoyde|hojde|wysokosc"
_HEIGHT_WORDS = frozenset(["ht", "hgt", "hght", "hoog", "hoh"])
_NO_HEIGHT = each(
    "min base crown canopy krone kronen kroon stem stamm trunk floor floors storey storeys "
    "story stories levels class code source accuracy date unit units type id error conf "
    "confidence num number ground underside clearance parapet couronne kronenhoehe "
    "kroonhoogte"
)
_TOPS = (
    "eaveelev", "roofelev", "topelev", "zmintoit", "altitudeminimaletoit", "b3h70p", "b3h50p", "b3hmax", "medianst",
    "zmaxtoit", "altitudemaximaletoit", "peakst", "roofz", "ztop", "elevroof", "elevtop",
)  # fmt: skip
_GROUNDS = (
    "groundelev", "groundelevation", "baseelev", "zminsol", "altitudeminimalesol", "b3hmaaiveld", "gndmin",
    "groundz", "elevground", "zground", "zmaxsol", "altitudemaximalesol",
)  # fmt: skip
_STORIES = each(
    "storeys stories storey story levels floors etages etage bouwlagen geschosse plantas pisos piani vaningar"
)
_FLOOR = each("floor level etage bouwlaag geschoss planta piso piano")
_DEPTH = each("depth profondeur tiefe profundidad diepte profondita")
_NO_STORIES = each("roof toit min height below basement underground ss")
_CROWN = r"crown|canopy|spread|krone|kroon|couronne|copa|chioma"
_TRUNK = each("dbh trunk stem stamm tronc tronco stam circumference range caliper girth umfang omtrek")
_GENUS = each(
    "species genus botanical scientific taxon latin latinname botanic essence espece gattung geslacht soort genre"
)


def _flat(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", plain(name))


def is_height(name: str) -> bool:
    said, flat = words(name), run_together(name)
    if set(said) & _NO_HEIGHT or said[:1] == ("roof",) or re.search(r"krone|kroon|stamm|couronne", flat):
        return False
    return bool(re.search(_HEIGHT, flat) or set(said) & _HEIGHT_WORDS)


def is_top(name: str) -> bool:
    return any(_flat(name).startswith(top) for top in _TOPS) or bool(re.match(r"(median|peak)_?1st", plain(name)))


def is_ground(name: str) -> bool:
    return any(_flat(name).startswith(ground) for ground in _GROUNDS)


def is_stories(name: str) -> bool:
    said = set(words(name))
    flat = run_together(name)
    return bool(
        said & _STORIES or flat in ("storeysaboveground", "numfloors", "nbetages", "nombredetages")
    ) and not (said & _NO_STORIES)


def is_roof_height(name: str) -> bool:
    return _flat(name) in ("roofheight", "roofheightm", "roofheightft")


def is_base(name: str) -> bool:
    said = words(name)
    return _flat(name) in ("minheight", "minheightm", "minheightft", "underside", "clearance") or (
        "base" in said and not set(said) & {"elev", "elevation", "map", "id", "floor"}
    )


def is_roof_shape(name: str) -> bool:
    return _flat(name) in (
        "roof",
        "roofshape",
        "rooftype",
        "b3daktype",
        "daktype",
        "roofform",
        "dachform",
        "roofstyle",
    )


def is_crown_width(name: str) -> bool:
    said, flat = set(words(name)), run_together(name)
    if said & {"area", "height", "ht", "base", "cond", "condition", "cover", "class", "hoogte", "hoehe", "hohe"}:
        return False
    if is_radius(name) or is_crown_base(name):
        return False
    return bool(re.search(_CROWN, flat)) and not re.search(r"hoehe|hoogte|hauteur|area|vol", flat)


def is_radius(name: str) -> bool:
    flat = run_together(name)
    return bool(re.search(_CROWN, flat) and re.search(r"radi|rayon|straal", flat))


def is_crown_base(name: str) -> bool:
    return _flat(name) in ("crownbase", "crownbasem", "crownbaseft", "basem", "baseft", "base", "cbh", "canopybase")


def trunk_column(names: Sequence[str]) -> str:
    """The first column of trunks' diameters or girths; '' where there is none."""
    return next((name for name in names if set(words(name)) & _TRUNK), "")


_LEAF_WORDS = {
    "evergreen": "evergreen", "semi evergreen": "evergreen", "sempervirens": "evergreen", "immergrun": "evergreen",
    "conifer": "evergreen", "needleleaved": "evergreen", "persistant": "evergreen", "perennifolia": "evergreen",
    "deciduous": "deciduous", "semi deciduous": "deciduous", "caduc": "deciduous", "caducifolia": "deciduous",
    "broadleaved": "", "laubabwerfend": "deciduous", "sommergrun": "deciduous",
}  # fmt: skip


def leaf_share(values: Sequence[object]) -> float:
    """Share of the values that are there that say evergreen or deciduous."""
    there = [re.sub(r"[_-]+", " ", plain(text(v))).strip() for v in values if text(v)]
    return float(np.mean([_LEAF_WORDS.get(word, "") != "" for word in there])) if there else 0.0


def is_species(name: str) -> bool:
    return bool(set(words(name)) & _GENUS) or bool(
        re.search(r"soort|species|botanical|scientific", run_together(name))
    )


# --- values -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sizes:
    """The values of a column: bare numbers and those written with a unit, in metres; NaN for the rest (n,)."""

    bare: Floats
    written_m: Floats

    @property
    def written(self) -> bool:
        """Whether most values have their unit with them."""
        return bool(np.isfinite(self.written_m).sum() > np.isfinite(self.bare).sum())


def sizes(values: Sequence[object]) -> Sizes:
    bare, written = np.full(len(values), np.nan), np.full(len(values), np.nan)
    for k, value in enumerate(values):
        word = (likely(value) or (text(value), ""))[0] if isinstance(value, str) else value
        plain_number = number(word)
        if plain_number is not None:
            bare[k] = plain_number
        elif (metres := length_m(text(word))) is not None:
            written[k] = metres
    with np.errstate(invalid="ignore"):
        return Sizes(np.where(bare > 0, bare, np.nan), np.where(written > 0, written, np.nan))


@dataclass(frozen=True)
class Limits:
    """Sizes beyond which a number is rather feet than metres: the median, and the 90th percentile. said: the median
    beyond which that is asked although the name says metres."""

    median: float
    high: float
    said: float = 0.0


BUILDING, TREE, CROWN = Limits(15.0, 60.0), Limits(25.0, 40.0), Limits(15.0, 25.0)
POLE = Limits(14.0, 25.0, said=35.0)  # floodlights of a sports field stand 15 to 30 m: common practice, no source
LEAST_STORY_M, MOST_STORY_M = 2.3, 6.5


def length_reading(
    column: str, values: Sequence[object], limits: Limits, stories: Floats | None, schema: str, feet_crs: bool
) -> Reading:
    """A column of lengths with its unit.

    schema: the unit that an open schema states, "" for none. stories: (n,) of the same features, NaN unknown.
    feet_crs: whether the layer's coordinates are in feet.
    """
    found = sizes(values)
    bare = found.bare[np.isfinite(found.bare)]
    known = int(np.isfinite(found.bare).sum() + np.isfinite(found.written_m).sum())
    median = float(np.median(bare)) if len(bare) else float("nan")
    large = len(bare) > 0 and (median > limits.median or float(np.percentile(bare, 90)) > limits.high)
    said = unit_said(column)
    if said in ("m", "ft"):
        in_m = median * (M_PER_FT if said == "ft" else 1.0)
        many = median > limits.said if limits.said else large
        odd = bool(len(bare)) and (many if said == "m" else in_m < 1.5)
        return Reading(column, said, Basis.NAME, known, len(values), median, odd)
    if found.written and not len(bare):
        return Reading(column, "m", Basis.WRITTEN, known, len(values), float(np.nanmedian(found.written_m)))
    if schema:
        return Reading(column, schema, Basis.SCHEMA, known, len(values), median)
    per_story = _per_story(found.bare, stories)
    if np.isfinite(per_story):
        metres, feet = (LEAST_STORY_M <= v <= MOST_STORY_M for v in (per_story, per_story * M_PER_FT))
        if metres != feet:
            return Reading(column, "m" if metres else "ft", Basis.STORIES, known, len(values), median)
    if feet_crs:
        return Reading(column, "ft", Basis.CRS, known, len(values), median)
    if large:
        return Reading(column, "ft", Basis.SIZE, known, len(values), median)
    return Reading(column, "m", Basis.ASSUMED, known, len(values), median)


def _per_story(heights: Floats, stories: Floats | None) -> float:
    if stories is None or len(stories) != len(heights):
        return float("nan")
    with np.errstate(invalid="ignore"):
        both = np.isfinite(heights) & (stories >= 1)
    return float(np.median(heights[both] / stories[both])) if both.sum() >= 3 else float("nan")


# --- open schemas: told by columns that stand together ------------------------------------------------------


def schema_of(names: Sequence[str]) -> str:
    """'osm', 'overture', '3dbag', 'bdtopo', 'nyc', 'microsoft', 'citygml', or ''."""
    low = {name.lower() for name in names}
    flat = {_flat(name) for name in names}
    if "b3_h_maaiveld" in low or "b3_h_70p" in low:
        return "3dbag"
    if {"building:levels", "osm_id", "@id", "osm_type"} & low:
        return "osm"
    if "num_floors" in low or {"sources", "roof_shape"} <= low or {"sources", "has_parts"} <= low:
        return "overture"
    if {"heightroof", "groundelev"} <= flat or {"heightroof", "groundelevation"} <= flat:
        return "nyc"
    if "z_min_sol" in low or "altitude_minimale_sol" in low:
        return "bdtopo"
    if low <= {"height", "confidence"} and "height" in low and "confidence" in low:
        return "microsoft"
    return "citygml" if "measuredheight" in flat else ""


SCHEMA_UNIT = {
    "osm": "m",
    "overture": "m",
    "3dbag": "m",
    "nyc": "ft",
    "bdtopo": "m",
    "microsoft": "m",
    "citygml": "m",
}
ROOF_INCLUDED = frozenset(["osm", "overture"])  # their heights end at the ridge


# --- roles of a layer's columns -----------------------------------------------------------------------------


@dataclass(frozen=True)
class BuildingColumns:
    """What was recognised among a building layer's columns, None where nothing was."""

    schema: str
    height: Reading | None = None
    other_heights: tuple[Reading, ...] = ()
    roof_height: Reading | None = None
    top: Reading | None = None
    ground: Reading | None = None
    stories: Reading | None = None
    base: Reading | None = None
    roof: Reading | None = None
    mountable: Reading | None = None
    name: Reading | None = None


def building_columns(columns: Columns, feet_crs: bool) -> BuildingColumns:
    schema = schema_of(list(columns))
    unit = SCHEMA_UNIT.get(schema, "")
    stories = _best([_number(c, v, "storeys") for c, v in columns.items() if is_stories(c)])
    counted = None if stories is None else sizes(columns[stories.column]).bare

    def lengths(is_one: object, order: Sequence[str] = ()) -> list[Reading]:
        found = [
            length_reading(c, v, BUILDING, counted, unit, feet_crs)
            for c, v in columns.items()
            if is_one(c)  # type: ignore[operator]
        ]
        found = [one for one in found if one.known]
        rank = {name: k for k, name in enumerate(order)}
        return sorted(
            found, key=lambda one: (next((rank[o] for o in rank if _flat(one.column).startswith(o)), 99),)
        )

    heights = sorted(lengths(is_height), key=_height_rank)
    tops, grounds = lengths(is_top, _TOPS), lengths(is_ground, _GROUNDS)
    return BuildingColumns(
        schema,
        heights[0] if heights else None,
        tuple(heights[1:]),
        _best(lengths(is_roof_height)),
        tops[0] if tops else None,
        grounds[0] if grounds else None,
        stories,
        _best(lengths(is_base)),
        _roof(columns),
        _flags(columns, ("mount", "mountable", "maymount")),
        name_reading(columns),
    )


def _height_rank(one: Reading) -> tuple[int, int, int]:
    """An eave's height before any other, the mean or median before a maximum; then the one known for most."""
    said = set(words(one.column))
    best = 0 if said & {"eave", "eaves", "gutter", "parapet"} else 2 if said & {"max", "ridge", "peak"} else 1
    return best, -one.known, len(one.column)


def _best(found: Sequence[Reading | None]) -> Reading | None:
    there = [one for one in found if one is not None and one.known]
    return max(there, key=lambda one: one.known) if there else None


def _number(column: str, values: Sequence[object], unit: str) -> Reading:
    bare = sizes(values).bare
    known = int(np.isfinite(bare).sum())
    median = float(np.nanmedian(bare)) if known else float("nan")
    return Reading(column, unit, Basis.NAME, known, len(values), median)


def _roof(columns: Columns) -> Reading | None:
    for column, values in columns.items():
        there = [text(v) for v in values if text(v)]
        if is_roof_shape(column) and there and all(number(v) is None for v in there):
            return Reading(column, known=len(there), of=len(values))
    return None


def _flags(columns: Columns, names: Sequence[str]) -> Reading | None:
    for column, values in columns.items():
        there = [text(v).lower().rstrip(".") for v in values if text(v)]
        named = set(words(column)) & set(names) or _flat(column) in names
        if named and there and all(word in YES | NO for word in there):
            return Reading(column, known=len(there), of=len(values))
    return None


_NAMES = (
    "name",
    "names",
    "label",
    "tag",
    "nom",
    "naam",
    "nombre",
    "nome",
    "title",
    "id",
    "number",
    "no",
    "num",
    "ref",
    "bezeichnung",
)


def name_reading(columns: Columns, prefer: Sequence[str] = ()) -> Reading | None:
    """The column with names: by its own name, mostly there but in OpenStreetMap and Overture, mostly different."""
    best: tuple[tuple[int, int], Reading] | None = None
    # there many features have no name, and those that have one are known by it
    named = schema_of(list(columns)) in ("osm", "overture")
    for k, (column, values) in enumerate(columns.items()):
        said = words(column)
        rank = next(
            (r for r, word in enumerate((*prefer, *_NAMES)) if said[-1:] == (word,) or _flat(column) == word), None
        )
        if named and _flat(column) in ("name", "names"):
            rank = 0
        if rank is None and any(word in said for word in ("name", *prefer)):
            rank = len(prefer)
        there = [word for v in values if (word := name_text(v))]
        few = len(there) * 2 < len(values) and not (named and rank == 0)
        alike = len(set(there)) * 2 < len(there) or len(set(there)) == 1 < len(there)
        if rank is None or few or not there or alike:
            continue
        found = Reading(column, known=len(there), of=len(values))
        if best is None or (rank, k) < best[0]:
            best = (rank, k), found
    return best[1] if best else None


def text_reading(columns: Columns) -> Reading | None:
    """The first column of words that are all there and all different: names, whatever it is called."""
    for column, values in columns.items():
        there = [text(v) for v in values]
        if there and all(there) and len(set(there)) == len(there) and all(number(v) is None for v in there):
            return Reading(column, known=len(there), of=len(values))
    return None


def telling_apart(columns: Columns, named: Reading) -> Reading | None:
    """Where names repeat, a column whose values are all there and all different, a name before a mere number.

    known: how many different names there are, for the note beside it.
    """
    said = [text(v) for v in columns[named.column]]
    different = len(set(said))
    if different == len(said):
        return None
    alone = {
        column: values
        for column, values in columns.items()
        if len({text(v) for v in values}) == len(values) and all(text(v) for v in values)
    }
    found = name_reading(alone, ("site", "id", "no", "number", "code"))
    return None if found is None else Reading(found.column, known=different, of=len(said))


@dataclass(frozen=True)
class TreeColumns:
    schema: str
    height: Reading | None = None
    crown_width: Reading | None = None
    crown_radius: Reading | None = None
    crown_base: Reading | None = None
    leaf: Reading | None = None
    species: Reading | None = None
    name: Reading | None = None


def tree_columns(columns: Columns, feet_crs: bool) -> TreeColumns:
    schema = schema_of(list(columns))
    unit = SCHEMA_UNIT.get(schema, "") or ("m" if "diameter_crown" in columns else "")

    def one(is_one: object, limits: Limits) -> Reading | None:
        return _best(
            [
                length_reading(c, v, limits, None, unit, feet_crs)
                for c, v in columns.items()
                if is_one(c) and not set(words(c)) & _TRUNK  # type: ignore[operator]
            ]
        )

    leaf = [
        Reading(c, known=sum(bool(text(v)) for v in vs), of=len(vs))
        for c, vs in columns.items()
        if leaf_share(vs) >= 0.6
    ]
    kinds = [
        Reading(c, known=sum(bool(text(v)) for v in vs), of=len(vs))
        for c, vs in columns.items()
        if is_species(c) or _are_genera(vs)
    ]
    return TreeColumns(
        schema,
        one(is_height, TREE),
        one(is_crown_width, CROWN),
        one(is_radius, CROWN),
        one(is_crown_base, CROWN),
        _best(leaf),
        _best([kind for kind in kinds if _is_botanical(columns[kind.column])]),
        name_reading(columns, ("tag",)),
    )


def _are_genera(values: Sequence[object]) -> bool:
    """Whether most values begin with a genus whose leaves are known, whatever the column is called."""
    there = [word for v in values if (word := text(v))]
    return bool(there) and sum(bool(leaf_of(word)) for word in there) > 0.6 * len(there)


def _is_botanical(values: Sequence[object]) -> bool:
    there = [text(v) for v in values if text(v)]
    return bool(there) and float(np.mean([re.match(r"[A-Z][a-z]{2,}(\s|$)", v) is not None for v in there])) > 0.6


def pole_height(columns: Columns, feet_crs: bool) -> Reading | None:
    return _best([length_reading(c, v, POLE, None, "", feet_crs) for c, v in columns.items() if is_height(c)])


@dataclass(frozen=True)
class ControllerColumns:
    """How high a controller's receiver hangs; from_zero: some are on story 0, so that 1 is not the ground floor."""

    height: Reading | None
    depth: Reading | None
    storey: Reading | None
    from_zero: bool


def controller_columns(columns: Columns, feet_crs: bool) -> ControllerColumns:
    """Columns of a controller's height, its depth below ground and its story, by their names and numbers."""

    def lengths(named: Callable[[str], bool]) -> Reading | None:
        return _best([length_reading(c, v, POLE, None, "", feet_crs) for c, v in columns.items() if named(c)])

    storey, from_zero = None, False
    for column, values in columns.items():
        floors = [number(v) for v in values if text(v)]
        whole = bool(floors) and all(f is not None and f == round(f) and -20 <= f <= 150 for f in floors)
        if storey is None and whole and set(words(column)) & (_STORIES | _FLOOR):
            storey, from_zero = Reading(column, known=len(floors), of=len(values)), 0 in floors
    return ControllerColumns(lengths(is_height), lengths(lambda c: bool(set(words(c)) & _DEPTH)), storey, from_zero)


def kind_column(columns: Columns, known: Sequence[str]) -> Reading | None:
    """The column whose values are all among the known words."""
    for column, values in columns.items():
        there = [re.sub(r"[\s_-]+", "_", text(v).lower()) for v in values]
        if there and all(word in known for word in there):
            return Reading(column, known=len(there), of=len(values))
    return None


def flag_column(columns: Columns, names: Sequence[str]) -> Reading | None:
    return _flags(columns, names)
