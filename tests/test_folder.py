"""The folder of results: whole files or none, of one plan, and never a file that the plan reads."""

from __future__ import annotations

import itertools
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import geopandas
import pytest
import shapely

import planner
from planner.frames import opened
from planner.layers.opening import scratch
from planner.ledger import OutputError
from planner.pieces import hold, keep, sign, signed, whole
from planner.plan import parse_plan
from planner.show import Made, check_folder, own_folder, write_folder
from planner.show import folder as room
from planner.show.write import formats


def made(plan: Path, command: room.Command = "site") -> Made:
    plan.parent.mkdir(parents=True, exist_ok=True)
    plan.write_text("")
    return Made(command, parse_plan({}, plan).origin())


def contents(folder: Path) -> dict[str, bytes]:
    """What a reader sees: every file that is not hidden, by its path within the folder."""
    seen = [path.relative_to(folder) for path in folder.rglob("*") if path.is_file()]
    return {
        path.as_posix(): (folder / path).read_bytes()
        for path in seen
        if not any(part.startswith(".") for part in path.parts)
    }


OLD = {f"{k}.txt": b"old" for k in range(2)} | {"sites/A/map.html": b"old"}
NEW = {f"{k}.txt": b"new" for k in range(2)} | {"sites/B/map.html": b"new"}
STALE = {**OLD, "stale.txt": b"old"}


def killed(work: Callable[[], object], name: str, turn: int) -> bool:
    """Whether `work`, in a process of its own, was killed at the `turn`th call of `os.NAME`."""
    child = os.fork()
    if child == 0:
        real, calls = getattr(os, name), itertools.count()

        def deadly(*args: object, **kwargs: object) -> object:
            if next(calls) == turn:
                os._exit(9)
            return real(*args, **kwargs)

        setattr(os, name, deadly)
        try:
            work()
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9


@pytest.mark.parametrize("call", ["replace", "fsync", "mkdir", "rmdir", "unlink"])
def test_a_kill_at_any_step_leaves_old_or_new(tmp_path: Path, call: str) -> None:
    seen = set()
    for turn in range(60):
        folder = tmp_path / str(turn)
        write_folder(folder, STALE, made=made(tmp_path / "plan.toml"))
        if not killed(lambda: write_folder(folder, NEW, made=made(tmp_path / "plan.toml")), call, turn):  # noqa: B023
            break
        assert len(set(contents(folder).values())) <= 1  # never old beside new, before any next run as well
        check_folder(folder, NEW, force=False)  # what any next run does first
        there = contents(folder)
        assert there in (STALE, NEW)
        assert [p.name for p in folder.iterdir() if p.name.startswith(".")] == [room.MANIFEST]
        seen.add(there["0.txt"])
        write_folder(folder, NEW, made=made(tmp_path / "plan.toml"))
        assert contents(folder) == NEW
        assert not (folder / "sites" / "A").exists()
    assert 0 < turn < 59
    if call == "replace":
        assert seen == {b"old", b"new"}


