"""Openness to rain, and the places that shut a sensor out."""

from __future__ import annotations

from dataclasses import dataclass

from planner.site import Bools, Floats, Ints


@dataclass(frozen=True)
class RainResult:
    """One row a mount (n).

    covered: (n,) something hangs over it. steepest_deg: (n,) elevation of the steepest obstacle, and
    steepest_azimuth_deg: (n,) where it stands. wmo_class: (n,) 1 to 5, WMO-No. 8 precipitation, obstacles only.
    spray_m, heat_m, no_access_m: (n,) distance to the nearest such keep-out (0 inside, inf where none applies);
    *_name: what that is.
    """

    covered: Bools
    steepest_deg: Floats
    steepest_azimuth_deg: Floats
    wmo_class: Ints
    spray_m: Floats
    heat_m: Floats
    no_access_m: Floats
    spray_name: tuple[str, ...]
    heat_name: tuple[str, ...]
    no_access_name: tuple[str, ...]
