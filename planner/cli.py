"""The command line: words to calls, errors to exit codes. No logic of the trade."""

from __future__ import annotations

import errno
import json
import logging
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from planner import __version__
from planner.ledger import CommandError, Exit, Ledger, PlanError, PlannerError, offered

if TYPE_CHECKING:
    from rich.console import Console

    from planner.climate.answer import ZoneTable
    from planner.plan import ControlPoint, EtoUnit, PlanFile
    from planner.show.folder import Command
    from planner.units import Units

app = typer.Typer(
    name="noonmark",
    help="Where the weather sensor goes, and which climate zone the site is in. "
    "Exit codes: 0 done, 2 wrong command, 3 plan file, 4 input data, 5 no mount meets every requirement, "
    "6 output folder, 130 stopped, 1 a fault of ours.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # loading what draws boxes takes longer than the help itself
    context_settings={"help_option_names": ["-h", "--help"]},
)

PlanArgument = Annotated[Path, typer.Argument(help="plan file (TOML)", show_default=False)]
OutOption = Annotated[Path | None, typer.Option("--out", help="folder to write to [noonmark-out/NAME OF THE PLAN]")]
ForceOption = Annotated[
    bool, typer.Option("--force", help="overwrite files that we did not make, or that were changed")
]
JsonOption = Annotated[bool, typer.Option("--json", help="print the result as JSON on standard output")]
QuietOption = Annotated[
    bool, typer.Option("--quiet", "-q", help="print nothing but errors (and what --json asks for)")
]
VarOption = Annotated[list[str] | None, typer.Option("--var", help="NAME=VALUE for ${NAME} in the plan's paths")]


# What comes with a layer's names and would steer the terminal (escape sequences, direction of writing) is shown.
_SHOWN = {code: chr(0x2400 + code) for code in range(32) if chr(code) != "\n"}
_SHOWN |= dict.fromkeys(
    [*range(127, 160), 0x2028, 0x2029, *range(0x202A, 0x202F), *range(0x2066, 0x206A)], "\ufffd"
)


def _console(*, stderr: bool = False) -> Console:
    from rich.console import Console  # here: what only asks for help should not wait for it

    return Console(stderr=stderr, highlight=False, soft_wrap=True)


def _plain(text: str) -> str:
    from rich.markup import escape

    return escape(text.translate(_SHOWN))


def _line(text: str) -> str:
    return _plain(text.replace("\n", "\u240a"))


class Talk:
    """What the commands say: progress and notes on standard error, results on standard output."""

    def __init__(self, quiet: bool, as_json: bool) -> None:
        self.quiet, self.as_json = quiet, as_json
        self.err, self.out = _console(stderr=True), _console()
        self._started, self._last, self._already = time.monotonic(), 0.0, 0
        self._stage, self._settled = "", False
        logger = logging.getLogger("planner.compiled")
        logger.handlers, logger.level, logger.propagate = [_FirstTime(self)], logging.INFO, False

    def say(self, text: str) -> None:
        if not self.quiet and not self.as_json:
            self.out.print(_plain(text))

    def note(self, text: str) -> None:
        if not self.quiet:
            self.err.print(_line(text), style="dim")

    def progress(self, what: str, done: int, total: int) -> None:
        """One line a stage; within a long stage a line every five seconds, with the time left."""
        now = time.monotonic()
        if self.quiet:
            return
        if what != self._stage:
            self._stage, self._started, self._last, self._already = what, now, now, done
            self._settled = False
            self.err.print(f"{what} ...", style="dim")
            return
        if self._already < done < total and now - self._last > 5:
            since = done - self._already  # what an earlier run did took no time of this one
            self._last = now
            left = f", about {_time((now - self._started) / since * (total - done))} left" if self._settled else ""
            self.err.print(f"{what}: {done:,} of {total:,}{left}", style="dim")
        if not self._settled and done > self._already:  # the first compiles and reads for all that follow
            self._settled, self._started, self._already = True, now, done


