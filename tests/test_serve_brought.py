# ruff: noqa: F811  (fixtures of another module are named as parameters)
"""Layers that are dropped on the page: what they are taken for, what is asked, how they change the site, how they
are saved, and what is not let in."""

from __future__ import annotations

import asyncio
import io
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import geopandas
import numpy as np
import pytest
import shapely
from test_serve import HOST, TOKEN, ask, first, folder, session, spot, wing  # noqa: F401  (fixtures)

from planner.changes import Controller, Tree
from planner.layers import read_site
from planner.ledger import Ledger, PlanError
from planner.plan import read_plan
from planner.serve import brought
from planner.serve.app import application
from planner.serve.guard import MOST_FILE_BYTES, Guard
from planner.serve.session import Session, change_from, told_from
from planner.show.lonlat import to_lonlat
from planner.show.say.brought import told_said


@pytest.fixture
def inbox(session: Session, tmp_path: Path) -> Iterator[brought.Inbox]:
    session.inbox = brought.Inbox(tmp_path)
    yield session.inbox
    session.inbox = None


def upload(session: Session, name: str, content: bytes, drop: str = "drop1", **headers: str | None) -> Any:
    """Status and answer of a file that comes as the page sends it."""
    app = Guard(application(session, lambda: None), HOST, TOKEN)
    own: dict[str, str | None] = {
        "content-type": "application/octet-stream", "x-name": quote(name), "x-drop": drop,
        "content-length": str(len(content)),
    }  # fmt: skip
    status, _, body = ask(app, path=f"/{TOKEN}/bring", body=content, **(own | headers))
    return status, json.loads(body)


def footprints(session: Session, column: str, heights: list[float | None], east_m: float = 0.0) -> bytes:
    """Squares of 8 m in a row at the site's south edge, as GeoJSON."""
    west, south, _, _ = session.site.outline.bounds
    boxes = [shapely.box(west + 12 * k, south, west + 12 * k + 8, south + 8) for k in range(len(heights))]
    frame = geopandas.GeoDataFrame({column: heights}, geometry=boxes, crs=session.site.crs)
    return frame.translate(east_m).to_frame("geometry").assign(**{column: heights}).to_crs(4326).to_json().encode()


def use(session: Session, **more: Any) -> None:
    session.change(change_from(session, {"kind": "layer", "drop": "drop1", "part": 0, **more}))


def test_a_dropped_layer_says_what_it_is_asks_the_unit_and_takes_the_place_of_that_there(
    session: Session,
    inbox: brought.Inbox,
    folder: Path,
) -> None:
    there = len(session.site.buildings)
    assert upload(session, "footprints.geojson", footprints(session, "HGT", [5.0, 6.0, None, 8.0])) == (
        200,
        {"file": "footprints.geojson"},
    )
    (one,) = told_from(session, {"drop": "drop1"})
    said = told_said(one, brought.present(session.site))
    assert (said["kind"], said["usable"], said["has"], said["joins"]) == ("buildings", True, True, True)
    assert said["says"][0].startswith("footprints.geojson: taken as buildings by its name, 4 features")
    assert "Height: column HGT; 3 of 4 have one, median 6.0 m." in said["says"]
    (asked,) = said["asks"]
    assert (asked["key"], asked["choices"]) == ("height_unit", [("m", "meters"), ("ft", "feet")])
    assert "nothing says which" in asked["why"]

    use(session, answers={"height_unit": "ft"})
    site = session.now.prepared.scene.site
    assert len(site.buildings) == 4
    assert site.height_assumed.tolist() == [False, False, True, False]
    np.testing.assert_allclose(
        site.buildings.top_m[[0, 1, 3]] - site.ground_at(np.zeros(2)), np.array([5, 6, 8]) * 0.3048
    )
    drawn = session.drawn()
    assert drawn["counts"] == [("Buildings", f"{there}", "4")]
    assert drawn["changes"] == ["Buildings from footprints.geojson"]
    assert [len(one["shapes"]) for one in drawn["brought"]] == [4]
    assert any("HGT" in line or "height" in line for line in drawn["notices"])
    lon, lat, _ = spot(session)
    now, was = session.point(lon, lat, 12.0)
    assert was is not None
    assert now.site is site

    files = session.save("with-footprints")
    assert [path.name for path in files] == ["with-footprints.toml", "with-footprints-footprints.geojson"]
    plan = read_plan(folder / "with-footprints.toml")
    saved = read_site(plan, Ledger())
    np.testing.assert_allclose(saved.buildings.top_m, site.buildings.top_m, atol=1e-6)
    np.testing.assert_array_equal(saved.crowns.centre, site.crowns.centre)
    for path in files:
        path.unlink()
    session.undo()
    assert session.now.base is session.before.base
    session.redo()
    assert session.now.prepared.scene.site.buildings.names == site.buildings.names


