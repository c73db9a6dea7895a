"""Where what Numba made is kept; Numba itself is not asked, for it takes half a second to load."""

from __future__ import annotations

import contextlib
import functools
import os
import tempfile
from pathlib import Path

import platformdirs

__all__ = ["kept_in"]


@functools.cache
def kept_in() -> Path | None:
    """The folder in which what is compiled is kept.

    Returns
    -------
    Path or None
        The first that can be written; None where none can, and every run then compiles anew.
    """
    named = os.environ.get("NUMBA_CACHE_DIR", "")
    places = [Path(named) / "noonmark"] if named else []
    places += [
        platformdirs.user_cache_path("noonmark") / "kernels",
        Path(__file__).parent / "__pycache__" / "kernels",
    ]
    for place in places:
        with contextlib.suppress(OSError):
            place.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=place):
                return place
    return None
