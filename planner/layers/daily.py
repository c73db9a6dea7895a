"""Daily ETo of a station, years of it, from a CSV: two columns that the plan names, in the unit it states.

`station_days` reads daily weather in the layouts of networks and services, told by their headings: what a review
asks for. Here nothing is told by a heading, a year's peak is all that is kept, and decades of days go through
column-wise.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.layers.source import locate
from planner.ledger import DataError, Kind, Ledger, offered
from planner.plan import PlanFile
from planner.site import Floats
from planner.units import MM_PER_IN


def read_yearly_peaks(plan_file: PlanFile, ledger: Ledger) -> Floats | None:
    """(years,) each whole year's highest monthly mean ETo, mm/day, at the station of `climate.daily`; None if none.

    A month counts with 25 days and more, a year with 12 such months. Raises DataError for a table that has none.
    """
    section = plan_file.plan.climate.daily
    if section is None:
        return None
    path = locate(plan_file, "climate.daily.path", section.path)
    where = f"climate.daily ({path.name})"
    try:
        table = pd.read_csv(path, encoding="utf-8-sig")
    except (ValueError, OSError) as fault:
        raise DataError(where, f"it cannot be read as a CSV: {fault}", "Save it as a CSV in UTF-8") from None
    for column in (section.date, section.eto):
        if column not in table:
            raise DataError(where, f"it has no column '{column}'", offered("Of its columns", column, table.columns))
    # the day where the station stands: the hour, and its distance from UTC, which changes in spring, are left aside
    text = table[section.date].astype(str).str.replace(r"[T ]+\d{1,2}:.*$", "", regex=True)
    day = pd.to_datetime(text, errors="coerce")
    eto = pd.to_numeric(table[section.eto], errors="coerce") * (MM_PER_IN if section.unit == "in/day" else 1.0)
    good = day.notna() & eto.between(-0.5, 25.0)
    if (~good).any():
        ledger.add(Kind.SKIPPED, where, f"{int((~good).sum())} days without a date, or with an ETo that cannot be")
    by_month = eto[good].groupby([day[good].dt.year, day[good].dt.month])
    means = by_month.mean()[by_month.count() >= 25].unstack()
    whole = means.dropna() if means.shape[1] == 12 else means.iloc[:0]
    if not len(whole):
        raise DataError(where, "it holds no whole year of days", "Give at least one year of daily ETo")
    return np.asarray(whole.max(axis=1), np.float64)
