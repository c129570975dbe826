"""Word to systemd, by the sd_notify protocol (a datagram of ``KEY=value`` lines; sd_notify(3)).

Signs of life come from the event loop itself: a loop that stands still gives none, and after
``WatchdogSec`` the service manager ends the process with SIGABRT and starts it afresh. They say
nothing of single tasks. A task that hangs is not mended by losing what all others hold in memory:
a bus gives up a round that does not end by itself, and a disk that hangs would hang again.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Mapping

# Seconds between two lines for the service manager where it wants no signs of life.
_STATUS_EVERY = 30.0


class Notifier:
    """Tells the service manager how the daemon is; does nothing where there is none."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        self._address = environ.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):  # the abstract namespace
            self._address = "\0" + self._address[1:]
        watchdog = environ.get("WATCHDOG_USEC", "")
        self.watchdog_period: float | None = (
            int(watchdog) / 2e6 if watchdog.isdigit() and int(watchdog) else None
        )
        """Seconds between signs of life: half of what the manager allows. None: not wanted."""

    def ready(self) -> None:
        """Say that start-up is complete."""
        self._send("READY=1")

    def stopping(self) -> None:
        """Say that the daemon is on its way out."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """Keep the watchdog quiet."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line for ``systemctl status``."""
        # A line break would begin another assignment.
        self._send("STATUS=" + " ".join(text.splitlines()))

    async def until(self, stop: asyncio.Event, status: Callable[[], str]) -> None:
        """Give signs of life, and the ``status`` of the moment, until ``stop`` is set."""
        while not stop.is_set():
            self.alive()
            self.status(status())
            # Real seconds: the service manager has no other.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self.watchdog_period or _STATUS_EVERY):
                    await stop.wait()

    def _send(self, message: str) -> None:
        if not self._address:
            return
        # A manager that does not listen is no reason to stop logging water levels.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.setblocking(False)
            out.sendto(message.encode(), self._address)
