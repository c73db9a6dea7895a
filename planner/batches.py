"""A contract of any size: part by part, here or on a cluster, resumed where it stopped.

Finished parts stand in a folder beside the results until all are there. What they hang on (plan, files, version) is
in their names, so that parts of another job are never mixed in.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from planner import __version__
from planner.climate.answer import SiteClimate, ZoneTable
from planner.contract import ContractResult, in_order, joined, merged, none_usable, zones_of
from planner.each_site import decided, not_decided, site_found
from planner.found import SiteFound
from planner.job import SiteResult
from planner.layers.belonging import Shared, keep_stand_ins, shared
from planner.layers.build import Given, contract_rows, count_contract_sites, read_contract_sites, read_outlines
from planner.layers.signs import say_signs
from planner.layers.source import files_state
from planner.layers.vector import tells_of_far
from planner.ledger import CommandError, DataError, Kind, Ledger, Notice, PlannerError, SitesError
from planner.local_climate import climate_at, picture_around, table_of
from planner.pieces import Pieces, hold, scratch, whole
from planner.plan import PlanFile
from planner.site import ContractSites, Ints, Rejected, inner_points
from planner.store import Parts, read_part, read_told, write_left_out, write_part

Progress = Callable[[str, int, int], None]  # (what is being done, sites done, sites in all)
Keep = Callable[[SiteResult, SiteFound], Mapping[str, bytes]]  # of a site: what else is kept, by name

SITES = 1  # at a time where each gets a mount: a run that was stopped goes on at the site where it was
PART = 200_000  # sites at a time: a million then go through in 1.2 GB (measured), and layers are read five times
ANSWER_S = 10  # within which a scheduler answers
_PARTS = ".parts"
_one_at_a_time = threading.Lock()  # GDAL's datasets and the compiled loops are not for several threads at once


def run_contract(
    plan_file: PlanFile,
    ledger: Ledger,
    progress: Callable[[int, int], None] | None = None,
    *,
    part_sites: int | None = None,
) -> ContractResult:
    """The zone of every site of a contract, in memory.

    Parameters
    ----------
    plan_file
        Of a contract.
    ledger
        Told what was repaired, assumed or left out.
    progress
        Called with (done, total) after each part.
    part_sites
        Rows read at a time.

    Returns
    -------
    ContractResult
        One row a site.

    Raises
    ------
    PlanError, DataError
        The sites, the zone table or a layer cannot be used at all; a single site never stops the rest.
    """
    table = table_of(plan_file, ledger)
    total = count_contract_sites(plan_file)
    parts: list[_Read] = []
    with scratch() as folder:
        layered = _prepared(plan_file, Pieces(folder, "here"), "", None, ledger)
        for first, end in part_rows(total, part_sites or usual_part(plan_file)):
            parts.append(_read(plan_file, first, end, layered))
            if progress is not None:
                progress(end, total)
    rejected = tuple(r for part in parts for r in part.rejected)
    if not any(len(part.sites) for part in parts):
        raise none_usable(rejected)
    ledger.take(merged(n for part in parts for n in part.notices))
    sites = ContractSites(
        tuple(name for part in parts for name in part.sites.names),
        tuple(shape for part in parts for shape in part.sites.shapes),
        np.concatenate([part.sites.elevation_m for part in parts]),
        (),
        np.concatenate([part.sites.rows for part in parts]),
        _own_of([part.sites for part in parts if len(part.sites)]),
        np.concatenate([np.asarray(part.sites.elsewhere, bool) for part in parts]),
    )
    lonlat = inner_points(sites.shapes)
    picture = picture_around(plan_file, lonlat[:, 0], lonlat[:, 1], ledger)
    climate = joined([part.climate for part in parts])
    told = tuple(one for part in parts for one in part.found)
    found = zones_of(plan_file.plan, sites, climate, table, rejected, tuple(ledger), picture, told)
    return replace(found, origin=plan_file.origin())


@contextlib.contextmanager
def contract_parts(
    plan_file: PlanFile,
    folder: Path,
    ledger: Ledger,
    progress: Progress | None = None,
    *,
    scheduler: str | None = None,
    part_sites: int | None = None,
    keep: Keep | None = None,
) -> Iterator[Parts]:
    """The parts of a contract, all done, in a folder within `folder`; a context manager.

    They are taken away once their user is done with them.

    Parameters
    ----------
    plan_file
        Of a contract.
    folder
        Where results go; a folder of unfinished work is made in it.
    ledger
        Told what was repaired, assumed or left out.
    progress
        Called with (what, done, total).
    scheduler
        Address of a Dask scheduler; its workers must see the same paths.
    part_sites
        Rows of a part.
    keep
        What is kept of each site that gets a mount, besides its record; a function that other processes know.

    Yields
    ------
    Parts
        In the order of the sites.

    Raises
    ------
    PlanError, DataError
        The sites, the zone table or a layer cannot be used at all; a single site never stops the rest.
    OutputError
        The folder is another run's, or cannot be written.
    CommandError
        The scheduler cannot be used. Finished parts stay for the next run, whatever is raised.
    """
    tell, size = progress or (lambda what, done, total: None), part_sites or usual_part(plan_file)
    run = _here if scheduler is None else _on(scheduler, tell)
    table = table_of(plan_file, ledger)
    total = count_contract_sites(plan_file)
    rows = part_rows(total, size)
    job = _job(plan_file, size, total)
    with hold(Path(folder) / _PARTS, job) as pieces:
        layered = _prepared(plan_file, pieces, job, keep, ledger)
        paths = [pieces.path(f"{first:09d}", ".arrow") for first, _ in rows]
        missing = [(span, path) for span, path in zip(rows, paths, strict=True) if not whole(path)]
        done = total - sum(end - first for (first, end), _ in missing)
        what = "zones" if layered is None else "sites"
        tell(what, done, total)
        for first, end in run(plan_file, table, layered, missing):
            done += end - first
            tell(what, done, total)
        if _job(plan_file, size, total) != job:
            raise DataError(
                str(plan_file.path),
                "a file that the plan names was changed while the contract ran: its parts do not fit together",
                "Run it again",
            )
        told = [read_told(path) for path in paths]
        rejected = tuple(one for _, some, _ in told for one in some)
        filled = tuple(path for path, (sites, _, _) in zip(paths, told, strict=True) if sites)
        if not filled:
            pieces.clear()
            raise none_usable(rejected)
        ledger.take(merged(n for _, _, some in told for n in some))
        picture = None
        if plan_file.plan.outputs.map:
            lonlat = pa.concat_tables([read_part(path, ["longitude_deg", "latitude_deg"]) for path in filled])
            lon, lat = (column.to_numpy() for column in lonlat.columns)
            picture = picture_around(plan_file, lon, lat, ledger)
        left_out = None
        if layered is not None and rejected:
            left_out = pieces.path("left-out", ".arrow")
            write_left_out(rejected, filled[0], left_out)
        tell("writing", 0, 1)
        yield Parts(plan_file.plan, table, filled, rejected, tuple(ledger), picture, plan_file.origin(), left_out)
        pieces.clear()


def part_rows(total: int, size: int) -> list[tuple[int, int]]:
    """First row and end of each part of a file of `total` rows; one empty part of an empty file."""
    return [(first, min(first + size, total)) for first in range(0, max(total, 1), size)]


def _own_of(parts: Sequence[ContractSites]) -> dict[str, pa.Array]:
    return {name: pa.concat_arrays([part.own[name] for part in parts]) for name in parts[0].own}


# --- one part ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Read:
    """Sites of some rows whose climate is known, their climate, and what was left out or noticed.

    found, kept: (n,) of each site, where the plan names layers.
    """

    sites: ContractSites
    climate: SiteClimate
    rejected: tuple[Rejected, ...]
    notices: tuple[Notice, ...]
    found: tuple[SiteFound, ...] = ()
    kept: tuple[Mapping[str, bytes], ...] = ()


def usual_part(plan_file: PlanFile) -> int:
    """Sites of a part, unless the caller says how many."""
    return PART if plan_file.plan.layers is None else SITES


def contract_part(
    plan_file: PlanFile, table: ZoneTable, first: int, end: int, layered: Layered | None = None
) -> tuple[ContractResult, tuple[Mapping[str, bytes], ...]]:
    """What was found of the sites in rows `first` up to `end` of the file, and what is kept of each besides; the
    part may be without any usable site."""
    part = _read(plan_file, first, end, layered)
    result = zones_of(
        plan_file.plan, part.sites, part.climate, table, part.rejected, part.notices, found=part.found
    )
    return result, part.kept


def _read(plan_file: PlanFile, first: int, end: int, layered: Layered | None = None) -> _Read:
    ledger = Ledger(plan_file.plan.units)
    try:
        sites = read_contract_sites(plan_file, ledger, (first, end))
    except DataError as fault:
        if first == 0 and count_contract_sites(plan_file) <= end:
            raise
        # of one part of many, unlike of a whole file, this stops nothing
        why = f"{fault.what}. {fault.todo}"
        rejected = contract_rows(plan_file, (first, end), why) if layered is not None else ()
        sites = ContractSites((), (), np.empty(0), rejected or (Rejected(f"rows {first + 1} to {end}", why),))
    if layered is None:
        sites = replace(sites, elsewhere=say_signs(plan_file, sites, ledger))
    else:
        sites = replace(sites, elsewhere=np.isin(sites.rows, layered.elsewhere))
        return _read_layered(plan_file, sites, (first, end), layered, ledger)
    kept, climate, lost = _climate(plan_file, sites, ledger)
    if plan_file.plan.climate.daily is not None:
        ledger.add(Kind.SKIPPED, "climate.daily", "years at one station tell of one site, not of a contract's")
        climate = replace(climate, yearly_peak_mm_day=None)
    rejected = (*sites.rejected, *lost)
    return _Read(sites.take(kept), climate, rejected, tuple(ledger))


def _climate(
    plan_file: PlanFile, sites: ContractSites, ledger: Ledger
) -> tuple[Ints, SiteClimate, tuple[Rejected, ...]]:
    """Rows that have a climate, their climate, and those that no reader could take.

    What a layer's file has wrong at most sites stops everything; at a few, it takes these. A fault that nobody
    foresaw is narrowed down to the site that brings it, by halves, and the rest goes on.
    """

    def lose(row: int, why: str) -> Rejected:
        ledger.add(Kind.SKIPPED, "contract.sites", why, [sites.names[row]])
        own = {name: column[row].as_py() for name, column in sites.own.items()}
        return Rejected(sites.names[row], why, int(sites.rows[row]), own)

    def attempt(rows: Ints) -> Iterator[tuple[Ints, SiteClimate] | Rejected]:
        some, told = sites.take(rows), Ledger(ledger.units)
        try:
            climate = climate_at(plan_file, some.shapes, some.elevation_m, told, names=some.names, strict=False)
        except SitesError as fault:
            why = f"{fault.where}: {fault.what}. {fault.todo}"
            yield from (lose(int(row), why) for row in rows[list(fault.rows)])
            yield from attempt(np.delete(rows, fault.rows))
        except PlannerError:
            raise
        except Exception as fault:
            if not len(rows):
                raise
            if len(rows) == 1:
                yield lose(int(rows[0]), f"its climate could not be worked out: {fault or type(fault).__name__}")
                return
            for half in np.array_split(rows, 2):
                yield from attempt(half)
        else:
            ledger.take(told)
            yield rows, climate

    found = list(attempt(np.arange(len(sites))))
    good = [item for item in found if not isinstance(item, Rejected)]
    lost = tuple(item for item in found if isinstance(item, Rejected))
    if not good:
        return np.empty(0, np.int64), climate_at(plan_file, (), np.empty(0), Ledger(), names=(), strict=False), lost
    return np.concatenate([rows for rows, _ in good]), joined([climate for _, climate in good]), lost


# --- one part whose sites get a mount each ----------------------------------------------------------------------


@dataclass(frozen=True)
class Layered:
    """How the sites of a contract with layers are decided, as another process is told it.

    job: text by which a process knows what it has read for it already. stand_ins: paths by the plan's key. keep:
    what is kept of each site's result besides its record, by name. elsewhere: numbers in the file of the sites that
    probably lie elsewhere, which no site alone can tell.
    """

    job: str
    stand_ins: Mapping[str, str]
    keep: Keep | None = None
    elsewhere: tuple[int, ...] = ()


_read_for: dict[str, Shared] = {}  # what this process has read for all sites of a job; of one job at a time


def _prepared(plan_file: PlanFile, pieces: Pieces, job: str, keep: Keep | None, ledger: Ledger) -> Layered | None:
    """What a contract with layers needs before its sites; None without layers. Says what is the matter with layers
    that are read for all sites at once."""
    if plan_file.plan.layers is None:
        return None
    elsewhere: tuple[int, ...] = ()
    with contextlib.suppress(DataError):  # of a file with no usable site, as its parts will say
        sites = read_contract_sites(plan_file, Ledger())
        elsewhere = tuple(sites.rows[say_signs(plan_file, sites, ledger)].tolist())
    layered = Layered(job, keep_stand_ins(plan_file, pieces, ledger), keep, elsewhere)
    _read_for.clear()
    _read_for[job] = shared(plan_file, layered.stand_ins, ledger)
    return layered


def _shared_of(plan_file: PlanFile, layered: Layered) -> Shared:
    if layered.job not in _read_for:
        _read_for.clear()
        _read_for[layered.job] = shared(plan_file, layered.stand_ins, Ledger())
    return _read_for[layered.job]


def _read_layered(
    plan_file: PlanFile, sites: ContractSites, rows: tuple[int, int], layered: Layered, ledger: Ledger
) -> _Read:
    """As :func:`_read`: sites with the climate and the decision that `site` gives them; one that no layer suits has
    its zone as without layers."""
    common = _shared_of(plan_file, layered)
    outlines = read_outlines(plan_file, rows) if len(sites) else {}
    climates: dict[int, SiteClimate] = {}
    found: dict[int, SiteFound] = {}
    kept: dict[int, Mapping[str, bytes]] = {}
    elevation_m = np.array(sites.elevation_m, float)
    for k, (name, row) in enumerate(zip(sites.names, sites.rows.tolist(), strict=True)):
        result = _decided(plan_file, common.given(outlines[row]), elevation_m[k])
        if isinstance(result, str):
            found[k] = not_decided(row, name, result)
            ledger.add(Kind.SKIPPED, "contract.sites", f"no mount was sought: {result}", [name])
            continue
        # of the site, not of its features: the same said at many sites becomes one
        ledger.take(
            replace(notice, features=(name,), more=0) for notice in result.notices if not tells_of_far(notice)
        )
        climates[k], found[k] = result.climate, site_found(result, row, name)
        stated = result.plan.climate.elevation_m
        elevation_m[k] = result.site.elevation_m if stated is None else stated
        if layered.keep is not None:
            kept[k] = layered.keep(result, found[k])
    others = np.array([k for k in range(len(sites)) if k not in climates], np.int64)
    rest, climate, lost = _climate(plan_file, sites.take(others), ledger) if len(others) else (others, None, ())
    order = np.concatenate([np.array(sorted(climates), np.int64), others[rest]])
    every = [climates[k] for k in sorted(climates)] + ([climate] if climate is not None and len(rest) else [])
    if not every:
        return _Read(sites.take(order), climate or _no_climate(plan_file), (*sites.rejected, *lost), tuple(ledger))
    place = np.argsort(order, kind="stable")
    taken = order[place]
    return _Read(
        replace(sites, elevation_m=elevation_m).take(taken),
        in_order(joined(every), place),
        (*sites.rejected, *lost),
        tuple(ledger),
        tuple(found[k] for k in taken.tolist()),
        tuple(kept.get(k, {}) for k in taken.tolist()),
    )


def _decided(plan_file: PlanFile, given: Given, elevation_m: float) -> SiteResult | str:
    """One site's result, or why there is none. PlanError stops everything: it is true of every site."""
    try:
        return decided(plan_file, given, elevation_m)
    except DataError as fault:
        return str(fault)
    except PlannerError:
        raise
    except Exception as fault:  # whatever one site brings, the others go on
        return f"it could not be worked out: {fault or type(fault).__name__}"


