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

No query's cost depends on how many readings wait: each seeks a number and reads on from there, for
as many rows as it was asked for.

A `Journal` belongs to one thread. `edge.journal.writer` gives it one.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import structlog

from edge.journal import gaps, timing
from edge.journal.errors import JournalError
from edge.journal.gaps import Lost
from edge.journal.opened import OpenedFile
from edge.journal.ranges import RangeSet
from edge.journal.rows import Row, is_sound, mark
from edge.journal.thinning import Thinned
from edge.journal.timing import Timed, Untimed
from edge.measure.values import State
from edge.readings import Condense, Gap, Journalled, Reading, Series, Stamp, WhyGone
from edge.status import BY_CODE, Reason
from edge.units import UNITS, Unit

__all__ = ["Journal", "JournalError"]

# Among so many of the newest readings the latest time is looked for.
_NEWEST = 500


class Journal(OpenedFile):
    """An open journal file."""

    newest: int
    """The highest number given out."""
    identity: str
    """Tells this file from every other that numbers readings of the station."""
    sent: RangeSet
    """What the broker has acknowledged."""
    untold: list[Gap]
    """Gaps that no receiver has heard of yet."""
    untimed: list[Untimed]
    """Readings that wait for their true time; always the last of the journal."""

    def __init__(self, path: Path, series: Iterable[Series] = ()) -> None:
        """Open the file, make or migrate it as needed, and make sure ``series`` are known to it.

        A damaged file is set aside and what is readable salvaged. Raises JournalError when the
        directory is missing or not writable, when the file is not a journal, is in use or was
        written by a newer version, and when a series' unit has changed.
        """
        super().__init__(path, series)

    # --------------------------------------------------------------------------------- writing

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
        self.newest, self.sent = newest, sent
        if lost or told:
            self.untold = gaps.untold(self._db)
        if stamp:
            self.untimed = timing.untimed(self._db)
        return newest

    def give_true_time(self, boot: str, offset_ms: int) -> Timed:
        """Put right the time of what was stamped in ``boot``, now that its true offset is known.

        What other boots left untimed keeps its time; where it was good it is unsure now. After that
        everything may be sent. Raises sqlite3.Error; then nothing has changed.
        """
        with self._transaction():
            done = timing.give_true_time(self._db, boot, offset_ms)
        self.untimed = []
        return done

    def record_gap(self, gap: Gap) -> None:
        """Put on record that readings are not there; what is left of them is deleted."""
        with self._transaction():
            self._delete(gap.first, gap.last)
            gaps.record(self._db, gap)
        self.newest = max(self.newest, gap.last)
        self.untold = gaps.untold(self._db)

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
        self.untold = gaps.untold(self._db)

    # --------------------------------------------------------------------------------- reading

    @property
    def sendable(self) -> int:
        """The highest number that may be sent: the newest, or the one before the first untimed."""
        return self.untimed[0][0] - 1 if self.untimed else self.newest

    def fetch(self, first: int, last: int) -> list[Journalled]:
        """Return the readings numbered from ``first`` to ``last`` that are still there."""
        return self.read(first, last)[0]

    def read(self, first: int, last: int) -> tuple[list[Journalled], list[int]]:
        """Return readings as `fetch` does, and the numbers of rows that are damaged."""
        readings, damaged = [], []
        for row in self._db.execute(
            "SELECT * FROM reading WHERE seq BETWEEN ? AND ? ORDER BY seq",
            (first, last),
        ):
            seq, id_, utc_ms, value, code, _ = row
            if id_ in self._names and is_sound(row):
                reason = BY_CODE.get(code, Reason.INTERNAL)
                readings.append(Journalled(seq, self._names[id_], utc_ms, value, reason))
            else:
                damaged.append(seq)
        return readings, damaged

    def rows(self, first: int, last: int) -> Iterator[Row]:
        """Yield the sound rows from ``first`` to ``last``, in rising order."""
        query = "SELECT * FROM reading WHERE seq BETWEEN ? AND ? ORDER BY seq"
        for row in self._db.execute(query, (first, last)):
            if is_sound(row):
                yield Row(*row[:5])

    def times(self, first: int, last: int) -> Iterator[tuple[int, int]]:
        """Yield number and time (UTC milliseconds) of rows, in rising order."""
        query = "SELECT seq, utc_ms FROM reading WHERE seq BETWEEN ? AND ? ORDER BY seq"
        yield from self._db.execute(query, (first, last))

    def newest_row_ms(self) -> int | None:
        """Return the time of the newest reading, in UTC milliseconds; None without any."""
        row = self._db.execute("SELECT utc_ms FROM reading ORDER BY seq DESC LIMIT 1").fetchone()
        return row and int(row[0])

    def newest_utc_ms(self) -> int | None:
        """Return the latest time among the newest readings whose time is known, if there are any.

        Good readings count; where there is none, those that are only not unsure of their time.
        """
        rows = self._db.execute(
            "SELECT * FROM reading WHERE seq <= ? ORDER BY seq DESC LIMIT ?",
            (self.sendable, _NEWEST),
        )
        times = [(row[4], row[2]) for row in rows if is_sound(row)]
        good = [utc_ms for status, utc_ms in times if status == Reason.OK.code]
        sure = [utc_ms for status, utc_ms in times if status != Reason.TIME_UNSURE.code]
        return max(good or sure, default=None)

    def units(self) -> dict[str, Unit]:
        """Return the unit of every series' values, by its name."""
        rows = self._db.execute("SELECT name, unit FROM series")
        return {name: UNITS[unit] for name, unit in rows if unit in UNITS}

    def condensing(self) -> dict[int, Condense]:
        """Return how every series is condensed, by its id."""
        ways = {way.value: way for way in Condense}
        rows = self._db.execute("SELECT id, condense FROM series")
        return {id_: ways.get(way, Condense.KEEP) for id_, way in rows}

    def states(self) -> dict[str, State]:
        """Return what the channels must remember, as last committed, by channel."""
        states = {}
        for channel, state in self._db.execute("SELECT channel, state FROM state"):
            try:
                states[channel] = json.loads(state)
            except ValueError:
                structlog.get_logger().critical(
                    "what a channel remembered is damaged: it begins anew", channel=channel
                )
        return states

    def gaps(self) -> list[Gap]:
        """Return every gap on record, in rising order."""
        return gaps.all_of(self._db)

    def nothing_to_send(self) -> RangeSet:
        """Return the numbers that need no sending: acknowledged, or not there, on record."""
        return RangeSet(
            [
                *self.sent,
                *((g.first, g.last) for g in self.gaps() if g.why is not WhyGone.THINNED),
            ]
        )

    def bytes_used(self) -> int:
        """Return how much of the file is in use: its size less the pages free for reuse."""
        pages = self._one("PRAGMA page_count") - self._one("PRAGMA freelist_count")
        return pages * self._one("PRAGMA page_size")

    def oldest(self) -> int:
        """Return the lowest number still there; one past the newest when there is none."""
        return self._one("SELECT coalesce(min(seq), ?) FROM reading", self.newest + 1)

    def held(self, first: int, last: int) -> int:
        """Return the lowest number still there from ``first`` to ``last``; 0 when there is none."""
        return self._one(
            "SELECT coalesce(min(seq), 0) FROM reading WHERE seq BETWEEN ? AND ?", first, last
        )

    def end_of(self, first: int, count: int) -> int:
        """Return the number of the last of ``count`` rows from ``first`` on; 0 without any."""
        return self._one(
            "SELECT coalesce(max(seq), 0) FROM"
            " (SELECT seq FROM reading WHERE seq >= ? ORDER BY seq LIMIT ?)",
            first,
            count,
        )

    # --------------------------------------------------------------------------------- opening

    def _learn_contents(self) -> None:
        (self.identity,) = self._db.execute("SELECT id FROM identity").fetchone()
        for one in self._series:
            self._learn(one)
        self._ids = dict(self._db.execute("SELECT name, id FROM series"))
        self._names = {id_: name for name, id_ in self._ids.items()}
        self.newest = max(
            self._one("SELECT coalesce(max(seq), 0) FROM reading"),
            self._one("SELECT coalesce(max(last), 0) FROM gap"),
        )
        self.sent = RangeSet(
            self._db.execute(
                "SELECT first, min(last, ?1) FROM sent WHERE first <= min(last, ?1) ORDER BY first",
                (self.newest,),
            )
        )
        self.untold = gaps.untold(self._db)
        self.untimed = timing.untimed(self._db)

    def _learn(self, series: Series) -> None:
        base = series.unit.dimension.base
        self._db.execute(
            "INSERT INTO series (name, unit, condense) VALUES (?, ?, ?)"
            " ON CONFLICT (name) DO UPDATE SET condense = excluded.condense"
            " WHERE condense <> excluded.condense",
            (series.name, base, series.condense.value),
        )
        query = "SELECT unit FROM series WHERE name = ?"
        (unit,) = self._db.execute(query, (series.name,)).fetchone()
        if unit != base:
            raise JournalError(
                f"{self.path}: the readings of {series.name} in this journal are in {unit}, those"
                f" of the station file in {base}. Give the channel another name"
            )

    # --------------------------------------------------------------------------------- details

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

    def _one(self, query: str, *values: int) -> int:
        return int(self._db.execute(query, values).fetchone()[0])
