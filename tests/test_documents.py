"""The programming sheet and the log review: one record for both layouts, HTML and PDF, that say the same."""

from __future__ import annotations

import dataclasses
import re

import pytest
from test_sheets import Said, close, printed, read
from test_upkeep import STATIONS, plan

import planner
from planner.ledger import OutputError
from planner.plan import Plan
from planner.show.documents import Cell, Document, Group, Line, Part, Table
from planner.show.draw.document import document_page
from planner.show.draw.programming import programming
from planner.show.draw.review import review_document
from planner.show.say import programme as say
from planner.show.say import sheet as sheet_words
from planner.show.write import pdf, typeset, upkeep

CODE = '#panic("x") *b* _i_ $x$ <l> @ref [c] `raw` #read("/etc/passwd") = head'


def station_rows(count: int) -> str:
    """A station table whose names look like code, over some programs of one controller."""
    head = STATIONS.splitlines()[0]
    name = CODE.replace(",", " ").replace('"', '""')
    rows = (
        f'Main,{"AB"[k % 2]},"{k} {name if k == 1 else ""}",spray,1000,{12 + k % 4},0.65,cool turf,loam'
        for k in range(1, count + 1)
    )
    return "\n".join([head, *rows]) + "\n"


@pytest.fixture(scope="module", params=["us", "metric"])
def documents(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Plan, list[Document]]:
    """Both documents of a plan, in either units; the sheet in US units runs over several pages."""
    folder = tmp_path_factory.mktemp(request.param)
    text = '[programme]\nstations = "stations.csv"\nstart = 2026-05-01\nbudget = "epa"\n'
    text += 'restrictions = ["<b>none</b>"]\n'
    text += '[[programme.manual]]\nprogramme = "B"\nreason = "new planting"\npercent = 120\ndays = 30\n'
    text += '[as_built]\nmounted = 2026-05-02\nsupport = "parapet bracket"\n'
    source = plan(folder, text, station_rows(90 if request.param == "us" else 4))
    source = dataclasses.replace(source, plan=source.plan.model_copy(update={"units": request.param}))
    rows = "\n".join(f"2025-07-{d:02d},{95 + d % 7}" for d in range(1, 20))
    (folder / "log.csv").write_text(f"date,percent\n{rows}\n")
    return source.plan, [
        programming(planner.run_programme(source)),
        review_document(planner.run_review(source, folder / "log.csv")),
    ]


def pieces(document: Document) -> list[str]:
    said = Said(document_page(document, ())).said
    return [text for piece in said if (text := " ".join(piece.split())) not in ("", ".")]


def test_paper_says_every_word_of_the_page(documents: tuple[Plan, list[Document]]) -> None:
    for document in documents[1]:
        pages = "".join(printed(pdf.document_pdf(document, documents[0], "x.html")))
        there = pieces(document)
        assert len(there) > 20
        assert [text for text in there if close(text) not in pages] == []
        assert "root:" not in pages


def test_the_page_says_all_that_the_paper_holds(documents: tuple[Plan, list[Document]]) -> None:
    def texts(value: object) -> list[str]:
        if isinstance(value, dict):
            keys = ("kind", "role", "mark", "style", "svg", "said", "short")
            return [t for key, v in value.items() if key not in keys for t in texts(v)]
        if isinstance(value, list | tuple):
            return [t for v in value for t in texts(v)]
        return [value] if isinstance(value, str) else []

    for document in documents[1]:
        said = " ".join(pieces(document))
        assert [text for text in texts(document.packed()) if " ".join(text.split()) not in said] == []


def test_pages_are_numbered_and_the_first_day_begins_one(documents: tuple[Plan, list[Document]]) -> None:
    """Each page says whose it is and how many there are; a program that runs over has its name on each."""
    asked, (sheet, review) = documents
    pages = printed(pdf.document_pdf(sheet, asked, "programming.html"))
    assert len(pages) >= (4 if asked.units == "us" else 2)
    for number, page in enumerate(pages, 1):
        assert page.endswith(close(f"{sheet.title}: {sheet.what}Page {number} of {len(pages)}"))
    (first_day,) = (page for page in pages if page.startswith(close("First day, in order: May 1, 2026")))
    assert close(say.SWITCH_OFF) in first_day
    if asked.units == "us":
        assert sum("Main,programB:" in page for page in pages) >= 2
    (one,) = printed(pdf.document_pdf(review, asked, "review.html"))
    assert one.endswith("Page1of1")
    box = read(pdf.document_pdf(review, asked, "review.html")).pages[0].mediabox
    assert round(float(box.width)) == (612 if asked.units == "us" else 595)  # letter, A4


def test_no_heading_stands_alone_at_the_foot_of_a_page(documents: tuple[Plan, list[Document]]) -> None:
    """Whatever stands before: a heading, a table's head and a program's line go with what follows them."""
    row = tuple(Cell("cell") for _ in say.STATION_COLUMNS)
    table = Table(say.STATION_COLUMNS, tuple(Group((row, row), f"Program {k}") for k in range(3)), "tight")
    broken = 0
    for lines in range(46, 64, 2):
        before = Part("Before", tuple(Line(f"Line {k}") for k in range(lines)))
        document = Document("T", "S", "What", (before, Part("Stations here", (table,))))
        pages = printed(pdf.document_pdf(document, documents[0], "x.html"))
        assert re.search(r"(cell|Line\d+)T:What", pages[0]), pages[0][-60:]
        broken += len(pages) == 2 and "cell" in pages[0]
    assert broken >= 2


def test_a_letter_that_no_font_has_is_told(documents: tuple[Plan, list[Document]]) -> None:
    for name, told in (("Šchool", False), ("\ueabc", True)):
        document = Document(name, name, "What", (Part("Head", (Line("Text"),)),))
        (page,) = printed(pdf.document_pdf(document, documents[0], "x.html"))
        assert (close(sheet_words.BLANK) in page) is told


def test_the_same_paper_is_the_same_file_and_a_fault_says_what_to_do(
    documents: tuple[Plan, list[Document]], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, (_, review) = documents
    assert pdf.document_pdf(review, asked, "review.html") == pdf.document_pdf(review, asked, "review.html")
    monkeypatch.setattr(pdf, "_template", lambda name: '#panic("broken")')
    with pytest.raises(OutputError, match=r"review\.pdf.*could not be typeset"):
        pdf.document_pdf(review, asked, "review.html")


def test_without_the_extra_or_the_key_there_is_no_pdf(
    documents: tuple[Plan, list[Document]], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = documents[0]
    off = asked.model_copy(update={"outputs": asked.outputs.model_copy(update={"sheet_pdf": False})})
    assert "programming.pdf" in upkeep.programme_files(asked)
    assert "review.pdf" in upkeep.review_files(asked)
    assert "programming.pdf" not in upkeep.programme_files(off)
    monkeypatch.setattr(typeset, "available", lambda: False)
    assert "programming.pdf" not in upkeep.programme_files(asked)
    assert "review.pdf" not in upkeep.review_files(asked)
