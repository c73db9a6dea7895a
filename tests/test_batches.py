"""A contract from file to file: every format alike, resumed after a kill, and on a cluster that loses a worker."""

from __future__ import annotations

import datetime as dt
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import rasterio
import shapely
from numpy.testing import assert_allclose
from pyproj import CRS

import planner.batches
from planner.batches import run_contract
from planner.contract import Flag, common_flags
from planner.deliver import run_contract_files
from planner.eto_layer import write_eto_layer
from planner.layers.build import read_contract_sites
from planner.layers.own import own_columns
from planner.layers.vector import Layer
from planner.ledger import CommandError, DataError, Ledger, OutputError
from planner.pieces import Pieces, hold, whole
from planner.plan import PlanFile, parse_plan
from planner.show.say.flags import FLAG_WORDS, common_said
from planner.show.say.terminal import contract_summary
from planner.show.write.schema import Type, names
from planner.show.write.schema import contract as schema_of_contract
from planner.store import FLAGS_APART, wkb_of

N = 260
ROOT = Path(__file__).parents[1]


def sites(n: int = N) -> geopandas.GeoDataFrame:
    """Points and polygons over the south-west of the United States; names invented."""
    rng = np.random.default_rng(4)
    xy = np.column_stack([rng.uniform(-118, -108, n), rng.uniform(31, 39, n)])
    shapes = shapely.points(xy)
    shapes[::3] = shapely.box(xy[::3, 0], xy[::3, 1], xy[::3, 0] + 0.02, xy[::3, 1] + 0.01)
    return geopandas.GeoDataFrame(
        {"site": [f"Plaza {k}" for k in range(n)], "elev": rng.uniform(0, 2500, n).round(1)},
        geometry=shapes,
        crs="EPSG:4326",
    )


def layer(folder: Path) -> None:
    y, x = np.mgrid[0:40, 0:48]
    year = np.cos((np.arange(12)[:, None, None] - 6) / 6 * np.pi)
    eto = (4.5 + x / 30 + y / 40 + 2.5 * year).astype("float32")
    eto[:, 5:9, 5:9] = -1
    with rasterio.open(
        folder / "eto.tif",
        "w",
        driver="GTiff",
        width=48,
        height=40,
        count=12,
        dtype="float32",
        crs="EPSG:4326",
        nodata=-1,
        transform=rasterio.Affine(0.25, 0, -119, 0, -0.25, 40),
    ) as out:
        out.write(eto)


