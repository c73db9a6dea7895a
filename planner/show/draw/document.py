"""A programming sheet or a log review as one HTML file."""

from __future__ import annotations

from collections.abc import Sequence

from planner.show.documents import Document
from planner.show.draw.page import PAGES, sealed, styles
from planner.show.say.pages import Page


def document_page(document: Document, other_pages: Sequence[Page]) -> bytes:
    """The page, with links to the site's other pages at its end."""
    page = PAGES.get_template("document.html").render(
        style=styles("page.css", "sheet.css", "upkeep.css"), p=document, other_pages=other_pages
    )
    return sealed(page)
