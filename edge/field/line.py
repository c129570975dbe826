"""Serial devices that speak in lines of text, when asked or unasked."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence

from edge.clock import Clock
from edge.field.driver import Instant
from edge.field.line_codec import LineReader, LineSplitter, number
from edge.field.serial_port import SerialPort, why_closed
from edge.readings import Sample
from edge.station.model import LineBus, LineRead
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
        self._last: tuple[bytes, Instant, float] | None = None  # line, when, event-loop time

    @property
    def connected(self) -> bool:
        """See `Driver`."""
        return self._port.is_open

    async def open(self) -> Reason:
        """See `Driver`."""
        self._last = None
        return self._port.open()

    async def close(self) -> None:
        """See `Driver`."""
        self._port.close()

    async def read(self, device: str, channels: Sequence[str], *, tries: int) -> list[Sample]:
        """See `Driver`."""
        before = Instant.now(self._clock)
        if self._bus.devices[device].request is None:
            fields, instant = self._overheard(device)
        else:
            fields = await self._ask(device, tries)
            instant = before.until(Instant.now(self._clock))
        return [
            instant.sample(
                channel,
                fields
                if isinstance(fields, Reason)
                else number(fields[self._points[channel].field]),
            )
            for channel in channels
        ]

    async def _ask(self, device: str, tries: int) -> Fields:
        settings = self._bus.devices[device]
        request = (settings.request or "").encode("latin-1")
        fields: Fields = Reason.NO_REPLY
        for _ in range(tries):
            # Whatever came before this moment is no reply to what is asked now.
            self._splitter = self._splitter_for(device)
            self._lines = asyncio.Queue(_MOST_LINES_WAITING)
            if not self._port.write(request):
                break
            fields = await self._reply(device, request)
            if not isinstance(fields, Reason):
                return fields
        return fields if self.connected else why_closed(self._bus.port)

    async def _reply(self, device: str, request: bytes) -> Fields:
        try:
            async with asyncio.timeout(self._bus.devices[device].timeout.value):
                line = await self._lines.get()
                # A two-wire converter may hear itself.
                if line.strip() == request.strip():
                    line = await self._lines.get()
        except TimeoutError:
            return Reason.SHORT_FRAME if self._splitter.unfinished else Reason.NO_REPLY
        return self._readers[device].read(line)

    def _overheard(self, device: str) -> tuple[Fields, Instant]:
        settings, now = self._bus.devices[device], asyncio.get_running_loop().time()
        if not self.connected:
            return why_closed(self._bus.port), Instant.now(self._clock)
        if self._last is None or now - self._last[2] > settings.timeout.value:
            return Reason.SILENT, Instant.now(self._clock)
        line, instant, _ = self._last
        return self._readers[device].read(line), instant

    def _splitter_for(self, device: str) -> LineSplitter:
        return LineSplitter(self._bus.devices[device].terminator.encode("latin-1"))

    def _bytes(self, data: bytes) -> None:
        for line in self._splitter.feed(data):
            self._last = line, Instant.now(self._clock), asyncio.get_running_loop().time()
            if not self._lines.full():
                self._lines.put_nowait(line)
