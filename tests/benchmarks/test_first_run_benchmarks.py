"""The first run, that compiles, beside the next.

Run: pytest tests/benchmarks/test_first_run_benchmarks.py --benchmark-only -s

Prints `ratio first_run_vs_warm VALUE`: seconds of the demo campus with nothing compiled over those of the runs
after it, each run a process of its own. Both are wall time, as who waits for them has it: other work on the
machine, and a single core, make both longer.
"""

import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
CAMPUS = ROOT / "examples" / "campus" / "campus.toml"


def test_the_campus_with_nothing_compiled(benchmark, tmp_path):
    env = os.environ | {"PYTHONPATH": str(ROOT), "NUMBA_CACHE_DIR": str(tmp_path / "kept")}
    words = [sys.executable, "-m", "planner", "site", str(CAMPUS), "--out", str(tmp_path / "out"), "--quiet"]

    def run() -> float:
        begun = time.perf_counter()
        subprocess.run(words, env=env, cwd=tmp_path, check=True, capture_output=True)
        return time.perf_counter() - begun

    assert not (tmp_path / "kept").exists()
    first_s = benchmark.pedantic(run, rounds=1, iterations=1)
    warm_s = min(run() for _ in range(3))
    forms = list((tmp_path / "kept").rglob("*.nbc"))
    print(f"\nforms {len(forms)}, first {first_s:.1f} s, then {warm_s:.1f} s")
    print(f"ratio first_run_vs_warm {first_s / warm_s:.2f}")
    assert len(forms) > 5
