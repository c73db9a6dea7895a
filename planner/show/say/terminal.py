"""The result in a few lines for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from planner.contract import common_flags
from planner.show.say import bill as bills
from planner.show.say import layout as layouts
from planner.show.say import verdict
from planner.show.say.figures import plural
from planner.show.say.flags import FLAG_WORDS
from planner.show.say.mount import score
from planner.show.say.zone import zone_words
from planner.units import months

if TYPE_CHECKING:
    from planner.job import SiteResult
    from planner.show.contract_files import ContractFiles, Mounted

FIRST_FEW = 5  # sites to look at first
NO_PDF = 'For the sheet as PDF too: pip install "noonmark[pdf]"'


def summary(result: SiteResult) -> str:
    """The decision for one site, for a terminal.

    Parameters
    ----------
    result
        The site.

    Returns
    -------
    str
        A few lines.
    """
    d = result.decision
    lines = [
        f"{result.site.name}: {plural(len(result.mounts), 'candidate')}, {len(d.order)} meet every requirement."
    ]
    if d.chosen >= 0:
        lines.append(f"{layouts.headline(result)} {layouts.held_sentence(result)}".rstrip())
        for place in layouts.places(result):
            of = f", score {score(result, place.row)}" if place.row == d.chosen else ""
            serves = f", {place.serves}" if place.serves else ""
            lines.append(
                f"{place.sign} ({place.kind}): {place.id}, {place.support}, {place.on}, sensor height "
                f"{place.height}{serves}{of}."
            )
        lines.append(verdict.reason(result, d.chosen))
        lines += [said for said in (layouts.to_test(result), *layouts.beside(result)) if said]
        if to_buy := bills.bill_sentence(result):
            lines.append(f"To buy: {to_buy}")
    elif len(result.mounts):
        lines += [f"{verdict.none_meets(result)}. The map says why for each.", verdict.most_ruled_out(result)]
        if hint := layouts.sharing_hint(result):
            lines.append(hint)
    told = zone_words(result.climate, result.zone, 0, result.plan.units)
    lines.append(
        f"Climate zone: {told.named}, {told.chance}. Peak-month ETo {told.peak_spread} in {told.peak_month} "
        f"({told.basis})."
    )
    if told.find:
        lines.append(f"Set {told.answer}. {told.find}")
    lines.append(f"Irrigation season: {months(result.season)}.")
    if len(result.notices):
        lines.append(f"{plural(len(result.notices), 'notice')} about the input.")
    return "\n".join(lines)


def contract_summary(result: ContractFiles) -> str:
    """A contract for a terminal.

    Parameters
    ----------
    result
        What was written of it.

    Returns
    -------
    str
        A few lines: sites by zone, and how many to look at first.
    """
    counts = result.counts
    lines = [f"{plural(counts.sites, 'site')}."]
    lines += [f"  {label}: {sites:,}" for label, sites in counts.zones.items()]
    if counts.no_zone:
        lines.append(f"  no zone of the table: {counts.no_zone:,}")
    if counts.shared_said:
        lines.append(counts.shared_said)
    lines += counts.common_said
    if result.mounted is not None:
        lines += _mounted_lines(result.mounted)
        return "\n".join([*lines, *_left_out(result)])
    # the rarest first; what most sites have sets none apart
    common = common_flags(counts.flags, counts.sites)
    rare = sorted(((f, n) for f, n in counts.flags.items() if f not in common), key=lambda item: item[1])
    lines.append(f"{counts.apart:,} to look at first" + (":" if rare else "."))
    lines += [f"  {FLAG_WORDS[flag]}: {sites:,}" for flag, sites in rare]
    return "\n".join([*lines, *_left_out(result)])


def _left_out(result: ContractFiles) -> list[str]:
    return [f"{len(result.rejected):,} left out."] if result.rejected else []


def _mounted_lines(mounted: Mounted) -> list[str]:
    """Mounts, money, and the first few sites to look at, as the map has them."""
    first = mounted.first
    lines = [f"{plural(mounted.chosen, 'site')} with a mount. {mounted.bid_headline}", *mounted.common]
    lines.append(f"{len(first):,} to look at first" + (":" if first else "."))
    lines += [f"  {one.name}: {one.said}" for one in first[:FIRST_FEW]]
    if len(first) > FIRST_FEW:
        lines.append(f"  and {len(first) - FIRST_FEW:,} more: see the map")
    return lines
