"""The 3-D view: what is drawn is the site that was computed, under the sun that it was computed with."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas
import pvlib
import pytest
import shapely
from plain_sun import prism_tangent
from test_pages import DESKTOP, PHONE, Browser
from test_show import scene

from planner.job import SiteResult
from planner.show.draw.map import site_page
from planner.show.draw.page import asset
from planner.show.draw.solid import MOST_CROWNS, solids
from planner.site import Crowns, no_crowns, no_prisms
from planner.sun.horizon import directions


@pytest.fixture(scope="module")
def yard() -> SiteResult:
    return scene()


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    opened = Browser(tmp_path_factory.mktemp("chromium"), "--enable-unsafe-swiftshader")
    yield opened
    opened.driver.quit()


def shown(browser: Browser, page: Path, size: tuple[int, int] = DESKTOP) -> None:
    browser.open(page, size)
    browser.find(".solid-open").click()
    assert browser.script("return !!document.querySelector('.solid').view")


def test_triangles_close_over_each_footprint(yard: SiteResult) -> None:
    """Roofs have the footprints' area (holes stay open), walls their perimeter times height: by shapely."""
    buildings = yard.site.buildings
    drawn = [v for code, v in solids(yard)["blocks"] if code == "wall"]
    assert len(drawn) == len(buildings)
    areas, walls = [], []
    for values in drawn:
        t = np.array(values).reshape(-1, 3, 3) / 100
        normal = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]) / 2
        areas.append(normal[normal[:, 2] > 1e-9, 2].sum())
        walls.append(np.linalg.norm(normal[np.abs(normal[:, 2]) < 1e-6], axis=1).sum())
    assert sorted(areas) == pytest.approx(sorted(s.area for s in buildings.shapes), rel=1e-3)
    tall = buildings.top_m - buildings.base_m
    assert sorted(walls) == pytest.approx(
        sorted(s.length * h for s, h in zip(buildings.shapes, tall, strict=True)), rel=1e-3
    )


def test_what_a_page_cannot_bear_is_said(yard: SiteResult) -> None:
    n = MOST_CROWNS + 7
    at = np.column_stack([np.linspace(-80, 80, n), np.full(n, 70.0), np.full(n, 5.0)])
    many = Crowns(("",) * n, at, np.full(n, 2.0), np.full(n, 3.0), np.zeros(n, bool))
    found = solids(replace(yard, site=replace(yard.site, crowns=many)))
    assert len(found["crowns"]) == MOST_CROWNS
    assert found["more"] == "Farther off, 7 trees not drawn."
    assert solids(yard)["more"] == ""


def test_the_script_stays_small() -> None:
    assert len(asset("solid.js")) < 40_000
    json.dumps(asset("solid.js"))


@pytest.mark.browser
def test_the_pages_sun_is_pvlibs(browser: Browser, yard: SiteResult, tmp_path: Path) -> None:
    """50 seeded instants with the sun up, against pvlib's SPA (Reda and Andreas 2004)."""
    page = tmp_path / "map.html"
    page.write_bytes(site_page(yard))
    shown(browser, page)
    rng = np.random.default_rng(5)
    where = pvlib.location.Location(yard.site.latitude_deg, yard.site.longitude_deg)
    seen = 0
    while seen < 50:
        day, hour = int(rng.integers(1, 366)), float(rng.uniform(5, 19))
        local = pandas.Timestamp("2025-01-01", tz="UTC") + pandas.Timedelta(days=day - 1, hours=hour)
        mean = local - pandas.Timedelta(hours=yard.site.longitude_deg / 15)
        turn = where.get_solarposition(pandas.DatetimeIndex([mean])).equation_of_time.iloc[0]
        told = where.get_solarposition(pandas.DatetimeIndex([mean - pandas.Timedelta(minutes=turn)])).iloc[0]
        if told.apparent_elevation < 3:
            continue
        sun = browser.script(
            "return document.querySelector('.solid').view.sunAt(arguments[0], arguments[1])", day, hour
        )
        assert sun["elevation"] == pytest.approx(told.apparent_elevation, abs=0.03), (day, hour)
        off = (sun["azimuth"] - told.azimuth + 180) % 360 - 180
        assert abs(off * np.cos(np.radians(told.apparent_elevation))) < 0.03, (day, hour)
        seen += 1


