"""The check mark of a reading: what tells a row that was written from one a failing disk made up.

SQLite finds out when the structure of its file is damaged, but not when a bit of a value is. Flash
memory in the heat of a box does flip bits. So every row carries 16 bits of a CRC over its content.
"""

from __future__ import annotations

import struct
import zlib
from typing import NamedTuple

_ROW = struct.Struct("<qqqqd")
_NO_VALUE = struct.Struct("<qqqq")


class Row(NamedTuple):
    """A row of the table ``reading``, but for its mark."""

    seq: int
    series: int
    utc_ms: int
    value: float | None
    status: int


def mark(seq: int, series: int, utc_ms: int, value: float | None, status: int) -> int:
    """Return the mark of a row: the low 16 bits of its CRC-32, as a signed number.

    Signed, because SQLite stores that in two bytes. The value is taken as SQLite gives it back:
    without the sign of a zero, and none for what is not a number.
    """
    if value is None or value != value:  # noqa: PLR0124 - only a NaN differs from itself
        packed = _NO_VALUE.pack(seq, series, utc_ms, status)
    else:
        packed = _ROW.pack(seq, series, utc_ms, status, value + 0.0)
    low = zlib.crc32(packed) & 0xFFFF
    return low - 0x10000 if low & 0x8000 else low


def is_sound(row: tuple[int, int, int, float | None, int, int]) -> bool:
    """Tell whether a row of the table ``reading`` bears the mark of its content."""
    return mark(*row[:5]) == row[5]
