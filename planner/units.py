"""Units for what people read. Inside, everything is metric and the unit is in the name."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

Units = Literal["us", "metric"]

M_PER_FT = 0.3048  # international foot, exact
M_PER_MILE = 1609.344  # 5280 of these, exact
MM_PER_IN = 25.4  # exact


def fixed(value: float, digits: int = 0) -> str:
    """A number with so many digits after the point and a true minus sign; never minus zero.

    >>> fixed(-0.04, 1), fixed(-2.5, 1), fixed(1234.5)
    ('0.0', '−2.5', '1,234')
    """
    return f"{round(value, digits) + 0.0:,.{digits}f}".replace("-", "−")


def length(value_m: float, units: Units, digits: int = 0) -> str:
    """A length or height.

    Parameters
    ----------
    value_m
        Metres.
    units
        What it is said in.
    digits
        After the point.

    Returns
    -------
    str

    Examples
    --------
    >>> length(12, "metric"), length(12, "us"), length(12, "us", 1)
    ('12 m', '39 ft', '39.4 ft')
    """
    return f"{fixed(value_m / M_PER_FT, digits)} ft" if units == "us" else f"{fixed(value_m, digits)} m"


def distance(value_m: float, units: Units) -> str:
    """How far away something is.

    Parameters
    ----------
    value_m
        Metres.
    units
        What it is said in.

    Returns
    -------
    str
        To the foot or metre when near, else to the mile or kilometre.

    Examples
    --------
    >>> distance(2000, "metric"), distance(2000, "us"), distance(133_000, "us")
    ('2 km', '6,562 ft', '83 miles')
    """
    if units == "us":
        miles = value_m / M_PER_MILE
        return length(value_m, units) if miles < 2 else f"{fixed(miles)} miles"
    return length(value_m, units) if value_m < 2000 else f"{fixed(value_m / 1000)} km"


def eto(value_mm_day: float, units: Units, more_digits: int = 0) -> str:
    """ETo a day. Three digits of inches: bands of 1 mm/day are 0.039 in/day apart.

    Parameters
    ----------
    value_mm_day
        ETo, or a spread of it.
    units
        What it is said in.
    more_digits
        For spreads, in mm/day.

    Returns
    -------
    str

    Examples
    --------
    >>> eto(6.1, "metric"), eto(6.1, "us"), eto(0.72, "metric", 1)
    ('6.1 mm/day', '0.240 in/day', '0.72 mm/day')
    """
    if units == "us":
        return f"{fixed(value_mm_day / MM_PER_IN, 3)} in/day"
    return f"{fixed(value_mm_day, 1 + more_digits)} mm/day"


def rain(value_mm: float, units: Units) -> str:
    """A month's rain: '31 mm' or '1.2 in'."""
    return f"{value_mm / MM_PER_IN:.1f} in" if units == "us" else f"{value_mm:.0f} mm"


def temperature(value_c: float, units: Units) -> str:
    """'24 °C' or '75 °F'."""
    return f"{fixed(value_c * 9 / 5 + 32)} °F" if units == "us" else f"{fixed(value_c)} °C"


def clock(hour: float, units: Units) -> str:
    """A time of day, to the minute: by twelve hours under US units, else by twenty-four.

    Parameters
    ----------
    hour
        From midnight; those of another day are taken off.
    units
        What it is said in.

    Returns
    -------
    str

    Examples
    --------
    >>> clock(15.25, "us"), clock(0, "us"), clock(15.25, "metric"), clock(24, "metric")
    ('3:15 p.m.', '12:00 a.m.', '15:15', '0:00')
    """
    whole, minute = divmod(round(hour * 60) % (24 * 60), 60)
    if units == "us":
        return f"{(whole - 1) % 12 + 1}:{minute:02d} {'a.m.' if whole < 12 else 'p.m.'}"
    return f"{whole}:{minute:02d}"


def percent(share: float) -> str:
    """'84%', and '99.6%' where rounding would claim the whole."""
    return f"{share:.1%}" if 0.99 <= share < 0.9995 else f"{share:.0%}"


def sunlight(share: float) -> str:
    """Share of the open sky's light, to a tenth of a percent and never the whole that rounding would claim.

    >>> sunlight(0.843), sunlight(0.99981), sunlight(1.0)
    ('84.3%', 'over 99.9%', '100.0%')
    """
    return "over 99.9%" if 0.9995 <= share < 1.0 else f"{share:.1%}"


def odds(probability: float) -> str:
    """'93%', and never the certainty that rounding would claim: 'over 99%', 'under 1%'."""
    if probability > 0.99:
        return "over 99%"
    return "under 1%" if probability < 0.01 else f"{probability:.0%}"


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")  # in tables
MONTH_NAMES = (  # in sentences
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def months(flags: Iterable[object]) -> str:
    """Months in words, on over the year's end where needed.

    Parameters
    ----------
    flags
        12 booleans, January first.

    Returns
    -------
    str

    Examples
    --------
    >>> months([True, True] + [False] * 9 + [True])
    'December through February'
    """
    on = [bool(f) for f in flags]
    if all(on):
        return "all year"
    runs = []
    for k in range(12):
        if on[k] and not on[k - 1]:
            n = 1
            while on[(k + n) % 12]:
                n += 1
            last = MONTH_NAMES[(k + n - 1) % 12]
            runs.append(MONTH_NAMES[k] if n == 1 else f"{MONTH_NAMES[k]} {'and' if n == 2 else 'through'} {last}")
    return ", ".join(runs) if runs else "no month"
