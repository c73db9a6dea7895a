"""The pages of one site, which command writes each, and which of them a page links to."""

from __future__ import annotations

from dataclasses import dataclass

from planner.plan import Plan


@dataclass(frozen=True)
class Page:
    """A page in the same folder: file is the relative link; command writes it."""

    label: str
    file: str
    command: str


MAP = Page("Map", "map.html", "noonmark site")
SHEET = Page("Field sheet", "sheet.html", "noonmark site")
PROGRAMMING = Page("Programming sheet", "programming.html", "noonmark programme")
REVIEW = Page("Log review", "review.html", "noonmark review")


def afterwards(plan: Plan) -> tuple[Page, ...]:
    """Pages for after the sensor is up: the programming sheet where the plan names a station table, the review
    where the plan has that section.
    """
    return (
        *([PROGRAMMING] if plan.programme.stations is not None else []),
        *([REVIEW] if "review" in plan.model_fields_set else []),
    )


def beside(plan: Plan, own: Page) -> tuple[Page, ...]:
    """The site's other pages, as seen from the programming sheet or the review."""
    return tuple(page for page in (MAP, SHEET, *afterwards(plan)) if page != own)
