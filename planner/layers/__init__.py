"""Layers: what the user brings, read, repaired where that is safe, and laid into one local frame."""

from planner.layers.build import ContractSites, check_inputs, named_xy, read_contract_sites, read_site
from planner.layers.frame import lonlat_shapes, project
from planner.layers.monthly import read_climate
from planner.layers.picture import read_climate_picture
from planner.layers.weather import site_weather

__all__ = [
    "ContractSites",
    "check_inputs",
    "lonlat_shapes",
    "named_xy",
    "project",
    "read_climate",
    "read_climate_picture",
    "read_contract_sites",
    "read_site",
    "site_weather",
]
