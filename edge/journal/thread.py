"""The thread that a journal belongs to, as seen from the event loop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from edge.journal.journal import Journal
from edge.journal.mending import Standing

T = TypeVar("T")


class JournalThread:
    """Makes calls of a journal one after the other, in a thread of its own."""

    def __init__(self, journal: Journal) -> None:
        self.standing = Standing.of(journal)
        """How the journal stood after the last call that succeeded."""
        self._journal = journal
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="journal")
        self._lock = asyncio.Lock()
        self._under_way: set[asyncio.Task[Any]] = set()

    async def call(self, call: Callable[[], T]) -> T:
        """Make a call; then note how the journal stands. Raises what the call does."""

        def both() -> tuple[T, Standing]:
            return call(), Standing.of(self._journal)

        loop = asyncio.get_running_loop()
        result, self.standing = await loop.run_in_executor(self._executor, both)
        return result

    async def alone(self, work: Coroutine[Any, Any, T]) -> T:
        """Do work that consists of several calls, and that no other such work may come between.

        It goes on when the caller is cancelled: a reading taken off the queue is either committed
        or put back, and a file that is opened anew is learned anew, whoever waits for it.
        """

        async def locked() -> T:
            async with self._lock:
                return await work

        task = asyncio.ensure_future(locked())
        self._under_way.add(task)
        task.add_done_callback(self._under_way.discard)
        return await asyncio.shield(task)

    async def close(self) -> None:
        """Close the journal, and end the thread."""
        loop = asyncio.get_running_loop()
        await loop.run_in_executor(self._executor, self._journal.close)
        self._executor.shutdown()
