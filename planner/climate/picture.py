"""The climate around a site or a contract as a picture: peak-month ETo on an even grid of degrees."""

from __future__ import annotations

import numpy as np

from planner.climate.answer import ClimatePicture
from planner.climate.builtin import ALL_ATTRIBUTIONS, SOURCE, builtin_climate
from planner.readings import Window


def climate_picture(window: Window) -> ClimatePicture:
    """Peak-month ETo of a window: of the ETo layer in it, else estimated.

    Parameters
    ----------
    window
        A grid of degrees, with the layer's months where the plan names one.

    Returns
    -------
    ClimatePicture
        mm/day, NaN where any month is unknown.
    """
    months, source, attribution = window.eto_mm_day, "ETo layer", ""
    if months is None:
        lon, lat = np.meshgrid(window.longitude_deg, window.latitude_deg)
        months = builtin_climate(lon.ravel(), lat.ravel()).eto_mm_day.reshape(*lon.shape, 12)
        source, attribution = f"estimate from the {SOURCE}", ALL_ATTRIBUTIONS
    edges = (window.west_deg, window.south_deg, window.east_deg, window.north_deg)
    return ClimatePicture(np.asarray(months.max(axis=2)), *edges, source, attribution)
