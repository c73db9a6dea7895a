"""Writing a folder of results: whole files or none, and nobody's work overwritten.

A manifest beside the files holds the SHA-256 of each file we wrote. A file may be replaced when its content
still is what the manifest says; anything else in the way is someone's work and is refused.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from planner.ledger import OutputError

MANIFEST = ".noonmark-files.json"


def write_folder(folder: Path, files: Mapping[str, bytes | Path], force: bool = False) -> list[Path]:
    """Write `files` (name to content) into `folder`, which is made where it is missing.

    A content too large for memory is given as the path of a finished file on the same disk, which is moved.

    Every file is written whole beside its place and then moved there, so a reader, a full disk or a power cut
    never meets half a file; nothing is moved until all are written. Returns the paths, in the order given.

    Raises OutputError naming the file: the folder cannot be made or written, or a file is there that we did not
    write, or that was changed since, and `force` is not set.
    """
    folder = Path(folder)
    _make(folder)
    known = _manifest(folder)
    for name, content in files.items():
        there = _ours(folder / name, known.get(name, []), force)
        # both the old and the new content are ours: should we stop between two moves, the next run still knows
        known[name] = [_digest(content), *([there] if there else [])]
    temporary: dict[str, Path] = {}
    try:
        for name, content in files.items():
            temporary[name] = content if isinstance(content, Path) else _write_beside(folder / name, content)
        listing = json.dumps({"files": dict(sorted(known.items()))}, indent=1).encode()
        os.replace(_write_beside(folder / MANIFEST, listing), folder / MANIFEST)
        for name in files:
            os.replace(temporary[name], folder / name)
            del temporary[name]
    except OSError as fault:
        raise OutputError(
            str(fault.filename or folder),
            f"the files cannot be written: {fault.strerror or fault}",
            "Free some space or mend the folder's rights, then run again; or choose another folder",
        ) from None
    finally:
        for leftover in temporary.values():
            with contextlib.suppress(OSError):
                leftover.unlink(missing_ok=True)
    return [folder / name for name in files]


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise OutputError(
            str(folder), "a file stands where the folder should be", "Choose another folder, or move that file"
        ) from None
    except OSError as fault:
        raise OutputError(
            str(folder),
            f"the folder cannot be made: {fault.strerror or fault}",
            "Choose a folder that you may write to",
        ) from None


def _manifest(folder: Path) -> dict[str, list[str]]:
    """Names and SHA-256 of what we wrote here; empty where the manifest is missing or damaged."""
    try:
        files = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))["files"]
        return {str(name): [str(digest) for digest in digests] for name, digests in files.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _ours(path: Path, written: list[str], force: bool) -> str | None:
    """SHA-256 of the file at `path` where it is one we wrote; None where there is none, or force overrides."""
    if path.is_dir():
        raise OutputError(
            str(path), "a folder stands where the file should be", "Move it, or choose another folder"
        )
    if not (path.exists() or path.is_symlink()):
        return None
    try:
        there = _digest(path)
    except OSError:
        there = ""
    if there in written:
        return there
    if not force:
        what = "it was changed since we wrote it" if written else "it is there already and we did not write it"
        raise OutputError(str(path), what, "Choose another folder, or give --force to overwrite it")
    return None


def _digest(content: bytes | Path) -> str:
    if isinstance(content, bytes):
        return hashlib.sha256(content).hexdigest()
    with content.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def check_folder(folder: Path, names: Iterable[str], force: bool) -> None:
    """Raise OutputError where :func:`write_folder` would refuse, before long work rather than after it.

    A file is written to the folder and taken away again; so is the folder itself, where it was not there.
    """
    folder = Path(folder)
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    _make(folder)
    known = _manifest(folder)
    try:
        with tempfile.TemporaryFile(dir=folder, prefix=".writing-") as file:
            file.write(b"noonmark")
    except OSError as fault:
        raise OutputError(
            str(folder),
            f"the folder cannot be written: {fault.strerror or fault}",
            "Choose a folder that you may write to",
        ) from None
    for name in names:
        path = folder / name
        if not force or path.is_dir():  # what may be overwritten need not be known
            _ours(path, known.get(name, []), force)
    for path in missing:
        with contextlib.suppress(OSError):
            path.rmdir()


def _write_beside(path: Path, content: bytes) -> Path:
    """Write `content` to a new file in the folder of `path`, flushed to the disk; the caller moves it."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        # not by tempfile, whose files are private: results are for sharing, within what the user's umask allows
        with part.open("xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return part
