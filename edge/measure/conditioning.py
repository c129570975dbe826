"""What a measured value goes through on its way: filters, and an eye on how it moves.

The order is median, mean, damping: a median takes out single wrong numbers, which a mean would
smear. The eye is kept on the number as it came, for a filter would hide what it looks for. A bad
value passes through at once, and the filters begin anew after it.
"""

from __future__ import annotations

import math
from collections import deque

from edge.measure.filters import Damping, Mean, Median
from edge.measure.values import Value
from edge.measure.watch import RateOfChange, StuckSignal
from edge.status import Reason


class Conditioner:
    """Filters and watches one stream of values; whatever is left out is not done."""

    def __init__(
        self,
        *,
        median: Median | None = None,
        mean: Mean | None = None,
        damping: Damping | None = None,
        stuck: StuckSignal | None = None,
        speed: RateOfChange | None = None,
    ) -> None:
        self._median = median
        self._mean = mean
        self._damping = damping
        self._stuck = stuck
        self._speed = speed
        sizes = [window.size for window in (median, mean) if window]
        self._reasons: deque[Reason] = deque(maxlen=sum(sizes) or 1)

    def stretch(self, times: int) -> None:
        """Take note that values come so many times less often than configured."""
        if self._stuck:
            self._stuck.stretch(times)

    def take(self, value: Value) -> Value:
        """Return the value filtered, with what the watch has to say about it."""
        number = value.number
        if number is None:
            self._reset()
            return value
        if not math.isfinite(number):
            self._reset()
            return value.becomes(None, Reason.NOT_A_NUMBER)
        doubts = [
            watch.take(number, value.monotonic) for watch in (self._speed, self._stuck) if watch
        ]
        for window in (self._median, self._mean):
            if window:
                number = window.take(number)
        # A mean is in doubt for as long as what was in doubt is in its window.
        self._reasons.append(value.reason)
        doubts += self._reasons
        if self._damping:
            number = self._damping.take(number, value.monotonic)
        return value.becomes(number, *doubts)

    def _reset(self) -> None:
        self._reasons.clear()
        for part in (self._median, self._mean, self._damping, self._stuck, self._speed):
            if part:
                part.reset()