def plan(folder: Path, file: str = "sites.gpkg", **outputs: object) -> PlanFile:
    named = {"path": file, "name": "site", "elevation": "elev"}
    if file.endswith(".csv"):
        named |= {"x": "lon", "y": "lat", "crs": "EPSG:4326"}
    return parse_plan(
        {
            "contract": {"sites": named},
            "climate": {"eto": {"path": "eto.tif", "unit": "mm/day"}},
            "outputs": {"sites": ["parquet"], "map": False, **outputs},
        },
        folder / "plan.toml",
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    layer(tmp_path)
    sites().to_file(tmp_path / "sites.gpkg")
    return tmp_path


def written(out: Path) -> pd.DataFrame:
    return pq.read_table(out / "sites.parquet").to_pandas()


def same(one: pd.DataFrame, other: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(one, other, check_exact=True)


def test_parts_files_and_memory_give_the_same(folder):
    run_contract_files(plan(folder), folder / "whole", Ledger())
    seen: list[tuple[str, int, int]] = []
    run_contract_files(plan(folder), folder / "parts", Ledger(), lambda *told: seen.append(told), part_sites=37)
    same(written(folder / "parts"), written(folder / "whole"))
    assert [done for what, done, _ in seen if what == "zones"] == [0, 37, 74, 111, 148, 185, 222, 259, 260]
    assert sorted(p.name for p in (folder / "parts").iterdir()) == [
        ".noonmark-files.json",
        "result.json",
        "sites.parquet",
    ]
    found = run_contract(plan(folder), Ledger())
    rows = written(folder / "whole")
    assert rows.name.tolist() == list(found.names)
    assert_allclose(rows.peak_eto_mm_day, found.zone.peak_eto_mm_day, atol=1e-6)
    assert rows["flags"].tolist() == [FLAGS_APART.join(flags) for flags in found.flags]


def test_every_format_comes_in_and_goes_out_alike(folder):
    points = sites()
    points["geometry"] = points.representative_point()
    points.to_file(folder / "sites.gpkg")
    points.to_parquet(folder / "sites.parquet")
    points.to_parquet(folder / "groups.parquet", row_group_size=50)
    points.to_parquet(folder / "native.parquet", geometry_encoding="geoarrow", row_group_size=120)
    table = pd.DataFrame(points.drop(columns="geometry"))
    table["lon"], table["lat"] = points.geometry.x, points.geometry.y
    table.to_csv(folder / "sites.csv", index=False)
    for k, name in enumerate(("sites.gpkg", "sites.parquet", "groups.parquet", "sites.csv", "native.parquet")):
        forms = ["gpkg", "parquet", "csv"] if k == 1 else ["parquet"]  # what goes out is read of one
        run_contract_files(plan(folder, name, sites=forms), folder / f"out{k}", Ledger(), part_sites=90)
    first = written(folder / "out0")
    for k in (1, 2, 4):
        same(written(folder / f"out{k}"), first)
    # a CSV has its numbers as text, and its own columns of coordinates
    fourth = written(folder / "out3")
    same(fourth.drop(columns=["lon", "lat", "elev"]), first.drop(columns="elev"))
    assert fourth.elev.astype(float).tolist() == first.elev.tolist()
    drawn = geopandas.read_file(folder / "out1" / "sites.gpkg")
    assert len(drawn) == N
    assert drawn.crs.to_epsg() == 4326
    assert drawn.zone.tolist() == first.zone.tolist()
    told = pd.read_csv(folder / "out1" / "sites.csv", encoding="utf-8-sig", keep_default_na=False)
    assert told.zone.tolist() == first.zone.tolist()
    # GeoPandas reads our GeoParquet as one of its own
    again = geopandas.read_parquet(folder / "out1" / "sites.parquet")
    assert again.crs.to_epsg() == 4326
    assert again.geometry.geom_type.unique().tolist() == ["Point"]


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("source", ["sites.gpkg", "sites.parquet", "sites.csv"])
def test_the_users_own_columns_come_back(folder, source, units):
    """Every column and the row number, of every type, in every table; a part without a value keeps the type."""
    given = sites()
    given["geometry"] = given.representative_point()
    given["zone"] = [f"route {k % 7}" for k in range(N)]  # as one of ours
    given["Visits"] = pd.array([None if k < 100 else k for k in range(N)], "Int64")
    given["paid"] = pd.array([k % 2 == 0 for k in range(N)], "boolean")
    given["asset no"] = [f"00{k}" for k in range(N)]
    if source.endswith("csv"):
        table = pd.DataFrame(given.drop(columns="geometry"))
        table["lon"], table["lat"] = given.geometry.x, given.geometry.y
        table.loc[7, "lon"] = np.nan
        table.to_csv(folder / source, index=False)
    else:
        given.loc[7, "geometry"] = None
        (given.to_parquet if source.endswith("parquet") else given.to_file)(folder / source)
    asked = plan(folder, source, sites=["gpkg", "parquet", "csv"])
    asked = PlanFile(asked.path, asked.plan.model_copy(update={"units": units}), {})
    run_contract_files(asked, folder / "out", Ledger(), part_sites=90)
    kept = [k for k in range(N) if k != 7]
    own = ["site", "elev", "zone_given", "Visits", "paid", "asset no"]
    tables = {
        "parquet": written(folder / "out"),
        "gpkg": geopandas.read_file(folder / "out" / "sites.gpkg"),
        "csv": pd.read_csv(folder / "out" / "sites.csv", encoding="utf-8-sig", dtype={"asset no": str}),
    }
    stated = names(schema_of_contract(units, dict.fromkeys([*own, "lon", "lat"], Type.TEXT)))
    for name, table in tables.items():
        there = [column for column in table.columns if column != "geometry"]
        assert set(own) <= set(there), name
        assert there == [column for column in stated if column in there]
        assert table.row.tolist() == [k + 1 for k in kept]
        assert table.name.tolist() == table.site.tolist() == [f"Plaza {k}" for k in kept]
        assert table.zone_given.tolist() == given.zone[kept].tolist()
        assert table.zone.str.startswith("band").all()
        assert table["asset no"].tolist() == given["asset no"][kept].tolist()
        assert_allclose(table.elev.astype(float), given.elev[kept])
        if not source.endswith("csv") or name == "csv":
            visits = pd.to_numeric(table.Visits)
            assert visits.isna().sum() == 99
            assert visits[visits.notna()].tolist() == list(range(100, N))
            assert table.paid.astype(bool).tolist() == given.paid[kept].astype(bool).tolist()
    told = json.loads((folder / "out" / "result.json").read_text(encoding="utf-8"))
    (lost,) = told["rejected"]
    assert (lost["row"], lost["name"]) == (8, "Plaza 7")
    assert lost["own"]["zone"] == "route 0"
    assert lost["own"]["asset no"] == "007"
    # the same from Python, in memory
    table = run_contract(asked, Ledger(), part_sites=90).sites_table()
    assert table.row.tolist() == [k + 1 for k in kept]
    assert table.zone_given.tolist() == given.zone[kept].tolist()


def test_us_units_reach_the_tables(folder):
    """The same contract in both units: 25.4 mm to the inch, 0.3048 m to the foot, exact (NIST SP 811, B.8)."""
    every = {"sites": ["gpkg", "parquet", "csv"]}
    run_contract_files(plan(folder, **every), folder / "metric", Ledger())
    asked = plan(folder, **every)
    asked = PlanFile(asked.path, asked.plan.model_copy(update={"units": "us"}), {})
    run_contract_files(asked, folder / "us", Ledger())
    metric = written(folder / "metric")
    for us in (
        written(folder / "us"),
        geopandas.read_file(folder / "us" / "sites.gpkg", layer="sites"),
        pd.read_csv(folder / "us" / "sites.csv", encoding="utf-8-sig"),
    ):
        assert not [name for name in us.columns if "mm_day" in name or name.endswith("_m")]
        for one, other, size in (
            ("peak_eto_mm_day", "peak_eto_in_day", 25.4),
            ("spread_mm_day", "spread_in_day", 25.4),
            ("eto_mm_day_jan", "eto_in_day_jan", 25.4),
            ("eto_mm_day_dec", "eto_in_day_dec", 25.4),
        ):
            assert_allclose(us[other], metric[one] / size, atol=1e-6)
        assert_allclose(us.elevation_ft, metric.elevation_m / 0.3048, atol=0.02)
        assert us.zone.tolist() == metric.zone.tolist()
        assert us.elev.tolist() == metric.elev.tolist()  # the user's own stay as they are
    # for programs: always metric
    one, other = ((folder / name / "result.json").read_text(encoding="utf-8") for name in ("metric", "us"))
    assert json.loads(one)["sites"] == json.loads(other)["sites"]


def test_finished_parts_are_not_done_again(folder, monkeypatch):
    done: list[int] = []
    real = planner.batches.contract_part

    def counted(source, table, first, end, *layered):
        done.append(first)
        if len(done) == 4:
            raise KeyboardInterrupt
        return real(source, table, first, end, *layered)

    monkeypatch.setattr(planner.batches, "contract_part", counted)
    with pytest.raises(KeyboardInterrupt):
        run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=50)
    assert done == [0, 50, 100, 150]
    assert not (folder / "out" / "sites.parquet").exists()
    run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=50)
    assert done[4:] == [150, 200, 250]
    run_contract_files(plan(folder), folder / "whole", Ledger())
    same(written(folder / "out"), written(folder / "whole"))


