"""A contract from its file to a folder: parts made in `batches`, files made of them in `show`."""

from __future__ import annotations

from pathlib import Path

from planner.batches import Progress, contract_parts
from planner.ledger import Ledger
from planner.plan import PlanFile
from planner.show import Made, check_folder
from planner.show.contract_files import ContractFiles, check_sheets, file_names, kept_of, write_parts


def run_contract_files(
    plan_file: PlanFile,
    folder: Path,
    ledger: Ledger,
    progress: Progress | None = None,
    *,
    force: bool = False,
    scheduler: str | None = None,
    part_sites: int | None = None,
) -> ContractFiles:
    """A contract from its file to files: zones and, where the plan names layers, mounts.

    Parameters
    ----------
    plan_file
        Of a contract.
    folder
        Is made where it is not there.
    ledger
        Told what was repaired, assumed or left out.
    progress
        Called with (what, done, total).
    force
        Overwrite files in `folder` that are not ours.
    scheduler, part_sites
        As :func:`planner.batches.contract_parts` takes them.

    Returns
    -------
    ContractFiles
        What was written, and what to say of it.

    Raises
    ------
    PlanError, DataError, OutputError, CommandError
        As :func:`planner.batches.contract_parts`; parts that are finished then stay for the next run.
    """
    folder = Path(folder)
    check_sheets(plan_file)
    check_folder(folder, file_names(plan_file.plan), force, Made("contract", plan_file.origin()))
    with contract_parts(
        plan_file, folder, ledger, progress, scheduler=scheduler, part_sites=part_sites, keep=kept_of
    ) as parts:
        return write_parts(parts, Path(folder), force)
