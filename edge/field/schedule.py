"""When to poll: pure arithmetic on wall-clock milliseconds, and patience with dead devices."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from edge.clock import next_slot


def first_slot_after(now_ms: int, intervals_ms: Iterable[int]) -> int:
    """Return the first instant after ``now_ms`` at which any of the intervals begins anew."""
    return min(next_slot(now_ms, interval) for interval in intervals_ms)


def fell_due(interval_ms: int, after_ms: int, until_ms: int) -> bool:
    """Tell whether a multiple of the interval lies after ``after_ms``, up to ``until_ms``.

    Asked of the time since the last poll rather than of one slot, so that a bus that comes late
    polls late instead of leaving a channel out.
    """
    return until_ms // interval_ms > after_ms // interval_ms


@dataclass(slots=True)
class Patience:
    """Exponential back-off for whatever does not answer.

    The first failure costs nothing: the next poll comes at its usual time. From the second on the
    pause doubles, from ``first_pause`` seconds up to ``limit`` seconds. Times are monotonic.
    """

    limit: float
    first_pause: float = 1.0
    failures: int = 0
    not_before: float = float("-inf")
    """When another try is due."""

    def allows(self, now: float) -> bool:
        """Tell whether another try is due."""
        return now >= self.not_before

    def failed(self, now: float) -> None:
        """Take note of a failure at ``now``."""
        self.failures += 1
        if self.failures > 1:
            doublings = min(self.failures - 2, 30)
            self.not_before = now + min(self.limit, self.first_pause * 2**doublings)

    def succeeded(self) -> None:
        """Forget all failures."""
        self.failures = 0
        self.not_before = float("-inf")