@pytest.mark.browser
def test_shadows_lie_where_the_horizon_says(browser: Browser, yard: SiteResult, tmp_path: Path) -> None:
    """The drawn ground, from above, against the plain form of the horizon: 5 instants, a grid of points.

    Points within a metre of a shadow's edge or of a building are left out: a cell of the shadow map is 0.2 m, a
    pixel half a metre.
    """
    bare = replace(
        yard.site, terrain=None, crowns=no_crowns(), crown_prisms=no_prisms(), crown_evergreen=np.empty(0, bool)
    )
    page = tmp_path / "map.html"
    page.write_bytes(site_page(replace(yard, site=bare)))
    shown(browser, page)
    x, y = np.meshgrid(np.arange(-72, 73, 9.0), np.arange(-72, 73, 9.0))
    points = np.column_stack([x.ravel(), y.ravel()])
    built = shapely.union_all(list(bare.buildings.shapes)).buffer(1.5)
    # marks and the lines of links are drawn over the ground
    ends = [bare.controllers.xyz[:, :2], yard.mounts.xyz[:, :2]]
    kept = ~shapely.contains_xy(built, points[:, 0], points[:, 1])
    kept &= ~shapely.contains_xy(
        shapely.multipoints(np.concatenate(ends)).convex_hull.boundary.buffer(0.5), points[:, 0], points[:, 1]
    )
    beside = np.array([(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)], float)
    judged = wrong = shaded = 0
    for day, hour in ((20, 10.0), (80, 15.5), (172, 7.0), (172, 17.0), (300, 14.0)):
        view = "const v = document.querySelector('.solid').view;"
        sun = browser.script(f"{view} v.above(); v.set({day}, {hour}); return v.sunAt({day}, {hour})")
        colours = browser.script(
            f"{view} return arguments[0].map(function (p) {{ return v.litAt(p); }})", points[kept].tolist()
        )
        looks, rise = directions(np.array([sun["azimuth"]])), np.tan(np.radians(sun["elevation"]))
        for point, colour in zip(points[kept], colours, strict=True):
            lit = {bool(rise > prism_tangent(np.append(point + d, 0.0), bare.buildings, looks)[0]) for d in beside}
            if len(lit) == 1:
                judged += 1
                shaded += not min(lit)
                wrong += (colour[0] > 140) != min(lit)
    assert judged > 600
    assert shaded > 30
    assert wrong <= 0.01 * judged


@pytest.mark.browser
@pytest.mark.parametrize("size", [DESKTOP, PHONE])
def test_the_view_opens_alone_is_driven_by_keys_and_closes(
    browser: Browser, yard: SiteResult, tmp_path: Path, size: tuple[int, int]
) -> None:
    page = tmp_path / "map.html"
    page.write_bytes(site_page(yard))
    shown(browser, page, size)
    assert [a for a in browser.requests() if not a.startswith("data:")] == [page.as_uri()]
    assert [c for c in browser.complaints() if "GPU stall" not in c] == []
    assert browser.script("return document.documentElement.scrollWidth") <= size[0]
    assert "high, azimuth" in browser.text(".solid-told")
    for button in browser.all(".solid-button"):
        assert button.is_displayed()
    from selenium.webdriver.common.keys import Keys

    first = browser.script("return document.querySelector('.solid-canvas').toDataURL()")
    browser.find(".solid-canvas").send_keys(Keys.ARROW_LEFT)
    browser.script("return new Promise(requestAnimationFrame)")
    assert browser.script("return document.querySelector('.solid-canvas').toDataURL()") != first
    assert browser.text(".solid-slider:nth-of-type(1) output") == "Jun 21"  # day 172
    hour = browser.all(".solid-slider input")[1]
    hour.send_keys(Keys.HOME)
    assert browser.text(".solid-slider:nth-of-type(2) output") == "3:00 a.m."
    browser.script("return new Promise(requestAnimationFrame)")
    assert browser.text(".solid-told") == "The sun is down."
    browser.find(".solid-canvas").send_keys(Keys.ESCAPE)
    assert not browser.find(".solid").is_displayed()


@pytest.mark.browser
def test_without_webgl_the_page_says_so(browser: Browser, yard: SiteResult, tmp_path: Path) -> None:
    page = tmp_path / "map.html"
    page.write_bytes(site_page(yard))
    browser.open(page)
    browser.script("HTMLCanvasElement.prototype.getContext = function () { return null; };")
    browser.find(".solid-open").click()
    assert "WebGL 2 is off" in browser.text(".solid-told")
    browser.all(".solid-button")[-1].click()
    assert browser.find(".leaflet-container").is_displayed()
