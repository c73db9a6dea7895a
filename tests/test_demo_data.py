"""The demo data: it is what the script makes, it holds together, and its invented weather obeys physics.

Everything in it is invented, hill and climate included; the checks are on coherence, not on any real place.
"""

from __future__ import annotations

import importlib.util
import sys
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from numpy.testing import assert_allclose
from pyproj import Transformer

from planner.plan import read_plan

ROOT = Path(__file__).parent.parent
CAMPUS, CONTRACT = ROOT / "examples" / "campus", ROOT / "examples" / "contract"
MADE = (
    "campus/campus.gpkg",
    "campus/terrain.tif",
    "contract/sites.gpkg",
    "contract/grounds.gpkg",
    "contract/eto.tif",
    "contract/tmean.tif",
    "contract/rain.tif",
    "contract/elevation.tif",
    "campus/stations.csv",
    "campus/weather.csv",
    "campus/log.csv",
)
MM_PER_IN = 25.4


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_demo", ROOT / "data" / "make_demo.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_demo"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def campus() -> dict[str, gpd.GeoDataFrame]:
    """Layers of the campus, all in UTM metres."""
    names = pyogrio.list_layers(CAMPUS / "campus.gpkg")[:, 0]
    return {n: gpd.read_file(CAMPUS / "campus.gpkg", layer=n).to_crs("EPSG:26911") for n in names}


@pytest.fixture(scope="module")
def sites() -> gpd.GeoDataFrame:
    return gpd.read_file(CONTRACT / "sites.gpkg")


def stack(name: str) -> np.ndarray:
    with rasterio.open(CONTRACT / f"{name}.tif") as src:
        return src.read().astype(float)


def cells_touched(shape: shapely.Geometry) -> np.ndarray:
    """(12, k) ETo of the cells that a shape in longitude and latitude touches."""
    with rasterio.open(CONTRACT / "eto.tif") as src:
        eto, t = src.read().astype(float), src.transform
    cols, rows = np.meshgrid(np.arange(eto.shape[2]), np.arange(eto.shape[1]))
    left, top = t.c + cols * t.a, t.f + rows * t.e
    return eto[:, shapely.intersects(shape, shapely.box(left, top + t.e, left + t.a, top))]


def test_what_stands_at_the_contracts_sites_holds_together(sites: gpd.GeoDataFrame) -> None:
    """Buildings lie within their sites and apart; every controller names a site and is in it; one site is bare."""
    grounds = {
        name: gpd.read_file(CONTRACT / "grounds.gpkg", layer=name)
        for name in ("buildings", "trees", "poles", "controllers")
    }
    buildings, controllers = grounds["buildings"], grounds["controllers"]
    assert buildings.within(sites.union_all()).all()
    assert shapely.area(shapely.union_all(buildings.geometry.values)) == pytest.approx(buildings.area.sum())
    assert 3 <= buildings.height_m.isna().sum() < 10
    by_no = sites.set_index("site_no").geometry
    assert set(controllers.site_no) == set(sites.site_no)
    assert all(by_no[one.site_no].contains(one.geometry) for one in controllers.itertuples())
    assert not grounds["trees"].intersects(buildings.union_all().buffer(5)).any()
    power = shapely.union_all([buildings.union_all(), grounds["poles"].union_all()])
    aside = controllers[controllers.distance(power) > 2]  # all others are on a wall or by a pole
    named = sites.set_index("site_no").site_name
    assert sorted(named[aside.site_no]) == ["Bluff Edge Park", "Long Mesa Regional Park"]
    bare = by_no[sites.set_index("site_name").site_no["Bluff Edge Park"]]
    assert not buildings.intersects(bare).any()
    assert not grounds["poles"].intersects(bare).any()


# --- the files -------------------------------------------------------------------------------------------


