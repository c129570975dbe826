"""Modbus RTU and Modbus TCP, over pymodbus.

Theory of operation. pymodbus makes the frames, keeps the connection and matches replies with
requests. Three things are added here:

*Reasons.* pymodbus drops a frame it cannot use and then reports a time-out, whatever was wrong.
The driver therefore listens to the raw bytes (pymodbus' ``trace_packet``) and, when a request has
failed, has `diagnose` look at what was heard.

*Late replies.* An RTU frame carries no transaction number: a reply that comes after its time-out
would pass for the reply to the next request, if that goes to the same unit. Repeating the *same*
request is harmless. A different one waits until the unit has had two more time-outs to say what it
still had to say.

*Silence.* RTU frames are told apart by silence alone. A fast computer would ask the next unit
before the last one's frame has ended in the ears of the others; so a request waits for the silence
that the standard prescribes.

*Sizes.* A reply must carry as many values as were asked for, by the function that was asked.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Mapping, Sequence

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from edge.clock import Clock
from edge.field.driver import Instant, Said
from edge.field.modbus_codec import (
    Framing,
    Request,
    decode,
    diagnose,
    plan,
    silence_between_frames,
)
from edge.field.serial_port import why_closed
from edge.readings import Sample
from edge.station.model import ModbusDevice, ModbusRtuBus, ModbusTcpBus
from edge.station.reads import ModbusRead
from edge.status import Reason, modbus_exception

Client = AsyncModbusSerialClient | AsyncModbusTcpClient

# The driver says itself what went wrong, once a change of state; pymodbus says it on every poll.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


class ModbusDriver:
    """A `Driver` for a Modbus bus of either kind; ``points`` maps channels to their registers."""

    def __init__(
        self, bus: ModbusRtuBus | ModbusTcpBus, points: Mapping[str, ModbusRead], clock: Clock
    ) -> None:
        self._bus = bus
        self._points = points
        self._clock = clock
        self._heard = b""
        self._stray_until: dict[int, float] = {}  # unit -> event-loop time
        self._plans: dict[tuple[str, ...], list[Request]] = {}
        self._gap = silence_between_frames(bus.baud) if isinstance(bus, ModbusRtuBus) else 0.0
        self._quiet_until = 0.0  # event-loop time
        self._framing: Framing = "rtu" if isinstance(bus, ModbusRtuBus) else "tcp"
        self._client: Client | None = None

    @property
    def connected(self) -> bool:
        """See `Driver`."""
        return self._client is not None and self._client.connected

    async def open(self) -> Reason:
        """See `Driver`."""
        await self.close()
        self._client = self._make_client()
        with contextlib.suppress(OSError):
            connected = await self._client.connect()
            _heed_cancellation()
            if connected:
                return Reason.OK
        return self._why_closed()

    async def close(self) -> None:
        """See `Driver`."""
        if self._client is not None:
            self._client.close()
            self._client = None

    async def read(self, device: str, channels: Sequence[str], *, tries: int) -> list[Sample]:
        """See `Driver`."""
        key = tuple(channels)
        if key not in self._plans:
            self._plans[key] = plan({channel: self._points[channel] for channel in channels})
        samples: list[Sample] = []
        for request in self._plans[key]:
            answer, instant = await self._ask(self._bus.devices[device], request, tries)
            if answer is Reason.NO_REPLY:
                tries = 1  # most likely it is the device; do not wait the same wait over and over
            samples += instant.samples(_spread(request, answer))
        return samples

    async def _ask(
        self, device: ModbusDevice, request: Request, tries: int
    ) -> tuple[list[int] | Reason, Instant]:
        """Return what was answered, or why nothing was, and when."""
        await self._wait_for_silence(device.unit)
        for failed in range(tries):
            before = Instant.now(self._clock)
            answer, replied = await self._try(device, request)
            instant = before.until(Instant.now(self._clock))
            if failed or not replied:
                # Every try that failed still owes its reply, this one's success notwithstanding.
                grace = 2 * device.timeout.value
                self._stray_until[device.unit] = asyncio.get_running_loop().time() + grace
            if replied or not self.connected:
                break
        return answer, instant

    async def _try(self, device: ModbusDevice, request: Request) -> tuple[list[int] | Reason, bool]:
        """Ask once; return the answer or a reason, and whether the device replied."""
        if self._client is None or not self._client.connected:
            return self._why_closed(), False
        self._heard = b""
        try:
            async with asyncio.timeout(device.timeout.value):
                reply = await _send(self._client, device.unit, request)
        except (TimeoutError, ModbusException, OSError):
            _heed_cancellation()
            if not self.connected:
                return self._why_closed(), False
            return diagnose(self._heard, device.unit, request.function, self._framing), False
        finally:
            self._quiet_until = asyncio.get_running_loop().time() + self._gap
        _heed_cancellation()
        return _values(request, reply), True

    async def _wait_for_silence(self, unit: int) -> None:
        until = max(self._quiet_until, self._stray_until.pop(unit, 0.0))
        await asyncio.sleep(max(0.0, until - asyncio.get_running_loop().time()))

    def _make_client(self) -> Client:
        # Each request has a time-out of its own, its device's; the client's must only be longer.
        longest = 2 * max(device.timeout.value for device in self._bus.devices.values())
        bus = self._bus
        if isinstance(bus, ModbusRtuBus):
            data_bits, parity, stop_bits = bus.line_settings
            return AsyncModbusSerialClient(
                bus.port,
                baudrate=bus.baud,
                bytesize=data_bits,
                parity=parity,
                stopbits=stop_bits,
                timeout=longest,
                retries=0,
                reconnect_delay=0,
                trace_packet=self._listen,
            )
        return AsyncModbusTcpClient(
            bus.host,
            port=bus.port,
            timeout=longest,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._listen,
        )

    def _listen(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            self._heard = data
        return data

    def _why_closed(self) -> Reason:
        if isinstance(self._bus, ModbusRtuBus):
            return why_closed(self._bus.port)
        return Reason.NO_CONNECTION


def _send(client: Client, unit: int, request: Request) -> Awaitable[ModbusPDU]:
    ask = {
        1: client.read_coils,
        2: client.read_discrete_inputs,
        3: client.read_holding_registers,
        4: client.read_input_registers,
    }[request.function]
    return ask(request.address, count=request.count, device_id=unit)


def _heed_cancellation() -> None:
    # asyncio.wait_for, which pymodbus uses, swallows a cancellation that comes at the same moment
    # as the reply (up to Python 3.11). The task still knows that it was asked to end.
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


def _values(request: Request, reply: ModbusPDU) -> list[int] | Reason:
    if reply.isError():
        return modbus_exception(reply.exception_code)
    if reply.function_code != request.function:
        return Reason.WRONG_REPLY
    if request.function in {1, 2}:
        # Coils come in whole bytes: up to seven more than were asked for.
        bits = [int(bit) for bit in reply.bits]
        whole_bytes = (request.count + 7) // 8 * 8
        return bits[: request.count] if len(bits) == whole_bytes else Reason.WRONG_REPLY
    registers = list(reply.registers)
    return registers if len(registers) == request.count else Reason.WRONG_REPLY


def _spread(request: Request, reply: list[int] | Reason) -> Said:
    if isinstance(reply, Reason):
        return {channel: reply for channel, _, _ in request.members}
    return {
        channel: decode(reply[offset : offset + point.width], point)
        for channel, offset, point in request.members
    }
