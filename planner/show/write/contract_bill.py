"""The bill of a contract as tables: CSV, and a workbook with the bill by site, in total, and how sure it is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import pandas

from planner.bid import SiteBid, added, contract_bid
from planner.plan import Plan
from planner.reach.bill import Item, Line
from planner.show.say import bid as words
from planner.show.say.bill import if_allowed_said, unreached_said
from planner.show.write import schema
from planner.show.write.formats import csv_bytes, xlsx_bytes
from planner.units import M_PER_FT

TOTAL = "total"
CHANCES = (0.5, 0.8, 0.9, 0.95)


def contract_bill_rows(bids: Sequence[SiteBid], plan: Plan) -> pandas.DataFrame:
    """Every line of every site, in the sites' order, then the total of all sites by item, as `CONTRACT_BILL`."""
    rows = [row for bid in bids for row in _of_site(bid, plan)]
    whole = contract_bid(bids)
    rows += [_row(None, line, plan, True) for line in whole.lines]
    rows += [_row(None, line, plan, False) for line in (*whole.if_allowed, *whole.unpriced)]
    rows.append({"item": TOTAL, "what": words.total_said(plan), "price": round(whole.total, 2)})
    columns = schema.contract_bill(plan.units)
    return schema.table(columns, {name: [row.get(name) for row in rows] for name in schema.names(columns)})


def _of_site(bid: SiteBid, plan: Plan) -> Iterator[dict[str, Any]]:
    if bid.bill is None:
        yield {"site": bid.name, "item": "open", "what": words.NO_MOUNT}
        return
    for line in bid.bill.lines:
        yield _row(bid.name, line, plan, True)
    for line in (*bid.bill.if_allowed, *bid.bill.unpriced):
        yield _row(bid.name, line, plan, False)
    for controller in bid.bill.unreached:
        yield {"site": bid.name, "item": "open", "what": unreached_said(controller)}


def _row(site: str | None, line: Line, plan: Plan, in_total: bool) -> dict[str, Any]:
    said = words.item_said(line, plan)
    cable, priced = line.item is Item.CABLE, in_total or line.price > 0
    long = ("length_ft", line.length_m / M_PER_FT) if plan.units == "us" else ("length_m", line.length_m)
    return {
        "site": site,
        "item": str(line.item),
        "what": if_allowed_said(said) if cable and not in_total else said,
        "quantity": line.quantity,
        "conductor": line.conductor or None,
        long[0]: round(long[1], 1) if cable else None,
        "unit_price": round(line.unit_price, 2) if priced else None,
        "price": round(line.price, 2) if priced else None,
        "in_total": in_total,
    }


def spread_rows(bids: Sequence[SiteBid], plan: Plan) -> pandas.DataFrame:
    """What the total stays under with some chances, as `CONTRACT_SPREAD`."""
    total, found = contract_bid(bids).total, added(bids)
    return schema.table(
        schema.CONTRACT_SPREAD,
        {
            "chance_share": list(CHANCES),
            "highest_price": [round(total + found.within(chance), 2) for chance in CHANCES],
            "added_price": [round(found.within(chance), 2) for chance in CHANCES],
        },
    )


def contract_bill_csv(bids: Sequence[SiteBid], plan: Plan) -> bytes:
    return csv_bytes(contract_bill_rows(bids, plan))


def contract_bill_xlsx(bids: Sequence[SiteBid], plan: Plan) -> bytes:
    """Workbook with the sheets `total`, `by_site` and `how_sure`."""
    rows = contract_bill_rows(bids, plan)
    whole = rows.site.isna()
    sheets = {
        "total": rows[whole].drop(columns="site").reset_index(drop=True),
        "by_site": rows[~whole].reset_index(drop=True),
        "how_sure": spread_rows(bids, plan),
    }
    return xlsx_bytes({name: some for name, some in sheets.items() if len(some)})
