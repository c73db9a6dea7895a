"""Which changes of a module no test notices: `python tests/mutation.py MODULE [COUNT] [SEED]`, by hand, not in CI.

Constants are moved by a twentieth (or by one) either way, but for guards against rounding (a millionth and less);
comparisons are turned or made strict, `min` and `max`, `and` and `or` swapped. Nothing is written: this process
loads all that does not stand on the module, and each change is tried in a fork of it, where the changed module is
loaded in memory and the tests run that touch the changed lines, the quickest and those that noticed a change before
first, up to the first that fails. Which test touches which line is found once, without a change.
"""

from __future__ import annotations

import ast
import importlib
import importlib.abc
import importlib.util
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path
from types import FrameType, ModuleType
from typing import Any

ROOT = Path(__file__).parents[1]
TESTS = {  # the tests that hold each deciding module
    "decide": ("test_edges", "test_decide"),
    "mounts": ("test_edges", "test_mounts"),
    "rain": ("test_rain_edges", "test_edges", "test_rain"),
    "siting": ("test_siting_edges", "test_edges", "test_siting"),
    "season": ("test_edges", "test_season"),
    "reach/link": ("test_link_edges", "test_edges", "test_reach", "test_reach_radio"),
    "climate/zones": ("test_zone_edges", "test_edges", "test_zone_trust", "test_climate"),
}
# patterns of module, function and change that change nothing anyone could see, and why
ALIKE = (
    ("*", "*", "* SLACK turned", "the slack is a hair of rounding"),
    ("*", "*", "*<= TOUCH_M turned", "the same"),
    ("rain", "*", "* least turned", "what is just so low is not met in numbers that are rounded"),
    ("rain", "*", "* TOUCH_M * length turned", "the slack is a hair of rounding"),
    (
        "rain",
        "_add_rasters",
        "value > seen.tangent[[]:, s[]] turned",
        "what is as steep to the last bit is not met",
    ),
    ("rain", "_walls", "1 up", "one start more is never read"),
    ("rain", "_add_prisms", "10.0 *", "ten times a hair"),
    ("rain", "_add_prisms", "1.0 down", "of a corner's two edges the other one begins where this one ends"),
    ("rain", "_add_prisms", "0.0 up", "the same"),
    ("rain", "_add_prisms", "length > 0.0 turned", "an edge of no length is as near as its neighbors' ends"),
    ("rain", "_add_prisms", "0.0 down", "the same"),
    ("rain", "_on_edge", "length2 > 0.0 turned", "the same"),
    ("rain", "_on_edge", "0.0 down", "the same"),
    ("rain", "_add_crowns", "0.0 down", "less than nothing comes of rounding alone"),
    ("rain", "rain_and_surroundings", "1 up", "any row below 0 is none"),
    ("rain", "_drip", "1 up", "the same"),
    ("rain", "_add_prisms", "180.0 up", "the back of a building is hidden by its front"),
    ("rain", "_add_prisms", "360.0 down", "the same"),
    ("rain", "rain_and_surroundings", "2 up", "GEOS measures on plan, whatever the height"),
    ("rain", "_heat_share", "2 up", "the same"),
    ("rain", "_circle_by_edge", "*turned", "a line or an end that only touches the circle cuts nothing off"),
    ("rain", "_covered_area", "away < radii[[]j[]] turned", "the same"),
    ("mounts", "", "2.0 up", "steps of half a meter end at 2 m all the same"),
    ("mounts", "", "5.0 up", "the same at 5 m"),
    ("mounts", "best_move", "1.0 ?*", "any number under the lowest score does for a place that is ruled out"),
    ("mounts", "_along_edges", "_straight_share(rings) < 0.5 turned", "a share of a length is never just a half"),
    ("mounts", "_mounts", "2 up", "the ground's height is looked up on plan"),
    ("mounts", "find_mounts", "2 *", "no rows, of whatever width, are laid out anew"),
    ("mounts", "_still_on_edge", "np.abs(off) < 0.05 turned", "a distance is never just 5 cm"),
    ("season", "effective_rain_mm", "rain > 75.0 turned", "both formulas give 35 mm there"),
    ("decide", "_under", "1.0 up", "what is lacking is cut at 1"),
    ("decide", "_judged", "1.0 up", "what is lacking is cut at 1"),
    ("decide", "", "1 ?*", "a default of `nearest` that `decide` always gives"),
    ("decide", "", "0 ?*", "a default of `usable` that `decide` always gives"),
    ("decide", "_row_of", "200 ?*", "where a long hint of names is cut"),
    ("decide", "_under", "value > 0 turned", "of nothing all is lacking by either branch"),
    ("decide", "_spread_out", "chosen >= 0 turned", "where none is chosen, none passes"),
    ("siting", "_temperature", "* 1e-09 turned", "a hair of rounding"),
    ("siting", "_temperature", "1 up", "the next class's limit of the slope is no lower"),
    ("siting", "_precipitation", "1 up", "the same"),
    ("reach/link", "grade", "0.0 ?*", "a distance that no range is held against"),
    ("reach/link", "outdoors", "1 up", "any row below 0 is no building"),
    ("reach/link", "holding", "1 up", "the same"),
    ("reach/link", "holding", "2 up", "GEOS measures on plan, whatever the height"),
    ("reach/link", "controller_height_m", "2 up", "the ground's height is looked up on plan"),
    ("reach/link", "_spread", "1.0 ?*", "stands where nothing is left, and is not read"),
    ("reach/link", "_spread", "1 down", "no edge counts as one"),
    ("climate/zones", "zone_of", "1000.0 ?*", "any number beyond all climates makes an open band's middle finite"),
    ("climate/zones", "zone_table", "gap <= _ROUNDING_GAP_MM_DAY turned", "no gap of typed bounds is just that"),
    ("climate/zones", "zone_table", "gap <* 1e-09 turned", "a hair of rounding"),
)
GUARD = 1e-6
LONGEST_S = 300  # for the tests of one change; what takes longer does not end, which is noticed
TURNED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
}  # fmt: skip
SWAPPED = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "all": "any", "any": "all"}
SURVIVED, NOTICED = 0, {1, 2, 4}  # pytest's own codes: a test fails, or the module cannot even be loaded


