"""Links, coverage, fewest sensors and cables as people see them."""

from __future__ import annotations

import base64
import dataclasses
import io
import json
import re
import xml.etree.ElementTree as ElementTree

import geopandas
import numpy as np
import pyogrio
import pytest
from campus_scenes import SHEET
from PIL import Image
from test_show import NASTY, scene

from planner.job import SiteResult
from planner.plan import Cable, Sensor
from planner.reach import Grade, reach
from planner.reach.bill import Item
from planner.reach.cable import CableRun
from planner.reach.layouts import Layout, Layouts
from planner.reach.study import Judged, study
from planner.reach.wire import check
from planner.show.draw import groups, palette, side_view
from planner.show.draw.map import site_page
from planner.show.draw.sheet import sheet_page
from planner.show.layout import Kind, layout, proposed, serving
from planner.show.lonlat import to_lonlat
from planner.show.say import bill, figures, links, mount
from planner.show.say import layout as layouts
from planner.show.say.unsure import unsure
from planner.show.write import tables

SVG = "{http://www.w3.org/2000/svg}"


def studied(names: tuple[str, ...] = (), **sensor: object) -> SiteResult:
    result = scene(names)
    plan = result.plan.model_copy(update={"sensor": result.plan.sensor.model_copy(update=sensor)})
    d = result.decision
    others = [k for k, requirement in enumerate(d.requirements) if requirement != "in reach"]
    usable = d.passes[:, others].all(axis=1)
    reached = reach(result.site, result.mounts.xyz, result.mounts.height_m, plan)
    found = study(
        result.site, plan, result.mounts, reached, Judged(d.chosen, d.runners_up, usable, d.part_scores[:, 0])
    )
    first = result.decision.runners_up[0]
    return dataclasses.replace(
        result, plan=plan, reach=found.reached, reach_study=found, substitutes={d.chosen: first}
    )


@pytest.fixture(scope="module")
def yard() -> SiteResult:
    return studied()


def test_a_range_that_is_assumed_stands_on_the_first_screen(yard: SiteResult) -> None:
    def said(sensor: Sensor, **requirements: object) -> str:
        asked = yard.plan.requirements.model_copy(update=requirements)
        plan = yard.plan.model_copy(update={"sensor": sensor, "requirements": asked})
        return " ".join(unsure(dataclasses.replace(yard, plan=plan)))

    line = "The radio's open-field range is assumed to be 656 ft: take it from the sensor's data sheet."
    assert line in said(Sensor())
    assert "range is assumed" not in said(Sensor(rated_range_m=200.0))
    assert "range is assumed" not in said(Sensor(transmit_dbm=10.0, sensitivity_dbm=-100.0))
    assert "range is assumed" not in said(Sensor(link="cable"))
    assert "range is assumed" not in said(Sensor(), reach="off")


def test_side_view_is_well_formed_and_to_scale(yard: SiteResult) -> None:
    assert yard.reach_study is not None
    for view in yard.reach_study.views[yard.decision.chosen]:
        drawn = ElementTree.fromstring(side_view.side_view(view, "us", ("mount", "controller"), "clear line"))
        title = drawn.findtext(f"{SVG}title")
        assert title is not None
        assert f"{view.plan_m / 0.3048:,.0f} ft" in title
        dark = [r for r in drawn.iter(f"{SVG}rect") if r.get("fill") == palette.HORIZON]
        assert len(dark) == sum(p.in_the_way and p.kind == 0 for p in view.pieces)
        (line,) = drawn.iter(f"{SVG}line")
        span = float(line.attrib["x2"]) - float(line.attrib["x1"])
        assert span == pytest.approx(side_view.WIDE - side_view.SIDE_L - side_view.SIDE_R, abs=0.2)
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
    rows = links.controllers(yard)
    at = (rows[0].row, 0)
    margin_db = yard.reach.links.margin_db[at]
    assert rows[0].margin.replace("−", "-").startswith(f"{margin_db:.0f} ± ")
    for page in (site_page(yard).decode(), sheet_page(yard).decode()):
        assert rows[0].margin in page
        assert rows[0].chance in page
        assert rows[0].need.split(".")[0] in page
    page = site_page(yard).decode()
    for head in ("Radio or cable", "Side view", "To buy"):
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
    assert serving(result)[lost] == -1
    assert links.controllers(result)[lost].sign == ""
    assert layouts.headline(result).endswith(f" 1 of 2 controllers; {figures.letter(int(lost))} is not served.")
    found = json.loads(tables.site_json(result))
    assert found["controllers"][lost]["served_by"] is None
    assert found["bill"]["nothing_priced_for"] == [figures.letter(int(lost))]
    assert "serves it in the layout" not in links.cable_view(result).rows[lost].why
    assert f"{figures.letter(int(lost))} is not served" in site_page(result).decode()


