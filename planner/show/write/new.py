"""Files that were not there before: all of them, or none."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Mapping
from pathlib import Path

from planner.ledger import OutputError


def write_new(files: Mapping[Path, str | bytes | Path]) -> None:
    """Write files that must not be there yet, all or none.

    Parameters
    ----------
    files
        Texts (written as UTF-8), bytes, and paths of files to copy.

    Raises
    ------
    OutputError
        One is there already, or cannot be written; then none of them is there.
    """
    made: list[Path] = []
    try:
        for path, content in files.items():
            with path.open("xb") as file:
                made.append(path)
                if isinstance(content, Path):
                    with content.open("rb") as source:
                        shutil.copyfileobj(source, file)
                else:
                    file.write(content.encode() if isinstance(content, str) else content)
    except OSError as fault:
        for path in made:
            with contextlib.suppress(OSError):
                path.unlink()
        there = isinstance(fault, FileExistsError)
        raise OutputError(
            str(fault.filename or path),
            "it is there already, and is not overwritten" if there else f"it cannot be written: {fault.strerror}",
            "Give another name: --out OTHER.toml" if there else "Give a folder that you may write to: --out FILE",
        ) from None
