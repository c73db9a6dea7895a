"""The decision: gates first, then a score, then reasons a person can repeat."""

from __future__ import annotations

from dataclasses import dataclass

from planner.site import Bools, Floats


@dataclass(frozen=True)
class Decision:
    """One row a mount (n).

    gates: names of the gates (g,); passes: (n, g); shut_by: (n,) the first gate that shut it out, in words with
    its number, "" where none did. parts: names of the score's parts (p,); part_scores: (n, p) 0 to 1;
    score: (n,) 0 to 100, NaN where shut out. order: rows that pass, best first.
    chosen: row of the mount taken, -1 where none passes. overridden: the plan chose it. runners_up: rows.
    reasons: (n,) one sentence for each of the chosen and the runners-up, "" for the others.
    """

    gates: tuple[str, ...]
    passes: Bools
    shut_by: tuple[str, ...]
    parts: tuple[str, ...]
    part_scores: Floats
    score: Floats
    order: tuple[int, ...]
    chosen: int
    overridden: bool
    runners_up: tuple[int, ...]
    reasons: tuple[str, ...]
