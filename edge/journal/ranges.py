"""Sets of whole numbers that come in long runs, such as acknowledged sequence numbers.

Held as sorted, disjoint, inclusive ranges that never touch: a year of acknowledged readings with
three lost days in it is three or four pairs of integers.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator


class RangeSet:
    """A set of integers, kept as inclusive ranges."""

    __slots__ = ("_firsts", "_lasts")

    def __init__(self, ranges: Iterable[tuple[int, int]] = ()) -> None:
        self._firsts: list[int] = []
        self._lasts: list[int] = []
        for first, last in ranges:
            self.add(first, last)

    def add(self, first: int, last: int) -> tuple[int, int]:
        """Add every number from ``first`` to ``last``; return the range they are now part of.

        Raises ValueError when ``first > last``.
        """
        if first > last:
            msg = f"range runs backwards: {first} to {last}"
            raise ValueError(msg)
        # The ranges that overlap or touch the new one melt into it.
        low = bisect_left(self._lasts, first - 1)
        high = bisect_right(self._firsts, last + 1)
        if low < high:
            first = min(first, self._firsts[low])
            last = max(last, self._lasts[high - 1])
        self._firsts[low:high] = [first]
        self._lasts[low:high] = [last]
        return first, last

    def gaps(self, first: int, last: int) -> Iterator[tuple[int, int]]:
        """Yield, in rising order, the runs from ``first`` to ``last`` that are not in the set."""
        for start, end in self.within(first, last):
            if start > first:
                yield first, start - 1
            first = end + 1
        if first <= last:
            yield first, last

    def within(self, first: int, last: int) -> Iterator[tuple[int, int]]:
        """Yield, in rising order, the runs from ``first`` to ``last`` that are in the set."""
        for index in range(bisect_left(self._lasts, first), len(self._firsts)):
            if self._firsts[index] > last:
                return
            yield max(first, self._firsts[index]), min(last, self._lasts[index])

    def __contains__(self, number: int) -> bool:
        index = bisect_left(self._lasts, number)
        return index < len(self._firsts) and self._firsts[index] <= number

    def __iter__(self) -> Iterator[tuple[int, int]]:
        """Yield the ranges in rising order."""
        return iter(list(zip(self._firsts, self._lasts, strict=True)))

    def __len__(self) -> int:
        """Return how many numbers are in the set."""
        return sum(self._lasts) - sum(self._firsts) + len(self._firsts)

    def __bool__(self) -> bool:
        return bool(self._firsts)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, RangeSet):
            return NotImplemented
        return self._firsts == other._firsts and self._lasts == other._lasts

    __hash__ = None  # type: ignore[assignment]  # mutable

    def __repr__(self) -> str:
        return f"RangeSet({list(self)})"
