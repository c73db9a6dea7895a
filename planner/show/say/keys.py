"""The keys of a plan file for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from planner.plan.keys import FieldRow, sections_of

WIDTH = 100


def sections_said(rows: Sequence[FieldRow]) -> str:
    """Sections of a plan file in words.

    Parameters
    ----------
    rows
        All keys.

    Returns
    -------
    str
        Each section with how many keys it has.
    """
    sections = {name or "(before the first section)": count for name, count in sections_of(rows).items()}
    wide = max(map(len, sections))
    lines = [f"  {name:<{wide}}  {count} key{'s' if count > 1 else ''}" for name, count in sections.items()]
    return "\n".join(["Sections of a plan file; `noonmark keys SECTION` explains one:", *lines])


def keys_said(rows: Sequence[FieldRow]) -> str:
    """Keys of a plan file in words.

    Parameters
    ----------
    rows
        The keys.

    Returns
    -------
    str
        Each with its type, default, meaning and the default's reason.
    """
    said = []
    for row in rows:
        default = "required" if row.default == "required" else f"default: {row.default}"
        said.append(f"{row.key}  ({row.kind}; {default})")
        said.append(textwrap.fill(row.what, WIDTH, initial_indent="    ", subsequent_indent="    "))
        if row.why:
            said.append(textwrap.fill(f"why: {row.why}", WIDTH, initial_indent="    ", subsequent_indent="    "))
    return "\n".join(said)
