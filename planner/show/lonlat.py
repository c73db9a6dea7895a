"""From a site's local frame (metres) to longitude and latitude, for what is drawn and written."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

Floats = NDArray[np.float64]
DECIMALS = 7  # of a degree: about a centimetre


def to_lonlat(crs: str, unbroken: bool = False) -> Callable[[Floats], Floats]:
    """The way from a site's frame to longitude and latitude.

    Parameters
    ----------
    crs
        Of the frame.
    unbroken
        For drawing: a site across the 180th meridian keeps together, at longitudes beyond 180.

    Returns
    -------
    callable
        From (n, 2) or (n, 3) metres to (n, 2) longitude, latitude (WGS 84).
    """
    transformer = _transformer(crs, "EPSG:4326")
    middle = transformer.transform(0.0, 0.0)[0]

    def points(xy: Floats) -> Floats:
        xy = np.asarray(xy, float).reshape(-1, np.asarray(xy).shape[-1])
        lonlat = np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))
        if unbroken:
            lonlat[:, 0] = middle + (lonlat[:, 0] - middle + 180.0) % 360.0 - 180.0
        return lonlat

    return points


def from_lonlat(crs: str) -> Callable[[Floats], Floats]:
    """The way back: (n, 2) longitude, latitude to metres in the frame."""
    transformer = _transformer("EPSG:4326", crs)
    return lambda lonlat: np.column_stack(transformer.transform(lonlat[:, 0], lonlat[:, 1]))


@lru_cache(maxsize=16)
def _transformer(crs: str, to: str) -> Transformer:
    return Transformer.from_crs(crs, to, always_xy=True)


def geometry(shape: Any, points: Callable[[Floats], Floats]) -> Any:
    """A shapely geometry of the frame, moved to longitude and latitude."""
    return shapely.transform(shape, lambda xy: points(xy[:, :2]))


def geojson(shape: Any) -> dict[str, Any]:
    """GeoJSON geometry of a shape that is in degrees, rounded to a centimetre or so."""
    rounded = shapely.transform(shape, lambda xy: np.round(xy, DECIMALS))
    return dict(shapely.geometry.mapping(rounded))