def test_an_added_layer_stands_beside_that_there_with_what_was_tried_before(
    session: Session,
    inbox: brought.Inbox,
    folder: Path,
) -> None:
    n = len(session.site.buildings)
    session.change(change_from(session, wing(session, 9.0)))
    session.change(Tree(1, 0.0))
    upload(session, "footprints.geojson", footprints(session, "height_m", [5.0, 6.0]))
    use(session, joins=True)
    site = session.now.prepared.scene.site
    assert len(site.buildings) == n + 3
    assert site.buildings.names[:n] == session.site.buildings.names
    assert site.buildings.names[-1] == "New wing"
    assert len(set(site.buildings.names)) == n + 3
    assert len(site.crowns) == len(session.site.crowns) - 1
    assert session.from_site() == ("buildings", "trees")
    files = session.save("added")
    assert [path.name for path in files] == ["added.toml", "added.gpkg"]
    saved = read_site(read_plan(folder / "added.toml"), Ledger())
    np.testing.assert_allclose(saved.buildings.top_m, site.buildings.top_m, atol=1e-6)
    assert "all buildings and trees as they stand here" in session.drawn()["holds"]
    for path in files:
        path.unlink()


def test_new_trees_and_controllers_end_what_was_tried_on_the_old_ones(
    session: Session,
    inbox: brought.Inbox,
) -> None:
    session.change(Tree(1, 0.0))
    session.change(Controller(0, (1.0, 2.0)))
    west, south, east, north = session.site.outline.bounds
    at = np.array([[(west + east) / 2, south + 5.0], [(west + east) / 2, north - 5.0], [west + 9.0, south + 9.0]])
    lonlat = to_lonlat(session.site.crs)(at)
    rows = "\n".join(f"T{k},{x},{y},30" for k, (x, y) in enumerate(lonlat))
    upload(session, "trees.csv", f"tag,longitude,latitude,height_ft\n{rows}\n".encode())
    use(session)
    now = session.now.prepared.scene.site
    assert now.crowns.names == ("T0", "T1", "T2")  # none felled: that was another tree
    np.testing.assert_allclose(now.controllers.xyz[0, :2], (1.0, 2.0))
    session.change(Tree(0, 2.0))
    assert [one["times"] for one in session.drawn()["trees"]] == [2.0]

    rows = "\n".join(f"clock {k},{x},{y}" for k, (x, y) in enumerate(lonlat))
    upload(session, "controllers.csv", f"name,longitude,latitude\n{rows}\n".encode(), "drop2")
    session.change(change_from(session, {"kind": "layer", "drop": "drop2", "part": 0}))
    assert session.now.alone
    assert session.now.prepared.scene.site.controllers.names == ("clock 0", "clock 1", "clock 2")
    lon, lat, up = spot(session)
    card, was = session.point(lon, lat, up)
    assert card.reach.links.probability.shape == (1, 3)
    assert was is not None
    session.decide()
    assert not session.now.alone
    assert len(session.now.beside.sharing.holds[0]) == 3  # type: ignore[union-attr]
    revision = session.revision
    assert session.drawn()["map"] == revision
    assert session.drawn()["brought"] == []
    session.undo()
    assert session.drawn()["map"] == 0


