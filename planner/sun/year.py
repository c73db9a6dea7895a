"""A year of light for every mount."""

from __future__ import annotations

from dataclasses import dataclass

from planner.site import Floats


@dataclass(frozen=True)
class SunResult:
    """What each mount gets, one row a mount (n), months January first.

    direct_h: (n, 12) hours of direct sun in a clear mean day; open_direct_h: (12,) the same under an open sky.
    light_share: (n, 12) share of the open sky's clear-sky energy on the level that is kept (beam and diffuse).
    beam_share: (n, 12) the same of the beam alone.
    sky_view: (n, 12) share of an even sky's light that reaches the level sensor (leaf season changes it).
    horizon_deg: (n, 360) elevation of what is opaque at azimuths 0, 1, ... 359 degrees, for the picture.
    veil_deg: (n, 360) the same of crowns, which let part of the light through; 0 where none.
    """

    direct_h: Floats
    open_direct_h: Floats
    light_share: Floats
    beam_share: Floats
    sky_view: Floats
    horizon_deg: Floats
    veil_deg: Floats