def test_parts_of_another_job_are_not_taken(folder, monkeypatch):
    real, stop = planner.batches.contract_part, [True]

    def stopping(source, table, first, end, *layered):
        if first and stop[0]:
            raise KeyboardInterrupt
        return real(source, table, first, end, *layered)

    monkeypatch.setattr(planner.batches, "contract_part", stopping)
    with pytest.raises(KeyboardInterrupt):
        run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=50)
    assert len(list((folder / "out" / ".parts").glob("*.arrow"))) == 1
    stop[0] = False
    with rasterio.open(folder / "eto.tif", "r+") as file:
        file.write(file.read() + 1)
    os.utime(folder / "eto.tif", ns=(1, 1))
    run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=50)
    run_contract_files(plan(folder), folder / "whole", Ledger())
    same(written(folder / "out"), written(folder / "whole"))


RUN = """
import sys, time
import planner.batches, planner.deliver
from planner.ledger import Ledger
from planner.plan import read_plan
real = planner.batches.contract_part
def slow(*args):
    time.sleep(0.3)
    return real(*args)
planner.batches.contract_part = slow
planner.deliver.run_contract_files(read_plan(sys.argv[1]), sys.argv[2], Ledger(), part_sites=20)
"""

PLAN = """
outputs.sites = ["parquet"]
outputs.map = false
[contract.sites]
path = "sites.gpkg"
name = "site"
elevation = "elev"
[climate.eto]
path = "eto.tif"
unit = "mm/day"
"""