def shared(yard: SiteResult, **parts: object) -> SiteResult:
    """The yard with a layout of its own making: mounts 3 and 4 serve one controller each, unless told otherwise."""
    assert yard.reach_study is not None
    nobody = np.array([-1, -1])
    some = {
        "best": Layout((3, 4), (), 800.0, np.array([3, 4]), nobody),
        "freely": None,
        "elsewhere": None,
        "fewer": None,
        "spare": -1,
        "spare_price": 0.0,
        "spare_count": 0,
        "left_out": np.empty(0, int),
        "beyond": np.empty(0, int),
    }
    plans = Layouts(**{k: v for k, v in (some | parts).items() if k in some})
    study = dataclasses.replace(
        yard.reach_study,
        layouts=plans,
        held_with=parts.get("held_with", np.array([0.99, 0.91])),
        fed_by=parts.get("fed_by", {}),
    )
    decision = dataclasses.replace(yard.decision, chosen=3, runners_up=(6,))
    return dataclasses.replace(
        yard,
        reach_study=study,
        decision=decision,
        losses={},
        refined={},
        substitutes=parts.get("substitutes", {}),
    )


def test_alternates_are_numbered_without_a_gap(yard: SiteResult) -> None:
    """Where the layout uses the second best, the third is alternate 2: nobody looks for one that is not there."""
    result = shared(yard)
    result = dataclasses.replace(result, decision=dataclasses.replace(result.decision, runners_up=(6, 4, 7)))
    (drawn,) = (g for g in groups.groups(result, to_lonlat(result.site.crs)) if g["id"] == "alternates")
    assert [(mark["text"], mark["k"]) for mark in drawn["marks"]] == [("1", "mount-6"), ("2", "mount-7")]
    assert [mount.status_said(result, row) for row in (6, 4, 7)] == ["alternate 1", "in the layout", "alternate 2"]


