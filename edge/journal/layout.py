"""The layout of the journal file, by name.

Layout 3, as SQLite tables (all STRICT)::

    identity (id TEXT)                          one row: 16 hexadecimal digits, drawn at random
    series   (id INTEGER PRIMARY KEY, name TEXT UNIQUE, unit TEXT, condense TEXT)
    reading  (seq INTEGER PRIMARY KEY, series INTEGER, utc_ms INTEGER, value REAL,
              status INTEGER, mark INTEGER)     mark: see edge.journal.rows
    state    (channel TEXT PRIMARY KEY, state TEXT) WITHOUT ROWID
    sent     (first INTEGER PRIMARY KEY, last INTEGER)
    gap      (first INTEGER PRIMARY KEY, last INTEGER, why TEXT, since_ms INTEGER,
              until_ms INTEGER, noted_ms INTEGER, told INTEGER)
    untimed  (first INTEGER PRIMARY KEY, last INTEGER, boot TEXT, offset_ms INTEGER)

``value``, ``since_ms`` and ``until_ms`` may be NULL, nothing else may.
"""

from __future__ import annotations

LAYOUT_VERSION = 3

APPLICATION_ID = 0x6C7A6A6C
"""What SQLite's ``PRAGMA application_id`` says in a journal, to tell it from other databases."""
