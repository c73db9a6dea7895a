"""The site model: everything that can shade, carry, feed or shut out a sensor, as arrays.

One local frame for all of it: metres east, north and up. The frame is a transverse Mercator centred on the site
(scale 1), so grid north is true north there and a sun azimuth needs no turning. Heights are metres above the
terrain's own zero; with no terrain the ground is 0 everywhere. Nothing here knows files.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from planner.records import compared

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Shapes = NDArray[np.object_]


EARTH_RADIUS_M = 6_371_008.8  # mean radius, IUGG
FOOT_BELOW_M = 100.0  # of a wall below the lowest ground beneath it: no slope shows its foot
GROUND_SAMPLES = 400  # points under one footprint
SURROUNDINGS_M = 2000.0  # what stands farther from the site is not looked at: 35 m at 2 km is 1 degree high

WINDS = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")


def compass(azimuth_deg: float) -> str:
    """One of eight winds in words."""
    return WINDS[round(azimuth_deg / 45.0) % 8]


class KeepOut(StrEnum):
    SPRAY = "spray"
    HEAT = "heat"
    NO_ACCESS = "no_access"


@dataclass(frozen=True)
class Prisms:
    """Footprints raised from a base to a top; holes stay open.

    edge_start, edge_end: (n_edges, 2) metres, every ring of every footprint, the inside on the left.
    edge_prism: (n_edges,) row of the prism each edge belongs to.
    base_m, top_m: (n_prisms,) metres in the frame (not above the ground beside them).
    """

    shapes: tuple[BaseGeometry, ...]
    names: tuple[str, ...]
    base_m: Floats
    top_m: Floats
    edge_start: Floats
    edge_end: Floats
    edge_prism: Ints

    def __len__(self) -> int:
        return len(self.names)


def prisms(
    shapes: Sequence[BaseGeometry],
    base_m: Sequence[float] | Floats,
    top_m: Sequence[float] | Floats,
    names: Sequence[str] | None = None,
) -> Prisms:
    """Prisms from polygons or multi-polygons in the local frame, with their edges laid out flat.

    Parameters
    ----------
    shapes
        (n,).
    base_m, top_m
        (n,) heights in the frame.
    names
        (n,); numbers from 1 unless given.

    Returns
    -------
    Prisms

    Raises
    ------
    TypeError
        A shape is no polygon.
    """
    given = np.empty(len(shapes), object)
    given[:] = shapes
    parts, owner = shapely.get_parts(given, return_index=True)
    kinds = shapely.get_type_id(parts)
    if (kinds != shapely.GeometryType.POLYGON).any():
        bad = int(np.flatnonzero(kinds != shapely.GeometryType.POLYGON)[0])
        raise TypeError(f"prism {owner[bad]} is a {parts[bad].geom_type}, not a polygon")
    rings, part = shapely.get_rings(shapely.orient_polygons(parts), return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    same = ring[1:] == ring[:-1]
    return Prisms(
        tuple(shapes),
        tuple(names) if names is not None else tuple(f"#{k + 1}" for k in range(len(shapes))),
        np.asarray(base_m, float),
        np.asarray(top_m, float),
        xy[:-1][same],
        xy[1:][same],
        owner[part[ring[:-1][same]]].astype(np.int64),
    )


@dataclass(frozen=True)
class Crowns:
    """Tree crowns as upright ellipsoids: centre (n, 3), radius_m (n,), half_height_m (n,), evergreen (n,)."""

    names: tuple[str, ...]
    centre: Floats
    radius_m: Floats
    half_height_m: Floats
    evergreen: Bools

    def __len__(self) -> int:
        return len(self.names)


@dataclass(frozen=True)
class Heights:
    """A raster of heights in the local frame: values (rows, cols) in metres, NaN where unknown.

    left_m, top_m: outer corner of the first cell; cell_m: width of a square cell; row 0 is the northernmost.
    """

    values: Floats
    left_m: float
    top_m: float
    cell_m: float

    def at(self, xy: Floats) -> Floats:
        """Bilinear height at (..., 2) points; NaN outside the raster or beside unknown cells."""
        col = (np.asarray(xy[..., 0]) - self.left_m) / self.cell_m - 0.5
        row = (self.top_m - np.asarray(xy[..., 1])) / self.cell_m - 0.5
        rows, cols = self.values.shape
        # half a cell of slack: the rim of the raster takes the value of its outermost centres
        inside = (row >= -0.5) & (row <= rows - 0.5) & (col >= -0.5) & (col <= cols - 0.5)
        row, col = np.clip(np.nan_to_num(row), 0, rows - 1), np.clip(np.nan_to_num(col), 0, cols - 1)
        r0 = np.minimum(row.astype(np.int64), max(rows - 2, 0))
        c0 = np.minimum(col.astype(np.int64), max(cols - 2, 0))
        r1, c1 = np.minimum(r0 + 1, rows - 1), np.minimum(c0 + 1, cols - 1)
        fr, fc = row - r0, col - c0
        v = self.values
        value = (1 - fr) * ((1 - fc) * v[r0, c0] + fc * v[r0, c1]) + fr * ((1 - fc) * v[r1, c0] + fc * v[r1, c1])
        return np.asarray(np.where(inside, value, np.nan))

    def cell_at(self, xy: Floats) -> Floats:
        """Height of the cell that holds each of (..., 2) points, as it stands; NaN outside the raster."""
        col = np.floor((np.asarray(xy[..., 0]) - self.left_m) / self.cell_m)
        row = np.floor((self.top_m - np.asarray(xy[..., 1])) / self.cell_m)
        rows, cols = self.values.shape
        inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        row, col = np.where(inside, row, 0).astype(np.int64), np.where(inside, col, 0).astype(np.int64)
        return np.asarray(np.where(inside, self.values[row, col], np.nan))

    def nearest_known(self, xy: Floats) -> Floats:
        """Height of the nearest known cell to (n, 2) points, in gaps and beyond the rim; NaN if none is known."""
        known = np.pad(~np.isnan(self.values), 1)
        inner = known[:-2, 1:-1] & known[2:, 1:-1] & known[1:-1, :-2] & known[1:-1, 2:]
        # seen from a gap, the nearest known cell has an unknown neighbour: the rest need not be searched
        rows, cols = np.nonzero(known[1:-1, 1:-1] & ~inner)
        if not len(rows):
            return np.full(len(xy), np.nan)
        centres = shapely.points(self.left_m + (cols + 0.5) * self.cell_m, self.top_m - (rows + 0.5) * self.cell_m)
        found: Ints = shapely.STRtree(centres).nearest(shapely.points(xy))
        return np.asarray(self.values[rows[found], cols[found]])


@dataclass(frozen=True)
class Places:
    """Named points: xyz (n, 3) metres, z the height of the point itself; indoors (n,) where it matters.

    depth_m: (n,) how far below the ground it is, 0 for none: xyz is then just above the ground over it, where its
    signal comes down. extra_loss_db: (n,) what is said to stand before it besides a building's outer walls.
    height_assumed: (n,) True where no layer tells a pole's height and the plan's default stands in.
    """

    names: tuple[str, ...]
    xyz: Floats
    indoors: Bools
    depth_m: Floats = field(default_factory=lambda: np.empty(0))
    extra_loss_db: Floats = field(default_factory=lambda: np.empty(0))
    height_assumed: Bools = field(default_factory=lambda: np.empty(0, bool))

    def __post_init__(self) -> None:
        for name in ("depth_m", "extra_loss_db", "height_assumed"):
            given = getattr(self, name)
            if not len(given):
                object.__setattr__(self, name, np.zeros(len(self.names), given.dtype))

    def __len__(self) -> int:
        return len(self.names)


@dataclass(frozen=True)
class KeepOuts:
    names: tuple[str, ...]
    kinds: tuple[KeepOut, ...]
    shapes: tuple[BaseGeometry, ...]

    def __len__(self) -> int:
        return len(self.names)


class Cover(StrEnum):
    """What a cable would have to cross on the ground."""

    SOFT = "soft"
    PAVED = "paved"
    ROAD = "road"
    CONDUIT = "conduit"
    BARRED = "barred"


@dataclass(frozen=True)
class Grounds:
    """What the ground is covered with, for cables; soft where nothing is said. Later ones lie over earlier ones."""

    names: tuple[str, ...]
    covers: tuple[Cover, ...]
    shapes: tuple[BaseGeometry, ...]

    def __len__(self) -> int:
        return len(self.names)


NO_GROUNDS = Grounds((), (), ())


class Disagreement(StrEnum):
    """What two layers of a site say of one thing that cannot both be true."""

    NOT_IN_SURFACE = "not_in_surface"  # a footprint with a height, where the surface model shows none
    HEIGHTS_DIFFER = "heights_differ"  # the surface model shows another height
    BUILT_LATER = "built_later"  # the surface model is older than the building
    TREE_INSIDE = "tree_inside"  # a trunk stands in a building


@dataclass(frozen=True)
class Apart:
    """One disagreement, and the buildings that it is about."""

    what: Disagreement
    names: tuple[str, ...]


@compared
@dataclass(frozen=True)
class Site:
    """One site in its local frame.

    crs: the frame as a PROJ or WKT string; latitude_deg, longitude_deg: the site's centre (WGS 84).
    elevation_m: above sea level at the centre, NaN where no terrain tells.
    buildings: opaque. crowns and crown_prisms: let light through by leaf season (crown_evergreen: (n,) for the
    prisms). terrain: bare ground, fine; terrain_far: the same to the horizon, coarser, given only where `terrain`
    does not reach that far. surface: all that stands on it, given only where it serves as obstacle.
    canopy: vegetation's height above ground, without what crowns and crown_prisms hold already;
    canopy_evergreen: its leaf habit. surface_far, canopy_far: the same as far as things around are looked at,
    coarser, given only where the fine ones do not reach that far.
    pitched: (n_buildings,) True where the roof is pitched (the mast then stands at the eave).
    mountable: (n_buildings,) False where no sensor may be fixed. height_assumed: (n_buildings,) True where no layer
    tells the height and the plan's default stands in; empty where that is not known.
    poles: z is the pole's top. apart: where layers disagree about a building that stands on the site.
    """

    name: str
    crs: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    outline: BaseGeometry
    buildings: Prisms
    pitched: Bools
    mountable: Bools
    crowns: Crowns
    crown_prisms: Prisms
    crown_evergreen: Bools
    terrain: Heights | None
    surface: Heights | None
    canopy: Heights | None
    canopy_evergreen: bool
    controllers: Places
    poles: Places
    keep_outs: KeepOuts
    terrain_far: Heights | None = None
    surface_far: Heights | None = None
    canopy_far: Heights | None = None
    grounds: Grounds = NO_GROUNDS
    height_assumed: Bools = field(default_factory=lambda: np.empty(0, bool))
    apart: tuple[Apart, ...] = ()

    @property
    def obstacles_known(self) -> bool:
        """Whether anything but the ground is known that could shade."""
        there = (len(self.buildings), len(self.crowns), len(self.crown_prisms))
        return any(there) or self.surface is not None or self.canopy is not None

    def ground_at(self, xy: Floats) -> Floats:
        """Ground height at (..., 2) points: see :func:`ground_at`."""
        return ground_at(self.terrain, xy, self.terrain_far)


def ground_at(terrain: Heights | None, xy: Floats, far: Heights | None = None) -> Floats:
    """Ground height at points.

    Parameters
    ----------
    terrain
        None for a plane at 0.
    xy
        (..., 2) east and north, metres.
    far
        Coarser heights that reach farther; they serve where `terrain` is unknown. Where both are, the nearest known
        height of `terrain` is taken.

    Returns
    -------
    ndarray, shape (...,)
        Metres.
    """
    xy = np.asarray(xy, float)
    if terrain is None:
        return np.zeros(xy.shape[:-1])
    z = terrain.at(xy)
    if far is not None:
        z = np.where(np.isnan(z), far.at(xy), z)
    gaps = np.isnan(z)
    if gaps.any():
        z = np.array(z)
        z[gaps] = terrain.nearest_known(xy[gaps])
    return z


def points_inside(shape: BaseGeometry, step_m: float, most: int) -> Floats:
    """Even points inside a shape, at least one.

    Parameters
    ----------
    shape
        A polygon.
    step_m
        Between points.
    most
        They stand wider apart where they would be more than about so many.

    Returns
    -------
    ndarray, shape (n, 2)
    """
    left, bottom, right, top = shape.bounds
    step = max(step_m, float(np.sqrt((right - left) * (top - bottom) / most)), 1e-3)
    x = np.arange(left + step / 2, right, step)
    y = np.arange(bottom + step / 2, top, step)
    xx, yy = np.meshgrid(x, y)
    xy = np.column_stack([xx.ravel(), yy.ravel()])
    xy = xy[shapely.contains_xy(shape, xy[:, 0], xy[:, 1])] if len(xy) else xy
    if not len(xy):
        xy = np.array([shape.representative_point().coords[0][:2]])
    return xy


def ground_under(terrain: Heights | None, shapes: Shapes) -> tuple[Floats, Floats]:
    """Ground under each footprint.

    Parameters
    ----------
    terrain
        None for a plane at 0.
    shapes
        (n,) footprints.

    Returns
    -------
    mean_m, lowest_m : ndarray, shape (n,)
    """
    if terrain is None:
        return np.zeros(len(shapes)), np.zeros(len(shapes))
    spots = [
        np.vstack([points_inside(shape, terrain.cell_m, GROUND_SAMPLES), shapely.get_coordinates(shape)])
        for shape in shapes
    ]
    inside = np.array([len(s) - shapely.get_num_coordinates(shape) for s, shape in zip(spots, shapes, strict=True)])
    z = np.split(ground_at(terrain, np.vstack(spots)), np.cumsum([len(s) for s in spots])[:-1])
    return np.array([part[:n].mean() for part, n in zip(z, inside, strict=True)]), np.array(
        [part.min() for part in z]
    )


def no_prisms() -> Prisms:
    """A site's buildings where it has none."""
    return prisms([], [], [])


