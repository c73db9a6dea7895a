"""Leaves: when trees carry them, and how much of the sun's light passes a crown with and without.

A crown lets a share of the light through. Two ways to count it::

      whole: every crown met takes its share        by path: a long way through takes more (Beer's law)
          sun . . . ( 0.2 ) . . ( 0.2 ) . . o           0.2 ^ (path / mean chord), crown by crown
                         0.04 arrives

Lengths are metres; kernels take tangents of elevation and sines and cosines of azimuth, as `horizon` does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from planner.compiled import kernel
from planner.months import MONTH_DAYS
from planner.site import Floats

TROPIC_DEG = 23.44

MonthDay = tuple[int, int]  # month 1 to 12, day 1 to 31


@dataclass(frozen=True)
class CrownLight:
    """Share of the sun's light that passes one crown, and how it is counted. Evergreens are in leaf all year.

    by_path: by the length of the way through the crown; otherwise every crown met takes its whole share.
    """

    in_leaf: float = 0.20  # behind a sugar maple, as is 0.60: Heisler (1986), Urban Ecology 9:337-359
    leafless: float = 0.60
    by_path: bool = False

    def log_light(self, evergreen: ArrayLike) -> Floats:
        """(n, 2) logarithm of what passes each crown, leafless and in leaf; crowns in a row add up."""
        leafy = np.asarray(evergreen, bool)
        bare = np.where(leafy, self.in_leaf, self.leafless)
        return np.asarray(np.log(np.stack([bare, np.full(leafy.shape, self.in_leaf)], axis=-1)))


# --- when ----------------------------------------------------------------------------------------------------


def usual_leaf_dates(latitude_deg: float) -> tuple[MonthDay, MonthDay] | None:
    """First and last day in leaf of deciduous trees by latitude; None where they are in leaf all year.

    Common practice, no source: all year inside the tropics, April to October up to 45 degrees, May to October
    beyond; half a year later in the south. Elevation, coast and species move it by weeks: where the season matters,
    give the dates.
    """
    if abs(latitude_deg) < TROPIC_DEG:
        return None
    first = 4 if abs(latitude_deg) < 45 else 5
    return ((first, 1), (10, 31)) if latitude_deg >= 0 else ((first + 6, 1), (4, 30))


def leaf_share(latitude_deg: float, dates: tuple[MonthDay, MonthDay] | None = None) -> Floats:
    """Share of each month's days that deciduous trees are in leaf.

    Parameters
    ----------
    latitude_deg
        Whose usual dates are taken where none are given.
    dates
        First and last day in leaf, both counted; the season may run over New Year.

    Returns
    -------
    ndarray, shape (12,)
        January first.

    Examples
    --------
    >>> leaf_share(40.0, ((4, 16), (10, 31)))[2:5]
    array([0. , 0.5, 1. ])
    """
    if dates is None:
        dates = usual_leaf_dates(latitude_deg)
    if dates is None:
        return np.ones(12)
    first, last = (_day_of_year(*date) for date in dates)
    day = np.arange(365)
    leafy = (day >= first) & (day <= last) if first <= last else (day >= first) | (day <= last)
    return np.array([part.mean() for part in np.split(leafy, np.cumsum(MONTH_DAYS)[:-1])])


def _day_of_year(month: int, day: int) -> int:
    """0 to 364; 29 February counts as the 28th."""
    return int(MONTH_DAYS[: month - 1].sum()) + min(day, int(MONTH_DAYS[month - 1])) - 1


def over_the_month(in_leaf: ArrayLike, leafless: ArrayLike, share: Floats) -> Floats:
    """(..., 12) mean of a month of which a share is in leaf, from the values of both states.

    Mix here, after all crowns on the way are multiplied: the leaves of all of them come and go together.
    """
    return np.asarray(share * np.asarray(in_leaf, float) + (1.0 - share) * np.asarray(leafless, float))


# --- how much ------------------------------------------------------------------------------------------------


def ellipsoid_mean_chord_m(radius_m: ArrayLike, half_height_m: ArrayLike) -> Floats:
    """Mean length of all straight ways through an upright ellipsoid: 4 volume / surface (Cauchy's theorem).

    >>> float(ellipsoid_mean_chord_m(3.0, 3.0))  # a sphere: 4/3 of the radius
    4.0
    """
    a, c = np.broadcast_arrays(np.asarray(radius_m, float), np.asarray(half_height_m, float))
    flat, tall = c < a, c > a
    e = np.sqrt(np.abs(1.0 - np.where(flat, c / a, a / np.maximum(c, 1e-12)) ** 2))
    e = np.where(e > 1e-6, e, 1e-6)
    # surface of the oblate and of the prolate spheroid
    oblate = 2 * np.pi * a**2 * (1 + (1 - e**2) / e * np.arctanh(np.minimum(e, 1 - 1e-15)))
    prolate = 2 * np.pi * a**2 * (1 + c / (a * e) * np.arcsin(e))
    surface = np.where(flat, oblate, np.where(tall, prolate, 4 * np.pi * a**2))
    return np.asarray(4.0 * (4.0 / 3.0 * np.pi * a**2 * c) / surface)


def prism_mean_chord_m(area_m2: ArrayLike, outline_m: ArrayLike, height_m: ArrayLike) -> Floats:
    """The same of a crown polygon raised from its base to its top; outline_m: length of all its rings."""
    area, outline, height = (np.asarray(v, float) for v in (area_m2, outline_m, height_m))
    return np.asarray(4.0 * area * height / (2.0 * area + outline * height))


@kernel
def ellipsoid_path_m(east, north, up, radius_m, half_height_m, sin, cos, slope):  # type: ignore[no-untyped-def]
    """Length of a ray inside an upright ellipsoid, from the mount outward; 0 where it misses.

    east, north, up: of the centre from the mount. sin, cos: of the azimuth; slope: tangent of the elevation.
    """
    u, v, w = sin / radius_m, cos / radius_m, slope / half_height_m
    x, y, z = east / radius_m, north / radius_m, up / half_height_m
    a = u * u + v * v + w * w
    b = u * x + v * y + w * z
    root = b * b - a * (x * x + y * y + z * z - 1.0)
    if root <= 0.0:
        return 0.0
    root = np.sqrt(root)
    near, far = max(0.0, (b - root) / a), (b + root) / a
    return max(0.0, far - near) * np.sqrt(1.0 + slope * slope)


@kernel
def prism_path_m(near_m, far_m, slope, base_m, top_m):  # type: ignore[no-untyped-def]
    """Length of a rising ray inside a prism, 0 where it misses.

    near_m, far_m: level distances at which it enters and leaves the footprint; base_m, top_m: from the mount's
    height. A footprint that is crossed several times is so many calls.
    """
    if slope > 0.0:
        near, far = max(near_m, base_m / slope), min(far_m, top_m / slope)
    elif base_m < 0.0 < top_m:
        near, far = near_m, far_m
    else:
        return 0.0
    return max(0.0, far - near) * np.sqrt(1.0 + slope * slope)