@dataclass(frozen=True)
class Change:
    position: int  # of the node in `ast.walk`
    kind: str
    said: str
    lines: range  # of the statement's part that is changed
    function: str  # that holds it, "" for the module itself
    compiled: bool  # whether that function is a kernel, whose lines Python does not see


@dataclass
class Seen:
    """What was seen of the tests without a change: seconds, lines of the module that ran, changes noticed."""

    seconds: dict[str, float] = field(default_factory=dict)
    lines: dict[str, set[int]] = field(default_factory=dict)
    noticed: dict[str, int] = field(default_factory=dict)

    def in_order(self, change: Change) -> list[str]:
        everywhere = change.compiled or not change.function
        tests = [t for t in self.seconds if everywhere or self.lines[t].intersection(change.lines)]
        return sorted(tests, key=lambda t: (not self.lines[t], self.seconds[t] / (1 + self.noticed.get(t, 0))))


def changes(tree: ast.AST) -> Iterator[Change]:
    inside_text = {id(n) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for n in ast.walk(node)}
    function, compiled = {}, set()
    for top in ast.walk(tree):  # outer ones come first, so that a node ends with its innermost function
        if isinstance(top, ast.FunctionDef):
            body = [n for part in top.body for n in ast.walk(part)]
            function |= {id(n): top.name for n in body}
            if any({"kernel", "inner"} & {ast.unparse(n) for n in ast.walk(d)} for d in top.decorator_list):
                compiled |= {id(n) for n in body}
    shapes = {  # of `reshape`: NumPy takes any negative length as the one to be found
        id(n)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "reshape"
        for given in node.args
        for n in ast.walk(given)
    }
    for k, node in enumerate(ast.walk(tree)):
        if id(node) in inside_text | shapes or not hasattr(node, "lineno"):
            continue
        lines = range(node.lineno, (node.end_lineno or node.lineno) + 1)
        kinds = {}
        if isinstance(node, ast.Constant) and type(node.value) in (int, float) and not 0 < node.value <= GUARD:
            kinds = {"more": f"{node.value} up", "less": f"{node.value} down"}
        elif isinstance(node, ast.Compare) and type(node.ops[0]) in TURNED:
            kinds = {"turn": f"{ast.unparse(node)} turned"}
        elif isinstance(node, ast.BoolOp) or (isinstance(node, ast.Attribute) and node.attr in SWAPPED):
            kinds = {"swap": f"{ast.unparse(node)} swapped"}
        elif isinstance(node, ast.Name) and node.id in SWAPPED:
            kinds = {"swap": f"{node.id} swapped"}
        for kind, said in kinds.items():
            yield Change(k, kind, said, lines, function.get(id(node), ""), id(node) in compiled)


