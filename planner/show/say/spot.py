"""What a click on a spot of the map is answered with, where nobody tried a mount."""

from __future__ import annotations

from planner.units import Units

HEIGHTS = {"us": ("height_ft", 10.0, "ft"), "metric": ("height_m", 3.0, "m")}  # a mast that a step ladder reaches


def spot_words(units: Units) -> dict[str, object]:
    """Texts of the card; `lines` are plan-file lines, with {x} and {y} for longitude and latitude."""
    key, height, unit = HEIGHTS[units]
    lines = [
        "[[mounts.named]]",
        'name = "My spot"',
        "x = {x}",
        "y = {y}",
        f"{key} = {height:g}  # of the sensor above ground",
    ]
    return {
        "title": "This spot",
        "nearest": "Nearest mount tried, {far} away:",
        "none": "No mount was tried.",
        "show": "Show it",
        "add": "To have this very spot judged, add these lines to the plan file and run it again:",
        "copy": "Copy the lines",
        "copied": "Copied",
        "lines": "\n".join(lines),
        "unit": unit,
    }
