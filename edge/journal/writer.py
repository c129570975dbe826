"""The journal on the event loop: one thread writes, the loop never waits for a disk.

Theory of operation. Rounds are handed over with `submit`, which returns at once. The writer commits
whatever has come in since its last commit in one transaction: on a fast disk that is a round, on a
slow one several. An SD card that stalls for a second thus delays no poll; readings wait in memory,
in order (`edge.journal.waiting`).

Once the true time is known, readings that wait for it are put right in portions, and rounds are
committed between them, also where the disk has no room for the portions.

A commit that fails is tried again until it succeeds, with everything that has come in meanwhile.
What may help is tried as well (`edge.journal.mending`): room is made, a file that was deleted or
replaced is opened anew, a damaged one salvaged.

Every call into the thread brings back how the journal stands (`Standing`), so that what the loop
believes of it is never older than the last call.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Mapping, Sequence

import structlog

from edge.clock import Clock, wait_for_event
from edge.health import Condition
from edge.journal.errors import JournalError, is_damage
from edge.journal.journal import Journal
from edge.journal.mending import Opened, mend, take_out_damaged
from edge.journal.retention import Pruned, Retention, prune
from edge.journal.thread import JournalThread
from edge.journal.timing import Timed
from edge.journal.waiting import Batch, TrueTime, Waiting
from edge.journal.wellbeing import condition
from edge.measure.values import State
from edge.readings import Gap, Journalled, Reading, Stamp

# Acknowledgements ride along with the next round; where none comes, they are kept after this long.
_LONGEST_UNWRITTEN = 60.0

# Pause before a failed commit is tried again, and the most readings held in memory meanwhile
# (about 10 MB): beyond that the oldest go, and are put on record.
_RETRY_PAUSE = 5.0
_MOST_HELD = 50_000

_PRUNE_EVERY = 3600.0
_PRUNE_SHORT_OF_SPACE_EVERY = 60.0


class JournalWriter:
    """Gives a `Journal` its thread, and the rest of the daemon an asyncio face of it."""

    def __init__(self, journal: Journal, retention: Retention, clock: Clock) -> None:
        self.sent = journal.nothing_to_send()
        """What needs no sending: the broker has it, or it is gone for good."""
        self.units = journal.units()
        """Unit of every series' values, by its name."""
        self.on_growth: Callable[[int], None] = _ignore
        """Called after every commit with the newest number."""
        self.on_drop: Callable[[int, int], None] = _ignore_range
        """Called with numbers that need no sending any more: what they stood for is gone."""
        self._journal = journal
        self._retention = retention
        self._clock = clock
        self._thread = JournalThread(journal)
        self._waiting = Waiting(_MOST_HELD)
        self._wake = asyncio.Event()
        self._true_time: TrueTime | None = None
        self._timed = Timed()
        self._untimed_why = ""
        self._next_prune = clock.monotonic()
        self._pruned = Pruned()
        self._lost_at_the_end = 0
        self._failing = ""
        self._failures = 0
        self._log = structlog.get_logger()
        if journal.rescued:
            self._log.critical("journal was damaged", found=journal.rescued.words)

    # ------------------------------------------------------------------------- how it stands

    @property
    def newest(self) -> int:
        """The highest number given out."""
        return self._thread.standing.newest

    @property
    def sendable(self) -> int:
        """The highest number that may be sent: what comes after waits for its true time."""
        return self._thread.standing.sendable

    @property
    def identity(self) -> str:
        """Tells this journal's numbers from those of any other; may change with a rescue."""
        return self._thread.standing.identity

    @property
    def lost(self) -> int:
        """Readings lost because the disk could not take them for too long, or until the end."""
        return self._waiting.lost + self._lost_at_the_end

    def untold(self) -> list[Gap]:
        """Return the gaps that receivers have not heard of yet, in rising order."""
        told = self._waiting.told
        return [
            gap
            for gap in self._thread.standing.untold
            if gap.last <= self.sendable and gap not in told
        ]

    def condition(self) -> Condition:
        """Return how the journal is."""
        return condition(
            self._thread.standing,
            self._retention,
            self._pruned,
            unsent=self.newest - len(self.sent),
            waiting=self._waiting.readings,
            lost=self.lost,
            failing=self._failing,
            untimed_why=self._untimed_why,
            retry_s=_RETRY_PAUSE,
        )

    # ----------------------------------------------------------------------------- handing over

    def submit(
        self,
        readings: Sequence[Reading],
        states: Mapping[str, State],
        untimed: Stamp | None = None,
    ) -> None:
        """Hand over the readings of a round, with what the channels behind them must remember.

        ``untimed`` says how they were stamped, while their time is not known.
        """
        lost = self.lost
        self._waiting.add(readings, states, untimed)
        self._tell_lost(lost)
        self._wake.set()

    def acknowledge(self, first: int, last: int) -> None:
        """Take note that the broker has these readings; kept with the next commit."""
        self.sent.add(first, last)
        self._waiting.acknowledged.append((first, last))

    def told(self, gap: Gap) -> None:
        """Take note that receivers have heard of a gap; kept with the next commit."""
        self._waiting.told.append(gap)

    def give_true_time(self, boot: str, offset_ms: int) -> None:
        """Have every reading put right that was stamped in ``boot``, whose offset to UTC is known.

        From this call on readings of that boot may come without a stamp, and readings go by age.
        To be called whenever the time is known; what is right already is left alone.
        """
        self._true_time = boot, offset_ms
        if self._thread.standing.untimed:
            self._wake.set()

    async def fetch(self, first: int, last: int) -> list[Journalled]:
        """Return the readings numbered from ``first`` to ``last`` that are still there.

        Rows that are damaged are put on record. Raises JournalError when nothing can be read, or
        not be put on record.
        """
        now_ms = self._clock.utc_ms()
        try:
            readings, damaged = await self._thread.call(
                lambda: take_out_damaged(self._journal, first, last, now_ms)
            )
        except (sqlite3.Error, JournalError) as error:
            if is_damage(error):
                await self._thread.alone(self._mend(error))
            raise JournalError(f"readings {first} to {last}: {error}") from None
        if damaged:
            self._log.error("damaged readings found; they are on record", numbers=damaged[:10])
        for seq in damaged:
            self._gone(seq, seq)
        return readings

    # ---------------------------------------------------------------------------------- running

    async def run(self) -> None:
        """Commit what comes in until cancelled; `close` then commits the rest."""
        while True:
            await wait_for_event(self._wake, self._clock, _LONGEST_UNWRITTEN)
            self._wake.clear()
            if not (await self.flush() and await self._thread.alone(self._time_portion())):
                await self._clock.sleep(_RETRY_PAUSE)
                self._wake.set()
            elif self._time_due:
                self._wake.set()
                continue  # readings are thinned by intervals of their true time
            await self._prune_when_due()

    async def flush(self) -> bool:
        """Commit at once what has been handed over; tell whether that worked."""
        return await self._thread.alone(self._commit_all())

    async def close(self) -> None:
        """Commit what is left, once, and let go of the file."""
        if await self.flush():
            # After a power cut nobody would know the true time of this boot any more.
            while self._time_due and await self._thread.alone(self._time_portion()):
                pass
        else:
            self._lost_at_the_end = self._waiting.readings
            self._log.critical(
                "readings lost: the journal cannot be written", n=self._lost_at_the_end
            )
        await self._thread.close()

    async def _commit_all(self) -> bool:
        while self._waiting:
            batch = self._waiting.take()
            try:
                await self._commit_one(batch)
            except BaseException as error:
                lost = self.lost
                self._waiting.put_back(batch)
                self._tell_lost(lost)
                if not isinstance(error, sqlite3.Error | JournalError):
                    raise
                await self._failed(error)
                return False
            self._note("")
            self.on_growth(self.newest)
        return True

    async def _commit_one(self, batch: Batch) -> None:
        now_ms, true_time = self._clock.utc_ms(), self._true_time

        def commit() -> None:
            self._journal.check_place()
            readings, stamp = batch.timed(true_time)
            self._journal.append(
                readings,
                batch.states,
                batch.acknowledged,
                stamp=stamp,
                told=batch.told,
                lost=batch.lost,
                noted_ms=now_ms,
            )

        before = self.newest
        await self._thread.call(commit)
        if batch.lost:
            self._gone(before + 1, before + batch.lost.readings)

    @property
    def _time_due(self) -> bool:
        return self._true_time is not None and self._thread.standing.untimed > 0

    async def _time_portion(self) -> bool:
        """Give some of the readings that wait for it their true time; tell whether that worked."""
        if self._true_time is None or not self._thread.standing.untimed:
            self._untimed_why = ""
            return True
        boot, offset_ms = self._true_time
        try:
            self._timed += await self._thread.call(
                lambda: self._journal.give_true_time(boot, offset_ms)
            )
        except sqlite3.Error as error:
            if not self._untimed_why:
                self._log.error("readings cannot be given their true time", why=str(error))
            self._untimed_why = str(error)
            await self._mend(error)
            return False
        self._untimed_why = ""
        if not self._thread.standing.untimed:
            done, self._timed = self._timed, Timed()
            self._log.info("readings got their time", true=done.true, unsure=done.unsure)
        self.on_growth(self.newest)
        return True

    # ---------------------------------------------------------------------------- when it fails

    async def _failed(self, error: sqlite3.Error | JournalError) -> None:
        self._failures += 1
        self._note(str(error))
        await self._mend(error)

    async def _mend(self, error: sqlite3.Error | JournalError) -> None:
        """Do what may help; where that leaves another file open than before, learn it anew.

        No commit may be under way: what it takes along belongs to the file open now.
        """
        before, now_ms = self._thread.standing, self._clock.utc_ms()
        try:
            opened = await self._thread.call(
                lambda: mend(self._journal, error, self._failures, before, now_ms)
            )
        except (sqlite3.Error, JournalError) as still:
            self._note(str(still))
            return
        if opened:
            self._failures = 0
            self._log.warning(opened.words)
            self._learn_anew(opened)

    def _learn_anew(self, opened: Opened) -> None:
        if opened.same_journal:
            for first, last in self._waiting.acknowledged:
                opened.sent.add(first, last)
            self._waiting.drop_kept(opened.unexpected, lost=opened.lost_kept)
        else:
            self._waiting.acknowledged.clear()
            self._waiting.told.clear()
        self.sent, self.units = opened.sent, opened.units
        for gap in self._thread.standing.untold:
            for first, last in self.sent.within(gap.first, gap.last):
                self.on_drop(first, last)

    def _tell_lost(self, before: int) -> None:
        if self.lost > before == 0:
            self._log.critical("the journal cannot keep up: the oldest readings in memory are lost")

    def _note(self, failing: str) -> None:
        if not failing:
            self._failures = 0
        if failing == self._failing:
            return
        self._failing = failing
        if failing:
            self._log.error("journal cannot be written; readings wait in memory", why=failing)
        else:
            self._log.info("journal can be written again", lost=self.lost)

    # ---------------------------------------------------------------------------------- pruning

    async def _prune_when_due(self) -> None:
        if self._clock.monotonic() < self._next_prune or self._failing:
            return
        now_ms, known = self._clock.utc_ms(), self._true_time is not None
        try:
            done = await self._thread.call(
                lambda: prune(self._journal, self._retention, now_ms, time_known=known)
            )
        except sqlite3.Error as error:
            await self._thread.alone(self._failed(error))
            return
        if done == Pruned():
            short = self._retention.nearly_full(self._thread.standing.size)
            pause = _PRUNE_SHORT_OF_SPACE_EVERY if short else _PRUNE_EVERY
            self._next_prune = self._clock.monotonic() + pause
            return
        self._wake.set()  # there may be more; what was handed over meanwhile comes first
        if done.thinned and not self._pruned.thinned:
            self._log.warning("size limit: readings never sent are thinned", since=done.thinned[0])
        if done.thinned or done.dropped:
            self._pruned = done
        if done.dropped:
            first, last = done.dropped
            self._log.warning("readings never sent deleted: size limit", first=first, last=last)
            self._gone(first, last)

    def _gone(self, first: int, last: int) -> None:
        self.sent.add(first, last)
        self.on_drop(first, last)


def _ignore(_newest: int) -> None:
    pass


def _ignore_range(_first: int, _last: int) -> None:
    pass