def _time(left_s: float) -> str:
    """How long something still takes, in the unit that one would say it in."""
    if left_s < 100:
        return f"{left_s:.0f} s"
    return f"{left_s / 60:.0f} min" if left_s < 6000 else f"{left_s / 3600:.1f} h"


class _FirstTime(logging.Handler):
    """Says once what takes the time where inner loops are compiled: after an installation or an upgrade."""

    def __init__(self, talk: Talk) -> None:
        super().__init__()
        self._talk, self._said = talk, False

    def emit(self, record: logging.LogRecord) -> None:
        if not self._said:
            self._said = True
            self._talk.note(FIRST_TIME)


FIRST_TIME = "compiling, this first time only: up to a minute more ..."

_NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS}


def _run(work: Callable[[], Exit]) -> None:
    """Run a command's work; every error a person can act on becomes a message and an exit code."""
    console = _console(stderr=True)
    try:
        code = work()
    except PlannerError as fault:
        console.print(f"[bold]{_line(fault.where)}[/bold]: {_plain(fault.what)}.")
        console.print(_plain(fault.todo))
        code = fault.exit_code
    except OSError as fault:
        if fault.errno not in _NO_ROOM:
            raise
        where = f"{_line(str(fault.filename))}: " if fault.filename else ""
        console.print(f"{where}it cannot be written: {fault.strerror}.")
        console.print("Free some space, here and in the folder for temporary files (TMPDIR), then run again.")
        code = Exit.OUTPUT
    except KeyboardInterrupt:
        console.print("Stopped. Nothing was left half-written.")
        code = Exit.STOPPED
    raise typer.Exit(code)


def _variables(pairs: list[str] | None) -> dict[str, str]:
    found = {}
    for pair in pairs or []:
        name, mark, value = pair.partition("=")
        if not mark or not name.isidentifier():
            raise typer.BadParameter(f"'{pair}' is not NAME=VALUE", param_hint="--var")
        found[name] = value
    return found


def _read(plan: Path, variables: dict[str, str] | None = None) -> PlanFile:
    from planner.plan import read_plan  # here: what only asks for help should not wait for it

    return read_plan(plan, variables)


def _folder(out: Path | None, plan_file: PlanFile, command: Command) -> Path:
    """The folder asked for, else one that no other plan's results lie in."""
    from planner.show import Made, own_folder

    if out is not None:
        return out
    return own_folder(Path("noonmark-out") / plan_file.path.stem, Made(command, plan_file.origin()))


def _site(plan_file: PlanFile, folder: Path, force: bool, talk: Talk) -> Exit:
    from planner import ahead, show

    ledger = Ledger()
    names = show.site_files(plan_file.plan)
    show.check_folder(folder, names, force, show.Made("site", plan_file.origin()))
    ahead.begin()  # before what takes seconds to load

    from planner.job import run_site
    from planner.show.say import terminal

    result = run_site(plan_file, ledger, talk.progress)
    talk.progress("writing", 0, 1)
    show.write_site(result, folder, force)
    for notice in ledger:
        talk.note(str(notice))
    talk.say(terminal.summary(result))
    talk.say(f"Open {folder / 'map.html'}, print {folder / _printed('sheet', names)}.")
    if plan_file.plan.outputs.sheet_pdf and "sheet.pdf" not in names:
        talk.say(terminal.NO_PDF)
    if talk.as_json:
        print((folder / "result.json").read_text(encoding="utf-8"))
    return Exit.OK if result.decision.chosen >= 0 else Exit.NO_MOUNT


def _printed(sheet: str, names: Sequence[str]) -> str:
    """The file to print: the PDF where there is one."""
    return f"{sheet}.pdf" if f"{sheet}.pdf" in names else f"{sheet}.html"


