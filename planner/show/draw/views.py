"""What the panel of the map and the field sheet show of a mount, the climate and the input, laid out for a page."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from planner.climate.answer import ClimatePicture
from planner.climate.builtin import ALL_ATTRIBUTIONS, SOURCE
from planner.ledger import Notice
from planner.show.draw import palette
from planner.show.draw.groups import climate_ramp
from planner.show.draw.pictures import Clock, eto_bars, rain_rose, sun_picture, zone_bar
from planner.show.draw.rasters import climate_overlay
from planner.show.layout import alternates
from planner.show.lonlat import Floats
from planner.show.say import mount as say
from planner.show.say import shade, siting, verdict
from planner.show.say.zone import hottest_and_rain, zone_words
from planner.sun.losses import SOLAR, clock_hours
from planner.units import months

if TYPE_CHECKING:
    from planner.job import SiteResult


def credits(sources: Iterable[str], picture: ClimatePicture | None) -> list[str]:
    """What the map must say of its data and parts: the built-in climate's terms where it was used, and Leaflet."""
    asked = picture.attribution if picture is not None else ""
    if not asked and any(SOURCE in source for source in sources):
        asked = ALL_ATTRIBUTIONS
    return [*([asked] if asked else []), "Drawn with Leaflet 1.9.4."]


def picture_clock(result: SiteResult) -> str:
    """What the hours of the sun-path picture are counted in."""
    return shade.clock_said(result.plan.time_zone or SOLAR)


def mount_picture(result: SiteResult, row: int, *, lost: bool = False) -> Markup:
    """The sun-path picture of a mount; `lost` as in :func:`sun_picture`."""
    return sun_picture(
        result.sun.horizon_deg[row],
        result.sun.veil_deg[row],
        result.sun_table,
        result.season,
        result.site.latitude_deg,
        shade.sun_sentence(result, row),
        Clock(
            partial(clock_hours, longitude_deg=result.site.longitude_deg, time_zone=result.plan.time_zone),
            result.plan.units,
        ),
        lost=lost,
    )


def mount_view(
    result: SiteResult, row: int, degrees: Callable[[Floats], Floats], *, lost: bool = False
) -> dict[str, Any]:
    """What the panel and the sheet say of one mount.

    Parameters
    ----------
    result
        The site.
    row
        Of the mount.
    degrees
        From metres in the site's frame to longitude and latitude.
    lost
        Whether its picture shows the sun that it loses.

    Returns
    -------
    dict
        For the templates: words, and pictures as SVG.
    """
    at = degrees(result.mounts.xyz[[row]])[0]
    return {
        "row": row,
        "id": result.mounts.ids[row],
        "support": verdict.SUPPORT_NAMES[result.mounts.support[row]],
        "on": verdict.fixed_to(result.mounts, row),
        "facing": say.facing(result, row),
        "height": say.height(result, row),
        "setback": say.setback(result, row),
        "coordinates": say.coordinates(float(at[0]), float(at[1])),
        "latitude": f"{at[1]:.6f}",
        "longitude": f"{at[0]:.6f}",
        "number": alternates(result).index(row) + 1 if row in alternates(result) else 0,
        "score": say.score(result, row),
        "ruled_out": verdict.ruled_out(result, row),
        "reason": verdict.reason(result, row),
        "numbers": say.mount_numbers(result, row),
        "parts": say.score_parts(result, row),
        "geo": f"geo:{at[1]:.6f},{at[0]:.6f}",
        "picture": mount_picture(result, row, lost=lost),
        "sentence": shade.sun_sentence(result, row),
        "clock": picture_clock(result),
        "day": shade.day_sentence(result, row),
        "sources": shade.sources(result, row),
        "raised": say.raised(result, row),
        "moved": say.moved(result, row),
        "siting": siting.siting(result, row),
        "siting_classes": siting.siting_classes(result, row),
        "siting_left_out": siting.siting_left_out(result),
        "rose": mount_rose(result, row),
        "rain_sentence": say.rain_sentence(result, row),
        "wind": result.plan.climate.rain_from_deg is not None,
    }


def mount_rose(result: SiteResult, row: int) -> Markup:
    """The rain picture of a mount."""
    return rain_rose(
        result.rain.sector_deg[row],
        result.rain.sector_class[row],
        result.plan.requirements.max_rain_angle_deg,
        result.plan.climate.rain_from_deg,
        say.rain_sentence(result, row),
    )


def climate_view(result: SiteResult) -> dict[str, Any]:
    """Zone, season and monthly ETo of the site, for the panel and the sheet."""
    units, zone = result.plan.units, result.zone
    row = int(zone.zone[0])
    told = zone_words(result.climate, zone, 0, units)
    spread = float(result.climate.spread_mm_day[0])
    return {
        "zone": told,
        "bar": zone_bar(zone.table.labels, palette.zone_colours(zone.table.peak_mm_day), told.probability, row),
        "bars": eto_bars(result.climate.eto_mm_day[0], result.season, int(zone.peak_month[0]), spread, units),
        "percent": [round(float(p)) if np.isfinite(p) else None for p in zone.monthly_percent[0]],
        "season": months(result.season),
        "season_flags": [bool(s) for s in result.season],
        "season_said": verdict.season_said(result.season, result.season_basis, result.plan.units),
        "facts": hottest_and_rain(result.climate, 0, units),
    }


def inset(result: SiteResult) -> dict[str, Any] | None:
    """The climate layer in small, with the site's place in percent of its width and height."""
    picture = result.climate_picture
    if picture is None:
        return None
    drawn = climate_overlay(picture, most=240)
    wide, tall = drawn.east_deg - drawn.west_deg, drawn.north_deg - drawn.south_deg
    # a small picture spans few degrees, where even rows of latitude and of the map differ by less than a pixel
    return {
        "uri": drawn.uri,
        "left": 100 * (result.site.longitude_deg - drawn.west_deg) / wide,
        "top": 100 * (drawn.north_deg - result.site.latitude_deg) / tall,
        "ramp": climate_ramp(picture, result.plan.units),
        "gradient": ",".join(palette.DRY),
        "source": picture.source,
    }


def notices_view(notices: Sequence[Notice]) -> list[dict[str, str]]:
    """Notices as kind, place, words and the features concerned."""
    return [
        {
            "kind": n.kind.value,
            "where": n.where,
            "what": n.what,
            "features": n.some(12),
        }
        for n in notices
    ]
