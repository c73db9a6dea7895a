"""Every command of the README as it is written there, one after another, from a folder that holds the examples.

They run in one process, for each start of a process loads the same libraries; that processes of their own work is
tests/test_commands.py's. What installs is `.ci/run`'s.
"""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from planner.cli import app

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BEFORE_TERMS = README[: README.index("## Terms")]


def commands() -> list[str]:
    """In order: lines of the blocks, the column "runs as it is", and those in running text that are whole."""
    found = []
    for line in re.sub(r"```sh\n(.*?)```", lambda m: f"`{m[1].strip()}`", BEFORE_TERMS, flags=re.S).splitlines():
        for said in re.findall(r"`([^`]+)`", line):
            found += [part.strip() for part in said.split("&&") if re.match(r"\s*(\.venv/bin/)?noonmark ", part)]
    whole = [command for command in found if not re.search(r"\b[A-Z]{4,}\b", command)]
    return list(dict.fromkeys(command.removeprefix(".venv/bin/") for command in whole))


def test_the_commands_are_found() -> None:
    there = commands()
    assert "noonmark start examples/small" in there
    assert "noonmark zone 35.27 -119.36" in there
    assert sum(command.startswith("noonmark site examples/small/") for command in there) == 6
    assert len(there) >= 13


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    there = tmp_path_factory.mktemp("readme")
    shutil.copytree(ROOT / "examples", there / "examples")
    return there


# `demo` runs the campus and the contract, which the others run as well; `programme` and `review` say what they name
RUN = [c for c in commands() if c not in ("noonmark demo", "noonmark programme", "noonmark review")]


@pytest.mark.parametrize("command", RUN)
def test_a_command_of_the_readme_runs_as_it_is_written(
    command: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    done = CliRunner().invoke(app, shlex.split(command)[1:])
    assert done.exit_code == 0, done.output
    for made in re.findall(r"(?:Open|print) (\S+\.html)", done.output):
        assert Path(made).is_file()


def test_the_options_are_those_that_the_readme_says() -> None:
    options = {c.name: {o for p in c.params for o in p.opts} for c in get_command(app).commands.values()}
    for option in ("--quiet", "--json"):
        found = re.search(rf"all but ([^;]*?) take `{option}`", README, flags=re.IGNORECASE)
        assert found
        assert set(re.findall(r"`(\w+)`", found[1])) == {n for n, have in options.items() if option not in have}
    assert "--control" in options["start"]


def test_the_smallest_plan_of_the_readme_is_the_file() -> None:
    """Its keys, without the title and the comments."""
    import tomllib

    block = re.search(r"```toml\n(.*?)```", README, flags=re.S)
    assert block is not None
    there = tomllib.loads((ROOT / "examples/small/smallest.toml").read_text(encoding="utf-8"))
    shown = tomllib.loads(block[1])
    assert shown["layers"]["site"] == there["layers"]["site"]
    assert shown["layers"]["buildings"].items() <= there["layers"]["buildings"].items()
