"""What a year of light is, and what the compiled and the plain form of it share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.site import Floats, Site
from planner.sun.horizon import Directions
from planner.sun.path import SunTable

PICTURE_AZIMUTH_DEG = np.arange(360.0)


@dataclass(frozen=True)
class SunResult:
    """What each mount gets, one row a mount (n), months January first.

    direct_h: (n, 12) hours of direct sun in a clear mean day, neither opaque things nor crowns in the way;
    open_direct_h: (12,) the same under an open sky.
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


def sum_up(
    sun: SunTable, direct_h: Floats, beam_wh_m2: Floats, sky_view: Floats, horizon_deg: Floats, veil_deg: Floats
) -> SunResult:
    """A result from the beam kept (n, 12) in Wh/m2 and the sky view (n, 12)."""
    open_h, beam, diffuse = (sun.monthly(w) for w in (sun.hours_per_day, sun.beam_wh_m2, sun.diffuse_wh_m2))
    with np.errstate(divide="ignore", invalid="ignore"):  # polar night has no light to keep
        light = np.where(beam + diffuse > 0, (beam_wh_m2 + diffuse * sky_view) / (beam + diffuse), 1.0)
        share = np.where(beam > 0, beam_wh_m2 / beam, 1.0)
    return SunResult(direct_h, open_h, light, share, sky_view, horizon_deg, veil_deg)


def raster_azimuth_deg(site: Site) -> Floats:
    """Azimuths along which rasters are looked at: whole degrees for ground, half degrees where cells stand near."""
    return np.arange(0.0, 360.0, 1.0 if site.surface is None and site.canopy is None else 0.5)


def along(tangent: Floats, azimuth_deg: Floats, looks: Directions) -> Floats:
    """(n, m) tangents brought from a raster's own azimuths (n, a) to those of `looks`."""
    return np.array([np.interp(looks.azimuth_deg, azimuth_deg, row, period=360.0) for row in tangent])
