"""Who shades a mount, and when the sun comes and goes, in sentences."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from planner.show.say.mount import worst_month
from planner.site import compass
from planner.sun.losses import OPAQUE, SOLAR, DayOfSun, Loss, Obstacle
from planner.units import MONTH_NAMES, Units, clock, months, percent, sunlight

if TYPE_CHECKING:
    from planner.job import SiteResult

NAMELESS = {
    Obstacle.GROUND: "high ground",
    Obstacle.SURFACE: "what the surface model shows",
    Obstacle.CANOPY: "trees",
}
WORTH_SAYING = 0.005  # of the light of its months: less is noise beside what the maps themselves get wrong


def hour_said(hour: float, units: Units) -> str:
    """'3:10 p.m.', to five minutes: a step of the sun's path is ten."""
    return clock(round(hour * 12) / 12, units)


def clock_said(clock: str) -> str:
    """What the hours are counted in."""
    return "true solar time" if clock == SOLAR else f"clock time, {clock}"


def loss_name(loss: Loss) -> str:
    """The obstacle's own name; where it has none, what it is and on which side."""
    return loss.name or f"{NAMELESS[loss.kind]} in the {compass(loss.azimuth_deg)}"


def loss_said(loss: Loss, units: Units) -> str:
    """One source of shade, as a person would say it, without the full stop."""
    when = months([m in loss.months for m in range(12)])
    long = f"{loss.hours_day:.1f} h" if loss.hours_day >= 0.95 else f"{loss.hours_day * 60:.0f} min"
    share = f"{loss.light_share:.1%}" if loss.light_share < 0.01 else percent(loss.light_share)
    if loss.light_share < 0.0005:
        share = "under 0.1%"
    verb = "shades it" if loss.kind in OPAQUE else "filters the sun"
    name = loss_name(loss)
    # a bare tag or number says too little
    name = f"{loss.kind} {name}" if re.fullmatch(r"#?[A-Za-z]{0,2}[ -]?[\d-]+", name) else name
    begin, end = hour_said(loss.from_h, units), hour_said(loss.to_h, units)
    return (
        f"{name[:1].upper()}{name[1:]} {verb} from {begin} to {end}, {when}: "
        f"{long} a day, {share} of the sunlight then"
    )


def day_said(day: DayOfSun, month: int, units: Units) -> str:
    """First and last sun and the gap between in one month."""
    if not np.isfinite(day.first_h[month]):
        return f"No direct sun in {MONTH_NAMES[month]}."
    gap = f", with {day.gap_h[month]:.1f} h of shade between" if day.gap_h[month] >= 0.25 else ""
    ends = (day.first_h, day.last_h, day.open_first_h, day.open_last_h)
    first, last, open_first, open_last = (hour_said(end[month], units) for end in ends)
    return (
        f"Direct sun in {MONTH_NAMES[month]} from {first} to {last}{gap}; under an open sky from {open_first} to "
        f"{open_last} ({clock_said(day.clock)})."
    )


def day_sentence(result: SiteResult, row: int) -> str:
    """First and last sun in the month that loses most, '' where it was not looked at."""
    day = result.losses.get(row)
    return day_said(day, day.worst_month, result.plan.units) if day else ""


def sources(result: SiteResult, row: int, most: int = 4) -> list[str]:
    """What shades a mount, the costliest in irrigation months first, and what is left beside these."""
    day = result.losses.get(row)
    if day is None:
        return []
    units = result.plan.units
    worth = [loss for loss in day.losses if loss.light_share >= WORTH_SAYING]
    said = [f"{loss_said(loss, units)}." for loss in worth[:most]]
    more, faint = len(worth) - len(said), len(day.losses) - len(worth)
    if not day.losses:
        return ["Nothing shades it."]
    if not worth:
        longest = max(day.losses, key=lambda loss: loss.hours_day)
        return [
            f"No source of shade takes {WORTH_SAYING:.1%} of any month's sunlight. The longest: "
            f"{loss_said(longest, units)}."
        ]
    if more:
        said.append(f"{more} more, less costly in irrigation months.")
    elif faint:
        said.append(f"Everything else takes less than {WORTH_SAYING:.1%} each.")
    return said


def sun_sentence(result: SiteResult, row: int) -> str:
    """The sun-path picture in one sentence."""
    horizon = np.maximum(result.sun.horizon_deg[row], result.sun.veil_deg[row])
    top = int(np.argmax(horizon))
    dark = worst_month(result.sun.light_share[row], result.season)
    seen = (
        f"{result.rain.cover_name[row]} hangs over it"
        if result.rain.covered[row]
        else f"the horizon rises to {horizon[top]:.0f}°, highest in the {compass(top)}"
        if horizon[top] >= 1
        else "nothing rises above 1°"
    )
    received = sunlight(float(result.sun.light_share[row, dark]))
    return (
        f"From {result.mounts.ids[row]}, {seen}. In {MONTH_NAMES[dark]}, the worst irrigation month, it receives "
        f"{received} of the sunlight."
    )
