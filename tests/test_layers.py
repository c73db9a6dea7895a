"""Layers: the same site comes out of every format and CRS; each repair and each refusal says what it must.

Lengths are checked against geodesics on the WGS 84 ellipsoid (pyproj.Geod), which share no code with the
transverse Mercator of the frame.
"""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from planner.ground import centres, site_ground
from planner.layers import named_xy, read_contract_sites, read_site, relief
from planner.layers.columns import number
from planner.layers.frame import local_frame, project
from planner.layers.raster import Around
from planner.ledger import DataError, Ledger, PlanError
from planner.plan import PlanFile, parse_plan
from planner.preflight import check_inputs
from planner.show.write.formats import xlsx_bytes
from planner.site import Heights, KeepOut, Site, ground_at
from planner.sun import sun_table, year_of_light

GEOD = Geod(ellps="WGS84")
AUSTIN = (-97.74, 30.27)
GOTHENBURG = (11.97, 57.70)


# --- a small world, drawn in metres and written in any CRS -----------------------------------------------


@cache
def from_there(lonlat: tuple[float, float], crs: str) -> Transformer:
    """From metres east and north of a place; azimuthal equidistant, so not the frame under test."""
    local = f"+proj=aeqd +lat_0={lonlat[1]} +lon_0={lonlat[0]} +datum=WGS84 +units=m"
    return Transformer.from_crs(local, CRS(crs), always_xy=True)


def there(shapes: list[Any], lonlat: tuple[float, float], crs: str) -> list[Any]:
    """Shapes in metres east and north of a place, in `crs`."""
    move = from_there(lonlat, crs)
    return [
        None if s is None else shapely.transform(s, lambda xy: np.column_stack(move.transform(xy[:, 0], xy[:, 1])))
        for s in shapes
    ]


def write(
    folder: Path,
    name: str,
    shapes: list[Any],
    crs: str | None = "EPSG:32614",
    lonlat: tuple[float, float] = AUSTIN,
    local: bool = True,
    layer: str | None = None,
    **attributes: list[Any],
) -> str:
    """A vector file of shapes drawn in metres (or, not `local`, as they are); its name."""
    drawn = there(shapes, lonlat, crs) if local and crs else shapes
    frame = gpd.GeoDataFrame(attributes or {"n": range(len(shapes))}, geometry=drawn, crs=crs)
    path = folder / name
    if name.endswith(".csv"):
        frame.assign(WKT=frame.geometry.to_wkt(rounding_precision=-1)).drop(columns="geometry").to_csv(
            path, index=False
        )
    else:
        frame.to_file(
            path, **({"layer": layer} if layer else {}), **({"driver": "KML"} if name.endswith(".kml") else {})
        )
    return name


def square(x: float, y: float, side: float = 30.0) -> Polygon:
    return box(x, y, x + side, y + side)


SITE = box(-100, -100, 100, 100)


def plan_of(folder: Path, layers: dict[str, Any] | None = None, **sections: Any) -> PlanFile:
    body = {**({"layers": layers} if layers else {}), "sun": {"terrain_km": 1.0}, **sections}
    return parse_plan(body, folder / "plan.toml")


def site_of(folder: Path, site: dict[str, Any] | None = None, **layers: Any) -> tuple[Site, list[str]]:
    if site is None:
        site = {"path": write(folder, "site.gpkg", [SITE])}
    ledger = Ledger()
    return read_site(plan_of(folder, {"site": site, **layers}), ledger), [str(n) for n in ledger]


def said(notices: list[str], *words: str) -> bool:
    return any(all(w in n for w in words) for n in notices)


# --- the frame -------------------------------------------------------------------------------------------


@given(st.floats(-179.9, 179.9), st.floats(-75, 75), st.floats(-3000, 3000), st.floats(-3000, 3000))
@settings(max_examples=60, deadline=None)
def test_frame_is_metric_and_comes_back(lon: float, lat: float, x: float, y: float) -> None:
    frame = local_frame(Point(lon, lat).buffer(0.001), "EPSG:4326")
    lonlat = project(np.array([x, y]), frame.crs, "EPSG:4326")
    back = project(lonlat, "EPSG:4326", frame.crs)
    assert np.allclose(back, [x, y], atol=1e-6)
    _, _, geodesic = GEOD.inv(frame.longitude_deg, frame.latitude_deg, *lonlat)
    # scale error of a transverse Mercator is at most (x / R)^2 / 2: 1.1e-7 at 3 km
    assert geodesic == pytest.approx(np.hypot(x, y), abs=1e-3)


def test_frame_points_north() -> None:
    frame = local_frame(Point(*GOTHENBURG).buffer(0.001), "EPSG:4326")
    north = project(np.array([0.0, 500.0]), frame.crs, "EPSG:4326")
    azimuth, _, _ = GEOD.inv(frame.longitude_deg, frame.latitude_deg, *north)
    assert azimuth == pytest.approx(0, abs=1e-6)


def test_axis_order_is_x_then_y_whatever_epsg_says() -> None:
    # EPSG:3007 lists northing first; its central meridian is 12 E, false easting 150 km (EPSG registry)
    xy = project(np.array([12.0, 57.7]), "EPSG:4326", "EPSG:3007")
    assert xy[0] == pytest.approx(150_000, abs=0.01)
    assert 6.3e6 < xy[1] < 6.5e6


# --- every format, every CRS -----------------------------------------------------------------------------

PLACES = [
    ("EPSG:4326", AUSTIN),
    ("EPSG:32614", AUSTIN),
    ("EPSG:2278", (-95.37, 29.76)),  # US survey feet
    ("EPSG:3857", (11.58, 48.14)),
    ("EPSG:28355", (144.96, -37.81)),  # southern hemisphere
    ("EPSG:4326", (179.9999, -16.8)),  # across the antimeridian
    ("EPSG:3460", (-179.99995, -16.8)),
    ("EPSG:3007", GOTHENBURG),  # northing first in EPSG's list
]


def geodesic_square(lonlat: tuple[float, float], side: float = 30.0) -> Polygon:
    """A square laid out along geodesics from its south-western corner, longitudes and latitudes."""
    lon, lat = lonlat
    se, nw = GEOD.fwd(lon, lat, 90, side)[:2], GEOD.fwd(lon, lat, 0, side)[:2]
    return Polygon([(lon, lat), se, GEOD.fwd(*nw, 90, side)[:2], nw])


FORMATS = ["gpkg", "geojson", "shp", "fgb", "csv"]
# GDAL's reader tells attributes of KML from 3.12 on: with 3.11.4 it gives Name and Description alone
KML_KNOWS_ATTRIBUTES = pyogrio.__gdal_version__ >= (3, 12)

# KML is in EPSG:4326 by its standard
CASES = [(f, *p) for f in FORMATS for p in PLACES] + [("kml", *p) for p in PLACES if p[0] == "EPSG:4326"]


@pytest.mark.parametrize(("ending", "crs", "lonlat"), CASES)
def test_a_30_m_building_is_30_m_wide_at_its_place(
    tmp_path: Path, ending: str, crs: str, lonlat: tuple[float, float]
) -> None:
    if ending == "kml" and not ("w" in pyogrio.list_drivers().get("KML", "") and KML_KNOWS_ATTRIBUTES):
        pytest.skip("this GDAL has no KML driver, or one that knows no attributes")
    move = Transformer.from_crs("EPSG:4326", CRS(crs), always_xy=True)
    house = geodesic_square(lonlat)
    drawn = shapely.transform(house, lambda xy: np.column_stack(move.transform(xy[:, 0], xy[:, 1])))
    outline = write(tmp_path, "site.gpkg", [SITE], "EPSG:4326", lonlat)
    name = write(tmp_path, f"houses.{ending}", [drawn], crs, local=False, height=[8.0])
    layer = {"path": name, "height": "height", **({"crs": crs} if ending == "csv" else {})}
    site, _ = site_of(tmp_path, {"path": outline}, buildings=layer)

    found = site.buildings.shapes[0]
    corners = np.asarray(found.exterior.coords)[:-1]
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    # GDAL writes GeoJSON with 7 decimals of a degree, a centimetre
    tolerance = 0.02 if ending == "geojson" and crs == "EPSG:4326" else 0.002
    assert np.allclose(sides, 30, atol=tolerance)
    lonlats = project(corners, site.crs, "EPSG:4326")
    for corner in np.asarray(house.exterior.coords)[:-1]:
        gaps = [GEOD.inv(*corner, *seen)[2] for seen in lonlats]
        assert min(gaps) < tolerance
    assert site.buildings.top_m[0] == 8.0


def test_reading_writes_nothing_beside_the_users_files(tmp_path: Path) -> None:
    for ending in ("gpkg", "geojson", "shp", "fgb", "csv", "gml", "kml"):
        write(tmp_path, f"a.{ending}", [SITE], "EPSG:4326")
    (tmp_path / "a.xsd").unlink()  # without it GDAL writes a .gfs file when it opens GML by its path
    raster(tmp_path / "dem.tif")
    plain = sqlite3.connect(tmp_path / "a.gpkg")
    plain.execute("PRAGMA journal_mode=WAL")  # as left by programs that were still editing it
    plain.close()

    def state() -> dict[str, str]:
        return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in tmp_path.iterdir()}

    before = state()
    for ending in ("gpkg", "geojson", "shp", "fgb", "csv", "gml", "kml"):
        layer = {"path": f"a.{ending}", **({"crs": "EPSG:4326"} if ending == "csv" else {})}
        read_site(plan_of(tmp_path, {"site": layer, "terrain": {"path": "dem.tif"}}), Ledger())
    assert state() == before


@given(st.booleans(), st.integers(0, 3))
@settings(max_examples=8, deadline=None)
def test_ring_orientation_and_start_do_not_matter(
    tmp_path_factory: pytest.TempPathFactory, reverse: bool, start: int
) -> None:
    folder = tmp_path_factory.mktemp("ring")
    corners = np.roll([(0, 0), (30, 0), (30, 20), (0, 20)], start, axis=0)
    hole = [(10, 5), (20, 5), (20, 10), (10, 10)]
    shape = Polygon(corners[::-1] if reverse else corners, [hole[::-1] if reverse else hole])
    site, _ = site_of(folder, buildings={"path": write(folder, "b.fgb", [shape])})
    assert site.buildings.shapes[0].area == pytest.approx(600 - 50, rel=2e-3)
    assert len(site.buildings.edge_start) == 8


# --- files, layers, attributes ---------------------------------------------------------------------------


def test_missing_file_names_the_plan_the_key_and_the_nearest_file(tmp_path: Path) -> None:
    write(tmp_path, "site.gpkg", [SITE])
    with pytest.raises(PlanError, match=r"plan.toml: layers.site.path.*did you mean 'site.gpkg'"):
        site_of(tmp_path, {"path": "stie.gpkg"})
    with pytest.raises(PlanError, match="no folder"):
        site_of(tmp_path, {"path": "nowhere/site.gpkg"})


def test_several_layers_must_be_told_apart(tmp_path: Path) -> None:
    write(tmp_path, "all.gpkg", [SITE], layer="outline")
    write(tmp_path, "all.gpkg", [square(0, 0)], layer="houses")
    with pytest.raises(PlanError, match=r"2 layers.*outline, houses"):
        site_of(tmp_path, {"path": "all.gpkg"})
    with pytest.raises(PlanError, match=r"no layer 'outlin'.*did you mean 'outline'"):
        site_of(tmp_path, {"path": "all.gpkg", "layer": "outlin"})
    site, _ = site_of(tmp_path, {"path": "all.gpkg", "layer": "outline"})
    assert site.outline.area == pytest.approx(40_000, rel=1e-3)


