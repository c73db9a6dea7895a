"""Links, coverage, fewest sensors and cables as people see them."""

from __future__ import annotations

import base64
import dataclasses
import io
import json
import xml.etree.ElementTree as ElementTree
from typing import Any

import geopandas
import numpy as np
import pyogrio
import pytest
from PIL import Image
from test_show import NASTY, scene

from planner.job import SiteResult
from planner.plan import Cable, Sensor
from planner.reach import Grade, reach
from planner.reach.cable import CableRun
from planner.reach.layouts import Layout, Layouts
from planner.reach.study import study
from planner.reach.wire import check
from planner.show import links, palette, tables, words
from planner.show.lonlat import to_lonlat
from planner.show.map import site_page
from planner.show.sheet import sheet_page

SVG = "{http://www.w3.org/2000/svg}"


def studied(names: tuple[str, ...] = (), **sensor: object) -> SiteResult:
    result = scene(names)
    plan = result.plan.model_copy(update={"sensor": result.plan.sensor.model_copy(update=sensor)})
    d = result.decision
    others = [k for k, requirement in enumerate(d.requirements) if requirement != "in reach"]
    usable = d.passes[:, others].all(axis=1)
    reached = reach(result.site, result.mounts.xyz, result.mounts.height_m, plan.sensor, plan.reach)
    found = study(result.site, plan, result.mounts, reached, d.chosen, d.runners_up, usable, d.part_scores[:, 0])
    return dataclasses.replace(result, plan=plan, reach=found.reached, reach_study=found)


@pytest.fixture(scope="module")
def yard() -> SiteResult:
    return studied()


def test_side_view_is_well_formed_and_to_scale(yard: SiteResult) -> None:
    assert yard.reach_study is not None
    for view in yard.reach_study.views[yard.decision.chosen]:
        drawn = ElementTree.fromstring(links.side_view(view, "us", ("mount", "controller")))
        title = drawn.findtext(f"{SVG}title")
        assert title is not None
        assert f"{view.plan_m / 0.3048:,.0f} ft" in title
        dark = [r for r in drawn.iter(f"{SVG}rect") if r.get("fill") == palette.HORIZON]
        assert len(dark) == sum(p.in_the_way and p.kind == 0 for p in view.pieces)
        (line,) = drawn.iter(f"{SVG}line")
        span = float(line.attrib["x2"]) - float(line.attrib["x1"])
        assert span == pytest.approx(links.WIDE - links.SIDE_L - links.SIDE_R, abs=0.2)
        assert any(
            (text.text or "").endswith(" ft") and text.get("text-anchor") == "end"
            for text in drawn.iter(f"{SVG}text")
        )
        falls = float(line.attrib["y2"]) > float(line.attrib["y1"])
        assert falls == (view.receiver_m < view.head_m)


def test_losses_are_summed_in_words(yard: SiteResult) -> None:
    assert yard.reach_study is not None
    view = yard.reach_study.views[yard.decision.chosen][0]
    total = float(yard.reach.links.loss_db[view.mount, view.controller])
    assert f"= {total:.0f} dB, of {yard.reach.radio.allowed_db:.0f} dB allowed" in links.loss_sentence(yard, view)


def test_the_panel_and_the_sheet_say_margin_and_odds(yard: SiteResult) -> None:
    rows = words.controllers(yard, yard.decision.chosen)
    at = (yard.decision.chosen, 0)
    margin_db = yard.reach.links.margin_db[at]
    assert rows[0].margin.replace("−", "-").startswith(f"{margin_db:.0f} ± ")
    for page in (site_page(yard).decode(), sheet_page(yard).decode()):
        assert rows[0].margin in page
        assert rows[0].need.split(".")[0] in page
    page = site_page(yard).decode()
    for head in ("Fewest sensors that serve every controller", "Radio or cable", "Seen from the side"):
        assert head in page
    assert "two-ray law" in page
    assert "local rules and the device's own approval" in page.replace("&#39;", "'")


@pytest.mark.parametrize("rated_range_m", [150.0, 300.0])
def test_what_nothing_reaches_is_not_said_to_be_served(rated_range_m: float) -> None:
    """A range too short for one of the two controllers: no sensor is named that would serve it."""
    result = studied(rated_range_m=rated_range_m)
    assert result.reach_study is not None
    assert result.reach_study.layouts is not None
    best = result.reach_study.layouts.best
    assert best is not None
    (lost,) = np.flatnonzero(~best.served)
    row = result.decision.chosen
    assert row in best.mounts
    assert links.served_elsewhere(result, row, int(lost)) == ""
    assert "in the plan of fewest" not in words.controllers(result, row)[lost].need
    found = json.loads(tables.site_json(result))
    assert found["fewest"]["served_by"][result.site.controllers.names[lost]] is None
    assert "in the plan of fewest" not in found["controllers"][lost]["need"]
    assert "with the fewest sensors, " not in links.cable_view(result)["rows"][lost]["why"]


