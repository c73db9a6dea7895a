"""Every site of a contract with layers gets the decision of `site`, to the last digit."""

from __future__ import annotations

import json
import re
from dataclasses import fields, replace
from pathlib import Path
from unittest.mock import MagicMock

import counties
import geopandas
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pypdf
import pytest
import shapely
from counties import contract, county, one

import planner.batches
from planner.contract import OTHERS
from planner.deliver import run_contract_files
from planner.each_site import Outcome, decided, from_told, site_found, told
from planner.job import SiteResult, run_site
from planner.layers import geoparquet, read_site
from planner.layers.belonging import belongs, keep_stand_ins, own_plan, shared
from planner.layers.build import read_outlines
from planner.layers.nearby import Near, read_stand_in
from planner.layers.outline import outline_of, pick_site
from planner.layers.standing import ATTRIBUTES
from planner.layers.vector import read_vector
from planner.ledger import DataError, Kind, Ledger, OutputError, PlanError
from planner.pieces import Pieces
from planner.plan import parse_plan
from planner.preflight import check_inputs
from planner.records import same
from planner.show.contract_files import folder_names
from planner.show.say.bill import bill as said_bill
from planner.show.say.terminal import contract_summary
from planner.show.write import joined

SITES = 3
# what says where it comes from, not what was found
ELSEWHERE = {"plan", "origin", "notices"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("county")
    for suffix in ("gpkg", "fgb", "parquet"):
        county(made, sites=SITES, buildings=40, trees=30, suffix=suffix)
    return made


def decide_all(
    folder: Path, suffix: str, part_sites: int, where: str = "site <> ''"
) -> tuple[dict[str, SiteResult], object]:
    """The results of all sites by name, as a contract has them, and the contract's own."""
    results: dict[str, SiteResult] = {}

    def kept(plan_file, given, elevation_m):
        found = decided(plan_file, given, elevation_m)
        results[found.site.name] = found
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(planner.batches, "decided", kept)
        return results, planner.batches.run_contract(
            contract(folder, suffix, sites={"where": where}), Ledger(), part_sites=part_sites
        )


@pytest.fixture(scope="module")
def by_contract(folder):
    return decide_all(folder, "gpkg", 1)


@pytest.fixture(scope="module")
def alone(folder):
    return {f"Park {k}": run_site(one(folder, k), Ledger()) for k in (1, 2)}


def differing(one_result: SiteResult, other: SiteResult) -> list[str]:
    return [
        f.name
        for f in fields(SiteResult)
        if f.name not in ELSEWHERE and not same(getattr(one_result, f.name), getattr(other, f.name))
    ]


def said(result: SiteResult) -> set[tuple[str, str, tuple[str, ...]]]:
    """Its notices, but for the name of the file, and for how many trees and buildings are too far to matter."""
    return {(n.kind, n.what, n.features) for n in result.notices if "farther than 2 km" not in n.what}


def form(what: str) -> str:
    return re.sub(r"\d[\d.,]*", "0", what)


@pytest.mark.parametrize(("suffix", "part_sites"), [("gpkg", 1), ("parquet", 3), ("fgb", 2)])
def test_a_contract_gives_each_site_what_site_gives_it(suffix, part_sites, folder, by_contract, alone):
    """By the index of a GeoPackage or FlatGeobuf file, and by a stand-in of GeoParquet; whatever the part."""
    if suffix == "gpkg":
        (results, whole), against = by_contract, alone
    elif suffix == "parquet":
        results, whole = decide_all(folder, suffix, part_sites, "site <> 'Park 3'")
        against = alone
    else:  # it has an order of its own, and features without names are called by their rows
        results, whole = decide_all(folder, suffix, part_sites, "site = 'Park 2'")
        against = {"Park 2": run_site(one(folder, 2, suffix), Ledger())}
    assert set(against) <= set(results)
    for name, expected in against.items():
        assert differing(expected, results[name]) == []
        assert said(expected) == said(results[name])
        # and whoever reads the contract alone is told the same of the site
        of_contract = [(n.kind, form(n.what.removesuffix(OTHERS))) for n in whole.notices if name in n.features]
        assert {(kind, form(what)) for kind, what, _ in said(expected)} <= set(of_contract)
        k = whole.names.index(name)
        assert same(expected.zone.p_zone[0], whole.zone.p_zone[k])
        assert same(expected.zone.monthly_percent[0], whole.zone.monthly_percent[k])
        assert same(expected.climate.eto_mm_day[0], whole.climate.eto_mm_day[k])
        assert whole.found[k] == site_found(expected, int(whole.rows[k]), name)
    assert all(one_.outcome is Outcome.CHOSEN for one_ in whole.found)


def test_what_is_kept_of_a_site_is_what_its_result_says(alone):
    result = alone["Park 2"]
    found, k = site_found(result, 7, "Lot"), result.decision.chosen
    best = result.reach_study.layouts.best
    assert (found.row, found.name, found.outcome) == (7, "Lot", Outcome.CHOSEN)
    assert found.place.id == result.mounts.ids[k]
    assert found.place.light_share == result.sun.light_share[k, np.flatnonzero(result.season)].min()
    assert found.place.score == result.decision.score[k]
    at = result.mounts_table().geometry.iloc[k]
    assert (found.place.longitude_deg, found.place.latitude_deg) == pytest.approx((at.x, at.y), abs=1e-9)
    assert found.served == best.served.sum() == len(found.held_with) > 0
    assert found.price == best.bill.total > 0
    assert found.place.height_assumed  # this site's buildings have none in the layer
    assert from_told(json.loads(json.dumps(told(found)))) == found


# --- files: decided once, by the fixture -------------------------------------------------------------------------


@pytest.fixture
def known(monkeypatch, by_contract):
    """Sites are not decided again; the list says which were asked for."""
    results, asked = by_contract[0], []

    def look_up(plan_file, given, elevation_m):
        name = given.outline.names[0]
        asked.append(name)
        wanted = {"outputs": plan_file.plan.outputs}
        return replace(results[name], plan=results[name].plan.model_copy(update=wanted))

    monkeypatch.setattr(planner.batches, "decided", look_up)
    return asked


def test_tables_of_all_sites_are_joined_with_the_sites_key(folder, known, by_contract, tmp_path):
    run_contract_files(contract(folder), tmp_path / "out", Ledger())
    results = by_contract[0]
    sites = geopandas.read_file(tmp_path / "out" / "sites.gpkg", layer="sites")
    assert list(sites["decision"]) == [str(one_.outcome) for one_ in by_contract[1].found]
    assert list(sites["code"]) == ["P-0001", "P-0002", "P-0003"]  # the user's own column
    links = geopandas.read_file(tmp_path / "out" / "sites.gpkg", layer="links")
    for layer in joined.COLUMNS:
        table = geopandas.read_parquet(tmp_path / "out" / f"{layer}.parquet")
        assert list(table.columns) == joined.schema_of(layer).names
        assert table.crs.to_epsg() == 4326
    mounts = geopandas.read_parquet(tmp_path / "out" / "mounts.parquet")
    assert mounts.groupby("site").size().to_dict() == {name: len(r.mounts) for name, r in results.items()}
    chosen = mounts[mounts.status == "chosen"].set_index("site_row")
    both = sites.merge(chosen, left_on="row", right_index=True)
    assert len(both) == 3
    assert (both.mount_id == both.id).all()
    assert set(links.site_row) <= set(sites.row)
    assert (tmp_path / "out" / "sites.csv").read_text(encoding="utf-8-sig").splitlines()[0].count("mount_id") == 1


def test_a_contract_of_mounts_writes_one_bill_and_shows_it(folder, known, by_contract, tmp_path):
    found = run_contract_files(contract(folder), tmp_path / "out", Ledger())
    files = found.files
    assert {"bill.csv", "bill.xlsx", "map.html"} <= {path.name for path in files}
    rows = pd.read_csv(tmp_path / "out" / "bill.csv")
    total = rows[rows["item"] == "total"].price.item()
    results = by_contract[0]
    assert total == pytest.approx(sum(said_bill(result).total for result in results.values()))
    assert set(rows.site.dropna()) == set(results)
    page = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert "Chosen mounts (3)" in page
    assert f"<b>${total:,.0f}</b>" in page
    written = json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))
    assert written["with_mount"] == 3
    assert written["bid"]["total"] == pytest.approx(total)
    assert written["bid"]["within_nine_in_ten"] >= total
    said = contract_summary(found)
    assert "3 sites with a mount. About $" in said
    assert f"{len(written['look_first'])} to look at first" in said
    # the terminal, the file and the map name the same sites with the same words
    for look in written["look_first"]:
        assert f"  {look['name']}: {look['said']}" in said.splitlines()
        assert look["said"].replace("'", "&#39;") in page or look["said"] in page


