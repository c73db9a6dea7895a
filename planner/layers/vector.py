"""Vector layers: one reader for every format, and the repairs that are safe.

:func:`read_vector` opens a layer and settles its CRS; :func:`in_frame` lays it into the site's frame and repairs
its geometry. Between the two, :mod:`planner.layers.build` makes sure that the site itself has its axes right.
A repair is made only where one reading of the data fits and the other does not; the rest is refused.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from planner import pieces
from planner.layers import drawing, geoparquet, lettering, nearby, picked
from planner.layers.columns import id_columns, names
from planner.layers.coordinates import points
from planner.layers.frame import WGS84, Frame, apart_m, project, project_shapes
from planner.layers.headings import layer_source
from planner.layers.nearby import Near, StandIn
from planner.layers.opening import Source, Trusted, unpacked_name
from planner.layers.source import (
    beyond_area,
    fits,
    label,
    locate,
    misfit,
    place,
    settle_crs,
    span,
)
from planner.ledger import DataError, Kind, Ledger, Notice, PlanError, nearest, offered
from planner.plan import PlanFile, PointsLayer, VectorLayer
from planner.site import SURROUNDINGS_M, Bools, Floats, Ints, Rejected, Shapes

ROUGHLY_M = 100_000.0  # farther than this nothing is projected into the site's frame
SLIVER_M = 0.05  # a polygon narrower on average is what is left between two lines, and nothing stands on it
SAME_M = 0.001  # vertices this close are the same
LEAST_AREA_M2 = 0.01  # a polygon smaller than a hand is a line

ASIDE = {"layers.buildings": ("start_date",)}  # columns of open layers that are read where they are there

Wanted = Literal["polygons", "points", "points or polygons", "any"]


@dataclass(frozen=True)
class Layer:
    """Features of one layer, rows alike (n): what was read, after the repairs so far.

    where: plan key and file, for messages. crs: of `shapes`. rows: row numbers in the file, from 1.
    left_out: features that could not be used. types: NumPy's names of the columns' types, as the file states them.
    near: whether only what touches a box around one site was read; nothing is then said of what lies farther.
    """

    where: str
    key: str
    crs: CRS
    names: tuple[str, ...]
    rows: Ints
    shapes: Shapes
    table: pd.DataFrame
    left_out: tuple[Rejected, ...] = ()
    types: Mapping[str, str] = field(default_factory=dict)
    near: bool = False

    def __len__(self) -> int:
        return len(self.names)

    def take(self, mask: Bools) -> Layer:
        keep = np.flatnonzero(mask)
        return replace(
            self,
            names=tuple(self.names[k] for k in keep),
            rows=self.rows[keep],
            shapes=self.shapes[keep],
            table=self.table.iloc[keep],
        )

    def without(self, bad: Bools, reason: str, ledger: Ledger) -> Layer:
        """The layer without some features, which are listed with the reason."""
        if not bad.any():
            return self
        gone = tuple(
            Rejected(self.names[k], reason, int(self.rows[k]), self.table.iloc[k].to_dict())
            for k in np.flatnonzero(bad)
        )
        ledger.add(Kind.SKIPPED, self.where, reason, [one.name for one in gone])
        return replace(self.take(~bad), left_out=self.left_out + gone)


def read_vector(
    plan_file: PlanFile,
    key: str,
    section: VectorLayer,
    attributes: Iterable[str],
    ledger: Ledger,
    rows: tuple[int, int] | None = None,
    whole: bool = False,
    near: Near | None = None,
) -> Layer:
    """One layer that the plan names at `key`, in its own CRS, on the earth.

    attributes: the keys of `section` that name an attribute ("height", "name"). rows: the first row to read and the
    one after the last, of those that the section's `where` picks, for a part of a large file. whole: read all of
    its columns. near: read what touches this box alone, where there may be nothing; said of the layer is then only
    what those features show. A third coordinate is dropped, features without geometry are left out, and x and y are
    exchanged where they can only be meant so. Raises PlanError or DataError.
    """
    path = locate(plan_file, f"{key}.path", section.path)
    where = _label(key, section, path)
    if near is not None and key in near.stand_ins:
        return _stood_in(key, where, near.stand_ins[key], near)
    with layer_source(where, path, Trusted.by(plan_file), ledger) as source:
        if isinstance(source, Path) and drawing.is_drawing(key, path):
            return _drawn(plan_file, key, section, attributes, source, rows, whole, ledger)
        file = _opened(plan_file, key, section, path, source, count=rows is None)
        xy = coordinates(section)
        named = attributes if xy is None else (*attributes, "x", "y")
        wanted = _wanted(plan_file, key, section, named, where, file.columns)
        aside = [column for column in ASIDE.get(key, ()) if column in file.columns]
        taken = file.columns if whole else sorted({*wanted.values(), *id_columns(file.columns), *aside})
        layer = _read(plan_file, key, section, file, taken, rows, near, ledger)
    return _on_the_earth(layer, ledger, each=whole) if len(layer) else layer


def _read(
    plan_file: PlanFile,
    key: str,
    section: VectorLayer,
    file: _File,
    taken: list[str],
    rows: tuple[int, int] | None,
    near: Near | None,
    ledger: Ledger,
) -> Layer:
    where, info, xy = file.label, file.info, coordinates(section)
    if not info["features"]:
        raise DataError(where, "there are no features in it", f"Check the export, or take [{key}] out of the plan")
    drawn: Shapes | None
    if near is not None:
        numbers, drawn, table = _near(plan_file, key, section, file, taken, near)
    else:
        only = _picked(plan_file, f"{key}.where", section.where, file)
        numbers, drawn, table = _rows(file, taken, rows or (0, None), xy is None, only)
    if xy is not None:
        x, y = xy
        drawn = points(table[x], table[y], x if x == y else None)
    elif drawn is None or info["geometry_type"] is None:
        todo = "Give a layer of points or polygons"
        if hasattr(section, "x"):
            todo = (
                f"Name its columns of longitude (or easting) and latitude (or northing) as {key}.x and {key}.y, "
                f"and their CRS as {key}.crs; its columns: {', '.join(file.columns)}"
            )
        raise DataError(where, "it is a table without geometry", todo)
    shapes = shapely.force_2d(drawn) if shapely.has_z(drawn).any() else drawn
    types = dict(zip(info["fields"], map(str, info["dtypes"]), strict=True))
    nameless, boxed = ("",) * len(table), near is not None
    layer = Layer(where, key, WGS84, nameless, numbers + 1, shapes, table, types=types, near=boxed)
    layer = replace(layer, names=names(layer, getattr(section, "name", None)))
    if near is not None and not len(layer):
        return layer

    layer = _that_can_be_read(layer, ledger, xy)
    vertices = shapely.get_coordinates(layer.shapes)
    crs = settle_crs(plan_file, key, where, section.crs, info["crs"] if xy is None else None, vertices, ledger)
    if _says_height(drawn):
        ledger.add(
            Kind.REPAIRED, where, "the third coordinate is not used: heights come from attributes and terrain"
        )
    return replace(layer, crs=crs)


def _near(
    plan_file: PlanFile, key: str, section: VectorLayer, file: _File, columns: list[str], near: Near
) -> tuple[Ints, Shapes, pd.DataFrame]:
    """As :func:`_rows`, of an indexed layer: what touches a box, or else the box with x and y exchanged, so that
    exchanged axes are found out as ever."""
    assert isinstance(file.source, Path)  # what has an index is a file
    crs = settle_crs(plan_file, key, file.label, section.crs, file.info["crs"], np.empty((0, 2)), Ledger())
    box = near.box(crs)
    found = None
    for asked in () if box is None else (box, (box[1], box[0], box[3], box[2])):
        try:
            found = _quietly(file.label, nearby.in_box, file.source, file.layer, asked, columns, section.where)
        except DataError:
            _picked(plan_file, f"{key}.where", section.where, file)  # says what is wrong with the condition
            raise
        if len(found.rows):
            break
    if found is None:
        return np.empty(0, np.int64), np.empty(0, object), pd.DataFrame(columns=columns)
    return found.rows, found.shapes, found.table


def _stood_in(key: str, where: str, kept: StandIn, near: Near) -> Layer:
    """What a stand-in holds in a box; it went through all repairs when it was made."""
    crs = CRS.from_user_input(kept.crs)
    box = near.box(crs)
    if box is None:
        raise DataError(where, f"its CRS has no answer at the site ({label(crs)})", "Check the CRS of both files")
    own, found = _quietly(where, kept.in_box, box)
    if not len(own):
        own, found = _quietly(where, kept.in_box, (box[1], box[0], box[3], box[2]))
    return Layer(where, key, crs, own, found.rows + 1, found.shapes, found.table, types=kept.types, near=True)


def stand_in(
    plan_file: PlanFile,
    key: str,
    section: VectorLayer,
    attributes: tuple[str, ...],
    ledger: Ledger,
    path: Path,
) -> bool:
    """Keep a layer without an index as a stand-in at `path`; False where it has one, and nothing is kept.

    ledger: is told what its repairs were, once for all sites. Raises PlanError, DataError or OutputError.
    """
    file = locate(plan_file, f"{key}.path", section.path)
    where = _label(key, section, file)
    is_drawing = drawing.is_drawing(key, file)
    with layer_source(where, file, Trusted.by(plan_file), ledger) as source:
        if not is_drawing:
            info = _opened(plan_file, key, section, file, source, count=False).info
            packed = unpacked_name(file) != file  # to be unpacked for each site
            if nearby.has_index(source, info) and coordinates(section) is None and not packed:
                return False
    if pieces.whole(path):
        return True
    total = count_features(plan_file, key, section)
    step = total if is_drawing else nearby.ROWS  # labels of a drawing may stand anywhere in it
    spans = [(first, min(first + step, total)) for first in range(0, max(total, 1), max(step, 1))]
    first = read_vector(plan_file, key, section, attributes, ledger, rows=spans[0])

    def parts() -> Iterator[tuple[tuple[str, ...], nearby.Found]]:
        for span_ in spans:
            part = first
            if span_ is not spans[0]:
                part = read_vector(plan_file, key, section, attributes, ledger, rows=span_)
            yield part.names, nearby.Found(part.rows - 1, part.shapes, part.table)

    nearby.write_stand_in(path, first.crs, parts(), first.types)
    return True


def count_features(plan_file: PlanFile, key: str, section: VectorLayer) -> int:
    """How many rows a layer's file holds, usable or not; of those that the section's `where` picks."""
    path = locate(plan_file, f"{key}.path", section.path)
    where = _label(key, section, path)
    with layer_source(where, path, Trusted.by(plan_file)) as source:
        if isinstance(source, Path) and drawing.is_drawing(key, path):
            return len(_entities(plan_file, key, section, source)[0])
        file = _opened(plan_file, key, section, path, source, count=True)
        only = _picked(plan_file, f"{key}.where", section.where, file)
        return int(file.info["features"]) if only is None else len(only.rows)


def read_attributes(
    plan_file: PlanFile, key: str, section: VectorLayer, rows: tuple[int, int]
) -> list[tuple[str, int, dict[str, Any]]]:
    """Name, number in the file from 1, and attributes of some rows, whatever their geometry; none of a drawing."""
    path = locate(plan_file, f"{key}.path", section.path)
    where = _label(key, section, path)
    with layer_source(where, path, Trusted.by(plan_file)) as source:
        if drawing.is_drawing(key, path):
            return []
        file = _opened(plan_file, key, section, path, source, count=False)
        only = _picked(plan_file, f"{key}.where", section.where, file)
        numbers, _, table = _rows(file, file.columns, rows, False, only)
    layer = Layer(where, key, WGS84, ("",) * len(table), numbers + 1, np.full(len(table), None, object), table)
    called = names(layer, getattr(section, "name", None))
    return [(called[k], int(layer.rows[k]), table.iloc[k].to_dict()) for k in range(len(table))]


def _that_can_be_read(layer: Layer, ledger: Ledger, xy: tuple[str, str] | None = None) -> Layer:
    """xy: the columns that the shapes are from, where they are."""
    what = "no geometry, or none that can be read"
    if xy is not None:
        what = f"no coordinates in '{xy[0]}' and '{xy[1]}', or none that can be read"
    layer = layer.without(_empty(layer.shapes), what, ledger)
    if not len(layer):
        raise DataError(layer.where, "none of its features has a geometry that can be read", "Check the export")
    return layer


def _drawn(
    plan_file: PlanFile,
    key: str,
    section: VectorLayer,
    attributes: Iterable[str],
    path: Path,
    part: tuple[int, int] | None,
    whole: bool,
    ledger: Ledger,
) -> Layer:
    """As :func:`read_vector`, of a drawing: what is picked of it, in the CRS by which it is placed."""
    where, asked = _label(key, section, path), plan_file.plan.drawing
    rows, texts, shapes, table = _entities(plan_file, key, section, path)
    rows = rows[slice(*part or (None,))]
    built = key == "layers.buildings"
    columns = [*map(str, table.columns), drawing.LABEL, *(lettering.COLUMNS if built else ())]
    wanted = _wanted(plan_file, key, section, attributes, where, columns)
    empty = _empty(shapes)
    sample = shapely.get_coordinates(shapes[rows])
    stated = _quietly(where, drawing.stated_unit, path)
    name = asked.unit or stated
    unit = drawing.Unit(name, asked.unit is not None) if name else None
    if section.crs is not None or asked.crs is not None:
        named = (key, section.crs) if section.crs is not None else ("drawing", asked.crs)
        crs = settle_crs(plan_file, named[0], where, named[1], None, sample, ledger)
        placed = drawing.placed_by_crs(where, crs, unit, sample, ledger)
    elif asked.control:
        # of the drawing, not of the layer: said once
        placed = drawing.placed_by_points(f"drawing.control ({path.name})", asked.control, unit, ledger)
    else:
        raise DataError(
            where,
            f"a drawing does not say where on the earth it lies ({span(sample)})",
            'Ask who made it for the CRS of its coordinates, and write drawing.crs = "EPSG:..."; or give two '
            "points, far apart, that you know in both, as [[drawing.control]] with x, y, longitude and latitude",
        )
    formed = drawing.shaped(shapely.force_2d(shapes[rows]))
    spots = texts & ~empty
    spots[rows] &= not texts[rows].all()  # what is picked as texts is named by them
    within = asked.label_within_m / placed.unit_m
    naming = list(table["Text"][spots])
    heights: dict[str, list[str | None]] = {}
    if built:
        lettered = drawing.is_text(table, shapes) & drawing.in_model(table) & ~empty
        heights = lettering.columns_of(formed, shapes[lettered], list(table["Text"][lettered]), within)
        _say_heights(where, section, heights, ledger)
        naming = [lettering.name_in(text) for text in naming]
        spots[np.flatnonzero(spots)] = [bool(text) for text in naming]
    found = drawing.labels(formed, shapes[spots], [text for text in naming if text], within)
    own = [
        text if is_text else name
        for text, is_text, name in zip(table["Text"][rows], texts[rows], found, strict=True)
    ]
    added = {drawing.LABEL: own, **({name: heights.get(name) for name in lettering.COLUMNS} if built else {})}
    table = table.iloc[rows].assign(**{name: pd.Series(values, rows, object) for name, values in added.items()})
    table = table.reset_index(drop=True)
    named_by = getattr(section, "name", None) or drawing.LABEL
    kept = columns if whole else sorted({*wanted.values(), drawing.LABEL})
    layer = Layer(
        where,
        key,
        placed.crs,
        ("",) * len(rows),
        rows + 1,
        placed.moved(formed),
        table[kept],
        types=dict.fromkeys(columns, "object"),
    )
    layer = _that_can_be_read(replace(layer, names=names(layer, named_by)), ledger)
    return _on_the_earth(layer, ledger, each=False)


def _say_heights(where: str, section: VectorLayer, heights: Mapping[str, list[str | None]], ledger: Ledger) -> None:
    """Tell of heights that stand as texts in a drawing and that the plan does not name."""
    used = {getattr(section, key, None) for key in ("height", "top", "storeys")}
    for name, values in heights.items():
        if not used & set(lettering.COLUMNS):
            count = sum(value is not None for value in values)
            key = {lettering.HEIGHT: "height", lettering.ELEVATION: "top", lettering.STOREYS: "storeys"}[name]
            ledger.add(
                Kind.CHECK,
                where,
                f"{count} of {len(values)} outlines have a text in or beside them that reads as a height; to take "
                f'it, write {key} = "{name}"',
            )


def _entities(
    plan_file: PlanFile, key: str, section: VectorLayer, path: Path
) -> tuple[Ints, Bools, Shapes, pd.DataFrame]:
    """Rows of a drawing that a section picks, from 0; which of all its entities are texts that may name something
    (n,), their shapes and their columns.

    Texts are picked only where nothing else is. What lies in the paper space is none of it.
    """
    label_ = _label(key, section, path)
    with drawing.blocks_as_points():
        file = _described(label_, path, drawing.LAYER, count=False)
        only = _picked(plan_file, f"{key}.where", section.where, file)
        naming = _picked(plan_file, "drawing.labels", plan_file.plan.drawing.labels, file)
        _, shapes, table = _rows(file, file.columns, (0, None), True, None)
    assert shapes is not None  # a drawing has geometry
    model = drawing.in_model(table)
    if not model.any():
        raise DataError(label_, "there is nothing in the drawing's model space", "Check the export")
    table = drawing.with_block_attributes(table)
    mask = model.copy()
    if only is not None:
        mask &= np.isin(np.arange(len(table)), only.rows)
    here = table["Layer"].astype(str)
    if section.layer is not None:
        mine = (here.str.casefold() == section.layer.casefold()).to_numpy(bool)
        if not (mine & model).any():
            raise PlanError(
                f"{plan_file.path}: {key}.layer",
                f"{path.name} has no layer '{section.layer}'",
                offered("In that drawing", section.layer, sorted(set(here[model]))),
            )
        mask &= mine
    elif section.where is None and here[model].nunique() > 1:
        counted = here[model].value_counts()
        listed = ", ".join(f"{name} ({count})" for name, count in counted.head(20).items())
        raise PlanError(
            f"{plan_file.path}: {key}.layer",
            f"{path.name} has {len(counted)} layers, and the plan does not say which",
            f"Give {key}.layer one of them, or {key}.where a condition: {listed}",
        )
    texts = drawing.is_text(table, shapes) & model
    if not mask.any():
        raise PlanError(
            f"{plan_file.path}: {key}.where",
            f"nothing of {label_} is both on that layer and picked by the condition",
            "Leave one of the two out",
        )
    if (mask & ~texts).any():
        mask &= ~texts
    if naming is not None:
        texts &= np.isin(np.arange(len(table)), naming.rows) | mask
    return np.flatnonzero(mask), texts, shapes, table


def coordinates(section: VectorLayer) -> tuple[str, str] | None:
    """The columns of x and y, for a section that is a table of points."""
    if isinstance(section, PointsLayer) and section.x is not None and section.y is not None:
        return section.x, section.y
    return None


def _label(key: str, section: VectorLayer, path: Path) -> str:
    """Plan key, file, and what of it is taken, for messages."""
    layer = f", layer {section.layer}" if section.layer else ""
    return f"{key} ({path.name}{layer}" + (f", where {section.where}" if section.where else "") + ")"


@dataclass(frozen=True)
class _File:
    """A layer of a file that can be read: label for messages, and what is said of it, in pyogrio's words."""

    label: str
    source: Source
    layer: str
    info: Mapping[str, Any]

    @property
    def columns(self) -> list[str]:
        return [str(field) for field in self.info["fields"]]