def joined_crowns(one: Crowns, other: Crowns) -> Crowns:
    """The crowns of both, in this order.

    Parameters
    ----------
    one, other
        Of one frame.

    Returns
    -------
    Crowns
    """
    return Crowns(
        one.names + other.names,
        np.vstack([one.centre, other.centre]),
        np.concatenate([one.radius_m, other.radius_m]),
        np.concatenate([one.half_height_m, other.half_height_m]),
        np.concatenate([one.evergreen, other.evergreen]),
    )


def no_crowns() -> Crowns:
    """A site's crowns where it has none."""
    return Crowns((), np.empty((0, 3)), np.empty(0), np.empty(0), np.empty(0, bool))


def no_places() -> Places:
    """A site's controllers or poles where it has none."""
    return Places((), np.empty((0, 3)), np.empty(0, bool))


def bare_site(
    outline: BaseGeometry | None = None,
    *,
    latitude_deg: float = 40.0,
    longitude_deg: float = 0.0,
    elevation_m: float = 0.0,
    **parts: object,
) -> Site:
    """A site with nothing on it but what is given; for tests and for trying one thing at a time.

    Parameters
    ----------
    outline
        200 m square unless given.
    latitude_deg, longitude_deg, elevation_m
        Where it lies.

    Returns
    -------
    Site
        With further parts by the names of its fields.

    Raises
    ------
    TypeError
        A part that no site has.
    """
    given: dict[str, object] = {
        "name": "bare site",
        "crs": f"+proj=tmerc +lat_0={latitude_deg} +lon_0={longitude_deg} +k=1 +ellps=WGS84 +units=m",
        "outline": outline if outline is not None else shapely.box(-100, -100, 100, 100),
        "buildings": no_prisms(),
        "crowns": no_crowns(),
        "crown_prisms": no_prisms(),
        "crown_evergreen": np.empty(0, bool),
        "terrain": None,
        "surface": None,
        "canopy": None,
        "canopy_evergreen": False,
        "controllers": no_places(),
        "poles": no_places(),
        "keep_outs": KeepOuts((), (), ()),
        **parts,
    }
    n = len(given["buildings"])  # type: ignore[arg-type]
    given.setdefault("pitched", np.zeros(n, bool))
    given.setdefault("mountable", np.ones(n, bool))
    return Site(latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=elevation_m, **given)  # type: ignore[arg-type]


