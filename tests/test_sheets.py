"""The field sheets: one record for both layouts, HTML and PDF, that say the same."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import sys
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_show import NASTY
from test_show_links import studied

from planner import cli, job, show
from planner.job import SiteResult
from planner.ledger import OutputError
from planner.plan import PlanFile
from planner.show.draw import sheet
from planner.show.say import sheet as words
from planner.show.say.bill import bill_words
from planner.show.sheets import ROWS_A_PAGE, Sheet
from planner.show.write import pdf, typeset


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
    left = len(rows) - len(few)
    part = dataclasses.replace(
        page.controllers,
        rows=few,
        more=words.more_said(left),
        every_title=words.every_said("S1", count) if left else "",
        every=rows if left else (),
    )
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


def test_the_bill_on_the_first_sheet_adds_up() -> None:
    """Of a site of two sensors: once, each line by its number and price, and what failing links would add."""
    result = studied(())
    first, *others = sheet.sheets(result)
    amounts = [float(one.replace(",", "")) for one in re.findall(r": (?:about )?\$([\d,]+)", first.bill[0])]
    assert len(amounts) > 2
    assert sum(amounts[:-1]) == pytest.approx(amounts[-1], abs=5)  # the total to three figures
    for number, each, price in re.findall(r"(\d+)[^;]*, at \$([\d,]+) each: \$([\d,]+)", first.bill[0]):
        assert int(number) * float(each) == float(price.replace(",", ""))
    assert first.bill[1:] == bill_words(result).notes
    assert not any(one.bill for one in others)


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


@pytest.mark.parametrize("corner", [(34.0, 150.0), (266.0, 150.0), (40.0, 34.0), (150.0, 266.0)])
@pytest.mark.parametrize("mount", [(60.0, 146.0), (60.0, 154.0), (240.0, 150.0)])
def test_a_distance_is_never_written_over_its_corner(
    corner: tuple[float, float], mount: tuple[float, float]
) -> None:
    """Also of a wall that reaches from edge to edge of the drawing; by the text's box and the corner's dot."""
    drawn = sheet._tie(corner, mount, "P", "29.5 ft")
    x, y = (float(v) for v in re.search(r'<text x="([\d.]+)" y="([\d.]+)"', drawn).groups())
    half, tall = 3.3 * len("P 29.5 ft"), 9.0
    across, down = abs(corner[0] - x) - half, max(y - tall - corner[1], corner[1] - y)
    assert max(across, down) > 3.2
    assert 0 < y - tall < y < sheet.SIDE


# --- PDF --------------------------------------------------------------------------------------------------------


def close(text: str) -> str:
    """A text without white space and places where a word may break, for lines of paper end where they like; and
    without signs beyond the plane of the world's scripts, which no font here has: an empty box is printed.
    """
    return "".join(c for c in text if not c.isspace() and c not in "\u200b\0" and c < "\U00010000")


def read(made: bytes | Path) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(made) if isinstance(made, bytes) else str(made))


def printed(made: bytes | Path) -> list[str]:
    return [close(page.extract_text()) for page in read(made).pages]


@pytest.fixture(scope="module")
def yards_pdf(yard: SiteResult) -> bytes:
    return pdf.sheet_pdf(yard)


@pytest.mark.parametrize("names", [(), NASTY])
def test_paper_says_every_sentence_of_the_page(names: tuple[str, ...]) -> None:
    """Piece by piece as the HTML page holds them, and with names of every kind in them."""
    result = studied(names)
    (paper,) = printed(pdf.sheet_pdf(result))
    pieces = Said(sheet.sheet_page(result)).said
    assert len(pieces) > 80
    for piece in pieces:
        assert close(piece) in paper, piece


def test_names_that_look_like_code_are_printed_as_they_are(yard: SiteResult) -> None:
    (one,) = sheet.sheets(yard)
    name = '#panic("x") *b* _i_ $x$ <l> @ref [c] \\u{41} `raw` #read("/etc/passwd") = head'
    told = dataclasses.replace(one, title=name, on=name, alternate=name, checks=(name,), drawing=one.drawing)
    text = pdf.typeset_sheets([told], "a4", name)
    (paper,) = printed(text)
    assert paper.count(close(name)) >= 4
    assert "root:" not in paper


def test_a_letter_that_no_font_has_is_told_on_its_sheet_alone(yard: SiteResult) -> None:
    """A sign of the private use area stands for a script whose fonts a machine lacks."""
    (one,) = sheet.sheets(yard)
    strange = dataclasses.replace(one, on="\ueabc" * 3)
    plain, told = printed(pdf.typeset_sheets([one, strange], "letter", "t"))
    assert close(words.BLANK) in told
    assert close(words.BLANK) not in plain
    accents = dataclasses.replace(one, on="Trường học, Школа, Σχολείο, Øst-Árbær")
    (page,) = printed(pdf.typeset_sheets([accents], "letter", "t"))
    assert close(words.BLANK) not in page
    assert "Øst-Árbær" in page


def test_a_phone_opens_the_place_from_the_paper(yard: SiteResult, yards_pdf: bytes) -> None:
    (one,) = sheet.sheets(yard)
    (wanted,) = (fact.link for fact in one.facts if fact.link)
    links = [held.get_object()["/A"]["/URI"] for page in read(yards_pdf).pages for held in page["/Annots"]]
    assert set(links) == {wanted}
    assert wanted.startswith("geo:")


def test_paper_is_the_usual_one_of_the_place(yard: SiteResult) -> None:
    def size(**changed: object) -> tuple[int, int]:
        outputs = yard.plan.outputs.model_copy(update={"paper": changed.pop("paper", None)})
        plan = yard.plan.model_copy(update={"outputs": outputs, **changed})
        box = read(pdf.sheet_pdf(dataclasses.replace(yard, plan=plan))).pages[0].mediabox
        return round(float(box.width)), round(float(box.height))

    letter, a4 = (612, 792), (595, 842)
    assert size(units="us", country=None) == letter
    assert size(units="metric", country=None) == a4
    assert size(units="metric", country="CA") == letter
    assert size(units="us", country="GB") == a4
    assert size(country="US", paper="a4") == a4


def test_the_same_result_gives_the_same_pdf(yard: SiteResult, yards_pdf: bytes) -> None:
    assert pdf.sheet_pdf(yard) == yards_pdf
    assert read(yards_pdf).trailer["/Root"]["/Lang"] == "en"  # with the marks that a screen reader goes by
    assert read(yards_pdf).trailer["/Root"]["/MarkInfo"]["/Marked"]


def test_the_fonts_are_those_that_are_carried(yards_pdf: bytes) -> None:
    fonts = {
        str(font.get_object()["/BaseFont"]).partition("+")[2]
        for font in read(yards_pdf).pages[0]["/Resources"]["/Font"].values()
    }
    assert {name.partition("-")[0] for name in fonts} == {"SourceSans3"}


def test_many_sheets_behind_an_index(yard: SiteResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names, pages and links lead to the right sheets, over the seams between processes' work."""
    monkeypatch.setattr(pdf, "BATCH", 3)
    (one,) = sheet.sheets(yard)
    count = 7
    controllers = [40 if k == 2 else 1 + k % 6 for k in range(count)]
    there = [
        dataclasses.replace(controllers_of(one, m), site=f"Site no. {k}", sign="S1", mount=f"M{k}")
        for k, m in enumerate(controllers)
    ]
    path = tmp_path / "sheets.pdf"
    assert pdf.write_sheets(iter(there), path, "letter", "A contract", workers=2) == count
    assert [p.name for p in tmp_path.iterdir()] == ["sheets.pdf"]
    made = read(path)
    pages = printed(path)
    front = len(pages) - sum(s.pages for s in there)
    assert front >= 1
    assert all(close(f"Site no. {k}") in "".join(pages[:front]) for k in range(count))
    begin = [front + sum(s.pages for s in there[:k]) for k in range(count)]
    for k, first in enumerate(begin):
        assert close(f"Site no. {k}") in pages[first]
        for page in range(first, first + there[k].pages):
            assert pages[page].endswith(f"Page{page - front + 1}")
    marks = [(m.title, made.get_destination_page_number(m)) for m in made.outline]
    assert marks[1:] == [(f"Site no. {k}: S1, mount M{k}", first) for k, first in enumerate(begin)]
    at = {page.indirect_reference.idnum: number for number, page in enumerate(made.pages)}
    leads = [
        at[held.get_object()["/Dest"][0].idnum] for page in made.pages[:front] for held in page.get("/Annots", [])
    ]
    assert sorted(set(leads)) == begin
    assert all(leads.count(first) == 4 for first in begin)  # each cell of its row
    labels = made.page_labels
    assert labels[0] == "i"
    assert labels[front:] == [str(n + 1) for n in range(len(pages) - front)]
    assert all(f"Controller{n}407" in "".join(pages[begin[2] : begin[3]]) for n in range(40))
    again = tmp_path / "again.pdf"
    pdf.write_sheets(
        [Sheet.unpacked(json.loads(json.dumps(s.packed()))) for s in there], again, "letter", "A contract"
    )
    assert again.read_bytes() == path.read_bytes()


