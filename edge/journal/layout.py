"""Which layout of the journal file this program understands."""

from __future__ import annotations

LAYOUT_VERSION = 1
