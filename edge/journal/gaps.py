"""The table ``gap``: which numbers are not there, and why. Functions on an open connection.

The ranges never overlap: what is put on record last holds for its numbers, such as readings dropped
that had been thinned before. Ranges of one kind that touch are one row until they have been told,
so that an outage of a year is a handful of rows.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from typing import NamedTuple

from edge.journal.ranges import RangeSet
from edge.readings import Gap, WhyGone

_WHYS = {why.value: why for why in WhyGone}

# No program writes a range that runs backwards, but a flipped bit makes one.
_SOUND = "SELECT * FROM gap WHERE first <= last"


class Lost(NamedTuple):
    """Readings that never got to the disk: how many, and from when to when (UTC milliseconds)."""

    readings: int
    since_ms: int | None
    until_ms: int | None

    def joined(self, other: Lost | None) -> Lost:
        """Return these and others as one loss."""
        if other is None:
            return self
        return Lost(
            self.readings + other.readings,
            _within(min, self.since_ms, other.since_ms),
            _within(max, self.until_ms, other.until_ms),
        )


def record(db: sqlite3.Connection, gap: Gap, *, told: bool = False) -> None:
    """Put a gap on record; one that is ``told`` concerns no receiver.

    The caller holds a transaction.
    """
    _make_way(db, gap.first, gap.last)
    before = db.execute(
        "SELECT * FROM gap WHERE last = ? - 1 AND why = ? AND told = ?",
        (gap.first, gap.why.value, told),
    ).fetchone()
    if before:
        earlier = _gap(before)
        db.execute("DELETE FROM gap WHERE first = ?", (earlier.first,))
        gap = Gap(
            earlier.first,
            gap.last,
            gap.why,
            _within(min, earlier.since_ms, gap.since_ms),
            _within(max, earlier.until_ms, gap.until_ms),
            gap.noted_ms,
        )
    _insert(db, gap, told)


def nothing_to_send(sent: Iterable[tuple[int, int]], stated: Iterable[Gap]) -> RangeSet:
    """Return the numbers that need no sending: acknowledged, or not there, on record.

    Of what was thinned there still are the readings that stand for the others.
    """
    gone = ((gap.first, gap.last) for gap in stated if gap.why is not WhyGone.THINNED)
    return RangeSet([*sent, *gone])


def all_of(db: sqlite3.Connection) -> list[Gap]:
    """Return every gap on record, in rising order."""
    return [_gap(row) for row in db.execute(f"{_SOUND} ORDER BY first")]


def untold(db: sqlite3.Connection) -> list[Gap]:
    """Return the gaps that no receiver has acknowledged yet, in rising order."""
    rows = db.execute(f"{_SOUND} AND NOT told ORDER BY first")
    return [_gap(row) for row in rows]


def tell(db: sqlite3.Connection, gaps: Iterable[Gap]) -> None:
    """Take note that these were acknowledged; what has grown meanwhile must be told again."""
    db.executemany(
        "UPDATE gap SET told = 1 WHERE first = ? AND last = ? AND why = ?",
        ((gap.first, gap.last, gap.why.value) for gap in gaps),
    )


def _make_way(db: sqlite3.Connection, first: int, last: int) -> None:
    """Cut the numbers from ``first`` to ``last`` out of what is on record."""
    overlapping = db.execute(
        "SELECT * FROM gap WHERE first <= ? AND last >= ?", (last, first)
    ).fetchall()
    for row in overlapping:
        old, told = _gap(row), bool(row[-1])
        db.execute("DELETE FROM gap WHERE first = ?", (old.first,))
        for piece in ((old.first, first - 1), (last + 1, old.last)):
            if piece[0] <= piece[1]:
                rest = Gap(*piece, old.why, old.since_ms, old.until_ms, old.noted_ms)
                _insert(db, rest, told)


def _insert(db: sqlite3.Connection, gap: Gap, told: bool) -> None:
    db.execute(
        "INSERT OR REPLACE INTO gap VALUES (?, ?, ?, ?, ?, ?, ?)",
        (gap.first, gap.last, gap.why.value, gap.since_ms, gap.until_ms, gap.noted_ms, told),
    )


def _gap(row: tuple[int, int, str, int | None, int | None, int, int]) -> Gap:
    first, last, why, since_ms, until_ms, noted_ms, _told = row
    return Gap(first, last, _WHYS.get(why, WhyGone.DAMAGED), since_ms, until_ms, noted_ms)


def _within(pick: Callable[[int, int], int], one: int | None, other: int | None) -> int | None:
    return None if one is None or other is None else pick(one, other)
