"""The base program and the review of a log from plan to pages, on small invented plans and on the demo campus."""

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import planner
from planner.cli import app
from planner.layers.horizon import read_horizon
from planner.ledger import DataError, Exit, PlanError
from planner.show.draw.sheet import sheet_page
from planner.sun import sun_table
from planner.sun.measured import light_under
from planner.units import eto

ROOT = Path(__file__).parents[1]
CAMPUS = ROOT / "examples" / "campus"


def outline(folder, latitude=35.0, longitude=-119.0):
    """A square site of some 200 m."""
    ring = [[longitude + dx, latitude + dy] for dx, dy in ((0, 0), (0.002, 0), (0.002, 0.002), (0, 0.002), (0, 0))]
    collection = {
        "type": "FeatureCollection",
        "features": [{"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}],
    }
    (folder / "site.geojson").write_text(json.dumps(collection))


STATIONS = "Controller,Program,Station,Type,Area (sq ft),Flow (gpm),DU,Plants,Soil\n" + "".join(
    f"Main,{'A' if k < 3 else 'B'},{k},spray,1000,{12 + k},0.65,{'cool turf' if k < 3 else 'shrubs'},loam\n"
    for k in range(1, 5)
)


def plan(folder, text="", stations=STATIONS, **place):
    outline(folder, **place)
    (folder / "stations.csv").write_text(stations)
    (folder / "plan.toml").write_text(
        'title = "Four stations"\nunits = "us"\n[layers.site]\npath = "site.geojson"\n'
        + ("" if "[programme]" in text else '[programme]\nstations = "stations.csv"\n')
        + text
    )
    return planner.read_plan(folder / "plan.toml")


# --- the program -----------------------------------------------------------------------------------------------


def test_a_program_from_plan_to_files(tmp_path):
    source = plan(
        tmp_path,
        '[programme]\nstations = "stations.csv"\nstart = 2026-05-01\nbudget = "epa"\n'
        'restrictions = ["<b>none</b>"]\n'
        '[[programme.manual]]\nprogramme = "B"\nreason = "new planting"\npercent = 120\ndays = 30\n',
    )
    result = planner.run_programme(source)
    # 100% stands for the peak of the zone that is set, which is what the controller's percentage refers to
    row = int(result.zones.zone[0])
    assert result.base.base_eto_mm_day == pytest.approx(result.zones.table.peak_mm_day[row])
    assert result.year.percent.max() == pytest.approx(100 * result.eto_mm_day.max() / result.base.base_eto_mm_day)
    paths = planner.write_programme(result, tmp_path / "out")
    assert {p.name for p in paths} == {
        "programming.html", "programming.pdf", "stations.csv", "year.csv", "programme.gpkg", "programme.json",
    }  # fmt: skip
    page = (tmp_path / "out" / "programming.html").read_text(encoding="utf-8")
    assert "weather adjustment takes over May 31, 2026" in page
    assert "May 8, 2026 to May 11, 2026" in page
    assert "8:00 p.m. to 10:00 a.m." in page
    peak = eto(float(result.zones.peak_eto_mm_day[0]), "us")
    assert page.count(f"the one whose range contains {peak}") == 2  # what to set, and the first day's check
    assert "&lt;b&gt;none&lt;/b&gt;" in page
    assert "://" not in page.replace("http://www.w3.org/2000/svg", "")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "stations.csv").read_text(encoding="utf-8-sig"))))
    assert [float(r["run_min"]) for r in rows] == result.base.run_min.tolist()
    told = json.loads((tmp_path / "out" / "programme.json").read_text(encoding="utf-8"))
    assert told["manual"][0]["weather_takes_over"] == "2026-05-31"
    assert told["budget"]["rule"] == "epa"


