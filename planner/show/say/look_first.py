"""Which sites to look at first, in a sentence each."""

from __future__ import annotations

from collections.abc import Sequence

from planner.contract import Flag
from planner.decide import Requirement
from planner.found import SiteFound
from planner.look_first import Look, LookFirst, Reason
from planner.show.say.figures import article, listed, plural
from planner.show.say.verdict import REQUIREMENT_NAMES
from planner.site import Disagreement
from planner.units import odds

_OF_FLAGS = {
    Flag.AXES_EXCHANGED: "It lies in the sea, and on land with longitude and latitude exchanged: correct the "
    "location.",
    Flag.OPEN_SEA: "It lies in the open sea: check the location.",
    Flag.ELSEWHERE: "It lies far from its country or from all other sites, and there with a sign or the axes "
    "changed: correct the location.",
    Flag.NO_ZONE: "Its peak-month ETo is in no zone of the table: check the table and the climate layer.",
    Flag.LAYERS_DISAGREE: "The climate layers disagree here: check them against a local source.",
    Flag.WAYS_DISAGREE: "The ways to a zone disagree here: check against a local source.",
    Flag.SEVERAL_ZONES: "It covers several zones: set each controller by where it stands.",
    Flag.LAYER_EDGE: "It reaches over a coast or the edge of a layer: check the zone against a local source.",
    Flag.LAYER_GAP: "A climate layer has no value here: check the zone against a local source.",
    Flag.ELEVATION_DECIDES: "Its elevation decides the zone: check the elevation.",
}

_COMMON = {
    Reason.MISPLACED: "lie in the sea, or far from where they are said to be: check the locations, or the "
    "coordinate system",
    Reason.NOT_DECIDED: "could not be decided, for a layer cannot be used there",
    Reason.NO_CANDIDATE: "have nothing to mount on in the layers",
    Reason.NONE_PASSES: "have no mount that meets every requirement: look at the requirements before the sites",
    Reason.NOT_SERVED: "have controllers that no place reaches: check the sensor's range in the plan",
    Reason.DOUBTFUL_LINK: "need a link test before anything is mounted: check the sensor's radio in the plan",
    Reason.HEIGHT_ASSUMED: "have the sensor on a building whose height is assumed: a layer with heights helps most",
    Reason.LAYERS_APART: "have layers that disagree about a building: a newer layer helps most",
    Reason.NO_ZONE: "are in no zone of the table",
    Reason.NEAR_EDGE: "lie close to the edge of a zone's band",
    Reason.LAYERS_DISAGREE: "have climate layers, or ways to a zone, that disagree",
    Reason.PLACE_DECIDES: "have a zone that depends on where exactly they lie",
}


_APART = {
    Disagreement.NOT_IN_SURFACE: "The surface model shows no building at {}",
    Disagreement.HEIGHTS_DIFFER: "The surface model shows another height at {}",
    Disagreement.BUILT_LATER: "Built after the surface model: {}",
    Disagreement.TREE_INSIDE: "By the layers a tree stands inside {}",
}
NAMED = 2  # buildings that a sentence names


def _some(names: Sequence[str]) -> str:
    more = len(names) - NAMED
    return listed([*names[:NAMED], *([f"{more} more"] if more > 0 else [])])


def look_said(look: Look, found: SiteFound | None, zone: str | None, runner_up: str | None) -> str:
    """One sentence on why to look at a site, and what decides it."""
    if look.reason is Reason.NEAR_EDGE:
        second = f"{runner_up} has {article(odds(look.weight))} chance" if runner_up else "another zone is near"
        return f"The zone is {zone}, but {second}: check ETo against a local source."
    if look.flags:
        return _OF_FLAGS[look.flags[0]]
    assert found is not None
    return _of_mount(look, found)


def _of_mount(look: Look, found: SiteFound) -> str:
    if look.reason is Reason.NOT_DECIDED:
        return f"Not decided: {found.why}."
    if look.reason is Reason.NO_CANDIDATE:
        return "The layers show nothing to mount on: look for a building, a pole or room for a post."
    if look.reason is Reason.NONE_PASSES:
        place = found.place
        if place is None:
            return "No mount meets every requirement."
        missed = listed([REQUIREMENT_NAMES[Requirement(code)] for code in place.lacking])
        return f"No mount meets every requirement. Closest is {place.id}; not met: {missed}."
    if look.reason is Reason.NOT_SERVED:
        left = found.controllers - found.served
        are = "is" if left == 1 else "are"
        return (
            f"{left} of {plural(found.controllers, 'controller')} {are} out of reach: look for a place closer to "
            f"{'it' if left == 1 else 'them'}."
        )
    if look.reason is Reason.DOUBTFUL_LINK:
        chance = odds(1.0 - look.weight)
        return f"The weakest link has {article(chance)} chance of working: a test on site decides it."
    if look.reason is Reason.LAYERS_APART:
        holder = found.place.fixed_to if found.place is not None else ""
        what, names = max(found.apart, key=lambda one: holder in one[1])  # what the sensor stands on is named
        first = sorted(names, key=lambda name: name != holder)
        return f"{_APART[Disagreement(what)].format(_some(first))}: look at it before you rely on the layers."
    place = found.place
    holder = place.fixed_to if place is not None and place.fixed_to else "the building"
    return f"The height of {holder} is assumed, and the sensor is mounted on it: measure it."


def common_said(found: LookFirst, sites: int, but: tuple[Reason, ...] = ()) -> list[str]:
    """A sentence for each reason that most sites have; but: those said elsewhere."""
    return [
        (f"All {sites:,} sites" if count == sites else f"{count:,} of the {sites:,} sites") + f" {_COMMON[reason]}."
        for reason, count in found.common.items()
        if reason not in but
    ]
