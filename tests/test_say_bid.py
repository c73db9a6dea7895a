"""A bid in words and as tables: totals that add up, how sure they are, what is left out."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pandas
import pyogrio
import pytest

from planner.bid import SiteBid, contract_bid
from planner.plan import Plan
from planner.reach.bill import Bill, Item, Line
from planner.show.say import bid as words
from planner.show.write.contract_bill import contract_bill_csv, contract_bill_rows, contract_bill_xlsx

PLAN = Plan().model_copy(update={"units": "us"})
VISIT = Line(Item.VISIT, 1, 0.0)


def site(name: str, held: float = 0.9, shared: float = 0.0, **more: object) -> SiteBid:
    bill = Bill((Line(Item.SENSOR, 1, 400.0), Line(Item.LINK_TEST, 1, 60.0)), unpriced=(VISIT,))
    return SiteBid(name, replace(bill, **more), (held,), (shared,), Item.SENSOR, 460.0)  # type: ignore[arg-type]


FORTY = [site(f"Park {k}") for k in range(40)]
WIRED = SiteBid(
    "Yard, wired",
    Bill(
        (
            Line(Item.SENSOR, 1, 400.0),
            Line(Item.CABLE, 1, 500.0, 0, 30.48, "18 AWG"),
            Line(Item.CABLE, 1, 700.0, 1, 60.96, "18 AWG"),
        ),
        (Line(Item.CABLE, 1, 900.0, 2, 200.0, "12 AWG"),),
        (3,),
        (VISIT,),
    ),
)


def test_the_headline_is_the_total_and_what_nine_in_ten_stay_under() -> None:
    """40 x 460 = 18,400. Of 40 links of 90 %, nine times in ten no more than 6 fail: 6 x 460 = 2,760."""
    said = words.bid_words(contract_bid(FORTY), PLAN)
    assert said.headline == "About $18,400; nine times in ten no more than $21,200, links that fail included."
    assert said.how_sure[0] == (
        "The total holds if every radio link works (1% chance). By the links' own chances, about 4 of 40 sites "
        "will need another sensor or a repeater. Nine times in ten that adds no more than $2,760 to the $18,400."
    )
    assert len(said.how_sure) == 2  # nothing is common to the links, so nothing is said of that


def test_the_error_that_all_links_share_is_said_once() -> None:
    said = words.bid_words(contract_bid([site(f"P{k}", 0.9, 0.7) for k in range(40)]), PLAN)
    (common,) = [text for text in said.how_sure if "wrong together" in text]
    # Phi(-(1.2816 - 0.8367) / 0.5477) = 0.208: 8 of 40
    assert "about 8 of 40 sites" in common


def test_sure_links_leave_the_total_alone() -> None:
    said = words.bid_words(contract_bid([site("A", 1.0)]), PLAN)
    assert (said.headline, said.how_sure) == ("About $460.", ())


def test_what_is_left_out_is_named() -> None:
    bids = [*FORTY[:2], WIRED, *(SiteBid(f"No {k}", None) for k in range(7))]
    said = words.bid_words(contract_bid(bids), PLAN)
    assert list(said.left_out) == [
        "Not in the total: 3 visits, for which the plan has no price ([prices]).",
        "Nothing is priced at 7 sites without a mount that meets every requirement: No 0, No 1, No 2, No 3, No 4 "
        "and 2 more.",
        "Nothing is priced for 1 controller that no place reaches: at Yard, wired.",
        "1 cable run is too long unless the manufacturer allows it: $900 more.",
        "Taxes, permits and rented equipment are not included.",
    ]
    cable = next(line for line in said.lines if line.what.startswith("cable"))
    assert (cable.what, cable.quantity, cable.price) == ("cable, 18 AWG, installed", "300 ft in 2 runs", "$1,200")


@pytest.mark.parametrize("units", ["us", "metric"])
def test_tables_add_up_by_site_and_in_total(units: str, tmp_path: Path) -> None:
    plan = PLAN.model_copy(update={"units": units})
    bids = [*FORTY, WIRED, SiteBid("=none", None)]
    rows = contract_bill_rows(bids, plan)
    inside, whole = rows.in_total.fillna(False).astype(bool), rows.site.isna()
    total = rows[whole & (rows["item"] == "total")].price.item()
    assert total == pytest.approx(contract_bid(bids).total)
    assert rows[inside & ~whole].price.sum() == pytest.approx(total)
    assert rows[inside & whole].price.sum() == pytest.approx(total)
    each = (rows.quantity * rows.unit_price)[inside]
    assert each.tolist() == pytest.approx(rows.price[inside].tolist(), abs=0.02)
    long = "length_ft" if units == "us" else "length_m"
    assert rows[whole & inside][long].sum() == pytest.approx(300.0 if units == "us" else 91.4, abs=0.1)
    text = pandas.read_csv(io.BytesIO(contract_bill_csv(bids, plan)))
    assert text.site.iloc[-len(rows[whole]) - 1] == "'=none"
    book = tmp_path / "bill.xlsx"
    book.write_bytes(contract_bill_xlsx(bids, plan))
    assert [name for name, _ in pyogrio.list_layers(book)] == ["total", "by_site", "how_sure"]
    sure = pyogrio.read_dataframe(book, layer="how_sure")
    assert sure.highest_price.tolist() == pytest.approx((total + sure.added_price).tolist())
    assert sure[sure.chance_share == 0.9].added_price.item() == 6 * 460
    assert contract_bill_xlsx(bids, plan) == book.read_bytes()


def test_one_sites_link_is_said_with_its_remedy() -> None:
    assert words.site_spread_said(site("A", 0.87), PLAN) == (
        "13% chance that the link fails: another sensor with its test then adds about $460."
    )
    two = replace(site("A"), held_with=(0.9, 0.9), shared=(0.0, 0.0), remedy=Item.REPEATER, remedy_price=370.0)
    assert words.site_spread_said(two, PLAN) == (
        "19% chance that a link fails: a repeater with its tests then adds about $370 for each."
    )
    assert words.site_spread_said(site("A", 0.9999), PLAN) == words.site_spread_said(WIRED, PLAN) == ""
