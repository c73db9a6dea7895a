"""The open data folder that tests on real data need."""

from __future__ import annotations

import os
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
