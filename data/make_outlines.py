"""Make `planner/show/assets/outlines.json.gz`: outlines of countries, US states and US counties, for under a map.

    npm pack us-atlas@3.0.1 world-atlas@2.0.2
    python data/make_outlines.py us-atlas-3.0.1.tgz world-atlas-2.0.2.tgz

Sources, both in the public domain: cartographic boundary files of the US Census Bureau, 2017 edition, by way of the
npm package `us-atlas`; Natural Earth's countries at 1:50 million, by way of `world-atlas` (ISC licences, beside the
asset). TopoJSON keeps a line that two areas share once: so each is kept here, with the level at which it is drawn.
"""

from __future__ import annotations

import argparse
import gzip
import json
import tarfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely

TARGET = Path(__file__).parent.parent / "planner/show/assets/outlines.json.gz"
UNITED_STATES = "840"  # ISO 3166 number of the country in Natural Earth, whose outline is taken from the Census
COUNTRY, STATE, COUNTY = 0, 1, 2
STEPS = 250  # a degree: coordinates are whole numbers of 0.004 degrees, some 400 m
CENSUS_TOLERANCE_DEG = {COUNTRY: 0.016, STATE: 0.016, COUNTY: 0.035}
COUNTRIES_TOLERANCE_DEG = 0.1
ISLET_DEG, US_ISLET_DEG = 0.4, 0.1  # rings smaller than this in both directions are left out


def packed_json(package: Path, name: str) -> dict[str, Any]:
    with tarfile.open(package) as archive:
        file = archive.extractfile(f"package/{name}")
        if file is None:
            raise FileNotFoundError(f"{package} holds no {name}")
        found: dict[str, Any] = json.load(file)
    return found


def arcs_of(topology: dict[str, Any]) -> list[np.ndarray]:
    """Each arc as (n, 2) degrees: TopoJSON 1.0 keeps differences of whole numbers."""
    scale, shift = (np.array(topology["transform"][key]) for key in ("scale", "translate"))
    return [np.cumsum(np.array(arc), axis=0) * scale + shift for arc in topology["arcs"]]


def rows(arcs: Any) -> Iterator[int]:
    """Numbers of the arcs in a geometry, however nested; one run backwards is written as its complement."""
    for one in arcs:
        if isinstance(one, int):
            yield one if one >= 0 else ~one
        else:
            yield from rows(one)


def uses(topology: dict[str, Any], name: str) -> list[tuple[str, set[int]]]:
    """Id of each area of a collection, and its arcs."""
    return [(str(g.get("id")), set(rows(g.get("arcs", ())))) for g in topology["objects"][name]["geometries"]]


def levelled(us: dict[str, Any], world: dict[str, Any]) -> Iterator[tuple[int, float, np.ndarray]]:
    """Every line with its level and the tolerance to simplify it by."""
    counties = Counter(arc for _, arcs in uses(us, "counties") for arc in arcs)
    states = Counter(arc for _, arcs in uses(us, "states") for arc in arcs)
    for row, line in enumerate(arcs_of(us)):
        level = (COUNTY, COUNTRY, STATE)[min(states[row], 2)]
        if (counties[row] or states[row]) and not _islet(line, US_ISLET_DEG):
            yield level, CENSUS_TOLERANCE_DEG[level], line
    own = next(arcs for number, arcs in uses(world, "countries") if number == UNITED_STATES)
    for row, line in enumerate(arcs_of(world)):
        if row not in own and not _islet(line, ISLET_DEG):
            yield COUNTRY, COUNTRIES_TOLERANCE_DEG, line


def _islet(line: np.ndarray, least_deg: float) -> bool:
    return bool((line[0] == line[-1]).all() and np.ptp(line, axis=0).max() < least_deg)


def kept(level: int, tolerance_deg: float, line: np.ndarray) -> list[int]:
    """Level, then the first point and the differences of the others, in steps; [] where nothing is left."""
    simple = shapely.get_coordinates(shapely.simplify(shapely.LineString(line), tolerance_deg))
    at = np.round(simple * STEPS).astype(int)
    at = at[np.insert((np.diff(at, axis=0) != 0).any(axis=1), 0, True)]
    return [level, *np.diff(at, axis=0, prepend=0).ravel().tolist()] if len(at) > 1 else []


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the outlines behind a contract's map.")
    parser.add_argument("us_atlas", type=Path)
    parser.add_argument("world_atlas", type=Path)
    given = parser.parse_args()
    us = packed_json(given.us_atlas, "counties-10m.json")
    world = packed_json(given.world_atlas, "countries-50m.json")
    lines = [line for one in levelled(us, world) if (line := kept(*one))]
    text = json.dumps({"steps": STEPS, "lines": lines}, separators=(",", ":"))
    TARGET.write_bytes(gzip.compress(text.encode(), 9, mtime=0))
    points = {level: sum(len(line) // 2 for line in lines if line[0] == level) for level in CENSUS_TOLERANCE_DEG}
    size = TARGET.stat().st_size
    print(f"{len(lines)} lines, points by level {points}, {len(text) / 1e3:.0f} kB, {size / 1e3:.0f} kB packed")


if __name__ == "__main__":
    main()
