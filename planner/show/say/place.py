"""The climate zone of a place without a plan, in a few lines; and what may be wrong with the place."""

from __future__ import annotations

from planner.at_places import ZoneAtPlaces
from planner.climate.answer import FromDescription, ZoneResult
from planner.show.say.zone import plus_minus, zone_label, zone_words
from planner.units import Units, months, temperature

EXCHANGED = (
    "There is no land near this place, but there is with latitude and longitude exchanged: check their order."
)
AT_SEA = "There is no land near this place (small islands are not known): check the coordinates."


def degrees_said(latitude_deg: float, longitude_deg: float) -> str:
    """'33.4500 N, 112.0700 W'."""
    north, east = "N" if latitude_deg >= 0 else "S", "E" if longitude_deg >= 0 else "W"
    return f"{abs(latitude_deg):.4f} {north}, {abs(longitude_deg):.4f} {east}"


def warning(found: ZoneAtPlaces, row: int) -> str:
    """What may be wrong with the place, '' where nothing seems to be."""
    if found.axes_exchanged[row]:
        return EXCHANGED
    return AT_SEA if found.at_sea[row] else ""


def place_lines(found: ZoneAtPlaces, row: int, units: Units) -> list[str]:
    """What there is to say of one place.

    Parameters
    ----------
    found
        Places with their zones.
    row
        Of the place.
    units
        In which it is said.

    Returns
    -------
    list of str
        Zone with its odds, peak month, season, what it rests on, and what may be wrong.
    """
    told = zone_words(found.climate, found.zone, row, units)
    second = f" Next likeliest: {told.runner_up}, {told.runner_up_chance}." if told.runner_up_chance else ""
    lines = [
        degrees_said(float(found.latitude_deg[row]), float(found.longitude_deg[row])),
        f"Climate zone: {told.named}, {told.chance}.{second}",
        f"Peak month: {told.peak_month}, ETo {told.peak_spread}; the zone's band is {told.band}.",
        f"Irrigation season: {months(found.season[row])}.",
        told.agreement,
        f"Set {told.answer}. {told.find}" if told.find else "",
        f"From: {told.source}.",
        warning(found, row),
    ]
    return [line for line in lines if line]


def described_lines(zone: ZoneResult, units: Units) -> list[str]:
    """What there is to say of a zone by a description alone.

    Parameters
    ----------
    zone
        One row.
    units
        In which it is said.

    Returns
    -------
    list of str
        Zone with its odds, and that a place would be surer.
    """
    found = zone.ways[-1].found
    assert isinstance(found, FromDescription)
    region = "tropics and subtropics" if found.tropical[0] else "temperate"
    wet = "arid to semi-arid" if found.arid[0] else "humid to sub-humid"
    first, second = int(zone.zone[0]), int(zone.runner_up[0])
    chance = f", {float(zone.p_zone[0]):.0%} chance" if first >= 0 else ""
    next_one = f" Next likeliest: {zone_label(zone, second)}, {float(zone.p_runner_up[0]):.0%} chance."
    peak = plus_minus(float(zone.peak_eto_mm_day[0]), float(zone.spread_mm_day[0]), units)
    own = " of our neutral table" if zone.table.neutral and first >= 0 else ""
    hottest = temperature(float(found.hottest_c[0]), units)
    return [
        f"By the description alone: {region}, {wet}, hottest month {hottest}.",
        f"Climate zone: {zone_label(zone, first)}{own}{chance}.{next_one if second >= 0 else ''}",
        f"Peak-month ETo {peak}, by FAO-56 Table 2, which FAO gives for orientation only.",
        "Give latitude and longitude for a surer answer, with the peak month and the season.",
    ]
