"""How the layers of our GeoPackages are drawn when a GIS opens them: one QML text a layer, in our own colours.

QML is the style language of QGIS; a GeoPackage carries it in the table `layer_styles`. Other programs pass over it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from xml.sax.saxutils import quoteattr

from planner.show.draw import palette


class Shape(StrEnum):
    """What a symbol is drawn as; the values are QML's."""

    CIRCLE = "circle"
    SQUARE = "square"
    DIAMOND = "diamond"
    CROSS = "cross2"
    LINE = "line"
    AREA = "fill"


@dataclass(frozen=True)
class Symbol:
    """One class of a layer: value, the column's value ("" for all others); size_mm, also a line's width."""

    value: str
    said: str
    shape: Shape
    colour: str
    size_mm: float = 3.0
    dashed: bool = False


def style(symbols: Sequence[Symbol], by: str = "", label: str = "") -> str:
    """QML of a layer. by: the column whose value picks the symbol; label: the column written beside each."""
    drawn = "".join(_symbol(str(k), symbol) for k, symbol in enumerate(symbols))
    if by:
        picked = "".join(
            f"<category value={quoteattr(s.value)} label={quoteattr(s.said)} symbol={quoteattr(str(k))} "
            'render="true"/>'
            for k, s in enumerate(symbols)
        )
        head, inside = f'type="categorizedSymbol" attr={quoteattr(by)}', f"<categories>{picked}</categories>"
    else:
        head, inside = 'type="singleSymbol"', ""
    shown = (
        f'<renderer-v2 {head} enableorderby="0" forceraster="0">{inside}<symbols>{drawn}</symbols></renderer-v2>'
    )
    return (
        f'<qgis version="3.22" styleCategories="Symbology|Labeling" labelsEnabled="{int(bool(label))}">'
        f"{shown}{_labels(label) if label else ''}</qgis>"
    )


def _symbol(name: str, symbol: Symbol) -> str:
    colour, ink = _rgba(symbol.colour), _rgba(palette.INK)
    if symbol.shape is Shape.LINE:
        kind, layer = "line", "SimpleLine"
        told = {
            "line_color": colour,
            "line_width": symbol.size_mm,
            "line_style": "dash" if symbol.dashed else "solid",
        }
    elif symbol.shape is Shape.AREA:
        kind, layer = "fill", "SimpleFill"
        told = {"color": _rgba(symbol.colour, 110), "outline_color": ink, "outline_width": symbol.size_mm}
    else:
        kind, layer = "marker", "SimpleMarker"
        told = {
            "name": symbol.shape,
            "color": colour,
            "outline_color": ink if symbol.shape is not Shape.CROSS else colour,
            "outline_width": 0.2,
            "size": symbol.size_mm,
        }
    options = "".join(f'<Option type="QString" name="{k}" value="{v}"/>' for k, v in told.items())
    return (
        f'<symbol name="{name}" type="{kind}" alpha="1" clip_to_extent="1" force_rhr="0">'
        f'<layer class="{layer}" enabled="1" locked="0" pass="0">'
        f'<Option type="Map">{options}</Option></layer></symbol>'
    )


def _labels(column: str) -> str:
    text = (
        f'<text-style fieldName={quoteattr(column)} fontSize="9" fontSizeUnit="Point" '
        f'textColor="{_rgba(palette.INK)}" isExpression="0">'
        f'<text-buffer bufferDraw="1" bufferSize="0.8" bufferSizeUnits="MM" bufferColor="{_rgba(palette.CARD)}"/>'
        "</text-style>"
    )
    return f'<labeling type="simple"><settings calloutType="simple">{text}</settings></labeling>'


def _rgba(colour: str, alpha: int = 255) -> str:
    return ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + f",{alpha}"


def site_styles(grades: Sequence[tuple[str, str]], zone_colour: str) -> dict[str, str]:
    """Layer to QML for the GeoPackage of one site.

    grades: (code, words) of a link from the worst to the best; zone_colour: that of the site's zone.
    """
    mounts = (
        Symbol("chosen", "chosen mount", Shape.DIAMOND, palette.MARK, 5.0),
        Symbol("runner_up", "alternate", Shape.DIAMOND, palette.SCORE[3], 3.6),
        Symbol("passes", "meets every requirement", Shape.CIRCLE, palette.SCORE[2], 2.2),
        Symbol("ruled_out", "ruled out", Shape.CROSS, palette.RULED_OUT, 1.6),
    )
    layout = (
        Symbol("sensor", "sensor", Shape.DIAMOND, palette.MARK, 5.0),
        Symbol("repeater", "repeater", Shape.SQUARE, palette.CABLE, 4.0),
    )
    links = [
        Symbol(code, said, Shape.LINE, palette.LINK[k], 0.4 + 0.25 * k, dashed=k < len(grades) - 1)
        for k, (code, said) in enumerate(grades)
    ]
    return {
        "mounts": style(mounts, "status"),
        "layout": style(layout, "kind", "sign"),
        "controllers": style((Symbol("", "controller", Shape.SQUARE, palette.SEASON, 3.4),), label="letter"),
        "links": style(links, "grade"),
        "cables": style((Symbol("", "cable", Shape.LINE, palette.CABLE, 0.7),)),
        "site": style((Symbol("", "site", Shape.AREA, zone_colour, 0.5),)),
    }


def contract_styles(zones: Sequence[tuple[str, str, str]]) -> dict[str, str]:
    """Layer to QML for the GeoPackage of a contract's sites; zones: (label, words, colour) of the table."""
    rest = "in no zone of the table"
    areas = [Symbol(label, said, Shape.AREA, colour, 0.3) for label, said, colour in zones]
    points = [Symbol(label, said, Shape.CIRCLE, colour, 2.6) for label, said, colour in zones]
    return {
        "sites": style([*areas, Symbol("", rest, Shape.AREA, palette.RULED_OUT, 0.3)], "zone"),
        "points": style([*points, Symbol("", rest, Shape.CROSS, palette.RULED_OUT, 2.0)], "zone"),
    }
