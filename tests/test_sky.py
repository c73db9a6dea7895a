"""The sky: view in closed form, anisotropic light against pvlib, weather files against their own sums."""

from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.layers.weather import read_weather, site_weather
from planner.ledger import DataError, Ledger, PlanError
from planner.plan import parse_plan
from planner.site import bare_site
from planner.sun.path import sun_table
from planner.sun.sky import Weather, sky_view, spread_sky, sun_table_from_weather

NO_LOOK, NONE = np.empty(0, np.int64), np.empty(0)
MONTH_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


def tan(degrees):
    return np.tan(np.radians(degrees))


# --- how much of it is seen ------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0.0, 10.0, 45.0, 80.0])
def test_sky_view_of_basin_wall_and_canyon(angle):
    """Closed forms: cos^2 a of a round basin; (1 + cos a)/2 before an endless wall, cos a in the middle of an
    endless canyon (Oke, Boundary Layer Climates; 1 less the view factor of the walls)."""
    azimuth = np.radians(np.arange(0.05, 360, 0.1))
    basin = np.full(len(azimuth), tan(angle))
    wall = np.maximum(0, tan(angle) * np.cos(azimuth))
    canyon = tan(angle) * np.abs(np.cos(azimuth))
    a = np.radians(angle)
    for horizon, expected in ((basin, np.cos(a) ** 2), (wall, (1 + np.cos(a)) / 2), (canyon, np.cos(a))):
        assert sky_view(horizon, NO_LOOK, NONE, NONE, NONE) == pytest.approx(expected, abs=1e-6)


def test_veil_all_round():
    """A veil between elevations a and b on all sides takes (1 - T)(sin^2 b - sin^2 a) (closed form)."""
    k = 36
    a, b, t = 20.0, 55.0, 0.3
    look = np.arange(k)
    band = np.sin(np.radians(b)) ** 2 - np.sin(np.radians(a)) ** 2
    seen = sky_view(np.zeros(k), look, np.full(k, tan(a)), np.full(k, tan(b)), np.full(k, t))
    assert seen == pytest.approx(1 - (1 - t) * band, abs=1e-12)
    # twice the same veil: T squared; behind the horizon: nothing
    twice = [np.tile(v, 2) for v in (look, np.full(k, tan(a)), np.full(k, tan(b)), np.full(k, t))]
    assert sky_view(np.zeros(k), *twice) == pytest.approx(1 - (1 - t * t) * band, abs=1e-12)
    hidden = sky_view(np.full(k, tan(60)), look, np.full(k, tan(a)), np.full(k, tan(b)), np.full(k, t))
    assert hidden == pytest.approx(np.cos(np.radians(60)) ** 2, abs=1e-12)
    # all over: T itself, in and under a crown
    shroud = sky_view(np.zeros(k), look, np.full(k, -np.inf), np.full(k, np.inf), np.full(k, t))
    assert shroud == pytest.approx(t, abs=1e-12)
    assert sky_view(np.full(k, np.inf), NO_LOOK, NONE, NONE, NONE) == 0


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_sky_view_is_what_fine_rings_sum_to(seed):
    """20,000 rings of elevation, one by one, with overlapping veils in any order."""
    rng = np.random.default_rng(seed)
    k, m = 5, 12
    horizon = np.maximum(0, tan(rng.uniform(-20, 60, k)))
    look = rng.integers(0, k, m)
    low, high = np.sort(tan(rng.uniform(-10, 89, (2, m))), axis=0)
    passed = rng.uniform(0, 1, m)
    bounds = np.radians(np.linspace(0, 90, 20_001))
    middle, weight = np.tan((bounds[1:] + bounds[:-1]) / 2), np.diff(np.sin(bounds) ** 2)
    total = 0.0
    for i in range(k):
        through = (middle > horizon[i]).astype(float)
        for j in np.flatnonzero(look == i):
            through *= np.where((middle > low[j]) & (middle < high[j]), passed[j], 1.0)
        total += (through * weight).sum() / k
    assert sky_view(horizon, look, low, high, passed) == pytest.approx(total, abs=5e-4)


