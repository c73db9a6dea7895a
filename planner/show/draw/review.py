"""The review's page: the limit first, then the verdict with its evidence, and the picture that shows both."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup, escape

from planner.review.verdict import Cause, Review
from planner.show.documents import Document, Facts, Line, Part, Picture, Points
from planner.show.draw import palette
from planner.show.draw.document import document_page
from planner.show.say import review as say
from planner.show.say.cautions import DEFER
from planner.show.say.pages import REVIEW, beside
from planner.show.say.review import NEXT_STEPS, cannot_tell, evidence, headline, limit_said
from planner.units import MONTHS

if TYPE_CHECKING:
    from planner.upkeep import ReviewResult


def review_page(result: ReviewResult) -> bytes:
    """`review.html`."""
    return document_page(review_document(result), beside(result.plan, REVIEW))


def review_document(result: ReviewResult) -> Document:
    """The log review: what the log can show, then what it shows."""
    found, unsaid = result.review, cannot_tell(result)
    return Document(
        title=result.plan.outputs.title or result.plan.title,
        site=result.site.name,
        what=say.what(result.log_name),
        parts=(
            Part(say.CAN_SHOW, (Line(limit_said(found.limit, result.plan.review.looks), "limit"),)),
            Part(say.SHOWS, tuple(_findings(result))),
            Part("", (Picture(str(picture(found)), say.picture_said(found.findings), say.CAPTION),), whole=True),
            Part(
                "",
                (Facts(tuple(say.facts(result))),),
                beside=Part(say.NOT_JUDGED, (Points(tuple(unsaid), "small"),)) if unsaid else None,
            ),
            *([Part(say.NOTICES, (Points(tuple(map(str, result.notices)), "small"),))] if result.notices else []),
            Part("", (Line(DEFER, "small"),)),
        ),
    )


def _findings(result: ReviewResult) -> Iterator[Line]:
    """Each finding with what to do next, and then what it rests on."""
    for k, finding in enumerate(result.review.findings):
        yield Line(headline(finding), "finding" if k else "verdict")
        for n, todo in enumerate(finding.todo):
            yield Line(NEXT_STEPS[todo], lead=say.THEN if n else say.NEXT)
        yield from (Line(text) for text in evidence(finding, result))


WIDE, HIGH, LEFT, RIGHT, TOP, BOTTOM = 720.0, 320.0, 44.0, 8.0, 22.0, 30.0


def picture(review: Review) -> Markup:
    """The expected band, the logged line, and the causes marked on it."""
    log, expected = review.log, review.expected
    n = len(log)
    known = np.concatenate([expected.band.ravel(), log.percent])
    top = max(120.0, float(np.nanmax(known)) * 1.05 if np.isfinite(known).any() else 120.0)

    def x(k: float) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * (k + 0.5) / n

    def y(percent: float) -> float:
        return HIGH - BOTTOM - (HIGH - BOTTOM - TOP) * percent / top

    out = [_grid(top, y), _months(log.day, x)]
    marks = []
    for finding in review.findings:
        a, b = (int((d.astype("datetime64[D]") - log.day[0]).astype(int)) for d in (finding.first, finding.last))
        if finding.cause is Cause.SILENT:
            marks.append(
                f'<rect x="{x(a - 0.5):.1f}" y="{TOP}" width="{x(b + 0.5) - x(a - 0.5):.1f}" '
                f'height="{HIGH - BOTTOM - TOP}" fill="url(#hatch)"/>' + _said(x((a + b) / 2), "silent")
            )
        if finding.cause is Cause.STEP:
            marks.append(
                f'<line x1="{x(a - 0.5):.1f}" y1="{TOP}" x2="{x(a - 0.5):.1f}" y2="{HIGH - BOTTOM}" '
                f'stroke="{palette.MARK}" stroke-width="1.6" stroke-dasharray="5 3"/>' + _said(x(a - 0.5), "step")
            )
        if finding.cause in (Cause.HIGH, Cause.LOW):
            marks.append(_said(x((max(a, 0) + min(b, n - 1)) / 2), finding.cause.value))
    for a, b in _spans(np.isfinite(expected.percent)):
        upper = [f"{x(k):.1f},{y(expected.band[k, 1]):.1f}" for k in range(a, b)]
        lower = [f"{x(k):.1f},{y(expected.band[k, 0]):.1f}" for k in range(b - 1, a - 1, -1)]
        middle = " ".join(f"{x(k):.1f},{y(expected.percent[k]):.1f}" for k in range(a, b))
        out.append(
            f'<polygon points="{" ".join(upper + lower)}" fill="{palette.OFF_SEASON}" fill-opacity="0.75"/>'
            f'<polyline points="{middle}" fill="none" stroke="{palette.SEASON}" stroke-width="1.2" '
            'stroke-dasharray="2 3"/>'
        )
    out += marks
    for a, b in _spans(np.isfinite(log.percent)):
        line = " ".join(f"{x(k):.1f},{y(log.percent[k]):.1f}" for k in range(a, b))
        if b - a == 1:
            out.append(f'<circle cx="{x(a):.1f}" cy="{y(log.percent[a]):.1f}" r="1.8" fill="{palette.INK}"/>')
        out.append(f'<polyline points="{line}" fill="none" stroke="{palette.INK}" stroke-width="1.8"/>')
    held = np.array([h != "" for h in log.hold], bool)
    out += [
        f'<line x1="{x(float(k)):.1f}" y1="{HIGH - BOTTOM}" x2="{x(float(k)):.1f}" y2="{HIGH - BOTTOM - 9}" '
        f'stroke="{palette.SPRAY}" stroke-width="2.4"/>'
        for k in np.flatnonzero(held)
    ]
    return Markup(
        f'<svg class="log-picture" viewBox="0 0 {WIDE:.0f} {HIGH:.0f}" role="img" '
        f'xmlns="http://www.w3.org/2000/svg"><title>{escape(say.picture_said(review.findings))}</title>'
        '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)">'
        f'<line x1="0" y1="0" x2="0" y2="6" stroke="{palette.MARK}" stroke-width="1.4" stroke-opacity="0.55"/>'
        f"</pattern></defs>{''.join(out)}</svg>"
    )


def _said(at: float, text: str) -> str:
    at = min(max(at, LEFT + 40), WIDE - RIGHT - 40)
    return (
        f'<text x="{at:.1f}" y="{TOP - 7}" text-anchor="middle" font-size="13" font-weight="600" '
        f'fill="{palette.MARK}">{escape(text)}</text>'
    )


def _grid(top: float, y: Any) -> str:
    step = 25 if top <= 200 else 50
    return "".join(
        f'<line x1="{LEFT}" y1="{y(p):.1f}" x2="{WIDE - RIGHT}" y2="{y(p):.1f}" stroke="{palette.RULE}" '
        f'stroke-width="{1.4 if p == 100 else 0.6}"/><text x="{LEFT - 6}" y="{y(p) + 4:.1f}" text-anchor="end" '
        f'font-size="12" fill="{palette.QUIET}">{p}%</text>'
        for p in range(0, int(top) + 1, step)
    )


def _months(days: Any, x: Any) -> str:
    """Ticks at the first of each month; weeks where the log is short."""
    out, months = [], days.astype("datetime64[M]")
    short = len(days) <= 45
    last = -100.0
    for k in range(len(days)):
        day_number = int((days[k] - months[k]).astype(int)) + 1
        if not (day_number == 1 or k == 0 or (short and day_number % 7 == 1)):
            continue
        if x(k) - last < 42:
            continue
        last = x(k)
        month = int(months[k].astype(int)) % 12
        text = f"{MONTHS[month]} {day_number}" if short or day_number != 1 else MONTHS[month]
        out.append(
            f'<line x1="{x(k):.1f}" y1="{HIGH - BOTTOM}" x2="{x(k):.1f}" y2="{HIGH - BOTTOM + 5}" '
            f'stroke="{palette.QUIET}"/><text x="{x(k):.1f}" y="{HIGH - BOTTOM + 19}" '
            f'text-anchor="{"start" if k == 0 else "middle"}" font-size="12" fill="{palette.QUIET}">{text}</text>'
        )
    return "".join(out)


def _spans(known: Any) -> list[tuple[int, int]]:
    edges = np.diff(np.concatenate([[False], known, [False]]).astype(np.int8))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))
