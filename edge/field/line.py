"""Serial devices that speak in lines of text, when asked or unasked.

A line does not say who sent it. A reply that comes after its time-out would pass for that of the
device asked next; so another device is asked only when the late one has had two more time-outs to
say what it still had to say.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping, Sequence

from edge.clock import Clock
from edge.field.driver import Instant
from edge.field.line_codec import LineReader, LineSplitter, number
from edge.field.serial_port import SerialPort
from edge.readings import Sample
from edge.station.model import LineBus
from edge.station.reads import LineRead
from edge.status import Reason

Fields = Mapping[str, str] | Reason

# An echo and a reply are all that a request can lead to; more is babble.
_MOST_LINES_WAITING = 4


class LineDriver:
    """A `Driver` for a line bus; ``points`` maps channels to the fields they read.

    Every line that comes is put in a queue for whoever waits for a reply, and remembered as the
    last one, for the device that talks unasked.
    """

    def __init__(self, bus: LineBus, points: Mapping[str, LineRead], clock: Clock) -> None:
        self._bus = bus
        self._points = points
        self._clock = clock
        self._port = SerialPort(bus, self._bytes)
        self._readers = {name: LineReader(device) for name, device in bus.devices.items()}
        self._lines: asyncio.Queue[bytes] = asyncio.Queue(_MOST_LINES_WAITING)
        self._splitter = self._splitter_for(next(iter(bus.devices)))
        self._owing, self._owing_until = "", 0.0  # who owes a reply, until which event-loop time
        self._last: tuple[bytes, Instant, float] | None = None  # line, when, event-loop time
        self._heard = asyncio.Event()
        self._first_word_by = 0.0  # event-loop time

    @property
    def connected(self) -> bool:
        """See `Driver`."""
        return self._port.is_open

    async def open(self) -> Reason:
        """See `Driver`."""
        self._last = None
        self._splitter.overflowed = False
        self._heard.clear()
        longest = max(device.timeout.value for device in self._bus.devices.values())
        self._first_word_by = asyncio.get_running_loop().time() + longest
        return await self._port.open()

    async def close(self) -> None:
        """See `Driver`."""
        self._port.close()

    async def read(self, device: str, channels: Sequence[str], *, tries: int) -> list[Sample]:
        """See `Driver`."""
        if self._bus.devices[device].request is None:
            fields, instant = await self._overhear(device)
        else:
            fields, instant = await self._ask(device, tries)
        if isinstance(fields, Reason):
            return instant.samples(dict.fromkeys(channels, fields))
        return instant.samples(
            {name: number(fields[self._points[name].field]) for name in channels}
        )

    async def _ask(self, device: str, tries: int) -> tuple[Fields, Instant]:
        """Return the fields of a device's reply, or why there are none, and when."""
        loop, grace = asyncio.get_running_loop(), 2 * self._bus.devices[device].timeout.value
        if self._owing != device:
            await asyncio.sleep(max(0.0, self._owing_until - loop.time()))
        for failed in range(tries):
            before = Instant.now(self._clock)
            fields = await self._try(device)
            instant = before.until(Instant.now(self._clock))
            if failed or isinstance(fields, Reason):
                self._owing, self._owing_until = device, loop.time() + grace
            if not (isinstance(fields, Reason) and self.connected):
                break
        return fields, instant

    async def _try(self, device: str) -> Fields:
        """Ask once."""
        settings = self._bus.devices[device]
        request = (settings.request or "").encode("latin-1")
        # Whatever came before this moment is no reply to what is asked now.
        self._splitter = self._splitter_for(device)
        self._lines = asyncio.Queue(_MOST_LINES_WAITING)
        if not self._port.write(request):
            return self._port.why_closed()
        try:
            async with asyncio.timeout(settings.timeout.value):
                line = await self._lines.get()
                # A two-wire converter may hear itself.
                if line.strip() == request.strip():
                    line = await self._lines.get()
        except TimeoutError:
            if not self.connected:
                return self._port.why_closed()
            if self._splitter.overflowed:
                return Reason.BABBLE
            return Reason.SHORT_FRAME if self._splitter.unfinished else Reason.NO_REPLY
        return self._readers[device].read(line)

    async def _overhear(self, device: str) -> tuple[Fields, Instant]:
        """Return the fields of the last line heard, or why there are none, and when that was."""
        loop, timeout = asyncio.get_running_loop(), self._bus.devices[device].timeout.value
        if self.connected and self._last is None:
            # The port has just been opened: let the device come to its first word.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout_at(self._first_word_by):
                    await self._heard.wait()
        if not self.connected:
            return self._port.why_closed(), Instant.now(self._clock)
        if self._splitter.overflowed:
            return Reason.BABBLE, Instant.now(self._clock)
        if self._last is None or loop.time() - self._last[2] > timeout:
            return Reason.SILENT, Instant.now(self._clock)
        line, instant, _ = self._last
        return self._readers[device].read(line), instant

    def _splitter_for(self, device: str) -> LineSplitter:
        return LineSplitter(self._bus.devices[device].terminator.encode("latin-1"))

    def _bytes(self, data: bytes) -> None:
        lines = self._splitter.feed(data)
        if not lines:
            return
        self._last = lines[-1], Instant.now(self._clock), asyncio.get_running_loop().time()
        self._heard.set()
        # The first ones count: an echo, then the reply.
        for line in lines[: _MOST_LINES_WAITING - self._lines.qsize()]:
            self._lines.put_nowait(line)
