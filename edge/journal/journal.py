"""The journal file: append, fetch, acknowledge, prune. Plain and synchronous.

Theory of operation. Readings are numbered in the order they are committed; the number is the row
id, so that appending touches the last page only and "everything from here to there" is one range
scan. Numbers are never reused: the newest row is never deleted, and the next number follows it.

One transaction holds the readings of a polling round, what its channels must remember, and the
acknowledgements that have come in since. SQLite runs in WAL mode with synchronous FULL: once
`append` has returned, a power cut cannot take the readings back.

What the broker has acknowledged is a handful of ranges (`RangeSet`), kept in a table of its own;
acknowledging a thousand readings does not touch the readings.

A `Journal` belongs to one thread. `edge.journal.writer` gives it one.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import sqlite3
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO

from edge.journal.layout import APPLICATION_ID, LAYOUT_VERSION
from edge.journal.ranges import RangeSet
from edge.measure.values import State
from edge.readings import Journalled, Reading, Series
from edge.status import BY_CODE, Reason
from edge.units import UNITS, Unit

_PAGE_CACHE_KIB = 1024


class JournalError(Exception):
    """The journal cannot be used; says why in plain words."""


class Journal:
    """An open journal file."""

    def __init__(self, path: Path, series: Iterable[Series] = ()) -> None:
        """Open the file, make or migrate it as needed, and make sure ``series`` are known to it.

        Raises JournalError when the directory is missing or not writable, when the file is not a
        journal, is in use or was written by a newer version, and when a series' unit has changed.
        """
        self.path = path
        self._lock = _lock(path)
        try:
            _prepare(path)
            self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute(f"PRAGMA cache_size = -{_PAGE_CACHE_KIB}")
            self._ids: dict[str, int] = {}
            self._names: dict[int, str] = {}
            with self._transaction():
                for one in series:
                    self._learn(one)
            for id_, name in self._db.execute("SELECT id, name FROM series"):
                self._ids[name], self._names[id_] = id_, name
            self.newest: int = self._one("SELECT coalesce(max(seq), 0) FROM reading")
            self.sent = RangeSet(self._db.execute("SELECT first, last FROM sent ORDER BY first"))
        except (sqlite3.Error, JournalError) as error:
            self._lock.close()
            message = str(error) if isinstance(error, JournalError) else f"{path}: {error}"
            raise JournalError(message) from None

    def close(self) -> None:
        """Close the file; what was appended is safe already."""
        self._db.close()
        self._lock.close()

    def append(
        self,
        readings: Sequence[Reading],
        states: Mapping[str, State] | None = None,
        acknowledged: Sequence[tuple[int, int]] = (),
    ) -> int:
        """Commit readings, channels' states and acknowledgements; return the newest number.

        Raises sqlite3.Error when the file cannot be written; then nothing has changed.
        """
        newest = self.newest + len(readings)
        sent = RangeSet(self.sent) if acknowledged else self.sent
        with self._transaction():
            self._db.executemany(
                "INSERT INTO reading VALUES (?, ?, ?, ?, ?)",
                (
                    (seq, self._ids[r.series], r.utc_ms, r.value, r.reason.code)
                    for seq, r in enumerate(readings, self.newest + 1)
                ),
            )
            self._db.executemany(
                "INSERT OR REPLACE INTO state VALUES (?, ?)",
                ((channel, json.dumps(state)) for channel, state in (states or {}).items()),
            )
            for first, last in acknowledged:
                merged = sent.add(first, last)
                self._db.execute("DELETE FROM sent WHERE first BETWEEN ? AND ?", merged)
                self._db.execute("INSERT INTO sent VALUES (?, ?)", merged)
        self.newest, self.sent = newest, sent
        return newest

    def fetch(self, first: int, last: int) -> list[Journalled]:
        """Return the readings numbered from ``first`` to ``last`` that are still there."""
        rows = self._db.execute(
            "SELECT seq, series, utc_ms, value, status FROM reading"
            " WHERE seq BETWEEN ? AND ? ORDER BY seq",
            (first, last),
        )
        return [
            Journalled(seq, self._names[id_], utc_ms, value, BY_CODE.get(code, Reason.INTERNAL))
            for seq, id_, utc_ms, value, code in rows
        ]

    def units(self) -> dict[str, Unit]:
        """Return the unit of every series' values, by its name."""
        return {
            name: UNITS[unit] for name, unit in self._db.execute("SELECT name, unit FROM series")
        }

    def states(self) -> dict[str, State]:
        """Return what the channels must remember, as last committed, by channel."""
        rows = self._db.execute("SELECT channel, state FROM state")
        return {channel: json.loads(state) for channel, state in rows}

    def dropped(self) -> list[tuple[int, int]]:
        """Return the ranges that were deleted unsent."""
        return list(self._db.execute("SELECT first, last FROM dropped ORDER BY first"))

    def bytes_used(self) -> int:
        """Return how much of the file is in use: its size less the pages free for reuse."""
        pages = self._one("PRAGMA page_count") - self._one("PRAGMA freelist_count")
        return pages * self._one("PRAGMA page_size")

    def delete(self, first: int, last: int, *, unsent_because: str = "", utc_ms: int = 0) -> int:
        """Delete readings for good and return how many; the newest always stays.

        Where readings go that the broker never acknowledged, ``unsent_because`` puts it on record
        in the table ``dropped``, with the time ``utc_ms``.
        """
        last = min(last, self.newest - 1)
        if first > last:
            return 0
        with self._transaction():
            gone = self._db.execute("DELETE FROM reading WHERE seq BETWEEN ? AND ?", (first, last))
            if unsent_because:
                self._db.execute(
                    "INSERT OR REPLACE INTO dropped VALUES (?, ?, ?, ?)",
                    (first, last, utc_ms, unsent_because),
                )
        return gone.rowcount

    def oldest(self) -> int:
        """Return the lowest number still there; one past the newest when there is none."""
        return self._one("SELECT coalesce(min(seq), ?) FROM reading", self.newest + 1)

    def held(self, first: int, last: int) -> int:
        """Return the lowest number still there from ``first`` to ``last``; 0 when there is none."""
        return self._one(
            "SELECT coalesce(min(seq), 0) FROM reading WHERE seq BETWEEN ? AND ?", first, last
        )

    def first_not_older(self, utc_ms: int) -> int:
        """Return the number of the first reading taken at ``utc_ms`` or later, in book order."""
        return self._one(
            "SELECT coalesce((SELECT seq FROM reading WHERE utc_ms >= ? ORDER BY seq LIMIT 1), ?)",
            utc_ms,
            self.newest + 1,
        )

    def _learn(self, series: Series) -> None:
        base = series.unit.dimension.base
        self._db.execute(
            "INSERT OR IGNORE INTO series (name, unit) VALUES (?, ?)", (series.name, base)
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

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            raise


def _lock(path: Path) -> IO[bytes]:
    """Keep other processes from writing the same journal, as long as the returned file is open."""
    # A file of its own: to close the journal itself would let go of the locks SQLite holds on it.
    if path.is_dir():
        raise JournalError(f"{path}: found a directory, expected a file, there or to be made")
    try:
        lock = path.with_name(f"{path.name}-lock").open("wb")
    except FileNotFoundError:
        raise JournalError(f"{path}: the directory {path.parent} does not exist") from None
    except OSError as error:
        raise JournalError(f"{path}: {error.strerror}") from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        lock.close()
        raise JournalError(f"{path}: another daemon writes this journal") from None
    return lock


def _prepare(path: Path) -> None:
    """Make sure that a journal of the present layout lies at ``path``."""
    application, version = _marks(path)
    if application not in {0, APPLICATION_ID} or (version and not application):
        raise JournalError(f"{path}: found another program's database, expected a journal")
    if version > LAYOUT_VERSION:
        raise JournalError(
            f"{path}: written by a newer version (layout {version}); this one knows layouts"
            f" up to {LAYOUT_VERSION}. The file was left untouched"
        )
    if version < LAYOUT_VERSION:
        command = [sys.executable, "-m", "edge.journal.migrations", str(path)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
        if done.returncode:
            why = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
            raise JournalError(f"{path}: could not be brought to layout {LAYOUT_VERSION}: {why}")


def _marks(path: Path) -> tuple[int, int]:
    """Return the application id and the layout version that a database file bears."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        (application,) = db.execute("PRAGMA application_id").fetchone()
        (version,) = db.execute("PRAGMA user_version").fetchone()
    # A database with tables and without a mark is somebody's, only not ours.
    return (application or -1 if tables else application), version
