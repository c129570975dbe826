"""A serial adapter made of a pseudo-terminal: real bytes through a real tty, no hardware.

The simulated devices hold one end of the pair. The other is what a program opens, at a path that
stays the same however often the adapter is pulled and plugged, as udev's ``/dev/serial/by-id``
does for real ones. A pseudo-terminal has no baud rate and refuses parity.
"""

from __future__ import annotations

import asyncio
import os
import pty
import tty
from collections.abc import Callable
from pathlib import Path


class PtyPort:
    """One adapter; several simulated devices can hang on it and all hear every byte.

    Needs a running event loop from `plug` to `unplug`.
    """

    def __init__(self, link_path: Path) -> None:
        self.path = link_path
        self._listeners: list[Callable[[bytes], None]] = []
        self._master: int | None = None
        self._slave: int | None = None

    @property
    def plugged(self) -> bool:
        """Whether the adapter is there."""
        return self._master is not None

    @property
    def far_end(self) -> int:
        """The file descriptor of the devices' end. Raises RuntimeError when not plugged."""
        if self._master is None:
            msg = f"{self.path} is not plugged"
            raise RuntimeError(msg)
        return self._master

    def attach(self, on_bytes: Callable[[bytes], None]) -> None:
        """Hand every portion of bytes that arrives to ``on_bytes``, across unplugging."""
        self._listeners.append(on_bytes)

    def plug(self) -> None:
        """Make a new pair and put the link in place; does nothing when already plugged."""
        if self._master is not None:
            return
        # Holding the far end open as well spares the near one from hanging up between clients.
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._slave))
        asyncio.get_running_loop().add_reader(self._master, self._readable)

    def unplug(self) -> None:
        """Take the adapter away; whoever has it open sees it vanish."""
        if self._master is None or self._slave is None:
            return
        asyncio.get_running_loop().remove_reader(self._master)
        self.path.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = None

    def write(self, data: bytes) -> None:
        """Send bytes; those that nobody takes are lost, as on a line without flow control."""
        if self._master is None:
            return
        try:
            os.write(self._master, data)
        except BlockingIOError:
            return

    def _readable(self) -> None:
        assert self._master is not None  # noqa: S101 - the reader goes when the pair does
        try:
            data = os.read(self._master, 4096)
        except BlockingIOError:  # it was read already
            return
        for listener in self._listeners:
            listener(data)