def changed(source: str, change: Change) -> ast.Module:
    tree = ast.parse(source)
    node = next(n for k, n in enumerate(ast.walk(tree)) if k == change.position)
    if isinstance(node, ast.Constant):
        step = 1 if isinstance(node.value, int) else 0.05 * abs(node.value) or 0.05
        node.value += step if change.kind == "more" else -step
    elif isinstance(node, ast.Compare):
        node.ops[0] = TURNED[type(node.ops[0])]()
    elif isinstance(node, ast.BoolOp):
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    elif isinstance(node, ast.Attribute):
        node.attr = SWAPPED[node.attr]
    elif isinstance(node, ast.Name):
        node.id = SWAPPED[node.id]
    return ast.fix_missing_locations(tree)


# --- what is loaded beforehand -----------------------------------------------------------------------------------


def stands_on(target: str) -> set[str]:
    """The package's modules that import `target` while they are loaded, at any remove, and itself."""
    named: dict[str, set[str]] = {}
    for path in (ROOT / "planner").rglob("*.py"):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        tree = ast.parse(path.read_text(encoding="utf-8"))
        later = {id(n) for f in ast.walk(tree) if isinstance(f, ast.FunctionDef) for n in ast.walk(f)}
        found = {name.rpartition(".")[0]}
        for node in ast.walk(tree):
            if id(node) in later:
                continue
            if isinstance(node, ast.Import):
                found |= {one.name for one in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found |= {node.module, *(f"{node.module}.{one.name}" for one in node.names)}
        named[name] = found
    reached = {target}
    while more := {name for name, found in named.items() if name not in reached and found & reached}:
        reached |= more
    return reached


def load_the_rest(target: str) -> None:
    for name in (
        "geopandas",
        "pyogrio",
        "rasterio",
        "pvlib",
        "scipy.optimize",
        "scipy.special",
        "hypothesis",
        "numba",
    ):
        importlib.import_module(name)
    touched = stands_on(target)
    for path in sorted((ROOT / "planner").rglob("*.py")):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        if name not in touched and not name.endswith("__main__"):
            importlib.import_module(name)


class InMemory(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads one module from a tree in memory, under its file's name."""

    def __init__(self, name: str, path: Path, tree: ast.Module) -> None:
        self.name, self.path, self.tree = name, path, tree

    def find_spec(self, name: str, *_: object) -> Any:
        return importlib.util.spec_from_file_location(name, self.path, loader=self) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self.tree, str(self.path), "exec"), module.__dict__)


# --- the tests, in a fork ----------------------------------------------------------------------------------------


class Watch:
    """A plugin of pytest: what each test takes, which lines of the module it runs, and which one failed."""

    def __init__(self, path: Path | None) -> None:
        self.file = str(path) if path else ""
        self.seconds: dict[str, float] = {}
        self.lines: dict[str, set[int]] = {}
        self.shared: dict[str, set[int]] = {}  # what a file's fixtures run is run for all of its tests
        self.failed = ""
        self.now: set[int] = set()

    def _trace(self, frame: FrameType, event: str, _: object) -> Any:
        if frame.f_code.co_filename != self.file:
            return None
        self.now.add(frame.f_lineno)
        return self._trace

    def pytest_runtest_logstart(self) -> None:
        self.now = set()
        if self.file:
            sys.settrace(self._trace)

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            self.failed = self.failed or report.nodeid
        if report.when == "setup":
            self.shared.setdefault(report.nodeid.split("::")[0], set()).update(self.now)
        self.lines.setdefault(report.nodeid, set()).update(self.now)
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
        self.now = set()

    def pytest_runtest_logfinish(self) -> None:
        sys.settrace(None)


