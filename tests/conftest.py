"""The open data folder that tests on real data need; what all workers of a run share; databases in a hurry."""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

# GeoPackages of tests need not outlast a power cut: half the time of writing one goes into waiting for the disk
os.environ.setdefault("OGR_SQLITE_SYNCHRONOUS", "OFF")
os.environ.setdefault("OGR_SQLITE_JOURNAL", "MEMORY")


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[Path], Any]], tuple[Path, Any]]:
    """Has a function write into a folder and give a result once in a run of tests, whichever worker asks first."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def made(name: str, make: Callable[[Path], Any]) -> tuple[Path, Any]:
        folder, kept = shared / name, shared / f"{name}.pickle"
        with FileLock(shared / f"{name}.lock"):
            if not kept.exists():
                folder.mkdir(exist_ok=True)
                kept.write_bytes(pickle.dumps(make(folder)))
            return folder, pickle.loads(kept.read_bytes())

    return made


@pytest.fixture(scope="session")
def open_data() -> Path:
    """The folder named by NOONMARK_OPEN_DATA, else `shared/open_data` beside the repository; skips without it."""
    named = os.environ.get("NOONMARK_OPEN_DATA")
    folder = Path(named) if named else Path(__file__).resolve().parents[2] / "shared" / "open_data"
    if not folder.is_dir():
        pytest.skip(
            f"no open data: NOONMARK_OPEN_DATA={named} is no folder"
            if named
            else "no open data: set NOONMARK_OPEN_DATA to its folder"
        )
    return folder
