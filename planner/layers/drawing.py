"""A CAD drawing (DXF) as a layer: closed lines become polygons, blocks points, and labels names.

GDAL reads it; what GDAL does not tell, the unit of the coordinates, stands in the drawing's head. A drawing seldom
says where it lies: a CRS, or points that are known in the drawing and on the earth, place it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyproj import CRS

from planner.layers.frame import WGS84, horizontal, local_frame, project
from planner.layers.opening import unpacked_name
from planner.layers.source import fits, label, misfit
from planner.ledger import DataError, Kind, Ledger
from planner.plan import ControlPoint
from planner.site import Bools, Floats, Shapes
from planner.units import M_PER_FT

LAYER = "entities"  # what GDAL calls the drawing itself, beside its blocks
# what GDAL tells of an entity beside its layer, its text and its block's name and attributes
OWN = (
    *("PaperSpace", "SubClasses", "Linetype", "EntityHandle", "Block", "BlockScale", "BlockAngle"),
    *("BlockOCSNormal", "BlockOCSCoords", "AttributeTag"),
)
LABEL = "Label"  # the column of names that are taken from texts
ALMOST_CLOSED = 1e-3  # of a line's length: ends this near were meant to meet
SAME_UNIT = 1e-5  # feet and US survey feet differ by two in a million: a matter of the CRS, not of the drawing
WELL_PLACED, ILL_PLACED = 0.02, 0.05  # of a length between control points: common practice, no source

# $INSUNITS by number (DXF reference, HEADER section): name and metres
UNITS = {
    1: ("in", M_PER_FT / 12),
    2: ("ft", M_PER_FT),
    3: ("mi", 5280 * M_PER_FT),
    4: ("mm", 0.001),
    5: ("cm", 0.01),
    6: ("m", 1.0),
    7: ("km", 1000.0),
    10: ("yd", 3 * M_PER_FT),
    14: ("dm", 0.1),
    21: ("us-ft", 1200 / 3937),
}
METRES = dict(UNITS.values())
BY_METRES = {metres: name for name, metres in METRES.items()}
IN_WORDS = {
    "in": "inch",
    "ft": "foot",
    "mi": "mile",
    "mm": "millimeter",
    "cm": "centimeter",
    "m": "meter",
    "km": "kilometer",
    "yd": "yard",
    "dm": "decimeter",
    "us-ft": "US survey foot",
}

_setting = Lock()


def is_drawing(key: str, path: Path) -> bool:
    """Whether a file is read as a drawing; DataError for one in the format that only CAD programs read."""
    kind = unpacked_name(path).suffix.lower()
    if kind == ".dwg":
        raise DataError(f"{key} ({path.name})", "a DWG drawing cannot be read", "Save it as DXF in the CAD program")
    return kind == ".dxf"


@contextmanager
def blocks_as_points() -> Iterator[None]:
    """GDAL gives each block as a point with its attributes, not as the lines that it is drawn with."""
    with _setting:
        before = pyogrio.get_gdal_config_option("DXF_INLINE_BLOCKS")
        pyogrio.set_gdal_config_options({"DXF_INLINE_BLOCKS": False})
        try:
            yield
        finally:
            pyogrio.set_gdal_config_options({"DXF_INLINE_BLOCKS": before})


def stated_unit(path: Path) -> str | None:
    """The unit that a drawing's head states ($INSUNITS); None where it states none, or one that is not known."""
    with path.open(encoding="latin-1") as file:
        lines = (line.strip() for line in file)
        for line in lines:
            if line == "$INSUNITS":
                next(lines, "")  # the code of what follows
                number = next(lines, "")
                return UNITS[int(number)][0] if number.isdigit() and int(number) in UNITS else None
            if line == "ENDSEC":
                return None
    return None


def shaped(shapes: Shapes) -> Shapes:
    """Closed lines as polygons, also where the ends almost meet; the rest as it is."""
    out = shapes.copy()
    for k in np.flatnonzero(np.isin(shapely.get_type_id(shapes), (1, 2))):
        xy = shapely.get_coordinates(shapes[k])
        gap = np.hypot(*(xy[-1] - xy[0]))
        if len(xy) > 3 and gap <= ALMOST_CLOSED * shapes[k].length:
            out[k] = shapely.Polygon(xy)
    return out