def test_another_outline_keeps_what_was_drawn_in_its_place(session: Session, inbox: brought.Inbox) -> None:
    session.change(change_from(session, wing(session, 9.0)))
    drawn = session.now.prepared.scene.site.buildings.shapes[-1]
    before = to_lonlat(session.site.crs)(shapely.get_coordinates(drawn))
    moved = shapely.box(*np.add(session.site.outline.bounds, (-30.0, -30.0, 70.0, 30.0)))
    there = geopandas.GeoSeries([moved], crs=session.site.crs)
    upload(session, "boundary.geojson", there.to_crs(4326).to_json().encode())
    use(session)
    site = session.now.prepared.scene.site
    assert site.crs != session.site.crs
    after = to_lonlat(site.crs)(shapely.get_coordinates(site.buildings.shapes[-1]))
    np.testing.assert_allclose(np.sort(after, axis=0), np.sort(before, axis=0), atol=1e-8)
    lon, lat, up = spot(session)
    now, was = session.point(lon, lat, up)
    assert was is not None
    np.testing.assert_allclose(
        to_lonlat(now.site.crs)(now.mounts.xyz), to_lonlat(was.site.crs)(was.mounts.xyz), atol=1e-8
    )
    upload(session, "boundary.geojson", there.translate(9000.0).to_crs(4326).to_json().encode(), "drop2")
    (one,) = told_from(session, {"drop": "drop2"})
    assert not one.usable
    assert "9 km from the site" in told_said(one, {})["says"][0]


def test_what_nothing_tells_is_asked_and_no_other_answer_counts(session: Session, inbox: brought.Inbox) -> None:
    lon, lat, _ = spot(session)
    upload(session, "things.geojson", geopandas.GeoSeries([shapely.Point(lon, lat)], crs=4326).to_json().encode())
    (one,) = told_from(session, {"drop": "drop1"})
    assert (one.kind, one.usable) == (None, False)
    with pytest.raises(PlanError, match="nothing tells"):
        use(session)
    chosen = {"0": {"kind": "poles"}}
    (one,) = told_from(session, {"drop": "drop1", "chosen": chosen})
    assert "as you chose" in told_said(one, {})["says"][0]
    for given in (
        {"chosen": {"0": {"kind": "buildings"}}},  # of a point
        {"chosen": {"0": {"kind": "nonsense"}}},
        {"chosen": {"0": "poles"}},
        {"chosen": chosen, "answers": {"path": "/etc/passwd"}},
        {"chosen": chosen, "answers": {"where": "1 = 1"}},
        {"chosen": chosen, "answers": []},
        {"chosen": {"0": {"kind": "poles", "crs": "EPSG:99"}}},
        {"drop": "nothere", "chosen": chosen},
        {"part": 7, "chosen": chosen},
    ):
        with pytest.raises(PlanError):
            use(session, **given)
    assert not session.changes
    use(session, chosen=chosen)
    assert len(session.now.prepared.scene.site.poles) == 1


def test_a_layer_without_its_crs_is_asked_for_it(session: Session, inbox: brought.Inbox) -> None:
    lonlat = to_lonlat(session.site.crs)(shapely.get_coordinates(session.site.buildings.shapes[0]))
    feet = geopandas.GeoSeries([shapely.Polygon(lonlat)], crs=4326).to_crs("EPSG:2229")
    frame = geopandas.GeoDataFrame({"height_ft": [20.0]}, geometry=feet.to_numpy())
    with zipfile.ZipFile(held := io.BytesIO(), "w") as archive:
        frame.to_file(inbox.root / "roofs.shp")
        for path in sorted(inbox.root.glob("roofs.*")):
            archive.write(path, path.name)
    upload(session, "roofs.zip", held.getvalue())
    (one,) = told_from(session, {"drop": "drop1"})
    chosen = {}
    if one.needs_crs:  # unless its place alone has told it
        chosen = {"0": {"crs": "EPSG:2229"}}
    use(session, chosen=chosen)
    found = session.now.prepared.scene.site.buildings.shapes[0]
    assert found.symmetric_difference(session.site.buildings.shapes[0]).area < 0.05


