"""The local metric frame of a site, and points taken from one CRS to another.

The frame is a transverse Mercator on the WGS 84 ellipsoid, centred on the site, scale 1: a metre is a metre (to
1 in 10 million at 3 km from the centre, and 1 in 200,000 at 20 km), and north is north.

EPSG lists many CRSs as latitude, longitude or northing, easting. Files hold x, y. Everything here is x, y:
longitude or easting first, whatever EPSG says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from pyproj import CRS, Transformer
from shapely.geometry.base import BaseGeometry

from planner.site import EARTH_RADIUS_M, Floats, Shapes

WGS84 = CRS.from_epsg(4326)


@dataclass(frozen=True)
class Frame:
    """crs: the frame as a PROJ string; latitude_deg, longitude_deg: its centre (WGS 84)."""

    crs: str
    latitude_deg: float
    longitude_deg: float


def horizontal(crs: CRS) -> CRS:
    """The part of a CRS that speaks of x and y; heights above a datum are left aside."""
    return crs.to_2d() if len(crs.axis_info) > 2 or crs.is_compound else crs


@lru_cache(maxsize=64)
def _transformer(from_crs: str | CRS, to_crs: str | CRS) -> Transformer:
    return Transformer.from_crs(
        horizontal(CRS.from_user_input(from_crs)), horizontal(CRS.from_user_input(to_crs)), always_xy=True
    )


def project(xy: Floats, from_crs: str | CRS, to_crs: str | CRS) -> Floats:
    """Points from one CRS to another.

    Parameters
    ----------
    xy
        (..., 2) x (east, longitude) first, whatever the order of the system's axes.
    from_crs, to_crs
        As PROJ reads them.

    Returns
    -------
    ndarray
        (..., 2); inf where the projection has no answer.
    """
    xy = np.asarray(xy, float)
    x, y = _transformer(from_crs, to_crs).transform(xy[..., 0], xy[..., 1])
    return np.stack([np.asarray(x, float), np.asarray(y, float)], axis=-1)


def project_shapes(shapes: Shapes | Sequence[BaseGeometry], from_crs: str | CRS, to_crs: str | CRS) -> Shapes:
    """Geometries from one CRS to another, vertex by vertex.

    Parameters
    ----------
    shapes
        (n,) of any type; a third coordinate is dropped.
    from_crs, to_crs
        As PROJ reads them.

    Returns
    -------
    ndarray
        (n,) geometries; coordinates are inf where the projection has no answer.
    """
    if from_crs == to_crs:
        same: Shapes = np.asarray(shapes, object)
        return shapely.force_2d(same) if shapely.has_z(same).any() else same
    moved: Shapes = shapely.transform(
        np.asarray(shapes, object), lambda xy: project(xy, from_crs, to_crs) if len(xy) else xy
    )
    return moved


def lonlat_shapes(shapes: Shapes | Sequence[BaseGeometry], crs: str | CRS) -> Shapes:
    """Geometries as longitudes and latitudes (EPSG:4326), cut at the antimeridian where they cross it."""
    return cut_at_antimeridian(unwrapped(project_shapes(shapes, crs, WGS84)))


def unwrapped(shapes: Shapes) -> Shapes:
    """Shapes that jump from 180 to -180 degrees drawn on beyond 180 instead, so that they are whole."""
    bounds = shapely.bounds(shapes)
    whole = shapes.copy()
    for k in np.flatnonzero(bounds[:, 2] - bounds[:, 0] > 180):
        drawn = shapely.transform(shapes[k], lambda xy: np.column_stack([xy[:, 0] % 360, xy[:, 1]]))
        if not drawn.bounds[0] < drawn.bounds[2]:
            continue  # all the way round, as a cap over a pole is
        # halves that were cut at 180 degrees are one again
        whole[k] = shapely.union_all(shapely.get_parts(drawn)) if shapely.is_valid(shapes[k]) else drawn
    return whole


def cut_at_antimeridian(shapes: Shapes) -> Shapes:
    """Shapes drawn beyond 180 degrees cut there, the part beyond moved to -180 (RFC 7946, section 3.1.9)."""
    cut = shapes.copy()
    for k in np.flatnonzero(shapely.bounds(shapes)[:, 2] > 180):
        here = shapely.intersection(shapes[k], shapely.box(-180, -90, 180, 90))
        beyond = shapely.intersection(shapes[k], shapely.box(180, -90, 540, 90))
        cut[k] = shapely.union_all([here, shapely.transform(beyond, lambda xy: xy - (360, 0))])
    return cut


def local_frame(geometry: BaseGeometry, crs: str | CRS) -> Frame:
    """The frame centred on the middle of a geometry's bounds.

    Parameters
    ----------
    geometry
        Any shape with at least one vertex.
    crs
        Of its coordinates.

    Returns
    -------
    Frame
        A transverse Mercator on WGS 84. Right across the antimeridian too, where longitudes jump: the first guess
        is a mean of directions in space, and the rest is done in metres.
    """
    lonlat = project(shapely.get_coordinates(geometry), crs, WGS84)
    mean = unit_vectors(lonlat).mean(axis=0)
    guess = _centred(
        np.degrees(np.arctan2(mean[1], mean[0])), np.degrees(np.arcsin(mean[2] / np.linalg.norm(mean)))
    )
    xy = project(lonlat, WGS84, guess.crs)
    middle = (xy.min(axis=0) + xy.max(axis=0)) / 2
    longitude, latitude = project(middle, guess.crs, WGS84)
    return _centred(longitude, latitude)


def _centred(longitude_deg: float, latitude_deg: float) -> Frame:
    # 8 decimals are about a millimetre: the frame can be written down and typed in again
    lon, lat = round(float(longitude_deg), 8), round(float(latitude_deg), 8)
    crs = (
        f"+proj=tmerc +lat_0={lat:.8f} +lon_0={lon:.8f} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs +type=crs"
    )
    return Frame(crs, lat, lon)


def unit_vectors(lonlat: Floats) -> Floats:
    """Directions (n, 3) from the earth's centre to (n, 2) longitudes and latitudes in degrees, on a sphere."""
    lon, lat = np.radians(lonlat[..., 0]), np.radians(lonlat[..., 1])
    return np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)


def apart_m(lonlat: Floats, other: Floats) -> Floats:
    """Great-circle distance (n,) between (n, 2) points and one point or as many, on a sphere (within 0.6 %)."""
    chord = np.linalg.norm(unit_vectors(lonlat) - unit_vectors(other), axis=-1)
    return np.asarray(2 * EARTH_RADIUS_M * np.arcsin(np.clip(chord / 2, 0, 1)))
