"""Of links through dense blocks with one roof raised, how many become likelier: none should.

    PYTHONPATH=. python tests/roofs_raised.py FIRST LAST

Each seed is a block of 8 or 25 buildings on 120 m, one of them raised by up to 6 m, and eight links from 9 m down
to 1.5 m. Printed: how many probabilities rise by more than 1e-6 and by more than 0.01, and the links where they do.
"""

from __future__ import annotations

import sys

import numpy as np
from campus_scenes import scattered

from planner.plan import Reach, Sensor
from planner.reach.link import Links, links, outdoors
from planner.reach.radio import radio
from planner.reach.scene import scene
from planner.site import bare_site, prisms

LINKS = 8


def before_and_after(seed: int) -> tuple[Links, Links]:
    """Links of one block as it stands, and with one of its roofs raised."""
    rng = np.random.default_rng([seed, 77])
    solid = scattered(seed=seed, buildings=8 if seed % 2 else 25, trees=0, side_m=120, hedges=0).buildings
    raised = solid.top_m.copy()
    raised[int(rng.integers(len(raised)))] += rng.uniform(0.05, 6)
    a, b = (np.column_stack([rng.uniform(0, 120, (LINKS, 2)), np.full(LINKS, up)]) for up in (9.0, 1.5))
    r = radio(Sensor(rated_range_m=float(rng.choice([60.0, 150.0, 400.0]))), Reach())

    def found(top_m: np.ndarray) -> Links:
        s = scene(bare_site(buildings=prisms(list(solid.shapes), solid.base_m, top_m)))
        return links(s, a, a[:, 2], outdoors(b, b[:, 2]), r)

    return found(solid.top_m), found(raised)


def main(first: int, last: int) -> None:
    rises = []
    for seed in range(first, last):
        before, after = before_and_after(seed)
        more = after.probability - before.probability
        for k in np.flatnonzero(more > 1e-6):
            margins = f"margin {before.margin_db[k]:.1f} to {after.margin_db[k]:.1f} dB"
            rises.append((float(more[k]), f"seed {seed} link {k}: {more[k]:.2g}, {margins}"))
    rises.sort(reverse=True)
    large = sum(more > 0.01 for more, _ in rises)
    print(f"{LINKS * (last - first)} links: {len(rises)} likelier, {large} by more than 0.01")
    for _, said in rises:
        print(said)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