def test_committed_files_hold_what_the_script_makes(script: ModuleType, tmp_path: Path) -> None:
    said: list[str] = []
    script.make(tmp_path, said.append)
    assert len(said) == len(MADE)
    for name in MADE:
        new, old = tmp_path / name, ROOT / "examples" / name
        if name.endswith(".csv"):
            assert new.read_bytes() == old.read_bytes(), name
            continue
        if name.endswith(".tif"):
            with rasterio.open(new) as a, rasterio.open(old) as b:
                assert (a.crs, a.transform, a.dtypes, a.scales) == (b.crs, b.transform, b.dtypes, b.scales)
                one = 1 if a.dtypes[0] == "int16" else 0.01  # another library may round a last digit otherwise
                assert_allclose(a.read().astype(float), b.read().astype(float), atol=1.01 * one, rtol=0)
            continue
        layers = pyogrio.list_layers(old)[:, 0].tolist()
        assert pyogrio.list_layers(new)[:, 0].tolist() == layers
        for layer in layers:
            a, b = gpd.read_file(new, layer=layer), gpd.read_file(old, layer=layer)
            assert a.crs == b.crs
            assert a.drop(columns="geometry").equals(b.drop(columns="geometry")), layer
            apart_m = a.to_crs("EPSG:26911").hausdorff_distance(b.to_crs("EPSG:26911"))
            assert apart_m.max() < 0.05, layer


def test_files_are_small() -> None:
    assert sum((ROOT / "examples" / name).stat().st_size for name in MADE) < 2_000_000


def test_plans_name_files_layers_and_columns_that_are_there() -> None:
    for path in (CAMPUS / "campus.toml", CONTRACT / "contract.toml"):
        file = read_plan(path)
        assert file.plan.units == "us"
        for part in ("eto", "tmean", "rain"):
            layer = getattr(file.plan.climate, part)
            with rasterio.open(file.file(part, layer.path)) as src:
                assert src.count == 12
        vectors = dict(file.plan.layers or ()) | {"sites": getattr(file.plan.contract, "sites", None)}
        for key, layer in vectors.items():
            if layer is None or not hasattr(layer, "layer"):
                continue
            columns = set(pyogrio.read_info(file.file(key, layer.path), layer=layer.layer)["fields"])
            roles = {"name", "height", "crown_width", "crown_base", "base", "roof", "mountable"}
            roles |= {"leaf", "indoors", "kind", "elevation"}
            named = {getattr(layer, role, None) for role in roles} - {None}
            assert named <= columns, key


# --- the campus ------------------------------------------------------------------------------------------


def test_campus_is_whole(campus: dict[str, gpd.GeoDataFrame]) -> None:
    for name, layer in campus.items():
        assert layer.geometry.is_valid.all(), name
        assert not layer.geometry.is_empty.any(), name
    for name, column in (
        ("buildings", "bldg_name"),
        ("trees", "tag"),
        ("controllers", "label"),
        ("poles", "pole"),
        ("keep_outs", "what"),
    ):
        assert campus[name][column].is_unique, name
    assert 55 <= len(campus["buildings"]) <= 65
    assert 230 <= len(campus["trees"]) <= 270
    assert len(campus["controllers"]) == 5
    assert set(campus["keep_outs"]["kind"]) == {"spray", "heat", "no_access"}
    assert set(campus["trees"]["leaf"]) == {"evergreen", "deciduous"}
    outline = campus["site"].geometry.iloc[0]
    assert 24 < outline.area / 1e4 < 27
    # a rectangle has 4 corners, the notch adds 2
    assert len(outline.exterior.coords) - 1 == 6
    assert outline.area < 0.97 * outline.minimum_rotated_rectangle.area


def test_campus_has_the_awkward_buildings(campus: dict[str, gpd.GeoDataFrame]) -> None:
    b = campus["buildings"]
    outline = campus["site"].geometry.iloc[0]
    shapes = b.geometry.apply(lambda g: g.geoms[0] if g.geom_type == "MultiPolygon" else g)
    assert (shapes.apply(lambda g: len(g.interiors)) == 1).sum() == 1  # the courtyard
    assert (b["base_ft"] > 0).sum() >= 5  # canopies
    assert (b["base_ft"].fillna(0) < b["height_ft"].fillna(np.inf)).all()
    assert b["height_ft"].isna().sum() == 4
    assert campus["trees"]["height_m"].isna().sum() == 7
    assert set(b["roof"]) == {"flat", "pitched"}
    neighbours = b[b["bldg_use"] == "neighbour"]
    assert not neighbours.intersects(outline).any()
    assert (neighbours["may_mount"] == "no").all()
    assert b[b["bldg_use"] != "neighbour"].within(outline).all()


