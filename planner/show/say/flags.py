"""What people read for each flag of a contract's site."""

from __future__ import annotations

from planner.contract import Flag

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
    Flag.COLD: "hottest month under 50 °F (10 °C): check the location",
}
