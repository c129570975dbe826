"""The time of the simulated field, which can be held, so that its last pulse can be read."""

from __future__ import annotations

from hw_fakes.clock import ScaledClock

# Water flows this much faster than in life: the counter rolls over within a minute or two.
_SPEED = 10.0


class FieldClock:
    """The time of the simulated field: stands still until it is let go, and after it is held."""

    def __init__(self, start_utc_ms: int) -> None:
        self._held_at: int | None = start_utc_ms
        self._running = ScaledClock(start_utc_ms, _SPEED)

    def utc_ms(self) -> int:
        """Milliseconds since 1970-01-01 00:00 UTC."""
        return self._running.utc_ms() if self._held_at is None else self._held_at

    def monotonic(self) -> float:
        """Seconds of the clock behind it, which never stands still."""
        return self._running.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Return after that many seconds of the clock behind it."""
        await self._running.sleep(seconds)

    def go(self, utc_ms: int) -> None:
        """Go on from an instant, if it stands still."""
        if self._held_at is not None:
            self._running = ScaledClock(utc_ms, _SPEED)
            self._held_at = None

    def hold(self) -> None:
        """Stand still."""
        self._held_at = self.utc_ms()