def with_block_attributes(table: pd.DataFrame) -> pd.DataFrame:
    """The table with a column for each attribute of its blocks, by its tag; GDAL's own names come first."""
    if "BlockAttributes" not in table:
        return table
    rows = [dict(_tag_and_value(pair) for pair in pairs) if pairs is not None else {} for pairs in _lists(table)]
    tags = sorted({tag for row in rows for tag in row} - set(table.columns))
    return table.assign(**{tag: pd.Series([row.get(tag) for row in rows], table.index, object) for tag in tags})


def _lists(table: pd.DataFrame) -> list[list[str] | None]:
    return [list(v) if isinstance(v, list | tuple | np.ndarray) else None for v in table["BlockAttributes"]]


def _tag_and_value(pair: str) -> tuple[str, str]:
    tag, _, value = str(pair).partition(" ")
    return tag, value


def in_model(table: pd.DataFrame) -> Bools:
    """(n,) which features lie in the drawing's model space, not on one of its sheets."""
    return np.asarray(~(pd.to_numeric(table["PaperSpace"], errors="coerce") == 1).to_numpy(bool))


def is_text(table: pd.DataFrame, shapes: Shapes) -> Bools:
    """(n,) which features are texts: points with words. Hatches name their pattern there."""
    words = np.array([isinstance(v, str) and bool(v.strip()) for v in table["Text"]], bool)
    return np.asarray(words & (shapely.get_type_id(shapes) == 0))


def labels(shapes: Shapes, spots: Shapes, words: Sequence[str], within: float) -> list[str | None]:
    """(n,) the label of each shape, None where it has none: the one inside it, or the nearest within a distance.

    spots: (k,) points of the labels. Each label names one shape, and the nearest pairs go first; of several labels
    inside a polygon, the one nearest to its middle.
    """
    named: list[str | None] = [None] * len(shapes)
    if not len(shapes) or not len(spots):
        return named
    of, which = shapely.STRtree(spots).query(shapes, predicate="dwithin", distance=within)
    away = shapely.distance(shapes[of], spots[which])
    off = shapely.distance(shapely.centroid(shapes[of]), spots[which])
    used: set[int] = set()
    for k in np.lexsort((off, away)):
        shape, spot = int(of[k]), int(which[k])
        if named[shape] is None and spot not in used:
            named[shape] = " ".join(words[spot].split())
            used.add(spot)
    return named


@dataclass(frozen=True)
class Placed:
    """How a drawing's coordinates z = x + iy become those of a CRS: turn z + shift. unit_m: metres of a drawing
    unit."""

    crs: CRS
    turn: complex
    shift: complex
    unit_m: float

    def moved(self, shapes: Shapes) -> Shapes:
        def move(xy: Floats) -> Floats:
            z = self.turn * (xy[:, 0] + 1j * xy[:, 1]) + self.shift
            return np.column_stack([z.real, z.imag])

        moved: Shapes = shapely.transform(shapes, move)
        return moved


@dataclass(frozen=True)
class Unit:
    """The unit of a drawing; `by_plan` where the plan names it, else the drawing does, which is often wrong."""

    name: str
    by_plan: bool

    @property
    def metres(self) -> float:
        return METRES[self.name]

    @property
    def words(self) -> str:
        return IN_WORDS[self.name]


