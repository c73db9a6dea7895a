"""Who is answered when: the quick questions first, equal ones once, and what was asked lately at once.

One question at a time is worked on, in a thread of its own: a card is mostly Python, which two threads do not make
faster. What lies ready is answered meanwhile.
"""

from __future__ import annotations

import asyncio
import heapq
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Hashable
from dataclasses import dataclass, field
from enum import IntEnum

from starlette.concurrency import run_in_threadpool

KEPT = 256  # answers; a card is some 50 kB
MOST_WAITING = 200  # questions that differ: a page has two open at most


class Rank(IntEnum):
    """What is worked on first."""

    QUICK = 0
    SLOW = 1


class Full(Exception):
    """More is waiting than will ever be answered in time."""


@dataclass(order=True)
class _Asked:
    rank: Rank
    turn: int
    key: Hashable = field(compare=False)
    work: Callable[[], bytes] = field(compare=False)
    told: asyncio.Future[bytes | None] = field(compare=False)
    gone: list[Callable[[], Awaitable[bool]]] = field(compare=False, default_factory=list)


class Desk:
    """Takes questions and gives each its answer; of one event loop."""

    def __init__(self, kept: int = KEPT, most_waiting: int = MOST_WAITING) -> None:
        self.most_kept, self.most_waiting = kept, most_waiting
        self.kept: OrderedDict[Hashable, bytes] = OrderedDict()
        self.waiting: list[_Asked] = []
        self.open: dict[Hashable, _Asked] = {}
        self.turns = 0
        self.at_work: asyncio.Task[None] | None = None

    async def answer(
        self, key: Hashable, rank: Rank, work: Callable[[], bytes], gone: Callable[[], Awaitable[bool]]
    ) -> bytes | None:
        """What `work` gives, for all that ask with the same key; None where nobody waits for it any more.

        gone: whether the one who asks has left. Raises Full, and whatever `work` raises.
        """
        if key in self.kept:
            self.kept.move_to_end(key)
            return self.kept[key]
        asked = self.open.get(key)
        if asked is None:
            if len(self.waiting) >= self.most_waiting:
                raise Full
            self.turns += 1
            asked = _Asked(rank, self.turns, key, work, asyncio.get_running_loop().create_future())
            heapq.heappush(self.waiting, asked)
            self.open[key] = asked
        asked.gone.append(gone)
        if self.at_work is None or self.at_work.done():
            self.at_work = asyncio.create_task(self._work_off())
        return await asyncio.shield(asked.told)

    async def _work_off(self) -> None:
        while self.waiting:
            asked = heapq.heappop(self.waiting)
            try:
                found = None if await _all_gone(asked) else await run_in_threadpool(asked.work)
            except Exception as fault:
                asked.told.set_exception(fault)
                asked.told.exception()  # whoever asked may have left meanwhile
            else:
                if found is not None:
                    self.kept[asked.key] = found
                    if len(self.kept) > self.most_kept:
                        self.kept.popitem(last=False)
                asked.told.set_result(found)
            finally:
                del self.open[asked.key]


async def _all_gone(asked: _Asked) -> bool:
    for gone in asked.gone:
        if not await gone():
            return False
    return True
