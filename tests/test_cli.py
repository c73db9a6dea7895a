"""The commands as a user runs them: what they print, which files they write, and their exit codes."""

import contextlib
import csv
import json
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from typer.testing import CliRunner

import planner
from planner.cli import app, examples_folder

OUTLINE = shapely.box(-119.3603, 35.2672, -119.3592, 35.2681)
HALL = shapely.box(-119.36, 35.2675, -119.3597, 35.26765)


def in_a_process(*words, cwd):
    """Run the command in a process of its own, as a shell would."""
    return subprocess.run(
        [sys.executable, "-m", "planner.cli", *map(str, words)],
        cwd=cwd,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


def run(*words, cwd, code=0):
    """Run the command, which ends with this code."""
    with contextlib.chdir(cwd):
        done = CliRunner().invoke(app, list(map(str, words)))
    assert done.exit_code == code, done.output
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done


@pytest.fixture
def small(tmp_path):
    """A small site with one hall and one controller."""
    gpd.GeoDataFrame({"name": ["Yard"]}, geometry=[OUTLINE], crs=4326).to_file(tmp_path / "s.gpkg", layer="site")
    gpd.GeoDataFrame({"h": [5.0], "name": ["Hall"]}, geometry=[HALL], crs=4326).to_file(
        tmp_path / "s.gpkg", layer="hall"
    )
    gpd.GeoDataFrame({"name": ["C1"]}, geometry=[shapely.Point(-119.3598, 35.2679)], crs=4326).to_file(
        tmp_path / "s.gpkg", layer="controllers"
    )
    (tmp_path / "yard.toml").write_text(
        'title = "Yard"\n'
        '[layers.site]\npath = "s.gpkg"\nlayer = "site"\nname = "name"\n'
        '[layers.buildings]\npath = "s.gpkg"\nlayer = "hall"\nheight = "h"\nname = "name"\n'
        '[layers.controllers]\npath = "s.gpkg"\nlayer = "controllers"\nname = "name"\n'
        "[sun]\nstep_minutes = 30\nday_step = 10\n"
    )
    return tmp_path


def test_site_writes_what_it_promises(small):
    before = {p: p.stat().st_mtime_ns for p in small.iterdir()}
    done = in_a_process("site", "yard.toml", cwd=small)
    assert done.returncode == 0, done.stderr
    folder = small / "noonmark-out" / "yard"
    assert {p.name for p in folder.iterdir() if not p.name.startswith(".")} == {
        "map.html", "sheet.html", "sheet.pdf", "mounts.gpkg", "mounts.csv", "result.json",
        "places.kml", "places.gpx", "places.geojson", "bill.csv", "bill.xlsx",
    }  # fmt: skip
    assert "Open noonmark-out" in done.stdout
    assert "Hall" in done.stdout
    assert {p: p.stat().st_mtime_ns for p in before} == before  # the user's files are untouched
    with (folder / "mounts.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(gpd.read_file(folder / "mounts.gpkg", layer="mounts"))
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    assert result["mounts"]
    assert len(rows) == len(result["mounts"])


def test_json_and_quiet_and_overwrites_only_what_it_made(small):
    done = run("site", "yard.toml", "--json", "--quiet", "--out", "o", cwd=small)
    assert json.loads(done.stdout)["zone"]
    assert done.stderr == ""
    assert run("site", "yard.toml", "--quiet", "--out", "o", cwd=small).stdout == ""  # ours and unchanged
    (small / "o" / "sheet.html").write_text("my notes")
    done = run("site", "yard.toml", "--out", "o", cwd=small, code=6)
    assert "sheet.html" in done.stderr
    assert "--force" in done.stderr
    assert (small / "o" / "sheet.html").read_text() == "my notes"
    run("site", "yard.toml", "--out", "o", "--force", cwd=small)
    assert (small / "o" / "sheet.html").read_text(encoding="utf-8") != "my notes"


def test_exit_codes(small):
    assert "did you mean 'yard.toml'" in run("site", "yrad.toml", cwd=small, code=3).stderr
    text = (small / "yard.toml").read_text()
    (small / "bad.toml").write_text(text + "[requirments]\n")
    assert "did you mean 'requirements'" in run("site", "bad.toml", cwd=small, code=3).stderr
    (small / "gone.toml").write_text(text.replace('layer = "hall"\nheight = "h"', 'layer = "hall"\nheight = "hh"'))
    assert "did you mean 'h'" in run("site", "gone.toml", cwd=small, code=3).stderr
    (small / "junk.gpkg").write_text("not a map")
    (small / "junk.toml").write_text(text.replace('path = "s.gpkg"\nlayer = "hall"', 'path = "junk.gpkg"'))
    assert "junk.gpkg" in run("site", "junk.toml", cwd=small, code=4).stderr
    (small / "none.toml").write_text(text + "[requirements]\nmax_height_m = 0.5\n")
    assert "No mount meets every requirement" in run("site", "none.toml", "--out", "n", cwd=small, code=5).stdout
    assert (small / "n" / "map.html").is_file()
    (small / "file").write_text("in the way")
    run("site", "yard.toml", "--out", "file", cwd=small, code=6)
    run("sight", "yard.toml", cwd=small, code=2)
    run("site", "yard.toml", "--var", "nonsense", cwd=small, code=2)


def test_check_reports_and_writes_nothing(small):
    done = run("check", "yard.toml", cwd=small)
    assert "assumed" in done.stdout
    assert not (small / "noonmark-out").exists()
    text = (small / "yard.toml").read_text()
    broken = text.replace('layer = "hall"', 'layer = "hal"').replace(
        'layer = "controllers"', 'layer = "contollers"'
    )
    (small / "broken.toml").write_text(broken)
    done = run("check", "broken.toml", "--json", cwd=small, code=3)
    found = json.loads(done.stdout)
    assert len(found["errors"]) == 2
    assert all(e["todo"] for e in found["errors"])
    assert not found["ok"]
    (small / "wrong.toml").write_text(text + "[requirments]\n")
    found = json.loads(run("check", "wrong.toml", "--json", cwd=small, code=3).stdout)
    assert not found["ok"]
    assert "did you mean 'requirements'" in found["errors"][0]["todo"] + found["errors"][0]["what"]
    assert json.loads(run("check", "nowhere.toml", "--json", cwd=small, code=3).stdout)["errors"]


def test_the_folder_is_tried_before_the_work(small):
    """Nothing is read before it is known that the results can be written, and a fault leaves no folder behind."""
    (small / "blocked").write_text("in the way")
    done = run("site", "yard.toml", "--out", "blocked/deeper", cwd=small, code=6)
    assert "reading" not in done.stderr.lower()
    text = (small / "yard.toml").read_text()
    (small / "junk.gpkg").write_text("not a map")
    (small / "junk.toml").write_text(text.replace('path = "s.gpkg"\nlayer = "hall"', 'path = "junk.gpkg"'))
    run("site", "junk.toml", "--out", "new/folder", cwd=small, code=4)
    assert not (small / "new").exists()


def test_the_python_face_gives_the_same(small):
    result = planner.run_site(planner.read_plan(small / "yard.toml"))
    planner.write_site(result, small / "from-python")
    run("site", "yard.toml", "--out", "from-command", cwd=small)
    for name in ("mounts.csv", "result.json", "sheet.html", "map.html"):
        assert (small / "from-python" / name).read_bytes() == (small / "from-command" / name).read_bytes(), name


def test_demo(tmp_path):
    done = run("demo", "--out", "d", cwd=tmp_path)
    for name in ("map.html", "sheet.html", "mounts.gpkg", "mounts.csv", "result.json", "places.kml", "bill.xlsx"):
        assert (tmp_path / "d" / name).is_file()
    for name in ("programming.html", "stations.csv", "programme.json", "review.html", "review.json"):
        assert (tmp_path / "d" / name).is_file()
    assert "A controller set to zone band 5 would read like this." in done.stdout
    for name in ("map.html", "sites.gpkg", "sites.csv", "result.json"):
        assert (tmp_path / "d" / "contract" / name).is_file()
    assert str(Path("d") / "map.html") in done.stdout
    assert "40 sites" in done.stdout


def test_the_season_can_be_told(small):
    text = (small / "yard.toml").read_text()
    (small / "summer.toml").write_text(text + "[season]\nmonths = [6, 7, 8]\n")
    assert "Irrigation season: June through August." in run("site", "summer.toml", cwd=small).stdout


def test_examples_are_found_from_a_checkout():
    assert (examples_folder() / "contract" / "contract.toml").is_file()
