"""The page that answers, without a browser: the session's answers, what is saved, and who gets nothing."""

from __future__ import annotations

import asyncio
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from planner.at_point import point_card
from planner.changes import Controller, Keys, Tree, changed_raw
from planner.cli import app as cli
from planner.ledger import OutputError, PlanError, PlannerError
from planner.plan import read_plan
from planner.serve.app import application, bound
from planner.serve.desk import Desk, Full, Rank
from planner.serve.guard import MOST_A_SECOND, MOST_BYTES, MOST_WAITING, Guard
from planner.serve.page import card_answer, numbers, page_html
from planner.serve.session import Session, change_from, opened
from planner.show.lonlat import to_lonlat

SMALL = Path(__file__).parents[1] / "examples" / "small"
PLAN = "quick.toml"
HOST, TOKEN = "127.0.0.1:4711", "tokentokentoken"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    there = tmp_path_factory.mktemp("serve") / "small"
    shutil.copytree(SMALL, there)
    plan = (there / "two-controllers.toml").read_text(encoding="utf-8")
    (there / PLAN).write_text(plan + "\n[sun]  # coarse, to be quick\nstep_minutes = 20\nday_step = 10\n")
    return there


@pytest.fixture(scope="module")
def first(folder: Path) -> Session:
    return opened(read_plan(folder / PLAN))


@pytest.fixture
def session(first: Session) -> Session:
    """The same session, with nothing tried."""
    while first.changes:
        first.undo()
    first.undone = ()
    return first


def spot(session: Session) -> tuple[float, float, float]:
    """Longitude, latitude and height of the chosen mount."""
    row = session.decided.decision.chosen
    lon, lat = to_lonlat(session.site.crs)(session.decided.mounts.xyz[[row]])[0]
    return float(lon), float(lat), float(session.decided.mounts.height_m[row])


def wing(session: Session, height_m: float = 25.0) -> dict[str, Any]:
    """A planned building south of the chosen mount, as the page sends it."""
    row = session.decided.decision.chosen
    x, y = session.decided.mounts.xyz[row, :2]
    corners = np.array([[x - 20, y - 16], [x + 20, y - 16], [x + 20, y - 6], [x - 20, y - 6]])
    lonlat = to_lonlat(session.site.crs)(corners)
    return {"kind": "building", "name": "New wing", "height_m": height_m, "corners": lonlat.tolist()}


# --- what a session answers -------------------------------------------------------------------------------------


def test_a_planned_building_takes_light_and_undoing_it_gives_the_same_numbers_again(session: Session) -> None:
    lon, lat, up = spot(session)
    before, none = session.point(lon, lat, up)
    assert none is None
    session.change(change_from(session, wing(session)))
    now, was = session.point(lon, lat, up)
    assert was is not None
    assert numbers(was) == numbers(before)
    assert now.sun.light_share[0].min() < before.sun.light_share[0].min() - 0.2
    session.undo()
    again, _ = session.point(lon, lat, up)
    assert numbers(again) == numbers(before)
    session.redo()
    assert numbers(session.point(lon, lat, up)[0]) == numbers(now)


def test_keys_change_the_verdict_and_a_bad_key_changes_nothing(session: Session) -> None:
    lon, lat, up = spot(session)
    assert not session.point(lon, lat, up)[0].decision.shortfalls[0]
    session.change(Keys((("requirements.max_height_m", up - 0.5),)))
    short = session.point(lon, lat, up)[0].decision.shortfalls[0]
    assert short[0].requirement.value == "serviceable"
    revision = session.revision
    for values in (
        {"requirements.max_height_m": -1.0},
        {"layers.site.path": "/etc/passwd"},
        {"zone.table": "x.csv"},
    ):
        with pytest.raises(PlannerError):
            session.change(Keys(tuple(values.items())))
    assert (session.revision, len(session.changes)) == (revision, 1)
    session.undo()
    assert not session.point(lon, lat, up)[0].decision.shortfalls[0]


