"""Layers as people have them: one file for several kinds, drawings, tables of points, height models.

Drawings are made by ezdxf, which shares no code with what reads them.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import Point
from test_layers import AUSTIN, SITE, contract, plan_of, said, site_of, square, write

from planner.layers import read_contract_sites
from planner.layers.build import count_contract_sites
from planner.ledger import DataError, Ledger, PlanError

# --- one file for several kinds: `where` -----------------------------------------------------------------

KINDS = ("hall", "hall", "tree", "tree", "tree", "site")
SHAPES = [square(0, 0), square(50, 0), Point(-20, 5), Point(-30, 5), Point(-40, 5), SITE]
LEVELS = [1, 2, 0, 0, 0, 0]


def extract(folder: Path, name: str) -> str:
    """One file of halls, trees and the site, as an extract of an open map is."""
    columns = {"kind": list(KINDS), "building:levels": LEVELS, "ref": [str(100 + k) for k in range(6)]}
    if name.endswith(".shp"):  # names of ten letters, and one kind of geometry a file
        columns["levels"] = columns.pop("building:levels")
        keep = [0, 1, 5]
        columns = {column: [values[k] for k in keep] for column, values in columns.items()}
        return write(folder, name, [SHAPES[k] for k in keep], **columns)
    if name.endswith(".parquet"):
        drawn = gpd.read_file(folder / write(folder, "all.gpkg", SHAPES, **columns))
        drawn["names"] = [{"primary": k} for k in KINDS]  # a nested column, as Overture has
        drawn.to_parquet(folder / name)
        return name
    return write(folder, name, SHAPES, "EPSG:4326", **columns)


@pytest.mark.parametrize("ending", ["gpkg", "geojson", "fgb", "parquet", "shp"])
def test_one_file_serves_several_layers(tmp_path: Path, ending: str) -> None:
    """Columns that the condition names and the plan does not are read for it: GDAL takes others for empty."""
    name = extract(tmp_path, f"osm.{ending}")
    picked = lambda where, **keys: {"path": name, "where": where, **keys}  # noqa: E731
    outline = picked("kind = 'site'")
    site, notices = site_of(tmp_path, outline, buildings=picked("kind = 'hall'", name="ref"))
    assert site.outline.area == pytest.approx(40_000, rel=1e-3)
    assert sorted(site.buildings.names) == ["100", "101"]
    if ending != "shp":
        high = {"height": "building:levels", "height_unit": "storeys"}
        site, _ = site_of(
            tmp_path,
            outline,
            buildings=picked('"building:levels" >= 2', name="ref", **high),
            trees=picked("kind = 'tree' AND ref <> '103'", name="ref"),
        )
        assert site.buildings.names == ("101",)
        assert site.buildings.top_m.tolist() == [7.0]
        assert sorted(site.crowns.names) == ["102", "104"]
    if ending not in ("fgb", "shp"):  # a FlatGeobuf has an order of its own
        site, _ = site_of(tmp_path, outline, trees=picked("kind = 'tree' AND ref <> '103'"))
        assert site.crowns.names == ("#3", "#5")  # rows of the file, not of what is picked
    assert said(notices, f"osm.{ending}, where kind = 'hall'")


@pytest.mark.parametrize("ending", ["gpkg", "geojson", "parquet"])
@pytest.mark.parametrize(
    ("condition", "gdal_said"),
    [
        ("nosuch = 1", r"nosuch"),
        ("kind = ", r"(?i)incomplete input|syntax error"),
        ("building:levels >= 2", r"(?i)syntax error|invalid token"),
        ("kind = 'hall') OR (1 = 1", r"(?i)syntax error"),
    ],
)
def test_a_condition_that_gdal_cannot_evaluate_is_said_with_its_words(
    tmp_path: Path, ending: str, condition: str, gdal_said: str
) -> None:
    name = extract(tmp_path, f"osm.{ending}")
    with pytest.raises(PlanError, match=gdal_said) as fault:
        site_of(tmp_path, buildings={"path": name, "where": condition})
    assert fault.value.where.endswith("layers.buildings.where")
    assert repr(condition) in fault.value.what
    assert f"layers.buildings (osm.{ending}, where {condition})" in fault.value.what
    assert "building:levels" in fault.value.todo


def test_numbers_kept_as_text_need_a_cast_and_the_message_says_so(tmp_path: Path) -> None:
    name = extract(tmp_path, "osm.geojson")
    with pytest.raises(PlanError, match=r"Type mismatch.*CAST\(column AS float\)"):
        site_of(tmp_path, trees={"path": name, "where": "ref > 102"})
    site, _ = site_of(tmp_path, trees={"path": name, "where": "CAST(ref AS float) > 102 AND kind = 'tree'"})
    assert site.crowns.names == ("#4", "#5")


@pytest.mark.parametrize("ending", ["gpkg", "parquet"])
def test_a_condition_that_picks_nothing_shows_what_there_is(tmp_path: Path, ending: str) -> None:
    name = extract(tmp_path, f"osm.{ending}")
    with pytest.raises(PlanError, match=r"none of the 6 features .* meets the condition") as fault:
        site_of(tmp_path, buildings={"path": name, "where": "kind = 'Hal'"})
    assert "kind has hall, site, tree" in fault.value.todo
    with pytest.raises(PlanError, match="at least 1"):
        plan_of(tmp_path, {"site": {"path": name, "where": ""}})


@pytest.mark.parametrize("ending", ["gpkg", "csv", "parquet"])
def test_a_contracts_sites_are_picked_too_and_parts_of_them_are(tmp_path: Path, ending: str) -> None:
    spots = [Point(-97.7 - k / 100, 30.2) for k in range(7)]
    name = f"sites.{ending}"
    keep = ["yes", "no", "yes", "yes", "no", "yes", "yes"]
    if ending == "parquet":
        gpd.GeoDataFrame({"keep": keep}, geometry=spots, crs="EPSG:4326").to_parquet(tmp_path / name)
    else:
        write(tmp_path, name, spots, "EPSG:4326", local=False, keep=keep)
    plan = contract(tmp_path, path=name, where="keep = 'yes'", crs="EPSG:4326")
    assert count_contract_sites(plan) == 5
    assert read_contract_sites(plan, Ledger()).names == ("#1", "#3", "#4", "#6", "#7")
    part = read_contract_sites(plan, Ledger(), rows=(1, 3))
    assert part.names == ("#3", "#4")
    assert [shape.x for shape in part.shapes] == pytest.approx([-97.72, -97.73])
    assert part.own["keep"].to_pylist() == ["yes", "yes"]


def test_a_file_that_is_written_anew_is_picked_from_anew(tmp_path: Path) -> None:
    for ref in (["1", "2"], ["2", "1"]):
        write(tmp_path, "t.gpkg", [Point(0, 0), Point(9, 9)], ref=ref)
        site, _ = site_of(tmp_path, trees={"path": "t.gpkg", "where": "ref = '1'"})
        assert site.crowns.names == (f"#{ref.index('1') + 1}",)


# --- tables of points ------------------------------------------------------------------------------------


def test_trees_poles_and_controllers_may_be_tables_of_points(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text('id,lon,lat,h\n7,-97.74,30.27,12\n8,,,9\n9,-97.7401,"30,2701",8\n')
    # the same spot in degrees and in the feet of a plane: pyproj's own, not the frame's
    east, north = gpd.GeoSeries([Point(AUSTIN)], crs=4326).to_crs(2277).get_coordinates().to_numpy()[0]
    (tmp_path / "p.csv").write_text(f"east,north,h,what\n{east},{north},20,pole\n{east + 10},{north},1.5,box\n")
    site, notices = site_of(
        tmp_path,
        trees={"path": "t.csv", "x": "lon", "y": "lat", "crs": "EPSG:4326", "name": "id", "height": "h"},
        poles={
            "path": "p.csv", "x": "east", "y": "north", "crs": "EPSG:2277", "height": "h", "height_unit": "ft",
            "where": "what = 'pole'",
        },
        controllers={"path": "p.csv", "x": "east", "y": "north", "crs": "EPSG:2277", "where": "what = 'box'"},
    )  # fmt: skip
    assert site.crowns.names == ("7", "9")
    assert said(notices, "no geometry, or none that can be read", "8")
    assert np.allclose(site.poles.xyz, [[0, 0, 20 * 0.3048]], atol=0.01)
    # ten feet off, to the east of the grid, which is turned by 1.3 degrees here
    assert np.hypot(*site.controllers.xyz[0, :2]) == pytest.approx(3.048, abs=0.01)
    assert site.controllers.xyz[0, 0] > 3.04


def test_a_table_of_points_without_its_columns_or_crs_says_what_to_write(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("lon,lat\n-97.74,30.27\n")
    with pytest.raises(DataError, match=r"as layers\.trees\.x and layers\.trees\.y"):
        site_of(tmp_path, trees={"path": "t.csv"})
    with pytest.raises(DataError, match=r"layers\.trees\.crs"):
        site_of(tmp_path, trees={"path": "t.csv", "x": "lon", "y": "lat"})
    with pytest.raises(PlanError, match="only one of x and y"):
        plan_of(tmp_path, {"site": {"path": "s.gpkg"}, "poles": {"path": "t.csv", "x": "lon"}})
    with pytest.raises(PlanError, match="did you mean 'lat'"):
        site_of(tmp_path, trees={"path": "t.csv", "x": "lon", "y": "lit", "crs": "EPSG:4326"})
