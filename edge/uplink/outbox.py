"""What to send next: live readings first, then the backlog, oldest first, then what would not go.

Theory of operation. The outbox deals in ranges of numbers and never sees a reading. Time is cut by
publish slots. At a slot everything that has come since the slot before is *live*: it goes first,
the newest leading; until then it waits, however long the backlog takes. On a new connection, where
an outage may lie behind, live is the newest pack. Everything below is *backlog*. What failed for a
reason of its own is *aside* (`edge.uplink.aside`) and comes last.

`_taken` is the union of what is acknowledged, in hand and aside; its gaps are what is left to send.
When the connection is lost, what was in hand is free again.

The cost of every step is that of walking the ranges, which are as many as there were interruptions.
It does not depend on how many readings wait: a year of backlog in one piece is one gap between two
ranges. The journal keeps the acknowledged ranges, so all of it comes to life again after a restart.
"""

from __future__ import annotations

from collections.abc import Iterable

from edge.journal.ranges import RangeSet
from edge.uplink.aside import Aside, Range

__all__ = ["Outbox", "Range"]


class Outbox:
    """Keeps account of what is acknowledged, what is in hand, and what comes next.

    ``newest`` is the highest number that may be sent; ``acknowledged`` are ranges that need no
    sending.
    """

    def __init__(self, newest: int, acknowledged: Iterable[Range]) -> None:
        self._newest = newest
        self._done = RangeSet(acknowledged)
        self._taken = RangeSet(self._done)
        self._in_hand: set[Range] = set()
        self._aside = Aside()
        self._live_from = 1
        self._live_to = 0

    @property
    def pending(self) -> int:
        """How many readings are not acknowledged yet, those in hand included."""
        done = self._done.within(1, self._newest)
        return self._newest - sum(last - first + 1 for first, last in done)

    @property
    def has_aside(self) -> bool:
        """Whether there is something that would not go."""
        return bool(self._aside)

    @property
    def has_backlog(self) -> bool:
        """Whether something below the live readings is left to send."""
        return next(self._taken.gaps(1, self._live_from - 1), None) is not None

    @property
    def has_more(self) -> bool:
        """Whether there is backlog, or something aside that it is time to try."""
        return self.has_backlog or self._aside.next_piece(1) is not None

    def grew(self, newest: int) -> None:
        """Take note that readings up to the number ``newest`` may be sent, from the next slot."""
        self._newest = max(self._newest, newest)

    def begin(self, size: int) -> None:
        """Take note of a new connection: the newest ``size`` numbers are live."""
        self._live_from, self._live_to = max(1, self._newest - size + 1), self._newest

    def slot(self, at_most: int) -> None:
        """Take note of a publish slot: what has come since the last one is live.

        But no more than the newest ``at_most`` numbers: readings that waited for their true time
        are set free all at once, and the older of them are backlog.
        """
        since = max(self._live_to + 1, self._newest - at_most + 1)
        self._live_from, self._live_to = since, self._newest
        self._aside.slot()

    def next_live(self, size: int) -> Range | None:
        """Take the topmost live range in hand, of at most ``size`` numbers."""
        runs = list(self._taken.gaps(self._live_from, self._live_to))
        return self._take((max(runs[-1][0], runs[-1][1] - size + 1), runs[-1][1]) if runs else None)

    def next_backlog(self, size: int) -> Range | None:
        """Take the oldest range below the live ones in hand, of at most ``size`` numbers."""
        run = next(self._taken.gaps(1, self._live_from - 1), None)
        return self._take(run and (run[0], min(run[1], run[0] + size - 1)))

    def next_aside(self, size: int) -> Range | None:
        """Take in hand what would not go, to try it once more."""
        return self._take(self._aside.next_piece(size))

    def acknowledged(self, first: int, last: int) -> None:
        """Take note that a range in hand has arrived."""
        self._in_hand.discard((first, last))
        self.dropped(first, last)

    def dropped(self, first: int, last: int) -> None:
        """Take note that the readings of a range are gone for good: there is nothing to send."""
        self._done.add(first, last)
        self._taken.add(first, last)
        self._aside.remove(first, last)

    def put_back(self, first: int, last: int) -> None:
        """Take a range out of hand that did not go off; it will be offered again in its place."""
        self._in_hand.discard((first, last))
        self._retake()

    def set_aside(self, first: int, last: int, *, halve: bool) -> None:
        """Take a range out of hand that would not go; it comes last, from the next slot.

        With ``halve`` in smaller pieces, for the fault may lie in a single reading.
        """
        self._in_hand.discard((first, last))
        self._aside.add(first, last, halve=halve)

    def connection_lost(self) -> None:
        """Take everything out of hand."""
        self._in_hand.clear()
        self._retake()

    def _take(self, found: Range | None) -> Range | None:
        if found is not None:
            self._in_hand.add(found)
            self._taken.add(*found)
        return found

    def _retake(self) -> None:
        self._taken = RangeSet(self._done)
        for taken in (self._in_hand, self._aside):
            for first, last in taken:
                self._taken.add(first, last)