def _opened(
    plan_file: PlanFile, key: str, section: VectorLayer, path: Path, source: Source, *, count: bool
) -> _File:
    """The layer of a file that a section means. count: whether its features must be counted."""
    name = _choose_layer(plan_file, key, section, path, source)
    return _described(_label(key, section, path), source, name, count=count)


def _described(where: str, source: Source, name: str, *, count: bool) -> _File:
    if _is_parquet(source):
        return _File(where, source, name, _quietly(where, geoparquet.info, source))
    info = _quietly(where, pyogrio.read_info, source, layer=name, force_feature_count=count)
    return _File(where, source, name, info)


@dataclass(frozen=True)
class _Picked:
    """A condition, and the row numbers (n,), from 0, of what it picks."""

    where: str
    rows: Ints


def _picked(plan_file: PlanFile, key: str, where: str | None, file: _File) -> _Picked | None:
    """What a condition of the plan, at `key`, picks; PlanError where it cannot be evaluated, or picks nothing."""
    if where is None:
        return None
    plan = str(plan_file.path)
    try:
        rows = picked.picked_rows(file.source, file.layer, where)
    except picked.BadCondition as fault:
        raise picked.refusal(plan, key, where, file.label, str(fault), file.columns) from None
    except Exception as fault:
        raise _unreadable(file.label, fault) from None
    if not len(rows):
        table = _rows(file, file.columns, (0, None), False, None)[2]
        raise picked.nothing(plan, key, where, file.label, table)
    return _Picked(where, rows)