def _contract(
    plan_file: PlanFile,
    folder: Path,
    force: bool,
    talk: Talk,
    scheduler: str | None = None,
    part_sites: int | None = None,
) -> Exit:
    from planner.deliver import run_contract_files
    from planner.show.say import terminal

    ledger = Ledger()
    result = run_contract_files(
        plan_file,
        folder,
        ledger,
        talk.progress,
        force=force,
        scheduler=scheduler,
        part_sites=part_sites,
    )
    for notice in ledger:
        talk.note(str(notice))
    talk.say(terminal.contract_summary(result))
    talk.say(f"Open {folder / 'map.html'}." if plan_file.plan.outputs.map else f"Written to {folder}.")
    if (sheets := folder / "sheets.pdf") in result.files:
        talk.say(f"Print {sheets}.")
    if talk.as_json:
        print((folder / "result.json").read_text(encoding="utf-8"))
    return Exit.OK


def _programme(plan_file: PlanFile, folder: Path, force: bool, talk: Talk) -> Exit:
    from planner import show
    from planner.show.write import upkeep
    from planner.upkeep import run_programme

    ledger = Ledger(plan_file.plan.units)
    made = show.Made("programme", plan_file.origin())
    names = upkeep.programme_files(plan_file.plan)
    show.check_folder(folder, names, force, made)
    result = run_programme(plan_file, ledger, talk.progress)
    upkeep.write_programme(result, folder, force)
    for notice in ledger:
        talk.note(str(notice))
    stations, programs = len(result.base.stations), len(result.base.programmes)
    talk.say(f"{stations} stations in {programs} programs. Print {folder / _printed('programming', names)}.")
    if talk.as_json:
        print((folder / "programme.json").read_text(encoding="utf-8"))
    return Exit.OK


def _review(plan_file: PlanFile, log: Path, folder: Path, force: bool, talk: Talk) -> Exit:
    from planner import show
    from planner.show.say.review import summary_lines
    from planner.show.write import upkeep
    from planner.upkeep import run_review

    ledger = Ledger(plan_file.plan.units)
    show.check_folder(
        folder, upkeep.review_files(plan_file.plan), force, show.Made("review", plan_file.origin(log))
    )
    result = run_review(plan_file, log, ledger, talk.progress)
    upkeep.write_review(result, folder, force)
    for notice in ledger:
        talk.note(str(notice))
    for line in summary_lines(result):
        talk.say(line)
    talk.say(f"Open {folder / 'review.html'}.")
    if talk.as_json:
        print((folder / "review.json").read_text(encoding="utf-8"))
    return Exit.OK


@app.command(short_help="Decide one site: mount point, climate zone, reach.")
def site(
    plan: PlanArgument,
    out: OutOption = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
    var: VarOption = None,
) -> None:
    """Decide one site: mount point, zone, reach; writes the map, the field sheet and the tables."""
    variables, talk = _variables(var), Talk(quiet, as_json)

    def work() -> Exit:
        plan_file = _read(plan, variables)
        return _site(plan_file, _folder(out, plan_file, "site"), force, talk)

    _run(work)


@app.command(short_help="Serve a plan as a page on this machine alone.")
def serve(
    plan: PlanArgument,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="of 127.0.0.1 [any that is free]")] = 0,
    quiet: QuietOption = False,
    var: VarOption = None,
) -> None:
    """Serve a plan as a page on this machine alone: ask about any spot, try changes, save them as a new plan.

    Until Ctrl-C. Nobody without the address that it prints gets an answer.
    """
    variables, talk = _variables(var), Talk(quiet, False)
    _run(lambda: _serve(_read(plan, variables), port, talk))


def _serve(plan_file: PlanFile, port: int, talk: Talk) -> Exit:
    try:
        from planner.serve import app as served
    except ModuleNotFoundError as fault:
        raise CommandError(
            "serve", f"it needs a package that is not installed ({fault.name})", 'pip install "noonmark[serve]"'
        ) from None
    from planner.pieces import scratch
    from planner.serve.session import opened

    def announce(address: str) -> None:
        # Even when quiet: nothing else tells the address. No browser is started, for a command line is no secret
        # from the machine's other users, and the address is.
        talk.out.print(f"Open {address}", soft_wrap=True)
        talk.say("Stop with Ctrl-C.")

    try:
        bound = served.bound(port)
    except OSError as fault:
        if fault.errno not in (errno.EADDRINUSE, errno.EACCES):
            raise
        raise CommandError("serve", f"port {port} cannot be used", "Leave --port out, or give another") from None
    with bound, scratch() as folder:  # the folder is for layers that are dropped on the page
        served.run(opened(plan_file, talk.progress, folder), announce, bound)
    return Exit.OK


