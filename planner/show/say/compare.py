"""Places side by side: the words of the comparison, and what a page needs to fill them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planner.show.layout import alternates
from planner.show.say.verdict import PART_NAMES

if TYPE_CHECKING:
    from planner.job import SiteResult


def words(result: SiteResult) -> dict[str, object]:
    """Texts with places to fill in braces; `parts` are the score's parts in the order of `points`."""
    first = [result.decision.chosen] if result.decision.chosen >= 0 else []
    return {
        "start": [f"mount-{row}" for row in (*first, *alternates(result))][:2],
        "choose": ["First", "Second", "Third"],
        "none": "none",
        "verdict": "Verdict",
        "score": "Score",
        "parts": [f"Points: {PART_NAMES[part]}" for part in result.decision.parts],
        "part_names": [PART_NAMES[part] for part in result.decision.parts],
        "why": "Why",
        "best": "best of these",
        "button": "Compare",
        "leads": "{first} leads {other} by {gap} points: {most}.",
        "even": "{first} and {other} score alike.",
        "gain": "{points} from {part}",
        "loss": "{points} lost on {part}",
        "out": "{name} is ruled out, so its points do not count.",
        "pick": "Choose at least two places.",
    }


def points(result: SiteResult, row: int) -> list[float]:
    """What each part of the score gives a mount, of 100 in all; empty where it has no score."""
    if not np.isfinite(result.decision.score[row]):
        return []
    weights = result.plan.weights.model_dump()
    share = np.array([weights.get(part, 0.0) for part in result.decision.parts]) / sum(weights.values())
    return [round(float(v), 1) for v in 100 * share * result.decision.part_scores[row]]
