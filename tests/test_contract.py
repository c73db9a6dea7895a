"""Contracts: many sites at once, on the invented demo, on made-up layers, and on real normals."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from numpy.testing import assert_allclose, assert_array_equal

import planner.batches
import planner.contract
from planner.batches import run_contract
from planner.climate.answer import SiteClimate, ZoneTable
from planner.climate.spreads import ESTIMATE_SHARED
from planner.contract import OTHERS, Flag, SharedError, merged, shared_error
from planner.layers.frame import unwrapped
from planner.ledger import DataError, Kind, Ledger, Notice, PlanError
from planner.local_climate import climate_at
from planner.plan import PlanFile, parse_plan, read_plan
from planner.show.contract_files import write_result
from planner.show.say.zone import shared_said
from planner.units import MONTHS

EXAMPLES = Path(__file__).parents[1] / "examples"


def points_plan(folder: Path, rows: list[tuple[str, object, object]], **sections: object) -> PlanFile:
    with (folder / "sites.csv").open("w", newline="", encoding="utf-8") as out:
        csv.writer(out).writerows([("name", "lon", "lat"), *rows])
    sites = {"path": "sites.csv", "name": "name", "x": "lon", "y": "lat", "crs": "EPSG:4326"}
    return parse_plan({"contract": {"sites": sites}, **sections}, folder / "plan.toml")


WORLD = [
    ("desert", -111.97, 33.07),
    ("south", 151.2, -33.9),
    ("monsoon", 78.5, 17.4),
    ("north", -2.2, 57.2),
    ("dateline", 179.99, -17.8),
]


def test_anywhere_on_earth_without_a_layer(tmp_path):
    ledger = Ledger()
    found = run_contract(points_plan(tmp_path, WORLD), ledger)
    assert found.names == tuple(name for name, _, _ in WORLD)
    assert_allclose(np.column_stack([found.longitude_deg, found.latitude_deg]), [row[1:] for row in WORLD])
    peak = {name: MONTHS[m] for name, m in zip(found.names, found.zone.peak_month, strict=True)}
    assert peak["desert"] == "Jun"
    assert peak["south"] in ("Dec", "Jan")
    assert peak["monsoon"] in ("Apr", "May")  # before the rain, not in July
    assert peak["north"] in ("Jun", "Jul")
    eto = dict(zip(found.names, found.zone.peak_eto_mm_day, strict=True))
    assert eto["desert"] > eto["monsoon"] > eto["north"]
    assert all(Flag.BUILT_IN_ONLY in flags for flags in found.flags)
    assert np.isnan(found.elevation_m).all()
    assert (found.zone.p_zone > 0).all()
    assert (found.zone.p_zone + found.zone.p_runner_up <= 1 + 1e-9).all()


def test_batches_change_nothing_but_the_progress(tmp_path, monkeypatch):
    plan = points_plan(tmp_path, WORLD)
    whole = run_contract(plan, Ledger())
    monkeypatch.setattr(planner.batches, "PART", 2)
    seen: list[tuple[int, int]] = []
    parts = run_contract(plan, Ledger(), lambda done, total: seen.append((done, total)))
    assert seen == [(2, 5), (4, 5), (5, 5)]
    assert_array_equal(parts.zone.zone, whole.zone.zone)
    assert_allclose(parts.climate.eto_mm_day, whole.climate.eto_mm_day, rtol=1e-13)
    assert parts.climate.source == whole.climate.source
    assert parts.flags == whole.flags


def layer(folder: Path, known: bool = True) -> None:
    """A cell of 2 degrees over Arizona: 6.5 mm/day in June."""
    year = 3.5 - 3.0 * np.cos((np.arange(12) + 1) / 12 * 2 * np.pi)
    values = np.repeat(year[:, None, None], 4, axis=2).astype("float32")
    values[:, :, 2:] = -1 if not known else values[:, :, 2:]
    with rasterio.open(
        folder / "eto.tif",
        "w",
        driver="GTiff",
        width=4,
        height=1,
        count=12,
        dtype="float32",
        crs="EPSG:4326",
        nodata=-1,
        transform=rasterio.Affine(0.5, 0, -113, 0, -2, 34),
    ) as out:
        out.write(values)


def test_one_bad_site_never_stops_the_rest(tmp_path):
    layer(tmp_path, known=False)
    rows = [
        ("good", -112.8, 33.0),
        ("no place", "", ""),
        ("far away", 20.0, 50.0),
        ("beside", -111.9, 33.0),
    ]
    plan = points_plan(tmp_path, rows, climate={"eto": {"path": "eto.tif", "unit": "mm/day"}})
    ledger = Ledger()
    found = run_contract(plan, ledger)
    assert found.names == ("good", "far away", "beside")
    assert [r.name for r in found.rejected] == ["no place"]
    assert found.rejected[0].why
    assert found.climate.basis == ("ETo layer", "built-in estimate", "ETo layer")
    flags = dict(zip(found.names, found.flags, strict=True))
    assert Flag.LAYER_GAP not in flags["good"]
    assert Flag.LAYER_GAP in flags["far away"]
    assert Flag.LAYER_GAP in flags["beside"]
    assert not any(Flag.BUILT_IN_ONLY in f for f in found.flags)
    assert any("far away" in n.features for n in found.notices)


def test_without_the_built_in_estimate_a_site_beside_every_layer_has_no_zone(tmp_path):
    """No value to check against outside: what is asked is that nothing of ours stands in, and that it is said."""
    layer(tmp_path)
    rows = [("here", -112.8, 33.0), ("far away", 20.0, 50.0), ("at sea", -140.0, 33.0), ("north", -112.8, 39.0)]
    climate = {"eto": {"path": "eto.tif", "unit": "mm/day"}}
    allowed = run_contract(points_plan(tmp_path, rows, climate=climate), Ledger())
    assert allowed.climate.basis == ("ETo layer", *["built-in estimate"] * 3)
    plan = points_plan(tmp_path, rows, climate={**climate, "built_in_estimate": False})
    found = run_contract(plan, Ledger())
    assert found.climate.basis == ("ETo layer", "none", "none", "none")
    # where a layer speaks nothing changes, the season's temperature and rain included
    for one, other in ((found.climate, allowed.climate), (found.zone, allowed.zone)):
        for name in ("t_mean_c", "rain_mm", "eto_mm_day", "p_zone", "zone"):
            if hasattr(one, name):
                assert_array_equal(getattr(one, name)[0], getattr(other, name)[0])
    assert found.zone.zone[0] >= 0
    assert found.zone.zone[1:].tolist() == [-1, -1, -1]
    assert np.isnan(found.zone.peak_eto_mm_day[1:]).all()
    assert np.isnan(found.climate.t_mean_c[1:]).all()
    assert found.zone.p_zone[1:].tolist() == [0, 0, 0]
    assert found.climate.source[1] == "ETo: nothing. Temperature: nothing. Rain: nothing"
    for flags in found.flags[1:]:
        assert {Flag.NO_ZONE, Flag.LAYER_GAP} <= set(flags)
        assert not {Flag.BUILT_IN_ONLY, Flag.COLD, Flag.WAYS_DISAGREE} & set(flags)
    assert Flag.OPEN_SEA in found.flags[2]
    (said,) = [n for n in found.notices if "built_in_estimate" in n.where]
    assert said.features == ("far away", "at sea", "north")
    write_result(found, tmp_path / "out", force=False)
    told = json.loads((tmp_path / "out" / "result.json").read_text())
    assert [site["zone"] is None for site in told["sites"]] == [False, True, True, True]
    table = list(csv.DictReader((tmp_path / "out" / "sites.csv").open(encoding="utf-8")))
    assert [row["peak_eto_mm_day"] for row in table][1:] == ["", "", ""]
    assert [row["basis"] for row in table][1:] == ["none"] * 3


def test_a_layer_of_temperature_still_speaks_where_the_estimate_may_not(tmp_path):
    """The plan's own temperature is a way to a zone; only what is built in is forbidden."""
    layer(tmp_path)
    with rasterio.open(tmp_path / "eto.tif") as file:
        spec, values = file.profile | {"transform": rasterio.Affine(0.5, 0, 19, 0, -2, 51)}, file.read()
    with rasterio.open(tmp_path / "t.tif", "w", **spec) as out:
        out.write(values * 3)
    climate = {
        "eto": {"path": "eto.tif", "unit": "mm/day"},
        "tmean": {"path": "t.tif", "unit": "C"},
        "built_in_estimate": False,
    }
    rows = [("here", -112.8, 33.0), ("warm", 20.0, 50.0)]
    found = run_contract(points_plan(tmp_path, rows, climate=climate), Ledger())
    assert found.zone.used.tolist() == [0, 1]
    assert found.climate.basis == ("ETo layer", "none")
    assert np.isnan(found.climate.rain_mm[1]).all()
    assert "Temperature: tmean layer. Rain: nothing" in found.climate.source[1]


