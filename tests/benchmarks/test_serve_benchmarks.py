"""One point's whole card. Run: pytest tests/benchmarks/test_serve_benchmarks.py --benchmark-only -s

Milliseconds of processor time, warm, the slowest of the points: on the demo campus, and on a site in a seeded city
of 100,000 buildings on hilly ground.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
import shapely

from planner.at_point import Yardstick, point_card, usual_height_m, yardstick
from planner.job import decide_site, prepare
from planner.layers import read_site
from planner.ledger import Ledger
from planner.plan import parse_plan, read_plan
from planner.reach.repeaters import no_relays
from planner.site import Crowns, Heights, Places, bare_site, ground_at, prisms

CAMPUS = Path(__file__).parents[2] / "examples" / "campus" / "campus.toml"


def campus():
    plan_file, ledger = read_plan(CAMPUS), Ledger()
    prepared = prepare(plan_file, read_site(plan_file, ledger), ledger)
    return prepared, yardstick(prepared, decide_site(prepared, ledger))


def city(buildings=100_000, trees=20_000, apart_m=18.0):
    """Blocks on a jittered grid, 5.7 km wide; the site is its middle."""
    rng = np.random.default_rng(5)
    side = int(np.ceil(np.sqrt(buildings)))
    half = side * apart_m / 2
    at = (np.stack(np.meshgrid(np.arange(side), np.arange(side)), -1).reshape(-1, 2)[:buildings] + 0.1) * apart_m
    at += rng.uniform(0, 3, at.shape) - half
    size = rng.uniform(6, 13, at.shape)
    grid = (np.arange(321) - 160) * 20.0
    east, north = np.meshgrid(grid, grid[::-1])
    terrain = Heights(40 * np.sin(east / 700) + 25 * np.cos(north / 450), -3210.0, 3210.0, 20.0)
    ground = ground_at(terrain, at + size / 2)
    tall = 3.0 + rng.gamma(2.0, 3.0, buildings)
    spots = rng.uniform(-half, half, (trees, 2))
    there = rng.uniform(-180, 180, (6, 2))
    return bare_site(
        shapely.box(-200, -200, 200, 200),
        terrain=terrain,
        buildings=prisms(list(shapely.box(*at.T, *(at + size).T)), ground - 5.0, ground + tall),
        crowns=Crowns(
            tuple(f"T{k}" for k in range(trees)),
            np.column_stack([spots, ground_at(terrain, spots) + 5.0]),
            rng.uniform(1.5, 4, trees),
            rng.uniform(2, 4, trees),
            rng.random(trees) < 0.4,
        ),
        controllers=Places(
            tuple("ABCDEF"), np.column_stack([there, ground_at(terrain, there) + 1.5]), np.zeros(6, bool)
        ),
    )


def city_prepared():
    plan_file = parse_plan({"title": "city", "requirements": {"reach": "any"}}, "city.toml")
    prepared = prepare(plan_file, city(), Ledger())
    return prepared, Yardstick(no_relays(0, 6), None)


@pytest.mark.parametrize(("made", "name", "most_ms"), [(campus, "campus", 300.0), (city_prepared, "city", 1000.0)])
def test_one_point(benchmark, made, name, most_ms):
    prepared, beside = made()
    west, south, east, north = prepared.scene.site.outline.bounds
    points = np.random.default_rng(1).uniform((west, south), (east, north), (8, 2))
    cost = []

    def cards():
        for xy in points:
            begin = time.process_time()
            point_card(prepared, beside, xy, usual_height_m(prepared, xy))
            cost.append(1000 * (time.process_time() - begin))

    cards()  # compiles
    cost.clear()
    benchmark.pedantic(cards, rounds=2, iterations=1)
    worst = float(np.max(np.minimum(cost[:8], cost[8:])))
    print(f"\nratio point_card_ms_{name} {worst:.0f}")
    assert worst <= most_ms
