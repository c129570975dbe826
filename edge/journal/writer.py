"""The journal on the event loop: one thread writes, the loop never waits for a disk.

Rounds are handed over with `submit`, which returns at once. The writer commits whatever has come in
since its last commit in one transaction: on a fast disk that is a round, on a slow one several. An
SD card that stalls for a second thus delays no poll; readings wait in memory, in order.

A commit that fails is tried again until it succeeds, with everything that has come in meanwhile.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import structlog

from edge.clock import Clock, wait_for_event
from edge.journal.journal import Journal, JournalError
from edge.journal.ranges import RangeSet
from edge.journal.retention import Pruned, Retention, prune
from edge.measure.values import State
from edge.readings import Journalled, Reading

T = TypeVar("T")

# Acknowledgements ride along with the next round; where none comes, they are kept after this long.
_LONGEST_UNWRITTEN = 60.0

# Pause before a failed commit is tried again, and the most readings held in memory meanwhile
# (about 10 MB): beyond that the oldest go, and are counted.
_RETRY_PAUSE = 5.0
_MOST_HELD = 50_000

_PRUNE_EVERY = 3600.0


class JournalWriter:
    """Gives a `Journal` its thread, and the rest of the daemon an asyncio face of it."""

    def __init__(self, journal: Journal, retention: Retention, clock: Clock) -> None:
        self.newest = journal.newest
        self.sent = RangeSet([*journal.sent, *journal.dropped()])
        """What needs no sending: the broker has it, or it is gone for good."""
        self.units = journal.units()
        """Unit of every series' values, by its name."""
        self.lost = 0
        """Readings lost because the disk could not take them for too long."""
        self.on_growth: Callable[[int], None] = _ignore
        """Called after every commit with the newest number."""
        self.on_drop: Callable[[int, int], None] = _ignore_range
        """Called when unsent readings were deleted for lack of space."""
        self._journal = journal
        self._retention = retention
        self._clock = clock
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="journal")
        self._readings: list[Reading] = []
        self._states: dict[str, State] = {}
        self._acknowledged: list[tuple[int, int]] = []
        self._wake = asyncio.Event()
        self._commit: asyncio.Task[bool] | None = None
        self._committing = asyncio.Lock()
        self._next_prune = clock.monotonic()
        self._failing = ""
        self._log = structlog.get_logger()

    def submit(self, readings: Sequence[Reading], states: Mapping[str, State]) -> None:
        """Hand over the readings of a round, with what the channels behind them must remember."""
        self._readings += readings
        self._states |= states
        self._keep_within_memory()
        self._wake.set()

    def acknowledge(self, first: int, last: int) -> None:
        """Take note that the broker has these readings; kept with the next commit."""
        self.sent.add(first, last)
        self._acknowledged.append((first, last))

    async def fetch(self, first: int, last: int) -> list[Journalled]:
        """Return the readings numbered from ``first`` to ``last`` that are still there.

        Raises JournalError when they cannot be read.
        """
        try:
            return await self._in_thread(lambda: self._journal.fetch(first, last))
        except sqlite3.Error as error:
            raise JournalError(f"readings {first} to {last}: {error}") from None

    async def run(self) -> None:
        """Commit what comes in until cancelled; `close` then commits the rest."""
        while True:
            await wait_for_event(self._wake, self._clock, _LONGEST_UNWRITTEN)
            self._wake.clear()
            if not await self.flush():
                await self._clock.sleep(_RETRY_PAUSE)
                self._wake.set()
            await self._prune_when_due()

    async def flush(self) -> bool:
        """Commit at once what has been handed over; tell whether that worked.

        The commit goes on when the caller is cancelled: a reading taken off the queue is either
        committed or put back, whoever waits for it.
        """
        self._commit = asyncio.ensure_future(self._commit_all())
        return await asyncio.shield(self._commit)

    async def close(self) -> None:
        """Commit what is left, once, and let go of the file."""
        if not await self.flush():
            self.lost += len(self._readings)
            self._log.critical(
                "readings lost: the journal cannot be written", n=len(self._readings)
            )
        await self._in_thread(self._journal.close)
        self._thread.shutdown()

    async def _commit_all(self) -> bool:
        async with self._committing:
            readings, self._readings = self._readings, []
            states, self._states = self._states, {}
            acknowledged, self._acknowledged = self._acknowledged, []
            if not (readings or states or acknowledged):
                return True
            try:
                self.newest = await self._in_thread(
                    lambda: self._journal.append(readings, states, acknowledged)
                )
            except BaseException as error:
                self._readings = readings + self._readings
                self._states = states | self._states
                self._acknowledged = acknowledged + self._acknowledged
                self._keep_within_memory()
                if not isinstance(error, sqlite3.Error):
                    raise
                self._note(str(error))
                return False
        self._note("")
        self.on_growth(self.newest)
        return True

    def _keep_within_memory(self) -> None:
        surplus = len(self._readings) - _MOST_HELD
        if surplus <= 0:
            return
        if not self.lost:
            self._log.critical("the journal cannot keep up: the oldest readings in memory are lost")
        self.lost += surplus
        del self._readings[:surplus]

    def _note(self, failing: str) -> None:
        if failing == self._failing:
            return
        self._failing = failing
        if failing:
            self._log.error("journal cannot be written; readings wait in memory", why=failing)
        else:
            self._log.info("journal can be written again", lost=self.lost)

    async def _prune_when_due(self) -> None:
        if self._clock.monotonic() < self._next_prune or self._failing:
            return
        done = await self._prune_portion(self._clock.utc_ms())
        if done == Pruned():
            self._next_prune = self._clock.monotonic() + _PRUNE_EVERY
        else:
            self._wake.set()  # there may be more; what was handed over meanwhile comes first
        for first, last in done.dropped:
            self._log.warning("readings never sent deleted: size limit", first=first, last=last)
            self.on_drop(first, last)

    async def _prune_portion(self, now_ms: int) -> Pruned:
        try:
            return await self._in_thread(lambda: prune(self._journal, self._retention, now_ms))
        except sqlite3.Error as error:
            self._note(str(error))
            return Pruned()

    async def _in_thread(self, call: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, call)


def _ignore(_newest: int) -> None:
    pass


def _ignore_range(_first: int, _last: int) -> None:
    pass
