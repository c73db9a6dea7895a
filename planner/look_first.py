"""Which of a contract's sites to look at first: by what a visit, a call or a measurement would decide.

Each site has at most one reason here, its weightiest. What holds of most sites sets none of them apart: it is
counted and not listed. Codes and numbers; the sentences are made where results are shown.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from planner.contract import COMMON_SHARE, COMMON_SITES, Flag
from planner.found import Outcome, SiteFound
from planner.site import Floats


class Reason(StrEnum):
    """Why to look at a site, the weightiest first."""

    MISPLACED = "misplaced"  # it lies in the sea, or far from where it is said to be
    NOT_DECIDED = "not_decided"  # a layer cannot be used there
    NO_CANDIDATE = "no_candidate"  # there is nothing to mount on
    NONE_PASSES = "none_passes"  # no mount meets every requirement
    NOT_SERVED = "not_served"  # controllers that no place of the layout reaches
    DOUBTFUL_LINK = "doubtful_link"  # a link that a test on site would decide
    HEIGHT_ASSUMED = "height_assumed"  # nobody measured the building that the sensor stands on
    LAYERS_APART = "layers_apart"  # layers contradict one another about a building on the site
    NO_ZONE = "no_zone"
    NEAR_EDGE = "near_edge"  # a second zone is nearly as likely
    LAYERS_DISAGREE = "layers_disagree"  # climate layers, or the ways to a zone, contradict one another
    PLACE_DECIDES = "place_decides"  # several zones, an edge of a layer, or the elevation decides


_OF_FLAGS = {
    Flag.AXES_EXCHANGED: Reason.MISPLACED,
    Flag.OPEN_SEA: Reason.MISPLACED,
    Flag.ELSEWHERE: Reason.MISPLACED,
    Flag.NO_ZONE: Reason.NO_ZONE,
    Flag.NEAR_EDGE: Reason.NEAR_EDGE,
    Flag.LAYERS_DISAGREE: Reason.LAYERS_DISAGREE,
    Flag.WAYS_DISAGREE: Reason.LAYERS_DISAGREE,
    Flag.SEVERAL_ZONES: Reason.PLACE_DECIDES,
    Flag.LAYER_EDGE: Reason.PLACE_DECIDES,
    Flag.LAYER_GAP: Reason.PLACE_DECIDES,
    Flag.ELEVATION_DECIDES: Reason.PLACE_DECIDES,
}


def reasons_of(flags: Iterable[Flag]) -> frozenset[Reason]:
    """The reasons that some flags of the climate are."""
    return frozenset(_OF_FLAGS[flag] for flag in flags if flag in _OF_FLAGS)


SURE = 0.5  # a link that misses more of what is asked to certainty than this is tested before anything is mounted


@dataclass(frozen=True)
class Look:
    """One site to look at. row: of the sites; weight: 0 to 1, how much there is to decide among sites of one
    reason; flags: those behind a reason of the climate."""

    row: int
    reason: Reason
    weight: float = 0.0
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True)
class LookFirst:
    """first: sites in the order in which to look at them. common: reasons that most sites have, and how many have
    each; they list no site."""

    first: tuple[Look, ...]
    common: Mapping[Reason, int]


def look_first(
    flags: Sequence[tuple[Flag, ...]],
    runner_up: Floats,
    found: Mapping[int, SiteFound] | None = None,
    asked: float = 0.9,
) -> LookFirst:
    """Which of n sites to look at first.

    Parameters
    ----------
    flags
        (n,) of the climate.
    runner_up
        (n,) probability of the second zone, NaN where there is none.
    found
        What was decided at a site, by its row; nothing for sites that have their zone only.
    asked
        Probability that a link must have.

    Returns
    -------
    LookFirst
        Sites in that order, and the reasons that most sites have.
    """
    every = [
        list(_reasons(row, some, float(second), (found or {}).get(row), asked))
        for row, (some, second) in enumerate(zip(flags, runner_up, strict=True))
    ]
    counts = Counter(reason for looks in every for reason in {look.reason for look in looks})
    n = len(every)
    common = {
        reason: counts[reason] for reason in Reason if n >= COMMON_SITES and counts[reason] > COMMON_SHARE * n
    }
    order = list(Reason)
    apart = ([look for look in looks if look.reason not in common] for looks in every)
    first = [min(looks, key=lambda look: (order.index(look.reason), -look.weight)) for looks in apart if looks]
    first.sort(key=lambda look: (order.index(look.reason), -look.weight, look.row))
    return LookFirst(tuple(first), common)


def _reasons(
    row: int, flags: tuple[Flag, ...], runner_up: float, found: SiteFound | None, asked: float
) -> Iterator[Look]:
    if found is not None:
        yield from _of_mount(row, found, asked)
    by_reason: dict[Reason, list[Flag]] = {}
    for flag in flags:
        if flag in _OF_FLAGS:
            by_reason.setdefault(_OF_FLAGS[flag], []).append(flag)
    for reason, some in by_reason.items():
        weight = runner_up if reason is Reason.NEAR_EDGE and runner_up == runner_up else 0.0
        yield Look(row, reason, weight, tuple(some))


def _of_mount(row: int, found: SiteFound, asked: float) -> Iterator[Look]:
    if found.outcome is Outcome.ZONE_ONLY and found.why:
        yield Look(row, Reason.NOT_DECIDED)
    if found.outcome is Outcome.NO_CANDIDATE:
        yield Look(row, Reason.NO_CANDIDATE)
    if found.outcome is Outcome.NONE_PASSES:
        yield Look(row, Reason.NONE_PASSES)
    if found.outcome is not Outcome.CHOSEN:
        return
    if found.served < found.controllers:
        yield Look(row, Reason.NOT_SERVED, 1.0 - found.served / found.controllers)
    weakest = min(found.held_with, default=1.0)
    if weakest < asked + SURE * (1.0 - asked):
        yield Look(row, Reason.DOUBTFUL_LINK, 1.0 - weakest)
    if found.place is not None and found.place.height_assumed:
        yield Look(row, Reason.HEIGHT_ASSUMED)
    if found.apart:
        yield Look(row, Reason.LAYERS_APART, float(_decides(found)))


def _decides(found: SiteFound) -> bool:
    """Whether it is about the building that the sensor stands on."""
    holder = found.place.fixed_to if found.place is not None else ""
    return any(holder in names for _, names in found.apart)
