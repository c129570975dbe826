"""A serial port on the asyncio loop, over pyserial."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from pathlib import Path

import serial

from edge.station.model import SerialSettings
from edge.status import Reason


def why_closed(path: str) -> Reason:
    """Say why a serial port that should be open is not."""
    if not Path(path).exists():
        return Reason.PORT_ABSENT
    if not os.access(path, os.R_OK | os.W_OK):
        return Reason.PORT_DENIED
    return Reason.PORT_UNUSABLE


class SerialPort:
    """A port that hands over bytes as they come; open it as often as it has been lost."""

    def __init__(self, settings: SerialSettings, on_bytes: Callable[[bytes], None]) -> None:
        self._settings = settings
        self._on_bytes = on_bytes
        self._serial: serial.Serial | None = None

    @property
    def is_open(self) -> bool:
        """Whether the port is open, as far as is known."""
        return self._serial is not None

    def open(self) -> Reason:
        """Open the port; return OK, or why that failed."""
        self.close()
        data_bits, parity, stop_bits = self._settings.line_settings
        try:
            self._serial = serial.Serial(
                self._settings.port,
                baudrate=self._settings.baud,
                bytesize=data_bits,
                parity=parity,
                stopbits=stop_bits,
                timeout=0,
                write_timeout=0,
                exclusive=True,
            )
        except (OSError, ValueError):
            return why_closed(self._settings.port)
        asyncio.get_running_loop().add_reader(self._serial.fileno(), self._readable)
        return Reason.OK

    def write(self, data: bytes) -> bool:
        """Send bytes; False when the port turned out to be lost."""
        if self._serial is None:
            return False
        try:
            # Requests are far shorter than the kernel's buffer, so this never waits.
            self._serial.write(data)
        except OSError:
            self.close()
            return False
        return True

    def close(self) -> None:
        """Let go of the port; closing a closed port is fine."""
        if self._serial is not None:
            asyncio.get_running_loop().remove_reader(self._serial.fileno())
            self._serial.close()
            self._serial = None

    def _readable(self) -> None:
        assert self._serial is not None  # noqa: S101 - the reader is removed when it is closed
        try:
            data = self._serial.read(4096)
        except OSError:
            # An adapter that was pulled out reads as an error, or as an endless end of file.
            self.close()
            return
        self._on_bytes(data)
