"""Clocks for a world that need not run at the pace of this one.

Both are an `edge.clock.Clock`. Setting the computer's clock is a fault of its own, so both can be
stepped: that moves UTC and leaves the monotonic scale alone, as on a real computer.
"""

from __future__ import annotations

import asyncio
import contextlib
import heapq
import itertools
import time

# A woken task may wake another, which may wake a third, before any of them sleeps again. So many
# turns of the event loop settle every chain in the project; an idle turn costs microseconds.
_TURNS_TO_SETTLE = 25


class ScaledClock:
    """Runs at ``speed`` times the pace of real time, from ``start_utc_ms``.

    Raises ValueError when ``speed`` is not positive.
    """

    def __init__(self, start_utc_ms: int, speed: float = 1.0) -> None:
        self._utc_at_start = start_utc_ms
        self._changed = asyncio.Event()  # a new one every time the pace changes
        self._speed = 1.0
        self.begin_anew()
        self.speed = speed

    @property
    def speed(self) -> float:
        """Multiple of real time; can be set while others sleep."""
        return self._speed

    @speed.setter
    def speed(self, speed: float) -> None:
        if speed <= 0:
            msg = f"a clock cannot run at {speed} times real time"
            raise ValueError(msg)
        self._now, self._then = self.monotonic(), time.monotonic()
        self._speed = speed
        self._changed.set()
        self._changed = asyncio.Event()

    def begin_anew(self) -> None:
        """Go back to the start, for a world that has not been looked at yet."""
        self._now, self._then = 0.0, time.monotonic()

    def utc_ms(self) -> int:
        """Milliseconds since 1970-01-01 00:00 UTC."""
        return self._utc_at_start + int(self.monotonic() * 1000)

    def monotonic(self) -> float:
        """Scaled seconds since the clock was made."""
        return self._now + (time.monotonic() - self._then) * self._speed

    async def sleep(self, seconds: float) -> None:
        """Return after that many scaled seconds."""
        until = self.monotonic() + seconds
        await asyncio.sleep(0)
        # The event loop may wake a hair early, which at a high speed is a long time.
        while (left := until - self.monotonic()) > 0:
            changed = self._changed
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(left / self._speed):
                    await changed.wait()

    def step(self, milliseconds: int) -> None:
        """Set UTC forward (or back) by that much."""
        self._utc_at_start += milliseconds


class ManualClock:
    """Stands still until told to go on; the same calls always wake the same sleepers in order."""

    def __init__(self, start_utc_ms: int = 0) -> None:
        self._utc_at_start = start_utc_ms
        self._now = 0.0
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()

    def utc_ms(self) -> int:
        """Milliseconds since 1970-01-01 00:00 UTC."""
        return self._utc_at_start + round(self._now * 1000)

    def monotonic(self) -> float:
        """Seconds by which the clock has been advanced so far."""
        return self._now

    @property
    def sleepers(self) -> int:
        """How many tasks are asleep on this clock."""
        return sum(not future.done() for _, _, future in self._sleepers)

    async def sleep(self, seconds: float) -> None:
        """Return once the clock has been advanced that far; at once when not positive."""
        if seconds <= 0:
            await asyncio.sleep(0)
            return
        future = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (self._now + seconds, next(self._order), future))
        await future

    async def advance(self, seconds: float) -> None:
        """Let time pass: wake sleepers at their own instants, in order, each with time to act.

        A task that sleeps again within the span is woken again within it. Tasks that wait for
        real I/O are not waited for.
        """
        until = self._now + seconds
        await self.settle()
        while self._sleepers and self._sleepers[0][0] <= until:
            self._now, _, future = heapq.heappop(self._sleepers)
            if not future.done():
                future.set_result(None)
                await self.settle()
        self._now = until
        await self.settle()

    async def settle(self) -> None:
        """Let every task that is able to run do so, without time passing."""
        for _ in range(_TURNS_TO_SETTLE):
            await asyncio.sleep(0)

    def step(self, milliseconds: int) -> None:
        """Set UTC forward (or back) by that much; nobody wakes."""
        self._utc_at_start += milliseconds