@app.command(short_help="Give every site of a contract its climate zone.")
def contract(
    plan: PlanArgument,
    out: OutOption = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
    var: VarOption = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", help="address of a Dask scheduler, for example tcp://10.0.0.5:8786")
    ] = None,
    part_sites: Annotated[
        int | None, typer.Option("--part-sites", min=1, help="sites worked on at a time [200,000]")
    ] = None,
) -> None:
    """Give every site of a contract its climate zone; writes the map and the tables.

    What was interrupted goes on where it stopped.
    """
    variables, talk = _variables(var), Talk(quiet, as_json)

    def work() -> Exit:
        plan_file = _read(plan, variables)
        return _contract(plan_file, _folder(out, plan_file, "contract"), force, talk, scheduler, part_sites)

    _run(work)


@app.command(short_help="Turn monthly weather layers into one ETo layer.")
def climate(
    plan: PlanArgument,
    out: Annotated[Path | None, typer.Option("--out", help="GeoTIFF to write [NAME OF THE PLAN-eto.tif]")] = None,
    force: ForceOption = False,
    quiet: QuietOption = False,
    var: VarOption = None,
) -> None:
    """Turn the plan's monthly weather layers into one ETo layer: a Cloud Optimized GeoTIFF of 12 bands, mm/day.

    What was interrupted goes on where it stopped.
    """
    variables, talk = _variables(var), Talk(quiet, False)

    def work() -> Exit:
        from planner.eto_layer import write_eto_layer

        ledger = Ledger()
        target = out if out is not None else Path(f"{plan.stem}-eto.tif")
        write_eto_layer(_read(plan, variables), target, ledger, lambda d, n: talk.progress("ETo", d, n), force)
        for notice in ledger:
            talk.note(str(notice))
        talk.say(f"Wrote {target}: 12 bands of mm/day, January first.")
        return Exit.OK

    _run(work)


def _count(n: int, what: str, many: str = "") -> str:
    return f"{n} {what}" if n == 1 else f"{n} {many or what + 's'}"


@app.command(short_help="Read all that a plan names and report what is wrong with it.")
def check(
    plan: PlanArgument, as_json: JsonOption = False, quiet: QuietOption = False, var: VarOption = None
) -> None:
    """Read all that a plan names and report what would be repaired or refused; decides and writes nothing."""
    variables, talk = _variables(var), Talk(quiet, as_json)

    def work() -> Exit:
        from planner.preflight import check_inputs

        ledger = Ledger()
        try:
            errors = check_inputs(_read(plan, variables), ledger)
        except PlannerError as whole:
            errors = [whole]
        if as_json:
            print(
                json.dumps(
                    {
                        "ok": not errors,
                        "errors": [{"where": e.where, "what": e.what, "todo": e.todo} for e in errors],
                        "notices": [
                            {"kind": n.kind.value, "where": n.where, "what": n.what, "features": list(n.features)}
                            for n in ledger
                        ],
                    },
                    indent=2,
                    ensure_ascii=False,
                )
            )
        for notice in ledger:
            talk.say(str(notice).replace("\n", "\u240a"))
        for fault in errors:
            talk.err.print(f"[bold]{_line(fault.where)}[/bold]: {_plain(fault.what)}. {_plain(fault.todo)}")
        talk.say(f"{_count(len(errors), 'error')}, {_count(len(ledger), 'notice')}.")
        return errors[0].exit_code if errors else Exit.OK

    _run(work)


