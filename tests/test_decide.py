"""Requirements, score, order and sentences on sites small enough to judge by hand."""

import numpy as np
import pytest
import shapely

from planner import plan
from planner.decide import APART_M, decide
from planner.ledger import PlanError
from planner.mounts import find_mounts
from planner.rain import rain_and_surroundings
from planner.reach import reach
from planner.site import KeepOut, KeepOuts, Places, bare_site, prisms
from planner.sun import sun_table, year_of_light

TABLE = sun_table(35, 0, step_minutes=20, day_step=10)
SEASON = np.array([False] * 3 + [True] * 7 + [False] * 2)


def judge(site, points, season=SEASON, **keys):
    """Points are (name, x, y, height)."""
    named = tuple(plan.NamedMount(name=n, x=0, y=0, height_m=h) for n, _, _, h in points)
    mounts_keys = keys.pop("mounts", {})
    settings = plan.Plan(
        mounts=plan.Mounts(roof_edges=False, walls=False, poles=False, named=named, **mounts_keys), **keys
    )
    mounts = find_mounts(
        site, settings.mounts, 0.6, np.array([(x, y) for _, x, y, _ in points], float).reshape(-1, 2)
    )
    light = year_of_light(site, mounts.xyz, TABLE)
    rain = rain_and_surroundings(site, mounts.xyz)
    found = reach(site, mounts.xyz, mounts.height_m, settings.sensor, settings.reach)
    return decide(settings, mounts, light, rain, found, season)


def test_a_cover_is_said_once():
    """Under a canopy, with a hall beside it: no requirement says that the hall stands 90 degrees high."""
    built = prisms([shapely.box(-2, -2, 2, 2), shapely.box(-20, 8, 20, 12)], [4, -1], [4.3, 9], ["Canopy", "Hall"])
    found = judge(bare_site(buildings=built, latitude_deg=35), [("a", 0, 0, 2.0)], mounts={"choose": "a"})
    assert not found.passes[0, found.requirements.index("open to rain")]
    assert found.shut_by[0].startswith("Canopy hangs over it; ")
    assert "Hall" not in found.shut_by[0]
    assert ";;" not in found.shut_by[0].replace(" ", "")
    assert "Canopy hangs over it, " in found.reasons[0].split(").")[1]
    assert "nothing stands above it" not in found.reasons[0]


def controllers(*xyz):
    return Places(tuple(f"C{k + 1}" for k in range(len(xyz))), np.array(xyz, float), np.zeros(len(xyz), bool))


def failed(decision, k):
    return [g for g, ok in zip(decision.requirements, decision.passes[k], strict=True) if not ok]


def test_open_ground_passes_every_gate():
    found = judge(bare_site(controllers=controllers([50, 0, 1.5])), [("a", 0, 0, 3.0)])
    assert found.passes.all()
    assert found.chosen == 0
    assert found.shut_by == ("",)
    assert "100% of the open sky's light" in found.reasons[0]
    assert "164 ft" not in found.reasons[0]
    assert "the weakest link, 50 m long, has " in found.reasons[0]


