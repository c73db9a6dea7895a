"""The page that answers in Chromium, with every host but this machine's own cut off."""

from __future__ import annotations

import json
import queue
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from test_page_views import screen, violations
from test_pages import DESKTOP, PHONE, Browser, WebDriverWait, pytestmark, webdriver  # noqa: F401  (the mark)

from planner.at_point import point_card
from planner.plan import read_plan
from planner.serve.app import run
from planner.serve.page import numbers
from planner.serve.session import Session, opened

SMALL = Path(__file__).parents[1] / "examples" / "small"


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    folder = tmp_path_factory.mktemp("served") / "small"
    shutil.copytree(SMALL, folder)
    plan = (folder / "two-controllers.toml").read_text(encoding="utf-8")
    (folder / "quick.toml").write_text(plan + "\n[sun]\nstep_minutes = 20\nday_step = 10\n")
    return opened(read_plan(folder / "quick.toml"))


class Page:
    """The served page, driven as a person would."""

    def __init__(self, browser: Browser, address: str) -> None:
        self.browser, self.address, self.driver = browser, address, browser.driver

    def open(self, size: tuple[int, int] = DESKTOP) -> None:
        self.driver.get("about:blank")
        self.driver.get_log("browser")
        self.driver.get_log("performance")
        width, height = size
        self.browser.command(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=size == PHONE,
        )  # fmt: skip
        self.driver.get(self.address)
        self.until(lambda: self.asked() >= 1)
        self.until(lambda: "How sure" in self.browser.text("#closer"))

    def until(self, holds: Callable[[], Any]) -> None:
        WebDriverWait(self.driver, 60).until(lambda _: holds())

    def asked(self) -> int:
        return int(self.browser.script("return document.getElementById('card').dataset.asked || 0"))

    def after(self, act: Callable[[], Any]) -> dict[str, Any]:
        """The numbers of the card that an act brings."""
        before = self.asked()
        act()
        self.until(lambda: self.asked() > before)
        return self.numbers()

    def numbers(self, which: str = "numbers") -> Any:
        return json.loads(self.browser.script(f"return document.getElementById('card').dataset.{which}"))

    def click(self, selector: str) -> None:
        self.browser.script("arguments[0].click()", self.browser.find(selector))

    def on_map(self, x: int, y: int) -> Any:
        return webdriver.ActionChains(self.driver).move_to_element_with_offset(self.browser.find("#map"), x, y)


