"""The field sheet's own words: headings, what to check and what to write down."""

from __future__ import annotations

from collections.abc import Sequence

from planner.show.say.cautions import Caution
from planner.show.say.zone import ZoneWords

HEADINGS = {
    "zone": "Climate zone to set",
    "season": "Irrigation season:",
    "months": "Month's ETo in percent of the peak month's",
    "alternate": "Alternate:",
    "bill": "To buy for the whole site",
    "visit": "On the visit",
    "found": "Found on site",
}
NOTHING_TO_MOUNT = (
    "Nothing is to be mounted from this sheet. Each requirement rules out this many of the mounts tried:"
)
WITHOUT_A_MOUNT = "Field sheet: weather sensor and climate zone"
CLOSEST = "What the mount that comes closest would reach"
INDEX = "Field sheets"
INDEX_COLUMNS = ("Site", "Zone to set", "Sensor or repeater", "Page")
NO_PLACE = "no mount meets every requirement"


def what(sign: str, number: int, count: int, kind: str) -> str:
    """'Field sheet S1, 1 of 3: sensor'"""
    return f"Field sheet {sign}{f', {number} of {count}' if count > 1 else ''}: {kind}"


def head(sign: str, mount: str) -> str:
    return f"{sign}, mount {mount}"


def in_index(sign: str, mount: str) -> str:
    """'S1, mount B3' in the index; why there is none."""
    return head(sign, mount) if sign else NO_PLACE


def support_said(support: str, facing: str, setback: str) -> str:
    """'Parapet, facing south; 1 ft inside the roof edge'"""
    said = f"{support[:1].upper()}{support[1:]}{f', {facing}' if facing else ''}"
    return f"{said}; {setback}" if setback else said


def height_said(height: str) -> str:
    return f"{height} above the ground beneath"


def datum_said(coordinates: str) -> str:
    return f"{coordinates} (WGS 84)"


def named_although(ruled_out: str) -> str:
    return f"The plan file names it, although it is ruled out: {ruled_out}"


def alternate_said(alternate: str, coordinates: str) -> str:
    return f"{alternate} At {coordinates}." if coordinates else alternate


def drawing_said(tied: bool) -> str:
    measure = "Measure level from corners P and Q. " if tied else ""
    return f"North is up. {measure}Drawn from maps: check on site."


def controllers_check(cabled: bool) -> str:
    """What to try at each controller; the programming sheet asks for it too."""
    if cabled:
        return "Each controller reads the sensor over its cable"
    return "Each controller gets a signal at its installed location"


def checks(sensor: bool, cabled: bool) -> tuple[str, ...]:
    """What an installer looks at before and after mounting an outdoor sensor or a repeater: common practice,
    no source.
    """
    support = "Support is sound, and the owner agrees to it"
    if not sensor:
        return (
            support,
            "Power is there, or the repeater has its own",
            controllers_check(cabled),
            "Photo of the mount",
        )
    return (
        support,
        "Nothing new in the way: trees, signs, equipment, scaffolding",
        "Sky is open to the noon sun; no eave, gutter or spray above or beside",
        "Sensor is level and firm; distances measured as drawn",
        controllers_check(cabled),
        "Zone and irrigation months are set at each controller",
        "Photo of the mount and of the view to the noon sun",
    )


def lines_said(clock: str) -> str:
    """What lines and dots of the sun-path picture are."""
    return f"Heavy lines: irrigation months. Dots: whole hours ({clock})."


def peak_said(zone: ZoneWords) -> str:
    return f"Peak-month ETo {zone.peak_spread} in {zone.peak_month} ({zone.basis}); band {zone.band}."


def next_said(zone: ZoneWords) -> str:
    """The next likeliest zone, and whether the ways agree."""
    second = f"Next likeliest: {zone.runner_up}, {zone.runner_up_chance}." if zone.runner_up_chance else ""
    return f"{second} {zone.agreement}".strip()


def columns(cabled: bool, write: bool) -> tuple[str, ...]:
    """Heads of the controllers' table; write: with a box to tick."""
    tested = ("Cable tested" if cabled else "Link tested",) if write else ()
    return ("Controller", "Distance", "Cable to buy" if cabled else "Margin, good link", "What it needs", *tested)


def more_said(count: int) -> str:
    return f"{count} more with better links: see the list on the next page" if count else ""


def every_said(sign: str, count: int) -> str:
    return f"All {count} controllers of {sign}" if sign else f"All {count} controllers"


def blanks(tied: bool) -> tuple[str, ...]:
    """What is written down on site."""
    ties = ("From P / from Q",) if tied else ()
    return ("Height above ground", *ties, "Placed elsewhere, because", "Zone set", "Name, date", "Signature")


def caution_said(caution: Caution) -> str:
    return f"{caution.text} ({caution.source})" if caution.law else caution.text


def layout_said(places: Sequence[tuple[str, str, str, str]]) -> str:
    """Sign, kind, id and holder of every place, where there is more than one."""
    return "; ".join(f"{sign} ({kind}): {key}, {on}" for sign, kind, key, on in places) if len(places) > 1 else ""


PAGE, OF = "Page", "of"
BLANK = "An empty box is a letter that no font here has: open the sheet's HTML page to read it."


def page_said(number: int) -> str:
    """At the foot of a page."""
    return f"{PAGE} {number}"


def bookmark(name: str, place: str) -> str:
    """'City Hall: S1, mount B3'"""
    return f"{name}: {place}"
