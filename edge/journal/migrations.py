"""The layout of the journal file, as the steps that lead to it.

Run as a program of its own (``python -m edge.journal.migrations FILE``): sqlite-utils brings in
more than a daemon should carry for a year in order to use it once.

All steps a file needs are one transaction: it has the layout it had, or the present one. Before a
journal is changed a copy of it is kept beside it, named after its layout, such as
``NAME.layout-2``. A new journal is made under another name first, so that there never is half of
one. The number of steps taken stands in ``PRAGMA user_version``, which the daemon reads without
sqlite-utils.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

from sqlite_utils import Database, Migrations

from edge.journal.files import copy_database, put_in_place, remove_database
from edge.journal.layout import APPLICATION_ID, LAYOUT_VERSION
from edge.journal.timing import make_marks

migrations = Migrations("journal")


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

    Raises OSError or sqlite3.Error when that cannot be done; the file then is as it was.
    """
    if path.exists() and path.stat().st_size:
        _keep_copy(path)
        _take_steps(path)
    else:
        new = path.with_name(f"{path.name}.new")
        remove_database(new)
        _take_steps(new)
        put_in_place(new, path)


def _keep_copy(path: Path) -> None:
    # Not for reading only: what a power cut has left half written is put right on opening.
    uri = f"{path.resolve().as_uri()}?mode=rw"
    with closing(sqlite3.connect(uri, uri=True)) as db:
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if 0 < version < LAYOUT_VERSION:
            copy_database(db, path.with_name(f"{path.name}.layout-{version}"))


def _take_steps(path: Path) -> None:
    db = Database(path)
    try:
        db.enable_wal()
        with db.atomic():
            migrations.apply(db)
            db.execute(f"PRAGMA user_version = {LAYOUT_VERSION}")
    finally:
        db.close()


if __name__ == "__main__":
    try:
        migrate(Path(sys.argv[1]))
    except (OSError, sqlite3.Error) as error:
        sys.exit(str(error))