def test_the_sheets_of_all_sites_are_one_pdf(folder, known, tmp_path, monkeypatch):
    asked = contract(folder, outputs={"site_sheets": True, "sites": ("csv",), "map": False})
    job = planner.batches._job
    assert job(asked, 1, 3) != job(contract(folder), 1, 3)  # sites that a run without sheets left are done again
    files = run_contract_files(asked, tmp_path / "out", Ledger()).files
    assert tmp_path / "out" / "sheets.pdf" in files
    pages = [page.extract_text() for page in pypdf.PdfReader(tmp_path / "out" / "sheets.pdf").pages]
    sites = ("Park 1", "Park 2", "Park 3")
    assert all(site in pages[0] for site in sites)  # the index
    assert all(any(site in page for page in pages[1:]) for site in sites)
    monkeypatch.setattr("planner.show.write.typeset.available", lambda: False)
    with pytest.raises(PlanError, match="typst"):
        run_contract_files(asked, tmp_path / "other", Ledger())


def test_a_run_that_was_stopped_goes_on_at_the_site_where_it_was(folder, known, tmp_path, monkeypatch):
    run_contract_files(contract(folder), tmp_path / "whole", Ledger())
    assert known == ["Park 1", "Park 2", "Park 3"]
    known.clear()
    look_up = planner.batches.decided

    def stopped(plan_file, given, elevation_m):
        if given.outline.names[0] == "Park 3":
            raise KeyboardInterrupt
        return look_up(plan_file, given, elevation_m)

    monkeypatch.setattr(planner.batches, "decided", stopped)
    with pytest.raises(KeyboardInterrupt):
        run_contract_files(contract(folder), tmp_path / "out", Ledger())
    monkeypatch.setattr(planner.batches, "decided", look_up)
    known.clear()
    run_contract_files(contract(folder), tmp_path / "out", Ledger())
    assert known == ["Park 3"]
    for name in ("sites.parquet", "sites.csv", "result.json", "mounts.parquet", "links.parquet"):
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()


