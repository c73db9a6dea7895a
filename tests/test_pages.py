"""Pages in Chromium with the network off: what a person sees, clicks and prints."""

from __future__ import annotations

import base64
import dataclasses
import functools
import io
import json
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest
from test_contract_map import found_at
from test_show import NASTY, contract, scene
from test_show_links import studied

from planner.cli import examples_folder
from planner.job import SiteResult, run_site
from planner.ledger import Ledger
from planner.plan import PlanFile, read_plan
from planner.show import write_contract, write_site
from planner.show.draw.contract_map import contract_page, view
from planner.show.draw.map import site_page
from planner.show.draw.rasters import light_range
from planner.show.draw.sheet import sheet_page
from planner.show.layout import layout
from planner.show.say import bill, mount, shade, verdict
from planner.show.say import layout as layouts
from planner.show.say.figures import letter
from planner.show.say.glossary import GLOSSARY
from planner.show.say.verdict import fixed_to

webdriver = pytest.importorskip("selenium.webdriver")
WebDriverException = pytest.importorskip("selenium.common.exceptions").WebDriverException
# looked for 20 times a second; by itself it looks twice, and the tests wait for little but that
WebDriverWait = functools.partial(
    pytest.importorskip("selenium.webdriver.support.ui").WebDriverWait, poll_frequency=0.05
)
By = pytest.importorskip("selenium.webdriver.common.by").By

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        not (CHROMIUM and DRIVER) and os.environ.get("CI") != "true",
        reason="needs Chromium and chromedriver (Debian: apt-get install chromium chromium-driver)",
    ),
]

ARGUMENTS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND",
)
DESKTOP, PHONE = (1400, 900), (390, 844)
SHEETS_IN = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


class Browser:
    """One Chromium, network off, that remembers what it was asked to load and what it complained of."""

    def __init__(self, profile: Path, *more: str) -> None:
        assert CHROMIUM, "CI needs Chromium"
        assert DRIVER, "CI needs chromedriver"
        options = webdriver.ChromeOptions()
        options.binary_location = CHROMIUM
        for argument in (*ARGUMENTS, *more, f"--user-data-dir={profile}"):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        self.driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
        self.command("Network.enable")
        self.command(
            "Network.emulateNetworkConditions",
            offline=True,
            latency=0,
            downloadThroughput=0,
            uploadThroughput=0,
        )

    def command(self, name: str, **settings: Any) -> Any:
        return self.driver.execute_cdp_cmd(name, settings)

    def open(self, page: Path, size: tuple[int, int] = DESKTOP) -> None:
        self.driver.get("about:blank")
        self.driver.get_log("browser")
        self.driver.get_log("performance")
        self.command(
            "Emulation.setDeviceMetricsOverride",
            width=size[0],
            height=size[1],
            deviceScaleFactor=1,
            mobile=size == PHONE,
        )
        self.driver.get(page.resolve().as_uri())

    def script(self, text: str, *arguments: Any) -> Any:
        return self.driver.execute_script(text, *arguments)

    def find(self, selector: str) -> Any:
        return self.driver.find_element(By.CSS_SELECTOR, selector)

    def all(self, selector: str) -> list[Any]:
        return self.driver.find_elements(By.CSS_SELECTOR, selector)

    def text(self, selector: str = "body") -> str:
        return str(self.find(selector).text)

    def card(self) -> str:
        """Text of the open card, once the map has come to rest with the card in view."""
        in_view = (
            "const b = document.querySelector('.leaflet-popup').getBoundingClientRect();"
            "const m = document.querySelector('.map').getBoundingClientRect();"
            "return b.left >= m.left && b.right <= m.right && b.top >= m.top && b.bottom <= m.bottom;"
        )
        WebDriverWait(self.driver, 5).until(lambda _: self.script(in_view))
        return self.text(".leaflet-popup-content")

    def requests(self) -> list[str]:
        """Addresses asked for since the page was opened."""
        found = []
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                found.append(message["params"]["request"]["url"])
        return found

    def complaints(self) -> list[str]:
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def pdf(self, size: str) -> pypdf.PdfReader:
        wide, tall = SHEETS_IN[size]
        paper = {"paperWidth": wide, "paperHeight": tall, "preferCSSPageSize": True}
        try:
            data = self.command("Page.printToPDF", **paper)["data"]
        except WebDriverException:  # a busy machine's Chromium now and then says "Printing failed", and then prints
            data = self.command("Page.printToPDF", **paper)["data"]
        return pypdf.PdfReader(io.BytesIO(base64.b64decode(data)))


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    opened = Browser(tmp_path_factory.mktemp("chromium"), "--enable-unsafe-swiftshader")
    yield opened
    opened.driver.quit()


@pytest.fixture(scope="module")
def yard() -> SiteResult:
    return studied()


