"""SQLite's pages read without SQLite: what a damaged file still holds.

Theory of operation. A database file is a row of pages of one size. A table is a tree of them: its
interior pages name other pages, its leaves hold the rows as *cells*, each of a length, a row id and
a *record*. A record begins with the types of its columns and goes on with their contents; what does
not fit the page goes on in a chain of overflow pages. A table WITHOUT ROWID is kept like an index:
there the interior pages hold records as well.

Nothing here raises on any bytes: whatever makes no sense is left out. Pages are asked for by number
from a function that returns ``b""`` where there is none, so that a caller may lay the pages of a
write-ahead log over those of the file.

Source: "Database File Format", https://www.sqlite.org/fileformat2.html, sections 1.3 (header),
1.5 (cell payload overflow), 1.6 (b-tree pages) and 2.1 (record format). Text is taken to be UTF-8.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache

Value = int | float | str | bytes | None
Values = tuple[Value, ...]
Fetch = Callable[[int], bytes]

_MAGIC = b"SQLite format 3\x00"
_USUAL_PAGE = 4096
_HEADER = 100

INTERIOR_INDEX, INTERIOR_TABLE, LEAF_INDEX, LEAF_TABLE = 0x02, 0x05, 0x0A, 0x0D
_HEAD_OF = {INTERIOR_INDEX: 12, INTERIOR_TABLE: 12, LEAF_INDEX: 8, LEAF_TABLE: 8}

# Longer than anything this program writes; a longer length is a damaged one.
_LONGEST_PAYLOAD = 1 << 20

# The types of columns (section 2.1): whole numbers by their bytes, and what takes none.
_WHOLE = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
_CONSTANT: dict[int, Value] = {0: None, 8: 0, 9: 1}
_A_FLOAT, _RESERVED_CODES, _FIRST_TEXT = 7, {10, 11}, 12
_FLOAT = struct.Struct(">d")

_NONSENSE = (IndexError, ValueError, struct.error)


@dataclass(frozen=True, slots=True)
class Shape:
    """Size of a file's pages in bytes, and how many at the end of each are not SQLite's."""

    page_size: int = _USUAL_PAGE
    reserved: int = 0

    @property
    def usable(self) -> int:
        """Bytes of a page that hold something."""
        return self.page_size - self.reserved


def shape_of(header: bytes) -> Shape | None:
    """Return the shape that the first bytes of a database file tell, None where they tell none."""
    if len(header) < _HEADER or not header.startswith(_MAGIC):
        return None
    size = int.from_bytes(header[16:18], "big")
    size = 65536 if size == 1 else size
    shape = Shape(size, header[20])
    return shape if size >= 512 and size & (size - 1) == 0 and shape.usable >= 480 else None


def pages_by_header(header: bytes) -> int:
    """Return how many pages the file should have by its own account; 0 where it gives none."""
    return int.from_bytes(header[28:32], "big") if shape_of(header) else 0


def kind(page: bytes, number: int) -> int:
    """Return what a page is: one of the four b-tree kinds, or 0 for anything else."""
    start = _start(number)
    return page[start] if len(page) >= start + 12 and page[start] in _HEAD_OF else 0


def cell_count(page: bytes, number: int) -> int:
    """Return how many cells a b-tree page should hold."""
    start = _start(number)
    return int.from_bytes(page[start + 3 : start + 5], "big")


def table_rows(
    page: bytes, number: int, shape: Shape, fetch: Fetch
) -> Iterator[tuple[int, Values]]:
    """Yield row id and column values of the rows on a leaf of a table.

    The column that is the row id itself (INTEGER PRIMARY KEY) reads None, and a whole number in a
    REAL column reads as an int: that is how SQLite stores them.
    """
    if kind(page, number) != LEAF_TABLE:
        return
    for start in _cells(page, number, shape):
        try:
            size, at = _varint(page, start)
            row_id, at = _varint(page, at)
            most = shape.usable - 35
            if size <= most and at + size <= shape.usable:
                values = _record(page, at, at + size)
            else:
                payload = _payload(page[at:], size, most, shape, fetch)
                values = _record(payload, 0, size)
        except _NONSENSE:
            continue
        yield row_id, values


def index_records(page: bytes, number: int, shape: Shape, fetch: Fetch) -> Iterator[Values]:
    """Yield the records on a page of an index, or of a table WITHOUT ROWID."""
    what = kind(page, number)
    if what not in {LEAF_INDEX, INTERIOR_INDEX}:
        return
    most = (shape.usable - 12) * 64 // 255 - 23
    for start in _cells(page, number, shape):
        try:
            size, at = _varint(page, start + (4 if what == INTERIOR_INDEX else 0))
            values = _record(_payload(page[at:], size, most, shape, fetch), 0, size)
        except _NONSENSE:
            continue
        yield values


class Tree:
    """The pages of a table or an index, from its root down, as far as they can be followed.

    ``seen`` has a byte for every page of the file, set for those that were found; no page is gone
    into twice, so that pages that name each other in a ring do no harm.
    """

    def __init__(self, root: int, shape: Shape, fetch: Fetch, seen: bytearray) -> None:
        self.broken = 0
        """How many pages were named that are not what they should be."""
        self._root = root
        self._shape = shape
        self._fetch = fetch
        self._seen = seen

    def pages(self) -> Iterator[tuple[int, bytes]]:
        """Yield number and bytes of every page, in the order of the keys."""
        waiting = [self._root]
        kinds: set[int] = set()
        while waiting:
            number = waiting.pop()
            inside = 0 < number < len(self._seen) and not self._seen[number]
            page = self._fetch(number) if inside else b""
            what = kind(page, number)
            if not kinds:
                table = what in {LEAF_TABLE, INTERIOR_TABLE}
                kinds = {LEAF_TABLE, INTERIOR_TABLE} if table else {LEAF_INDEX, INTERIOR_INDEX}
            if what not in kinds:
                self.broken += 1
                continue
            self._seen[number] = 1
            if what in {INTERIOR_TABLE, INTERIOR_INDEX}:
                waiting += reversed(_children(page, number, self._shape))
            yield number, page


def _start(number: int) -> int:
    """Return where the b-tree begins on a page: on the first, after the header of the file."""
    return _HEADER if number == 1 else 0


def _children(page: bytes, number: int, shape: Shape) -> list[int]:
    starts = [*_cells(page, number, shape), _start(number) + 8]
    return [int.from_bytes(page[start : start + 4], "big") for start in starts]


def _cells(page: bytes, number: int, shape: Shape) -> list[int]:
    """Return where the cells of a b-tree page begin, as far as that is on the page."""
    first = _start(number) + _HEAD_OF[kind(page, number)]
    end = min(len(page), shape.usable)
    count = max(0, min(cell_count(page, number), (end - first) // 2))
    starts = struct.unpack_from(f">{count}H", page, first)
    return [start for start in starts if first + 2 * count <= start < end]


def _payload(begin: bytes, size: int, most: int, shape: Shape, fetch: Fetch) -> bytes:
    """Return the whole of a payload of which ``begin`` and perhaps more is on its own page.

    Up to ``most`` bytes have room there; what is longer goes on elsewhere.

    Raises ValueError where it cannot be had.
    """
    if not 0 < size <= _LONGEST_PAYLOAD:
        raise ValueError(size)
    here, room = size, shape.usable - 4
    if size > most:
        least = (shape.usable - 12) * 32 // 255 - 23
        here = least + (size - least) % room
        here = here if here <= most else least
    payload, link = begin[:here], begin[here : here + 4]
    while len(payload) < size:
        following = fetch(int.from_bytes(link, "big"))
        if len(following) < shape.usable:
            raise ValueError(link)
        link = following[:4]
        payload += following[4 : min(shape.usable, 4 + size - len(payload))]
    return payload


def _record(data: bytes, start: int, end: int) -> Values:
    """Return the values of the record that fills ``data`` from ``start`` to ``end`` exactly.

    Raises one of _NONSENSE where there is no such record.
    """
    size = _varint(data, start)[0]
    columns, length = _columns(data[start : start + size])
    body = start + size
    if body + length != end:
        raise ValueError(end)
    values: list[Value] = []
    for code, begin, stop in columns:
        if code in _WHOLE:
            values.append(int.from_bytes(data[body + begin : body + stop], "big", signed=True))
        elif code == _A_FLOAT:
            values.append(_FLOAT.unpack_from(data, body + begin)[0])
        elif code in _CONSTANT:
            values.append(_CONSTANT[code])
        else:
            content = data[body + begin : body + stop]
            values.append(content.decode() if code % 2 else content)
    return tuple(values)


@lru_cache(maxsize=256)
def _columns(header: bytes) -> tuple[tuple[tuple[int, int, int], ...], int]:
    """Return what a record's header says: type, begin and end of each column; length of them all.

    Most rows of a table have one of a few headers. Raises one of _NONSENSE.
    """
    size, at = _varint(header, 0)
    columns, begin = [], 0
    while at < size:
        code, at = _varint(header, at)
        if code in _RESERVED_CODES or code < 0:
            raise ValueError(code)
        if code >= _FIRST_TEXT:
            stop = begin + (code - _FIRST_TEXT) // 2
        else:
            stop = begin + (8 if code == _A_FLOAT else _WHOLE.get(code, 0))
        columns.append((code, begin, stop))
        begin = stop
    if at != size:
        raise ValueError(size)
    return tuple(columns), begin


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """Return the variable-length integer at ``at``, and where the next thing begins."""
    value = data[at]
    if value < 0x80:
        return value, at + 1
    value &= 0x7F
    for place in range(at + 1, at + 8):
        byte = data[place]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, place + 1
    value = value << 8 | data[at + 8]
    return value - (1 << 64 if value >> 63 else 0), at + 9