@app.command(short_help="Make a first plan from whatever layers there are.")
def start(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(
            help="folder with layers, or the layers themselves", show_default=False, metavar="[FOLDER|FILES]"
        ),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", help="LATITUDE,LONGITUDE of the site; alone, or beside layers of more than it"),
    ] = None,
    control: Annotated[
        list[str] | None,
        typer.Option(
            "--control",
            help="X,Y=LATITUDE,LONGITUDE of a point known in a DXF drawing and on a map; two, far apart, place it",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="plan file to write; - prints it [FOLDER/NAME OF THE FOLDER.toml]")
    ] = None,
    quiet: QuietOption = False,
) -> None:
    """Make a first plan from whatever layers there are, and check it.

    It asks nothing, fetches nothing and overwrites nothing. What was found, counted and guessed stands beside each
    key of the plan.
    """
    given = [path for path in paths or [] if str(path) != "-"]
    shown = (out is not None and str(out) == "-") or len(given) < len(paths or [])
    _run(lambda: _start(given, at, control or [], None if shown else out, shown, Talk(quiet, False)))


def _control(points: list[str]) -> list[ControlPoint]:
    """Control points as they are typed: '620,480=43.58965,-116.40011'."""
    from planner.plan import ControlPoint

    found = []
    for point in points:
        spot, _, place = point.partition("=")
        try:
            x, y = (float(word) for word in spot.split(","))
        except ValueError:
            raise CommandError("--control", f"'{point}' is no point", "Write X,Y=LATITUDE,LONGITUDE") from None
        latitude, longitude = _lat_lon(place, "--control")
        found.append(ControlPoint(x=x, y=y, longitude=longitude, latitude=latitude))
    if len(found) == 1:
        raise CommandError("--control", "one point does not place a drawing", "Give two, far apart")
    return found


def _start(
    paths: list[Path], at: str | None, control: list[str], out: Path | None, shown: bool, talk: Talk
) -> Exit:
    from planner.preflight import check_inputs
    from planner.show.write.new import write_new
    from planner.show.write.outline import outline_geojson
    from planner.show.write.plan_text import plan_text
    from planner.starter import first_plan

    if not paths and at is None:
        raise CommandError("start", "nothing is given", "Give a folder with layers, or --at LATITUDE,LONGITUDE")
    place = _lat_lon(at, "--at") if at is not None else None
    first = first_plan(paths, place, out, talk.progress, _control(control), new=not shown)
    verb = "contract" if first.draft.contract else "site"
    text = plan_text(first.draft, first.plan.parent, f"noonmark {verb} {_shell(first.plan)}")
    if shown:
        print(text, end="")
        if first.draft.outline is not None:
            talk.note(f"The plan names {first.outline.name}, an outline that is drawn when the plan is written.")
        return Exit.OK
    files = {first.plan: text}
    if first.draft.outline is not None:
        files[first.outline] = outline_geojson(first.draft.outline, first.draft.title)
    write_new(files)
    talk.say(f"Wrote {' and '.join(map(str, files))}.")
    ledger = Ledger()
    faults = check_inputs(_read(first.plan), ledger)
    for notice in ledger:
        talk.say(str(notice).replace("\n", "\u240a"))
    for fault in faults:
        talk.err.print(f"[bold]{_line(fault.where)}[/bold]: {_plain(fault.what)}. {_plain(fault.todo)}")
    talk.say(f"{_count(len(faults), 'error')}, {_count(len(ledger), 'notice')}.")
    if left := len(first.draft.unused):
        talk.say(f"{_count(left, 'layer')} not used: the plan's end says which and why.")
    if first.unplaced:
        talk.say(
            f"{first.unplaced} is not used yet, for nothing says where it lies: give two points that you know in "
            "it and on a map, as --control X,Y=LATITUDE,LONGITUDE, twice."
        )
    guesses = text.count("check: ")
    if guesses:
        talk.say(f"{_count(guesses, 'guess', 'guesses')} to look at in the plan: search it for 'check:'.")
    talk.say(f"Next: noonmark {'check' if faults else verb} {_shell(first.plan)}")
    return faults[0].exit_code if faults else Exit.OK


def _shell(path: Path) -> str:
    return f'"{path}"' if " " in str(path) else str(path)


