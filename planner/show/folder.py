"""Writing a folder of results: whole files or none, of one plan, and nobody's work overwritten.

A manifest beside the files holds the SHA-256 of each file we wrote, by which command, and whose plan's they are. A
file may be replaced when its content still is what the manifest says; anything else in the way is someone's work
and is refused.

New files are written into a folder of their own within it. Its renaming to `READY` is the one step that decides:
before it, the old files stand; after it, the new ones count, and whoever comes next moves them to their places
should this run be killed between two moves. All old files are moved aside before the first new one comes, so that
old and new never stand side by side: in between some are missing, for a millisecond or, after a kill, until the
next run. Where a move fails, all are undone. To exchange the whole folder at once would spare that moment on two of
three systems, and take the folder away from under every terminal and program that is in it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, Literal

from planner.ledger import OutputError
from planner.pieces import flush

if TYPE_CHECKING:
    from planner.plan import Origin

try:
    import fcntl
except ImportError:  # Windows: two runs that end in the same second are not kept apart there
    fcntl = None  # type: ignore[assignment]

MANIFEST = ".noonmark-files.json"
TOLD = ".noonmark-files.new"  # the manifest that goes to its place with the files
NEW, READY, OLD = ".noonmark-new", ".noonmark-ready", ".noonmark-old"
_HALF = re.compile(rf"\.writing-.*|{re.escape(NEW)}|{re.escape(OLD)}")
WAIT_S = 30.0  # for another run to end its writing, which takes a second or two

Command = Literal["site", "contract", "programme", "review"]
_KIND: dict[str, str] = {"contract": "a contract"}  # the others share a folder: they are of one site
_SITE = "a site"


@dataclass(frozen=True)
class Made:
    """Who writes: the command, and the plan with the files that it reads, where known."""

    command: Command
    origin: Origin | None = None

    @property
    def kind(self) -> str:
        return _KIND.get(self.command, _SITE)

    def owner(self, folder: Path) -> tuple[str, str] | None:
        """The plan as it is found from the folder, hashed, so that both may be moved together; and its name."""
        if self.origin is None or self.origin.plan is None:
            return None
        try:
            way = os.path.relpath(self.origin.plan, Path(folder).resolve())
        except ValueError:  # on another drive
            way = str(self.origin.plan)
        return hashlib.sha256(Path(way).as_posix().encode()).hexdigest()[:16], self.origin.plan.name


@dataclass
class _Manifest:
    """Names and SHA-256 of what we wrote here; the command of each; the plan's mark and name; site or contract."""

    files: dict[str, list[str]] = field(default_factory=dict)
    by: dict[str, str] = field(default_factory=dict)
    plan: tuple[str, str] | None = None
    kind: str | None = None

    @classmethod
    def of(cls, folder: Path) -> _Manifest:
        """Empty where it is missing or damaged."""
        try:
            said = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
            files = {str(name): [str(digest) for digest in digests] for name, digests in said["files"].items()}
            plan, kind = said.get("plan"), said.get("kind")
            by = {str(name): str(command) for name, command in said.get("by", {}).items()}
            owner = (str(plan["id"]), str(plan["name"])) if plan else None
            return cls(files, by, owner, str(kind) if kind else None)
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return cls()

    def text(self, gone: Mapping[str, list[str]]) -> bytes:
        said: dict[str, Any] = {
            "kind": self.kind,
            "plan": {"id": self.plan[0], "name": self.plan[1]} if self.plan else None,
            "files": dict(sorted(self.files.items())),
            "by": dict(sorted(self.by.items())),
            "gone": dict(sorted(gone.items())),
        }
        return json.dumps(said, indent=1).encode()


def write_folder(
    folder: Path, files: Mapping[str, bytes], force: bool = False, made: Made | None = None
) -> list[Path]:
    """Write `files` (name to content) into `folder` as :func:`writing` does; their paths, in that order."""
    with writing(folder, list(files), force, made) as new:
        for name, content in files.items():
            put(new / name, content)
    return [Path(folder) / name for name in files]


@contextlib.contextmanager
def writing(folder: Path, names: Iterable[str], force: bool = False, made: Made | None = None) -> Iterator[Path]:
    """A folder for the new files `names`, which take their places in `folder` together when this ends.

    names: they may lie in folders within it (`a/b.html`), and need not all be written. A full disk or a kill never
    leaves half a file, nor old files beside new ones. What the same command wrote here before, and does not write
    now, is taken away where nobody changed it.

    Raises OutputError naming the file: the folder cannot be made or written, holds what another plan or a contract
    made, or a file is there that we did not write, or that was changed since, and `force` is not set. A file that
    the plan reads is never overwritten, whatever `force` says.
    """
    folder, names = Path(folder), list(names)
    if made is not None and made.origin is not None:
        made.origin.spare(folder / name for name in names)
    _make(folder)
    try:
        with _held(folder):
            _recover(folder)
            known = _Manifest.of(folder)
            gone = _settle(folder, known, names, force, made)
            new = folder / NEW
            new.mkdir()
            try:
                yield new
                for name in names:
                    if not (new / name).is_file():
                        gone[name] = known.files.pop(name)
                        known.by.pop(name, None)
                        continue
                    flush(new / name)
                    # both contents are ours: so the next run knows, should we stop between two moves
                    known.files[name] = [_digest(new / name), *known.files[name]]
                for manifest in (TOLD, MANIFEST):
                    put(new / manifest, known.text(gone))
                os.replace(new, folder / READY)
                flush(folder)
            except BaseException:
                shutil.rmtree(new, ignore_errors=True)
                raise
            try:
                _move(folder)
            except OSError:
                raise
            except BaseException:
                _move(folder)  # stopped between two moves: they are done all the same
                raise
    except OSError as fault:
        raise _unwritable(folder, fault) from None