def test_a_killed_run_goes_on_where_it_stopped(folder):
    (folder / "plan.toml").write_text(PLAN)
    command = [sys.executable, "-c", RUN, str(folder / "plan.toml"), str(folder / "out")]
    run = subprocess.Popen(command, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)})
    parts = folder / "out" / ".parts"
    until = time.monotonic() + 120
    while len(list(parts.glob("*.arrow"))) < 3 and time.monotonic() < until:
        time.sleep(0.05)
    run.kill()
    run.wait()
    before = [path for path in parts.glob("*.arrow") if whole(path)]  # one may have been in the making
    assert 2 <= len(before) < 13
    seen: list[tuple[str, int, int]] = []
    run_contract_files(plan(folder), folder / "out", Ledger(), lambda *told: seen.append(told), part_sites=20)
    assert seen[0] == ("zones", 20 * len(before), N)
    run_contract_files(plan(folder), folder / "whole", Ledger())
    same(written(folder / "out"), written(folder / "whole"))


def test_a_run_killed_while_it_tidies_up_can_be_run_again(folder, monkeypatch):
    """Some of the parts are gone then, their JSON before the rest."""

    def interrupted(held: Pieces) -> None:
        held.path("000000000", ".json").unlink()
        raise KeyboardInterrupt

    with monkeypatch.context() as half:
        half.setattr(Pieces, "clear", interrupted)
        with pytest.raises(KeyboardInterrupt):
            run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=100)
    assert list((folder / "out" / ".parts").glob("000000000-*.arrow"))
    run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=100)
    run_contract_files(plan(folder), folder / "whole", Ledger())
    same(written(folder / "out"), written(folder / "whole"))
    assert not (folder / "out" / ".parts").exists()


def test_a_notice_on_many_sites_counts_them_all(tmp_path: Path) -> None:
    """Only the first names of each part are kept with it."""
    layer(tmp_path)
    at_sea = shapely.points(np.column_stack([np.linspace(-40, -35, 130), np.full(130, 40.0)]))
    geopandas.GeoDataFrame(
        {"site": [f"Raft {k}" for k in range(130)], "elev": 0.0}, geometry=at_sea, crs=4326
    ).to_file(tmp_path / "sites.gpkg")
    body = plan(tmp_path)
    body = PlanFile(body.path, body.plan.model_copy(update={"climate": parse_plan({}, body.path).plan.climate}), {})
    found = run_contract_files(body, tmp_path / "out", Ledger(), part_sites=65)
    sea = next(n for n in found.notices if "no land near" in n.what)
    assert (len(sea.features), sea.more) == (100, 30)
    assert "and 122 more" in str(sea)
    assert found.counts.flags[Flag.OPEN_SEA] == 130


