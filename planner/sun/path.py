"""The sun's path over the year, as one table that all mounts of a site share."""

from __future__ import annotations

from dataclasses import dataclass

from planner.site import Floats, Ints


@dataclass(frozen=True)
class SunTable:
    """Steps with the sun up (n,), a whole year of them.

    azimuth_deg: clockwise from north. elevation_deg: apparent (with refraction). month: 0 to 11.
    hours_per_day: (n,) hours that a step stands for in a mean day of its month.
    beam_wh_m2, diffuse_wh_m2: (n,) clear-sky energy on the level that a step adds to a mean day of its month.
    solar_hour: (n,) true solar time, 0 to 24.
    """

    azimuth_deg: Floats
    elevation_deg: Floats
    month: Ints
    hours_per_day: Floats
    beam_wh_m2: Floats
    diffuse_wh_m2: Floats
    solar_hour: Floats
