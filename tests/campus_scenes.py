"""Seeded campuses for tests and benchmarks: rotated blocks, some with courtyards, crowns, hilly ground."""

from __future__ import annotations

import numpy as np
import shapely

from planner.site import Crowns, Heights, bare_site, prisms

SUPPLIED = {"cable_supplied_m": 12.0, "cable_conductor": "18 AWG"}  # invented
SHEET = SUPPLIED | {"cable_longest_m": 60.0}  # a sensor's data sheet


def scattered(seed=7, buildings=60, trees=40, side_m=400.0, terrain_cell_m=None, hedges=6):
    rng = np.random.default_rng(seed)
    corner = rng.uniform(0, side_m, (buildings, 2))
    size = rng.uniform(8, 30, (buildings, 2))
    shapes = []
    for k, (c, s, turn) in enumerate(zip(corner, size, rng.uniform(0, 90, buildings), strict=True)):
        shape = shapely.box(*c, *(c + s))
        if k % 5 == 0:
            shape = shape.difference(shape.buffer(-0.3 * s.min(), join_style="mitre"))
        shapes.append(shapely.affinity.rotate(shape, turn))
    hedge = [shapely.box(x, y, x + 25, y + 3) for x, y in rng.uniform(0, side_m, (hedges, 2))]
    terrain = None
    if terrain_cell_m:
        n = int(side_m / terrain_cell_m) + 40
        at = (np.arange(n) + 0.5) * terrain_cell_m - 20 * terrain_cell_m
        x, y = np.meshgrid(at, at[::-1])
        values = 2.0 * np.sin(x / 70) + 1.5 * np.cos(y / 50)
        terrain = Heights(values, -20 * terrain_cell_m, at[-1] + terrain_cell_m / 2, terrain_cell_m)
    return bare_site(
        shapely.box(0, 0, side_m, side_m),
        buildings=prisms(shapes, np.full(buildings, -5.0), rng.uniform(3, 14, buildings)),
        crowns=Crowns(
            tuple(f"T{k}" for k in range(trees)),
            np.column_stack([rng.uniform(0, side_m, (trees, 2)), rng.uniform(4, 8, trees)]),
            rng.uniform(2, 5, trees),
            rng.uniform(2, 4, trees),
            rng.random(trees) < 0.5,
        ),
        crown_prisms=prisms(hedge, np.zeros(hedges), np.full(hedges, 4.0)),
        crown_evergreen=rng.random(hedges) < 0.5,
        terrain=terrain,
    )


def lines(seed, n, side_m=400.0, low_m=1.0, high_m=15.0):
    rng = np.random.default_rng(seed)
    a, b = (np.column_stack([rng.uniform(0, side_m, (n, 2)), rng.uniform(low_m, high_m, n)]) for _ in range(2))
    return a, b
