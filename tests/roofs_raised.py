"""Of links through dense blocks with one roof raised, how many become likelier: none should.

    PYTHONPATH=. python tests/roofs_raised.py FIRST LAST

Each seed is a block of 8 or 25 buildings on 120 m, one of them raised by up to 6 m, and eight links from 9 m down
to 1.5 m, whose ends stand outside all walls or over the roofs, before and after. Printed: how many probabilities
rise by more than 1e-6, by more than 0.01 and beyond one half, and the links where they do.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np
import shapely
from campus_scenes import scattered

from planner.plan import Reach, Sensor
from planner.reach.link import Links, links, outdoors
from planner.reach.radio import radio
from planner.reach.scene import scene
from planner.site import Floats, bare_site, prisms

LINKS = 8


def _free(shapes: Sequence[shapely.Polygon], top_m: Floats, up_m: float, rng: np.random.Generator) -> Floats:
    """So many places so high that no building holds."""
    xy = rng.uniform(0, 120, (50 * LINKS, 2))
    tall = np.array(shapes, object)[top_m >= up_m]
    held = np.unique(shapely.STRtree(tall).query(shapely.points(xy), predicate="intersects")[0])
    there = np.delete(xy, held, axis=0)[:LINKS]
    return np.column_stack([there, np.full(LINKS, up_m)])


def before_and_after(seed: int) -> tuple[Links, Links]:
    """Links of one block as it stands, and with one of its roofs raised."""
    rng = np.random.default_rng([seed, 77])
    solid = scattered(seed=seed, buildings=8 if seed % 2 else 25, trees=0, side_m=120, hedges=0).buildings
    raised = solid.top_m.copy()
    raised[int(rng.integers(len(raised)))] += rng.uniform(0.05, 6)
    a, b = (_free(solid.shapes, raised, up, rng) for up in (9.0, 1.5))
    r = radio(Sensor(rated_range_m=float(rng.choice([60.0, 150.0, 400.0]))), Reach())

    def found(top_m: np.ndarray) -> Links:
        s = scene(bare_site(buildings=prisms(list(solid.shapes), solid.base_m, top_m)))
        return links(s, a, a[:, 2], outdoors(b, b[:, 2]), r)

    return found(solid.top_m), found(raised)


def main(first: int, last: int) -> None:
    rises: list[tuple[float, float, str]] = []
    for seed in range(first, last):
        before, after = before_and_after(seed)
        more = after.probability - before.probability
        for k in np.flatnonzero(more > 1e-6):
            p, q = before.probability[k], after.probability[k]
            margins = f"margin {before.margin_db[k]:.1f} to {after.margin_db[k]:.1f} dB"
            rises.append((float(more[k]), float(q), f"seed {seed} link {k}: {p:.6f} to {q:.6f}, {margins}"))
    rises.sort(reverse=True)
    large, likely = (sum(test) for test in ([r > 0.01 for r, *_ in rises], [q > 0.5 for _, q, _ in rises]))
    said = f"{len(rises)} likelier, {large} by more than 0.01, {likely} to more than one half"
    print(f"{LINKS * (last - first)} links: {said}")
    for *_, one in rises:
        print(one)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
