"""What one room takes from another says what it takes, gives and raises: numpydoc sections, held to the signatures.

The rule. A function that another room of `planner` imports has a section `Parameters` that names each of its
parameters, `Returns` where it returns something, and `Raises` that names each kind of error that its own body, or a
function of its module that it calls, raises. A short function (one statement below the docstring, or at most SHORT
lines; at most two parameters; raising nothing for them) says all that in its one line.
"""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SHORT = 3

Function = ast.FunctionDef
Named = tuple[str, str]  # module, name


@cache
def sources() -> dict[str, str]:
    found = {}
    for path in sorted((ROOT / "planner").rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found[name] = path.read_text(encoding="utf-8")
    return found


@cache
def modules() -> dict[str, ast.Module]:
    return {name: ast.parse(text) for name, text in sources().items()}


def room(module: str) -> str:
    return [*module.split("."), ""][1]


@cache
def functions() -> dict[Named, Function]:
    return {
        (module, node.name): node
        for module, tree in modules().items()
        for node in tree.body
        if isinstance(node, ast.FunctionDef) and "overload" not in map(ast.unparse, node.decorator_list)
    }


@cache
def imports() -> dict[Named, Named]:
    """Names that a module has from another, at its top or in a function."""
    return {
        (module, alias.asname or alias.name): (node.module or "", alias.name)
        for module, tree in modules().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


def meant(named: Named) -> Named:
    """Where a name that a module hands on comes from."""
    while named not in functions() and imports().get(named, named) != named:
        named = imports()[named]
    return named


def used_by(module: str, tree: ast.Module) -> Iterator[Named]:
    """Names of other modules that a module imports, or reaches as attributes of modules that it imports."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            yield from ((node.module or "", alias.name) for alias in node.names)
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            whole = imports().get((module, node.value.id))
            if whole is not None and ".".join(whole) in modules():
                yield ".".join(whole), node.attr


@cache
def faces() -> tuple[Named, ...]:
    """Functions that another room imports, or that callers of the package have, but for private ones."""
    taken = {
        meant(named)
        for module, tree in modules().items()
        for named in used_by(module, tree)
        if room(meant(named)[0]) != room(module)
    }
    taken |= {named for named in functions() if named[0] == "planner"}
    return tuple(sorted(named for named in taken if named in functions() and named[1][0] != "_"))


def parameters(function: Function) -> list[str]:
    of = function.args
    return [each.arg for each in (*of.posonlyargs, *of.args, *of.kwonlyargs)]


def not_caught(node: ast.AST, caught: frozenset[str] = frozenset()) -> Iterator[tuple[ast.AST, frozenset[str]]]:
    """All nodes below one, and the kinds of errors that are caught around each."""
    for name, value in ast.iter_fields(node):
        inside = caught
        if isinstance(node, ast.Try) and name == "body":
            handled = [ast.unparse(handler.type) for handler in node.handlers if handler.type is not None]
            inside = caught | set(re.findall(r"\w+", " ".join(handled)))
        for each in value if isinstance(value, list) else [value]:
            if isinstance(each, ast.AST):
                yield each, inside
                yield from not_caught(each, inside)


def kinds_raised(module: str, function: Function) -> set[str]:
    """Kinds of errors raised in a function, and in the functions of its module that it calls."""
    nothing: frozenset[str] = frozenset()
    found, open_, seen = set(), [(function, nothing)], {(function.name, nothing)}
    while open_:
        for node, around in not_caught(*open_.pop()):
            if isinstance(node, ast.Raise) and node.exc is not None:
                name = ast.unparse(node.exc.func if isinstance(node.exc, ast.Call) else node.exc)
                found |= {name} - around if re.fullmatch(r"[A-Z]\w*Error", name) else set()
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                called = functions().get((module, node.func.id))
                if called is not None and (called.name, around) not in seen:
                    seen.add((called.name, around))
                    open_.append((called, around))
    return found - {"PlannerError"}


def is_short(module: str, function: Function) -> bool:
    below, taken = function.body[1:], parameters(function)
    lines = below[-1].end_lineno - below[0].lineno + 1 if len(below) > 1 else 1  # type: ignore[operator]
    return lines <= SHORT and len(taken) <= 2 and not (taken and kinds_raised(module, function))


def section(said: str, name: str) -> str:
    """Text under a heading, as far as the next one; '' where there is none."""
    parts = re.split(r"^(\w[\w ]*)\n-{3,}$\n?", said, flags=re.M)
    return dict(zip(parts[1::2], parts[2::2], strict=True)).get(name, "")


def lacks(named: Named) -> list[str]:
    """What the docstring of a function does not say."""
    module, function = named[0], functions()[named]
    said = ast.get_docstring(function) or ""
    if not said:
        return ["a docstring"]
    if is_short(module, function):
        return []
    # "low, high" and "low : float" both head a description
    heads = re.findall(r"^(\w.*)$", section(said, "Parameters"), flags=re.M)
    told = {name for head in heads for name in re.split(r"[,\s]+", head.split(" : ")[0])}
    lacking = [f"parameter {name}" for name in parameters(function) if name not in told]
    lacking += [f"parameter {name}, which it has not" for name in sorted(told - set(parameters(function)))]
    returns = function.returns is not None and ast.unparse(function.returns) != "None"
    if returns and not (section(said, "Returns") or section(said, "Yields")):
        lacking.append("Returns")
    raised = section(said, "Raises")
    return lacking + [f"Raises {kind}" for kind in sorted(kinds_raised(module, function)) if kind not in raised]


def test_what_rooms_take_from_each_other_is_described() -> None:
    assert len(faces()) > 300
    found = {".".join(named): lacks(named) for named in faces()}
    assert {name: lacking for name, lacking in found.items() if lacking} == {}


def test_the_rule_finds_what_is_missing() -> None:
    """A parameter that is not told, one that is not there, a Returns and a Raises that are left out."""
    source = '''
def face(a, b_m, c):
    """Does.

    Parameters
    ----------
    a, d
        Told.
    """
    if a:
        raise ValueError("no")
    e = b_m
    return e + c
'''
    tree = ast.parse(source.replace("c):", "c) -> float:"))
    functions()["made.up", "face"] = tree.body[0]  # type: ignore[assignment]
    try:
        expected = ["parameter b_m", "parameter c", "parameter d, which it has not", "Returns", "Raises ValueError"]
        assert lacks(("made.up", "face")) == expected
    finally:
        del functions()["made.up", "face"]


# by the text: to find the faces takes seconds, which each worker would spend before its first test
WITH_EXAMPLES = sorted(name for name, text in sources().items() if ">>> " in text)


@pytest.mark.parametrize("module", WITH_EXAMPLES)
def test_the_examples_run(module: str) -> None:
    found = doctest.testmod(importlib.import_module(module), optionflags=doctest.ELLIPSIS)
    assert found.attempted
    assert not found.failed
