"""The page and the cards of a session as HTML: the map's own drawing and views, laid out to be asked."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from typing import Any

import numpy as np
from jinja2 import ChoiceLoader, PackageLoader
from markupsafe import Markup

from planner.job import SiteResult
from planner.mounts import REFINE_STEP_M
from planner.serve.guard import MOST_FILE_BYTES
from planner.serve.session import Session
from planner.show.draw.map import SCRIPTS, map_data
from planner.show.draw.page import PAGES, asset, json_text, styles
from planner.show.draw.views import mount_view
from planner.show.lonlat import to_lonlat
from planner.show.say import point as say
from planner.units import M_PER_FT, MONTHS

TEMPLATES = PAGES.overlay(
    loader=ChoiceLoader([PackageLoader("planner.serve", "assets"), PackageLoader("planner.show", "assets")])
)


def _own(name: str) -> Markup:
    return Markup(files("planner.serve").joinpath("assets", name).read_text(encoding="utf-8").strip())


def page_html(session: Session, nonce: str) -> str:
    """The whole page; only scripts with the nonce may run."""
    result, drawn = session.decided_now, session.drawn()
    degrees = to_lonlat(result.site.crs, unbroken=True)
    units = result.plan.units
    foot, unit = (M_PER_FT, "ft") if units == "us" else (1.0, "m")
    data = map_data(result, degrees)
    del data["spot"]  # a click asks the server
    (south, west), (north, east) = data["bounds"]
    chosen = result.decision.chosen
    first = (
        degrees(result.mounts.xyz[[chosen]])[0]
        if chosen >= 0
        else np.array([(west + east) / 2, (south + north) / 2])
    )
    told = {
        "metresPerUnit": foot,
        "unit": unit,
        "stepM": REFINE_STEP_M,
        "start": {"lon": float(first[0]), "lat": float(first[1])},
        "startHeightM": float(result.mounts.height_m[chosen]) if chosen >= 0 else None,
        "state": drawn,
        "map": drawn["map"],
        "mostBytes": MOST_FILE_BYTES,
    }
    return TEMPLATES.get_template("serve.html").render(
        title=result.plan.outputs.title or result.plan.title,
        plan=session.plan_file.path.name,
        nonce=nonce,
        styles=styles("leaflet.css", "page.css", "map.css", dark=True),
        own_style=_own("serve.css"),
        scripts=[Markup(asset(name)) for name in ("leaflet.js", *SCRIPTS)] + [_own("serve.js")],
        data=Markup(json_text(data)),
        told=Markup(json_text(told)),
        unit=unit,
        entries=say.entries(result, session.tables),
        months=list(enumerate(MONTHS, start=1)),
        season=[bool(on) for on in result.season],
        building_height=30 if units == "us" else 10,
    )


def card_answer(now: SiteResult, was: SiteResult | None, alone: bool = False) -> dict[str, Any]:
    """The card of a point as HTML, and its numbers for whoever reckons on with them. alone: as of a world."""
    degrees = to_lonlat(now.site.crs)
    rows = say.compared(was, now) if was is not None else []
    html = TEMPLATES.get_template("card.html").render(
        headline=say.headline(now),
        passes=not now.decision.shortfalls[0],
        where=say.where(now),
        verdict=say.verdict_said(now),
        mount=mount_view(now, 0, degrees),
        months=say.months_table(now),
        controllers=say.links_rows(now),
        cabled=now.reach.runs is not None,
        compared=rows,
        alone=alone,
        changed=sum(not row.same for row in rows),
    )
    return {"html": html, "numbers": numbers(now), "before": numbers(was) if was is not None else None}


def closer_answer(found: SiteResult, runs: Sequence[Any]) -> dict[str, Any]:
    """What came after the card."""
    html = TEMPLATES.get_template("closer.html").render(
        spread=say.spread_said(found), cables=say.cables_said(found, runs) if found.reach.runs is None else []
    )
    spread = found.light_spread[0]
    return {
        "html": html,
        "light_share_sd": [float(v) for v in spread.light_share],
        "cable_m": [None if run is None else float(run.length_m) for run in runs],
    }


def numbers(card: SiteResult) -> dict[str, Any]:
    """A card's numbers, metric."""
    score = float(card.decision.score[0])
    links = card.reach.links
    return {
        "height_m": float(card.mounts.height_m[0]),
        "score": score if np.isfinite(score) else None,
        "worth": float(card.decision.worth[0]),
        "light_share": [float(v) for v in card.sun.light_share[0]],
        "direct_h": [float(v) for v in card.sun.direct_h[0]],
        "steepest_deg": float(card.rain.steepest_deg[0]),
        "margin_db": [float(v) for v in links.margin_db[0]],
        "ruled_out_by": [short.requirement.value for short in card.decision.shortfalls[0]],
    }
