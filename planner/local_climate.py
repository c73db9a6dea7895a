"""The climate of places as a plan has it: read in `layers`, judged in `climate`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

import numpy as np
from shapely.geometry.base import BaseGeometry

from planner.climate.answer import ClimatePicture, SiteClimate, ZoneTable
from planner.climate.best import site_climate, site_weather
from planner.climate.eto import MonthlyInputs
from planner.climate.picture import climate_picture
from planner.climate.zones import equal_bands, zone_table
from planner.layers.at_sites import read_climate
from planner.layers.picture import read_window
from planner.layers.zone_rows import read_zone_rows
from planner.ledger import DataError, Kind, Ledger
from planner.plan import EtoUnit, PlanFile
from planner.site import Floats, Shapes


def climate_at(
    plan_file: PlanFile,
    shapes_lonlat: Sequence[BaseGeometry] | Shapes,
    elevation_m: Floats,
    ledger: Ledger,
    *,
    names: Sequence[str] | None = None,
    strict: bool | None = None,
) -> SiteClimate:
    """The climate of n sites: what `read_climate` reads, judged by `site_climate`.

    Parameters
    ----------
    plan_file
        What its `[climate]` names is read.
    shapes_lonlat
        (n,) polygons or points, EPSG:4326.
    elevation_m
        (n,), NaN where unknown.
    ledger
        Told what was assumed.
    names
        (n,) for messages; numbers unless given.
    strict
        A site outside a layer is an error, not the next best source's; so for a single site unless given.

    Returns
    -------
    SiteClimate
        One row a site.

    Raises
    ------
    PlanError, DataError
        A file is not there, or holds what cannot be used.
    """
    read = read_climate(plan_file, shapes_lonlat, ledger, names=names, strict=strict)
    return site_climate(plan_file.plan.climate, read, elevation_m, ledger)


def climate_and_weather_at(
    plan_file: PlanFile,
    shape_lonlat: Shapes,
    elevation_m: float,
    ledger: Ledger,
    name: str,
    around: Floats | None = None,
) -> tuple[SiteClimate, MonthlyInputs | None, ClimatePicture | None]:
    """The climate of one site, its weather and its surroundings, from files that are opened once.

    Parameters
    ----------
    plan_file
        What its `[climate]` names is read.
    shape_lonlat
        (1,) the site's outline or place, EPSG:4326.
    elevation_m
        NaN where unknown.
    ledger
        Told what was assumed.
    name
        Of the site, for messages.
    around
        (k, 2) longitudes and latitudes that a picture is to hold; none is made unless given.

    Returns
    -------
    climate : SiteClimate
        Of one row.
    weather : MonthlyInputs or None
        Months (12,), as far as the plan's files say.
    picture : ClimatePicture or None

    Raises
    ------
    PlanError, DataError
        A file is not there, or holds what cannot be used.
    """
    read = read_climate(plan_file, shape_lonlat, ledger, names=[name], around=around)
    section = plan_file.plan.climate
    climate = site_climate(section, read, np.array([elevation_m]), ledger)
    picture = None if read.around is None else climate_picture(read.around)
    return climate, site_weather(section, read, elevation_m), picture


def picture_around(
    plan_file: PlanFile, longitude_deg: Floats, latitude_deg: Floats, ledger: Ledger
) -> ClimatePicture:
    """Peak-month ETo around sites, from the plan's ETo layer, else estimated.

    Parameters
    ----------
    plan_file
        Whose `climate.eto` is read.
    longitude_deg, latitude_deg
        (n,) of the sites.
    ledger
        Told what was assumed of the layer.

    Returns
    -------
    ClimatePicture
    """
    return climate_picture(read_window(plan_file, longitude_deg, latitude_deg, ledger))


def table_of(plan_file: PlanFile, ledger: Ledger) -> ZoneTable:
    """The plan's zone table, or the neutral one where it names none.

    Parameters
    ----------
    plan_file
        Whose `[zone]` is read.
    ledger
        Told of a unit that is taken, and of gaps.

    Returns
    -------
    ZoneTable

    Raises
    ------
    PlanError, DataError
        The file is not there, or a row of it is wrong.
    """
    if plan_file.plan.zone.table is None:
        return equal_bands()
    zone = plan_file.plan.zone
    assert zone.table is not None
    path = plan_file.file("zone.table", zone.table)
    return read_zone_table(path, zone.unit if "unit" in zone.model_fields_set else None, ledger)


def read_zone_table(path: Path, unit: EtoUnit | None, ledger: Ledger) -> ZoneTable:
    """A zone table from its CSV.

    Parameters
    ----------
    path
        The file.
    unit
        Of its bands; None for that of its headings, else mm/day, which is said.
    ledger
        Told of a unit that is taken, and of gaps between bands.

    Returns
    -------
    ZoneTable

    Raises
    ------
    DataError
        It names the row that is wrong, or the headings say another unit.
    """
    rows = read_zone_rows(path)
    if unit is not None and rows.unit not in (None, unit):
        raise DataError(
            str(path),
            f"its headings say {rows.unit}, and its unit is given as {unit}",
            "Mend the one that is wrong",
        )
    taken = unit or cast("EtoUnit | None", rows.unit)
    if taken is None:
        taken = "mm/day"
        ledger.add(Kind.ASSUMED, str(path), f"its bands are taken as {taken}: zone.unit is not given")
    return zone_table(rows, taken, ledger)