def test_a_site_that_no_layer_suits_keeps_its_zone_and_says_why(folder, known, tmp_path, monkeypatch):
    look_up = planner.batches.decided

    def refused(plan_file, given, elevation_m):
        if given.outline.names[0] == "Park 2":
            raise DataError("layers.terrain", "nothing is known there", "Give another")
        if given.outline.names[0] == "Park 3":
            raise ZeroDivisionError("nobody foresaw it")
        return look_up(plan_file, given, elevation_m)

    monkeypatch.setattr(planner.batches, "decided", refused)
    ledger = Ledger()
    run_contract_files(contract(folder), tmp_path / "out", ledger, part_sites=3)
    sites = pd.read_csv(tmp_path / "out" / "sites.csv")
    assert list(sites.decision) == ["chosen", "zone_only", "zone_only"]
    assert list(sites.row) == [1, 2, 3]
    assert sites.zone.notna().all()
    assert (sites.zone_probability > 0).all()
    assert sites.decision_because[1] == "layers.terrain: nothing is known there. Give another"
    assert "nobody foresaw it" in sites.decision_because[2]
    assert sites.mounts_tried.isna().tolist() == [False, True, True]
    assert [n.features for n in ledger if "no mount was sought" in n.what] == [("Park 2",), ("Park 3",)]


