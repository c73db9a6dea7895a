"""One site from plan to result: what is worked out closely, and for which mounts."""

from pathlib import Path

import numpy as np
import pytest
import shapely

import planner
from planner.decide import APART_M
from planner.job import SiteResult, _candidates
from planner.ledger import Kind, Ledger, PlanError
from planner.mounts import Support
from planner.plan import parse_plan
from planner.site import Places, bare_site

CAMPUS = Path(__file__).parents[1] / "examples" / "campus" / "campus.toml"


@pytest.fixture(scope="module")
def campus() -> SiteResult:
    """The example campus with a coarse sun and a coarse light grid."""
    source = planner.read_plan(CAMPUS)
    raw = source.plan.model_dump(exclude_none=True)
    raw["sun"] |= {"step_minutes": 20, "day_step": 10}
    raw["outputs"] |= {"light_grid": True, "light_cell_m": 40.0}
    return planner.run_site(parse_plan(raw, source.path))


def test_cards_and_named_mounts_are_looked_at_closely(campus: SiteResult) -> None:
    cards = {*campus.places, *campus.decision.runners_up}
    assert campus.places[0] == campus.decision.chosen
    named = {k for k, support in enumerate(campus.mounts.support) if support is Support.NAMED}
    assert named
    assert set(campus.losses) == set(campus.refined) == cards | named


def test_what_the_trials_start_from_is_the_mount_itself(campus: SiteResult) -> None:
    held = (campus.room >= 0).sum(axis=1)
    for row, tried in campus.refined.items():
        worst = campus.sun.light_share[row, campus.season].min()
        assert tried.raised_light[0] == pytest.approx(worst, abs=1e-9)
        assert tried.raised_score[0] == pytest.approx(campus.decision.score[row], nan_ok=True)
        assert (np.diff(tried.raised_light) > -1e-9).all()
        assert tried.raised_held[0] == held[row]


def test_the_layout_is_a_set_of_places_each_with_its_links_and_its_substitute(campus: SiteResult) -> None:
    """The demo's five controllers are shared by several sensors; any substitute keeps all five served."""
    best = campus.reach_study.layouts.best
    assert set(campus.places) == set(best.mounts)
    assert len(campus.places) > 1
    held = campus.room >= 0
    assert held[list(campus.places)].any(axis=0).all()
    assert set(campus.reach_study.views) >= set(campus.places)
    assert set(campus.substitutes) == set(campus.places)
    assert any(other >= 0 for other in campus.substitutes.values())
    for place, other in campus.substitutes.items():
        if other >= 0:
            rest = [p for p in campus.places if p != place]
            assert held[[other, *rest]].any(axis=0).all()
            assert campus.decision.passes[other].all()
            away = np.hypot(*(campus.mounts.xyz[list(campus.places)] - campus.mounts.xyz[other])[:, :2].T)
            assert (away >= APART_M).all()


def test_a_named_place_outside_the_site_is_said(tmp_path: Path) -> None:
    source = planner.read_plan(CAMPUS)
    raw = source.plan.model_dump(exclude_none=True)
    raw["sun"] |= {"step_minutes": 60, "day_step": 15}
    inside, outside = raw["mounts"]["named"][0], dict(raw["mounts"]["named"][0])
    outside |= {"name": "Water tower over the road", "y": inside["y"] + 0.009}  # 1 km to the north
    raw["mounts"] |= {"named": (inside, outside), "roof_edges": False, "walls": False, "poles": False}
    found = planner.run_site(parse_plan(raw, source.path))
    notice = next(n for n in found.notices if n.where == "mounts.named")
    assert notice.kind is Kind.CHECK
    assert [feature.split(",")[0] for feature in notice.features] == ["Water tower over the road"]


@pytest.mark.parametrize(("name", "refused"), [("P1", True), ("N2", True), ("N1", False), ("Shed", False)])
def test_a_named_place_called_like_another_candidate_is_refused(name: str, refused: bool) -> None:
    """The plan's `mounts.choose` takes an id or a name: one word must not mean two places."""
    site = bare_site(
        shapely.box(-50, -50, 50, 50),
        poles=Places(("Flagpole",), np.array([[5.0, 5.0, 6.0]]), np.array([False])),
        latitude_deg=35.0,
        longitude_deg=0.0,
    )
    named = [{"name": n, "x": x, "y": 35.0, "height_m": 3.0} for n, x in ((name, 0.0), ("Gate", 1e-4))]
    plan_file = parse_plan({"mounts": {"named": named}}, "plan.toml")
    if refused:
        with pytest.raises(PlanError, match=f"'{name}' is also the id of another candidate"):
            _candidates(plan_file, site, Ledger())
    else:
        assert {"N1", "N2", "P1"} <= set(_candidates(plan_file, site, Ledger()).ids)


def test_losses_go_with_the_light(campus: SiteResult) -> None:
    for row, day in campus.losses.items():
        assert (day.beam_lost <= 1 - campus.sun.light_share[row] + 1e-9).all()
        assert day.clock == "America/Los_Angeles"


def test_the_light_grid_covers_the_site(campus: SiteResult) -> None:
    cells = np.isfinite(campus.light.light_share[:, :, 0]).sum()
    assert cells * 40.0**2 == pytest.approx(campus.site.outline.area, rel=0.1)
    assert campus.light.cell_m == 40.0
    assert not [n for n in campus.notices if n.kind is Kind.ASSUMED and "light_cell_m" in n.where]


def test_classes_and_water_are_there_for_every_mount(campus: SiteResult) -> None:
    assert len(campus.siting.radiation) == len(campus.mounts)
    assert campus.water.percent.shape == (len(campus.mounts), 12)
    darkest = campus.sun.light_share[:, 6].argmin()
    assert campus.water.percent[darkest, 6] == np.nanmin(campus.water.percent[:, 6])
