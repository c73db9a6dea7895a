"""What a disk, a power cut and a second user do to a run: `python tests/faults/run.py [KIND ...] [--kills N]`.

kills: N moments, drawn by the seed over the length of a run, at which `site`, `contract` (with layers and without)
and `climate` are killed over an earlier result; then the folder holds the earlier files or the new ones, or, where
files were changing places just then, a part of one of the two, never both; the next run is as if nothing had been.
moves: the same at each single step of the changing of places. full: the same over a disk that is full after so many
bytes (a limit on the size of files); small: a small file system, where one can be mounted. changed: a file of the
plan is exchanged while a contract runs. two: two runs in one folder. Prints a line for each fault that was found,
then a count; ends with 1 where there is any.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "corpus"), str(Path(__file__).resolve().parents[2])]

import corpus_scene as scene  # noqa: E402
import run_corpus  # noqa: E402
from corpus_cases import Case  # noqa: E402

LONGEST_S = 120
KINDS = ("kills", "moves", "full", "small", "changed", "two")
SIZES = (0, 300, 3_000, 30_000, 100_000, 400_000)  # bytes of a file at most
MANIFEST, READY, SIGNATURE = ".noonmark-files.json", ".noonmark-ready", ".eto.tif.made"
Another = Callable[[], Path]  # makes a folder with the sound input in it
Results = dict[str, str]


@dataclass(frozen=True)
class Job:
    """A command on a plan: as it was run earlier, and as it is run later, which gives another result."""

    command: str
    plan: dict[str, object]
    later: dict[str, object]
    words: tuple[str, ...] = ()

    def case(self, later: bool = True) -> Case:
        plan = {**self.plan, **(self.later if later else {}), "title": "Later" if later else "Earlier"}
        return Case("faults", self.command, plan, (0,), command=self.command, more=self.words)


JOBS = {
    "site": Job("site", scene.SITE | {"outputs.sheet_pdf": True}, {"requirements.max_height_m": 9.0}),
    "layers": Job(
        "contract",
        scene.EACH
        | {"contract.sites.where": "name in ('S0', 'S1')", "outputs.site_maps": True, "outputs.site_sheets": True},
        {"requirements.max_height_m": 9.0, "contract.sites.where": "name in ('S0', 'S2')"},
    ),
    "contract": Job("contract", dict(scene.CONTRACT), {"season.months": [5, 6]}, ("--part-sites", "1")),
    "climate": Job(
        "climate",
        dict(scene.CLIMATE),
        {"climate.wind.path": "wind.tif", "climate.wind.unit": "m/s"},
    ),
}


@dataclass
class Found:
    tried: int = 0
    faults: list[str] = field(default_factory=list)

    def expect(self, holds: bool, fault: str) -> None:
        self.tried += 1
        if not holds:
            self.faults.append(fault)
            print(f"fault: {fault}", flush=True)


def start(case: Case, folder: Path, before: Callable[[], None] = lambda: None, log: str = "said.txt") -> int:
    """The process that runs the case's command in `folder`; before: done in it first."""
    plan = folder / f"{log}.toml"  # of its own, for two runs in one folder
    plan.write_text(case.text(), encoding="utf-8")
    plan.rename(folder / "plan.toml")
    return run_corpus.begun(case, folder, before, log)


def ended(child: int) -> int | None:
    """The exit code; None where it had to be ended."""
    until = time.monotonic() + LONGEST_S
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.005)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def run(case: Case, folder: Path, before: Callable[[], None] = lambda: None) -> tuple[int | None, str]:
    code = ended(start(case, folder, before))
    return code, (folder / "said.txt").read_text(encoding="utf-8", errors="replace")


def results(folder: Path) -> Results:
    """Digest of each file of the result; of those that state when they were made by what else is in them."""
    found = {}
    out = folder / "out"
    for path in sorted(out.rglob("*")):
        # what is hidden, or lies in a hidden folder, is unfinished work
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(out).parts):
            content = {".gpkg": rows, ".xlsx": sheets}.get(path.suffix, Path.read_bytes)(path)
            found[path.relative_to(out).as_posix()] = hashlib.sha256(content).hexdigest()[:12]
    return found