def test_both_unit_systems_say_the_same(tmp_path):
    source = plan(tmp_path)
    us = planner.run_programme(source)
    metric = planner.run_programme(
        planner.PlanFile(source.path, source.plan.model_copy(update={"units": "metric"}), {})
    )
    assert us.base.run_min.tolist() == metric.base.run_min.tolist()
    planner.write_programme(metric, tmp_path / "m")
    page = (tmp_path / "m" / "programming.html").read_text(encoding="utf-8")
    assert " mm/h" in page
    assert " in/h" not in page
    assert " gpm" not in page
    assert "20:00 to 10:00" in page


def test_the_southern_peak_is_in_the_southern_summer(tmp_path):
    result = planner.run_programme(plan(tmp_path, latitude=-33.5, longitude=149.0))
    assert result.base.peak_month in (11, 0, 1)
    assert result.year.percent.argmax() == result.base.peak_month


def test_dry_and_wet_years_from_daily_weather(tmp_path):
    rng = np.random.default_rng(4)
    rows = ["date,eto,rain"]
    for year in range(2010, 2016):
        days = np.arange(f"{year}-01-01", f"{year + 1}-01-01", dtype="datetime64[D]")
        rows += [
            f"{d},{v * (1 + (year - 2012) / 50):.2f},0"
            for d, v in zip(days, rng.uniform(2, 8, len(days)), strict=True)
        ]
    (tmp_path / "daily.csv").write_text("\n".join(rows))
    result = planner.run_programme(
        plan(tmp_path, '[programme]\nstations = "stations.csv"\ndaily = "daily.csv"\nrain = "none"\n')
    )
    assert result.years is not None
    assert result.years.years.tolist() == list(range(2010, 2016))
    assert result.years.need_l[result.years.dry] > result.years.need_l[result.years.wet]
    mean = result.year.after_rain_l.sum()
    assert result.years.need_l.mean() == pytest.approx(mean, rel=0.02)


def test_what_cannot_be_is_said(tmp_path):
    with pytest.raises(PlanError, match="names no station table"):
        planner.run_programme(plan(tmp_path, "[programme]\n"))
    with pytest.raises(PlanError, match="no program '9'"):
        planner.run_programme(
            plan(
                tmp_path,
                '[programme]\nstations = "stations.csv"\n[[programme.manual]]\nprogramme = "9"\nreason = "x"\n',
            )
        )
    with pytest.raises(PlanError, match="no zone 'desert'"):
        planner.run_programme(plan(tmp_path, '[as_built]\nzone = "desert"\n'))
    with pytest.raises(PlanError, match="not a soil texture"):
        planner.run_programme(plan(tmp_path, '[programme]\nstations = "stations.csv"\nsoil = "lom"\n'))
    with pytest.raises(PlanError, match="window should be two times"):
        plan(tmp_path, '[programme]\nstations = "stations.csv"\nwindow = "at night"\n')


def test_how_a_default_is_known_is_said_once_and_what_has_none_says_so():
    from planner.show.say.programme import letters

    said = letters(planner.run_programme(planner.read_plan(CAMPUS / "campus.toml")))
    assert not any("second hand, second hand" in line for line in said)
    assert "none for this device, so no run time (2 stations)" in said[0]


# --- as built --------------------------------------------------------------------------------------------------


def test_light_under_a_measured_horizon():
    sun = sun_table(35.0, -119.0)
    flat = light_under(sun, np.array([0.0, 180.0]), np.zeros(2))
    assert flat[1] == pytest.approx(np.ones(12))
    wall = light_under(sun, np.arange(0.0, 360.0, 10.0), np.full(36, 30.0))
    # an even ring of 30 degrees takes a quarter of an even sky: 1 - cos2(30)
    high_sun = sun.elevation_deg > 30
    beam = sun.monthly(sun.beam_wh_m2 * high_sun)
    want = (beam + 0.75 * sun.monthly(sun.diffuse_wh_m2)) / sun.monthly(sun.beam_wh_m2 + sun.diffuse_wh_m2)
    assert wall[1] == pytest.approx(want)
    assert (wall[0] < flat[0]).all()


