"""A pulse rate, from a count that is looked at now and then.

Theory of operation. Pulses come when they like, samples at a poll interval; all that is known of a
pulse is which two samples it fell between. Two ways to get a rate from that fail at one end each:
pulses per poll interval jumps between nought and a great number when pulses are rare, and the time
between pulses cannot be told when they are frequent. Both are one computation over spans of
samples:

        count                                          n2 ─────
                              n1 ───────────────────────┘
          n0 ─────────────────┘
        samples  .   .   .   |   .   .   .   .   .   . |   .   .
                             t1                        t2      now

An *edge* is a sample whose count differs from the sample before. The pulse that made it is at most
one poll interval u old, and at most one period. So of the rate between two edges,

        rate = (n2 - n1) / (t2 - t1),

the relative doubt is the smaller of

        u / (span - u)    the moment of either pulse is known to within u, and
        1 / (n2 - n1)     a count is right to within one pulse;

for a span that begins with a sample that is no edge, it is the latter.

Spans end at the latest edge. They begin at the last record, for a rate that is the mean since then,
and reach back further only for want of resolution, at most ``zero_after`` (or to the last record,
if that is longer ago). Since the latest edge there has been no pulse, so the rate can be no more
than 1 / (now - t2); it sinks along that curve when the flow stops, and is nought after
``zero_after``. A flow that begins after such a rest is measured from the last sample at rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

_MOST_EDGES = 256


@dataclass(frozen=True, slots=True)
class Rate:
    """A pulse rate in Hz, and within how many Hz of it the true one lies if it was steady."""

    hertz: float
    resolution_hz: float


@dataclass(frozen=True, slots=True)
class _Edge:
    """A sample: its monotonic seconds, its count, and the greatest age its last pulse can have."""

    seconds: float
    pulses: int
    age: float


@dataclass(frozen=True, slots=True)
class _Span:
    start: _Edge
    end: _Edge

    @property
    def seconds(self) -> float:
        return self.end.seconds - self.start.seconds

    @property
    def rate(self) -> float:
        return (self.end.pulses - self.start.pulses) / self.seconds

    @property
    def doubt(self) -> float:
        by_count = 1 / (self.end.pulses - self.start.pulses)
        age = max(self.start.age, self.end.age)
        return min(by_count, age / (self.seconds - age)) if age < self.seconds else by_count


class PulseRate:
    """The rate of a count of pulses.

    ``resolution`` is the relative resolution wanted, ``zero_after`` the seconds without a pulse
    after which the rate is nought; what a rate's resolution came to is told with it. Raises
    ValueError unless both are positive.
    """

    def __init__(self, resolution: float = 0.01, zero_after: float = 900.0) -> None:
        if not (resolution > 0 and zero_after > 0):
            msg = f"a resolution of {resolution}, or nought after {zero_after} s"
            raise ValueError(msg)
        self.resolution = resolution
        self.zero_after = zero_after
        self._edges: list[_Edge] = []
        self._rest: _Edge | None = None  # the sample before the latest edge
        self._now: tuple[float, int] | None = None

    def take(self, seconds: float, pulses: int) -> None:
        """Take a sample: monotonic seconds, and the count of pulses, which never decreases.

        A sample no later than the one before says nothing, and is left out.
        """
        if self._now is None:
            self._edges.append(_Edge(seconds, pulses, math.inf))
        elif seconds <= self._now[0]:
            return
        elif pulses != self._now[1]:
            self._rest = _Edge(*self._now, math.inf)
            self._edges.append(_Edge(seconds, pulses, seconds - self._now[0]))
            self._thin()
        self._now = (seconds, pulses)

    def rate(self, since: float | None = None) -> Rate | None:
        """Return the mean rate since that moment (monotonic seconds) as well as it is known.

        By default it is the rate over the shortest time that gives the resolution. None: unknown,
        because there has been no pulse yet, nor ``zero_after`` seconds without.
        """
        if self._now is None:
            return None
        latest = self._edges[-1]
        quiet = self._now[0] - latest.seconds
        if quiet >= self.zero_after:
            return Rate(0.0, 1 / quiet)
        span = self._span(latest, latest.seconds if since is None else since)
        if span is None:
            return None
        if quiet > 0 and span.rate > 1 / quiet:
            return Rate(1 / quiet, 1 / quiet)
        return Rate(span.rate, span.rate * span.doubt)

    def _span(self, latest: _Edge, since: float) -> _Span | None:
        furthest = max(self.zero_after, latest.seconds - since)
        best: _Span | None = None
        for start in self._starts():
            span = _Span(start, latest)
            # One pulse after a long rest: a rate by itself it does not give.
            if best is not None and span.seconds > furthest and best.doubt < 1:
                break
            if best is None or start.seconds >= since or span.doubt <= best.doubt:
                best = span
            if start.seconds <= since and best.doubt <= self.resolution:
                break
        return best

    def _starts(self) -> Iterator[_Edge]:
        # From the latest to the earliest.
        edges = reversed(self._edges)
        next(edges)
        if self._rest is None:
            return
        before = next(edges)
        if before.seconds < self._rest.seconds:
            yield self._rest
        yield before
        yield from edges

    def _thin(self) -> None:
        # Old edges may stand further apart: the longer a span, the less it matters where it begins.
        if len(self._edges) > _MOST_EDGES:
            half = len(self._edges) // 2
            self._edges[:half] = self._edges[:half:2]