def test_a_site_that_cannot_be_used_stays_in_every_table_with_its_reason(folder, known, tmp_path):
    sites = geopandas.read_file(folder / "sites.gpkg")
    bad = geopandas.GeoDataFrame({"site": ["Lost"], "code": ["P-0009"]}, geometry=[None], crs=sites.crs)
    pd.concat([sites.iloc[:1], bad, sites.iloc[1:]]).to_file(tmp_path / "sites.gpkg")
    plan = contract(
        folder, sites={"path": str(tmp_path / "sites.gpkg")}, outputs={"sites": ["gpkg", "parquet", "csv"]}
    )
    run_contract_files(plan, tmp_path / "out", Ledger())
    for table in (
        geopandas.read_file(tmp_path / "out" / "sites.gpkg", layer="sites"),
        geopandas.read_parquet(tmp_path / "out" / "sites.parquet"),
        pd.read_csv(tmp_path / "out" / "sites.csv"),
    ):
        assert list(table["row"]) == [1, 3, 4, 2]
        lost = table.iloc[3]
        assert (lost["name"], lost["code"], lost["decision"]) == ("Lost", "P-0009", "left_out")
        assert "geometry" in lost["decision_because"]
        assert pd.isna(lost["zone"])
        assert pd.isna(lost["mount_id"])
    assert len(geopandas.read_file(tmp_path / "out" / "sites.gpkg", layer="points")) == 3


def test_each_site_has_its_pages_where_the_plan_asks(folder, known, tmp_path, monkeypatch):
    def kept(result, found):
        return {"map.html": f"map of {found.name}".encode(), "sheet.html": b"sheet"}

    monkeypatch.setattr("planner.deliver.kept_of", kept)
    plan = contract(folder, outputs={"site_maps": True, "sites": ("csv",), "map": False})
    found = run_contract_files(plan, tmp_path, Ledger())
    assert (tmp_path / "sites" / "Park_2" / "map.html").read_text() == "map of Park 2"
    assert tmp_path / "sites" / "Park_3" / "sheet.html" in found.files
    (tmp_path / "sites" / "Park_2" / "map.html").write_text("my notes")
    with pytest.raises(OutputError):
        run_contract_files(plan, tmp_path, Ledger())
    # pages of an earlier run do not stay beside another result, but for what somebody changed
    run_contract_files(contract(folder, outputs={"sites": ("csv",), "map": False}), tmp_path, Ledger())
    left = [path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()]
    assert [name for name in left if name.startswith("sites/")] == ["sites/Park_2/map.html"]


def test_what_stands_in_the_corner_of_the_box_alone_is_not_near(folder, tmp_path):
    """A pole 2.6 km off as the crow flies, and within the box of 2 km to each side: the site has no pole, and that
    is no fault of the layer."""
    x, y = counties.AT[0] + counties.SITE_M, counties.AT[1] + counties.SITE_M
    counties.write(tmp_path / "poles.gpkg", {"height": [6.0]}, shapely.points([[x + 1850.0, y + 1850.0]]))
    poles = {"path": str(tmp_path / "poles.gpkg"), "height": "height", "height_unit": "m"}
    plan_file = contract(folder, layers={"poles": poles})
    given = shared(plan_file, {}, Ledger()).given(read_outlines(plan_file, (0, 1))[1])
    ledger = Ledger()
    site = read_site(own_plan(plan_file, given, float("nan")), ledger, given)
    assert len(site.poles) == 0
    assert [n.what for n in ledger if "poles" in n.where] == ["nothing of it lies near this site"]
    assert not [n for n in ledger if "farther than" in n.what]


