"""A first plan as the text of a plan file: only the keys that are used, what was counted or guessed beside each."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from os.path import relpath
from pathlib import Path

from planner.plan.section import as_toml
from planner.show.say.start import note_said
from planner.start.draft import Block, Draft, Line, Note

WIDTH = 110


def plan_text(draft: Draft, folder: Path, command: str) -> str:
    """A first plan as text.

    Parameters
    ----------
    draft
        Its keys in order, with what was read of the data.
    folder
        Where it is to lie; its paths are relative to that.
    command
        What comes next, for its first line.

    Returns
    -------
    str
        TOML, with guesses marked.
    """
    head = [f"# A first plan, made from what was found. Next: {command}"]
    head += _comment(
        "Lines with 'check:' are guesses. Lines that are commented out are another reading, or what is missing."
    )
    parts = ["\n".join(head)]
    missing = False
    for block in draft.blocks:
        if block.off and not missing:
            parts.append("# --- Other readings, and what is missing ---".ljust(WIDTH, "-"))
            missing = True
        parts.append("\n".join(_block(block, folder)))
    if draft.unused:
        parts.append("\n".join(["# --- Not used ---".ljust(WIDTH, "-"), *_notes(draft.unused)]))
    return "\n\n".join(parts) + "\n"


def _block(block: Block, folder: Path) -> list[str]:
    lines = _notes(block.notes)
    if block.section:
        lines.append(("# " if block.off else "") + f"[{block.section}]")
    for line in block.lines:
        lines += _line(line, folder, block.off or line.off)
    return lines


def _line(line: Line, folder: Path, off: bool) -> list[str]:
    key = ("# " if off else "") + f"{line.key} = {_value(line.value, folder)}"
    said = "; ".join(note_said(note) for note in line.notes)
    if not said:
        return [key]
    beside = f"{key.ljust(34)} # {said}"
    return [beside] if len(beside) <= WIDTH else [*_comment(said), key]


def _value(value: object, folder: Path) -> str:
    if isinstance(value, Path):
        value = _relative(value, folder)
    if isinstance(value, str):
        return quoted(value)
    return as_toml(value)


def _relative(path: Path, folder: Path) -> str:
    try:
        return Path(relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        return path.resolve().as_posix()


def quoted(text: str) -> str:
    """Text as TOML has it: a basic string, what would end or break it escaped."""
    out = []
    for sign in text:
        if sign in ('"', "\\"):
            out.append("\\" + sign)
        elif ord(sign) < 32 or ord(sign) == 127:
            out.append(f"\\u{ord(sign):04x}")
        else:
            out.append(sign)
    return '"' + "".join(out) + '"'


def _notes(notes: Iterable[Note]) -> list[str]:
    return [line for note in notes for line in _comment(note_said(note))]


def _comment(text: str) -> list[str]:
    # what comes with a layer's names must not end the comment
    plain = "".join(sign if ord(sign) >= 32 and ord(sign) != 127 else " " for sign in text)
    return textwrap.wrap(plain, WIDTH, initial_indent="# ", subsequent_indent="#   ") or ["#"]
