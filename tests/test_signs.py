"""Sites with a lost minus: told by the country that a table names, and by where the other sites lie."""

from __future__ import annotations

from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely

from planner.at_places import zone_at
from planner.batches import run_contract
from planner.climate.zones import equal_bands
from planner.contract import Flag
from planner.layers import signs
from planner.layers.frame import apart_m
from planner.layers.signs import Slip, astray, countries_said, country_places, turned
from planner.ledger import Ledger, Notice
from planner.look_first import Reason, look_first
from planner.plan import PlanFile, parse_plan
from planner.preflight import check_inputs
from planner.show.say.look_first import look_said

# Bakersfield, Fresno, Visalia, Lancaster (California); to a hundredth of a degree, from memory
CALIFORNIA = [("Bakersfield", -119.02, 35.37), ("Fresno", -119.79, 36.74), ("Visalia", -119.29, 36.33)]


def plan(folder: Path, rows: list[tuple[object, ...]], head: str = "site,lon,lat", **more: object) -> PlanFile:
    lines = [head, *(",".join(map(str, row)) for row in rows)]
    (folder / "sites.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    sites = {"path": "sites.csv", "name": "site", "x": "lon", "y": "lat", "crs": "EPSG:4326"}
    return parse_plan({"contract": {"sites": sites}, **more}, folder / "plan.toml")


def said(file: PlanFile) -> list[Notice]:
    """What both `check` and `contract` say of signs; the two alike."""
    checked, run = Ledger(), Ledger()
    assert check_inputs(file, checked) == []
    result = run_contract(file, run)
    by_check, by_run = ([n for n in ledger if "changed" in n.what] for ledger in (checked, run))
    assert by_check == by_run
    assert [n for n in result.notices if "changed" in n.what] == by_run
    return by_run


@pytest.mark.parametrize(
    "more", [{"country": "US"}, {"time_zone": "America/Los_Angeles"}, {"column": "State", "as": "CA"}]
)
def test_a_whole_table_without_its_minus_is_asked_about(tmp_path: Path, more: dict[str, str]) -> None:
    """119.02 E, 35.37 N lies in China: only the country tells that California is meant."""
    rows = [(name, -x, y) for name, x, y in CALIFORNIA]
    if "column" in more:
        file = plan(tmp_path, [(*row, more["as"]) for row in rows], f"site,lon,lat,{more['column']}")
    else:
        file = plan(tmp_path, list(rows), **more)
    (one,) = said(file)
    assert one.features == ("Bakersfield", "Fresno", "Visalia")
    assert "far from US" in one.what
    assert "longitude's sign" in one.what
    assert "-119.36" in one.what  # the remedy
    assert "sites.csv" in one.where


@pytest.mark.parametrize("more", [{}, {"country": "US"}, {"time_zone": "Etc/GMT+8"}])
def test_nothing_is_asked_where_all_is_well(tmp_path: Path, more: dict[str, str]) -> None:
    assert said(plan(tmp_path, list(CALIFORNIA), **more)) == []


def test_each_row_is_judged_by_the_country_that_it_names(tmp_path: Path) -> None:
    rows = [
        *((name, x, y, "USA") for name, x, y in CALIFORNIA),
        ("Perth", 115.86, -31.95, "Australia"),
        ("Perth again", 115.86, 31.95, "Australia"),
        ("Lancaster", 118.15, 34.69, "United States"),
        ("nobody said", 118.15, 34.69, ""),
    ]
    found = {n.features: n.what for n in said(plan(tmp_path, rows, "site,lon,lat,Country"))}
    assert set(found) == {("Lancaster",), ("Perth again",), ("nobody said",)}
    assert "South of" not in found[("Lancaster",)]
    assert "latitude's sign" in found[("Perth again",)]
    assert "south of the equator are negative" in found[("Perth again",)]
    assert "all other sites" in found[("nobody said",)]  # near the Californian ones but for its sign


@pytest.mark.parametrize("layered", [False, True])
def test_a_site_that_is_probably_elsewhere_is_looked_at_first(tmp_path: Path, layered: bool) -> None:
    """Sites that get a mount each are read one by one; none of them alone could tell."""
    rows = [*CALIFORNIA, ("Lancaster", 118.15, 34.69)]
    more: dict[str, object] = {}
    if layered:
        roof = geopandas.GeoDataFrame(
            {"height": [4.0]}, geometry=[shapely.box(-119.03, 35.36, -119.0299, 35.3601)], crs=4326
        )
        roof.to_file(tmp_path / "roofs.gpkg")
        more = {"layers": {"buildings": {"path": "roofs.gpkg", "height": "height"}}}
    file = plan(tmp_path, list(rows), **more)
    ledger = Ledger()
    found = run_contract(file, ledger)
    assert [Flag.ELSEWHERE in flags for flags in found.flags] == [False, False, False, True]
    assert [n.features for n in ledger if "changed" in n.what] == [("Lancaster",)]
    first = look_first(found.flags, np.full(4, np.nan)).first[0]
    assert (first.row, first.reason) == (3, Reason.MISPLACED)
    assert "there with a sign" in look_said(first, None, None, None)


def test_a_site_at_sea_is_told_which_sign_would_bring_it_ashore(tmp_path: Path) -> None:
    """Honolulu (157.86 W, 21.31 N) without its minus lies in the Pacific, and with its latitude turned as well."""
    ledger = Ledger()
    rows = [("Honolulu", 157.86, 21.31), ("Nowhere", -140.0, 33.0), ("Off San Diego", -117.9, 32.7)]
    run_contract(plan(tmp_path, rows), ledger)
    found = {n.features: n.what for n in ledger if "no land near" in n.what}
    assert "with the longitude's sign changed: west of Greenwich it is negative" in found[("Honolulu",)]
    assert "sign" not in found[("Nowhere", "Off San Diego")]  # these have their minus


@pytest.mark.parametrize("code", ["US", "MX", "CA", "AU", "BR", "CL", "ZA", "ES", "GB", "NZ", "IN", "CN"])
def test_time_zones_tell_where_a_country_is(code: str) -> None:
    """Corners by common atlases, from memory, in degrees: none of them is told as elsewhere."""
    corners = {
        "US": [
            *[(-124.7, 48.4), (-67.0, 44.8), (-80.9, 25.1), (-97.1, 25.9), (-117.1, 32.5)],
            *[(-159.8, 22.0), (144.8, 13.5)],
        ],
        "MX": [(-117.1, 32.5), (-86.8, 21.2), (-92.3, 14.5)],
        "CA": [(-139.0, 60.3), (-52.7, 47.6), (-82.6, 41.8)],
        "AU": [(113.7, -24.9), (153.6, -28.6), (146.8, -43.6)],
        "BR": [(-34.8, -7.1), (-73.9, -7.5), (-53.4, -33.7)],
        "CL": [(-70.3, -18.5), (-70.9, -53.2)],
        "ZA": [(18.4, -33.9), (31.0, -22.4)],
        "ES": [(-9.3, 43.0), (4.3, 39.9)],
        "GB": [(-5.7, 50.1), (-1.0, 60.8)],
        "NZ": [(166.5, -46.6), (178.5, -37.7)],
        "IN": [(68.9, 22.2), (77.5, 8.1), (96.9, 28.1), (77.6, 34.2)],
        "CN": [(74.0, 39.5), (134.0, 48.0), (109.5, 18.3)],
    }[code]
    lonlat = np.array(corners)
    assert turned(lonlat, [code] * len(corners)) == {}
    away = np.min([apart_m(lonlat, place) for place in country_places()[code]], axis=0) / 1000
    assert (away <= signs.WITHIN_KM).all(), dict(zip(corners, away.round(), strict=True))


def test_the_edge_of_near() -> None:
    """North of Nairobi, Kenya's only city in the tables, at 1.28 S: a degree of a great circle is 111.19 km."""
    (nairobi,) = country_places()["KE"]
    for more, found in ((-30.0, {}), (30.0, {Slip.LATITUDE: [0]})):
        spot = np.array([[nairobi[0], nairobi[1] + (signs.WITHIN_KM + more) / 111.19]])
        assert turned(spot, ["KE"]) == found


def test_columns_of_countries_are_known_by_their_values() -> None:
    assert countries_said({"country_code": ["US", "MX"]}, 2) == ["US", "MX"]
    assert countries_said({"Pays": ["France", "Spain"]}, 2) == ["FR", "ES"]
    assert countries_said({"Country": ["n/a", "none", "US"]}, 3) == ["", "", ""]
    assert countries_said({"County": ["Kern", "Tulare"]}, 2) == ["", ""]
    assert countries_said({"State": ["NSW", "VIC"]}, 2) == ["", ""]
    assert countries_said({"State": ["CA", "TX"], "Country": ["US", "Mexico"]}, 2) == ["US", "MX"]


def test_stray_sites_are_judged_by_their_neighbours() -> None:
    around = np.array([(-119.0 + 0.3 * k, 35.0 + 0.1 * k) for k in range(5)])
    spots = np.vstack([around, [(119.2, 35.3)], [(-119.1, -35.2)], [(20.0, 50.0)]])
    assert astray(spots) == {Slip.LONGITUDE: [5], Slip.LATITUDE: [6]}
    brazil = around + np.array([65.0, -45.0])  # where a latitude can be a longitude
    assert astray(np.vstack([brazil, brazil[:1, ::-1]])) == {Slip.ORDER: [5]}


def test_without_the_tables_of_time_zones_nothing_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A system may have none."""
    for cached in (signs.country_places, signs._codes, signs._table):
        cached.cache_clear()
    monkeypatch.setattr(signs, "_has_tzdata", lambda: False)
    monkeypatch.setattr("zoneinfo.TZPATH", ())
    rows = [(name, -x, y) for name, x, y in CALIFORNIA]
    try:
        assert said(plan(tmp_path, list(rows), country="US")) == []
    finally:
        for cached in (signs.country_places, signs._codes, signs._table):
            cached.cache_clear()


def test_a_site_just_off_a_coast_is_a_little_off_and_not_exchanged(tmp_path: Path) -> None:
    """Two places in the Mediterranean, some 30 km south of Mazarron and Cartagena, whose coast lies near 37.56 N by
    any atlas. With their axes exchanged they would be in Kenya."""
    ledger = Ledger()
    rows = [("Mazarron", -1.28498, 37.29293), ("Cartagena", -1.04374, 37.3359), ("Murcia", -1.13, 37.98)]
    found = run_contract(plan(tmp_path, rows), ledger)
    assert [n.features for n in ledger if "open sea" in n.what] == [("Mazarron", "Cartagena")]
    assert not [n for n in ledger if "exchanged" in n.what]
    assert [Flag.OPEN_SEA in flags for flags in found.flags] == [True, True, False]
    assert not any(Flag.AXES_EXCHANGED in flags for flags in found.flags)
    lon, lat = np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
    assert not zone_at([row[0] for row in rows], lon, lat, equal_bands()).axes_exchanged.any()