def test_a_plan_that_forbids_the_estimate_must_give_something_else(tmp_path):
    with pytest.raises(PlanError, match="built_in_estimate is false, and nothing else gives ETo"):
        points_plan(tmp_path, WORLD, climate={"built_in_estimate": False, "rain": {"path": "rain.tif"}})


def test_flags_of_edges_gaps_and_disagreement(tmp_path):
    layer(tmp_path)
    (tmp_path / "zones.csv").write_text("label,low,high\nlow,2,6.3\nhigh,6.6,9\n")
    plan = points_plan(
        tmp_path,
        [("here", -112.8, 33.0)],
        climate={"eto": {"path": "eto.tif", "unit": "mm/day"}},
        zone={"table": "zones.csv"},
    )
    found = run_contract(plan, Ledger())
    assert found.zone.peak_eto_mm_day[0] == pytest.approx(6.5)
    assert found.zone.zone[0] == -1
    assert {Flag.NO_ZONE, Flag.NEAR_EDGE} <= set(found.flags[0])
    assert Flag.WAYS_DISAGREE not in found.flags[0]
    # the same place with 2 mm/day less and sure of it: 4.5 against 7.6 by temperature, 1.11 wide
    wrong = found.climate.eto_mm_day - 2.0
    sure = replace(found.climate, eto_mm_day=np.maximum(wrong, 0.2), spread_mm_day=np.array([0.1]))
    zone = planner.contract.zone_sites(sure, found.latitude_deg, found.zone.table)
    assert Flag.WAYS_DISAGREE in planner.contract.site_flags(found.plan, sure, zone)[0]