def rows(path: Path) -> bytes:
    import pyogrio

    try:
        layers = sorted(str(name) for name, kind in pyogrio.list_layers(path) if kind)
        return repr([pyogrio.read_dataframe(path, layer=name).to_json() for name in layers]).encode()
    except Exception as fault:
        return f"cannot be read: {fault}".encode()


def sheets(path: Path) -> bytes:
    with zipfile.ZipFile(path) as book:
        return repr([(name, book.read(name)) for name in book.namelist() if "docProps" not in name]).encode()


def mixture(there: Results, old: Results, new: Results) -> str:
    """'' where all files are of one result; else which are the earlier ones, the new ones, and neither."""
    if there in (old, new):
        return ""
    of = {
        name: "new" if new.get(name) == d else "earlier" if old.get(name) == d else "neither"
        for name, d in there.items()
    }
    kinds = {kind: sorted(name for name in of if of[name] == kind) for kind in ("earlier", "new", "neither")}
    return "; ".join(f"{kind}: {', '.join(names)}" for kind, names in kinds.items() if names) or "nothing"


def one_of(folder: Path, old: Results, new: Results) -> str:
    """Right after a kill: which result there is, or a part of which; else '' ."""
    there = results(folder)
    moving = (folder / "out" / READY).exists()
    for what, whole in (("earlier", old), ("new", new)):
        if there == whole:
            return what
        if moving and there.items() < whole.items():
            return f"part of the {what}"
    return ""


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / "out").glob(".*") if path.name not in (MANIFEST, SIGNATURE))


@contextlib.contextmanager
def places(commands: Sequence[str]) -> Iterator[Another]:
    with tempfile.TemporaryDirectory(prefix="faults-") as whole:
        sound, made = Path(whole) / "sound", iter(range(10**9))
        sound.mkdir()
        scene.write_all(sound)
        run_corpus.load(sound, commands)

        def another() -> Path:
            folder = Path(whole) / str(next(made))
            run_corpus.written(Case("faults", "", {}, ()), sound, folder)
            (folder / "out").mkdir()
            return folder

        yield another


def with_earlier(job: Job, another: Another) -> Path:
    folder = another()
    code, said = run(job.case(later=False), folder)
    if code != 0:
        raise SystemExit(f"{job.command} does not work: {said}")
    return folder


def copies(folder: Path) -> Another:
    """Makes copies of a folder, which is cheaper than to run again what made it."""
    made = iter(range(10**9))

    def another() -> Path:
        return Path(shutil.copytree(folder, folder.with_name(f"{folder.name}-{next(made)}")))

    return another


def old_and_new(job: Job, another: Another) -> tuple[Results, Results, float]:
    """The earlier result, what a new run makes of it, and the seconds that this takes."""
    folder = with_earlier(job, another)
    old, since = results(folder), time.monotonic()
    code, said = run(job.case(), folder)
    seconds, new = time.monotonic() - since, results(folder)
    if code != 0 or new == old:
        raise SystemExit(f"{job.command} does not work, or makes the same again: {said}")
    return old, new, seconds


def rerun(found: Found, job: Job, folder: Path, new: Results, what: str) -> None:
    """The next run is as if nothing had been."""
    code, said = run(job.case(), folder)
    found.expect(code == 0, f"{what}, run again: code {code}: {said[-300:]}")
    found.expect(results(folder) == new, f"{what}, run again: {mixture(results(folder), new, {})}")
    found.expect(not leftovers(folder), f"{what}, run again: {leftovers(folder)} is left")


def kills(found: Found, another: Another, moments: int, seed: int, names: Sequence[str]) -> None:
    """Killed at any moment, the folder holds the earlier result or the new one, and the next run makes it right."""
    for name in names:
        job, rng = JOBS[name], random.Random(f"{seed} {name}")
        old, new, seconds = old_and_new(job, another)
        earlier, seen = copies(with_earlier(job, another)), Counter[str]()
        for _ in range(moments):
            folder, after = earlier(), rng.uniform(0.0, 1.1 * seconds)
            child = start(job.case(), folder)
            time.sleep(after)
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child, signal.SIGKILL)
            ended(child)
            what = f"{name}, killed after {after:.2f} of {seconds:.2f} s"
            left = one_of(folder, old, new)
            found.expect(bool(left), f"{what}: {mixture(results(folder), old, new)}")
            seen[left] += 1
            rerun(found, job, folder, new, what)
            shutil.rmtree(folder)
        print(f"kills: {name} at {moments} moments of {seconds:.1f} s: {counted(seen)}", flush=True)


