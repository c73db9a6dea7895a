"""The map page's views: marks that keep apart, dark screens, and what a screen reader and a keyboard find."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from test_pages import DESKTOP, PHONE, Browser, WebDriverWait
from test_pages import pytestmark as browser_marks
from test_show import contract
from test_show_links import studied
from test_upkeep import plan

from planner import run_programme, run_review
from planner.job import SiteResult
from planner.mounts import Support
from planner.show import write_contract, write_site
from planner.show.draw import palette
from planner.show.draw.map import site_page
from planner.show.draw.programming import programme_page
from planner.show.draw.review import review_page
from planner.show.say.mount import status_said

pytestmark = browser_marks
TABLET = (820, 1180)
SIZES = [PHONE, TABLET, DESKTOP]


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    opened = Browser(tmp_path_factory.mktemp("chromium"))
    yield opened
    opened.driver.quit()


@pytest.fixture(scope="module")
def yard() -> SiteResult:
    """The small scene, with one of its other mounts named by the plan."""
    result = studied()
    placed = {result.decision.chosen, *result.decision.runners_up}
    row = next(k for k in range(len(result.mounts)) if k not in placed)
    support = list(result.mounts.support)
    support[row] = Support.NAMED
    holder = list(result.mounts.holder)
    holder[row] = replace(holder[row], name="Gate post", as_planned="post by the gate")
    return replace(result, mounts=replace(result.mounts, support=tuple(support), holder=tuple(holder)))


@pytest.fixture(scope="module")
def folder(yard: SiteResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("site")
    write_site(yard, out)
    return out


def screen(browser: Browser, scheme: str) -> None:
    browser.command("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])


# --- marks ------------------------------------------------------------------------------------------------------

OVERLAPS = """
const boxes = [...document.querySelectorAll('.map .mark-sign, .map .mark-beside')].filter(e => e.offsetWidth)
  .map(e => ({ e: e, mark: e.closest('.mark'), box: e.getBoundingClientRect() }));
const found = [];
boxes.forEach((a, i) => boxes.slice(i + 1).forEach(b => {
  const x = Math.min(a.box.right, b.box.right) - Math.max(a.box.left, b.box.left);
  const y = Math.min(a.box.bottom, b.box.bottom) - Math.max(a.box.top, b.box.top);
  if (a.mark !== b.mark && x > 1 && y > 1) found.push(a.e.textContent + ' on ' + b.e.textContent);
}));
return found;
"""


@pytest.fixture(scope="module")
def crowded(yard: SiteResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The map with all controllers where the sensor stands."""
    there = yard.mounts.xyz[yard.decision.chosen]
    n = len(yard.site.controllers)
    at = there + np.column_stack([np.arange(n) * 0.6, np.zeros(n), np.full(n, -3.0)])
    site = replace(yard.site, controllers=replace(yard.site.controllers, xyz=at))
    page = tmp_path_factory.mktemp("crowded") / "map.html"
    page.write_bytes(site_page(replace(yard, site=site)))
    return page


@pytest.mark.parametrize("size", SIZES)
def test_no_mark_covers_another(browser: Browser, yard: SiteResult, crowded: Path, size: tuple[int, int]) -> None:
    """Controllers where the sensor stands: each sign is seen, those moved are tied to their place."""
    n = len(yard.site.controllers)
    browser.open(crowded, size)
    assert browser.script(OVERLAPS) == []
    signs = browser.all(".map .mark-place .mark-sign")
    assert len(signs) >= n + 1
    ties = browser.script("return [...document.querySelectorAll('.mark-tie')].map(e => e.offsetWidth)")
    assert len(ties) >= n
    assert min(ties) > 10
    browser.script("map_plan.setZoom(map_plan.getZoom() + 3, { animate: false })")
    assert browser.script(OVERLAPS) == []
    # what is clicked is at least as large as WCAG 2.2 asks (24 px)
    sides = [(sign.size["width"], sign.size["height"]) for sign in signs]
    assert min(min(side) for side in sides) >= 20
    target = "return getComputedStyle(arguments[0], '::before').width"
    assert all(float(browser.script(target, sign)[:-2]) >= 24 for sign in signs)


def test_a_named_spot_has_its_name_its_verdict_and_its_card(
    browser: Browser, folder: Path, yard: SiteResult
) -> None:
    row = yard.mounts.support.index(Support.NAMED)
    browser.open(folder / "map.html")
    label = browser.find(".map .mark-named .mark-beside").get_attribute("textContent")
    assert label == f"Gate post: {status_said(yard, row)}"
    browser.script("document.querySelector('#named').open = true")
    assert "Gate post, post by the gate" in browser.text("#named")
    browser.find(f'#named [data-go="mount-{row}"]').click()
    assert yard.mounts.ids[row] in browser.card()


