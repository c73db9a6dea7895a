"""A folder of the finished pieces of one long job: held by one run at a time, and taken up again where it stopped.

A piece is a file, and a small JSON file beside it with its checksum and what is to be told of it. One that is cut,
changed or of another job is made again; nothing in the folder that is not ours is touched.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import socket
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from planner.ledger import OutputError

_MARK, _LOCK, _MAKER = "job.json", "lock", "noonmark"
_HALF = ".writing-"
_SCRATCH = "noonmark-"
LEAST_ROOM_BYTES = 1 << 20  # with less, a failure to write is laid to the disk
ODD = re.compile(r"[!;?#%\x00-\x1f\x7f]")  # marks that pyogrio or rasterio take for parts of an address
_OURS = re.compile(rf"[\w-]+-[0-9a-f]{{12}}\.\w+|{re.escape(_HALF)}.*|{re.escape(_MARK)}|{_LOCK}")


@dataclass(frozen=True)
class Pieces:
    """The folder, and the job's own mark in the name of each piece."""

    folder: Path
    job: str

    def path(self, name: str, suffix: str) -> Path:
        return self.folder / f"{name}-{self.job}{suffix}"

    def half(self, name: str) -> Path:
        """A file that is of use to this run alone."""
        return self.folder / f"{_HALF}{name}"

    def clear(self) -> None:
        """Take away what is ours, last the word on whose it is: what a kill leaves is known as ours."""
        _sweep(self.folder, lambda name: bool(_OURS.fullmatch(name)))
        with contextlib.suppress(OSError):  # somebody put something in: it stays
            self.folder.rmdir()


def keep(path: Path, write: Callable[[Path], None], told: Any = None) -> None:
    """Make a piece that is whole, or not there at all.

    Parameters
    ----------
    path
        Where it is to be.
    write
        Writes it to the path that it is given, beside that.
    told
        Kept with it; anything that JSON can hold.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    beside = path.with_name(f"{_HALF}{os.getpid()}-{path.name}")
    try:
        write(beside)
        word = json.dumps({"sha256": digest(beside), "told": told})
        os.replace(beside, path)
        beside.write_text(word, encoding="utf-8")
        os.replace(beside, path.with_suffix(".json"))
    except OSError as fault:
        raise unwritable(path, fault) from None
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def whole(path: Path) -> bool:
    """Whether a piece is there as it was written."""
    try:
        return bool(_word(path)["sha256"] == digest(path))
    except (OSError, ValueError, KeyError, TypeError):
        return False


def told(path: Path) -> Any:
    """What was told of a piece that is whole."""
    return _word(path)["told"]


def _word(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    return found


def sign(path: Path, coming: Path) -> None:
    """Keep the checksum of a file that is about to take its place, by which a later run knows its own work.

    Parameters
    ----------
    path
        The place; the checksum lies in a hidden file beside it. That of an earlier file stays good until then.
    coming
        The file.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    beside = coming.with_name(f"{coming.name}.made")
    try:
        ours = [digest(coming), *([digest(path)] if signed(path) else [])]
        beside.write_text(json.dumps({"sha256": ours}), encoding="utf-8")
        os.replace(beside, _signature(path))
    except OSError as fault:
        raise unwritable(path, fault) from None


def signed(path: Path) -> bool:
    """Whether a file is one that :func:`sign` was told of."""
    try:
        return digest(path) in json.loads(_signature(path).read_text(encoding="utf-8"))["sha256"]
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _signature(path: Path) -> Path:
    return path.with_name(f".{path.name}.made")


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def flush(path: Path) -> None:
    """Bring a file onto the disk itself; a folder as well where the system can.

    Parameters
    ----------
    path
        Of either.

    Raises
    ------
    OSError
        A file does not fit.
    """
    if os.name == "nt":  # it asks for a right to write, and knows none of folders
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError) if path.is_dir() else contextlib.nullcontext():
            os.fsync(handle)
    finally:
        os.close(handle)


def unwritable(path: Path, fault: Exception) -> OutputError:
    """The error for a piece that cannot be written, at a path."""
    return OutputError(
        str(path),
        f"it cannot be written: {getattr(fault, 'strerror', None) or fault}",
        "Free some space or choose another folder, then run again: what is finished is kept",
    )


@contextlib.contextmanager
def scratch() -> Iterator[Path]:
    """A temporary folder, gone afterwards; a context manager.

    Yields
    ------
    Path
        While this lasts.

    Raises
    ------
    OutputError
        There is no room for one.
    """
    try:
        made = tempfile.TemporaryDirectory(prefix=f"{_SCRATCH}{os.getpid()}-", ignore_cleanup_errors=True)
        _sweep_scratch(Path(made.name).parent)
    except OSError as fault:
        raise no_scratch(fault) from None
    with made as folder:
        yield Path(folder)


@contextlib.contextmanager
def plainly(path: Path) -> Iterator[Path]:
    """A file's path as GDAL's readers can take it; a context manager.

    Parameters
    ----------
    path
        The file.

    Yields
    ------
    Path
        The same, or by way of a link where a folder's name holds a mark that they take for their own.

    Raises
    ------
    OutputError
        There is no room for the link.
    """
    if not ODD.search(str(path)) or os.name == "nt":
        yield path
        return
    with scratch() as folder:
        try:
            (folder / "there").symlink_to(path.parent.resolve(), target_is_directory=True)
        except OSError as fault:
            raise no_scratch(fault) from None
        yield folder / "there" / path.name


