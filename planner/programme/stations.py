"""Stations as the user's table gives them, and as they are reckoned with: gaps filled, every filling marked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.programme import knowledge
from planner.programme.knowledge import Known, Mark
from planner.programme.runtime import precipitation_rate_mm_h, run_time_multiplier
from planner.readings import StationTable
from planner.site import Bools, Floats


@dataclass(frozen=True)
class Stations:
    """n stations to reckon with, one row each as in `table`; rate NaN where nothing tells it.

    factor (n, 12); multiplier (n,): by which net minutes are lengthened. basis: by quantity (`rate`, `multiplier`,
    `factor`, `soil`, `root`, `depletion`) how each station's number is known.
    """

    table: StationTable
    rate_mm_h: Floats
    area_m2: Floats
    flow_l_min: Floats
    multiplier: Floats
    factor: Floats
    intake_mm_h: Floats
    surface_mm: Floats
    available_mm_m: Floats
    root_m: Floats
    depletion: Floats
    basis: Mapping[str, tuple[Known, ...]]

    def __len__(self) -> int:
        return len(self.table)

    @property
    def overhead(self) -> Bools:
        """(n,) False where water comes out at the soil, whose intake then does not part the run into cycles."""
        return np.array([kind not in ("drip", "bubbler") for kind in self.table.kind], bool)

    def assumed(self, quantity: str) -> Bools:
        """(n,) where a quantity rests on a default."""
        return np.array([k.mark not in (Mark.GIVEN, Mark.WORKED_OUT) for k in self.basis[quantity]], bool)


def _given(value: float) -> Known:
    return Known(float(value), Mark.GIVEN, "")


def settle(table: StationTable, soil: str, plant_factor: float) -> Stations:
    """Fill a table's gaps, each value marked with where it comes from.

    Parameters
    ----------
    table
        n stations as typed. That none has both a uniformity and an efficiency was seen to as it was made.
    soil
        Name in `knowledge.SOILS` for stations that have none.
    plant_factor
        For those with neither a factor nor a known plant.

    Returns
    -------
    Stations
    """
    n = len(table)
    known: dict[str, list[Known]] = {
        key: [] for key in ("rate", "multiplier", "factor", "soil", "root", "depletion")
    }
    rate, area, flow = (a.copy() for a in (table.rate_mm_h, table.area_m2, table.flow_l_min))
    factor = np.empty((n, 12))
    multiplier, root, depletion = np.empty(n), np.empty(n), np.empty(n)
    intake, surface, available = np.empty(n), np.empty(n), np.empty(n)
    for k in range(n):
        known["rate"].append(_rate(table, k))
        rate[k] = known["rate"][-1].value
        if np.isnan(flow[k]) and np.isfinite(rate[k] * area[k]):
            flow[k] = rate[k] * area[k] / 60.0
        if np.isnan(area[k]) and np.isfinite(flow[k]) and rate[k] > 0:
            area[k] = 60.0 * flow[k] / rate[k]
        known["multiplier"].append(_multiplier(table, k))
        multiplier[k] = known["multiplier"][-1].value
        plant = knowledge.PLANTS.get(table.plant[k])
        if np.isfinite(table.factor[k]):
            factor[k] = table.factor[k]
            known["factor"].append(_given(table.factor[k]))
        elif plant is not None:
            factor[k] = plant.months()
            known["factor"].append(plant.factor_known)
        else:
            factor[k] = plant_factor
            known["factor"].append(Known(plant_factor, Mark.PRACTICE, "programme.plant_factor"))
        root[k], depletion[k] = (
            _take(given, default, known[key])
            for given, default, key in (
                (table.root_m[k], plant.root if plant else knowledge.OTHER_PLANT_ROOT, "root"),
                (table.depletion[k], plant.depletion if plant else knowledge.OTHER_PLANT_DEPLETION, "depletion"),
            )
        )
        earth = knowledge.SOILS[table.soil[k] or soil]
        mark = Mark.SECOND_HAND if table.soil[k] else Mark.PRACTICE
        intake[k], surface[k], available[k] = earth.intake_mm_h, earth.surface_mm, earth.available_mm_m
        if np.isfinite(table.intake_mm_h[k]):
            intake[k], mark = table.intake_mm_h[k], Mark.GIVEN
            if not table.soil[k]:
                surface[k] = _surface(intake[k])
        known["soil"].append(Known(intake[k], mark, table.soil[k] or soil))
    return Stations(
        table,
        rate,
        area,
        flow,
        multiplier,
        factor,
        intake,
        surface,
        available,
        root,
        depletion,
        {key: tuple(values) for key, values in known.items()},
    )


def _take(given: float, default: Known, known: list[Known]) -> float:
    known.append(_given(given) if np.isfinite(given) else default)
    return known[-1].value


def _rate(table: StationTable, k: int) -> Known:
    if np.isfinite(table.rate_mm_h[k]):
        return _given(table.rate_mm_h[k])
    if table.flow_l_min[k] > 0 and table.area_m2[k] > 0:
        return Known(
            float(precipitation_rate_mm_h(table.flow_l_min[k], table.area_m2[k])), Mark.WORKED_OUT, "flow and area"
        )
    return knowledge.RATES_MM_H.get(table.kind[k], Known(np.nan, Mark.NONE, ""))


def _multiplier(table: StationTable, k: int) -> Known:
    if np.isfinite(table.efficiency[k]):
        return Known(1.0 / table.efficiency[k], Mark.GIVEN, "efficiency")
    if np.isfinite(table.uniformity[k]):
        return Known(float(run_time_multiplier(table.uniformity[k])), Mark.GIVEN, "uniformity")
    default = knowledge.UNIFORMITY[table.kind[k]]
    return Known(float(run_time_multiplier(default.value)), default.mark, default.source)


def _surface(intake_mm_h: float) -> float:
    """Surface storage for an intake rate: between the textures' own pairs, held at their ends."""
    soils = sorted(knowledge.SOILS.values(), key=lambda s: s.intake_mm_h)
    return float(np.interp(intake_mm_h, [s.intake_mm_h for s in soils], [s.surface_mm for s in soils]))
