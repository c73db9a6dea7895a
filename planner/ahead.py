"""Compile in a process of its own, from the first moment of a first run, what the run will need later.

On a first run compiling takes most of the time, and Numba compiles one thing at a time in a process. What is
made here is taken from the cache by whoever needs it, who waits where it is not ready: see `kept`. The run itself
compiles what it needs first, the light of the year above all.
"""

from __future__ import annotations

import atexit
import contextlib
import hashlib
import subprocess
import sys
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from planner.cache import kept_in
from planner.compiled import threads

__all__ = ["begin"]


def begin() -> None:
    """Begin, where that was not done before and there is a core to spare; it ends with this process at the latest.

    Nothing heavy is loaded to find that out.
    """
    done = _done()
    if threads() < 2 or done is None or done.exists():
        return
    quiet = subprocess.DEVNULL
    with contextlib.suppress(OSError):  # then all is compiled here
        # -P: what lies in the folder where a user stands must not stand in for others
        words = [sys.executable, "-P", "-m", "planner.ahead"]
        other = subprocess.Popen(words, stdin=quiet, stdout=quiet, stderr=quiet)
        atexit.register(_end, other)


def _end(other: subprocess.Popen[bytes]) -> None:
    other.kill()
    other.wait()


def _done() -> Path | None:
    """The file that says that all was compiled, by the age and size of our sources and Numba's version."""
    place = kept_in()
    if place is None:
        return None
    with contextlib.suppress(PackageNotFoundError):
        parts = [version("numba"), sys.version]
        for source in sorted(Path(__file__).parent.rglob("*.py")):
            about = source.stat()
            parts.append(f"{source} {about.st_size} {about.st_mtime_ns}")
        return place / "ahead" / hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]
    return None


def compile_rest() -> None:
    """Call what stands after the light of the year once, in the order of need, on a site with nothing on it.

    Each is imported when its turn comes: the first is to be compiled while others would still load.
    """
    import numpy as np

    from planner.site import bare_site

    site, a, b = bare_site(), np.array([[0.0, 0.0, 2.0]]), np.array([[40.0, 25.0, 2.0]])

    from planner.rain import rain_and_surroundings

    rain_and_surroundings(site, a)

    from planner.reach import diffraction, profile
    from planner.reach.scene import scene

    laid_out = scene(site)
    diffraction.diffract(laid_out, a, b, 0.33)

    from planner.plan import Prices
    from planner.reach import cable

    cable.routes(cable.ground(site, Prices(), 5.0, np.vstack([a, b])[:, :2]), a[0, :2], b[:, :2])
    profile.trace(laid_out, a, b)


def main() -> None:
    compile_rest()
    done = _done()
    if done is not None:
        with contextlib.suppress(OSError):
            done.parent.mkdir(parents=True, exist_ok=True)
            done.touch()


if __name__ == "__main__":
    main()
