"""What can hurt someone, in the usual words. Local codes always come first; the law is quoted only where it
holds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from planner.units import Units, length


@dataclass(frozen=True)
class Caution:
    """law: `source` names a section of the law."""

    title: str
    text: str
    source: str = ""
    law: bool = False


DEFER = (
    "These are reminders, not instructions. Local codes, site rules, manufacturers' instructions and licensed "
    "practice come first. A layout made from maps does not replace a site visit."
)
UNITED_STATES = "US"
PRACTICE = "common practice, no source"


_BY_LOCAL_LAW = (
    Caution(
        "Ladders",
        "Set the foot of an extension ladder out about a quarter of its working length, extend its rails above the "
        "landing, and tie it off. Follow local rules for work on ladders.",
        PRACTICE,
    ),
    Caution(
        "Roofs and edges",
        "Use fall protection from the height that local law sets. Ask the owner for access and anchor points.",
        "local law",
    ),
    Caution(
        "Power lines",
        "Look up first. Keep yourself, ladder and mast away from overhead lines by at least the distance that "
        "local law or the utility sets; ask the utility if you do not know it.",
        "local law",
    ),
    Caution("Digging", "Have buried utilities located and marked before you dig for a post or trench.", PRACTICE),
)


def _by_federal_law(up: Callable[[float], str]) -> tuple[Caution, ...]:
    """With the sections of 29 CFR; up: feet as they are read."""
    return (
        Caution(
            "Ladders",
            "Set the foot of an extension ladder out a quarter of its working length, extend its rails "
            f"{up(3)} above the landing, and tie it off.",
            "29 CFR 1926.1053(b)",
            law=True,
        ),
        Caution(
            "Roofs and edges",
            f"Use fall protection from {up(6)} in construction and from {up(4)} in general industry. Ask the owner "
            "for access and anchor points.",
            "29 CFR 1926.501 and 1910.28",
            law=True,
        ),
        Caution(
            "Power lines",
            f"Look up first. Unless qualified, keep yourself, ladder and mast at least {up(10)} from overhead "
            "lines, and farther above 50 kV.",
            "29 CFR 1910.333(c)",
            law=True,
        ),
        Caution("Digging", "Call 811 before you dig for a post or trench, and wait for the marks.", PRACTICE),
    )


def cautions(country: str | None, units: Units) -> tuple[Caution, ...]:
    """Cautions for a country (ISO 3166, two letters; None where the plan does not say).

    In the United States with the sections of 29 CFR (values from secondary copies); elsewhere without numbers that
    local law may set otherwise.
    """
    us = country == UNITED_STATES

    def up(feet: float) -> str:
        return length(feet * 0.3048, units, 0 if units == "us" else 1)

    here = _by_federal_law(up) if us else _BY_LOCAL_LAW
    return (
        *here,
        Caution(
            "Wiring",
            "Low-voltage wiring follows the local electrical code. Use a licensed person where the code "
            "requires one. "
            "Keep it separate from line-voltage wiring.",
            "local code",
        ),
        Caution(
            "Radio",
            "Band, power and duty cycle follow local rules and the device's own approval.",
            "local rules, for example 47 CFR 15" if us else "local rules",
        ),
        Caution(
            "Lightning and surge",
            "Bonding a mast to the building ground may be licensed work. Never fasten anything to a "
            "lightning rod or "
            "its cable.",
            "local code",
        ),
        Caution("Weather", "Stop in wind, on wet or icy surfaces, and at the first thunder.", PRACTICE),
    )