def test_check_looks_at_the_layers_and_the_sites_of_a_contract(folder, tmp_path, monkeypatch):
    ledger = Ledger()
    assert check_inputs(contract(folder), ledger) == []
    said = {(n.where, n.what): n.features for n in ledger}
    height = [features for (_, what), features in said.items() if "default_height_m" in what]
    assert height == [("B4", "B5", "B6", "B7")]  # once, whichever sites they are seen from
    assert (
        "layers.keep_outs",
        "no keep-outs are given: spray, heat and places without access are not judged",
    ) in said
    assert not [what for _, what in said if "farther than" in what]
    # one word that cannot be read, at a building that all sites see: nothing would be decided
    roofs = geopandas.read_file(folder / "buildings.gpkg")
    thatched = roofs["id"] == "B9"
    roofs["roof"] = np.where(thatched, "thatch", "flat")
    roofs.to_file(tmp_path / "roofs.gpkg")
    asked = {"buildings": {"path": str(tmp_path / "roofs.gpkg"), "roof": "roof"}}
    assert ["thatch" in str(fault) for fault in check_inputs(contract(folder, layers=asked), Ledger())] == [True]
    # and at one that Park 3 alone sees, which lies north of the others
    roofs.loc[thatched, "geometry"] = roofs[thatched].translate(yoff=1_800.0)
    roofs.to_file(tmp_path / "roofs.gpkg")
    ledger = Ledger()
    assert check_inputs(contract(folder, layers=asked), ledger) == []
    assert [n.features for n in ledger if "thatch" in n.what] == [("Park 3",)]
    gone = contract(folder, layers={"trees": {"path": "gone.gpkg"}, "terrain": {"path": "dem.tif"}})
    assert {"gone.gpkg" in str(f) or "dem.tif" in str(f) for f in check_inputs(gone, Ledger())} == {True}
    monkeypatch.setattr("planner.preflight.SITES_LOOKED_AT", 2)
    ledger = Ledger()
    assert check_inputs(contract(folder), ledger) == []
    assert [n.what for n in ledger if "looked at one by one" in n.what] == [
        "2 of 3 sites were looked at one by one; the layers were read whole"
    ]


def test_folders_of_sites_have_safe_names_of_their_own():
    names = folder_names(["Nord/Süd", "../../etc", "CON", "nul.txt", "", "...", "a b", "A_b", "x" * 300])
    assert names == ["Nord_Süd", "etc", "site_CON", "site_nul.txt", "site", "site_2", "a_b", "A_b_2", "x" * 60]


# --- reading what lies near --------------------------------------------------------------------------------------


def near_site(folder: Path, k: int, suffix: str, reach_m: float, stand_ins=None) -> Near:
    plan_file = one(folder, k, suffix)
    frame, outline = outline_of(pick_site(plan_file, plan_file.plan.layers, Ledger()), Ledger())
    return Near(frame, outline, reach_m, stand_ins or {})


@pytest.mark.parametrize("suffix", ["gpkg", "fgb", "parquet", "geoparquet", "geojson", "shp", "csv"])
@pytest.mark.parametrize("where", [None, "height > 6"])
def test_what_is_read_near_a_site_is_a_part_of_the_whole_in_its_order(suffix, where, folder, tmp_path):
    section = {"path": f"trees.{suffix}", "height": "height", "height_unit": "m"}
    trees = geopandas.read_file(folder / "trees.gpkg")
    if suffix == "csv":
        section |= {"x": "x", "y": "y", "crs": counties.CRS}
        flat = pd.DataFrame(trees.drop(columns="geometry")).assign(x=trees.geometry.x, y=trees.geometry.y)
        flat.to_csv(tmp_path / "trees.csv", index=False)
    else:
        counties.write(tmp_path / f"trees.{suffix}", dict(trees.drop(columns="geometry")), trees.geometry.array)
    if where is not None:
        section["where"] = where if suffix != "csv" else "CAST(height AS float) > 6"
    plan_file = parse_plan({"layers": {"site": {"path": "sites.gpkg"}, "trees": section}}, tmp_path / "plan.toml")
    trees_section = plan_file.plan.layers.trees
    every = read_vector(plan_file, "layers.trees", trees_section, ATTRIBUTES["trees"], Ledger())
    kept = keep_stand_ins(plan_file, Pieces(tmp_path, "job"), Ledger())
    assert bool(kept) == (suffix not in ("gpkg", "fgb", "parquet"))
    stand_ins = {key: read_stand_in(Path(path)) for key, path in kept.items()}
    near = near_site(folder, 2, "gpkg", 300.0, stand_ins)
    found = read_vector(plan_file, "layers.trees", trees_section, ATTRIBUTES["trees"], Ledger(), near=near)
    west, south, east, north = near.box(every.crs)
    inside = shapely.intersects(every.shapes, shapely.box(west, south, east, north))
    assert 0 < inside.sum() < len(every) / 2
    assert found.rows.tolist() == every.rows[inside].tolist()
    assert found.names == tuple(np.array(every.names)[inside])
    assert shapely.equals_exact(found.shapes, every.shapes[inside], 0.0).all()
    assert [float(v) for v in found.table["height"]] == [float(v) for v in every.table["height"][inside]]


