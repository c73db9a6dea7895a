"""A contract of many sites with layers, stopped, taken up again, and shared out: `python tests/thousand_sites.py`.

Makes a seeded county (`tests/counties.py`) in FOLDER where it is not there yet, and runs `noonmark contract` on it
twice: `alone`, killed (SIGKILL) once a third of the sites is done and then run again; and `shared`, on two Dask
workers, of which one is killed once a third is done. Both make the field sheets of all sites as one PDF. Then every
table of the two is compared, row by row, the pages of the PDF are counted and its index is followed. Prints what
each step took, and ends with 1 where anything differs.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[1])]

from counties import FAST, county, layers  # noqa: E402

TABLES = ("sites", "mounts", "layout", "controllers", "links", "cables")
WHOLE = ("bill.csv", "sites.csv")
LONGEST_S = 6 * 3600


def plan_text(folder: Path) -> str:
    """The contract's plan as TOML: its values are texts and numbers, which JSON writes alike."""
    sections: dict[str, dict[str, Any]] = {"contract.sites": {"path": "sites.gpkg", "name": "site"}}
    sections |= {f"layers.{name}": keys for name, keys in layers(folder).items()}
    sections["sun"] = dict(FAST)
    sections["outputs"] = {"site_sheets": True, "sites": ["parquet", "csv"], "map": True}
    out = ['title = "A county"']
    for name, keys in sections.items():
        out += ["", f"[{name}]", *(f"{key} = {json.dumps(value)}" for key, value in keys.items())]
    return "\n".join(out) + "\n"


def command(plan: Path, out: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "planner", "contract", str(plan), "--out", str(out), "--quiet", *more]


def done_in(out: Path) -> int:
    """Sites whose piece is whole."""
    return len(list((out / ".parts").glob("0*.json")))


def wait_for(sites: int, out: Path, running: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + LONGEST_S
    while done_in(out) < sites and time.monotonic() < end:
        if running.poll() is not None:
            raise SystemExit(f"{out}: ended with {running.returncode} before {sites} sites were done")
        time.sleep(0.2)


def alone(plan: Path, out: Path, sites: int) -> None:
    first = subprocess.Popen(command(plan, out))
    wait_for(sites // 3, out, first)
    first.send_signal(signal.SIGKILL)
    first.wait()
    kept = done_in(out)
    print(
        f"alone: killed with {kept} of {sites} sites done; files so far: {len(list(out.glob('*.*')))}", flush=True
    )
    timed("alone, taken up again", lambda: subprocess.run(command(plan, out), check=True, timeout=LONGEST_S))


def shared(plan: Path, out: Path, sites: int, folder: Path) -> None:
    with cluster(folder) as (address, workers):
        running = subprocess.Popen(command(plan, out, "--scheduler", address))
        wait_for(sites // 3, out, running)
        workers[0].send_signal(signal.SIGKILL)
        print(f"shared: a worker killed with {done_in(out)} of {sites} sites done", flush=True)
        timed("shared, from then on", lambda: running.wait(LONGEST_S))
        if running.returncode:
            raise SystemExit(f"shared: ended with {running.returncode}")


@contextlib.contextmanager
def cluster(folder: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A Dask scheduler and two workers of one thread, on loopback."""
    told = folder / "scheduler.json"
    told.unlink(missing_ok=True)
    none = subprocess.DEVNULL
    dask = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
    started = [subprocess.Popen([*dask, "--no-dashboard", "--scheduler-file", str(told)], stdout=none, stderr=none)]
    try:
        while not told.exists():
            time.sleep(0.2)
        address = json.loads(told.read_text())["address"]
        one = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny"]
        one += ["--no-dashboard", "--local-directory", str(folder / "dask")]
        started += [subprocess.Popen(one, stdout=none, stderr=none) for _ in range(2)]
        yield address, started[1:]
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()


def timed(name: str, work: Any) -> None:
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    work()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(
        f"{name}: {used:.0f} s of processor time in its processes, {time.monotonic() - start:.0f} s by the clock, "
        f"{after.ru_maxrss / 1e6:.2f} GB at most in any of them",
        flush=True,
    )


def differences(one: Path, other: Path) -> list[str]:
    """Tables and files of two results that are not equal."""
    import pyarrow.parquet as pq

    found = []
    for name in TABLES:
        a, b = (pq.read_table(folder / f"{name}.parquet") for folder in (one, other))
        if not a.equals(b):
            found.append(f"{name}.parquet: {a.num_rows} and {b.num_rows} rows")
        else:
            print(f"{name}.parquet: {a.num_rows} rows, {a.num_columns} columns, equal")
    return found + [name for name in WHOLE if (one / name).read_bytes() != (other / name).read_bytes()]


def index_faults(path: Path) -> list[str]:
    """What is wrong with the index of a PDF of sheets: every link must lead to the page that names its site."""
    import pypdf

    reader: Any = pypdf.PdfReader(path)
    texts = ["".join(page.extract_text().split()) for page in reader.pages]
    labels = reader.page_labels
    front = sum(not label.isdigit() for label in labels)
    numbers = {page.indirect_reference.idnum: k for k, page in enumerate(reader.pages)}
    links = [
        numbers[held.get_object()["/Dest"][0].idnum]
        for page in reader.pages[:front]
        for held in page.get("/Annots", [])
        if "/Dest" in held.get_object()
    ]
    marks = [one for one in reader.outline if not isinstance(one, list)][1:]  # the first is the index itself
    pages = [reader.get_destination_page_number(mark) for mark in marks]
    faults = [
        f"the bookmark '{mark.title}' leads to page {labels[page]}, which does not name it"
        for mark, page in zip(marks, pages, strict=True)
        if "".join(str(mark.title).partition(":")[0].split()) not in texts[page]
    ]
    if sorted(set(links)) != sorted(pages):
        faults.append("the index does not lead to the pages of the bookmarks")
    print(f"{path.name}: {len(texts)} pages, {front} of them index, {len(marks)} sheets, {len(links)} links")
    return faults


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("folder", type=Path, help="where county and results go, some 3 MB for each site")
    ask.add_argument("--sites", type=int, default=1_000)
    ask.add_argument("--footprints", type=int, default=20_000)
    ask.add_argument("--trees", type=int, default=20_000)
    ask.add_argument("--only", choices=("alone", "shared", "compare"), help="one step of the three")
    given = ask.parse_args()
    folder = given.folder.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    plan = folder / "contract.toml"
    if not plan.exists():
        county(folder, sites=given.sites, buildings=given.footprints, trees=given.trees)
        plan.write_text(plan_text(folder), encoding="utf-8")
    os.environ["PYTHONPATH"] = os.pathsep.join([str(Path(__file__).resolve().parents[1])])
    if given.only in (None, "alone"):
        alone(plan, folder / "alone", given.sites)
    if given.only in (None, "shared"):
        shared(plan, folder / "shared", given.sites, folder)
    if given.only in ("alone", "shared"):
        return 0
    faults = differences(folder / "alone", folder / "shared")
    faults += index_faults(folder / "alone" / "sheets.pdf")
    for fault in faults:
        print(f"differs: {fault}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
