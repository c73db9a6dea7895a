"""Sun: its path, what stands in its way, and the light a mount keeps."""

from planner.sun.path import SunTable, sun_table
from planner.sun.result import SunResult
from planner.sun.year import year_of_light

__all__ = ["SunResult", "SunTable", "sun_table", "year_of_light"]
