"""`noonmark start` on folders of invented data, in the layouts that open schemas have, and in anybody's own.

Column names, units and traps are those of the publishers' schemas (Overture, OpenStreetMap, Microsoft, 3DBAG,
BD TOPO, New York, San Francisco, Vancouver, tree inventories of cities).
"""

from __future__ import annotations

import os
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas
import pytest
import rasterio
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from typer.testing import CliRunner

import planner
from planner.cli import app
from planner.layers import read_site
from planner.layers.columns import unit_said
from planner.ledger import Ledger, OutputError, PlanError, PlannerError
from planner.plan import read_plan
from planner.show.write.plan_text import plan_text
from planner.start import recognise
from planner.start.recognise import Basis
from planner.starter import first_plan

LAT, LON = 35.27, -119.36
UTM, STATE_PLANE_FT = 32611, 2229  # California: metres, US survey feet


def halls(n: int = 6) -> geopandas.GeoSeries:
    """Squares of 20 m, 40 m apart, on a lot of 200 x 120 m."""
    shapes = [
        shapely.box(20 + 40 * (k % 4), 20 + 50 * (k // 4), 40 + 40 * (k % 4), 40 + 50 * (k // 4)) for k in range(n)
    ]
    return geopandas.GeoSeries(shapes, crs=UTM).translate(*ORIGIN)


ORIGIN = tuple(geopandas.GeoSeries([shapely.Point(LON, LAT)], crs=4326).to_crs(UTM)[0].coords[0])


def lot() -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame(
        {"name": ["Lot"]}, geometry=geopandas.GeoSeries([shapely.box(0, 0, 200, 120)], crs=UTM).translate(*ORIGIN)
    )


def spots(n: int) -> geopandas.GeoSeries:
    return geopandas.GeoSeries(
        shapely.points(10 + 20.0 * np.arange(n) % 180, 10 + 15.0 * np.arange(n) % 100), crs=UTM
    ).translate(*ORIGIN)


def put(folder: Path, file: str, shapes: geopandas.GeoSeries, crs: int | None = None, /, **columns: Any) -> None:
    frame = geopandas.GeoDataFrame(columns, geometry=shapes)
    frame = frame.to_crs(crs) if crs else frame
    path = folder / file
    if path.suffix == ".parquet":
        frame.to_parquet(path)
    else:
        frame.to_file(path)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    there = tmp_path / "my site"
    there.mkdir()
    lot().to_file(there / "outline.gpkg")
    return there


def plan_of(folder: Path, **more: Any) -> dict[str, Any]:
    return tomllib.loads(text_of(folder, **more))


def text_of(folder: Path, at: tuple[float, float] | None = None) -> str:
    first = first_plan([folder], at, None, lambda *_: None)
    return plan_text(first.draft, first.plan.parent, "noonmark site x.toml")


def buildings_of(
    folder: Path, name: str = "buildings.gpkg", crs: int | None = None, **columns: Any
) -> dict[str, Any]:
    put(folder, name, halls(len(next(iter(columns.values())))), crs, **columns)
    return plan_of(folder)["layers"]["buildings"]


# --- columns ------------------------------------------------------------


HEIGHTS = """
    height HEIGHT HEIGHT_FT heightM bldg_height HEIGHT_ROOF HEIGHTROOF measuredHeight hgt_median_m HGT_AGL HAUTEUR
    hauteur Höhe Gebäudehöhe BAUMHOEHE Boomhoogte altura altezza HT TreeHeight tree_ht eave_height EAVE_HT
    avg_hght
"""


@pytest.mark.parametrize("name", HEIGHTS.split())
def test_names_of_heights(name: str) -> None:
    assert recognise.is_height(name)


NO_HEIGHTS = """
    min_height roof_height roof:height kronenhoehe crown_height height_class CODE_HOOGTE height_source floor_height
    height_date width area length SHAPE_Length weight eight right name id light highway
"""


@pytest.mark.parametrize("name", NO_HEIGHTS.split())
def test_names_that_are_no_heights(name: str) -> None:
    assert not recognise.is_height(name)


OTHERS = {
    recognise.is_crown_width: "CANOPY crown_m diameter_crown KRONENDURCHMESSER kroondiameter couronnem spread",
    recognise.is_radius: "CROWN_RADI SPREADRADIUSinMETRES rayon_couronne",
    recognise.is_stories: "num_floors building:levels NB_ETAGES nombre_d_etages b3_bouwlagen storeysAboveGround",
    recognise.is_top: "b3_h_70p Z_MIN_TOIT TOPELEV_M median_1st_m altitude_maximale_toit roof_elev_ft",
    recognise.is_ground: "b3_h_maaiveld Z_MIN_SOL BASEELEV_M gnd_min_m GROUNDELEV GROUND_ELEVATION",
}


@pytest.mark.parametrize(
    ("name", "is_one"), [(name, is_one) for is_one, names in OTHERS.items() for name in names.split()]
)
def test_names_of_other_things(name: str, is_one: Any) -> None:
    assert is_one(name)


def test_radii_areas_trunks_and_roof_levels_are_set_apart() -> None:
    assert not any(
        map(recognise.is_crown_width, ("CROWN_RADI", "canopy_area", "crown_base", "crown_height", "dbh"))
    )
    assert not any(map(recognise.is_stories, ("roof:levels", "building:min_level", "levels_below", "min_floor")))
    told = recognise.tree_columns({"HEIGHT": [30.0], "diameter:range": [250.0], "dbh": [12.0]}, False)
    assert told.crown_width is None


@pytest.mark.parametrize(
    ("column", "values", "stories", "feet_crs", "unit", "basis"),
    [
        ("HEIGHT_FT", [4, 5, 6], None, False, "ft", Basis.NAME),  # small for feet, and still what the name says
        ("height_m", [40, 50, 60], None, True, "m", Basis.NAME),
        ("height", ["12 m", "8 m"], None, False, "m", Basis.WRITTEN),
        ("height", ["24 ft", "7'4\""], None, False, "m", Basis.WRITTEN),
        ("height", [4, 7, 10.5], [1, 2, 3], False, "m", Basis.STORIES),
        ("height", [12, 24, 36], [1, 2, 3], False, "ft", Basis.STORIES),
        ("height", [12, 14, 11], None, True, "ft", Basis.CRS),
        ("height", [24, 36, 18], None, False, "ft", Basis.SIZE),
        ("height", [6, 8, 9.5], None, False, "m", Basis.ASSUMED),
    ],
)
def test_the_unit_of_a_height(
    column: str, values: list[Any], stories: Any, feet_crs: bool, unit: str, basis: Basis
) -> None:
    counted = None if stories is None else np.array(stories, float)
    found = recognise.length_reading(column, values, recognise.BUILDING, counted, "", feet_crs)
    assert (found.unit, found.basis) == (unit, basis)
    assert found.known == len(values)


# --- open schemas ------------------------------------------------------------


def test_overture(folder: Path) -> None:
    told = buildings_of(
        folder,
        "overture.parquet",
        4326,
        id=list("abcdef"),
        height=[9.0, None, None, 12.5, None, None],
        num_floors=[2.0, 3.0, None, 4.0, 1.0, None],
        roof_shape=["flat", "gabled", None, "hipped", None, None],
        roof_height=[None, 2.0, None, 3.0, None, None],
        sources=["[]"] * 6,
        has_parts=[False] * 6,
        names=[{"primary": "Town Hall", "common": None}, *[None] * 5],
    )
    assert told["name"] == "names"
    assert told["height"] == "height"
    assert told["height_unit"] == "m"
    assert told["roof_height"] == "roof_height"
    assert told["storeys"] == "num_floors"
    assert told["roof"] == "roof_shape"
    text = text_of(folder)
    assert "2 of 6 have one, median 10.8 m" in text
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    assert read_site(read_plan(folder / "plan.toml"), Ledger()).buildings.names[:2] == ("Town Hall", "#2")
    assert "OpenStreetMap contributors" in text


def test_openstreetmap_one_extract_for_several_layers(folder: Path) -> None:
    shapes = geopandas.GeoSeries([*halls(4), *spots(3)], crs=UTM)
    put(
        folder,
        "export.geojson",
        shapes,
        4326,
        building=["yes", "school", None, "yes", None, None, None],
        **{
            "building:levels": ["2", "3", None, "1", None, None, None],
            "height": ["12 m", None, None, "4", "8", None, None],
            "natural": [None] * 4 + ["tree", "tree", None],
            "highway": [None] * 6 + ["street_lamp"],
            "leaf_cycle": [None] * 4 + ["semi_evergreen", "deciduous", None],
            "diameter_crown": [None] * 4 + ["6", "5", None],
        },
    )
    layers = plan_of(folder)["layers"]
    assert layers["buildings"]["where"] == "building IS NOT NULL"
    assert layers["buildings"]["storeys"] == "building:levels"
    assert layers["trees"] == {
        "path": "export.geojson",
        "where": "\"natural\" = 'tree'" if '"natural"' in layers["trees"]["where"] else "natural = 'tree'",
        "height": "height",
        "crown_width": "diameter_crown",
        "height_unit": "m",
        "leaf": "leaf_cycle",
    }
    assert layers["poles"]["where"].endswith("'street_lamp'")
    assert "to the ridge" in text_of(folder)


def test_openstreetmaps_own_format(folder: Path) -> None:
    """An export as openstreetmap.org gives it (OSM XML 0.6); tag names from its wiki. Written by hand."""
    tags = ({"building": "school", "height": "7.5", "name": "Hall"}, {"building": "yes", "building:levels": "3"})
    nodes, ways = "", ""
    for k, hall in enumerate(halls(2).to_crs(4326)):
        corners = shapely.get_coordinates(hall)[:-1]
        ids = [10 * k + i + 1 for i in range(len(corners))]
        nodes += "".join(f'<node id="{n}" lat="{y}" lon="{x}"/>' for n, (x, y) in zip(ids, corners, strict=True))
        ways += f'<way id="{100 + k}">' + "".join(f'<nd ref="{n}"/>' for n in [*ids, ids[0]])
        ways += "".join(f'<tag k="{key}" v="{value}"/>' for key, value in tags[k].items()) + "</way>"
    (folder / "map.osm").write_text(
        f'<?xml version="1.0"?><osm version="0.6">{nodes}{ways}</osm>', encoding="utf-8"
    )
    told = plan_of(folder)["layers"]["buildings"]
    assert (told["path"], told["layer"]) == ("map.osm", "multipolygons")
    assert (told["height"], told["storeys"], told["height_unit"]) == ("height", "building:levels", "m")
    plan = folder / "plan.toml"
    plan.write_text(text_of(folder), encoding="utf-8")
    site = read_site(read_plan(plan), Ledger())
    assert sorted(np.round(site.buildings.top_m, 2)) == [7.5, 10.5]  # 3 storeys of 3.5 m
    assert sorted(site.buildings.names) == ["Hall", "way/101"]  # one without a name is found by its number


def test_3dbag_heights_are_elevations_less_the_ground(folder: Path) -> None:
    told = buildings_of(
        folder,
        b3_h_70p=[8.1, 9.0, 12.0],
        b3_h_50p=[7.9, 8.8, 11.0],
        b3_h_max=[9.0, 11.0, 14.0],
        b3_h_maaiveld=[1.0, 1.1, 1.0],
        b3_dak_type=["slanted", "horizontal", "multiple horizontal"],
        b3_bouwlagen=[2, 2, 3],
    )
    assert (told["top"], told["ground"], told["height_unit"], told["roof"]) == (
        "b3_h_70p",
        "b3_h_maaiveld",
        "m",
        "b3_dak_type",
    )
    assert "height" not in told


def test_bd_topo_height_ends_at_the_eave(folder: Path) -> None:
    told = buildings_of(
        folder,
        HAUTEUR=[6.2, 7.0, 5.5],
        Z_MIN_SOL=[6.0, 6.1, 6.0],
        Z_MIN_TOIT=[12.2, 13.1, 11.5],
        Z_MAX_TOIT=[16.0, 17.0, 15.0],
        NB_ETAGES=[2, 2, 1],
    )
    assert (told["height"], told["height_unit"], told["storeys"]) == ("HAUTEUR", "m", "NB_ETAGES")
    assert '# top = "Z_MIN_TOIT"' in text_of(folder)


def test_new_york_is_in_feet_although_no_column_says_so(folder: Path) -> None:
    told = buildings_of(folder, HEIGHTROOF=[28.5, 0.0, 41.0], GROUNDELEV=[30, 31, 30])
    assert (told["height"], told["height_unit"]) == ("HEIGHTROOF", "ft")
    assert "2 of 3 have one, median 34.8 ft" in text_of(folder)  # 0 is unknown there


@pytest.mark.parametrize("name", ["county.geojsonl", "county.gdb"])
def test_footprints_a_feature_a_line_and_in_a_geodatabase(folder: Path, name: str) -> None:
    told = buildings_of(folder, name, 4326, height=[5.0, 6.0, -1.0], confidence=[0.9, 0.8, -1.0])
    assert (told["path"], told["height"], told["height_unit"]) == (name, "height", "m")
    (folder / "plan.toml").write_text(text_of(folder), encoding="utf-8")
    assert len(read_site(read_plan(folder / "plan.toml"), Ledger()).buildings) == 3


def test_microsoft_minus_one_is_no_height(folder: Path) -> None:
    told = buildings_of(folder, "ms.fgb", height=[-1.0, 7.5, 6.0], confidence=[-1.0, 0.9, 0.8])
    assert (told["height"], told["height_unit"]) == ("height", "m")
    assert "2 of 3 have one" in text_of(folder)


def test_san_francisco_and_vancouver(folder: Path) -> None:
    told = buildings_of(
        folder,
        hgt_median_m=[7.0, 8.0, 9.0],
        gnd_min_m=[20.0, 21.0, 20.0],
        median_1st_m=[27.0, 29.0, 29.0],
    )
    assert (told["height"], told["height_unit"]) == ("hgt_median_m", "m")
    (folder / "buildings.gpkg").unlink()
    told = buildings_of(
        folder,
        HGT_AGL=[7.0, 8.0, 9.0],
        TOPELEV_M=[27.0, 28.0, 29.0],
        BASEELEV_M=[20.0, 20.0, 20.0],
        ROOFTYPE=["Complex", "Flat", "Pitched"],
    )
    assert (told["height"], told["roof"]) == ("HGT_AGL", "ROOFTYPE")


# --- units and doubts ------------------------------------------------------------


def test_feet_by_the_coordinates_are_a_guess_and_the_other_reading_stands_below(folder: Path) -> None:
    told = buildings_of(folder, crs=STATE_PLANE_FT, HEIGHT=[12.0, 14.0, 13.0])
    assert told["height_unit"] == "ft"
    text = text_of(folder)
    assert "check: feet: the layer's coordinates are in feet" in text
    assert '# height_unit = "m"' in text
    assert tomllib.loads(text)["units"] == "us"


def test_a_column_in_feet_with_small_values_is_not_read_as_metres(folder: Path) -> None:
    told = buildings_of(folder, HEIGHT_FT=[2.0, 3.0, 4.5])
    assert told["height_unit"] == "ft"
    text = text_of(folder)
    assert "is unusual for that" in " ".join(text.replace("#", " ").split())
    assert '# height_unit = "m"' not in text  # a unit that contradicts the name would be refused


def test_stories_alone(folder: Path) -> None:
    told = buildings_of(folder, stories=[1, 2, 3])
    assert told["storeys"] == "stories"
    assert "height" not in told


def test_genera_are_known_whatever_their_column_is_called(folder: Path) -> None:
    spots = [shapely.Point(LON + 0.0004 * k, LAT + 0.0002) for k in range(3)]
    kinds = ["Acacia erioloba", "Jacaranda mimosifolia", "Schinus molle"]
    put(folder, "trees.gpkg", geopandas.GeoSeries(spots, crs=4326), 4326, Baumart=kinds, hoehe_m=[7.0, 9.0, 8.0])
    assert plan_of(folder)["layers"]["trees"]["species"] == "Baumart"


def test_buildings_without_heights_say_what_that_means(folder: Path) -> None:
    told = buildings_of(folder, use=["a", "b", "c"])
    assert "height" not in told
    assert "check: no column of heights was found" in text_of(folder)


def test_two_columns_of_heights_both_stand_in_the_file(folder: Path) -> None:
    told = buildings_of(folder, ridge_height_m=[9.0, 9.5, 8.0], eave_height_m=[6.0, 6.5, 5.0])
    assert told["height"] == "eave_height_m"
    assert '# height = "ridge_height_m"' in text_of(folder)


def test_a_city_inventory_of_trees(folder: Path) -> None:
    put(
        folder,
        "street_trees.gpkg",
        spots(5),
        4326,
        TREE_ID=[1, 2, 3, 4, 5],
        SPECIES=["Quercus agrifolia", "Acer rubrum", "Pinus pinea", "Platanus x acerifolia", "Ulmus"],
        DBH_IN=[12, 20, 18, 30, 9],
        HT=[35, 45, 60, 70, 30],
        SPREADRADIUSinMETRES=[4.0, 5.0, 3.0, 7.0, 4.0],
    )
    told = plan_of(folder)["layers"]["trees"]
    assert (told["height"], told["height_unit"], told["species"]) == ("HT", "ft", "SPECIES")
    assert "crown_width" not in told
    assert "crown_radius" not in told  # in meters by its name, beside heights in feet
    assert '# crown_radius = "SPREADRADIUSinMETRES"' in text_of(folder)
    assert "DBH_IN" not in str(told)
    # no crown width that can be used: said, with the trunks that could tell one
    said = " ".join(line.strip("# ") for line in text_of(folder).splitlines())
    assert "all 5 canopies are taken as 7 m (23 ft) wide" in said
    assert "'DBH_IN' is of trunks, and is not turned into canopies" in said


def test_trees_in_a_csv_with_coordinates(folder: Path) -> None:
    lonlat = spots(4).to_crs(4326)
    pandas.DataFrame(
        {
            "tag": ["a", "b", "c", "d"],
            "latitude": lonlat.y,
            "longitude": lonlat.x,
            "height_m": [6, 7, 8, 9],
            "crown_m": [4, 5, 6, 5],
        }
    ).to_csv(folder / "trees.csv", index=False)
    told = plan_of(folder)["layers"]["trees"]
    assert (told["x"], told["y"], told["crs"]) == ("longitude", "latitude", "EPSG:4326")
    assert (told["name"], told["height"], told["crown_width"], told["height_unit"]) == (
        "tag",
        "height_m",
        "crown_m",
        "m",
    )


def test_several_controllers_are_shared_by_as_few_sensors_as_serve_them(folder: Path) -> None:
    put(folder, "controllers.gpkg", spots(3), clock=["Clock 1", "Clock 2", "Clock 3"], indoors=["yes", "no", "no"])
    told = plan_of(folder)
    assert told["layers"]["controllers"]["name"] == "clock"
    assert told["layers"]["controllers"]["indoors"] == "indoors"
    assert told["requirements"] == {"reach": "fewest"}


@pytest.mark.parametrize(("stories", "first"), [([3, None, -1], 1), ([2, 0, -1], 0)])
def test_how_high_a_controller_hangs_is_not_lost(folder: Path, stories: list[int | None], first: int) -> None:
    """A column of stories, and one of depths; 0 is a story only where the ground floor is."""
    names = ["Clock 1", "Clock 2", "Clock 3"]
    put(folder, "controllers.gpkg", spots(3), clock=names, STORY=stories, depth_ft=[None, None, 9.0])
    told = plan_of(folder)["layers"]["controllers"]
    assert (told["storey"], told["ground_storey"]) == ("STORY", first)
    assert (told["depth"], told["height_unit"]) == ("depth_ft", "ft")


def test_zipped_shapefiles_and_a_layer_without_crs(folder: Path) -> None:
    bare = folder.parent / "bare"
    bare.mkdir()
    put(bare, "footprints.shp", halls(), HEIGHT=[6.0] * 6)
    (bare / "footprints.prj").unlink()
    with zipfile.ZipFile(folder / "footprints.zip", "w") as pack:
        for part in bare.iterdir():
            pack.write(part, part.name)
    told = plan_of(folder)["layers"]["buildings"]
    assert told["path"] == "footprints.zip"
    assert told["crs"] == f"EPSG:{UTM}"  # only so does it lie at the outline
    assert "check: the file does not say" in text_of(folder)


def test_an_archive_with_folders_in_it(folder: Path) -> None:
    bare = folder.parent / "bare"
    bare.mkdir()
    put(bare, "footprints.shp", halls(), HEIGHT_FT=[20.0, 24.0, 24.0, 28.0, 30.0, 30.0])
    with zipfile.ZipFile(folder / "county.zip", "w") as pack:
        for part in bare.iterdir():
            pack.write(part, f"export/2024/{part.name}")
    told = plan_of(folder)["layers"]["buildings"]
    assert (told["path"], told["height"], told["height_unit"]) == ("county.zip", "HEIGHT_FT", "ft")
    plan = folder / "plan.toml"
    plan.write_text(
        text_of(folder).replace('height = "HEIGHT_FT"', 'where = "HEIGHT_FT > 25"\nheight = "HEIGHT_FT"')
    )
    assert len(read_site(read_plan(plan), Ledger()).buildings) == 3
    with zipfile.ZipFile(folder / "county.zip", "a") as pack:
        for part in bare.iterdir():
            pack.write(part, f"export/2023/{part.name}")
    assert "holds several layers in folders" in text_of(folder)


def test_rasters_by_their_names_and_values(folder: Path) -> None:
    bounds = lot().to_crs(UTM).total_bounds
    profile = {
        "driver": "GTiff",
        "width": 40,
        "height": 40,
        "count": 1,
        "dtype": "float32",
        "crs": f"EPSG:{UTM}",
        "transform": rasterio.transform.from_bounds(
            bounds[0] - 100, bounds[1] - 100, bounds[2] + 100, bounds[3] + 100, 40, 40
        ),
    }
    ground = np.linspace(90, 110, 1600, dtype="float32").reshape(40, 40)
    for name, values in (
        ("dtm_1m.tif", ground),
        ("dsm_1m.tif", ground + 5),
        ("chm.tif", np.zeros((40, 40), "float32")),
        ("mystery.tif", ground),
    ):
        with rasterio.open(folder / name, "w", **profile) as out:
            out.write(values, 1)
    with rasterio.open(folder / "photo.tif", "w", **{**profile, "count": 3, "dtype": "uint8"}) as out:
        out.write(np.zeros((3, 40, 40), "uint8"))
    layers = plan_of(folder)["layers"]
    assert layers["terrain"]["path"] == "dtm_1m.tif"
    assert layers["surface"]["path"] == "dsm_1m.tif"
    assert layers["canopy"]["path"] == "chm.tif"
    assert "height_unit" not in layers["terrain"]  # meters, as nothing says otherwise
    text = text_of(folder)
    assert "mystery.tif could be terrain" in text
    assert "photo.tif: nothing tells what it is" in text


@pytest.mark.parametrize(("name", "crs"), [("dtm_ft.tif", UTM), ("dtm.tif", STATE_PLANE_FT)])
def test_terrain_in_feet_is_a_guess_with_its_other_reading(folder: Path, name: str, crs: int) -> None:
    west, south, east, north = lot().to_crs(crs).total_bounds
    transform = rasterio.transform.from_bounds(west - 500, south - 500, east + 500, north + 500, 40, 40)
    profile = {"driver": "GTiff", "width": 40, "height": 40, "count": 1, "dtype": "float32", "crs": f"EPSG:{crs}"}
    with rasterio.open(folder / name, "w", transform=transform, **profile) as out:
        out.write(np.linspace(300, 330, 1600, dtype="float32").reshape(40, 40), 1)
    assert plan_of(folder)["layers"]["terrain"]["height_unit"] == "ft"
    text = text_of(folder)
    assert '# height_unit = "m"' in text
    assert "# check: feet: " in text.replace("#   ", "")
    with rasterio.open(folder / name, "r+") as out:
        out.units = ("metre",)
    assert "height_unit" not in plan_of(folder)["layers"]["terrain"]  # the file says it


def test_spray_without_a_column_of_kinds(folder: Path) -> None:
    put(folder, "spray_areas.gpkg", halls(3), radius=[4, 4, 5])
    told = plan_of(folder)["layers"]["keep_outs"]
    assert told["default_kind"] == "spray"


# --- the site ------------------------------------------------------------


def test_the_parcel_that_holds_the_buildings_is_picked(folder: Path) -> None:
    (folder / "outline.gpkg").unlink()
    parcels = geopandas.GeoSeries([*lot().geometry, *lot().geometry.translate(500, 0)], crs=UTM)
    put(folder, "parcels.gpkg", parcels, APN=["12-1", "12-2"])
    put(folder, "buildings.gpkg", halls(), height_m=[6.0] * 6)
    told = plan_of(folder)["layers"]["site"]
    assert (told["name"], told["pick"]) == ("APN", "12-1")


def test_without_an_outline_one_is_drawn_around_what_stands_there(folder: Path) -> None:
    (folder / "outline.gpkg").unlink()
    put(folder, "buildings.gpkg", halls(), height_m=[6.0] * 6)
    first = first_plan([folder], None, None, lambda *_: None)
    assert first.draft.outline is not None
    local = geopandas.GeoSeries([first.draft.outline], crs=4326).to_crs(UTM)[0]
    assert local.covers(shapely.union_all(halls().geometry))
    assert local.area < 200 * 140


def test_what_lies_too_wide_apart_is_asked_for_its_place(folder: Path) -> None:
    (folder / "outline.gpkg").unlink()
    far = geopandas.GeoSeries([*halls(2), *halls(2).translate(9000, 0)], crs=UTM)
    put(folder, "buildings.gpkg", far, height_m=[6.0] * 4)
    with pytest.raises(PlanError, match="--at LATITUDE,LONGITUDE"):
        plan_of(folder)
    told = plan_of(folder, at=(LAT + 0.0005, LON + 0.001))
    assert told["layers"]["site"]["path"].endswith("-outline.geojson")


def test_a_layer_of_another_town_is_not_used(folder: Path) -> None:
    put(folder, "buildings.gpkg", halls(2).translate(30_000, 0), height_m=[6.0] * 2)
    text = text_of(folder)
    assert "buildings" not in tomllib.loads(text)["layers"]
    assert "30 km from the site: not used" in text


def test_a_spreadsheet_of_sites_is_a_contract(tmp_path: Path) -> None:
    pandas.DataFrame(
        {
            "Site": ["A", "B", "C"],
            "Lat": [33.4, 34.0, 35.1],
            "Long": [-112.0, -111.8, -111.6],
            "elev_ft": [1100, 2000, 6900],
        }
    ).to_csv(tmp_path / "locations.csv", index=False)
    told = plan_of(tmp_path)["contract"]["sites"]
    assert told == {
        "path": "locations.csv",
        "x": "Long",
        "y": "Lat",
        "crs": "EPSG:4326",
        "name": "Site",
        "elevation": "elev_ft",
        "elevation_unit": "ft",
    }


def test_sites_with_a_lost_sign_or_their_axes_exchanged_are_asked_about(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    lat, lon = rng.uniform(40, 42, 20), rng.uniform(-106, -104, 20)
    lon[7], (lat[3], lon[3]) = -lon[7], (-lat[3], lon[3])
    lat[5], lon[5] = -33.4, -70.6  # far, and meant so
    names = [f"S{k}" for k in range(20)]
    pandas.DataFrame({"site": names, "lat": lat, "lon": lon}).to_csv(tmp_path / "sites.csv", index=False)
    text = " ".join(text_of(tmp_path).split())
    assert "check: 1 site far from all others, and near them with the longitude's sign changed: S7" in text
    assert "near them with the latitude's sign changed: S3" in text
    assert "S5" not in text


def test_a_contract_over_several_countries_with_names_that_come_again(tmp_path: Path) -> None:
    rows = {
        "Site No": ["S1", "S2", "S3", "S4"],
        "Site name": ["Park", "Plaza", "Park", "Depot"],
        "Latitude": ["33,4", "-33,45", "37,39", "-29,9"],
        "Longitude": ["-112,0", "-70,66", "-5,98", "-71,25"],
    }
    pandas.DataFrame(rows).to_csv(tmp_path / "sites.csv", index=False, sep=";")
    pandas.DataFrame(rows).head(2).to_csv(tmp_path / "old sites.csv", index=False, sep=";")
    (tmp_path / "zones.csv").write_text("Zone,From (in/day),To (in/day)\nA,,0.2\nB,0.2,\n", encoding="utf-8")
    text = text_of(tmp_path)
    told = tomllib.loads(text)
    assert told["units"] == "metric"  # one of four is in the United States
    assert (told["contract"]["sites"]["path"], told["contract"]["sites"]["name"]) == ("sites.csv", "Site name")
    assert '# name = "Site No"' in text
    assert "old sites.csv could be the contract's sites as well" in text
    assert told["zone"] == {"table": "zones.csv", "unit": "in/day"}


# --- the command ------------------------------------------------------------


def test_the_command_writes_checks_and_says_what_is_next(folder: Path) -> None:
    put(folder, "buildings.gpkg", halls(), height_m=[6.0] * 6)
    (folder / "notes.txt").write_text("by hand", encoding="utf-8")
    (folder / "broken.gpkg").write_bytes(b"no GeoPackage")
    done = CliRunner().invoke(app, ["start", str(folder)])
    assert done.exit_code == 0, done.output
    plan = folder / "my-site.toml"
    assert plan.is_file()
    assert "0 errors" in done.output
    assert done.output.rstrip().endswith(f'Next: noonmark site "{plan}"')
    text = plan.read_text(encoding="utf-8")
    assert "broken.gpkg: cannot be read" in text
    assert "notes.txt: not a kind of file" in text
    again = CliRunner().invoke(app, ["start", str(folder)])
    assert again.exit_code == 6
    assert "not overwritten" in again.output
    assert plan.read_text(encoding="utf-8") == text
    plan.unlink()
    shown = CliRunner().invoke(app, ["start", str(folder), "-"])
    assert tomllib.loads(shown.stdout) == tomllib.loads(text)
    assert not plan.exists()


def test_a_place_alone_gets_an_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, ["start", "--at", "35.27,-119.36"])
    assert done.exit_code == 0, done.output
    plan = next(tmp_path.glob("*.toml"))
    result = planner.run_site(quick(plan))
    assert result.decision.chosen >= 0


def test_nothing_given_is_said() -> None:
    done = CliRunner().invoke(app, ["start"])
    assert done.exit_code == 2
    assert "--at" in done.output


def test_names_that_would_break_a_plan_file_do_not(folder: Path) -> None:
    put(folder, "buildings.gpkg", halls(2), **{'height "m"\n[zone]': [6.0, 7.0], "name": ['a"b', "c\nd"]})
    told = plan_of(folder)
    assert set(told) <= {"title", "units", "layers"}


def quick(plan: Path) -> planner.PlanFile:
    """The plan with a coarse sun."""
    read = planner.read_plan(plan)
    sun = read.plan.sun.model_copy(update={"step_minutes": 60, "day_step": 15})
    return planner.PlanFile(read.path, read.plan.model_copy(update={"sun": sun}), read.variables)


_HEIGHTS = st.lists(
    st.one_of(
        st.none(),
        st.floats(-5, 90),
        st.sampled_from(["12 m", "40'", "24 ft", "3;4", "10-15", "~8", "12,5", "n/a", "1,250", "?"]),
    ),
    min_size=4,
    max_size=4,
)
_COLUMNS = st.sampled_from(
    [
        "height",
        "HEIGHT_FT",
        "height_m",
        "hgt",
        "building:levels",
        "num_floors",
        "eave_ht_ft",
        "Z_MIN_TOIT",
        "roof_height",
        "Höhe",
    ]
)


_TREES = st.sampled_from(
    [
        "height",
        "Height_ft",
        "HT_M",
        "CROWN_RADI",
        "spread_m",
        "crown_ft",
        "Kronendurchmesser",
        "species",
        "DBH",
        "leaf",
    ]
)
_WORDS = st.lists(
    st.one_of(
        st.none(),
        st.floats(-5, 120),
        st.sampled_from(
            ["Quercus alba", "Stump", "12 m", "40'", "yes", "{}", '{"primary": null}', "deciduous", "É"]
        ),
    ),
    min_size=4,
    max_size=4,
)


@settings(
    max_examples=int(os.environ.get("NOONMARK_EXAMPLES", "4")),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    columns=st.dictionaries(_COLUMNS, _HEIGHTS, min_size=1, max_size=3),
    trees=st.dictionaries(_TREES, _WORDS, max_size=3),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16"]),
    title=st.sampled_from(["", "Trees of the lot\n", "Trees;;\n\n"]),
    feet=st.sampled_from([None, "dtm.tif", "dtm_ft.tif"]),
)
def test_start_then_site_ends_in_an_answer_or_a_clear_error(
    tmp_path_factory: Any,
    columns: dict[str, list[Any]],
    trees: dict[str, list[Any]],
    encoding: str,
    title: str,
    feet: str | None,
) -> None:
    """Never a traceback, and never a unit that a column's own name contradicts."""
    folder = tmp_path_factory.mktemp("drawn")
    lot().to_file(folder / "outline.gpkg")
    put(
        folder,
        "buildings.geojson",
        halls(4),
        4326,
        **{k: [None if v is None else str(v) for v in vs] for k, vs in columns.items()},
    )
    places = spots(4).to_crs(4326)
    table = pandas.DataFrame({"lat": places.y, "long": places.x, **{k: pandas.Series(v) for k, v in trees.items()}})
    (folder / "trees.csv").write_bytes((title + table.to_csv(index=False, sep=";")).encode(encoding, "replace"))
    if feet is not None:
        bounds = lot().to_crs(STATE_PLANE_FT).buffer(400).total_bounds
        transform = rasterio.transform.from_bounds(*bounds, 30, 30)
        profile = {"driver": "GTiff", "width": 30, "height": 30, "count": 1, "dtype": "float32"}
        with rasterio.open(folder / feet, "w", crs=f"EPSG:{STATE_PLANE_FT}", transform=transform, **profile) as out:
            out.write(np.linspace(300, 330, 900, dtype="float32").reshape(30, 30), 1)
    told = plan_of(folder)
    for section in told["layers"].values():
        for key in ("height", "top", "ground", "roof_height", "base", "crown_width", "crown_radius", "crown_base"):
            said = unit_said(section[key]) if key in section else None
            assert said is None or section["height_unit"] == said
    assert told["layers"].get("terrain", {"height_unit": "ft"})["height_unit"] == "ft"
    plan = folder / "plan.toml"
    plan.write_text(text_of(folder), encoding="utf-8")
    try:
        result = planner.run_site(quick(plan))
    except PlannerError as fault:
        clear = bool(fault.where and fault.what and fault.todo)
        assert clear, repr(fault)  # noqa: PT017
    else:
        assert np.isfinite(result.sun.light_share).all()


def test_a_plan_is_never_written_over_a_file(folder: Path) -> None:
    from planner.show.write.new import write_new

    there, new = folder / "there.txt", folder / "new.txt"
    there.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError):
        write_new({new: "a", there: "b"})
    assert there.read_text(encoding="utf-8") == "mine"
    assert not new.exists()


# --- what an answer rests on ------------------------------------------------------------


def answered(folder: Path, heights: list[float | None]) -> Any:
    put(
        folder,
        "buildings.gpkg",
        halls(len(heights)),
        name=[f"Hall {k}" for k in range(len(heights))],
        height_m=heights,
    )
    plan = folder / "plan.toml"
    plan.write_text(text_of(folder), encoding="utf-8")
    return planner.run_site(quick(plan))


def test_assumed_heights_that_decide_stand_on_the_first_screen_and_on_the_sheet(folder: Path) -> None:
    from planner.show.draw.sheet import sheet_page
    from planner.show.say.assumed import assumed_sentence, to_measure
    from planner.show.say.unsure import unsure

    result = answered(folder, [None, 4.0, None])
    assert result.site.height_assumed.tolist() == [True, False, True]
    on = {result.site.buildings.names[k]: row for row, k in enumerate(result.mounts.building.tolist()) if k >= 0}
    said = assumed_sentence(result, {"S1": on["Hall 0"]})
    assert said.startswith("2 of 3 building heights are assumed; the sensor height of S1 rests on Hall 0")
    assert "measure Hall 0" in said
    assert "Measure the height of Hall 0: 23 ft is assumed" in to_measure(result, on["Hall 0"])
    assert to_measure(result, on["Hall 1"]) == "" or "Hall 1" not in to_measure(result, on["Hall 1"])
    chosen = result.decision.chosen
    here = assumed_sentence(result, {"S1": chosen})
    assert (here in unsure(result)) == bool(here)
    assert (to_measure(result, chosen) in sheet_page(result).decode()) or not here


def test_the_assumed_height_of_a_pole_that_is_chosen_is_to_be_measured(folder: Path) -> None:
    from planner.show.say.assumed import assumed_sentence, to_measure

    put(folder, "poles.gpkg", spots(2), name=["Lamp 1", "Lamp 2"], height_m=[None, 5.0])
    result = answered(folder, [4.0])
    on = {result.mounts.holder[k].name: k for k, support in enumerate(result.mounts.support) if support == "pole"}
    assert assumed_sentence(result, {"S1": on["Lamp 1"]}) == (
        "1 of 2 pole heights is assumed; the sensor height of S1 rests on pole Lamp 1: measure pole Lamp 1."
    )
    assert to_measure(result, on["Lamp 1"]).startswith("Measure the height of pole Lamp 1: 13 ft is assumed")
    assert to_measure(result, on["Lamp 2"]) == assumed_sentence(result, {"S1": on["Lamp 2"]}) == ""


def test_heights_that_are_all_given_say_nothing(folder: Path) -> None:
    from planner.show.say.assumed import assumed_sentence

    result = answered(folder, [4.0, 5.0])
    assert assumed_sentence(result, {"S1": result.decision.chosen}) == ""
    assert result.site.obstacles_known


def test_no_obstacles_known_stands_in_the_headline_and_on_the_sheet(tmp_path: Path, monkeypatch: Any) -> None:
    from planner.show.draw.sheet import sheet_page
    from planner.show.say.layout import headline

    monkeypatch.chdir(tmp_path)
    CliRunner().invoke(app, ["start", "--at", "35.27,-119.36"])
    result = planner.run_site(quick(next(tmp_path.glob("*.toml"))))
    assert headline(result) == "1 sensor to mount. No obstacles known."
    assert "No obstacles known." in sheet_page(result).decode()


# --- drawings --------------------------------------------------------------------------------------------


def draw(folder: Path, unit: int = 2, times: float = 1.0, local: bool = False) -> None:
    """A base drawing as an architect hands it over: state plane feet, closed lines, blocks, labels.

    unit: $INSUNITS, in which a foot is `times` long. local: whether its origin is the lot's corner.
    """
    ezdxf = pytest.importorskip("ezdxf")
    doc = ezdxf.new()
    doc.header["$INSUNITS"] = unit
    space = doc.modelspace()
    origin = geopandas.GeoSeries([shapely.Point(LON, LAT)], crs=4326).to_crs(STATE_PLANE_FT)[0]
    origin = shapely.Point(0, 0) if local else origin
    at = lambda x, y: ((origin.x + x) * times, (origin.y + y) * times)  # noqa: E731
    for layer, x0, y0, x1, y1 in (
        ("C-PROP" if local else "SITE-BOUNDARY", 0, 0, 600, 400),
        ("A-BLDG", 50, 50, 200, 150),
        ("A-BLDG", 300, 60, 420, 160),
    ):
        corners = [at(x0, y0), at(x1, y0), at(x1, y1), at(x0, y1)]
        space.add_lwpolyline(corners, close=True, dxfattribs={"layer": layer})
    space.add_text("LIBRARY", dxfattribs={"layer": "TEXT"}).set_placement(at(100, 100))
    tree, box = doc.blocks.new("TREE"), doc.blocks.new("CONTROLLER")
    tree.add_circle((0, 0), 5)
    box.add_circle((0, 0), 1)
    for k in range(3):
        space.add_blockref("TREE", at(100 + 100 * k, 250), dxfattribs={"layer": "L-PLNT"})
    space.add_blockref("CONTROLLER", at(210, 100), dxfattribs={"layer": "L-IRRG"})
    doc.saveas(folder / "base.dxf")


def test_a_drawing_that_another_layer_places(tmp_path: Path) -> None:
    draw(tmp_path)
    spot = geopandas.GeoSeries([shapely.Point(LON + 0.001, LAT + 0.0005)], crs=4326)
    put(tmp_path, "poles.gpkg", spot, STATE_PLANE_FT, height_ft=[20.0])
    layers = plan_of(tmp_path)["layers"]
    assert layers["site"] == {
        "path": "base.dxf",
        "where": "Layer = 'SITE-BOUNDARY'",
        "crs": f"EPSG:{STATE_PLANE_FT}",
    }
    assert layers["buildings"]["where"] == "Layer = 'A-BLDG'"
    assert layers["trees"]["where"] == "BlockName = 'TREE'"
    assert layers["controllers"]["where"] == "BlockName = 'CONTROLLER'"
    assert "name" not in layers["trees"]  # three of one block
    assert "name" not in layers["controllers"]  # one, whose block's name tells what it is
    plan = tmp_path / "plan.toml"
    plan.write_text(text_of(tmp_path), encoding="utf-8")
    result = planner.run_site(quick(plan))
    assert "LIBRARY" in result.site.buildings.names
    assert len(result.site.controllers) == 1


def test_a_drawing_in_inches_is_placed_by_the_unit_that_it_states(tmp_path: Path) -> None:
    draw(tmp_path, unit=1, times=12.0)
    layers = plan_of(tmp_path, at=(LAT + 0.0005, LON + 0.0009))["layers"]
    assert layers["site"]["crs"] == f"EPSG:{STATE_PLANE_FT}"
    plan = tmp_path / "plan.toml"
    plan.write_text(text_of(tmp_path, at=(LAT + 0.0005, LON + 0.0009)), encoding="utf-8")
    site = read_site(read_plan(plan), Ledger())
    assert site.outline.area == pytest.approx(600 * 400 * 0.3048**2, rel=1e-3)


def test_two_points_on_the_command_line_place_a_drawing(tmp_path: Path) -> None:
    draw(tmp_path, local=True)
    corners = geopandas.GeoSeries(shapely.points([(0, 0), (600, 400)]), crs=STATE_PLANE_FT)
    origin = geopandas.GeoSeries([shapely.Point(LON, LAT)], crs=4326).to_crs(STATE_PLANE_FT)[0]
    there = corners.translate(origin.x, origin.y).to_crs(4326)
    points = [f"{x},{y}={p.y:.7f},{p.x:.7f}" for (x, y), p in zip([(0, 0), (600, 400)], there, strict=True)]
    given = [word for point in points for word in ("--control", point)]
    done = CliRunner().invoke(app, ["start", str(tmp_path), *given])
    assert done.exit_code == 0, done.output
    assert done.output.count("placed by 2 control points") == 1
    site = read_site(read_plan(next(tmp_path.glob("*.toml"))), Ledger())
    assert site.outline.area == pytest.approx(600 * 400 * 0.3048**2, rel=1e-3)
    assert "LIBRARY" in site.buildings.names
    assert CliRunner().invoke(app, ["start", str(tmp_path), "--out", "-"]).exit_code == 3  # nothing places it
    for words in (points[:1], ["0=1,2", "3,4=5,6"], ["0,0=91,0", "1,1=2,2"]):
        given = [word for point in words for word in ("--control", point)]
        assert CliRunner().invoke(app, ["start", str(tmp_path), "--out", "-", *given]).exit_code == 2


def test_a_drawing_that_nothing_places_is_asked_for_its_crs(tmp_path: Path) -> None:
    draw(tmp_path)
    with pytest.raises(PlanError, match="does not say where on the earth"):
        plan_of(tmp_path)
    text = text_of(tmp_path, at=(LAT + 0.1, LON))  # too far from it to tell
    assert '# crs = "EPSG:2229"' in text
    assert text.count("# [[drawing.control]]") == 2
    for layer in ("A-BLDG", "SITE-BOUNDARY"):
        assert f"# where = \"Layer = '{layer}'\"" in text
    assert "buildings" not in tomllib.loads(text)["layers"]


def test_coordinates_without_a_crs_are_placed_by_where_the_site_is(folder: Path) -> None:
    """An arborist's table in state plane feet; the guess is marked, and NAD83's realizations are one."""
    xy = spots(4).to_crs(STATE_PLANE_FT)
    pandas.DataFrame({"Tree No.": [1, 2, 3, 4], "Height (ft)": [30, 40, 35, 50], "X": xy.x, "Y": xy.y}).to_csv(
        folder / "tree report.csv", index=False
    )
    told = plan_of(folder)["layers"]["trees"]
    assert (told["x"], told["y"], told["crs"]) == ("X", "Y", f"EPSG:{STATE_PLANE_FT}")
    assert "check: the file does not say; of the systems in use there" in " ".join(text_of(folder).split("#   "))


def test_a_drawing_is_placed_by_the_place_that_was_told(tmp_path: Path) -> None:
    draw(tmp_path)
    layers = plan_of(tmp_path, at=(LAT + 0.0005, LON + 0.0009))["layers"]
    assert layers["site"]["crs"] == f"EPSG:{STATE_PLANE_FT}"
    assert layers["buildings"]["where"] == "Layer = 'A-BLDG'"


def test_counts_are_of_what_stands_near_the_site(folder: Path) -> None:
    town = geopandas.GeoSeries([*halls(3), *halls(3).translate(1500, 0)], crs=UTM)
    put(folder, "buildings.gpkg", town, height_m=[5.0, 6.0, None, 50.0, 60.0, 70.0])
    text = text_of(folder)
    assert "2 of 3 have one, median 5.5 m" in text
    assert "the 3 within 300 m of the site" in " ".join(text.replace("#", " ").split())


def test_what_counts_stands_before_what_is_commented_out(folder: Path) -> None:
    put(folder, "buildings.gpkg", halls(2), bldg=["Gym", "Hall"], height_m=[6.0] * 2)
    put(folder, "more buildings.gpkg", halls(1), height_m=[6.0])
    put(folder, "controllers.gpkg", spots(2), name=["A", "B"])
    put(folder, "floodlight_poles.gpkg", spots(2), asset=["P1", "P2"], height_m=[18.0, 18.0])
    text = text_of(folder)
    assert text.count("--- Other readings") == 1
    assert text.index("[requirements]") < text.index("--- Other readings") < text.index("could be buildings")
    layers = tomllib.loads(text)["layers"]
    assert (layers["buildings"]["name"], layers["poles"]["name"]) == ("bldg", "asset")
    assert "unusual" not in text  # for a floodlight


def test_of_several_layers_of_buildings_the_one_with_heights_is_taken(folder: Path) -> None:
    for layer, columns in (
        ("pand", {"b3_bouwlagen": [2, 2]}),
        ("lod12_2d", {"b3_h_70p": [7.0, 8.0], "b3_h_maaiveld": [1.0, 1.0]}),
    ):
        geopandas.GeoDataFrame(columns, geometry=halls(2)).to_file(folder / "tile.gpkg", layer=layer)
    told = plan_of(folder)
    assert told["layers"]["buildings"]["layer"] == "lod12_2d"
    assert told["layers"]["buildings"]["top"] == "b3_h_70p"
    assert '# layer = "pand"' in text_of(folder)


def test_a_reading_that_is_commented_out_decides_no_units(tmp_path: Path) -> None:
    dutch = geopandas.GeoSeries([shapely.box(136000, 455000, 136030, 455020)], crs=28992)
    put(tmp_path, "gebouwen.gpkg", dutch, hoogte=[7.5])
    told = plan_of(tmp_path)
    assert told["units"] == "metric"
    assert told["layers"]["buildings"]["height_unit"] == "m"


def test_a_file_that_would_fetch_is_not_opened(folder: Path) -> None:
    (folder / "terrain.vrt").write_text(
        '<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        "<SourceFilename>/vsicurl/https://dem.example/t.tif</SourceFilename></SimpleSource></VRTRasterBand>"
        "</VRTDataset>",
        encoding="utf-8",
    )
    text = text_of(folder)
    assert "terrain" not in tomllib.loads(text)["layers"]
    assert "terrain.vrt: cannot be read" in text
    assert "dem.example" in text


# --- heights that stand as texts in a drawing -----------------------------------------------------------------


def lettered(folder: Path, *texts: tuple[str, float, float]) -> None:
    """The drawing with texts at places in it, in feet from the lot's corner, as multi-line texts."""
    ezdxf = pytest.importorskip("ezdxf")
    draw(folder)
    doc = ezdxf.readfile(folder / "base.dxf")
    origin = geopandas.GeoSeries([shapely.Point(LON, LAT)], crs=4326).to_crs(STATE_PLANE_FT)[0]
    for text, x, y in texts:
        doc.modelspace().add_mtext(text, dxfattribs={"layer": "NOTES"}).set_location((origin.x + x, origin.y + y))
    doc.saveas(folder / "base.dxf")


WHERE = (LAT + 0.0005, LON + 0.0009)


@pytest.mark.parametrize(
    ("texts", "keys", "heights_m"),
    [
        # the library is in the west, a hall without a name in the east; 40 ft are 12.192 m, by definition
        ([("40'", 80, 70), ("12 m", 350, 100)], {"height": "HeightText"}, (12.192, 12.0)),
        ([("BLDG HT 24 FT", 130, 155), ("7.5 m HIGH", 350, 100)], {"height": "HeightText"}, (7.3152, 7.5)),
        ([("WEST WING\\P30'-6\"", 80, 70)], {"height": "HeightText"}, (9.2964, 7.0)),
        ([("EL 24 FT", 80, 70), ("EL. 30'", 350, 100)], {"height": "ElevationText"}, (7.3152, 9.144)),
        ([("2F", 80, 70), ("3-STORY", 350, 100)], {"storeys": "StoreysText"}, (7.0, 10.5)),
        ([("40'", 80, 70), ("3F", 350, 100)], {"height": "HeightText", "storeys": "StoreysText"}, (12.192, 10.5)),
        ([("24'", 80, 70), ("40'", 90, 70)], {"height": "HeightText"}, (12.192, 7.0)),  # two in one: the higher
        ([("100'", 130, 155)], {}, (7.0, 7.0)),  # beside a wall a bare length is a dimension
        ([("SUITE 24", 80, 70), ("24", 350, 100)], {}, (7.0, 7.0)),  # no unit and no word
    ],
)  # fmt: skip
def test_heights_that_stand_as_texts_in_a_drawing(
    tmp_path: Path, texts: list[tuple[str, float, float]], keys: dict[str, str], heights_m: tuple[float, float]
) -> None:
    lettered(tmp_path, *texts)
    section = plan_of(tmp_path, at=WHERE)["layers"]["buildings"]
    assert {key: section[key] for key in ("height", "storeys", "top") if key in section} == keys
    plan = tmp_path / "plan.toml"
    plan.write_text(text := text_of(tmp_path, at=WHERE), encoding="utf-8")
    ledger = Ledger()
    site = read_site(read_plan(plan), ledger)
    west = shapely.centroid(np.array(site.buildings.shapes, object))
    order = np.argsort(shapely.get_x(west))
    assert_allclose(site.buildings.top_m[order], heights_m, atol=1e-6)
    assert site.buildings.names[order[0]] == "LIBRARY"  # a height is no name
    assert ("check: texts of the drawing" in text) == bool(keys)
    assert ('# top = "ElevationText"' in text) == ("ElevationText" in keys.values())
    if "HeightText" in keys.values():
        assert any("unit written with the value" in n.what for n in ledger)


def test_texts_of_heights_that_a_plan_does_not_name_are_said(tmp_path: Path) -> None:
    lettered(tmp_path, ("40'", 80, 70), ("2F", 350, 100))
    plan = tmp_path / "plan.toml"
    text = text_of(tmp_path, at=WHERE)
    plan.write_text("\n".join(line for line in text.splitlines() if "Text" not in line), encoding="utf-8")
    ledger = Ledger()
    assert_allclose(read_site(read_plan(plan), ledger).buildings.top_m, 7.0)
    said = [n.what for n in ledger if "reads as a height" in n.what]
    assert [what.split(";")[0][:18] for what in said] == ["1 of 2 outlines ha"] * 2
    assert 'height = "HeightText"' in said[0]
    assert 'storeys = "StoreysText"' in said[1]


def test_a_text_of_several_outlines_is_of_the_smallest() -> None:
    from planner.layers.lettering import columns_of

    shapes = np.array(
        [shapely.box(0, 0, 100, 100), shapely.box(10, 10, 30, 30), shapely.box(50, 50, 70, 70)], object
    )
    spots = shapely.points([(20, 20), (72, 60), (72, 65), (5, 5)])
    texts = ["12 m", "HT 9 m", "9 m", "EL 300"]
    assert columns_of(shapes, spots, texts, 3.0) == {
        "HeightText": ["9 m", "12 m", None],
        "ElevationText": ["300", None, None],
    }
    assert columns_of(shapes[2:], spots[1:3], texts[1:3], 3.0) == {"HeightText": ["9 m"]}
    assert columns_of(shapes[2:], spots[2:3], texts[2:3], 3.0) == {}  # no word tells it from a dimension
    assert columns_of(shapes[2:], spots[1:3], texts[1:3], 1.9) == {}


def test_a_list_of_stores_in_a_workbook_is_one_of_sites(tmp_path: Path) -> None:
    """Whatever it is called, where nothing else is there and its points lie wide apart."""
    for name in ("Site list rev 7.csv", "acme.csv"):
        folder = tmp_path / name[:4]
        folder.mkdir()
        lines = ["Store #,City,Lat,Long", *(f"{k},Town {k},{33 + 0.2 * k},{-112 + 0.2 * k}" for k in range(6))]
        (folder / name).write_text("\n".join(lines), encoding="utf-8")
        sites = plan_of(folder)["contract"]["sites"]
        assert (sites["path"], sites["x"], sites["y"]) == (name, "Long", "Lat")
        assert ("check: " + name in text_of(folder)) == (name == "acme.csv")
    near = tmp_path / "near"
    near.mkdir()
    lines = ["Tag,Lat,Long", *(f"{k},{33 + 0.0002 * k},{-112}" for k in range(6))]
    (near / "acme.csv").write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(PlanError, match="no layer says which place the site is"):
        plan_of(near)


def test_a_table_of_addresses_alone_is_told_what_it_lacks(tmp_path: Path) -> None:
    (tmp_path / "homes.csv").write_text("Site,Address\nA,1 Main St\nB,2 Main St\n", encoding="utf-8")
    with pytest.raises(PlanError, match=r"Not used: homes\.csv \(table\)") as fault:
        plan_of(tmp_path)
    assert "columns of latitude and longitude" in fault.value.todo


def test_what_a_drawing_has_of_itself_is_no_name(tmp_path: Path) -> None:
    ezdxf = pytest.importorskip("ezdxf")
    draw(tmp_path)
    doc = ezdxf.readfile(tmp_path / "base.dxf")
    origin = geopandas.GeoSeries([shapely.Point(LON, LAT)], crs=4326).to_crs(STATE_PLANE_FT)[0]
    doc.blocks.new("LAMP").add_circle((0, 0), 1)
    for k in range(3):
        spot = (origin.x + 50 * k, origin.y + 300)
        doc.modelspace().add_blockref("LAMP", spot, dxfattribs={"layer": "L-LITE-POLE"})
    doc.saveas(tmp_path / "base.dxf")
    assert "name" not in plan_of(tmp_path, at=WHERE)["layers"]["poles"]


def test_a_drawing_that_is_not_placed_is_said_on_the_terminal(tmp_path: Path) -> None:
    draw(tmp_path, local=True)
    lonlat = spots(3).to_crs(4326)
    pandas.DataFrame({"Clock": list("abc"), "Lat": lonlat.y, "Long": lonlat.x}).to_csv(
        tmp_path / "controllers.csv", index=False
    )
    said = CliRunner().invoke(app, ["start", str(tmp_path)])
    assert said.exit_code == 0
    assert "base.dxf is not used yet, for nothing says where it lies" in said.output.replace("\n", " ")
