"""One HTML file that holds all it needs: scripts and styles inline, nothing to fetch, nothing else may run.

`OfflineMap` is folium's map without its links: the same object, so that layers of one's own may be added to it.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import folium
from branca.element import Element
from folium.template import Template, tojavascript
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from planner.show.draw import palette

# Text from a user's files meets HTML here only, and every value is escaped unless it is Markup of our own.
PAGES = Environment(
    loader=PackageLoader("planner.show", "assets"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
# "peak-month ETo" to "Peak-month ETo"; Jinja's own `capitalize` would lower the rest
PAGES.filters["sentence"] = lambda text: text[:1].upper() + text[1:]


@cache
def asset(name: str) -> str:
    """Text of a packaged script or style, free of links, fit to stand inside its tag.

    Parameters
    ----------
    name
        Of a file in `assets`.

    Returns
    -------
    str
        With plain line ends.

    Raises
    ------
    ValueError
        The text would close its own tag.
    """
    text = files("planner.show").joinpath("assets", name).read_text(encoding="utf-8")
    # Leaflet's style names images beside it that we do not use, and its script a map for debuggers
    text = re.sub(r"url\((?!#|data:)[^)]*\)", "none", text) if name.endswith(".css") else text
    text = re.sub(r"^//# sourceMappingURL=.*$", "", text, flags=re.MULTILINE)
    if re.search(r"</(script|style)", text, re.IGNORECASE):
        raise ValueError(f"{name} would close its own tag")
    return text.replace("\r\n", "\n").strip()


def json_text(data: Any) -> str:
    """JSON that may stand inside a script element: no tag, no comment.

    Parameters
    ----------
    data
        Anything that JSON can hold.

    Returns
    -------
    str
        The JSON.

    Raises
    ------
    ValueError
        There is a NaN in it.
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for mark in "<>&\u2028\u2029":
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    return text


def styles(*names: str, dark: bool = False) -> Markup:
    """Our colours as CSS variables (:func:`palette.css_variables`), then the packaged styles.

    Parameters
    ----------
    *names : str
        Of files in `assets`.
    dark
        Whether the page has colours for a dark screen.

    Returns
    -------
    Markup
        One style element.

    Raises
    ------
    ValueError
        A style would close its own tag.
    """
    return Markup("<style>{}</style>").format(
        Markup("\n".join([palette.css_variables(dark=dark), *(asset(name) for name in names)]))
    )


class Verbatim(Element):  # type: ignore[misc]
    """Finished text. branca reads what it is given as a template, where a name such as `{{ x }}` would be run."""

    _template = Template("{{ this.text }}")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text


class OfflineMap(folium.Map):  # type: ignore[misc]
    """A folium map that opens with the network off, with a panel beside it.

    data: what `map.js` draws (groups of features, marks and images; see :func:`planner.show.draw.map.site_map`).
    panel: HTML of ours that stands beside the map.
    """

    default_js: list[tuple[str, str]] = []  # noqa: RUF012  folium's own way of asking for links
    default_css: list[tuple[str, str]] = []  # noqa: RUF012

    def __init__(
        self,
        title: str,
        centre: tuple[float, float],
        data: Mapping[str, Any],
        panel: Markup,
        scripts: Sequence[str] = ("marks.js", "map.js"),
    ) -> None:
        super().__init__(
            location=centre,
            tiles=None,
            prefer_canvas=True,
            zoom_snap=0.25,
            wheel_px_per_zoom_level=90,
            max_zoom=22,
            min_zoom=2,
            attribution_control=False,
            fade_animation=False,
        )
        self._id = "plan"  # a name that stays, so that the same plan gives the same file
        self.title, self.panel, self.data, self.scripts = title, panel, json_text(data), tuple(scripts)

    def render(self, **kwargs: Any) -> None:
        """Lay head, body and script into the figure, and then the layers that were added."""
        figure, name = self.get_root(), self.get_name()
        head = Markup(
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>{}</title>\n{}\n'
            "<script>{}</script>\n<script>{}</script>"
        ).format(
            self.title,
            styles("leaflet.css", "page.css", "map.css", "print.css", dark=True),
            Markup(asset("leaflet.js")),
            Markup("\n".join(asset(name) for name in (*self.scripts, "print.js"))),
        )
        body = Markup(
            '<div class="page">\n<div class="map-side" role="region" aria-label="Map">'
            '<div id="{}" class="map"></div></div>\n{}</div>\n'
            '<script type="application/json" id="map-data">{}</script>'
        ).format(name, self.panel, Markup(self.data))
        script = (
            f'const {name} = L.map("{name}", {{center: {json_text(self.location)}, '
            f"...{tojavascript(self.options)}}});\n"
            f'drawPlan({name}, JSON.parse(document.getElementById("map-data").textContent));'
        )
        for place, text in ((figure.header, head), (figure.html, body), (figure.script, script)):
            place.add_child(Verbatim(text), name=name)
        for layer in self._children.values():
            layer.render(**kwargs)


def page_bytes(drawn: OfflineMap) -> bytes:
    """The finished map page."""
    return sealed(drawn.get_root().render())


def sealed(page: str) -> bytes:
    """A page with a Content-Security-Policy that lets exactly its own scripts run and nothing be fetched.

    Escaping keeps foreign text from becoming code; this is the second lock.
    """
    scripts = re.findall(r"<script(?![^>]*application/json)[^>]*>(.*?)</script>", page, re.DOTALL)
    hashes = {base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in scripts}
    allowed = " ".join(f"'sha256-{digest}'" for digest in sorted(hashes)) or "'none'"
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    lock = f'<head>\n<meta http-equiv="Content-Security-Policy" content="{policy}">'
    return page.replace("<html>", '<html lang="en">', 1).replace("<head>", lock, 1).encode()
