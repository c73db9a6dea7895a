"""The way in: stopping from the keyboard ends quietly from the first moment, while everything is still loading."""

from __future__ import annotations

import gc
import os
import signal

from planner.ledger import Exit


def _stopped(*_: object) -> None:
    # not by print, which this may interrupt; and SystemExit, which no library on the way turns into another
    os.write(2, b"Stopped. Nothing was left half-written.\n")
    raise SystemExit(int(Exit.STOPPED))


SEARCH_AFTER = 50_000  # objects more than before; by itself Python searches them for cycles after 700


def main() -> None:
    signal.signal(signal.SIGINT, _stopped)
    gc.set_threshold(SEARCH_AFTER)  # a run that holds all it makes to its end has next to none to find
    from planner import cli

    cli.main()


if __name__ == "__main__":
    main()
