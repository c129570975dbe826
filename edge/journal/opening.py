"""Opening a journal: keep others out, make or migrate the file, refuse what is no journal.

What a damaged journal is and what a file of somebody else's is, is told apart with care: the one is
set aside and salvaged, the other must not be touched. A path is known to be a journal's when its
lock file says so, or when what lies there still bears traces of one.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import sqlite3
from pathlib import Path
from typing import IO, TYPE_CHECKING

from edge.journal.apart import run_apart
from edge.journal.errors import DamagedError, JournalError, is_damage
from edge.journal.files import beside, size_of
from edge.journal.layout import APPLICATION_ID, LAYOUT_VERSION

if TYPE_CHECKING:
    from edge.journal.salvage import Rescued

_PAGE_CACHE_KIB = 256

# A log that once grew longer, for a reader or a large transaction, gets this short again.
_LOG_LIMIT = 4 * 1024 * 1024

CHECKED_WHOLE = 32 * 1024 * 1024
"""A check of all pages takes a small computer about a second for as many bytes."""

_IN_THE_LOCK_FILE = b"Keeps two daemons from writing the journal beside it.\n"

# How the first page of a journal says what the file is for.
_TRACE = b"CREATE TABLE reading"
_TRACED = 65_536


def lock(path: Path) -> IO[bytes]:
    """Keep other processes from writing the same journal, as long as the returned file is open.

    Raises JournalError when the directory is not there or another process has the journal.
    """
    # A file of its own: to close the journal itself would let go of the locks SQLite holds on it.
    if path.is_dir():
        raise JournalError(f"{path}: found a directory, expected a file, there or to be made")
    try:
        held = lock_file(path).open("ab")
    except FileNotFoundError:
        raise JournalError(f"{path}: the directory {path.parent} does not exist") from None
    except OSError as error:
        raise JournalError(f"{path}: {error.strerror}") from None
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        held.close()
        raise JournalError(f"{path}: another daemon writes this journal") from None
    return held


def remember(held: IO[bytes]) -> None:
    """Let the lock file say that a journal lies beside it."""
    if not os.fstat(held.fileno()).st_size:
        held.write(_IN_THE_LOCK_FILE)
        held.flush()
        os.fsync(held.fileno())


def prepare(path: Path) -> None:
    """Make sure that a journal of the present layout lies at ``path``.

    Raises DamagedError where there is something to salvage, JournalError where the file is not ours
    or of a newer layout, or where it cannot be brought to this one.
    """
    if size_of(path) == 0:
        # SQLite would throw the log away.
        if size_of(beside(path, "-wal")):
            raise DamagedError(f"{path}: the file is empty, its write-ahead log is not")
        _migrate(path)
        return
    application, version = _marks(path)
    if application not in {0, APPLICATION_ID} or (version and not application):
        if bears_traces(path):
            raise DamagedError(f"{path}: the head of the file is damaged")
        raise JournalError(f"{path}: found another program's database, expected a journal")
    if version > LAYOUT_VERSION:
        raise JournalError(
            f"{path}: written by a newer version (layout {version}); this one knows layouts"
            f" up to {LAYOUT_VERSION}. The file was left untouched"
        )
    if _log_breaks_off(path):
        raise DamagedError(f"{path}: the write-ahead log is damaged")
    if version < LAYOUT_VERSION:
        _migrate(path)


def connect(path: Path) -> sqlite3.Connection:
    """Open the database at ``path`` for writing, so that what is committed is on the disk.

    Raises sqlite3.Error; DamagedError when a file small enough to check is found damaged.
    """
    db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    try:
        # A flipped bit in a text must not keep the rest from being read.
        db.text_factory = lambda text: text.decode(errors="replace")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute(f"PRAGMA cache_size = -{_PAGE_CACHE_KIB}")
        db.execute(f"PRAGMA journal_size_limit = {_LOG_LIMIT}")
        if size_of(path) <= CHECKED_WHOLE:
            _check(db, path)
    except BaseException:
        db.close()
        raise
    return db


def rescue(path: Path) -> Rescued:
    """Set a damaged journal aside and leave a sound one with what was readable.

    Raises JournalError when that cannot be done.
    """
    # Loaded only where it is needed: the daemon seldom is in such straits.
    from edge.journal import salvage  # noqa: PLC0415

    return salvage.rescue(path)


def rescue_unfinished(path: Path) -> Rescued | None:
    """Go on with a rescue that a power cut broke off, if there is one."""
    if path.exists():
        return None
    from edge.journal import salvage  # noqa: PLC0415

    return salvage.rescue(path) if salvage.unfinished(path) else None


def discard_kept(path: Path) -> None:
    """Delete the files kept beside a sound journal: the disk has no room for them."""
    from edge.journal import salvage  # noqa: PLC0415

    salvage.discard_kept(path)


def _log_breaks_off(path: Path) -> bool:
    """Tell whether SQLite would leave out what was committed, behind a damaged page of its log."""
    if not size_of(beside(path, "-wal")):
        return False
    from edge.journal import salvage  # noqa: PLC0415

    return salvage.log_breaks_off(path)


def _check(db: sqlite3.Connection, path: Path) -> None:
    if fault := fault_in(db):
        raise DamagedError(f"{path}: {fault}")


def fault_in(db: sqlite3.Connection) -> str:
    """Go through all pages; say what is wrong with the first that is damaged, "" where none is."""
    (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
    return "" if verdict == "ok" else str(verdict)


def _migrate(path: Path) -> None:
    try:
        run_apart("edge.journal.migrations", path)
    except OSError as error:
        raise JournalError(
            f"{path}: could not be brought to layout {LAYOUT_VERSION}: {error}"
        ) from None


def _marks(path: Path) -> tuple[int, int]:
    """Return the application id and the layout version that a database file bears."""
    try:
        # To read only leaves a file that is not for us exactly as it is.
        uri = f"{path.resolve().as_uri()}?mode=ro"
        with contextlib.closing(sqlite3.connect(uri, uri=True)) as db:
            (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            (application,) = db.execute("PRAGMA application_id").fetchone()
            (version,) = db.execute("PRAGMA user_version").fetchone()
    except UnicodeDecodeError:  # of SQLite's own message, where that quotes what it found
        raise DamagedError(f"{path}: found text that is not UTF-8") from None
    except sqlite3.Error as error:
        if not is_damage(error):
            raise
        if was_a_journal(path):
            raise DamagedError(f"{path}: {error}") from None
        raise JournalError(f"{path}: found {error}, expected a journal") from None
    # A database with tables and without a mark is somebody's, only not ours.
    return (application or -1 if tables else application), version


def was_a_journal(path: Path) -> bool:
    """Tell whether what cannot be read at ``path`` is a journal all the same, and ours to save."""
    return size_of(lock_file(path)) > 0 or size_of(beside(path, "-wal")) > 0 or bears_traces(path)


def bears_traces(path: Path) -> bool:
    """Tell whether a file begins as a journal does, whatever marks it bears."""
    with path.open("rb") as file:
        return _TRACE in file.read(_TRACED)


def lock_file(path: Path) -> Path:
    """Return the path of the file that daemons lock, beside the journal."""
    return beside(path, "-lock")
