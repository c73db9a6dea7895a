"""Water budgets as optional checks. A local rule wins over each of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from planner.months import MONTH_DAYS
from planner.programme.runtime import L_PER_GAL, M2_PER_FT2
from planner.programme.stations import Stations
from planner.site import Floats
from planner.units import MM_PER_IN

Budget = Literal["mwelo residential", "mwelo non-residential", "epa"]
# A depth of one inch on one square foot, gallons: 144 / 231 = 0.6234; MWELO prints 0.62.
MWELO_GAL = 0.62
MWELO_ETAF = {"mwelo residential": 0.55, "mwelo non-residential": 0.45}
MWELO_OVERHEAD, MWELO_DRIP = 0.75, 0.81
EPA_FACTOR = 0.70


def mawa_gal(eto_in: float, area_ft2: float, special_ft2: float, etaf: float) -> float:
    """Maximum applied water allowance of a year, gallons: 23 CCR 490-495 (2015), Appendix B.

    area_ft2 holds special_ft2 (food, recreation, recycled water), whose factor is 1. eto_in: the year's.
    """
    return eto_in * MWELO_GAL * (etaf * area_ft2 + (1.0 - etaf) * special_ft2)


def etwu_gal(eto_in: float, factor: Floats, efficiency: Floats, area_ft2: Floats) -> float:
    """Estimated total water use of a year, gallons, over hydrozones (n,): 23 CCR 490-495 (2015), Appendix B."""
    return float(eto_in * MWELO_GAL * np.sum(np.asarray(factor) / np.asarray(efficiency) * np.asarray(area_ft2)))


def epa_allowance_gal(peak_eto_in: float, area_ft2: float) -> float:
    """Allowance of the peak month, gallons: 70% of ETo on the landscaped area (EPA 2009)."""
    return EPA_FACTOR * peak_eto_in * area_ft2 * 144.0 / 231.0


@dataclass(frozen=True)
class BudgetCheck:
    """Water allowed and water estimated, liters, over a year or a peak month; unknown: stations with no area."""

    rule: Budget
    allowed_l: float
    estimated_l: float
    area_m2: float
    unknown: tuple[str, ...]

    @property
    def passes(self) -> bool:
        return self.estimated_l <= self.allowed_l


def check_budget(rule: Budget, stations: Stations, eto_mm_day: Floats, peak_month: int) -> BudgetCheck:
    """A water budget over all stations of known area.

    MWELO takes its own efficiencies (0.75 overhead, 0.81 drip), not the stations'. No special landscape area is
    taken: a site that has one is allowed more.

    Parameters
    ----------
    rule
        Whose budget: 'epa', or one of MWELO's.
    stations
        n of them, without gaps.
    eto_mm_day
        (12,).
    peak_month
        0 to 11: EPA's budget is for the peak month, MWELO's for the year.

    Returns
    -------
    BudgetCheck
        Liters allowed and estimated, and the stations left out.
    """
    known = np.isfinite(stations.area_m2)
    area = np.where(known, stations.area_m2, 0.0) / M2_PER_FT2
    unknown = tuple(name for name, here in zip(stations.table.names, known, strict=True) if not here)
    months_in = np.asarray(eto_mm_day) * MONTH_DAYS / MM_PER_IN
    if rule == "epa":
        allowed = epa_allowance_gal(float(months_in[peak_month]), float(area.sum()))
        use = stations.factor[:, peak_month] * stations.multiplier
        estimated = float(months_in[peak_month] * (use * area).sum() * 144.0 / 231.0)
    else:
        year_in = float(months_in.sum())
        allowed = mawa_gal(year_in, float(area.sum()), 0.0, MWELO_ETAF[rule])
        mean = (stations.factor * months_in).sum(axis=1) / max(year_in, 1e-9)
        efficiency = np.where(stations.overhead, MWELO_OVERHEAD, MWELO_DRIP)
        estimated = etwu_gal(year_in, mean, efficiency, area)
    return BudgetCheck(rule, allowed * L_PER_GAL, estimated * L_PER_GAL, float(area.sum() * M2_PER_FT2), unknown)
