"""One point's card against what the whole site says of the same point."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from planner.at_point import closely, height_beneath, point_card, usual_height_m, yardstick
from planner.job import decide_site, on_another_site, prepare
from planner.layers import read_site
from planner.ledger import Ledger, PlanError
from planner.plan import read_plan
from planner.site import prisms

SMALL = Path(__file__).parents[1] / "examples" / "small"


@pytest.fixture(scope="module")
def two():
    """A site with two controllers that the fewest sensors are sought for, and what was decided on it."""
    plan_file, ledger = read_plan(SMALL / "two-controllers.toml"), Ledger()
    prepared = prepare(plan_file, read_site(plan_file, ledger), ledger)
    return prepared, decide_site(prepared, ledger)


def test_a_card_is_what_the_site_says_of_a_mount_at_the_same_point(two):
    prepared, decided = two
    assert prepared.scene.plan.requirements.reach == "fewest"
    beside = yardstick(prepared, decided)
    rows = [
        decided.decision.chosen,
        decided.decision.order[-1],
        int(np.argmax(~np.isfinite(decided.decision.score))),
    ]
    for row in rows:
        card = point_card(prepared, beside, decided.mounts.xyz[row, :2], float(decided.mounts.height_m[row]))
        for name in ("light_share", "direct_h", "horizon_deg"):
            np.testing.assert_allclose(getattr(card.sun, name)[0], getattr(decided.sun, name)[row], atol=1e-9)
        for name in ("sector_deg", "steepest_deg", "heat_share"):
            np.testing.assert_allclose(getattr(card.rain, name)[0], getattr(decided.rain, name)[row], atol=1e-9)
        np.testing.assert_allclose(card.reach.links.margin_db[0], decided.reach.links.margin_db[row], atol=1e-9)
        np.testing.assert_allclose(card.decision.worth[0], decided.decision.worth[row], atol=1e-9)
        said = {short.requirement for short in decided.decision.shortfalls[row]}
        assert {short.requirement for short in card.decision.shortfalls[0]} == said
        if row in decided.losses:
            assert card.losses[0].losses == decided.losses[row].losses
    assert card.decision.chosen == -1  # a point is asked about, not taken


def test_what_comes_after_the_card_is_the_spread_and_the_cables_of_the_chosen_mount(two):
    prepared, decided = two
    row = decided.decision.chosen
    card = point_card(
        prepared, yardstick(prepared, decided), decided.mounts.xyz[row, :2], float(decided.mounts.height_m[row])
    )
    more, runs = closely(prepared, card)
    np.testing.assert_allclose(
        more.light_spread[0].light_share, decided.light_spread[row].light_share, rtol=1e-6, atol=1e-9
    )
    assert [run.length_m for run in runs] == pytest.approx([run.length_m for run in decided.reach_study.cables])


def test_the_usual_height_is_a_mast_above_the_roof_and_a_post_in_the_open(two):
    prepared, _ = two
    site, plan = prepared.scene.site, prepared.scene.plan
    inside = np.array(site.buildings.shapes[0].representative_point().coords[0])
    roof_m, name = height_beneath(site, inside)
    assert name == site.buildings.names[0]
    assert roof_m == pytest.approx(site.buildings.top_m[0] - float(site.ground_at(inside)))
    assert usual_height_m(prepared, inside) == pytest.approx(roof_m + plan.sensor.mast_m)
    free = site.outline.difference(shapely.union_all(site.buildings.shapes)).representative_point()
    assert usual_height_m(prepared, np.array(free.coords[0])) == plan.mounts.ground_post_m


def test_a_wall_put_up_beside_a_point_takes_its_sun_and_taken_down_gives_it_back(two):
    prepared, decided = two
    beside, row = yardstick(prepared, decided), decided.decision.chosen
    xy, height_m = decided.mounts.xyz[row, :2], float(decided.mounts.height_m[row])
    site = prepared.scene.site
    south = shapely.box(xy[0] - 20, xy[1] - 14, xy[0] + 20, xy[1] - 4)
    b = site.buildings
    top = float(decided.mounts.xyz[row, 2]) + 20.0
    more = replace(
        site,
        buildings=prisms([*b.shapes, south], [*b.base_m, 0.0], [*b.top_m, top], [*b.names, "new wing"]),
        pitched=np.append(site.pitched, False),
        mountable=np.append(site.mountable, False),
    )
    walled = point_card(on_another_site(prepared, more), beside, xy, height_m)
    free = point_card(on_another_site(prepared, site), beside, xy, height_m)
    assert walled.sun.light_share[0].min() < free.sun.light_share[0].min() - 0.2
    assert walled.losses[0].losses[0].name == "new wing"
    np.testing.assert_array_equal(free.sun.light_share[0], decided.sun.light_share[row])


@pytest.mark.parametrize(("xy", "height_m"), [((1e5, 0.0), 3.0), ((np.nan, 0.0), 3.0), ((0.0, 0.0), 0.0)])
def test_a_point_that_cannot_be_judged_is_refused_in_words(two, xy, height_m):
    prepared, decided = two
    with pytest.raises(PlanError, match=r"too far|no height"):
        point_card(prepared, yardstick(prepared, decided), np.array(xy), height_m)
