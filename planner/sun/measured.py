"""Light under a horizon that was measured, in place of the one that the layers give."""

from __future__ import annotations

import numpy as np

from planner.site import Floats
from planner.sun.path import SunTable


def light_under(sun: SunTable, azimuth_deg: Floats, elevation_deg: Floats) -> tuple[Floats, Floats]:
    """Light under a horizon that was measured.

    Parameters
    ----------
    sun
        The sun's year.
    azimuth_deg, elevation_deg
        (n,) the horizon, opaque, straight between its points round the circle. The sky's own light is spread
        evenly: a level sensor keeps the mean of the squared cosine of the horizon.

    Returns
    -------
    direct_h : ndarray, shape (12,)
        Hours of direct sun in a clear mean day.
    light_share : ndarray, shape (12,)
        Of the open sky's clear-sky energy.
    """
    at_sun = np.interp(sun.azimuth_deg, azimuth_deg, elevation_deg, period=360.0)
    seen = sun.elevation_deg > at_sun
    round_ = np.interp(np.arange(0.5, 360.0), azimuth_deg, elevation_deg, period=360.0)
    view = float(np.mean(np.cos(np.radians(round_)) ** 2))
    kept = sun.monthly(sun.beam_wh_m2 * seen) + view * sun.monthly(sun.diffuse_wh_m2)
    whole = sun.monthly(sun.beam_wh_m2 + sun.diffuse_wh_m2)
    share = np.divide(kept, whole, out=np.ones(12), where=whole > 0)
    return sun.monthly(sun.hours_per_day * seen), share