def test_what_is_said_of_a_layer_at_many_sites_is_said_once():
    said = [
        Notice(Kind.ASSUMED, "layers.terrain", f"no heights from {far} m on", (name,))
        for name, far in (("A", 290), ("B", 290), ("C", 1_310))
    ] + [Notice(Kind.SKIPPED, "contract.sites", f"row {k}", (f"#{k}",)) for k in (1, 2)]
    terrain, *rows = merged(said)
    assert terrain.what == f"no heights from 290 m on{OTHERS}"
    assert terrain.features == ("A", "B", "C")
    assert [row.what for row in rows] == ["row 1", "row 2"]
    assert merged(said[:2])[0].what == "no heights from 290 m on"


def test_notices_of_batches_are_joined(tmp_path, monkeypatch):
    layer(tmp_path)
    rows = [(f"far {k}", 20.0 + k, 50.0) for k in range(4)]
    plan = points_plan(tmp_path, rows, climate={"eto": {"path": "eto.tif", "unit": "mm/day"}})
    monkeypatch.setattr(planner.batches, "PART", 1)
    found = run_contract(plan, Ledger())
    gaps = [n for n in found.notices if "next best source" in n.what]
    assert len(gaps) == 1
    assert gaps[0].features == tuple(name for name, _, _ in rows)


