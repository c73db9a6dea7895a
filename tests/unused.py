"""Functions and classes of `planner` that nothing in `planner` or `data` names: `python tests/unused.py`.

What tests alone use belongs to the tests, or goes. Run by hand: what a library calls by its own names (numba's
cache, pydantic's validators, commands) and what is there for callers of the package is no fault, and is told apart
by eye.
"""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]


def words_of(tree: ast.Module) -> Iterator[str]:
    """Names, attributes, keywords, and words of short strings: all by which a function may be reached."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Name):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.keyword) and node.arg:
            yield node.arg
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and len(node.value) < 60:
            yield from re.findall(r"\w+", node.value)


def unused(root: Path = ROOT) -> list[tuple[str, int, str, int]]:
    """(file, line, name, lines) of each, by file."""
    trees = {path: ast.parse(path.read_text(encoding="utf-8")) for path in sorted((root / "planner").rglob("*.py"))}
    said = Counter(word for tree in trees.values() for word in words_of(tree))
    for path in (root / "data").rglob("*.py"):
        said.update(words_of(ast.parse(path.read_text(encoding="utf-8"))))
    pages = " ".join(page.read_text(encoding="utf-8") for page in (root / "planner").rglob("*.html"))
    return [
        (str(path.relative_to(root)), node.lineno, node.name, (node.end_lineno or 0) - node.lineno + 1)
        for path, tree in trees.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and not node.name.startswith("__")
        and not said[node.name]
        and not re.search(rf"\b{node.name}\b", pages)
    ]


if __name__ == "__main__":
    for file, line, name, lines in unused():
        print(f"{file}:{line} {name}, {lines} lines")
