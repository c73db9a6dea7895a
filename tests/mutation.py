"""Which changes of a module no test notices: `python tests/mutation.py MODULE [COUNT] [SEED]`, by hand, not in CI.

Constants are moved by a twentieth (or by one) either way, comparisons turned or made strict, `min` and `max`, `and`
and `or` swapped. Each change is made in a copy of the package; the module's own tests run on the copy.
"""

from __future__ import annotations

import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
TESTS = {  # the tests that hold each deciding module
    "decide": ("test_edges", "test_decide"),
    "mounts": ("test_edges", "test_mounts"),
    "rain": ("test_edges", "test_rain"),
    "siting": ("test_edges", "test_siting"),
    "season": ("test_edges", "test_season"),
    "reach/link": ("test_edges", "test_reach", "test_reach_radio"),
    "climate/zones": ("test_edges", "test_zone_trust", "test_climate"),
}
TURNED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
}  # fmt: skip
SWAPPED = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "all": "any", "any": "all"}


def mutations(tree: ast.AST) -> Iterator[tuple[int, str, str]]:
    """(position of the node in `ast.walk`, kind of change, what is changed into what)."""
    inside_text = {id(n) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for n in ast.walk(node)}
    for k, node in enumerate(ast.walk(tree)):
        if id(node) in inside_text:
            continue
        line = getattr(node, "lineno", 0)
        if isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield k, "more", f"{line}: {node.value} up"
            yield k, "less", f"{line}: {node.value} down"
        elif isinstance(node, ast.Compare) and type(node.ops[0]) in TURNED:
            yield k, "turn", f"{line}: {ast.unparse(node)} turned"
        elif isinstance(node, ast.BoolOp) or (isinstance(node, ast.Attribute) and node.attr in SWAPPED):
            yield k, "swap", f"{line}: {ast.unparse(node)} swapped"


def mutated(source: str, position: int, kind: str) -> str:
    tree = ast.parse(source)
    node = next(n for k, n in enumerate(ast.walk(tree)) if k == position)
    if isinstance(node, ast.Constant):
        step = 1 if isinstance(node.value, int) else 0.05 * abs(node.value) or 0.05
        node.value += step if kind == "more" else -step
    elif isinstance(node, ast.Compare):
        node.ops[0] = TURNED[type(node.ops[0])]()
    elif isinstance(node, ast.BoolOp):
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    elif isinstance(node, ast.Attribute):
        node.attr = SWAPPED[node.attr]
    return ast.unparse(tree)


def noticed(copy: Path, tests: tuple[str, ...]) -> bool:
    files = [str(copy / "tests" / f"{name}.py") for name in tests]
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "--no-header", *files],
        cwd=copy, env=os.environ | {"PYTHONPATH": str(copy)}, capture_output=True, timeout=900,
    )  # fmt: skip
    if run.returncode not in (0, 1, 2):
        raise RuntimeError(run.stdout.decode()[-2000:] + run.stderr.decode()[-2000:])
    return run.returncode != 0


def main(module: str, count: int = 20, seed: int = 1) -> None:
    source = (ROOT / "planner" / f"{module}.py").read_text(encoding="utf-8")
    every = list(mutations(ast.parse(source)))
    tried = random.Random(seed).sample(every, min(count, len(every)))
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", "maps", ".hypothesis", "out"))
        if noticed(copy, TESTS[module]):
            raise SystemExit("the tests fail without a change")
        survived = 0
        for position, kind, said in tried:
            (copy / "planner" / f"{module}.py").write_text(mutated(source, position, kind), encoding="utf-8")
            if not noticed(copy, TESTS[module]):
                survived += 1
                print(f"survived: planner/{module}.py:{said}", flush=True)
    print(f"{survived} of {len(tried)} changes of {module} survived, of {len(every)} possible (seed {seed})")


if __name__ == "__main__":
    main(sys.argv[1], *map(int, sys.argv[2:]))
