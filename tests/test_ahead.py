"""What is compiled ahead is what a run asks for; a first run begins it, a later one does not."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from itertools import product
from pathlib import Path

import numba
import numpy as np
import pytest
from campus_scenes import SHEET, scattered

from planner import ahead, cache, compiled, plan
from planner.climate.eto import MonthlyInputs, monthly_eto
from planner.rain import rain_and_surroundings
from planner.reach import reach
from planner.site import Places


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> dict[str, set[object]]:
    """Kernels that Python calls meanwhile, and the types that each is called with."""
    found: dict[str, set[object]] = {}
    call = compiled._Late.__call__

    def noting(self: compiled._Late, *given: object) -> object:
        name = f"{self.py_func.__module__}.{self.py_func.__name__}"
        found.setdefault(name, set()).add(tuple(numba.typeof(each) for each in given))
        return call(self, *given)

    monkeypatch.setattr(compiled._Late, "__call__", noting)
    return found


def test_each_has_the_one_form_that_a_run_asks_for(asked: dict[str, set[object]]) -> None:
    ahead.compile_rest()
    made = dict(asked)
    asked.clear()
    at = np.array([[150.0, 200.0, 2.0], [300.0, 60.0, 2.0]])
    site = replace(
        scattered(buildings=8, trees=5, terrain_cell_m=20.0), controllers=Places(("A", "B"), at, np.zeros(2, bool))
    )
    heads = np.array([[100.0, 100.0, 6.0], [250.0, 250.0, 8.0]])
    rain_and_surroundings(site, heads)
    for sensor in (plan.Sensor(rated_range_m=400.0), plan.Sensor(link="cable", **SHEET)):
        reach(site, heads, heads[:, 2], plan.Plan(sensor=sensor))
    in_common = {name.rpartition(".")[2] for name in asked.keys() & made.keys()}
    assert in_common >= {"_add_prisms", "_add_crowns", "_covered_area", "_reduce", "_search", "_tight"}
    for name, forms in asked.items():
        if name in made:
            assert forms == made[name], name
            assert len(forms) == 1, name


def test_months_have_one_form_whatever_is_known_and_however_it_is_given(asked: dict[str, set[object]]) -> None:
    """Months at one place, broadcast to others, read only, and by columns; each is another form for Numba."""
    known = (np.full((12, 9), 20.0), np.full((12, 9), 1.3), np.full((12, 9), 2.0))
    for low in (np.full((12, 9), 12.0), np.full((9, 12), 12.0).T, np.broadcast_to(12.0, (12, 9))):
        for given in product(*((each, None) for each in known)):
            inputs = MonthlyInputs(low, low + 12.0, *given)
            for latitude in (np.full(9, 40.0), np.linspace(0.0, 40.0, 9)):
                monthly_eto(inputs, latitude, np.array([100.0]))
    assert {name.rpartition(".")[2] for name in asked} >= {"_penman_monteith_months", "_hargreaves_months"}
    assert {name: len(forms) for name, forms in asked.items() if len(forms) > 1} == {}


def test_it_is_begun_until_all_is_compiled(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    begun: list[list[str]] = []

    class Begun:
        def __init__(self, words: list[str], **_: object) -> None:
            begun.append(words)

        def kill(self) -> None: ...
        def wait(self) -> None: ...

    monkeypatch.setattr(subprocess, "Popen", Begun)
    monkeypatch.setattr(ahead, "kept_in", lambda: tmp_path)
    monkeypatch.setattr(ahead, "compile_rest", lambda: None)
    monkeypatch.setenv("NUMBA_NUM_THREADS", "1")
    ahead.begin()
    assert begun == []  # a single core has none to spare
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")
    ahead.begin()
    assert [words[1:] for words in begun] == [["-P", "-m", "planner.ahead"]]
    ahead.main()
    ahead.begin()
    assert len(begun) == 1
    (done,) = (tmp_path / "ahead").iterdir()
    done.rename(done.with_name("of other sources"))
    ahead.begin()
    assert len(begun) == 2
    monkeypatch.setattr(ahead, "kept_in", lambda: None)  # nowhere to keep it
    ahead.begin()
    assert len(begun) == 2


def test_to_begin_loads_nothing_heavy(tmp_path: Path) -> None:
    code = (
        "import sys; from planner import ahead; ahead._done(); "
        "print([name for name in ('numpy', 'numba', 'shapely', 'pydantic') if name in sys.modules])"
    )
    env = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path), "PYTHONPATH": str(Path(ahead.__file__).parents[1])}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    assert cache.kept_in() is not None