@pytest.mark.parametrize(
    "text",
    [
        "azimuth,elevation\n0,5\n90,10\n180,20\n270,15\n",
        "elevation;azimuth\n5;0\n10;90\n20;180\n15;270\n",
        "5\n10\n20\n15\n",
        "A\tH_hor\n-180\t5\n-90\t10\n0\t20\n90\t15\n",
    ],
)
def test_horizons_as_people_and_services_write_them(tmp_path, text):
    (tmp_path / "h.csv").write_text(text)
    azimuth, elevation = read_horizon(tmp_path / "h.csv", "h.csv")
    assert azimuth.tolist() == [0, 90, 180, 270]
    assert elevation.tolist() == [5, 10, 20, 15]


def test_no_horizon_is_refused(tmp_path):
    (tmp_path / "h.csv").write_text("azimuth,elevation\n0,5\n")
    with pytest.raises(DataError, match="no horizon"):
        read_horizon(tmp_path / "h.csv", "h.csv")
    (tmp_path / "h.csv").write_text("azimuth,elevation\n0,5\n90,100\n180,5\n270,5\n")
    with pytest.raises(DataError, match="over 90"):
        read_horizon(tmp_path / "h.csv", "h.csv")


def test_what_was_built_stays_on_the_sheet(tmp_path):
    (tmp_path / "h.csv").write_text("azimuth,elevation\n0,5\n90,10\n180,20\n270,15\n")
    source = plan(
        tmp_path,
        '[as_built]\nmounted = 2026-05-02\nsupport = "parapet bracket"\ntested = ["Main"]\nphotos = ["p1.jpg"]\n'
        'horizon = "h.csv"\n',
    )
    result = planner.run_programme(source)
    assert result.built is not None
    assert (result.built.measured_share < 1).all()
    assert result.first.start.isoformat() == "2026-05-02"
    planner.write_programme(result, tmp_path / "out")
    page = (tmp_path / "out" / "programming.html").read_text(encoding="utf-8")
    for words in ("parapet bracket", "p1.jpg", "Under the measured horizon"):
        assert words in page


