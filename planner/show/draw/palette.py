"""Our colours, in one place: Python draws with them and the pages take them as CSS variables.

Every ramp runs from light to dark, so that it reads in grey and with any kind of colour vision; whatever colour
says is said once more by shape, outline, pattern or words.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

INK = "#1f2a30"
QUIET = "#56626a"
RULE = "#dad6cb"
PAPER = "#f6f4ee"
CARD = "#ffffff"
MARK = "#b93c12"  # the decision, and nothing else
SEASON = "#2b6079"  # months that irrigation runs
OFF_SEASON = "#c3ccd0"
SKY = "#eef2f4"
HORIZON = "#57534a"
VEIL = "#7c8f63"
SUN = "#a86a08"
LOST = "#ff9d3c"  # sun behind what is opaque: light on HORIZON, where it is drawn
RULED_OUT = "#8b8f92"
OUTLINE = "#1f2a30"
EVERGREEN = "#2f6148"
DECIDUOUS = "#7f9a4e"
SPRAY = "#0f7282"
HEAT = "#8f3a2b"
NO_ACCESS = "#4a4648"
FRESNEL = "#e3d3dd"
CABLE = "#6d4a86"

SCORE = ("#dbe2ef", "#a9bddc", "#6b90c6", "#3363a8", "#122f66")  # poor to good
STONE = ("#e3dccd", "#cbbfa8", "#aa9a7f", "#80705a")  # low to tall buildings
SHADE = ("#fbf3d6", "#ecd9a3", "#bfae98", "#7d8091", "#3d4560", "#1b2138")  # all light kept to little
RAIN = ("#cad8d7", "#a9c1c4", "#7fa0a8", "#4a7482", "#1f4654")  # WMO-No. 8 precipitation class 1 to 5
LINK = ("#f3e9ee", "#d9b3c6", "#9c6c98", "#4d3a6a")  # no link to dependable
DRY = ("#f3ecd2", "#e9cd8d", "#d99c57", "#b76544", "#7d3b4b", "#432247")  # little to much ETo


# What stands in for each on a screen that is set to dark. Ramps keep their colours: they are read against a key.
DARK = {
    INK: "#e9ecea",
    QUIET: "#a8b3b9",
    RULE: "#3d474d",
    PAPER: "#14181b",
    CARD: "#1d2327",
    MARK: "#ff8d63",
    SEASON: "#86c3e0",
    OFF_SEASON: "#56636a",
    SKY: "#262d32",
    EVERGREEN: "#74b693",
    DECIDUOUS: "#a9c46f",
    SPRAY: "#48b4c6",
    HEAT: "#ec8a75",
    NO_ACCESS: "#bdb8ba",
    CABLE: "#c29fdc",
}


def css_variables(*, dark: bool = False) -> str:
    """`:root { --ink: ...; }` for the pages; with `dark`, other values where the reader's screen is set to dark.

    Marks and pictures keep the light ones: they stand on paper of their own, and their captions name its colours.
    """
    names = {k.lower().replace("_", "-"): v for k, v in globals().items() if k.isupper() and isinstance(v, str)}
    if not dark:
        return _rule(":root", names)
    night = _rule(":root", {name: DARK[colour] for name, colour in names.items() if colour in DARK})
    return _rule(":root,.mark,svg", names) + "@media screen and (prefers-color-scheme: dark){" + night + "}"


def _rule(selector: str, names: dict[str, str]) -> str:
    return selector + "{" + "".join(f"--{name}:{colour};" for name, colour in names.items()) + "}"


def ramp_rgb(ramp: Sequence[str], share: NDArray[np.float64] | float) -> NDArray[np.uint8]:
    """Colours (..., 3) at shares 0 to 1 of a ramp, linear between its stops; NaN gives black."""
    stops = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in ramp], float)
    at = np.clip(np.nan_to_num(np.asarray(share, float)), 0, 1) * (len(ramp) - 1)
    mixed = np.stack([np.interp(at, np.arange(len(ramp)), stops[:, k]) for k in range(3)], axis=-1)
    return np.round(mixed).astype(np.uint8)


def ramp_hex(ramp: Sequence[str], share: float) -> str:
    """One colour of a ramp as `#rrggbb`."""
    red, green, blue = ramp_rgb(ramp, share)
    return f"#{red:02x}{green:02x}{blue:02x}"


def dryness(eto_mm_day: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Share of the ramp DRY for a peak month's ETo, the same in every map and table: half at 6 mm/day, steepest
    there, and never quite at an end, so that no two zones look the same."""
    return np.asarray(0.5 + 0.5 * np.tanh((np.asarray(eto_mm_day, float) - 6.0) / 4.0))


def zone_colours(peak_mm_day: NDArray[np.float64]) -> list[str]:
    """Colour of each row of a zone table by the zone's own peak; the driest is the darkest."""
    return [ramp_hex(DRY, float(share)) for share in dryness(peak_mm_day)]
