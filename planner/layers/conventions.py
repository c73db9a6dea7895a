"""What a layer's file says of itself: units, variables and months by the CF conventions (cfconventions.org).

Names of variables are those of CF's standard names and of the CMIP data request, which most climate services use.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np

from planner.months import MONTH_DAYS

# as files write them (UDUNITS, spaces and case put aside) to as a plan does
_UNITS = {
    "k": "K",
    "kelvin": "K",
    "degk": "K",
    "c": "C",
    "°c": "C",
    "degc": "C",
    "celsius": "C",
    "degreec": "C",
    "degreecelsius": "C",
    "degreescelsius": "C",
    "degf": "F",
    "f": "F",
    "degreefahrenheit": "F",
    "w/m2": "W/m2",
    "wm-2": "W/m2",
    "w/m^2": "W/m2",
    "wm**-2": "W/m2",
    "mj/m2/day": "MJ/m2/day",
    "mjm-2day-1": "MJ/m2/day",
    "mjm-2d-1": "MJ/m2/day",
    "mj/m^2/day": "MJ/m2/day",
    "kjm-2day-1": "kJ/m2/day",
    "kj/m2/day": "kJ/m2/day",
    "m/s": "m/s",
    "ms-1": "m/s",
    "ms**-1": "m/s",
    "km/h": "km/h",
    "kmh-1": "km/h",
    "mph": "mph",
    "%": "%",
    "percent": "%",
    "1": "1",
    "pa": "Pa",
    "hpa": "hPa",
    "mbar": "hPa",
    "millibars": "hPa",
    "kpa": "kPa",
    "mm/day": "mm/day",
    "mmday-1": "mm/day",
    "mmd-1": "mm/day",
    "mm/month": "mm/month",
    "mmmonth-1": "mm/month",
    "kgm-2s-1": "kg/m2/s",
    "kgm-2day-1": "mm/day",
    "in/day": "in/day",
    "in/month": "in/month",
}

# by quantity: names of variables, and (standard name, what cell_methods must hold)
_NAMES: dict[str, tuple[tuple[str, ...], tuple[tuple[str, str], ...]]] = {
    "eto": (("eto", "et0", "pet", "evspsblpot"), (("water_potential_evapotranspiration_amount", ""),)),
    "tmin": (("tasmin", "tmin", "tmn", "tmmn"), (("air_temperature", "minimum"),)),
    "tmax": (("tasmax", "tmax", "tmx", "tmmx"), (("air_temperature", "maximum"),)),
    "tmean": (("tas", "tmean", "tavg", "tmp", "t2m"), (("air_temperature", "mean"),)),
    "radiation": (("rsds", "srad"), (("surface_downwelling_shortwave_flux_in_air", ""),)),
    "wind": (("sfcwind", "wind", "vs"), (("wind_speed", ""),)),
    "rh_min": (("hursmin",), (("relative_humidity", "minimum"),)),
    "rh_max": (("hursmax",), (("relative_humidity", "maximum"),)),
    "rh_mean": (("hurs",), (("relative_humidity", "mean"),)),
    "dew_point": (("tdps", "d2m", "tdmean"), (("dew_point_temperature", ""),)),
    "vapour_pressure": (("vap", "vapr"), (("water_vapor_partial_pressure_in_air", ""),)),
    "rain": (("pr", "prec", "ppt", "tp", "pre"), (("precipitation_amount", ""), ("precipitation_flux", ""))),
}


def unit(text: str) -> str | None:
    """A file's unit as a plan writes it, None where it is not one of them."""
    return _UNITS.get(re.sub(r"[\s.·_]+", "", text.strip().lower().replace("_", "")))


def variable(quantity: str, found: Mapping[str, Mapping[str, str]]) -> str | None:
    """The one variable of a file (name to attributes) that holds a quantity; None where none, or several, do."""
    names, standard = _NAMES.get(quantity, ((), ()))
    by_name = [name for name in found if name.lower() in names]
    by_standard = [
        name
        for name, told in found.items()
        if any(told.get("standard_name") == s and how in told.get("cell_methods", how) for s, how in standard)
    ]
    for some in (by_standard, by_name):
        if len(some) == 1:
            return some[0]
    return None


_LONG = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
         "november", "december")  # fmt: skip


def months_in_words(texts: Sequence[str]) -> list[int] | None:
    """Months (0 to 11) of 12 bands by their descriptions ("Jul", "pet_07"), where these name each month once, in an
    order that is not the year's; None otherwise.
    """
    found = [_month_in(text) for text in texts]
    named = [month for month in found if month is not None]
    return named if sorted(named) == list(range(12)) and named != list(range(12)) else None


def _month_in(text: str) -> int | None:
    words = [word for word in re.split(r"[^a-z]+", text.lower()) if len(word) >= 3]
    named = {k for word in words for k, name in enumerate(_LONG) if name.startswith(word)}
    if not named:
        named = {int(number) - 1 for number in re.findall(r"(?<!\d)(?:0?[1-9]|1[0-2])(?!\d)", text)}
    return named.pop() if len(named) == 1 else None


def months(values: Sequence[float], units: str, calendar: str) -> list[int] | None:
    """Months (0 to 11) of a time axis in CF's words ("days since 1981-01-16"); None where they cannot be told."""
    said = re.match(
        r"\s*(month|day|hour|minute|second)s?\s+since\s+(\d{1,4})-(\d{1,2})(?:-(\d{1,2}))?", units, re.I
    )
    if said is None:
        return None
    unit_, year, month, day = said[1].lower(), int(said[2]), int(said[3]), int(said[4] or 1)
    if not 1 <= month <= 12:
        return None
    if unit_ == "month":
        return [(month - 1 + int(np.floor(v))) % 12 for v in values]
    days = [v / {"day": 1, "hour": 24, "minute": 1440, "second": 86400}[unit_] for v in values]
    if calendar == "360_day":
        return [int((month - 1) + (day - 1 + v) // 30) % 12 for v in days]
    if calendar in ("noleap", "365_day"):
        starts = np.concatenate([[0], np.cumsum(MONTH_DAYS)])
        return [int(np.searchsorted(starts, (starts[month - 1] + day - 1 + v) % 365, "right")) - 1 for v in days]
    # year 0 and 1 stand for "a mean year" in files of normals; the calendar's day is still right to a day or two
    start = np.datetime64(f"{max(year, 1):04d}-{month:02d}-{day:02d}T00", "h")
    return [
        int((start + np.timedelta64(round(v * 24), "h")).astype("datetime64[M]").astype(int) % 12) for v in days
    ]