def test_much_to_say_is_set_smaller_and_stays_on_its_page(yard: SiteResult) -> None:
    (one,) = sheet.sheets(yard)
    for words_more in (0, 150, 1500):
        told = dataclasses.replace(one, alternate="word " * words_more + "last" + "w" * 500 + "end")
        (paper,) = printed(pdf.typeset_sheets([told], "letter", "t"))
        assert "wwwend" in paper
        assert paper.endswith("Page1")


def test_no_sheets_are_no_file_and_a_fault_leaves_the_old_one(
    yard: SiteResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "sheets.pdf"
    assert pdf.write_sheets([], path, "a4", "t") == 0
    assert not path.exists()
    path.write_bytes(b"old")
    monkeypatch.setattr(pdf, "_template", lambda: '#panic("broken")')
    with pytest.raises(OutputError, match="could not be typeset"):
        pdf.write_sheets(sheet.sheets(yard), path, "a4", "t")
    with pytest.raises(OutputError, match="could not be typeset"):
        pdf.sheet_pdf(yard)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["sheets.pdf"]
    with pytest.raises(OutputError, match="cannot be written"):
        pdf.write_sheets(sheet.sheets(yard), tmp_path / "no" / "sheets.pdf", "a4", "t")


def test_without_the_extra_the_page_is_written_and_a_line_says_how_to_get_the_pdf(
    yard: SiteResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(job, "run_site", lambda *_: yard)
    for there in (True, False):
        monkeypatch.setattr(typeset, "available", lambda there=there: there)
        folder = tmp_path / str(there)
        cli._site(PlanFile(tmp_path / "yard.toml", yard.plan, {}), folder, False, cli.Talk(False, False))
        said = capsys.readouterr().out
        assert (folder / "sheet.html").is_file()
        assert (folder / "sheet.pdf").is_file() is there
        assert ("noonmark[pdf]" in said) is not there
    off = yard.plan.model_copy(update={"outputs": yard.plan.outputs.model_copy(update={"sheet_pdf": False})})
    monkeypatch.setattr(typeset, "available", lambda: True)
    assert "sheet.pdf" not in show.site_files(off)