def test_solid_buildings_do_not_overlap_and_no_trunk_stands_in_a_wall(
    campus: dict[str, gpd.GeoDataFrame],
) -> None:
    b = campus["buildings"].reset_index(names="row")
    pairs = gpd.overlay(b, b, how="intersection")
    assert (pairs[pairs["row_1"] != pairs["row_2"]].area < 0.5).all()  # coordinates are rounded to 1.5 cm
    assert campus["trees"].distance(b.union_all()).min() > 0.5


def test_tall_neighbour_shades_the_site_at_noon_in_december(campus: dict[str, gpd.GeoDataFrame]) -> None:
    """Noon height of the solstice sun is 90 - latitude - 23.44 degrees; a shadow is height over its tangent."""
    block = campus["buildings"].loc[campus["buildings"]["height_ft"].idxmax()]
    assert block["bldg_use"] == "neighbour"
    shadow_m = block["height_ft"] * 0.3048 / np.tan(np.radians(90 - 35.27 - 23.44))
    outline = campus["site"].geometry.iloc[0]
    moved = [shapely.affinity.translate(block.geometry, 0, north) for north in np.linspace(0, shadow_m, 20)]
    assert shapely.union_all(moved).intersection(outline).area > 500


def test_controllers_hang_where_they_say(campus: dict[str, gpd.GeoDataFrame]) -> None:
    c = campus["controllers"].set_index("label")
    walls = campus["buildings"].union_all()
    outline = campus["site"].geometry.iloc[0]
    assert c.within(outline).all()
    assert c.loc[c["indoors"] == "yes"].within(walls).tolist() == [True]
    on_wall = c[c["location"].str.contains("wall")]
    assert len(on_wall) == 3
    assert (on_wall.distance(walls).between(0.05, 1)).all()
    far = c.loc["Controller E, far field"].geometry
    assert far.distance(outline.centroid) > 250
    assert far.distance(walls) > 50


def test_most_of_the_campus_is_within_reach_of_every_controller(
    campus: dict[str, gpd.GeoDataFrame],
) -> None:
    plan = read_plan(CAMPUS / "campus.toml").plan
    range_m = plan.sensor.rated_range_m * plan.requirements.max_range_share
    reached = campus["site"].geometry.iloc[0]
    whole = reached.area
    for point in campus["controllers"].geometry:
        reached = reached.intersection(point.buffer(range_m))
    assert 0.5 < reached.area / whole < 0.95  # most, and not all: reach has something to decide


def test_named_mount_stands_on_the_building_it_names(campus: dict[str, gpd.GeoDataFrame]) -> None:
    (named,) = read_plan(CAMPUS / "campus.toml").plan.mounts.named
    x, y = Transformer.from_crs(named.crs, "EPSG:26911", always_xy=True).transform(named.x, named.y)
    b = campus["buildings"].set_index("bldg_name")
    assert b.loc["Slate Hall"].geometry.contains(shapely.Point(x, y))