@pytest.fixture(scope="module")
def page(session: Session, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    said: queue.Queue[str] = queue.Queue()
    server = threading.Thread(target=run, args=(session, said.put), daemon=True)
    server.start()
    address = said.get(timeout=30)
    browser = Browser(
        tmp_path_factory.mktemp("chromium"), "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
    )
    browser.command(
        "Network.emulateNetworkConditions", offline=False, latency=0, downloadThroughput=-1, uploadThroughput=-1
    )
    yield Page(browser, address)
    browser.driver.quit()
    assert server.is_alive()


def test_a_click_gives_a_card_whose_numbers_are_those_of_python(page: Page, session: Session) -> None:
    page.open()
    first = page.numbers()
    found = page.after(lambda: page.on_map(-150, 120).click().perform())
    assert found["light_share"] != first["light_share"]
    text = page.browser.text("#card .kicker")
    lat, lon = map(float, text.split("·")[-1].split(","))
    card = point_card(session.now.prepared, session.now.beside, session._xy(lon, lat), found["height_m"])
    for key, value in numbers(card).items():  # the page shows six decimals of a degree: 0.1 m
        if key in ("light_share", "direct_h", "margin_db"):
            np.testing.assert_allclose(found[key], value, atol=0.3, err_msg=key)
    assert "Open to rain" in page.browser.text("#card")
    assert page.browser.complaints() == []
    assert {one.startswith((page.address, "data:", "about:")) for one in page.browser.requests()} == {True}


def test_a_drag_and_arrow_keys_move_the_spot_and_its_numbers(page: Page) -> None:
    page.open()
    pin = page.browser.find(".pin")
    begin = page.numbers()
    dragged = page.after(
        lambda: webdriver.ActionChains(page.driver).drag_and_drop_by_offset(pin, -60, 45).perform()
    )
    assert dragged["light_share"] != begin["light_share"]
    page.until(lambda: page.browser.find("#card").get_attribute("aria-busy") == "false")
    where = page.browser.text("#card .kicker")
    page.browser.script("document.querySelector('.pin').parentElement.focus()")
    page.after(lambda: webdriver.ActionChains(page.driver).send_keys("\ue013").perform())  # the up arrow
    assert page.browser.text("#card .kicker") != where


def test_a_drawn_building_is_told_before_and_after_undone_and_saved(page: Page, session: Session) -> None:
    page.open()
    free = page.numbers()
    page.click("#try > summary")
    page.click("#draw")
    at = page.browser.script(
        "const p = document.querySelector('.pin').getBoundingClientRect(), m = document.getElementById('map')"
        ".getBoundingClientRect(); return [p.x + p.width / 2 - m.x - m.width / 2,"
        " p.y + p.height / 2 - m.y - m.height / 2]"
    )
    for east, south in ((-50, 28), (50, 28), (50, 60), (-50, 60)):
        page.on_map(int(at[0]) + east, int(at[1]) + south).click().perform()
    page.browser.script("document.getElementById('roof').value = 70")
    walled = page.after(lambda: page.click("#finish"))
    assert min(walled["light_share"]) < min(free["light_share"]) - 0.05
    assert page.numbers("before") == free
    assert "New building 1" in page.browser.text("#changes")
    assert "Before and after" in page.browser.text("#card")
    assert page.after(lambda: page.click("#undo")) == free
    assert page.browser.text("#changes") == ""
    assert page.after(lambda: page.click("#redo")) == walled

    page.browser.find("#save-name").send_keys("drawn")
    page.click("#save button")
    page.until(lambda: "drawn.toml, drawn.gpkg" in page.browser.text("#saved"))
    assert (session.plan_file.path.parent / "drawn.gpkg").is_file()
    page.click("#save button")
    page.until(lambda: "not overwritten" in page.browser.text("#fault"))
    page.after(lambda: page.click("#undo"))
    plan = read_plan(session.plan_file.path.parent / "drawn.toml").plan
    assert plan.layers is not None
    assert plan.layers.buildings is not None
    assert plan.layers.buildings.path == "drawn.gpkg"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_screen_reader_and_a_dark_screen_find_all_of_it(page: Page, scheme: str) -> None:
    screen(page.browser, scheme)
    try:
        page.open()
        assert violations(page.browser) == []
    finally:
        screen(page.browser, "light")


@pytest.mark.parametrize("size", [DESKTOP, (820, 1000), PHONE], ids=["desktop", "tablet", "phone"])
def test_nothing_runs_over_the_edge_and_every_control_has_a_name(page: Page, size: tuple[int, int]) -> None:
    page.open(size)
    page.browser.script("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    wide = page.browser.script("return [document.documentElement.scrollWidth, window.innerWidth]")
    assert wide[0] <= wide[1]
    over = page.browser.script(
        "const panel = document.querySelector('.panel').getBoundingClientRect();"
        "return [...document.querySelectorAll('.panel *')].filter(e => e.getClientRects().length"
        " && !e.closest('svg, .unseen') && e.getBoundingClientRect().right > panel.right + 1)"
        ".map(e => e.outerHTML.slice(0, 80))"
    )
    assert over == []
    nameless = page.browser.script(
        "return [...document.querySelectorAll('.panel button, .panel input, .panel select')].filter(e =>"
        " !(e.textContent.trim() || (e.labels && e.labels.length && e.labels[0].textContent.trim())))"
        ".map(e => e.outerHTML)"
    )
    assert nameless == []
    assert page.browser.complaints() == []
