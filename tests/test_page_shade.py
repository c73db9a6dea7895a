"""Shadows on the flat map against planner.sun, light by month, and places side by side."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from test_pages import PHONE, Browser
from test_pages import pytestmark as browser_marks
from test_show import pixels
from test_show_links import studied

from planner.job import SiteResult
from planner.show.draw import palette
from planner.show.draw.map import site_page
from planner.show.draw.rasters import light_overlay, light_range
from planner.show.draw.solid import EYE_M, solids
from planner.show.lonlat import from_lonlat, to_lonlat
from planner.show.say.compare import points
from planner.show.say.mount import score
from planner.site import Heights
from planner.sun.leaves import leaf_share
from planner.sun.losses import attribute, clock_hours
from planner.sun.path import SunTable
from planner.sun.shading import CrownLight, shading
from planner.units import MONTH_NAMES, clock

pytestmark = browser_marks


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    opened = Browser(tmp_path_factory.mktemp("chromium"))
    yield opened
    opened.driver.quit()


@pytest.fixture(scope="module")
def yard() -> SiteResult:
    """On level ground: hills are one horizon for the whole map, and have a test of their own."""
    result = studied()
    plan = result.plan.model_copy(update={"time_zone": "America/Phoenix"})
    return replace(result, plan=plan, site=replace(result.site, terrain=None))


@pytest.fixture(scope="module")
def page(yard: SiteResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("site") / "map.html"
    out.write_bytes(site_page(yard))
    return out


SHADE = "const shade = document.querySelector('.shade-row').shade;"


def lit_by_planner(result: SiteResult, at: np.ndarray, table: SunTable) -> np.ndarray:
    """(50,) share of the beam that reaches a (3,) place, as the year of light has it."""
    sun = result.plan.sun
    light = CrownLight(sun.crown_in_leaf, sun.crown_leafless, False)
    leaf = leaf_share(result.site.latitude_deg, sun.leaf_dates())
    return 1 - attribute(result.site, at, table, shading(result.site, crown_light=light, in_leaf=leaf)).lost


def test_shadows_on_the_map_are_those_of_the_year_of_light(browser: Browser, yard: SiteResult, page: Path) -> None:
    """50 seeded instants, 60 cells of ground and roofs, to a hundredth of the beam.

    Cells where the planner's own answer changes within 5 cm are left out: heights in the page are whole
    centimetres.
    """
    browser.open(page)
    browser.find("[data-shade]").click()
    rng = np.random.default_rng(11)
    sky, instants = "const sky = sunOver(JSON.parse(document.getElementById('map-data').textContent).solids);", []
    while len(instants) < 50:
        month, hour = int(rng.integers(0, 12)), float(rng.uniform(5, 19))
        sun = browser.script(f"{sky} return sky.at(sky.middleOf({month}), {hour})")
        if sun["elevation"] > 4:
            instants.append((month, hour, sun))
    cols, rows = browser.script(f"{SHADE} return [shade.cols, shade.rows]")
    stands = np.array(browser.script(f"{SHADE} return Array.from(shade.stands)")).reshape(rows, cols)
    roofs = np.argwhere(stands > 0.5)
    # roofs, and what lies within 25 cells of them
    beside = rng.permutation(roofs)[:40] + rng.integers(-25, 26, (40, 2))
    cells = np.concatenate([rng.permutation(roofs)[:20], np.clip(beside, 0, [rows - 1, cols - 1])])
    xs, ys = browser.script(
        f"{SHADE} return [arguments[0].map(c => shade.x(c)), arguments[1].map(r => shade.y(r))]",
        cells[:, 1].tolist(),
        cells[:, 0].tolist(),
    )
    drawn = np.array(
        browser.script(
            f"{SHADE} {sky} return arguments[0].map(i => {{"
            " const found = shade.draw(sky.at(sky.middleOf(i[0]), i[1]), i[0]);"
            " return arguments[1].map(k => found[k]); })",
            [[month, hour] for month, hour, _ in instants],
            (cells[:, 0] * cols + cells[:, 1]).tolist(),
        )
    )
    empty = np.zeros(50)
    table = SunTable(
        np.array([sun["azimuth"] for *_, sun in instants]),
        np.array([sun["elevation"] for *_, sun in instants]),
        np.array([month for month, *_ in instants]),
        empty, empty, empty,
        np.array([hour for _, hour, _ in instants]),
    )  # fmt: skip
    judged = shaded = filtered = 0
    for k, (x, y) in enumerate(zip(xs, ys, strict=True)):
        z = stands[tuple(cells[k])] + 0.005
        told = np.array(
            [
                lit_by_planner(yard, np.array([x + dx, y + dy, z]), table)
                for dx, dy in ((0, 0), (0.05, 0), (-0.05, 0), (0, 0.05), (0, -0.05))
            ]
        )
        sure = np.ptp(told, axis=0) < 1e-9
        assert np.abs(drawn[:, k] - told[0])[sure].max() < 0.01, (x, y)
        judged += int(sure.sum())
        shaded += int((told[0][sure] == 0).sum())
        filtered += int(((told[0] > 0) & (told[0] < 1))[sure].sum())
    assert judged > 2700
    assert shaded > 150
    assert filtered > 20


def test_the_hour_is_the_clocks_and_what_is_drawn_follows_it(
    browser: Browser, yard: SiteResult, page: Path
) -> None:
    from selenium.webdriver.common.keys import Keys

    ahead = solids(yard)["clock_ahead"]
    noon = clock_hours(np.full(12, 12.0), np.arange(12), yard.site.longitude_deg, "America/Phoenix")
    assert ahead == pytest.approx(list(noon - 12), abs=1e-3)
    browser.open(page)
    assert not browser.find(".shade-row .key-more").is_displayed()
    browser.find("[data-shade]").click()
    assert "clock time, America/Phoenix" in browser.text(".shade-row")
    assert "high, azimuth" in browser.text(".shade-told")
    picture = "return document.querySelector('.leaflet-shade-pane canvas').toDataURL()"
    before = browser.script(picture)
    hour = browser.find(".shade-row input[type=range]")
    hour.send_keys(Keys.ARROW_RIGHT)
    assert browser.text(".shade-row output") == "3:15 p.m."
    assert browser.script(picture) != before
    browser.script(
        "const list = document.querySelector('.shade-row select'); list.value = 11;"
        "list.dispatchEvent(new Event('input'))"
    )
    hour.send_keys(Keys.HOME)
    assert browser.text(".shade-told") == "The sun is down."
    browser.find("[data-shade]").click()
    assert browser.all(".leaflet-shade-pane canvas") == []
    assert browser.complaints() == []


def test_the_picture_of_shade_lies_on_the_site(yard: SiteResult) -> None:
    found = solids(yard, to_lonlat(yard.site.crs))
    west, south, east, north = found["shade_box"]
    (lat0, lon0), (lat1, lon1) = found["shade_bounds"]
    corners = to_lonlat(yard.site.crs)(np.array([[west, south], [east, north]]))
    assert np.array([[lon0, lat0], [lon1, lat1]]) == pytest.approx(corners, abs=2e-7)  # two centimetres


def test_hills_stand_where_they_are(yard: SiteResult) -> None:
    """A ridge 60 m high, 600 m north: atan(58 / 600) from 2 m above the middle, and nothing to the south."""
    values = np.zeros((200, 200))
    values[:40] = 60.0  # 10 m cells: from 600 m north of the middle on
    ridge = replace(yard.site, terrain=Heights(values, -1000.0, 1000.0, 10.0))
    hills = solids(replace(yard, site=ridge))["hills"]
    # the slope between two cells' middles ends half a cell before the edge
    assert hills[0] / 100 == pytest.approx(np.degrees(np.arctan((60 - EYE_M) / 605)), abs=0.1)
    assert hills[180] <= 0
    assert solids(yard)["hills"] is None


def test_each_month_of_light_has_its_colours(yard: SiteResult) -> None:
    """Eight bits a pixel: within one level in 255 of the ramp's colour of the month."""
    grid, crs = yard.light, yard.site.crs
    low, high = light_range(grid)
    assert low <= np.nanmin(grid.light_share)
    for month in (0, 6):
        drawn = light_overlay(grid, yard.season, to_lonlat(crs), from_lonlat(crs), month=month)
        seen = pixels(drawn.uri)
        told = grid.light_share[:, :, month]
        tall, wide = seen.shape[:2]
        for row, col in np.argwhere(np.isfinite(told)):
            y, x = int((row + 0.5) / told.shape[0] * tall), int((col + 0.5) / told.shape[1] * wide)
            share = (high - told[row, col]) / (high - low)
            ends = palette.ramp_rgb(palette.SHADE, np.clip([share - 1 / 255, share + 1 / 255], 0, 1)).astype(int)
            assert (seen[y, x, :3] >= ends.min(axis=0)).all()
            assert (seen[y, x, :3] <= ends.max(axis=0)).all()
            assert seen[y, x, 3] == 255
        assert (seen[..., 3] == 0).any() == bool(np.isnan(told).any())