def in_a_fork(work: Callable[[], str], seconds: float) -> str | None:
    """What `work` returns in a forked process, None where it does not end in time; it is silent."""
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.close(reads)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        code = 1
        try:
            with os.fdopen(writes, "w") as pipe:
                pipe.write(work())
            code = 0
        finally:
            os._exit(code)
    os.close(writes)

    def too_long(*_: object) -> None:
        os.killpg(child, signal.SIGKILL)

    before = signal.signal(signal.SIGALRM, too_long)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        with os.fdopen(reads) as pipe:
            said = pipe.read()
        _, status = os.waitpid(child, 0)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
    return said if status == 0 else None


def tests_run(wanted: list[str], module: InMemory, watched: bool) -> str:
    """JSON of [code, test that failed, seconds a test, lines a test]."""
    import pytest

    sys.meta_path.insert(0, module)
    watch = Watch(module.path if watched else None)
    code = pytest.main(
        ["-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:benchmark", *wanted], [watch]
    )
    lines = {test: sorted(ran | watch.shared.get(test.split("::")[0], set())) for test, ran in watch.lines.items()}
    return json.dumps([int(code), watch.failed, watch.seconds, lines])


def main(module: str, count: int = 40, seed: int = 1) -> None:
    os.environ.setdefault("NUMBA_NUM_THREADS", "1")
    os.chdir(ROOT)
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
    path = ROOT / "planner" / f"{module}.py"
    name = "planner." + module.replace("/", ".")
    source = path.read_text(encoding="utf-8")
    every = list(changes(ast.parse(source)))
    tried = random.Random(seed).sample(every, min(count, len(every)))
    load_the_rest(name)
    with tempfile.TemporaryDirectory() as folder:
        keep_kernels_apart(Path(folder))
        started = time.monotonic()
        whole = [f"tests/{test}.py" for test in TESTS[module]]
        same = InMemory(name, path, ast.parse(source))
        found = in_a_fork(lambda: tests_run(whole, same, True), 10 * LONGEST_S)
        code, failed, seconds, lines = json.loads(found) if found else (3, "all", {}, {})
        if code:
            raise SystemExit(f"the tests fail without a change: {failed}")
        seen = Seen(seconds, {test: set(ran) for test, ran in lines.items()})
        touching = sum(map(bool, seen.lines.values()))
        took = time.monotonic() - started
        print(f"{len(seconds)} tests in {took:.0f} s, {touching} of them touch planner/{module}.py", flush=True)
        survived, alike = 0, 0
        for change in tried:
            order = seen.in_order(change)
            one = InMemory(name, path, changed(source, change))
            # the files of edges first: they are quick to load, and most changes are noticed there
            first = [t for t in order if "_edges.py" in t]
            code = SURVIVED
            for tests in filter(None, (first, [t for t in order if t not in first])):
                said = in_a_fork(lambda one=one, tests=tests: tests_run(tests, one, False), LONGEST_S)
                code, failed, *_ = json.loads(said) if said is not None else (1, "one that does not end")
                if code not in NOTICED | {SURVIVED}:
                    raise SystemExit(
                        f"pytest itself failed ({code}) at {module}.py:{change.lines[0]}: {change.said}"
                    )
                if code != SURVIVED:
                    seen.noticed[failed] = seen.noticed.get(failed, 0) + 1
                    break
            if code != SURVIVED:
                continue
            survived += 1
            own = (module, change.function, change.said)
            reason = next((why for *of, why in ALIKE if all(map(fnmatch, own, of))), None)
            alike += reason is not None
            inside = f" in {change.function}" if change.function else ""
            because = f": nobody could see it: {reason}" if reason else ""
            at = f"planner/{module}.py:{change.lines[0]}"
            print(f"survived: {at}: {change.said}{inside} ({len(order)} tests){because}", flush=True)
    print(
        f"{module}: of {len(tried)} changes {len(tried) - survived} noticed, {survived} not, {alike} of which "
        f"change nothing; {len(every)} possible, seed {seed}, {time.monotonic() - started:.0f} s"
    )


def keep_kernels_apart(folder: Path) -> None:
    """What a changed kernel compiles to does not stay in the user's cache; what is there is used, by links."""
    from planner import kept

    root = kept.kept_in()
    if root is not None and root.is_dir():
        shutil.copytree(root, folder / "noonmark", copy_function=_linked)
    kept.kept_in = lambda: folder / "noonmark"


def _linked(source: str, target: str) -> None:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


if __name__ == "__main__":
    main(sys.argv[1], *map(int, sys.argv[2:]))