def test_plan_of_fewest_in_words(yard: SiteResult) -> None:
    assert yard.reach_study is not None
    assert yard.reach_study.layouts is not None
    best = yard.reach_study.layouts.best
    told = links.plan_view(yard)
    assert best is not None
    assert told is not None
    assert told["head"].startswith(f"{len(best.mounts)} sensor")
    assert [r["id"] for r in told["rows"]] == [yard.mounts.ids[k] for k in best.mounts]
    assert sum(len(r["serves"].split(", ")) for r in told["rows"]) == len(yard.site.controllers)


def test_what_stands_beside_the_plan_is_said_as_it_is(yard: SiteResult) -> None:
    """A mount that the plan must keep though it serves nothing; a repeater; receivers and tests on top."""
    assert yard.reach_study is not None
    found, ids, row = yard.reach_study, yard.mounts.ids, yard.decision.chosen
    one, nobody = np.array([3, 3]), np.array([-1, -1])
    forced = Layout((row, 3), (), 800.0, one, nobody)
    alone = Layout((3,), (), 400.0, one, nobody)
    beside = Layout((4,), (5,), 650.0, np.array([4, -1]), np.array([-1, 5]))

    def told(**parts: object) -> dict[str, Any]:
        some = {"best": forced, "freely": alone, "elsewhere": beside, "fewer": alone, "spare": 6}
        rest = {"spare_price": 400.0, "spare_count": 2, "left_out": np.empty(0, int), "beyond": np.empty(0, int)}
        study = dataclasses.replace(
            found, layouts=Layouts(**(some | rest | parts)), held_with=np.array([0.99, 0.91])
        )
        view = links.plan_view(dataclasses.replace(yard, reach_study=study))
        assert view is not None
        return view

    view = told()
    assert not any("leaves out" in line for line in view["lines"])
    assert view["freely"] == f"Without {ids[row]}: {ids[3]} for $400 for 2 of 2 controllers."
    assert f"With one sensor more, at {ids[6]} for $400, 2 of 2 controllers have a second link." in view["lines"]
    assert any(f"{ids[4]} (sensor), {ids[5]} (repeater) for $650" in line for line in view["lines"])
    assert view["head"].endswith("about $800 without link tests.")
    assert any("On top: 1 link to test, $60." in line for line in view["lines"])
    view = told(freely=None)
    assert f"One sensor less ({ids[3]}) saves $400 and still serves as many." in view["lines"]
    view = told(best=beside, freely=None, fewer=Layout((4,), (), 400.0, np.array([4, -1]), nobody))
    south = yard.site.controllers.names[1]
    assert f"One sensor or repeater less ({ids[4]}) saves $250 and leaves out {south}." in view["lines"]
    assert f"Through the repeater at {ids[5]}, both hops together hold: {south} 91%." in view["lines"]
    assert any("On top: 1 further receiver, $120; 1 link to test, $60." in line for line in view["lines"])


def test_coverage_picture_shows_each_grade_in_its_colour(yard: SiteResult) -> None:
    assert yard.reach_study is not None
    cover = yard.reach_study.coverage
    group = links.coverage_group(yard, to_lonlat(yard.site.crs))
    assert cover is not None
    assert group is not None
    pixels = np.asarray(Image.open(io.BytesIO(base64.b64decode(group["image"].split(",")[1]))))
    shown = pixels[pixels[..., 3] > 0][:, :3]
    shares = [float((shown == [int(c[i : i + 2], 16) for i in (1, 3, 5)]).all(axis=1).mean()) for c in palette.LINK]
    held = cover.grade[cover.grade >= 0]
    assert shares == pytest.approx([float((held == g).mean()) for g in range(4)], abs=0.02)
    assert [c["fillColor"] for c in group["classes"]] == list(palette.LINK[::-1])


def test_cables_are_drawn_and_checked(yard: SiteResult) -> None:
    assert yard.reach_study is not None
    told = links.cable_view(yard)
    group = links.cable_group(yard, to_lonlat(yard.site.crs))
    assert told is not None
    assert group is not None
    run = yard.reach_study.cables[0]
    assert run is not None
    assert told["rows"][0]["length"] == f"{run.length_m / 0.3048:,.0f} ft"
    assert len(group["features"]["features"]) == sum(r is not None for r in yard.reach_study.cables)
    assert not group["on"]


