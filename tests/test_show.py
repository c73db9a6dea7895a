"""Show: pictures, map data, sheet, tables and safe writing, on a small scene run through the real rooms."""

from __future__ import annotations

import base64
import dataclasses
import errno
import hashlib
import io
import json
import os
import re
import tempfile
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser
from pathlib import Path

import geopandas
import numpy as np
import pandas
import pyogrio
import pyproj
import pytest
import rasterio
import shapely
from PIL import Image
from scipy.stats import norm

from planner.climate.answer import (
    ClimatePicture,
    FromDescription,
    FromEto,
    FromTemperature,
    OneWay,
    SiteClimate,
    Way,
    ZoneResult,
    ZoneTable,
)
from planner.climate.builtin import SOURCE
from planner.contract import ContractResult, Flag
from planner.decide import Cause, Decision, Requirement, Shortfall, decide
from planner.job import SiteResult
from planner.ledger import Exit, Kind, Notice, OutputError
from planner.mounts import Mounts, Refined, find_mounts, refine
from planner.plan import Plan, Sensor
from planner.rain import rain_and_surroundings
from planner.reach import reach
from planner.show import folder as folder_room
from planner.show import write_contract, write_folder, write_site
from planner.show.draw import groups, palette, pictures, rasters, sheet, views
from planner.show.draw import map as map_room
from planner.show.draw.page import json_text, sealed
from planner.show.lonlat import from_lonlat, to_lonlat
from planner.show.say import figures, mount, shade, verdict
from planner.show.say import siting as say_siting
from planner.show.say import zone as say_zone
from planner.show.write import formats, tables
from planner.site import Crowns, Heights, KeepOut, KeepOuts, Places, Rejected, Site, bare_site, prisms
from planner.siting import Scale, siting
from planner.sun import SunResult, SunTable, sun_table, year_of_light
from planner.sun.grid import LightGrid, light_grid
from planner.sun.losses import Loss, Obstacle, day_of_sun
from planner.sun.spread import LightSpread
from planner.sun.water import Assumed, WaterBias, eto_bias_from_eto
from planner.units import MONTH_NAMES, sunlight

NASTY = (
    "<img src=x onerror=alert(1)>",
    "${alert(1)}",
    "a lone ${ here",
    r"C:\temp\new",
    "</script><script>alert(1)</script>",
    "{{ 7*7 }}",
    "{% raw %}",
    "it's \"quoted\" & 'so'",
    "two\nlines",
    "🌵 cactus",
    "שלום ירושלים",
    "<!-- <script>alert(1)//",
    "=HYPERLINK(1)",
)


def climate_of(names: tuple[str, ...] = ()) -> tuple[SiteClimate, ZoneResult]:
    """Invented climate of one site, zones by equal bands with a normal spread; labels may be given."""
    eto = np.array([[1.9, 2.6, 3.8, 5.0, 6.2, 7.1, 6.9, 6.3, 5.2, 3.7, 2.4, 1.7]])
    source = names[0] if names else "invented layer"
    climate = SiteClimate(
        eto,
        np.array([0.5]),
        ("ETo layer",),
        6 + 3.2 * eto,
        np.array([[30.0] * 4 + [4.0] * 5 + [25.0] * 3]),
        (source,),
    )
    edges = np.arange(9.0)
    labels = tuple(names[k % len(names)] if names else f"Band {k + 1}" for k in range(8))
    table = ZoneTable(
        labels,
        edges[:-1],
        np.append(edges[1:-1], np.inf),
        np.full(8, np.nan),
        np.full(8, np.nan),
        ("",) * 8,
        source,
    )

    def way(which: Way, value: float, spread: float, found: FromEto | FromTemperature | FromDescription) -> OneWay:
        share = np.diff(norm.cdf(np.append(edges[:-1], np.inf), value, spread))[None, :]
        return OneWay(
            which,
            np.array([value]),
            np.array([spread]),
            np.array([int(value)]),
            lambda: share / share.sum(),
            found,
        )

    ways = (
        way(Way.ETO, 7.1, 0.5, FromEto(np.array([5]))),
        way(Way.TEMPERATURE, 6.6, 1.1, FromTemperature(np.array([6]), np.array([31.0]), False, np.array([0.0]))),
        way(
            Way.DESCRIPTION,
            7.0,
            1.3,
            FromDescription(*(np.array([True]),) * 3, False, np.array([31.0]), np.array([0.0])),
        ),
    )
    p = ways[0].probability[0]
    order = np.argsort(-p)
    zone = ZoneResult(
        table,
        np.array([5]),
        np.array([7.1]),
        np.array([0.5]),
        order[:1],
        order[:1],
        order[1:2],
        p[order[:1]],
        p[order[1:2]],
        ways,
        np.array([0]),
        np.array([False]),
        100 * eto / eto.max(),
    )
    return climate, zone


# the slow parts, which no name changes
LIGHT: dict[float, tuple[SunTable, SunResult]] = {}
CLOSELY: dict[float, tuple[dict[int, Refined], LightGrid]] = {}


def scene(names: tuple[str, ...] = (), units: str = "us", latitude_deg: float = 33.4) -> SiteResult:
    """A yard with three buildings, trees of both kinds, each kind of keep-out and two controllers.

    names: texts to use for everything a user's file can name, in turn; plain names where none are given.
    """
    texts = iter(names * 40)

    def name(plain: str) -> str:
        return next(texts, plain) if names else plain

    turned = shapely.affinity.rotate(shapely.box(-45, -20, -15, 20), 20)
    ell = shapely.box(20, -30, 60, 30) - shapely.box(35, -10, 60, 30)
    x, y = np.meshgrid(np.arange(-300, 300, 10) + 5.0, np.arange(300, -300, -10) - 5.0)
    terrain = Heights(12 * np.exp(-((x + 250) ** 2 + y**2) / 2e4) + 0.01 * y, -300.0, 300.0, 10.0)
    site = bare_site(
        shapely.box(-90, -90, 90, 90),
        latitude_deg=latitude_deg,
        longitude_deg=-111.7,
        elevation_m=350.0,
        name=name("Larkmead yard"),
        terrain=terrain,
        buildings=prisms(
            [turned, ell, shapely.box(-20, 50, 10, 62)],
            [0.0, 0.0, 0.0],
            [7.0, 6.0, 14.0],
            [name("Hall"), name("Annexe"), name("Tower")],
        ),
        crowns=Crowns(
            (name("Oak"), name("Pine")),
            np.array([[-5.0, -30.0, 7.0], [12.0, -38.0, 6.0]]),
            np.array([4.0, 3.0]),
            np.array([4.0, 5.0]),
            np.array([False, True]),
        ),
        crown_prisms=prisms([shapely.box(65, -60, 75, -40)], [2.0], [8.0], [name("Hedge")]),
        crown_evergreen=np.array([True]),
        controllers=Places(
            (name("North controller"), name("South controller")),
            np.array([[0.0, 49.0, 1.5], [40.0, -70.0, 1.5]]),
            np.array([False, True]),
        ),
        poles=Places((name("Flagpole"),), np.array([[0.0, -75.0, 6.0]]), np.array([False])),
        keep_outs=KeepOuts(
            (name("Lawn spray"), name("Kitchen fan"), name("Plant yard")),
            (KeepOut.SPRAY, KeepOut.HEAT, KeepOut.NO_ACCESS),
            (shapely.box(-10, -85, 60, -65), shapely.box(45, -28, 50, -22), shapely.box(-60, -25, -40, -5)),
        ),
    )
    plan = Plan.model_validate(
        {
            "title": name("Larkmead sensor plan"),
            "units": units,
            "sensor": {"rated_range_m": 800.0},
            "mounts": {"named": [{"name": name("My post"), "x": -111.6995, "y": latitude_deg, "height_m": 4.0}]},
        }
    )
    mounts = find_mounts(site, plan.mounts, plan.sensor.mast_m, np.array([[5.0, 0.0]]))
    climate, zone = climate_of(names)
    season = np.array([False, False] + [True] * 8 + [False, False])
    if latitude_deg not in LIGHT:
        table = sun_table(latitude_deg, -111.7, 350.0, 20, 10)
        LIGHT[latitude_deg] = table, year_of_light(site, mounts.xyz, table)
    table, sun = LIGHT[latitude_deg]
    wet = rain_and_surroundings(site, mounts.xyz)
    found = reach(site, mounts.xyz, mounts.height_m, plan)
    decision = decide(plan, mounts, sun, wet, found, season)
    grid = np.linspace(4, 9, 60)[None, :] + np.linspace(0, 1.5, 40)[:, None]
    grid[:3, :4] = np.nan
    picture = ClimatePicture(grid, -112.5, latitude_deg - 0.5, -111.0, latitude_deg + 0.5, name("invented layer"))
    notices = (
        Notice(Kind.ASSUMED, name("buildings.gpkg"), "no height is given, the default stands in", (name("Shed"),)),
    )
    return SiteResult(
        plan,
        site,
        mounts,
        table,
        sun,
        wet,
        found,
        climate,
        zone,
        season,
        "months whose ETo exceeds rain",
        decision,
        picture,
        notices,
        {
            k: day_of_sun(site, mounts.xyz[k], table, season, time_zone="America/Phoenix")
            for k in (decision.chosen, *decision.runners_up)
        },
        *_closely(site, mounts, decision, table, season),
        siting=siting(site, mounts.xyz, sun, wet, season),
        water=eto_bias_from_eto(sun.light_share, climate.eto_mm_day[0], climate.t_mean_c[0], latitude_deg, 350.0),
    )


