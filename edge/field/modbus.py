"""Modbus RTU and Modbus TCP: one request at a time, and what to make of what comes back.

A bus's channels and its outputs share one driver; whoever asks waits until the wire is free.

Theory of operation. `modbus_frames` writes requests and finds replies; the ports carry bytes. What
is left is bearing with devices and lines:

*Late replies.* An RTU frame carries no transaction number: a reply that comes after its time-out
would pass for the reply to the next request, if that goes to the same unit. Repeating the *same*
request is harmless. A different one waits until the unit has had two more time-outs to say what it
still had to say. Over TCP the transaction's number tells a late reply.

*Silence.* RTU frames are told apart by silence alone. A fast computer would ask the next unit
before the last one's frame has ended in the ears of the others; so a request waits for the silence
that the standard prescribes.

*Echoes.* A two-wire adapter may hear what it sends. Of a read that is no reply. But the reply to
a written coil is the request over again: on a line that has been heard to echo, it must come twice.

*Babble.* Only the last of what was heard is kept, and looked through for the reply. Where more came
than any device has to say, that is the reason there is none.

*Half-dead connections.* A TCP connection can stand for a quarter of an hour after the other end has
lost its power. When several requests in a row brought not a single byte, it is made anew.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence

from edge.clock import Clock
from edge.field.driver import Instant, Said
from edge.field.modbus_codec import FUNCTIONS, Request, decode, plan, silence_between_frames
from edge.field.modbus_frames import (
    LONGEST_FRAME,
    WRITE_COIL,
    Asked,
    Framing,
    diagnose,
    find_reply,
    values,
)
from edge.field.serial_port import SerialPort
from edge.field.tcp_port import TcpPort
from edge.readings import Sample
from edge.station.model import ModbusDevice, ModbusRtuBus, ModbusTcpBus
from edge.station.reads import ModbusRead
from edge.status import Reason

# Another unit's late frame and the reply: more is babble.
_MOST_HEARD = 2 * LONGEST_FRAME

# Requests in a row without a byte in reply, after which a TCP connection is made anew.
_MOST_UNHEARD = 3

# Seconds a TCP connection may take to be made, at the least: a lost packet costs one or three.
_CONNECT_WITHIN = 3.0


class ModbusDriver:
    """A `Driver` for a Modbus bus of either kind; ``points`` maps channels to their registers."""

    def __init__(
        self, bus: ModbusRtuBus | ModbusTcpBus, points: Mapping[str, ModbusRead], clock: Clock
    ) -> None:
        self._bus = bus
        self._points = points
        self._clock = clock
        self._stray_until: dict[int, float] = {}  # unit -> event-loop time
        self._plans: dict[tuple[str, ...], list[Request]] = {}
        self._gap = silence_between_frames(bus.baud) if isinstance(bus, ModbusRtuBus) else 0.0
        self._quiet_until = 0.0  # event-loop time
        self._framing: Framing = "rtu" if isinstance(bus, ModbusRtuBus) else "tcp"
        self._port = self._make_port()
        self._transaction = 0
        self._asked: Asked | None = None
        self._reply: asyncio.Future[bytes | None] | None = None  # None: the port was lost
        self._heard = b""
        self._heard_in_all = 0
        self._unheard = 0
        self._echoes = False
        self._wire = asyncio.Lock()

    @property
    def connected(self) -> bool:
        """See `Driver`."""
        return self._port.is_open

    async def open(self) -> Reason:
        """See `Driver`. A port that somebody has opened meanwhile is left as it is."""
        async with self._wire:
            if self.connected:
                return Reason.OK
            self._unheard = 0
            return await self._port.open()

    async def close(self) -> None:
        """See `Driver`."""
        self._port.close()

    async def read(self, device: str, channels: Sequence[str], *, tries: int) -> list[Sample]:
        """See `Driver`."""
        key = tuple(channels)
        if key not in self._plans:
            self._plans[key] = plan({channel: self._points[channel] for channel in channels})
        samples: list[Sample] = []
        for request in self._plans[key]:
            answer, instant = await self._ask(
                self._bus.devices[device], request.function, request.address, request.count, tries
            )
            if answer in (Reason.NO_REPLY, Reason.BABBLE):
                tries = 1  # most likely it is the device; do not wait the same wait over and over
            samples += instant.samples(_spread(request, answer))
        return samples

    async def write_coil(self, device: str, register: int, *, on: bool, tries: int = 1) -> Reason:
        """Switch one coil; return OK when the device has said that it did, or why it has not."""
        answer, _ = await self._ask(
            self._bus.devices[device], WRITE_COIL, register, 1, tries, on=on
        )
        return answer if isinstance(answer, Reason) else Reason.OK

    async def read_bit(
        self, device: str, table: str, register: int, *, tries: int = 1
    ) -> bool | Reason:
        """Return a coil (table "coil") or discrete input ("discrete"), or why there is none."""
        answer, _ = await self._ask(self._bus.devices[device], FUNCTIONS[table], register, 1, tries)
        return answer if isinstance(answer, Reason) else bool(answer[0])

    async def _ask(
        self,
        device: ModbusDevice,
        function: int,
        address: int,
        count: int,
        tries: int,
        *,
        on: bool = False,
    ) -> tuple[list[int] | Reason, Instant]:
        """Return what was answered, or why nothing was, and when."""
        async with self._wire:
            await self._wait_for_silence(device.unit)
            for failed in range(tries):
                before = Instant.now(self._clock)
                self._transaction = self._transaction % 0xFFFF + 1
                asked = Asked(
                    self._framing, device.unit, function, address, count, self._transaction, on
                )
                replied = False
                try:
                    answer, replied = await self._try(asked, device.timeout.value)
                finally:
                    # Every try that failed, or was given up, still owes its reply, this one's
                    # success notwithstanding.
                    if self._framing == "rtu" and (failed or not replied):
                        grace = 2 * device.timeout.value
                        self._stray_until[device.unit] = asyncio.get_running_loop().time() + grace
                instant = before.until(Instant.now(self._clock))
                if replied or not self.connected:
                    break
            return answer, instant

    async def _try(self, asked: Asked, within: float) -> tuple[list[int] | Reason, bool]:
        """Ask once; return the answer or a reason, and whether the device replied."""
        reply: asyncio.Future[bytes | None] = asyncio.get_running_loop().create_future()
        self._asked, self._reply = asked, reply
        self._heard, self._heard_in_all = b"", 0
        try:
            if not self._port.write(asked.frame):
                return self._port.why_closed(), False
            async with asyncio.timeout(within):
                pdu = await reply
        except TimeoutError:
            return self._why_none(asked), False
        finally:
            self._asked = self._reply = None
            self._quiet_until = asyncio.get_running_loop().time() + self._gap
        if pdu is None:
            return self._port.why_closed(), False
        return values(pdu, asked), True

    def _why_none(self, asked: Asked) -> Reason:
        """Say why there was no reply within the time-out."""
        if not self._heard_in_all:
            self._unheard += 1
        if self._unheard >= _MOST_UNHEARD and isinstance(self._port, TcpPort):
            self._port.close()
        if self._heard_in_all > _MOST_HEARD:
            return Reason.BABBLE
        return diagnose(self._without_echo(self._heard, asked), asked)

    async def _wait_for_silence(self, unit: int) -> None:
        until = max(self._quiet_until, self._stray_until.pop(unit, 0.0))
        await asyncio.sleep(max(0.0, until - asyncio.get_running_loop().time()))

    def _make_port(self) -> SerialPort | TcpPort:
        bus = self._bus
        if isinstance(bus, ModbusRtuBus):
            return SerialPort(bus, self._bytes, self._lost)
        longest = max(device.timeout.value for device in bus.devices.values())
        within = max(_CONNECT_WITHIN, 2 * longest)
        return TcpPort(bus.host, bus.port, within, self._bytes, self._lost)

    def _bytes(self, data: bytes) -> None:
        # What comes unasked is nobody's reply.
        if self._asked is None or self._reply is None or self._reply.done():
            return
        self._unheard = 0
        self._heard_in_all += len(data)
        self._heard = (self._heard + data)[-_MOST_HEARD:]
        pdu = find_reply(self._without_echo(self._heard, self._asked), self._asked)
        if pdu is not None:
            self._reply.set_result(pdu)

    def _without_echo(self, heard: bytes, asked: Asked) -> bytes:
        """Return what was heard without the request itself, where the line is known to echo."""
        if self._framing != "rtu":
            return heard
        before, echo, after = heard.partition(asked.frame)
        if asked.function != WRITE_COIL:
            self._echoes = bool(echo)
            return heard
        return before + after if self._echoes else heard

    def _lost(self) -> None:
        if self._reply is not None and not self._reply.done():
            self._reply.set_result(None)


def _spread(request: Request, reply: list[int] | Reason) -> Said:
    if isinstance(reply, Reason):
        return {channel: reply for channel, _, _ in request.members}
    return {
        channel: decode(reply[offset : offset + point.width], point)
        for channel, offset, point in request.members
    }