def test_a_zone_table_beside_the_plan_may_be_tried_and_no_other_file(session: Session) -> None:
    assert session.tables == {"zones.csv": "in/day"}
    for name in ("../zones.csv", "lot.geojson", "/etc/passwd", ["zones.csv"]):
        with pytest.raises(PlanError):
            change_from(session, {"kind": "keys", "values": {"zone.table": name}})
    neutral = session.now.prepared.zone.table.labels
    session.change(change_from(session, {"kind": "keys", "values": {"zone.table": "zones.csv"}}))
    own = session.now.prepared.zone.table.labels
    assert own != neutral
    session.change(change_from(session, {"kind": "keys", "values": {"zone.table": ""}}))
    assert session.now.prepared.zone.table.labels == neutral


def test_a_key_in_one_unit_takes_the_place_of_the_other() -> None:
    raw = {"requirements": {"max_height_ft": 33, "reach": "any"}, "title": "x"}
    assert changed_raw(raw, {"requirements.max_height_m": 9.0}) == {
        "requirements": {"max_height_m": 9.0, "reach": "any"}, "title": "x"
    }  # fmt: skip
    assert raw["requirements"] == {"max_height_ft": 33, "reach": "any"}
    assert changed_raw(raw, {"requirements.max_height_ft": None})["requirements"] == {"reach": "any"}


def test_a_felled_tree_and_a_moved_controller(session: Session) -> None:
    site = session.site
    degrees = to_lonlat(site.crs)
    assert len(site.crowns) > 2
    assert len(site.controllers) > 1
    lon, lat = degrees(site.crowns.centre[[2]])[0]
    session.change(change_from(session, {"kind": "tree", "lon": lon, "lat": lat, "times": 0}))
    assert session.changes == (Tree(2, 0.0),)
    now = session.now.prepared.scene.site
    assert now.crowns.names == site.crowns.names[:2] + site.crowns.names[3:]
    session.change(Tree(1, 2.0))
    grown = session.now.prepared.scene.site.crowns
    ground = site.ground_at(site.crowns.centre[:, :2])
    assert grown.radius_m[1] == 2 * site.crowns.radius_m[1]
    assert grown.centre[1, 2] - ground[1] == pytest.approx(2 * (site.crowns.centre[1, 2] - ground[1]))
    there = site.outline.representative_point()
    session.change(Controller(1, (there.x, there.y)))
    moved = session.now.prepared.scene.site.controllers
    np.testing.assert_allclose(moved.xyz[1, :2], (there.x, there.y))
    np.testing.assert_array_equal(moved.xyz[0], site.controllers.xyz[0])
    assert len(session.drawn()["trees"]) == 2
    with pytest.raises(PlanError, match="no tree"):
        session.tree_at(0.0, 0.0)


@pytest.mark.parametrize(
    "given",
    [
        {"kind": "building", "corners": [[0, 0], [1, 1]], "height_m": 5},
        {"kind": "building", "corners": "x", "height_m": 5},
        {"kind": "building", "corners": [[0, 0], [float("nan"), 1], [1, 0]], "height_m": 5},
        {"kind": "tree", "lon": True, "lat": 0, "times": 1},
        {"kind": "controller", "row": 77, "lon": 0, "lat": 0},
        {"kind": "keys", "values": {}},
        {"kind": ["x"]},
        {},
    ],
)
def test_what_is_no_change_is_refused_in_words(session: Session, given: dict[str, Any]) -> None:
    with pytest.raises(PlanError):
        session.change(change_from(session, given))
    assert not session.changes


def test_a_building_that_crosses_itself_or_is_none(session: Session) -> None:
    given = wing(session)
    given["corners"] = [given["corners"][k] for k in (0, 2, 1, 3)]
    with pytest.raises(PlanError, match="crosses itself"):
        session.change(change_from(session, given))
    with pytest.raises(PlanError, match="no height of a building"):
        session.change(change_from(session, wing(session, 0.0)))


# --- what is saved ----------------------------------------------------------------------------------------------


