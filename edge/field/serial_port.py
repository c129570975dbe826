"""A serial port on the asyncio loop, over pyserial."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import Callable
from pathlib import Path
from termios import error as TermiosError  # noqa: N812 - it is an exception

import serial

from edge.field.ration import Ration
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
    """A port that hands over bytes as they come; open it as often as it has been lost.

    ``on_lost`` is called when the port turns out to be lost, not when it is closed on purpose.
    """

    def __init__(
        self,
        settings: SerialSettings,
        on_bytes: Callable[[bytes], None],
        on_lost: Callable[[], None] = lambda: None,
    ) -> None:
        self._settings = settings
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        self._serial: serial.Serial | None = None
        self._ration = Ration()
        self._resting: asyncio.TimerHandle | None = None

    @property
    def is_open(self) -> bool:
        """Whether the port is open, as far as is known."""
        return self._serial is not None

    async def open(self) -> Reason:
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
            return self.why_closed()
        self._listen()
        return Reason.OK

    def why_closed(self) -> Reason:
        """Say why the port is not open although it should be."""
        return why_closed(self._settings.port)

    def write(self, data: bytes) -> bool:
        """Send bytes; False when the port turned out to be lost.

        Whatever came before is forgotten: it is no reply to what is sent now.
        """
        if self._serial is None:
            return False
        try:
            self._serial.reset_input_buffer()
            # Requests are far shorter than the kernel's buffer, so this never waits.
            self._serial.write(data)
        except (OSError, TermiosError):
            self._lose()
            return False
        return True

    def close(self) -> None:
        """Let go of the port; closing a closed port is fine."""
        if self._resting is not None:
            self._resting.cancel()
            self._resting = None
        if self._serial is not None:
            asyncio.get_running_loop().remove_reader(self._serial.fileno())
            # The kernel would hold up the close, and the loop, for what an adapter does not take.
            with contextlib.suppress(OSError, TermiosError):
                self._serial.reset_output_buffer()
            self._serial.close()
            self._serial = None

    def _lose(self) -> None:
        self.close()
        self._on_lost()

    def _listen(self) -> None:
        self._resting = None
        if self._serial is not None:
            asyncio.get_running_loop().add_reader(self._serial.fileno(), self._readable)

    def _readable(self) -> None:
        assert self._serial is not None  # noqa: S101 - the reader is removed when it is closed
        try:
            data = self._serial.read(4096)
        except OSError:
            # An adapter that was pulled out reads as an error, or as an endless end of file.
            self._lose()
            return
        self._rest_if_it_babbles(len(data))
        self._on_bytes(data)

    def _rest_if_it_babbles(self, size: int) -> None:
        loop = asyncio.get_running_loop()
        pause = self._ration.pause_after(loop.time(), size)
        if pause > 0 and self._serial is not None:
            loop.remove_reader(self._serial.fileno())
            self._resting = loop.call_later(pause, self._listen)