def test_the_month_of_light_is_chosen_on_the_page(browser: Browser, yard: SiteResult, page: Path) -> None:
    from selenium.webdriver.support.ui import Select

    browser.open(page)
    browser.find('input[data-group="light"]').click()
    choice = Select(browser.find('[data-steps="light"]'))
    assert [option.text for option in choice.options] == ["worst irrigation month", *MONTH_NAMES]
    source = "return [...document.querySelectorAll('.leaflet-image-layer')].map(e => e.src)"
    first = browser.script(source)
    choice.select_by_visible_text("December")
    second = browser.script(source)
    crs = yard.site.crs
    december = light_overlay(yard.light, yard.season, to_lonlat(crs), from_lonlat(crs), month=11).uri
    assert december in second
    assert december not in first
    choice.select_by_visible_text("worst irrigation month")
    assert browser.script(source) == first
    assert browser.complaints() == []


def test_points_add_up_to_the_score(yard: SiteResult) -> None:
    for row in yard.decision.order:
        assert sum(points(yard, row)) == pytest.approx(float(yard.decision.score[row]), abs=0.25)
    out = next(k for k, ok in enumerate(yard.decision.passing) if not ok)
    assert points(yard, out) == []


def test_places_stand_side_by_side_with_what_decides(browser: Browser, yard: SiteResult, page: Path) -> None:
    """The first place and its alternate without a click; a third from its card, by keyboard."""
    from selenium.webdriver.common.keys import Keys

    decision, ids = yard.decision, yard.mounts.ids
    first, second = decision.chosen, decision.runners_up[0]
    browser.open(page, PHONE)
    browser.find('.contents a[href="#compare"]').send_keys(Keys.ENTER)
    told = browser.text("#compare-holder")
    assert score(yard, first) in told
    assert score(yard, second) in told
    gap = np.array(points(yard, first)) - np.array(points(yard, second))
    said = browser.text(".compare-said")
    better, other = (first, second) if gap.sum() > 0 else (second, first)
    assert said.startswith(f"{ids[better]} leads {ids[other]} by {abs(gap.sum()):.0f} point")
    part = yard.decision.parts[int(np.argmax(np.abs(gap)))]
    names = browser.script("return JSON.parse(document.getElementById('map-data').textContent).compare.part_names")
    assert names[yard.decision.parts.index(part)] in said
    best = [cell.text for cell in browser.all(".compare-best")]
    assert score(yard, better) in " ".join(best)
    assert browser.script("return document.documentElement.scrollWidth") <= PHONE[0]

    out = next(k for k, ok in enumerate(decision.passing) if not ok)
    title = browser.script("return [...document.querySelectorAll('.compare-lists option')].map(o => o.text)"
                           f".find(t => t.startsWith('{ids[out]} ·'))")  # fmt: skip
    browser.all(".compare-lists select")[2].send_keys(title)
    told = browser.text("#compare-holder")
    assert f"{ids[out]} is ruled out, so its points do not count." in told
    assert len(browser.all(".compare-table tr:first-child th")) == 3
    browser.all(".compare-table .link")[1].send_keys(Keys.ENTER)
    assert ids[second] in browser.card()

    browser.open(page)
    third = decision.runners_up[1]
    browser.script("document.querySelector('#alternates').open = true")
    browser.find(f'.rows [data-go="mount-{third}"]').click()
    browser.card()
    buttons = [b for b in browser.all(".leaflet-popup-content .link") if b.text == "Compare"]
    buttons[0].send_keys(Keys.ENTER)
    assert browser.find("#compare").get_dom_attribute("open") is not None
    assert ids[third] in browser.text(".compare-table")
    assert browser.script("return document.activeElement.className") == "compare-out"
    assert browser.complaints() == []


