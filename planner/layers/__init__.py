"""Layers: what the user brings, read, repaired where that is safe, and laid into one local frame."""

from planner.layers.at_sites import read_climate
from planner.layers.build import named_xy, read_contract_sites, read_site, with_named
from planner.layers.frame import lonlat_shapes, project
from planner.layers.weather import site_weather
from planner.site import ContractSites

__all__ = [
    "ContractSites",
    "lonlat_shapes",
    "named_xy",
    "project",
    "read_climate",
    "read_contract_sites",
    "read_site",
    "site_weather",
    "with_named",
]
