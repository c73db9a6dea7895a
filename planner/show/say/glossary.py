"""The words that pages, messages and the README share: one term, one sense.

AVOID holds what we once said or might say, and what to say in its place; a test reads every sentence in the package
for it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Term:
    """A word of the trade or of ours, and what it means, in one line."""

    word: str
    meaning: str


GLOSSARY = (
    Term("Mount", "the spot where a sensor is fastened, with its height and what holds it."),
    Term("Candidate", "a mount that was tried; each one is a dot on the map."),
    Term("Requirement", "a limit from the plan file that a mount must meet; one miss rules the mount out."),
    Term("Score", "0 to 100, how good a mount is among those that meet every requirement."),
    Term("Layout", "the set of sensors and repeaters to install, with the controllers that each one serves."),
    Term("ETo", "reference evapotranspiration: the water that short, well-watered grass uses in a day."),
    Term("Peak month", "the month with the highest average daily ETo at the site."),
    Term("Zone", "the climate zone to set in the controller."),
    Term("Band", "the range of peak-month ETo that a zone stands for."),
    Term("Sky view", "the share of the sky's diffuse light that reaches the mount."),
    Term(
        "Margin",
        "decibels left over after all losses on a radio link; below zero the link is not expected to work.",
    ),
    Term("Fresnel zone", "the space around the line of sight that should be mostly clear for a strong radio link."),
    Term("Loop resistance", "the resistance of a cable's two conductors, out and back."),
)

# what to avoid -> what to say; matched as whole words, upper and lower case alike
AVOID = {
    "head above ground": "sensor height",
    "head level": "sensor level",
    "shut out": "ruled out",
    "shuts out": "rules out",
    "asked:": "required:",
    "light kept": "sunlight received",
    "keeps light": "receives sunlight",
    "what takes the sun": "sources of shade",
    "takes the sun": "shades it",
    "holds with": "has a ...% chance of a good link",
    "to spare": "margin",
    "steepest thing seen": "tallest obstruction",
    "goes by the sun alone": "uses sunlight alone",
    "scaffolds": "scaffolding",
    "from mains": "from line-voltage wiring",
    "building's earth": "building ground",
    "lightning conductor": "lightning rod",
    "is not to be had": "is not available",
    "to be had": "available",
    "before fixing": "before mounting",
    "from where it hangs": "at its installed location",
    "only if the maker agrees": "confirm with the manufacturer",
    "ohm of loop": "loop resistance ... Ω",
    "waters too much": "overwaters",
    "of buried services": "call for a locate",
    "in the trade's words": "sun exposure",
    "of the circle on plan": "of the area within ...",
    "no summer to speak of": "hottest month under 50 °F: check the location",
    "plan of fewest sensors": "layout with the fewest sensors",
    "plan with the fewest": "layout with the fewest sensors",
    "one sensor less": "without this sensor",
    "irrigation runs": "irrigation season:",
    "crowns": "tree canopies",
    "is to mend": "is an error",
    "storeys of": "stories of",
    "kept in hand": "held back",
    "waters too little": "underwaters",
    "the head": "the sensor",
    "sensor's head": "sensor",
    "is had": "say what is meant",
    "stands in the way": "is in the way",
    "shuts a mount out": "rules a mount out",
}
