"""The reference system that coordinates without one are probably in, where it is known what they lie near.

Of the projected systems in use at a place, few put the same numbers near it. One that does is a guess to be
checked, and never taken in silence.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import ProjError

from planner.layers.frame import WGS84, apart_m, project
from planner.site import Floats

SAME_UNIT = 1e-5  # feet and US survey feet differ by two in a million: a matter of the CRS
ALIKE_M = 5.0  # realizations of one datum differ by less


def scales(crs: CRS, unit_m: float) -> tuple[float, ...]:
    """By what coordinates may have to be multiplied to be those of a projected CRS: by nothing, or by their unit.

    unit_m: metres of the unit that is stated of them, which is often wrong; NaN for none.
    """
    scale = unit_m / crs.axis_info[0].unit_conversion_factor
    return (1.0, scale) if np.isfinite(scale) and abs(scale - 1) > SAME_UNIT else (1.0,)


@lru_cache(maxsize=16)  # PROJ looks through all systems there are, and several layers lie at one place
def _in_use(lon: float, lat: float) -> tuple[tuple[int, CRS], ...]:
    """Codes and systems of EPSG's projected ones whose area of use holds a place."""
    found = query_crs_info(
        auth_name="EPSG",
        pj_types=[PJType.PROJECTED_CRS],
        area_of_interest=AreaOfInterest(lon, lat, lon, lat),
        contains=True,
    )
    return tuple((int(info.code), CRS.from_epsg(int(info.code))) for info in found)


def crs_by_place(
    xy: Floats, near_lonlat: Floats, within_m: float, unit_m: float = float("nan")
) -> tuple[CRS, float] | None:
    """The EPSG system in use near a place by which a point lies within a distance of it, and the scale.

    Parameters
    ----------
    xy
        (2,) the point, in the system that is sought.
    near_lonlat
        (2,) the place, degrees.
    within_m
        How far apart the two may be.
    unit_m
        Metres of the unit that is stated of the point, NaN for none.

    Returns
    -------
    tuple or None
        Of systems that put the point at the same spot, as realizations of one datum do, that with the lowest code,
        and by what the point is to be multiplied first. None where no system does, or several put it at different
        spots.
    """
    found: list[tuple[int, CRS, float, Floats]] = []
    for code, crs in _in_use(float(near_lonlat[0]), float(near_lonlat[1])):
        for scale in scales(crs, unit_m):
            try:
                spot = project(np.asarray(xy, float) * scale, crs, WGS84)
            except ProjError:  # a system of engineers that PROJ cannot bring to the earth
                continue
            if np.isfinite(spot).all() and float(apart_m(spot, near_lonlat)) <= within_m:
                found.append((code, crs, scale, spot))
    if not found:
        return None
    first = min(found, key=lambda one: one[0])
    alike = all(float(apart_m(spot, first[3])) <= ALIKE_M for *_, spot in found)
    return first[1:3] if alike else None
