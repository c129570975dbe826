"""SQLite's write-ahead log read without SQLite: which of its frames are sound, and which are lost.

Theory of operation. What is committed goes to the log first, a *frame* a changed page; the last
frame of a transaction says so. A frame carries the *salts* of the log's header, which tell it from
what an earlier round left behind it, and a checksum that is reckoned on from the frame before.

SQLite itself stops at the first frame whose checksum is wrong and takes it for the end: after a
power cut it is. Where flash memory has flipped a bit in the middle, all that was committed later
is thus gone without a word. Here each frame is checked by itself, going on from the checksum that
its forerunner bears, so that one bad frame costs one page.

Source: "Database File Format", https://www.sqlite.org/fileformat2.html, section 4.
"""

from __future__ import annotations

import struct
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from typing import NamedTuple

Read = Callable[[int, int], bytes]
"""Returns the bytes of the log at an offset, so many; fewer where there are no more."""

_MAGIC = 0x377F0682  # the last bit set: checksums over big-endian words
_HEADER = struct.Struct(">8I")
_FRAME = struct.Struct(">6I")
_MASK = 0xFFFFFFFF

# Where the header is damaged, as many of the first frames are asked to which round they belong.
_FRAMES_ASKED = 9


class Frame(NamedTuple):
    """A frame of the log: whose page it holds, where, and whether it can be believed."""

    page: int
    at: int
    """Offset of the page in the log."""
    commits: bool
    current: bool
    """Of the log's present round, rather than left over from an earlier one."""
    sound: bool
    """The checksum is right."""


def page_size(header: bytes) -> int:
    """Return the page size that a log's header tells, in bytes; 0 where the header is damaged."""
    return _HEADER.unpack(header[:32])[2] if _header_sum(header) else 0


def frames(read: Read, size: int) -> Iterator[Frame]:
    """Yield the frames of a log with pages of ``size`` bytes, in the order they were written."""
    header = read(0, _HEADER.size)
    order = "<" if sys.byteorder == "little" else ">"
    seeds: list[tuple[int, int]] = []
    if whole := _header_sum(header):
        fields = _HEADER.unpack(header)
        salts, order, seeds = (fields[4], fields[5]), ">" if fields[0] & 1 else "<", [whole]
    else:
        salts = _salts_of_most(read, size)
    at = _HEADER.size
    while len(frame := read(at, _FRAME.size + size)) == _FRAME.size + size:
        page, commit, salt, other_salt, *stored = _FRAME.unpack_from(frame)
        current = (salt, other_salt) == salts
        sums = [_checksum(frame[:8] + frame[_FRAME.size :], seed, order) for seed in seeds]
        mark = (stored[0], stored[1])
        yield Frame(page, at + _FRAME.size, commit != 0, current, mark in sums)
        # What the next is reckoned on from; where the frame is bad, either may be the right one.
        seeds = list(dict.fromkeys([mark, *sums[:1]]))
        at += _FRAME.size + size


def _salts_of_most(read: Read, size: int) -> tuple[int, int]:
    """Return the salts that most of the first frames bear."""
    step = _FRAME.size + size
    starts = range(_HEADER.size, _HEADER.size + _FRAMES_ASKED * step, step)
    heads = [head for start in starts if len(head := read(start, _FRAME.size)) == _FRAME.size]
    votes = Counter(_FRAME.unpack(head)[2:4] for head in heads)
    return votes.most_common(1)[0][0] if votes else (0, 0)


def _header_sum(header: bytes) -> tuple[int, int] | None:
    """Return the checksum of a sound header, None where it is damaged."""
    if len(header) < _HEADER.size:
        return None
    fields = _HEADER.unpack(header[: _HEADER.size])
    if fields[0] | 1 != _MAGIC | 1:
        return None
    stored = (fields[6], fields[7])
    found = _checksum(header[:24], (0, 0), ">" if fields[0] & 1 else "<")
    return stored if stored == found else None


def _checksum(data: bytes, seed: tuple[int, int], order: str) -> tuple[int, int]:
    """Return the checksum of the format (section 4.2) over an even number of 32-bit words."""
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    one, two = seed
    for first, second in zip(words[::2], words[1::2], strict=True):
        one = (one + first + two) & _MASK
        two = (two + second + one) & _MASK
    return one, two
