"""What a data file may do when it is opened: nothing is fetched unasked, and what lies beside it stays as it is."""

from __future__ import annotations

import errno
import gzip
import json
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine

from planner.layers import opening
from planner.layers.build import read_site
from planner.layers.look import look_at
from planner.layers.opening import CLOSED
from planner.layers.rows import read_rows
from planner.layers.vector import stand_in
from planner.ledger import DataError, Ledger, OutputError
from planner.pieces import plainly
from planner.plan import PlanFile, parse_plan
from planner.site import Site

SERVER = """
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
class Handler(BaseHTTPRequestHandler):
    def do_GET(self):
        with open(sys.argv[1], "a") as said:
            print(self.path, file=said)
        self.send_error(404)
    do_HEAD = do_GET
    def log_message(self, *_):
        pass
server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
print(server.server_port, flush=True)
server.serve_forever()
"""


@dataclass(frozen=True)
class Asked:
    """What a server on this machine was asked for, by the line.

    It is another process: an older pyogrio holds Python's lock while GDAL waits for the answer.
    """

    port: int
    said: Path

    def all(self) -> list[str]:
        return self.said.read_text().splitlines()


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asked]:
    said = tmp_path_factory.mktemp("asked") / "said.txt"
    said.touch()
    with subprocess.Popen([sys.executable, "-c", SERVER, str(said)], stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        yield Asked(int(server.stdout.readline()), said)
        server.kill()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    lot = shapely.box(420_000, 3_700_000, 420_080, 3_700_060)
    gpd.GeoDataFrame({"name": ["Lot"]}, geometry=[lot], crs=32612).to_file(tmp_path / "site.gpkg")
    heights = np.full((60, 60), 300, np.float32)
    with rasterio.open(
        tmp_path / "ground.tif", "w", driver="GTiff", width=60, height=60, count=1, dtype="float32",
        crs="EPSG:32612", transform=Affine(10, 0, 419_700, 0, -10, 3_700_300),
    ) as file:  # fmt: skip
        file.write(heights, 1)
    return tmp_path


def plan(folder: Path, site: str = "site.gpkg", terrain: str | None = None, **more: object) -> PlanFile:
    layers: dict[str, object] = {"site": {"path": site}}
    if terrain is not None:
        layers["terrain"] = {"path": terrain}
    return parse_plan({"layers": layers, **more}, folder / "plan.toml")


def vrt(source: str, relative: int = 1, more: str = "") -> str:
    return (
        '<VRTDataset rasterXSize="60" rasterYSize="60"><SRS>EPSG:32612</SRS>'
        "<GeoTransform>419700, 10, 0, 3700300, 0, -10</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1"{more}><SimpleSource>'
        f'<SourceFilename relativeToVRT="{relative}">{source}</SourceFilename><SourceBand>1</SourceBand>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )


# By the format whose file it is: what is written, H the server.
FETCHING = {
    "a.vrt": vrt("/vsicurl/http://H/a.tif", 0),
    "wrapped.vrt": vrt("inner.vrt"),
    "wms.xml": '<GDAL_WMS><Service name="TMS"><ServerUrl>http://H/${z}/${x}/${y}.png</ServerUrl></Service>'
    "<DataWindow><UpperLeftX>-20037508</UpperLeftX><UpperLeftY>20037508</UpperLeftY><LowerRightX>20037508"
    "</LowerRightX><LowerRightY>-20037508</LowerRightY><TileLevel>3</TileLevel></DataWindow>"
    "<Projection>EPSG:3857</Projection><BandsCount>3</BandsCount></GDAL_WMS>",
    "wcs.xml": "<WCS_GDAL><ServiceURL>http://H/wcs</ServiceURL><CoverageName>c</CoverageName></WCS_GDAL>",
    "wfs.xml": "<OGRWFSDataSource><URL>http://H/wfs</URL></OGRWFSDataSource>",
    "commented.gpkg": "<!-- a --><?xml version='1.0'?><OGRWFSDataSource><URL>http://H/w</URL></OGRWFSDataSource>",
    "vector.vrt": '<OGRVRTDataSource><OGRVRTLayer name="l"><SrcDataSource>/vsicurl/http://H/l.geojson'
    "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
    "steps.json": json.dumps(
        {"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline ! read /vsicurl/http://H/a.geojson"}
    ),
    "steps.geojson": json.dumps(
        {"type": "gdal_streamed_alg", "command_line": "gdal vector read http://H/a.geojson"}
    ),
    "stac.json": json.dumps(
        {"stac_version": "1.0.0", "type": "Feature", "assets": {"a": {"href": "http://H/a.tif"}}}
    ),
    "tiles.json": json.dumps({"tilejson": "3.0.0", "tiles": ["http://H/{z}/{x}/{y}.pbf"]}),
}


@pytest.mark.parametrize("as_terrain", [False, True])
@pytest.mark.parametrize("name", FETCHING)
def test_nothing_is_fetched_unasked(folder: Path, asked: Asked, name: str, as_terrain: bool) -> None:
    (folder / "inner.vrt").write_text(vrt(f"/vsicurl/http://127.0.0.1:{asked.port}/in.tif", 0))
    (folder / name).write_text(FETCHING[name].replace("H", f"127.0.0.1:{asked.port}"))
    before = len(asked.all())
    with pytest.raises(DataError, match=r"127\.0\.0\.1|instructions") as fault:
        read_site(plan(folder, **({"terrain": name} if as_terrain else {"site": name})), Ledger())
    assert name in fault.value.where
    assert asked.all()[before:] == []


def test_the_network_is_closed_to_what_is_not_known_by_its_head(folder: Path, asked: Asked) -> None:
    """GDAL itself cannot get out, by whatever way a file leads there."""
    before, url = len(asked.all()), f"http://127.0.0.1:{asked.port}/a.tif"
    own = pyogrio.get_gdal_config_option("GDAL_HTTP_PROXY")
    for name in ("/vsicurl/" + url, url):
        with rasterio.Env(**CLOSED), pytest.raises(rasterio.errors.RasterioError):
            rasterio.open(name)
    with rasterio.open(folder / "ground.tif", "r+") as file:
        file.update_tags(ns="OVERVIEWS", OVERVIEW_FILE="/vsicurl/" + url)
    with pytest.raises(DataError, match="overviews"):
        read_site(plan(folder, terrain="ground.tif"), Ledger())
    assert asked.all()[before:] == []
    assert pyogrio.get_gdal_config_option("GDAL_HTTP_PROXY") == own


@pytest.mark.parametrize("as_terrain", [False, True])
def test_the_network_is_closed_while_a_file_is_read(
    folder: Path, asked: Asked, monkeypatch: pytest.MonkeyPatch, as_terrain: bool
) -> None:
    """A file that is not seen through gets nowhere either."""
    url = f"/vsicurl/http://127.0.0.1:{asked.port}/unseen"
    (folder / "a.vrt").write_text(vrt(f"{url}.tif", 0) if as_terrain else FETCHING["vector.vrt"].replace(
        "/vsicurl/http://H/l", url))  # fmt: skip
    monkeypatch.setattr(opening, "_may_fetch", lambda *_: False)
    before = len(asked.all())
    with pytest.raises(DataError):
        read_site(plan(folder, **({"terrain": "a.vrt"} if as_terrain else {"site": "a.vrt"})), Ledger())
    assert asked.all()[before:] == []
    monkeypatch.setattr(opening, "_may_fetch", lambda *_: True)  # the same file, let out
    with pytest.raises(DataError):
        read_site(plan(folder, **({"terrain": "a.vrt"} if as_terrain else {"site": "a.vrt"})), Ledger())
    assert any("unseen" in what for what in asked.all()[before:])


def test_a_host_that_the_plan_names_is_asked(folder: Path, asked: Asked) -> None:
    (folder / "a.vrt").write_text(vrt(f"/vsicurl/http://127.0.0.1:{asked.port}/a.tif", 0))
    with pytest.raises(DataError, match=r"fetch its data from 127\.0\.0\.1") as fault:
        read_site(plan(folder, terrain="a.vrt", data_hosts=["example.org"]), Ledger())
    assert 'data_hosts = ["127.0.0.1", "example.org"]' in fault.value.todo
    before = len(asked.all())
    with pytest.raises(DataError):  # the server has no such file
        read_site(plan(folder, terrain="a.vrt", data_hosts=["127.0.0.1"]), Ledger())
    assert "/a.tif" in asked.all()[before:]
    # a file that is allowed to fetch may not read what lies about on this machine besides
    both = vrt(f"/vsicurl/http://127.0.0.1:{asked.port}/a.tif", 0).replace(
        "</VRTRasterBand>",
        '<SimpleSource><SourceFilename relativeToVRT="0">/etc/hostname</SourceFilename></SimpleSource>'
        "</VRTRasterBand>",
    )
    (folder / "a.vrt").write_text(both)
    with pytest.raises(DataError, match="instructions"):
        read_site(plan(folder, terrain="a.vrt", data_hosts=["127.0.0.1"]), Ledger())


def test_a_mosaic_of_the_plans_own_files_is_read(folder: Path) -> None:
    (folder / "tiles").mkdir()
    shutil.copy(folder / "ground.tif", folder / "tiles" / "t.tif")
    (folder / "tiles" / "m.vrt").write_text(vrt("t.tif"))
    (folder / "all.vrt").write_text(vrt("tiles/m.vrt"))
    site = read_site(plan(folder, terrain="all.vrt"), Ledger())
    assert site.elevation_m == pytest.approx(300.0)
    (folder / "layer.vrt").write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="site"><SrcDataSource relativeToVRT="1">site.gpkg</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    assert read_site(plan(folder, site="layer.vrt"), Ledger()).outline.area == pytest.approx(4800, rel=1e-2)


@pytest.mark.parametrize(
    ("source", "relative", "more"),
    [
        ("../secret.tif", 1, ""),
        ("OUT/secret.tif", 0, ""),
        ("ground.tif", 0, ""),  # relative to wherever the program was started
        ("link.tif", 1, ""),
        ("GTIFF_DIR:1:OUT/secret.tif", 0, ""),
        ("vrt://OUT/secret.tif", 0, ""),
        ("ground.tif", 1, ' subClass="VRTRawRasterBand"'),
        ("&lt;VRTDataset/&gt;", 0, ""),
    ],
)
def test_a_mosaic_reads_nothing_beyond_the_plans_folder(
    folder: Path, source: str, relative: int, more: str
) -> None:
    inside = folder / "job"
    inside.mkdir()
    for name in ("site.gpkg", "ground.tif"):
        shutil.copy(folder / name, inside / name)
    shutil.copy(folder / "ground.tif", folder / "secret.tif")
    (inside / "link.tif").symlink_to(folder / "secret.tif")
    (inside / "a.vrt").write_text(vrt(source.replace("OUT", str(folder)), relative, more))
    with pytest.raises(DataError, match=r"takes its data from|instructions"):
        read_site(plan(inside, terrain="a.vrt"), Ledger())


def test_an_archive_and_a_workbook_are_looked_into(folder: Path, asked: Asked) -> None:
    hostile = FETCHING["vector.vrt"].replace("H", f"127.0.0.1:{asked.port}")
    with zipfile.ZipFile(folder / "site.zip", "w") as archive:
        archive.writestr("a.vrt", hostile)
    before = len(asked.all())
    with pytest.raises(DataError, match=r"a\.vrt in it"):
        read_site(plan(folder, site="site.zip"), Ledger())
    (folder / "table.xlsx").write_text(hostile)
    with pytest.raises(DataError, match=r"instructions|fetch"):
        read_rows(folder / "table.xlsx", "programme.stations")
    assert asked.all()[before:] == []


KILLED = """
import os, sqlite3, sys
c = sqlite3.connect(sys.argv[1])
c.execute(f"pragma journal_mode={sys.argv[2]}")
c.execute("pragma cache_size=1")
c.execute("create table more (x)")
c.execute("insert into more values (zeroblob(100000))")
if sys.argv[2] == "wal":
    c.commit()
os._exit(0)
"""


@pytest.mark.parametrize(("mode", "log"), [("wal", "-wal"), ("delete", "-journal")])
def test_what_a_killed_program_left_beside_a_geopackage_stays(folder: Path, mode: str, log: str) -> None:
    path = folder / "site.gpkg"
    subprocess.run([sys.executable, "-c", KILLED, str(path), mode], check=True)
    left = [path, folder / f"site.gpkg{log}"]
    assert left[1].stat().st_size > 0
    before = {file: file.read_bytes() for file in left}
    names, ledger = set(folder.iterdir()), Ledger()
    read_site(plan(folder), ledger)
    assert {file: file.read_bytes() for file in left} == before
    assert set(folder.iterdir()) - names <= {folder / "site.gpkg-shm"}
    assert any("another program has it open" in notice.what for notice in ledger)


@pytest.mark.parametrize("name", ["site.gpkg", "si!te.gpkg"])
def test_without_room_for_a_stand_in(folder: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """By a copy beside its log, or by a link where its name is odd."""
    (folder / "site.gpkg").rename(folder / name)
    if name == "site.gpkg":
        (folder / "site.gpkg-wal").write_bytes(b"x")

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("shutil.copyfile", full)
    monkeypatch.setattr(Path, "symlink_to", full)
    with pytest.raises(OutputError, match="temporary file cannot be written there: No space left"):
        read_site(plan(folder, name), Ledger())
    with pytest.raises(OutputError, match="temporary file"), plainly(folder / "a!b" / "c.gpkg"):
        pass


def test_changes_in_a_log_are_read(folder: Path) -> None:
    path, moved = folder / "site.gpkg", folder / "moved.gpkg"
    gpd.GeoDataFrame({"name": ["Far"]}, geometry=[shapely.box(0, 0, 200, 100)], crs=32612).translate(
        420_000, 3_700_000
    ).to_file(moved, layer="site")
    outline = sqlite3.connect(moved).execute("select geom from site").fetchone()[0]
    held = sqlite3.connect(path)
    held.execute("pragma journal_mode=wal")
    for (trigger,) in held.execute("select name from sqlite_master where type = 'trigger'").fetchall():
        held.execute(f'drop trigger "{trigger}"')
    held.execute("update site set geom = ?", [outline])
    held.commit()
    assert read_site(plan(folder), Ledger()).outline.area == pytest.approx(20_000, rel=1e-2)
    held.close()


@pytest.mark.parametrize("name", ["a!b", "new\nline", "tab\there", "semi;colon", "per%20cent", "what?", "#1"])
def test_any_name_of_a_folder_or_a_file(folder: Path, name: str) -> None:
    inside = folder / name
    inside.mkdir()
    gpd.read_file(folder / "site.gpkg").to_file(folder / "site.shp")
    for file in folder.iterdir():
        if file.stem in ("site", "ground"):
            shutil.copy(file, inside / f"{name}{file.suffix}")
    for form in ("shp", "gpkg"):
        site = read_site(plan(inside, site=f"{name}.{form}", terrain=f"{name}.tif"), Ledger())
        assert site.elevation_m == pytest.approx(300.0)


def test_an_odd_name_by_a_path_from_here(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "site.gpkg").rename(folder / "a;b\x1b.gpkg")
    monkeypatch.chdir(folder)
    (looked,) = look_at(Path("a;b\x1b.gpkg"))
    assert (looked.count, looked.fault) == (1, "")


def test_a_view_without_an_end_is_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(opening, "VIEWS_S", 0.3)
    # both end by and by, so that this test does too if they are not looked through
    counted = "with c(x) as (select 1 union all select x + 1 from c limit {})"
    views = {
        "good": "select * from site",
        "endless": f"{counted.format(150_000)} select x as fid, geom, name from site, c",
        "slow": f"select site.* from site where ({counted.format(20_000_000)} select count(*) from c) > 0",
    }
    for name, sql in views.items():
        path = folder / f"{name}.gpkg"
        shutil.copy(folder / "site.gpkg", path)
        with sqlite3.connect(path) as file:
            file.execute(f"create view {name} as {sql}")
            file.execute(
                "insert into gpkg_contents (table_name, data_type, identifier, srs_id) "
                f"values ('{name}', 'features', '{name}', 32612)"
            )
            file.execute("insert into gpkg_geometry_columns values (?, 'geom', 'POLYGON', 32612, 0, 0)", [name])

    def read(name: str) -> object:
        layers = {"site": {"path": f"{name}.gpkg", "layer": name}}
        return read_site(parse_plan({"layers": layers}, folder / "plan.toml"), Ledger())

    assert read("good") is not None
    monkeypatch.setattr(opening, "MOST_ROWS", 100_000)
    for name in ("endless", "slow"):
        with pytest.raises(DataError, match=f"its view {name}"):
            read(name)


# --- packed by gzip ---------------------------------------------------------------------------------------------


def packed(path: Path) -> Path:
    """The file packed by Python's own gzip (RFC 1952), and taken away."""
    there = path.with_name(path.name + ".gz")
    there.write_bytes(gzip.compress(path.read_bytes()))
    path.unlink()
    return there


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".fgb", ".gml", ".csv", ".parquet"])
def test_a_packed_layer_is_the_same_layer(folder: Path, suffix: str) -> None:
    """Beside the file as it was, for each of the formats."""
    name = f"lot{suffix}"
    lot = gpd.read_file(folder / "site.gpkg").to_crs(4326)
    halls = gpd.GeoDataFrame({"name": ["A"], "height": [9.5]}, geometry=lot.scale(0.5, 0.5), crs=4326)
    if suffix == ".parquet":
        halls.to_parquet(folder / name)
    elif suffix == ".csv":
        centre = halls.geometry.iloc[0].centroid
        (folder / name).write_text(f"Clocks of 2026\nname,lon,lat\nA,{centre.x},{centre.y}\n")
    else:
        halls.to_file(folder / name, driver="GML" if suffix == ".gml" else None)
    section: dict[str, object] = {"path": name, "name": "name"}
    kind = "buildings"
    if suffix == ".csv":
        kind, section = "controllers", section | {"x": "lon", "y": "lat", "crs": "EPSG:4326"}

    def read(path: str) -> Site:
        return read_site(plan_of({"site": {"path": "site.gpkg"}, kind: section | {"path": path}}), Ledger())

    def plan_of(layers: dict[str, object]) -> PlanFile:
        return parse_plan({"layers": layers}, folder / "plan.toml")

    plain, looked = read(name), look_at(folder / name)
    whole = packed(folder / name)
    found = read(whole.name)
    assert getattr(found, kind).names == getattr(plain, kind).names == ("A",)
    assert found == plain
    (one,) = look_at(whole)
    assert (one.form, one.count, one.crs, dict(one.columns)) == (
        looked[0].form,
        looked[0].count,
        looked[0].crs,
        dict(looked[0].columns),
    )
    assert not (folder / name).exists()


def test_a_packed_raster_is_the_same_raster(folder: Path) -> None:
    plain = read_site(plan(folder, terrain="ground.tif"), Ledger())
    there = packed(folder / "ground.tif")
    assert read_site(plan(folder, terrain=there.name), Ledger()) == plain
    (looked,) = look_at(there)
    assert looked.relief is not None
    assert looked.relief.percentiles[2] == 300


def test_a_packed_file_that_bursts_is_cut_or_leads_out_is_refused(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing of it stays in the folder for temporary files."""
    monkeypatch.setattr(opening, "MOST_UNPACKED", 4 << 20)
    monkeypatch.setenv("TMPDIR", str(scratched := folder / "scratch"))
    monkeypatch.setattr("tempfile.tempdir", None)
    scratched.mkdir()
    whole = gzip.compress((folder / "site.gpkg").read_bytes())
    cases = {
        "burst.geojson.gz": (gzip.compress(b" " * (opening.MOST_UNPACKED + 1)), "unpacks to more than 4 MB"),
        "cut.gpkg.gz": (whole[: len(whole) // 2], "cannot be unpacked"),
        "bent.gpkg.gz": (whole[:40] + bytes(40) + whole[80:], "cannot be unpacked"),
        "none.gpkg.gz": ((folder / "site.gpkg").read_bytes(), "cannot be unpacked"),
        "twice.gpkg.gz.gz": (gzip.compress(whole), "packed twice"),
        "empty.csv.gz": (b"", "cannot be read"),
        "lead.vrt.gz": (gzip.compress(vrt("ground.tif").encode()), "takes its data from"),
        "shapes.tar.gz": (gzip.compress(bytes(10240)), "cannot be read"),
    }
    for name, (content, what) in cases.items():
        (folder / name).write_bytes(content)
        with pytest.raises(DataError) as fault:
            read_site(plan(folder, site=name), Ledger())
        assert what in fault.value.what, name
        assert name in fault.value.where, name
        assert fault.value.todo, name
        assert list(scratched.iterdir()) == []
    (folder / "fits.geojson.gz").write_bytes(gzip.compress(b" " * opening.MOST_UNPACKED))
    with pytest.raises(DataError) as fault:
        read_site(plan(folder, site="fits.geojson.gz"), Ledger())
    assert "unpacks to more" not in fault.value.what


def test_no_room_to_unpack_is_said_as_such(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    there = packed(folder / "site.gpkg")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(opening, "_unpack", full)
    with pytest.raises(OutputError, match="No space left"):
        read_site(plan(folder, site=there.name), Ledger())


def test_a_packed_layer_of_a_contract_is_unpacked_once_and_not_for_each_site(folder: Path) -> None:
    """A packed file has no index for a box: it is kept as a stand-in, though what is in it has one."""
    plain = folder / "halls.gpkg"
    shutil.copy(folder / "site.gpkg", plain)
    there = packed(plain)
    file = plan(folder, site="site.gpkg")
    assert file.plan.layers is not None
    section = file.plan.layers.site.model_copy(update={"path": there.name})
    assert stand_in(file, "layers.buildings", section, ("name",), Ledger(), folder / "kept.gpkg")
    unpacked = section.model_copy(update={"path": "site.gpkg"})
    assert not stand_in(file, "layers.buildings", unpacked, ("name",), Ledger(), folder / "kept-2.gpkg")