# --- many sites --------------------------------------------------------------------------------------------------


def inner_points(shapes: Sequence[BaseGeometry] | Shapes) -> Floats:
    """A point in each shape; of points, themselves.

    Parameters
    ----------
    shapes
        (n,) of any kind.

    Returns
    -------
    ndarray, shape (n, 2)
    """
    spots = np.asarray(shapes, object).copy()
    areas = shapely.get_type_id(spots) != 0
    spots[areas] = shapely.point_on_surface(spots[areas])
    return np.asarray(shapely.get_coordinates(spots), np.float64).reshape(-1, 2)


@dataclass(frozen=True)
class Rejected:
    """A feature that is no usable site, and why.

    row: its number in the file, from 1; None where it stands for several. own: its attributes as the file has them.
    """

    name: str
    why: str
    row: int | None = None
    own: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class ContractSites:
    """Sites of a contract (n): polygons or points in longitude and latitude (EPSG:4326).

    elevation_m: (n,) NaN where not given. rejected: features that are no usable site. rows: (n,) their numbers in
    the file, from 1. own: the file's own columns by name, Arrow arrays (n,). elsewhere: (n,) those that probably
    lie elsewhere than their coordinates say (`layers.signs`); None before anybody asked.
    """

    names: tuple[str, ...]
    shapes: tuple[BaseGeometry, ...]
    elevation_m: Floats
    rejected: tuple[Rejected, ...]
    rows: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    own: Mapping[str, Any] = field(default_factory=dict)
    elsewhere: Bools | None = None

    def __len__(self) -> int:
        return len(self.names)

    def take(self, rows: Ints) -> ContractSites:
        """Some of the sites, in that order."""
        if len(rows) == len(self) and (np.diff(rows) == 1).all():
            return self
        pick = rows.tolist()
        return replace(
            self,
            names=tuple(self.names[k] for k in pick),
            shapes=tuple(self.shapes[k] for k in pick),
            elevation_m=np.asarray(self.elevation_m)[rows],
            rows=self.rows[rows],
            own={name: column.take(rows) for name, column in self.own.items()},
            elsewhere=None if self.elsewhere is None else self.elsewhere[rows],
        )