UnitsOption = Annotated[str, typer.Option("--units", help="us or metric: units of what is printed")]


@app.command(
    short_help="The climate zone and season of a place, with no plan.",
    context_settings={"ignore_unknown_options": True},
)
def zone(
    place: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[LAT LON]",
            help="decimal degrees; without them a CSV with latitude, longitude and maybe name is read from "
            "standard input",
            show_default=False,
        ),
    ] = None,
    table: Annotated[
        Path | None, typer.Option("--table", help="your controller's zones: a CSV of label, low, high")
    ] = None,
    table_unit: Annotated[
        str | None,
        typer.Option(
            "--table-unit",
            help="unit of that table: mm/day, mm/month, in/day or in/month; else as its headings say, else mm/day",
        ),
    ] = None,
    climate_words: Annotated[
        str | None,
        typer.Option(
            "--climate",
            help="where no place is known, the climate in words: `tropics` or `temperate`, `humid` or `arid`, and "
            "the hottest month's mean (`27 C`, `81 F`) or `cool`, `moderate`, `warm`",
        ),
    ] = None,
    units: UnitsOption = "metric",
    as_json: JsonOption = False,
) -> None:
    """The climate zone and season of a place, or of each line of a CSV, from the built-in climate: no plan needed.

    Prints lines for one place, and a CSV for a CSV.
    """
    _run(lambda: _zone(place or [], climate_words, table, table_unit, units, as_json))


def _zone(
    place: list[str],
    described: str | None,
    table: Path | None,
    table_unit: str | None,
    units: str,
    as_json: bool,
) -> Exit:
    # no room that reads layers is loaded for one place, nor Numba: this answers in about a second
    import numpy as np

    from planner.at_places import zone_at
    from planner.climate.zones import equal_bands
    from planner.show.say.place import place_lines
    from planner.show.write.places import place_rows, places_csv

    said, bands = cast("Units", _one_of("--units", units, ("us", "metric"))), equal_bands()
    unit = cast("EtoUnit | None", table_unit)
    if table_unit is not None:
        _one_of("--table-unit", table_unit, ("mm/day", "mm/month", "in/day", "in/month"))
    if table is not None:
        from planner.local_climate import read_zone_table

        bands = read_zone_table(table, unit, Ledger())
    if described is not None:
        if place:
            raise CommandError("--climate", "a place is given too", "Leave one out; the place is surer")
        return _zone_described(described, bands, said, as_json)
    if place:
        lat, lon = _lat_lon(" ".join(place), "LAT LON")
        found = zone_at(["place"], np.array([lon]), np.array([lat]), bands)
        lines = "\n".join(place_lines(found, 0, said))
    else:
        from planner.layers.coordinates import places_in

        if sys.stdin.isatty():
            raise CommandError("zone", "no place is given", "Give LAT LON, or a CSV: noonmark zone < places.csv")
        rows = places_in(sys.stdin.read())
        found = zone_at(rows.names, rows.longitude_deg, rows.latitude_deg, bands)
        lines = places_csv(found, said).rstrip("\n")
    print(json.dumps(place_rows(found, said), indent=2, ensure_ascii=False) if as_json else lines)
    return Exit.OK


def _zone_described(described: str, bands: ZoneTable, units: Units, as_json: bool) -> Exit:
    from planner.climate.zones import zone_of_words
    from planner.show.say.place import described_lines
    from planner.show.write.places import described_row

    try:
        found = zone_of_words(described, bands)
    except PlanError as fault:
        raise CommandError("--climate", fault.what, fault.todo) from None
    row = described_row(found, units)
    print(json.dumps(row, indent=2, ensure_ascii=False) if as_json else "\n".join(described_lines(found, units)))
    return Exit.OK


def _one_of(option: str, word: str, known: tuple[str, ...]) -> str:
    if word not in known:
        raise CommandError(option, f"'{word}' is not one of its values", f"One of: {', '.join(known)}")
    return word


