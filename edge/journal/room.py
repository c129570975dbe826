"""How much of the disk a journal takes that is rebuilt from a damaged one. Only reads."""

from __future__ import annotations

from array import array
from pathlib import Path

from edge.journal import pages
from edge.journal.damaged import DamagedFile
from edge.journal.files import parts_of
from edge.journal.remains import Remains

# For everything but the readings.
_SMALL_TABLES = 256 * 1024

# A row of the table of readings, without and with a mark.
_COLUMNS = {5, 6}


def of_all(path: Path) -> int:
    """Return the bytes that a new journal takes at the most."""
    return _SMALL_TABLES + sum(part.stat().st_size for part in parts_of(path))


def of_unsent(path: Path) -> int:
    """Return about how many bytes a new journal takes without what was sent.

    Every page is read, and of most of them only the first row.
    """
    remains, firsts = Remains(), array("q")
    with DamagedFile(path) as file:
        for number in range(1, file.count + 1):
            for row_id, values in pages.table_rows(
                file.page(number), number, file.shape, file.page
            ):
                if len(values) in _COLUMNS and values[0] is None:
                    firsts.append(row_id)
                    break
                remains.row(row_id, values)
        unsent = sum(first not in remains.sent for first in firsts)
        return _SMALL_TABLES + unsent * file.shape.page_size