def test_a_zone_table_that_is_dropped_is_saved_beside_the_plan(
    session: Session,
    inbox: brought.Inbox,
    folder: Path,
) -> None:
    upload(session, "mine.csv", b"label,low,high\nlow,0,0.2\nhigh,0.2,0.6\n")
    (one,) = told_from(session, {"drop": "drop1"})
    assert told_said(one, {})["asks"][0]["key"] == "unit"
    use(session)
    assert session.now.prepared.zone.table.labels == ("low", "high")
    plan, table = session.save("zoned")
    assert table.name == "zoned-mine.csv"
    assert read_plan(plan).plan.zone.table == "zoned-mine.csv"
    plan.unlink()
    table.unlink()
    assert not (folder / "mine.csv").exists()


def test_the_plans_own_rasters_and_tables_are_told_too(session: Session, inbox: brought.Inbox) -> None:
    campus = Path(__file__).parents[1] / "examples" / "campus"
    upload(session, "terrain.tif", (campus / "terrain.tif").read_bytes())
    upload(session, "stations.csv", (campus / "stations.csv").read_bytes())
    found = {one.part.looked.path.name: told_said(one, {}) for one in told_from(session, {"drop": "drop1"})}
    assert found["terrain.tif"]["taken"] == "Taken as terrain"
    assert "station table" in found["stations.csv"]["says"][0]


# --- what is not let in -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["mosaic.vrt", "page.html", "plan.toml", "x", "", ".gpkg", ".hidden.gpkg", "a\x00.gpkg", "a" * 130 + ".csv",
     "x.geojson/", "mosaic.vrt.gz", "x.gz", ".csv.gz"],
)  # fmt: skip
def test_a_name_that_is_no_layers_is_refused(session: Session, inbox: brought.Inbox, name: str) -> None:
    status, answer = upload(session, name, b"{}")
    assert (status, bool(answer["error"]["what"])) == (422, True)
    assert [path for path in inbox.root.rglob("*") if path.is_file()] == []


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../etc/x.geojson", "x.geojson"),
        ("C:\\Users\\me\\x.geojson", "x.geojson"),
        ("/vsicurl/http:/a/x.geojson", "x.geojson"),
        ("${HOME}{mon}.geojson", "__HOME__mon_.geojson"),
        ("höhe 1?.geojson", "höhe 1_.geojson"),
        ("city: trees.CSV.GZ", "city_ trees.csv.gz"),
    ],
)
def test_a_files_name_leads_nowhere(session: Session, inbox: brought.Inbox, name: str, kept: str) -> None:
    assert upload(session, name, b"{}") == (200, {"file": kept})
    assert [path.relative_to(inbox.root).as_posix() for path in inbox.root.rglob("*.*")] == [f"drop1/{kept}"]


def test_files_that_lead_elsewhere_are_told_and_not_used(
    session: Session, inbox: brought.Inbox, folder: Path
) -> None:
    own = f"<SrcDataSource>{(folder / 'lot.geojson').resolve()}</SrcDataSource>"
    vrt = f'<OGRVRTDataSource><OGRVRTLayer name="lot">{own}</OGRVRTLayer></OGRVRTDataSource>'
    service = '<GDAL_WMS><Service name="TMS"><ServerUrl>http://127.0.0.1:9/x</ServerUrl></Service></GDAL_WMS>'
    kml = (
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><NetworkLink><Link><href>http://127.0.0.1:9/a.kml'
        "</href></Link></NetworkLink></Document></kml>"
    )
    for k, (name, content) in enumerate(
        [
            ("a.geojson", vrt),
            ("b.tif", service),
            ("c.kml", kml),
            ("d.gpkg", "nonsense"),
            ("e.geojson", "{"),
            ("f.csv", ""),
        ]
    ):
        upload(session, name, content.encode(), f"drop{k}")
        for one in told_from(session, {"drop": f"drop{k}"}):
            said = told_said(one, {})
            assert not one.usable, name
            assert said["says"], name
            assert str(inbox.root) not in " ".join(said["says"])


