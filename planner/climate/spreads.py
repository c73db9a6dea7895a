"""How far off the peak month's ETo is, by how it was found: standard deviations in mm/day.

What is said to be measured was measured by data/fit_eto_estimate.py, with regions counted alike.
"""

from __future__ import annotations

from collections.abc import Collection
from types import MappingProxyType

import numpy as np

from planner.site import Floats

# `layer`: gridMET cells 25 km apart differ by 0.32 in July over Montana (RMS), cells 4 km apart by 0.13; what a
# grid misses at a site is taken to be of that size: an assumption. `one year`: standard deviation of June's mean
# from year to year at Maricopa, Arizona (AZMET 2003-2020); the months of a typical year are picked to be nearer the
# mean than that. `hargreaves`: with a place's own daily range, 72 places in 37 regions.
SPREAD_MM_DAY = MappingProxyType({"layer": 0.35, "formula": 0.10, "hargreaves": 0.79, "one year": 0.36})

# Penman-Monteith without some of the weather, against itself with all of it: 30 places in 12 regions; without all
# three against ETo known otherwise, 72 places in 37. Their errors go together, so they do not add in quadrature.
_WITHHELD_MM_DAY = {
    frozenset[str](): 0.0,
    frozenset({"radiation"}): 0.37,
    frozenset({"humidity"}): 0.68,
    frozenset({"wind"}): 0.41,
    frozenset({"radiation", "humidity"}): 1.05,
    frozenset({"radiation", "wind"}): 0.76,
    frozenset({"humidity", "wind"}): 0.80,
    frozenset({"radiation", "humidity", "wind"}): 0.97,
}

# The built-in estimate: a share of itself, each of 43 regions estimated from the others (80 places). That share of
# its variance which the places of a region have in common.
ESTIMATE_SHARE = 0.099
ESTIMATE_SHARED = 0.46

TEMPERATURE_WAY_MM_DAY = 1.11
DESCRIPTION_WAY_MM_DAY = 1.12
HOTTEST_MONTH_C = 1.25  # of the built-in layer's hottest month, lapsed to the ground, 72 stations in 37 regions

# How much July's ETo differs between cells so far apart, mm/day RMS, along rows and columns (gridMET, Montana).
# What stands in for a site from farther away is taken to be off by that; beyond the last nothing was measured.
APART_KM = (0.0, 4.0, 9.0, 13.0, 25.0, 50.0, 100.0, 150.0)
APART_MM_DAY = (0.0, 0.13, 0.22, 0.26, 0.32, 0.38, 0.44, 0.49)


def joint_spread_mm_day(*causes: str) -> float:
    """Causes of SPREAD_MM_DAY in quadrature."""
    return float(np.sqrt(sum(SPREAD_MM_DAY[cause] ** 2 for cause in causes)))


def penman_monteith_spread_mm_day(missing: Collection[str]) -> float:
    """Of Penman-Monteith from layers without what is missing among "radiation", "humidity" and "wind"."""
    return float(np.hypot(joint_spread_mm_day("layer", "formula"), _WITHHELD_MM_DAY[frozenset(missing)]))


def estimate_spread_mm_day(eto_mm_day: Floats) -> Floats:
    """(n,) of the built-in estimate (n, 12): a share of the peak, and never less than an ETo layer's own."""
    peak = eto_mm_day.max(axis=1, initial=0.0)
    return np.asarray(np.maximum(ESTIMATE_SHARE * peak, SPREAD_MM_DAY["layer"]), np.float64)
