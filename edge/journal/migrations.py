"""The layout of the journal file, as the steps that lead to it.

Run as a program of its own (``python -m edge.journal.migrations FILE``): sqlite-utils brings in
more than a daemon should carry for a year in order to use it once.

Every step is one transaction. The number of steps taken stands in ``PRAGMA user_version``, which
the daemon reads without sqlite-utils.
"""

from __future__ import annotations

import json
import sys

from sqlite_utils import Database, Migrations

from edge.journal.layout import APPLICATION_ID, LAYOUT_VERSION

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


def migrate(path: str) -> None:
    """Bring the journal at ``path`` to the present layout, making it where there is none."""
    db = Database(path)
    try:
        db.enable_wal()
        migrations.apply(db)
        version = db.execute("PRAGMA user_version").fetchone()[0]
        assert version == LAYOUT_VERSION, (version, LAYOUT_VERSION)  # noqa: S101
    finally:
        db.close()


if __name__ == "__main__":
    migrate(sys.argv[1])
