"""A contract of any size: part by part from file to file, here or on a cluster, resumed where it stopped.

Finished parts stand in a folder beside the results until all are there. What they hang on (plan, files, version) is
written down with them, so that parts of another job are never mixed in.
"""

from __future__ import annotations

import contextlib
import gc
import json
import shutil
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from planner import __version__
from planner.climate.answer import ZoneTable
from planner.contract import PART, ContractFiles, Rejected, contract_part, merged, none_usable, part_rows
from planner.layers.build import count_contract_sites
from planner.layers.source import files_state
from planner.ledger import Ledger, OutputError, PlanError
from planner.local_climate import picture_around, table_of
from planner.plan import PlanFile
from planner.show.contract_files import assemble, file_names, read_part, read_told, write_part
from planner.show.folder import check_folder

Progress = Callable[[str, int, int], None]  # (what is being done, sites done, sites in all)

_PARTS = ".parts"
_one_at_a_time = threading.Lock()  # GDAL's datasets and the compiled loops are not for several threads at once


def run_contract_files(
    source: PlanFile,
    folder: Path,
    ledger: Ledger,
    progress: Progress | None = None,
    *,
    force: bool = False,
    scheduler: str | None = None,
    part_sites: int = PART,
) -> ContractFiles:
    """Zones of a contract, from its file to files in `folder`.

    scheduler: address of a Dask scheduler; its workers must see the same paths. part_sites: rows of a part.
    Raises PlanError, DataError or OutputError; parts that are finished then stay for the next run.
    """
    folder, tell = Path(folder), progress or (lambda what, done, total: None)
    check_folder(folder, file_names(source.plan), force)
    table = table_of(source, ledger)
    total = count_contract_sites(source)
    rows = part_rows(total, part_sites)
    parts = folder / _PARTS
    _prepare(parts, _job(source, part_sites, total))
    paths = [parts / f"{first:09d}.arrow" for first, _ in rows]
    missing = [(span, path) for span, path in zip(rows, paths, strict=True) if not _done(path)]
    done = total - sum(end - first for (first, end), _ in missing)
    tell("zones", done, total)
    run = _here if scheduler is None else _on(scheduler)
    for first, end in run(source, table, missing):
        done += end - first
        tell("zones", done, total)

    told = [read_told(path) for path in paths]
    rejected = tuple(Rejected(name, why) for _, some, _ in told for name, why in some)
    filled = [path for path, (count, _, _) in zip(paths, told, strict=True) if count]
    if not filled:
        _clear(parts)
        raise none_usable([rejected])
    ledger.take(merged(n for _, _, some in told for n in some))
    picture = None
    if source.plan.outputs.map:
        lonlat = pa.concat_tables([read_part(path, ["longitude_deg", "latitude_deg"]) for path in filled])
        lon, lat = (column.to_numpy() for column in lonlat.columns)
        picture = picture_around(source, lon, lat, ledger)
    tell("writing", 0, 1)
    written = assemble(source.plan, table, filled, rejected, tuple(ledger), picture, folder, force)
    _clear(parts)
    told_all = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    return ContractFiles(
        told_all["count"],
        told_all["zones"],
        told_all["flagged"],
        told_all["flag_counts"],
        rejected,
        tuple(ledger),
        tuple(written),
    )


def do_part(source: PlanFile, table: ZoneTable, first: int, end: int, path: str) -> tuple[int, int]:
    """One part, from its rows to its file; what a worker runs."""
    with _one_at_a_time, _uncollected():
        if not _done(Path(path)):
            write_part(contract_part(source, table, first, end), Path(path))
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


def _done(path: Path) -> bool:
    return path.exists() and path.with_suffix(".json").exists()


Missing = Sequence[tuple[tuple[int, int], Path]]


def _here(source: PlanFile, table: ZoneTable, missing: Missing) -> Iterator[tuple[int, int]]:
    for (first, end), path in missing:
        yield do_part(source, table, first, end, str(path))


def _on(address: str) -> Callable[[PlanFile, ZoneTable, Missing], Iterator[tuple[int, int]]]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise PlanError(
            "--scheduler", "Dask is not installed", 'Install it with: pip install "noonmark[cluster]"'
        ) from None

    def run(source: PlanFile, table: ZoneTable, missing: Missing) -> Iterator[tuple[int, int]]:
        try:
            client = Client(address, timeout="20s", set_as_default=False)
        except (OSError, ValueError) as fault:
            raise PlanError(
                "--scheduler", f"no scheduler answers at {address}: {fault}", "Check the address"
            ) from None
        with contextlib.closing(client):
            futures = [
                # the worker may die with its part half done: the part is then done again elsewhere
                client.submit(do_part, source, table, first, end, str(path.resolve()), pure=False, retries=3)
                for (first, end), path in missing
            ]
            for future in as_completed(futures):
                yield future.result()

    return run


def _job(source: PlanFile, part_sites: int, total: int) -> str:
    """Everything the parts hang on, as text."""
    plan = source.plan
    named: list[Any] = [plan.contract.sites.path if plan.contract else None, plan.zone.table]
    named.append(plan.climate.weather)
    named += [section.path for _, section in plan.climate if hasattr(section, "path")]
    return json.dumps(
        {
            "version": __version__,
            "plan": plan.model_dump(mode="json", exclude={"outputs"}),
            "part_sites": part_sites,
            "total": total,
            "files": {text: files_state(source, text) for text in named if text},
        },
        sort_keys=True,
    )


def _clear(parts: Path) -> None:
    """Take the parts away, first the word on whose they are: half of them must never be taken for all."""
    (parts / "job.json").unlink(missing_ok=True)
    shutil.rmtree(parts)


def _prepare(parts: Path, job: str) -> None:
    mark = parts / "job.json"
    try:
        if parts.exists() and (not mark.exists() or mark.read_text(encoding="utf-8") != job):
            _clear(parts)
        parts.mkdir(parents=True, exist_ok=True)
        mark.write_text(job, encoding="utf-8")
    except OSError as fault:
        raise OutputError(
            str(parts),
            f"the folder of parts cannot be written: {fault.strerror or fault}",
            "Choose a folder that you may write to",
        ) from None
