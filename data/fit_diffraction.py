"""Losses over edges in a row beside an integral: which construction is taken, its bias and its spread.

    python data/fit_diffraction.py [PROFILES]

The integral goes from screen to screen by Kirchhoff and Huygens (the Rayleigh-Sommerfeld kernel in two dimensions,
as a convolution), so it knows nothing of edges, rays or strings. It is checked here against one knife edge (ITU-R
P.526) and against n screens that just touch the line (1 / (n + 1) of the field). Profiles are seeded: 1 to 5
blocks, half of them screens and half with a front and a back edge, 433 to 2400 MHz. Printed, by the number of edges
that touch the Fresnel zone: mean error and standard deviation of four constructions in decibels, and how many
errors of the one taken lie within the spread that `reach/radio.py` states (EDGES_SPREAD_DB), by number of edges and
by depth; the same for as many rows of narrow blocks over hills, to which the construction was not fitted.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from itertools import pairwise

import numpy as np
from scipy.signal import fftconvolve
from scipy.special import hankel1

from planner.reach.diffraction import TOUCHES_V, edges_db
from planner.reach.radio import EDGES_SPREAD_DB, knife_edge_db, wavelength_m

Profile = tuple[np.ndarray, np.ndarray, float, float]  # edges' distances, heights over the line, length, wavelength


def integral_db(at: np.ndarray, up: np.ndarray, long_m: float, wave: float) -> float:
    """Loss over absorbing half-screens, beyond that of the free wave; the line between the ends lies level."""
    k, highest = 2 * np.pi / wave, max(float(up.max()), 0.0)
    low, top = min(float(up.min()), 0.0), highest + max(40.0, 6 * np.sqrt(wave * long_m))
    dz = wave / 5
    z = np.arange(low, top, dz) + dz / 2
    fade = 0.5 - 0.5 * np.cos(np.pi * np.clip((top - z) / (0.6 * (top - highest)), 0, 1))
    offset = (np.arange(2 * len(z) - 1) - (len(z) - 1)) * dz

    def opened(height: float) -> np.ndarray:
        return np.clip((z + dz / 2 - height) / dz, 0, 1) * fade

    def kernel(along: float, across: np.ndarray) -> np.ndarray:
        r = np.hypot(along, across)
        return 1j * k * along / (2 * r) * hankel1(1, k * r) * dz

    field = hankel1(0, k * np.hypot(at[0], z)) * opened(up[0])
    for j in range(1, len(at)):
        field = fftconvolve(field, kernel(at[j] - at[j - 1], offset))[len(z) - 1 : 2 * len(z) - 1] * opened(up[j])
    end = np.sum(field * kernel(long_m - at[-1], z))
    return float(-20 * np.log10(abs(end / hankel1(0, k * long_m))))


def profile(rng: np.random.Generator) -> Profile:
    """Blocks and screens between a mast of 3 to 14 m and a receiver 1.5 to 3.5 m up."""
    while True:
        wave = wavelength_m(float(rng.choice([433.0, 868.0, 915.0, 2400.0])))
        at, tops, x = [], [], rng.uniform(8, 120)
        high_a, high_b = rng.uniform(3, 14), rng.uniform(1.5, 3.5)
        for thick in rng.random(rng.integers(1, 6)) < 0.5:
            wide, top = rng.uniform(6, 40) * thick, rng.uniform(3, 16)
            at += [x, x + wide] if thick else [x]
            tops += [top, top] if thick else [top]
            x += wide + (rng.uniform(5, 70) if rng.random() < 0.8 else rng.uniform(70, 250))
        places, heights = np.array(at), np.array(tops)
        up = heights - (high_a + (high_b - high_a) * places / x)
        if rng.random() < 0.5:
            places, up = x - places[::-1], up[::-1]
        if alone(places, up, x, wave).max() > TOUCHES_V:
            return places, up, float(x), wave


def hilly_rows(rng: np.random.Generator) -> Profile:
    """Another kind, which the construction was not fitted to: 3 to 21 narrow blocks in rows over rolling ground."""
    while True:
        wave = wavelength_m(float(rng.choice([433.0, 868.0, 915.0, 2400.0])))
        n = int(rng.integers(3, 22))
        wide, gap = rng.uniform(4, 30, n), rng.uniform(3, 40, n)
        start = rng.uniform(8, 40) + np.cumsum(wide + gap) - wide - gap
        long_m = float(start[-1] + wide[-1] + gap[-1])
        places = np.column_stack([start, start + wide]).ravel()
        swell, waves, turn = rng.uniform(0, 5), rng.uniform(0.5, 3), rng.uniform(0, 2 * np.pi)
        at = np.concatenate([[0.0], start + wide / 2, [long_m]])
        ground = swell * np.sin(2 * np.pi * waves * at / long_m + turn)
        tops = np.repeat(rng.uniform(3, 14, n) + ground[1:-1], 2)
        ends = ground[[0, -1]] + np.array([rng.uniform(4, 15), rng.uniform(1.5, 3.5)])
        up = tops - (ends[0] + (ends[1] - ends[0]) * places / long_m)
        if alone(places, up, long_m, wave).max() > TOUCHES_V:
            return places, up, long_m, wave


def alone(at: np.ndarray, up: np.ndarray, long_m: float, wave: float) -> np.ndarray:
    return np.asarray(up * np.sqrt(2 / wave * (1 / at + 1 / (long_m - at))))


def between(points: np.ndarray, j: int, i: int, k: int, wave: float) -> float:
    """The knife edge's loss of point i between points j and k."""
    (xj, zj), (xi, zi), (xk, zk) = points[j], points[i], points[k]
    d1, d2 = xi - xj, xk - xi
    over = zi - (zj * d2 + zk * d1) / (d1 + d2)
    return float(knife_edge_db(over * np.sqrt(2 / wave * (1 / d1 + 1 / d2))))


