"""One glossary: no sentence of the package says what the glossary avoids, and pages and README share its terms."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from planner.show.say.glossary import AVOID, GLOSSARY

ROOT = Path(__file__).parents[1]
MODULES = sorted(p for p in (ROOT / "planner").rglob("*.py") if p.name != "glossary.py")
PAGES = sorted(page for room in ("show", "serve") for page in (ROOT / f"planner/{room}/assets").glob("*.html"))


def sentences(path: Path) -> Iterator[tuple[int, str]]:
    """Line and text of every string of a module that is no docstring; parts of one string are joined."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    inside = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, documented) and node.body and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts = [part.value if isinstance(part, ast.Constant) else "…" for part in node.values]
            yield node.lineno, "".join(map(str, parts))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inside:
            yield node.lineno, node.value


# Rooms that tell codes and numbers; pages, tables and messages are made of them elsewhere.
CORE = (
    "at_places", "climate", "contract", "decide", "gaps", "ground", "mounts", "programme", "rain", "reach",
    "review", "season", "site", "siting", "sun",
)  # fmt: skip
MANY = 4  # words in a row are a sentence, or half of one; fewer are a name
# Sentences that the core does hold, and why.
HELD = {
    "climate/answer.py": "`Basis`: values of the column `basis`",
    "climate/best.py": "how ETo was found: an ETo layer's history, a notice and the column `source` quote it",
    "climate/eto.py": "the same: `Step`",
    "climate/builtin.py": "the terms of the data and what they are, which are quoted",
    "programme/knowledge.py": "sources of the defaults, which are quoted",
}


def sentences_held(path: Path) -> list[tuple[int, str]]:
    """Strings of MANY words and more that are neither docstring, error nor notice."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    above = {below: node for node in ast.walk(tree) for below in ast.iter_child_nodes(node)}

    def excused(node: ast.AST | None) -> bool:
        while node is not None:
            if isinstance(node, ast.Raise | ast.Expr) and not isinstance(getattr(node, "value", None), ast.Call):
                return True
            if isinstance(node, ast.Call) and re.search(r"(Error|\bledger\.add)$", ast.unparse(node.func)):
                return True
            node = above.get(node)
        return False

    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value if not isinstance(above[node], ast.JoinedStr) else ast.unparse(above[node])
            plain = re.sub(r"\{[^}]*\}|\S*[_/=\\]\S*", " ", text)
            if len(re.findall(r"\b[A-Za-z]{2,}\b", plain)) >= MANY and not excused(node):
                found.append((node.lineno, text[:90]))
    return found


def test_no_room_of_the_core_holds_sentences() -> None:
    paths = [p for p in MODULES if p.relative_to(ROOT / "planner").parts[0].removesuffix(".py") in CORE]
    assert {p.relative_to(ROOT / "planner").parts[0].removesuffix(".py") for p in paths} == set(CORE)
    found = {str(p.relative_to(ROOT / "planner")): sentences_held(p) for p in paths}
    assert {name: lines for name, lines in found.items() if lines and name not in HELD} == {}
    assert all(found[name] for name in HELD), "an exception that is none"


def said_wrongly(text: str) -> list[str]:
    """Words to avoid; a code (a key, a name in backticks) is no sentence."""
    plain = re.sub(r"`[^`]*`|\b\w+[._]\w+\b", " ", text)
    if " " not in plain.strip():
        return []
    return [word for word in AVOID if re.search(rf"(?<![\w]){re.escape(word)}(?![\w])", plain, re.I)]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_no_sentence_says_what_the_glossary_avoids(path: Path) -> None:
    wrong = [(line, text[:90], found) for line, text in sentences(path) if (found := said_wrongly(text))]
    assert wrong == []


@pytest.mark.parametrize("path", PAGES, ids=lambda p: p.name)
def test_no_page_says_what_the_glossary_avoids(path: Path) -> None:
    text = re.sub(
        r"\{%.*?%\}|\{\{.*?\}\}|<[^>]+>|class=\"[^\"]*\"", " ", path.read_text(encoding="utf-8"), flags=re.S
    )
    assert said_wrongly(text) == []


def test_what_is_to_be_said_is_not_avoided() -> None:
    for better in (*AVOID.values(), *(term.meaning for term in GLOSSARY)):
        assert said_wrongly(better + " .") == [], better


def test_the_readme_has_the_glossary() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for term in GLOSSARY:
        assert f"**{term.word}**: {term.meaning}" in text, term.word


# Lengths that are said in one unit whatever the plan's are, and why.
ONE_UNIT = {
    "at_sites.py": "elevations as the layer and its key `height_unit` have them",
    "weather.py": "`weather_within_km`, quoted from the plan",
    "drawing.py": "what one unit of a drawing is",
    "climate_grid.py": "the plan's unit of ETo, as the file's tag has it",
    "best.py": "the formula's own heights and lapse rate; ETo as the formulas give it",
    "at_point.py": "a height as the caller gave it",
    "changes.py": "the same, and an area",
}


def test_distances_are_said_in_the_plans_units() -> None:
    """Notices and errors of the edges say lengths through the ledger, which knows the plan's units."""
    found: dict[str, list[str]] = {}
    for path in MODULES:
        if path.relative_to(ROOT / "planner").parts[0] in ("show", "plan", "units.py", "ledger.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr) and re.search(r"\}[ -](km|m|mm|ft)\b", ast.unparse(node)):
                found.setdefault(path.name, []).append(ast.unparse(node)[:90])
    assert {name: said for name, said in found.items() if name not in ONE_UNIT} == {}
    assert set(ONE_UNIT) <= set(found), "an exception that is none"
