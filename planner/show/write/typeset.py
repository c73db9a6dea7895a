"""Typesets one file in a process of its own: the typesetter keeps all that it ever laid out until that ends.

Imports nothing of ours, so that it starts at once. It reads one JSON object: template (text), told (what is said),
fonts (folder), tags (marks for screen readers) and out (the PDF to write).
"""

from __future__ import annotations

import importlib.util
import io
import json
import re
import sys
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

# of a moment that stays, so that the same sheets are the same file
MOMENT = datetime(2000, 1, 1, tzinfo=UTC)
# Beyond what the carried faces are sure to have: Latin, Greek, Cyrillic, and the signs of text and sums.
RARE = re.compile(r"[^\x00-\u052f\u1e00-\u214f\u2190-\u22ff]")
BLANK = "\0"  # how a letter that no font has is read back
SHARES = (1.0, 0.94, 0.88, 0.82, 0.76, 0.7, 0.62, 0.54, 0.46, 0.38, 0.3, 0.2, 0.1, 0.05)  # of the usual size


def available() -> bool:
    """Whether the extra `pdf` is installed."""
    return all(importlib.util.find_spec(name) is not None for name in ("typst", "pypdf"))


def typeset(template: str, told: dict[str, Any], fonts: str, tags: bool) -> bytes:
    """A PDF in which each sheet has as many pages as it has feet: what would not fit is set smaller.

    A script that no font here has is printed as empty boxes: the pages of that sheet say so (`told["blank"]`).

    Raises RuntimeError where the typesetter refuses, or a sheet fits at no size.
    """
    made = _fitted(template, told, fonts, tags)
    rare = [part for part in told["sheets"] or [told] if RARE.search(json.dumps(part, ensure_ascii=False))]
    if rare and (blank := [part for part in _blank(made, told) if part in rare]):
        for part in blank:
            part["note"] = told["blank"]
        made = _fitted(template, told, fonts, tags)
    return made


def _fitted(template: str, told: dict[str, Any], fonts: str, tags: bool) -> bytes:
    sheets = told["sheets"]
    for sheet in sheets:
        sheet["share"] = SHARES[0]
    while True:
        made = _compile(template, told, fonts, tags)
        long = (
            [sheet for sheet, pages in zip(sheets, _pages(made), strict=True) if pages > len(sheet["feet"])]
            if sheets
            else []
        )
        if not long:
            return made
        for sheet in long:
            if sheet["share"] == SHARES[-1]:
                raise RuntimeError(f"{sheet['title'][:80]} has more to say than a page takes")
            sheet["share"] = SHARES[SHARES.index(sheet["share"]) + 1]


def _compile(template: str, told: dict[str, Any], fonts: str, tags: bool) -> bytes:
    import typst

    compiled: Any = typst.compile  # its types want template, root and fonts of one kind
    return bytes(
        compiled(
            template.encode(),
            format="pdf",
            root=fonts,  # the only folder that a template could read; ours reads none
            font_paths=[fonts],
            sys_inputs={"told": json.dumps(told, ensure_ascii=False)},
            timestamp=MOMENT,
            pdf_tags=tags,
        )
    )


def _pages(made: bytes) -> list[int]:
    """Pages of each sheet, by the bookmarks: each sheet begins with one."""
    import pypdf

    reader = pypdf.PdfReader(io.BytesIO(made))
    marks = [mark for mark in reader.outline if not isinstance(mark, list)]
    begin = [reader.get_destination_page_number(mark) or 0 for mark in marks]
    return [after - first for first, after in pairwise([*begin, len(reader.pages)])]


def _blank(made: bytes, told: dict[str, Any]) -> list[dict[str, Any]]:
    """The sheets, or what is told where there are none, in which a letter was printed as an empty box."""
    import pypdf

    pages = [BLANK in page.extract_text() for page in pypdf.PdfReader(io.BytesIO(made)).pages]
    if not told["sheets"]:
        return [told] if any(pages) else []
    found, first = [], 0
    for sheet, count in zip(told["sheets"], _pages(made), strict=True):
        if any(pages[first : first + count]):
            found.append(sheet)
        first += count
    return found


def main() -> None:
    job = json.loads(sys.stdin.buffer.read())
    out = Path(job.pop("out"))
    out.write_bytes(typeset(**job))


if __name__ == "__main__":
    main()