def test_a_move_that_fails_undoes_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that another program holds open, as on Windows: refused, and the old results are whole."""
    folder, real = tmp_path / "out", os.replace
    write_folder(folder, STALE, made=made(tmp_path / "plan.toml"))
    for held in [*STALE, *NEW, room.MANIFEST]:

        def replace(path: Path, there: Path, held: Path = folder / held) -> None:
            if path == held or (there == held and folder / room.READY in path.parents):
                raise PermissionError(13, "it is in use", str(held))
            real(path, there)

        monkeypatch.setattr(os, "replace", replace)
        with pytest.raises(OutputError, match="in use"):
            write_folder(folder, NEW, made=made(tmp_path / "plan.toml"))
        monkeypatch.setattr(os, "replace", real)
        assert contents(folder) == STALE
        assert not (folder / "sites" / "B").exists()
        assert [p.name for p in folder.iterdir() if p.name.startswith(".")] == [room.MANIFEST]
    write_folder(folder, NEW, made=made(tmp_path / "plan.toml"))
    assert contents(folder) == NEW


def test_a_single_file_is_known_as_ours_before_and_after_it_takes_its_place(tmp_path: Path) -> None:
    out, coming = tmp_path / "eto.tif", tmp_path / "coming.tif"
    for content in (b"1", b"2"):
        coming.write_bytes(content)
        sign(out, coming)
        assert signed(out) == out.exists()  # a kill just here leaves the earlier one, which is ours still
        os.replace(coming, out)
        assert signed(out)
    out.write_bytes(b"somebody's")
    assert not signed(out)


def test_a_folder_of_pieces_that_was_half_cleared_is_taken_up_again(tmp_path: Path) -> None:
    for turn in range(20):
        folder = tmp_path / f"{turn}"

        def work(folder: Path = folder) -> None:
            with hold(folder, "job") as pieces:
                for k in range(2):
                    keep(pieces.path(f"{k}", ".bin"), lambda path: path.write_bytes(b"x") and None)
                pieces.clear()

        if not killed(work, "unlink", turn):
            break
        with hold(folder, "job") as pieces:
            pieces.clear()
        assert not folder.exists()
    assert 4 < turn < 19


def test_pieces_of_another_job_are_taken_away_and_those_of_this_one_stay(tmp_path: Path) -> None:
    def write(path: Path) -> None:
        path.write_bytes(b"x")

    with hold(tmp_path / "parts", "one") as pieces:
        of_one = pieces.path("part-1", ".arrow")
        keep(of_one, write)
    with hold(tmp_path / "parts", "two") as pieces:
        assert not of_one.exists()
        assert not of_one.with_suffix(".json").exists()
        of_two = pieces.path("part-1", ".arrow")
        assert of_two != of_one
        keep(of_two, write)
    with hold(tmp_path / "parts", "two"):
        assert whole(of_two)


def test_what_is_not_made_this_time_does_not_stay_from_last_time(tmp_path: Path) -> None:
    """A PDF of all sheets, of a contract in which no site could be decided any more."""
    for files in (OLD, {"0.txt": b"new"}):
        with room.writing(tmp_path / "out", list(OLD), made=made(tmp_path / "plan.toml")) as new:
            for name, content in files.items():
                room.put(new / name, content)
    assert contents(tmp_path / "out") == {"0.txt": b"new"}


@pytest.mark.parametrize("link", [False, True])
def test_nothing_is_written_by_way_of_a_link_or_through_a_file(tmp_path: Path, link: bool) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "elsewhere").mkdir()
    if link:
        (tmp_path / "out" / "sites").symlink_to(tmp_path / "elsewhere")
    else:
        (tmp_path / "out" / "sites").write_text("mine")
    for write in (write_folder, lambda folder, names: check_folder(folder, names, force=True)):
        with pytest.raises(OutputError, match="stands where a folder should be"):
            write(tmp_path / "out", NEW)
    assert not list((tmp_path / "elsewhere").iterdir())


def test_a_folder_of_moves_from_elsewhere_overwrites_nobodys_work(tmp_path: Path) -> None:
    ready = tmp_path / "out" / room.READY
    ready.mkdir(parents=True)
    (tmp_path / "out" / "mine.txt").write_bytes(b"mine")
    (tmp_path / "above.txt").write_bytes(b"mine")
    files = {"mine.txt": ["0" * 64], "../above.txt": ["0" * 64]}
    (ready / room.MANIFEST).write_text(json.dumps({"files": files, "gone": {"mine.txt": [], "../above.txt": []}}))
    (ready / "mine.txt").write_bytes(b"theirs")
    write_folder(tmp_path / "out", {"a.txt": b"1"})
    assert (tmp_path / "out" / "mine.txt").read_bytes() == (tmp_path / "above.txt").read_bytes() == b"mine"


def test_a_folder_belongs_to_one_plan(tmp_path: Path) -> None:
    one, other = made(tmp_path / "one" / "plan.toml"), made(tmp_path / "other" / "plan.toml")
    out = tmp_path / "out"
    write_folder(out, OLD, made=one)
    for refuse in (write_folder, lambda *a, **k: check_folder(a[0], a[1], False, k["made"])):
        with pytest.raises(OutputError, match=r"another plan, plan\.toml"):
            refuse(out, {"else.txt": b"x"}, made=other)
    assert contents(out) == OLD
    write_folder(out, {"else.txt": b"x"}, made=made(tmp_path / "one" / "plan.toml", "review"))
    assert contents(out) == {**OLD, "else.txt": b"x"}
    # plan and results may be moved together
    shutil.move(tmp_path / "one", tmp_path / "new" / "one")
    shutil.move(out, tmp_path / "new" / "out")
    write_folder(tmp_path / "new" / "out", NEW, made=made(tmp_path / "new" / "one" / "plan.toml"))
    write_folder(tmp_path / "new" / "out", {"0.txt": b"3"}, force=True, made=made(tmp_path / "new" / "plan.toml"))
    assert contents(tmp_path / "new" / "out") == {"0.txt": b"3"}


def test_a_site_does_not_go_over_a_contract(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    write_folder(tmp_path / "out", {"map.html": b"c", "sites.csv": b"c"}, made=made(plan, "contract"))
    (tmp_path / "out" / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match="results of a contract, and these are of a site"):
        write_folder(tmp_path / "out", {"map.html": b"s"}, made=made(plan))
    write_folder(tmp_path / "out", {"map.html": b"s"}, force=True, made=made(plan))
    assert contents(tmp_path / "out") == {"map.html": b"s", "notes.txt": b"mine"}


def test_what_a_command_no_longer_writes_goes_unless_it_was_changed(tmp_path: Path) -> None:
    plan = made(tmp_path / "plan.toml")
    write_folder(tmp_path / "out", {"a": b"1", "b": b"1", "c": b"1"}, made=plan)
    write_folder(tmp_path / "out", {"d": b"1"}, made=made(tmp_path / "plan.toml", "programme"))
    (tmp_path / "out" / "c").write_text("edited")
    write_folder(tmp_path / "out", {"a": b"2"}, made=plan)
    assert contents(tmp_path / "out") == {"a": b"2", "c": b"edited", "d": b"1"}


def test_default_folders_do_not_collide(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    one, other = made(tmp_path / "one" / "plan.toml"), made(tmp_path / "other" / "plan.toml")
    contract = made(tmp_path / "one" / "plan.toml", "contract")
    found = []
    for plan in (one, other, contract):
        folder = own_folder(Path("noonmark-out") / "plan", plan)
        write_folder(folder, {"map.html": b"x"}, made=plan)
        found.append(folder)
    assert found[0] == Path("noonmark-out/plan")
    assert len(set(found)) == 3
    assert [own_folder(Path("noonmark-out") / "plan", plan) for plan in (one, other, contract)] == found


@pytest.mark.parametrize("name", ["mounts.gpkg", "result.json"])
def test_input_is_spared_from_python_too(tmp_path: Path, name: str) -> None:
    lot = shapely.box(420_000, 3_700_000, 420_020, 3_700_020)
    form = "GPKG" if name.endswith("gpkg") else "GeoJSON"
    geopandas.GeoDataFrame(geometry=[lot], crs=32612).to_crs(4326).to_file(tmp_path / name, driver=form)
    (tmp_path / "plan.toml").write_text(
        f'[layers.site]\npath = "{name}"\n[sun]\nstep_minutes = 60\nday_step = 15\n'
    )
    before = (tmp_path / name).read_bytes()
    result = planner.run_site(tmp_path / "plan.toml")
    with pytest.raises(OutputError, match="this run reads this file"):
        planner.write_site(result, tmp_path, force=True)
    assert (tmp_path / name).read_bytes() == before
    with pytest.raises(OutputError, match="this run reads this file"):
        write_folder(tmp_path, {"plan.toml": b""}, force=True, made=Made("review", result.origin))


def test_a_file_by_another_name_is_spared(tmp_path: Path) -> None:
    plan = parse_plan({"zone": {"table": "Zones.csv"}}, tmp_path / "plan.toml")
    (tmp_path / "Zones.csv").write_text("label,low,high\n")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "zones.csv").symlink_to("../Zones.csv")
    with pytest.raises(OutputError, match="this run reads"):
        check_folder(tmp_path / "out", ["zones.csv"], True, Made("site", plan.origin()))
    os.link(tmp_path / "Zones.csv", tmp_path / "zones.csv")  # as on a disk where capitals do not count
    with pytest.raises(OutputError, match="this run reads"):
        plan.origin().spare([tmp_path / "zones.csv"])


def test_temporary_files_of_killed_runs_are_cleared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def leave() -> None:
        with scratch() as folder:
            (folder / "half").write_bytes(b"x")
            os._exit(9)

    child = os.fork()
    if child == 0:
        leave()
    os.waitpid(child, 0)
    assert len(list(tmp_path.iterdir())) == 1
    with scratch() as folder:
        assert list(tmp_path.iterdir()) == [folder]
    assert not list(tmp_path.iterdir())


def test_without_room_for_temporary_files(monkeypatch: pytest.MonkeyPatch) -> None:
    def none() -> str:
        raise FileNotFoundError(2, "No usable temporary directory found in ['/tmp']")

    monkeypatch.setattr("tempfile.gettempdir", none)
    rows = geopandas.GeoDataFrame({"name": ["a"]}, geometry=[shapely.Point(0, 1)], crs=4326)
    with pytest.raises(OutputError, match="TMPDIR"), opened({}, {"site": rows}):
        pass
    with pytest.raises(OutputError, match="TMPDIR"):
        formats.gpkg_bytes({"rows": rows})


def test_a_fault_of_gdal_that_is_no_lack_of_room_is_not_called_one(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = geopandas.GeoDataFrame({"name": ["a"]}, geometry=[shapely.Point(0, 1)], crs=4326)

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a field of an unknown type")

    monkeypatch.setattr("pyogrio.write_dataframe", broken)
    with pytest.raises(RuntimeError, match="unknown type"):
        formats.gpkg_bytes({"rows": rows})


def test_a_geopackage_that_is_not_whole_is_known(tmp_path: Path) -> None:
    rows = geopandas.GeoDataFrame({"name": ["a", "b"]}, geometry=[shapely.Point(0, 1)] * 2, crs=4326)
    rows.to_file(tmp_path / "a.gpkg", layer="rows")
    formats.check_gpkg(tmp_path / "a.gpkg", {"rows": 2})
    for wrong in ({"rows": 3}, {"other": 1}):
        with pytest.raises(OSError, match="not written whole"):
            formats.check_gpkg(tmp_path / "a.gpkg", wrong)
    keep(tmp_path / "piece-1.bin", lambda path: path.write_bytes(b"x") and None)
    assert whole(tmp_path / "piece-1.bin")
