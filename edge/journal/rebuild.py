"""A new journal out of what a damaged one still holds.

Theory of operation. First the tables are followed from their roots, as SQLite would, but around
what is broken: what is found so is *live*. Then all other pages are looked through: leaves that
lost their parents, earlier versions of a page in the write-ahead log, and pages that were free. A
reading found there, a *stray*, counts only where nothing live has its number, and only if the
journal has not let go of it on purpose. A reading is believed if its mark is right, wherever it
was; on an earlier version of a page its time is unsure, for that may have been put right since.

In the end every number up to the highest one known is held, or was sent, or is in a stated gap; and
as many numbers beyond it are left out as may have been on the pages that are lost.

Memory is bounded by the number of ranges, not of readings.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from edge.journal import gaps, pages, timing
from edge.journal.about import About
from edge.journal.damaged import DamagedFile, Stray
from edge.journal.pages import Values
from edge.journal.ranges import RangeSet
from edge.journal.remains import DROPPED, ReadingRow, Remains, in_doubt, reading_of
from edge.readings import Condense, Gap, WhyGone
from edge.status import Reason

RESERVE = 1_000_000
"""How many numbers are left out at the least, so that none is used twice."""

# A row of the table of readings takes at least this many bytes of a page.
_SMALLEST_ROW = 16

# Ranges that reach so far beyond the highest reading come from a damaged page.
_FAR = 100 * RESERVE

# What is untimed of it can never be given its true time.
_NO_BOOT = ""

_INSERT = """
    INSERT OR REPLACE INTO reading (seq, series, utc_ms, value, status, mark)
    VALUES (?, ?, ?, ?, ?, ?)"""
_NEWEST_TIME = "SELECT utc_ms FROM reading ORDER BY seq DESC LIMIT 1"


@dataclass(slots=True)
class Rebuilt:
    """What came of it: how many readings there are, and should be; which tables lack something."""

    readings: int = 0
    expected: int = 0
    lacking: set[str] = field(default_factory=set)


def rebuild(
    source: Path, target: Path, note: About | None, noted_ms: int, *, keep_sent: bool = True
) -> Rebuilt:
    """Fill the new, empty journal at ``target`` with what is readable in the one at ``source``.

    ``note`` is the one kept beside it; ``noted_ms`` (UTC) goes on record as the time of the damage.
    Without ``keep_sent`` readings are left out that a receiver has.
    Raises OSError or sqlite3.Error when ``target`` cannot be written.
    """
    with DamagedFile(source) as damaged, closing(sqlite3.connect(target)) as db:
        db.isolation_level = None
        timing.make_marks(db)
        # Nobody else knows this file yet: it is flushed as a whole when it is complete.
        db.execute("PRAGMA journal_mode = OFF")
        db.execute("PRAGMA synchronous = OFF")
        db.execute("BEGIN")
        done = _Rebuild(damaged, db, keep_sent=keep_sent).run(note, noted_ms)
        db.execute("COMMIT")
        db.execute("PRAGMA journal_mode = WAL")
    return done


class _Rebuild:
    def __init__(self, damaged: DamagedFile, db: sqlite3.Connection, *, keep_sent: bool) -> None:
        self._damaged = damaged
        self._db = db
        self._keep_sent = keep_sent
        self._seen = bytearray(damaged.count + 1)
        self._roots: dict[str, int] = {}
        self._live = Remains()
        self._found = Remains()
        self._strays = RangeSet()
        self._lost_pages = damaged.missing
        self._highest = 0
        self._done = Rebuilt()

    def run(self, note: About | None, noted_ms: int) -> Rebuilt:
        self._read_roots()
        self._read_small_tables()
        self._db.executemany(_INSERT, self._live_readings())
        lowest = self._one("SELECT min(seq) FROM reading")
        for stray in self._damaged.strays(self._seen):
            self._take_stray(stray)
        remains = self._settled(note)
        self._let_go_again(remains, lowest)
        self._write(remains)
        self._account(remains, noted_ms)
        return self._done

    # What is live.

    def _read_roots(self) -> None:
        for _, values in self._rows(1, "sqlite_schema"):
            match values:
                case (str(), str(name), str(), int(root), _):
                    self._roots[name] = root

    def _read_small_tables(self) -> None:
        older = DROPPED in self._roots  # before layout 3
        for table in ("series", "sent", *([DROPPED] if older else ["gap", "identity", "untimed"])):
            for row_id, values in self._rows(self._roots.get(table, 0), table):
                if self._live.row(row_id, values) != table:
                    self._done.lacking.add(table)
        for values in self._records(self._roots.get("state", 0), "state"):
            if self._live.record(values) != "state":
                self._done.lacking.add("state")

    def _live_readings(self) -> Iterator[ReadingRow]:
        unmarked = DROPPED in self._roots
        for seq, values in self._rows(self._roots.get("reading", 0), "reading"):
            row = reading_of(seq, values, unmarked=unmarked)
            if row and (self._keep_sent or seq not in self._live.sent):
                yield row

    def _rows(self, root: int, table: str) -> Iterator[tuple[int, Values]]:
        shape, fetch = self._damaged.shape, self._damaged.page
        for number, page in self._tree(root, table):
            if pages.kind(page, number) == pages.LEAF_TABLE:
                left = pages.cell_count(page, number)
                for row in pages.table_rows(page, number, shape, fetch):
                    left -= 1
                    yield row
                if left:
                    self._done.lacking.add(table)

    def _records(self, root: int, table: str) -> Iterator[Values]:
        shape, fetch = self._damaged.shape, self._damaged.page
        for number, page in self._tree(root, table):
            left = pages.cell_count(page, number)
            for values in pages.index_records(page, number, shape, fetch):
                left -= 1
                yield values
            if left:
                self._done.lacking.add(table)

    def _tree(self, root: int, table: str) -> Iterator[tuple[int, bytes]]:
        tree = pages.Tree(root, self._damaged.shape, self._damaged.page, self._seen)
        yield from tree.pages()
        if tree.broken:
            self._lost_pages += tree.broken
            self._done.lacking.add(table)

    # What is not.

    def _take_stray(self, stray: Stray) -> None:
        number, page, older, sound = stray
        if not page:
            self._lost_pages += 1
        shape, fetch = self._damaged.shape, self._damaged.page
        # Only a reading can be believed on a page that is known to be damaged: it bears a mark.
        if sound:
            for values in pages.index_records(page, number, shape, fetch):
                self._found.record(values)
        rows: dict[int, ReadingRow] = {}
        for row_id, values in pages.table_rows(page, number, shape, fetch):
            if row := reading_of(row_id, values):
                rows[row_id] = in_doubt(row) if older else row
            elif sound:
                self._found.row(row_id, values)
        if rows:
            self._insert_strays(rows)

    def _insert_strays(self, rows: dict[int, ReadingRow]) -> None:
        """Insert readings, by number, where there are none yet."""
        held = self._db.execute(
            "SELECT seq FROM reading WHERE seq BETWEEN ? AND ?", (min(rows), max(rows))
        )
        for (seq,) in held.fetchall():
            # A condensed reading is the later one of two that were never live at once.
            if seq in rows and not (_is_thinned(rows[seq]) and seq in self._strays):
                del rows[seq]
        self._db.executemany(_INSERT, rows.values())
        for seq in rows:
            self._strays.add(seq, seq)

    def _settled(self, note: About | None) -> Remains:
        """Return what holds of the smaller tables, from what is live and what is not."""
        live, found, lacking = self._live, self._found, self._done.lacking
        live.identity = live.identity or found.identity
        live.series = found.series | live.series
        if note and live.identity in {"", note.identity}:
            live.identity = note.identity
            live.series = note.series | live.series
        if "sent" in lacking:
            for run in found.sent:
                live.sent.add(*run)
        if "gap" in lacking:
            live.gaps = found.gaps | live.gaps
        if "state" in lacking:
            live.states = found.states | live.states
        # Any page may be an older version then, with readings as they were before they were timed.
        if "untimed" in lacking or self._damaged.log_blind:
            live.untimed = found.untimed | live.untimed
        self._highest = self._one("SELECT max(seq) FROM reading") or 0
        if self._highest:
            live.disbelieve_beyond(self._highest + _FAR)
        self._highest = max([self._highest, *live.lasts()])
        return live

    def _let_go_again(self, remains: Remains, lowest: int | None) -> None:
        """Delete the strays that had been deleted on purpose."""
        for gap, _ in remains.gaps.values():
            for run in self._strays.within(gap.first, gap.last):
                if gap.why is WhyGone.THINNED:
                    self._thin(run, remains)
                else:
                    self._delete(run)
        if lowest is not None:
            for sent in remains.sent.within(1, lowest - 1):
                for run in self._strays.within(*sent):
                    self._delete(run)

    def _thin(self, run: tuple[int, int], remains: Remains) -> None:
        """Delete of strays what is not known to have been left when they were thinned."""
        for id_, row in remains.series.items():
            if row.condense != Condense.KEEP.value:
                self._db.execute(
                    "DELETE FROM reading WHERE seq BETWEEN ? AND ? AND series = ? AND status <> ?",
                    (*run, id_, Reason.THINNED.code),
                )

    def _delete(self, run: tuple[int, int]) -> None:
        self._db.execute("DELETE FROM reading WHERE seq BETWEEN ? AND ?", run)

    # The new journal.

    def _write(self, remains: Remains) -> None:
        db = self._db
        db.executemany(
            "INSERT OR IGNORE INTO series (id, name, unit, condense) VALUES (?, ?, ?, ?)",
            ((id_, *row) for id_, row in remains.series.items()),
        )
        # Nobody can tell any more what these were readings of.
        nameless = db.execute("DELETE FROM reading WHERE series NOT IN (SELECT id FROM series)")
        if not nameless.rowcount:
            self._done.lacking.discard("series")
        db.executemany(
            "INSERT OR REPLACE INTO state (channel, state) VALUES (?, ?)", remains.states.items()
        )
        for gap, told in remains.gaps.values():
            gaps.record(db, gap, told=told)
        db.executemany("INSERT INTO untimed VALUES (?, ?, ?, ?)", remains.untimed.values())
        if "untimed" in self._done.lacking or self._damaged.log_broken:
            # Nobody knows whether their time was put right already.
            while timing.untimed(db):
                timing.give_true_time(db, _NO_BOOT, 0)

    def _account(self, remains: Remains, noted_ms: int) -> None:
        """Put on record what is missing, and settle which numbers come next."""
        highest = self._highest
        lowest = self._one("SELECT min(seq) FROM reading") or highest + 1
        # Under another identity what was sent is unknown to the receivers. Before layout 3 there
        # was none to be lost.
        same_identity = bool(remains.identity and highest) or DROPPED in self._roots
        if remains.identity and highest:
            self._db.execute("UPDATE identity SET id = ?", (remains.identity,))
        if same_identity:
            self._done.lacking.discard("identity")
        else:
            self._done.lacking.add("identity")
        gone = [(gap.first, gap.last) for gap, _ in remains.gaps.values()]
        sent = remains.sent if same_identity else RangeSet()
        self._db.executemany("INSERT INTO sent VALUES (?, ?)", sent)
        explained, known = RangeSet([*sent, *gone]), RangeSet([*remains.sent, *gone])
        counted_from = lowest if "sent" in self._done.lacking else 1
        lost = 0
        for first, last, since, until in self._holes(highest):
            for run in explained.gaps(first, last):
                self._state_gap(*run, since, until, noted_ms)
            lost += sum(b - a + 1 for a, b in known.gaps(max(first, counted_from), last))
        self._done.readings = self._one("SELECT count(*) FROM reading") or 0
        self._done.expected = self._done.readings + lost
        if highest:
            unread = self._lost_pages * (self._damaged.shape.usable // _SMALLEST_ROW)
            newest = self._one(_NEWEST_TIME)
            self._state_gap(highest + 1, highest + RESERVE + unread, newest, None, noted_ms)

    def _holes(self, highest: int) -> Iterator[tuple[int, int, int | None, int | None]]:
        """Yield the runs of numbers up to ``highest`` that are not held, and when they were taken.

        That is after the reading before them, before the one behind them.
        """
        before: int = 0
        before_ms: int | None = None
        for seq, utc_ms in self._db.execute("SELECT seq, utc_ms FROM reading ORDER BY seq"):
            if seq > before + 1:
                yield before + 1, seq - 1, before_ms, utc_ms
            before, before_ms = seq, utc_ms
        if before < highest:
            yield before + 1, highest, before_ms, None

    def _state_gap(
        self, first: int, last: int, since: int | None, until: int | None, noted_ms: int
    ) -> None:
        gap = Gap(first, last, WhyGone.DAMAGED, since, until, noted_ms)
        gaps.record(self._db, gap)

    def _one(self, query: str) -> int | None:
        value: int | None = (self._db.execute(query).fetchone() or (None,))[0]
        return value


def _is_thinned(row: ReadingRow) -> bool:
    return row[4] == Reason.THINNED.code
