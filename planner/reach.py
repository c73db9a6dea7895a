"""Reach: how far each controller is from each mount, and what it needs to be reached."""

from __future__ import annotations

from dataclasses import dataclass

from planner.site import Floats, Ints


@dataclass(frozen=True)
class ReachResult:
    """One row a mount, one column a controller (n, m).

    distance_m: straight, in space. cable_m: straight on plan plus the drop to the ground and the rise at the
    controller (a lower bound of the run). range_share: distance over the rated open-field range.
    crossed: number of buildings and crowns the straight line passes through.
    """

    distance_m: Floats
    cable_m: Floats
    range_share: Floats
    crossed: Ints
