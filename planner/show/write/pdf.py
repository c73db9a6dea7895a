"""Sheets as PDF: a site's field sheets, those of many sites behind an index, a programming sheet, a log review.

Needs the extra `pdf`.

The layouts are `assets/sheet.typ` and `assets/document.typ`; the two fonts are carried, for the typesetter has no
plain one of its own.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
import tempfile
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from importlib.resources import as_file, files
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from planner.ledger import OutputError
from planner.show.documents import Document
from planner.show.draw import palette
from planner.show.draw.sheet import sheets
from planner.show.say import sheet as words
from planner.show.sheets import ROWS_A_PAGE, Sheet
from planner.show.write import typeset as worker
from planner.units import MONTHS

if TYPE_CHECKING:
    from planner.job import SiteResult
    from planner.plan import Plan

Paper = Literal["letter", "a4"]
TYPST_PAPER = {"letter": "us-letter", "a4": "a4"}
# Where Letter is the usual paper (Unicode CLDR, measurement data, from memory); A4 elsewhere.
LETTER_COUNTRIES = frozenset(("BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"))
BATCH = 40  # sheets that one process typesets; it holds some 3 MB for each until it ends
LONG_WORD = re.compile(r"(\S{40})(?=\S)")
NO_INDEX: dict[str, Any] = {"head": "", "columns": [], "rows": []}
SEASON_WASH = "#e6edf0"


def paper_of(plan: Plan) -> Paper:
    """The paper that the plan asks for; else the usual one of its country; else of its units."""
    if plan.outputs.paper is not None:
        return plan.outputs.paper
    letter = plan.country in LETTER_COUNTRIES if plan.country is not None else plan.units == "us"
    return "letter" if letter else "a4"


def sheet_pdf(result: SiteResult) -> bytes:
    """`sheet.pdf`: the sheets of one site. Raises OutputError where they cannot be typeset."""
    there = sheets(result)
    return typeset_sheets(there, paper_of(result.plan), there[0].title)


def typeset_sheets(there: Sequence[Sheet], paper: Paper, title: str) -> bytes:
    """A few sheets as they are, without an index. Raises OutputError where they cannot be typeset."""
    told = _told(title, paper, _numbered(there, 1))
    with _fonts() as fonts:
        try:
            return worker.typeset(_template(), told, str(fonts), tags=True)
        except RuntimeError as fault:
            raise _refused("sheet.pdf", str(fault)) from None


def document_pdf(document: Document, plan: Plan, page: str) -> bytes:
    """`programming.pdf` or `review.pdf`, on as many pages as it takes, each with its number.

    page: the HTML file that says the same. Raises OutputError where it cannot be typeset.
    """
    told = _told(f"{document.what}: {document.title}", paper_of(plan), []) | {
        "document": _printable(document.packed()),
        "words": {"page": words.PAGE, "of": words.OF},
    }
    with _fonts() as fonts:
        try:
            return worker.typeset(_template("document.typ"), told, str(fonts), tags=True)
        except RuntimeError as fault:
            raise _refused(page.replace(".html", ".pdf"), str(fault), page) from None


def write_sheets(there: Iterable[Sheet], path: Path, paper: Paper, title: str, workers: int | None = None) -> int:
    """One PDF of many sites' sheets: an index with links, then each sheet, with bookmarks and page numbers.

    there: may come from a generator: no more than some 40 for each worker are held at a time. workers: processes
    that typeset at a time; as many as there are processors, and at most eight, where none is given. Returns the
    number of sheets; without any there is no file. Raises OutputError, and then `path` is as it was.
    """
    path = Path(path)
    part = path.with_name(path.name + ".part")
    rows: list[dict[str, Any]] = []
    try:
        with tempfile.TemporaryDirectory(prefix=".sheets-", dir=path.parent) as folder, _fonts() as fonts:

            def jobs() -> Iterator[dict[str, Any]]:
                source, page = iter(there), 1
                while batch := list(islice(source, BATCH)):
                    yield {"told": _told(title, paper, _numbered(batch, page))}
                    for sheet in batch:
                        rows.append(_row(sheet, page))
                        page += sheet.pages

            parts = list(_typeset_all(jobs(), Path(folder), fonts, workers, path))
            if not rows:
                return 0
            index = {"head": words.INDEX, "columns": words.INDEX_COLUMNS, "rows": rows}
            (front,) = _typeset_all([{"told": _told(title, paper, [], index)}], Path(folder), fonts, 1, path)
            with part.open("wb") as stream:
                _join(front, parts, rows, title, stream)
        os.replace(part, path)
    except OSError as fault:
        raise OutputError(
            str(fault.filename or path),
            f"the PDF cannot be written: {fault.strerror or fault}",
            "Free some space or mend the folder's rights, then run again; or choose another folder",
        ) from None
    finally:
        part.unlink(missing_ok=True)
    return len(rows)


# --- what the template is told ----------------------------------------------------------------------------------


def _told(
    title: str, paper: Paper, packed: Sequence[dict[str, Any]], index: dict[str, Any] = NO_INDEX
) -> dict[str, Any]:
    told = {
        "title": title,
        "paper": TYPST_PAPER[paper],
        "months": MONTHS,
        "rows_a_page": ROWS_A_PAGE,
        "blank": words.BLANK,
        "note": "",
        "colors": {
            "ink": palette.INK,
            "quiet": palette.QUIET,
            "rule": palette.RULE,
            "mark": palette.MARK,
            "wash": SEASON_WASH,
        },
        "sheets": packed,
        "index": index,
    }
    printable: dict[str, Any] = _printable(told)
    return printable


def _numbered(there: Sequence[Sheet], first: int) -> list[dict[str, Any]]:
    """Sheets with what stands at the foot of each of their pages; first: number of the first page."""
    out = []
    for sheet in there:
        feet = [words.page_said(first + k) for k in range(sheet.pages)]
        out.append(sheet.packed() | {"feet": feet, "note": ""})
        first += sheet.pages
    return out


def _row(sheet: Sheet, page: int) -> dict[str, Any]:
    """A row of the index."""
    cells = (sheet.name, sheet.zone.label, words.in_index(sheet.sign, sheet.mount), str(page))
    return {"cells": cells, "to": f"page:{page}"}


def _printable(value: Any) -> Any:
    """Texts as a page of paper takes them: white space is one space, very long words may break, and pictures name
    the font, which a page of HTML hands down to them.
    """
    if isinstance(value, dict):
        return {key: _printable(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_printable(v) for v in value]
    if not isinstance(value, str):
        return value
    if value.startswith("<svg "):
        return value.replace("<svg ", '<svg font-family="Source Sans 3" ', 1)
    said = "".join(c for c in " ".join(value.split()) if c >= " ")
    return LONG_WORD.sub("\\1\u200b", said)


def _template(name: str = "sheet.typ") -> str:
    return files("planner.show").joinpath("assets", name).read_text(encoding="utf-8")


@contextlib.contextmanager
def _fonts() -> Iterator[Path]:
    with as_file(files("planner.show").joinpath("assets", "fonts")) as folder:
        yield folder


# --- processes, and what they made joined -----------------------------------------------------------------------


def _typeset_all(
    jobs: Iterable[dict[str, Any]], folder: Path, fonts: Path, workers: int | None, path: Path
) -> Iterator[Path]:
    """The PDF of each job, in their order, each made by a process of its own; few are begun ahead."""
    count = workers or min(os.cpu_count() or 1, 8)
    made = len(list(folder.iterdir()))

    def run(number: int, job: dict[str, Any]) -> Path:
        out = folder / f"{number}.pdf"
        text = json.dumps(job | {"template": _template(), "fonts": str(fonts), "tags": False, "out": str(out)})
        # -P: beside the script lie modules of ours that must not stand in for others
        done = subprocess.run(
            [sys.executable, "-P", worker.__file__], input=text.encode(), capture_output=True, check=False
        )
        if done.returncode:
            raise _refused(str(path), done.stderr.decode(errors="replace").strip().rpartition("\n")[2])
        return out

    begun: deque[Future[Path]] = deque()
    with ThreadPoolExecutor(count) as pool:
        try:
            for number, job in enumerate(jobs, start=made):
                begun.append(pool.submit(run, number, job))
                if len(begun) > count:
                    yield begun.popleft().result()
            while begun:
                yield begun.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)


def _join(front: Path, parts: Sequence[Path], rows: Sequence[dict[str, Any]], title: str, stream: Any) -> None:
    """Index and sheets in one file, with bookmarks, page labels, and the index's links turned to their pages."""
    import pypdf
    from pypdf.constants import PageLabelStyle
    from pypdf.generic import ArrayObject, NameObject, NumberObject

    writer = pypdf.PdfWriter()
    writer.append(str(front), import_outline=False)
    index_pages = len(writer.pages)
    for part in parts:
        writer.append(str(part), import_outline=False)
    writer.add_outline_item(title=words.INDEX, page_number=0)
    for row in rows:
        name, _, place, page = row["cells"]
        writer.add_outline_item(title=words.bookmark(name, place), page_number=index_pages + int(page) - 1)
    for sheet in writer.pages[:index_pages]:
        for held in sheet.get("/Annots", []):
            link = held.get_object()
            to = str(link.get("/A", {}).get("/URI", ""))
            if to.startswith("page:"):
                del link["/A"]
                target = writer.pages[index_pages + int(to.removeprefix("page:")) - 1].indirect_reference
                link[NameObject("/Dest")] = ArrayObject([target, NameObject("/Fit")])
                link[NameObject("/F")] = NumberObject(4)
    writer.set_page_label(0, index_pages - 1, style=PageLabelStyle.LOWERCASE_ROMAN)
    writer.set_page_label(index_pages, len(writer.pages) - 1, style=PageLabelStyle.DECIMAL)
    writer.metadata = {"/Title": title, "/Producer": "typst, pypdf"}
    writer.write(stream)


def _refused(name: str, fault: str, page: str = "sheet.html") -> OutputError:
    return OutputError(
        name,
        f"the PDF could not be typeset: {fault[:300] or 'its process was stopped'}",
        f"Print {page} from a browser instead, or leave the PDF out: outputs.sheet_pdf = false",
    )