def _rows(
    file: _File, columns: list[str], part: tuple[int, int | None], geometry: bool, only: _Picked | None
) -> tuple[Ints, Shapes | None, pd.DataFrame]:
    """Row numbers (n,), from 0, shapes (n,), and columns of some rows of a file.

    Shapes are None where there are none, or `geometry` does not ask for them. part: the first row and the one after
    the last, among those of `only` where that is given.
    """
    first, end = part
    if _is_parquet(file.source):
        numbers = None if only is None else only.rows[first:end]
        if numbers is not None:
            first, end = (int(numbers[0]), int(numbers[-1]) + 1) if len(numbers) else (0, 0)
        drawn, fields = _quietly(
            file.label, geoparquet.read, file.source, columns, first, None if end is None else end - first
        )
        count = len(drawn) if drawn is not None else len(fields[0]) if fields else 0
        table = pd.DataFrame(dict(zip(columns, fields, strict=True)), index=range(count))
        if numbers is None:
            return np.arange(first, first + count), drawn, table
        at = numbers - first
        return numbers, None if drawn is None else drawn[at], table.iloc[at].reset_index(drop=True)
    meta, fids, wkb, fields = _quietly(
        file.label,
        pyogrio.raw.read,
        file.source,
        layer=file.layer,
        # GDAL takes what is not read for empty, in the condition too
        columns=columns if only is None else None,
        read_geometry=geometry or only is not None,
        where=None if only is None else only.where,
        skip_features=first,
        max_features=None if end is None else end - first,
        return_fids=True,
    )
    numbers = np.arange(first, first + len(fids)) if only is None else only.rows[first:end]
    held = dict(zip(map(str, meta["fields"]), fields, strict=True))  # pyogrio 0.9 gives them by the alphabet
    table = pd.DataFrame({name: held[name] for name in columns if name in held}, index=range(len(fids)))
    drawn = None if wkb is None else shapely.from_wkb(np.asarray(wkb, object), on_invalid="ignore")
    return numbers, drawn, table


