"""What the answer rests on although nobody measured it: heights that were assumed, obstacles that nobody gave."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planner.mounts import Support
from planner.show.say.figures import listed, plural
from planner.show.say.shade import WORTH_SAYING
from planner.sun.losses import Obstacle
from planner.units import length

if TYPE_CHECKING:
    from planner.job import SiteResult

NO_OBSTACLES = "No obstacles known."
NO_OBSTACLES_MORE = (
    "No building and no tree was given. Whatever stands there casts shade too: look around before you mount "
    "anything."
)


def pole_assumed(result: SiteResult, row: int) -> str:
    """Name of the pole of a mount where the pole's height is assumed; else ''."""
    poles, mounts = result.site.poles, result.mounts
    name = mounts.holder[row].name
    known = mounts.support[row] is not Support.POLE or name not in poles.names
    return name if not known and poles.height_assumed[poles.names.index(name)] else ""


def assumed_that_decide(result: SiteResult, row: int) -> tuple[list[str], list[str]]:
    """What has an assumed height and decides a mount: the pole or building that it stands on, and buildings that
    shade it notably."""
    site = result.site
    assumed = np.flatnonzero(site.height_assumed)
    pole = pole_assumed(result, row)
    if not len(assumed):
        return [f"pole {pole}"] if pole else [], []
    names = {site.buildings.names[k] for k in assumed}
    under = int(result.mounts.building[row])
    stands_on = [f"pole {pole}"] if pole else [site.buildings.names[under]] if under in assumed else []
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
    site, names = result.site, listed(list(dict.fromkeys(measure)))
    counts = []
    for assumed, what in ((site.height_assumed, "building height"), (site.poles.height_assumed, "pole height")):
        if count := int(assumed.sum()):
            counts.append(f"{count} of {plural(len(assumed), what)} {'are' if count > 1 else 'is'} assumed")
    return f"{listed(counts)}; {'; '.join(said)}: measure {names}."


def to_measure(result: SiteResult, row: int) -> str:
    """What to measure on the visit to one place; '' where nothing that it rests on is assumed."""
    stands_on, shades = assumed_that_decide(result, row)
    layers, pole = result.plan.layers, pole_assumed(result, row)
    said = []
    for names, section in (
        (stands_on if pole else [], layers.poles if layers is not None else None),
        ([*([] if pole else stands_on), *shades], layers.buildings if layers is not None else None),
    ):
        if names and section is not None:
            taken = length(section.default_height_m, result.plan.units)
            which = listed(list(dict.fromkeys(names)))
            said.append(f"Measure the height of {which}: {taken} is assumed, and this place rests on it.")
    return " ".join(said)