def test_a_saved_plan_answers_as_the_changed_one_did_and_no_other_file_changes(
    session: Session, folder: Path
) -> None:
    held = {path.name: path.read_bytes() for path in folder.iterdir()}
    lon, lat, up = spot(session)
    session.change(change_from(session, wing(session, 9.0)))
    session.change(Tree(0, 1.5))
    session.change(Tree(2, 0.0))
    xy = session.site.controllers.xyz[0, :2] + 3.0
    session.change(Controller(0, tuple(xy)))
    session.change(Keys((("sensor.rated_range_ft", 700.0),)))
    files = session.save("tried")
    assert [path.name for path in files] == ["tried.toml", "tried.gpkg"]
    now, _ = session.point(lon, lat, up)

    text = (folder / "tried.toml").read_text(encoding="utf-8")
    own = (folder / PLAN).read_text(encoding="utf-8")
    comments = re.findall(r"#.*", own)
    assert comments
    assert all(comment in text for comment in comments)
    reopened = opened(read_plan(folder / "tried.toml"))
    found = point_card(reopened.now.prepared, session.now.beside, reopened._xy(lon, lat), up)
    one, other = numbers(found), numbers(now)
    assert one.keys() == other.keys()
    for key, value in one.items():
        if key != "ruled_out_by":
            np.testing.assert_allclose(np.array(value, float), np.array(other[key], float), atol=2e-4, err_msg=key)
    assert one["ruled_out_by"] == other["ruled_out_by"]
    assert held == {name: (folder / name).read_bytes() for name in held}

    with pytest.raises(OutputError, match="not overwritten"):
        session.save("tried.toml")
    for name in ("../tried2", "quick", "a/b", ".hidden", "", "x" * 90, "con\x00"):
        with pytest.raises((OutputError, PlanError)):
            session.save(name)
    assert sorted(path.name for path in folder.iterdir()) == sorted([*held, "tried.toml", "tried.gpkg"])


# --- who gets nothing -------------------------------------------------------------------------------------------


async def _inner(scope: Any, receive: Any, send: Any) -> None:
    body = (await receive())["body"]
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": scope["path"].encode() + b" " + body})


def ask(
    app: Any, method: str = "POST", path: str = f"/{TOKEN}/card", body: bytes = b"{}", **headers: str | None
) -> Any:
    """Status, headers and body that an application answers; headers replace (None: take out) our page's own."""
    usual: dict[str, str | None] = {"host": HOST}
    if method == "POST":
        usual |= {"origin": f"http://{HOST}", "content-type": "application/json", "sec-fetch-site": "same-origin"}
    named = usual | {key.replace("_", "-"): value for key, value in headers.items()}
    sent: list[dict[str, Any]] = []
    scope = {
        "type": "http", "method": method, "path": path, "raw_path": path.encode(), "query_string": b"",
        "http_version": "1.1", "scheme": "http", "root_path": "",
        "headers": [(k.encode(), v.encode()) for k, v in named.items() if v is not None],
    }  # fmt: skip

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    asyncio.run(app(scope, receive, send))
    return (
        sent[0]["status"],
        {k.decode(): v.decode() for k, v in sent[0]["headers"]},
        b"".join(m.get("body", b"") for m in sent[1:]),
    )


def test_our_own_page_gets_through_and_the_token_is_taken_off() -> None:
    assert ask(Guard(_inner, HOST, TOKEN), body=b'{"a":1}')[::2] == (200, b'/card {"a":1}')
    assert ask(Guard(_inner, HOST, TOKEN), "GET", f"/{TOKEN}/", b"")[::2] == (200, b"/ ")