def test_a_layout_of_several_speaks_of_every_place(yard: SiteResult) -> None:
    """Headline, map, controller table, sheet and tables: each place with whom it serves and from where."""
    result = shared(yard, substitutes={3: 6, 4: -1})
    ids, names = result.mounts.ids, result.site.controllers.names
    assert [(p.sign, p.row, p.serves, p.alternate) for p in layout(result)] == [
        ("S1", 3, (0,), 6),
        ("S2", 4, (1,), -1),
    ]
    assert layouts.headline(result) == "2 sensors serve all 2 controllers."
    assert [(row.sign, row.mount) for row in links.controllers(result)] == [("S1", ids[3]), ("S2", ids[4])]
    degrees = to_lonlat(result.site.crs)
    drawn = groups.links_group(result, degrees)
    assert drawn is not None
    ends = degrees(result.site.controllers.xyz)
    starts = degrees(result.mounts.xyz)
    lines = [f["geometry"]["coordinates"] for f in drawn["features"]["features"]]
    assert np.allclose(lines, [[starts[3], ends[0]], [starts[4], ends[1]]], atol=1e-7)
    margin_db = result.reach.links.margin_db[4, 1]
    assert (
        drawn["features"]["features"][1]["properties"]["c"]["v"][2]
        .replace("−", "-")
        .startswith(f"{margin_db:.0f} ±")
    )
    (marks,) = [g["marks"] for g in groups.groups(result, degrees) if g["id"] == "layout"]
    assert {mark["text"] for mark in marks} == {"S1", "S2"}
    sheet = sheet_page(result).decode()
    assert sheet.count('<article class="sheet') == 2
    parts = sheet.split('<article class="sheet')[1:]
    for part, place, other in zip(parts, (3, 4), (names[1], names[0]), strict=True):
        assert ids[place] in part
        assert "drawing" in part
        assert other not in part.split("What it needs")[1]
    assert ids[6] in parts[0]
    assert "No other place, 98 ft or more away, serves the same controllers." in parts[1]
    found = json.loads(tables.site_json(result))
    assert [row["served_by"] for row in found["controllers"]] == [ids[3], ids[4]]
    assert [row["from"] for row in found["controllers"]] == [ids[3], ids[4]]
    assert [row["alternate"] for row in found["layout"]] == [ids[6], None]


def test_links_are_sure_one_by_one_and_less_so_together(yard: SiteResult) -> None:
    """0.99 x 0.91 = 0.90, if they fail independently."""
    assert layouts.held_sentence(shared(yard)) == (
        "The weakest link has a 91% chance of a good link; if links fail independently, all 2 together have a 90% "
        "chance."
    )


def test_where_no_one_mount_passes_places_that_together_serve_are_proposed(yard: SiteResult) -> None:
    """They stand in the table, on the map and on the bill as those of a layout do; nothing is installed of them."""
    both = shared(yard)
    none = dataclasses.replace(both, decision=dataclasses.replace(both.decision, chosen=-1))
    assert layout(none) == ()
    assert [(p.row, p.serves) for p in proposed(none)] == [(3, (0,)), (4, (1,))]
    assert [place.serves for place in layouts.places(none)] == ["serves A", "serves B"]
    lines = groups.links_group(none, to_lonlat(none.site.crs))
    assert lines is not None
    assert len(lines["features"]["features"]) == 2
    assert bill.bill(none) == bill.bill(both)
    assert proposed(both) == ()


def test_a_repeater_is_a_place_of_the_layout(yard: SiteResult) -> None:
    best = Layout((3,), (5,), 650.0, np.array([3, -1]), np.array([-1, 5]))
    result = shared(yard, best=best, fed_by={5: 3})
    first, second = layout(result)
    assert (second.kind, second.sign, second.serves, second.fed_by) == (Kind.REPEATER, "R1", (1,), 3)
    assert layouts.headline(result) == "1 sensor and 1 repeater serve all 2 controllers."
    drawn = groups.links_group(result, to_lonlat(result.site.crs))
    assert drawn is not None
    assert [f["properties"]["c"]["t"].split(" · ")[0] for f in drawn["features"]["features"]] == [
        "S1 to A",
        "R1 to B",
        "S1 to R1",
    ]
    assert "Chance that both hops through the repeater" in "".join(layouts.beside(result))
    assert "Power is there" in sheet_page(result).decode()
    # two hops are two tests
    assert bill.links_to_test(result).tolist() == [0, 2]
    assert first.row == 3


def test_the_bill_has_one_total(yard: SiteResult) -> None:
    """Sensors at 400, receivers at 120 beyond one a sensor, repeaters at 250, tests at 60: the plan's own
    prices.
    """
    found = bill.bill(shared(yard))
    assert found is not None
    assert [(line.item, line.quantity, line.price) for line in found.lines] == [
        (Item.SENSOR, 2, 800.0),
        (Item.LINK_TEST, 1, 60.0),
    ]
    assert yard.reach_study.layouts.best.bill == bill.bill(yard)
    assert bill.bill_sentence(shared(yard)) == "2 sensors with one receiver each and 1 link test: about $860."
    one = Layout((3,), (5,), 650.0, np.array([3, -1]), np.array([-1, 5]))
    found = bill.bill(shared(yard, best=one))
    assert found is not None
    assert found.total == 400 + 250 + 120 + 2 * 60


