"""What a contract's sites cost together, in words: lines, the total, how sure it is, and what is left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from planner.bid import Added, Bid, SiteBid, added
from planner.plan import Plan
from planner.reach.bill import Item, Line
from planner.show.say.figures import listed, plural, price
from planner.units import fixed, length, odds

CHANCE = 0.9  # nine times in ten
NAMED_MOST = 5
WORTH_SAYING = 0.01  # a chance under this of any failing link is not worth a sentence

NOT_IN_IT = "Taxes, permits and rented equipment are not included."
NO_MOUNT = "no mount meets every requirement: nothing is priced"
OWN_REMEDY = (
    "Each link that fails is counted with a remedy of its own, which is taken to work: one may serve several "
    "links, and a site may need two."
)


@dataclass(frozen=True)
class BidLine:
    """One line as a table shows it; price: '' where the plan has none."""

    what: str
    quantity: str
    each: str
    price: str


@dataclass(frozen=True)
class BidWords:
    """A bid in words. headline: the first thing to read; how_sure, left_out: sentences."""

    total: str
    headline: str
    lines: tuple[BidLine, ...]
    how_sure: tuple[str, ...]
    left_out: tuple[str, ...]


def item_said(line: Line, plan: Plan) -> str:
    """'sensor with its receiver', 'cable, 18 AWG, installed', 'new post'."""
    if line.item is Item.SENSOR and plan.sensor.link == "radio":
        return "sensor with its receiver"
    if line.item is Item.CABLE:
        return ", ".join(filter(None, ("cable", line.conductor, "installed")))
    return {
        Item.RECEIVER: "further receiver",
        Item.POST: "new post, set",
        Item.LINK_TEST: "link test on site",
        Item.VISIT: "visit to a site",
    }.get(line.item, str(line.item))


def quantity_said(line: Line, plan: Plan) -> str:
    """'12', '1,240 ft in 9 runs'."""
    if line.item is not Item.CABLE:
        return f"{line.quantity:,}"
    return f"{_feet(line, plan)} in {plural(line.quantity, 'run')}"


def _feet(line: Line, plan: Plan) -> str:
    number, unit = length(line.length_m, plan.units).split()
    return f"{float(number):,.0f} {unit}"


def bid_words(bid: Bid, plan: Plan) -> BidWords:
    """The bid as a page shows it."""
    sign = plan.prices.currency
    lines = [
        BidLine(
            item_said(line, plan),
            quantity_said(line, plan),
            "" if line.item is Item.CABLE else f"{sign}{line.unit_price:,.0f}",
            f"{sign}{line.price:,.0f}",
        )
        for line in bid.lines
    ]
    lines += [BidLine(item_said(line, plan), quantity_said(line, plan), "not priced", "") for line in bid.unpriced]
    total = f"{sign}{bid.total:,.0f}"  # beside its lines it adds up to the last figure
    return BidWords(
        total, headline(bid, plan), tuple(lines), tuple(how_sure(bid, plan)), tuple(left_out(bid, plan))
    )


def headline(bid: Bid, plan: Plan) -> str:
    """'About $48,200; 4 of 40 sites may need another sensor: nine times in ten no more than $53,000.'"""
    sign, likely = plan.prices.currency, bid.added.within(CHANCE)
    start = f"About {price(bid.total, sign)}"
    if likely <= 0:
        return f"{start}."
    return f"{start}; nine times in ten no more than {price(bid.total + likely, sign)}, links that fail included."


def how_sure(bid: Bid, plan: Plan) -> list[str]:
    """The spread of the total by its links; [] where no link may fail."""
    found, sign = bid.added, plan.prices.currency
    if 1.0 - found.none_fails < WORTH_SAYING:
        return []
    likely = found.within(CHANCE)
    most = (
        f"Nine times in ten that adds no more than {price(likely, sign)} to the {price(bid.total, sign)}"
        if likely > 0
        else "Nine times in ten that adds nothing"
    )
    return [
        f"The total holds if every radio link works ({odds(found.none_fails)} chance). By the links' own chances, "
        f"{_sites(found.sites, bid.sites)} will need another sensor or a repeater. {most}.",
        *_shared_said(found, bid.sites),
        OWN_REMEDY,
    ]


def _sites(expected: float, sites: int) -> str:
    """'about 4 of 40 sites', 'less than one of 40 sites'."""
    some = "fewer than one" if expected < 0.95 else f"about {fixed(expected)}"
    return f"{some} of {plural(sites, 'site')}"


def _shared_said(found: Added, sites: int) -> list[str]:
    """The error that all links share, once."""
    if not found.shared or sites < 2 or found.sites_if_off < 1.25 * found.sites:
        return []
    return [
        "All links rest on the same figures of the radio, its rated range or its powers, and would be wrong "
        f"together: if these are one standard deviation too good (a one in six chance of that or worse), it is "
        f"{_sites(found.sites_if_off, sites)}. The nine in ten includes that."
    ]


def left_out(bid: Bid, plan: Plan) -> list[str]:
    """What the total does not hold."""
    said, sign = [], plan.prices.currency
    if bid.unpriced:
        what = listed([plural(line.quantity, _plain(line.item)) for line in bid.unpriced])
        said.append(f"Not in the total: {what}, for which the plan has no price ([prices]).")
    if bid.not_priced:
        count = len(bid.not_priced)
        said.append(
            f"Nothing is priced at {plural(count, 'site')} without a mount that meets every requirement: "
            f"{_named(bid.not_priced)}."
        )
    if bid.unreached:
        count = sum(len(rows) for _, rows in bid.unreached)
        whose = _named([name for name, _ in bid.unreached])
        said.append(f"Nothing is priced for {plural(count, 'controller')} that no place reaches: at {whose}.")
    if bid.if_allowed:
        runs, money = sum(line.quantity for line in bid.if_allowed), sum(line.price for line in bid.if_allowed)
        are = "is" if runs == 1 else "are"
        said.append(
            f"{plural(runs, 'cable run')} {are} too long unless the manufacturer allows it: "
            f"{price(money, sign)} more."
        )
    return [*said, NOT_IN_IT]


def _plain(item: Item) -> str:
    return "new post" if item is Item.POST else str(item)


def total_said(plan: Plan) -> str:
    return f"total, {plan.prices.currency}"


def _named(names: Sequence[str]) -> str:
    some = list(names[:NAMED_MOST])
    more = len(names) - len(some)
    return listed([*some, f"{more:,} more"] if more else some)


def site_spread_said(bid: SiteBid, plan: Plan) -> str:
    """What a link that fails would add at one site, in a sentence; '' where none may fail.

    '13% chance that a link fails: a repeater with its tests then adds about $370.'
    """
    found = added([bid])
    fails = 1.0 - found.none_fails
    if fails < WORTH_SAYING or bid.remedy is None:
        return ""
    what = "a repeater with its tests" if bid.remedy is Item.REPEATER else "another sensor with its test"
    each = " for each" if len(bid.held_with) > 1 else ""
    sign = plan.prices.currency
    whose = "a link fails" if len(bid.held_with) > 1 else "the link fails"
    return f"{odds(fails)} chance that {whose}: {what} then adds about {price(bid.remedy_price, sign)}{each}."
