"""One time for several processes, faster than life, and a computer's clock that may be wrong."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass

START = 1_803_884_400_000
"""2027-03-01 00:00 at the Ash Creek wells: when the world of a run begins."""


@dataclass(frozen=True, slots=True)
class TrueTime:
    """The time of the simulated world: since ``began`` (on the system's monotonic scale) it has
    run at ``speed`` times the pace of life. The system's monotonic scale is that of all processes.
    """

    began: float
    speed: float

    @classmethod
    def beginning_now(cls, speed: float) -> TrueTime:
        """Return the time of a world that begins at this instant."""
        return cls(time.monotonic(), speed)

    def seconds(self) -> float:
        """Seconds since the world began."""
        return (time.monotonic() - self.began) * self.speed

    async def sleep(self, seconds: float) -> None:
        """Return when so many seconds of the world have passed."""
        until = self.seconds() + seconds
        while (left := until - self.seconds()) > 0:  # noqa: ASYNC110 - time makes no event
            await asyncio.sleep(left / self.speed)


class WrongClock:
    """An `edge.clock.Clock` of a computer whose wall clock is ``error_ms`` ahead of the world.

    Its monotonic scale begins when the computer was ``booted`` (seconds of the world).
    """

    def __init__(self, world: TrueTime, booted: float, error_ms: int) -> None:
        self.error_ms = error_ms
        self._world = world
        self._booted = booted

    def utc_ms(self) -> int:
        """What the wall clock shows, in milliseconds since 1970-01-01 00:00 UTC."""
        return START + int(self._world.seconds() * 1000) + self.error_ms

    def monotonic(self) -> float:
        """Seconds since the computer was booted."""
        return self._world.seconds() - self._booted

    async def sleep(self, seconds: float) -> None:
        """Return after that many seconds."""
        await self._world.sleep(seconds)
