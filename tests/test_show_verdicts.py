"""Verdicts in words: each code has its words, and the sentences hold the numbers of the decision."""

import numpy as np
import pytest
import shapely
from decided import decided

from planner.decide import Part, Requirement, Verdict
from planner.mounts import Support
from planner.season import SeasonBasis
from planner.show.say.verdict import (
    PART_NAMES,
    REQUIREMENT_NAMES,
    SUPPORT_NAMES,
    VERDICT_NAMES,
    most_ruled_out,
    reason,
    ruled_out,
    season_said,
)
from planner.site import KeepOut, KeepOuts, Places, bare_site, prisms
from planner.units import MONTH_NAMES


def controllers(*xyz):
    return Places(tuple(f"C{k + 1}" for k in range(len(xyz))), np.array(xyz, float), np.zeros(len(xyz), bool))


@pytest.mark.parametrize(
    ("codes", "names"),
    [(Requirement, REQUIREMENT_NAMES), (Part, PART_NAMES), (Support, SUPPORT_NAMES), (Verdict, VERDICT_NAMES)],
)
def test_every_code_has_words_of_its_own(codes, names):
    assert set(names) == set(codes)
    assert len(set(names.values())) == len(names)


def test_a_cover_is_said_once():
    """Under a canopy, with a hall beside it: nothing says that the hall stands 90 degrees high."""
    built = prisms([shapely.box(-2, -2, 2, 2), shapely.box(-20, 8, 20, 12)], [4, -1], [4.3, 9], ["Canopy", "Hall"])
    found = decided(bare_site(buildings=built, latitude_deg=35), [("a", 0, 0, 2.0)], mounts={"choose": "a"})
    said = ruled_out(found, 0)
    assert said.startswith("Canopy hangs over it; ")
    assert "Hall" not in said
    assert ";;" not in said.replace(" ", "")
    why = reason(found, 0)
    assert why.count("Canopy hangs over it") == 2  # why it is ruled out, and what is seen
    assert "nothing rises above it" not in why.lower()


def test_the_reason_holds_light_height_and_the_weakest_link():
    found = decided(bare_site(controllers=controllers([50, 0, 1.5])), [("a", 0, 0, 3.0)])
    said = reason(found, 0)
    assert ruled_out(found, 0) == ""
    assert said.startswith("It receives over 99.9% of the open sky's sunlight in ")
    assert "Sensor height is 3.0 m." in said
    assert "The weakest link, 50 m long, has a margin of " in said
    assert said.endswith(".")


@pytest.mark.parametrize(
    ("parts", "height_m", "words"),
    [
        (
            {"keep_outs": KeepOuts(("yard",), (KeepOut.NO_ACCESS,), (shapely.box(-1, -1, 1, 1),))},
            3,
            "it is inside yard, which has no access",
        ),
        (
            {"keep_outs": KeepOuts(("lawn",), (KeepOut.SPRAY,), (shapely.box(0.5, -9, 9, 9),))},
            3,
            "it is 0.5 m from the spray of lawn, and only 3.0 m above ground",
        ),
        (
            {"keep_outs": KeepOuts(("flue",), (KeepOut.HEAT,), (shapely.box(2, -1, 4, 1),))},
            3,
            "it is 2.0 m from the heat of flue; required: 3.0 m or more",
        ),
        ({}, 12, "sensor height 12.0 m; required: 10.0 m or less"),
        (
            {"buildings": prisms([shapely.box(-1, 4, 1, 6)], [-1], [9], ["shed"])},
            3,
            "shed rises 56° above the horizon; required: 45° or less",
        ),
        ({"controllers": controllers([50, 0, 1], [900, 0, 1])}, 3, "1 of 2 controllers out of reach"),
        ({"controllers": controllers([900, 0, 1])}, 3, "the controller is out of reach"),
    ],
)
def test_why_a_place_is_ruled_out(parts, height_m, words):
    assert words in ruled_out(decided(bare_site(**parts), [("a", 0, 0, height_m)]), 0)


def test_short_sun_says_hours_and_month():
    wall = prisms([shapely.box(-300, -60, 300, -59)], [-1], [65])
    found = decided(bare_site(buildings=wall), [("a", 0, 0, 3)])
    short = found.decision.short_month[0]
    hours = found.sun.direct_h[0, short]
    assert f"{hours:.1f} h of direct sun a day in {MONTH_NAMES[short]}; required: 6.0 h or more" in ruled_out(
        found, 0
    )


def test_wind_driven_rain_is_named():
    shed = prisms([shapely.box(-40, -16, -10, 16)], [-1], [3 + 10 * np.tan(np.pi / 6)], ["shed"])
    found = decided(bare_site(buildings=shed), [("a", 0, 0, 3.0)], climate={"rain_from_deg": 270.0})
    assert (
        "shed rises 30° above the horizon where wind-driven rain comes from; required: 22.5° or less"
        in ruled_out(found, 0)
    )


def test_a_forced_mount_that_reaches_nothing_says_so_first():
    site = bare_site(controllers=controllers([900, 0, 1]))
    far = decided(site, [("a", 0, 0, 3), ("too high", 60, 0, 20)], mounts={"choose": "too high"})
    assert reason(far, 1).startswith(
        "It reaches no controller. The plan file names N2 although it is ruled out: sensor"
    )
    near = decided(
        bare_site(controllers=controllers([50, 0, 1])), [("too high", 60, 0, 20)], mounts={"choose": "too high"}
    )
    assert reason(near, 0).startswith("The plan file names N1 although it is ruled out: sensor height 20.0 m")


def test_what_rules_out_most_places_is_said():
    points = [("a", 0, 0, 3), ("b", 40, 0, 3), ("c", 80, 0, 12), ("d", 120, 0, 12)]
    assert most_ruled_out(decided(bare_site(), points)) == ""  # two of four is not most
    assert (
        most_ruled_out(decided(bare_site(), points[1:]))
        == "The requirement 'reachable for service' rules out most: 2 of 3."
    )


def test_how_the_season_was_found():
    flags = np.array([False] * 3 + [True] * 2 + [False] * 4 + [True] + [False] * 2)
    assert season_said(flags, SeasonBasis.PLAN, "us") == "As the plan file says: April and May, October"
    assert "by 0.031 in/day and an average temperature of 46 °F" in season_said(flags, SeasonBasis.CLIMATE, "us")
    assert "ETo above effective rain" in season_said(flags, SeasonBasis.CLIMATE, "us")
    assert season_said(flags, SeasonBasis.HIGHEST_ETO, "us").startswith("No month has ETo above")
    assert "not known" in season_said(flags, SeasonBasis.NOT_KNOWN, "metric")
