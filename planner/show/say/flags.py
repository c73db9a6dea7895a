"""What people read for each flag of a contract's site, and for one that most sites have."""

from __future__ import annotations

from collections.abc import Mapping

from planner.contract import Flag, common_flags

FLAG_WORDS: dict[Flag, str] = {
    Flag.NEAR_EDGE: "close to the edge of a band",
    Flag.SEVERAL_ZONES: "area over several zones",
    Flag.LAYER_EDGE: "coast or edge of a layer",
    Flag.LAYER_GAP: "layer gap",
    Flag.STEEP: "steep ground",
    Flag.ELEVATION_DECIDES: "elevation changes the zone",
    Flag.LAYERS_DISAGREE: "layers disagree",
    Flag.WAYS_DISAGREE: "ways disagree",
    Flag.BUILT_IN_ONLY: "built-in only",
    Flag.NO_ZONE: "in no zone",
    Flag.OPEN_SEA: "open sea",
    Flag.AXES_EXCHANGED: "longitude and latitude probably exchanged",
    Flag.ELSEWHERE: "probably in the wrong place",
    Flag.COLD: "hottest month under 50 °F (10 °C): check the location",
}

_OF_SITES: dict[Flag, str] = {
    Flag.NEAR_EDGE: "lie close to the edge of a zone's band",
    Flag.SEVERAL_ZONES: "cover several zones",
    Flag.LAYER_EDGE: "reach over a coast or the edge of a layer",
    Flag.LAYER_GAP: "lie where a layer has no value",
    Flag.STEEP: "lie 490 ft (150 m) or more above or below their climate cells",
    Flag.ELEVATION_DECIDES: "would be in another zone without the correction for elevation",
    Flag.LAYERS_DISAGREE: "have climate layers that disagree",
    Flag.WAYS_DISAGREE: "get another zone from another way to find it",
    Flag.BUILT_IN_ONLY: "rest on the built-in climate alone",
    Flag.NO_ZONE: "are in no zone of the table",
    Flag.OPEN_SEA: "lie in the open sea",
    Flag.AXES_EXCHANGED: "lie in the sea, and on land with longitude and latitude exchanged",
    Flag.ELSEWHERE: "lie far from where they are said to be, and there with a sign or the axes changed",
    Flag.COLD: "have a hottest month under 50 °F (10 °C)",
}


def common_said(counts: Mapping[Flag, int], sites: int, shared: bool) -> list[str]:
    """A sentence for each flag that most sites have: it sets none of them apart.

    shared: whether a sentence on the built-in estimate's common error is said already.
    """
    return [
        (f"All {sites:,} sites" if counts[flag] == sites else f"{counts[flag]:,} of the {sites:,} sites")
        + f" {_OF_SITES[flag]}."
        for flag in common_flags(counts, sites)
        if not (shared and flag is Flag.BUILT_IN_ONLY)
    ]
