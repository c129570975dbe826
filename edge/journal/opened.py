"""A journal's file while it is open: kept usable when it is damaged, deleted, or comes back."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from edge.journal import opening
from edge.journal.about import keep_about
from edge.journal.errors import (
    AstrayError,
    DamagedError,
    JournalError,
    is_damage,
    is_of_the_disk,
)
from edge.journal.files import Place, beside, copy_database, place
from edge.journal.timing import make_marks
from edge.readings import Series

if TYPE_CHECKING:
    from edge.journal.salvage import Rescued


class OpenedFile:
    """An open database file, locked against other writers."""

    _db: sqlite3.Connection

    def __init__(self, path: Path, series: Iterable[Series]) -> None:
        self.path = path
        self._series = list(series)
        self.rescued: Rescued | None = None
        """What was salvaged, where the file was found damaged."""
        self._closed = True
        self._file: Place | None = None
        """Where the file lies that was opened last, and its write-ahead log."""
        self._log: Place | None = None
        self._open()

    def close(self) -> None:
        """Close the file; what was committed is safe already."""
        self._closed = True
        self._db.close()
        self._lock.close()

    def check_place(self) -> None:
        """Make sure that the open file is still the one at its path.

        Raises AstrayError. Cheap enough to be asked before every commit.
        """
        if self._closed:
            raise AstrayError(f"{self.path}: the file is closed")
        found = place(self.path)
        if found is None:
            raise AstrayError(f"{self.path}: the file is gone")
        if found != self._file:
            raise AstrayError(f"{self.path}: another file lies there than the one that was open")

    def reopen(self) -> None:
        """Close the file and open what lies at its path now.

        A file that was deleted under our hands is still open: it is put back first. One that
        another was put in the place of is kept beside it (``NAME.replaced``). Raises JournalError;
        the file then is closed, and every use of it an sqlite3.Error. Only where there is no room
        to put it back, or beside, it stays open: nobody else has what is in it.
        """
        found = place(self.path)
        if found is None:
            self._refuse_another_medium()
        if found != self._file and not self._closed:
            self._put_back(beside(self.path, ".replaced") if found else self.path)
        self.close()
        # SQLite leaves its log behind then; it would spoil the file that lies there now.
        if found != self._file and self._log and place(beside(self.path, "-wal")) == self._log:
            for ending in ("-wal", "-shm"):
                beside(self.path, ending).unlink(missing_ok=True)
        self._open()

    def rescue(self) -> None:
        """Set the damaged file aside, and go on with what can be salvaged from it.

        Raises JournalError; the file then is closed.
        """
        self.close()
        self._open(damaged=True)

    def make_room(self, *, disk_full: bool) -> None:
        """Give back what can be spared: the log's length and, on a full disk, damaged files.

        Raises sqlite3.Error and OSError.
        """
        if disk_full:
            opening.discard_kept(self.path)
        self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _learn_contents(self) -> None:
        """Read what must be known of the content; called within a transaction."""
        raise NotImplementedError

    def _open(self, *, damaged: bool = False) -> None:
        self._lock = opening.lock(self.path)
        try:
            self.rescued = opening.rescue_unfinished(self.path) or self.rescued
            if damaged or not self._loads():
                self.rescued = opening.rescue(self.path)
                self._load()
            opening.remember(self._lock)
        except (sqlite3.Error, JournalError, OSError) as error:
            self._lock.close()
            message = str(error) if isinstance(error, JournalError) else f"{self.path}: {error}"
            raise JournalError(message) from None

    def _loads(self) -> bool:
        """Open the database; tell whether it is sound."""
        try:
            self._load()
        except (DamagedError, sqlite3.DatabaseError) as error:
            if is_damage(error):
                return False
            raise
        return True

    def _load(self) -> None:
        opening.prepare(self.path)
        self._db = opening.connect(self.path)
        try:
            make_marks(self._db)
            try:
                with self._transaction():
                    self._learn_contents()
            except sqlite3.OperationalError as error:
                # A table or a column that its layout says is there is not.
                if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_ERROR:
                    raise DamagedError(f"{self.path}: {error}") from None
                raise
            keep_about(self.path, self._db)
            self._file, self._log = place(self.path), place(beside(self.path, "-wal"))
            self._closed = False
        except BaseException:
            self._db.close()
            raise

    def _put_back(self, target: Path) -> None:
        """Copy what is open to where it can be found; raise JournalError where that cannot be."""
        try:
            copy_database(self._db, target)
        except (sqlite3.Error, OSError) as error:
            # What cannot be read any more, as on a medium that was pulled, is not held on to.
            if not (is_damage(error) or is_of_the_disk(error)):
                raise JournalError(
                    f"{self.path}: the open file has no name any more, and cannot be copied to"
                    f" {target.name}: {error}"
                ) from None

    def _refuse_another_medium(self) -> None:
        """Raise JournalError where the medium is gone: a new file would later hide behind it."""
        parent = place(self.path.parent)
        if parent is None or (self._file and parent.device != self._file.device):
            raise JournalError(f"{self.path}: the medium that holds the journal is not there")

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
