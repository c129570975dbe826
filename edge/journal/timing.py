"""The table ``untimed``: readings taken before the true time was known. On an open connection.

Such readings bear a provisional time: the monotonic time of their boot plus an offset. Once the
true offset of that boot is known, the difference of the two puts them right. What another boot left
behind can no longer be put right: it keeps its time, and a good reading becomes one whose time is
unsure. Untimed readings are always the last of the journal.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from edge.journal.rows import mark
from edge.readings import Stamp
from edge.status import Reason

Untimed = tuple[int, int, Stamp]
"""First and last number of readings, and how they were stamped."""

# A row whose mark is wrong is left as it is: a new mark would vouch for what is not so.
_SHIFT = """
    UPDATE reading
    SET utc_ms = utc_ms + :by, mark = mark_of(seq, series, utc_ms + :by, value, status)
    WHERE seq BETWEEN :first AND :last AND mark = mark_of(seq, series, utc_ms, value, status)"""
_DOUBT = """
    UPDATE reading SET status = :doubt, mark = mark_of(seq, series, utc_ms, value, :doubt)
    WHERE seq BETWEEN :first AND :last AND status = :good
    AND mark = mark_of(seq, series, utc_ms, value, status)"""


@dataclass(frozen=True, slots=True)
class Timed:
    """How many readings were given their true time, and how many keep an estimate for ever."""

    true: int = 0
    unsure: int = 0


def make_marks(db: sqlite3.Connection) -> None:
    """Teach the connection to compute marks."""
    db.create_function("mark_of", 5, mark, deterministic=True)


def untimed(db: sqlite3.Connection) -> list[Untimed]:
    """Return the ranges of readings that wait for their true time, in rising order."""
    rows = db.execute("SELECT first, last, boot, offset_ms FROM untimed ORDER BY first")
    return [(first, last, Stamp(boot, offset_ms)) for first, last, boot, offset_ms in rows]


def note(db: sqlite3.Connection, first: int, last: int, stamp: Stamp) -> None:
    """Take note how readings were stamped. The caller holds a transaction."""
    follows_on = db.execute(
        "UPDATE untimed SET last = ? WHERE last = ? - 1 AND boot = ? AND offset_ms = ?",
        (last, first, *stamp),
    )
    if not follows_on.rowcount:
        db.execute("INSERT INTO untimed VALUES (?, ?, ?, ?)", (first, last, *stamp))


def give_true_time(db: sqlite3.Connection, boot: str, offset_ms: int) -> Timed:
    """Put right what was stamped in ``boot``, whose true offset is ``offset_ms``.

    The caller holds a transaction. Memory is bounded, whatever the number of readings.
    """
    true = unsure = 0
    for first, last, stamp in untimed(db):
        span = {"first": first, "last": last}
        if stamp.boot == boot:
            true += db.execute(_SHIFT, span | {"by": offset_ms - stamp.offset_ms}).rowcount
        else:
            doubt = {"doubt": Reason.TIME_UNSURE.code, "good": Reason.OK.code}
            unsure += db.execute(_DOUBT, span | doubt).rowcount
    db.execute("DELETE FROM untimed")
    return Timed(true, unsure)