def counted(seen: Counter[str]) -> str:
    return ", ".join(f"{number} {what or 'mixed'}" for what, number in sorted(seen.items()))


def moves(found: Found, another: Another, names: Sequence[str]) -> None:
    """Killed before each step that renames or removes a file of the folder of results, beginning with the first."""
    for name in names:
        job = JOBS[name]
        old, new, _ = old_and_new(job, another)
        earlier, seen = copies(with_earlier(job, another)), Counter[str]()
        for turn in range(1000):
            folder = earlier()
            code, said = run(job.case(), folder, lambda turn=turn: die_at(turn))
            if code == 0:
                break
            what = f"{name}, killed before its step {turn}"
            found.expect(code == -signal.SIGKILL, f"{what}: code {code}: {said[-300:]}")
            left = one_of(folder, old, new)
            found.expect(bool(left), f"{what}: {mixture(results(folder), old, new)}")
            seen[left] += 1
            if turn % 5 == 0:
                rerun(found, job, folder, new, what)
            shutil.rmtree(folder)
        print(f"moves: {name} before each of {turn} steps: {counted(seen)}", flush=True)


def die_at(turn: int) -> None:
    """Have this process killed at its `turn`th step on a file in `out`, of those once the new results are whole."""
    left, begun = turn, False

    def deadly(real: Callable[..., object]) -> Callable[..., object]:
        def step(path: object, *more: object, **how: object) -> object:
            nonlocal left, begun
            begun = begun or (real is replace and Path(str(more[0])).name in (READY, SIGNATURE))
            if begun:
                if not left:
                    os.kill(os.getpid(), signal.SIGKILL)
                left -= 1
            return real(path, *more, **how)

        return step

    replace = os.replace
    for name in ("replace", "unlink", "rmdir"):
        setattr(os, name, deadly(getattr(os, name)))


def full(found: Found, another: Another, sizes: Sequence[int], names: Sequence[str]) -> None:
    """No room for what is written: exit 6, and the earlier result whole."""
    for name in names:
        job = JOBS[name]
        old, new, _ = old_and_new(job, another)
        earlier = copies(with_earlier(job, another))
        for size in sizes:
            folder = earlier()

            def limit(size: int = size) -> None:
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                # what the command says goes into a file as well: not that one
                reader, writer = os.pipe()
                if os.fork() == 0:
                    os.close(writer)
                    while some := os.read(reader, 4096):
                        os.write(1, some)
                    os._exit(0)
                os.close(reader)
                for stream in (1, 2):
                    os.dup2(writer, stream)
                os.close(writer)
                sys.stdout, sys.stderr = (os.fdopen(os.dup(stream), "w") for stream in (1, 2))
                resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

            code, said = run(job.case(), folder, limit)
            what = f"{name} with files of {size} bytes at most"
            found.expect(code in (0, 6) and "Traceback" not in said, f"{what}: code {code}: {said[-500:]}")
            mixed = mixture(results(folder), new if code == 0 else old, {})
            found.expect(results(folder) == (new if code == 0 else old), f"{what}: code {code}, {mixed}")
            code, said = run(job.case(), folder)
            found.expect((code, results(folder)) == (0, new), f"{what}, then with room: code {code}: {said[-300:]}")
        print(f"full: {name} with {len(sizes)} sizes", flush=True)


