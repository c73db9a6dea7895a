"""Compile in a process of its own, while a site's layers are read and its sun is reckoned, what its links need.

On a first run compiling takes most of the time, and Numba compiles one thing at a time in a process. What is made
here is taken from the cache by whoever needs it, who waits where it is not ready: see `kept`.
"""

from __future__ import annotations

import atexit
import contextlib
import subprocess
import sys

import numpy as np

from planner.compiled import missing, threads
from planner.plan import Prices
from planner.reach import cable, diffraction, profile
from planner.reach.scene import scene
from planner.site import bare_site


def begin() -> None:
    """Begin, where there is something to compile and a core to spare; it ends with this process at the latest."""
    if threads() < 2 or not missing(diffraction._reduce):
        return
    quiet = subprocess.DEVNULL
    with contextlib.suppress(OSError):  # then all is compiled here
        other = subprocess.Popen([sys.executable, "-m", "planner.ahead"], stdin=quiet, stdout=quiet, stderr=quiet)
        atexit.register(_end, other)


def _end(other: subprocess.Popen[bytes]) -> None:
    other.kill()
    other.wait()


def compile_links() -> None:
    """Call each kernel of links and cables once, the dearest first, on a site with nothing on it."""
    site, a, b = bare_site(), np.array([[0.0, 0.0, 2.0]]), np.array([[40.0, 25.0, 2.0]])
    laid_out = scene(site)
    diffraction.diffract(laid_out, a, b, 0.33)
    profile.trace(laid_out, a, b)
    cable.routes(cable.ground(site, Prices(), 5.0, np.vstack([a, b])[:, :2]), a[0, :2], b[:, :2])


if __name__ == "__main__":
    compile_links()
