"""What a journal file says of itself while nobody answers for it, and what comes of it next.

For people: which state the file is in, in plain words, and what the daemon will make of it at its
next start. Nothing here changes the file.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path

from edge.health import Condition
from edge.journal.files import beside, size_of
from edge.journal.layout import APPLICATION_ID, LAYOUT_VERSION
from edge.journal.opening import (
    CHECKED_WHOLE,
    bears_traces,
    fault_in,
    lock_file,
    was_a_journal,
)
from edge.journal.ranges import RangeSet
from edge.journal.salvage import log_breaks_off, unfinished
from edge.status import Category

_PART = "journal"

# These say that SQLite cannot get at the file; any other error comes from what is in it.
# https://www.sqlite.org/rescode.html
_OUT_OF_REACH = {
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_NOMEM,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_READONLY,
}

_SET_ASIDE = (
    "at its next start the daemon sets the file aside and salvages what is readable into a new one"
)
_LEFT_ALONE = "the daemon does not start, and leaves it as it is: name another in journal.file"


def at_rest(path: Path) -> Condition:
    """Return how the journal at ``path`` is, and what the next start of the daemon does about it.

    Never raises for anything that may lie there.
    """
    try:
        return _of_file(path) if path.exists() else _of_nothing(path)
    except PermissionError:
        return _closed(path)
    except OSError as error:
        return _wrong(f"{path}: {error.strerror}", "the daemon cannot start before that is mended")


def writer_of(path: Path) -> int | None:
    """Return the id of the process that holds the journal at ``path`` locked; None if none does.

    Found in the kernel's list of locks (proc_locks(5)): to try the lock itself could make a daemon
    that starts just then believe that the journal is in use.
    """
    with contextlib.suppress(OSError, ValueError):
        lock = lock_file(path).stat()
        device = f"{os.major(lock.st_dev):02x}:{os.minor(lock.st_dev):02x}"
        for line in Path("/proc/locks").read_text(encoding="ascii").splitlines():
            fields = line.split()
            if fields[1:2] == ["FLOCK"] and fields[5] == f"{device}:{lock.st_ino}":
                return int(fields[4])
    return None


def _of_nothing(path: Path) -> Condition:
    if not path.parent.is_dir():
        return _wrong(
            f"the directory {path.parent} does not exist",
            "the daemon does not start before it is there: make it, or correct journal.file",
        )
    if unfinished(path):
        return _wrong(
            f"the file {path} was damaged, and its salvage was broken off",
            "at its next start the daemon goes on with it",
        )
    return _sound(f"there is no file {path} yet", "the daemon makes it at its next start")


def _of_file(path: Path) -> Condition:
    if not path.is_file():
        return _wrong(
            f"{path} is no plain file",
            "the daemon does not start before journal.file names another",
        )
    path.open("rb").close()  # SQLite would not say why it cannot open a file
    if not path.stat().st_size:
        return _of_empty(path)
    try:
        with contextlib.closing(_connected(path)) as db:
            return _of_database(path, db)
    except (sqlite3.Error, UnicodeDecodeError) as error:
        return _unreadable(path, error)


def _unreadable(path: Path, error: Exception) -> Condition:
    # What cannot be decoded is SQLite's own message, where that quotes what it found.
    words = "found text that is not UTF-8" if isinstance(error, UnicodeDecodeError) else error
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in _OUT_OF_REACH:
        return Condition(
            _PART,
            Category.FUNCTION_CHECK,
            f"the file {path} cannot be looked into: {words}",
            "ask again, or ask as root",
        )
    if code == sqlite3.SQLITE_NOTADB and not was_a_journal(path):
        return _wrong(f"{path} is no journal: {words}", _LEFT_ALONE)
    return _wrong(f"the file {path} is damaged: {words}", _SET_ASIDE)


def _of_empty(path: Path) -> Condition:
    # SQLite is not let near it: even who only reads makes it delete the log.
    if _has_log(path):
        return _wrong(f"the file {path} is damaged: it is empty, its log is not", _SET_ASIDE)
    return _sound(f"the file {path} is empty", "the daemon makes a journal of it at its next start")


def _connected(path: Path) -> sqlite3.Connection:
    # Without write-ahead log everything is in the file itself; SQLite must be told so where it may
    # not make the small files it would otherwise need for reading.
    alone = not _has_log(path) and writer_of(path) is None
    mode = "&immutable=1" if alone else ""
    uri = f"{path.resolve().as_uri()}?mode=ro{mode}"
    return sqlite3.connect(uri, uri=True, timeout=1.0, isolation_level=None)


def _of_database(path: Path, db: sqlite3.Connection) -> Condition:
    _one(db, "SELECT count(*) FROM sqlite_schema")
    application = _one(db, "PRAGMA application_id")
    version = _one(db, "PRAGMA user_version")
    if application == APPLICATION_ID:
        return _of_journal(path, db, version)
    if bears_traces(path):
        return _wrong(f"the file {path} is damaged: its head is not a journal's", _SET_ASIDE)
    return _wrong(f"{path} is another program's database", _LEFT_ALONE)


def _of_journal(path: Path, db: sqlite3.Connection, version: int) -> Condition:
    if version > LAYOUT_VERSION:
        return _wrong(
            f"the file {path} was written by a newer version (layout {version}; this one knows"
            f" layouts up to {LAYOUT_VERSION})",
            "this version does not start on it, and leaves it as it is: install the newer one",
        )
    if version < LAYOUT_VERSION:
        return _sound(
            f"the file {path} was written by an older version (layout {version})",
            f"at its next start the daemon keeps a copy and brings it to layout {LAYOUT_VERSION}",
        )
    if writer_of(path) is None and _has_log(path) and log_breaks_off(path):
        return _wrong(f"the log beside the file {path} is damaged", _SET_ASIDE)
    if path.stat().st_size <= CHECKED_WHOLE and (fault := fault_in(db)):
        return _wrong(f"the file {path} is damaged: {fault}", _SET_ASIDE)
    return _sound(_contents(path, db))


def _contents(path: Path, db: sqlite3.Connection) -> str:
    """Say what the journal holds; of the readings only those not sent yet are gone through."""
    first = _one(db, "SELECT coalesce(min(seq), 1) FROM reading")
    last = _one(db, "SELECT coalesce(max(seq), 0) FROM reading")
    sent = RangeSet(db.execute("SELECT first, last FROM sent WHERE first <= last"))
    unsent = sum(
        _one(db, "SELECT count(*) FROM reading WHERE seq BETWEEN ? AND ?", *run)
        for run in sent.gaps(first, last)
    )
    untimed = _one(db, "SELECT coalesce(sum(last - first + 1), 0) FROM untimed")
    gaps = db.execute("SELECT why, sum(last - first + 1) FROM gap GROUP BY why ORDER BY why")
    gone = ", ".join(f"{count} {why}" for why, count in gaps)
    size = (size_of(path) + size_of(beside(path, "-wal"))) / 1e6
    words = f"readings up to number {last}, {unsent} of them not sent yet, in {size:.1f} MB"
    if untimed:
        words += f"; {untimed} wait for their true time"
    return f"{words}; not there, on record: {gone}" if gone else words


def _has_log(path: Path) -> bool:
    return size_of(beside(path, "-wal")) > 0


def _closed(path: Path) -> Condition:
    return Condition(
        _PART,
        Category.FUNCTION_CHECK,
        f"this user may not look into {path}",
        "ask as root, or as the user who runs the daemon",
    )


def _sound(found: str, doing: str = "") -> Condition:
    return Condition(_PART, Category.NORMAL, found, doing)


def _wrong(found: str, doing: str) -> Condition:
    return Condition(_PART, Category.FAILURE, found, doing)


def _one(db: sqlite3.Connection, query: str, *values: int) -> int:
    return int(db.execute(query, values).fetchone()[0])
