"""Throw the corpus at the commands: `python tests/corpus/run.py [--all] [--only WORD] [--jobs N] [--show]`.

Each case is run in a fork of this process, in a folder of its own, and put into a class: clear error, repaired,
answered, or, where it ends otherwise than the case says, wrong, traceback or hang. Prints the table of classes;
ends with 1 where one of the last three is not empty. Without `--all` the share that CI takes.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import json
import os
import re
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Container, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]

import corpus_cases  # noqa: E402
import corpus_scene  # noqa: E402
from corpus_cases import Case  # noqa: E402

CLASSES = ("clear error", "repaired", "answered", "wrong", "traceback", "hang")
LONGEST_S = 120
ROOMS = ("cli", "job", "show", "preflight", "deliver", "eto_layer", "upkeep")
NOTICE = re.compile(r"^(repaired|assumed|left out|please check): ", re.M)


@dataclass(frozen=True)
class Outcome:
    case: Case
    kind: str  # one of CLASSES
    code: int | None
    said: str
    why: str = ""  # what differs from what the case says
    seconds: float = 0.0


def load(sound: Path, commands: Container[str]) -> None:
    """All that these commands import, compile and keep, so that a fork need not: each is run once."""
    os.environ |= {"NUMBA_NUM_THREADS": "1", "NUMBA_THREADING_LAYER": "workqueue"}  # which outlives a fork
    for room in ROOMS:
        importlib.import_module(f"planner.{room}")
    from planner import cli

    here = Path.cwd()
    with tempfile.TemporaryDirectory() as aside, open(os.devnull, "w") as nowhere:
        for case in corpus_cases.sound():
            if case.command not in commands:
                continue
            folder = Path(aside) / case.command
            # what sets a PDF starts threads, and waits for them for ever in a fork of the process that has them
            case = replace(case, plan={**case.plan, "outputs.sheet_pdf": False})
            written(case, sound, folder)
            os.chdir(folder)
            with (
                contextlib.redirect_stdout(nowhere),
                contextlib.redirect_stderr(nowhere),
                contextlib.suppress(SystemExit),
            ):
                cli.app(case.words())
            os.chdir(here)


def written(case: Case, sound: Path, folder: Path) -> None:
    """The case's folder: links to the sound input, its own plan, and what it spoils."""
    shutil.copytree(sound, folder, copy_function=os.link)
    (folder / "plan.toml").write_text(case.text(), encoding="utf-8")
    for name, spoil in case.files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        kept = path.read_bytes() if path.is_file() else b""
        path.unlink(missing_ok=True)
        spoil(path, kept)


def begun(case: Case, folder: Path, before: Callable[[], None] = lambda: None, log: str = "said.txt") -> int:
    """The process that runs the case's command in `folder` and says all in `log`; before: done in it first."""
    child = os.fork()
    if child:
        return child
    code = 1
    try:
        os.setsid()
        os.chdir(folder)
        out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        for stream in (1, 2):
            os.dup2(out, stream)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        before()
        if case.earlier is not None:
            first(replace(case, plan=case.earlier, earlier=None))
            (folder / "plan.toml").write_text(case.text(), encoding="utf-8")
        sys.argv = ["noonmark", *case.words()]
        from planner import cli

        cli.main()
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        with contextlib.suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)


def first(case: Case) -> None:
    """An earlier run in the folder that is worked in, by a process of its own. Raises OSError where it fails."""
    child = begun(case, Path.cwd(), log="first.txt")
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if code:
        raise OSError(f"the earlier run ended with {code}: {Path('first.txt').read_text()[-400:]}")


def judged(case: Case, folder: Path, code: int | None, seconds: float) -> Outcome:
    """The class of what came of a case; code: None where it did not end."""
    said = (folder / "said.txt").read_text(encoding="utf-8", errors="replace")
    notices = bool(NOTICE.search(said))
    if code is None:
        return Outcome(case, "hang", code, said, f"not done after {LONGEST_S} s", seconds)
    if "Traceback" in said or code == 1 or code < 0:
        return Outcome(
            case, "traceback", code, said, said.strip().splitlines()[-1] if said.strip() else "", seconds
        )
    kind = "clear error" if code not in (0, 5) else "repaired" if notices else "answered"
    faults = []
    if code not in case.codes:
        faults.append(f"code {code}, not {' or '.join(map(str, case.codes))}")
    if not re.search(case.says, said, re.S | re.I):
        faults.append(f"it does not say {case.says!r}")
    if case.unsaid and re.search(case.unsaid, said, re.S | re.I):
        faults.append(f"it says {case.unsaid!r}")
    if "\x1b" in said or "\x07" in said:
        faults.append("a control character reached the terminal")
    faults += [f"it does not make {name}" for name in case.makes if not (folder / name).is_file()]
    faults += [f"it leaves {name}" for name in case.leaves if (folder / name).exists()]
    faults += numbers_that_are_none(folder)
    return Outcome(case, "wrong" if faults else kind, code, said, "; ".join(faults), seconds)


