"""The layout of the journal file, as the steps that lead to it.

Run as a program of its own (``python -m edge.journal.migrations FILE``): sqlite-utils brings in
more than a daemon should carry for a year in order to use it once.

A journal is never changed in place. A new one, or a copy of the old, is made under another name,
takes all its steps there and is then put in place as a whole; the old file stays beside it, named
after its layout, such as ``NAME.layout-2``. So there never is half of one, and it takes the room
of one copy. The number of steps taken stands in ``PRAGMA user_version``, which the daemon reads
without sqlite-utils.
"""

from __future__ import annotations

import json
import os
import secrets
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

from sqlite_utils import Database, Migrations

from edge.journal.files import (
    beside,
    copy_database,
    flush,
    need_room,
    put_in_place,
    remove_database,
)
from edge.journal.layout import APPLICATION_ID, LAYOUT_VERSION
from edge.journal.timing import make_marks

migrations = Migrations("journal")

# How much larger than the file its copy may become: a mark makes the shortest rows a fifth longer.
_GROWTH = 1.5


@migrations()
def readings_tallies_and_what_was_sent(db: Database) -> None:
    """Lay out a new journal."""
    # Hand-written rather than db.create(): STRICT tables, and no index that a year of readings
    # would have to pay for. The order of the rows is the order of time, nearly enough.
    db.execute("""
        CREATE TABLE series (
            id INTEGER PRIMARY KEY,
            name TEXT NOT NULL UNIQUE,
            unit TEXT NOT NULL
        ) STRICT""")
    db.execute("""
        CREATE TABLE reading (
            seq INTEGER PRIMARY KEY,
            series INTEGER NOT NULL,
            utc_ms INTEGER NOT NULL,
            value REAL,
            status INTEGER NOT NULL
        ) STRICT""")
    # A 64-bit counter does not fit SQLite's signed integers: its number is kept as text.
    db.execute("""
        CREATE TABLE tally (
            channel TEXT PRIMARY KEY,
            pulses INTEGER NOT NULL,
            raw TEXT NOT NULL
        ) STRICT, WITHOUT ROWID""")
    db.execute("""
        CREATE TABLE sent (
            first INTEGER PRIMARY KEY,
            last INTEGER NOT NULL
        ) STRICT""")
    db.execute("""
        CREATE TABLE dropped (
            first INTEGER PRIMARY KEY,
            last INTEGER NOT NULL,
            utc_ms INTEGER NOT NULL,
            why TEXT NOT NULL
        ) STRICT""")
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute("PRAGMA user_version = 1")


@migrations()
def one_state_a_channel_instead_of_a_tally(db: Database) -> None:
    """Make room for whatever a channel must remember, as JSON."""
    db.execute("""
        CREATE TABLE state (
            channel TEXT PRIMARY KEY,
            state TEXT NOT NULL
        ) STRICT, WITHOUT ROWID""")
    tallies = list(db.execute("SELECT channel, pulses, raw FROM tally"))
    for channel, pulses, raw in tallies:
        state = {"channel": {"tally": {"pulses": pulses, "raw": int(raw)}}}
        db.execute("INSERT INTO state VALUES (?, ?)", (channel, json.dumps(state)))
    db.execute("DROP TABLE tally")
    db.execute("PRAGMA user_version = 2")


@migrations()
def identity_marks_stated_gaps_and_untimed_readings(db: Database) -> None:
    """Make room for what lets nothing be lost without a word."""
    db.execute("CREATE TABLE identity (id TEXT NOT NULL) STRICT")
    db.execute("INSERT INTO identity VALUES (?)", (secrets.token_hex(8),))
    db.execute("ALTER TABLE series ADD COLUMN condense TEXT NOT NULL DEFAULT 'mean'")
    db.execute("ALTER TABLE reading ADD COLUMN mark INTEGER NOT NULL DEFAULT 0")
    make_marks(db.conn)
    db.execute("UPDATE reading SET mark = mark_of(seq, series, utc_ms, value, status)")
    db.execute("""
        CREATE TABLE gap (
            first INTEGER PRIMARY KEY,
            last INTEGER NOT NULL,
            why TEXT NOT NULL,
            since_ms INTEGER,
            until_ms INTEGER,
            noted_ms INTEGER NOT NULL,
            told INTEGER NOT NULL
        ) STRICT""")
    db.execute("""
        INSERT INTO gap
        SELECT first, last, 'dropped', NULL, NULL, utc_ms, 0 FROM dropped""")
    db.execute("DROP TABLE dropped")
    db.execute("""
        CREATE TABLE untimed (
            first INTEGER PRIMARY KEY,
            last INTEGER NOT NULL,
            boot TEXT NOT NULL,
            offset_ms INTEGER NOT NULL
        ) STRICT""")
    db.execute("PRAGMA user_version = 3")


def migrate(path: Path) -> None:
    """Bring the journal at ``path`` to the present layout, making it where there is none.

    Raises OSError or sqlite3.Error when that cannot be done; the file then is as it was. Where
    there is no room that is found out at once.
    """
    new = beside(path, ".new")
    try:
        remove_database(new)
        layout = _copy(path, new) if path.exists() and path.stat().st_size else 0
        if layout < LAYOUT_VERSION:
            _take_steps(new)
            if layout:
                _give_name(path, beside(path, f".layout-{layout}"))
            put_in_place(new, path)
    except (OSError, sqlite3.Error):
        remove_database(new)
        raise


def _copy(path: Path, target: Path) -> int:
    """Copy an older journal, and return its layout; a journal of the present one is left alone."""
    # Not for reading only: what a power cut has left half written is put right on opening.
    uri = f"{path.resolve().as_uri()}?mode=rw"
    with closing(sqlite3.connect(uri, uri=True)) as db:
        (layout,) = db.execute("PRAGMA user_version").fetchone()
        if layout < LAYOUT_VERSION:
            # What is in the log only would not go along with the file.
            (busy, _, _) = db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            if busy:
                raise OSError("another program is reading the file")
            for unfinished in (target, beside(path, f".layout-{layout}")):
                remove_database(beside(unfinished, ".part"))
            need_room(path.parent, round(_GROWTH * path.stat().st_size))
            copy_database(db, target)
    return int(layout)


def _give_name(path: Path, name: Path) -> None:
    """Let the file be found under another name as well."""
    link = beside(name, ".part")
    try:
        try:
            os.link(path, link)
        except OSError:  # not every file system can
            need_room(path.parent, path.stat().st_size)
            shutil.copyfile(path, link)
            flush(link)
        link.replace(name)
        flush(path.parent)
    finally:
        # Where both names are of one file already, replacing leaves both.
        link.unlink(missing_ok=True)


def _take_steps(path: Path) -> None:
    db = Database(path)
    try:
        # Nobody knows this file yet: what fails is thrown away, and needs no room to be undone.
        db.execute("PRAGMA journal_mode = OFF")
        db.execute("PRAGMA synchronous = OFF")
        with db.atomic():
            migrations.apply(db)
            db.execute(f"PRAGMA user_version = {LAYOUT_VERSION}")
        db.enable_wal()
    finally:
        db.close()


if __name__ == "__main__":
    try:
        migrate(Path(sys.argv[1]))
    except (OSError, sqlite3.Error) as error:
        sys.exit(str(error))
