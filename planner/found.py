"""What is kept of each site of a contract that got a mount too: codes and numbers, small enough for thousands.

JSON holds it (:func:`told`, :func:`from_told`). Nothing is read, decided or put into words here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from planner import bid as bids
from planner.bid import SiteBid
from planner.records import compared


class Outcome(StrEnum):
    """What became of one site."""

    CHOSEN = "chosen"  # a mount meets every requirement, or the plan chose one
    NONE_PASSES = "none_passes"  # none does; `place` is the one nearest to passing
    NO_CANDIDATE = "no_candidate"  # there is nothing to mount on
    ZONE_ONLY = "zone_only"  # a layer cannot be used at this site: it has its zone, and `why`


@compared
@dataclass(frozen=True)
class FoundPlace:
    """The chosen mount of a site, or the one nearest to passing.

    id, support, fixed_to, facing_deg (None where it faces nowhere): as in the site's own tables. longitude_deg,
    latitude_deg: WGS 84. height_m: above ground. score: 0 to 100, None where it is ruled out. light_share: of the
    open sky's, in the irrigation month that receives least (light_month, 0 to 11), light_sd its standard deviation.
    direct_h_day: hours of direct sun in the month that falls shortest (direct_month). lacking: codes of the
    requirements that it misses. height_assumed: no layer tells the height of the building that it stands on.
    """

    id: str
    support: str
    fixed_to: str
    longitude_deg: float
    latitude_deg: float
    height_m: float
    facing_deg: float | None
    score: float | None
    light_share: float
    light_month: int
    light_sd: float | None
    direct_h_day: float
    direct_month: int
    lacking: tuple[str, ...] = ()
    height_assumed: bool = False


@compared
@dataclass(frozen=True)
class SiteFound:
    """What one site of a contract gave.

    row: its number in the file of sites, from 1. why: the reason where it is not decided, else "". place: None
    where there is none. candidates, passing: mounts tried, and those that meet every requirement. controllers:
    how many the site has; served: how many of them the layout serves; held_with: probability with which each of
    these is served by radio (none by cable). sensors, repeaters: of the layout; price: the bill's total, None where
    nothing is priced. bid: the bill's lines, and the links that may fail. latitude_deg: of the middle of the site's
    outline, None where it is not decided. apart: codes of what its layers disagree about, each with the buildings.
    """

    row: int
    name: str
    outcome: Outcome
    why: str = ""
    place: FoundPlace | None = None
    candidates: int = 0
    passing: int = 0
    controllers: int = 0
    served: int = 0
    held_with: tuple[float, ...] = ()
    sensors: int = 0
    repeaters: int = 0
    price: float | None = None
    bid: SiteBid | None = None
    latitude_deg: float | None = None
    apart: tuple[tuple[str, tuple[str, ...]], ...] = ()


def told(found: SiteFound) -> dict[str, Any]:
    """As JSON holds it; :func:`from_told` reads it again."""
    return asdict(found)


def from_told(kept: Mapping[str, Any]) -> SiteFound:
    """A site's record from what was kept of it.

    Parameters
    ----------
    kept
        What :func:`told` made of it.

    Returns
    -------
    SiteFound
        The same as before.
    """
    place = kept["place"]
    if place is not None:
        place = FoundPlace(**{**place, "lacking": tuple(place["lacking"])})
    bid = None if kept["bid"] is None else bids.from_told(kept["bid"])
    apart = tuple((what, tuple(names)) for what, names in kept["apart"])
    tuples = {"held_with": tuple(kept["held_with"]), "bid": bid, "apart": apart}
    return SiteFound(**{**kept, "outcome": Outcome(kept["outcome"]), "place": place, **tuples})
