"""Which layout of the journal file this program understands."""

from __future__ import annotations

LAYOUT_VERSION = 2

APPLICATION_ID = 0x6C7A6A6C
"""What SQLite's ``PRAGMA application_id`` says in a journal, to tell it from other databases."""
