"""The result in a few lines for the terminal."""

from __future__ import annotations

import numpy as np

from planner.job import SiteResult
from planner.show.contract_files import ContractFiles
from planner.show.flags import FLAG_WORDS
from planner.show.links import plan_view
from planner.show.verdicts import SUPPORT_NAMES, most_ruled_out, reason
from planner.units import MONTHS, eto, length, months


def summary(result: SiteResult) -> str:
    """The decision for one site, in a few lines."""
    d, units = result.decision, result.plan.units
    lines = [f"{result.site.name}: {len(result.mounts)} candidates, {len(d.order)} meet every requirement."]
    if d.chosen >= 0:
        k = d.chosen
        score = "" if np.isnan(d.score[k]) else f", score {d.score[k]:.0f} of 100"
        lines.append(
            f"Mount: {result.mounts.ids[k]}, {SUPPORT_NAMES[result.mounts.support[k]]}, {result.mounts.on[k]}, "
            f"head {length(result.mounts.height_m[k], units)} above ground{score}."
        )
        lines.append(reason(result, k))
    if (fewest := plan_view(result)) is not None:
        lines += [said for said in (fewest["head"], fewest["freely"], fewest["hint"]) if said]
    if d.chosen < 0 and len(result.mounts):
        lines.append("No mount meets every requirement; the map says why.")
    if said := most_ruled_out(result):
        lines.append(said)
    z = result.zone
    label = z.table.labels[z.zone[0]] if z.zone[0] >= 0 else "none of the table's"
    peak = MONTHS[z.peak_month[0]] if z.peak_month[0] >= 0 else "no known month"
    lines.append(
        f"Zone: {label} (P {z.p_zone[0]:.0%}), {result.climate.basis[0]}: peak {eto(z.peak_eto_mm_day[0], units)} "
        f"in {peak}, standard deviation {eto(z.spread_mm_day[0], units, 1)}."
    )
    lines.append(f"Irrigation: {months(result.season)}.")
    if len(result.notices):
        lines.append(f"{len(result.notices)} notices on the input.")
    return "\n".join(lines)


def contract_summary(result: ContractFiles) -> str:
    """A contract in a few lines: sites by zone, and how many to look at first."""
    counts = result.counts
    lines = [f"{counts.sites:,} sites."]
    lines += [f"  {label}: {sites:,}" for label, sites in counts.zones.items()]
    if counts.no_zone:
        lines.append(f"  no zone of the table: {counts.no_zone:,}")
    # the rarest first: what every site has sets none apart
    rare = sorted(counts.flags.items(), key=lambda item: item[1])
    lines.append(f"{counts.flagged:,} to look at first" + (":" if rare else "."))
    lines += [f"  {FLAG_WORDS[flag]}: {sites:,}" for flag, sites in rare]
    if result.rejected:
        lines.append(f"{len(result.rejected):,} left out.")
    return "\n".join(lines)
