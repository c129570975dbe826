"""Sends what a device has to say, at once or after a while."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable

from hw_fakes.faults import Transmission


class Sender:
    """Hands bytes to ``write`` when their time has come, unless cancelled before."""

    def __init__(self, write: Callable[[bytes], None]) -> None:
        self._write = write
        self._timers: set[asyncio.TimerHandle] = set()

    def send(self, transmissions: Iterable[Transmission]) -> None:
        """Send each after its delay in real seconds."""
        for transmission in transmissions:
            if transmission.after <= 0:
                self._write(transmission.data)
            else:
                self._send_later(transmission)

    def cancel(self) -> None:
        """Forget what has not been sent yet."""
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()

    def _send_later(self, transmission: Transmission) -> None:
        def fire() -> None:
            self._timers.discard(timer)
            self._write(transmission.data)

        timer = asyncio.get_running_loop().call_later(transmission.after, fire)
        self._timers.add(timer)
