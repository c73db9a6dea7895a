"""The rooms of the house import what DEVELOPERS.md says, and nothing else.

`python tests/test_rooms.py` rewrites the block there; whether a new line in it is wanted, its writer judges.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).parents[1]
HOUSE = ROOT / "planner"
ROOMS = {path.stem for path in HOUSE.glob("*.py")} | {path.parent.name for path in HOUSE.glob("*/__init__.py")}
ROOMS -= {"__init__", "__main__"}


BLOCK = re.compile(r"(### Who stands on whom\n.*?```\n)(.*?)(```)", re.S)


def said() -> dict[str, set[str]]:
    """Room to rooms, as the block "Who stands on whom" of DEVELOPERS.md has them."""
    block = BLOCK.search((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert block, "DEVELOPERS.md has no block under 'Who stands on whom'"
    lines = [line.split() for line in block[2].splitlines()]
    assert len({line[0] for line in lines}) == len(lines)
    return {room: set(others) - {"-"} for room, *others in lines}


def modules(room: str) -> list[Path]:
    folder = HOUSE / room
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [HOUSE / f"{room}.py"]


def names_imported(path: Path) -> Iterator[str]:
    """Dotted names of all that a module imports, also inside functions and for types alone."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}: imports are written out from the top"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def stands_on(room: str) -> set[str]:
    ours = [name.split(".") for path in modules(room) for name in names_imported(path)]
    return {name[1] for name in ours if name[0] == "planner" and len(name) > 1 and name[1] in ROOMS} - {room}


def test_each_room_stands_on_what_developers_says() -> None:
    assert {room: stands_on(room) for room in sorted(ROOMS)} == dict(sorted(said().items()))


def test_no_circles_and_the_block_reads_downwards() -> None:
    order = said()
    list(TopologicalSorter(order).static_order())  # raises CycleError, with the circle
    above: set[str] = set()
    for room, others in order.items():
        assert others <= above, f"{room} stands on {others - above}, which come after it in DEVELOPERS.md"
        above.add(room)


# What must not come back, whatever the block is rewritten to.
NEVER = {
    "layers": {"sun", "climate", "rain", "reach", "decide", "job", "contract", "show"},
    "climate": {"layers", "store", "show"},
    "contract": {"layers", "store", "batches", "show"},
    "rain": {"sun"},
    "batches": {"show"},
    "show": {"layers", "batches"},
}
READERS = {"csv", "h5py", "json", "pandas", "pathlib", "pyogrio", "rasterio", "pyarrow"}


def test_what_must_not_come_back() -> None:
    assert {room: stands_on(room) & others for room, others in NEVER.items()} == {room: set() for room in NEVER}
    # the built-in layer reads the package's own data; nothing else in these rooms opens a file
    pure = [p for room in ("climate", "contract", "decide") for p in modules(room) if p.stem != "builtin"]
    reading = {p.name: {n.split(".")[0] for n in names_imported(p)} & READERS for p in pure}
    assert {name: found for name, found in reading.items() if found} == {}


def rewrite() -> None:
    """The block as the source has it, each room after those that it stands on."""
    found = {room: stands_on(room) for room in sorted(ROOMS)}
    order = TopologicalSorter({room: sorted(others) for room, others in found.items()}).static_order()
    lines = [f"{room:<{max(map(len, ROOMS))}} {' '.join(sorted(found[room])) or '-'}\n" for room in order]
    path = ROOT / "DEVELOPERS.md"
    text = path.read_text(encoding="utf-8")
    path.write_text(BLOCK.sub(lambda m: m[1] + "".join(lines) + m[3], text), encoding="utf-8")


if __name__ == "__main__":
    rewrite()