def _closely(site: Site, mounts: Mounts, decision: Decision, table: SunTable, season: np.ndarray) -> tuple:
    """Trials beside and above the mounts with a card (scored by their light alone), and a coarse light grid."""
    if site.latitude_deg not in CLOSELY:

        def judge(trials: Mounts) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
            light = year_of_light(site, trials.xyz, table).light_share[:, season].min(axis=1)
            return light, 100 * light + np.arange(len(light)) % 3, np.ones(len(light), int)

        CLOSELY[site.latitude_deg] = (
            refine(site, mounts, [decision.chosen, *decision.runners_up], judge, along_m=1.0),
            light_grid(site, table, cell_m=18.0),
        )
    return CLOSELY[site.latitude_deg]


def contract(n: int = 12, names: tuple[str, ...] = ()) -> ContractResult:
    """An invented contract along a line from the coast inland; names in turn where given."""
    one_climate, one_zone = climate_of(names)
    share = np.linspace(0, 1, n)
    longitude, latitude = -117.0 + 2.5 * share, 33.0 + 0.3 * np.sin(9 * share)
    peak = 4.2 + 3.7 * share
    eto = one_climate.eto_mm_day / one_climate.eto_mm_day.max() * peak[:, None]
    climate = SiteClimate(
        eto,
        np.full(n, 0.5),
        ("ETo layer",) * n,
        np.full((n, 12), 20.0),
        np.full((n, 12), 20.0),
        one_climate.source * n,
    )
    row = peak.astype(int)
    zone = ZoneResult(
        one_zone.table,
        np.full(n, 5),
        peak,
        np.full(n, 0.5),
        row,
        row,
        np.minimum(row + 1, 7),
        np.full(n, 0.6),
        np.full(n, 0.3),
        (),
        np.full(n, -1),
        np.ones(n, bool),
        100 * eto / peak[:, None],
    )
    shapes = np.empty(n, object)
    shapes[:] = [
        shapely.box(x - 0.002, y - 0.001, x + 0.002, y + 0.001) for x, y in zip(longitude, latitude, strict=True)
    ]
    return ContractResult(
        Plan(title=names[0] if names else "Coast to desert", units="metric"),
        tuple(names[k % len(names)] if names else f"Plaza {k + 1}" for k in range(n)),
        longitude,
        latitude,
        shapes,
        np.full(n, 100.0),
        climate,
        zone,
        tuple((Flag.NEAR_EDGE,) if k % 3 == 0 else () for k in range(n)),
        (Rejected(names[0] if names else "Lost plaza", "its geometry is empty"),),
        ClimatePicture(
            np.linspace(4, 9, 60)[None, :] * np.ones((20, 1)), -118.0, 32.5, -114.0, 33.5, "invented layer"
        ),
        (),
    )


@pytest.fixture(scope="module")
def yard() -> SiteResult:
    return scene()


# --- pictures ---------------------------------------------------------------------------------------------------


def svg(markup: str) -> ElementTree.Element:
    """Parsed as XML, so that a stray mark in any text would fail."""
    return ElementTree.fromstring(str(markup))


def tag(name: str) -> str:
    return f".//{{http://www.w3.org/2000/svg}}{name}"


def labels(drawn: ElementTree.Element) -> dict[str, float]:
    return {t.text or "": float(t.attrib["x"]) for t in drawn.findall(tag("text"))}


def sun_svg(latitude_deg: float, season: tuple[int, ...] = tuple(range(12))) -> ElementTree.Element:
    flags = np.isin(np.arange(12), season)
    table = sun_table(latitude_deg, 0.0, 0.0, 10, 3)
    return svg(pictures.sun_picture(np.zeros(360), np.zeros(360), table, flags, latitude_deg, "alt"))


def elevation_of(y: float) -> float:
    return 90 * (1 - (y - pictures.TOP) / (pictures.HEIGHT - pictures.TOP - pictures.BOTTOM))


def lines_of(drawn: ElementTree.Element) -> list[np.ndarray]:
    paths = [p.attrib["d"] for p in drawn.findall(tag("path")) if p.attrib["fill"] == "none"]
    return [np.array([[float(v) for v in pair.split(",")] for pair in d[1:].split("L")]) for d in paths]


@pytest.mark.parametrize(
    ("latitude", "month", "declination"), [(40.0, 5, 23.3), (40.0, 11, -23.3), (-35.0, 11, -23.3)]
)
def test_sun_path_peaks_at_noon_elevation(latitude: float, month: int, declination: float) -> None:
    """Noon elevation = 90 - |latitude - declination|; mid-month declination by FAO-56 eq. 24 (p. 46)."""
    day = {5: 166, 11: 349}[month]
    assert np.degrees(0.409 * np.sin(2 * np.pi * day / 365 - 1.39)) == pytest.approx(declination, abs=0.2)
    line = lines_of(sun_svg(latitude))[month]
    assert elevation_of(line[:, 1].min()) == pytest.approx(90 - abs(latitude - declination), abs=0.7)