# --- how it is spread --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sky", ["hay-davies", "perez"])
@pytest.mark.parametrize("latitude", [65.0, 35.0, -20.0])
def test_spread_sky_keeps_totals_and_moves_what_pvlib_says(sky, latitude):
    table = sun_table(latitude, 0.0, step_minutes=30, day_step=5)
    spread = spread_sky(table, sky)
    np.testing.assert_allclose(
        spread.beam_wh_m2 + spread.diffuse_wh_m2, table.beam_wh_m2 + table.diffuse_wh_m2, rtol=1e-12
    )
    moved = spread.beam_wh_m2 - table.beam_wh_m2
    assert (moved >= 0).all()
    assert (spread.diffuse_wh_m2 >= 0).all()
    # the same seen by a tilted plane: pvlib's own total is the part round the sun x Rb + the even part
    # x (1 + cos tilt)/2, and (Perez) a horizon band that is no part of ours
    high = table.elevation_deg > 10
    tilt = np.degrees(0.6)
    zenith = 90 - table.elevation_deg
    projection = pvlib.irradiance.aoi_projection(tilt, 180, zenith, table.azimuth_deg)
    rb = np.maximum(0, projection) / np.cos(np.radians(zenith))
    ours = moved * rb + spread.diffuse_wh_m2 * (1 + np.cos(np.radians(tilt))) / 2
    dni = table.beam_wh_m2 / np.sin(np.radians(table.elevation_deg)) / table.hours_per_day
    dhi = table.diffuse_wh_m2 / table.hours_per_day
    # the exact distance of the sun is not in the table, a month's is: 1367 and a bit, from the calendar here
    top = pvlib.irradiance.get_extra_radiation(
        pd.DatetimeIndex([f"2025-{m + 1:02d}-16" for m in range(12)])
    ).to_numpy()[table.month]
    if sky == "hay-davies":
        theirs = pvlib.irradiance.haydavies(tilt, 180, dhi, dni, top, zenith, table.azimuth_deg)
    else:
        mass = pvlib.atmosphere.get_relative_airmass(zenith)
        parts = pvlib.irradiance.perez(
            tilt, 180, dhi, dni, top, zenith, table.azimuth_deg, mass, return_components=True
        )
        theirs = parts["poa_isotropic"] + parts["poa_circumsolar"]
    np.testing.assert_allclose(ours[high], (theirs * table.hours_per_day)[high], rtol=2e-3)
    assert moved.sum() / table.diffuse_wh_m2.sum() > 0.2  # a clear sky is far from even


def test_an_even_sky_is_left_alone():
    table = sun_table(40.0, 0.0, step_minutes=60, day_step=15)
    assert spread_sky(table, "isotropic") is table


# --- weather files ---------------------------------------------------------------------------------------------


def hourly_clear_sky(latitude, longitude, zone_h, altitude):
    """Means over each hour of pvlib's clear sky by the minute, hours by the zone's clock, common year."""
    return _hourly_clear_sky(latitude, longitude, zone_h, altitude).copy()


@lru_cache(maxsize=4)
def _hourly_clear_sky(latitude, longitude, zone_h, altitude):
    tz = f"Etc/GMT{-zone_h:+d}"
    minutes = pd.date_range("2025-01-01 00:00:30", periods=365 * 1440, freq="min", tz=tz)
    where = pvlib.location.Location(latitude, longitude, altitude=altitude)
    sky = where.get_clearsky(minutes, model="ineichen")
    return sky[["ghi", "dni", "dhi"]].resample("h").mean()


def write_epw(path, light, latitude, longitude, zone_h, altitude, drop=None):
    head = f"LOCATION,Invented Springs,XX,YYY,TMY,000000,{latitude},{longitude},{zone_h},{altitude}\n"
    rest = "".join(f"{word}\n" for word in ("DESIGN", "TYPICAL", "GROUND", "HOLIDAYS", "C1", "C2", "DATA"))
    rows = []
    for when, (ghi, dni, dhi) in zip(light.index, light.to_numpy(), strict=True):
        row = [2013, when.month, when.day, when.hour + 1, 0, "?"] + [0] * 7 + [f"{v:.1f}" for v in (ghi, dni, dhi)]
        rows.append(",".join(map(str, row + [0] * 19)))
    path.write_text(head + rest + "\n".join(rows[slice(drop)]) + "\n", encoding="utf-8")
    return path