def test_missing_attributes_are_all_named(tmp_path: Path) -> None:
    name = write(tmp_path, "b.gpkg", [square(0, 0)], height_m=[5.0], title=["A"])
    with pytest.raises(PlanError, match=r"layers.buildings.*'titel'.*'hight_m'.*did you mean 'title'.*'height_m'"):
        site_of(tmp_path, buildings={"path": name, "name": "titel", "height": "hight_m"})


def test_an_attribute_may_be_called_geometry(tmp_path: Path) -> None:
    corners = [list(c) for c in there([square(0, 0)], AUSTIN, "EPSG:4326")[0].exterior.coords]
    house = {
        "type": "Feature",
        "properties": {"geometry": "Barn", "h": 5},
        "geometry": {"type": "Polygon", "coordinates": [corners]},
    }
    (tmp_path / "b.geojson").write_text(json.dumps(house))
    site, _ = site_of(tmp_path, buildings={"path": "b.geojson", "name": "geometry", "height": "h"})
    assert site.buildings.names == ("Barn",)


def test_empty_and_unreadable_files(tmp_path: Path) -> None:
    write(tmp_path, "empty.gpkg", [])
    with pytest.raises(DataError, match="no features"):
        site_of(tmp_path, buildings={"path": "empty.gpkg"})
    (tmp_path / "junk.gpkg").write_text("not a database")
    with pytest.raises(DataError, match="cannot be read"):
        site_of(tmp_path, buildings={"path": "junk.gpkg"})
    (tmp_path / "table.csv").write_text("name,height\nA,3\n")
    with pytest.raises(DataError, match="table without geometry"):
        site_of(tmp_path, buildings={"path": "table.csv", "crs": "EPSG:4326"})


def test_a_table_as_windows_saves_it_under_a_title(tmp_path: Path) -> None:
    # code page 1252, semicolons, decimal commas, lines above the names of the columns: as in Europe
    rows = f"Wächter;Länge;Breite\nTå;{AUSTIN[0]:.5f};{AUSTIN[1]:.5f}\nBö;{AUSTIN[0]:.5f};{AUSTIN[1] + 1e-4:.5f}\n"
    text = "Steuergeräte 2026;;\n;;\n" + rows.replace(".", ",")
    (tmp_path / "latin.csv").write_bytes(text.encode("cp1252"))
    told = {"path": "latin.csv", "name": "Wächter", "x": "Länge", "y": "Breite", "crs": "EPSG:4326"}
    site, ledger = site_of(tmp_path, controllers=told)
    assert site.controllers.names == ("Tå", "Bö")
    assert any("code page 1252" in said for said in ledger)
    assert any("the first 2 lines are a title: the names of the columns stand below" in said for said in ledger)


def test_a_workbook_with_a_title_above_its_columns(tmp_path: Path) -> None:
    cells = [
        ["Clocks of the school", None, None], ["Clock", "Lat", "Long"], ["C-1", str(AUSTIN[1]), str(AUSTIN[0])],
    ]  # fmt: skip
    path = tmp_path / "clocks.xlsx"
    # GDAL writes names of columns first: the title is the first of them
    sheet = pandas.DataFrame(cells[1:], columns=[cells[0][0], " ", "  "])
    path.write_bytes(xlsx_bytes({"Clocks": sheet, "Notes": pandas.DataFrame({"by": ["JM"], "n": [1]})}))
    told = {"path": path.name, "layer": "Clocks", "name": "Clock", "x": "Long", "y": "Lat", "crs": "EPSG:4326"}
    site, ledger = site_of(tmp_path, controllers=told)
    assert site.controllers.names == ("C-1",)
    assert any("the first line is a title" in said for said in ledger)


# --- CRS -------------------------------------------------------------------------------------------------


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_missing_crs_is_never_guessed(tmp_path: Path) -> None:
    write(tmp_path, "metres.shp", there([SITE], AUSTIN, "EPSG:32614"), None)
    write(tmp_path, "degrees.shp", there([SITE], AUSTIN, "EPSG:4326"), None)
    with pytest.raises(DataError, match="does not say which coordinate reference system") as metres:
        site_of(tmp_path, {"path": "metres.shp"})
    assert "4326" not in str(metres.value)
    with pytest.raises(DataError, match=r"look like degrees.*EPSG:4326"):
        site_of(tmp_path, {"path": "degrees.shp"})
    site, _ = site_of(tmp_path, {"path": "metres.shp", "crs": "EPSG:32614"})
    assert site.longitude_deg == pytest.approx(AUSTIN[0], abs=1e-6)


def test_stated_crs_beside_the_files_own(tmp_path: Path) -> None:
    write(tmp_path, "site.gpkg", [SITE], "EPSG:4326")
    _, notices = site_of(tmp_path, {"path": "site.gpkg", "crs": "EPSG:4269"})
    # NAD83 and WGS 84 are taken as one here: nothing moves, nothing is said
    assert not said(notices, "the plan's is used")
    # the file says 14N; the plan says 13N, which puts it 6 degrees west
    write(tmp_path, "utm.gpkg", [SITE], "EPSG:32614")
    site, notices = site_of(tmp_path, {"path": "utm.gpkg", "crs": "EPSG:32613"})
    assert said(notices, "EPSG:32614", "EPSG:32613", "the plan's is used")
    assert site.longitude_deg == pytest.approx(AUSTIN[0] - 6, abs=0.01)
    with pytest.raises(PlanError, match="not a CRS that PROJ knows"):
        site_of(tmp_path, {"path": "utm.gpkg", "crs": "EPSG:999999"})


def test_wrong_crs_is_refused_with_the_range_seen(tmp_path: Path) -> None:
    metres = there([SITE], AUSTIN, "EPSG:32614")
    write(tmp_path, "m.gpkg", metres, "EPSG:4326", local=False)
    with pytest.raises(DataError, match=r"x from 6.* off the earth.*metres or feet"):
        site_of(tmp_path, {"path": "m.gpkg"})
    degrees = there([SITE], AUSTIN, "EPSG:4326")
    write(tmp_path, "d.gpkg", degrees, "EPSG:32614", local=False)
    with pytest.raises(DataError, match=r"look like degrees.*EPSG:4326"):
        site_of(tmp_path, {"path": "d.gpkg"})
    write(tmp_path, "w.gpkg", metres, "EPSG:28992", local=False)  # Dutch grid
    with pytest.raises(DataError, match=r"outside the area of EPSG:28992.*Netherlands"):
        site_of(tmp_path, {"path": "w.gpkg"})


def test_layers_that_do_not_meet_are_refused_with_both_places(tmp_path: Path) -> None:
    name = write(tmp_path, "b.gpkg", [square(0, 0)], "EPSG:4326", (-96.80, 32.78))  # Dallas
    with pytest.raises(DataError, match=r"2 km of the site.*km away, at 32.78 N, 96.80 W.*30.27 N, 97.74 W"):
        site_of(tmp_path, buildings={"path": name})


# --- swapped axes ----------------------------------------------------------------------------------------


def turned(shapes: list[Any]) -> list[Any]:
    return [shapely.transform(s, lambda xy: xy[:, ::-1]) for s in shapes]


def test_swapped_beyond_doubt(tmp_path: Path) -> None:
    write(tmp_path, "t.gpkg", turned(there([SITE], AUSTIN, "EPSG:4326")), "EPSG:4326", local=False)
    site, notices = site_of(tmp_path, {"path": "t.gpkg"})
    assert (site.longitude_deg, site.latitude_deg) == pytest.approx(AUSTIN, abs=1e-6)
    assert said(notices, "repaired", "layers.site", "x and y", "exchanged")
    # projected: northing first, as EPSG lists it
    write(tmp_path, "p.gpkg", turned(there([SITE], GOTHENBURG, "EPSG:3007")), "EPSG:3007", local=False)
    site, _ = site_of(tmp_path, {"path": "p.gpkg"})
    assert (site.longitude_deg, site.latitude_deg) == pytest.approx(GOTHENBURG, abs=1e-6)


def test_swapped_layer_is_turned_where_the_others_confirm_the_site(tmp_path: Path) -> None:
    outline = write(tmp_path, "s.gpkg", [SITE], "EPSG:4326", GOTHENBURG)
    house = there([square(0, 0)], GOTHENBURG, "EPSG:4326")
    write(tmp_path, "b.gpkg", turned(house), "EPSG:4326", local=False)
    pole = write(tmp_path, "p.gpkg", [Point(5, 5)], "EPSG:4326", GOTHENBURG)
    site, notices = site_of(tmp_path, {"path": outline}, buildings={"path": "b.gpkg"}, poles={"path": pole})
    assert said(notices, "repaired", "layers.buildings", "exchanged")
    assert shapely.distance(site.buildings.shapes[0].centroid, Point(15, 15)) < 0.01
    # a site in a projected CRS needs no other witness
    metric = write(tmp_path, "m.gpkg", [SITE], "EPSG:3007", GOTHENBURG)
    site, notices = site_of(tmp_path, {"path": metric}, buildings={"path": "b.gpkg"})
    assert said(notices, "repaired", "layers.buildings", "exchanged")


def test_swapped_site_is_turned_where_the_others_agree(tmp_path: Path) -> None:
    write(tmp_path, "s.gpkg", turned(there([SITE], GOTHENBURG, "EPSG:4326")), "EPSG:4326", local=False)
    house = write(tmp_path, "b.gpkg", [square(0, 0)], "EPSG:3007", GOTHENBURG)
    site, notices = site_of(tmp_path, {"path": "s.gpkg"}, buildings={"path": house})
    assert (site.longitude_deg, site.latitude_deg) == pytest.approx(GOTHENBURG, abs=1e-6)
    assert said(notices, "repaired", "layers.site", "exchanged")


def test_swapped_one_against_one_is_refused(tmp_path: Path) -> None:
    write(tmp_path, "s.gpkg", turned(there([SITE], GOTHENBURG, "EPSG:4326")), "EPSG:4326", local=False)
    house = write(tmp_path, "b.gpkg", [square(0, 0)], "EPSG:4326", GOTHENBURG)
    with pytest.raises(DataError, match="one of the two has x and y in the wrong order"):
        site_of(tmp_path, {"path": "s.gpkg"}, buildings={"path": house})
    new_york = (-73.97, 40.78)  # turned, it lies in the Antarctic
    write(tmp_path, "ny.gpkg", turned(there([SITE], new_york, "EPSG:4326")), "EPSG:4326", local=False)
    with pytest.raises(DataError, match="nothing is irrigated; with x and y exchanged"):
        site_of(tmp_path, {"path": "ny.gpkg"})


# --- geometry --------------------------------------------------------------------------------------------


def test_geometry_is_repaired_or_left_out_and_said(tmp_path: Path) -> None:
    bow_tie = Polygon([(0, 0), (20, 20), (20, 0), (0, 20)])
    shapes = [
        bow_tie,
        None,
        Polygon(),
        LineString([(0, 0), (9, 9)]),
        LineString([(40, 0), (50, 0), (50, 10), (40, 10), (40, 0)]),
        shapely.GeometryCollection([square(60, 0, 10), Point(0, 0)]),
        MultiPolygon([square(-50, 0, 10), square(-30, 0, 10)]),
        square(-80, 0, 10),
        square(-80, 0, 10).reverse(),
        Polygon([(1, 1), (2, 2), (3, 3)]),
    ]
    ids = ["bow", "null", "empty", "line", "closed", "mixed", "multi", "one", "again", "flat"]
    name = write(tmp_path, "b.gpkg", shapes, id=ids)
    site, notices = site_of(tmp_path, buildings={"path": name, "name": "id"})
    assert site.buildings.names == ("bow", "closed", "mixed", "multi", "one")
    areas = dict(zip(site.buildings.names, (s.area for s in site.buildings.shapes), strict=True))
    # UTM's scale here is 0.9999 or so: areas agree to a part in a thousand
    expected = {"bow": 200, "closed": 100, "mixed": 100, "multi": 200, "one": 100}
    assert areas == pytest.approx(expected, rel=1e-3)
    assert all(s.is_valid for s in site.buildings.shapes)
    assert said(notices, "repaired", "mended", "(bow)")
    assert said(notices, "left out", "no geometry", "(null, empty)")
    assert said(notices, "left out", "not of the kind", "(line)")
    assert said(notices, "repaired", "closed lines", "(closed)")
    assert said(notices, "repaired", "mixed", "(mixed)")
    assert said(notices, "left out", "same geometry", "(again)")
    assert said(notices, "left out", "no area", "(flat)")