def test_noon_sun_stands_in_the_middle_of_either_hemisphere() -> None:
    middle = pictures.LEFT + (pictures.WIDTH - pictures.LEFT - pictures.RIGHT) / 2
    for latitude, side in ((50.0, "S"), (-33.0, "N")):
        drawn = sun_svg(latitude)
        assert labels(drawn)[side] == pytest.approx(middle)
        for line in lines_of(drawn):
            assert line[np.argmin(line[:, 1]), 0] == pytest.approx(middle, abs=8)


def test_tropical_path_is_cut_where_it_leaves_the_picture() -> None:
    """At 5 N the June sun passes north of the zenith, by both edges of the picture; no line may cross it whole."""
    lines = lines_of(sun_svg(5.0))
    assert len(lines) > 12
    for line in lines:
        step = np.abs(np.diff(line[:, 0]))
        assert step.max() < pictures.WIDTH / 2
        low = np.maximum(line[1:, 1], line[:-1, 1]) > pictures.HEIGHT / 2  # near the zenith azimuth turns fast
        assert step[low].max(initial=0) < 20


def test_irrigation_months_are_heavy() -> None:
    drawn = sun_svg(40.0, season=(5, 6))
    weights = [float(p.attrib["stroke-width"]) for p in drawn.findall(tag("path")) if p.attrib["fill"] == "none"]
    assert [k for k, w in enumerate(weights) if w == max(weights)] == [5, 6]


def test_horizon_is_drawn_where_it_stands() -> None:
    horizon = np.zeros(360)
    horizon[170:191] = 45.0
    table = sun_table(40.0, 0.0, 0.0, 20, 10)
    drawn = svg(pictures.sun_picture(horizon, np.zeros(360), table, np.ones(12, bool), 40.0, "a <b> & c"))
    area = next(p for p in drawn.findall(tag("path")) if p.attrib["fill"] == palette.HORIZON)
    points = np.array([[float(v) for v in xy.split(",")] for xy in re.findall(r"[\d.]+,[\d.]+", area.attrib["d"])])
    tall = points[points[:, 1] < pictures.HEIGHT - pictures.BOTTOM - 1]
    south = labels(drawn)["S"]
    assert tall[:, 0].mean() == pytest.approx(south, abs=1)
    assert elevation_of(tall[:, 1].min()) == pytest.approx(45, abs=0.1)
    assert drawn.find(tag("title")).text == "a <b> & c"


@pytest.mark.parametrize(("units", "peak"), [("metric", "7.1"), ("us", "0.280")])
def test_eto_bars_are_as_tall_as_the_months(units: str, peak: str) -> None:
    climate, _ = climate_of()
    season = np.arange(12) > 5
    drawn = svg(pictures.eto_bars(climate.eto_mm_day[0], season, 5, 0.5, units))
    bars = [r for r in drawn.findall(tag("rect")) if float(r.attrib["height"]) != 10]
    tall = np.array([float(r.attrib["height"]) for r in bars])
    assert tall / tall.max() == pytest.approx(climate.eto_mm_day[0] / 7.1, abs=0.01)
    assert [r.attrib["fill"] == palette.SEASON for r in bars] == season.tolist()
    assert peak in labels(drawn)


def test_zone_bar_is_cut_by_probability() -> None:
    p = np.array([0.1, 0.6, 0.3, 0.0])
    drawn = svg(pictures.zone_bar(["a", "b <i>", "c", "d"], ["#111111", "#222222", "#333333", "#444444"], p, 1))
    wide = [float(r.attrib["width"]) for r in drawn.findall(tag("rect")) if r.attrib["fill"] != "none"]
    assert sorted(wide) == pytest.approx([44, 132, 264])
    assert "b <i>  60%" in labels(drawn)


def test_ramps_run_from_light_to_dark() -> None:
    """Relative luminance (WCAG 2.1) falls all along: order is then seen with any colour vision, and in grey."""
    for ramp in (palette.SCORE, palette.STONE, palette.DRY, palette.SHADE, palette.RAIN):
        rgb = palette.ramp_rgb(ramp, np.linspace(0, 1, 40)) / 255
        linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        luminance = linear @ [0.2126, 0.7152, 0.0722]
        assert (np.diff(luminance) < 0).all()
        assert luminance[0] / luminance[-1] > 3