def test_a_layer_that_cannot_be_read_stops_all(tmp_path):
    layer(tmp_path)
    plan = points_plan(tmp_path, WORLD[:1], climate={"eto": {"path": "eto.tif", "unit": "mm/month"}})
    with pytest.raises(DataError, match="mm/day"):
        run_contract(plan, Ledger())
    with pytest.raises(PlanError, match="contract"):
        run_contract(parse_plan({}, tmp_path / "plan.toml"), Ledger())


def test_years_of_a_station_are_not_a_contracts(tmp_path):
    rows = ["date,eto"] + [f"2003-{m + 1:02d}-{d + 1:02d},{3 + m % 5}" for m in range(12) for d in range(28)]
    (tmp_path / "days.csv").write_text("\n".join(rows), encoding="utf-8")
    ledger = Ledger()
    found = run_contract(points_plan(tmp_path, WORLD[:2], climate={"daily": {"path": "days.csv"}}), ledger)
    assert found.zone.years_in_zone is None
    assert any(n.where == "climate.daily" and "not of a contract's" in n.what for n in found.notices)


def test_elevations_in_feet_and_a_zone_table_without_a_unit_are_said(tmp_path):
    (tmp_path / "zones.csv").write_text("label,low,high\nlow,0,5\nhigh,5,12\n", encoding="utf-8")
    (tmp_path / "sites.csv").write_text("name,lon,lat,z\nDesert,-111.97,33.07,1086\n", encoding="utf-8")
    sites = {"path": "sites.csv", "name": "name", "x": "lon", "y": "lat", "crs": "EPSG:4326", "elevation": "z"}
    body = {"contract": {"sites": {**sites, "elevation_unit": "ft"}}, "zone": {"table": "zones.csv"}}
    ledger = Ledger()
    found = run_contract(parse_plan(body, tmp_path / "plan.toml"), ledger)
    assert_allclose(found.elevation_m, 1086 * 0.3048)
    assert any("taken as mm/day: zone.unit is not given" in n.what for n in ledger)
    assert "(mm/day)" in found.zone.table.source


def test_shapes_at_the_antimeridian_and_round_the_pole():
    """RFC 7946, section 3.1.9: a shape is cut at 180 degrees; both halves are one site."""
    halves = shapely.MultiPolygon([shapely.box(179, 10, 180, 11), shapely.box(-180, 10, -179, 11)])
    cap = shapely.box(-180, 89, 180, 90)
    whole = unwrapped(np.array([halves, cap, shapely.box(0, 0, 1, 1)], object))
    assert whole[0].geom_type == "Polygon"
    assert whole[0].bounds == (179, 10, 181, 11)
    assert shapely.is_valid(whole[0])
    assert whole[1].equals(cap)


def test_joined_batches_keep_what_is_unknown():
    one = SiteClimate(np.ones((1, 12)), np.ones(1), ("a",), np.ones((1, 12)), np.ones((1, 12)), ("s",), None)
    both = planner.contract.joined([one, replace(one, basis=("b",))])
    assert both.eto_mm_day.shape == (2, 12)
    assert both.basis == ("a", "b")
    assert both.away_km is None


def test_the_invented_contract_runs():
    found = run_contract(read_plan(EXAMPLES / "contract" / "contract.toml"), Ledger())
    assert len(found.names) == 40
    assert (found.zone.zone >= 0).all()
    assert len(set(found.zone.zone)) >= 4  # a coast-to-desert gradient has several bands
    assert any(Flag.LAYER_GAP in flags for flags in found.flags)  # the quay


# --- open data ---------------------------------------------------------------------------------------------