def test_western_hill_stands_4_to_12_degrees_high(campus: dict[str, gpd.GeoDataFrame]) -> None:
    """Walked over the raster itself, cell by cell, from the middle of the site; the hill is invented."""
    centre = campus["site"].geometry.iloc[0].centroid
    with rasterio.open(CAMPUS / "terrain.tif") as src:
        assert src.crs == "EPSG:26911"
        ground = src.read(1) * src.scales[0] + src.offsets[0]
        t, bounds = src.transform, src.bounds

    def at(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(ground[((y - t.f) / t.e).astype(int), ((x - t.c) / t.a).astype(int)])

    eye = at(np.array([centre.x]), np.array([centre.y]))[0] + 5.0
    out = np.arange(50, min(centre.x - bounds.left, bounds.top - centre.y) - 20, 10.0)

    def horizon(azimuth_deg: float) -> float:
        a = np.radians(azimuth_deg)
        z = at(centre.x + out * np.sin(a), centre.y + out * np.cos(a))
        return float(np.degrees(np.arctan((z - eye) / out)).max())

    west = [horizon(a) for a in range(240, 301, 2)]
    east = [horizon(a) for a in range(60, 121, 2)]
    assert 4 < max(west) < 12
    assert min(west) > 3
    assert max(east) < 2
    assert 7_500 < bounds.right - bounds.left < 8_500


# --- the invented climate --------------------------------------------------------------------------------


def book_ra(latitude_deg: np.ndarray) -> np.ndarray:
    """(12, n) extraterrestrial radiation, FAO-56 eq. 21, 23, 24, 25 (p. 46), mean over each month's days."""
    phi = np.radians(latitude_deg)
    day = np.arange(1, 366)[:, None]
    dr = 1 + 0.033 * np.cos(2 * np.pi * day / 365)
    dec = 0.409 * np.sin(2 * np.pi * day / 365 - 1.39)
    ws = np.arccos(-np.tan(phi) * np.tan(dec))
    ra = 24 * 60 / np.pi * 0.0820 * dr
    ra = ra * (ws * np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.sin(ws))
    ends = np.cumsum([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    return np.array([part.mean(axis=0) for part in np.split(ra, ends[:-1])])


def book_eto(weather: object, lat: np.ndarray, z: np.ndarray) -> np.ndarray:
    """(12, n) FAO-56 Penman-Monteith (eq. 6, p. 65), typed from the book and apart from the project's own."""
    w = weather
    tn, tx, rs, ea, u2 = w.t_min_c, w.t_max_c, w.radiation_mj_m2_day, w.vapour_pressure_kpa, w.wind_2m_m_s  # type: ignore[attr-defined]

    def es(t: np.ndarray) -> np.ndarray:
        return 0.6108 * np.exp(17.27 * t / (t + 237.3))  # eq. 11

    t = (tn + tx) / 2
    delta = 4098 * es(t) / (t + 237.3) ** 2  # eq. 13
    gamma = 0.665e-3 * 101.3 * ((293 - 0.0065 * z) / 293) ** 5.26  # eq. 7, 8
    rso = (0.75 + 2e-5 * z) * book_ra(lat)  # eq. 37
    longwave = 4.903e-9 * ((tx + 273.16) ** 4 + (tn + 273.16) ** 4) / 2
    longwave *= (0.34 - 0.14 * np.sqrt(ea)) * (1.35 * rs / rso - 0.35)  # eq. 39
    heat = 0.07 * (np.roll(t, -1, 0) - np.roll(t, 1, 0))  # eq. 43
    top = 0.408 * delta * (0.77 * rs - longwave - heat) + gamma * 900 / (t + 273) * u2 * (
        (es(tx) + es(tn)) / 2 - ea
    )
    return top / (delta + gamma * (1 + 0.34 * u2))


@pytest.fixture(scope="module")
def places(script: ModuleType) -> dict[str, np.ndarray]:
    """Land cells of the climate layer: place, and row and column."""
    lon, lat = script.grid_lon_lat()
    land = np.isfinite(stack("eto")[0])
    row, col = np.nonzero(land)
    return {"lon": lon[land], "lat": lat[land], "row": row, "col": col}


def test_weather_is_physically_possible(script: ModuleType, places: dict[str, np.ndarray]) -> None:
    lon, lat = places["lon"], places["lat"]
    z = script.elevation_m(lon, lat)
    w = script.months_at(lon, lat)
    ra = book_ra(lat)
    assert (w.radiation_mj_m2_day <= (0.75 + 2e-5 * z) * ra).all()  # FAO-56 eq. 37, p. 51
    assert (w.radiation_mj_m2_day <= ra).all()
    assert (w.radiation_mj_m2_day >= 0.25 * ra).all()  # the overcast sky of eq. 35, p. 50
    assert (w.t_min_c + 5 < w.t_max_c).all()
    assert (w.vapour_pressure_kpa > 0.3).all()
    # dew point at or under the minimum: air does not stay wetter than saturated (eq. 11 and 14)
    assert (w.vapour_pressure_kpa <= 0.6108 * np.exp(17.27 * w.t_min_c / (w.t_min_c + 237.3))).all()
    assert ((w.wind_2m_m_s > 0.5) & (w.wind_2m_m_s < 5)).all()  # FAO-56 Table 4, p. 63: light to strong
    assert (w.rain_mm >= 0).all()


def test_layers_hold_the_weather_and_its_penman_monteith(script: ModuleType, places: dict[str, np.ndarray]) -> None:
    lon, lat, row, col = (places[k] for k in ("lon", "lat", "row", "col"))
    w = script.months_at(lon, lat)
    eto = book_eto(w, lat, script.elevation_m(lon, lat))
    assert_allclose(stack("eto")[:, row, col], eto, atol=0.006, rtol=0)  # stored to 0.01
    assert_allclose(stack("tmean")[:, row, col], (w.t_min_c + w.t_max_c) / 2, atol=0.0051, rtol=0)
    assert_allclose(stack("rain")[:, row, col], w.rain_mm, atol=0.0051, rtol=0)
    with rasterio.open(CONTRACT / "eto.tif") as src:
        assert "Invented" in src.tags()["note"]
        x, y = src.xy(row[0], col[0])
        assert (x, y) == pytest.approx((lon[0], lat[0]))


def test_sea_has_no_data_and_the_coast_is_in_the_west() -> None:
    land = np.isfinite(stack("eto"))
    assert (land == land[0]).all()
    assert (land == np.isfinite(stack("rain"))).all()
    assert 0.04 < 1 - land[0].mean() < 0.25
    assert (np.diff(land[0].astype(int), axis=1) >= 0).all()  # from west to east: sea, then land
    assert land[0][:, -1].all()


def test_temperature_falls_with_height_and_the_sea_damps_its_range(script: ModuleType) -> None:
    lat = np.full(400, 35.2)
    lon = np.linspace(-120.7, -117.4, 400)
    d, z, w = script.inland_km(lon, lat), script.elevation_m(lon, lat), script.months_at(lon, lat)
    t = w.t_mean_c
    slope = (d > 120) & (script.desert_share(lon, lat) == 0)  # the western flank of the second range
    fall_c_km = np.polyfit(z[slope] / 1000, t[6, slope], 1)[0]
    assert -7 < fall_c_km < -4
    shore, valley = np.argmin(np.abs(d - 2)), np.argmin(np.abs(d - 120))
    daily = w.t_max_c - w.t_min_c
    yearly = t.max(axis=0) - t.min(axis=0)
    assert daily[6, shore] < 0.6 * daily[6, valley]
    assert yearly[shore] < 0.4 * yearly[valley]


def test_eto_rises_from_coast_to_desert_and_peaks_in_early_summer(
    script: ModuleType, sites: gpd.GeoDataFrame
) -> None:
    """Peak ETo against the extremes of the CIMIS reference-ETo zones.

    CIMIS Reference Evapotranspiration Zones, California DWR and UC Davis, 1999: peak month 4.65 in (zone 1, the
    foggiest coast) to 9.92 in (zone 17, high desert); 8.68 to 9.30 in (zones 14 to 16, inland valleys). Which
    zone is which landscape is from memory. A margin of 0.5 mm/day is ours: the demo's places are invented.
    """
    points = sites.to_crs("EPSG:4326").representative_point()
    lon, lat = points.x.to_numpy(), points.y.to_numpy()
    eto = script.eto_of(script.months_at(lon, lat), lat, script.elevation_m(lon, lat))
    peak, month = eto.max(axis=0), eto.argmax(axis=0)

    def of(*towns: str) -> np.ndarray:
        return np.asarray(sites["town"].isin(towns))

    coast, foothill, valley, desert = (
        of("Sandhook"),
        of("Ferrow"),
        of("Dunmarrow", "Quailbrush", "Tarn Flat"),
        of("Coldiron Wells"),
    )
    means = [float(peak[m].mean()) for m in (coast, foothill, valley, desert)]
    assert all(b > a + 0.5 for a, b in pairwise(means))
    low, high = 4.65 * MM_PER_IN / 31, 9.92 * MM_PER_IN / 31
    assert peak.min() > low - 0.5
    assert peak.max() < high + 0.5
    assert peak[valley].min() > 8.68 * MM_PER_IN / 31 - 0.5
    assert peak[valley].max() < 9.30 * MM_PER_IN / 31 + 0.5
    assert set(month) <= {5, 6}  # June or July
    assert (month[desert] == 5).all()
    assert (month[valley] == 6).all()


def test_rain_falls_in_winter_and_less_behind_each_range() -> None:
    rain = stack("rain")
    row = rain[:, 20, :]
    year = row.sum(axis=0)
    land = np.flatnonzero(np.isfinite(year))
    coast, valley, desert = year[land[1]], year[60], year[-3]
    assert coast > 1.5 * valley
    assert valley > 1.2 * desert
    assert (rain[[5, 6, 7]].sum(axis=0) < 0.15 * rain.sum(axis=0))[np.isfinite(rain[0])].all()


def test_campus_lies_inside_the_layer_at_the_layers_height(
    script: ModuleType, campus: dict[str, gpd.GeoDataFrame]
) -> None:
    outline = campus["site"].to_crs("EPSG:4326").geometry.iloc[0]
    assert np.isfinite(cells_touched(outline)).all()
    middle = campus["site"].geometry.iloc[0].centroid
    with rasterio.open(CAMPUS / "terrain.tif") as src:
        ground_m = next(src.sample([(middle.x, middle.y)]))[0] * src.scales[0]
    lon, lat = outline.centroid.x, outline.centroid.y
    assert ground_m == pytest.approx(float(script.elevation_m(lon, lat)), abs=3)


# --- the contract ----------------------------------------------------------------------------------------


def test_forty_sites_with_names_of_their_own(sites: gpd.GeoDataFrame) -> None:
    assert len(sites) == 40
    assert sites["site_name"].is_unique
    assert sites["site_no"].is_unique
    assert sites.geometry.is_valid.all()
    assert sites["kind"].nunique() >= 10
    assert (sites.area > 1000).all()
    pairs = gpd.overlay(sites, sites, how="intersection")
    assert (pairs["site_no_1"] == pairs["site_no_2"]).all()


def test_contract_holds_the_awkward_sites(sites: gpd.GeoDataFrame) -> None:
    lonlat = sites.to_crs("EPSG:4326").set_index("site_name").geometry
    flat = sites.set_index("site_name").geometry
    assert flat["Tarn Flat Road Medians"].geom_type == "MultiPolygon"
    assert len(flat["Tarn Flat Road Medians"].geoms) == 6
    grave = flat["Hollin Gap Cemetery"]
    assert len((grave.geoms[0] if grave.geom_type == "MultiPolygon" else grave).interiors) == 1
    cell_m2 = (0.04 * 111_320) ** 2 * np.cos(np.radians(35.5))
    assert (flat.area < cell_m2 / 10).sum() == 39
    assert flat["Long Mesa Regional Park"].area > 2 * cell_m2
    assert np.isnan(cells_touched(lonlat["Sandhook Quay Green"])).all()
    peaks = {name: cells_touched(shape).max(axis=0) for name, shape in lonlat.items()}
    big = peaks["Long Mesa Regional Park"]
    assert big.min() < 7 < big.max()  # astride an edge of the neutral 1 mm/day bands
    for name in ("Bluff Edge Park", "Foothill Line School", "Windrow Park"):
        assert np.abs(peaks[name] - np.round(peaks[name])).min() < 0.1, name
    others = [n for n in lonlat.index if n != "Sandhook Quay Green"]
    assert all(np.isfinite(cells_touched(lonlat[n])).any() for n in others)