@pytest.mark.parametrize("ink", [palette.INK, palette.QUIET, palette.MARK, palette.SEASON])
def test_text_is_legible_on_the_page(ink: str) -> None:
    """Contrast of 4.5 and more on white (WCAG 2.1, success criterion 1.4.3)."""
    rgb = np.array([int(ink[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    assert 1.05 / (linear @ [0.2126, 0.7152, 0.0722] + 0.05) >= 4.5


def pixels(uri: str) -> np.ndarray:
    picture = Image.open(io.BytesIO(base64.b64decode(uri.partition(",")[2])))
    return np.asarray(picture.convert("RGBA") if picture.mode == "P" else picture)


def test_climate_picture_keeps_place_and_value() -> None:
    values = np.full((2, 2), 4.0)
    values[0, 1], values[1, 0] = 8.0, np.nan  # north-east high, south-west unknown
    drawn = rasters.climate_overlay(ClimatePicture(values, 10.0, 40.0, 12.0, 42.0, "invented"))
    image = pixels(drawn.uri)
    quarter = image.shape[0] // 4, image.shape[1] // 4
    assert (drawn.west_deg, drawn.south_deg, drawn.east_deg, drawn.north_deg) == (10, 40, 12, 42)
    assert image[quarter[0], -quarter[1]].tolist() == [
        *palette.ramp_rgb(palette.DRY, palette.dryness(8.0)).tolist(),
        255,
    ]
    assert image[quarter[0], quarter[1]].tolist() == [
        *palette.ramp_rgb(palette.DRY, palette.dryness(4.0)).tolist(), 255
    ]  # fmt: skip
    assert image[-quarter[0], quarter[1], 3] == 0


def test_climate_picture_lies_right_on_a_mercator_map() -> None:
    """The line between two rows, at 60 N of a picture from 40 to 80 N, by pyproj's own EPSG:3857."""
    values = np.repeat([[8.0], [4.0]], 3, axis=1)
    drawn = rasters.climate_overlay(ClimatePicture(values, 0.0, 40.0, 40.0, 80.0, "invented"))
    column = pixels(drawn.uri)[:, 0, 0]
    cut = np.flatnonzero(np.diff(column.astype(int)))[0] + 1
    to_map = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    north, middle, south = (to_map.transform(0, lat)[1] for lat in (80, 60, 40))
    assert cut / len(column) == pytest.approx((north - middle) / (north - south), abs=1.5 / len(column))


def test_relief_is_lit_from_the_north_west() -> None:
    x, y = np.meshgrid(np.arange(-195, 200, 10.0), np.arange(195, -200, -10.0))
    site = bare_site()
    hill = Heights(40 * np.exp(-(x**2 + y**2) / 8e3), -200.0, 200.0, 10.0)
    degrees, metres = to_lonlat(site.crs), from_lonlat(site.crs)
    image = pixels(rasters.hillshade(hill, (-200, -200, 200, 200), degrees, metres).uri).astype(float)
    light = np.where(image[..., 0] > 128, image[..., 1], -image[..., 1])
    third = len(light) // 3
    assert light[third, third] > 20 > -20 > light[-third, -third]
    flat = dataclasses.replace(hill, values=np.zeros((40, 40)))
    assert rasters.hillshade(flat, (-200, -200, 200, 200), degrees, metres) is None


def test_what_a_raster_shows_is_drawn_where_it_stands() -> None:
    """A tree of 10 m in the north-east quarter of the canopy; on ground of 100 m as a surface model."""
    values = np.zeros((40, 40))
    values[5:10, 30:35] = 10.0
    canopy = Heights(values, -20.0, 20.0, 1.0)
    site = bare_site(outline=shapely.box(-20, -20, 20, 20), canopy=canopy)
    degrees = to_lonlat(site.crs)
    drawn = groups._shown(site, degrees)
    image = pixels(drawn["image"])
    assert drawn["name"] == "Trees as cells of a raster"
    rows, cols = np.nonzero(image[..., 3])
    assert (rows.mean() / len(image), cols.mean() / image.shape[1]) == pytest.approx(
        (7.5 / 40, 32.5 / 40), abs=0.02
    )
    assert len(rows) / image[..., 3].size == pytest.approx(25 / 1600, rel=0.1)
    assert groups._shown(dataclasses.replace(site, canopy=None), degrees) is None
    ground = Heights(np.full((40, 40), 100.0), -20.0, 20.0, 1.0)
    surface = dataclasses.replace(canopy, values=values + 100.0)
    other = groups._shown(dataclasses.replace(site, canopy=None, terrain=ground, surface=surface), degrees)
    assert other["name"] == "What the surface model shows"
    assert (pixels(other["image"])[..., 3] == image[..., 3]).all()


# --- words ------------------------------------------------------------------------------------------------------


def test_worst_month_is_an_irrigation_month() -> None:
    light = np.array([0.2, 0.9, 0.8, 0.7] + [1.0] * 8)
    assert mount.worst_month(light, np.isin(np.arange(12), (1, 2))) == 2
    assert mount.worst_month(light, np.zeros(12, bool)) == 0


def test_letters_go_on_past_z() -> None:
    assert [figures.letter(k) for k in (0, 25, 26, 27, 701, 702)] == ["A", "Z", "AA", "AB", "ZZ", "AAA"]


def test_bands_in_words() -> None:
    table = ZoneTable(
        ("a", "b", "c"),
        np.array([-np.inf, 3.0, 6.0]),
        np.array([3.0, 6.0, np.inf]),
        np.full(3, np.nan),
        np.full(3, np.nan),
        ("",) * 3,
        "",
    )
    assert [say_zone.band(table, k, "metric") for k in range(3)] == [
        "less than 3.0 mm/day",
        "3.0 to 6.0 mm/day",
        "6.0 mm/day or more",
    ]


def test_numbers_say_unit_month_and_basis(yard: SiteResult) -> None:
    row = yard.decision.chosen
    numbers = {n.label: n for n in mount.mount_numbers(yard, row)}
    month = mount.worst_month(yard.sun.light_share[row], yard.season)
    light = numbers[f"Sunlight received, {MONTH_NAMES[month]}"]
    assert light.value == sunlight(yard.sun.light_share[row, month])
    assert numbers["Sensor height"].value == f"{yard.mounts.height_m[row] / 0.3048:.1f} ft"
    assert all(n.basis for n in numbers.values())


def test_a_zone_that_is_not_known_is_said_so() -> None:
    climate, zone = climate_of()
    lost = dataclasses.replace(
        zone,
        zone=np.array([-1]),
        runner_up=np.array([-1]),
        peak_month=np.array([-1]),
        peak_eto_mm_day=np.array([np.nan]),
        spread_mm_day=np.array([np.nan]),
        used=np.array([-1]),
    )
    told = say_zone.zone_words(climate, lost, 0, "us")
    assert (told.label, told.peak, told.peak_month) == ("none", "not known", "a month not known")
    svg(pictures.zone_bar(lost.table.labels, palette.zone_colours(lost.table.peak_mm_day), told.probability, -1))
    svg(pictures.eto_bars(np.full(12, np.nan), np.zeros(12, bool), -1, np.nan, "us"))


# --- the sheet's drawing ----------------------------------------------------------------------------------------


def test_ties_run_to_the_ends_of_the_nearest_wall() -> None:
    """A 3-4-5 and a 6-8-10 triangle, whatever extra vertices the wall has."""
    wall = shapely.Polygon([(5, 0), (14, 0), (14, 20), (0, 20), (0, 0)])
    first, second = sheet.ties(wall, np.array([6.0, 8.0]))
    assert {first.distance_m, second.distance_m} == {10.0, float(np.hypot(6, 12))}
    first, second = sheet.ties(wall, np.array([3.0, -4.0]))
    assert {first.corner, second.corner} == {(0.0, 0.0), (14.0, 0.0)}
    assert min(first.distance_m, second.distance_m) == 5.0


def test_drawing_is_well_formed_and_to_scale(yard: SiteResult) -> None:
    row = next(k for k in (yard.decision.chosen, *yard.decision.runners_up) if yard.mounts.building[k] >= 0)
    drawn = svg(sheet.site_drawing(yard, row))
    tie = drawn.findall(tag("line"))
    drawn_m = [
        np.hypot(*(float(t.attrib[a]) - float(t.attrib[b]) for a, b in (("x1", "x2"), ("y1", "y2")))) for t in tie
    ]
    real_m = [
        t.distance_m
        for t in sheet.ties(yard.site.buildings.shapes[yard.mounts.building[row]], yard.mounts.xyz[row, :2])
    ]
    assert drawn_m[0] / drawn_m[1] == pytest.approx(real_m[0] / real_m[1], rel=0.02)


# --- pages ------------------------------------------------------------------------------------------------------


class Elements(HTMLParser):
    """Tags, attributes and text of a page, with script and style text apart."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.scripts: list[str] = []
        self._in = ""
        self.feed(page.decode())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self._in = tag
            if tag == "script":
                self.scripts.append("")

    def handle_endtag(self, tag: str) -> None:
        if tag == self._in:
            self._in = ""

    def handle_data(self, data: str) -> None:
        if self._in == "script":
            self.scripts[-1] += data
        elif not self._in:
            self.text.append(data)


def pages(result: SiteResult) -> dict[str, bytes]:
    return {"map": map_room.site_page(result), "sheet": sheet.sheet_page(result)}


def test_pages_hold_all_they_need(yard: SiteResult) -> None:
    for name, page in pages(yard).items():
        found = Elements(page)
        assert len(page) < 3e6
        for element, attributes in found.tags:
            assert element not in ("link", "iframe", "object", "base"), name
            for key in ("src", "srcset", "poster", "data"):
                assert (attributes.get(key) or "data:").startswith("data:"), (name, element, attributes)
        assert b"sourceMappingURL" not in page


def test_only_our_scripts_may_run(yard: SiteResult) -> None:
    for page in pages(yard).values():
        found = Elements(page)
        policy = next(a["content"] for t, a in found.tags if t == "meta" and a.get("http-equiv"))
        hashes = set(re.findall(r"'sha256-([^']+)'", policy))
        scripts = [attributes for element, attributes in found.tags if element == "script"]
        running = [s for s, a in zip(found.scripts, scripts, strict=True) if a.get("type") is None]
        assert {base64.b64encode(hashlib.sha256(s.encode()).digest()).decode() for s in running} == hashes
        assert "connect-src" not in policy
        assert "default-src 'none'" in policy


def test_the_same_result_gives_the_same_files(yard: SiteResult) -> None:
    assert pages(yard) == pages(yard)


def test_names_from_files_stay_text() -> None:
    plain, foreign = scene(), scene(NASTY)
    for name, page in pages(foreign).items():
        found, usual = Elements(page), Elements(pages(plain)[name])
        assert len(found.scripts) == len(usual.scripts)
        assert {t for t, _ in found.tags} == {t for t, _ in usual.tags}
        handlers = {k for _, attributes in found.tags for k in attributes if k.startswith("on")}
        assert not handlers
        assert NASTY[0] in "".join(found.text)


def test_json_inside_a_page_cannot_end_its_script() -> None:
    text = json_text({"a": "</script><!--\u2028&", "b": 1.5})
    assert not re.search("[<>&\u2028\u2029]", text)
    assert json.loads(text) == {"a": "</script><!--\u2028&", "b": 1.5}
    with pytest.raises(ValueError, match="Out of range"):
        json_text({"a": float("nan")})


def test_seal_ignores_data_blocks() -> None:
    page = sealed('<html><head></head><script type="application/json">1</script><script>2</script></html>').decode()
    assert page.count("sha256-") == 1
    assert base64.b64encode(hashlib.sha256(b"2").digest()).decode() in page


def test_no_mount_says_why() -> None:
    result = scene()
    n = len(result.mounts)
    none = dataclasses.replace(
        result.decision,
        passes=np.zeros_like(result.decision.passes),
        shortfalls=((Shortfall(Requirement.LIGHT_KEPT, Cause.DARK, 0.5, 0.9, month=6),),) * n,
        score=np.full(n, np.nan),
        order=(),
        chosen=-1,
        runners_up=(),
    )
    empty = dataclasses.replace(result, decision=none)
    assert "No mount meets every requirement" in "".join(Elements(map_room.site_page(empty)).text)
    nothing = dataclasses.replace(
        none, passes=none.passes[:0], shortfalls=(), score=none.score[:0], part_scores=none.part_scores[:0]
    )
    rows = {f.name: getattr(result.mounts, f.name)[:0] for f in dataclasses.fields(result.mounts)}
    bare = dataclasses.replace(result, decision=nothing, mounts=dataclasses.replace(result.mounts, **rows))
    assert "There is nothing to mount on" in "".join(Elements(map_room.site_page(bare)).text)
    assert "No mount meets every requirement" in "".join(Elements(sheet.sheet_page(empty)).text)
    assert json.loads(tables.site_json(empty))["decision"]["mount"] is None


def test_where_an_assumed_range_alone_rules_mounts_out_the_headline_says_so() -> None:
    result = scene()
    n = len(result.mounts)
    dark = Shortfall(Requirement.LIGHT_KEPT, Cause.DARK, 0.5, 0.9, month=6)
    far = Shortfall(Requirement.IN_REACH, Cause.OUT_OF_REACH, 0.0, 1.0)

    def said(shorts: tuple[Shortfall, ...], few: int = n, sensor: Sensor | None = None) -> str:
        shortfalls = ((shorts,) * few + ((dark,),) * n)[:n]
        plan = result.plan.model_copy(update={"sensor": sensor or Sensor()})
        none = dataclasses.replace(result.decision, shortfalls=shortfalls, chosen=-1, order=(), runners_up=())
        return verdict.none_meets(dataclasses.replace(result, decision=none, plan=plan))

    plain = "No mount meets every requirement"
    judged = "only the links, judged by an assumed radio range of 656 ft"
    assert said((far,)) == f"{plain}: {n} mounts miss {judged}"
    assert said((far,), 1) == f"{plain}: 1 mount misses {judged}"
    assert said((far, dark)) == said((dark,)) == plain
    assert said((far,), sensor=Sensor(rated_range_m=200.0)) == plain
    assert said((far,), sensor=Sensor(link="cable")) == plain


def test_cautions_are_on_map_and_sheet(yard: SiteResult) -> None:
    """Ladder, fall protection and power-line rules by their sections of 29 CFR (values from secondary copies) in
    the United States; elsewhere, and where the plan names no country, no number that local law may set
    otherwise.
    """
    there = dataclasses.replace(yard, plan=yard.plan.model_copy(update={"country": "US"}))
    for page in pages(there).values():
        text = "".join(Elements(page).text)
        for section in ("1926.1053", "1926.501", "1910.28", "1910.333", "811", "Local codes"):
            assert section in text
    for country in (None, "ZA"):
        elsewhere = dataclasses.replace(yard, plan=yard.plan.model_copy(update={"country": country}))
        for page in pages(elsewhere).values():
            text = "".join(Elements(page).text)
            assert not re.search(r"CFR|811|United States", text)
            for word in ("Ladders.", "local law", "Local codes", "buried utilities"):
                assert word in text


def test_built_in_climate_is_credited(yard: SiteResult) -> None:
    """The Copernicus terms ask for these words wherever its data are used, and for nothing where they are not."""
    words_asked = "Copernicus Climate Change Service"
    used = dataclasses.replace(yard.climate, source=(f"temperature: {SOURCE}",))
    credited = dataclasses.replace(yard, climate=used)
    assert words_asked in "".join(Elements(map_room.site_page(credited)).text)
    assert words_asked not in map_room.site_page(yard).decode()


def test_every_packaged_asset_is_there_with_its_licence() -> None:
    folder = Path(map_room.__file__).parents[1] / "assets"
    assert "Leaflet 1.9.4" in (folder / "leaflet.js").read_text(encoding="utf-8")[:200]
    assert "Redistribution and use" in (folder / "leaflet-LICENSE.txt").read_text(encoding="utf-8")


# --- tables -----------------------------------------------------------------------------------------------------


def test_csv_cells_never_start_a_formula() -> None:
    rows = pandas.DataFrame(
        {"a": ["=1+1", "+1+A1", "-A1", "@x", "\tx", "fine", None], "b": [-1.0, 2, 3, 4, 5, 6, np.nan]}
    )
    back = pandas.read_csv(io.BytesIO(formats.csv_bytes(rows)))
    assert back.a[:6].tolist() == ["'=1+1", "'+1+A1", "'-A1", "'@x", "'\tx", "fine"]
    assert back.b[0] == -1.0
    # a coordinate that is text stays one
    assert b"'" not in formats.csv_bytes(pandas.DataFrame({"lon": ["-112.1", "+3", "-1,5"]}))


def test_mounts_csv_holds_every_candidate(yard: SiteResult) -> None:
    back = pandas.read_csv(io.BytesIO(tables.mounts_csv(yard)))
    assert back.id.tolist() == list(yard.mounts.ids)
    assert (back.status == "chosen").sum() == 1
    assert back.light_share_jul.to_numpy() == pytest.approx(yard.sun.light_share[:, 6], abs=1e-6)
    passed = back.filter(like="meets_").all(axis=1)
    assert (passed == back.ruled_out_by.isna()).all()
    assert not np.isinf(back.select_dtypes("number")).any().any()


def test_gpkg_is_in_degrees_at_the_right_place(yard: SiteResult) -> None:
    """Places against pyproj's geodesic (Karney) on WGS 84: the frame's metres from the site's centre."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "m.gpkg"
        path.write_bytes(tables.mounts_gpkg(yard))
        places = {name for name, kind in pyogrio.list_layers(path) if kind}
        assert places == {"mounts", "site", "layout", "controllers"}
        mounts = geopandas.read_file(path, layer="mounts")
        site = geopandas.read_file(path, layer="site")
        controllers = geopandas.read_file(path, layer="controllers")
    assert mounts.crs.to_epsg() == 4326
    geod = pyproj.Geod(ellps="WGS84")
    lon0, lat0 = np.full(len(mounts), yard.site.longitude_deg), np.full(len(mounts), yard.site.latitude_deg)
    azimuth, _, metres = geod.inv(lon0, lat0, mounts.geometry.x.to_numpy(), mounts.geometry.y.to_numpy())
    assert metres * np.sin(np.radians(azimuth)) == pytest.approx(yard.mounts.xyz[:, 0], abs=0.05)
    assert metres * np.cos(np.radians(azimuth)) == pytest.approx(yard.mounts.xyz[:, 1], abs=0.05)
    assert site.zone[0] == yard.zone.table.labels[yard.zone.zone[0]]
    assert controllers.distance_m.tolist() == pytest.approx(yard.reach.distance_m[yard.decision.chosen].tolist())


def refuse(text: str) -> None:
    raise AssertionError(f"{text} is not JSON")


def test_result_json_is_strict_and_as_documented(yard: SiteResult) -> None:
    data = json.loads(tables.site_json(yard), parse_constant=refuse)
    documented = set(re.findall(r"`(\w+)`", tables.__doc__.split("Of a contract")[0]))

    def keys(value: object) -> set[str]:
        if isinstance(value, dict):
            return set(value) | set().union(*(keys(v) for v in value.values()))
        return set().union(*map(keys, value)) if isinstance(value, list) else set()

    free = {"mounts": [], "requirements": {}, "weights": {}}  # keys of the CSV and of the plan
    for way in data["zone"]["ways"]:
        assert list(way.pop("probability")) == list(yard.zone.table.labels)
    assert keys(data | free) <= documented
    assert data["decision"]["mount"] == yard.mounts.ids[yard.decision.chosen]
    assert data["zone"]["peak_month"] == 6
    assert data["season"]["months"] == [3, 4, 5, 6, 7, 8, 9, 10]
    assert len(data["mounts"]) == len(yard.mounts)


def test_unknown_numbers_are_null() -> None:
    text = formats.json_bytes(
        {"a": [np.nan, np.inf, np.float64(1.0), np.int64(2), np.bool_(True)], "b": np.zeros(2)}
    )
    assert json.loads(text, parse_constant=refuse) == {"a": [None, None, 1.0, 2, True], "b": [0.0, 0.0]}


def test_all_of_the_light_is_in_the_tables(yard: SiteResult) -> None:
    """Beam, diffuse (sky view), spreads and both ends of the ETo: month by month, as they were found."""
    row, n = yard.decision.chosen, len(yard.mounts)
    spread = LightSpread(np.arange(12) / 100, np.arange(12) / 10)
    rng = np.random.default_rng(1)
    water = WaterBias(*rng.uniform(-20, 0, (4, n, 12)), np.full(12, 5.0), ())
    result = dataclasses.replace(yard, light_spread={row: spread}, water=water)
    rows = tables.mount_rows(result)
    month = mount.worst_month(yard.sun.light_share[row], yard.season)
    brief = mount.worst_month(yard.sun.direct_h[row], yard.season)
    assert rows.light_share_worst_month_spread[row] == pytest.approx(month / 100)
    assert rows.direct_h_day_worst_month_spread[row] == pytest.approx(brief / 10)
    assert rows.light_share_worst_month_spread.notna().sum() == 1
    closely = json.loads(tables.site_json(result))["closely"]
    (chosen,) = [one for one in closely if one["id"] == yard.mounts.ids[row]]
    assert chosen["light_share_spread"] == pytest.approx(spread.light_share)
    assert chosen["direct_h_day_spread"] == pytest.approx(spread.direct_h)
    for name, values in (
        ("light_share", yard.sun.light_share),
        ("beam_share", yard.sun.beam_share),
        ("sky_view", yard.sun.sky_view),
        ("direct_h_day", yard.sun.direct_h),
        ("eto_bias_percent", water.percent),
        ("eto_bias_low_percent", water.low_percent),
        ("eto_bias_high_percent", water.high_percent),
        ("eto_bias_by_sun_percent", water.by_sun_percent),
    ):
        assert rows[f"{name}_mar"].to_numpy() == pytest.approx(values[:, 2], abs=1e-6)
        assert chosen[name] == pytest.approx(values[row], abs=1e-6)
    other = next(one for one in closely if one["id"] != yard.mounts.ids[row])
    assert other["light_share_spread"] is None


def test_nothing_is_sure_to_the_last_digit(yard: SiteResult) -> None:
    row = yard.decision.chosen

    def said(light: float, hours: float) -> list[str]:
        spread = LightSpread(np.full(12, light), np.full(12, hours))
        numbers = mount.mount_numbers(dataclasses.replace(yard, light_spread={row: spread}), row)
        return [number.value for number in numbers[:2]]

    assert [value.split(" ± ")[1] for value in said(0.0, 0.0)] == ["0.1 points", "0.1 h"]
    assert [value.split(" ± ")[1] for value in said(0.0004, 0.049)] == ["0.1 points", "0.1 h"]
    assert [value.split(" ± ")[1] for value in said(0.0123, 0.05)] == ["1.2 points", "0.1 h"]


def test_light_tif_holds_the_grid_where_it_stands(yard: SiteResult) -> None:
    """Read back by rasterio: each cell's middle has the numbers of the grid, in the frame's own CRS."""
    with rasterio.MemoryFile(tables.light_tif(yard)) as memory, memory.open() as file:
        assert file.count == 25
        assert file.descriptions[13] == "hours of direct sun a day, Jan"
        assert file.descriptions[6] == "share of sunlight received, Jul"
        assert pyproj.CRS.from_user_input(file.crs) == pyproj.CRS(yard.site.crs)
        bands = file.read()
        for row, col in ((0, 0), (3, 7), (9, 9)):
            x, y = file.xy(row, col)
            assert (x, y) == pytest.approx((-90 + 18 * (col + 0.5), 90 - 18 * (row + 0.5)))
            assert bands[:12, row, col] == pytest.approx(yard.light.light_share[row, col], nan_ok=True)
            assert bands[13:, row, col] == pytest.approx(yard.light.direct_h[row, col], nan_ok=True)
    assert bands[12] == pytest.approx(bands[2:10].min(axis=0), nan_ok=True)


# --- sun and rain closely ---------------------------------------------------------------------------------------


def a_loss(share: float, name: str = "Mill", kind: Obstacle = Obstacle.BUILDING) -> Loss:
    return Loss(name, kind, (5, 6, 7), 15.0, 17.0, 1.5, share)


def test_sources_of_shade_in_few_words(yard: SiteResult) -> None:
    row = yard.decision.chosen

    def said(*losses: Loss) -> list[str]:
        day = dataclasses.replace(yard.losses[row], losses=losses)
        return shade.sources(dataclasses.replace(yard, losses={row: day}), row)

    assert said() == ["Nothing shades it."]
    assert said(a_loss(0.001), dataclasses.replace(a_loss(0.002), hours_day=0.3)) == [
        "No source of shade takes 0.5% of any month's sunlight. The longest: Mill shades it from 3:00 p.m. to "
        "5:00 p.m., June through August: 1.5 h a day, 0.1% of the sunlight then."
    ]
    first = "Mill shades it from 3:00 p.m. to 5:00 p.m., June through August: 1.5 h a day, 8% of the sunlight then."
    assert said(a_loss(0.08)) == [first]
    assert said(a_loss(0.08), a_loss(0.001)) == [first, "Everything else takes less than 0.5% each."]
    assert said(*[a_loss(0.08)] * 6)[-1] == "2 more, less costly in irrigation months."
    assert shade.sources(dataclasses.replace(yard, losses={}), row) == []
    assert shade.day_sentence(dataclasses.replace(yard, losses={}), row) == ""


def test_what_more_mast_buys_in_a_table(yard: SiteResult) -> None:
    row = yard.decision.chosen
    tried = Refined(
        np.array([0.0, 0.5]),
        np.array([0.912, 0.934]),
        np.array([np.nan, 71.2]),
        np.array([1, 2]),
        np.array([-1.0, 0.0, 1.0]),
        np.array([0.9, 0.91, 0.95]),
        np.array([60.0, 61.0, 70.0]),
        90.0,
    )
    result = dataclasses.replace(yard, refined={row: tried})
    plain, more = mount.raised(result, row)
    assert (plain.more, plain.light, plain.held, plain.score) == ("as planned", "91.2%", "1", "ruled out")
    assert (more.more, more.light, more.held, more.score) == ("+1.6 ft", "93.4%", "2", "71")
    assert mount.moved(result, row) == (
        "3.3 ft farther east along its edge it would score 70 (+9.0) and receive 95.0% of the sunlight."
    )
    stay = dataclasses.replace(tried, moved_score=np.array([60.0, 61.0, 61.3]))
    assert mount.moved(dataclasses.replace(yard, refined={row: stay}), row).startswith("No spot along its edge")
    nan = np.full(3, np.nan)
    shut = dataclasses.replace(yard, refined={row: dataclasses.replace(tried, moved_score=nan)})
    assert mount.moved(shut, row) == (
        "It is ruled out all along its edge, 3.3 ft to one side and 3.3 ft to the other. It would receive the most "
        "sunlight, 95.0%, 3.3 ft farther east."
    )
    freed = dataclasses.replace(tried, moved_score=np.array([np.nan, np.nan, 50.0]))
    assert mount.moved(dataclasses.replace(yard, refined={row: freed}), row) == (
        "3.3 ft farther east along its edge it would score 50, where now it is ruled out, and receive 95.0% of the "
        "sunlight."
    )
    assert mount.raised(dataclasses.replace(yard, refined={}), row) == []
    assert mount.moved(dataclasses.replace(yard, refined={}), row) == ""


def test_rain_rose_shows_each_sector_as_high_as_it_stands() -> None:
    """The rim is the horizon and the middle straight up: 45 degrees reach half-way in."""
    degrees, classes = np.zeros(36), np.ones(36, int)
    degrees[9], classes[9] = 45.0, 3
    drawn = svg(pictures.rain_rose(degrees, classes, 45.0, 270.0, "a <b>"))
    wedges = [p for p in drawn.findall(tag("path")) if p.attrib.get("fill") in palette.RAIN]
    assert [p.attrib["fill"] for p in wedges] == [palette.RAIN[2]]
    points = np.array([float(v) for v in re.findall(r"-?[\d.]+", wedges[0].attrib["d"])])
    corners = np.array([points[0:2], points[7:9], points[9:11], points[16:18]]) - pictures.ROSE / 2
    out = np.hypot(*corners.T)
    assert out == pytest.approx(
        [pictures.ROSE_RIM, pictures.ROSE_RIM, pictures.ROSE_RIM / 2, pictures.ROSE_RIM / 2], abs=0.1
    )
    assert np.degrees(np.arctan2(corners[:, 0], -corners[:, 1])) == pytest.approx([85, 95, 95, 85], abs=0.2)
    assert "rotate(270.0" in ElementTree.tostring(drawn, encoding="unicode")
    open_sky = svg(pictures.rain_rose(np.zeros(36), np.ones(36, int), 45.0, None, "open"))
    assert open_sky.find(tag("path")) is None


def test_the_water_that_shade_costs_in_words(yard: SiteResult) -> None:
    row = yard.decision.runners_up[0]
    percent = np.full((len(yard.mounts), 12), -1.0)
    percent[row] = [-9, -8, -1, -2, -3.04, -2, -1, -1, -1, -1, -7, -9]  # the winter is no irrigation season
    bias = WaterBias(percent, percent * 1.5, percent * 0.5, percent * 2, np.full(12, 5.0), (Assumed.WIND,))
    (said,) = mount.eto_error(dataclasses.replace(yard, water=bias), row)
    assert said.label == "Expected ETo error, May"
    assert said.value == "−3.0% (−4.6 to −1.5%)"
    assert said.basis.endswith("uses sunlight alone, −6.1%; assumed: wind 2 m/s at 2 m, from 1 to 3")
    little = dataclasses.replace(bias, percent=percent * 0, low_percent=percent * 0 - 0.049)
    assert mount.eto_error(dataclasses.replace(yard, water=little), row)[0].value == "under 0.1%"
    edge = dataclasses.replace(little, low_percent=percent * 0 - 0.051)
    assert mount.eto_error(dataclasses.replace(yard, water=edge), row)[0].value.startswith("0.0% (−0.1 to")
    alike = dataclasses.replace(
        bias, percent=percent * 0 - 0.1, low_percent=percent * 0 - 0.11, high_percent=percent * 0 - 0.09
    )
    assert mount.eto_error(dataclasses.replace(yard, water=alike), row)[0].value == "−0.1%"
    none = dataclasses.replace(bias, percent=np.full_like(percent, np.nan))
    assert mount.eto_error(dataclasses.replace(yard, water=none), row) == []
    assert mount.eto_error(dataclasses.replace(yard, water=None), row) == []
    rows = tables.mount_rows(yard)
    assert rows.eto_bias_percent_jul.to_numpy() == pytest.approx(yard.water.percent[:, 6], abs=1e-6)


def test_the_rains_wind_is_asked_for_only_where_it_is_known(yard: SiteResult) -> None:
    row = yard.decision.chosen
    label = "Tallest obstruction toward wind-driven rain"
    assert label not in [n.label for n in mount.mount_numbers(yard, row)]
    climate = yard.plan.climate.model_copy(update={"rain_from_deg": 0.0})
    asked = dataclasses.replace(yard, plan=yard.plan.model_copy(update={"climate": climate}))
    said = next(n for n in mount.mount_numbers(asked, row) if n.label == label)
    side = [*range(32, 36), *range(0, 5)]  # sectors of 10 degrees within 45 of north
    assert said.value == f"{yard.rain.sector_deg[row, side].max():.0f}°"
    assert said.basis == "45° to either side of north; required: 22.5° or less"
    assert "rotate(0.0" in views.mount_rose(asked, row)


def test_siting_classes_in_words(yard: SiteResult) -> None:
    row = yard.decision.runners_up[0]
    trade, *classes = say_siting.siting(yard, row)
    assert trade.value == yard.siting.sunlight[row]
    assert [n.label for n in classes] == ["Radiation", "Sunshine", "Temperature", "Precipitation"]
    assert [n.value for n in classes] == [
        f"class {c[row]}"
        for c in (yard.siting.radiation, yard.siting.sunshine, yard.siting.temperature, yard.siting.precipitation)
    ]
    assert classes[2].basis == say_siting.why_said(
        Scale.TEMPERATURE, yard.siting.temperature_why[row], yard.plan.units
    )
    assert "Limits from memory: radiation and sunshine." in say_siting.siting_left_out(yard)
    without = dataclasses.replace(yard, siting=None)
    assert say_siting.siting(without, row) == []
    assert say_siting.siting_left_out(without) == ""
    assert tables.mount_rows(yard).wmo_temperature_class.tolist() == yard.siting.temperature.tolist()


def test_rain_in_words(yard: SiteResult) -> None:
    for row in (yard.decision.chosen, *yard.decision.runners_up):
        worst = yard.rain.sector_class[row].max()
        assert f"class {worst}" in mount.rain_sentence(yard, row)
    wet = dataclasses.replace(
        yard.rain, covered=np.ones(len(yard.mounts), bool), cover_name=("a canopy",) * len(yard.mounts)
    )
    assert (
        mount.rain_sentence(dataclasses.replace(yard, rain=wet), 0)
        == "It is under a canopy: rain does not fall freely on it."
    )


def test_light_overlay_has_its_cells_in_place(yard: SiteResult) -> None:
    """Pixels at the middles of cells have the ramp's colour of the worst irrigation month there."""
    grid = yard.light
    drawn = rasters.light_overlay(grid, yard.season, to_lonlat(yard.site.crs), from_lonlat(yard.site.crs))
    seen = pixels(drawn.uri)
    worst, (low, high) = grid.worst(yard.season), rasters.light_range(grid)
    tall, wide = seen.shape[:2]
    for row in range(worst.shape[0]):
        for col in range(worst.shape[1]):
            y, x = int((row + 0.5) / worst.shape[0] * tall), int((col + 0.5) / worst.shape[1] * wide)
            if np.isfinite(worst[row, col]):
                # one of 255 levels, the nearest
                share = np.round((high - worst[row, col]) / (high - low) * 254) / 254
                assert seen[y, x].tolist() == [*palette.ramp_rgb(palette.SHADE, share), 255]
            else:
                assert seen[y, x, 3] == 0
    assert low <= np.nanmin(worst)


# --- a contract -------------------------------------------------------------------------------------------------


def test_contract_tables(tmp_path: Path) -> None:
    result = contract(7)
    written = {p.name: p for p in write_contract(result, tmp_path)}
    rows = pandas.read_csv(written["sites.csv"])
    assert rows.name.tolist() == list(result.names)
    assert rows.peak_eto_mm_day.to_numpy() == pytest.approx(result.zone.peak_eto_mm_day)
    assert rows.eto_mm_day_jun.to_numpy() == pytest.approx(result.zone.peak_eto_mm_day)
    shapes = geopandas.read_file(written["sites.gpkg"], layer="sites")
    assert shapes.crs.to_epsg() == 4326
    assert shapes.geometry[3].equals(result.shapes[3])
    data = json.loads(written["result.json"].read_text(encoding="utf-8"), parse_constant=refuse)
    assert [s["zone"] for s in data["sites"]] == [result.zone.table.labels[k] for k in result.zone.zone]
    assert data["rejected"] == [{"name": "Lost plaza", "why": "its geometry is empty", "row": None, "own": {}}]


def test_contract_of_thousands_stays_small() -> None:
    from planner.show.draw.contract_map import contract_page

    assert len(contract_page(contract(3000))) < 5e6


# --- writing ----------------------------------------------------------------------------------------------------


def leftovers(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if p.name.endswith(".part")]


def test_writes_whole_files_and_may_write_again(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "deeper"
    assert write_folder(folder, {"a.txt": b"1", "b.txt": b"2"}) == [folder / "a.txt", folder / "b.txt"]
    write_folder(folder, {"a.txt": b"3"})
    assert (folder / "a.txt").read_bytes() == b"3"
    write_folder(folder, {"a.txt": b"4", "b.txt": b"5"})
    assert (folder / "b.txt").read_bytes() == b"5"
    assert not leftovers(folder)


@pytest.mark.parametrize("ours_once", [True, False])
def test_never_overwrites_someones_work(tmp_path: Path, ours_once: bool) -> None:
    if ours_once:
        write_folder(tmp_path, {"b.txt": b"ours"})
    (tmp_path / "b.txt").write_text("edited by hand")
    with pytest.raises(OutputError, match=r"b\.txt.*--force") as fault:
        write_folder(tmp_path, {"a.txt": b"1", "b.txt": b"2"})
    assert fault.value.exit_code == Exit.OUTPUT
    assert not (tmp_path / "a.txt").exists()
    assert (tmp_path / "b.txt").read_text() == "edited by hand"
    write_folder(tmp_path, {"b.txt": b"2"}, force=True)
    assert (tmp_path / "b.txt").read_bytes() == b"2"


def test_a_damaged_manifest_claims_nothing(tmp_path: Path) -> None:
    write_folder(tmp_path, {"a.txt": b"1"})
    (tmp_path / folder_room.MANIFEST).write_text("[]")
    with pytest.raises(OutputError):
        write_folder(tmp_path, {"a.txt": b"2"})


def test_a_full_disk_leaves_the_old_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_folder(tmp_path, {"a.txt": b"1", "b.txt": b"1"})

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        write_folder(tmp_path, {"a.txt": b"2", "b.txt": b"2"})
    monkeypatch.undo()
    assert (tmp_path / "a.txt").read_bytes() == (tmp_path / "b.txt").read_bytes() == b"1"
    assert not leftovers(tmp_path)


def test_a_stop_between_two_moves_is_mended_by_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_folder(tmp_path, {"a.txt": b"1", "b.txt": b"1"})
    real = os.replace

    def stop_at_b(source: str | Path, target: str | Path) -> None:
        if Path(target).name == "b.txt":
            raise KeyboardInterrupt
        real(source, target)

    monkeypatch.setattr(os, "replace", stop_at_b)
    with pytest.raises(KeyboardInterrupt):
        write_folder(tmp_path, {"a.txt": b"2", "b.txt": b"2"})
    monkeypatch.undo()
    assert not leftovers(tmp_path)
    write_folder(tmp_path, {"a.txt": b"3", "b.txt": b"3"})
    assert (tmp_path / "a.txt").read_bytes() == (tmp_path / "b.txt").read_bytes() == b"3"


def test_things_in_the_way_are_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    (tmp_path / "out" / "a.txt").mkdir(parents=True)
    with pytest.raises(OutputError, match="a file stands"):
        write_folder(tmp_path / "file", {"a.txt": b""})
    with pytest.raises(OutputError, match="a file stands"):
        write_folder(tmp_path / "file" / "deeper", {"a.txt": b""})
    with pytest.raises(OutputError, match="a folder stands"):
        write_folder(tmp_path / "out", {"a.txt": b""}, force=True)


def test_write_site_writes_what_the_readme_says(yard: SiteResult, tmp_path: Path) -> None:
    names = [p.name for p in write_site(yard, tmp_path)]
    assert names == [
        "map.html", "sheet.html", "sheet.pdf", "mounts.gpkg", "mounts.csv", "result.json",
        "places.kml", "places.gpx", "places.geojson", "bill.csv", "bill.xlsx", "light.tif",
    ]  # fmt: skip
    write_site(yard, tmp_path)
    plain = write_site(dataclasses.replace(yard, light=None), tmp_path / "without")
    assert [p.name for p in plain] == names[:-1]