def test_overlapping_parts_are_one_solid_without_a_hole(tmp_path: Path) -> None:
    parts = MultiPolygon([box(0, 0, 20, 20), box(10, 10, 30, 30)])
    site, notices = site_of(tmp_path, buildings={"path": write(tmp_path, "b.gpkg", [parts])})
    assert site.buildings.shapes[0].area == pytest.approx(400 + 400 - 100, rel=1e-3)
    assert said(notices, "repaired", "mended")


def test_a_third_coordinate_is_dropped_and_said_unless_it_is_nought(tmp_path: Path) -> None:
    for z in (0.0, 12.0):
        write(
            tmp_path,
            "z.gpkg",
            shapely.force_3d(there([square(0, 0)], AUSTIN, "EPSG:4326"), z),
            "EPSG:4326",
            local=False,
        )
        site, notices = site_of(tmp_path, buildings={"path": "z.gpkg"})
        assert not site.buildings.shapes[0].has_z
        assert said(notices, "third coordinate") == (z > 0)


def test_a_layer_of_the_wrong_kind_is_refused(tmp_path: Path) -> None:
    name = write(tmp_path, "l.gpkg", [LineString([(0, 0), (9, 9)])])
    with pytest.raises(DataError, match="polygons are needed here, and the layer has LineString only"):
        site_of(tmp_path, buildings={"path": name})
    with pytest.raises(DataError, match="points are needed here, and the layer has LineString only"):
        site_of(tmp_path, controllers={"path": name})


def test_curves_become_polygons(tmp_path: Path) -> None:
    (x, y), (c,) = np.array(there([Point(0, 0)], AUSTIN, "EPSG:32614")[0].coords)[0], (20,)
    ring = f"{x - c} {y},{x} {y + c},{x + c} {y},{x} {y - c},{x - c} {y}"
    (tmp_path / "c.csv").write_text(f'id,WKT\nround,"CURVEPOLYGON(CIRCULARSTRING({ring}))"\n')
    site, _ = site_of(tmp_path, buildings={"path": "c.csv", "crs": "EPSG:32614"})
    assert site.buildings.shapes[0].area == pytest.approx(np.pi * 400, rel=3e-3)


@pytest.mark.parametrize("ending", ["gpkg", "shp", "kml"])
def test_names_stay_as_they_are_written(tmp_path: Path, ending: str) -> None:
    if ending == "kml" and not KML_KNOWS_ATTRIBUTES:
        pytest.skip("this GDAL's KML driver knows no attributes")
    odd = ["Ærø <b>Halle</b> ${x}", "  North  ", "", "12"]
    write(tmp_path, f"b.{ending}", [square(0, 40 * k - 100) for k in range(4)], "EPSG:4326", title=odd)
    site, _ = site_of(tmp_path, buildings={"path": f"b.{ending}", "name": "title"})
    assert site.buildings.names == ("Ærø <b>Halle</b> ${x}", "North", "#3", "12")


def test_stacked_parts_of_a_building_are_kept_and_copies_are_not(tmp_path: Path) -> None:
    shapes, heights, under = [square(0, 0)] * 4, [4.0, 9.0, 9.0, 6.0], [None, 4.0, 4.0, None]
    name = write(tmp_path, "b.gpkg", shapes, h=heights, under=under)
    site, notices = site_of(tmp_path, buildings={"path": name, "height": "h", "base": "under"})
    assert site.buildings.names == ("#1", "#2", "#4")
    # without a base, one footprint is one building: the tallest
    site, notices = site_of(tmp_path, buildings={"path": name, "height": "h"})
    assert site.buildings.names == ("#2",)
    assert said(notices, "same geometry", "tallest", "(#1, #3, #4)")


def test_one_stray_feature_does_not_spoil_a_layer(tmp_path: Path) -> None:
    good = there([square(0, 0)], AUSTIN, "EPSG:4326")
    write(tmp_path, "b.gpkg", [*good, box(500, 500, 501, 501)], "EPSG:4326", local=False)
    site, notices = site_of(tmp_path, buildings={"path": "b.gpkg"})
    assert len(site.buildings) == 1
    assert said(notices, "left out", "off the earth", "(#2)")


def test_far_obstacles_are_left_out_with_their_cost(tmp_path: Path) -> None:
    name = write(tmp_path, "b.gpkg", [square(0, 0), square(2600, 0), square(250_000, 0)], h=[10, 50, 50])
    site, notices = site_of(tmp_path, buildings={"path": name, "height": "h"})
    assert len(site.buildings) == 1
    # 50 m high, 2500 m from the outline's edge: atan(50 / 2500) = 1.15 degrees
    assert said(notices, "2 features farther than 2 km", "1.1 degrees")


# --- what attributes say ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "value"),
    [
        ("12,5", 12.5),
        (" 7 ", 7.0),
        (".5", 0.5),
        ("1e1", 10.0),
        (3, 3.0),
        ("1,250", None),
        ("12.5 m", None),
        (True, None),
    ],
)
def test_plain_numbers(word: object, value: float | None) -> None:
    assert number(word) == value


def test_missing_numbers() -> None:
    assert all(np.isnan(number(w) or 0.0) for w in ("", None, float("nan"), "NA", "-"))


def test_heights_in_words_and_absurd_ones(tmp_path: Path) -> None:
    words = ["12,5", "9.0", "12.5 m", "-3", "900", "0", None]
    name = write(tmp_path, "b.gpkg", [square(0, 40 * k - 100) for k in range(7)], h=words)
    site, notices = site_of(
        tmp_path, buildings={"path": name, "height": "h", "default_height_m": 6.0, "mountable": None}
    )
    assert site.buildings.top_m.tolist() == [12.5, 9, 12.5, 6, 6, 6, 6]
    assert said(notices, "has its unit written with the value", "#3: 12.5 m")
    assert said(notices, "out of range", "#4: -3, #5: 900, #6: 0")
    assert said(notices, "assumed", "6 m taken", "#4, #5, #6, #7")


def test_notices_speak_the_plans_units(tmp_path: Path) -> None:
    layers = {
        "site": {"path": write(tmp_path, "site.gpkg", [SITE])},
        "buildings": {"path": write(tmp_path, "b.gpkg", [square(0, 0)]), "default_height_ft": 18},
    }
    for units, wanted in (("us", "no height: 18 ft taken"), ("metric", "no height: 5.49 m taken")):
        ledger = Ledger()
        read_site(plan_of(tmp_path, layers, units=units), ledger)
        assert said([str(n) for n in ledger], wanted)


def test_distances_speak_the_plans_units(tmp_path: Path) -> None:
    layers = {
        "site": {"path": write(tmp_path, "site.gpkg", [SITE])},
        "buildings": {"path": write(tmp_path, "b.gpkg", [square(0, 0), square(2600, 0)])},
    }
    away = {**layers, "buildings": {"path": write(tmp_path, "far.gpkg", [square(40_000, 0)])}}
    for units, beyond, far in (("us", "6,562 ft", "25 miles"), ("metric", "2 km", "40 km")):
        ledger = Ledger()
        read_site(plan_of(tmp_path, layers, units=units), ledger)
        assert said([str(n) for n in ledger], f"farther than {beyond} from the site")
        with pytest.raises(DataError, match=f"within {beyond} of the site: the nearest feature is {far} away"):
            read_site(plan_of(tmp_path, away, units=units), Ledger())


def test_units_of_height(tmp_path: Path) -> None:
    name = write(tmp_path, "b.gpkg", [square(0, 0)], h=[3], under=[1])
    for unit, factor in (("m", 1.0), ("ft", 0.3048), ("storeys", 4.0)):
        site, notices = site_of(
            tmp_path,
            buildings={"path": name, "height": "h", "height_unit": unit, "storey_height_m": 4.0, "base": "under"},
        )
        assert site.buildings.top_m[0] == pytest.approx(3 * factor)
        assert site.buildings.base_m[0] == pytest.approx(1 * factor)
        assert said(notices, "stories of 4 m") == (unit == "storeys")


def test_yes_and_no_in_many_spellings(tmp_path: Path) -> None:
    words = ["Yes", "NO", "true", "0", "n", "", "perhaps"]
    name = write(tmp_path, "b.gpkg", [square(0, 40 * k - 100) for k in range(7)], ok=words)
    site, notices = site_of(tmp_path, buildings={"path": name, "mountable": "ok"})
    assert site.mountable.tolist() == [True, False, True, False, False, True, True]
    assert said(notices, "neither yes nor no", "#7: perhaps")


def test_unknown_kinds_name_the_nearest(tmp_path: Path) -> None:
    house = write(tmp_path, "b.gpkg", [square(0, 0), square(50, 0)], roof=["Flat", "pitchd"])
    with pytest.raises(DataError, match=r"#2: 'pitchd' in 'roof' is not known.*[Dd]id you mean 'pitched'"):
        site_of(tmp_path, buildings={"path": house, "roof": "roof"})
    tree = write(tmp_path, "t.gpkg", [Point(0, 0)], leaf=["evergren"])
    with pytest.raises(DataError, match=r"[Dd]id you mean 'evergreen'"):
        site_of(tmp_path, trees={"path": tree, "leaf": "leaf"})
    area = write(tmp_path, "k.gpkg", [square(0, 0), square(50, 0)], kind=["No access", None])
    with pytest.raises(DataError, match=r"#2: 'kind' is empty.*spray, heat, no_access"):
        site_of(tmp_path, keep_outs={"path": area})


# --- the site --------------------------------------------------------------------------------------------


def test_one_site_of_several(tmp_path: Path) -> None:
    shapes = [SITE, box(1000, 0, 1100, 100), box(1200, 0, 1300, 100)]
    name = write(tmp_path, "s.gpkg", shapes, title=["North yard", "Depot", "Depot"])
    with pytest.raises(PlanError, match=r"3 features.*North yard, Depot"):
        site_of(tmp_path, {"path": name, "name": "title"})
    with pytest.raises(PlanError, match=r"no site named 'Depott'.*[Dd]id you mean 'Depot'"):
        site_of(tmp_path, {"path": name, "name": "title", "pick": "Depott"})
    with pytest.raises(PlanError, match="no attribute to look its name up in"):
        site_of(tmp_path, {"path": name, "pick": "Depot"})
    site, notices = site_of(tmp_path, {"path": name, "name": "title", "pick": "depot"})
    assert site.name == "Depot"
    assert site.outline.area == pytest.approx(20_000, rel=1e-3)
    assert said(notices, "2 features of one name joined")


def test_what_is_absent_is_said(tmp_path: Path) -> None:
    site, notices = site_of(tmp_path)
    for words in ("no terrain", "no keep-outs", "no buildings", "no trees", "no controllers"):
        assert said(notices, "assumed", words)
    assert np.isnan(site.elevation_m)


