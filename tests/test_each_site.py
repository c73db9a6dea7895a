"""Every site of a contract gets the decision of `site`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from planner.each_site import Outcome, from_told, site_found, told
from planner.job import run_site
from planner.ledger import Ledger
from planner.plan import read_plan

SMALL = Path(__file__).parents[1] / "examples" / "small"


@pytest.fixture(scope="module")
def two_controllers():
    return run_site(read_plan(SMALL / "two-controllers.toml"), Ledger())


def test_what_is_kept_of_a_site_is_what_its_result_says(two_controllers):
    result = two_controllers
    found, k = site_found(result, 7, "Lot"), result.decision.chosen
    best = result.reach_study.layouts.best
    assert (found.row, found.name, found.outcome) == (7, "Lot", Outcome.CHOSEN)
    assert found.place.id == result.mounts.ids[k]
    assert found.place.light_share == result.sun.light_share[k].min()
    assert found.place.score == result.decision.score[k]
    at = result.mounts_table().geometry.iloc[k]
    assert (found.place.longitude_deg, found.place.latitude_deg) == pytest.approx((at.x, at.y), abs=1e-9)
    assert found.served == best.served.sum() == len(found.held_with) > 0
    assert found.price == best.bill.total > 0


def test_the_record_goes_through_json(two_controllers):
    found = site_found(two_controllers, 1, "Lot")
    assert from_told(json.loads(json.dumps(told(found)))) == found