def _is_parquet(source: Source) -> bool:
    return isinstance(source, Path) and source.suffix.lower() in geoparquet.SUFFIXES


def _quietly(where: str, read: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Any:
    """What a reader gives; its faults as a DataError, its warnings unsaid, for what they are about is looked at."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return read(*args, **kwargs)
    except Exception as fault:
        raise _unreadable(where, fault) from None


def _unreadable(where: str, fault: Exception) -> DataError:
    if isinstance(fault, UnicodeDecodeError):
        return DataError(where, "its text is not in UTF-8", "Save it in that encoding")
    said = str(fault).split(";")[0].strip().rstrip(".")
    return DataError(
        where, f"the file cannot be read as a vector layer: {said}", "Open it in a GIS, and export it again"
    )


def _choose_layer(plan_file: PlanFile, key: str, section: VectorLayer, path: Path, source: Source) -> str:
    if _is_parquet(source):
        return path.stem
    listed = _quietly(f"{key} ({path.name})", pyogrio.list_layers, source)
    found = [(str(n), kind) for n, kind in listed]
    if section.layer is not None:
        if section.layer not in [n for n, _ in found]:
            raise PlanError(
                f"{plan_file.path}: {key}.layer",
                f"{path.name} has no layer '{section.layer}'",
                offered("In that file", section.layer, [n for n, _ in found]),
            )
        return section.layer
    drawn = [n for n, kind in found if kind is not None] or [n for n, _ in found]
    if len(drawn) > 1:
        raise PlanError(
            f"{plan_file.path}: {key}.layer",
            f"{path.name} has {len(drawn)} layers, and the plan does not say which",
            f"Give {key}.layer one of: {', '.join(drawn)}",
        )
    if not drawn:
        raise DataError(f"{key} ({path.name})", "there is no layer in it", "Open it in a GIS, and export it again")
    return drawn[0]


def _wanted(
    plan_file: PlanFile, key: str, section: VectorLayer, attributes: Iterable[str], where: str, there: list[str]
) -> dict[str, str]:
    """Those of a section's attributes that the plan names, by key; PlanError where one is not `there`."""
    wanted = {k: getattr(section, k) for k in attributes if getattr(section, k) is not None}
    missing = {k: a for k, a in wanted.items() if a not in there}
    if missing:
        first = next(iter(missing))
        raise PlanError(
            f"{plan_file.path}: {key}.{first}",
            f"{where} has no attribute " + " and no ".join(f"'{a}'" for a in missing.values()),
            "; ".join(f"for '{a}' {nearest(a, there)}" for a in missing.values())
            + (f" (it has: {', '.join(there)})" if there else ""),
        )
    return wanted


def _empty(shapes: Shapes) -> Bools:
    return np.asarray(shapely.is_missing(shapes) | shapely.is_empty(shapes))


def _says_height(shapes: Shapes) -> bool:
    z = shapely.get_coordinates(shapes, include_z=True)[:, 2]
    return bool((np.nan_to_num(z) != 0).any())


def swapped(shapes: Shapes) -> Shapes:
    """x and y exchanged."""
    return np.asarray(shapely.transform(shapes, lambda xy: xy[:, ::-1]), object)


def all_fit(shapes: Shapes, crs: CRS) -> Bools:
    """(n,) whether every vertex of each shape can be a point of the CRS."""
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    return np.asarray(np.bincount(owner, ~fits(xy, crs), minlength=len(shapes)) == 0)


def anchors(layer: Layer) -> Floats:
    """(n, 2) longitude and latitude of one vertex of each feature: where it lies, roughly."""
    xy, owner = shapely.get_coordinates(layer.shapes, return_index=True)
    first = np.unique(owner, return_index=True)[1]
    return project(xy[first], layer.crs, WGS84)


def _on_the_earth(layer: Layer, ledger: Ledger, each: bool) -> Layer:
    """The layer where its CRS can be. each: by features, so that a part is judged as the whole is."""
    good = all_fit(layer.shapes, layer.crs)
    if each and not good.all():
        other = swapped(layer.shapes[~good])
        turned = np.flatnonzero(~good)[all_fit(other, layer.crs)]
        if len(turned):
            shapes = layer.shapes.copy()
            shapes[turned] = swapped(layer.shapes[turned])
            what = f"x and y were in the wrong order: exchanged, because only so do they fit {label(layer.crs)}"
            ledger.add(Kind.REPAIRED, layer.where, what, [layer.names[k] for k in turned])
            layer = replace(layer, shapes=shapes)
            good[turned] = True
    if not good.any():
        other = swapped(layer.shapes)
        if not all_fit(other, layer.crs).all():
            what, todo = misfit(shapely.get_coordinates(layer.shapes), layer.crs)
            raise DataError(layer.where, what, todo)
        ledger.add(
            Kind.REPAIRED,
            layer.where,
            f"x and y were in the wrong order ({span(shapely.get_coordinates(layer.shapes))}): exchanged, because "
            f"only so do they fit {label(layer.crs)}",
        )
        return replace(layer, shapes=other)
    layer = layer.without(
        ~good, f"coordinates off the earth, or far outside the area of {label(layer.crs)}", ledger
    )
    vertices = shapely.get_coordinates(layer.shapes)
    if beyond_area(vertices, layer.crs):
        ledger.add(
            Kind.CHECK,
            layer.where,
            f"it lies outside the area that {label(layer.crs)} is made for ({layer.crs.area_of_use.name}); "
            "is that the right CRS?",
        )
    return layer


def in_frame(
    layer: Layer,
    frame: Frame,
    outline: BaseGeometry,
    wanted: Wanted,
    ledger: Ledger,
    *,
    heights_m: Callable[[Layer], Floats] | None = None,
    apart_by: Iterable[str] = (),
    every_one: bool = False,
) -> Layer:
    """A layer in the site's frame: near, valid, of the wanted kind, each feature once.

    outline: the site, in the frame. heights_m: how high the features of a layer stand (n,), for obstacles: it tells
    what leaving the far ones out may cost, and which of two alike is kept (the taller). apart_by: attributes in
    which two features with the same geometry must also agree to count as one. every_one: none may be left out for
    being far (a controller that is out of reach must count as such); one beyond 100 km is an error.
    Raises DataError where the layer is nowhere near the site, or has nothing of the wanted kind.
    """
    layer = _landed(layer, frame, outline, ledger)
    away = apart_m(anchors(layer), np.array([frame.longitude_deg, frame.latitude_deg]))
    far = ~(away <= ROUGHLY_M)
    if every_one and far.any():
        raise DataError(
            f"{layer.where}, row {int(layer.rows[far][0])}",
            f"it lies {ledger.distance(float(away[far].min()))} or more from the site, too far to belong to it",
            "Mend its coordinates, or take it out of the layer",
        )
    local = replace(
        layer.take(~far),
        crs=CRS.from_user_input(frame.crs),
        shapes=project_shapes(layer.shapes[~far], layer.crs, frame.crs),
    )
    gap = shapely.distance(local.shapes, outline)
    beyond = (gap > SURROUNDINGS_M) & (not every_one)
    if (far.any() or beyond.any()) and not layer.near:
        _say_far(local.take(beyond), gap[beyond], int(far.sum()), heights_m, ledger)
    near = repaired(local.take(~beyond), wanted, ledger)
    return _once(near, heights_m(near) if heights_m else None, tuple(apart_by), ledger)


def lands(layer: Layer, frame: Frame, outline: BaseGeometry) -> bool:
    """Whether any feature lies at the site or within its surroundings."""
    away = apart_m(anchors(layer), np.array([frame.longitude_deg, frame.latitude_deg]))
    close = away <= ROUGHLY_M
    if not close.any():
        return False
    local = project_shapes(layer.shapes[close], layer.crs, frame.crs)
    return bool((shapely.distance(local, outline) <= SURROUNDINGS_M).any())


def could_be_swapped(layer: Layer) -> bool:
    """Whether the layer also makes sense with x and y exchanged."""
    return bool(all_fit(swapped(layer.shapes), layer.crs).all())


def may_land(layer: Layer, frame: Frame, outline: BaseGeometry) -> bool:
    """As :func:`lands`, as it is or with x and y exchanged."""
    if lands(layer, frame, outline):
        return True
    return could_be_swapped(layer) and lands(replace(layer, shapes=swapped(layer.shapes)), frame, outline)


def _landed(layer: Layer, frame: Frame, outline: BaseGeometry, ledger: Ledger) -> Layer:
    if lands(layer, frame, outline):
        return layer
    if could_be_swapped(layer):
        other = replace(layer, shapes=swapped(layer.shapes))
        if lands(other, frame, outline):
            ledger.add(
                Kind.REPAIRED,
                layer.where,
                "x and y were in the wrong order: exchanged, because only so does the layer lie at the site",
            )
            return other
    centre = np.array([frame.longitude_deg, frame.latitude_deg])
    spots = anchors(layer)
    away = apart_m(spots, centre)
    nearest_one = int(np.argmin(away))
    raise DataError(
        layer.where,
        f"nothing of it lies within {ledger.distance(SURROUNDINGS_M)} of the site: the nearest feature is "
        f"{ledger.distance(float(away[nearest_one]))} away, at {place(spots[nearest_one])} by {label(layer.crs)}; "
        f"the site is at {place(centre)}",
        "Check the CRS of both files, and that they show the same place",
    )


def _say_far(
    known: Layer, gap_m: Floats, farther: int, heights_m: Callable[[Layer], Floats] | None, ledger: Ledger
) -> None:
    count = len(known) + farther
    beyond = ledger.distance(SURROUNDINGS_M)
    what = f"{count} feature{'s' if count > 1 else ''} farther than {beyond} {FAR}"
    if heights_m is not None and len(known):
        cost = float(np.degrees(np.arctan2(heights_m(known), gap_m)).max())
        what += (
            f"; seen from the site's edge, on level ground, they stand {max(cost, 0.1):.1f} degrees high at most"
        )
    ledger.add(Kind.SKIPPED, known.where, what)


def tells_of_far(notice: Notice) -> bool:
    """Whether a notice is on features left out for being far, of which every site of many has most."""
    return FAR in notice.what


FAR = "from the site left out"
MENDED = "invalid geometry (a ring crosses itself, or the like) mended"
CLOSED = "closed lines taken as the outlines of polygons"
TRIMMED = "only the {wanted} of a mixed geometry are used"
INSIDE = "polygons where points are needed: a point inside each stands for it"
WRONG = "not of the kind needed here ({wanted})"
NOTHING = "no area"
SLIVER = "a sliver, under 5 cm wide on average"


def repaired(layer: Layer, wanted: Wanted, ledger: Ledger, least_area: float = LEAST_AREA_M2) -> Layer:
    """The layer with valid geometry of the wanted kind; every change is said.

    Polygons: self-crossing rings are mended, closed lines are taken as their outline, other parts are dropped.
    Points: multi-points are taken apart, polygons stand for a point inside them. least_area: of a polygon, in the
    CRS's unit squared. Raises DataError when nothing is left.
    """
    forms = {"polygons": _as_polygon, "points": _as_points, "points or polygons": _as_either, "any": _as_it_is}
    shapes = layer.shapes.copy()
    odd = np.flatnonzero(~_as_wanted(shapes, wanted, least_area))
    found = [forms[wanted](shape, least_area) for shape in shapes[odd]]
    if len(odd) == len(shapes) and all(WRONG in remarks for _, remarks in found):
        seen = sorted({str(s.geom_type) for s in layer.shapes})
        what = f"{wanted} are needed here, and the layer has {' and '.join(seen)} only"
        lines = wanted == "polygons" and {"LineString", "MultiLineString"} & set(seen)
        raise DataError(
            layer.where, what, "Give another layer" + (", or join its lines to closed ones" if lines else "")
        )

    def are(remark: str) -> Bools:
        rows = np.zeros(len(shapes), bool)
        rows[odd] = [remark in remarks for _, remarks in found]
        return rows

    for remark in (MENDED, CLOSED, TRIMMED, INSIDE):
        which = are(remark) & ~are(NOTHING)
        if which.any():
            named = [layer.names[k] for k in np.flatnonzero(which)]
            ledger.add(Kind.REPAIRED, layer.where, remark.format(wanted=wanted), named)
    for k, (shape, _) in zip(odd, found, strict=True):
        shapes[k] = shape
    layer, wrong, nothing = replace(layer, shapes=shapes), are(WRONG), are(NOTHING)
    layer = layer.without(wrong, WRONG.format(wanted=wanted), ledger)
    layer = layer.without(nothing[~wrong], NOTHING, ledger)
    if least_area == LEAST_AREA_M2:  # in metres
        layer = layer.without(_slivers(layer.shapes), SLIVER, ledger)
    if not len(layer):
        raise DataError(layer.where, "no usable feature is left", "Mend the geometry in a GIS")
    return layer if wanted in ("polygons", "any") else _apart(layer)


def _slivers(shapes: Shapes) -> Bools:
    around = shapely.length(shapes)
    narrow = 2 * shapely.area(shapes) < SLIVER_M * around
    return np.asarray(np.isin(shapely.get_type_id(shapes), (3, 6)) & narrow)


def _as_wanted(shapes: Shapes, wanted: Wanted, least_area: float) -> Bools:
    """(n,) the plain cases, which need no mending: most of any layer."""
    kind = shapely.get_type_id(shapes)
    plain = np.zeros(len(shapes), bool)
    if wanted != "polygons":
        plain |= kind == 0
    if wanted in ("polygons", "points or polygons"):
        surfaces = np.flatnonzero((kind == 3) | (kind == 6))
        plain[surfaces] = shapely.is_valid(shapes[surfaces]) & (shapely.area(shapes[surfaces]) >= least_area)
    return plain


Formed = tuple[BaseGeometry | None, set[str]]


def _parts(shape: BaseGeometry) -> list[BaseGeometry]:
    if hasattr(shape, "geoms"):
        return [p for part in shape.geoms for p in _parts(part)]
    return [shape]


def _as_polygon(shape: BaseGeometry, least_area: float) -> Formed:
    parts, remarks = _parts(shape), set()
    areas = [p for p in parts if p.geom_type == "Polygon"]
    if not areas:
        areas = [shapely.Polygon(p) for p in parts if p.geom_type in ("LineString", "LinearRing") and p.is_ring]
        remarks.add(CLOSED if areas else WRONG)
    if areas and len(areas) < len(parts):
        remarks.add(TRIMMED)
    area = areas[0] if len(areas) == 1 else shapely.MultiPolygon(areas)
    if not area.is_valid:
        remarks.add(MENDED)
        area = shapely.make_valid(area, method="structure", keep_collapsed=False)
        areas = [p for p in _parts(area) if p.geom_type == "Polygon"]
        area = areas[0] if len(areas) == 1 else shapely.MultiPolygon(areas)
    if WRONG not in remarks and area.area < least_area:
        remarks.add(NOTHING)
    return area, remarks


def _as_points(shape: BaseGeometry, least_area: float) -> Formed:
    parts = _parts(shape)
    spots = [p for p in parts if p.geom_type == "Point"]
    if spots:
        return _points_only(parts, spots)
    if any(p.geom_type == "Polygon" for p in parts):
        return (shape if shape.is_valid else shapely.make_valid(shape)).representative_point(), {INSIDE}
    return shape, {WRONG}


def _as_either(shape: BaseGeometry, least_area: float) -> Formed:
    parts = _parts(shape)
    spots = [p for p in parts if p.geom_type == "Point"]
    if spots and not any(p.geom_type == "Polygon" for p in parts):
        return _points_only(parts, spots)
    return _as_polygon(shape, least_area)


def _points_only(parts: list[BaseGeometry], spots: list[BaseGeometry]) -> Formed:
    whole = spots[0] if len(spots) == 1 else shapely.MultiPoint(spots)
    return whole, {TRIMMED} if len(spots) < len(parts) else set()


def _as_it_is(shape: BaseGeometry, least_area: float) -> Formed:
    if shape.is_valid:
        return shape, set()
    mended = shapely.make_valid(shape)
    return mended, {NOTHING} if mended.is_empty else {MENDED}


def _apart(layer: Layer) -> Layer:
    """Multi-points as single points, each with its feature's attributes."""
    many = shapely.get_type_id(layer.shapes) == 4
    if not many.any():
        return layer
    counts = np.where(many, shapely.get_num_geometries(layer.shapes), 1)
    index = np.repeat(np.arange(len(layer)), counts)
    step = np.arange(len(index)) - np.repeat(np.cumsum(counts) - counts, counts)
    shapes = np.array(
        [layer.shapes[i].geoms[s] if many[i] else layer.shapes[i] for i, s in zip(index, step, strict=True)], object
    )
    names_ = tuple(
        f"{layer.names[i]}-{s + 1}" if counts[i] > 1 else layer.names[i] for i, s in zip(index, step, strict=True)
    )
    return replace(layer, names=names_, rows=layer.rows[index], shapes=shapes, table=layer.table.iloc[index])


def _once(layer: Layer, prefer: Floats | None, apart_by: tuple[str, ...], ledger: Ledger) -> Layer:
    """Each geometry once: the row with the highest `prefer`, else the first."""
    if len(layer) < 2:
        return layer
    form = shapely.to_wkb(shapely.normalize(shapely.set_precision(layer.shapes, SAME_M, mode="pointwise")))
    keys = pd.DataFrame({"form": pd.Series(form, dtype=object)})
    for column in apart_by:
        keys[f"by {column}"] = [str(v) for v in layer.table[column]]
    rank = np.zeros(len(layer)) if prefer is None else np.nan_to_num(prefer, nan=-np.inf)
    order = np.argsort(-rank, kind="stable")
    again = np.empty(len(layer), bool)
    again[order] = keys.iloc[order].duplicated(keep="first").to_numpy()
    what = "the same geometry as another feature: left out"
    return layer.without(again, what + (", the tallest is kept" if prefer is not None else ""), ledger)
