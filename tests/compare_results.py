"""Two runs of one plan compared: `python tests/compare_results.py BEFORE.json AFTER.json [--to 1e-9]`.

Prints every value of the result files that differs, by its place in them, and ends with exit code 1 where any does.
Numbers that differ by less than `--to`, of the larger, count as alike. For changes that should alter nothing: make
the demo before and after, compare, and explain what is left.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any


def differences(before: Any, after: Any, to: float = 0.0, place: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Place and both values of each difference between two documents of JSON, down to single values.

    >>> list(differences({"a": [1, 2.0]}, {"a": [1, 2.5], "b": None}))
    [('a[1]', 2.0, 2.5), ('b', 'absent', None)]
    >>> list(differences(100.0, 100.0 + 1e-9, to=1e-9))
    []
    """
    if isinstance(before, dict) and isinstance(after, dict):
        for key in [*before, *(key for key in after if key not in before)]:
            inner = f"{place}.{key}" if place else key
            if key in before and key in after:
                yield from differences(before[key], after[key], to, inner)
            else:
                yield inner, before.get(key, "absent"), after.get(key, "absent")
    elif isinstance(before, list) and isinstance(after, list):
        if len(before) != len(after):
            yield f"{place} (length)", len(before), len(after)
        for k, (one, other) in enumerate(zip(before, after, strict=False)):
            yield from differences(one, other, to, f"{place}[{k}]")
    elif not _alike(before, after, to):
        yield place, before, after


def _alike(before: Any, after: Any, to: float) -> bool:
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (before, after))
    if numbers:
        return math.isclose(before, after, rel_tol=to, abs_tol=0.0)
    return type(before) is type(after) and bool(before == after)


def main(before: str, after: str, *options: str) -> int:
    to = float(options[options.index("--to") + 1]) if "--to" in options else 0.0
    documents = (json.loads(Path(path).read_text(encoding="utf-8")) for path in (before, after))
    found = list(differences(*documents, to))
    for place, old, new in found:
        print(f"{place}\n  - {json.dumps(old, ensure_ascii=False)}\n  + {json.dumps(new, ensure_ascii=False)}")
    print(f"{len(found)} differences")
    return int(bool(found))


if __name__ == "__main__":
    if len(sys.argv) < 3:
        sys.exit(__doc__)
    sys.exit(main(*sys.argv[1:]))
