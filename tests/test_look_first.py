"""Sites to look at first: what a visit decides comes first, and what most sites share lists none of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.contract import Flag
from planner.found import FoundPlace, Outcome, SiteFound
from planner.look_first import Reason, look_first
from planner.show.say.look_first import _COMMON, common_said, look_said

PLACE = FoundPlace("R1-2", "parapet", "Library", -119.0, 35.0, 8.0, 180.0, 80.0, 0.95, 0, 0.01, 8.0, 0)
GOOD = SiteFound(1, "Good", Outcome.CHOSEN, place=PLACE, controllers=2, served=2, held_with=(0.99, 0.97))
LACKS = replace(PLACE, lacking=("full_sun",))
NONE = replace(GOOD, outcome=Outcome.NONE_PASSES, place=LACKS, served=0, held_with=())
FOUND = {
    0: GOOD,
    1: replace(GOOD, held_with=(0.99, 0.93)),
    2: replace(GOOD, place=replace(PLACE, height_assumed=True)),
    3: replace(GOOD, served=1, held_with=(0.91,)),
    4: NONE,
    5: replace(GOOD, held_with=(0.91,), controllers=1, served=1),
    6: SiteFound(7, "Bare", Outcome.NO_CANDIDATE),
    7: SiteFound(8, "Odd", Outcome.ZONE_ONLY, why="its outline crosses itself"),
    8: GOOD,
    9: GOOD,
    10: GOOD,
    11: GOOD,
    12: replace(GOOD, apart=(("not_in_surface", ("Annex", "Gym", "Pool")), ("tree_inside", ("Hall",)))),
    13: replace(GOOD, apart=(("tree_inside", ("Hall",)), ("heights_differ", ("Gym", "Library")))),
}
FLAGS = [()] * 8 + [(Flag.NEAR_EDGE,), (Flag.NEAR_EDGE, Flag.LAYER_GAP), (Flag.OPEN_SEA,), (Flag.LAYER_GAP,)]
FLAGS += [()] * 2
SECOND = np.array([np.nan] * 8 + [0.35, 0.45] + [np.nan] * 4)


def test_what_a_visit_decides_comes_first() -> None:
    found = look_first(FLAGS, SECOND, FOUND)
    assert [(look.row, look.reason) for look in found.first] == [
        (10, Reason.MISPLACED),
        (7, Reason.NOT_DECIDED),
        (6, Reason.NO_CANDIDATE),
        (4, Reason.NONE_PASSES),
        (3, Reason.NOT_SERVED),  # its doubtful link is the lesser reason
        (5, Reason.DOUBTFUL_LINK),  # 91 % before 93 %
        (1, Reason.DOUBTFUL_LINK),
        (2, Reason.HEIGHT_ASSUMED),
        (13, Reason.LAYERS_APART),  # about the building that the sensor stands on
        (12, Reason.LAYERS_APART),
        (9, Reason.NEAR_EDGE),
        (8, Reason.NEAR_EDGE),
        (11, Reason.PLACE_DECIDES),
    ]
    assert not found.common


def test_each_has_one_sentence_that_says_what_decides() -> None:
    found = look_first(FLAGS, SECOND, FOUND)
    said = {look.row: look_said(look, FOUND.get(look.row), "band 7", "band 6") for look in found.first}
    assert said[3] == "1 of 2 controllers is out of reach: look for a place closer to it."
    assert said[4] == "No mount meets every requirement. Closest is R1-2; not met: full sun."
    assert said[5] == "The weakest link has a 91% chance of working: a test on site decides it."
    assert said[2] == "The height of Library is assumed, and the sensor is mounted on it: measure it."
    assert said[12] == (
        "The surface model shows no building at Annex, Gym and 1 more: look at it before you rely on the layers."
    )
    assert said[13] == (
        "The surface model shows another height at Library and Gym: look at it before you rely on the layers."
    )
    assert said[9] == "The zone is band 7, but band 6 has a 45% chance: check ETo against a local source."
    assert said[7] == "Not decided: its outline crosses itself."
    assert all(text.endswith(".") for text in said.values())


def test_what_most_sites_share_is_said_once_and_lists_none() -> None:
    rows = {k: replace(GOOD, held_with=(0.92,)) for k in range(6)} | {6: NONE}
    found = look_first([()] * 7, np.full(7, np.nan), rows)
    assert [look.reason for look in found.first] == [Reason.NONE_PASSES]
    assert found.common == {Reason.DOUBTFUL_LINK: 6}
    (said,) = common_said(found, 7)
    assert said.startswith("6 of the 7 sites need a link test")
    assert common_said(found, 7, (Reason.DOUBTFUL_LINK,)) == []
    # of three sites nothing is common; half of the sites are not most
    assert not look_first([(Flag.NO_ZONE,)] * 3, np.full(3, np.nan)).common
    assert not look_first([(Flag.NO_ZONE,)] * 3 + [()] * 3, np.full(6, np.nan)).common


def test_a_common_reason_gives_way_to_the_next_of_a_site() -> None:
    """Heights are assumed everywhere; the one whose link is doubtful as well is listed for its link."""
    base = replace(GOOD, place=replace(PLACE, height_assumed=True))
    rows = dict.fromkeys(range(5), base) | {5: replace(base, held_with=(0.91,))}
    found = look_first([()] * 6, np.full(6, np.nan), rows)
    assert [(look.row, look.reason) for look in found.first] == [(5, Reason.DOUBTFUL_LINK)]


@pytest.mark.parametrize(("held", "listed"), [(0.9499, True), (0.95, False)])
def test_a_link_is_doubtful_below_halfway_from_what_is_asked_to_certainty(held: float, listed: bool) -> None:
    found = look_first([()], np.array([np.nan]), {0: replace(GOOD, held_with=(held,))}, asked=0.9)
    assert bool(found.first) == listed


def test_every_reason_has_its_words() -> None:
    assert set(_COMMON) == set(Reason)