def test_row_groups_stand_for_an_index_where_they_say_where_things_are(tmp_path, monkeypatch):
    """Groups of 50 features, each in its own strip; a feature without geometry; what says nothing is no index."""
    strip, seat = np.divmod(np.arange(400), 50)
    points = shapely.points(10.0 * strip + 0.1 * seat, seat.astype(float))
    points[75] = None
    frame = geopandas.GeoDataFrame({"n": np.arange(400)}, geometry=points, crs=counties.CRS)
    path = tmp_path / "t.parquet"
    frame.to_parquet(path, write_covering_bbox=True, row_group_size=50)
    groups = geoparquet.row_groups(path)
    assert groups.starts.tolist() == list(range(0, 401, 50))
    assert groups.rows_a_box == pytest.approx(400 * 4.9 / 74.9)
    asked = MagicMock(wraps=pq.ParquetFile(path).read_row_groups)
    monkeypatch.setattr(pq.ParquetFile, "read_row_groups", asked)
    rows, shapes, (n,) = geoparquet.in_box(path, groups, (11.0, 0.0, 13.0, 60.0), ["n"])
    assert asked.call_args.args[0] == [1]  # no other group was read
    assert rows.tolist() == n.tolist() == [*range(60, 75), *range(76, 81)]
    assert shapely.equals(shapes, points[rows]).all()
    rows, shapes, (n,) = geoparquet.in_box(path, groups, (-20.0, 0.0, -10.0, 60.0), ["n"])
    assert len(rows) == len(shapes) == len(n) == 0
    monkeypatch.undo()
    monkeypatch.setattr(geoparquet, "MOST_ROWS", 26)
    frame.to_parquet(path, write_covering_bbox=True, row_group_size=51)
    assert geoparquet.row_groups(path) is None  # too much would be read each time
    monkeypatch.undo()
    for more in ({"write_statistics": False}, {"write_covering_bbox": False}):
        frame.to_parquet(path, **{"write_covering_bbox": True, **more})
        assert geoparquet.row_groups(path) is None
    seam = frame.set_geometry(shapely.transform(points, lambda xy: np.add(xy, [104.6, 0]))).set_crs(
        "EPSG:4326", allow_override=True
    )
    seam.to_parquet(path, write_covering_bbox=True)
    assert geoparquet.row_groups(path) is None  # a box at the antimeridian may turn round


def test_exchanged_axes_are_found_out_near_a_site_too(folder, tmp_path):
    trees = geopandas.read_file(folder / "trees.gpkg").to_crs("EPSG:4326")
    trees.geometry = shapely.transform(trees.geometry.array, lambda xy: xy[:, ::-1])
    trees.to_file(tmp_path / "trees.gpkg")
    plan_file = parse_plan(
        {"layers": {"site": {"path": "x"}, "trees": {"path": "trees.gpkg", "height": "height"}}},
        tmp_path / "p.toml",
    )
    near, ledger = near_site(folder, 2, "gpkg", 300.0), Ledger()
    found = read_vector(
        plan_file, "layers.trees", plan_file.plan.layers.trees, ATTRIBUTES["trees"], ledger, near=near
    )
    assert len(found) > 3
    assert [n.kind for n in ledger if "exchanged" in n.what] == [Kind.REPAIRED]


