"""Siting classes in words: what decided each, and what no layer tells."""

from __future__ import annotations

from typing import TYPE_CHECKING

from planner.show.say.mount import Number
from planner.site import compass
from planner.siting import Limit, Scale, Unjudged, Why
from planner.units import MONTH_NAMES, Units, length

if TYPE_CHECKING:
    from planner.job import SiteResult

UNJUDGED = {
    Unjudged.REFLECTING: "reflecting walls beside the sun's path (radiation)",
    Unjudged.SURROUNDS: "paving, water and the height of what grows (temperature)",
    Unjudged.EVEN_OBSTACLES: "obstacles that stand evenly all round, which class 1 allows up to 26° "
    "(precipitation)",
    Unjudged.SLOPE: "slope of the ground (no terrain)",
}


def siting(result: SiteResult, row: int) -> list[Number]:
    """Sun exposure and the WMO-No. 8 classes of a mount, each with what decided it."""
    found = result.siting
    if found is None:
        return []
    month = MONTH_NAMES[int(found.least_month[row])]
    return [
        Number(
            None,
            "Sun exposure",
            found.sunlight[row],
            f"{found.least_direct_h[row]:.1f} h of direct sun on a clear day in {month}; full sun is six "
            "hours or more",
        ),
        *(
            Number(None, scale.capitalize(), f"class {given}", why_said(scale, why, result.plan.units))
            for scale, given, why in _classes(result, row)
        ),
    ]


def siting_classes(result: SiteResult, row: int) -> str:
    """'radiation 2, sunshine 3, temperature 5, precipitation 1'."""
    return ", ".join(f"{scale} {given}" for scale, given, _ in _classes(result, row))


def _classes(result: SiteResult, row: int) -> list[tuple[Scale, int, Why]]:
    found = result.siting
    if found is None:
        return []
    return [
        (Scale.RADIATION, int(found.radiation[row]), found.radiation_why[row]),
        (Scale.SUNSHINE, int(found.sunshine[row]), found.sunshine_why[row]),
        (Scale.TEMPERATURE, int(found.temperature[row]), found.temperature_why[row]),
        (Scale.PRECIPITATION, int(found.precipitation[row]), found.precipitation_why[row]),
    ]


def why_said(scale: Scale, why: Why, units: Units) -> str:
    """The limit that decided a class: 'Library stands 31.0° high; class 2 allows 26.6'."""
    if why.limit is Limit.FREE:
        return {
            Scale.TEMPERATURE: f"little built around it, and the sun free above {why.allowed:g}°",
            Scale.PRECIPITATION: f"nothing stands higher than {why.allowed:g}°",
        }.get(scale, f"no shade while the sun is above {why.allowed:g}°")
    if why.limit is Limit.COVER:
        return f"{why.name} hangs over it"
    share = why.limit in (Limit.HEAT, Limit.DAY_SHADED)
    allowed = (
        f"class {why.better} allows {why.allowed:.0%}" if share else f"class {why.better} allows {why.allowed:g}"
    )
    return f"{_missed(scale, why, units)}; {allowed}"


def _missed(scale: Scale, why: Why, units: Units) -> str:
    if why.limit is Limit.DAY_SHADED:
        return f"shade takes {why.value:.0%} of a day in {MONTH_NAMES[why.month]}"
    if why.limit is Limit.HEAT:
        outer = length(why.outer_m, units)
        ring = f"from {length(why.inner_m, units)} to {outer} away" if why.inner_m else f"within {outer}"
        return f"buildings and heat sources cover {why.value:.0%} of the area {ring}"
    if why.limit is Limit.SLOPE:
        return f"the ground slopes by {why.value:.0f}°"
    if why.limit is Limit.OBSTACLE:
        return f"{why.name} stands {why.value:.1f}° high"
    behind = f" behind {why.name}" if why.name else ""
    where = f" in the {compass(why.azimuth_deg)} in {MONTH_NAMES[why.month]}"
    return f"the sun is hidden{behind} while {why.value:.1f}° high{'' if scale is Scale.TEMPERATURE else where}"


def siting_left_out(result: SiteResult) -> str:
    """What the classes ask for and could not be judged, and which limits are from memory; '' without classes."""
    found = result.siting
    if found is None:
        return ""
    return (
        "Class 1 is for a reference station; class 5 stands only for its own spot. Not judged: "
        f"{'; '.join(UNJUDGED[what] for what in found.not_judged)}. "
        f"Limits from memory: {' and '.join(found.from_memory)}."
    )
