"""A note beside the journal of what its readings mean: which journal it is, and which series.

The names of the series and the journal's identity are a few hundred bytes on two pages of the file.
Without them not one reading of a damaged journal could be salvaged, were the rest of it as good as
new; and it is the first block of a flash memory that is written most often. So they are kept a
second time, in a file of their own (``NAME-about``) which is written only when they change.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from edge.journal.files import beside, flush


class SeriesRow(NamedTuple):
    """A row of the table ``series``, but for its id."""

    name: str
    unit: str
    condense: str


class About(NamedTuple):
    """The identity of a journal, and its series by id."""

    identity: str
    series: dict[int, SeriesRow]


def keep_about(path: Path, db: sqlite3.Connection) -> None:
    """Bring the note beside the journal at ``path`` up to date, if the disk takes it.

    Raises sqlite3.Error when ``db``, the journal, cannot be read.
    """
    (identity,) = db.execute("SELECT id FROM identity").fetchone()
    series = db.execute("SELECT id, name, unit, condense FROM series ORDER BY id").fetchall()
    content = json.dumps([identity, series])
    if about(path) != _of(content):
        new = beside(path, "-about.new")
        # The journal can do without it.
        with suppress(OSError):
            new.write_text(f"{content}\n{zlib.crc32(content.encode()):08x}\n", encoding="utf-8")
            flush(new)
            new.replace(beside(path, "-about"))
            flush(path.parent)


def about(path: Path) -> About | None:
    """Return what the note beside the journal at ``path`` says; None without a sound one."""
    try:
        content, check = beside(path, "-about").read_text(encoding="utf-8").splitlines()
        return _of(content) if int(check, 16) == zlib.crc32(content.encode()) else None
    except (OSError, ValueError):
        return None


def _of(content: str) -> About:
    identity, series = json.loads(content)
    return About(identity, {id_: SeriesRow(*row) for id_, *row in series})
