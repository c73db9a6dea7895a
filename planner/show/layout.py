"""The layout as the pages need it: every sensor and repeater, whom it serves, and what may stand in for it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from planner.site import Ints

if TYPE_CHECKING:
    from planner.job import SiteResult


class Kind(StrEnum):
    SENSOR = "sensor"
    REPEATER = "repeater"


@dataclass(frozen=True)
class Place:
    """One sensor or repeater of the layout.

    row: of the mounts. sign: S1, S2, R1 as on map and sheet. serves: rows of controllers. alternate: row of the
    mount that may take its place with every one of them still served, -1 for none. fed_by: of a repeater, the row
    of the sensor that feeds it, -1 where none does.
    """

    row: int
    sign: str
    kind: Kind
    serves: tuple[int, ...]
    alternate: int = -1
    fed_by: int = -1


def layout(result: SiteResult) -> tuple[Place, ...]:
    """The places to install, the chosen mount first; empty where no mount was chosen."""
    chosen = result.decision.chosen
    if chosen < 0:
        return ()
    found = _places(result)
    if any(place.row == chosen for place in found):
        return found
    runners = result.decision.runners_up
    return (Place(chosen, "S1", Kind.SENSOR, (), runners[0] if runners else -1),)


def proposed(result: SiteResult) -> tuple[Place, ...]:
    """Where no mount was chosen: places that together would serve what one cannot; empty where there are none."""
    return _places(result) if result.decision.chosen < 0 else ()


def alternates(result: SiteResult) -> tuple[int, ...]:
    """Rows of the runners-up that the layout does not use, the best first: alternate 1, 2 and so on."""
    used = {place.row for place in layout(result)}
    return tuple(row for row in result.decision.runners_up if row not in used)


def _places(result: SiteResult) -> tuple[Place, ...]:
    """Sensors, then repeaters; empty where nothing can be served."""
    study = result.reach_study
    best = study.layouts.best if study is not None and study.layouts is not None else None
    if study is None or best is None:
        return ()
    chosen = result.decision.chosen
    sensors = sorted(best.mounts, key=lambda row: row != chosen)
    out = []
    for kind, rows, by in (
        (Kind.SENSOR, sensors, best.served_by),
        (Kind.REPEATER, best.repeaters, best.by_repeater),
    ):
        for n, row in enumerate(rows, start=1):
            out.append(
                Place(
                    int(row),
                    f"{'S' if kind is Kind.SENSOR else 'R'}{n}",
                    kind,
                    tuple(int(k) for k in np.flatnonzero(by == row)),
                    result.substitutes.get(int(row), -1),
                    study.fed_by.get(int(row), -1),
                )
            )
    return tuple(out)


def serving(result: SiteResult) -> Ints:
    """(m,) row of the mount that serves each controller in the layout, -1 where none does."""
    by = np.full(len(result.site.controllers), -1, np.int64)
    for place in layout(result) or proposed(result):
        by[list(place.serves)] = place.row
    return by