def test_a_bill_holds_every_cable_and_prices_those_too_long_apart() -> None:
    """Two cables within 60 m, laid; of the 50 m that are assumed one is longer, and is no part of the total."""
    both = studied(link="cable", cable_longest_m=60.0, cable_supplied_m=5.0, cable_conductor="18 AWG")
    found = bill.bill(both)
    assert found is not None
    cables = [line for line in found.lines if line.item is Item.CABLE]
    assert [line.controller for line in cables] == [0, 1]
    assert found.total == pytest.approx(2 * 400 + sum(line.price for line in cables))
    assert bill.bill_sentence(both).startswith("2 sensors and 2 cables, installed: about $")
    assert "unless the manufacturer" not in bill.bill_sentence(both)
    short = studied(link="cable")
    found = bill.bill(short)
    assert found is not None
    (laid,) = (line for line in found.lines if line.item is Item.CABLE)
    (long,) = found.if_allowed
    assert (laid.controller, long.controller) == (0, 1)
    assert found.total == pytest.approx(2 * 400 + laid.price)
    apart = r"installed: about \$\S+\. Too long unless the manufacturer allows it: cable to B, .*, installed, \$"
    assert re.search(apart, bill.bill_sentence(short))


def test_what_stands_beside_the_layout_is_said_as_it_is(yard: SiteResult) -> None:
    """A better layout without the chosen mount, another set of places, one place less, one more."""
    ids = yard.mounts.ids
    one, nobody = np.array([4, 4]), np.array([-1, -1])
    alone = Layout((4,), (), 400.0, one, nobody)
    other = Layout((6,), (5,), 650.0, np.array([6, -1]), np.array([-1, 5]))
    lines = layouts.beside(
        shared(yard, freely=alone, elsewhere=other, fewer=alone, spare=6, spare_price=400.0, spare_count=2)
    )
    assert f"Without {ids[yard.reach_study.row]}: {ids[4]} for $400, for 2 of 2 controllers." in lines
    assert f"If none of these places is available: {ids[6]} (sensor) and {ids[5]} (repeater) for $650." in lines
    assert f"With one more sensor, at {ids[6]} for $400, 2 of 2 controllers have a second link." in lines
    south = yard.site.controllers.names[1]
    fewer = Layout((3,), (), 400.0, np.array([3, -1]), nobody)
    assert f"Without {ids[4]}: $400 less, and {south} is not served." in layouts.beside(shared(yard, fewer=fewer))


def test_coverage_picture_shows_each_grade_in_its_colour(yard: SiteResult) -> None:
    assert yard.reach_study is not None
    cover = yard.reach_study.coverage
    group = groups.coverage_group(yard, to_lonlat(yard.site.crs))
    assert cover is not None
    assert group is not None
    pixels = np.asarray(Image.open(io.BytesIO(base64.b64decode(group["image"].split(",")[1]))))
    shown = pixels[pixels[..., 3] > 0][:, :3]
    shares = [float((shown == [int(c[i : i + 2], 16) for i in (1, 3, 5)]).all(axis=1).mean()) for c in palette.LINK]
    held = cover.grade[cover.grade >= 0]
    assert shares == pytest.approx([float((held == g).mean()) for g in range(4)], abs=0.02)
    assert [c["fillColor"] for c in group["classes"]] == list(palette.LINK[::-1])
    assert yard.mounts.ids[yard.decision.chosen] in group["name"]
    two = dataclasses.replace(yard.reach_study, covered_from=(0, 1))
    several = groups.coverage_group(dataclasses.replace(yard, reach_study=two), to_lonlat(yard.site.crs))
    assert several is not None
    assert f"Radio coverage from {yard.mounts.ids[0]} and {yard.mounts.ids[1]}, receivers" in several["name"]


