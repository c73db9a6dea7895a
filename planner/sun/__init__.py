"""Sun: its path, what stands in its way, and the light a mount keeps."""

from planner.sun.path import SunTable
from planner.sun.year import SunResult

__all__ = ["SunResult", "SunTable"]
