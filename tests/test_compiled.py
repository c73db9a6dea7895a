"""Compiled code is never older than its sources; threads and folders that cannot be written end nothing."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import mutation
import numpy as np
import pytest

from planner import compiled, kept, thrift
from planner.climate import kernels

ROOT = Path(__file__).parents[1]

# two modules, as kernels lie in the package: one calls the other's kernel and reads its constant
CALLED = """
from typing import NamedTuple
from planner.compiled import kernel
BIAS = 1.0
class Pair(NamedTuple):
    a: float
    b: float
@kernel
def inner(x):
    return 2.0 * x
@kernel
def apart(x):
    return x
"""
CALLING = """
from called import BIAS, Pair, apart, inner
from planner.compiled import kernel
@kernel
def outer(x):
    return inner(x) + BIAS
@kernel
def first(pair):
    return pair.a
if __name__ == "__main__":
    print(outer(3.0), first(Pair(a=5.0, b=7.0)), apart(4.0))
    for one in (outer, first, inner, apart):
        print(one.py_func.__name__, len(one.stats.cache_hits), len(one.stats.cache_misses))
"""


def python(*words: object, folder: Path, code: int = 0, **env: str) -> str:
    done = subprocess.run(
        [sys.executable, *map(str, words)],
        cwd=folder,
        env={**os.environ, "NUMBA_CACHE_DIR": str(folder / "kept"), "PYTHONDONTWRITEBYTECODE": "1",
             "PYTHONPATH": os.pathsep.join([str(folder), str(ROOT)]), **env},
        capture_output=True,
        text=True,
        timeout=400,
        check=False,
    )  # fmt: skip
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "called.py").write_text(CALLED)
    (tmp_path / "calling.py").write_text(CALLING)
    return tmp_path


def hits(said: str) -> dict[str, tuple[int, int]]:
    return {name: (int(hit), int(miss)) for name, hit, miss in map(str.split, said.splitlines()[1:])}


def test_what_was_compiled_is_taken_again_and_only_what_changed_is_made_anew(folder: Path) -> None:
    first = python("calling.py", folder=folder)
    assert first.startswith("7.0 5.0 4.0\n")
    assert hits(first)["outer"] == (0, 1)
    os.utime(folder / "calling.py", (1, 1))  # as an installation anew does: no change
    (folder / "called.py").write_text("# a remark\n" + CALLED)
    assert hits(python("calling.py", folder=folder))["outer"] == (1, 0)

    (folder / "called.py").write_text(CALLED.replace("2.0 * x", "3.0 * x"))  # a kernel called from another file
    said = python("calling.py", folder=folder)
    assert said.startswith("10.0 5.0 4.0\n")
    assert hits(said)["outer"] == (0, 1)
    assert hits(said)["apart"] == hits(said)["first"] == (1, 0)
    # a constant that one kernel reads, and the order of fields that another one takes
    swapped = CALLED.replace("a: float\n    b: float", "b: float\n    a: float")
    (folder / "called.py").write_text(swapped.replace("BIAS = 1.0", "BIAS = 9.0"))
    assert python("calling.py", folder=folder).startswith("15.0 5.0 4.0\n")
    (folder / "called.py").write_text(CALLED)  # back to what was
    said = python("calling.py", folder=folder)
    assert said.startswith("7.0 5.0 4.0\n")
    assert all(found[1] == 0 for found in hits(said).values())


def test_an_edited_kernel_of_the_package_counts_at_once(folder: Path) -> None:
    """The leaves' path is computed in a kernel of one file that kernels of others call."""
    shutil.copytree(ROOT / "planner", folder / "planner", ignore=shutil.ignore_patterns("__pycache__"))
    leaves = folder / "planner" / "sun" / "leaves.py"
    text = leaves.read_text(encoding="utf-8")
    code = (
        "import numpy as np; from planner.sun.veil import way_through; "
        "print(way_through(np.array([1.0, 3.0]), 2, False, 0.0, 10.0, 0.5))"
    )
    env = {"PYTHONPATH": str(folder)}
    assert float(python("-c", code, folder=folder, **env)) == pytest.approx(2 * 1.25**0.5)
    head = re.search(r"def prism_path_m\(.*?\n(?=    )(    \"\"\".*?\"\"\"\n)?", text, flags=re.S)
    assert head is not None
    leaves.write_text(text.replace(head[0], head[0] + "    return 42.0\n"), encoding="utf-8")
    assert float(python("-c", code, folder=folder, **env)) == 42.0


def test_a_slice_is_told_from_another() -> None:
    """From Python 3.14 on a slice of numbers is a constant of the code."""
    one, other = (list(kept._parts(slice(0, last), set())) for last in (1, 2))
    assert one != other


def test_damaged_files_are_made_again_and_old_ones_swept(folder: Path) -> None:
    python("calling.py", folder=folder)
    kept = folder / "kept" / "noonmark"
    for file in kept.rglob("*.nb*"):
        file.write_bytes(file.read_bytes()[:50])
    old = kept / "called.gone" / "0123"
    old.mkdir(parents=True)
    os.utime(old, (1, 1))
    assert python("calling.py", folder=folder).startswith("7.0 5.0 4.0\n")
    assert not old.exists()
    assert hits(python("calling.py", folder=folder))["outer"] == (1, 0)


