"""`noonmark zone`: the zone of a place with no plan is the one that a plan without climate layers gives."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas
import pytest
import shapely
from typer.testing import CliRunner

from planner.at_places import zone_at
from planner.cli import app
from planner.climate import builtin
from planner.climate.zones import equal_bands, zone_sites
from planner.degrees import lat_lon
from planner.layers.build import read_contract_sites
from planner.layers.coordinates import coordinate_columns, places_in, points
from planner.ledger import DataError, Ledger
from planner.local_climate import climate_at
from planner.plan import parse_plan
from planner.show.write import schema
from planner.show.write.places import places_csv

ENV = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")]),
}
LON, LAT = np.array([-112.07, 151.2, 179.99, 5.0]), np.array([33.45, -33.9, 65.0, 89.99])


def test_it_is_the_zone_of_a_plan_without_climate_layers() -> None:
    spots = shapely.points(LON, LAT)
    climate = climate_at(parse_plan({}, "zone"), spots, np.full(4, np.nan), Ledger(), names=list("abcd"))
    whole = zone_sites(climate, LAT, equal_bands())
    found = zone_at(list("abcd"), LON, LAT, equal_bands())
    np.testing.assert_array_equal(found.zone.zone, whole.zone)
    np.testing.assert_allclose(found.zone.p_zone, whole.p_zone, atol=1e-9)
    np.testing.assert_array_equal(found.at_sea, climate.at_sea)


def test_a_few_places_read_from_the_layers_corners_are_those_read_from_the_whole() -> None:
    few = builtin._at_few(LON, LAT)
    np.testing.assert_allclose(few, builtin._between(*builtin._layer(), LON, LAT), atol=1e-4)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("33.45 -112.07", (33.45, -112.07)),
        ("33.45,-112.07", (33.45, -112.07)),
        ("112.07W, 33.45N", (33.45, -112.07)),
        ("33.45° S 112.07° W", (-33.45, -112.07)),
        ("-112.07 33.45", None),  # no latitude
        ("33.45N 20S", None),
        ("33.45N 20", None),
        ("33", None),
    ],
)
def test_a_place_as_people_type_it(text: str, expected: tuple[float, float] | None) -> None:
    assert lat_lon(text) == expected


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("name,latitude,longitude\nA,33.4,-112\nB,45,-93\n", ("A", "B")),
        ("Long;Lat;Site\n-112;33,4;A\n-93;45;B\n", ("A", "B")),
        ("A,33.4,-112\nB,45,-93\n", ("A", "B")),
        ("33.4\t112 W\n45\t93 W", ("#1", "#2")),
    ],
)
def test_tables_of_places(text: str, names: tuple[str, ...]) -> None:
    found = places_in(text)
    assert found.names == names
    np.testing.assert_allclose(found.latitude_deg, [33.4, 45])
    np.testing.assert_allclose(found.longitude_deg, [-112, -93])


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        ("", "standard input", "nothing in it"),
        ("name,latitude,longitude\n", "standard input", "no place"),
        ("a,b\nx,y\n", "standard input", "no columns of latitude"),
        ("name,lat,lon\nA,33,-112\nB,95,-93\n", "line 3", "95 is no latitude"),
        ("name,lat,lon\nA,33,\n", "line 2", "is no longitude"),
        ("name,lat,lon\nA,33\n", "line 2", "2 columns"),
    ],
)
def test_a_faulty_table_is_named_by_its_line(text: str, where: str, what: str) -> None:
    with pytest.raises(DataError) as caught:
        places_in(text)
    assert where in caught.value.where
    assert what in caught.value.what


def label(lon: float, lat: float) -> str:
    found = zone_at(["a"], np.array([lon]), np.array([lat]), equal_bands())
    return found.zone.table.labels[int(found.zone.zone[0])]


def test_the_command(tmp_path) -> None:
    one = CliRunner().invoke(app, ["zone", "-33.9", "151.2"])
    assert one.exit_code == 0
    assert "33.9000 S, 151.2000 E" in one.stdout
    assert f"Climate zone: {label(151.2, -33.9)} of our neutral table" in one.stdout
    assert "Irrigation season:" in one.stdout
    zones = tmp_path / "zones.csv"
    zones.write_text("label,low,high\nMild,0,0.2\nHot,0.2,0.6\n", encoding="utf-8")
    told = CliRunner().invoke(app, ["zone", "33.45", "-112.07", "--table", str(zones), "--table-unit", "in/day"])
    assert "Climate zone: Hot" in told.stdout
    assert CliRunner().invoke(app, ["zone", "-112.07", "33.45"]).exit_code == 2
    sea = CliRunner().invoke(app, ["zone", "0", "-30"])
    assert "no land near" in sea.stdout


@pytest.mark.parametrize(
    ("words", "peak"),
    [
        # the middles of FAO-56 Table 2 (p. 8); temperate and humid what makes a peak month of an average on top
        ("tropics humid warm", 6.0),
        ("Tropics, arid, moderate", 5.0),
        ("temperate arid cool", 2.0),
        ("temperate arid 68 F", 5.5),
        ("temperate, humid, 20 C", 3.0 + 1.59),
    ],
)
def test_a_description_decides_where_nothing_else_is_known(words: str, peak: float) -> None:
    done = CliRunner().invoke(app, ["zone", "--climate", words, "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.output)
    assert told["peak_eto_mm_day"] == pytest.approx(peak, abs=0.006)
    assert told["spread_mm_day"] >= 1.12
    assert 0 < told["runner_up_probability"] <= told["zone_probability"] < 1
    lines = CliRunner().invoke(app, ["zone", "--climate", words, "--units", "us"]).output
    assert f"Peak-month ETo {peak / 25.4:.3f}" in lines
    assert "orientation only" in lines


@pytest.mark.parametrize("words", ["temperate arid", "arid 27 C", "temperate tropics arid warm", "cool warm arid"])
def test_half_a_description_decides_nothing(words: str) -> None:
    assert CliRunner().invoke(app, ["zone", "--climate", words]).exit_code == 2
    assert CliRunner().invoke(app, ["zone", "33", "-112", "--climate", "temperate arid warm"]).exit_code == 2


@pytest.mark.parametrize("units", ["metric", "us"])
def test_a_csv_gives_a_csv_with_stated_columns(units: str) -> None:
    done = CliRunner().invoke(app, ["zone", "--units", units], input="name,lat,lon\nA,33.4,-112\nB,45.1,-93.2\n")
    assert done.exit_code == 0
    table = pandas.read_csv(io.StringIO(done.stdout))
    assert tuple(table.columns) == tuple(column.name for column in schema.places(units))
    assert table.name.tolist() == ["A", "B"]
    expected = [label(-112.0, 33.4), label(-93.2, 45.1)]
    assert len(set(expected)) == 2
    assert table.zone.tolist() == expected
    assert table.peak_month.tolist() == ["Jun", "Jul"]
    as_json = CliRunner().invoke(
        app, ["zone", "--json", "--units", units], input="name,lat,lon\nA,33.4,-112\nB,45.1,-93.2\n"
    )
    assert [row["zone"] for row in json.loads(as_json.stdout)] == expected


def test_a_place_with_axes_exchanged_is_called_so() -> None:
    # Buenos Aires is 34.6 S, 58.4 W; exchanged it lies in the sea off Antarctica
    found = zone_at(["a", "b"], np.array([-34.6, -58.4]), np.array([-58.4, -34.6]), equal_bands())
    assert found.axes_exchanged.tolist() == [True, False]
    first, second = csv.DictReader(io.StringIO(places_csv(found, "us")))
    assert "exchanged" in first["check"]
    assert second["check"] == ""


def test_keys_explains_a_section() -> None:
    said = CliRunner().invoke(app, ["keys", "layers.buildings"]).stdout
    assert "layers.buildings.height_unit" in said
    assert "why: most open data are in metres" in said
    every = CliRunner().invoke(app, ["keys"]).stdout
    assert "layers.buildings" in every
    wrong = CliRunner().invoke(app, ["keys", "layers.bilding"])
    assert wrong.exit_code == 2


def test_one_place_waits_for_no_library_that_it_does_not_use() -> None:
    """About a second on two quiet cores; held by what is loaded, for a clock would measure the machine."""
    heavy = {"pandas", "geopandas", "pvlib", "pyogrio", "pyproj", "pyarrow", "folium"}
    code = (
        "import sys\nfrom planner.cli import app\n"
        "try:\n    app(['zone', '33.45', '-112.07'])\nexcept SystemExit:\n    print('loaded:', *sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=ENV)
    assert "Climate zone:" in done.stdout
    assert heavy & set(done.stdout.splitlines()[-1].split()) == set()


@pytest.mark.parametrize(
    ("columns", "found"),
    [
        (
            {"clock": ["A"], "easting_ft": ["1529841.4"], "northing_ft": ["1488356.4"]},
            ("easting_ft", "northing_ft"),
        ),
        ({"X_UTM": ["500060"], "Y (m)": ["4000045"]}, ("X_UTM", "Y (m)")),
        ({"Breite": ["22°35'34.3\"S"], "Länge": ["17°05'31.2\"E"]}, ("Länge", "Breite")),
        ({"Längengrad": ["17,092"], "Breitengrad": ["-22,593"]}, ("Längengrad", "Breitengrad")),
        ({"Site": ["A", "B"], "GPS": ["35.27, -119.36", ""]}, ("GPS", "GPS")),
        ({"Site": ["A", "B"], "Where": ["35.2712, -119.3611", "35.2800 -119.3702"]}, ("Where", "Where")),
        ({"Site": ["A"], "Zones": ["12, 14"]}, None),  # two numbers are no place, unless the heading says so
        ({"Breite": ["20.5"], "Länge": ["12.0"]}, None),  # width and length, in German
        ({"Dose": ["3 n"], "Rate": ["2 n"]}, None),
    ],
)
def test_columns_of_coordinates_are_known_by_name_and_value(
    columns: dict[str, list[str]], found: tuple[str, str] | None
) -> None:
    told = coordinate_columns(list(columns), list(columns.values()))
    assert (None if told is None else (told.x, told.y)) == found


def test_sites_with_both_coordinates_in_one_cell(tmp_path: Path) -> None:
    rows = ['A,"35.2712, -119.3611"', "B,tbd", 'C,"35.28N 119.37W"']
    (tmp_path / "sites.csv").write_text("\n".join(["site,Lat/Long", *rows]) + "\n", encoding="utf-8")
    keys = {"path": "sites.csv", "name": "site", "x": "Lat/Long", "y": "Lat/Long", "crs": "EPSG:4326"}
    file = parse_plan({"contract": {"sites": keys}}, tmp_path / "plan.toml")
    sites = read_contract_sites(file, Ledger())
    assert [(shape.x, shape.y) for shape in sites.shapes] == [(-119.3611, 35.2712), (-119.37, 35.28)]
    assert [one.name for one in sites.rejected] == ["B"]


def test_rows_without_a_word_are_passed_over_and_lines_are_the_files_own() -> None:
    found = places_in("site;lat;lon\n;;\nA;33.4;-112\n\n ; ;\n")
    assert (found.names, found.latitude_deg.tolist()) == (("A",), [33.4])
    with pytest.raises(DataError) as fault:
        places_in("site;lat;lon\n;;\nA;33.4;-112\n\nB;north;-112\n")
    assert fault.value.where.endswith("line 5")


def test_longitude_comes_first_where_the_heading_says_so() -> None:
    (one, other) = points(["-119.36, 35.27", "35.27N 119.36W"], [], "Long/Lat")
    assert (one.x, one.y) == (other.x, other.y) == (-119.36, 35.27)
