"""Word to systemd, by the sd_notify protocol (a datagram of ``KEY=value`` lines; sd_notify(3))."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Mapping


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
        self._send(f"STATUS={text}")

    def _send(self, message: str) -> None:
        if not self._address:
            return
        # A manager that does not listen is no reason to stop logging water levels.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.setblocking(False)
            out.sendto(message.encode(), self._address)