def test_trees_as_points_and_polygons(tmp_path: Path) -> None:
    name = write(
        tmp_path,
        "t.gpkg",
        [Point(0, 0), square(20, 0, 10), Point(50, 0)],
        h=[40.0, 20.0, None],
        w=[20.0, None, None],
        b=[10.0, 5.0, None],
        leaf=["deciduous", "Evergreen", None],
    )
    layer = {
        "path": name,
        "height": "h",
        "height_unit": "ft",
        "crown_width": "w",
        "crown_base": "b",
        "leaf": "leaf",
    }
    site, notices = site_of(tmp_path, trees={**layer, "default_leaf": "deciduous"})
    ft = 0.3048
    assert site.crowns.centre[:, 2] == pytest.approx([25 * ft, (9 / 4 + 9) / 2])
    assert site.crowns.half_height_m == pytest.approx([15 * ft, 9 * 3 / 8])
    assert site.crowns.radius_m == pytest.approx([10 * ft, 3.5])
    assert site.crowns.evergreen.tolist() == [False, False]
    assert site.crown_prisms.base_m == pytest.approx([5 * ft])
    assert site.crown_prisms.top_m == pytest.approx([20 * ft])
    assert site.crown_evergreen.tolist() == [True]
    assert said(notices, "no height: 9 m taken", "(#3)")
    assert said(notices, "no crown width: 7 m taken", "(#3)")
    assert said(notices, "quarter of the tree's height", "(#3)")


def test_trees_some_years_on(tmp_path: Path) -> None:
    """Ten years at 0.4 m of height and 0.2 m of crown a year; the underside of the crown stays."""
    shapes = [Point(0, 0), square(20, 0, 10), Point(50, 0)]
    name = write(tmp_path, "t.gpkg", shapes, h=[12.0, 8.0, 129.0], w=[6.0, None, 59.5], b=[3.0, 2.0, 9.0])
    layer = {"path": name, "height": "h", "crown_width": "w", "crown_base": "b", "default_leaf": "deciduous"}
    growth = {"years_ahead": 10.0, "height_growth_m_year": 0.4, "crown_growth_m_year": 0.2}
    now, _ = site_of(tmp_path, trees=layer)
    site, notices = site_of(tmp_path, trees={**layer, **growth})
    top = site.crowns.centre[:, 2] + site.crowns.half_height_m
    assert top == pytest.approx([16, 130])  # no taller than trees grow
    assert top - 2 * site.crowns.half_height_m == pytest.approx([3, 9])
    assert 2 * site.crowns.radius_m == pytest.approx([8, 60])
    assert site.crown_prisms.top_m == pytest.approx([12])
    assert site.crown_prisms.shapes[0].bounds == pytest.approx((19, -1, 31, 11), abs=0.01)
    assert said(notices, "10 years of growth added")
    assert now.crown_prisms.shapes[0].bounds == pytest.approx((20, 0, 30, 10), abs=0.01)


def test_controllers_poles_keep_outs(tmp_path: Path) -> None:
    house = write(tmp_path, "b.gpkg", [square(0, 0)], h=[5.0])
    spots = [Point(10, 10), Point(-10, -10), Point(12, 10), Point(-10, -10)]
    names = ["in", "out", "told", "twin"]
    boxes = write(tmp_path, "c.gpkg", spots, id=names, inside=[None, None, "no", None])
    poles = write(tmp_path, "p.gpkg", [shapely.MultiPoint([(1, -50), (2, -50)]), Point(3, -50)], h=[None, 6.0])
    areas = write(tmp_path, "k.gpkg", [square(0, -90), Point(40, 40)], kind=["Spray", "heat"])
    site, notices = site_of(
        tmp_path,
        buildings={"path": house, "height": "h"},
        controllers={"path": boxes, "name": "id", "indoors": "inside", "height_m": 1.2},
        poles={"path": poles, "height": "h"},
        keep_outs={"path": areas},
    )
    assert site.controllers.names == ("in", "out", "told", "twin")  # two in one cabinet are two
    assert site.controllers.indoors.tolist() == [True, False, False, False]
    assert said(notices, "inside a building", "(in)")
    assert site.controllers.xyz[:, 2] == pytest.approx([1.2] * 4)
    assert site.poles.names == ("#1-1", "#1-2", "#2")
    assert site.poles.xyz[:, 2] == pytest.approx([4, 4, 6])
    assert site.keep_outs.kinds == (KeepOut.SPRAY, KeepOut.HEAT)


def test_where_a_controller_is_said_by_feature(tmp_path: Path) -> None:
    """By depth, else height, else story, else the plan's height; floors of 4 m, 1.2 m above the floor."""
    columns = {
        "id": ["vault", "up", "third", "cellar", "plain", "both", "odd"],
        "depth_ft": ["10", None, None, None, None, 5.0, None],
        "height": [None, "12 ft", None, None, None, 1.0, None],
        "floor": [None, None, 3, -1, None, None, 0],
        "db": [20.0, None, None, 6.5, None, None, None],
    }
    boxes = write(tmp_path, "c.gpkg", [Point(10 * k, -30) for k in range(7)], **columns)
    keys = {"name": "id", "depth": "depth_ft", "height": "height", "storey": "floor", "extra_loss": "db"}
    site, notices = site_of(
        tmp_path,
        controllers={"path": boxes, **keys, "height_unit": "ft", "storey_height_m": 4.0, "height_m": 1.2},
    )
    there = site.controllers
    assert there.depth_m == pytest.approx([3.048, 0, 0, 2.8, 0, 1.524, 0])
    # what is below ground is reached from just above it
    assert there.xyz[:, 2] == pytest.approx([0.3, 3.6576, 9.2, 0.3, 1.2, 0.3, 1.2])
    assert there.indoors.tolist() == [True, False, False, True, False, True, False]
    assert there.extra_loss_db == pytest.approx([20, 0, 0, 6.5, 0, 0, 0])
    assert said(notices, "nothing for the soil, slab or lid", "(both)")
    assert said(notices, "said more than once", "(both)")
    assert said(notices, "is no story", "(odd)")
    site, _ = site_of(
        tmp_path,
        controllers={"path": boxes, "storey": "floor", "ground_storey": 0, "height_m": 1.2},
    )
    assert site.controllers.xyz[2, 2] == pytest.approx(3 * 3.5 + 1.2)
    assert site.controllers.xyz[6, 2] == pytest.approx(1.2)
    with pytest.raises(PlanError, match="says ft, and its unit is taken as m"):
        site_of(tmp_path, controllers={"path": boxes, "depth": "depth_ft"})


def test_under_a_canopy_is_outdoors(tmp_path: Path) -> None:
    roof = write(tmp_path, "b.gpkg", [square(0, 0)], h=[5.0], under=[4.0])
    boxes = write(tmp_path, "c.gpkg", [Point(10, 10)])
    site, _ = site_of(
        tmp_path, buildings={"path": roof, "height": "h", "base": "under"}, controllers={"path": boxes}
    )
    assert site.controllers.indoors.tolist() == [False]


def test_named_mounts(tmp_path: Path) -> None:
    outline = {"path": write(tmp_path, "s.gpkg", [SITE])}
    lon, lat, _ = GEOD.fwd(*AUSTIN, 90, 40)

    def plan(**mount: Any) -> PlanFile:
        return plan_of(tmp_path, {"site": outline}, mounts={"named": [{"name": "mast", "height_m": 5.0, **mount}]})

    site = read_site(plan(x=lon, y=lat), Ledger())
    assert named_xy(plan(x=lon, y=lat), site) == pytest.approx(np.array([[40.0, 0.0]]), abs=0.01)
    with pytest.raises(PlanError, match="x and y are in the wrong order"):
        named_xy(plan(x=lat, y=lon), site)
    with pytest.raises(PlanError, match=r"mounts.named.0 \(mast\).*from the site"):
        named_xy(plan(x=lon, y=lat + 1), site)
    with pytest.raises(PlanError, match="not a CRS"):
        named_xy(plan(x=lon, y=lat, crs="EPSG:0"), site)
    assert named_xy(plan_of(tmp_path, {"site": outline}), site).shape == (0, 2)


# --- rasters ---------------------------------------------------------------------------------------------


def plane(x: Any, y: Any) -> Any:
    """Ground of the small world: metres from metres east and north of the place."""
    return 200 + 0.05 * x - 0.02 * y


def raster(
    path: Path,
    crs: str = "EPSG:32614",
    lonlat: tuple[float, float] = AUSTIN,
    cell: float = 5.0,
    half: int = 120,
    turn_deg: float = 0.0,
    south_up: bool = False,
    value: Any = plane,
    store: Any = lambda z: z.astype("float32"),
    holes: Any = None,
    shift: float = 0.0,
    **profile: Any,
) -> str:
    """A raster whose cell centres hold `value` of metres east and north of the place; its name."""
    centre = there([Point(0, 0)], lonlat, crs)[0]
    c, s, down = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg)), 1 if south_up else -1
    a, b, d, e = cell * c, -cell * down * s, cell * s, cell * down * c
    t = Affine(a, b, centre.x + shift - half * (a + b), d, e, centre.y - half * (d + e))
    col, row = np.meshgrid(np.arange(2 * half) + 0.5, np.arange(2 * half) + 0.5)
    x, y = t.a * col + t.b * row + t.c, t.d * col + t.e * row + t.f
    local = f"+proj=aeqd +lat_0={lonlat[1]} +lon_0={lonlat[0]} +datum=WGS84 +units=m"
    z = store(value(*Transformer.from_crs(CRS(crs), local, always_xy=True).transform(x - shift, y)))
    if holes is not None:
        z[holes(col, row)] = profile.get("nodata", -9999)
    scale, offset = profile.pop("scale", None), profile.pop("offset", None)
    unit = profile.pop("unit", None)
    with rasterio.open(
        path, "w", driver="GTiff", width=2 * half, height=2 * half, count=1, dtype=z.dtype, crs=crs,
        transform=t, **profile,
    ) as out:  # fmt: skip
        out.write(z, 1)
        if scale is not None:
            out.scales, out.offsets = (scale,), (offset,)
        if unit is not None:
            out.units = (unit,)
    return path.name


RASTERS: list[dict[str, Any]] = [
    {},
    {"south_up": True},
    {"turn_deg": 30.0},
    {"crs": "EPSG:4326", "cell": 5e-5},
    {"crs": "EPSG:2278", "cell": 15.0, "lonlat": (-95.37, 29.76)},
    {"crs": "EPSG:4326", "cell": 5e-5, "lonlat": (179.9999, -16.8)},
    {"crs": "EPSG:4326", "cell": 5e-5, "shift": 360.0},  # longitudes from 0 to 360
    {"store": lambda z: np.round((z - 100) / 0.01).astype("int16"), "scale": 0.01, "offset": 100.0},
]


@pytest.mark.parametrize("how", RASTERS, ids=lambda how: "-".join(map(str, how)) or "plain")
def test_terrain_has_the_height_of_the_plane(tmp_path: Path, how: dict[str, Any]) -> None:
    lonlat = how.get("lonlat", AUSTIN)
    outline = write(tmp_path, "s.gpkg", [SITE], "EPSG:4326", lonlat)
    site, notices = site_of(tmp_path, {"path": outline}, terrain={"path": raster(tmp_path / "dem.tif", **how)})
    assert site.terrain is not None
    xy = np.random.default_rng(1).uniform(-90, 90, (200, 2))
    assert site.terrain.at(xy) == pytest.approx(plane(xy[:, 0], xy[:, 1]), abs=0.02)
    assert site.elevation_m == pytest.approx(200, abs=0.02)
    assert said(notices, "the terrain has no heights", "short of sun.terrain_km")


