"""Files for other tools: GeoPackages that open styled, KML, GPX, GeoJSON, workbooks; results in a notebook.

Read back with GDAL's own readers (by pyogrio) and Python's SQLite, which did not write them. That a GIS draws the
styles was looked at in QGIS 3.22 by hand; here they are held to the tables that it looks for.
"""

from __future__ import annotations

import io
import json
import pickle
import sqlite3
import zipfile
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas
import pandas
import pyogrio
import pytest
from test_show import contract
from test_show_links import studied

from planner import notebook
from planner.job import SiteResult
from planner.show import site_files, write_contract, write_site
from planner.show.write import handout, schema, tables
from planner.show.write.formats import xlsx_bytes
from planner.show.write.styles import Shape, Symbol, style


@pytest.fixture(scope="module")
def cabled() -> SiteResult:
    return studied(link="cable")


@pytest.fixture(scope="module")
def linked() -> SiteResult:
    return studied(link="radio")


def test_a_geopackage_carries_a_style_for_each_layer_and_a_word_for_each_column(
    linked: SiteResult, tmp_path: Path
) -> None:
    """The tables as OGC 12-128r17 (F.9, schemas) and QGIS (styles: by table and geometry column) look for them."""
    path = tmp_path / "m.gpkg"
    path.write_bytes(tables.mounts_gpkg(linked))
    base = sqlite3.connect(path)
    shapes = dict(base.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
    styles = {
        name: (column, qml)
        for name, column, qml in base.execute(
            "SELECT f_table_name, f_geometry_column, styleQML FROM layer_styles WHERE useAsDefault = 1"
        )
    }
    assert {name: column for name, (column, _) in styles.items()} == shapes
    for name, (_, qml) in styles.items():
        renderer = ET.fromstring(qml).find("renderer-v2")
        assert renderer is not None
        if by := renderer.get("attr"):
            assert by in geopandas.read_file(path, layer=name).columns
        used = [c.get("symbol") for c in renderer.iter("category")]
        assert set(used) <= {s.get("name") for s in renderer.iter("symbol")}
    statuses = set(geopandas.read_file(path, layer="mounts").status)
    of_mounts = ET.fromstring(styles["mounts"][1]).iter("category")
    assert statuses <= {category.get("value") for category in of_mounts}
    described = set(base.execute("SELECT table_name, column_name FROM gpkg_data_columns WHERE description <> ''"))
    for name, kind in pyogrio.list_layers(path):
        if name != "layer_styles":
            columns = pyogrio.read_info(path, layer=name)["fields"].tolist()
            assert {(name, column) for column in columns} <= described, (name, kind)
    assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_mounts_are_split_by_subject_and_join_back_to_the_whole(linked: SiteResult, tmp_path: Path) -> None:
    path = tmp_path / "m.gpkg"
    path.write_bytes(tables.mounts_gpkg(linked))
    subjects = schema.mounts_by_subject(linked.decision.requirements, linked.decision.parts)
    layers = {name for name, _ in pyogrio.list_layers(path)}
    assert layers >= {"mounts", "mounts_light", "mounts_rain", "mounts_reach", "mounts_judged"}
    whole = pandas.read_csv(io.BytesIO(tables.mounts_csv(linked))).set_index("id")
    seen = []
    for name in subjects:
        if name in layers:
            part = pyogrio.read_dataframe(path, layer=name).set_index("id")
            part = pandas.DataFrame(part.drop(columns="geometry", errors="ignore"))
            assert part.index.tolist() == whole.index.tolist(), name
            assert len(part.columns) <= 48
            seen += part.columns.tolist()
            for column in part.select_dtypes("number"):
                assert part[column].to_numpy(float) == pytest.approx(whole[column].to_numpy(float), nan_ok=True)
    assert sorted(seen) == sorted(whole.columns)


@pytest.mark.parametrize("form", ["kml", "gpx", "geojson"])
def test_phones_find_each_place_by_name_where_it_is(cabled: SiteResult, form: str, tmp_path: Path) -> None:
    path = tmp_path / f"places.{form}"
    path.write_bytes(getattr(handout, form)(cabled))
    layer = {"gpx": "waypoints"}.get(form)
    found = pyogrio.read_dataframe(path, layer=layer)
    found = found[found.geometry.geom_type == "Point"]
    named = dict(zip(found["Name" if form == "kml" else "name"], found.geometry, strict=True))
    items = [item for item in handout.items(cabled) if len(item.at) == 1]
    assert set(named) == {item.name for item in items}
    assert {item.kind for item in items} == {"sensor", "controller"}
    for item in items:
        assert [named[item.name].x, named[item.name].y] == pytest.approx(item.at[0], abs=1e-7)
    lines = pyogrio.read_dataframe(path, layer={"gpx": "routes"}.get(form))
    assert (lines.geometry.geom_type == "LineString").sum() == 1
    assert "utilities marked" in path.read_text(encoding="utf-8")


def test_hostile_names_stay_text(linked: SiteResult) -> None:
    names = ("</name><script>x", "=1+1\x1b[31m")
    odd = replace(linked, site=replace(linked.site, controllers=replace(linked.site.controllers, names=names)))
    for form in (handout.kml, handout.gpx):
        texts = [node.text or "" for node in ET.fromstring(form(odd)).iter()]
        assert "A </name><script>x" in texts
        assert not any("\x1b" in text for text in texts)
    assert "\\u001b" in handout.geojson(odd).decode()


def test_a_workbook_keeps_numbers_and_makes_no_formula(tmp_path: Path) -> None:
    rows = pandas.DataFrame({"name": ["=HYPERLINK(1)", "+1", "@x", "plain"], "value": [1.5, 2.0, None, -4.0]})
    path = tmp_path / "t.xlsx"
    path.write_bytes(xlsx_bytes({"one": rows, "two": rows.head(1)}))
    assert [name for name, _ in pyogrio.list_layers(path)] == ["one", "two"]
    back = pyogrio.read_dataframe(path, layer="one")
    assert back.name.tolist() == rows.name.tolist()
    assert back.value.dtype.kind == "f"
    with zipfile.ZipFile(path) as book:
        assert not any(b"<f>" in book.read(name) for name in book.namelist() if "sheet" in name)


def test_a_workbook_does_not_change_with_the_clock() -> None:
    rows = pandas.DataFrame({"name": ["plain"], "value": [1.5]})
    first = xlsx_bytes({"one": rows, "two": rows})
    with zipfile.ZipFile(io.BytesIO(first)) as book:
        assert {one.date_time for one in book.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert book.testzip() is None
    assert xlsx_bytes({"one": rows, "two": rows}) == first


@pytest.mark.parametrize("link", ["radio", "cable"])
def test_the_bill_adds_up_in_both_files(link: str, linked: SiteResult, cabled: SiteResult, tmp_path: Path) -> None:
    result = {"radio": linked, "cable": cabled}[link]
    book = tmp_path / "bill.xlsx"
    book.write_bytes(handout.bill_xlsx(result) or b"")
    text = pandas.read_csv(io.BytesIO(handout.bill_csv(result) or b""))
    for rows in (pyogrio.read_dataframe(book, layer="bill"), text):
        inside = rows[rows.in_total == True]  # noqa: E712 (a column with empty cells)
        total = rows[rows["item"] == "total"].price.item()
        assert (inside.quantity * inside.unit_price).to_numpy() == pytest.approx(inside.price.to_numpy(), abs=0.01)
        assert inside.price.sum() == pytest.approx(total, abs=0.02)
        assert total == pytest.approx(json.loads(tables.site_json(result))["bill"]["total"], abs=0.01)
    assert {name for name, _ in pyogrio.list_layers(book)} == {"bill", "places", "controllers"}


def test_outputs_choose_the_files(linked: SiteResult, tmp_path: Path) -> None:
    fewer = linked.plan.outputs.model_copy(update={"places": ("gpx",), "bill": (), "sheet_pdf": False})
    result = replace(linked, light=None, plan=linked.plan.model_copy(update={"outputs": fewer}))
    written = {path.name for path in write_site(result, tmp_path)}
    assert written == set(site_files(result.plan)) == {
        "map.html", "sheet.html", "mounts.gpkg", "mounts.csv", "result.json", "places.gpx",
    }  # fmt: skip


def test_a_contracts_sites_open_in_their_zones_colours_and_as_a_workbook(tmp_path: Path) -> None:
    from planner.show.draw.palette import zone_colours

    result = contract(6)
    plan = result.plan.model_copy(
        update={"outputs": result.plan.outputs.model_copy(update={"sites": ("gpkg", "xlsx", "csv")})}
    )
    write_contract(replace(result, plan=plan), tmp_path)
    base = sqlite3.connect(tmp_path / "sites.gpkg")
    qml = dict(base.execute("SELECT f_table_name, styleQML FROM layer_styles"))
    renderer = ET.fromstring(qml["sites"])
    labels = [c.get("value") for c in renderer.iter("category")]
    assert labels == [*result.zone.table.labels, ""]
    first = next(option for option in renderer.iter("Option") if option.get("name") == "color")
    colour = zone_colours(result.zone.table.peak_mm_day)[0]
    assert first.get("value", "").split(",")[:3] == [str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)]
    book = pyogrio.read_dataframe(tmp_path / "sites.xlsx", layer="sites")
    text = pandas.read_csv(tmp_path / "sites.csv")
    assert book.columns.tolist() == text.columns.tolist()
    assert book.name.tolist() == text.name.tolist()
    assert book.peak_eto_mm_day.to_numpy() == pytest.approx(text.peak_eto_mm_day.to_numpy())


def test_more_sites_than_a_sheet_takes_are_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from planner.ledger import OutputError
    from planner.show import contract_files

    result = contract(6)
    plan = result.plan.model_copy(update={"outputs": result.plan.outputs.model_copy(update={"sites": ("xlsx",)})})
    monkeypatch.setattr(contract_files, "XLSX_ROWS", 5)
    with pytest.raises(OutputError, match="takes 5 sites, and there are 6"):
        write_contract(replace(result, plan=plan), tmp_path)


def test_results_draw_themselves_in_a_notebook(linked: SiteResult) -> None:
    shown = linked._repr_html_()
    assert shown is not None
    assert shown.startswith('<iframe sandbox="allow-scripts')
    assert "allow-same-origin" not in shown
    inside = ET.fromstring(shown).get("srcdoc", "")  # whole, and escaped, or this would not parse
    assert inside.lstrip().lower().startswith("<!doctype html>")
    assert linked.site.name in inside
    assert contract(3)._repr_html_()
    assert len(repr(linked)) < 3000
    assert pickle.loads(pickle.dumps(linked)) == linked


def test_a_result_that_nobody_draws_falls_back_to_its_line() -> None:
    class Other(notebook.Drawn):
        pass

    assert Other()._repr_html_() is None


def test_a_style_says_its_classes_and_escapes_them() -> None:
    text = style([Symbol('a"<b>', "it's & so", Shape.CIRCLE, "#102030")], by="x<y", label="n&m")
    read = ET.fromstring(text)
    category = next(read.iter("category"))
    assert (category.get("value"), category.get("label")) == ('a"<b>', "it's & so")
    assert [o.get("value") for o in read.iter("Option") if o.get("name") == "color"] == ["16,32,48,255"]


def test_the_example_notebook_runs_as_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = json.loads((Path(__file__).parents[1] / "examples" / "yard.ipynb").read_text(encoding="utf-8"))
    assert not any(cell.get("outputs") for cell in book["cells"]), "the notebook is kept without what it printed"
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    for cell in book["cells"]:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]), names)
    assert {"map.html", "bill.xlsx", "places.gpx"} <= {p.name for p in (tmp_path / "noonmark-out/yard").iterdir()}
    shown = names["result"]._repr_html_()  # type: ignore[attr-defined]
    assert "A yard" in shown