def _no_climate(plan_file: PlanFile) -> SiteClimate:
    return climate_at(plan_file, (), np.empty(0), Ledger(), names=(), strict=False)


def do_part(
    plan_file: PlanFile, table: ZoneTable, layered: Layered | None, first: int, end: int, path: str
) -> tuple[int, int]:
    """One part, from its rows to its file; what a worker runs."""
    with _one_at_a_time, _uncollected():
        if not whole(Path(path)):
            result, kept = contract_part(plan_file, table, first, end, layered)
            write_part(result, Path(path), kept)
    return first, end


@contextlib.contextmanager
def _uncollected() -> Iterator[None]:
    """No search for cycles meanwhile: it would walk all geometries again and again as they are made (a fifth of the
    time, measured), and a part makes no cycles. What was off before stays off.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


Missing = Sequence[tuple[tuple[int, int], Path]]


Run = Callable[[PlanFile, ZoneTable, "Layered | None", Missing], Iterator[tuple[int, int]]]


def _here(
    plan_file: PlanFile, table: ZoneTable, layered: Layered | None, missing: Missing
) -> Iterator[tuple[int, int]]:
    for (first, end), path in missing:
        yield do_part(plan_file, table, layered, first, end, str(path))


def _on(address: str, tell: Progress) -> Run:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise CommandError(
            "--scheduler", "Dask is not installed", 'Install it with: pip install "noonmark[cluster]"'
        ) from None
    _ask(address)

    def run(
        plan_file: PlanFile, table: ZoneTable, layered: Layered | None, missing: Missing
    ) -> Iterator[tuple[int, int]]:
        carried = plan_file.for_another_process()
        with contextlib.closing(Client(address, timeout=ANSWER_S, set_as_default=False)) as client:
            if not client.scheduler_info()["workers"]:
                tell("waiting for a worker of the cluster", 0, 1)
            futures = {
                # the worker may die with its part half done: the part is then done again elsewhere
                client.submit(
                    do_part, carried, table, layered, *span, str(path.resolve()), pure=False, retries=3
                ): path
                for span, path in missing
            }
            # its own loop is named, for this client is nobody's default
            for future in as_completed(futures, loop=client.loop):
                try:
                    span = future.result()
                except PlannerError:
                    raise
                except Exception as fault:
                    raise CommandError(
                        "--scheduler",
                        f"a worker could not do its part: {type(fault).__name__}: {fault}",
                        f"Every worker needs noonmark {__version__} and the same Python and packages as here",
                    ) from fault
                if not whole(futures[future]):
                    raise CommandError(
                        "--scheduler",
                        f"a worker finished its part, but {futures[future]} is not to be seen from here",
                        "Plan, layers and output folder must lie where every worker sees them under the same path",
                    )
                yield span

    return run


def _ask(address: str) -> None:
    """Raise CommandError unless a Dask scheduler answers at `address` in time.

    The client's own limit does not cover its first handshake: it waits for ever on a port that says nothing.
    """
    from distributed import rpc
    from distributed.security import Security

    async def identity() -> str:
        async with asyncio.timeout(ANSWER_S):
            async with rpc(address, connection_args=Security().get_connection_args("client")) as found:
                return str((await found.identity())["type"])

    try:
        with ThreadPoolExecutor(1) as apart:  # where a loop runs already, as in a notebook, it is not disturbed
            kind = apart.submit(asyncio.run, identity()).result()
    except Exception as fault:  # whatever answers there may say anything
        said = f": {fault}" if str(fault) else f" within {ANSWER_S} s"
        raise CommandError("--scheduler", f"no scheduler answers at {address}{said}", "Check the address") from None
    if kind != "Scheduler":
        raise CommandError(
            "--scheduler", f"what answers at {address} is no scheduler but a {kind.lower()}", "Check the address"
        )


def _job(plan_file: PlanFile, part_sites: int, total: int) -> str:
    """Everything the parts hang on, as text."""
    plan = plan_file.plan
    named: list[Any] = [plan.contract.sites.path if plan.contract else None, plan.zone.table]
    named.append(plan.climate.weather)
    named += [section.path for _, section in plan.climate if hasattr(section, "path")]
    if plan.layers is not None:
        named += [plan.sun.weather, *(section.path for _, section in plan.layers if section is not None)]
    return json.dumps(
        {
            "version": __version__,
            "plan": plan.model_dump(mode="json", exclude={"outputs"}),
            "site_maps": plan.outputs.site_maps,
            "site_sheets": plan.outputs.site_sheets,
            "part_sites": part_sites,
            "total": total,
            "files": {text: files_state(plan_file, text) for text in named if text},
        },
        sort_keys=True,
    )
