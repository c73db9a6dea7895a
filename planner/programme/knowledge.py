"""What stands in where the station table is silent: soils, plants, emission devices, each with how it is known.

A mark says how a number came to us, because a run time is only as good as its weakest default.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from planner.units import MM_PER_IN


class Mark(StrEnum):
    """How a number is known."""

    GIVEN = "given"
    WORKED_OUT = "worked out"  # from others in the table
    READ = "published"  # read in the source itself
    SECOND_HAND = "second hand"  # read in a source that cites it
    PRACTICE = "common practice, no source"
    MEMORY = "from memory, not checked"
    NONE = "none"  # nothing is known, and there is no default


@dataclass(frozen=True)
class Known:
    value: float
    mark: Mark
    source: str


@dataclass(frozen=True)
class Soil:
    """Basic intake and surface storage on flat ground, and water held between field capacity and wilting point."""

    intake_mm_h: float
    surface_mm: float
    available_mm_m: float
    available: Mark


def _soil(intake_in_h: float, surface_in: float, available_in_ft: float, mark: Mark) -> Soil:
    return Soil(intake_in_h * MM_PER_IN, surface_in * MM_PER_IN, available_in_ft * MM_PER_IN / 0.3048, mark)


# Intake and surface storage on flat ground: two public exercises, second hand; which texture has which, from
# memory. No source for slopes was found. Available water: middles of the ranges of NRCS Wyoming (loam, silt loam,
# sandy clay loam, read) and of the NRCS feel-and-appearance guide of 1998 (the others, from memory).
SOILS: Mapping[str, Soil] = {
    "clay": _soil(0.10, 0.20, 2.0, Mark.MEMORY),
    "silty clay": _soil(0.15, 0.23, 2.0, Mark.MEMORY),
    "clay loam": _soil(0.20, 0.26, 2.0, Mark.MEMORY),
    "loam": _soil(0.35, 0.30, 1.8, Mark.READ),
    "sandy loam": _soil(0.40, 0.33, 1.5, Mark.MEMORY),
    "loamy sand": _soil(0.50, 0.36, 0.9, Mark.MEMORY),
    "sand": _soil(0.60, 0.40, 0.9, Mark.MEMORY),
}
SOIL_ALSO = {
    "silt loam": "loam",
    "silt": "loam",
    "sandy clay loam": "loam",
    "silty clay loam": "clay loam",
    "sandy clay": "clay loam",
    "fine sandy loam": "sandy loam",
    "fine sand": "sand",
    "coarse sand": "sand",
    "loamy fine sand": "loamy sand",
}


@dataclass(frozen=True)
class Plant:
    """A plant category: factor of ETo by month (one number stands for all), root depth, allowed depletion."""

    factor: tuple[float, ...]
    factor_known: Known
    root: Known
    depletion: Known

    def months(self) -> tuple[float, ...]:
        return self.factor if len(self.factor) == 12 else self.factor * 12


_TURF_ROOT = Known(0.2032, Mark.READ, "UC IPM: wet the top 6 to 8 in")
_SHRUB_ROOT = Known(0.4572, Mark.PRACTICE, "18 in")
_TREE_ROOT = Known(0.762, Mark.PRACTICE, "30 in")
_HALF = Known(0.5, Mark.PRACTICE, "half of the available water")
_COOL = Known(0.4, Mark.SECOND_HAND, "FAO-56 Table 22, cool-season turf")
_WARM = Known(0.5, Mark.SECOND_HAND, "FAO-56 Table 22, warm-season turf")
_UC = "UC Center for Landscape and Urban Horticulture, Table 1, after Meyer et al. (1985)"
_UC_COOL = (0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60)
_UC_WARM = (0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55)
_S623 = "ANSI/ASABE S623.1"


def _plant(factor: float, mark: Mark, source: str, root: Known, depletion: Known = _HALF) -> Plant:
    return Plant((factor,), Known(factor, mark, source), root, depletion)


PLANTS: Mapping[str, Plant] = {
    "cool turf": _plant(0.8, Mark.SECOND_HAND, _S623, _TURF_ROOT, _COOL),
    "warm turf": _plant(0.6, Mark.SECOND_HAND, _S623, _TURF_ROOT, _WARM),
    "cool turf by month": Plant(_UC_COOL, Known(0.8, Mark.READ, _UC), _TURF_ROOT, _COOL),
    "warm turf by month": Plant(_UC_WARM, Known(0.6, Mark.READ, _UC), _TURF_ROOT, _WARM),
    "trees, low humidity": _plant(0.5, Mark.READ, "Beeson et al. (ASHS 2014)", _TREE_ROOT),
    "trees, high humidity": _plant(0.7, Mark.READ, "Beeson et al. (ASHS 2014)", _TREE_ROOT),
    "shrubs, low humidity": _plant(0.5, Mark.MEMORY, "ANSI/ASABE S623.1", _SHRUB_ROOT),
    "shrubs, high humidity": _plant(0.7, Mark.MEMORY, "ANSI/ASABE S623.1", _SHRUB_ROOT),
    "desert plants": _plant(0.3, Mark.SECOND_HAND, _S623, _SHRUB_ROOT),
    "annual flowers": _plant(0.8, Mark.MEMORY, "ANSI/ASABE S623.1", _TURF_ROOT),
    "high": _plant(0.8, Mark.READ, "WUCOLS IV: 70 to 90% of ETo, its middle", _SHRUB_ROOT),
    "moderate": _plant(0.5, Mark.READ, "WUCOLS IV: 40 to 60% of ETo, its middle", _SHRUB_ROOT),
    "low": _plant(0.2, Mark.READ, "WUCOLS IV: 10 to 30% of ETo, its middle", _SHRUB_ROOT),
    "very low": _plant(0.1, Mark.READ, "WUCOLS IV: under 10% of ETo, its upper end", _SHRUB_ROOT),
}
PLANT_ALSO = {
    "turf": "cool turf",
    "cool season turf": "cool turf",
    "cool-season turf": "cool turf",
    "fescue": "cool turf",
    "warm season turf": "warm turf",
    "warm-season turf": "warm turf",
    "bermuda": "warm turf",
    "trees": "trees, low humidity",
    "shrubs": "shrubs, low humidity",
    "ground cover": "shrubs, low humidity",
    "groundcover": "shrubs, low humidity",
    "flowers": "annual flowers",
    "annuals": "annual flowers",
    "desert": "desert plants",
    "medium": "moderate",
}
OTHER_PLANT_ROOT, OTHER_PLANT_DEPLETION = _SHRUB_ROOT, _HALF

KINDS = ("spray", "rotor", "drip", "bubbler")
# Rates that stand in where neither a rate nor flow and area is given.
RATES_MM_H: Mapping[str, Known] = {
    "spray": Known(1.5 * MM_PER_IN, Mark.PRACTICE, "1.5 in/h"),
    "rotor": Known(0.5 * MM_PER_IN, Mark.PRACTICE, "0.5 in/h"),
}
UNIFORMITY: Mapping[str, Known] = {
    "spray": Known(0.65, Mark.MEMORY, "EPA WaterSense budget tool, fixed spray"),
    "rotor": Known(0.70, Mark.MEMORY, "EPA WaterSense budget tool, rotor"),
    "drip": Known(0.70, Mark.MEMORY, "EPA WaterSense budget tool, drip"),
    "bubbler": Known(0.70, Mark.PRACTICE, "as drip"),
    "": Known(0.65, Mark.READ, "least asked of new homes (EPA WaterSense 1.1)"),
}
