"""All that is wrong with what a plan names, found before anything is decided."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from planner.climate.best import site_climate
from planner.layers.at_sites import read_climate, read_layer
from planner.layers.belonging import Shared, keep_stand_in, own_plan, read_near, read_through, shared
from planner.layers.build import (
    Faults,
    count_contract_sites,
    named_xy,
    read_contract_sites,
    read_outlines,
    read_site_keeping,
    with_named,
)
from planner.layers.frame import lonlat_shapes
from planner.layers.signs import say_signs
from planner.layers.source import locate
from planner.layers.weather import site_weather
from planner.ledger import DataError, Kind, Ledger, Notice, PlanError, PlannerError
from planner.local_climate import table_of
from planner.pieces import Pieces, scratch
from planner.plan import Plan, PlanFile
from planner.readings import QUANTITIES
from planner.site import Floats, Shapes

SITES_LOOKED_AT = 100  # of a contract: each is read as it would be decided; some 0.2 s a site


def check_inputs(plan_file: PlanFile, ledger: Ledger) -> list[PlannerError]:
    """All that is wrong with what a plan names: layers, mounts, contract sites, climate.

    Layers of a contract are read through, and then near its sites one by one, as they will be; of many sites some,
    evenly out of all.

    Parameters
    ----------
    plan_file
        The plan.
    ledger
        Told what would be repaired, assumed or left out.

    Returns
    -------
    list of PlannerError
        In the order in which they were found; empty if nothing is.
    """
    faults = Faults(keep=True)
    plan = plan_file.plan
    ledger.units = plan.units
    if plan.contract is None or _names_one_site(plan):
        site = read_site_keeping(plan_file, ledger, faults)
        if site is not None:
            faults.attempt(named_xy, faults.attempt(with_named, plan_file, site, ledger) or plan_file, site)
            faults.attempt(site_weather, plan_file, site, ledger)
            outline = lonlat_shapes([site.outline], site.crs)
            _check_climate(plan_file, outline, np.array([site.elevation_m]), [site.name], ledger, faults)
    if plan.contract is not None:
        sites = faults.attempt(read_contract_sites, plan_file, ledger)
        if plan.layers is not None:
            _check_contract_layers(plan_file, sites is not None, ledger, faults)
        if sites is not None:
            say_signs(plan_file, sites, ledger)
            _check_climate(
                plan_file, np.array(sites.shapes, object), sites.elevation_m, sites.names, ledger, faults
            )
    table = plan.zone.table
    if table is not None and faults.attempt(locate, plan_file, "zone.table", table) is not None:
        faults.attempt(table_of, plan_file, ledger)
    return list({str(fault): fault for fault in faults}.values())


def _names_one_site(plan: Plan) -> bool:
    """Whether a contract's plan names one site as well: else its `[layers.site]` is the file of the contract's."""
    if plan.layers is None or plan.contract is None:
        return plan.layers is not None
    one, many = plan.layers.site, plan.contract.sites
    return one.pick is not None or any(
        getattr(one, key) != getattr(many, key) for key in ("path", "layer", "crs", "where", "name")
    )


def _check_contract_layers(plan_file: PlanFile, any_site: bool, ledger: Ledger, faults: Faults) -> None:
    ledger.units = plan_file.plan.units
    before = len(faults)
    for name in ("terrain", "surface", "canopy"):
        section = getattr(plan_file.plan.layers, name)
        if section is not None:
            faults.attempt(locate, plan_file, f"layers.{name}.path", section.path)
    with scratch() as folder:
        kept: dict[str, str] = {}
        for name in read_near(plan_file):
            well = len(faults)
            path = faults.attempt(keep_stand_in, plan_file, name, Pieces(folder, "check"), ledger)
            if path is not None:
                kept[f"layers.{name}"] = path
            elif len(faults) == well:
                faults.attempt(read_through, plan_file, name, ledger)
        if any_site:
            common = faults.attempt(shared, plan_file, kept, ledger)
            if common is not None and len(faults) == before:
                _check_sites(plan_file, common, ledger, faults)


def _check_sites(plan_file: PlanFile, common: Shared, ledger: Ledger, faults: Faults) -> None:
    """Sites of a contract one by one. What is wrong with the plan, or at every site, is a fault; what is wrong at
    some leaves those without a mount, and is said."""
    total = count_contract_sites(plan_file)
    looked_at = np.unique(np.linspace(0, total - 1, min(total, SITES_LOOKED_AT)).astype(int)).tolist()
    if len(looked_at) < total:
        what = f"{len(looked_at):,} of {total:,} sites were looked at one by one; the layers were read whole"
        ledger.add(Kind.CHECK, "contract.sites", what)
    told: list[tuple[str, Notice]] = []
    of_data: dict[str, tuple[PlannerError, list[str]]] = {}
    seen = 0
    for k in looked_at:
        try:
            (outline,) = read_outlines(plan_file, (k, k + 1)).values()
        except DataError:  # said of the sites already
            continue
        own, name = Ledger(ledger.units), outline.names[0]
        here = Faults(keep=True)
        given = common.given(outline)
        its_plan = own_plan(plan_file, given, float("nan"))
        site = read_site_keeping(its_plan, own, here, given)
        if site is not None:
            here.attempt(with_named, its_plan, site, own, given.whole.get("named"))
        for fault in here:
            if isinstance(fault, PlanError):
                faults.append(fault)
            else:
                of_data.setdefault(str(fault), (fault, []))[1].append(name)
        seen += 1
        told += [(name, notice) for notice in own]
    ledger.take(_of_sites(told, seen))
    for fault, names in of_data.values():
        if len(names) == seen:
            faults.append(fault)
        else:
            ledger.add(Kind.SKIPPED, fault.where, f"no mount can be sought: {fault.what}. {fault.todo}", names)


def _of_sites(told: Iterable[tuple[str, Notice]], sites: int) -> list[Notice]:
    """Notices of several sites: what is said alike is said once, with its features; where it has none, with the
    names of the sites, unless it holds of all."""
    features: dict[tuple[Kind, str, str], dict[str, None]] = {}
    where: dict[tuple[Kind, str, str], dict[str, None]] = {}
    for site, notice in told:
        key = (notice.kind, notice.where, notice.what)
        features.setdefault(key, {}).update(dict.fromkeys(notice.features))
        where.setdefault(key, {})[site] = None
    return [
        Notice(*key, tuple(features[key] or (where[key] if len(where[key]) < sites else ()))) for key in features
    ]


def _check_climate(
    plan_file: PlanFile, shapes: Shapes, elevation_m: Floats, names: Sequence[str], ledger: Ledger, faults: Faults
) -> None:
    layers, alone = {}, len(names) == 1
    for name, quantity in QUANTITIES.items():
        section = getattr(plan_file.plan.climate, name)
        if section is not None:
            key = f"climate.{name}"
            found = faults.attempt(
                read_layer, plan_file, key, section, quantity, shapes, ledger, strict=alone, names=names
            )
            if found is not None:
                layers[name] = found
    # the layers are good each by itself; are they together?
    given = [name for name in QUANTITIES if getattr(plan_file.plan.climate, name) is not None]
    if len(layers) == len(given):
        read = faults.attempt(read_climate, plan_file, shapes, ledger, names=names, layers=layers)
        if read is not None:
            faults.attempt(site_climate, plan_file.plan.climate, read, elevation_m, ledger)
