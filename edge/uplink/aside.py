"""Numbers that would not go: set aside, so that nothing waits for them, and tried again later.

A pack may fail for a reason of its own: the journal cannot read a stretch, the broker refuses just
this pack, or hangs up on it every time. What is set aside is tried after everything else, one piece
at a time, and a piece that fails again gives way to the next. Where the failure may lie in a single
reading the pieces are halved, so that in the end only that reading stays behind; the pauses between
tries double, for such a reading may cost a connection each time.
"""

from __future__ import annotations

from collections.abc import Iterator

from edge.journal.ranges import RangeSet

Range = tuple[int, int]

_LONGEST_PAUSE = 256
_LARGEST_PIECE = 2**20


class Aside:
    """What has been set aside. Pauses are counted in publish slots."""

    def __init__(self) -> None:
        self._ranges = RangeSet()
        self._size = 1
        self._next = 1
        self._wait = 0
        self._pause = 1

    def __bool__(self) -> bool:
        return bool(self._ranges)

    def __iter__(self) -> Iterator[Range]:
        return iter(self._ranges)

    def add(self, first: int, last: int, *, halve: bool) -> None:
        """Set numbers aside, at least until the next slot; ``halve`` to try them in smaller pieces.

        Numbers that are aside already have failed again.
        """
        again = first in self._ranges
        length = last - first + 1
        self._size = max(1, length // 2) if halve else max(self._size, length)
        self._ranges.add(first, last)
        if again:
            self._next = last + 1
            self._wait = self._pause
            self._pause = min(_LONGEST_PAUSE, 2 * self._pause)
        else:
            self._wait = max(1, self._wait)

    def remove(self, first: int, last: int) -> None:
        """Take numbers off for good: they have gone, or there is nothing to send."""
        if next(self._ranges.within(first, last), None) is None:
            return
        gone = RangeSet([(first, last)])
        self._ranges = RangeSet(left for run in self._ranges for left in gone.gaps(*run))
        self._size = min(_LARGEST_PIECE, 2 * self._size)
        self._pause = 1

    def slot(self) -> None:
        """Take note that a publish slot has come."""
        self._wait = max(0, self._wait - 1)

    def next_piece(self, size: int) -> Range | None:
        """Return what to try next, at most ``size`` numbers; None while it is too early."""
        if not self._ranges or self._wait:
            return None
        *_, (_, top) = self._ranges
        first, last = next(self._ranges.within(self._next, top), None) or next(
            self._ranges.within(1, top)
        )
        return first, min(last, first + min(size, self._size) - 1)