def test_names_that_repeat_are_said_once_each_however_many_there_are(tmp_path: Path) -> None:
    """Looking each name up among all of them, 40,000 sites took 26 s."""
    rng, n = np.random.default_rng(4), 40_000
    rows = pd.DataFrame({"site": [f"Lot {k}" for k in range(n)], "x": rng.uniform(-99, -95, n), "y": 32.0})
    rows.loc[[5, 9, 7], "site"] = ["Lot 11", "Lot 11", "Lot 12"]
    rows.to_csv(tmp_path / "sites.csv", index=False)
    where = {"path": "sites.csv", "name": "site", "x": "x", "y": "y", "crs": "EPSG:4326"}
    ledger, start = Ledger(), time.process_time()
    found = read_contract_sites(parse_plan({"contract": {"sites": where}}, tmp_path / "plan.toml"), ledger)
    assert time.process_time() - start < 10
    assert len(found) == n
    twice = next(n for n in ledger if "several sites have the same name" in n.what)
    assert twice.features == ("Lot 11", "Lot 12")


def test_a_site_that_stands_in_the_table_again_is_told_apart_from_one_of_the_same_name(tmp_path: Path) -> None:
    rows = [
        ("Lot", -97.0, 32.0),
        ("Lot", -97.0, 32.0),
        ("Yard", -97.0, 32.5),
        ("Yard", -97.5, 32.5),
        ("Inn", -96, 32),
    ]
    pd.DataFrame(rows, columns=["site", "x", "y"]).to_csv(tmp_path / "sites.csv", index=False)
    where = {"path": "sites.csv", "name": "site", "x": "x", "y": "y", "crs": "EPSG:4326"}
    ledger = Ledger()
    assert len(read_contract_sites(parse_plan({"contract": {"sites": where}}, tmp_path / "plan.toml"), ledger)) == 5
    said = {n.what.split(":")[0]: n.features for n in ledger if "same name" in n.what}
    assert said == {
        "several sites have the same name; all are kept": ("Yard",),
        "rows of the same name and place": ("Lot",),
    }


@pytest.mark.parametrize(
    ("values", "texts"),
    [
        (["a", None, "b"], ["a", None, "b"]),
        (["a", 3, 2.5, float("nan")], ["a", "3", "2.5", None]),
        ([dt.date(2020, 1, 2), None], ["2020-01-02", None]),
    ],
)
def test_columns_of_no_stated_type_come_back_as_text(values: list[object], texts: list[str | None]) -> None:
    place = np.array([shapely.Point(k, 0) for k in range(len(values))])
    table = pd.DataFrame({"own": pd.Series(values, dtype=object)})
    rows = np.arange(len(values)) + 1
    given = Layer("f", "k", CRS.from_epsg(4326), ("",) * len(values), rows, place, table, types={"own": "object"})
    found = own_columns(given)["own"]
    assert found.type == pa.string()
    assert found.to_pylist() == texts


def test_a_flag_on_most_sites_is_one_sentence(folder):
    """ETo of 9.0 mm/day everywhere: on the edge of a band. Few sites have the other flags."""
    with rasterio.open(folder / "eto.tif", "r+") as out:
        year = 4 + 5 * np.cos((np.arange(12) - 6) / 12 * np.pi) ** 2
        out.write(np.broadcast_to(year[:, None, None], (12, 40, 48)).astype("float32"))
    files = run_contract_files(plan(folder, map=True), folder / "out", Ledger())
    counts = files.counts
    assert counts.flags[Flag.NEAR_EDGE] == N
    sentence = f"All {N} sites lie close to the edge of a zone's band."
    said = contract_summary(files)
    assert said.count(sentence) == 1
    assert FLAG_WORDS[Flag.NEAR_EDGE] not in said
    rare = {f: n for f, n in counts.flags.items() if n <= N / 2}
    assert rare
    for flag, number in rare.items():
        assert f"  {FLAG_WORDS[flag]}: {number}" in said
    told = json.loads((folder / "out" / "result.json").read_text(encoding="utf-8"))
    assert told["flag_counts"] == counts.flags
    assert told["flagged"] == counts.flagged >= counts.flags[Flag.NEAR_EDGE]
    apart = [row for row in told["sites"] if set(row["flags"]) & set(rare)]
    assert counts.apart == len(apart) < counts.flagged
    assert f"{len(apart)} to look at first" in said
    page = (folder / "out" / "map.html").read_text(encoding="utf-8")
    assert page.count(sentence) == 1 or page.count(sentence.replace("'", "&#39;")) == 1
    assert f"{FLAG_WORDS[Flag.NEAR_EDGE]} ({counts.flags[Flag.NEAR_EDGE]})" not in page
    assert all(f"{FLAG_WORDS[flag]} ({number})" in page for flag, number in rare.items())


