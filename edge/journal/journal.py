"""The journal file: append, fetch, acknowledge, thin, delete. Plain and synchronous.

Theory of operation. Readings are numbered in the order they are committed; the number is the row
id, so that appending touches the last page only and "everything from here to there" is one range
scan. Numbers are never reused: the newest one always stays, as a reading or as part of a stated gap
(`edge.journal.gaps`).

One transaction holds the readings of a polling round, what its channels must remember, and the
acknowledgements that have come in since. SQLite runs in WAL mode with synchronous FULL: once
`append` has returned, a power cut cannot take the readings back.

What the broker has acknowledged is a handful of ranges (`RangeSet`), kept in a table of its own;
acknowledging a thousand readings does not touch the readings.

A `Journal` belongs to one thread. `edge.journal.writer` gives it one.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from edge.journal import gaps, timing
from edge.journal.contents import Contents
from edge.journal.errors import JournalError
from edge.journal.gaps import Lost
from edge.journal.ranges import RangeSet
from edge.journal.rows import mark
from edge.journal.thinning import Thinned
from edge.journal.timing import Timed
from edge.measure.values import State
from edge.readings import Gap, Reading, Series, Stamp, WhyGone

__all__ = ["Journal", "JournalError"]


class Journal(Contents):
    """An open journal file."""

    def __init__(self, path: Path, series: Iterable[Series] = ()) -> None:
        """Open the file, make or migrate it as needed, and make sure ``series`` are known to it.

        A damaged file is set aside and what is readable salvaged. Raises JournalError when the
        directory is missing or not writable, when the file is not a journal, is in use or was
        written by a newer version, and when a series' unit has changed.
        """
        super().__init__(path, series)

    def append(
        self,
        readings: Sequence[Reading],
        states: Mapping[str, State] | None = None,
        acknowledged: Sequence[tuple[int, int]] = (),
        *,
        stamp: Stamp | None = None,
        told: Sequence[Gap] = (),
        lost: Lost | None = None,
        noted_ms: int = 0,
    ) -> int:
        """Commit readings, channels' states and acknowledgements; return the newest number.

        ``stamp`` says how the readings were stamped while their time was not known; ``told`` are
        gaps that a receiver has heard of; ``lost`` readings get numbers before those of
        ``readings``, on record as a gap, at the time ``noted_ms`` (UTC milliseconds).

        Raises sqlite3.Error when the file cannot be written; then nothing has changed.
        """
        first = self.newest + 1 + (lost.readings if lost else 0)
        newest = first - 1 + len(readings)
        sent = RangeSet(self.sent) if acknowledged else self.sent
        with self._transaction():
            if lost:
                times = lost.since_ms, lost.until_ms
                gaps.record(
                    self._db, Gap(self.newest + 1, first - 1, WhyGone.LOST, *times, noted_ms)
                )
            self._insert(readings, first)
            if stamp and readings:
                timing.note(self._db, first, newest, stamp)
            self._db.executemany(
                "INSERT OR REPLACE INTO state VALUES (?, ?)",
                ((channel, json.dumps(state)) for channel, state in (states or {}).items()),
            )
            for begin, end in acknowledged:
                merged = sent.add(begin, end)
                self._db.execute("DELETE FROM sent WHERE first BETWEEN ? AND ?", merged)
                self._db.execute("INSERT INTO sent VALUES (?, ?)", merged)
            gaps.tell(self._db, told)
            # Looked up before the commit: once that is done nothing may fail any more.
            untold = gaps.untold(self._db) if lost or told else self.untold
            untimed = timing.untimed(self._db) if stamp else self.untimed
        self.newest, self.sent, self.untold, self.untimed = newest, sent, untold, untimed
        return newest

    def give_true_time(self, boot: str, offset_ms: int) -> Timed:
        """Put right the time of what was stamped in ``boot``, now that its true offset is known.

        What other boots left untimed keeps its time, which is unsure now. One call does a portion,
        from the oldest on; call again while there are `untimed`. Raises sqlite3.Error; then nothing
        has changed.
        """
        with self._transaction():
            done = timing.give_true_time(self._db, boot, offset_ms)
            untimed = timing.untimed(self._db)
        self.untimed = untimed
        return done

    def record_gap(self, gap: Gap) -> None:
        """Put on record that readings are not there; what is left of them is deleted."""
        with self._transaction():
            self._delete(gap.first, gap.last)
            gaps.record(self._db, gap)
            untold = gaps.untold(self._db)
        self.newest, self.untold = max(self.newest, gap.last), untold

    def delete_sent(self, first: int, last: int) -> int:
        """Delete readings that the broker has, and return how many; the newest stays."""
        with self._transaction():
            return self._delete(first, min(last, self.newest - 1))

    def thin(self, gap: Gap, thinned: Thinned) -> None:
        """Condense a stretch as computed by `edge.journal.thinning`, and put it on record."""
        with self._transaction():
            self._db.executemany(
                "DELETE FROM reading WHERE seq = ?", ((seq,) for seq in thinned.gone)
            )
            self._db.executemany(
                "UPDATE reading SET value = ?, status = ?, mark = ? WHERE seq = ?",
                ((row.value, row.status, mark(*row), row.seq) for row in thinned.changed),
            )
            # Where nothing went there is nothing to tell; only the next look must begin after it.
            gaps.record(self._db, gap, told=not thinned.gone)
            untold = gaps.untold(self._db)
        self.untold = untold

    def _insert(self, readings: Sequence[Reading], first: int) -> None:
        rows = (
            (seq, self._ids[one.series], one.utc_ms, one.value, one.reason.code)
            for seq, one in enumerate(readings, first)
        )
        self._db.executemany(
            "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?)", ((*row, mark(*row)) for row in rows)
        )

    def _delete(self, first: int, last: int) -> int:
        gone = self._db.execute("DELETE FROM reading WHERE seq BETWEEN ? AND ?", (first, last))
        return gone.rowcount
