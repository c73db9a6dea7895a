"""The set of versions that development and CI hold themselves to covers what pyproject.toml asks for."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
# Of the extras, `oracles` and `data` stay out: one holds pandas back, the other is for scripts run by hand.
EXTRAS = ("test", "dev", "pdf", "cluster", "serve")
HERE = {"platform_machine": "x86_64", "sys_platform": "linux", "python_version": "3.11", "extra": ""}


def locked() -> dict[str, str]:
    """Version by name; every line must give one file's SHA-256."""
    found = {}
    for line in (ROOT / ".ci" / "lock.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            continue
        said = re.fullmatch(r"([a-z0-9-]+)==(\S+) --hash=sha256:[0-9a-f]{64}", line)
        assert said is not None, line
        assert said[1] not in found, line
        found[said[1]] = said[2]
    return found


def lacking(needs: list[str], versions: dict[str, str]) -> list[str]:
    """Which of the requirements the versions do not hold, or hold in a version outside the bound."""
    asked = [Requirement(need) for need in needs]
    return [
        str(one)
        for one in asked
        if (one.marker is None or one.marker.evaluate(HERE))
        and not one.specifier.contains(versions.get(canonicalize_name(one.name), "0.dev0"))
    ]


@pytest.mark.parametrize("extra", ["", *EXTRAS])
def test_the_lock_holds_every_requirement_within_its_bound(extra: str) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    assert set(extras) == {*EXTRAS, "oracles", "data"}, "say of a new extra whether the lock holds it"
    needs, versions = extras[extra] if extra else project["dependencies"], locked()
    assert needs
    assert lacking(needs, versions) == [], "make the lock anew: .ci/lock PYTHON"
    for need in needs:
        without = {name: v for name, v in versions.items() if name != canonicalize_name(Requirement(need).name)}
        assert len(lacking([need], without)) == 1
