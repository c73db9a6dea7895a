"""What is not certain about the answer, said on the first screen and not only where it is worked out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from planner.ledger import Kind
from planner.show.layout import layout
from planner.show.say import layout as layouts
from planner.show.say import verdict
from planner.show.say.assumed import NO_OBSTACLES_MORE, assumed_sentence
from planner.show.say.figures import listed, plural
from planner.units import length

if TYPE_CHECKING:
    from planner.job import SiteResult


def _range_assumed(result: SiteResult) -> str:
    """Where the plan leaves the radio's range to its default every link rests on it, and so may the answer."""
    range_m = verdict.range_assumed_m(result)
    if not range_m > 0:
        return ""
    range_said = length(range_m, result.plan.units)
    return f"The radio's open-field range is assumed to be {range_said}: take it from the sensor's data sheet."


def unsure(result: SiteResult) -> list[str]:
    """Each in one sentence, what must be acted on first."""
    chosen, zone, said = result.decision.chosen, result.zone, []
    if chosen >= 0 and not result.decision.passing[chosen]:
        said.append(verdict.despite(result, chosen))
    if layout(result) and result.reach_study is not None and (test := layouts.to_test(result)):
        said.append(test)
    if line := _range_assumed(result):
        said.append(line)
    if line := assumed_sentence(result, {place.sign: place.row for place in layout(result)}):
        said.append(line)
    if not result.site.obstacles_known:
        said.append(NO_OBSTACLES_MORE)
    if zone.zone[0] < 0:
        said.append("The peak month's ETo lies in no band of the zone table.")
    elif zone.p_zone[0] < 0.5:
        said.append(f"The zone named has only a {zone.p_zone[0]:.0%} chance: check it against a local source.")
    if sum(int(way.zone[0]) >= 0 for way in zone.ways) > 1 and not zone.agreement[0]:
        said.append("The ways to the zone do not agree.")
    kinds = [notice.kind for notice in result.notices]
    notes = [
        plural(kinds.count(kind), *words)
        for kind, words in (
            (Kind.CHECK, ("item to check", "items to check")),
            (Kind.ASSUMED, ("assumption", "assumptions")),
            (Kind.SKIPPED, ("item left out", "items left out")),
        )
        if kinds.count(kind)
    ]
    if notes:
        said.append(f"Input: {listed(notes)}; see the notes on the input.")
    return said