def test_marks_open_from_the_keyboard(browser: Browser, folder: Path, yard: SiteResult) -> None:
    from selenium.webdriver.common.keys import Keys

    browser.open(folder / "map.html")
    first = browser.find(".map .mark-place:has(.mark-sensor)")
    assert first.get_attribute("tabindex") == "0"
    first.send_keys(Keys.ENTER)
    assert yard.mounts.ids[yard.decision.chosen] in browser.card()


@pytest.mark.parametrize("size", [TABLET, DESKTOP])
def test_a_card_lies_clear_of_the_key(browser: Browser, folder: Path, size: tuple[int, int]) -> None:
    browser.open(folder / "map.html", size)
    browser.script("map_plan.panBy([350, 0], { animate: false })")  # the marks go under the key
    marks = browser.all(".map .mark-place")
    for mark in marks[-2:]:
        browser.script("arguments[0].click()", mark)
        browser.card()
        hidden = (
            "const card = document.querySelector('.leaflet-popup').getBoundingClientRect();"
            "return ['.key', '.north', '.solid-open'].filter(name => {"
            "  const box = document.querySelector('.map ' + name).getBoundingClientRect();"
            "  return card.left < box.right - 1 && box.left < card.right - 1 && card.top < box.bottom - 1 &&"
            "    box.top < card.bottom - 1; })"
        )
        WebDriverWait(browser.driver, 3).until(lambda _, hidden=hidden: browser.script(hidden) == [])


def test_a_card_on_a_phone_folds_the_key(browser: Browser, folder: Path) -> None:
    browser.open(folder / "map.html", PHONE)
    browser.script("document.querySelector('.key').open = true")
    browser.script("document.querySelector('.map .mark-place:has(.mark-sensor)').click()")  # the key lies over it
    browser.card()
    assert browser.find(".key").get_dom_attribute("open") is None


# --- dark screens -----------------------------------------------------------------------------------------------


def contrast(one: str, other: str) -> float:
    """WCAG 2.1: (lighter + 0.05) / (darker + 0.05)."""
    light = []
    for colour in (one, other):
        rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        light.append(float(linear @ [0.2126, 0.7152, 0.0722]) + 0.05)
    return max(light) / min(light)


@pytest.mark.parametrize("ink", [palette.INK, palette.QUIET, palette.MARK, palette.SEASON])
def test_text_is_legible_on_a_dark_page(ink: str) -> None:
    for ground in (palette.CARD, palette.PAPER):
        assert contrast(palette.DARK[ink], palette.DARK[ground]) >= 4.5


@pytest.mark.parametrize("line", [palette.INK, palette.SPRAY, palette.HEAT, palette.NO_ACCESS, palette.CABLE])
def test_lines_are_seen_on_a_dark_map(line: str) -> None:
    """3 and more on the map's ground (WCAG 2.1, success criterion 1.4.11)."""
    assert contrast(palette.DARK[line], "#20272b") >= 3


def test_a_dark_screen_gets_a_dark_page_and_paper_prints_light(browser: Browser, folder: Path) -> None:
    ground = "return getComputedStyle(document.querySelector(arguments[0])).backgroundColor"
    browser.open(folder / "map.html")
    assert browser.script(ground, ".panel") == "rgb(255, 255, 255)"
    paper = browser.script(ground, ".map")
    sign = browser.script(ground, ".map .mark-sensor .mark-sign")
    try:
        screen(browser, "dark")  # while the page is open
        browser.driver.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
        assert browser.script(ground, ".panel") == "rgb(29, 35, 39)"
        assert browser.script(ground, ".map") == "rgb(32, 39, 43)" != paper
        assert browser.script(ground, ".map .mark-sensor .mark-sign") == sign
        # what a layer's key says holds: images are drawn in the key's own colours
        browser.find('input[data-group="climate"]').click()
        shown = "return [...document.querySelectorAll('.leaflet-image-layer')].map(e => e.style.opacity || '1')"
        assert set(browser.script(shown)) == {"1"}
        browser.command(
            "Emulation.setEmulatedMedia",
            media="print",
            features=[{"name": "prefers-color-scheme", "value": "dark"}],
        )
        browser.driver.execute_async_script("setTimeout(arguments[0], 100)")
        assert browser.script(ground, ".panel") == "rgb(255, 255, 255)"
        assert browser.script(ground, ".map") == paper
    finally:
        browser.command(
            "Emulation.setEmulatedMedia", media="", features=[{"name": "prefers-color-scheme", "value": "light"}]
        )


# --- accessibility ----------------------------------------------------------------------------------------------

