"""Precipitation rate, run time, cycle and soak, interval, pipe velocity: one formula a function.

Every function takes numbers or arrays and broadcasts; the unit is in the name. Where a formula was not read in a
standard its line says what it rests on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from planner.site import Floats

L_PER_GAL = 3.785411784  # US liquid gallon of 231 cubic inches, exact
M2_PER_FT2 = 0.09290304  # exact
MOST_PIPE_M_S = 5.0 * 0.3048  # 5 ft/s in plastic pipe: 30 TAC 344.62, from memory


def _floats(value: ArrayLike) -> Floats:
    return np.asarray(value, np.float64)


def precipitation_rate_mm_h(flow_l_min: ArrayLike, area_m2: ArrayLike) -> Floats:
    """Rate of a station from its flow and area: a liter on a square meter is a millimeter.

    In inches an hour it is 96.25 x gpm / ft2.
    """
    return 60.0 * _floats(flow_l_min) / _floats(area_m2)


def run_time_multiplier(low_quarter: ArrayLike) -> Floats:
    """By how much a run time is lengthened for uneven application: 1 / (0.4 + 0.6 DU).

    From a public-agency landscaper training, second hand, with 1.37 at 0.55 and 1.22 at 0.70. Dividing by the
    low-quarter DU itself overstates what a landscape needs (Mecham, ASABE IRR10-10040, 2010, abstract).
    """
    return 1.0 / (0.4 + 0.6 * _floats(low_quarter))


def run_time_min(net_depth_mm: ArrayLike, rate_mm_h: ArrayLike, multiplier: ArrayLike) -> Floats:
    """Minutes for a net depth; multiplier: of the uniformity, or 1 / efficiency, never both."""
    return 60.0 * _floats(net_depth_mm) / _floats(rate_mm_h) * _floats(multiplier)


def longest_cycle_min(rate_mm_h: ArrayLike, intake_mm_h: ArrayLike, surface_mm: ArrayLike) -> Floats:
    """Minutes until water begins to run off flat ground: 60 x surface storage / (rate - intake); inf where rate is
    at most intake.

    Second hand, two public exercises; one of them takes |rate - intake|, which is wrong below the intake rate.
    """
    excess = _floats(rate_mm_h) - _floats(intake_mm_h)
    with np.errstate(divide="ignore", invalid="ignore"):
        return _floats(np.where(excess > 0, 60.0 * _floats(surface_mm) / excess, np.inf))


def soak_min(cycle_min: ArrayLike, rate_mm_h: ArrayLike, intake_mm_h: ArrayLike) -> Floats:
    """Minutes for what stands on the ground to go in: (rate - intake) x cycle / intake; 0 below intake.

    Second hand, public code.
    """
    excess = np.maximum(_floats(rate_mm_h) - _floats(intake_mm_h), 0.0)
    return excess * _floats(cycle_min) / _floats(intake_mm_h)


def interval_days(
    available_mm_m: ArrayLike, root_m: ArrayLike, depletion: ArrayLike, use_mm_day: ArrayLike
) -> Floats:
    """Days that the root zone's readily available water lasts: available x depth x depletion / daily use."""
    with np.errstate(divide="ignore"):
        return _floats(_floats(available_mm_m) * _floats(root_m) * _floats(depletion) / _floats(use_mm_day))


def pipe_velocity_m_s(flow_l_min: ArrayLike, inside_mm: ArrayLike) -> Floats:
    """Mean velocity in a full pipe; in ft/s it is 0.4085 x gpm / inches squared."""
    area_m2 = np.pi / 4.0 * (_floats(inside_mm) / 1000.0) ** 2
    return _floats(_floats(flow_l_min) / 60_000.0 / area_m2)
