"""What has arrived at the receiving end, reading by reading, and a way to wait for it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from edge.readings import Journalled


class Arrivals:
    """Every reading of one station that the receiver's books took as new."""

    def __init__(self) -> None:
        self.readings: dict[int, Journalled] = {}
        """By number."""
        self.doubled = 0
        """Readings taken as new though they had come before: under their number, or another."""
        self.latest: dict[str, Journalled] = {}
        """The reading with the highest number, by series."""
        self._moments: set[tuple[str, int]] = set()
        self._grown = asyncio.Event()

    def take(self, new: Sequence[Journalled]) -> None:
        """Enter readings that the books took as new."""
        for reading in new:
            # A series is not read twice in a millisecond: the same again is a copy.
            moment = (reading.series, reading.utc_ms)
            self.doubled += reading.seq in self.readings or moment in self._moments
            self.readings[reading.seq] = reading
            self._moments.add(moment)
            latest = self.latest.get(reading.series)
            if latest is None or latest.seq < reading.seq:
                self.latest[reading.series] = reading
        self._grown.set()

    async def until(self, holds: Callable[[], bool], within_s: float) -> bool:
        """Wait until a condition on what has arrived holds; False when it did not in time."""
        try:
            async with asyncio.timeout(within_s):
                while not holds():
                    self._grown.clear()
                    await self._grown.wait()
        except TimeoutError:
            return False
        return True