@pytest.fixture(scope="module")
def folder(yard: SiteResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("site")
    write_site(yard, out)
    return out


@pytest.fixture(scope="module")
def contract_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("contract")
    write_contract(contract(), out)
    return out


@pytest.mark.parametrize("page", ["map.html", "sheet.html"])
@pytest.mark.parametrize("size", [DESKTOP, PHONE])
def test_site_pages_open_alone(browser: Browser, folder: Path, page: str, size: tuple[int, int]) -> None:
    browser.open(folder / page, size)
    asked = [address for address in browser.requests() if not address.startswith("data:")]
    assert asked == [(folder / page).as_uri()]
    assert browser.script("return performance.getEntriesByType('resource').map(e => e.name)") == []
    assert browser.complaints() == []
    assert browser.script("return document.documentElement.scrollWidth") <= size[0]


@pytest.mark.parametrize("size", [DESKTOP, PHONE])
def test_contract_map_opens_alone(browser: Browser, contract_folder: Path, size: tuple[int, int]) -> None:
    page = contract_folder / "map.html"
    browser.open(page, size)
    assert [address for address in browser.requests() if not address.startswith("data:")] == [page.as_uri()]
    assert browser.complaints() == []
    assert browser.script("return document.documentElement.scrollWidth") <= size[0]


def test_first_screen_tells_what_to_do(browser: Browser, folder: Path, yard: SiteResult) -> None:
    """Without a click: what to mount, the zone with its odds, the season, the cost, what is not certain."""
    browser.open(folder / "map.html")
    told = browser.text(".panel")
    row = yard.decision.chosen
    for text in (
        layouts.headline(yard),
        layouts.held_sentence(yard),
        fixed_to(yard.mounts, row),
        yard.mounts.ids[row],
        f"sensor height {yard.mounts.height_m[row] / 0.3048:.1f} ft",
        yard.zone.table.labels[yard.zone.zone[0]],
        f"{yard.zone.p_zone[0]:.0%} chance",
        "in/day",
        "March through October",
        bill.bill_sentence(yard),
        "The ways to the zone do not agree.",
        "1 assumption",
    ):
        assert text in told, text
    assert not browser.find(".sun-picture").is_displayed()
    assert not browser.all("details.fold[open]")


def test_every_link_of_the_contents_opens_its_part(browser: Browser, folder: Path) -> None:
    browser.open(folder / "map.html")
    links = browser.all(".contents a")
    assert len(links) >= 8
    for link in links[1:]:
        link.click()
        part = browser.find(link.get_dom_attribute("href"))
        assert part.get_dom_attribute("open") is not None
        assert part.rect["y"] >= 0
        top = browser.script("return arguments[0].getBoundingClientRect().top", part)
        assert -5 <= top <= 900, link.text
        assert browser.find(".contents").is_displayed()


def opened(browser: Browser, page: Path, size: tuple[int, int] = DESKTOP) -> None:
    """The page with every part of the panel unfolded."""
    browser.open(page, size)
    browser.script("document.querySelectorAll('.panel details').forEach(d => { d.open = true; })")


def test_panel_tells_the_decision(browser: Browser, folder: Path, yard: SiteResult) -> None:
    opened(browser, folder / "map.html")
    told = browser.text(".panel")
    row = yard.decision.chosen
    for text in (
        fixed_to(yard.mounts, row),
        yard.mounts.ids[row],
        verdict.reason(yard, row),
        "Sunlight received",
        "WMO-No. 8 precipitation class",
        yard.zone.table.labels[yard.zone.zone[0]],
        "The ways to the zone do not agree",
        "A · North controller",
        "Ladders.",
        "Local codes",
        *(term.word for term in GLOSSARY),
    ):
        assert text in told, text
    names = [svg.get_attribute("class") for svg in browser.all(".panel svg")]
    assert {"sun-picture", "zone-bar", "eto-bars"} <= set(names)


def test_panel_tells_who_shades_it_and_what_a_mast_buys(browser: Browser, folder: Path, yard: SiteResult) -> None:
    opened(browser, folder / "map.html")
    told = browser.text("#place-S1")
    row = yard.decision.chosen
    for text in (
        "Sources of shade",
        *shade.sources(yard, row),
        shade.day_sentence(yard, row),
        "What a longer mast would buy",
        "as planned",
        *(cell for r in mount.raised(yard, row) for cell in (r.more, r.light, r.held, r.score)),
        mount.moved(yard, row),
        "Open to rain",
        mount.rain_sentence(yard, row),
    ):
        assert text in told, text
    roses = browser.all("#place-S1 .rain-rose")
    assert len(roses) == 1
    assert 120 <= roses[0].size["width"] <= 220
    # alternates say the same
    second = yard.decision.runners_up[0]
    beside = browser.text("#alternates")
    for text in (*shade.sources(yard, second), mount.rain_sentence(yard, second)):
        assert text in beside, text


def test_light_over_the_site_is_a_layer(browser: Browser, folder: Path, yard: SiteResult) -> None:
    browser.open(folder / "map.html")
    assert not browser.find('input[data-group="light"]').is_selected()
    images = len(browser.all(".leaflet-image-layer"))
    browser.find('input[data-group="light"]').click()
    assert len(browser.all(".leaflet-image-layer")) == images + 1
    key = browser.text(".key")
    assert "Sunlight received by month: 10 ft above ground, 2.0 ft above roofs" in key
    low, high = light_range(yard.light)
    assert f"{high:.0%}\n{low:.0%}" in key
    browser.find('input[data-group="light"]').click()
    assert len(browser.all(".leaflet-image-layer")) == images


def test_key_has_units_and_switches(browser: Browser, folder: Path, yard: SiteResult) -> None:
    tower = yard.site.buildings.shapes[2].centroid
    tall_m = yard.site.buildings.top_m[2] - yard.site.ground_at(np.array([tower.x, tower.y]))
    browser.open(folder / "map.html")
    key = browser.text(".key")
    for text in (
        "Buildings, by height",
        f"{np.ceil(tall_m) / 0.3048:.0f} ft",
        "Trees, evergreen",
        "Trees, deciduous",
        "Spray reach",
        "Exhaust and other heat",
        "No access",
        "of 100",
        "The sensor goes here",
        "Leaflet",
    ):
        assert text in key, text
    assert "ft" in browser.text(".leaflet-control-scale")
    assert browser.text(".north").endswith("N")
    assert not browser.find('input[data-group="climate"]').is_selected()
    assert "in/day" not in key
    images = len(browser.all(".leaflet-image-layer"))
    browser.find('input[data-group="climate"]').click()
    assert len(browser.all(".leaflet-image-layer")) == images + 1
    assert "in/day" in browser.text(".key")
    browser.find('input[data-group="climate"]').click()
    assert len(browser.all(".leaflet-image-layer")) == images
    assert browser.find(".mark-sensor").is_displayed()
    browser.find('input[data-group="layout"]').click()
    assert not browser.all(".map .mark-place .mark-sensor")


def inked(browser: Browser) -> int:
    """Painted pixels of the map's canvas."""
    return int(
        browser.script(
            "const c = document.querySelector('.leaflet-overlay-pane canvas');"
            "const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
            "let n = 0; for (let k = 3; k < d.length; k += 4) n += d[k] > 0; return n;"
        )
    )


def test_switching_a_group_clears_it_from_the_canvas(browser: Browser, folder: Path) -> None:
    browser.open(folder / "map.html")
    browser.driver.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
    before = inked(browser)
    browser.find('input[data-group="buildings"]').click()
    browser.driver.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
    assert inked(browser) < 0.8 * before


def test_a_click_on_a_candidate_opens_its_card(browser: Browser, folder: Path, yard: SiteResult) -> None:
    """A ruled-out candidate, found by where it is drawn: its card says what rules it out."""
    browser.open(folder / "map.html")
    at = browser.script(
        "const data = JSON.parse(document.getElementById('map-data').textContent);"
        "const group = data.groups.find(g => g.id === 'ruled-out');"
        "const f = group.features.features[0];"
        "const [x, y] = f.geometry.coordinates;"
        "const p = map_plan_at(x, y); return [p.x, p.y];"
        "function map_plan_at(x, y) {"
        "  const p = map_plan.latLngToContainerPoint([y, x]);"
        "  const box = map_plan.getContainer().getBoundingClientRect();"
        "  return {x: box.left + p.x, y: box.top + p.y}; }"
    )
    for kind in ("mousePressed", "mouseReleased"):
        browser.command(
            "Input.dispatchMouseEvent", type=kind, x=at[0], y=at[1], button="left", buttons=1, clickCount=1
        )
    card = browser.card()
    # an edge and the wall under it share a place on the map: whichever lies on top, its own words are shown
    row = yard.mounts.ids.index(card.split(" · ")[0])
    assert fixed_to(yard.mounts, row) in card
    assert not yard.decision.passing[row]
    assert f"Ruled out: {verdict.ruled_out(yard, row)}." in card


@pytest.mark.parametrize("size", [DESKTOP, PHONE])
def test_a_row_shows_its_mount(browser: Browser, folder: Path, yard: SiteResult, size: tuple[int, int]) -> None:
    browser.open(folder / "map.html", size)
    second = yard.decision.runners_up[0]
    browser.script("document.querySelector('#alternates').open = true")
    browser.find(f'.rows [data-go="mount-{second}"]').click()
    card = browser.card()
    assert yard.mounts.ids[second] in card
    assert "alternate 1" in card
    assert mount.score(yard, second) in card
    assert browser.all(".leaflet-popup-content svg.sun-picture")
    for line in shade.sources(yard, second, most=2):
        assert line in card
    cells = [cell.text for cell in browser.all(".leaflet-popup-content .card-table td")]
    assert cells == [text for r in mount.raised(yard, second) for text in (r.more, r.light, r.held, r.score)]


@pytest.mark.parametrize("size", [DESKTOP, PHONE])
def test_no_words_are_cut_or_overlap_in_the_panel(browser: Browser, folder: Path, size: tuple[int, int]) -> None:
    opened(browser, folder / "map.html", size)
    cut = browser.script(
        "return [...document.querySelectorAll('.panel *')].filter(e => e.scrollWidth > e.clientWidth + 1 &&"
        " e.clientWidth > 0 && getComputedStyle(e).display !== 'inline' && !e.closest('svg'))"
        ".map(e => e.outerHTML.slice(0, 90))"
    )
    assert cut == []


def test_a_narrower_window_still_shows_every_site_unless_somebody_looked_elsewhere(
    browser: Browser, contract_folder: Path
) -> None:
    browser.open(contract_folder / "map.html")
    seen = "const b = map_plan.getBounds(); return [b.getWest(), b.getEast(), map_plan.getZoom()]"
    bounds = browser.script('return JSON.parse(document.getElementById("map-data").textContent).bounds')

    def resized(width: int) -> list[float]:
        browser.command(
            "Emulation.setDeviceMetricsOverride", width=width, height=844, deviceScaleFactor=1, mobile=False
        )
        browser.script("window.dispatchEvent(new Event('resize'))")
        return list(browser.script(seen))

    west, east, zoom = resized(390)
    assert west < bounds[0][1] < bounds[1][1] < east
    assert zoom < resized(1400)[2]
    browser.script(
        "map_plan.getContainer().dispatchEvent(new Event('pointerdown')); map_plan.setZoom(arguments[0])", zoom + 3
    )
    assert resized(500)[2] == zoom + 3


def test_contract_list_is_searched_and_narrowed(browser: Browser, contract_folder: Path) -> None:
    browser.open(contract_folder / "map.html")
    assert "12 of 12 sites" in browser.text(".panel")
    # the climate is the ground from the start; switched off and on again, it lies under the sites as before
    assert len(browser.all(".leaflet-image-layer")) == 1
    assert "mm/day" in browser.text(".key")
    browser.find('input[data-group="climate"]').click()
    assert browser.all(".leaflet-image-layer") == []
    browser.find('input[data-group="climate"]').click()
    over = browser.script("return document.querySelector('.leaflet-overlay-pane').lastElementChild.className")
    assert "sites-canvas" in over
    rows = [row.text for row in browser.all("#site-list li")]
    flags = [len(row.split(";")) if len(row.splitlines()) > 2 else 0 for row in rows]
    assert flags == sorted(flags, reverse=True)
    assert flags[0] > flags[-1]
    browser.find("#site-search").send_keys("plaza 11")
    shown = [row.text for row in browser.all("#site-list li") if row.is_displayed()]
    assert len(shown) == 1
    assert "Plaza 11" in shown[0]
    browser.find("#site-search").clear()
    browser.find("#site-search").send_keys(" ")
    browser.find("#site-flag option:nth-child(2)").click()
    assert "4 of 12 sites" in browser.text(".panel")
    browser.find('[data-go="site-3"]').click()
    card = browser.card()
    assert "Plaza 4" in card
    assert "mm/day in Jun" in card
    assert len(browser.all(".card-bars .bar")) == 12
    assert "Lost plaza" in browser.text(".panel")
    assert "its geometry is empty" in browser.text(".panel")


@pytest.mark.parametrize("size", list(SHEETS_IN))
def test_sheet_prints_on_one_page(browser: Browser, folder: Path, yard: SiteResult, size: str) -> None:
    browser.open(folder / "sheet.html")
    printed = browser.pdf(size)
    assert len(printed.pages) == 1
    text = " ".join(printed.pages[0].extract_text().split())
    row, second = yard.decision.chosen, yard.decision.runners_up[0]
    for wanted in (
        "Larkmead sensor plan",
        yard.mounts.ids[row],
        fixed_to(yard.mounts, row),
        f"Alternate: {yard.mounts.ids[second]}",
        "inside the roof edge" if yard.mounts.building[row] >= 0 else "Support Pole",
        "South controller",
        "Band 8",
        "Irrigation season: March through October",
        "Signature",
        "Zone set",
        "local law",
        "a site visit",
    ):
        assert wanted in text, wanted


@pytest.mark.parametrize("screen", [DESKTOP, PHONE])
@pytest.mark.parametrize("size", list(SHEETS_IN))
def test_the_map_page_prints_as_map_and_summary(
    browser: Browser, folder: Path, yard: SiteResult, size: str, screen: tuple[int, int]
) -> None:
    """Two pages: the map as it stands on the screen, across the paper's width or height, then what to do."""
    browser.open(folder / "map.html", screen)
    printed = browser.pdf(size)
    assert len(printed.pages) == 2
    first, second = (" ".join(page.extract_text().split()) for page in printed.pages)
    assert "S1" in first
    assert "What to do" not in first
    if screen == DESKTOP:  # elsewhere the key is shut; its words stay whole where its boxes to tick are left out
        assert "Buildings, by height" in first
    for wanted in ("Larkmead sensor plan", "What to do", fixed_to(yard.mounts, yard.decision.chosen), "To buy"):
        assert wanted in second, wanted
    for unwanted in ("Requirements and score", "Show it on the map", "Terms"):
        assert unwanted not in second, unwanted


@pytest.fixture(scope="module")
def nasty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every text that a user's file may bring, in turn at every place it may stand."""
    out = tmp_path_factory.mktemp("nasty")
    for turn in range(len(NASTY)):
        names = NASTY[turn:] + NASTY[:turn]
        found = scene(names)
        if turn:  # the ground bears no names: its picture is drawn once
            found = dataclasses.replace(found, site=dataclasses.replace(found.site, terrain=None))
        pages = {
            f"site-{turn}/map.html": site_page(found),
            f"site-{turn}/sheet.html": sheet_page(found),
            f"contract-{turn}/map.html": contract_page(contract(len(names), names)),
        }
        for name, content in pages.items():
            (out / name).parent.mkdir(exist_ok=True)
            (out / name).write_bytes(content)
    return out


def seen(text: str) -> str:
    """A text as a browser shows it: white space is one space."""
    return " ".join(text.split())


def test_foreign_names_are_shown_and_never_run(browser: Browser, nasty: Path) -> None:
    """Injection by names in every layer: no dialog, no script, no error, no request; the text is there."""
    for turn in range(len(NASTY)):
        names = NASTY[turn:] + NASTY[:turn]
        for page in (f"site-{turn}/map.html", f"site-{turn}/sheet.html", f"contract-{turn}/map.html"):
            browser.open(nasty / page)
            # a dialog would make this call itself fail
            text = seen(browser.script("return document.body.innerText"))
            assert seen(names[0]) in text or seen(names[-1]) in text, page
            assert browser.all("img:not([src^='data:'])") == [], page
            assert browser.complaints() == [], page
            assert all(a.startswith(("data:", "file:")) for a in browser.requests()), page
            if "sheet" not in page:
                assert browser.all(".leaflet-pane"), page


def test_foreign_names_stay_text_in_every_card(browser: Browser, nasty: Path) -> None:
    """Every card that the map can open, in every layer, shows its title to the letter."""
    for turn in range(0, len(NASTY), 4):
        browser.open(nasty / f"site-{turn}" / "map.html")
        wrong = browser.script(
            "const bad = []; let n = 0;"
            "map_plan.eachLayer(function open(layer) {"
            "  if (layer.getPopup && layer.getPopup()) {"
            "    const box = layer.getPopup().getContent()(layer); n += 1;"
            "    if (box.querySelector('img, script, iframe, a')) bad.push(box.outerHTML);"
            "    if (!box.querySelector('h3').textContent) bad.push('no title');"
            "  }"
            "});"
            "const data = JSON.parse(document.getElementById('map-data').textContent);"
            "const want = data.groups.flatMap(g => (g.marks || []).map(m => m.c.t)"
            "  .concat(g.features ? g.features.features.map(f => f.properties.c && f.properties.c.t) : []))"
            "  .filter(Boolean);"
            "return [bad, n, want.length];"
        )
        assert wrong[0] == []
        assert wrong[1] == wrong[2] > 30
        assert browser.complaints() == []


def test_the_lock_holds_even_if_markup_slips_in(browser: Browser, folder: Path, tmp_path: Path) -> None:
    """The page's own policy stops an inline handler, a foreign script and a fetch."""
    page = (folder / "map.html").read_text(encoding="utf-8")
    slipped = page.replace("</body>", "<img src=x onerror='window.ran=1'><script>window.ran=2</script></body>", 1)
    (tmp_path / "map.html").write_text(slipped, encoding="utf-8")
    browser.open(tmp_path / "map.html")
    assert browser.script("return window.ran") is None
    assert any("Content Security Policy" in text for text in browser.complaints())


@pytest.fixture(scope="module", params=["radio", "cable"])
def fullest(
    request: pytest.FixtureRequest, once: Callable[..., tuple[Path, SiteResult]]
) -> tuple[Path, SiteResult]:
    """The demo's fullest sheet, and its result: five controllers, several sensors, losses, cautions."""
    folder, result = once(f"fullest-{request.param}", lambda folder: full(request.param, folder))
    return folder / "sheet.html", result


def full(link: str, folder: Path) -> SiteResult:
    source = read_plan(examples_folder() / "campus" / "campus.toml")
    sensor = source.plan.sensor.model_copy(update={"link": link})
    sun = source.plan.sun.model_copy(update={"step_minutes": 60, "day_step": 15})
    requirements = source.plan.requirements.model_copy(update={"reach": "any"})
    coarse = {
        "mounts": source.plan.mounts.model_copy(update={"spacing_m": 36.0}),
        "cable": source.plan.cable.model_copy(update={"cell_m": 6.0}),
    }
    plan = source.plan.model_copy(update={"sensor": sensor, "sun": sun, "requirements": requirements, **coarse})
    result = run_site(PlanFile(source.path, plan, source.variables), Ledger())
    (folder / "map.html").write_bytes(site_page(result))
    (folder / "sheet.html").write_bytes(sheet_page(result))
    return result


@pytest.mark.parametrize("size", list(SHEETS_IN))
def test_the_demos_sheet_has_a_page_for_each_sensor(
    browser: Browser, size: str, fullest: tuple[Path, SiteResult]
) -> None:
    sheet, result = fullest
    browser.open(sheet)
    pages = [page.extract_text() for page in browser.pdf(size).pages]
    places = layout(result)
    assert len(pages) == len(places) > 1
    for text, place in zip(pages, places, strict=True):
        assert f"{place.sign}, mount {result.mounts.ids[place.row]}" in text
        assert "Ladders" in text
    served = [letter(k) for place in places for k in place.serves]
    assert len(set(served)) == len(served) >= 2


@pytest.mark.parametrize("size", [DESKTOP, PHONE])
def test_a_click_where_nothing_is_says_why_not_here(
    browser: Browser, folder: Path, yard: SiteResult, size: tuple[int, int]
) -> None:
    """The nearest mount by the geodesic (pyproj) with its reason, and lines that a plan takes as they are."""
    import tomllib

    import pyproj

    from planner.plan.schema import NamedMount
    from planner.show.lonlat import to_lonlat

    browser.open(folder / "map.html", size)
    lon, lat = to_lonlat(yard.site.crs)(np.array([[-80.0, 60.0]]))[0]
    asks = "map_plan.fire('contextmenu', { latlng: L.latLng(arguments[0], arguments[1]) })"
    browser.script(asks, float(lat), float(lon))
    told = browser.card()
    at = to_lonlat(yard.site.crs)(yard.mounts.xyz)
    far = pyproj.Geod(ellps="WGS84").inv(np.full(len(at), lon), np.full(len(at), lat), at[:, 0], at[:, 1])[2]
    nearest = int(np.argmin(far))
    assert yard.mounts.ids[nearest] in told
    assert f"{far[nearest] / 0.3048:.0f} ft away" in told
    lines = browser.text(".spot-lines")
    mount = tomllib.loads(lines)["mounts"]["named"][0]
    asked = NamedMount.model_validate(mount)
    assert (asked.x, asked.y) == pytest.approx((lon, lat), abs=1e-6)
    assert asked.height_m == pytest.approx(10 * 0.3048)
    assert browser.script("return document.documentElement.scrollWidth") <= size[0]
    browser.find(".leaflet-popup .link").click()
    assert yard.mounts.ids[nearest] in browser.card()


# --- every card, every control ----------------------------------------------------------------------------------

# What a hand can touch on the map page, and what must come of it: a script that acts on `e` and gives a promise.
CONTROLS = {
    ".contents a": "e.click(); const to = document.querySelector(e.getAttribute('href'));"
    "return to && (to.tagName !== 'DETAILS' || to.open)",
    "summary": "const d = e.parentElement, was = d.open; e.click(); const now = d.open; d.open = true;"
    "return now !== was",
    "input[data-group]": "const n = layers(); e.click(); const m = layers(); e.click();"
    "return m !== n && layers() === n",
    "select[data-steps]": "document.querySelector(`input[data-group='${e.dataset.steps}']`).checked ||"
    " document.querySelector(`input[data-group='${e.dataset.steps}']`).click();"
    "const image = () => [...document.querySelectorAll('.leaflet-image-layer')].map(i => i.src).join();"
    "const was = image(); e.selectedIndex = (e.selectedIndex + 5) % 12; fire(e, 'change'); return image() !== was",
    "input[data-shade]": "e.click(); return until(() => document.querySelector('.leaflet-shade-pane canvas'))",
    ".shade-row .shade-label :is(select, input)": "const drawn = () => picture('.leaflet-shade-pane canvas');"
    "const was = drawn(); if (e.tagName === 'SELECT') e.selectedIndex = 11; else e.value = Number(e.value) - 3;"
    "fire(e, 'input'); return until(() => drawn() !== was)",
    ".panel [data-go]": "map_plan.closePopup(); e.click(); return titled()",
    "[data-fit]": "const box = document.querySelector(`input[data-group='${e.dataset.fit}']`);"
    "if (box.checked) box.click(); e.click(); return box.checked",
    ".compare-lists select": "const said = () => document.querySelector('.compare-out').textContent, was = said();"
    "e.selectedIndex = (e.selectedIndex + 7) % e.options.length; fire(e, 'change'); return said() !== was",
    ".compare-table .link": "map_plan.closePopup(); e.click(); return titled()",
    ".map .mark-place": "map_plan.closePopup(); e.click(); return titled()",
    ".leaflet-control-zoom a": "return until(() => !map_plan._animatingZoom).then(() => {"
    "const was = map_plan.getZoom(); e.click(); return until(() => map_plan.getZoom() !== was); })",
    ".leaflet-container, .panel, .compare-out": "e.focus(); return document.activeElement === e",
    "a[href$='.html']": "return /^(programming|review)\\.html$/.test(e.getAttribute('href'))",
    "a[href^='geo:']": "return /^geo:-?[\\d.]+,-?[\\d.]+$/.test(e.getAttribute('href'))",
    "a[href^='https:']": "return /^www\\.openstreetmap\\.org$/.test(e.host) && /noopener/.test(e.rel)",
    ".solid-open": "e.click(); return until(() => !document.querySelector('.solid').hidden)",
}
# What is there once a card, the spot's card or the 3-D view is open.
LATER = {
    ".leaflet-popup-close-button": "e.click(); return until(() => !document.querySelector('.leaflet-popup'))",
    ".leaflet-popup .spot-lines": "e.focus(); return document.activeElement === e",
    ".leaflet-popup button": "e.click(); return document.getElementById('compare').open",
    ".solid-slider input": "const out = e.parentElement.querySelector('output'), was = out.textContent;"
    "e.value = Number(e.value) - 2; fire(e, 'input'); return out.textContent !== was",
    ".solid-canvas": "const at = () => document.querySelector('.solid-labels').innerHTML, was = at();"
    "e.focus(); e.dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowLeft', bubbles: true }));"
    "return until(() => at() !== was)",
    ".solid-button": "const at = () => document.querySelector('.solid-labels').innerHTML, was = at();"
    "e.click(); return until(() => document.querySelector('.solid').hidden || at() !== was)",
}
ACT = """
const kind = arguments[0], done = arguments[arguments.length - 1];
const layers = () => { let n = 0; map_plan.eachLayer(() => { n += 1; }); return n; };
const fire = (on, kind) => on.dispatchEvent(new Event(kind, { bubbles: true }));
const picture = name => { const c = document.querySelector(name); return c ? c.toDataURL() : ""; };
const until = test => new Promise(ok => { const from = Date.now(); (function again() {
  if (test()) ok(true); else if (Date.now() - from > 15000) ok(false); else setTimeout(again, 20); })(); });
const titled = () => {
  const h = document.querySelector(".leaflet-popup h3"); return Boolean(h && h.textContent.trim()); };
const act = async e => { %s };
(async () => {
  const there = [...document.querySelectorAll(kind)], idle = [];
  for (const e of there) {
    const name = e.outerHTML.slice(0, 120), came = await act(e).catch(String);
    if (came !== true) idle.push([kind, name, came]);
  }
  done([there.length, idle]);
})();
"""
TOUCHED = "a[href], button, input, select, textarea, summary, [tabindex], [role=button], [contenteditable]"
NOT_KNOWN = """
return [...document.querySelectorAll(arguments[0])]
  .filter(e => !arguments[1].some(kind => e.matches(kind))).map(e => e.outerHTML.slice(0, 120));
"""


def tried(browser: Browser, kinds: dict[str, str]) -> set[str]:
    """Acts on each control that is there; those kinds of which there was one. Each must do what it is for."""
    used, idle = set(), []
    browser.driver.set_script_timeout(120)
    for kind, act in kinds.items():
        number, failed = browser.driver.execute_async_script(ACT % act, kind)
        used |= {kind} if number else set()
        idle += failed
    assert idle == []
    return used


def test_every_control_of_the_map_page_does_what_it_is_for(
    browser: Browser, folder: Path, fullest: tuple[Path, SiteResult]
) -> None:
    """Whatever can be touched is of a kind that is known here, and each of them is tried: on the small scene with
    its light by month, and on the demo's plan of several sensors, by radio and by cable."""
    used: set[str] = set()
    full, by_radio = fullest[0].with_name("map.html"), fullest[1].plan.sensor.link == "radio"
    for page in (folder / "map.html", full) if by_radio else (full,):  # the small scene once is enough
        opened(browser, page)
        kinds = [*CONTROLS, *LATER]
        assert browser.script(NOT_KNOWN, TOUCHED, kinds) == []
        used |= tried(browser, CONTROLS)  # it ends with the 3-D view open
        assert browser.script(NOT_KNOWN, TOUCHED, kinds) == []
        used |= tried(browser, {kind: act for kind, act in LATER.items() if "solid" in kind})
        close = {kind: act for kind, act in LATER.items() if "close" in kind}
        for name in (".map .mark-place:has(.mark-sensor)", "[data-go^='controller-']"):
            browser.script("document.querySelector(arguments[0]).click()", name)
            assert browser.script(NOT_KNOWN, TOUCHED, kinds) == []
            used |= tried(browser, {".leaflet-popup button": LATER[".leaflet-popup button"]})
            used |= tried(browser, close)
        for button in range(
            2
        ):  # the nearest mount's card; the lines to copy, for which a browser wants a real click
            browser.script("map_plan.fire('contextmenu', { latlng: map_plan.getCenter() })")
            was = browser.card()
            assert browser.script(NOT_KNOWN, TOUCHED, kinds) == []
            used |= tried(browser, {".leaflet-popup .spot-lines": LATER[".leaflet-popup .spot-lines"]})
            found = browser.all(".leaflet-popup-content button")
            assert len(found) == 2
            found[button].click()
            WebDriverWait(browser.driver, 5).until(lambda _, was=was: browser.text(".leaflet-popup-content") != was)
        # what a driver in software says of its own speed is no complaint of the page
        assert [text for text in browser.complaints() if "GL Driver Message" not in text] == []
    small_alone = {"select[data-steps]"}
    assert used == {*CONTROLS, *LATER} - (set() if by_radio else small_alone)


# What the map of a contract has besides.
OF_SITES = {
    "#site-search": "const rows = () => document.querySelectorAll('#site-list li').length, was = rows();"
    "e.value = 'no such site'; fire(e, 'input'); return until(() => rows() === 0).then(none => {"
    "e.value = ''; fire(e, 'input'); return none && until(() => rows() === was); })",
    "#site-flag": "const said = () => document.getElementById('site-count').textContent, was = said();"
    "e.selectedIndex = 1; fire(e, 'change'); const now = said();"
    "e.selectedIndex = 0; fire(e, 'change'); return now !== was && said() === was",
    "#site-more": "const rows = () => document.querySelectorAll('#site-list li').length, was = rows();"
    "e.click(); return rows() > was",
    "[data-site]": "map_plan.closePopup(); e.click(); return titled()",
    ".wide-table, .map": "e.focus(); return document.activeElement === e",
}


def test_every_control_of_the_contracts_map_does_what_it_is_for(browser: Browser, tmp_path: Path) -> None:
    """Of decided sites, more of them than the list shows at first."""
    page = tmp_path / "map.html"
    page.write_bytes(contract_page(dataclasses.replace(view(contract(130)), found=found_at(130))))
    browser.open(page)
    kinds, known = {**CONTROLS, **OF_SITES}, [*CONTROLS, *OF_SITES, *LATER]
    first = "#site-list li:nth-child(-n+3) [data-go]"  # of a hundred rows alike
    kinds[first] = kinds.pop(".panel [data-go]")
    assert browser.script(NOT_KNOWN, TOUCHED, known) == []
    used = tried(browser, kinds)
    assert browser.script(NOT_KNOWN, TOUCHED, known) == []
    assert tried(browser, {kind: act for kind, act in LATER.items() if "close" in kind})
    assert {*OF_SITES, first, ".contents a", "summary", "input[data-group]", ".leaflet-control-zoom a"} <= used
    assert browser.complaints() == []


# All cards laid out at the width that they have in the map, at once: one by one takes half a minute.
CARDS = """
const bad = [], room = document.querySelector(".map").clientWidth;
document.querySelectorAll("input[data-group]").forEach(box => { if (!box.checked) box.click(); });
const holder = document.createElement("div");
holder.className = "leaflet-popup-content";
let n = 0;
map_plan.eachLayer(layer => {
  const popup = layer.getPopup && layer.getPopup();
  if (!popup) return;
  const box = popup.getContent()(layer).cloneNode(true);
  if (popup.options.maxWidth > room) bad.push("wider than the map");
  box.style.width = Math.min(popup.options.maxWidth, room) + "px";
  holder.append(box);
  n += 1;
});
document.querySelector(".leaflet-popup-pane").append(holder);
holder.querySelectorAll(":scope > *").forEach(box => {
  const title = box.querySelector("h3");
  if (!title || !title.textContent.trim()) bad.push("no title: " + box.textContent.slice(0, 90));
  if (/undefined|NaN|\\[object/.test(box.textContent)) bad.push("says " + box.textContent.slice(0, 90));
  box.querySelectorAll("*").forEach(e => {
    if (!e.closest("svg") && e.clientWidth && e.scrollWidth > e.clientWidth + 1 &&
      getComputedStyle(e).display !== "inline") bad.push("cut: " + e.outerHTML.slice(0, 90)); });
});
holder.remove();
return [n, bad];
"""


@pytest.mark.parametrize("size", [PHONE, (820, 1180), DESKTOP])
def test_every_card_opens_whole(browser: Browser, fullest: tuple[Path, SiteResult], size: tuple[int, int]) -> None:
    """Each mount tried, each controller, link, cable route, building and tree of the demo's plan; and a click on
    each sensor, repeater, alternate, named spot and controller opens its card within the map."""
    browser.open(fullest[0].with_name("map.html"), size)
    result = fullest[1]
    for mark in browser.all(".map .mark-place"):
        browser.script("arguments[0].click()", mark)
        assert browser.card().strip()
    browser.script("map_plan.closePopup()")
    number, bad = browser.script(CARDS)
    assert bad == []
    assert number > len(result.mounts) + len(result.site.controllers)
    assert browser.complaints() == []


def test_a_click_on_a_cable_route_says_where_it_leads(browser: Browser, fullest: tuple[Path, SiteResult]) -> None:
    """By the mouse, half way along the longest stretch of each route, with the other layers switched off."""
    browser.open(fullest[0].with_name("map.html"))
    browser.script(
        "document.querySelectorAll('input[data-group]').forEach(box => {"
        "  if (box.checked !== (box.dataset.group === 'cables')) box.click(); })"
    )
    browser.script("document.querySelector('.key').open = false")
    lines = browser.script(
        "return JSON.parse(document.getElementById('map-data').textContent).groups"
        ".find(g => g.id === 'cables').features.features.map(f => [f.geometry.coordinates, f.properties.c.t])"
    )
    assert len(lines) >= 2
    for coordinates, title in lines:
        at = np.array(coordinates)
        k = int(np.argmax(np.hypot(*np.diff(at, axis=0).T)))
        lon, lat = (at[k] + at[k + 1]) / 2
        browser.script(
            "map_plan.closePopup(); map_plan.setView([arguments[0], arguments[1]], 22, { animate: false })",
            float(lat),
            float(lon),
        )
        where = browser.script(
            "const b = map_plan.getContainer().getBoundingClientRect();"
            "const p = map_plan.latLngToContainerPoint([arguments[0], arguments[1]]);"
            "return [b.left + p.x, b.top + p.y]",
            float(lat),
            float(lon),
        )
        for kind in ("mousePressed", "mouseReleased"):
            browser.command(
                "Input.dispatchMouseEvent",
                type=kind,
                x=where[0],
                y=where[1],
                button="left",
                buttons=1,
                clickCount=1,
            )
        assert title in browser.card()