def test_nothing_near_is_nothing_and_no_fault(folder):
    plan_file = contract(folder)
    far = near_site(folder, 2, "gpkg", 0.0)
    far = Near(far.frame, shapely.transform(far.outline, lambda xy: xy + 60_000), 10.0)
    section = plan_file.plan.layers.trees
    assert len(read_vector(plan_file, "layers.trees", section, ATTRIBUTES["trees"], Ledger(), near=far)) == 0


def test_a_condition_that_gdal_cannot_evaluate_is_said_as_ever(folder):
    plan_file = contract(folder, layers={"trees": {"where": "heigth > 3"}})
    with pytest.raises(PlanError, match="cannot evaluate the condition"):
        read_vector(
            plan_file,
            "layers.trees",
            plan_file.plan.layers.trees,
            ATTRIBUTES["trees"],
            Ledger(),
            near=near_site(folder, 2, "gpkg", 300.0),
        )


# --- whose controller is whose -----------------------------------------------------------------------------------


def test_a_point_belongs_to_the_outline_around_it_or_near_it():
    """Outlines of 0.01 degree (about 1.1 km) on the equator: two that touch nothing, one within the first."""
    shapes = np.array(
        [shapely.box(0, 0, 0.01, 0.01), shapely.box(0.0105, 0, 0.02, 0.01), shapely.box(0.001, 0.001, 0.002, 0.002)]
    )
    points = np.array(
        [[0.005, 0.005], [0.0015, 0.0015], [-0.0001, 0.005], [0.0103, 0.005], [0.03, 0.005], [np.nan, 0.0]]
    )
    of, doubtful = belongs(points, shapes, 40.0)
    # inside; inside two, the smaller; 11 m off; 22 m from the second and 33 m from the first; far off; nowhere
    assert of.tolist() == [0, 2, 0, 1, -1, -1]
    assert doubtful.tolist() == [False, True, False, True, False, False]
    assert belongs(points, shapes, 10.0)[0].tolist() == [0, 2, -1, -1, -1, -1]


def test_controllers_are_joined_by_the_site_that_they_name(folder, tmp_path):
    from planner.layers.belonging import shared

    by_name = shared(contract(folder, layers={"controllers": {"site": "site"}}), {}, Ledger())
    by_place = shared(contract(folder), {}, Ledger())
    assert by_name.layers["controllers"][1].tolist() == [1, 1, 2, 2, 3, 3]
    assert by_place.layers["controllers"][1].tolist() == [1, 1, 2, 2, 3, 3]  # two of them 10 and 20 m outside
    ledger = Ledger()
    strict = contract(folder)
    strict = parse_plan(
        strict.plan.model_dump(exclude_unset=True)
        | {"contract": {"sites": {"path": "sites.gpkg", "name": "site"}, "belongs_within_m": 15.0}},
        strict.path,
    )
    assert shared(strict, {}, ledger).layers["controllers"][1].tolist() == [1, 0, 2, 2, 3, 3]
    assert [n.features for n in ledger if "left out" in n.what] == [("C1",)]
    with pytest.raises(PlanError, match="no attribute 'kode'"):
        shared(
            parse_plan(
                strict.plan.model_dump(exclude_unset=True)
                | {
                    "contract": {"sites": {"path": "sites.gpkg", "name": "site", "key": "kode"}},
                    "layers": {"controllers": {"path": "controllers.gpkg", "site": "site"}},
                },
                strict.path,
            ),
            {},
            Ledger(),
        )


def test_the_layers_of_a_contract_need_no_site_of_their_own(folder):
    plan = contract(folder).plan
    assert (plan.layers.site.path, plan.layers.site.name) == ("sites.gpkg", "site")
    with pytest.raises(PlanError, match=r"layers\.site"):
        parse_plan({"layers": {"trees": {"path": "trees.gpkg", "height": "h"}}}, folder / "plan.toml")
