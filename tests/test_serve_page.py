"""The page that answers in Chromium, with every host but this machine's own cut off."""

from __future__ import annotations

import json
import os
import queue
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from selenium.common.exceptions import TimeoutException
from test_page_views import screen, violations
from test_pages import DESKTOP, PHONE, Browser, WebDriverWait, pytestmark, webdriver  # noqa: F401  (the mark)
from test_serve_brought import footprints

from planner.at_point import point_card
from planner.changes import Tree
from planner.layers import read_site
from planner.ledger import Ledger
from planner.plan import read_plan
from planner.serve.app import run
from planner.serve.page import numbers
from planner.serve.session import Session, opened
from planner.show.lonlat import to_lonlat
from planner.show.say.point import entries

SMALL = Path(__file__).parents[1] / "examples" / "small"


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    folder = tmp_path_factory.mktemp("served") / "small"
    shutil.copytree(SMALL, folder)
    plan = (folder / "two-controllers.toml").read_text(encoding="utf-8")
    (folder / "quick.toml").write_text(plan + "\n[sun]\nstep_minutes = 20\nday_step = 10\n")
    inbox = tmp_path_factory.mktemp("brought")
    return opened(read_plan(folder / "quick.toml"), folder=inbox)


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
        try:
            WebDriverWait(self.driver, 60).until(lambda _: holds())
        except TimeoutException:
            pytest.fail(f"not within 60 s; the page says: {self.browser.text('#fault') or 'nothing'}")

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

    def enter(self, selector: str, value: str) -> None:
        """Put a value into a box or a list, as typing or choosing does."""
        self.browser.script(
            "arguments[0].value = arguments[1];"
            "for (const kind of ['input', 'change']) arguments[0].dispatchEvent(new Event(kind, {bubbles: true}));",
            self.browser.find(selector),
            value,
        )

    def rests(self) -> None:
        self.until(lambda: self.browser.find("#card").get_attribute("aria-busy") == "false")

    def drop(self, **files: str) -> None:
        """Drop files on the page; names with __ for the dot."""
        self.browser.script(
            "const held = new DataTransfer();"
            "for (const [name, text] of Object.entries(arguments[0])) held.items.add(new File([text], name));"
            "for (const kind of ['dragover', 'drop'])"
            " document.body.dispatchEvent(new DragEvent(kind, {dataTransfer: held, bubbles: true,"
            " cancelable: true}));",
            {name.replace("__", "."): text for name, text in files.items()},
        )

    def on_map(self, x: int, y: int) -> Any:
        return webdriver.ActionChains(self.driver).move_to_element_with_offset(self.browser.find("#map"), x, y)


def beside(page: Page, session: Session) -> tuple[Page, threading.Thread]:
    """Another server, for the same browser."""
    said: queue.Queue[str] = queue.Queue()
    server = threading.Thread(target=run, args=(session, said.put), daemon=True)
    server.start()
    return Page(page.browser, said.get(timeout=30)), server


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
    again, thread = beside(page, opened(read_plan(session.plan_file.path.parent / "drawn.toml")))
    again.open()  # the saved plan, served anew
    assert "New building 1" in again.browser.script("return document.getElementById('map-data').textContent")
    assert again.browser.complaints() == []
    again.click("#stop")
    thread.join(timeout=30)
    assert not thread.is_alive()


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


def undo_all(session: Session) -> None:
    while session.changes:
        session.undo()
    session.undone = ()


def test_a_dropped_layer_is_told_asked_about_used_and_taken_back(page: Page, session: Session) -> None:
    undo_all(session)
    page.open()
    page.drop(footprints__geojson=footprints(session, "HGT", [5.0, 6.0, 8.0]).decode(), page__html="<b>")
    page.until(lambda: "not a kind of file" in page.browser.text("#fault"))
    assert ["422" in one for one in page.browser.complaints()] == [True]
    page.drop(footprints__geojson=footprints(session, "HGT", [5.0, 6.0, 8.0]).decode())
    page.until(lambda: page.browser.all(".part"))
    told = page.browser.text(".part")
    assert "Taken as buildings" in told
    assert "3 of 3" in told or "all 3 have one" in told
    assert "nothing says which" in told
    assert violations(page.browser) == []
    page.browser.script("document.querySelector('[name=\"ask height_unit\"]').value = '1'")  # feet
    numbers_now = page.after(lambda: page.click(".part button[type=submit]"))
    page.until(lambda: "used" in page.browser.text("#parts"))
    assert len(session.now.prepared.scene.site.buildings) == 3
    assert session.now.prepared.scene.site.buildings.top_m.max() < 8 * 0.3048 + 0.1
    assert page.numbers("before") is not None
    assert numbers_now["light_share"] != page.numbers("before")["light_share"]
    assert "Buildings" in page.browser.text("#counts")
    assert "A copy of footprints.geojson" in page.browser.text("#holds")
    page.click("#decide")
    page.until(lambda: "First place" in page.browser.text("#decided"))
    assert page.browser.find("#anew").is_displayed()
    page.rests()
    page.after(lambda: page.click("#undo"))
    assert page.browser.text("#counts") == ""
    assert not page.browser.find("#anew").is_displayed()
    assert page.browser.complaints() == []