def test_lost_hours_are_drawn_by_the_clock(yard: SiteResult) -> None:
    """A wall 20 degrees high in the west half: each path is lost from where it sinks to 20 degrees."""
    from planner.show.draw.pictures import Clock, lost_stretches, sun_picture
    from planner.sun.path import sun_table

    table = sun_table(33.4, -112.0, step_minutes=10, day_step=5)
    wall = np.where(np.arange(360) > 180, 20.0, 0.0)
    times = np.linspace(12, 18.5, 14)
    path = np.column_stack([np.linspace(200, 290, 14), np.linspace(60, -5, 14), times])
    (stretch,) = lost_stretches(path, wall)
    assert stretch[0, 1] == pytest.approx(20)
    assert stretch[0, 2] == pytest.approx(16.0)  # 60 - 10 an hour
    assert stretch[-1, 2] == 18.5
    assert lost_stretches(path, np.full(360, -6.0)) == []
    season = np.zeros(12, bool)
    season[5] = True

    def later(hour: np.ndarray, month: np.ndarray) -> np.ndarray:
        return hour + 1.5

    drawn = sun_picture(wall, np.zeros(360), table, season, 33.4, "", Clock(later), lost=True)
    assert drawn.count('class="lost"') == 1
    # spherical astronomy: the hour angle at which the sun of mid June (declination 23.3) is 20 degrees high
    lat, tilt, high = np.radians([33.4, 23.3, 20.0])
    angle = np.arccos((np.sin(high) - np.sin(lat) * np.sin(tilt)) / (np.cos(lat) * np.cos(tilt)))
    met = 12 + np.degrees(angle) / 15 + 1.5
    told = [f"{m // 60}:{m % 60:02d}" for m in {int(np.floor(met * 12)) * 5, int(np.ceil(met * 12)) * 5}]
    assert any(text in drawn for text in told), told
    by_twelve = sun_picture(wall, np.zeros(360), table, season, 33.4, "", Clock(later, "us"), lost=True)
    assert any(clock(met_h, "us") in by_twelve for met_h in (np.floor(met * 12) / 12, np.ceil(met * 12) / 12))
    assert 'class="lost"' not in sun_picture(wall, np.zeros(360), table, season, 33.4, "", Clock(later))
