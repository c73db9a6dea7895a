"""What the answer rests on although nobody measured it: heights that were assumed, obstacles that nobody gave."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planner.show.say.figures import listed, plural
from planner.show.say.shade import WORTH_SAYING
from planner.sun.losses import Obstacle
from planner.units import length

if TYPE_CHECKING:
    from planner.job import SiteResult

NO_OBSTACLES = "No obstacles known."
NO_OBSTACLES_MORE = (
    "No building and no tree was given: whatever stands there shades as well. Look for it before anything is "
    "mounted."
)


def assumed_that_decide(result: SiteResult, row: int) -> tuple[list[str], list[str]]:
    """Buildings with an assumed height on which a mount rests: what it stands on, and what shades it notably."""
    site = result.site
    assumed = np.flatnonzero(site.height_assumed)
    if not len(assumed):
        return [], []
    names = {site.buildings.names[k] for k in assumed}
    under = int(result.mounts.building[row])
    stands_on = [site.buildings.names[under]] if under in assumed else []
    day = result.losses.get(row)
    shades = [
        loss.name
        for loss in (day.losses if day is not None else ())
        if loss.kind in (Obstacle.BUILDING, Obstacle.OVERHANG)
        and loss.name in names
        and loss.light_share >= WORTH_SAYING
    ]
    return stands_on, list(dict.fromkeys(shades))


def assumed_sentence(result: SiteResult, rows: dict[str, int]) -> str:
    """How many heights are assumed, and which of them some places (sign to row) rest on; '' where none decides."""
    said, measure = [], []
    for sign, row in rows.items():
        stands_on, shades = assumed_that_decide(result, row)
        if stands_on:
            said.append(f"the sensor height of {sign} rests on {listed(stands_on)}")
        if shades:
            said.append(f"the shade at {sign} rests on {listed(shades)}")
        measure += [*stands_on, *shades]
    if not said:
        return ""
    count, of = int(result.site.height_assumed.sum()), len(result.site.buildings.shapes)
    names = listed(list(dict.fromkeys(measure)))
    are = "are" if count > 1 else "is"
    return f"{count} of {plural(of, 'building height')} {are} assumed; {'; '.join(said)}: measure {names}."


def to_measure(result: SiteResult, row: int) -> str:
    """What to measure on the visit to one place; '' where nothing that it rests on is assumed."""
    stands_on, shades = assumed_that_decide(result, row)
    names = list(dict.fromkeys([*stands_on, *shades]))
    section = result.plan.layers.buildings if result.plan.layers is not None else None
    if not names or section is None:
        return ""
    taken = length(section.default_height_m, result.plan.units)
    return f"Measure the height of {listed(names)}: {taken} is assumed, and this place rests on it."
