"""How a log is judged, as the plan asks, and what that leaves of a day's certainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.review.limits import smoothed_share


@dataclass(frozen=True)
class Ask:
    """How the log is judged; see the plan's `review`. settled_from: first day judged. learn_until: last day of the
    part that teaches the level. establishment: (first day, day after the last, percent) that the plan names."""

    trailing: int = 3
    looks: int = 6
    false_alarms: float = 0.02
    noise_sd: float = 0.08
    constant_sd: float = 0.03
    settled_from: np.datetime64 | None = None
    learn_until: np.datetime64 | None = None
    establishment: tuple[tuple[np.datetime64, np.datetime64, float], ...] = ()
    shade: bool = False  # whether the sensor's formula lets shade be looked for
    lowest: float = 0.0
    highest: float = 300.0


def day_spread(ask: Ask) -> float:
    """Spread of one logged day about its expectation, for the band: noise of the trailing mean, and the level's."""
    return float(np.hypot(ask.noise_sd * smoothed_share(ask.trailing), ask.constant_sd))