@pytest.mark.parametrize(
    ("requirement", "parts", "point", "word"),
    [
        (
            "allowed place",
            {"keep_outs": KeepOuts(("yard",), (KeepOut.NO_ACCESS,), (shapely.box(-1, -1, 1, 1),))},
            (0, 0, 3),
            "yard",
        ),
        ("nothing overhead", {"buildings": prisms([shapely.box(-1, -1, 1, 1)], [4], [5])}, (0, 0, 3), "over it"),
        (
            "clear of spray",
            {"keep_outs": KeepOuts(("lawn",), (KeepOut.SPRAY,), (shapely.box(0.5, -9, 9, 9),))},
            (0, 0, 3),
            "lawn",
        ),
        (
            "clear of heat",
            {"keep_outs": KeepOuts(("flue",), (KeepOut.HEAT,), (shapely.box(2, -1, 4, 1),))},
            (0, 0, 3),
            "flue",
        ),
        ("can be serviced", {}, (0, 0, 12), "12 m above ground"),
        ("open to rain", {"buildings": prisms([shapely.box(-1, 4, 1, 6)], [-1], [9], ["shed"])}, (0, 0, 3), "shed"),
        (
            "full sun",
            {"buildings": prisms([shapely.box(-300, -60, 300, -59)], [-1], [65])},
            (0, 0, 3),
            "direct sun",
        ),
        (
            "light kept",
            {"buildings": prisms([shapely.box(-300, -60, 300, -59)], [-1], [65])},
            (0, 0, 3),
            "% of the light",
        ),
        ("in reach", {"controllers": controllers([50, 0, 1], [900, 0, 1])}, (0, 0, 3), "1 of 2 controllers"),
    ],
)
def test_each_requirement_shuts_out_and_says_why(requirement, parts, point, word):
    found = judge(bare_site(**parts), [("a", *point)])
    assert requirement in failed(found, 0)
    assert word in found.shut_by[0]
    assert np.isnan(found.score[0])
    assert found.chosen == -1


def test_an_eave_that_drips_shuts_out_what_stands_under_it():
    house = bare_site(buildings=prisms([shapely.box(-9, -9, 9, 9)], [-1], [4], ["house"]), pitched=np.array([True]))
    found = judge(house, [("under the eave", 0, -9.3, 3.8), ("on the eave", 0, -8.7, 4.6), ("beside", 0, -14, 3)])
    assert failed(found, 0) == ["nothing overhead"]
    assert found.shut_by[0] == "the eave of house, 0.3 m beside it, drips on it"
    assert failed(found, 1) == failed(found, 2) == []
    asked = judge(house, [("under the eave", 0, -9.3, 3.8)], requirements={"min_drip_margin_m": 0.2})
    assert asked.passes.all()


def test_driving_rain_asks_for_more_room_to_windward():
    """A wall 30 degrees high passes the 45 degree rule, and shelters from rain that comes in at 22 degrees."""
    shed = bare_site(
        buildings=prisms([shapely.box(-40, -16, -10, 16)], [-1], [3 + 10 * np.tan(np.pi / 6)], ["shed"])
    )
    points = [("a", 0, 0, 3.0)]
    assert "open to rain" not in failed(judge(shed, points), 0)
    assert "open to rain" not in failed(judge(shed, points, climate={"rain_from_deg": 90.0}), 0)
    west = judge(shed, points, climate={"rain_from_deg": 270.0})
    assert "open to rain" in failed(west, 0)
    assert "shed stands 30° high where wind-driven rain comes from, at most 22.5° asked" in west.shut_by[0]


def test_spray_does_not_reach_a_high_roof():
    lawn = KeepOuts(("lawn",), (KeepOut.SPRAY,), (shapely.box(-9, -9, 9, 9),))
    assert failed(judge(bare_site(keep_outs=lawn), [("a", 0, 0, 7)]), 0) == []


def test_a_short_winter_day_asks_for_less():
    """Six hours of full sun cannot be asked of a month that has no more than that under an open sky."""
    north = bare_site(latitude_deg=60)
    light = year_of_light(north, np.array([[0, 0, 3.0]]), sun_table(60, 0))
    assert light.open_direct_h[11] < 6.6
    found = judge(
        bare_site(), [("a", 0, 0, 3.0)], season=np.ones(12, bool), requirements={"min_direct_h_day": 24.0}
    )
    assert found.passes.all()


def test_reach_every_any_off():
    site = bare_site(controllers=controllers([50, 0, 1], [900, 0, 1]))
    for rule, ok in (("every", False), ("any", True), ("off", True)):
        assert bool(judge(site, [("a", 0, 0, 3)], requirements={"reach": rule}).passes.all()) is ok