def test_archives_that_burst_or_lead_out_are_refused_and_gone(
    session: Session,
    inbox: brought.Inbox,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(brought, "MOST_UNPACKED", 4 << 20)

    def archive(**inside: bytes) -> bytes:
        with zipfile.ZipFile(held := io.BytesIO(), "w", zipfile.ZIP_DEFLATED) as made:
            for name, content in inside.items():
                made.writestr(name, content)
        return held.getvalue()

    bomb = archive(**{"x.csv": bytes(brought.MOST_UNPACKED), "y.csv": b"a"})
    assert len(bomb) < brought.MOST_UNPACKED / 500
    many = archive(**{f"{k}.txt": b"" for k in range(brought.MOST_INSIDE + 1)})
    for k, (content, word) in enumerate(
        [
            (bomb, "unpack to more than"),
            (many, "files are in it"),
            (archive(**{"../x.csv": b"a"}), "a file in it is named"),
            (archive(**{"/etc/x.csv": b"a"}), "a file in it is named"),
            (archive(**{"a.csv": b"a"})[:-30] + b"PK\x05\x06" + bytes(18), ""),
        ]
    ):
        status, answer = upload(session, "a.kmz" if k % 2 else "a.zip", content, f"drop{k}")
        if word:
            assert status == 422
            assert word in answer["error"]["what"]
    assert inbox.total_bytes < 1000


def test_a_file_that_is_too_large_is_stopped_on_its_way(
    session: Session,
    inbox: brought.Inbox,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert upload(session, "a.csv", b"", **{"content-length": str(MOST_FILE_BYTES + 1)})[0] == 413
    monkeypatch.setattr(brought, "MOST_FILE_BYTES", 1000)
    status, answer = upload(session, "a.csv", b"x" * 1001)
    assert (status, "larger than" in answer["error"]["what"]) == (422, True)
    monkeypatch.setattr(brought, "MOST_BYTES", 1500)
    assert upload(session, "b.csv", b"x" * 1000)[0] == 200
    assert upload(session, "c.csv", b"x" * 1000)[0] == 422
    assert inbox.total_bytes == 1000
    assert [path.name for path in inbox.root.rglob("*.csv")] == ["b.csv"]
    for _ in range(brought.MOST_FILES):
        status, answer = upload(session, f"{_}.csv", b"x")
    assert status == 422
    assert upload(session, "b.csv", b"x", "!")[0] == 422
    assert upload(session, "b.csv", b"x", "drop1")[0] == 422  # a second one of that name
    assert upload(session, "a.csv", b"x", **{"content-type": "application/json"})[0] == 415
    assert upload(session, "a.csv", b"x", origin="http://evil.example")[0] == 403


def test_a_browser_that_leaves_while_it_sends_leaves_nothing(session: Session, inbox: brought.Inbox) -> None:
    app = Guard(application(session, lambda: None), HOST, TOKEN)
    messages = [
        {"type": "http.request", "body": b"half of", "more_body": True}, {"type": "http.disconnect"},
    ]  # fmt: skip
    headers = {
        "host": HOST, "origin": f"http://{HOST}", "content-type": "application/octet-stream", "x-name": "a.csv",
        "x-drop": "drop1",
    }  # fmt: skip

    async def receive() -> dict[str, Any]:
        return messages.pop(0)

    async def send(message: dict[str, Any]) -> None:
        pass

    scope = {
        "type": "http", "method": "POST", "path": f"/{TOKEN}/bring", "raw_path": b"", "query_string": b"",
        "http_version": "1.1", "scheme": "http", "root_path": "",
        "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
    }  # fmt: skip
    asyncio.run(app(scope, receive, send))
    assert (inbox.total_bytes, inbox.drops["drop1"].files) == (0, [])
    assert not list(inbox.root.rglob("*.csv"))


def test_without_a_folder_nothing_is_taken(session: Session) -> None:
    assert session.inbox is None
    assert upload(session, "a.csv", b"x")[0] == 422
    with pytest.raises(PlanError):
        use(session)
