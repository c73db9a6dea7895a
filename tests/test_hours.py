"""ETo by the hour: FAO-56's worked example, an open program, the daily form, and weather files from end to end."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from numpy.testing import assert_allclose

from planner import local_climate
from planner.batches import run_contract
from planner.climate import eto, hours
from planner.climate.spreads import APART_KM, APART_MM_DAY, SPREAD_MM_DAY
from planner.contract import Flag
from planner.layers.weather import read_hours
from planner.ledger import DataError, Ledger, PlanError
from planner.plan import parse_plan
from planner.readings import HOURS

GREENSBORO = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"


# --- the formula -------------------------------------------------------------------------------------------------


def test_fao_56_example_19():
    """FAO-56 example 19 (p. 75): N'Diaye, Senegal, 16 deg 13' N, 16 deg 15' W, 8 m, 1 October; 02-03 and 14-15 h by
    a clock of 15 W. Inputs and intermediate results from memory; ETo 0.00 and 0.63 mm/h as printed.
    """
    lat, lon, day = 16 + 13 / 60, -(16 + 15 / 60), 274
    angle = hours.hour_angle_rad(lon, day, np.array([2.5, 14.5]) + 1.0)
    ra = hours.hourly_extraterrestrial_radiation(lat, day, angle)
    assert_allclose(ra, [0.0, 3.543], atol=0.001)
    rso = eto.clear_sky_radiation(ra, 8.0)
    assert rso[1] == pytest.approx(2.658, abs=0.001)
    t, rs = np.array([28.0, 38.0]), np.array([0.0, 2.450])
    ea = eto.saturation_vapour_pressure_kpa(t) * np.array([0.90, 0.52])
    assert_allclose(ea, [3.402, 3.445], atol=0.001)
    ratio = np.array([0.8, rs[1] / rso[1]])  # 0.8: the example's own word for the night
    found = hours.hourly_eto(t, ea, rs, np.array([1.9, 3.3]), 1.35 * ratio - 0.35, 8.0, "FAO-56")
    assert_allclose(found, [0.00, 0.63], atol=0.005)


def invented_year(latitude, longitude, elevation, zone_h=0, seed=4):
    """A year of weather with a daily course, hour by hour from 1 January 00:00 by the zone's clock."""
    rng = np.random.default_rng(seed)
    start = np.arange(HOURS) - zone_h
    day = np.arange(HOURS) // 24
    middle = start + 0.5
    j = np.floor(middle + longitude / 15) // 24 % 365 + 1
    angle = hours.hour_angle_rad(longitude, j, middle)
    season = np.cos(2 * np.pi * (day - 200) / 365) * (1 if latitude >= 0 else -1)
    t = 15 + 9 * season + 7 * np.cos(angle - 0.6) + rng.normal(0, 2, 365)[day]
    dew = (15 + 9 * season - 9 + rng.normal(0, 2, 365)[day]).clip(max=t - 0.5)
    clear = eto.clear_sky_radiation(hours.hourly_extraterrestrial_radiation(latitude, j, angle), elevation)
    rs = clear * rng.uniform(0.3, 1.0, 365)[day]
    wind = 2.5 + 1.5 * np.cos(angle - 0.8)
    return hours.HourlyWeather(
        "Invented Springs",
        latitude,
        longitude,
        elevation,
        start.astype(float),
        t,
        eto.saturation_vapour_pressure_kpa(dew),
        rs,
        wind,
    )