def write_tmy3(path, light, latitude, longitude, zone_h, altitude):
    head = f"000000,INVENTED SPRINGS,XX,{zone_h}.0,{latitude},{longitude},{altitude}\n"
    head += "Date (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2),DNI (W/m^2),DHI (W/m^2)\n"
    rows = [
        f"{w.month:02d}/{w.day:02d}/{1990 + w.month},{w.hour + 1:02d}:00,{g:.1f},{n:.1f},{d:.1f}"
        for w, (g, n, d) in zip(light.index, light.to_numpy(), strict=True)
    ]
    path.write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def write_pvgis(path, latitude, longitude, altitude, offset_h):
    """PVGIS gives the moment, not the mean: pvlib's clear sky at HH:00 UTC plus the offset. Leap years are among
    its months."""
    years = [2008 + m % 5 for m in range(12)]
    times = pd.DatetimeIndex(
        [
            t
            for m, y in enumerate(years)
            for t in pd.date_range(f"{y}-{m + 1:02d}-01", periods=24 * MONTH_DAYS[m], freq="h", tz="UTC")
        ]
    )
    where = pvlib.location.Location(latitude, longitude, altitude=altitude)
    sky = where.get_clearsky(times + pd.to_timedelta(offset_h, unit="h"), model="ineichen")
    lines = [f"Latitude (decimal degrees): {latitude}", f"Longitude (decimal degrees): {longitude}",
             f"Elevation (m): {altitude}", f"Irradiance Time Offset (h): {offset_h}", "month,year"]  # fmt: skip
    lines += [f"{m + 1},{y}" for m, y in enumerate(years)]
    lines += ["time(UTC),T2m,RH,G(h),Gb(n),Gd(h),IR(h),WS10m,WD10m,SP"]
    lines += [
        f"{t:%Y%m%d:%H%M},10,50,{g:.2f},{n:.2f},{d:.2f},300,2,0,100000"
        for t, g, n, d in zip(times, sky["ghi"], sky["dni"], sky["dhi"], strict=True)
    ]
    path.write_text("\r\n".join([*lines, "T2m: 2-m air temperature", ""]), encoding="utf-8")
    return path


PLACE = (35.2, -106.6, -7, 1600)  # latitude, longitude, hours of the clock, altitude


@pytest.mark.parametrize("kind", ["epw", "tmy3", "pvgis"])
def test_a_clear_year_in_a_file_is_the_clear_year(kind, tmp_path):
    """pvlib's clear sky, written as each format states its hours, gives back the clear-sky table by month, and its
    mornings and afternoons: a clock one hour off would show."""
    latitude, longitude, zone, altitude = PLACE
    if kind == "pvgis":
        path = write_pvgis(tmp_path / "tmy.csv", latitude, longitude, altitude, 0.4)
    else:
        light = hourly_clear_sky(latitude, longitude, zone, altitude)
        write = write_epw if kind == "epw" else write_tmy3
        path = write(
            tmp_path / f"year.{'epw' if kind == 'epw' else 'csv'}", light, latitude, longitude, zone, altitude
        )
    ledger = Ledger()
    weather = read_weather(path, latitude, longitude, ledger)
    assert list(ledger) == []
    table = sun_table_from_weather(weather, latitude, longitude)
    clear = sun_table(latitude, longitude, altitude)
    for key in ("beam_wh_m2", "diffuse_wh_m2"):
        ours, theirs = (t.monthly(getattr(t, key)) for t in (table, clear))
        np.testing.assert_allclose(ours, theirs, rtol=0.015)
        for morning in (True, False):
            half = [t.monthly(np.where((t.solar_hour < 12) == morning, getattr(t, key), 0)) for t in (table, clear)]
            np.testing.assert_allclose(half[0], half[1], rtol=0.04)
    np.testing.assert_allclose(table.monthly(table.hours_per_day), clear.monthly(clear.hours_per_day), atol=0.08)
    assert table.month.min() == 0
    assert (np.diff(table.month) >= 0).all()