def test_cables_are_drawn_and_checked(yard: SiteResult) -> None:
    assert yard.reach_study is not None
    told = links.cable_view(yard)
    group = groups.cable_group(yard, to_lonlat(yard.site.crs))
    assert told is not None
    assert group is not None
    run = yard.reach_study.cables[0]
    assert run is not None
    assert told.rows[0].length == f"{run.length_m / 0.3048:,.0f} ft"
    assert len(group["features"]["features"]) == sum(r is not None for r in yard.reach_study.cables)
    assert not group["on"]


@pytest.mark.parametrize(
    ("metres", "amps", "said"),
    [
        (61, 0.03, "It is longer than the 60 m allowed, whatever the conductor."),
        (61, 2.0, "It is longer than the 60 m allowed, whatever the conductor."),
        (59, 5.0, "limit a drop of 1.20 V of 24 V; no conductor here is thick enough."),
        (59, 0.5, "limit a drop of 1.20 V of 24 V: use 1.3 mm²."),
        (59, 0.03, "within the limit of a drop of 1.20 V of 24 V."),
    ],
)
def test_a_powered_cable_is_told_what_limits_it(metres: float, amps: float, said: str) -> None:
    """60 m allowed; 5 % of 24 V are 1.2 V, over two wires of 23.4 ohm per km at 50 degrees (18 AWG)."""
    powered = Cable(circuit="powered", current_ma=1000 * amps)
    wire = check(metres, Sensor(link="cable", **SHEET), powered)
    run = CableRun(np.zeros((2, 2)), "cheapest", np.zeros(6), metres, 0.0, metres, 0.0, wire, supplied=False)
    assert links.wire_sentence(run, "metric").endswith(said)


def test_a_cabled_plan_shows_routes_and_no_margins() -> None:
    wired = studied(link="cable")
    assert wired.reach_study is not None
    assert wired.reach_study.views == {}
    assert wired.reach_study.coverage is None
    served = [figures.letter(int(k)) for k in np.flatnonzero(serving(wired) >= 0)]
    assert served == ["A"]  # of two: B is not said to have a cable that is short enough
    assert layouts.held_sentence(wired) == "The cable to A is short enough."
    found = bill.bill(wired)
    assert found is not None
    served = int((serving(wired) >= 0).sum())
    assert found.quantity(Item.CABLE) == served
    cables = [run for run in wired.reach.runs[wired.decision.chosen] if run is not None]
    assert len(found.if_allowed) == len(cables) - served
    # the one total holds the sensors and each cable that is short enough; the others stand beside it
    laid = [wired.reach.runs[row][k].price for k, row in enumerate(serving(wired)) if row >= 0]
    assert laid
    sensors = found.quantity(Item.SENSOR) * wired.plan.prices.sensor
    assert found.total == pytest.approx(sensors + sum(laid))
    assert wired.reach_study.layouts.best.bill == found
    sentence = bill.bill_sentence(wired)
    assert f"about {figures.price(found.total, '$')}." in sentence
    assert ("Too long unless the manufacturer allows it" in sentence) == bool(found.if_allowed)
    group = groups.cable_group(wired, to_lonlat(wired.site.crs))
    assert group is not None
    assert group["on"]
    page = site_page(wired).decode()
    assert "Cable to buy" in page
    assert "By the cheapest route." in page
    assert "two-ray law" not in page


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
    assert row["grade"] in set(links.CODES.values())
    assert {row["served_by"] for row in found["controllers"]} <= {place["id"] for place in found["layout"]}
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
    assert figures.decibels(-4.4, 7.2) == "−4 ± 7 dB"
    assert figures.price(1234.0, "$") == "$1,230"
    assert links.GRADES[Grade.NONE] == "No link"
