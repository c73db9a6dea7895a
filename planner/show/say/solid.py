"""The words of the 3-D view."""

from __future__ import annotations

from typing import TYPE_CHECKING

from planner.show.say.figures import plural
from planner.show.say.shade import clock_said
from planner.sun.losses import SOLAR
from planner.units import MONTH_NAMES, MONTHS, clock

if TYPE_CHECKING:
    from planner.job import SiteResult


def words(result: SiteResult) -> dict[str, object]:
    site, plan = result.site, result.plan
    rough = ["Roofs are drawn flat at the eave, and trees as plain shapes: as the light was worked out."]
    if site.terrain is not None:
        rough.append("Far ground is left out.")
    if site.surface is not None:
        rough.append("What only the surface model shows is not drawn, though the numbers count it.")
    if site.canopy is not None:
        rough.append("Trees of the canopy raster are not drawn, though the numbers count them.")
    if plan.sun.crown_light == "by path":
        rough.append("A crown takes the same share here wherever the sun goes through it.")
    return {
        "open": "3-D and shade",
        "close": "Back to the map",
        "day": "Day",
        "hour": f"Hour, {clock_said(plan.time_zone or SOLAR)}",
        "quarters": [clock(quarter / 4, plan.units) for quarter in range(4 * 24)],
        "shade": "Shadows at a month and hour",
        "month": "Middle of",
        "month_names": list(MONTH_NAMES),
        "hills": "The sun is behind high ground.",
        "above": "From above",
        "aside": "From the south" if site.latitude_deg >= 0 else "From the north",
        "night": "The sun is down.",
        "sun": "Sun {elevation}° high, azimuth {azimuth}°.",
        "months": list(MONTHS),
        "how": "Drag to turn, wheel or pinch to zoom, right-drag or two fingers to move; arrow keys, + and - too.",
        "none": "This browser does not draw in 3-D (WebGL 2 is off). Map and numbers are complete without it.",
        "rough": " ".join(rough),
        "picture": "The site in 3-D with the shadows of the sun",
    }


def left_out(blocks: int, crowns: int) -> str:
    """What a page cannot bear; '' for nothing."""
    parts = [plural(n, what) for n, what in ((blocks, "building"), (crowns, "tree")) if n]
    return f"Farther off, {' and '.join(parts)} not drawn." if parts else ""