@pytest.mark.parametrize(
    ("status", "asked"),
    [
        (421, {"host": "evil.example"}),
        (421, {"host": "127.0.0.1"}),
        (421, {"host": "127.0.0.1:4712"}),
        (421, {"host": "localhost:4711"}),
        (421, {"host": "[::1]:4711"}),
        (421, {"host": None}),
        (404, {"path": "/card"}),
        (404, {"path": "/"}),
        (404, {"path": ""}),
        (404, {"path": f"/{TOKEN}x/card"}),
        (404, {"path": f"//{TOKEN}/card"}),
        (404, {"path": f"/{TOKEN.upper()}/card"}),
        (403, {"origin": "http://evil.example"}),
        (403, {"origin": "null"}),
        (403, {"origin": f"https://{HOST}"}),
        (403, {"origin": None}),
        (403, {"sec_fetch_site": "cross-site"}),
        (403, {"sec_fetch_site": "same-site"}),
        (403, {"method": "GET", "sec_fetch_site": "cross-site"}),
        (405, {"method": "PUT"}),
        (405, {"method": "OPTIONS"}),
        (415, {"content_type": "text/plain"}),
        (415, {"content_type": "application/x-www-form-urlencoded"}),
        (415, {"content_type": None}),
        (413, {"content_length": str(MOST_BYTES + 1)}),
        (413, {"content_length": "-1"}),
        (413, {"body": b"x" * (MOST_BYTES + 1)}),
    ],
)
def test_anybody_else_gets_nothing(status: int, asked: dict[str, Any]) -> None:
    found, headers, body = ask(Guard(_inner, HOST, TOKEN), **asked)
    assert found == status
    assert b"/card" not in body
    assert "access-control-allow-origin" not in headers


def test_a_flood_waits_for_the_next_second_and_beyond_that_is_refused() -> None:
    now, waits, guard = [0.0], [], Guard(_inner, HOST, TOKEN)

    async def pause(seconds: float) -> None:
        waits.append(seconds)
        assert guard.waiting == 1
        now[0] += seconds + 0.001

    guard.clock, guard.pause = lambda: now[0], pause
    assert {ask(guard)[0] for _ in range(MOST_A_SECOND)} == {200}
    assert waits == []
    assert ask(guard)[0] == 200
    assert waits == [1.0]
    assert ask(guard, path="/elsewhere/card")[0] == 404  # without the token nothing waits, and nothing is counted
    assert {ask(guard)[0] for _ in range(MOST_A_SECOND - 1)} == {200}
    guard.waiting = MOST_WAITING
    assert ask(guard)[0] == 429


def test_sockets_are_closed() -> None:
    sent: list[dict[str, Any]] = []

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    asyncio.run(Guard(_inner, HOST, TOKEN)({"type": "websocket", "path": f"/{TOKEN}/"}, None, send))  # type: ignore[arg-type]
    assert sent == [{"type": "websocket.close", "code": 1008}]


def test_the_page_lets_only_its_own_scripts_run_and_fetches_nothing(session: Session) -> None:
    app = Guard(application(session, lambda: None), HOST, TOKEN)
    status, headers, body = ask(app, "GET", f"/{TOKEN}/", b"")
    assert status == 200
    policy, page = headers["content-security-policy"], body.decode()
    nonce = re.search(r"script-src 'nonce-([^']+)'", policy)
    assert nonce
    assert "unsafe-eval" not in policy
    assert "default-src 'none'" in policy
    scripts = re.findall(r"<script([^>]*)>", page)
    assert len(scripts) > 4
    assert all(nonce[1] in script or "application/json" in script for script in scripts)
    assert not re.search(r"<(script|link|img|iframe|object)[^>]+(src|href)=(?!.data:)", page)
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "no-referrer"
    other = ask(app, "GET", f"/{TOKEN}/", b"")[1]["content-security-policy"]
    assert other != policy  # a nonce serves once


def test_answers_are_the_python_functions_own_and_faults_are_told(session: Session) -> None:
    app = Guard(application(session, lambda: None), HOST, TOKEN)
    lon, lat, up = spot(session)
    status, _, body = ask(app, body=json.dumps({"lon": lon, "lat": lat, "height_m": up}).encode())
    assert status == 200
    card = point_card(session.now.prepared, session.now.beside, session._xy(lon, lat), up)
    assert json.loads(body)["numbers"] == json.loads(json.dumps(numbers(card)))
    for path, asked, expected in (
        ("card", b"[1]", 400),
        ("card", b"{", 400),
        ("card", b'{"lon": NaN, "lat": 0}', 422),
        ("card", b'{"lon": 0, "lat": 0}', 422),
        ("change", b'{"kind": "nothing"}', 422),
        ("save", b'{"name": "quick"}', 409),
        ("save", b'{"name": "../../x"}', 422),
    ):
        status, _, body = ask(app, path=f"/{TOKEN}/{path}", body=asked)
        assert status == expected, (path, asked)
        assert json.loads(body)["error"]["what"]
    for path in ("quick.toml", "../quick.toml", "%2e%2e/lot.geojson", "assets/serve.js"):
        assert ask(app, "GET", f"/{TOKEN}/{path}", b"")[0] == 404