def test_hours_are_those_of_refet():
    """refet 0.5 (Apache-2.0), `Hourly(method="asce")`: ASCE-EWRI 2005 in the same constants. To 1e-6, where it has
    a cloud factor of its own: with the sun above 0.3 rad. In low sun and at night it takes 1 (its own warning says
    that the rule there is not worked out), so that there ours is handed the same.
    """
    refet = pytest.importorskip("refet")
    w = invented_year(36.1, -79.95, 273.0, zone_h=-5)
    middle = w.start_utc_h + 0.5
    day = np.floor(middle + w.longitude_deg / 15) // 24 % 365 + 1
    theirs = refet.Hourly(
        tmean=w.t_c,
        rs=w.radiation_mj_m2_h,
        uz=w.wind_2m_m_s,
        zw=2.0,
        elev=np.array([273.0]),
        lat=np.array([36.1]),
        lon=np.array([-79.95]),
        doy=day,
        time=w.start_utc_h % 24,
        ea=w.vapour_pressure_kpa,
        method="asce",
    )
    angle = hours.hour_angle_rad(w.longitude_deg, day, middle)
    ra = hours.hourly_extraterrestrial_radiation(36.1, day, angle)
    assert_allclose(ra, theirs.ra, rtol=1e-6, atol=1e-9)
    clear = eto.clear_sky_radiation(ra, 273.0)
    ours = hours.cloud_factors(w.radiation_mj_m2_h, clear, hours.sun_height_rad(36.1, day, angle))
    # refet goes by the sun's height at the hour's beginning: both must be above 0.3 rad
    early = hours.sun_height_rad(36.1, day, hours.hour_angle_rad(w.longitude_deg, day, middle - 0.5))
    high = (early > 0.3) & (hours.sun_height_rad(36.1, day, angle) > 0.3)
    assert high.sum() > 2500
    assert_allclose(ours[high], theirs.fcd[high], rtol=1e-6)
    u2 = eto.wind_at_2m_m_s(w.wind_2m_m_s, 2.0)  # the profile gives 1.0004 at 2 m itself
    same_sky = hours.hourly_eto(w.t_c, w.vapour_pressure_kpa, w.radiation_mj_m2_h, u2, theirs.fcd, 273.0)
    assert_allclose(same_sky, theirs.eto(), rtol=1e-6, atol=1e-9)


def test_the_sun_of_24_hours_is_the_days_sun():
    """FAO-56 eq. 28 summed over a day is eq. 21, at any latitude and season."""
    for latitude in (-66.0, -20.0, 0.0, 35.0, 60.0, 80.0):
        for day in (1, 80, 172, 300):
            angle = (np.arange(24) + 0.5) * np.pi / 12 - np.pi
            total = hours.hourly_extraterrestrial_radiation(latitude, day, angle).sum()
            assert total == pytest.approx(float(eto.extraterrestrial_radiation(latitude, day)), rel=1e-9, abs=1e-9)


def test_clouds_of_the_evening_last_the_night():
    """By hand: three days, the sun above 0.3 rad from 8 to 16 h; the second day has half the clear sky's light."""
    h = np.arange(72) % 24
    height = np.where((h >= 8) & (h <= 16), 0.9, np.where((h == 7) | (h == 17), 0.1, -0.5))
    clear = np.where(height > 0, 2.0, 0.0)
    share = np.repeat([1.0, 0.5, 0.8], 24)
    factor = hours.cloud_factors(clear * share, clear, height)
    by_day = 1.35 * np.array([1.0, 0.5, 0.8]) - 0.35
    assert_allclose(factor[:8], by_day[2])  # the year closes on itself
    assert_allclose(factor[8:32], by_day[0])
    assert_allclose(factor[32:56], by_day[1])
    assert_allclose(factor[56:], by_day[2])
    # heavy cloud is held to 0.05, more light than a clear sky's to 1
    assert hours.cloud_factors(clear * 0.1, clear, height).max() == pytest.approx(0.05)
    assert hours.cloud_factors(clear * 1.3, clear, height).min() == 1.0
    # a sun that never stands above 0.3 rad: its highest hour of the day speaks; without any sun, a clear sky
    low = hours.cloud_factors(clear * share, clear, np.where(h == 12, 0.2, height * 0.2))
    assert_allclose(low[12:36], by_day[0])
    assert_allclose(hours.cloud_factors(np.zeros(72), np.zeros(72), np.full(72, -0.1)), 1.0)


@pytest.mark.parametrize(("latitude", "elevation"), [(36.0, 300.0), (-33.0, 20.0), (10.0, 1200.0)])
def test_24_hours_are_near_the_daily_form(latitude, elevation):
    """The same invented weather by hours and by days (the ASCE daily form, from the day's extremes): the peak month
    within 3 %, all months within 0.3 mm/day. They are not the same: the hourly form sees that wind, heat and sun
    come together.
    """
    w = invented_year(latitude, 0.0, elevation)
    by_hour, _ = hours.month_means(w, hours.eto_of_hours(w), 0.0)
    days = lambda values: values.reshape(365, 24)  # noqa: E731
    by_day = eto.daily_eto(
        days(w.t_c).min(axis=1),
        days(w.t_c).max(axis=1),
        days(w.vapour_pressure_kpa).mean(axis=1),
        days(w.radiation_mj_m2_h).sum(axis=1),
        days(w.wind_2m_m_s).mean(axis=1),
        latitude,
        elevation,
        np.arange(365) + 1.0,
        "ASCE short",
    )
    month = np.repeat(np.arange(12), eto.MONTH_DAYS)
    daily = np.bincount(month, by_day) / eto.MONTH_DAYS
    assert_allclose(by_hour, daily, atol=0.3)
    assert by_hour.max() == pytest.approx(daily.max(), rel=0.03)