def test_terrain_in_feet_and_its_stated_unit(tmp_path: Path) -> None:
    name = raster(tmp_path / "dem.tif", store=lambda z: (z / 0.3048).astype("float32"), unit="ft")
    site, notices = site_of(tmp_path, terrain={"path": name, "height_unit": "ft"})
    assert site.elevation_m == pytest.approx(200, abs=0.01)
    assert not said(notices, "heights are in")
    site, notices = site_of(tmp_path, terrain={"path": name})  # the file's own word counts
    assert site.elevation_m == pytest.approx(200, abs=0.01)
    _, notices = site_of(tmp_path, terrain={"path": name, "height_unit": "m"})
    assert said(notices, "please check", "heights are in 'ft'", "the plan says m: the plan's is used")


@pytest.mark.parametrize("declared", [True, False])
def test_holes_are_unknown_and_the_nearest_ground_stands_in(tmp_path: Path, declared: bool) -> None:
    name = raster(
        tmp_path / "dem.tif",
        holes=lambda col, row: np.hypot(col - 120, row - 120) < 8,
        value=lambda x, y: np.full_like(x, 200.0),
        **({"nodata": -9999.0} if declared else {}),
    )
    site, notices = site_of(tmp_path, terrain={"path": name})
    assert site.terrain is not None
    assert np.isnan(site.terrain.at(np.array([0.0, 0.0])))
    assert site.ground_at(np.array([0.0, 0.0])) == pytest.approx(200)
    assert said(notices, "please check", "of the site has no known height")
    # bilinear with the hole's value would leave a ring of wrong heights
    assert np.nanmin(site.terrain.values) == pytest.approx(200, abs=0.01)
    assert said(notices, "out of range") is not declared


def test_directions_without_terrain_are_named(tmp_path: Path) -> None:
    """Cells without heights 400 to 700 m out, 45 degrees to either side of south; the rest known to 1.2 km."""

    def south(x: Any, y: Any) -> Any:
        return np.where((y < -400) & (y > -700) & (abs(x) < -y), -9999.0, 200.0)

    name = raster(tmp_path / "dem.tif", half=120, cell=10.0, value=south, nodata=-9999.0)
    _, notices = site_of(tmp_path, terrain={"path": name})
    (gap,) = [n for n in notices if "no heights" in n]
    found = re.search(r"southeast to southwest \((\d+) to (\d+) degrees\) from (\d+) m on", gap)
    assert found, gap
    first, last, near = map(int, found.groups())
    assert first == pytest.approx(135, abs=3)
    assert last == pytest.approx(225, abs=3)
    assert near == pytest.approx(400, abs=20)
    whole = raster(tmp_path / "full.tif", half=120, cell=10.0, nodata=-9999.0)
    assert not said(site_of(tmp_path, terrain={"path": whole})[1], "no heights")


def test_ground_beyond_the_terrain_is_the_nearest_known(tmp_path: Path) -> None:
    site, _ = site_of(tmp_path, terrain={"path": raster(tmp_path / "dem.tif")})
    far = site.ground_at(np.array([[900.0, 0.0], [-900.0, 0.0]]))
    # the raster ends 600 m east and west, so its last cells stand about 30 m above and below the middle
    assert far == pytest.approx([230, 170], abs=1)
    assert ground_at(None, np.zeros((3, 2))).tolist() == [0, 0, 0]


@pytest.mark.filterwarnings("ignore:Dataset has no geotransform")
def test_rasters_that_cannot_serve(tmp_path: Path) -> None:
    away = raster(tmp_path / "away.tif", lonlat=(-98.5, 30.5))
    with pytest.raises(DataError, match=r"does not cover the site.*30.50 N, 98.50 W.*30.27 N, 97.74 W"):
        site_of(tmp_path, terrain={"path": away})
    void = raster(tmp_path / "void.tif", holes=lambda c, r: c > 0, nodata=-9999.0)
    with pytest.raises(DataError, match="no known value inside the site"):
        site_of(tmp_path, terrain={"path": void})
    with rasterio.open(tmp_path / "no.tif", "w", driver="GTiff", width=9, height=9, count=1, dtype="uint8") as out:
        out.write(np.ones((1, 9, 9), "uint8"))
    with pytest.raises(DataError, match="no georeference"):
        site_of(tmp_path, terrain={"path": "no.tif"})
    (tmp_path / "dem.asc").write_text("ncols 2\nnrows 2\nxllcorner 0\nyllcorner 0\ncellsize 1\n1 2\n3 4\n")
    with pytest.raises(DataError, match="does not say which coordinate reference system"):
        site_of(tmp_path, terrain={"path": "dem.asc"})
    (tmp_path / "junk.tif").write_text("no raster")
    with pytest.raises(DataError, match="cannot be read as a raster"):
        site_of(tmp_path, terrain={"path": "junk.tif"})
    photo = tmp_path / "photo.tif"
    with rasterio.open(
        photo, "w", driver="GTiff", width=9, height=9, count=3, dtype="uint8", transform=Affine.scale(2)
    ) as out:
        out.write(np.ones((3, 9, 9), "uint8"))
    with pytest.raises(DataError, match="picture, not heights"):
        site_of(tmp_path, terrain={"path": "photo.tif"})


def test_obstacles_keep_their_walls_and_say_how_sharp_they_are(tmp_path: Path) -> None:
    """A block of 12 m on the ground at 0: no cell between. A wall one 5 m cell off, each way, seen from 10 m: at
    worst atan(e / (2 sqrt(d (d - e)))) with e = 5 sqrt 2, which is 33.2 degrees."""
    path = raster(tmp_path / "dsm.tif", value=lambda x, y: np.where((abs(x) < 30) & (abs(y) < 20), 12.0, 0.0))
    ground = {"path": raster(tmp_path / "dem.tif", value=lambda x, y: 0 * x)}
    site, notices = site_of(tmp_path, surface={"path": path, "use": "obstacles"}, terrain=ground)
    assert site.surface is not None
    assert set(np.unique(site.surface.values[~np.isnan(site.surface.values)])) == {0.0, 12.0}
    assert said(notices, "obstacles are cells of 5 m", "10 m away may stand up to 33 degrees")
    _, notices = site_of(tmp_path, surface={"path": path})
    assert not said(notices, "obstacles are cells")


