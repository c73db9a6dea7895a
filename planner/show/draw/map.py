"""The map of one site, with what to do told in order beside it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import shapely
from markupsafe import Markup

from planner.show.draw import palette
from planner.show.draw.groups import CANDIDATE_LABELS, groups, named_rows
from planner.show.draw.page import PAGES, OfflineMap, page_bytes
from planner.show.draw.side_view import side_view
from planner.show.draw.solid import solids
from planner.show.draw.views import climate_view, credits, inset, mount_view, notices_view
from planner.show.layout import alternates
from planner.show.lonlat import Floats, geometry, to_lonlat
from planner.show.say import compare
from planner.show.say import layout as layouts
from planner.show.say import links as say_links
from planner.show.say import mount as say
from planner.show.say.bill import bill_sentence, bill_words
from planner.show.say.cautions import DEFER, cautions
from planner.show.say.glossary import GLOSSARY
from planner.show.say.pages import afterwards
from planner.show.say.spot import spot_words
from planner.show.say.unsure import unsure
from planner.show.say.verdict import most_ruled_out, none_meets

if TYPE_CHECKING:
    from planner.job import SiteResult

SCRIPTS = ("sun.js", "shade.js", "marks.js", "compare.js", "map.js", "solid.js")


def site_page(result: SiteResult) -> bytes:
    """`map.html` of one site."""
    return page_bytes(site_map(result))


def site_map(result: SiteResult) -> OfflineMap:
    """The map as a folium object, to which layers of one's own may be added before it is saved."""
    degrees = to_lonlat(result.site.crs, unbroken=True)
    data = map_data(result, degrees)
    (south, west), (north, east) = data["bounds"]
    middle = ((south + north) / 2, (west + east) / 2)
    return OfflineMap(_title(result), middle, data, _panel(result, degrees), SCRIPTS)


def map_data(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any]:
    """What the scripts of SCRIPTS draw.

    Parameters
    ----------
    result
        The site.
    degrees
        From metres in its frame to longitude and latitude, as :func:`planner.show.lonlat.to_lonlat` gives it.

    Returns
    -------
    dict
        For JSON.
    """
    west, south, east, north = geometry(_extent(result), degrees).bounds
    return {
        "units": result.plan.units,
        "bounds": [[south, west], [north, east]],
        "closeZoom": 18,
        "dotZoom": 18,
        "tones": palette.DARK,
        "groups": groups(result, degrees),
        "credits": credits(result.climate.source, result.climate_picture),
        "solids": solids(result, degrees),
        "compare": compare.words(result) | {"labels": list(CANDIDATE_LABELS)},
        "spot": spot_words(result.plan.units),
    }


def _title(result: SiteResult) -> str:
    return result.plan.outputs.title or result.plan.title


def _extent(result: SiteResult) -> Any:
    """What the map opens on: the site, and any controller or mount that lies outside it."""
    return shapely.union_all(
        [
            result.site.outline,
            *shapely.points(result.site.controllers.xyz[:, :2]),
            *shapely.points(result.mounts.xyz[:, :2]),
        ]
    ).envelope


def side_views(result: SiteResult) -> dict[int, Markup]:
    """The side view of each controller's link, by controller, where it was looked at closely."""
    names = result.site.controllers.names
    return {
        row.controller: side_view(
            row.view,
            result.plan.units,
            (row.mount, names[row.controller]),
            "; ".join(say_links.met_said(result, row.view)),
        )
        for row in say_links.controllers(result)
        if row.view is not None
    }


def _panel(result: SiteResult, degrees: Callable[[Floats], Floats]) -> Markup:
    decision, units = result.decision, result.plan.units
    places: list[dict[str, Any]] = [
        {"words": place, "mount": mount_view(result, place.row, degrees, lost=True)}
        for place in layouts.places(result)
    ]
    return Markup(
        PAGES.get_template("panel.html").render(
            title=_title(result),
            site=result.site.name,
            decided=decision.chosen >= 0,
            headline=layouts.headline(result) if decision.chosen >= 0 else none_meets(result),
            held=layouts.held_sentence(result),
            places=places,
            beside=layouts.beside(result),
            overridden=decision.overridden,
            named=[mount_view(result, k, degrees, lost=True) for k in named_rows(result)],
            alternates=[mount_view(result, k, degrees, lost=True) for k in alternates(result)],
            tried=len(result.mounts),
            us=units == "us",
            passing=len(decision.order),
            requirements=say.requirement_counts(result),
            worst=most_ruled_out(result) if len(result.mounts) and decision.chosen < 0 else "",
            nearest=say.nearest_said(result),
            controllers=say_links.controllers(result),
            side_views=side_views(result),
            cabled=result.reach.runs is not None,
            radio=say_links.radio_basis(result.plan),
            bill=bill_words(result),
            bill_said=bill_sentence(result),
            cables=say_links.cable_view(result),
            climate=climate_view(result),
            unsure=unsure(result),
            afterwards=afterwards(result.plan),
            credits=credits(result.climate.source, result.climate_picture),
            inset=inset(result),
            notices=notices_view(result.notices),
            cautions=cautions(result.plan.country, units),
            defer=DEFER,
            glossary=GLOSSARY,
        )
    )
