"""What helps a journal that cannot be written or read, and how it stands. Called in its thread."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import NamedTuple

from edge.journal.errors import AstrayError, JournalError, is_damage, is_full
from edge.journal.journal import Journal
from edge.journal.ranges import RangeSet
from edge.journal.retention import prune_sent
from edge.readings import Gap, Journalled, WhyGone
from edge.units import Unit

# A medium that went and came back leaves a file open that leads nowhere. After so many failures in
# a row, about a minute of them, what lies at the path is opened anew.
_FAILURES_TO_REOPEN = 12


class Standing(NamedTuple):
    """How a journal stands, as the event loop knows it."""

    newest: int
    sendable: int
    identity: str
    untold: list[Gap]
    untimed: int
    """How many readings wait for their true time."""
    held: int
    """How many numbers there are from the oldest reading to the newest."""
    size: int
    """Bytes in use."""
    rescue: str
    """What was salvaged from a damaged file, in words; "" where nothing had to be."""

    @classmethod
    def of(cls, journal: Journal) -> Standing:
        """Return how a journal stands; a file that cannot be read seems to hold nothing."""
        held = size = 0
        # What could be committed must not seem to have failed because of this.
        with contextlib.suppress(sqlite3.Error):
            held, size = journal.newest - journal.oldest() + 1, journal.bytes_used()
        return cls(
            journal.newest,
            journal.sendable,
            journal.identity,
            journal.untold,
            sum(last - first + 1 for first, last, _ in journal.untimed),
            held,
            size,
            journal.rescued.words if journal.rescued else "",
        )


class Opened(NamedTuple):
    """What is in a journal that was opened anew."""

    words: str
    """What was done to it."""
    same_journal: bool
    """Whether its numbers go on from those of the one that was open before."""
    sent: RangeSet
    units: dict[str, Unit]
    unexpected: list[Journalled]
    """Readings under numbers above the highest that was known to be committed."""
    lost_kept: bool
    """Whether readings that were lost are on record under such numbers."""


def mend(
    journal: Journal,
    error: sqlite3.Error | JournalError,
    failures: int,
    before: Standing,
    now_ms: int,
) -> Opened | None:
    """Do what may help against an error that has come up ``failures`` times in a row.

    Returns what is in the journal, where it was opened anew; ``before`` says how it stood. Raises
    JournalError when it cannot be opened anew, sqlite3.Error when it cannot be read then; in both
    cases it is closed.
    """
    if is_damage(error):
        journal.rescue()
        words = journal.rescued.words if journal.rescued else ""
        return _look_into(journal, f"journal was damaged: {words}", before, now_ms)
    if isinstance(error, AstrayError) or failures >= _FAILURES_TO_REOPEN:
        journal.reopen()
        return _look_into(journal, "journal opened anew", before, now_ms)
    with contextlib.suppress(sqlite3.Error, OSError):
        journal.make_room(disk_full=is_full(error))
    with contextlib.suppress(sqlite3.Error):
        prune_sent(journal)
    return None


def _look_into(journal: Journal, words: str, before: Standing, now_ms: int) -> Opened:
    try:
        return _opened(journal, words, before, now_ms)
    except BaseException:
        # Nobody may go on with a journal of which it is not known what is in it: what was
        # acknowledged of the one before would count for this one.
        journal.close()
        raise


def _opened(journal: Journal, words: str, before: Standing, now_ms: int) -> Opened:
    same = journal.identity == before.identity
    next_number = before.newest + 1
    if same and journal.newest < before.newest:
        # An older copy lies there: the numbers it lacks were given out, and must not be again.
        times = None, None
        journal.record_gap(Gap(journal.newest + 1, before.newest, WhyGone.DAMAGED, *times, now_ms))
    lost = any(gap.first == next_number and gap.why is WhyGone.LOST for gap in journal.untold)
    return Opened(
        words,
        same,
        journal.nothing_to_send(),
        journal.units(),
        journal.fetch(next_number, journal.newest) if same else [],
        lost,
    )


def take_out_damaged(
    journal: Journal, first: int, last: int, noted_ms: int
) -> tuple[list[Journalled], list[int]]:
    """Return what `Journal.read` does, once what is damaged is on record as a gap.

    Raises sqlite3.Error when the file cannot be read or written.
    """
    readings, damaged = journal.read(first, last)
    for start, end in RangeSet((seq, seq) for seq in damaged):
        before = max((r.utc_ms for r in readings if r.seq < start), default=None)
        after = min((r.utc_ms for r in readings if r.seq > end), default=None)
        journal.record_gap(Gap(start, end, WhyGone.DAMAGED, before, after, noted_ms))
    return readings, damaged