def test_a_real_year_keeps_its_own_sums():
    """The TMY3 file that pvlib ships (Greensboro, North Carolina; NREL): beam and diffuse together are the file's
    own global radiation, month by month, and far below a clear sky."""
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    if not path.is_file():
        pytest.skip("this pvlib ships no TMY3 file")
    weather = read_weather(path, 36.1, -79.95, Ledger())
    table = sun_table_from_weather(weather, 36.1, -79.95)
    file = pd.read_csv(path, skiprows=1)
    month = file["Date (MM/DD/YYYY)"].str[:2].astype(int) - 1
    ghi = np.bincount(month, weights=file["GHI (W/m^2)"]) / MONTH_DAYS
    ours = table.monthly(table.beam_wh_m2 + table.diffuse_wh_m2)
    np.testing.assert_allclose(ours, ghi, rtol=0.03)
    dni = np.bincount(month, weights=file["DHI (W/m^2)"]) / MONTH_DAYS
    np.testing.assert_allclose(table.monthly(table.diffuse_wh_m2), dni, rtol=0.01)
    # a cloudy sky is more even than a clear one, by either model
    clear = sun_table(36.1, -79.95, 273)
    for sky in ("hay-davies", "perez"):
        moved = []
        for light in (table, clear):
            spread = spread_sky(light, sky)
            assert np.isfinite(spread.beam_wh_m2).all()
            moved.append((spread.beam_wh_m2 - light.beam_wh_m2).sum() / light.diffuse_wh_m2.sum())
        assert 0 < moved[0] < moved[1] < 1
    assert (ours < 0.85 * clear.monthly(clear.beam_wh_m2 + clear.diffuse_wh_m2)).all()


def test_south_and_east_of_greenwich(tmp_path):
    latitude, longitude, zone, altitude = -33.9, 151.2, 10, 20
    light = hourly_clear_sky(latitude, longitude, zone, altitude)
    path = write_epw(tmp_path / "s.epw", light, latitude, longitude, zone, altitude)
    table = sun_table_from_weather(read_weather(path, latitude, longitude, Ledger()), latitude, longitude)
    clear = sun_table(latitude, longitude, altitude)
    np.testing.assert_allclose(table.monthly(table.beam_wh_m2), clear.monthly(clear.beam_wh_m2), rtol=0.015)