def test_a_question_that_nobody_waits_for_any_more_is_passed_over(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    app, asked = Guard(application(session, lambda: None), HOST, TOKEN), []
    point = session.point
    monkeypatch.setattr(session, "point", lambda *at: asked.append(at) or point(*at))
    lon, lat, up = spot(session)
    headers = {
        "host": HOST, "origin": f"http://{HOST}", "content-type": "application/json",
        "sec-fetch-site": "same-origin",
    }  # fmt: skip

    async def question(east: float, stays: bool) -> int:
        body = json.dumps({"lon": lon + east, "lat": lat, "height_m": up}).encode()
        messages = [{"type": "http.request", "body": body, "more_body": False}]
        sent: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            if messages:
                return messages.pop()
            if stays:
                await asyncio.Event().wait()
            return {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        scope = {
            "type": "http", "method": "POST", "path": f"/{TOKEN}/card", "raw_path": b"", "query_string": b"",
            "http_version": "1.1", "scheme": "http", "root_path": "",
            "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
        }  # fmt: skip
        await app(scope, receive, send)
        return int(sent[0]["status"])

    async def all_three() -> list[int]:
        return await asyncio.gather(question(0.0, True), question(1e-5, False), question(2e-5, True))

    assert asyncio.run(all_three()) == [200, 499, 200]
    assert [round((at[0] - lon) * 1e5) for at in asked] == [0, 2]


# --- who is answered when ---------------------------------------------------------------------------------------


async def stays() -> bool:
    return False


def test_equal_questions_are_worked_on_once_quick_ones_first_and_answers_are_kept() -> None:
    worked: list[str] = []

    def work(name: str) -> Callable[[], bytes]:
        def answer() -> bytes:
            worked.append(name)
            return name.encode()

        return answer

    async def all_at_once() -> list[bytes | None]:
        desk = Desk(kept=2)
        asked = [("slow", Rank.SLOW), ("first", Rank.QUICK), ("slow", Rank.SLOW), ("quick", Rank.QUICK)] * 3
        found = await asyncio.gather(*(desk.answer(name, rank, work(name), stays) for name, rank in asked))
        assert found == [name.encode() for name, _ in asked]
        assert worked == ["first", "quick", "slow"]
        await desk.answer("quick", Rank.QUICK, work("quick"), stays)
        assert len(worked) == 3  # kept
        await desk.answer("first", Rank.QUICK, work("first"), stays)
        assert worked[3:] == ["first"]  # gone, for two are kept
        return found

    asyncio.run(all_at_once())


def test_a_fault_is_everybodys_who_asked_and_the_desk_goes_on() -> None:
    def fails() -> bytes:
        raise PlanError("here", "it fails", "Leave it")

    async def asked() -> None:
        desk = Desk(most_waiting=2)
        faults = await asyncio.gather(
            *(desk.answer("a", Rank.QUICK, fails, stays) for _ in range(3)), return_exceptions=True
        )
        assert [str(fault) for fault in faults] == ["here: it fails. Leave it"] * 3
        assert await desk.answer("a", Rank.QUICK, lambda: b"a", stays) == b"a"
        many = [desk.answer(k, Rank.QUICK, lambda: b"x", stays) for k in range(5)]
        found = await asyncio.gather(*many, return_exceptions=True)
        assert [type(one) for one in found] == [bytes, bytes, Full, Full, Full]

    asyncio.run(asked())


# --- elsewhere on the earth, in other units ---------------------------------------------------------------------


def test_the_page_speaks_metric_in_the_southern_hemisphere(tmp_path: Path) -> None:
    lot = (SMALL / "lot.geojson").read_text(encoding="utf-8")
    (tmp_path / "lot.geojson").write_text(
        re.sub(r"(-119\.\d+), (35\.\d+)", r"\1, -\2", lot).replace("-119.", "149.")
    )
    plan = (SMALL / "two-controllers.toml").read_text(encoding="utf-8").replace('units = "us"', 'units = "metric"')
    plan += "\n[sun]\nstep_minutes = 20\nday_step = 10\n[season]\nmonths = [1, 2, 12]\n"
    (tmp_path / "south.toml").write_text(plan)
    session = opened(read_plan(tmp_path / "south.toml"))
    assert session.site.latitude_deg == pytest.approx(-35.27, abs=0.01)
    html = page_html(session, "nonce")
    assert "Sensor height above ground, m<" in html
    assert "Roof edge above ground, m<" in html
    assert not re.search(r"\d ft\b", re.sub(r"<script.*?</script>", "", html, flags=re.S))
    checked = re.findall(r'name="season.months" value="(\d+)" checked', html)
    assert checked == ["1", "2", "12"]
    lon, lat, up = spot(session)
    card = card_answer(*session.point(lon, lat, up))
    assert not re.search(r"\d ft\b", card["html"])
    # the sun stands in the north at noon: a wall there takes nearly all of June's light, one in the south little
    x, y = session.decided.mounts.xyz[session.decided.decision.chosen, :2]
    left = []
    for near, far in ((5, 15), (-5, -15)):
        corners = np.array([[x - 20, y + near], [x + 20, y + near], [x + 20, y + far], [x - 20, y + far]])
        given = {"kind": "building", "height_m": 25.0, "corners": to_lonlat(session.site.crs)(corners).tolist()}
        session.change(change_from(session, given))
        left.append(numbers(session.point(lon, lat, up)[0])["light_share"][5])
        session.undo()
    assert left[0] < 0.1
    assert left[1] > 0.9


# --- the command line -------------------------------------------------------------------------------------------


def test_a_port_in_use_and_a_faulty_plan_are_said_before_anything_is_read(tmp_path: Path) -> None:
    with bound() as taken:
        port = taken.getsockname()[1]
        done = CliRunner().invoke(cli, ["serve", str(SMALL / "smallest.toml"), "--port", str(port)])
        assert (done.exit_code, f"port {port} cannot be used" in done.output) == (2, True)
    (tmp_path / "bad.toml").write_text('[layers.site]\npath = "lot.geojson"\nheigth = "x"\n')
    done = CliRunner().invoke(cli, ["serve", str(tmp_path / "bad.toml")])
    assert (done.exit_code, "heigth" in done.output) == (3, True)
    (tmp_path / "gone.toml").write_text('[layers.site]\npath = "gone.geojson"\n')
    done = CliRunner().invoke(cli, ["serve", str(tmp_path / "gone.toml")])
    assert (done.exit_code, "gone.geojson" in done.output) == (3, True)
    assert "Open http" not in done.output


# --- a real process ---------------------------------------------------------------------------------------------


def test_a_process_binds_to_loopback_answers_its_own_page_and_stops_cleanly(folder: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "planner", "serve", str(folder / PLAN), "--quiet"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"NO_COLOR": "1"},
    ) as process:
        assert process.stdout is not None
        said = process.stdout.readline().split()
        try:
            assert said[:1] == ["Open"]
            address = said[1]
            assert re.fullmatch(r"http://127\.0\.0\.1:\d+/[\w-]{32}/", address)

            def status(url: str, **headers: str) -> int:
                try:
                    with urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=60) as found:
                        return int(found.status)
                except urllib.error.HTTPError as fault:
                    return fault.code

            assert status(address) == 200
            assert status(re.sub(r"/[^/]+/$", "/", address)) == 404
            assert status(address, Host="evil.example") == 421
            process.send_signal(signal.SIGINT)
            assert process.wait(timeout=30) == 130
            assert "Nothing was left half-written" in process.stderr.read()  # type: ignore[union-attr]
            with pytest.raises(urllib.error.URLError):
                status(address)
        finally:
            process.kill()
