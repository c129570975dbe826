"""What can be the matter with a journal."""

from __future__ import annotations

import sqlite3

# SQLite's result codes, https://www.sqlite.org/rescode.html; the low byte is the primary one.
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


class JournalError(Exception):
    """The journal cannot be used; says why in plain words."""


class DamagedError(JournalError):
    """The journal's file is damaged: what is readable must be salvaged."""


class AstrayError(JournalError):
    """The file that is open is not the one that lies at the journal's path any more."""


def is_damage(error: BaseException) -> bool:
    """Tell whether an error comes from damaged content, rather than from a disk that is full."""
    # A flipped bit in the text of a table's definition makes even SQLite's message undecodable.
    return isinstance(error, DamagedError | UnicodeDecodeError) or _code(error) in _DAMAGE


def is_of_the_disk(error: BaseException) -> bool:
    """Tell whether an error comes from a disk that could not be read or written."""
    return _code(error) == sqlite3.SQLITE_IOERR


def is_full(error: BaseException) -> bool:
    """Tell whether an error comes from a disk that is full."""
    return _code(error) == sqlite3.SQLITE_FULL


def _code(error: BaseException) -> int:
    code: int = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_OK)
    return code & 0xFF
