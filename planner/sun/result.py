"""What a year of light is, and how it is summed up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.records import compared
from planner.site import Floats, Ints, Site
from planner.sun.horizon import Directions
from planner.sun.path import SunTable

# The middle of each degree: a wall that ends on a whole one, as walls to the north, east, south and west do, then
# takes neither a ray too many nor one too few.
PICTURE_AZIMUTH_DEG = np.arange(360.0) + 0.5


@compared
@dataclass(frozen=True)
class Shade:
    """The sun behind obstacles, opaque or leafy, over the year; one row a mount (n).

    highest_deg, azimuth_deg: (n,) the highest sun that is hidden and where it stands then, -inf and NaN where it
    never is; month: (n,). worst_day: (n,) largest share of a day's sun time that is hidden; worst_day_month: (n,).
    """

    highest_deg: Floats
    azimuth_deg: Floats
    month: Ints
    worst_day: Floats
    worst_day_month: Ints


@compared
@dataclass(frozen=True)
class SunResult:
    """What each mount gets, one row a mount (n), months January first.

    direct_h: (n, 12) hours of direct sun in a clear mean day, neither opaque things nor crowns in the way;
    open_direct_h: (12,) the same under an open sky.
    light_share: (n, 12) share of the open sky's clear-sky energy on the level that is kept (beam and diffuse).
    beam_share: (n, 12) the same of the beam alone.
    sky_view: (n, 12) share of an even sky's light that reaches the level sensor (leaf season changes it); by 360
    azimuths, so each end of an obstacle may be off by half a degree, 0.0014 of the light from where it stands.
    horizon_deg: (n, 360) elevation of what is opaque along PICTURE_AZIMUTH_DEG, for the picture.
    veil_deg: (n, 360) the same of crowns, which let part of the light through; 0 where none shows above the
    horizon.
    shade: when the sun is hidden, by the year's own steps.
    """

    direct_h: Floats
    open_direct_h: Floats
    light_share: Floats
    beam_share: Floats
    sky_view: Floats
    horizon_deg: Floats
    veil_deg: Floats
    shade: Shade


def sum_up(
    sun: SunTable,
    direct_h: Floats,
    beam_wh_m2: Floats,
    sky_view: Floats,
    horizon_deg: Floats,
    veil_deg: Floats,
    shade: Shade,
) -> SunResult:
    """A result from the beam kept (n, 12) in Wh/m2 and the sky view (n, 12)."""
    open_h, beam, diffuse = (sun.monthly(w) for w in (sun.hours_per_day, sun.beam_wh_m2, sun.diffuse_wh_m2))
    with np.errstate(divide="ignore", invalid="ignore"):  # polar night has no light to keep
        light = np.where(beam + diffuse > 0, (beam_wh_m2 + diffuse * sky_view) / (beam + diffuse), 1.0)
        share = np.where(beam > 0, beam_wh_m2 / beam, 1.0)
    return SunResult(direct_h, open_h, light, share, sky_view, horizon_deg, veil_deg, shade)


def days_of(sun: SunTable) -> Ints:
    """(m,) which day each step belongs to, from 0: a day ends where solar time falls back."""
    return np.cumsum(np.diff(sun.solar_hour, prepend=sun.solar_hour[:1]) < 0)


def name_shade(sun: SunTable, highest: Ints, worst_day: Floats, day: Ints) -> Shade:
    """Shade from each mount's step of the highest hidden sun (-1: none), its worst day's share, and that day."""
    month = np.zeros(len(highest), np.int64)
    if not len(sun.month):
        none = np.full(len(highest), np.nan)
        return Shade(-np.inf * np.ones(len(highest)), none, month, worst_day, month)
    seen, at = highest >= 0, np.maximum(highest, 0)
    return Shade(
        np.where(seen, sun.elevation_deg[at], -np.inf),
        np.where(seen, sun.azimuth_deg[at], np.nan),
        np.where(seen, sun.month[at], 0),
        worst_day,
        sun.month[np.searchsorted(days_of(sun), day)],
    )


def raster_azimuth_deg(site: Site) -> Floats:
    """Azimuths along which rasters are looked at: whole degrees for ground, half degrees where cells stand near."""
    return np.arange(0.0, 360.0, 1.0 if site.surface is None and site.canopy is None else 0.5)


def along(tangent: Floats, azimuth_deg: Floats, looks: Directions) -> Floats:
    """(n, m) tangents brought from a raster's own azimuths (n, a) to those of `looks`."""
    return np.array([np.interp(looks.azimuth_deg, azimuth_deg, row, period=360.0) for row in tangent])
