"""The climate zone and the season of places, from the built-in climate alone: no plan, no layers.

What `noonmark zone` answers in about a second. It stands on the same estimate and the same three ways to a zone
as a plan that names no climate layer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.climate.answer import SiteClimate, ZoneResult, ZoneTable
from planner.climate.builtin import at_sea, builtin_climate, far_at_sea
from planner.climate.zones import zone_sites
from planner.records import compared
from planner.season import season_months
from planner.site import Bools, Floats


@compared
@dataclass(frozen=True)
class ZoneAtPlaces:
    """n places: their names, where they are, and what was found.

    longitude_deg, latitude_deg: (n,). season: (n, 12) irrigation months, January first. at_sea: (n,) no land near.
    axes_exchanged: (n,) far out at sea, but there is with longitude and latitude exchanged.
    """

    names: tuple[str, ...]
    longitude_deg: Floats
    latitude_deg: Floats
    climate: SiteClimate
    zone: ZoneResult
    season: Bools
    at_sea: Bools
    axes_exchanged: Bools

    def __len__(self) -> int:
        return len(self.names)


def zone_at(names: Sequence[str], longitude_deg: Floats, latitude_deg: Floats, table: ZoneTable) -> ZoneAtPlaces:
    """Zone and season of n places, from the built-in climate.

    Parameters
    ----------
    names
        Of the places, (n,).
    longitude_deg, latitude_deg
        (n,) degrees of WGS 84.
    table
        The zones to choose from.

    Returns
    -------
    ZoneAtPlaces
        One row a place.

    Raises
    ------
    ValueError
        A place is off the earth.
    """
    lon, lat = np.asarray(longitude_deg, np.float64), np.asarray(latitude_deg, np.float64)
    climate = builtin_climate(lon, lat)
    rows = zip(climate.eto_mm_day, climate.rain_mm, climate.t_mean_c, strict=True)
    season = np.array([season_months(None, *row)[0] for row in rows], bool).reshape(len(lat), 12)
    sea = at_sea(lon, lat)
    turned = sea & (np.abs(lon) <= 90)
    turned[turned] = far_at_sea(lon[turned], lat[turned])
    turned[turned] = ~at_sea(lat[turned], lon[turned])
    zone = zone_sites(climate, lat, table)
    return ZoneAtPlaces(tuple(names), lon, lat, climate, zone, season, sea, turned)