def put(path: Path, content: bytes) -> None:
    """Write a new file, flushed to the disk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    # not by tempfile, whose files are private: results are for sharing, within what the user's umask allows
    with path.open("xb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def _unwritable(folder: Path, fault: OSError) -> OutputError:
    return OutputError(
        str(fault.filename or folder),
        f"the files cannot be written: {fault.strerror or fault}",
        "Free some space or mend the folder's rights, then run again; or choose another folder",
    )


def _settle(
    folder: Path, known: _Manifest, names: list[str], force: bool, made: Made | None
) -> dict[str, list[str]]:
    """Check that the folder may be written to, and note in the manifest what it will hold; what then goes."""
    if made is not None and not force:
        _check_owner(folder, known, made)
    for name in names:
        _check_way(folder, name)
        there = _ours(folder / name, known.files.get(name, []), force)
        there = there or (_digest(folder / name) if (folder / name).exists() else None)
        known.files[name] = [there] if there else []
    gone = {}
    if made is not None:
        owner = made.owner(folder)
        taken_over = known.kind not in (None, made.kind) or (known.plan and owner and known.plan != owner)
        for name in [n for n in known.files if n not in names]:
            if taken_over or known.by.get(name) == made.command:
                gone[name] = known.files.pop(name)
                known.by.pop(name, None)
        known.kind, known.plan = made.kind, owner or known.plan
        known.by.update(dict.fromkeys(names, made.command))
    return gone


def _check_owner(folder: Path, known: _Manifest, made: Made) -> None:
    owner = made.owner(folder)
    if not any((folder / name).exists() for name in known.files):
        return
    if known.kind not in (None, made.kind):
        what = f"it holds the results of {known.kind}, and these are of {made.kind}"
    elif known.plan and owner and known.plan != owner:
        what = f"it holds the results of another plan, {known.plan[1]}"
    else:
        return
    raise OutputError(str(folder), what, "Choose another folder, or give --force to put these in their place")


def own_folder(plain: Path, made: Made) -> Path:
    """A folder in which no other plan's results lie.

    Parameters
    ----------
    plain
        The folder's name, where it may be had.
    made
        Who writes.

    Returns
    -------
    Path
        `plain`; where that holds another plan's results, or a contract's, one with a mark of its own.
    """
    try:
        _check_owner(plain, _Manifest.of(plain), made)
    except OutputError:
        owner = made.owner(plain.parent)
        mark = hashlib.sha256(f"{owner[0] if owner else ''} {made.kind}".encode()).hexdigest()[:6]
        return plain.with_name(f"{plain.name}-{mark}")
    return plain


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise OutputError(
            str(folder), "a file stands where the folder should be", "Choose another folder, or move that file"
        ) from None
    except (OSError, ValueError) as fault:
        raise OutputError(
            str(folder),
            f"the folder cannot be made: {getattr(fault, 'strerror', None) or fault}",
            "Choose a folder that you may write to",
        ) from None


def _check_way(folder: Path, name: str) -> None:
    if not _in_place(folder, name):
        raise OutputError(
            str((folder / name).parent),
            "a file or a link stands where a folder should be",
            "Move it, or choose another folder",
        )


def _ours(path: Path, written: list[str], force: bool) -> str | None:
    """SHA-256 of the file at `path` where it is one we wrote; None where there is none, or force overrides."""
    if path.is_dir():
        raise OutputError(
            str(path), "a folder stands where the file should be", "Move it, or choose another folder"
        )
    if not (path.exists() or path.is_symlink()):
        return None
    there = _digest(path)
    if there in written:
        return there
    if not force:
        what = "it was changed since we wrote it" if written else "it is there already and we did not write it"
        raise OutputError(str(path), what, "Choose another folder, or give --force to overwrite it")
    return None


def _digest(path: Path) -> str:
    """SHA-256 of a file; '' where it is none that can be read, a pipe for one."""
    try:
        if path.is_file():
            with path.open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        pass
    return ""


@contextlib.contextmanager
def _held(folder: Path) -> Iterator[None]:
    """The folder for one writer at a time."""
    if fcntl is None:
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        until = time.monotonic() + WAIT_S
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > until:
                    raise OutputError(
                        str(folder), "another run is writing into it", "Wait until it has ended, then run again"
                    ) from None
                time.sleep(0.05)
            except OSError:
                break  # a network disk without locks
        yield
    finally:
        os.close(handle)


def _recover(folder: Path) -> None:
    """Finish the moves of a run that was killed between them, and take away what others left half-written."""
    _move(folder)
    for left in [path for path in folder.iterdir() if _HALF.fullmatch(path.name)]:
        if left.is_dir() and not left.is_symlink():
            shutil.rmtree(left, ignore_errors=True)
        else:
            left.unlink(missing_ok=True)


def _move(folder: Path) -> None:
    """All old files aside, then each new one to its place, where that is free or held what we wrote."""
    ready, old = folder / READY, folder / OLD
    if not (ready / MANIFEST).is_file():
        return
    coming = _Manifest.of(ready)
    try:
        gone = dict(json.loads((ready / MANIFEST).read_text(encoding="utf-8")).get("gone") or {})
    except (OSError, ValueError, TypeError, AttributeError):
        gone = {}
    aside, places = [], []
    for name, digests in coming.files.items():
        if _in_place(folder, name) and (ready / name).is_file():
            there = _digest(folder / name) if os.path.lexists(folder / name) else None
            if there in (None, *digests) and not (folder / name).is_dir():
                places.append(name)
                aside += [name] if there is not None else []
    for name, digests in gone.items():
        if _in_place(folder, name) and (folder / name).is_file() and _digest(folder / name) in digests:
            aside.append(name)
    try:
        # nothing else between two moves: the time without all files is a short one
        for name in aside:
            _to(folder / name, old / name)
        flush(folder)
        for name in places:
            _to(ready / name, folder / name)
        _prune(folder, gone)
        if (ready / TOLD).is_file():
            os.replace(ready / TOLD, folder / MANIFEST)
    except OSError:
        _undo(folder, coming)
        raise
    _retire(folder)


def _undo(folder: Path, coming: _Manifest) -> None:
    """New files back, old ones to their places. Raises OSError where this too fails: the next run goes on then."""
    ready, old = folder / READY, folder / OLD
    for name, digests in coming.files.items():
        if _in_place(folder, name) and not (ready / name).exists() and _digest(folder / name) in digests[:1]:
            _to(folder / name, ready / name)
    for path in [path for path in old.rglob("*") if path.is_symlink() or not path.is_dir()]:
        there = folder / path.relative_to(old)
        if not os.path.lexists(there):
            _to(path, there)
    _prune(folder, coming.files)
    _retire(folder)


def _prune(folder: Path, names: Iterable[str]) -> None:
    """Folders within it that held these files, where they hold nothing now."""
    for name in names:
        for within in list(PurePosixPath(name).parents)[:-1] if _in_place(folder, name) else []:
            with contextlib.suppress(OSError):  # something is in it
                (folder / within).rmdir()


def _retire(folder: Path) -> None:
    """What is left of a set of files that is in its place, or will never be: gone as a set at once."""
    _to(folder / READY, folder / OLD / READY)
    shutil.rmtree(folder / OLD, ignore_errors=True)


def _to(path: Path, there: Path) -> None:
    try:
        os.replace(path, there)
    except FileNotFoundError:
        there.parent.mkdir(parents=True, exist_ok=True)
        os.replace(path, there)


def _in_place(folder: Path, name: str) -> bool:
    """Whether a name from a manifest is one within the folder, by way of folders alone."""
    parts = name.split("/")
    if any(part in ("", ".", "..") or Path(part).name != part for part in parts):
        return False
    between = [folder.joinpath(*parts[:k]) for k in range(1, len(parts))]
    return all(path.is_dir() and not path.is_symlink() for path in between if os.path.lexists(path))


def check_folder(folder: Path, names: Iterable[str], force: bool, made: Made | None = None) -> None:
    """Refuse what :func:`write_folder` would refuse, before long work rather than after it.

    A file is written to the folder and taken away again; so is the folder itself, where it was not there.

    Parameters
    ----------
    folder
        Where results are to be written.
    names
        Of the files.
    force
        Overwrite what is not ours.
    made
        Who writes; a folder of another plan's results is then refused.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds what would be overwritten and is not ours.
    """
    folder, names = Path(folder), list(names)
    if made is not None and made.origin is not None:
        made.origin.spare(folder / name for name in names)
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    _make(folder)
    try:
        if any(_HALF.fullmatch(path.name) or path.name == READY for path in folder.iterdir()):
            with _held(folder):
                _recover(folder)
        with tempfile.TemporaryFile(dir=folder, prefix=".writing-") as file:
            file.write(b"noonmark")
    except OSError as fault:
        raise OutputError(
            str(folder),
            f"the folder cannot be written: {fault.strerror or fault}",
            "Choose a folder that you may write to",
        ) from None
    known = _Manifest.of(folder)
    if made is not None and not force:
        _check_owner(folder, known, made)
    for name in names:
        path = folder / name
        _check_way(folder, name)
        if not force or path.is_dir():  # what may be overwritten need not be known
            _ours(path, known.files.get(name, []), force)
    for path in missing:
        with contextlib.suppress(OSError):
            path.rmdir()