def bullington_db(at: np.ndarray, up: np.ndarray, long_m: float, wave: float) -> float:
    """ITU-R P.526 section 4.5.1: one equivalent edge, and a term for several; one alone is a knife edge."""
    one = float(knife_edge_db(alone(at, up, long_m, wave)).max())
    if up.max() > 0:
        one = float(knife_edge_db(np.sqrt(2 * long_m * (up / at).max() * (up / (long_m - at)).max() / wave)))
    return one if len(at) == 1 else one + (1 - np.exp(-one / 6)) * (10 + 0.02e-3 * long_m)


def deygout_db(at: np.ndarray, up: np.ndarray, long_m: float, wave: float) -> float:
    """Deygout 1966: the worst edge, then the worst to either side of it, and so on."""
    points = np.column_stack([np.r_[0, at, long_m], np.r_[0, up, 0]])

    def some(j: int, k: int) -> float:
        if k - j < 2:
            return 0.0
        losses = [between(points, j, i, k, wave) for i in range(j + 1, k)]
        worst = j + 1 + int(np.argmax(losses))
        return max(losses) + some(j, worst) + some(worst, k) if max(losses) > 0 else 0.0

    return some(0, len(points) - 1)


def epstein_peterson_db(at: np.ndarray, up: np.ndarray, long_m: float, wave: float) -> float:
    """Epstein and Peterson 1953 over the edges that a string drawn tight touches."""
    points = np.column_stack([np.r_[0, at, long_m], np.r_[0, up, 0]])
    string: list[int] = []
    for k in range(len(points)):
        while len(string) > 1:
            (x1, z1), (x2, z2), (x3, z3) = points[[string[-2], string[-1], k]]
            if (z2 - z1) * (x3 - x1) > (z3 - z1) * (x2 - x1):
                break
            string.pop()
        string.append(k)
    if len(string) == 2:
        return float(knife_edge_db(alone(at, up, long_m, wave)).max())
    return sum(between(points, *some, wave) for some in zip(string, string[1:], string[2:], strict=False))


WAYS = {
    "Bullington": bullington_db,
    "Deygout": deygout_db,
    "Epstein-Peterson": epstein_peterson_db,
    "taken": edges_db,
}


def main(count: int = 600) -> None:
    wave = wavelength_m(915.0)
    print("the integral: one edge at v = -0.5, 0, 1, 3 beside P.526;", end=" ")
    for v in (-0.5, 0.0, 1.0, 3.0):
        up = np.array([v / np.sqrt(2 / wave * (1 / 50 + 1 / 70))])
        print(f"{integral_db(np.array([50.0]), up, 120.0, wave):.2f} {float(knife_edge_db(v)):.2f};", end=" ")
    print("2, 3, 5 that touch:", end=" ")
    for n in (2, 3, 5):
        got = integral_db(40.0 * np.arange(1, n + 1), np.zeros(n), 40.0 * (n + 1), wave)
        print(f"{got:.2f} {20 * np.log10(n + 1):.2f};", end=" ")
    some = [profile(np.random.default_rng(seed)) for seed in range(count)]
    truth = np.array([integral_db(*p) for p in some])
    touching = np.array([int((alone(*p) > TOUCHES_V).sum()) for p in some])
    print(f"\n{count} profiles, losses {truth.min():.0f} to {truth.max():.0f} dB")
    errors = {name: np.array([loss(*p) for p in some]) - truth for name, loss in WAYS.items()}
    for name, e in errors.items():
        by = [f"{k}: {e[touching == k].mean():5.1f} ± {e[touching == k].std():4.1f}" for k in range(1, 9)]
        print(f"{name:17s} all: {e.mean():5.1f} ± {e.std():4.1f}   by edges {'  '.join(by)}")
    _told(touching, truth, errors["taken"], range(1, 10))
    other = [hilly_rows(np.random.default_rng(seed)) for seed in range(count, 2 * count)]
    truth = np.array([integral_db(*p) for p in other])
    touching = np.array([int((alone(*p) > TOUCHES_V).sum()) for p in other])
    said = f"losses {truth.min():.0f} to {truth.max():.0f} dB"
    print(f"\n{count} profiles of another kind, narrow blocks over hills, {said}")
    _told(touching, truth, np.array([edges_db(*p) for p in other]) - truth, (1, 5, 10, 15, 20, 30))


def _told(touching: np.ndarray, truth: np.ndarray, error: np.ndarray, firsts: Iterable[int]) -> None:
    """Print errors, and the share of them within the stated spread, of all, by number of edges and by depth."""
    stated = np.array(EDGES_SPREAD_DB)[np.clip(touching, 1, len(EDGES_SPREAD_DB)) - 1]

    def line(what: str, of: np.ndarray) -> None:
        if of.any():
            inside = np.mean(np.abs(error[of]) <= stated[of])
            said = (
                f"{error[of].mean():5.1f} ± {error[of].std():4.1f} dB, within the stated {stated[of].mean():.1f} dB"
            )
            print(f"{what:18s} {said} {inside:.2f} ({of.sum()})")

    line("of all (0.68 asked)", np.ones(len(error), bool))
    bounds = [*firsts, 99]
    for low, high in pairwise(bounds):
        line(
            f"{low} edges" if high == low + 1 else f"{low} to {high - 1} edges",
            (touching >= low) & (touching < high),
        )
    for low, high in pairwise((0, 15, 30, 45, 60, 120)):
        line(f"{low} to {high} dB deep", (truth >= low) & (truth < high))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