def test_a_common_flag_is_one_on_more_than_half():
    assert common_flags({Flag.STEEP: 20}, 40) == ()
    assert common_flags({Flag.STEEP: 21, Flag.COLD: 40}, 40) == (Flag.STEEP, Flag.COLD)
    assert common_flags({Flag.STEEP: 3}, 3) == ()  # of three, the list tells as quickly
    assert common_flags({Flag.STEEP: 4}, 4) == (Flag.STEEP,)
    every = common_said(dict.fromkeys(Flag, 40), 40, shared=False)
    assert len(every) == len(Flag)
    assert "All 40 sites rest on the built-in climate alone." in every
    assert not any("rest on" in said for said in common_said(dict.fromkeys(Flag, 40), 40, shared=True))


def test_bad_sites_are_listed_and_stop_nothing(folder, monkeypatch):
    bad = sites()
    bad.loc[7, "geometry"] = None
    bad.loc[120, "geometry"] = shapely.Point(400, 95)
    bad.loc[60:89, "geometry"] = None  # a whole part
    bad.to_file(folder / "sites.gpkg")
    real = planner.batches.climate_at

    def brittle(source, shapes, *args, names, **kwargs):
        if "Plaza 33" in names:
            raise RuntimeError("a fault that nobody foresaw")
        return real(source, shapes, *args, names=names, **kwargs)

    monkeypatch.setattr(planner.batches, "climate_at", brittle)
    found = run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=30)
    assert found.counts.sites == N - 33
    why = {r.name: r.why for r in found.rejected}
    assert "no geometry" in why["Plaza 7"]
    assert "off the earth" in why["Plaza 120"]
    assert "nobody foresaw" in why["Plaza 33"]
    assert "rows 61 to 90" in why
    told = json.loads((folder / "out" / "result.json").read_text(encoding="utf-8"))
    assert {r["name"] for r in told["rejected"]} == set(why)
    assert told["count"] == len(told["sites"]) == N - 33
    rows = written(folder / "out").set_index("name")
    monkeypatch.setattr(planner.batches, "climate_at", real)
    sites().to_file(folder / "sites.gpkg")
    run_contract_files(plan(folder), folder / "good", Ledger())
    good = written(folder / "good").set_index("name").loc[rows.index]
    pd.testing.assert_series_equal(rows.zone, good.zone)


@pytest.mark.parametrize("part_sites", [None, 65])
def test_an_impossible_cell_takes_only_its_own_sites(folder, part_sites):
    """A nodata value that the file does not state under two sites; a layer in another unit stops everything."""
    with rasterio.open(folder / "eto.tif", "r+") as out:
        cells = out.read()
        here = sites().geometry.iloc[[1, 100]].representative_point()
        for x, y in zip(here.x, here.y, strict=True):
            row, col = map(int, out.index(x, y))  # rasterio 1.4.0 gives floats
            cells[:, row, col] = 3e38
        out.write(cells)
    run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=part_sites)
    told = json.loads((folder / "out" / "result.json").read_text(encoding="utf-8"))
    why = {r["name"]: r["why"] for r in told["rejected"]}
    assert {"Plaza 1", "Plaza 100"} <= set(why)
    assert len(why) + told["count"] == N
    assert len(why) < 8  # others in or over the same two cells
    assert all("climate.eto (eto.tif)" in w and "cannot be ETo in mm/day" in w for w in why.values())
    layer(folder)
    whole = run_contract(plan(folder), Ledger())
    good = written(folder / "out").set_index("name")
    assert_allclose(good.peak_eto_mm_day, [p for n, p in zip(whole.names, whole.zone.peak_eto_mm_day, strict=True)
                                           if n in good.index], rtol=1e-6)  # fmt: skip
    with rasterio.open(folder / "eto.tif", "r+") as out:
        out.write(np.where(out.read() > 0, out.read() * 30, -1))
    with pytest.raises(DataError, match="mm/month"):
        run_contract_files(plan(folder), folder / "out", Ledger(), force=True)


