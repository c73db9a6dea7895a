"""What a terminal, a keyboard, a disk and a file system can do to a command: a clear word, a code, never a hang."""

from __future__ import annotations

import os
import pickle
import resource
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import pytest
import shapely
import typer

from planner import cli, ledger
from planner.ledger import CommandError, DataError, Exit, OutputError, PlanError, PlannerError, SitesError
from planner.plan import parse_plan, read_plan

ROOT = Path(__file__).parents[1]


def run(*words: object, cwd: Path, code: int, most_bytes: int | None = None, tree: Path = ROOT) -> str:
    def limited() -> None:
        if most_bytes is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))

    done = subprocess.run(
        [sys.executable, "-m", "planner", *map(str, words)],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(tree)},
        preexec_fn=limited,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=200,
        check=False,
    )
    assert done.returncode == code, done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    site, hall = (
        shapely.box(-119.3603, 35.2672, -119.3592, 35.2681),
        shapely.box(-119.36, 35.2675, -119.3597, 35.2677),
    )
    gpd.GeoDataFrame({"name": ["Yard\x1b[2J"]}, geometry=[site], crs=4326).to_file(tmp_path / "site.gpkg")
    gpd.GeoDataFrame({"name": ["A\x1b]0;B\x07C\nerror: D"], "h": [-2.0]}, geometry=[hall], crs=4326).to_file(
        tmp_path / "hall.gpkg"
    )
    (tmp_path / "yard.toml").write_text(
        '[layers.site]\npath = "site.gpkg"\nname = "name"\n'
        '[layers.buildings]\npath = "hall.gpkg"\nheight = "h"\nname = "name"\n'
        "[sun]\nstep_minutes = 60\nday_step = 15\n"
    )
    return tmp_path


def test_each_error_has_its_code_and_comes_back_from_another_process() -> None:
    codes = {PlannerError: Exit.UNEXPECTED, CommandError: Exit.USAGE, PlanError: Exit.PLAN}
    codes |= {DataError: Exit.DATA, SitesError: Exit.DATA, OutputError: Exit.OUTPUT}
    kinds = {kind for kind in vars(ledger).values() if isinstance(kind, type) and issubclass(kind, PlannerError)}
    assert set(codes) == kinds
    for kind, code in codes.items():
        back = pickle.loads(pickle.dumps(kind("here", "it is so", "Do that")))
        assert (type(back), back.exit_code, str(back)) == (kind, code, "here: it is so. Do that")


def test_a_demo_without_its_files_is_no_fault_of_the_input(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "planner", tmp_path / "planner", ignore=shutil.ignore_patterns("__pycache__"))
    assert "missing from this installation" in run("demo", cwd=tmp_path, code=1, tree=tmp_path)


def test_names_do_not_steer_the_terminal(folder: Path) -> None:
    said = run("check", "yard.toml", cwd=folder, code=0)
    assert "\x1b" not in said
    assert "\x07" not in said
    assert "\u241b]0;B" in said  # it is shown
    assert not any(line.startswith("error: D") for line in said.splitlines())
    (folder / "odd.toml").write_text((folder / "yard.toml").read_text().replace('"h"', '"h\\u001b[31m"'))
    assert "\x1b" not in run("check", "odd.toml", cwd=folder, code=3)


def test_a_name_of_two_lines_makes_no_line_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    cli.Talk(quiet=False, as_json=False).note("skipped (A\nerror: B\x1b[2J)")

    def fail() -> Exit:
        raise DataError("layers.site (A\nerror: B.gpkg)", "it is empty", "Mend it")

    with pytest.raises(typer.Exit) as ended:
        cli._run(fail)
    assert ended.value.exit_code == Exit.DATA
    said = capsys.readouterr().err
    assert said.count("A\u240aerror: B") == 2
    assert not any(line.startswith("error: B") for line in said.splitlines())
    assert "\x1b[2J" not in said


@pytest.fixture
def at_once() -> Iterator[None]:
    """A minute, then the end of the test: what waits for a pipe would wait for ever."""

    def ring(*_: object) -> None:
        pytest.fail("it waits")

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(60)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.mark.usefixtures("at_once")
def test_what_can_be_no_file_is_said_at_once(folder: Path) -> None:
    (folder / "loop").symlink_to("loop")
    os.mkfifo(folder / "pipe")
    plan_file = parse_plan({}, folder / "plan.toml")
    for name in ("a\0b.gpkg", "~nosuchuser/a.gpkg", "loop", "pipe", "/dev/zero", "x" * 300):
        with pytest.raises(PlanError, match=r"layers\.site"):
            plan_file.file("layers.site", name)
    for name in ("pipe", "loop", "x" * 300, "/dev/zero", ".", "a\0b"):
        with pytest.raises(PlanError):
            read_plan(folder / name)


EARLY = """
import os, signal, sys
place = sys.argv[1]
class Stop:
    def find_spec(self, name, *_):
        if name == place:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Stop())
sys.argv = ["noonmark", "site", "yard.toml"]
from planner.__main__ import main
main()
"""


@pytest.mark.parametrize("place", ["planner.cli", "rich.console", "numba"])
def test_stopped_while_it_loads(folder: Path, place: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", EARLY, place], cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=200, check=False,
    )  # fmt: skip
    assert done.returncode == 130, done.stderr
    assert "Traceback" not in done.stderr
    assert "Stopped" in done.stderr


NO_ROOM = """
import pathlib, resource
import geopandas, pandas, shapely
from planner.ledger import OutputError
from planner.layers.headings import layer_source
from planner.layers.opening import NOTHING
from planner.show.write.formats import gpkg_bytes, xlsx_bytes
rows = geopandas.GeoDataFrame({"name": ["a"]}, geometry=[shapely.Point(0, 1)], crs=4326)
assert len(gpkg_bytes({"rows": rows})) > 60_000
resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))  # stands in for a full disk
try:
    gpkg_bytes({"rows": rows})
except OutputError as fault:
    print(fault.todo)
# a title above the columns' names: read by way of a table in the temporary folder
cells = [["Clocks", " ", "  "], ["Name", "East", "North"], *([f"c{k}", "1", "2"] for k in range(9))]
with open("clocks.xlsx", "wb") as file:
    file.write(xlsx_bytes({"Sheet": pandas.DataFrame(cells[1:], columns=cells[0])}))
try:
    with layer_source("layers.controllers", pathlib.Path("clocks.xlsx"), NOTHING) as source:
        print("read")
except OutputError as fault:
    print(fault.what, fault.todo)
"""


def test_a_geopackage_without_room(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", NO_ROOM], cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=200, check=True,
    )  # fmt: skip
    written, read = done.stdout.splitlines()
    assert "TMPDIR" in written
    assert "stand-in of the workbook" in read
    assert "TMPDIR" in read
