"""What a journal holds: everything that is read from it.

No query's cost depends on how many readings wait: each seeks a number and reads on from there, for
as many rows as it was asked for.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator

import structlog

from edge.journal import gaps, timing
from edge.journal.errors import JournalError
from edge.journal.opened import OpenedFile
from edge.journal.ranges import RangeSet
from edge.journal.rows import Row, is_sound
from edge.journal.timing import Untimed
from edge.measure.values import State
from edge.readings import Condense, Gap, Journalled, Series
from edge.status import BY_CODE, Reason
from edge.units import UNITS, Unit

# Among so many of the newest readings the latest time is looked for.
_NEWEST = 500


class Contents(OpenedFile):
    """An open journal file, as far as it can be read."""

    newest: int
    """The highest number given out."""
    identity: str
    """Tells this file from every other that numbers readings of the station."""
    sent: RangeSet
    """What the broker has acknowledged."""
    untold: list[Gap]
    """Gaps that no receiver has heard of yet."""
    untimed: list[Untimed]
    """Readings that wait for their true time."""

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
        for channel, text in self._db.execute("SELECT channel, state FROM state"):
            state = None
            with contextlib.suppress(ValueError):
                state = json.loads(text)
            if isinstance(state, dict):
                states[channel] = state
            else:
                structlog.get_logger().critical(
                    "what a channel remembered is damaged: it begins anew", channel=channel
                )
        return states

    def gaps(self) -> list[Gap]:
        """Return every gap on record, in rising order."""
        return gaps.all_of(self._db)

    def nothing_to_send(self) -> RangeSet:
        """Return the numbers that need no sending: acknowledged, or not there, on record."""
        return gaps.nothing_to_send(self.sent, self.gaps())

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

    def _one(self, query: str, *values: int) -> int:
        return int(self._db.execute(query, values).fetchone()[0])