def test_the_answer_is_made_anew_for_what_was_mounted(tmp_path):
    """A hall, its controller beside it, and a sensor that ended up lower and elsewhere than planned."""
    ring = [
        [-118.9992, 35.0008],
        [-118.9988, 35.0008],
        [-118.9988, 35.0011],
        [-118.9992, 35.0011],
        [-118.9992, 35.0008],
    ]
    hall = {"type": "Feature", "properties": {"h": 6.0}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    box = {
        "type": "Feature",
        "properties": {"n": "Main"},
        "geometry": {"type": "Point", "coordinates": [-118.9986, 35.0009]},
    }
    for name, feature in (("hall", hall), ("box", box)):
        (tmp_path / f"{name}.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    source = plan(
        tmp_path,
        '[layers.buildings]\npath = "hall.geojson"\nheight = "h"\n'
        '[layers.controllers]\npath = "box.geojson"\nname = "n"\n'
        "[sun]\nstep_minutes = 60\nday_step = 15\n[outputs]\nrunners_up = 0\n"
        '[programme]\nstations = "stations.csv"\n'
        "[as_built]\nx = -118.9990\ny = 35.00118\nheight_ft = 9\nsupport = 'post'\n",
    )
    result = planner.run_programme(source)
    assert result.built is not None
    old, new = result.built.planned, result.built.built
    assert new.mounts.height_m[new.decision.chosen] == pytest.approx(2.743, abs=0.001)
    light = [r.sun.light_share[r.decision.chosen].min() for r in (old, new)]
    assert light[1] < light[0]  # beside the hall's north wall, and lower
    planner.write_programme(result, tmp_path / "out")
    page = (tmp_path / "out" / "programming.html").read_text(encoding="utf-8")
    for words in (
        "from the planned mount",
        "lower",
        "Sunlight received in the worst irrigation month",
        "Smallest link",
    ):
        assert words in page, words


def by_cable(folder, built=""):
    """A hall with a controller 60 m away, by cable, and a station table."""
    hall = [
        [-118.9992, 35.0008],
        [-118.9988, 35.0008],
        [-118.9988, 35.0011],
        [-118.9992, 35.0011],
        [-118.9992, 35.0008],
    ]
    for name, kind, xy, words in (
        ("hall", "Polygon", [hall], {"h": 4.0}),
        ("box", "Point", [-118.9986, 35.0009], {"n": "Main"}),
    ):
        feature = {"type": "Feature", "properties": words, "geometry": {"type": kind, "coordinates": xy}}
        (folder / f"{name}.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    return plan(
        folder,
        '[layers.buildings]\npath = "hall.geojson"\nheight = "h"\n'
        '[layers.controllers]\npath = "box.geojson"\nname = "n"\n[sensor]\nlink = "cable"\n'
        "[sun]\nstep_minutes = 60\nday_step = 15\n[outputs]\nrunners_up = 0\n"
        '[programme]\nstations = "stations.csv"\n' + built,
    )


@pytest.mark.parametrize("built", ["", "[as_built]\nmounted = 2026-05-02\n"])
def test_by_cable_the_first_day_says_what_the_loop_should_measure(tmp_path, built):
    source = by_cable(tmp_path, built)
    site, result = planner.run_site(source), planner.run_programme(source)
    wire = site.reach_study.cables[0].wire
    assert result.first.loop_ohm == (("Main", pytest.approx(wire.loop_ohm)),)
    planner.write_programme(result, tmp_path / "out")
    page = (tmp_path / "out" / "programming.html").read_text(encoding="utf-8")
    assert f"loop resistance measured (computed: Main {wire.loop_ohm:.1f} Ω)" in page
    for sheet in (page, sheet_page(site).decode()):
        assert "Each controller reads the sensor over its cable" in sheet
        assert "gets a signal" not in sheet


# --- the pages beside each other -------------------------------------------------------------------------------


def links(path):
    """What a page links to that is no place within it and no web address."""
    found = re.findall(r'<a href="([^"#:]+)">', path.read_text(encoding="utf-8"))
    return sorted(set(found))


def test_pages_of_one_site_link_to_each_other_where_the_plan_has_them(tmp_path):
    from planner.show.draw.map import site_page
    from planner.show.draw.sheet import sheet_page

    source = by_cable(tmp_path, "[review]\ntrailing_days = 3\n")
    (tmp_path / "log.csv").write_text(
        "date,percent\n" + "".join(f"2025-07-{d:02d},9{d % 7}\n" for d in range(1, 11))
    )
    out, result = tmp_path / "out", planner.run_site(source)
    planner.write_site(result, out)
    planner.write_programme(planner.run_programme(source), out)
    planner.write_review(planner.run_review(source, tmp_path / "log.csv"), out)
    assert links(out / "map.html") == links(out / "sheet.html") == ["programming.html", "review.html"]
    assert links(out / "programming.html") == ["map.html", "review.html", "sheet.html"]
    assert links(out / "review.html") == ["map.html", "programming.html", "sheet.html"]
    for page in ("map", "sheet", "programming", "review"):
        assert all((out / name).is_file() for name in links(out / f"{page}.html"))
    assert "written by noonmark programme" in (out / "map.html").read_text(encoding="utf-8")
    # a site written again, after the others, is still ours
    planner.write_site(result, out)
    bare = result.plan.model_copy(update={"programme": type(result.plan.programme)()})
    bare.model_fields_set.discard("review")
    for draw in (site_page, sheet_page):
        (tmp_path / "bare.html").write_bytes(draw(replace(result, plan=bare)))
        assert links(tmp_path / "bare.html") == []


# --- the review ------------------------------------------------------------------------------------------------


def test_the_demo_log_has_a_wrong_zone(tmp_path):
    """The invented log comes from a controller that stands at band 5; the campus is in band 7."""
    source = planner.read_plan(CAMPUS / "campus.toml")
    result = planner.run_review(source, CAMPUS / "log.csv")
    finding = result.review.verdict
    assert finding.cause.value == "reads high"
    assert result.zones.table.labels[finding.zone] == "band 5"
    assert result.zones.table.labels[result.zone] == "band 7"
    planner.write_review(result, tmp_path)
    page = (tmp_path / "review.html").read_text(encoding="utf-8")
    # the limit is said before the verdict
    assert page.index("is found in 95 cases of 100") < page.index("reads 3")
    assert "<svg" in page
    told = json.loads((tmp_path / "review.json").read_text(encoding="utf-8"))
    assert told["findings"][0]["zone_that_would_do_it"] == "band 5"
    rows = list(csv.DictReader(io.StringIO((tmp_path / "review.csv").read_text(encoding="utf-8-sig"))))
    assert len(rows) == len(result.review.log)


def test_normals_only_say_how_little_they_see(tmp_path):
    source = plan(tmp_path)
    rows = ["date,percent"] + [f"2025-07-{d:02d},{95 + d % 7}" for d in range(1, 11)]
    (tmp_path / "log.csv").write_text("\n".join(rows))
    result = planner.run_review(source, tmp_path / "log.csv")
    assert not result.review.expected.daily_weather
    assert result.review.limit.high > 30
    from planner.show.say.review import summary_lines

    lines = summary_lines(result)
    assert lines[0].startswith("With monthly normals only and 10 judged days, an error of ")
    assert any("need daily weather" in line for line in lines)


def test_weather_of_other_days_is_refused(tmp_path):
    (tmp_path / "w.csv").write_text("date,eto\n" + "".join(f"2020-07-{d:02d},6\n" for d in range(1, 30)))
    (tmp_path / "log.csv").write_text("date,percent\n2025-07-01,90\n2025-07-02,91\n2025-07-03,92\n")
    with pytest.raises(DataError, match="it runs from 2020-07-01"):
        planner.run_review(plan(tmp_path, '[review]\nweather = "w.csv"\n'), tmp_path / "log.csv")


# --- the command line ------------------------------------------------------------------------------------------


def test_commands(tmp_path):
    plan(tmp_path)
    run = CliRunner().invoke(
        app, ["programme", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "o"), "--json"]
    )
    assert run.exit_code == Exit.OK, run.output
    assert (tmp_path / "o" / "programming.html").is_file()
    (tmp_path / "log.csv").write_text("date;percent\n01.07.2025;90\n13.07.2025;95\n14.07.2025;97\n")
    run = CliRunner().invoke(
        app, ["review", str(tmp_path / "plan.toml"), str(tmp_path / "log.csv"), "--out", str(tmp_path / "o")]
    )
    assert run.exit_code == Exit.OK, run.output
    run = CliRunner().invoke(
        app, ["review", str(tmp_path / "plan.toml"), str(tmp_path / "no.csv"), "--out", str(tmp_path / "o")]
    )
    assert run.exit_code == Exit.PLAN
    assert "no such file" in run.output


def test_the_tables_that_are_read_are_never_written_to(tmp_path):
    """The station table and the log may have the names of our own tables."""
    plan(tmp_path)
    (tmp_path / "review.csv").write_text("date,percent\n2025-07-01,90\n2025-07-02,95\n2025-07-03,97\n")
    for words, kept in (
        (["programme", "plan.toml"], "stations.csv"),
        (["review", "plan.toml", "review.csv"], "review.csv"),
    ):
        before = (tmp_path / kept).read_bytes()
        paths = [str(tmp_path / word) if "." in word else word for word in words]
        run = CliRunner().invoke(app, [*paths, "--out", str(tmp_path), "--force"])
        assert run.exit_code == Exit.OUTPUT, run.output
        assert "reads this file" in run.output
        assert (tmp_path / kept).read_bytes() == before
