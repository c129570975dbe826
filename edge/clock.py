"""Time, as the rooms above see it.

No other module asks the operating system what time it is: each is handed a `Clock`, or the time
itself. That is what lets the bench run a day in a minute with the daemon's own code.

Times on the clock's two scales: *UTC milliseconds* (since 1970-01-01) say when something happened;
*monotonic seconds* (from an origin that means nothing) say how long something took. Time-outs of
real hardware follow neither: they are real seconds, counted by the event loop itself.
"""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What gives a component its sense of time."""

    def utc_ms(self) -> int:
        """Milliseconds since 1970-01-01 00:00 UTC."""
        ...

    def monotonic(self) -> float:
        """Seconds that never go backwards, from an arbitrary origin."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Return after that many seconds of this clock; at once when not positive."""
        ...


class SystemClock:
    """The time of the computer."""

    def utc_ms(self) -> int:
        """Milliseconds since 1970-01-01 00:00 UTC."""
        return time.time_ns() // 1_000_000

    def monotonic(self) -> float:
        """Seconds since some point before the program started."""
        return time.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Return after that many seconds."""
        await asyncio.sleep(max(0.0, seconds))


async def wait_for_event(event: asyncio.Event, clock: Clock, seconds: float) -> bool:
    """Wait for ``event``, at most ``seconds`` on ``clock``. True when the event came."""
    if event.is_set():
        return True
    waiter = asyncio.ensure_future(event.wait())
    timer = asyncio.ensure_future(clock.sleep(seconds))
    try:
        await asyncio.wait({waiter, timer}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        waiter.cancel()
        timer.cancel()
    return event.is_set()


def next_slot(now_ms: int, interval_ms: int) -> int:
    """Return the first multiple of ``interval_ms`` after ``now_ms``: schedules keep to the wall."""
    return (now_ms // interval_ms + 1) * interval_ms


def iso_utc(utc_ms: int) -> str:
    """Write UTC milliseconds in ISO 8601, as ``2026-03-01T06:30:00.000Z``."""
    moment = datetime.fromtimestamp(utc_ms // 1000, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{utc_ms % 1000:03d}Z"
