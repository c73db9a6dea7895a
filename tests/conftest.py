"""What many tests need: the folder of open data, an end to what would wait for ever."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest


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


@pytest.fixture
def at_once() -> Iterator[None]:
    """Three minutes, then the end of the test: what waits for a pipe or an answer would wait for ever."""

    def ring(*_: object) -> None:
        pytest.fail("it waits")

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(180)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)
