"""What to send next: live readings first, then the backlog, oldest first.

Theory of operation. The outbox deals in ranges of numbers and never sees a reading. `_taken` is
the union of what is acknowledged and what is in flight; its first gap is the oldest of the backlog.
Everything above `_live_mark` is newer than anything offered on this connection, and goes first: at
most a pack of it, the newest; what is left below becomes backlog. When the connection is lost,
what was in flight is free again and the mark falls back to the bottom, so that on the next
connection the newest readings lead once more.

The cost of every step depends on how many ranges there are, not on how long the backlog is.
"""

from __future__ import annotations

from collections.abc import Iterable

from edge.journal.ranges import RangeSet

Range = tuple[int, int]


class Outbox:
    """Keeps account of what is acknowledged, what is in flight, and what comes next.

    ``newest`` is the highest number there is; ``acknowledged`` are ranges that need no sending;
    at most ``window`` ranges are in flight at a time.
    """

    def __init__(self, newest: int, acknowledged: Iterable[Range], window: int) -> None:
        self.window = window
        self._newest = newest
        self._done = RangeSet(acknowledged)
        self._taken = RangeSet(self._done)
        self._in_flight: set[Range] = set()
        self._live_mark = 0

    @property
    def pending(self) -> int:
        """How many readings are not acknowledged yet, those in flight included."""
        return self._newest - len(self._done)

    @property
    def in_flight(self) -> int:
        """How many ranges are on their way."""
        return len(self._in_flight)

    def next_range(self, size: int) -> Range | None:
        """Return the next range to send, of at most ``size`` numbers; it then is in flight.

        None when the window is full, or nothing is left that is not in flight.
        """
        if len(self._in_flight) >= self.window:
            return None
        found = self._newest_run(size) or self._oldest_run(size)
        if found is not None:
            self._in_flight.add(found)
            self._taken.add(*found)
        return found

    def acknowledged(self, first: int, last: int) -> None:
        """Take note that a range in flight has arrived."""
        self._in_flight.discard((first, last))
        self.dropped(first, last)

    def dropped(self, first: int, last: int) -> None:
        """Take note that the readings of a range are gone for good: there is nothing to send."""
        self._done.add(first, last)
        self._taken.add(first, last)

    def put_back(self, first: int, last: int) -> None:
        """Take a range out of flight that did not go off; it will be offered again.

        What was live is live again: newest first holds also for a second try.
        """
        self._in_flight.discard((first, last))
        self._live_mark = min(self._live_mark, first - 1)
        self._retake()

    def connection_lost(self) -> None:
        """Take everything out of flight; the newest readings are next again."""
        self._in_flight.clear()
        self._retake()
        self._live_mark = 0

    def grew(self, newest: int) -> None:
        """Take note that there are readings up to the number ``newest``."""
        self._newest = max(self._newest, newest)

    def _retake(self) -> None:
        self._taken = RangeSet(self._done)
        for first, last in self._in_flight:
            self._taken.add(first, last)

    def _newest_run(self, size: int) -> Range | None:
        """Return the topmost run of the newest ``size`` numbers, if they were never offered."""
        if self._newest <= self._live_mark:
            return None
        lowest = max(self._live_mark + 1, self._newest - size + 1)
        self._live_mark = self._newest
        runs = list(self._taken.gaps(lowest, self._newest))
        return runs[-1] if runs else None

    def _oldest_run(self, size: int) -> Range | None:
        run = next(self._taken.gaps(1, self._newest), None)
        return run and (run[0], min(run[1], run[0] + size - 1))