def test_a_file_without_a_usable_site_is_refused(folder):
    none = sites(5)
    none["geometry"] = None
    none.to_file(folder / "sites.gpkg")
    with pytest.raises(DataError, match="geometry"):
        run_contract_files(plan(folder), folder / "out", Ledger())
    with pytest.raises(DataError, match="none of its features"):
        run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=2)


def test_someone_elses_file_is_refused_before_the_work(folder, monkeypatch):
    (folder / "out").mkdir()
    (folder / "out" / "sites.parquet").write_text("mine")
    monkeypatch.setattr(planner.batches, "contract_part", lambda *_: pytest.fail("work was begun"))
    with pytest.raises(OutputError, match="did not write"):
        run_contract_files(plan(folder), folder / "out", Ledger())


def test_no_scheduler_answers(folder):
    pytest.importorskip("distributed")
    with pytest.raises(CommandError, match="no scheduler answers"):
        run_contract_files(plan(folder), folder / "out", Ledger(), scheduler="nonsense://nowhere:1")


def test_a_cluster_that_loses_a_worker_gives_the_same(folder, monkeypatch):
    """Dask's LocalCluster of two worker processes, one of which is killed (SIGKILL) while it works."""
    distributed = pytest.importorskip("distributed")
    run_contract_files(plan(folder), folder / "whole", Ledger())
    (folder / "worker_part.py").write_text(
        "import time, planner.batches\n"
        "def slowly(*args):\n    time.sleep(0.4)\n    return planner.batches.do_part(*args)\n"
    )
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(folder), str(ROOT)]))
    monkeypatch.syspath_prepend(str(folder))
    import worker_part

    monkeypatch.setattr(planner.batches, "do_part", worker_part.slowly)
    killed: list[int] = []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        pids = {nanny.pid for nanny in cluster.workers.values()}
        assert len(pids | {os.getpid()}) == 3

        def progress(what: str, done: int, total: int) -> None:
            if what == "zones" and done >= 40 and not killed:
                killed.append(min(pids))
                os.kill(killed[0], signal.SIGKILL)

        run_contract_files(
            plan(folder), folder / "out", Ledger(), progress, scheduler=cluster.scheduler_address, part_sites=20
        )
        assert killed
        assert killed[0] not in {nanny.pid for nanny in cluster.workers.values()}
    same(written(folder / "out"), written(folder / "whole"))


def test_points_become_wkb_as_shapely_says():
    rng = np.random.default_rng(1)
    spots = shapely.points(rng.uniform(-180, 180, (50, 2)))
    assert wkb_of(spots).to_pylist() == shapely.to_wkb(spots).tolist()
    # what is not plain points takes the other way, and comes out the same
    mixed = np.array([shapely.box(0, 0, 1, 2), None, shapely.Point(1, 2)], object)
    assert wkb_of(mixed).to_pylist() == shapely.to_wkb(mixed).tolist()
    assert len(wkb_of(np.empty(0, object))) == 0


def test_a_cut_part_is_made_again(folder, monkeypatch):
    real, stop = planner.batches.contract_part, [True]

    def stopping(source, table, first, end, *layered):
        if first >= 100 and stop[0]:
            raise KeyboardInterrupt
        return real(source, table, first, end, *layered)

    monkeypatch.setattr(planner.batches, "contract_part", stopping)
    with pytest.raises(KeyboardInterrupt):
        run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=50)
    arrow = sorted((folder / "out" / ".parts").glob("*.arrow"))
    assert len(arrow) == 2
    arrow[0].write_bytes(arrow[0].read_bytes()[:-3000])
    arrow[1].with_suffix(".json").write_text('{"sha256": ')
    stop[0] = False
    run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=50)
    run_contract_files(plan(folder), folder / "whole", Ledger())
    same(written(folder / "out"), written(folder / "whole"))


