"""Zones of places as rows: the columns of :mod:`planner.show.write.schema`, without waiting for pandas."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np

from planner.at_places import ZoneAtPlaces
from planner.climate.answer import ZoneResult
from planner.show.say.place import warning
from planner.units import MM_PER_IN, MONTHS, Units


def place_rows(found: ZoneAtPlaces, units: Units) -> list[dict[str, Any]]:
    """Places with their zones, for a table.

    Parameters
    ----------
    found
        The places.
    units
        Of ETo; the column's name says which.

    Returns
    -------
    list of dict
        One a place.
    """
    per, ending, digits = (MM_PER_IN, "in_day", 3) if units == "us" else (1.0, "mm_day", 2)
    zone, labels = found.zone, found.zone.table.labels
    rows = []
    for k, name in enumerate(found.names):
        first, second = int(zone.zone[k]), int(zone.runner_up[k])
        peak, spread = float(zone.peak_eto_mm_day[k]), float(zone.spread_mm_day[k])
        rows.append(
            {
                "name": name,
                "longitude_deg": round(float(found.longitude_deg[k]), 6),
                "latitude_deg": round(float(found.latitude_deg[k]), 6),
                "zone": labels[first] if first >= 0 else "",
                "zone_probability": round(float(zone.p_zone[k]), 3),
                "runner_up": labels[second] if second >= 0 else "",
                "runner_up_probability": round(float(zone.p_runner_up[k]), 3),
                "peak_month": MONTHS[int(zone.peak_month[k])] if zone.peak_month[k] >= 0 else "",
                f"peak_eto_{ending}": round(peak / per, digits) if np.isfinite(peak) else None,
                f"spread_{ending}": round(spread / per, digits) if np.isfinite(spread) else None,
                "irrigation_months": " ".join(str(m + 1) for m in np.flatnonzero(found.season[k])),
                "check": warning(found, k),
            }
        )
    return rows


def described_row(zone: ZoneResult, units: Units) -> dict[str, Any]:
    """The zone by a description alone, for a table.

    Parameters
    ----------
    zone
        One row.
    units
        Of ETo.

    Returns
    -------
    dict
        By the names of :func:`place_rows`.
    """
    per, ending, digits = (MM_PER_IN, "in_day", 3) if units == "us" else (1.0, "mm_day", 2)
    first, second, labels = int(zone.zone[0]), int(zone.runner_up[0]), zone.table.labels
    return {
        "zone": labels[first] if first >= 0 else "",
        "zone_probability": round(float(zone.p_zone[0]), 3),
        "runner_up": labels[second] if second >= 0 else "",
        "runner_up_probability": round(float(zone.p_runner_up[0]), 3),
        f"peak_eto_{ending}": round(float(zone.peak_eto_mm_day[0]) / per, digits),
        f"spread_{ending}": round(float(zone.spread_mm_day[0]) / per, digits),
    }


def places_csv(found: ZoneAtPlaces, units: Units) -> str:
    """Places with their zones as a CSV.

    Parameters
    ----------
    found
        The places.
    units
        Of ETo; the column's name says which.

    Returns
    -------
    str
        With a heading.
    """
    rows = place_rows(found, units)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()