@pytest.mark.parametrize(
    ("metres", "amps", "said"),
    [
        (61, 0.03, "Longer than the 60 m allowed, whatever the conductor."),
        (61, 2.0, "Longer than the 60 m allowed, whatever the conductor."),
        (59, 5.0, "over 1.20 V lost of 24 V; no conductor here is thick enough."),
        (59, 0.5, "over 1.20 V lost of 24 V: take 16 AWG."),
        (59, 0.03, "within 1.20 V lost of 24 V."),
    ],
)
def test_a_powered_cable_is_told_what_limits_it(metres: float, amps: float, said: str) -> None:
    """60 m allowed; 5 % of 24 V are 1.2 V, over two wires of 23.4 ohm per km at 50 degrees (18 AWG)."""
    powered = Cable(circuit="powered", current_ma=1000 * amps)
    wire = check(metres, Sensor(link="cable"), powered, "metric")
    run = CableRun(np.zeros((2, 2)), "cheapest", np.zeros(6), metres, 0.0, metres, 0.0, wire, supplied=False)
    assert links.wire_sentence(run).endswith(said)


def test_a_cabled_plan_shows_routes_and_no_margins() -> None:
    wired = studied(link="cable")
    assert wired.reach_study is not None
    assert wired.reach_study.views == {}
    assert wired.reach_study.coverage is None
    fewest = links.plan_view(wired)
    assert fewest is None or "short enough" in fewest["head"]
    group = links.cable_group(wired, to_lonlat(wired.site.crs))
    assert group is not None
    assert group["on"]
    page = site_page(wired).decode()
    assert "Cable to buy" in page
    assert "By the cheapest route." in page
    assert "two-ray law" not in page


def test_the_sensors_mark_hides_no_other(yard: SiteResult) -> None:
    """A controller and a repeater where the sensor stands hang beneath it; those apart stand at their places."""
    chosen = yard.mounts.xyz[yard.decision.chosen]
    assert links.covered(yard, chosen + np.array([1.0, -2.0, -3.0]))
    assert not links.covered(yard, chosen + np.array([links.SAME_PLACE_M, 1.0, 0.0]))
    site = dataclasses.replace(
        yard.site,
        controllers=dataclasses.replace(
            yard.site.controllers, xyz=chosen + np.array([[0.5, 0.0, -3.0], [60.0, 0.0, -3.0]])
        ),
    )
    page = site_page(dataclasses.replace(yard, site=site)).decode().replace('": ', '":')
    assert page.count('"under":true') == 1


@pytest.mark.parametrize("hostile", NASTY)
def test_names_stay_text(hostile: str) -> None:
    result = studied((hostile,))
    for page in (site_page(result).decode(), sheet_page(result).decode()):
        assert "<img src=x" not in page
        assert "<script>alert" not in page


def test_tables_carry_links_and_cables(yard: SiteResult, tmp_path) -> None:
    found = json.loads(tables.site_json(yard))
    row = found["controllers"][0]
    at = (yard.decision.chosen, 0)
    assert row["margin_db"] == pytest.approx(yard.reach.links.margin_db[at], abs=1e-6)
    parts = row["free_space_db"] + row["obstacle_db"] + row["foliage_db"] + row["entry_db"]
    assert parts == pytest.approx(yard.reach.links.loss_db[at], abs=1e-5)
    assert row["grade"] in {"no link", "doubtful", "likely", "dependable"}
    assert set(found["fewest"]["served_by"].values()) <= set(found["fewest"]["sensors"])
    (tmp_path / "m.gpkg").write_bytes(tables.mounts_gpkg(yard))
    assert "cables" in {name for name, _ in pyogrio.list_layers(tmp_path / "m.gpkg")}
    lines = geopandas.read_file(tmp_path / "m.gpkg", layer="cables").to_crs(yard.site.crs)
    assert yard.reach_study is not None
    run = yard.reach_study.cables[0]
    assert run is not None
    assert lines.length.iloc[0] == pytest.approx(run.plan_m, abs=0.1)


def test_odds_never_claim_certainty() -> None:
    from planner.units import odds

    assert [odds(p) for p in (1.0, 0.995, 0.93, 0.004, 0.0)] == [
        "over 99%",
        "over 99%",
        "93%",
        "under 1%",
        "under 1%",
    ]
    assert links.decibels(-4.4, 7.2) == "−4 ± 7 dB"
    assert links.price(1234.0, "$") == "$1,230"
    assert links.SAID[Grade.NONE] == "No link"