def test_days_are_the_sites_own():
    """A clock 12 h off cuts days elsewhere; months go by the mean sun at the longitude, and gaps take their day."""
    w = invented_year(-35.0, 174.0, 10.0, zone_h=12)
    here = hours.month_means(w, np.ones(HOURS), 174.0)
    assert_allclose(here[0], 24.0)
    assert_allclose(here[1], eto.MONTH_DAYS)
    values = hours.eto_of_hours(w)
    middle = w.start_utc_h + 0.5 + 174.0 / 15
    january = (middle // 24 % 365) < 31
    assert hours.month_means(w, values, 174.0)[0][0] == pytest.approx(values[january].sum() / 31)
    values[24 * 40 + 5] = np.nan
    assert hours.month_means(w, values, 174.0)[1][1] == 27


# --- weather files -----------------------------------------------------------------------------------------------


def write_epw(path: Path, w: hours.HourlyWeather, zone_h: int, wind_10m: bool = True) -> Path:
    """The invented year as an EPW: degrees C, %, W/m2, m/s at 10 m."""
    head = f"LOCATION,{w.name},XX,YYY,TMY,000000,{w.latitude_deg},{w.longitude_deg},{zone_h},{w.elevation_m}\n"
    rest = "".join(f"{word}\n" for word in ("DESIGN", "TYPICAL", "GROUND", "HOLIDAYS", "C1", "C2", "DATA"))
    dew = eto.dew_point_c(w.vapour_pressure_kpa)
    wind = w.wind_2m_m_s / eto.wind_at_2m_m_s(1.0, 10.0)
    rows = []
    for k, when in enumerate(pd.date_range("2013-01-01", periods=HOURS, freq="h")):
        light = w.radiation_mj_m2_h[k] / 0.0036
        row = [2013, when.month, when.day, when.hour + 1, 0, "?", f"{w.t_c[k]:.4f}", f"{dew[k]:.4f}", 50, 100000,
               0, 0, 300, f"{light:.3f}", 0, f"{light:.3f}", 0, 0, 0, 0, 180, f"{wind[k]:.4f}"]  # fmt: skip
        rows.append(",".join(map(str, row + [0] * 13)))
    path.write_text(head + rest + "\n".join(rows) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def springs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("weather")
    year = invented_year(35.2, -106.6, 1600.0, zone_h=-7)
    write_epw(folder / "springs.epw", year, -7)
    return folder, year


def test_a_year_by_the_hour_as_months(springs):
    """Day by day in plain Python: extremes, sums and means of days of the mean sun, then their mean over July."""
    _, year = springs
    found = hours.monthly_inputs(year)
    days = [[] for _ in range(365)]
    for k in range(HOURS):
        days[int(np.floor(year.start_utc_h[k] + 0.5 + year.longitude_deg / 15) // 24 % 365)].append(k)
    july = [days[d] for d in range(181, 212)]
    assert found.t_min_c[6] == pytest.approx(np.mean([min(year.t_c[d]) for d in july]))
    assert found.t_max_c[6] == pytest.approx(np.mean([max(year.t_c[d]) for d in july]))
    assert found.radiation_mj_m2_day[6] == pytest.approx(np.mean([sum(year.radiation_mj_m2_h[d]) for d in july]))
    assert found.vapour_pressure_kpa[6] == pytest.approx(
        np.mean([np.mean(year.vapour_pressure_kpa[d]) for d in july])
    )
    assert found.wind_2m_m_s[6] == pytest.approx(np.mean([np.mean(year.wind_2m_m_s[d]) for d in july]))
    assert found.t_max_c[6] > found.t_min_c[6] + 1


def test_the_weather_file_tells_what_shade_costs(springs):
    import shapely

    folder, year = springs
    plan = parse_plan({"climate": {"weather": "springs.epw", "wind_height_m": 10.0}}, folder / "plan.toml")

    def at(lon: float, lat: float) -> eto.MonthlyInputs | None:
        shape = np.array([shapely.Point(lon, lat)], object)
        return local_climate.climate_and_weather_at(plan, shape, 1600.0, Ledger(), "here")[1]

    near = at(-106.6, 35.2)
    assert near is not None
    # the file keeps the light to a thousandth of a watt, the wind and temperature to four places
    assert_allclose(near.radiation_mj_m2_day, hours.monthly_inputs(year).radiation_mj_m2_day, rtol=0.01)
    assert_allclose(near.t_max_c, hours.monthly_inputs(year).t_max_c, atol=0.05)


def climate_at(folder, lon, lat, z=np.nan, strict=None, **climate):
    import shapely

    plan = parse_plan({"climate": {"weather": "springs.epw", **climate}}, folder / "plan.toml")
    ledger = Ledger()
    return local_climate.climate_at(plan, [shapely.Point(lon, lat)], np.array([z]), ledger, strict=strict), ledger


def test_an_epw_gives_a_site_its_eto(springs):
    folder, year = springs
    expected, _ = hours.month_means(year, hours.eto_of_hours(year), year.longitude_deg)
    found, ledger = climate_at(folder, -106.6, 35.2, 1600.0)
    assert found.basis == ("ASCE hours of a weather file",)
    assert_allclose(found.eto_mm_day[0], expected, atol=0.01)
    t = np.bincount(np.repeat(np.arange(12), eto.MONTH_DAYS * 24), year.t_c) / eto.MONTH_DAYS / 24
    assert_allclose(found.t_mean_c[0], t, atol=0.01)
    assert found.spread_mm_day[0] == pytest.approx(np.hypot(SPREAD_MM_DAY["formula"], SPREAD_MM_DAY["one year"]))
    assert "Invented Springs" in found.source[0]
    assert "Temperature: weather file" in found.source[0]
    assert [n.what for n in ledger] == ["its wind is taken as measured at 10 m (climate.wind_height_m)"]


def test_distance_widens_height_cools_and_the_plan_sets_the_limit(springs):
    folder, _ = springs
    at, _ = climate_at(folder, -106.6, 35.2, 1600.0)
    away, ledger = climate_at(folder, -106.6, 35.65, 1600.0)  # 50 km north
    assert away.spread_mm_day[0] == pytest.approx(np.hypot(at.spread_mm_day[0], 0.38), abs=0.01)
    assert "50 km away" in str(next(iter(ledger)))
    higher, _ = climate_at(folder, -106.6, 35.2, 2100.0)
    assert higher.above_m[0] == pytest.approx(500.0)
    assert_allclose(higher.t_mean_c, at.t_mean_c - 3.25, atol=1e-9)
    assert (higher.eto_mm_day < at.eto_mm_day).all()
    assert higher.unlapsed_peak_mm_day[0] == pytest.approx(at.eto_mm_day.max())
    with pytest.raises(DataError, match=r"Invented Springs.*133 km") as fault:
        climate_at(folder, -106.6, 36.4)
    assert "climate.weather_within_km" in fault.value.todo
    far, ledger = climate_at(folder, -106.6, 36.4, strict=False)
    assert far.basis == ("built-in estimate",)
    assert any("next best source" in str(n) for n in ledger)
    with pytest.raises(PlanError, match=r"sprigns\.epw"):
        climate_at(folder, -106.6, 35.2, weather="sprigns.epw")
    # the wind is said to have been measured higher up: less of it at 2 m
    high_wind, _ = climate_at(folder, -106.6, 35.2, 1600.0, wind_height_m=40.0)
    assert (high_wind.eto_mm_day < at.eto_mm_day).all()


def test_the_spread_by_distance_is_what_was_measured(open_data):
    """gridMET 1991-2020 over Montana (mt-climate-office/mt-normals, MIT), July: RMS of cells so far apart."""
    import rasterio

    with rasterio.open(open_data / "montana_normals" / "pet_jul.tif") as file:
        july, cell = file.read(1, masked=True).filled(np.nan).astype(float), abs(file.transform.e)
        middle = file.transform.f - cell * file.height / 2
    high_km = 111.2 * cell
    wide_km = high_km * np.cos(np.radians(middle))
    for km, said in list(zip(APART_KM, APART_MM_DAY, strict=True))[1:]:
        right, down = max(1, round(km / wide_km)), max(1, round(km / high_km))
        apart = np.concatenate([(july[:, right:] - july[:, :-right]).ravel(), (july[down:] - july[:-down]).ravel()])
        assert np.sqrt(np.nanmean(apart**2)) == pytest.approx(said, abs=0.02), km


def test_the_surer_of_weather_file_and_weather_layers_speaks(springs):
    """Layers of a month's means over the site, the file's own: they are surer than a station 50 km away."""
    import rasterio

    folder, year = springs
    day = [pd.Series(year.t_c).groupby(np.arange(8760) // 24).agg(how).to_numpy() for how in ("min", "max")]
    months = np.repeat(np.arange(12), eto.MONTH_DAYS)
    low, high = (np.bincount(months, values) / eto.MONTH_DAYS for values in day)
    layers = {"tmin": (low, "C"), "tmax": (high, "C"), "radiation": (np.full(12, 20.0), "MJ/m2/day")}
    layers |= {"wind": (np.full(12, 2.5), "m/s"), "dew_point": (low - 2.0, "C")}
    for name, (values, _) in layers.items():
        with rasterio.open(
            folder / f"{name}.tif",
            "w",
            driver="GTiff",
            width=2,
            height=2,
            count=12,
            dtype="float32",
            crs="EPSG:4326",
            transform=rasterio.Affine(1, 0, -107.5, 0, -1, 36.5),
        ) as out:
            out.write(np.broadcast_to(values[:, None, None], (12, 2, 2)).astype("float32"))
    named = {name: {"path": f"{name}.tif", "unit": unit} for name, (_, unit) in layers.items()}
    whole, _ = climate_at(folder, -106.6, 35.65, **named)
    assert whole.basis == ("Penman-Monteith from layers",)
    # with temperature alone the station's hours are surer
    bare, _ = climate_at(folder, -106.6, 35.65, tmin=named["tmin"], tmax=named["tmax"])
    assert bare.basis == ("ASCE hours of a weather file",)
    assert bare.spread_mm_day[0] < 0.75
    # and what the layers would have said stands beside it
    assert np.isfinite(bare.computed_peak_mm_day).all()


def test_a_contract_takes_the_file_where_it_is_near(springs):
    folder, _ = springs
    (folder / "sites.csv").write_text("name,lon,lat\nNear,-106.5,35.3\nFar,-100,30\n", encoding="utf-8")
    sites = {"path": "sites.csv", "name": "name", "x": "lon", "y": "lat", "crs": "EPSG:4326"}
    plan = parse_plan({"contract": {"sites": sites}, "climate": {"weather": "springs.epw"}}, folder / "plan.toml")
    found = run_contract(plan, Ledger())
    assert found.climate.basis == ("ASCE hours of a weather file", "built-in estimate")
    assert Flag.BUILT_IN_ONLY not in found.flags[0]
    assert Flag.BUILT_IN_ONLY in found.flags[1]


def test_a_real_typical_year():
    """pvlib's TMY3 of Greensboro, North Carolina (NREL): by hours and by days (ASCE daily, of the file's days) the
    months agree to 6 %, and the peak month is the same.
    """
    if not GREENSBORO.is_file():
        pytest.skip("this pvlib ships no TMY3 file")
    ledger = Ledger()
    w = hours.hourly_weather(read_hours(GREENSBORO, "climate.weather", ledger), 10.0)
    assert list(ledger) == []
    assert (w.latitude_deg, w.elevation_m) == (36.1, 273.0)
    by_hour, count = hours.month_means(w, hours.eto_of_hours(w), w.longitude_deg)
    assert count.min() >= 27
    days = lambda values: values.reshape(365, 24)  # noqa: E731
    by_day = eto.daily_eto(
        days(w.t_c).min(axis=1),
        days(w.t_c).max(axis=1),
        days(w.vapour_pressure_kpa).mean(axis=1),
        days(w.radiation_mj_m2_h).sum(axis=1),
        days(w.wind_2m_m_s).mean(axis=1),
        36.1,
        273.0,
        np.arange(365) + 1.0,
        "ASCE short",
    )
    daily = np.bincount(np.repeat(np.arange(12), eto.MONTH_DAYS), by_day) / eto.MONTH_DAYS
    assert_allclose(by_hour, daily, rtol=0.06)
    assert by_hour.argmax() == daily.argmax()


def test_gaps_are_bridged_or_leave_their_day_out(springs, tmp_path):
    folder, _ = springs
    lines = (folder / "springs.epw").read_text(encoding="utf-8").splitlines()

    def spoilt(rows, column, value, name):
        text = lines.copy()
        for k in rows:
            cells = text[8 + k].split(",")
            cells[column] = value
            text[8 + k] = ",".join(cells)
        (tmp_path / name).write_text("\n".join(text) + "\n", encoding="utf-8")
        return tmp_path / name

    ledger = Ledger()
    whole = hours.hourly_weather(read_hours(folder / "springs.epw", "w", Ledger()), 10.0)
    short = hours.hourly_weather(read_hours(spoilt(range(100, 103), 6, "99.9", "short.epw"), "w", ledger), 10.0)
    assert "3 hours have no temperature: bridged" in str(next(iter(ledger)))
    assert_allclose(short.t_c[100:103], np.interp([1, 2, 3], [0, 4], whole.t_c[[99, 103]]))
    ledger = Ledger()
    gap = hours.hourly_weather(read_hours(spoilt(range(100, 110), 21, "999", "gap.epw"), "w", ledger), 10.0)
    assert "10 hours have no wind: their days count for nothing" in str(next(iter(ledger)))
    assert hours.month_means(gap, hours.eto_of_hours(gap), gap.longitude_deg)[1][0] == 30
    spoilt(range(24 * 31, 24 * 45), 7, "99.9", "springs.epw")
    with pytest.raises(DataError, match=r"Feb has only 1[34] days"):
        climate_at(tmp_path, -106.6, 35.2)


def test_relative_humidity_stands_in_for_a_dew_point(tmp_path):
    """PVGIS files give relative humidity only; the same air gives the same vapour pressure (FAO-56 eq. 10)."""
    times = pd.date_range("2010-01-01", periods=HOURS, freq="h", tz="UTC")
    lines = ["Latitude (decimal degrees): 45.0", "Longitude (decimal degrees): 8.0", "Elevation (m): 250.0",
             "Irradiance Time Offset (h): 0.4", "month,year", *[f"{m},2010" for m in range(1, 13)],
             "time(UTC),T2m,RH,G(h),Gb(n),Gd(h),IR(h),WS10m,WD10m,SP"]  # fmt: skip
    lines += [f"{t:%Y%m%d:%H%M},20,40,100,0,100,300,2,0,100000" for t in times]
    path = tmp_path / "pvgis.csv"
    path.write_text("\r\n".join([*lines, "T2m: 2-m air temperature", ""]), encoding="utf-8")
    w = hours.hourly_weather(read_hours(path, "w", Ledger()), 10.0)
    assert w.elevation_m == 250.0
    assert_allclose(w.vapour_pressure_kpa, 0.4 * 2.3383, rtol=1e-4)  # e(20) = 2.338 kPa, FAO-56 Annex 2 Table 2.3
    assert_allclose(w.radiation_mj_m2_h, 0.36)
    assert_allclose(w.wind_2m_m_s, 2 * 0.7480, rtol=1e-3)  # FAO-56 Annex 2 Table 2.9: 0.748 at 10 m


def test_an_epw_without_dew_points_is_read_by_its_relative_humidity(springs, tmp_path):
    """EnergyPlus writes 99.9 for a dew point that is not known, and 999 for a humidity."""
    folder, _ = springs
    head, lines = [], (folder / "springs.epw").read_text(encoding="utf-8").splitlines()
    head, rows = lines[:8], [line.split(",") for line in lines[8:]]
    for cells in rows:
        cells[7], cells[8] = "99.9", "40"
    path = tmp_path / "dry.epw"
    path.write_text("\n".join([*head, *map(",".join, rows)]) + "\n", encoding="utf-8")
    found = read_hours(path, "w", Ledger())
    assert found.dew_point_c is None
    w = hours.hourly_weather(found, 10.0)
    assert_allclose(w.vapour_pressure_kpa, 0.4 * eto.saturation_vapour_pressure_kpa(w.t_c))
    for cells in rows:
        cells[8] = "999"
    path.write_text("\n".join([*head, *map(",".join, rows)]) + "\n", encoding="utf-8")
    with pytest.raises(DataError, match="no hour has a dew point"):
        read_hours(path, "w", Ledger())