def test_a_folder_that_cannot_be_written_ends_nothing(folder: Path) -> None:
    (folder / "file").write_text("in the way")
    said = python("calling.py", folder=folder, NUMBA_CACHE_DIR=str(folder / "file"), XDG_CACHE_HOME=str(folder))
    assert said.startswith("7.0")
    assert (folder / "noonmark" / "kernels").is_dir()  # the next best
    nowhere = (
        "import planner.kept as k; k.kept_in = lambda: None\n"
        "import runpy; runpy.run_path('calling.py', run_name='__main__')"
    )
    assert python("-c", nowhere, folder=folder).startswith("7.0")


def test_numba_is_left_as_it_was(folder: Path) -> None:
    code = "import numba; was = dict(vars(numba.config)); import calling; print(was == dict(vars(numba.config)))"
    assert python("-c", code, folder=folder).strip() == "True"


def test_what_a_change_on_trial_compiles_to_is_kept_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`tests/mutation.py` takes what is there, and leaves nothing."""
    usual = tmp_path / "usual"
    (usual / "kernel").mkdir(parents=True)
    (usual / "kernel" / "code").write_text("made")
    monkeypatch.setattr(kept, "kept_in", lambda: usual)
    mutation.keep_kernels_apart(tmp_path / "apart")
    assert kept.kept_in() == tmp_path / "apart" / "noonmark"
    assert (kept.kept_in() / "kernel" / "code").read_text() == "made"


OTHERS = """
import numba, numpy as np
from numba.core.registry import cpu_target
from planner.compiled import maker, kernel
def left():
    return dict(vars(cpu_target.target_context.codegen())), set(vars(cpu_target.typing_context))
was = left()
@maker
def half(values):
    return values / 2.0
@kernel
def highest(values):
    return np.sort(half(values))[-1]
print(highest(np.array([2.0, 6.0, 4.0])), left() == was)
def plainly(values):
    return np.sort(values)[-1]
print(numba.njit(nogil=True, error_model="numpy", no_cfunc_wrapper=True)(plainly)(np.array([2.0, 6.0, 4.0])))
@numba.njit
def product(n):
    return 1 if n < 2 else n * product(n - 1)
@kernel
def both(n):
    return product(n) + product(n - 1)
print(both(5))
"""


def test_what_others_compile_takes_what_was_compiled_here(folder: Path) -> None:
    """Numba keeps its own parts, once compiled, for all who call them; one function here calls itself."""
    (folder / "others.py").write_text(OTHERS)
    assert python("others.py", folder=folder).split() == ["3.0", "True", "6.0", "144"]


def test_numba_is_loaded_when_something_is_compiled(folder: Path) -> None:
    loaded = "print('numba' in sys.modules)"
    code = f"import sys, calling; calling.outer.py_func; {loaded}; calling.outer(3.0); {loaded}"
    assert python("-c", code, folder=folder).split() == ["False", "True"]


ZONE = """
import sys
import numpy as np
from planner.at_places import zone_at
from planner.climate.zones import equal_bands
zone_at(["a"], np.array([-119.4]), np.array([35.3]), equal_bands())
print("numba" in sys.modules)
"""


def test_the_zone_of_a_place_is_told_without_numba(folder: Path) -> None:
    assert python("-c", ZONE, folder=folder).strip() == "False"


def test_a_few_places_run_as_written_and_many_compiled_to_the_same_bits() -> None:
    rng = np.random.default_rng(5)
    n, edges, k = 400, np.arange(0.0, 13.0), np.arange(12)
    value, spread = rng.normal(6, 4, n), rng.uniform(0.0, 3.0, n)
    value[::17], spread[::23] = np.nan, np.inf
    cells, at = rng.integers(-500, 500, (9, 8, 24)).astype(np.int16), rng.integers(0, 8, (3, n))
    rows = rng.normal(size=(n, 12))
    rows[::13, 3] = np.nan
    starts = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    share = rng.uniform(size=(2, n))
    runs = {
        "normal_bands": lambda some: (kernels.normal_bands(value[some], spread[some], edges, k, k + 1),),
        "band_of": lambda some: (kernels.band_of(value[some], edges[:-1], edges[1:] + 1.0, edges[:-1] + 0.7),),
        "largest": lambda some: kernels.largest(rows[some]),
        "bilinear": lambda some: (
            kernels.bilinear(cells, *(one[some] for one in (*at, *share)), np.linspace(0.1, 2.0, 24)),
        ),
        "month_means_of_the_sun": lambda some: [
            month.T for month in kernels.month_means_of_the_sun(np.linspace(-89, 90, n)[some], starts)
        ],
    }
    for name, run in runs.items():
        few = [run(slice(begin, begin + kernels.FEW)) for begin in range(0, n, kernels.FEW)]
        for parts, whole in zip(zip(*few, strict=True), run(slice(0, n)), strict=True):
            assert np.array_equal(np.concatenate(parts), whole, equal_nan=whole.dtype.kind == "f"), name


CYCLES = """
import gc, logging, sys
logging.basicConfig(stream=sys.stdout, level=logging.INFO, format="%(message)s")
import calling
calling.outer(1.0)
print(gc.isenabled())
gc.disable()
calling.first(calling.Pair(1.0, 2.0))
print(gc.isenabled())
"""


def test_cycles_are_searched_again_after_compiling_and_each_kernel_is_told_of(folder: Path) -> None:
    assert python("-c", CYCLES, folder=folder).split() == ["outer", "inner", "True", "first", "False"]
    assert python("-c", CYCLES, folder=folder).split() == ["True", "False"]  # taken from the disk


SLOW = """
import numba.core.compiler as c, time
made = c.compile_extra
def slowly(*given, **named):
    time.sleep(0.7)
    return made(*given, **named)
