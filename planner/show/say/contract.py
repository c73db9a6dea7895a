"""What was decided at one site of a contract, as its card on the contract's map says it."""

from __future__ import annotations

from planner.found import Outcome, SiteFound
from planner.mounts import Support
from planner.plan import Plan
from planner.show.say.figures import price
from planner.show.say.verdict import SUPPORT_NAMES
from planner.units import MONTH_NAMES, fixed, length, odds, percent

MOUNT_LABELS = ("Mount", "Score", "Sunlight received", "Controllers served", "Weakest link", "Cost")


def mount_values(found: SiteFound | None, plan: Plan) -> list[str]:
    """Values for MOUNT_LABELS; '' where there is nothing to say."""
    if found is None:
        return [""] * len(MOUNT_LABELS)
    place, chosen = found.place, found.outcome is Outcome.CHOSEN
    if place is None:
        return ["none: " + (found.why or "nothing to mount on"), *[""] * (len(MOUNT_LABELS) - 1)]
    on = place.fixed_to or SUPPORT_NAMES[Support(place.support)]
    said = f"{place.id}, {on}, {length(place.height_m, plan.units)} up"
    served = f"{found.served} of {found.controllers}" if chosen and found.controllers else ""
    cost = price(found.price, plan.prices.currency) if found.price is not None else ""
    return [
        said if chosen else f"none meets every requirement; closest is {said}",
        f"{fixed(place.score)} of 100" if place.score is not None else "",
        f"{percent(place.light_share)} in {MONTH_NAMES[place.light_month]}",
        served,
        f"{odds(min(found.held_with))} chance" if found.held_with else "",
        cost,
    ]