@pytest.fixture
def montana(open_data) -> PlanFile:
    return read_plan(EXAMPLES / "montana.toml", {"OPEN_DATA": str(open_data)})


@pytest.mark.open_data
def test_montana_towns_against_a_plain_pixel_read(montana, open_data):
    """148 towns (GeoNames) on gridMET 1991-2020 `pet` (mt-climate-office/mt-normals), read by rasterio's sample."""
    ledger = Ledger()
    found = run_contract(montana, ledger)
    with (open_data / "sites" / "geonames_mt_towns.csv").open(encoding="utf-8") as text:
        towns = list(csv.DictReader(text))
    assert len(found.names) == len(towns) == 148
    assert found.rejected == ()
    with rasterio.open(open_data / "montana_normals" / "eto_mm_per_day_12band.tif") as stack:
        pixels = np.array(list(stack.sample([(float(t["lon"]), float(t["lat"])) for t in towns])))
    assert_allclose(found.climate.eto_mm_day, pixels, rtol=1e-6)
    assert_allclose(found.zone.peak_eto_mm_day, [float(t["peak_eto_mm_d"]) for t in towns], atol=0.006)
    assert (found.zone.peak_month == 6).all()
    # the neutral bands are whole millimetres a day: a town's band is the whole part of its peak
    labels = [found.zone.table.labels[k] for k in found.zone.zone]
    assert labels == [f"band {int(value)}" for value in pixels.max(axis=1)]
    assert set(found.climate.basis) == {"ETo layer"}


@pytest.mark.open_data
def test_montana_computed_from_its_weather(montana):
    """The same towns from temperature, radiation, wind and humidity alone; 0.17 mm/day in July was asked."""
    alone = montana.plan.climate.model_copy(update={"eto": None})
    plan = replace(montana, plan=montana.plan.model_copy(update={"climate": alone}))
    computed, published = run_contract(plan, Ledger()), run_contract(montana, Ledger())
    assert set(computed.climate.basis) == {"Penman-Monteith from layers"}
    wrong = computed.climate.eto_mm_day[:, 6] - published.climate.eto_mm_day[:, 6]
    assert np.sqrt(np.mean(wrong**2)) < 0.12
    # and the bands agree where the published value is not itself within the difference of an edge
    clear = np.abs(published.zone.peak_eto_mm_day % 1 - 0.5) < 0.3
    assert clear.sum() > 60
    assert_array_equal(computed.zone.zone[clear], published.zone.zone[clear])


def test_sea_and_polar_night_do_not_look_like_any_site(tmp_path):
    """Places by any atlas: mid-Pacific, the Weddell Sea, Longyearbyen (hottest month about 7 C), two on land."""
    rows = [("pacific", -140, 30), ("weddell", -40, -70), ("svalbard", 15.6, 78.2), ("madrid", -3.7, 40.4),
            ("honolulu", -157.85, 21.31)]  # fmt: skip
    ledger = Ledger()
    found = run_contract(points_plan(tmp_path, rows), ledger)
    flags = dict(zip(found.names, found.flags, strict=True))
    assert {name for name, said in flags.items() if Flag.OPEN_SEA in said} == {"pacific", "weddell"}
    assert {name for name, said in flags.items() if Flag.COLD in said} == {"weddell", "svalbard"}
    said = {str(n) for n in ledger}
    assert any("open sea" in text and "pacific" in text and "madrid" not in text for text in said)
    assert any("check the location" in text and "svalbard" in text for text in said)


def test_antarctica_is_no_sea(tmp_path):
    """Stations by any atlas: Amundsen-Scott, Thiel Mountains, Vostok, Concordia, Byrd; at sea, 63 S and 60 S."""
    rows = [("pole", 0, -90), ("thiel", -111, -85.2), ("vostok", 106.84, -78.46), ("concordia", 123.33, -75.1),
            ("byrd", -119.53, -80.01), ("drake", -60, -60), ("southern ocean", 0, -63)]  # fmt: skip
    found = run_contract(points_plan(tmp_path, rows), Ledger())
    at_sea = {name for name, said in zip(found.names, found.flags, strict=True) if Flag.OPEN_SEA in said}
    assert at_sea == {"drake", "southern ocean"}


