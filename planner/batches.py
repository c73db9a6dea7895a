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
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from planner import __version__
from planner.climate.answer import SiteClimate, ZoneTable
from planner.contract import ContractResult, joined, merged, none_usable, zones_of
from planner.layers.build import count_contract_sites, read_contract_sites
from planner.layers.source import files_state
from planner.ledger import CommandError, DataError, Kind, Ledger, Notice, PlannerError, SitesError
from planner.local_climate import climate_at, picture_around, table_of
from planner.pieces import hold, whole
from planner.plan import PlanFile
from planner.site import ContractSites, Ints, Rejected, inner_points
from planner.store import Parts, read_part, read_told, write_part

Progress = Callable[[str, int, int], None]  # (what is being done, sites done, sites in all)

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

    progress: called with (done, total) after each part. part_sites: rows read at a time. Raises PlanError or
    DataError where the sites, the zone table or a layer cannot be used at all; a single site never stops the rest.
    """
    table = table_of(plan_file, ledger)
    total = count_contract_sites(plan_file)
    parts: list[_Read] = []
    for first, end in part_rows(total, part_sites or PART):
        parts.append(_read(plan_file, first, end))
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
    )
    lonlat = inner_points(sites.shapes)
    picture = picture_around(plan_file, lonlat[:, 0], lonlat[:, 1], ledger)
    climate = joined([part.climate for part in parts])
    found = zones_of(plan_file.plan, sites, climate, table, rejected, tuple(ledger), picture)
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
) -> Iterator[Parts]:
    """The parts of a contract, all done, in a folder within `folder`; taken away once their user is done with them.

    scheduler: address of a Dask scheduler; its workers must see the same paths. part_sites: rows of a part.
    Raises PlanError, DataError, OutputError, or CommandError for the scheduler; finished parts then stay for the
    next run.
    """
    tell, size = progress or (lambda what, done, total: None), part_sites or PART
    run = _here if scheduler is None else _on(scheduler, tell)
    table = table_of(plan_file, ledger)
    total = count_contract_sites(plan_file)
    rows = part_rows(total, size)
    job = _job(plan_file, size, total)
    with hold(Path(folder) / _PARTS, job) as pieces:
        paths = [pieces.path(f"{first:09d}", ".arrow") for first, _ in rows]
        missing = [(span, path) for span, path in zip(rows, paths, strict=True) if not whole(path)]
        done = total - sum(end - first for (first, end), _ in missing)
        tell("zones", done, total)
        for first, end in run(plan_file, table, missing):
            done += end - first
            tell("zones", done, total)
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
        tell("writing", 0, 1)
        yield Parts(plan_file.plan, table, filled, rejected, tuple(ledger), picture, plan_file.origin())
        pieces.clear()


def part_rows(total: int, size: int) -> list[tuple[int, int]]:
    """First row and end of each part of a file of `total` rows; one empty part of an empty file."""
    return [(first, min(first + size, total)) for first in range(0, max(total, 1), size)]


def _own_of(parts: Sequence[ContractSites]) -> dict[str, pa.Array]:
    return {name: pa.concat_arrays([part.own[name] for part in parts]) for name in parts[0].own}


# --- one part ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Read:
    """Sites of some rows whose climate is known, their climate, and what was left out or noticed."""

    sites: ContractSites
    climate: SiteClimate
    rejected: tuple[Rejected, ...]
    notices: tuple[Notice, ...]


def contract_part(plan_file: PlanFile, table: ZoneTable, first: int, end: int) -> ContractResult:
    """The zones of the sites in rows `first` up to `end` of the file; the part may be without any usable site."""
    part = _read(plan_file, first, end)
    return zones_of(plan_file.plan, part.sites, part.climate, table, part.rejected, part.notices)


def _read(plan_file: PlanFile, first: int, end: int) -> _Read:
    ledger = Ledger()
    try:
        sites = read_contract_sites(plan_file, ledger, (first, end))
    except DataError as fault:
        if first == 0 and count_contract_sites(plan_file) <= end:
            raise
        # of one part of many, unlike of a whole file, this stops nothing
        lost_rows = Rejected(f"rows {first + 1} to {end}", f"{fault.what}. {fault.todo}")
        sites = ContractSites((), (), np.empty(0), (lost_rows,))
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


def do_part(plan_file: PlanFile, table: ZoneTable, first: int, end: int, path: str) -> tuple[int, int]:
    """One part, from its rows to its file; what a worker runs."""
    with _one_at_a_time, _uncollected():
        if not whole(Path(path)):
            write_part(contract_part(plan_file, table, first, end), Path(path))
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


def _here(plan_file: PlanFile, table: ZoneTable, missing: Missing) -> Iterator[tuple[int, int]]:
    for (first, end), path in missing:
        yield do_part(plan_file, table, first, end, str(path))


def _on(address: str, tell: Progress) -> Callable[[PlanFile, ZoneTable, Missing], Iterator[tuple[int, int]]]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise CommandError(
            "--scheduler", "Dask is not installed", 'Install it with: pip install "noonmark[cluster]"'
        ) from None
    _ask(address)

    def run(plan_file: PlanFile, table: ZoneTable, missing: Missing) -> Iterator[tuple[int, int]]:
        carried = plan_file.for_another_process()
        with contextlib.closing(Client(address, timeout=ANSWER_S, set_as_default=False)) as client:
            if not client.scheduler_info()["workers"]:
                tell("waiting for a worker of the cluster", 0, 1)
            futures = {
                # the worker may die with its part half done: the part is then done again elsewhere
                client.submit(do_part, carried, table, *span, str(path.resolve()), pure=False, retries=3): path
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
    return json.dumps(
        {
            "version": __version__,
            "plan": plan.model_dump(mode="json", exclude={"outputs"}),
            "part_sites": part_sites,
            "total": total,
            "files": {text: files_state(plan_file, text) for text in named if text},
        },
        sort_keys=True,
    )