def numbers_that_are_none(folder: Path) -> Iterator[str]:
    """What in the results is nan or without end."""
    for path in folder.glob("out/*.json"):

        def no_number(word: str, path: Path = path) -> float:
            raise ValueError(f"{path.name} holds {word}")

        try:
            json.loads(path.read_text(encoding="utf-8"), parse_constant=no_number)
        except ValueError as fault:
            yield str(fault)


def thrown(cases: Sequence[Case], jobs: int = 1) -> Iterator[Outcome]:
    """Run the cases, `jobs` at a time, and judge each as it ends."""
    with tempfile.TemporaryDirectory(prefix="corpus-") as place:
        sound, waiting = Path(place) / "sound", list(reversed(cases))
        sound.mkdir()
        corpus_scene.write_all(sound)
        often = Counter(case.command for case in cases)
        load(sound, {command for command in often if often[command] > 50})
        running: dict[int, tuple[Case, Path, float]] = {}
        while waiting or running:
            while waiting and len(running) < jobs:
                case = waiting.pop()
                folder = Path(place) / f"{len(waiting)}"
                written(case, sound, folder)
                running[begun(case, folder)] = (case, folder, time.monotonic())
            ended = None
            for child, (_, _, since) in running.items():
                done, status = os.waitpid(child, os.WNOHANG)
                seconds = time.monotonic() - since
                if done:
                    ended = child, os.waitstatus_to_exitcode(status), seconds
                elif seconds > LONGEST_S:
                    os.killpg(child, signal.SIGKILL)
                    os.waitpid(child, 0)
                    ended = child, None, seconds
                if ended:
                    break
            if ended is None:
                time.sleep(0.01)
                continue
            child, code, seconds = ended
            case, folder, _ = running.pop(child)
            yield judged(case, folder, code, seconds)
            shutil.rmtree(folder, ignore_errors=True)


def table(outcomes: Sequence[Outcome]) -> str:
    """Groups of cases by class."""
    groups = sorted({o.case.group for o in outcomes})
    count = Counter((o.case.group, o.kind) for o in outcomes)
    wide = max(map(len, [*groups, "all"]))
    lines = [f"{'':{wide}}  " + "  ".join(f"{k:>11}" for k in CLASSES)]
    for group in groups:
        lines.append(f"{group:{wide}}  " + "  ".join(f"{count[group, k] or '':>11}" for k in CLASSES))
    whole = Counter(o.kind for o in outcomes)
    lines.append(f"{'all':{wide}}  " + "  ".join(f"{whole[k]:>11}" for k in CLASSES))
    return "\n".join(lines)


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--all", action="store_true", help="every case, not CI's share")
    ask.add_argument("--only", default="", help="cases whose name matches")
    ask.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    ask.add_argument("--show", action="store_true", help="print what each case said")
    asked = ask.parse_args()
    cases = corpus_cases.every() if asked.all or asked.only else corpus_cases.share()
    cases = [case for case in cases if re.search(asked.only, f"{case.group}: {case.name}")]
    outcomes = []
    for outcome in thrown(cases, asked.jobs):
        outcomes.append(outcome)
        bad = outcome.kind in CLASSES[3:]
        if bad or asked.show:
            last = "".join(f"\n    {line}" for line in outcome.said.strip().splitlines()[-12:])
            head = f"{outcome.kind}: {outcome.case.group}: {outcome.case.name}"
            print(f"{head} ({outcome.code}, {outcome.seconds:.1f} s): {outcome.why}{last}", flush=True)
    print(table(outcomes))
    print(f"{len(outcomes)} cases, {sum(o.kind in CLASSES[3:] for o in outcomes)} not as they should be")
    return int(any(o.kind in CLASSES[3:] for o in outcomes))