def test_what_is_wrong_with_a_file_is_said(tmp_path):
    latitude, longitude, zone, altitude = PLACE
    light = hourly_clear_sky(latitude, longitude, zone, altitude)
    good = write_epw(tmp_path / "good.epw", light, latitude, longitude, zone, altitude)

    def fails(path, *words, **kwargs):
        with pytest.raises(DataError) as fault:
            read_weather(path, latitude, longitude, Ledger(), **kwargs)
        for word in words:
            assert word in str(fault.value)

    fails(tmp_path / "gone.epw", "no such file")
    with pytest.raises(DataError, match=r"Invented Springs.* 335 km|33\d km") as fault:
        read_weather(good, latitude + 3.0, longitude, Ledger())
    assert "weather_within_km" in fault.value.todo
    ledger = Ledger()
    read_weather(good, latitude + 0.5, longitude, ledger)
    assert "55 km from the site" in str(next(iter(ledger))) or "56 km" in str(next(iter(ledger)))
    short = write_epw(tmp_path / "short.epw", light, latitude, longitude, zone, altitude, drop=8000)
    fails(short, "8000 hours", "8760")
    twice = tmp_path / "twice.epw"
    lines = good.read_text(encoding="utf-8").splitlines()
    lines[100] = lines[101]
    twice.write_text("\n".join(lines), encoding="utf-8")
    fails(twice, "8759 of them different")
    (tmp_path / "junk.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    fails(tmp_path / "junk.csv", "neither EPW nor TMY3")
    (tmp_path / "head.epw").write_text("LOCATION,x\n" + "\n" * 9, encoding="utf-8")
    fails(tmp_path / "head.epw", "cannot be read")
    (tmp_path / "empty.epw").write_text("", encoding="utf-8")
    fails(tmp_path / "empty.epw", "neither EPW")
    (tmp_path / "binary.epw").write_bytes(bytes(range(256)) * 50)
    fails(tmp_path / "binary.epw", "neither EPW")
    series = tmp_path / "series.csv"
    head = "Latitude (decimal degrees):\t45.0\nLongitude (decimal degrees):\t8.0\nElevation (m):\t250\n"
    body = "Radiation database:\tX\n\n\ntime,G(i),H_sun\n20160101:0010,0,0\n"
    series.write_text(head + body, encoding="utf-8")
    fails(series, "cannot be read")
    tmy3 = write_tmy3(tmp_path / "t.csv", light, latitude, longitude, zone, altitude)
    text = tmy3.read_text(encoding="utf-8")
    (tmp_path / "no_dni.csv").write_text(text.replace("DNI (W/m^2)", "other"), encoding="utf-8")
    fails(tmp_path / "no_dni.csv", "no direct normal radiation")
    (tmp_path / "moon.csv").write_text(text.replace(str(latitude), "135.2", 1), encoding="utf-8")
    fails(tmp_path / "moon.csv", "no place on earth")


def test_gaps_count_for_nothing_and_are_said(tmp_path):
    latitude, longitude, zone, altitude = PLACE
    light = hourly_clear_sky(latitude, longitude, zone, altitude)
    light.iloc[12:22, 1] = 9999  # EPW's word for unknown
    path = write_epw(tmp_path / "gaps.epw", light, latitude, longitude, zone, altitude)
    ledger = Ledger()
    weather = read_weather(path, latitude, longitude, ledger)
    assert "10 hours have no direct normal radiation" in str(next(iter(ledger)))
    assert weather.dni_wh_m2.max() < 1200
    light.iloc[:2000, 2] = 9999
    with pytest.raises(DataError, match="2000 hours have no diffuse"):
        read_weather(write_epw(path, light, latitude, longitude, zone, altitude), latitude, longitude, Ledger())


def test_names_in_latin_1_and_words_for_numbers(tmp_path):
    latitude, longitude, zone, altitude = PLACE
    light = hourly_clear_sky(latitude, longitude, zone, altitude)
    for write, name, old, new in (
        (write_epw, "a.epw", "Invented Springs", "Peña Inventada"),
        (write_tmy3, "a.csv", "INVENTED SPRINGS", "PEÑA INVENTADA"),
    ):
        path = write(tmp_path / name, light, latitude, longitude, zone, altitude)
        text = path.read_text(encoding="utf-8").replace(old, new)
        for encoding in ("latin-1", "utf-8-sig"):
            path.write_bytes(text.encode(encoding))
            assert read_weather(path, latitude, longitude, Ledger()).name == new
    lines = text.splitlines()
    for k in range(14, 20):
        lines[k] = ",".join([*lines[k].split(",")[:3], "n/a", "n/a"])
    path.write_text("\n".join(lines), encoding="utf-8")
    ledger = Ledger()
    read_weather(path, latitude, longitude, ledger)
    assert [str(n).split(": ")[2] for n in ledger] == [
        "6 hours have no direct normal radiation", "6 hours have no diffuse horizontal radiation",
    ]  # fmt: skip


def test_leap_day_of_a_real_year_is_left_out(tmp_path):
    latitude, longitude, zone, altitude = PLACE
    light = hourly_clear_sky(latitude, longitude, zone, altitude)
    leap = light.iloc[58 * 24 : 59 * 24]
    index = [*light.index[: 59 * 24], *(pd.Timestamp("2024-02-29") + pd.to_timedelta(np.arange(24), unit="h")),
             *light.index[59 * 24 :]]  # fmt: skip
    long = pd.concat([light.iloc[: 59 * 24], leap, light.iloc[59 * 24 :]])
    long.index = index
    path = write_epw(tmp_path / "leap.epw", long, latitude, longitude, zone, altitude)
    text = path.read_text(encoding="utf-8").replace("\n2013,", "\n2024,")
    path.write_text(text, encoding="utf-8")
    weather = read_weather(path, latitude, longitude, Ledger())
    assert len(weather.dni_wh_m2) == 8760
    assert isinstance(weather, Weather)


def test_the_plan_names_the_file(tmp_path):
    latitude, longitude, zone, altitude = PLACE
    light = hourly_clear_sky(latitude, longitude, zone, altitude)
    write_epw(tmp_path / "springs.epw", light, latitude, longitude, zone, altitude)
    site = bare_site(latitude_deg=latitude, longitude_deg=longitude)

    def weather(**sun):
        return site_weather(parse_plan({"sun": sun}, tmp_path / "plan.toml"), site, Ledger())

    assert weather() is None
    assert weather(weather="springs.epw").name == "Invented Springs"
    with pytest.raises(PlanError, match=r"springs\.epw"):
        weather(weather="sprigns.epw")
    far = bare_site(latitude_deg=latitude + 1, longitude_deg=longitude)
    with pytest.raises(DataError, match="111 km"):
        site_weather(parse_plan({"sun": {"weather": "springs.epw"}}, tmp_path / "plan.toml"), far, Ledger())
    wide = parse_plan({"sun": {"weather": "springs.epw", "weather_within_km": 120}}, tmp_path / "plan.toml")
    assert site_weather(wide, far, Ledger()) is not None