def placed_by_crs(where: str, crs: CRS, unit: Unit | None, sample: Floats, ledger: Ledger) -> Placed:
    """A drawing whose coordinates are those of a CRS, in its unit or in another.

    sample: (n, 2) coordinates of the drawing. A unit that the drawing states, and that is not the CRS's, counts
    only where the coordinates lie in the CRS's area by it alone. Raises DataError where both readings do, or none.
    """
    crs = horizontal(crs)
    own_m = crs.axis_info[0].unit_conversion_factor
    if not crs.is_projected:  # a drawing in degrees, or the like
        return Placed(crs, 1.0, 0.0, own_m * crs.ellipsoid.semi_major_metre)
    plain = Placed(crs, 1.0, 0.0, own_m)
    own = crs.axis_info[0].unit_name
    if unit is None:
        ledger.add(Kind.ASSUMED, where, f"the drawing states no unit: taken as that of {label(crs)} ({own})")
        return plain
    scale = unit.metres / own_m
    if abs(scale - 1) < SAME_UNIT:
        return plain
    scaled = Placed(crs, scale, 0.0, unit.metres)
    if unit.by_plan:
        return scaled
    by_plain, by_scaled = (bool(fits(sample * s, crs).mean() > 0.5) for s in (1.0, scale))
    says = f"the drawing says that its unit is the {unit.words}, and {label(crs)} is in {own}"
    if by_plain and by_scaled:
        todo = f'Write the unit of its coordinates in the plan, for example drawing.unit = "{unit.name}"'
        raise DataError(where, f"{says}: either may be meant", todo)
    if not by_plain and not by_scaled:
        raise DataError(where, *misfit(sample, crs))
    if by_scaled:
        ledger.add(Kind.REPAIRED, where, f"{says}: converted, because only so does it lie in that CRS's area")
        return scaled
    ledger.add(Kind.CHECK, where, f"{says}: taken as {own}, because only so does it lie in the area of that CRS")
    return plain


def placed_by_points(where: str, control: Sequence[ControlPoint], unit: Unit | None, ledger: Ledger) -> Placed:
    """A drawing turned, sized and moved so that its control points lie where they lie on the earth.

    The size is that of the drawing's unit where that fits the points, so that a slip of one of them does not
    stretch the site. Raises DataError where the points contradict each other, or the unit.
    """
    lonlat = np.array([(p.longitude, p.latitude) for p in control])
    frame = local_frame(shapely.MultiPoint(lonlat), WGS84)
    to = project(lonlat, WGS84, frame.crs) @ (1, 1j)
    z = np.array([p.x + 1j * p.y for p in control])
    z_mid, to_mid = z.mean(), to.mean()
    turn = np.vdot(z - z_mid, to - to_mid) / np.vdot(z - z_mid, z - z_mid).real  # least squares
    metres = abs(turn)
    unit_m = _unit_of_points(where, metres, unit, ledger)
    turn *= unit_m / metres
    placed = Placed(CRS.from_user_input(frame.crs), complex(turn), complex(to_mid - turn * z_mid), unit_m)
    off_m = float(np.abs(placed.turn * z + placed.shift - to).max())
    apart_m = float(np.abs(to[:, None] - to[None, :]).max())
    if off_m > ILL_PLACED * apart_m:
        raise DataError(
            where,
            f"the control points do not agree: they are up to {ledger.length(off_m)} off where they are "
            f"{ledger.length(apart_m)} apart",
            "Check x, y, longitude and latitude of each [[drawing.control]]",
        )
    ledger.add(
        Kind.ASSUMED,
        where,
        f"placed by {len(control)} control points: they are up to {ledger.length(off_m)} off, and the drawing's y "
        f"axis points {(90 - np.degrees(np.angle(placed.turn * 1j))) % 360:.1f} degrees from north, clockwise",
    )
    return placed


def _unit_of_points(where: str, metres: float, unit: Unit | None, ledger: Ledger) -> float:
    """Metres of a drawing unit, by what the control points make of it and what is said of it."""
    if unit is not None and abs(metres / unit.metres - 1) <= ILL_PLACED:
        return unit.metres
    near = min(METRES, key=lambda name: abs(np.log(metres / METRES[name])))
    known = abs(metres / METRES[near] - 1) <= WELL_PLACED
    makes = f"the control points make one unit of the drawing {metres:.4g} m"
    if unit is None:
        if not known:
            ledger.add(Kind.CHECK, where, f"{makes}, which is no usual unit; the drawing states none")
            return metres
        ledger.add(Kind.ASSUMED, where, f"{makes}: taken as the {IN_WORDS[near]}")
        return METRES[near]
    if unit.by_plan or not known:
        by = "the plan" if unit.by_plan else "the drawing"
        raise DataError(
            where,
            f"{makes}, and {by} says that it is the {unit.words} ({unit.metres:.4g} m)",
            "Check x, y, longitude and latitude of each [[drawing.control]], and drawing.unit",
        )
    ledger.add(Kind.CHECK, where, f"{makes}: taken as the {IN_WORDS[near]}, although the drawing says {unit.words}")
    return METRES[near]
