"""Copper conductors: what a data sheet's words name, its cross-section and its resistance at 20 degrees C.

By IEC 60228 (solid and stranded, classes 1 and 2: the most allowed) and, for AWG, from the geometry of ASTM B258
with copper of 17.241 nohm m. The table of the National Electrical Code (chapter 9, table 8) holds for 75 degrees C;
it is kept apart, as a check.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

COPPER_NOHM_M = 17.241  # annealed copper at 20 degrees C
# IEC 60228 classes 1 and 2, ohm per km at 20 degrees C; all but 0.75, 1 and 1.5 mm2 from memory
IEC_60228 = {
    0.5: 36.0, 0.75: 24.5, 1.0: 18.1, 1.5: 12.1, 2.5: 7.41, 4.0: 4.61, 6.0: 3.08, 10.0: 1.83, 16.0: 1.15,
}  # fmt: skip
THINNEST_AWG = 40
WAYS = f"'18 AWG' (0 to {THINNEST_AWG}) or '1.5 mm2' (one of {', '.join(f'{a:g}' for a in IEC_60228)})"

# size and number of wires, either first: '18-2 AWG', '18/2', '2 x 18 AWG', '2C/18 AWG', 'AWG 18/2'
UNIT = r"(?:AWG|gauge|ga)\b"
BOTH = r"(\d{1,2})\s*(?:c|cond\w*)?\s*[-/x×*]\s*(\d{1,2})\s*(?:c|cond\w*)?"
PAIR = re.compile(
    rf"(?<![\w.,/-])(?:{BOTH}\s*-?\s*{UNIT}|{UNIT}\s*(?:no\.?|#)?\s*{BOTH}(?![\d.,]|\s*mm))", re.IGNORECASE
)
ALONE = re.compile(rf"\s*#?{BOTH}\s*(?:(?:wire|cable|conductors?)\s*)?", re.IGNORECASE)
THICKEST_OF_TWO = (
    10  # of a cable for sensors; a number under that is the number of wires: common practice, no source
)
NO_MINUS = r"(?<!^-)(?<!\s-)"  # a hyphen within words is none
# '18 AWG', '18-gauge', '18 ga'; else 'AWG 18', 'AWG #18'
BEFORE = re.compile(rf"{NO_MINUS}(?<![\w.,])(\d{{1,2}})\s*-?\s*{UNIT}", re.IGNORECASE)
AFTER = re.compile(r"\b(?:AWG|gauge)\s*(?:no\.?|#)?\s*(\d{1,2})(?![\d.,]*\d|\s*mm)", re.IGNORECASE)
METRIC = re.compile(
    NO_MINUS + r"(?<![\d.,])(\d+(?:[.,]\d+)?)\s*(?:mm\s*(?:\^?\s*2(?!\d)|²)|(?:sq\.?|square)\s*mm\b|mm\s*sq\b)",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Conductor:
    """name as bought; ohm_per_km of one wire at 20 degrees C; area_mm2 of its copper."""

    name: str
    ohm_per_km: float
    area_mm2: float


def awg_diameter_mm(gauge: int) -> float:
    """ASTM B258: 0.127 mm times 92 to the power of (36 - gauge) / 39."""
    return float(0.127 * 92.0 ** ((36 - gauge) / 39.0))


def awg(gauge: int) -> Conductor:
    """A wire by its gauge, from the geometry of ASTM B258."""
    area_mm2 = math.pi / 4.0 * awg_diameter_mm(gauge) ** 2
    return Conductor(f"{gauge} AWG", COPPER_NOHM_M / area_mm2, area_mm2)


def metric(area_mm2: float) -> Conductor:
    """A wire by its cross-section, one of IEC_60228's."""
    return Conductor(f"{area_mm2:g} mm2", IEC_60228[area_mm2], area_mm2)


def conductor(text: str) -> Conductor:
    """The conductor that a data sheet's words name; of two equivalents the thinner.

    Parameters
    ----------
    text
        As printed: '18 AWG', '18-2 AWG', '1.5 mm2'.

    Returns
    -------
    Conductor
        At 20 degrees C.

    Raises
    ------
    ValueError
        None is known, or size and number of wires cannot be told apart.

    Examples
    --------
    >>> conductor("1 mm2 / 18 AWG").name
    '18 AWG'
    """
    whole = ALONE.fullmatch(text)
    written = f"{_size(text, whole[1], whole[2])} AWG" if whole else PAIR.sub(_as_size, text)
    gauges = [int(n) for n in BEFORE.findall(written) or AFTER.findall(written)]
    areas = [float(number.replace(",", ".")) for number in METRIC.findall(text)]
    found = [awg(n) for n in gauges if n <= THINNEST_AWG] + [metric(a) for a in areas if a in IEC_60228]
    if not found:
        raise ValueError(f"'{text}' names no conductor that is known; write {WAYS}")
    return max(found, key=lambda c: c.ohm_per_km)


def _as_size(match: re.Match[str]) -> str:
    one, other = (n for n in match.groups() if n is not None)
    return f"{_size(match[0], one, other)} AWG "


def _size(text: str, one: str, other: str) -> int:
    """The gauge of 'size-wires' or 'wires-size'; the trade writes both."""
    sizes = [int(n) for n in (one, other) if int(n) >= THICKEST_OF_TWO]
    if len(sizes) != 1:
        raise ValueError(
            f"'{text.strip()}' does not say which number is the size and which the number of wires; "
            f"write the size alone, as {WAYS}"
        )
    return sizes[0]
