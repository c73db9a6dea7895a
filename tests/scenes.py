"""Seeded scenes of any size, for tests and benchmarks of the sun's kernels."""

from __future__ import annotations

import numpy as np

from planner.site import Prisms


def town(n: int, seed: int = 0, per_m2: float = 0.0008, sides: int = 4) -> tuple[Prisms, np.ndarray, float]:
    """n buildings of a town on a jittered grid: prisms (shapes left out), their middles (n, 2), the town's width.

    One in twenty is 15 to 40 m high, the others 3.5 to 12 m; footprints are turned rectangles of 8 to 22 m
    (sides = 4), or that many vertices on an ellipse.
    """
    rng = np.random.default_rng(seed)
    across, cell = int(np.ceil(np.sqrt(n))), 1 / np.sqrt(per_m2)
    place = np.column_stack([np.arange(n) % across, np.arange(n) // across])
    middle = (place + 0.5 + rng.uniform(-0.2, 0.2, (n, 2))) * cell
    half = rng.uniform(4, 11, (n, 2))
    if sides == 4:
        corner = np.array([(-1.0, -1.0), (1, -1), (1, 1), (-1, 1)])
    else:
        angle = 2 * np.pi * np.arange(sides) / sides
        corner = np.column_stack([np.cos(angle), np.sin(angle)])
    ring = half[:, None, :] * corner
    turn = rng.uniform(0, np.pi / 2, n)
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    ring = (
        np.stack([ring[..., 0] * c - ring[..., 1] * s, ring[..., 0] * s + ring[..., 1] * c], -1) + middle[:, None]
    )
    top = np.where(rng.random(n) < 0.05, rng.uniform(15, 40, n), rng.uniform(3.5, 12, n))
    solids = Prisms(
        (),
        ("",) * n,
        np.full(n, -1.0),
        top,
        ring.reshape(-1, 2),
        np.roll(ring, -1, axis=1).reshape(-1, 2),
        np.repeat(np.arange(n), sides),
    )
    return solids, middle, across * cell


def roofs(solids: Prisms, middle: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Mounts 0.6 m above the middle of roofs."""
    return np.column_stack([middle[rows], solids.top_m[rows] + 0.6])


def streets(width: float, n: int, seed: int = 1) -> np.ndarray:
    """Mounts 2.5 m above the ground, anywhere in the inner nine tenths of the town, from south to north."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0.05 * width, 0.95 * width, (n, 2))
    return np.column_stack([xy[np.lexsort((xy[:, 0], xy[:, 1] // 100))], np.full(n, 2.5)])


def walls(solids: Prisms, origin: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Triangles of all walls, two an edge: vertices (v, 3) float32 about `origin`, indices (t, 3)."""
    a, b = solids.edge_start - origin, solids.edge_end - origin
    base, top = solids.base_m[solids.edge_prism], solids.top_m[solids.edge_prism]
    vertex = np.stack(
        [np.c_[a, base], np.c_[b, base], np.c_[b, top], np.c_[a, top]],
        axis=1,
    ).reshape(-1, 3)
    four = 4 * np.arange(len(a))[:, None]
    return vertex.astype(np.float32), np.vstack([four + np.array([0, 1, 2]), four + np.array([0, 2, 3])]).astype(
        np.int32
    )
