"""Layers: what the user brings, read, repaired where that is safe, and laid into one local frame."""

from planner.layers.build import ContractSites, check_inputs, named_xy, read_contract_sites, read_site
from planner.layers.frame import project

__all__ = ["ContractSites", "check_inputs", "named_xy", "project", "read_contract_sites", "read_site"]