def test_the_place_nearest_to_passing_reaches_the_most():
    """None reaches both controllers: the higher one that reaches one of them, not the better one."""
    site = bare_site(controllers=controllers([50, 0, 1], [900, 0, 1]))
    found = judge(site, [("none", -400, 0, 3), ("one", 0, 0, 5)], requirements={"reach": "every"})
    assert found.chosen == -1
    assert found.part_scores[0].sum() > found.part_scores[1].sum()
    assert found.nearest == 1


def test_the_score_is_the_weighted_sum_of_its_parts():
    wall = prisms([shapely.box(-20, -42, 20, -40)], [-1], [12])
    site = bare_site(buildings=wall, controllers=controllers([60, 0, 1.5]))
    found = judge(
        site, [("a", 0, 0, 3), ("b", 30, 60, 6)], weights={"light": 2, "rain": 1, "reach": 1, "access": 0}
    )
    for k in range(2):
        light, rain, near, _ = found.part_scores[k]
        assert found.score[k] == pytest.approx(100 * (2 * light + rain + near) / 4)
    assert found.order[0] == int(np.argmax(found.score))
    assert found.part_scores[0, 1] == pytest.approx(1 - np.degrees(np.arctan(9 / 40)) / 45)
    assert found.part_scores[0, 3] == pytest.approx(0.7)


def test_runners_up_stand_apart():
    points = [(f"p{k}", 10.0 * k, 0, 3 + 0.1 * k) for k in range(12)]
    found = judge(bare_site(), points, outputs={"runners_up": 3})
    taken = [found.chosen, *found.runners_up]
    xs = [points[k][1] for k in taken]
    assert len(taken) == 4
    assert min(abs(a - b) for i, a in enumerate(xs) for b in xs[:i]) >= APART_M
    assert all(found.reasons[k] for k in taken)


def test_runners_up_are_on_other_buildings_first():
    pair = prisms([shapely.box(0, 0, 120, 20), shapely.box(300, 0, 320, 20)], [-1, -1], [4, 8], ["low", "high"])
    site = bare_site(shapely.box(-50, -50, 400, 100), buildings=pair)
    settings = plan.Plan(mounts=plan.Mounts(walls=False))
    mounts = find_mounts(site, settings.mounts, 0.6)
    light = year_of_light(site, mounts.xyz, TABLE)
    found = decide(
        settings,
        mounts,
        light,
        rain_and_surroundings(site, mounts.xyz),
        reach(site, mounts.xyz, mounts.height_m, settings.sensor),
        SEASON,
    )
    assert mounts.on[found.chosen].startswith("low")
    assert mounts.on[found.runners_up[0]].startswith("high")
    assert any(mounts.on[k].startswith("low") for k in found.runners_up[1:])


def test_the_plan_may_choose_even_what_is_shut_out():
    found = judge(bare_site(), [("a", 0, 0, 3), ("too high", 60, 0, 20)], mounts={"choose": "too high"})
    assert found.chosen == 1
    assert found.overridden
    assert found.reasons[1].startswith("Chosen in the plan although shut out (head 20 m")


def test_an_unknown_choice_names_the_nearest():
    with pytest.raises(PlanError, match="did you mean 'gate house'"):
        judge(bare_site(), [("gate house", 0, 0, 3)], mounts={"choose": "gatehouse"})


def test_southern_season_is_judged_in_its_own_months():
    """In the south the sun stands in the north: a wall there matters, one in the south does not."""
    season = np.array([True] * 4 + [False] * 5 + [True] * 3)
    north, south = (prisms([shapely.box(-300, y, 300, y + 1)], [-1], [25]) for y in (14, -15))
    table = sun_table(-35, 0, step_minutes=20, day_step=10)
    shares = [
        year_of_light(bare_site(buildings=w, latitude_deg=-35), np.array([[0, 0, 3.0]]), table)
        .beam_share[0, season]
        .min()
        for w in (north, south)
    ]
    assert shares[0] < 0.6 < shares[1]


def test_nothing_to_judge():
    found = judge(bare_site(), [])
    assert found.chosen == -1
    assert found.passes.shape == (0, 9)
    assert found.order == found.runners_up == found.reasons == ()