def test_another_tab_and_files_that_change_on_disk_are_said(page: Page, session: Session) -> None:
    undo_all(session)
    page.open()
    session.change(Tree(1, 0.0))  # as another tab would
    page.after(lambda: page.browser.script("window.dispatchEvent(new Event('focus'))"))
    assert "removed" in page.browser.text("#changes") or not page.browser.find("#try").get_attribute("open")
    assert page.browser.script("return document.getElementById('changes').textContent").endswith("removed")
    own = session.plan_file.path.parent / "lot.geojson"
    state = own.stat()
    assert not page.browser.find("#stale").is_displayed()
    os.utime(own, (1, 1))
    page.browser.script("window.dispatchEvent(new Event('focus'))")
    page.until(lambda: "lot.geojson" in page.browser.text("#stale"))
    os.utime(own, ns=(state.st_atime_ns, state.st_mtime_ns))
    page.browser.script("window.dispatchEvent(new Event('focus'))")
    page.until(lambda: not page.browser.find("#stale").is_displayed())
    session.undo()


def test_a_browser_that_is_closed_in_the_middle_of_a_drag_loses_nothing(page: Page, session: Session) -> None:
    undo_all(session)
    session.change(Tree(1, 0.0))
    saved = session.save("before-closing")
    held = {path: path.read_bytes() for path in saved}
    page.open()
    pin = page.browser.find(".pin")
    webdriver.ActionChains(page.driver).click_and_hold(pin).move_by_offset(-30, 20).perform()
    page.driver.get("about:blank")  # the button is still down, and a card is on its way
    webdriver.ActionChains(page.driver).release().perform()
    page.open()
    assert page.browser.script("return document.getElementById('changes').textContent").endswith("removed")
    assert session.changes == (Tree(1, 0.0),)
    assert {path: path.read_bytes() for path in saved} == held
    reopened = read_site(read_plan(saved[0]), Ledger())
    assert reopened.crowns.names == session.now.prepared.scene.site.crowns.names
    for path in saved:
        path.unlink()
    undo_all(session)


# every control that a person can use, by what tells it from others
CONTROLS = (
    "const named = e => e.id || e.name && e.name + (e.type === 'checkbox' ? '=' + e.value : '') ||"
    " (e.closest('label') || e).textContent.trim().slice(0, 40) || e.title || e.className;"
)
WATCH = CONTROLS + (
    "window.used = new Set();"
    "for (const kind of ['click', 'input', 'change', 'submit']) document.addEventListener(kind, event => {"
    " const e = event.target.closest('button, input, select, summary, a');"
    " if (e) window.used.add(named(e)); }, true);"
)
LEFT = CONTROLS + (
    "return [...document.querySelectorAll('button, input, select, summary, a')].filter(e => !e.closest('[hidden]'))"
    ".map(named).filter(name => !window.used.has(name));"
)