def test_a_folder_that_another_run_works_in_is_refused_and_not_mixed_into(folder):
    other = plan(folder)
    with hold(folder / "out" / ".parts", "another plan") as held:
        held.path("000000000", ".arrow").write_text("half a part of another plan")
        with pytest.raises(OutputError, match=rf"another run is working in it \(process {os.getpid()} on "):
            run_contract_files(other, folder / "out", Ledger())
        assert not (folder / "out" / "sites.parquet").exists()
    run_contract_files(other, folder / "out", Ledger(), part_sites=90)
    run_contract_files(other, folder / "whole", Ledger())
    same(written(folder / "out"), written(folder / "whole"))
    assert not (folder / "out" / ".parts").exists()


def test_two_runs_at_once_give_one_result_and_one_refusal(folder):
    (folder / "plan.toml").write_text(PLAN)
    command = [sys.executable, "-c", RUN, str(folder / "plan.toml"), str(folder / "out")]
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    runs = [subprocess.Popen(command, cwd=ROOT, env=env, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    said = [run.communicate(timeout=200)[1] for run in runs]
    assert sorted(run.returncode for run in runs) == [0, 1]
    assert sum("another run is working in it" in text for text in said) == 1
    run_contract_files(plan(folder), folder / "whole", Ledger())
    same(written(folder / "out"), written(folder / "whole"))


def test_an_input_changed_meanwhile_is_said(folder):
    def change(what: str, done: int, total: int) -> None:
        if what == "zones" and done == 100:
            with rasterio.open(folder / "eto.tif", "r+") as file:
                file.write(file.read() + 1)
            os.utime(folder / "eto.tif", ns=(1, 1))

    with pytest.raises(DataError, match="changed while the contract ran"):
        run_contract_files(plan(folder), folder / "out", Ledger(), change, part_sites=100)
    assert not (folder / "out" / "sites.parquet").exists()
    run_contract_files(plan(folder), folder / "out", Ledger(), part_sites=100)
    run_contract_files(plan(folder), folder / "whole", Ledger())
    same(written(folder / "out"), written(folder / "whole"))


def test_what_others_put_beside_the_parts_stays(folder):
    mine = folder / "out" / ".parts"
    mine.mkdir(parents=True)
    (mine / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match="we did not make it"):
        run_contract_files(plan(folder), folder / "out", Ledger(), force=True)
    assert (mine / "notes.txt").read_text() == "mine"

    def put(what: str, done: int, total: int) -> None:
        (folder / "good" / ".parts" / "notes.txt").write_text("mine")

    run_contract_files(plan(folder), folder / "good", Ledger(), put)
    assert [path.name for path in (folder / "good" / ".parts").iterdir()] == ["notes.txt"]


def test_an_output_that_is_an_input_is_refused(folder):
    points = sites()
    points.to_parquet(folder / "sites.parquet")
    before = (folder / "sites.parquet").read_bytes()
    with pytest.raises(OutputError, match="reads this file"):
        run_contract_files(plan(folder, "sites.parquet"), folder, Ledger(), force=True)
    assert (folder / "sites.parquet").read_bytes() == before
    months = "eto_{mon}.tif"
    body = {"climate": {name: {"path": months, "unit": "C"} for name in ("tmin", "tmax")}}
    (folder / "eto_jan.tif").write_text("one of twelve")
    with pytest.raises(OutputError, match="reads this file"):
        write_eto_layer(parse_plan(body, folder / "p.toml"), folder / "eto_jan.tif", Ledger(), force=True)


def test_sites_in_no_zone_are_counted(folder):
    (folder / "zones.csv").write_text("label,low,high\nA,8,8.5\n")
    body = plan(folder)
    table = body.plan.zone.model_copy(update={"table": "zones.csv"})
    body = PlanFile(body.path, body.plan.model_copy(update={"zone": table}), {})
    found = run_contract_files(body, folder / "out", Ledger())
    told = json.loads((folder / "out" / "result.json").read_text(encoding="utf-8"))
    assert told["no_zone"] == found.counts.no_zone > 0
    assert told["no_zone"] + sum(told["zones"].values()) == told["count"]
    assert f"  no zone of the table: {found.counts.no_zone}" in contract_summary(found).splitlines()
