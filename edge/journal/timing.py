"""The table ``untimed``: readings taken before the true time was known. On an open connection.

Such readings bear a provisional time: the monotonic time of their boot plus an offset. Once the
true offset of that boot is known, the difference of the two puts them right. What another boot left
behind can no longer be put right: it keeps its time, and a reading that has a value becomes one
whose time is unsure.

That is done in portions, from the oldest on, for it goes through the write-ahead log: all at once
would need as much of the disk as all those readings, and keep new ones waiting.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from edge.journal.rows import mark
from edge.readings import Stamp
from edge.status import Reason

Untimed = tuple[int, int, Stamp]
"""First and last number of readings, and how they were stamped."""

PORTION = 2000
"""So many readings are put right at once."""

# A row whose mark is wrong is left as it is: a new mark would vouch for what is not so.
_SHIFT = """
    UPDATE reading
    SET utc_ms = utc_ms + :by, mark = mark_of(seq, series, utc_ms + :by, value, status)
    WHERE seq BETWEEN :first AND :last AND mark = mark_of(seq, series, utc_ms, value, status)"""
# That a value is a little off weighs less than not knowing when it was.
_DOUBT = """
    UPDATE reading SET status = :doubt, mark = mark_of(seq, series, utc_ms, value, :doubt)
    WHERE seq BETWEEN :first AND :last AND value IS NOT NULL
    AND mark = mark_of(seq, series, utc_ms, value, status)"""
_PORTION_OF = """
    SELECT count(*), max(seq) FROM
    (SELECT seq FROM reading WHERE seq BETWEEN ? AND ? ORDER BY seq LIMIT ?)"""


@dataclass(frozen=True, slots=True)
class Timed:
    """How many readings were given their true time, and how many keep an estimate for ever."""

    true: int = 0
    unsure: int = 0

    def __add__(self, other: Timed) -> Timed:
        return Timed(self.true + other.true, self.unsure + other.unsure)


def make_marks(db: sqlite3.Connection) -> None:
    """Teach the connection to compute marks."""
    db.create_function("mark_of", 5, mark, deterministic=True)


def untimed(db: sqlite3.Connection) -> list[Untimed]:
    """Return the ranges of readings that wait for their true time, in rising order."""
    rows = db.execute(
        "SELECT first, last, boot, offset_ms FROM untimed WHERE first <= last ORDER BY first"
    )
    return [(first, last, Stamp(boot, offset_ms)) for first, last, boot, offset_ms in rows]


def note(db: sqlite3.Connection, first: int, last: int, stamp: Stamp) -> None:
    """Take note how readings were stamped. The caller holds a transaction."""
    follows_on = db.execute(
        "UPDATE untimed SET last = ? WHERE last = ? - 1 AND boot = ? AND offset_ms = ?",
        (last, first, *stamp),
    )
    if not follows_on.rowcount:
        db.execute("INSERT OR REPLACE INTO untimed VALUES (?, ?, ?, ?)", (first, last, *stamp))


def give_true_time(
    db: sqlite3.Connection, boot: str, offset_ms: int, *, at_most: int = PORTION
) -> Timed:
    """Put right what was stamped in ``boot``, whose true offset is ``offset_ms``.

    Goes from the oldest on, over ``at_most`` readings; what is left is still `untimed`. The caller
    holds a transaction.
    """
    done = Timed()
    for first, last, stamp in untimed(db):
        count, end = db.execute(_PORTION_OF, (first, last, at_most)).fetchone()
        if count < at_most:
            end = last
        span = {"first": first, "last": end}
        if stamp.boot == boot:
            by = offset_ms - stamp.offset_ms
            done += Timed(true=db.execute(_SHIFT, span | {"by": by}).rowcount)
        else:
            doubt = {"doubt": Reason.TIME_UNSURE.code}
            done += Timed(unsure=db.execute(_DOUBT, span | doubt).rowcount)
        db.execute("DELETE FROM untimed WHERE first = ?", (first,))
        if end < last:
            note(db, end + 1, last, stamp)
        at_most -= count
        if not at_most:
            break
    return done