AXE = """
const done = arguments[arguments.length - 1];
axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
  resultTypes: ["violations"] })
  .then(found => done(found.violations.map(v =>
      v.id + ": " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 90)).join(" / "))),
    fault => done([String(fault)]));
"""


def violations(browser: Browser) -> list[str]:
    """What axe-core finds against WCAG 2.2 A and AA and its own good practice, with every part unfolded."""
    browser.script("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    # past the page's own policy
    browser.command("Runtime.evaluate", expression=axe().read_text(encoding="utf-8"))
    return list(browser.driver.execute_async_script(AXE))


def axe() -> Path:
    """The script of axe-core that NOONMARK_AXE names; else the one that Python's package carries."""
    if named := os.environ.get("NOONMARK_AXE"):
        return Path(named)
    spec = importlib.util.find_spec("axe_core_python")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).with_name("axe.min.js")


@pytest.fixture(scope="module")
def pages(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    of_contract = tmp_path_factory.mktemp("contract")
    write_contract(contract(), of_contract)
    upkeep = tmp_path_factory.mktemp("upkeep")
    asked = '[programme]\nstations = "stations.csv"\nbudget = "epa"\n'
    source = plan(upkeep, asked + '[as_built]\nsupport = "parapet bracket"\n')
    rows = "\n".join(f"2025-07-{day:02d},{95 + day % 7}" for day in range(1, 20))
    (upkeep / "log.csv").write_text(f"date,percent\n{rows}\n")
    (upkeep / "programming.html").write_bytes(programme_page(run_programme(source)))
    (upkeep / "review.html").write_bytes(review_page(run_review(source, upkeep / "log.csv")))
    return {
        "map": folder / "map.html",
        "sheet": folder / "sheet.html",
        "contract": of_contract / "map.html",
        "programming": upkeep / "programming.html",
        "review": upkeep / "review.html",
    }


@pytest.mark.parametrize(
    ("page", "size", "scheme"),
    [
        *(("map", size, "light") for size in SIZES),
        ("map", DESKTOP, "dark"),
        ("sheet", PHONE, "light"),
        ("sheet", DESKTOP, "dark"),
        ("contract", PHONE, "dark"),
        ("contract", DESKTOP, "light"),
        *(("programming", size, "light") for size in SIZES),
        ("review", PHONE, "light"),
        ("review", DESKTOP, "dark"),
    ],
)
def test_pages_meet_wcag_aa(
    browser: Browser, pages: dict[str, Path], page: str, size: tuple[int, int], scheme: str
) -> None:
    screen(browser, scheme)
    try:
        browser.open(pages[page], size)
        assert violations(browser) == []
        read, faint = browser.script(FAINT)
        assert read > 10
        assert faint == []
        assert browser.script("return document.documentElement.scrollWidth") <= size[0]
        assert browser.complaints() == []
    finally:
        screen(browser, "light")


# Every text outside pictures and the map's marks against the ground beneath it; WCAG 2.1, success criterion 1.4.3:
# 4.5, or 3 from 24 px (18.66 px bold) on. The axe-core that Python's package carries cannot tell beside a map.
FAINT = """
function light(rgb) {
  const [r, g, b] = rgb.map(v => v / 255).map(v => v <= 0.03928 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b + 0.05;
}
function parts(text) { return text.match(/[\\d.]+/g).map(Number); }
const faint = [];
let read = 0;
document.querySelectorAll("body *").forEach(e => {
  const words = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
  if (!words || e.closest("svg, .mark-beside, script, style") || !e.getClientRects().length) return;
  const style = getComputedStyle(e);
  let ground = e;
  while (ground && (parts(getComputedStyle(ground).backgroundColor)[3] ?? 1) === 0) ground = ground.parentElement;
  const under = ground ? parts(getComputedStyle(ground).backgroundColor).slice(0, 3) : [255, 255, 255];
  const a = light(parts(style.color).slice(0, 3)), b = light(under), size = parseFloat(style.fontSize);
  const least = size >= 24 || size >= 18.66 && Number(style.fontWeight) >= 700 ? 3 : 4.5;
  read += 1;
  if (Math.max(a, b) / Math.min(a, b) < least) faint.push(e.outerHTML.slice(0, 80));
});
return [read, faint];
"""


def test_what_checks_the_pages_is_awake(browser: Browser, pages: dict[str, Path]) -> None:
    """It finds what is put wrong on purpose."""
    browser.open(pages["map"])
    browser.script("document.querySelector('.answer').style.color = '#bbb'; document.documentElement.lang = ''")
    assert "html-has-lang" in " ".join(violations(browser))
    assert len(browser.script(FAINT)[1]) == 1
