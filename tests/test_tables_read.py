"""Station tables, controller logs and daily weather in the layouts that people and services hand over.

The layouts of weather files are those of the services' own pages and readers (AZMET raw2003.htm, CoAgMET doc.html,
KNMI and RefET files, GHCN-Daily's readme); the numbers in them are invented.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pyogrio
import pytest

from planner.climate.days import station_days
from planner.layers.log import read_log
from planner.layers.rows import figure, read_rows
from planner.layers.station_days import read_days
from planner.layers.station_table import Words, read_station_table
from planner.ledger import DataError, Ledger, PlanError
from planner.plan import parse_plan
from planner.plan.schema import Review
from planner.programme import knowledge
from planner.programme.stations import settle

WORDS = Words(
    knowledge.KINDS, tuple(knowledge.PLANTS), knowledge.PLANT_ALSO, tuple(knowledge.SOILS), knowledge.SOIL_ALSO
)


def stations(folder, text, name="stations.csv", **programme):
    (folder / name).write_text(text, encoding="utf-8")
    ledger = Ledger()
    plan = parse_plan({"units": "us", "programme": {"stations": name, **programme}}, folder / "plan.toml")
    return read_station_table(plan, WORDS, ledger), ledger


def log(folder, text, encoding="utf-8", **review):
    path = folder / "log.csv"
    path.write_bytes(text.encode(encoding))
    ledger = Ledger()
    return read_log(path, Review(**review), ledger), ledger


def days(folder, text, name="days.csv", wind_height_m=2.0):
    (folder / name).write_text(text, encoding="utf-8")
    ledger = Ledger()
    return read_days(folder / name, name, wind_height_m, ledger), ledger


# --- numbers and rows ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [("1,250", 1250), ("12,5", 12.5), ("1.250,5", 1250.5), ("1,250.5", 1250.5), ("85 %", 85), ("1 250", 1250)],
)
def test_figures(text, value):
    assert figure(text) == value


def test_words_are_no_figures():
    assert figure("off") is None
    assert np.isnan(figure("n/a"))


# --- station tables --------------------------------------------------------------------------------------------


def test_us_table_with_its_own_words(tmp_path):
    table, ledger = stations(
        tmp_path,
        "Quailbrush irrigation\n"
        "Valve;Clock;Program;Head type;Area (sq ft);Flow (gpm);DU;Plants;Soil type;MAD;Lateral ID (in);Remarks\n"
        "1;A;1;Sprays;1,250;12,5;0.65;turf;silt loam;50%;1.049;by the gate\n"
        "2;A;2;drip line;400;;70;shrubs;clay;;;\n"
        "Total;;;;1,650;;;;;;;\n",
    )
    assert table.names == ("1", "2")
    assert table.kind == ("spray", "drip")
    assert table.plant == ("cool turf", "shrubs, low humidity")
    assert table.soil == ("loam", "clay")
    assert table.area_m2 == pytest.approx([1250 * 0.09290304, 400 * 0.09290304])
    assert table.flow_l_min[0] == pytest.approx(12.5 * 3.785411784)
    assert table.uniformity == pytest.approx([0.65, 0.70])
    assert table.depletion[0] == 0.5
    assert table.pipe_mm[0] == pytest.approx(1.049 * 25.4)
    said = "\n".join(map(str, ledger))
    assert "totals" in said
    assert "Remarks" in said


def test_metric_table_with_a_row_of_units(tmp_path):
    table, _ = stations(
        tmp_path,
        "station,area,flow,precipitation rate,root depth\n,m2,L/min,mm/h,cm\n7,120,50,25,20\n",
    )
    assert (table.area_m2[0], table.flow_l_min[0], table.rate_mm_h[0], table.root_m[0]) == (120, 50, 25, 0.2)


def test_unit_less_headings_take_the_plans_units_and_say_so(tmp_path):
    table, ledger = stations(tmp_path, "station,area\n1,1000\n")
    assert table.area_m2[0] == pytest.approx(92.9, abs=0.01)
    assert "taken as ft2" in "\n".join(map(str, ledger))
    metric, _ = stations(tmp_path, "station,area\n1,1000\n", columns_in="metric")
    assert metric.area_m2[0] == 1000


def test_catch_cans_give_rate_and_uniformity(tmp_path):
    cans = " ".join(["20", "24", "22", "30", "26", "28", "18", "32"] * 3)
    table, _ = stations(tmp_path, f"station,catch (mL),test minutes,can opening (in2)\n1,{cans},10,16\n")
    assert table.rate_mm_h[0] / 25.4 == pytest.approx(3.66 * 25 / 160, rel=5e-4)
    assert table.uniformity[0] == pytest.approx(19 / 25)


def test_uniformity_and_efficiency_together_are_refused(tmp_path):
    with pytest.raises(DataError, match="uniformity and an efficiency"):
        stations(tmp_path, "station,DU,efficiency\n1,0.65,0.75\n")


def test_named_columns_and_odd_words(tmp_path):
    table, ledger = stations(
        tmp_path, "Ventil,Beet,Soil\n1,moss,peat\n", columns={"station": "Ventil", "plant": "Beet"}
    )
    assert table.plant == ("",)
    said = "\n".join(map(str, ledger))
    assert "1: moss" in said
    assert "1: peat" in said
    assert settle(table, "loam", 0.7).factor[0, 0] == 0.7
    with pytest.raises(DataError, match="no column 'Ventile'"):
        stations(tmp_path, "Ventil\n1\n", columns={"station": "Ventile"})
    with pytest.raises(DataError, match="no column of stations"):
        stations(tmp_path, "a,b\n1,2\n")


def test_workbook_and_geopackage(tmp_path):
    frame = pd.DataFrame({"Station": ["1", "2"], "Flow (gpm)": ["10", "12"], "Area (ft2)": ["900", "800"]})
    pyogrio.write_dataframe(frame, tmp_path / "s.gpkg", layer="stations", driver="GPKG")
    pyogrio.write_dataframe(frame, tmp_path / "s.xlsx", layer="Sheet1", driver="XLSX")
    for name in ("s.gpkg", "s.xlsx"):
        plan = parse_plan({"programme": {"stations": name}}, tmp_path / "plan.toml")
        table = read_station_table(plan, WORDS, Ledger())
        assert table.flow_l_min == pytest.approx([37.854, 45.425], abs=0.001), name
    with pytest.raises(DataError, match="no table 'stops'"):
        read_rows(tmp_path / "s.gpkg", "s.gpkg", "stops")
    (tmp_path / "broken.xlsx").write_bytes(b"PK nonsense")
    with pytest.raises(DataError, match="cannot be read"):
        read_rows(tmp_path / "broken.xlsx", "broken.xlsx")


# --- logs ------------------------------------------------------------------------------------------------------


def test_a_log_that_is_ragged_in_many_ways(tmp_path):
    """A title, semicolons, day first, percent as text, a unit row, two entries a day, a hold in words, a footer."""
    found, ledger = log(
        tmp_path,
        "Export of controller B;;;\n"
        "Site;Quailbrush;;\n"
        "Datum;Water budget;Changed by;Note\n"
        ";%;;\n"
        "13.05.2025;85 %;;\n"
        "14.05.2025;87%;;\n"
        "14.05.2025;90%;J.;\n"
        "15.05.2025;;;Rain hold\n"
        "16.05.2025;0;;rain\n"
        "19.05.2025;1.002,5 %;;typo\n"
        "20.05.2025;88,5;;\n"
        "Records: 7;;;\n",
        encoding="cp1252",
    )
    assert str(found.day[0]) == "2025-05-13"
    assert len(found) == 8
    assert found.percent[[0, 1, 3, 7]].tolist() == [85, 90, 0, 88.5]
    assert np.isnan(found.percent[[2, 4, 5, 6]]).all()
    assert found.hold[2] == found.hold[3] == "rain"
    assert found.who[1] == "J."
    assert found.written.tolist() == [True, True, True, True, False, False, False, True]
    said = "\n".join(map(str, ledger))
    for words in ("without a date", "after the last date", "1 entry of a day", "1.002,5", "without an entry"):
        assert words in said, words


def test_months_first_shares_and_utf16(tmp_path):
    text = "Date\tAdjustment\n" + "".join(f"6/{d}/2025\t0.{d}5\n" for d in range(11, 30))
    found, ledger = log(tmp_path, text, encoding="utf-16")
    assert str(found.day[-1]) == "2025-06-29"
    assert found.percent[0] == pytest.approx(11.5)
    assert "shares" in "\n".join(map(str, ledger))


def test_dates_that_may_be_read_two_ways_are_told_by_their_steps_or_refused(tmp_path):
    text = "date,percent\n" + "".join(f"0{d}/06/2025,{90 + d}\n" for d in range(1, 8))
    found, _ = log(tmp_path, text)
    assert str(found.day[-1]) == "2025-06-07"  # a week of days, not seven months
    with pytest.raises(DataError, match="day first or month first"):
        log(tmp_path, "date,percent\n05/06/2025,90\n06/06/2025,95\n")
    told, _ = log(tmp_path, "date,percent\n05/06/2025,90\n06/06/2025,95\n", date_order="month first")
    assert str(told.day[0]) == "2025-05-06"


def test_a_log_of_changes_is_filled_and_a_daily_one_is_not(tmp_path):
    changes = "date,percent\n2025-06-01,100\n2025-06-05,95\n2025-06-12,90\n2025-06-20,97\n"
    found, _ = log(tmp_path, changes)
    assert found.percent.tolist()[:6] == [100, 100, 100, 100, 95, 95]
    daily = "date,percent\n2025-06-01,100\n2025-06-02,100\n2025-06-03,98\n2025-06-12,90\n"
    gap, _ = log(tmp_path, daily)
    assert np.isnan(gap.percent[3:11]).all()
    filled, _ = log(tmp_path, daily, gaps="no change")
    assert filled.percent[5] == 98


def test_words_for_dates_times_and_refusals(tmp_path):
    text = 'Timestamp,Seasonal adjust (%)\n2025-06-01T04:00:00,91\n"June 2, 2025 4:00 AM",92\n3-Jun-25,93\n'
    found, _ = log(tmp_path, text)
    assert found.percent.tolist() == [91, 92, 93]
    with pytest.raises(DataError, match="no column of percentages"):
        log(tmp_path, "date,flow rate gpm\n2025-06-01,5\n")
    with pytest.raises(DataError, match="no column 'Wert'"):
        log(tmp_path, "date,percent\n2025-06-01,5\n", percent_column="Wert")
    with pytest.raises(DataError, match="no row begins with a date"):
        log(tmp_path, "date,percent\nmonday,5\n")
    with pytest.raises(DataError, match="holds no percentage"):
        log(tmp_path, "date,percent\n2025-06-01,abc\n")
    with pytest.raises(PlanError, match="no such file"):
        read_log(tmp_path / "none.csv", Review(), Ledger())
    with pytest.raises(DataError, match="runs from 1999"):
        log(tmp_path, "date,percent\n1999-06-01,90\n2025-06-01,91\n")


def test_a_log_in_a_workbook(tmp_path):
    frame = pd.DataFrame({"Date": ["2025-06-01", "2025-06-02"], "Percent": ["90%", "92%"]})
    pyogrio.write_dataframe(frame, tmp_path / "log.xlsx", driver="XLSX")
    found = read_log(tmp_path / "log.xlsx", Review(), Ledger())
    assert found.percent.tolist() == [90, 92]


def test_a_batterys_charge_is_not_taken_for_the_percentage(tmp_path):
    rows = "".join(f"2025-06-{d:02d},{90 + d},{60 - d}\n" for d in range(1, 8))
    with pytest.raises(DataError, match="no column of percentages"):
        log(tmp_path, "date,WtrBdgt_now,Batt %\n" + rows)
    found, ledger = log(tmp_path, "date,WtrBdgt %,Batt %\n" + rows)
    assert found.percent[0] == 91
    assert "'WtrBdgt %' is taken as the percentage" in "\n".join(map(str, ledger))
    with pytest.raises(DataError, match="may be any of the columns Wtr %, Run %"):
        log(tmp_path, "date,Wtr %,Run %\n" + rows)
    named, ledger = log(tmp_path, "date,Wtr %,Run %\n" + rows, percent_column="Run %")
    assert named.percent[0] == 59
    assert not list(ledger)


def test_coarse_steps_are_seen(tmp_path):
    text = "date,percent\n" + "".join(f"2025-06-{d:02d},{80 + 10 * (d % 4)}\n" for d in range(1, 20))
    assert log(tmp_path, text)[0].step_percent == 10.0


# --- daily weather ---------------------------------------------------------------------------------------------


def test_azmet_daily_file(tmp_path):
    row = "{},{},6,{},20.1,29.0,80,15,40,2.1,29.5,0.0,35,30,32,31,29,30,1.8,1.2,200,40,7.1,12.0,9.1,8.6,1.1,8.2"
    found, _ = days(tmp_path, "\n".join([row.format(2005, 160, 38.2), row.format(2005, 161, 999)]) + "\n\x1a")
    assert str(found.day[0]) == "2005-06-09"
    assert found.t_max_c[0] == 38.2
    assert np.isnan(found.t_max_c[1])
    assert (found.eto_mm[0], found.radiation_mj_m2[0], found.rain_mm[0], found.wind_m_s[0]) == (8.6, 29.5, 0.0, 1.8)


def test_azmet_api(tmp_path):
    found, _ = days(
        tmp_path,
        "datetime,eto_azmet,eto_pen_mon,precip_total_mm,temp_air_maxC,temp_air_minC,sol_rad_total,wind_spd_mean_mps\n"
        "2024-06-01,9.9,8.1,0.5,39.5,21.0,30.1,2.0\n2024-06-02,9.9,-999,0,40,22,30.0,2.1\n",
    )
    assert found.eto_mm[0] == 8.1  # the standard form, not the older one beside it
    assert np.isnan(found.eto_mm[1])
    assert found.t_max_c[0] == 39.5


def test_cimis_with_its_marks(tmp_path):
    head = (
        "Stn Id,Stn Name,CIMIS Region,Date,Jul,ETo (in),qc,Precip (in),qc,Sol Rad (Ly/day),qc,"
        "Avg Vap Pres (mBars),qc,"
        "Max Air Temp (F),qc,Min Air Temp (F),qc,Avg Air Temp (F),qc,Max Rel Hum (%),qc,Min Rel Hum (%),qc,"
        "Avg Rel Hum (%),qc,Dew Point (F),qc,Avg Wind Speed (mph),qc,Wind Run (miles),qc,Avg Soil Temp (F),qc"
    )
    body = (
        "5,Shafter,San Joaquin Valley,6/13/2025,164,0.28, ,0.10, ,650, ,12.0, ,95.0, ,60.0, ,78,Y,80, ,"
        "25, ,45, ,50, ,"
        "5.0, ,120, ,75,"
    )
    bad = body.replace("0.28, ", "0.99,R").replace("6/13", "6/14").replace("95.0, ", "95.0,M")
    found, _ = days(tmp_path, f"{head}\n{body}\n{bad}\n")
    assert str(found.day[1]) == "2025-06-14"
    assert found.eto_mm[0] == pytest.approx(0.28 * 25.4)
    assert np.isnan(found.eto_mm[1])
    assert np.isnan(found.t_max_c[1])
    assert found.t_max_c[0] == pytest.approx(35.0)
    assert found.radiation_mj_m2[0] == pytest.approx(27.2, abs=0.01)
    assert found.vapour_pressure_kpa[0] == pytest.approx(1.2)
    assert found.wind_m_s[0] == pytest.approx(2.235, abs=0.001)


def test_coagmet_two_lines_of_headings(tmp_path):
    found, _ = days(
        tmp_path,
        "station,date,tAvg,tMax,tMin,rhMax,rhMin,vp,solarRad,precip,windRun\n"
        "id,date,degC,degC,degC,fraction,fraction,kPa,MJ/m^2,mm,km\n"
        "ftc01,2024-07-01,22,31,13,0.85,0.25,1.1,27.5,-999,172.8\n",
    )
    assert found.t_max_c[0] == 31
    assert found.rh_max_percent[0] == pytest.approx(85)
    assert found.wind_m_s[0] == pytest.approx(2.0)
    assert found.radiation_mj_m2[0] == 27.5
    assert np.isnan(found.rain_mm[0])


def test_coagmet_as_pyet_has_it(tmp_path):
    found, _ = days(
        tmp_path,
        "name,date,tavg,tmax,tmin,rhmax,rhmin,solar,windrun,et_asce,et_pk,et_asce0\n"
        "ftc01,2024-07-01,22,31,13,0.85,0.25,318.3,172.8,8.1,9,6.6\n",
    )
    assert found.radiation_mj_m2[0] == pytest.approx(27.5, abs=0.01)
    assert found.rh_min_percent[0] == pytest.approx(25)
    assert found.eto_mm[0] == 6.6


def test_agrimet_as_refet_has_it(tmp_path):
    found, _ = days(
        tmp_path,
        "YEAR,MONTH,DAY,MN,MX,SR,YM,UA,ETRS,ETOS\n2015,7,1,66.65,102.80,674.07,51.1,4.80,0.45,0.32\n"
        "2015,7,2,60,NO RECORD,600,50,5,0.4,0.3\n",
    )
    assert found.t_min_c[0] == pytest.approx(19.25)
    assert np.isnan(found.t_max_c[1])
    assert found.radiation_mj_m2[0] == pytest.approx(28.2, abs=0.01)
    # Penman-Monteith meets the published ETOS of 0.32 in (RefET's example, Fallon NV: 39.4575 N, 1208.5 m)
    eto = station_days(replace(found, wind_height_m=3.0), 39.4575, 1208.5)
    assert eto.eto_mm[0] / 25.4 == pytest.approx(0.32, abs=0.012)
    assert eto.how == ("Penman-Monteith", "as published")


def test_ghcn_in_its_three_shapes(tmp_path):
    def dly(element, values):
        cells = "".join(f"{v:5d} {q}S" for v, q in values) + "-9999   " * (31 - len(values))
        return f"USC00042319202506{element}{cells}\n"

    (tmp_path / "x.dly").write_text(
        dly("TMAX", [(350, " "), (360, "X")])
        + dly("TMIN", [(150, " "), (160, " ")])
        + dly("PRCP", [(25, " "), (0, " ")])
    )
    one = read_days(tmp_path / "x.dly", "x", 2.0, Ledger())
    assert one.t_max_c[0] == 35.0
    assert np.isnan(one.t_max_c[1])  # rejected by its quality mark
    assert one.rain_mm[0] == 2.5
    lines = "USC1,20250601,TMAX,350,,,S,\nUSC1,20250601,TMIN,150,,,S,\nUSC1,20250602,TMAX,360,,X,S,\n"
    two, _ = days(tmp_path, lines)
    assert two.t_max_c[0] == 35.0
    three, _ = days(tmp_path, "ID,DATE,ELEMENT,DATA_VALUE,M_FLAG,Q_FLAG,S_FLAG,OBS_TIME\n" + lines)
    assert three.t_min_c[0] == 15.0
    found = station_days(one, 36.0, 100.0)
    assert found.how[0] == "Hargreaves-Samani"


def test_noaa_order_in_fahrenheit_and_inches(tmp_path):
    found, ledger = days(
        tmp_path,
        "STATION,NAME,DATE,PRCP,TAVG,TMAX,TMIN\n"
        '"USW1","BAKERSFIELD, CA US","2025-06-01","0.10","","95","62"\n'
        '"USW1","BAKERSFIELD, CA US","2025-06-02","0.00","","97","64"\n',
    )
    assert found.t_max_c[0] == pytest.approx(35.0)
    assert found.rain_mm[0] == pytest.approx(2.54)
    assert "Fahrenheit" in "\n".join(map(str, ledger))


def test_gridmet_at_a_point(tmp_path):
    found, _ = days(
        tmp_path,
        "date,pr,tmmn,tmmx,rmin,rmax,srad,vs,pet\n2025-06-01,1.5,290.15,308.15,15,60,330,4.0,8.2\n",
        "g.csv",
    )
    assert found.t_max_c[0] == pytest.approx(35.0)
    assert found.radiation_mj_m2[0] == pytest.approx(28.5, abs=0.02)
    assert (found.wind_height_m, found.eto_mm[0], found.rh_max_percent[0]) == (10.0, 8.2, 60)


def test_knmi(tmp_path):
    found, _ = days(
        tmp_path,
        "# BRON: KNMI\n# STN,YYYYMMDD,   FG,   TG,   TN,   TX,    Q,   RH,   UG, EV24\n"
        "  260,20250601,   35,  180,  120,  240, 2100,   -1,   70,   40\n",
    )
    assert (found.t_min_c[0], found.t_max_c[0]) == (12.0, 24.0)
    assert (found.radiation_mj_m2[0], found.rain_mm[0], found.wind_m_s[0]) == (21.0, 0.0, 3.5)
    assert np.isnan(found.eto_mm[0])  # EV24 is Makkink's, another reference


def test_geosphere_aquacrop_and_a_plain_table(tmp_path):
    graz, _ = days(tmp_path, "station,time,strahl,rel,t,tmax,tmin,vv\n16412,2021-07-01,2500,65,22,29,15,1.5\n")
    assert (graz.radiation_mj_m2[0], graz.wind_m_s[0], graz.rh_mean_percent[0]) == (25.0, 1.5, 65)
    aqua, _ = days(
        tmp_path, "Day\tMonth\tYear\tTmin(C)\tTmax(C)\tPrcp(mm)\tEt0(mm)\n1\t7\t2001\t15\t29\t1.2\t5.5\n"
    )
    assert (str(aqua.day[0]), aqua.eto_mm[0], aqua.rain_mm[0]) == ("2001-07-01", 5.5, 1.2)
    own, _ = days(tmp_path, "date,eto (in),rain (in)\n06/30/2025,0.3,0.1\n07/01/2025,0.31,0\n")
    assert own.eto_mm[0] == pytest.approx(7.62)
    assert str(own.day[1]) == "2025-07-01"


def test_what_is_no_weather_is_refused(tmp_path):
    with pytest.raises(DataError, match="no layout of daily weather"):
        days(tmp_path, "a,b\n1,2\n")
    with pytest.raises(DataError, match="neither ETo nor both"):
        days(tmp_path, "date,rain\n2025-06-01,3\n2025-06-02,4\n")


@pytest.mark.open_data
def test_maricopa_from_its_own_file(open_data):
    """AZMET Maricopa (CC0) as it lies: our ETo from its weather meets the published one to 0.1 mm/day."""
    path = open_data / "stations" / "AZMET_Maricopa_daily_2003_2020.csv"
    found = read_days(path, "maricopa", 3.0, Ledger())
    assert len(found.day) > 6500
    ours = station_days(found, 33.069, 361.0)
    assert set(ours.how) == {"Penman-Monteith"}
    assert np.sqrt(np.nanmean((ours.eto_mm - found.eto_mm) ** 2)) < 0.1