import numba.core.dispatcher as d
d.compiler.compile_extra = slowly
import runpy
runpy.run_path("calling.py", run_name="__main__")
"""


def test_two_processes_compile_a_kernel_once(folder: Path) -> None:
    """The second waits for the first, and takes what it made."""
    with ThreadPoolExecutor(2) as pool:
        said = [each.result() for each in [pool.submit(python, "-c", SLOW, folder=folder) for _ in range(2)]]
    made = [hits(each) for each in said]
    assert all(sum(one[name][1] for one in made) == 1 for name in ("outer", "first", "apart")), made


TOGETHER = """
import threading
import numpy as np
from planner.climate.kernels import largest
rows = np.arange(1e6).reshape(-1, 5)
largest(rows)
found = []
def work():
    for _ in range(100):
        found.append(largest(rows)[0].sum())
several = [threading.Thread(target=work) for _ in range(3)]
for one in several:
    one.start()
for one in several:
    one.join()
print(len(found), set(found) == {4 * len(rows)})
"""


def test_three_threads_in_kernels_that_share_their_loops(folder: Path) -> None:
    """Numba's layer `workqueue`, which every machine has, would end the process where two threads enter at once."""
    said = python("-c", TOGETHER, folder=folder, NUMBA_THREADING_LAYER="workqueue", NUMBA_NUM_THREADS="2")
    assert said.split() == ["300", "True"]


def test_threads_are_as_many_as_asked_for(folder: Path) -> None:
    code = (
        "import threading, time\nfrom planner.compiled import in_threads\nwho = set()\n"
        "in_threads(lambda rows: (who.add(threading.get_ident()), time.sleep(0.01)), 64, 1)\nprint(len(who))"
    )
    assert int(python("-c", code, folder=folder, NUMBA_NUM_THREADS="1")) == 1


@pytest.mark.parametrize(("tried", "spared"), [((0, 0), False), ((99, 0), True)])
def test_a_numba_that_was_not_tried_compiles_by_itself(
    monkeypatch: pytest.MonkeyPatch, tried: tuple[int, int], spared: bool
) -> None:
    """Later ones may be made otherwise inside, and a run must not hang on that."""
    linked: list[object] = []
    make = thrift._Linked._make
    monkeypatch.setattr(thrift._Linked, "_make", lambda self: (linked.append(self), make(self)))
    monkeypatch.setattr(kept, "TRIED", tried)

    def add(a: float, b: float) -> float:
        return a + b

    assert kept.dispatcher(add, {}, on_disk=False)(1.0, 2.0) == 3.0
    assert bool(linked) is spared


@compiled.inner
def _gives_array(x):  # type: ignore[no-untyped-def]
    return 1.0, x[1:]


@compiled.maker
def _gives_array_as_a_maker(x):  # type: ignore[no-untyped-def]
    return 1.0, x[1:]


@compiled.kernel
def _asks_inner(x):  # type: ignore[no-untyped-def]
    return _gives_array(x)[1][0]


@compiled.inner
def _is_given_array(x):  # type: ignore[no-untyped-def]
    return _gives_array_as_a_maker(x)[1][0]


@compiled.kernel
def _asks_one_that_asks(x):  # type: ignore[no-untyped-def]
    return _is_given_array(x)


@compiled.kernel
def _asks_maker(x):  # type: ignore[no-untyped-def]
    return _gives_array_as_a_maker(x)[1][0]


def test_a_function_that_counts_no_holders_may_give_no_array_and_a_failure_ends_the_turn_of_others() -> None:
    given = np.array([3.0, 5.0])

    def refused(_: int) -> str:
        with pytest.raises(TypeError) as fault:
            _asks_inner(given)
        return str(fault.value)

    with ThreadPoolExecutor(2) as pool:  # the second does not wait for a lock that the first took
        assert all(
            "_gives_array gives an array or is given one, as only" in said for said in pool.map(refused, range(2))
        )
    with pytest.raises(TypeError, match="_is_given_array gives an array or is given one"):
        _asks_one_that_asks(given)
    assert _asks_maker(given) == 5.0
