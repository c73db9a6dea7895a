"""The field sheets: one record for both layouts, HTML and PDF, that say the same."""

from __future__ import annotations

import dataclasses
import json
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_show import NASTY
from test_show_links import studied

from planner.job import SiteResult
from planner.show.draw import sheet
from planner.show.sheets import ROWS_A_PAGE, Sheet


@pytest.fixture(scope="module")
def yard() -> SiteResult:
    return studied()


class Said(HTMLParser):
    """What a page says, without styles, scripts and what only a screen reader is told of a picture."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.said: list[str] = []
        self._in = ""
        self.feed(page.decode())

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self._in = tag

    def handle_endtag(self, tag: str) -> None:
        self._in = ""

    def handle_data(self, data: str) -> None:
        if self._in not in ("style", "script", "title"):
            self.said.append(data)


def html_text(result: SiteResult) -> str:
    return " ".join(" ".join(Said(sheet.sheet_page(result)).said).split())


def controllers_of(page: Sheet, count: int) -> Sheet:
    """A sheet whose place serves so many controllers."""
    row = page.controllers.rows[0]
    rows = tuple((f"{k} · Controller {k}", *row[1:]) for k in range(count))
    few = rows if count <= sheet.MOST_CONTROLLERS else rows[: sheet.MOST_CONTROLLERS - 1]
    part = dataclasses.replace(page.controllers, rows=few, every=rows if few != rows else ())
    return dataclasses.replace(page, controllers=part)


@pytest.mark.parametrize("names", [(), NASTY])
def test_a_sheet_comes_back_from_json_as_it_was(names: tuple[str, ...]) -> None:
    for one in sheet.sheets(studied(names)):
        assert Sheet.unpacked(json.loads(json.dumps(one.packed()))) == one


def test_the_html_page_says_all_that_the_sheet_holds(yard: SiteResult) -> None:
    (one,) = sheet.sheets(yard)
    said = html_text(yard)

    def texts(value: object) -> list[str]:
        if isinstance(value, dict):
            return [t for key, v in value.items() if key not in ("link", "kind") for t in texts(v)]
        if isinstance(value, list | tuple):
            return [t for v in value for t in texts(v)]
        return [value] if isinstance(value, str) and not value.startswith("<svg") else []

    for text in texts(one.packed()):
        assert " ".join(text.split()) in said, text


def test_more_controllers_than_a_page_takes_are_all_on_the_next(
    yard: SiteResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheet, "MOST_CONTROLLERS", 1)
    (one,) = sheet.sheets(yard)
    n = len(yard.site.controllers)
    assert n > 1
    assert one.controllers.rows == ()  # the worst of those that a page takes beside the line that says how many
    assert [row[0][4:] for row in one.controllers.every] == list(yard.site.controllers.names)
    assert one.controllers.every_title == f"All {n} controllers of S1"
    assert one.pages == 2
    said = html_text(yard)
    assert all(said.count(name) for name in yard.site.controllers.names)


def test_pages_of_a_sheet_are_known_beforehand(yard: SiteResult) -> None:
    (one,) = sheet.sheets(yard)
    counts = {1: 1, 6: 1, 7: 2, ROWS_A_PAGE: 2, ROWS_A_PAGE + 1: 3, 40: 3}
    assert {n: controllers_of(one, n).pages for n in counts} == counts
