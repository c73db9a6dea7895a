"""The cheapest route over a grid of prices, by another way: a graph of straight lines, for tests.

Over uniform pieces of ground the cheapest way is straight, so that it bends where the price changes and nowhere
else (the weighted region problem: Mitchell and Papadimitriou 1991, from memory). The graph's points stand along all
edges between cells of unlike price; every two of them are joined, priced along the line, and SciPy's Dijkstra finds
the cheapest way.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse.csgraph import dijkstra

AN_EDGE = 2  # points on an edge of a cell, its first end among them


def line_costs(price: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(n,) cost of straight lines from a to b (n, 2) as x, y in cells, over price (rows, cols), infinite if barred.

    Along an edge of cells the cheaper of the two counts. Lines are cut where they meet the grid, and each piece is
    priced by its middle.
    """
    rows, cols = price.shape
    d = b - a
    with np.errstate(divide="ignore", invalid="ignore"):
        cut = [(np.arange(k + 1)[None, :] - a[:, i, None]) / d[:, i, None] for i, k in ((0, cols), (1, rows))]
    t = np.sort(np.clip(np.nan_to_num(np.concatenate(cut, axis=1), nan=0.0), 0.0, 1.0), axis=1)
    share = np.diff(t, axis=1)
    at = a[:, None, :] + (t[:, 1:, None] + t[:, :-1, None]) / 2.0 * d[:, None, :]
    rim = np.pad(price, 1, constant_values=np.inf)
    best = np.full(share.shape, np.inf)
    for aside in (-1e-6, 1e-6):  # on both sides of an edge; the same cell twice for all others
        col, row = (np.floor(at[..., i] + aside).astype(int) + 1 for i in (0, 1))
        best = np.minimum(best, rim[row, col])
    with np.errstate(invalid="ignore"):  # no length of what is barred
        return np.where(share > 1e-9, share * best, 0.0).sum(axis=1) * np.hypot(*d.T)


def cheapest(price: np.ndarray, start: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """(m,) cost of the cheapest way from (2,) to each of (m, 2), x, y in cells; infinite where there is none."""
    part = np.arange(AN_EDGE) / AN_EDGE
    row, col = np.nonzero(price[:, 1:] != price[:, :-1])
    upright = np.stack([np.broadcast_to(col[:, None] + 1.0, (len(col), AN_EDGE)), row[:, None] + part], axis=-1)
    row, col = np.nonzero(price[1:] != price[:-1])
    level = np.stack([col[:, None] + part, np.broadcast_to(row[:, None] + 1.0, (len(row), AN_EDGE))], axis=-1)
    corners = np.concatenate([upright[:, 0] + [0, 1], level[:, 0] + [1, 0]])  # the far ends
    points = np.unique(np.vstack([upright.reshape(-1, 2), level.reshape(-1, 2), corners]).round(9), axis=0)
    given = np.vstack([start, ends])
    low = np.floor(given)
    feet = [np.where([i == 0, i == 1], low + up, given) for i in (0, 1) for up in (0, 1)]  # of the ends' own cells
    points = np.vstack([given, *feet, points])
    n = len(points)
    graph = np.full((n, n), np.inf)
    for k in range(n - 1):
        graph[k, k + 1 :] = line_costs(price, np.broadcast_to(points[k], (n - k - 1, 2)), points[k + 1 :])
    return dijkstra(graph, directed=False, indices=0)[1 : 1 + len(ends)]