def test_a_swapped_pair_in_the_sea_is_called_so(tmp_path):
    """Latitude first, by any atlas: Cape Town falls into the Atlantic, Dumfries off the Seychelles. The middle of
    the Pacific has no latitude to exchange; the one of the Atlantic is at sea both ways."""
    rows = [("cape town", -33.92, 18.42), ("dumfries", 55.07, -3.61), ("pacific", -140, 30), ("madrid", -3.7, 40.4),
            ("atlantic", -30.0, -25.0)]  # fmt: skip
    ledger = Ledger()
    found = run_contract(points_plan(tmp_path, rows), ledger)
    flags = dict(zip(found.names, found.flags, strict=True))
    exchanged = {name for name, said in flags.items() if Flag.AXES_EXCHANGED in said}
    assert exchanged == {"cape town", "dumfries"}
    assert [n.features for n in ledger if "longitude and latitude exchanged" in n.what] == [
        ("cape town", "dumfries")
    ]
    assert [n.features for n in ledger if "open sea" in n.what] == [("pacific", "atlantic")]
    # one site is told the same
    alone = Ledger()
    climate_at(points_plan(tmp_path, rows), [shapely.Point(-33.92, 18.42)], np.array([np.nan]), alone)
    assert any("longitude and latitude exchanged" in n.what for n in alone)


def test_a_layer_that_knows_the_place_is_not_doubted_for_the_sea(tmp_path):
    """A value of the user's own layer speaks for itself; only the built-in estimate is doubted."""
    with rasterio.open(
        tmp_path / "eto.tif", "w", driver="GTiff", width=4, height=4, count=12, dtype="float32", crs="EPSG:4326",
        transform=rasterio.Affine(1, 0, -142, 0, -1, 32),
    ) as out:  # fmt: skip
        out.write(np.full((12, 4, 4), 5.0, "float32") + np.arange(12)[:, None, None] / 10)
    plan = points_plan(tmp_path, [("atoll", -140, 30)], climate={"eto": {"path": "eto.tif", "unit": "mm/day"}})
    assert Flag.OPEN_SEA not in run_contract(plan, Ledger()).flags[0]


def test_in_no_zone_by_any_way_is_no_agreement(tmp_path):
    """A table for other places: all three ways lie beyond it, and that is said once."""
    (tmp_path / "zones.csv").write_text("label,low,high\nA,11,12\nB,12,13\n")
    plan = points_plan(tmp_path, [("madrid", -3.7, 40.4)], zone={"table": "zones.csv"})
    found = run_contract(plan, Ledger())
    assert found.zone.zone[0] == -1
    assert all(way.zone[0] == -1 for way in found.zone.ways)
    assert not found.zone.agreement[0]
    assert Flag.NO_ZONE in found.flags[0]
    assert Flag.WAYS_DISAGREE not in found.flags[0]


def test_a_csv_whose_columns_the_plan_does_not_name(tmp_path):
    (tmp_path / "sites.csv").write_text("name,lon,lat\nA,-3.7,40.4\n")
    plan = parse_plan({"contract": {"sites": {"path": "sites.csv", "name": "name"}}}, tmp_path / "plan.toml")
    with pytest.raises(DataError, match="table without geometry") as fault:
        run_contract(plan, Ledger())
    assert "contract.sites.x and contract.sites.y" in fault.value.todo
    assert "name, lon, lat" in fault.value.todo