def small(found: Found, another: Another, names: Sequence[str]) -> bool:
    """The same on file systems of 64 to 2048 kB, where one can be mounted."""
    for name in names:
        job = JOBS[name]
        _, new, _ = old_and_new(job, another)
        for size in (64, 256, 1024, 2048):
            folder = another()
            mount = ["mount", "-t", "tmpfs", "-o", f"size={size}k", "tmpfs", str(folder / "out")]
            if subprocess.run(mount, capture_output=True, check=False).returncode:
                print("small: no small file system can be mounted here", flush=True)
                return False
            try:
                code, said = run(job.case(), folder)
                there = results(folder)
            finally:
                subprocess.run(["umount", "-l", str(folder / "out")], check=False)
            what = f"{name} on a disk of {size} kB"
            found.expect(code in (0, 6) and "Traceback" not in said, f"{what}: code {code}: {said[-500:]}")
            found.expect(there == (new if code == 0 else {}), f"{what}: code {code}, {sorted(there)}")
        print(f"small: {name} on 4 disks", flush=True)
    return True


def changed(found: Found, another: Another) -> None:
    """Sites that are exchanged while their contract runs: said, and no mixed result; the next run is right."""

    def exchange(folder: Path) -> None:
        (folder / "sites.gpkg").unlink()
        scene.layers()["sites"].assign(elev=2000.0).to_file(folder / "sites.gpkg", layer="sites", engine="pyogrio")

    folder, case = another(), JOBS["contract"].case()
    child = start(case, folder)
    until = time.monotonic() + LONGEST_S
    while not list((folder / "out" / ".parts").glob("*.arrow")) and time.monotonic() < until:
        time.sleep(0.001)
    os.kill(child, signal.SIGSTOP)
    exchange(folder)
    os.kill(child, signal.SIGCONT)
    code = ended(child)
    said = (folder / "said.txt").read_text(encoding="utf-8")
    found.expect(code == 4 and "was changed while" in said, f"changed input: code {code}: {said[-300:]}")
    found.expect(not results(folder), f"changed input: a result all the same: {sorted(results(folder))}")
    code, said = run(case, folder)
    sure = another()
    exchange(sure)
    run(case, sure)
    found.expect((code, results(folder)) == (0, results(sure)), f"after changed input: code {code}: {said[-300:]}")
    print("changed: 1 contract", flush=True)


def two(found: Found, another: Another, names: Sequence[str]) -> None:
    """Two runs in one folder, of one plan and of two: each ends well or says who holds it; no mixture."""
    for name in names:
        job = JOBS[name]
        old, new, _ = old_and_new(job, another)
        for same in (True, False):
            folder, logs = another(), ("one.txt", "other.txt")
            one = start(job.case(), folder, log=logs[0])
            time.sleep(0.1)  # so that it has read its plan
            other = start(job.case(later=same), folder, log=logs[1])
            codes = ended(one), ended(other)
            said = "".join((folder / log).read_text(encoding="utf-8", errors="replace")[-400:] for log in logs)
            what = f"two runs of {name}, {'one plan' if same else 'two plans'}"
            found.expect(set(codes) <= {0, 6} and 0 in codes, f"{what}: codes {codes}: {said}")
            mixed = mixture(results(folder), old, new)
            found.expect(not mixed, f"{what}: codes {codes}: {mixed}")
        print(f"two: {name}, one plan and two", flush=True)


def main(words: Sequence[str] | None = None) -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("kinds", nargs="*", help=f"of {', '.join(KINDS)}; all unless given")
    ask.add_argument("--kills", type=int, default=50, help="moments of each command")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--jobs", nargs="*", choices=list(JOBS), default=list(JOBS))
    ask.add_argument(
        "--sizes", nargs="*", type=int, default=SIZES, help="bytes that a file may have on a full disk"
    )
    asked = ask.parse_args(words)
    kinds, found = asked.kinds or KINDS, Found()
    commands = {JOBS[name].command for name in asked.jobs} | ({"site"} if "layers" in asked.jobs else set())
    with places(sorted(commands)) as another:
        if "kills" in kinds:
            kills(found, another, asked.kills, asked.seed, asked.jobs)
        if "moves" in kinds:
            moves(found, another, asked.jobs)
        if "full" in kinds:
            full(found, another, asked.sizes, asked.jobs)
        if "small" in kinds:
            small(found, another, asked.jobs)
        if "changed" in kinds:
            changed(found, another)
        if "two" in kinds:
            two(found, another, asked.jobs)
    print(f"{found.tried} expectations, {len(found.faults)} faults (seed {asked.seed})")
    return int(bool(found.faults))
