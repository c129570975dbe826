"""The audit: a station's journal file held against what arrived from it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from edge.journal.export import JournalReader
from edge.readings import Journalled

Range = tuple[int, int]


@dataclass(slots=True)
class Audit:
    """What the comparison of a journal with what arrived has found, as numbers of readings."""

    journalled: int
    lost: int
    """In the journal, but never arrived."""
    unsent: int
    """Of the lost, those that the journal itself still holds to be unsent."""
    altered: int
    """Arrived other than journalled."""
    unknown: int
    """Arrived, but not in the journal: neither let go once they were sent, nor in a gap."""
    unexplained: int
    """Numbers that are neither in the journal nor in a stated gap, and have not arrived."""

    def complaints(self) -> list[str]:
        """Say what is wrong besides what is lost."""
        checks = {
            "nothing was journalled": not self.journalled,
            f"{self.altered} readings arrived other than journalled": self.altered,
            f"{self.unknown} readings arrived that the journal does not have": self.unknown,
            f"{self.unexplained} numbers are missing for no stated reason": self.unexplained,
        }
        return [words for words, wrong in checks.items() if wrong]


def audit(journal: Path, arrived: Mapping[int, Journalled]) -> Audit:
    """Compare a journal that nobody has open with the readings that arrived, by number.

    Raises JournalError when it cannot be read.
    """
    held: dict[int, Journalled] = {row.seq: row for row in JournalReader(journal).rows()}
    sent, gaps = _ranges(journal, "sent"), _ranges(journal, "gap")
    numbers = set(range(1, max((*held, *arrived), default=0) + 1))
    missing = held.keys() - arrived.keys()
    return Audit(
        journalled=len(held),
        lost=len(missing),
        unsent=len(_outside(missing, sent)),
        altered=sum(arrived.get(seq, row) != row for seq, row in held.items()),
        unknown=len(_outside(arrived.keys() - held.keys(), [*sent, *gaps])),
        unexplained=len(_outside(numbers - held.keys() - arrived.keys(), gaps)),
    )


def hot_wal(journal: Path) -> bool:
    """Tell whether a write-ahead log lies beside the journal that its last writer left behind."""
    wal = journal.with_name(f"{journal.name}-wal")
    return wal.exists() and wal.stat().st_size > 0


def _ranges(journal: Path, table: str) -> list[Range]:
    with closing(sqlite3.connect(f"{journal.resolve().as_uri()}?mode=ro", uri=True)) as db:
        known = "SELECT count(*) FROM sqlite_schema WHERE name = ?"
        if not db.execute(known, (table,)).fetchone()[0]:
            return []
        return list(db.execute(f"SELECT first, last FROM {table} ORDER BY first"))


def _outside(numbers: Iterable[int], ranges: list[Range]) -> set[int]:
    """Return the numbers that lie in none of the ranges."""
    inside = {seq for first, last in ranges for seq in range(first, last + 1)}
    return set(numbers) - inside