def _lat_lon(text: str, where: str) -> tuple[float, float]:
    """Latitude and longitude as people type or paste them: '33.45 -112.07', '33.45,-112.07', '33.45N 112.07W'."""
    from planner.degrees import lat_lon

    found = lat_lon(text)
    if found is None:
        raise CommandError(
            where, f"'{text}' is no latitude and longitude", "Latitude first, in decimal degrees: 33.45 -112.07"
        )
    return found


@app.command(short_help="The keys of a plan file, with their defaults.")
def keys(
    section: Annotated[
        str | None, typer.Argument(help="for example layers.buildings, or reach", show_default=False)
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """The keys of a plan file with their meaning, default and the default's reason; all, or those of a section."""

    def work() -> Exit:
        from planner.plan import field_rows
        from planner.plan.keys import sections_of
        from planner.show.say.keys import keys_said, sections_said

        rows = list(field_rows())
        if section is None and not as_json:
            print(sections_said(rows))
            return Exit.OK
        asked = (section or "").strip("[]. ")
        found = [row for row in rows if not asked or row.key == asked or row.key.startswith(f"{asked}.")]
        if not found:
            raise CommandError(
                "keys",
                f"there is no section or key '{asked}'",
                offered("Of the sections", asked, sections_of(rows)),
            )
        print(json.dumps([vars(row) for row in found], indent=2) if as_json else keys_said(found))
        return Exit.OK

    _run(work)


@app.command(short_help="Base run times for the peak month, and the year ahead.")
def programme(
    plan: PlanArgument,
    out: OutOption = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
    var: VarOption = None,
) -> None:
    """Base run times for the peak month, the year ahead, and the first day's checks, from a station table."""
    variables, talk = _variables(var), Talk(quiet, as_json)

    def work() -> Exit:
        plan_file = _read(plan, variables)
        return _programme(plan_file, _folder(out, plan_file, "programme"), force, talk)

    _run(work)


@app.command(short_help="A controller's log against what the weather should have made.")
def review(
    plan: PlanArgument,
    log: Annotated[Path, typer.Argument(help="controller's log (CSV or XLSX)", show_default=False)],
    out: OutOption = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
    var: VarOption = None,
) -> None:
    """A controller's log against what the weather should have made of it; the limit is said before the verdict."""
    variables, talk = _variables(var), Talk(quiet, as_json)

    def work() -> Exit:
        plan_file = _read(plan, variables)
        return _review(plan_file, log, _folder(out, plan_file, "review"), force, talk)

    _run(work)


@app.command(short_help="Run the invented demo: a campus and a contract.")
def demo(
    out: Annotated[Path, typer.Option("--out", help="folder to write to")] = Path("noonmark-demo"),
    force: ForceOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Run the invented demo: a college campus with its base program and a log, and 40 sites in OUT/contract."""
    talk = Talk(quiet, as_json)

    def work() -> Exit:
        examples = examples_folder()
        campus = _read(examples / "campus" / "campus.toml")
        code = _site(campus, out, force, talk)
        aside = Talk(quiet or as_json, False)  # --json prints the site's result alone
        _programme(campus, out, force, aside)
        _review(campus, examples / "campus" / "log.csv", out, force, aside)
        _contract(_read(examples / "contract" / "contract.toml"), out / "contract", force, aside)
        return code

    _run(work)


def examples_folder() -> Path:
    """The examples: beside the package in a checkout, inside it in an installed wheel."""
    here = Path(__file__).resolve().parent
    for folder in (here / "examples", here.parent / "examples"):
        if (folder / "campus" / "campus.toml").is_file():
            return folder
    raise PlannerError(str(here), "the demo's files are missing from this installation", "Install noonmark again")


def _version(asked: bool) -> None:
    if asked:
        print(f"noonmark {__version__}")
        raise typer.Exit


@app.callback()
def _face(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="print the version")
    ] = False,
) -> None:
    pass


def main() -> None:
    """The command `noonmark`: what an error's kind says is its exit code."""
    for stream in (sys.stdout, sys.stderr):  # names in any script, also where the console's code page is narrow
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    app()


if __name__ == "__main__":
    main()