def test_every_control_of_the_page_is_used(page: Page, session: Session) -> None:
    undo_all(session)
    page.open((820, 1000))
    page.browser.script(WATCH)
    for summary in page.browser.all("summary"):
        if not page.browser.script("return arguments[0].parentElement.open", summary):
            page.browser.script("arguments[0].click()", summary)
    # the spot
    low = page.after(lambda: page.enter("#height", "6"))
    high = page.after(lambda: page.enter("#height", "40"))
    assert high["height_m"] > 2 * low["height_m"]
    assert page.after(lambda: page.click("#usual"))["height_m"] != high["height_m"]
    # a building from the keyboard alone, with the pin's corners
    page.click("#draw")
    page.browser.script("document.querySelector('.pin').parentElement.focus()")
    for key in ("\ue013", "\ue014", "\ue015"):
        page.click("#corner")
        webdriver.ActionChains(page.driver).send_keys(*[key] * 8).perform()
    page.click("#corner")
    page.enter("#roof", "30")
    page.enter("#building-name", "Hall")
    page.after(lambda: page.click("#finish"))
    assert "Hall" in page.browser.text("#changes")
    # a tree and a controller at the pin
    page.rests()
    site = session.site
    lon, lat = to_lonlat(site.crs)(site.crowns.centre[[1]])[0]
    page.click("#tree")
    page.enter("#times", "0")
    page.click("#tree-here")
    page.until(lambda: "there is no tree at that place" in page.browser.text("#fault"))  # the pin is on a roof
    page.click("#move")
    page.enter("#which", "1")
    page.after(lambda: page.click("#move-here"))
    assert "moved" in page.browser.text("#changes")
    page.click("#move")
    # every key at once
    page.browser.script("document.querySelectorAll('.month-boxes input').forEach(e => { e.checked = false; })")
    page.click("#keys button")
    assert "one or more" in page.browser.text("#fault")
    page.browser.script(
        "for (const e of document.querySelectorAll('#keys [name]')) {"
        " if (e.type === 'checkbox') e.checked = Number(e.value) > 3;"
        " else if (e.tagName === 'SELECT') e.selectedIndex = (e.selectedIndex + 1) % e.options.length;"
        " else e.value = Number(e.value) * 0.9;"
        " e.dispatchEvent(new Event('change', {bubbles: true})); }"
    )
    page.after(lambda: page.click("#keys button"))
    asked = {entry.key for _, rows in entries(session.decided, session.tables) for entry in rows}
    assert asked | {"season.months"} <= set(session.drawn()["keys"])
    page.after(lambda: page.click("#undo"))
    page.after(lambda: page.click("#redo"))
    # a layer, by the button
    there = session.plan_file.path.parent.parent / "posts.csv"
    there.write_text(f"name,longitude,latitude,height_ft\nmast,{lon},{lat},30\n")
    page.browser.find("#files").send_keys(str(there))
    page.until(lambda: page.browser.all(".part"))
    page.enter(".part select[name=as]", "2")
    page.until(lambda: "Taken as poles" in page.browser.text("#parts"))
    page.after(lambda: page.click(".part button[type=submit]"))
    assert len(session.now.prepared.scene.site.poles) == 1
    page.browser.find("#files").send_keys(str(there))
    page.until(lambda: page.browser.all(".part button[type=button]"))
    page.click(".part button[type=button]")
    assert not page.browser.all(".part:not(.used)")
    # deciding, saving, the map
    page.click("#decide")
    page.until(lambda: "First place" in page.browser.text("#decided"))
    page.browser.find("#save-name").send_keys("all-of-it")
    page.click("#save button")
    page.until(lambda: "all-of-it.toml" in page.browser.text("#saved"))
    for path in session.plan_file.path.parent.glob("all-of-it*"):
        path.unlink()
    for selector in (".leaflet-control a", ".key input", ".solid-open", ".solid-button"):
        found = page.browser.all(selector)
        assert found, selector
        for control in found:
            page.browser.script(
                "arguments[0].click(); if (arguments[0].type === 'checkbox') arguments[0].click()", control
            )
    page.browser.script(
        "for (const e of document.querySelectorAll('.map-side input[type=range], .map-side select'))"
        " for (const kind of ['input', 'change']) e.dispatchEvent(new Event(kind, {bubbles: true}));"
    )
    for summary in page.browser.all("#notices summary"):
        page.browser.script("arguments[0].click()", summary)
    left = set(page.browser.script(LEFT)) - {"redraw", "stop"}  # which end the page: below, and the next test
    assert left == set()
    undo_all(session)
    session.decide()
    page.rests()
    page.browser.script("window.dispatchEvent(new Event('focus'))")
    page.until(lambda: page.browser.find("#anew").is_displayed())
    page.browser.script("window.stays = true")
    page.click("#redraw")
    page.until(lambda: not page.browser.script("return window.stays") and page.asked() >= 1)
    assert not page.browser.find("#anew").is_displayed()
    # the tree that is not there, and what Chromium says of WebGL without a graphics card
    known = [("/change", "422"), ("ReadPixels",), ("software WebGL",)]
    complaints = page.browser.complaints()
    assert [one for one in complaints if not any(all(word in one for word in words) for words in known)] == []


def test_a_server_that_is_stopped_says_so_and_a_page_without_one_too(page: Page, session: Session) -> None:
    undo_all(session)
    other, server = beside(page, session)
    session.change(Tree(2, 1.25))
    other.open()
    other.click("#stop")
    assert "lose the changes" in other.browser.text("#stop")
    assert server.is_alive()
    other.click("#stop")
    other.until(lambda: "has stopped" in other.browser.text("#fault"))
    server.join(timeout=30)
    assert not server.is_alive()
    other.browser.script("document.querySelector('.pin').parentElement.focus()")
    webdriver.ActionChains(page.driver).send_keys("\ue013").perform()
    other.until(lambda: "does not answer" in other.browser.text("#fault"))
    undo_all(session)
    page.driver.get("about:blank")