def no_scratch(fault: Exception) -> OutputError:
    """The error for a folder of temporary files that cannot be written."""
    return OutputError(
        os.environ.get("TMPDIR", "the folder for temporary files"),
        f"a temporary file cannot be written there: {getattr(fault, 'strerror', None) or fault}",
        "Free some space, or set TMPDIR to a folder with some",
    )


# what SQLite and GDAL say of a disk that is full, a limit on files that is met, and one that is read-only
_NO_ROOM = re.compile(
    r"(?i)disk is full|disk I/O error|no space left|file too large|quota exceeded|readonly database|read-only file"
    r"|unable to open database file"
)


@contextlib.contextmanager
def room_for(what: str, folder: Path) -> Iterator[None]:
    """Tell a lack of room from other faults of GDAL, which stay what they are; a context manager.

    Parameters
    ----------
    what
        Is written, in words.
    folder
        It is written there.

    Yields
    ------
    None
        While this lasts.

    Raises
    ------
    OutputError
        GDAL or SQLite fails, and there is no room in the folder.
    """
    try:
        yield
    except (RuntimeError, ValueError, sqlite3.Error) as fault:
        if not _NO_ROOM.search(str(fault)) and _has_room(folder):
            raise
        raise OutputError(
            str(folder),
            f"{what} cannot be written there: {fault}",
            "Free some space, or set TMPDIR to a folder with some",
        ) from None


def _has_room(folder: Path) -> bool:
    """Whether as much as LEAST_ROOM_BYTES can be written there: GDAL's words after a failed write may be any."""
    try:
        with tempfile.TemporaryFile(dir=folder) as probe:
            probe.write(b"\0" * LEAST_ROOM_BYTES)
            probe.flush()
    except OSError:
        return False
    return True


def _sweep_scratch(folder: Path) -> None:
    """Take away what runs of this user left behind that were killed."""
    if os.name == "nt":  # asking after a process there ends it
        return
    for left in folder.glob(f"{_SCRATCH}*-*"):
        number = left.name.removeprefix(_SCRATCH).split("-")[0]
        with contextlib.suppress(OSError):
            if number.isdigit() and left.stat().st_uid == os.getuid() and not _runs(int(number)):
                shutil.rmtree(left, ignore_errors=True)


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


@contextlib.contextmanager
def hold(folder: Path, job: str) -> Iterator[Pieces]:
    """The pieces of a job in a folder of unfinished work, held by this run alone; a context manager.

    Parameters
    ----------
    folder
        Is made; pieces of other jobs in it are taken away.
    job
        Everything that the pieces hang on, as text.

    Yields
    ------
    Pieces
        While this lasts.

    Raises
    ------
    OutputError
        Another run holds the folder, something in it is not ours, or it cannot be written.
    """
    if folder.exists() and not (folder.is_dir() and _may_be_taken(folder)):
        raise OutputError(
            str(folder), "it is there already and we did not make it", "Move it, or choose another output folder"
        )
    pieces = Pieces(folder, hashlib.sha256(job.encode()).hexdigest()[:12])
    with _locked(folder):
        try:
            holder = {"made_by": _MAKER, "process": os.getpid(), "machine": socket.gethostname()}
            beside = folder / f"{_HALF}{_MARK}"
            beside.write_text(json.dumps(holder), encoding="utf-8")
            os.replace(beside, folder / _MARK)
            _sweep(folder, lambda name: _is_piece(name) and pieces.job not in name)
        except OSError as fault:
            raise unwritable(folder, fault) from None
        yield pieces


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[None]:
    while True:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            lock = FileLock(folder / _LOCK)
            lock.acquire(timeout=0)
        except Timeout:
            raise OutputError(
                str(folder),
                f"another run is working in it{_holder(folder)}",
                "Wait until it has ended, or choose another output folder",
            ) from None
        except OSError as fault:
            raise unwritable(folder, fault) from None
        if (folder / _LOCK).exists():
            break
        lock.release()  # the other run took its folder away meanwhile, with the lock
    try:
        yield
    finally:
        lock.release()
        if not (folder / _MARK).exists():  # cleared: the lock was the last of it
            with contextlib.suppress(OSError):
                (folder / _LOCK).unlink(missing_ok=True)
                folder.rmdir()


def _is_piece(name: str) -> bool:
    return bool(_OURS.fullmatch(name)) and name not in (_MARK, _LOCK)


def _may_be_taken(folder: Path) -> bool:
    """Whether a folder is ours, or holds no more than a run leaves that could not write its mark."""
    there = {path.name for path in folder.iterdir() if not path.name.startswith(_HALF)} - {_LOCK}
    return not there or _is_ours(folder) or (there == {_MARK} and not (folder / _MARK).stat().st_size)


def _is_ours(folder: Path) -> bool:
    try:
        return bool(json.loads((folder / _MARK).read_text(encoding="utf-8"))["made_by"] == _MAKER)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _holder(folder: Path) -> str:
    try:
        mark = json.loads((folder / _MARK).read_text(encoding="utf-8"))
        return f" (process {mark['process']} on {mark['machine']})"
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def _sweep(folder: Path, wanted: Callable[[str], bool]) -> None:
    names = sorted((path.name for path in folder.iterdir() if wanted(path.name)), key=lambda name: name == _MARK)
    for name in names:
        (folder / name).unlink(missing_ok=True)
