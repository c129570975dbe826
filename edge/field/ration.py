"""How much a wire may say before it is left alone for a moment.

A device that sends without end would otherwise have the event loop to itself, and every other bus
would be late. What is not read meanwhile stays with the kernel, whose buffer is bounded.
"""

from __future__ import annotations

# More than any serial line carries in that time (4 Mbit/s are 4000 bytes in 10 ms), and far more
# than replies to one who asks for a few registers amount to.
_SPAN_S = 0.01
_MOST_BYTES = 8192
_MOST_READS = 64


class Ration:
    """Counts what was read in the present span of time; times are seconds of the event loop."""

    def __init__(self) -> None:
        self._since = float("-inf")
        self._reads = 0
        self._bytes = 0

    def pause_after(self, now: float, size: int) -> float:
        """Take note of ``size`` bytes read at ``now``; return for how long to read no more."""
        if now - self._since >= _SPAN_S:
            self._since, self._reads, self._bytes = now, 0, 0
        self._reads += 1
        self._bytes += size
        if self._reads < _MOST_READS and self._bytes < _MOST_BYTES:
            return 0.0
        return self._since + _SPAN_S - now
