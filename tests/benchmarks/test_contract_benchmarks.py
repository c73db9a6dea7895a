"""A contract with layers beside runs of `site`. Run: pytest tests/benchmarks --benchmark-only -s

Processor seconds of processes of their own, for that is what a run of the command costs.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from counties import county

SITES, DECIDED, SAMPLE = 200, 20, 2  # in the county; decided by one contract; by a command each
FOOTPRINTS, TREES = 300_000, 100_000
FEW = 8  # sites by which growth is judged
SIDE_M = 60_000.0  # 83 footprints a square kilometer

# Runs in a process of its own and prints processor seconds, and the largest memory in kilobytes.
WATCHED = """
import json, resource, sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from counties import contract, one
from planner.ledger import Ledger
folder, what = Path(sys.argv[1]), sys.argv[2]
if what == "site":
    from planner.job import run_site
    from planner.show import write_site
    result = run_site(one(folder, int(sys.argv[3])), Ledger())
    write_site(result, folder / "alone" / sys.argv[3])
    k = result.decision.chosen
    told = {{"id": result.mounts.ids[k], "score": result.decision.score[k].item()}} if k >= 0 else {{"id": None}}
else:
    from planner.deliver import run_contract_files
    sites = {{"where": sys.argv[4]}} if len(sys.argv) > 4 else {{}}
    run_contract_files(contract(folder, sites=sites), folder / sys.argv[3], Ledger())
    told = {{}}
used = resource.getrusage(resource.RUSAGE_SELF)
# a process's ru_maxrss begins with that of the process that began it
kb = next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(json.dumps({{"cpu_s": used.ru_utime + used.ru_stime, "kb": kb, **told}}))
"""


def watched(folder: Path, *words: str) -> dict[str, float]:
    code = WATCHED.format(tests=str(Path(__file__).parents[1]))
    ran = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code, str(folder), *words],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ,
    )
    return dict(json.loads(ran.stdout.splitlines()[-1]))


@pytest.fixture(scope="module")
def large(tmp_path_factory) -> Path:
    made = tmp_path_factory.mktemp("large")
    county(made, sites=SITES, buildings=FOOTPRINTS, trees=TREES, side_m=SIDE_M)
    return made


def found_in(folder: Path) -> dict[int, tuple[str, float | None]]:
    import pyarrow.parquet as pq

    table = pq.read_table(folder / "sites.parquet", columns=["row", "decision", "mount_id", "mount_score_0_to_100"])
    return {
        row: (mount if decision == "chosen" else None, score)
        for row, decision, mount, score in zip(*(column.to_pylist() for column in table.columns), strict=True)
    }


def first(sites: int) -> str:
    return f"CAST(SUBSTR(site, 6) AS integer) <= {sites}"


def test_a_contract_beside_runs_of_site(benchmark, large):
    """[contract_vs_site_runs] sites of one county at once, and a sample of them one command each, by the processor
    time of one site; the decisions are equal. Of the 200 sites a contract decides 20: its start weighs more so."""
    watched(large, "contract", "warm", first(1))  # compiled, and in the disk's cache
    whole = benchmark.pedantic(lambda: watched(large, "contract", "all", first(DECIDED)), rounds=1, iterations=1)
    rows = [1 + k * (DECIDED // SAMPLE) for k in range(SAMPLE)]
    alone = {row: watched(large, "site", str(row)) for row in rows}
    found = found_in(large / "all")
    assert len(found) == DECIDED
    for row, one in alone.items():
        mount, score = found[row]
        assert mount == one["id"]
        assert mount is None or score == pytest.approx(one["score"], abs=1e-6)
    each_s, by_contract_s = sum(one["cpu_s"] for one in alone.values()) / SAMPLE, whole["cpu_s"] / DECIDED
    print(f"\nratio contract_vs_site_runs {each_s / by_contract_s:.1f}")
    print(f"a site of a contract: {by_contract_s:.2f} s of processor time; {whole['kb'] / 1e6:.2f} GB at most")
    print(f"a site by itself: {each_s:.2f} s, {max(one['kb'] for one in alone.values()) / 1e6:.2f} GB at most")
    assert whole["kb"] < 1.5e6


def test_what_a_site_costs_does_not_grow_with_the_county(benchmark, large, tmp_path):
    """[contract_growth] the same sites out of 300,000 footprints, and out of those few that stand around them."""
    thin(large, tmp_path)
    watched(tmp_path, "contract", "warm", first(1))
    small = watched(tmp_path, "contract", "few", first(FEW))
    big = benchmark.pedantic(lambda: watched(large, "contract", "few", first(FEW)), rounds=1, iterations=1)
    assert found_in(tmp_path / "few") == found_in(large / "few")
    print(f"\nratio contract_growth {big['cpu_s'] / small['cpu_s']:.2f}")


def thin(large: Path, folder: Path) -> None:
    """The same county with only what stands within 2.2 km of its first sites: some 3,000 footprints."""
    import geopandas
    import shapely

    for name in ("sites", "controllers"):
        (folder / f"{name}.gpkg").write_bytes((large / f"{name}.gpkg").read_bytes())
    (folder / "terrain.tif").write_bytes((large / "terrain.tif").read_bytes())
    sites = geopandas.read_file(large / "sites.gpkg").iloc[:FEW]
    around = shapely.union_all(shapely.buffer(sites.geometry.array, 2_200))
    for name in ("buildings", "trees"):
        every = geopandas.read_file(large / f"{name}.gpkg")  # in its order: ids of mounts count buildings
        near = every[shapely.intersects(around, every.geometry.array)]
        print(f"{len(near)} {name} kept")
        near.to_file(folder / f"{name}.gpkg")
