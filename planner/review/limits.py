"""How large an error must be before a log can show it. Said before any verdict.

All spreads are in units of the natural logarithm of logged over expected: 0.1 is about a tenth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from planner.site import Floats

POWER_Z = 1.645  # an error at the limit is found in 95 of 100 cases

# Spread (%) of means of 3, 7, 14 and 30 days of ETo about the smooth normal in the three peak months, and of the
# whole season between years; with the peak month's ETo, mm/day. Worked out from daily records: AZMET Maricopa
# 2003-2020; FAO-56 for Graz 2000-2021 and De Bilt 1980-2019; the station files of aquacrop 3.1.0.
_DAYS = (3, 7, 14, 30)
_RECORDS = (
    ("Brussels", 3.3, (34, 27, 22, 16), 8.5),
    ("De Bilt", 3.4, (28, 22, 18, 14), 8.5),
    ("Graz", 4.0, (25, 18, 14, 10), 6.0),
    ("Cambridge", 4.1, (23, 18, 14, 10), 4.5),
    ("Tunis", 6.5, (12, 9, 7, 5), 4.3),
    ("Champion, Nebraska", 6.5, (23, 16, 13, 10), 6.0),
    ("Hyderabad", 6.7, (17, 13, 10, 8), 4.3),
    ("Cordoba, Argentina", 7.0, (20, 13, 10, 8), 4.3),
    ("Maricopa, Arizona", 8.8, (12, 9, 7, 5), 2.8),
)
RHO = 0.2  # from one day to the next; 0.1 to 0.3 between UK county series, May to September


def threshold_z(false_alarms: float, looks: int, cases: float = 1.0) -> float:
    """How many standard deviations a season's false-alarm budget asks of each look.

    false_alarms: allowed a season; looks: that share it; cases: places within a look at which the same is asked
    (Bonferroni, so on the careful side). One look and 0.02 give 2.326.
    """
    return float(-ndtri(false_alarms / looks / cases / 2.0))


def limit_ln(spread: float, z: float) -> float:
    """Smallest error that is found in 95 of 100 cases: 3.97 spreads for one look at 2% false alarms."""
    return (z + POWER_Z) * spread


def as_percent(ln: float) -> tuple[float, float]:
    """A limit in percent: reading high, and reading low (49% up is 33% down)."""
    return 100.0 * float(np.expm1(ln)), 100.0 * float(-np.expm1(-ln))


def mean_spread(day_sd: float, days: float) -> float:
    """Spread of a mean over `days` whose daily noise hangs together by RHO."""
    return float(day_sd * np.sqrt((1.0 + RHO) / (1.0 - RHO) / max(days, 1.0)))


def smoothed_share(trailing: int) -> float:
    """Spread of a trailing mean of so many days over that of one day."""
    lags = np.arange(1, trailing)
    return float(np.sqrt((trailing + 2.0 * ((trailing - lags) * RHO**lags).sum()) / trailing**2))


def normals_spread(peak_mm_day: float, days: float) -> tuple[float, str]:
    """Spread of a mean of `days` days of weather about the normals, and whose records say so.

    Where weather of the days is not known the weather itself is the noise. Of the two records whose peak months
    are nearest, the wider one is taken.
    """
    near = sorted(_RECORDS, key=lambda r: abs(np.log(r[1] / peak_mm_day)))[:2]
    found = [(_at(r, days), r[0]) for r in near]
    spread, name = max(found)
    return spread, name


def _at(record: tuple[str, float, tuple[int, ...], float], days: float) -> float:
    """Between the record's lengths in the logarithm of both; past 30 days on the last slope, down to a season's."""
    x, y = np.log(_DAYS), np.log(np.array(record[2]) / 100.0)
    at = np.log(max(days, _DAYS[0]))
    slope = (y[-1] - y[-2]) / (x[-1] - x[-2])
    ln = y[-1] + slope * (at - x[-1]) if at > x[-1] else float(np.interp(at, x, y))
    return max(float(np.exp(ln)), record[3] / 100.0)


@dataclass(frozen=True)
class Limit:
    """What this log can show: `days` judged, by which weather, and the smallest error seen in 95 of 100 cases.

    spread: of the level, in ln; constant_sd: its part that no length takes away; z: asked of each look. high, low:
    percent, reading high and reading low; inf where nothing is judged. records: whose records gave the spread where
    only normals are known, else ''.
    """

    days: int
    daily_weather: bool
    spread: float
    constant_sd: float
    z: float
    records: str = ""

    @property
    def ln(self) -> float:
        return limit_ln(self.spread, self.z) if self.days else np.inf

    @property
    def high(self) -> float:
        return as_percent(self.ln)[0] if self.days else np.inf

    @property
    def low(self) -> float:
        return as_percent(self.ln)[1] if self.days else np.inf


def robust_day_sd(residual: Floats, trailing: int) -> float:
    """A day's noise as the log itself shows it, from differences `trailing` days apart; 0 for under ten of them.

    A level or a step moves few of these differences, so it does not hide in its own noise.
    """
    apart = residual[trailing:] - residual[:-trailing]
    apart = apart[np.isfinite(apart)]
    if len(apart) < 10:
        return 0.0
    middle = float(np.median(np.abs(apart - np.median(apart))))
    return 1.4826 * middle / float(np.sqrt(2.0)) / smoothed_share(trailing)