def test_each_command_names_the_other(tmp_path):
    from planner.job import run_site

    with pytest.raises(PlanError) as fault:
        run_site(points_plan(tmp_path, WORLD), Ledger())
    assert "noonmark contract" in fault.value.todo
    site = parse_plan({"layers": {"site": {"path": "sites.csv"}}}, tmp_path / "plan.toml")
    with pytest.raises(PlanError) as fault:
        run_contract(site, Ledger())
    assert "noonmark site" in fault.value.todo


# --- errors that sites share --------------------------------------------------------------------------------------


def test_totals_carry_the_error_that_the_sites_share(tmp_path):
    """Sites side by side rest on one estimate: shifted together by the root of the shared share of its variance."""
    rows = [(f"s{k}", -96.0 + 0.4 * k, 36.0) for k in range(12)]
    found = run_contract(points_plan(tmp_path, rows), Ledger())
    peak, spread = found.zone.peak_eto_mm_day, found.zone.spread_mm_day
    estimated = np.ones(12, bool)
    shared = shared_error(peak, spread, estimated, found.zone.table)
    by = np.sqrt(ESTIMATE_SHARED) * spread
    assert shared.sites == 12
    assert shared.mm_day == pytest.approx(by.mean())
    assert_array_equal(shared.lower, np.bincount(np.floor(peak - by).astype(int), minlength=13))
    assert_array_equal(shared.higher, np.bincount(np.floor(peak + by).astype(int), minlength=13))
    assert shared.lower.sum() == 12
    # what rests on something else stays where it is
    half = estimated & (np.arange(12) < 6)
    mixed = shared_error(peak, spread, half, found.zone.table)
    assert_array_equal(
        mixed.lower, np.bincount(np.floor(np.where(half, peak - by, peak)).astype(int), minlength=13)
    )
    # one site shares its error with nobody; two do
    alone = np.arange(12) == 3
    assert shared_error(peak, spread, alone, found.zone.table) is None
    assert shared_error(peak, spread, alone | (np.arange(12) == 4), found.zone.table).sites == 2


def test_the_shared_error_is_said_once(tmp_path):
    nan = np.full(3, np.nan)
    three = ZoneTable(tuple("ABC"), np.array([2, 4, 6.0]), np.array([4, 6, 9.0]), nan, nan, ("",) * 3, "made up")
    rows = [(f"s{k}", -96.0 + 0.4 * k, 36.0) for k in range(12)]
    found = run_contract(points_plan(tmp_path, rows), Ledger())
    written = tmp_path / "out"
    write_result(found, written, force=False)
    told = json.loads((written / "result.json").read_text(encoding="utf-8"))["zones_if_estimate_is_off"]
    assert told["sites"] == 12
    assert sum(told["lower"].values()) == sum(told["higher"].values()) == 12
    assert told["lower"] != told["higher"]
    page = (written / "map.html").read_text(encoding="utf-8")
    assert page.count("All 12 sites rest on the same built-in estimate: they may all be off the same way.") == 1
    moved = SharedError(2, 0.5, np.array([0, 2, 1]), np.array([0, 0, 3]))
    said = shared_said(moved, {"B": 1, "C": 2}, 3, three, "metric")
    assert said.startswith("2 of the 3 sites rest on the same built-in estimate")
    assert said.endswith("If all are off by 0.5 mm/day, up or down, the totals are B 0 to 2 and C 1 to 3.")
    assert shared_said(None, {"B": 1}, 1, three, "metric") == ""


def test_where_layers_say_the_eto_no_estimate_is_shared(tmp_path):
    layer(tmp_path)
    plan = points_plan(
        tmp_path, [("a", -112.8, 33.0), ("b", -112.8, 33.1)], climate={"eto": {"path": "eto.tif", "unit": "mm/day"}}
    )
    write_result(run_contract(plan, Ledger()), tmp_path / "out", force=False)
    assert json.loads((tmp_path / "out" / "result.json").read_text())["zones_if_estimate_is_off"] is None
    assert "built-in estimate: they may all" not in (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