def test_wide_terrain_is_fine_near_and_coarse_far(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A raster of 8 km in cells of 20 m, with room for 50,000 cells: as it is to 2 km, coarser beyond."""
    monkeypatch.setattr(relief, "Around", partial(Around, most_cells=50_000))
    path = raster(tmp_path / "dem.tif", half=200, cell=20.0, nodata=-9999.0)
    site_layer = {"path": write(tmp_path, "site.gpkg", [SITE])}
    ledger = Ledger()
    layers = {"site": site_layer, "terrain": {"path": path}}
    site = read_site(plan_of(tmp_path, layers, sun={"terrain_km": 3.8}), ledger)
    assert site.terrain is not None
    assert site.terrain_far is not None
    assert site.terrain.cell_m == pytest.approx(20, rel=0.02)
    assert site.terrain_far.cell_m > 34
    assert site.terrain.left_m == pytest.approx(-2100, abs=1)
    assert site.terrain_far.left_m < -3800
    assert said([str(n) for n in ledger], "cells of 20 m to 2", "joined into cells of 3")
    xy = np.array([[0.0, 0.0], [1500.0, -900.0], [3500.0, 3500.0]])
    assert site.ground_at(xy) == pytest.approx(plane(xy[:, 0], xy[:, 1]), abs=0.5)
    # where the whole is as fine, one raster serves
    one = read_site(plan_of(tmp_path, layers, sun={"terrain_km": 1.0}), Ledger())
    assert one.terrain_far is None


def test_what_joining_cells_takes_off_a_summit_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One cell of 100 m, joined two by two: 25 m as a prism; bilinear a quarter cell off each way, 0.75^2 of that.
    A plane loses nothing."""
    flat = np.zeros((40, 40))
    spike = flat.copy()
    spike[20, 20] = 100.0
    at = partial(relief.joined_away_m, cell_m=19.0)
    assert at(Heights(spike, -200.0, 200.0, 10.0)) == pytest.approx(100 - 25 * 0.75**2)
    assert at(Heights(spike, -200.0, 200.0, 10.0), steps=True) == pytest.approx(75)
    slope = Heights(flat + 7.0 * np.arange(40.0), -200.0, 200.0, 10.0)
    assert at(slope) == pytest.approx(0, abs=1e-9)
    assert np.isnan(at(Heights(flat * np.nan, -200.0, 200.0, 10.0)))

    monkeypatch.setattr(relief, "Around", partial(Around, most_cells=50_000))

    def ridges(x: Any, y: Any) -> Any:
        return np.where(np.round(x / 20) % 10 == 0, 150.0, 50.0)

    path = raster(tmp_path / "dem.tif", half=200, cell=20.0, value=ridges)
    ledger = Ledger()
    layers = {"site": {"path": write(tmp_path, "site.gpkg", [SITE])}, "terrain": {"path": path}}
    site = read_site(plan_of(tmp_path, layers, sun={"terrain_km": 3.8}), ledger)
    assert site.terrain_far is not None
    (joined,) = [str(n) for n in ledger if "by what is joined" in str(n)]
    found = re.search(r"up to ([\d.]+) m judged by those around the site: ([\d.]+) degrees at 2,000 m", joined)
    assert found, joined
    lost, degrees = map(float, found.groups())
    assert 40 < lost < 80  # a ridge one cell wide is half gone
    assert degrees == pytest.approx(np.degrees(np.arctan(lost / 2000)), abs=0.06)


def test_big_rasters_are_coarsened_and_it_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(relief, "Around", partial(Around, most_cells=2500))
    site, notices = site_of(tmp_path, terrain={"path": raster(tmp_path / "dem.tif", nodata=-9999.0)})
    assert site.terrain is not None
    assert site.terrain.values.size <= 2601
    # 1200 m and a little for the turn between the two grids, in 50 cells
    assert site.terrain.cell_m == pytest.approx(24, rel=0.02)
    assert said(notices, "cells of 5 m joined into cells of 24")
    xy = np.random.default_rng(2).uniform(-90, 90, (50, 2))
    assert site.terrain.at(xy) == pytest.approx(plane(xy[:, 0], xy[:, 1]), abs=0.1)


def test_the_raster_is_cut_around_the_site(tmp_path: Path) -> None:
    outline = {"path": write(tmp_path, "s.gpkg", [SITE])}
    name = raster(tmp_path / "dem.tif", cell=20.0, half=200)
    plan = plan_of(tmp_path, {"site": outline, "terrain": {"path": name}, "canopy": {"path": name}})
    with pytest.raises(DataError, match="no known value"):  # a canopy of 200 m is none
        read_site(plan, Ledger())
    low = raster(tmp_path / "low.tif", cell=20.0, half=200, value=lambda x, y: np.full_like(x, 8.0))
    plan = plan_of(
        tmp_path, {"site": outline, "terrain": {"path": name}, "canopy": {"path": low, "leaf": "evergreen"}}
    )
    site = read_site(plan, Ledger())
    assert site.terrain is not None
    assert site.canopy is not None
    assert site.terrain.values.shape[1] * site.terrain.cell_m == pytest.approx(2200, abs=25)
    assert site.canopy.values.shape[1] * site.canopy.cell_m == pytest.approx(4200, abs=25)
    assert site.canopy_evergreen


def test_unknown_canopy_is_no_canopy(tmp_path: Path) -> None:
    name = raster(
        tmp_path / "trees.tif",
        value=lambda x, y: np.full_like(x, 12.0),
        holes=lambda col, row: col > 130,
        nodata=-1.0,
    )
    site, notices = site_of(tmp_path, canopy={"path": name})
    assert site.canopy is not None
    assert site.canopy.at(np.array([[-80.0, 0.0], [80.0, 0.0]])) == pytest.approx([12, 0])
    assert not said(notices, "no known height")


def test_buildings_stand_on_the_slope(tmp_path: Path) -> None:
    house = write(tmp_path, "b.gpkg", [square(20, -15), square(-60, -15)], h=[10.0, 6.0], under=[None, 3.0])
    site, _ = site_of(
        tmp_path,
        buildings={"path": house, "height": "h", "base": "under"},
        terrain={"path": raster(tmp_path / "dem.tif")},
        poles={"path": write(tmp_path, "p.gpkg", [Point(-80, 50)])},
    )
    ground = plane(np.array([35.0, -45.0]), np.array([0.0, 0.0]))
    assert site.buildings.top_m == pytest.approx(ground + np.array([10, 6]), abs=0.05)
    assert site.buildings.base_m[1] == pytest.approx(ground[1] + 3, abs=0.05)
    assert site.buildings.base_m[0] < 150  # far below the lowest ground
    assert site.poles.xyz[0, 2] == pytest.approx(plane(-80.0, 50.0) + 4, abs=0.05)


def test_heights_from_a_surface_model(tmp_path: Path) -> None:
    def surface(x: Any, y: Any) -> Any:
        roof = (np.abs(x - 15) < 15) & (np.abs(y - 15) < 15)
        return plane(x, y) + np.where(roof, 11.0, 0.0)

    house = write(tmp_path, "b.gpkg", [square(0, 0), square(-60, -15), square(40, 40)], h=[None, None, 4.0])
    layers = {
        "buildings": {"path": house, "height": "h"},
        "terrain": {"path": raster(tmp_path / "dem.tif")},
        "surface": {"path": raster(tmp_path / "dsm.tif", cell=1.0, half=400, value=surface)},
    }
    site, notices = site_of(tmp_path, **layers)
    ground = plane(np.array([15.0, -45.0, 55.0]), np.array([15.0, 0.0, 55.0]))
    assert site.buildings.top_m - ground == pytest.approx([11, 7, 4], abs=0.1)
    assert said(notices, "75th percentile", "#1: 11 m")
    assert said(notices, "shows no building", "(#2)")
    assert said(notices, "7 m taken", "(#2)")
    assert site.surface is None
    layers["surface"]["use"] = "obstacles"
    site, _ = site_of(tmp_path, **layers)
    assert site.surface is not None
    del layers["terrain"]
    with pytest.raises(DataError, match="needs the height of the ground") as fault:
        site_of(tmp_path, **layers)
    assert "layers.terrain" in fault.value.todo
    layers["surface"]["use"] = "heights"
    _, notices = site_of(tmp_path, **layers)
    assert said(notices, "surface model without terrain")


def test_a_surface_model_shows_trees_where_no_layer_does(tmp_path: Path) -> None:
    """A roof of 11 m, and 9 m of something 30 m east of it: leaves beside the footprint, and none of the roof."""

    def surface(x: Any, y: Any) -> Any:
        roof = (np.abs(x - 15) < 15) & (np.abs(y - 15) < 15)
        tree = (np.abs(x - 65) < 5) & (np.abs(y - 15) < 5)
        return plane(x, y) + np.where(roof, 11.0, np.where(tree, 9.0, 0.4))

    house = write(tmp_path, "b.gpkg", [square(0, 0)], floors=[2])
    layers = {
        "buildings": {"path": house, "storeys": "floors"},
        "terrain": {"path": raster(tmp_path / "dem.tif")},
        "surface": {"path": raster(tmp_path / "dsm.tif", cell=1.0, half=400, value=surface)},
    }
    site, notices = site_of(tmp_path, **layers)
    assert site.buildings.top_m[0] - plane(15, 15) == pytest.approx(11, abs=0.1)  # measured, not two storeys
    assert site.canopy is not None
    assert site.surface is None
    rows, cols = np.nonzero(site.canopy.values)
    spots = centres(site.canopy)[rows, cols]
    assert np.abs(spots - [65, 15]).max() < 6.5
    assert site.canopy.values.max() == pytest.approx(9, abs=0.3)
    assert not site.canopy_evergreen
    assert said(notices, "no trees are given", "deciduous trees")
    assert not said(notices, "none shades")
    leaf = {**layers["surface"], "leaf": "evergreen"}
    assert site_of(tmp_path, **{**layers, "surface": leaf})[0].canopy_evergreen
    site, notices = site_of(tmp_path, **{**layers, "surface": {**leaf, "leaf": "none"}})
    assert site.canopy is None
    assert said(notices, "no trees are given: none shades")
    trees = {"path": write(tmp_path, "t.gpkg", [shapely.Point(65, 15)], h=[9.0]), "height": "h"}
    assert site_of(tmp_path, trees=trees, **layers)[0].canopy is None


def test_a_surface_model_without_footprints_is_all_that_shades(tmp_path: Path) -> None:
    layers = {
        "terrain": {"path": raster(tmp_path / "dem.tif")},
        "surface": {"path": raster(tmp_path / "dsm.tif", value=lambda x, y: plane(x, y) + 8.0 * (x > 50))},
    }
    site, notices = site_of(tmp_path, **layers)
    assert site.surface is not None
    assert said(notices, "no buildings are given: none carries a mount")
    assert not said(notices, "none shades")
    layers["surface"]["use"] = "heights"
    assert site_of(tmp_path, **layers)[0].surface is None
    del layers["surface"]["use"], layers["terrain"]  # whose height above the ground nobody knows
    site, notices = site_of(tmp_path, **layers)
    assert site.surface is None
    assert said(notices, "no buildings are given: none shades, and none carries a mount")


def test_trees_without_heights_take_the_surface_models_and_stumps_are_no_trees(tmp_path: Path) -> None:
    def surface(x: Any, y: Any) -> Any:
        roof = (np.abs(x - 15) < 15) & (np.abs(y - 15) < 15)
        crown = np.hypot(x + 40, y) < 4
        return plane(x, y) + np.where(roof, 11.0, np.where(crown, 14.0, 0.0))

    spots = [Point(-41, 1), Point(-2, 15), Point(60, -60), Point(70, -60)]
    oaks = write(tmp_path, "t.gpkg", spots, kind=["Quercus alba", "Acer rubrum", "Stump", "Vacant site, small"])
    site, notices = site_of(
        tmp_path,
        buildings={"path": write(tmp_path, "b.gpkg", [square(0, 0)], h=[11.0]), "height": "h"},
        terrain={"path": raster(tmp_path / "dem.tif")},
        surface={"path": raster(tmp_path / "dsm.tif", cell=1.0, half=400, value=surface)},
        trees={"path": oaks, "species": "kind", "crown_base": None},
    )
    tops = site.crowns.centre[:, 2] + site.crowns.half_height_m - plane(*site.crowns.centre[:, :2].T)
    # the second tree stands beside a wall: the roof is not its top
    assert tops == pytest.approx([14.0, 9.0], abs=0.1)
    assert said(notices, "no tree stands there, by 'kind'")
    assert said(notices, "1 of 2 trees", "14 m to 14 m")


def test_a_surface_model_in_feet_read_as_metres_is_found_out_by_known_heights(tmp_path: Path) -> None:
    def feet(x: Any, y: Any) -> Any:
        roof = (np.abs(np.abs(x) - 40) < 15) & (np.abs(np.abs(y) - 30) < 15)
        return (plane(x, y) + np.where(roof, 6.0, 0.0)) / 0.3048

    halls = [square(x - 15, y - 15) for x, y in ((-40, -30), (40, -30), (-40, 30))]
    layers = {
        "buildings": {"path": write(tmp_path, "b.gpkg", halls, h=[6.0, 6.5, 5.5]), "height": "h"},
        "terrain": {"path": raster(tmp_path / "dem.tif", value=lambda x, y: plane(x, y) / 0.3048)},
        "surface": {"path": raster(tmp_path / "dsm.tif", cell=1.0, half=400, value=feet)},
    }
    _, notices = site_of(tmp_path, **layers)
    assert said(notices, "please check", "3.3 times as high as their heights say")
    for name in ("dem", "dsm"):
        (tmp_path / f"{name}.tif").rename(tmp_path / f"{name}_ft.tif")
    layers["terrain"]["path"], layers["surface"]["path"] = "dem_ft.tif", "dsm_ft.tif"
    _, notices = site_of(tmp_path, **layers)
    assert not said(notices, "times as high")
    assert said(notices, "layers.terrain", "as feet, as the file's name says")


def test_a_tree_in_two_layers_shades_once(tmp_path: Path) -> None:
    """An oak as a point, as a polygon and in the canopy, and a wood in the canopy alone: the light is that of the
    crowns and the wood, each once."""

    def grown(x: Any, y: Any) -> Any:
        return np.where((np.hypot(x, y + 10) < 4.0) | (np.hypot(x + 40, y) < 20.0) | (y > 70), 9.0, 0.0)

    canopy = {"path": raster(tmp_path / "canopy.tif", cell=1.0, half=300, value=grown)}
    oak = write(tmp_path, "oak.gpkg", [Point(0, -10), Point(-40, 0).buffer(20)], h=[9.0, 9.0], w=[8.0, None])
    trees = {"path": oak, "height": "h", "crown_width": "w"}
    both, notices = site_of(tmp_path, canopy=canopy, trees=trees)
    assert said(notices, "layers.canopy", "so that each tree shades once")
    alone, notices = site_of(tmp_path, trees=trees)
    assert not said(notices, "shades once")
    table = sun_table(40, 0, step_minutes=30, day_step=10)
    mounts = np.array([[0.0, -3.0, 2.0], [-15.0, 0.0, 2.0]])
    once, crowns = (year_of_light(site, mounts, table).light_share for site in (replace(both, canopy=None), alone))
    np.testing.assert_allclose(once, crowns)
    assert both.canopy is not None
    here = both.canopy.cell_at(np.array([[0.0, -10.0], [-40.0, 10.0], [-40.0, 90.0]]))
    assert here.tolist() == pytest.approx([0, 0, 9])
    # north of the mounts the wood veils sky alone
    lost = crowns - year_of_light(both, mounts, table).light_share
    assert 0 < lost.max() < 0.02
    away = {"path": write(tmp_path, "far.gpkg", [Point(60, -60)])}
    far, notices = site_of(tmp_path, canopy=canopy, trees=away)
    assert not said(notices, "shades once")
    assert far.canopy is not None


def test_trees_that_a_surface_model_stands_in_for_are_said(tmp_path: Path) -> None:
    flat = {"path": raster(tmp_path / "dem.tif", cell=5.0, half=100, value=lambda x, y: 0 * x)}
    layers = {
        "terrain": flat,
        "surface": {"path": flat["path"], "use": "obstacles"},
        "trees": {"path": write(tmp_path, "t.gpkg", [Point(0, -6), Point(30, 0)])},
    }
    _, notices = site_of(tmp_path, **layers)
    assert said(notices, "layers.trees", "2 trees do not shade", "opaque all year")
    canopy = raster(tmp_path / "c.tif", cell=5.0, half=100, value=lambda x, y: np.where(y > 0, 8.0, 0.0))
    site, notices = site_of(tmp_path, **layers, canopy={"path": canopy})
    assert said(notices, "2 trees do not shade", "let light through")
    assert site.canopy is not None
    assert site.canopy.cell_at(np.array([[30.0, 2.0]])) == pytest.approx(8)


# --- a contract ------------------------------------------------------------------------------------------


def contract(folder: Path, **sites: Any) -> PlanFile:
    return plan_of(folder, contract={"sites": sites})


def test_contract_sites_bad_ones_are_listed(tmp_path: Path) -> None:
    shapes = [
        square(0, 0),
        None,
        LineString([(0, 0), (9, 9)]),
        Polygon([(0, 0), (20, 20), (20, 0), (0, 20)]),
        Point(5, 5),
    ]
    name = write(tmp_path, "s.gpkg", shapes, id=["A", "B", "C", "D", "A"], z=["150", "1", "1", "many", None])
    ledger = Ledger()
    sites = read_contract_sites(contract(tmp_path, path=name, name="id", elevation="z"), ledger)
    notices = [str(n) for n in ledger]
    assert sites.names == ("A", "D", "A")
    assert [some.name for some in sites.rejected] == ["B", "C"]
    assert all(some.why for some in sites.rejected)
    assert sites.elevation_m[0] == 150
    assert np.isnan(sites.elevation_m[1:]).all()
    assert said(notices, "same name", "(A)")
    assert said(notices, "not a plain number", "D: many")
    area, _ = GEOD.geometry_area_perimeter(sites.shapes[0])
    assert abs(area) == pytest.approx(900, rel=1e-5)


def test_contract_from_a_table_of_points(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text('site,lon,lat\nA,-97.74,30.27\nB,,30\nC,-97.7,95\nD,"-97,5",30.1\n')
    with pytest.raises(DataError, match=r"does not say which.*EPSG:4326"):
        read_contract_sites(contract(tmp_path, path="s.csv", name="site", x="lon", y="lat"), Ledger())
    sites = read_contract_sites(
        contract(tmp_path, path="s.csv", name="site", x="lon", y="lat", crs="EPSG:4326"), Ledger()
    )
    assert sites.names == ("A", "D")
    assert [(s.x, s.y) for s in sites.shapes] == [(-97.74, 30.27), (-97.5, 30.1)]
    assert [some.name for some in sites.rejected] == ["B", "C"]
    with pytest.raises(PlanError, match="did you mean 'lon'"):
        read_contract_sites(contract(tmp_path, path="s.csv", x="long", y="lat", crs="EPSG:4326"), Ledger())
    with pytest.raises(PlanError, match="only one of x and y"):
        read_contract_sites(contract(tmp_path, path="s.csv", x="lon", crs="EPSG:4326"), Ledger())


def test_contract_site_across_the_antimeridian_is_cut_there(tmp_path: Path) -> None:
    name = write(tmp_path, "s.gpkg", [SITE], "EPSG:3460", (180.0, -16.8))
    (shape,) = read_contract_sites(contract(tmp_path, path=name), Ledger()).shapes
    assert isinstance(shape, MultiPolygon)
    assert all(p.bounds[2] - p.bounds[0] < 0.01 for p in shape.geoms)
    assert sum(abs(GEOD.geometry_area_perimeter(p)[0]) for p in shape.geoms) == pytest.approx(40_000, rel=1e-5)


# --- check -----------------------------------------------------------------------------------------------


def test_check_collects_every_fault(tmp_path: Path) -> None:
    house = write(tmp_path, "b.gpkg", [square(0, 0)], roof=["thatch"])
    plan = plan_of(
        tmp_path,
        {
            "site": {"path": write(tmp_path, "s.gpkg", [SITE])},
            "buildings": {"path": house, "roof": "roof"},
            "trees": {"path": "trees.gpkg"},
            "terrain": {"path": "dem.tif"},
            "controllers": {"path": house, "name": "id"},
        },
        contract={"sites": {"path": "gone.gpkg"}},
        mounts={"named": [{"name": "m", "x": 0.0, "y": 0.0, "height_m": 3.0}]},
    )
    faults = check_inputs(plan, Ledger())
    text = "\n".join(map(str, faults))
    for words in ("trees.gpkg", "dem.tif", "'thatch'", "no attribute 'id'", "gone.gpkg", "mounts.named.0"):
        assert words in text
    assert len(faults) == 6


def test_check_without_a_site_still_looks_for_the_rest(tmp_path: Path) -> None:
    plan = plan_of(
        tmp_path, {"site": {"path": "s.gpkg"}, "trees": {"path": "t.gpkg"}, "terrain": {"path": "d.tif"}}
    )
    assert len(check_inputs(plan, Ledger())) == 3


def test_check_reads_the_climate_and_the_zone_table(tmp_path: Path) -> None:
    (tmp_path / "zones.csv").write_text("label,low,high\nA,0,x\n")
    plan = plan_of(
        tmp_path,
        {"site": {"path": write(tmp_path, "s.gpkg", [SITE])}},
        climate={"eto": {"path": "eto_{mon}.tif", "unit": "mm/day"}, "rain": {"path": "rain.tif", "unit": "mm"}},
        zone={"table": "zones.csv"},
    )
    text = "\n".join(map(str, check_inputs(plan, Ledger())))
    for words in ("climate.eto.path", "climate.rain.unit", "zones.csv"):
        assert words in text


def test_check_of_a_good_plan_finds_nothing(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, {"site": {"path": write(tmp_path, "s.gpkg", [SITE])}})
    assert check_inputs(plan, Ledger()) == []
    assert len(check_inputs(plan_of(tmp_path), Ledger())) == 1


# --- real data -------------------------------------------------------------------------------------------


@pytest.mark.open_data
def test_courtyard_buildings_get_their_heights_from_the_surface_model(tmp_path: Path, open_data: Path) -> None:
    """Kronenhuset, Gothenburg (Lindberg, Holmer and Thorsson 2008, doi 10.1007/s00484-008-0162-7), EPSG:3007."""
    scene = open_data / "scene_kronenhuset"
    point = json.loads((scene / "poi.geojson").read_text())["geometry"]["coordinates"]
    courtyard = gpd.GeoDataFrame(geometry=[Point(point).buffer(60)], crs="EPSG:3007")
    courtyard.to_file(tmp_path / "site.gpkg")
    layers = {
        "site": {"path": "site.gpkg"},
        "buildings": {"path": str(scene / "buildings.shp")},
        "terrain": {"path": str(scene / "DEM_KR.tif")},
        "surface": {"path": str(scene / "DSM_KR.tif")},
        "canopy": {"path": str(scene / "CDSM_KR.asc"), "crs": "EPSG:3007"},
        "poles": {"path": str(scene / "poi.geojson"), "crs": "EPSG:3007"},
    }
    ledger = Ledger()
    site = read_site(plan_of(tmp_path, layers), ledger)
    notices = [str(n) for n in ledger]
    assert said(notices, "75th percentile")
    assert said(notices, "layers.poles", "the plan's is used")  # its metres are labelled as degrees
    assert np.hypot(*site.poles.xyz[0, :2]) < 0.01

    # against a plain read of the cells, in the file's own grid, for each larger footprint wholly inside it
    frame = gpd.read_file(scene / "buildings.shp")
    with rasterio.open(scene / "DSM_KR.tif") as dsm, rasterio.open(scene / "DEM_KR.tif") as dem:
        ground = dem.read(1).astype(float)
        above = dsm.read(1) - ground
        col, row = np.meshgrid(np.arange(dsm.width) + 0.5, np.arange(dsm.height) + 0.5)
        x, y = dsm.bounds.left + col, dsm.bounds.top - row
        whole = box(*dsm.bounds)
    compared = []
    for k, name in enumerate(site.buildings.names):
        footprint = frame.geometry.iloc[int(name[1:]) - 1]
        if footprint.within(whole) and footprint.area > 150:
            inside = shapely.contains_xy(footprint, x, y)
            height = np.percentile(above[inside], 75)
            compared.append((height, ground[inside].mean() + height, site.buildings.top_m[k]))
    height, plain, ours = np.array(compared).T
    gap = np.abs(ours - plain)[height > 3]
    assert len(gap) > 10
    # one bilinear step from the file's grid to the frame lies between the two
    assert gap.max() < 1.0
    assert np.median(gap) < 0.15


@pytest.mark.open_data
def test_metres_labelled_as_degrees_are_refused(tmp_path: Path, open_data: Path) -> None:
    """A GeoJSON without a stated CRS is EPSG:4326 by RFC 7946; this real one holds metres."""
    path = open_data / "scene_kronenhuset" / "poi.geojson"
    with pytest.raises(DataError, match=r"off the earth.*metres or feet"):
        site_of(tmp_path, poles={"path": str(path)})


def test_a_surface_model_is_read_as_far_as_footprints_are(tmp_path: Path) -> None:
    """A tower of 80 m in 10 m cells, 420 m east of the site's middle: seen as an obstacle, at (80 - 2) / 410; and a
    footprint there gets its height from the raster."""

    def tower(x: Any, y: Any) -> Any:
        return np.where((abs(x - 420) < 15) & (abs(y) < 25), 80.0, 0.0)

    layers = {
        "terrain": {"path": raster(tmp_path / "dem.tif", half=200, cell=10.0, value=lambda x, y: 0 * x)},
        "surface": {"path": raster(tmp_path / "dsm.tif", half=200, cell=10.0, value=tower), "use": "obstacles"},
    }
    site, notices = site_of(tmp_path, **layers)
    seen = site_ground(site).opaque(np.array([[0.0, 0.0, 2.0]]), [90.0], 2000.0)
    assert seen is not None
    assert seen.tangent[0, 0] == pytest.approx(78 / 405, rel=0.03)
    assert not said(notices, "no heights")
    layers["surface"]["path"] = raster(tmp_path / "small.tif", half=60, cell=10.0, value=tower)
    notices = site_of(tmp_path, **layers)[1]
    assert said(notices, "the surface model has no heights all round from", "what is there shades nothing")
    layers["surface"] = {"path": "dsm.tif", "use": "heights"}
    layers["buildings"] = {"path": write(tmp_path, "b.gpkg", [shapely.box(406, -20, 434, 20)])}
    site, notices = site_of(tmp_path, **layers)
    assert site.buildings.top_m.tolist() == [pytest.approx(80.0)]
    assert said(notices, "have no height that can be used, and take that of the surface model")


def test_leaves_in_cells_say_how_sharp_they_are(tmp_path: Path) -> None:
    ground = {"path": raster(tmp_path / "dem.tif", value=lambda x, y: 0 * x)}
    wood = raster(tmp_path / "wood.tif", value=lambda x, y: np.where(y < -40, 12.0, 0.0))
    _, notices = site_of(tmp_path, terrain=ground, canopy={"path": wood, "leaf": "evergreen"})
    assert said(notices, "leaves are cells of 5 m", "10 m away may stand up to 33 degrees")


def test_polygons_in_native_geoparquet_are_those_in_wkb(tmp_path):
    """GeoParquet 1.1, "native encodings based on GeoArrow", as GeoPandas writes it."""
    hole = [(10.007, 50.002), (10.008, 50.002), (10.008, 50.004)]
    shapes = [Polygon([(10, 50), (10.01, 50), (10.01, 50.01)], [hole]), box(10.02, 50, 10.03, 50.01)]
    frame = gpd.GeoDataFrame({"site": ["A", "B"]}, geometry=shapes, crs="EPSG:4326")
    frame.to_parquet(tmp_path / "native.parquet", geometry_encoding="geoarrow")
    body = {"contract": {"sites": {"path": "native.parquet", "name": "site"}}}
    found = read_contract_sites(parse_plan(body, tmp_path / "plan.toml"), Ledger())
    assert found.names == ("A", "B")
    assert all(a.equals(b) for a, b in zip(found.shapes, shapes, strict=True))


# --- heights as people give them ---------------------------------------------------------------------------------


def houses(folder: Path, **attributes: list[Any]) -> str:
    """Five houses of 10 m along a row, with what is said of them."""
    return write(folder, "houses.gpkg", [box(-50 + 20 * k, 0, -40 + 20 * k, 10) for k in range(5)], **attributes)


@pytest.mark.parametrize(
    ("word", "taken"),
    [
        ("10-15", 15.0),
        ("30-45 ft", 13.716),
        ("30' - 45'", 13.716),
        ("3;4", 4.0),
        ("12 m; 9 m", 12.0),
        ("~8", 8.0),
        ("ca. 8 m", 8.0),
        ("~10–15", 15.0),
        ("7'-4\"", 2.2352),
        ("1,250-1,500", None),
        ("15-10", None),
        ("3;x", None),
        ("8 m;30", None),
        ("10-15 trees", None),
        ("~", None),
    ],
)
def test_vague_heights_are_read_and_said(tmp_path: Path, word: str, taken: float | None) -> None:
    """Forms of open layers: inventories of city trees have "30-45", OpenStreetMap "3;4" and "~8" (its wiki,
    "Semi-colon value separator" and "Map features/Units"). The higher end is taken: it shades more."""
    name = houses(tmp_path, h=[word, "5", "5", "5", "5"])
    site, notices = site_of(
        tmp_path, buildings={"path": name, "height": "h", "height_unit": "m", "default_height_m": 6.5}
    )
    assert site.buildings.top_m[0] == pytest.approx(6.5 if taken is None else taken)
    how = {"-": "is a range: its upper end", "–": "is a range: its upper end", ";": "several values: the highest"}
    if taken is None:
        assert said(notices, "is not a plain number", f"#1: {word}")
    elif "'-4" in word:
        assert said(notices, "has its unit written with the value", f"#1: {word}")
    else:
        mark = next((m for m in how if m in word), "")
        assert said(notices, "assumed", how.get(mark, "is an approximate value"), f"#1: {word}")


def test_a_value_with_its_unit_is_read_with_it(tmp_path: Path) -> None:
    """Forms of open layers of trees and buildings; OpenStreetMap's wiki, "Map features/Units", has the last two."""
    name = houses(tmp_path, h=["24 ft", "28.5'", "80 ft", "12 m", "7'4\""])
    site, notices = site_of(tmp_path, buildings={"path": name, "height": "h", "height_unit": "m"})
    assert np.allclose(site.buildings.top_m, [7.3152, 8.6868, 24.384, 12.0, 2.2352])
    assert said(notices, "has its unit written with the value", "#1: 24 ft")
    assert not said(notices, "default_height_m")
    # a comma with three digits after it may be a thousands sign: still refused
    name = houses(tmp_path, h=["1,250", "8 yards", "8?", "9 m", "10 ft 6 in"])
    site, notices = site_of(tmp_path, buildings={"path": name, "height": "h", "height_unit": "m"})
    assert np.allclose(site.buildings.top_m, [7.0, 7.0, 7.0, 9.0, 3.2004])
    assert said(notices, "is not a plain number", "#1: 1,250", "#2: 8 yards")


def test_a_unit_that_nobody_stated_is_said_and_one_that_the_name_contradicts_is_refused(tmp_path: Path) -> None:
    named = [24.0, 24.0, 24.0, 24.0, 24.0]
    _, notices = site_of(tmp_path, buildings={"path": houses(tmp_path, h=named), "height": "h"})
    assert said(notices, "assumed", "'h' is taken as meters: height_unit is not given")
    _, notices = site_of(tmp_path, buildings={"path": houses(tmp_path, h=named), "height": "h", "height_unit": "m"})
    assert not said(notices, "height_unit is not given")
    for column, unit, says in (
        ("HEIGHT_FT", None, "ft"), ("heightFeet", "m", "ft"), ("building:levels", "m", "storeys"),
        ("num_floors", "ft", "storeys"), ("hgt_median_m", "ft", "m"),
    ):  # fmt: skip
        name = houses(tmp_path, **{column: named})
        layer = {"path": name, "height": column, **({"height_unit": unit} if unit else {})}
        with pytest.raises(PlanError, match=f"says {says}, and its unit is taken as {unit or 'm'}") as fault:
            site_of(tmp_path, buildings=layer)
        assert f'height_unit = "{says}"' in fault.value.todo
        site, _ = site_of(tmp_path, buildings={**layer, "height_unit": says})
        assert len(site.buildings) == 5
    oak = write(tmp_path, "oak.gpkg", [Point(0, 40)], height_ft=[40.0])
    with pytest.raises(PlanError, match="'height_ft' says ft"):
        site_of(tmp_path, trees={"path": oak, "height": "height_ft"})


def test_trees_and_poles_in_feet(tmp_path: Path) -> None:
    """30 ft are 9.144 m, and a crown of 20 ft has a radius of 3.048 m."""
    oaks = write(tmp_path, "oak.gpkg", [Point(0, 40)], tall=[30.0], wide=[20.0])
    site, _ = site_of(tmp_path, trees={"path": oaks, "height": "tall", "crown_width": "wide", "height_unit": "ft"})
    assert site.crowns.radius_m == pytest.approx([3.048])
    assert site.crowns.centre[:, 2] + site.crowns.half_height_m == pytest.approx([9.144])
    poles = write(tmp_path, "pole.gpkg", [Point(10, 40)], tall=[30.0])
    site, _ = site_of(tmp_path, poles={"path": poles, "height": "tall", "height_unit": "ft"})
    assert site.poles.xyz[:, 2] == pytest.approx([9.144])


def test_roofs_elevations_given_as_heights_are_said_and_read_as_tops(tmp_path: Path) -> None:
    """Ground at 12 m, as in a lowland; buildings of 3 to 15 m, whose column holds the elevation of the roof."""
    ground = {"path": raster(tmp_path / "dem.tif", value=lambda x, y: 0 * x + 12.0)}
    true = np.array([3.0, 5.0, 8.0, 11.0, 15.0])
    name = houses(tmp_path, z=(true + 12).tolist(), foot=[12.0, 12.0, 12.0, 11.0, 12.0])
    layer = {"path": name, "height_unit": "m"}
    _, notices = site_of(tmp_path, terrain=ground, buildings={**layer, "height": "z"})
    assert said(notices, "please check", "may be the elevation of the roof", "3 m to 15 m high", "`top`")
    site, notices = site_of(tmp_path, terrain=ground, buildings={**layer, "top": "z"})
    assert np.allclose(site.buildings.top_m, true + 12, atol=0.01)
    assert not said(notices, "may be the elevation")
    # the layer's own ground comes before the terrain's
    site, _ = site_of(tmp_path, terrain=ground, buildings={**layer, "top": "z", "ground": "foot"})
    assert np.allclose(site.buildings.top_m - 12, true + np.array([0, 0, 0, 1, 0]), atol=0.01)
    with pytest.raises(DataError, match="nothing says how high the ground is"):
        site_of(tmp_path, buildings={**layer, "top": "z"})
    with pytest.raises(PlanError, match="give one of the two"):
        site_of(tmp_path, terrain=ground, buildings={**layer, "top": "z", "height": "z"})
    # true heights of the same place say nothing
    name = houses(tmp_path, z=true.tolist())
    _, notices = site_of(tmp_path, terrain=ground, buildings={"path": name, "height_unit": "m", "height": "z"})
    assert not said(notices, "may be the elevation")


def test_a_height_that_includes_the_roof_ends_at_its_edge(tmp_path: Path) -> None:
    """`roof:height` of OpenStreetMap, `roof_height` of Overture: both heights include the roof."""
    name = houses(tmp_path, h=[9.0, 9.0, 9.0, 9.0, 9.0], r=[3.0, 0.0, None, 9.0, 2.5])
    layer = {"path": name, "height": "h", "height_unit": "m"}
    site, notices = site_of(tmp_path, buildings={**layer, "roof_height": "r"})
    assert site.buildings.top_m.tolist() == [6.0, 9.0, 9.0, 9.0, 6.5]
    assert said(notices, "includes the roof", "#1, #5")
    assert said(notices, "as high as the building", "#4")
    name = houses(tmp_path, h=[9.0] * 5, roof=["flat", "pitched", "flat", "flat", "flat"])
    _, notices = site_of(tmp_path, buildings={**layer, "path": name, "roof": "roof"})
    assert said(notices, "taken to end at the eave", "roof_height")


def test_heights_above_ground_are_no_surface_model(tmp_path: Path) -> None:
    """Ground at 180 m with a hall of 20 m: the surface model is an elevation, or says that it is none."""

    def hall(x: Any, y: Any) -> Any:
        return np.where((abs(x - 60) < 20) & (abs(y) < 20), 20.0, 0.0)

    ground = {"path": raster(tmp_path / "dem.tif", value=lambda x, y: 180.0 + 0.01 * x)}
    whole = {"path": raster(tmp_path / "dsm.tif", value=lambda x, y: 180.0 + 0.01 * x + hall(x, y))}
    bare = {"path": raster(tmp_path / "ndsm.tif", value=hall)}
    for use in ("heights", "obstacles"):
        with pytest.raises(DataError, match="look like heights above ground") as fault:
            site_of(tmp_path, terrain=ground, surface={**bare, "use": use})
        assert 'above = "ground"' in fault.value.todo
    one, _ = site_of(tmp_path, terrain=ground, surface={**whole, "use": "obstacles"})
    other, _ = site_of(tmp_path, terrain=ground, surface={**bare, "use": "obstacles", "above": "ground"})
    assert one.surface is not None
    assert other.surface is not None
    assert np.nanmax(abs(one.surface.values - other.surface.values)) < 0.1


def test_a_surface_model_of_another_datum_is_refused(tmp_path: Path) -> None:
    ground = {"path": raster(tmp_path / "dem.tif", value=lambda x, y: 0 * x + 90.0)}

    def moved(by: float) -> dict[str, Any]:
        return {"path": raster(tmp_path / "dsm.tif", value=lambda x, y: 90.0 + by + np.where(x > 0, 9.0, 0.0))}

    site_of(tmp_path, terrain=ground, surface={**moved(0.0), "use": "obstacles"})
    with pytest.raises(DataError, match=r"under the terrain, by \d\d m.*another datum"):
        site_of(tmp_path, terrain=ground, surface={**moved(-30.0), "use": "obstacles"})
    with pytest.raises(DataError, match="above the terrain, by 30 m and more"):
        site_of(tmp_path, terrain=ground, surface={**moved(30.0), "use": "obstacles"})


@pytest.mark.parametrize(
    ("zone", "longitude", "verdict"),
    [
        ("America/Phoenix", -112.0, ""),
        (
            "America/New_York",
            -112.0,
            "please check: time_zone: noon by the clock of America/New_York is 2.5 h before",
        ),
        ("Australia/Sydney", 151.2, ""),  # its summer time is in January
        ("Asia/Shanghai", 76.0, "please check: time_zone"),
        ("Pacific/Kiritimati", -157.4, ""),  # UTC+14
        ("Europe/London", -112.0, "refused"),
        ("Asia/Tokyo", -112.0, "refused"),
    ],
)
def test_a_time_zone_agrees_with_the_longitude(tmp_path: Path, zone: str, longitude: float, verdict: str) -> None:
    """Noon of standard time against the sun's, 15 degrees an hour; offsets by the IANA time zone database."""
    square = shapely.box(longitude, 10.0, longitude + 0.001, 10.001)
    layers = {"site": {"path": write(tmp_path, "there.gpkg", [square], crs="EPSG:4326", local=False)}}
    ledger = Ledger()
    plan_file = plan_of(tmp_path, layers, time_zone=zone)
    if verdict == "refused":
        with pytest.raises(PlanError, match=r"time_zone.*Name the site's own time zone"):
            read_site(plan_file, ledger)
        return
    read_site(plan_file, ledger)
    said_of_it = [str(n) for n in ledger if n.where == "time_zone"]
    assert len(said_of_it) == (verdict != "")
    assert all(said.startswith(verdict) for said in said_of_it)
