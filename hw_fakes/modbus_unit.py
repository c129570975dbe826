"""A simulated Modbus device without the wire: what it holds, what it replies, how it errs. Pure.

Sources: Modbus Application Protocol V1.1b3 for requests and replies, Modbus over Serial Line V1.02
for RTU frames, Modbus Messaging on TCP/IP Implementation Guide V1.0b for the MBAP header.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from hw_fakes.checksums import crc16
from hw_fakes.faults import MODBUS_FAULTS, Fault, FaultKind, FaultSwitch, Transmission

_FUNCTIONS = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
_MOST_PER_REQUEST = {1: 2000, 2: 2000, 3: 125, 4: 125}
_WRITE_COIL, _WRITE_COILS = 5, 15
_MOST_COILS_WRITTEN = 0x07B0

_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 1, 2, 3
NO_SUCH_TARGET = 11
"""Exception code by which a gateway says that the unit behind it is silent."""

_LONGEST_RTU_FRAME = 256


def exception_reply(function: int, code: int) -> bytes:
    """Return the PDU by which a device refuses a request."""
    return bytes([function | 0x80, code])


class Framing(Protocol):
    """How a PDU is dressed for one exchange."""

    def wrap(self, unit: int, pdu: bytes) -> bytes:
        """Return the frame that carries ``pdu`` from ``unit``."""
        ...

    def spoil(self, frame: bytes) -> bytes:
        """Return the frame with damage that the receiver is able to notice."""
        ...


class RtuFraming:
    """Unit, PDU, CRC-16 low byte first."""

    def wrap(self, unit: int, pdu: bytes) -> bytes:
        """See `Framing`."""
        body = bytes([unit]) + pdu
        return body + crc16(body).to_bytes(2, "little")

    def spoil(self, frame: bytes) -> bytes:
        """Flip one bit of the CRC."""
        return frame[:-1] + bytes([frame[-1] ^ 0x01])


@dataclass(frozen=True, slots=True)
class TcpFraming:
    """MBAP header and PDU, within one transaction."""

    transaction: int

    def wrap(self, unit: int, pdu: bytes) -> bytes:
        """See `Framing`."""
        length = (len(pdu) + 1).to_bytes(2, "big")
        return self.transaction.to_bytes(2, "big") + b"\0\0" + length + bytes([unit]) + pdu

    def spoil(self, frame: bytes) -> bytes:
        """Damage the protocol identifier: a TCP frame has no checksum of its own."""
        return frame[:3] + bytes([frame[3] ^ 0x01]) + frame[4:]


@dataclass(frozen=True, slots=True)
class _Value:
    address: int
    width: int
    read: Callable[[], Sequence[int]]

    def overlaps(self, address: int, width: int) -> bool:
        return self.address < address + width and address < self.address + self.width


@dataclass
class ModbusUnit:
    """One device; its values are asked for at the instant of a request.

    Coils can be written that were placed by `place_coil`.
    """

    number: int
    requests: int = 0
    """How many requests have reached it."""
    faults: FaultSwitch = field(default_factory=lambda: FaultSwitch(MODBUS_FAULTS))

    def __post_init__(self) -> None:
        self._values: dict[str, list[_Value]] = {name: [] for name in _FUNCTIONS.values()}
        self._coils: dict[int, Callable[[bool], None]] = {}
        self._held: list[Transmission] = []
        self._noise = random.Random(self.number)

    def place(
        self, table: str, address: int, width: int, read: Callable[[], Sequence[int]]
    ) -> None:
        """Put a value of ``width`` registers (or coils) at ``address`` of a table.

        ``table`` is "coil", "discrete", "holding" or "input". Raises ValueError where the value
        would overlap another.
        """
        if any(value.overlaps(address, width) for value in self._values[table]):
            msg = f"two values share {table} {address} to {address + width - 1}"
            raise ValueError(msg)
        self._values[table].append(_Value(address, width, read))

    def place_coil(
        self, address: int, get: Callable[[], bool], set_: Callable[[bool], None]
    ) -> None:
        """Put a coil at ``address`` that can be read and written.

        Raises ValueError where something is already.
        """
        self.place("coil", address, 1, lambda: [int(get())])
        self._coils[address] = set_

    def respond(self, pdu: bytes) -> bytes:
        """Return the reply to a request, as a device without faults would give it."""
        function = pdu[0]
        if function == _WRITE_COIL:
            return self._write_coil(pdu)
        if function == _WRITE_COILS:
            return self._write_coils(pdu)
        if function not in _FUNCTIONS:
            return exception_reply(function, _ILLEGAL_FUNCTION)
        address, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        if len(pdu) != 5 or not 1 <= count <= _MOST_PER_REQUEST[function]:
            return exception_reply(function, _ILLEGAL_VALUE)
        numbers = self._read(_FUNCTIONS[function], address, count)
        if numbers is None:
            return exception_reply(function, _ILLEGAL_ADDRESS)
        data = _pack_bits(numbers) if function in {1, 2} else _pack_registers(numbers)
        return bytes([function, len(data)]) + data

    def _write_coil(self, pdu: bytes) -> bytes:
        # V1.1b3, section 6.5: FF 00 is on, 00 00 is off, and the reply is the request over again.
        if len(pdu) != 5 or pdu[3:] not in {b"\xff\0", b"\0\0"}:
            return exception_reply(_WRITE_COIL, _ILLEGAL_VALUE)
        return self._set_coils(pdu, [pdu[3] == 0xFF])

    def _write_coils(self, pdu: bytes) -> bytes:
        # V1.1b3, section 6.11.
        count = int.from_bytes(pdu[3:5], "big")
        size = (count + 7) // 8
        if not 1 <= count <= _MOST_COILS_WRITTEN or len(pdu) != 6 + size or pdu[5] != size:
            return exception_reply(_WRITE_COILS, _ILLEGAL_VALUE)
        bits = int.from_bytes(pdu[6:], "little")
        return self._set_coils(pdu, [bool(bits >> i & 1) for i in range(count)])

    def _set_coils(self, pdu: bytes, states: Sequence[bool]) -> bytes:
        """Set coils from the address in ``pdu`` on, all or none; return the reply."""
        address = int.from_bytes(pdu[1:3], "big")
        coils = [self._coils.get(address + i) for i in range(len(states))]
        if None in coils:
            return exception_reply(pdu[0], _ILLEGAL_ADDRESS)
        for coil, state in zip(coils, states, strict=True):
            if coil is not None:
                coil(state)
        return pdu[:5]

    def answer(self, pdu: bytes, framing: Framing) -> list[Transmission]:
        """Return what the device sends upon a request, faults and all.

        A dead device does not do what it is told either.
        """
        self.requests += 1
        held, self._held = self._held, []
        fault = self.faults.strike()
        if fault is not None and fault.kind in {FaultKind.DEAD, FaultKind.EXCEPTION}:
            return held + self._refusal(pdu, framing, fault)
        reply = self._reply(pdu, framing, fault)
        if fault is not None and fault.kind is FaultKind.LATE:
            self._held = reply
            return held
        return held + reply

    def _refusal(self, pdu: bytes, framing: Framing, fault: Fault) -> list[Transmission]:
        if fault.kind is FaultKind.DEAD:
            return []
        return [Transmission(framing.wrap(self.number, exception_reply(pdu[0], fault.code)))]

    def _reply(self, pdu: bytes, framing: Framing, fault: Fault | None) -> list[Transmission]:
        answer = self.respond(pdu)
        frame = framing.wrap(self.number, answer)
        if fault is None or fault.kind is FaultKind.LATE:
            return [Transmission(frame)]
        if fault.kind is FaultKind.SLOW:
            return [Transmission(frame, fault.seconds)]
        if fault.kind is FaultKind.WRONG_UNIT:
            frame = framing.wrap(self.number % 247 + 1, answer)
        elif fault.kind is FaultKind.BAD_CHECKSUM:
            frame = framing.spoil(frame)
        elif fault.kind is FaultKind.SHORT:
            frame = frame[: len(frame) // 2]
        else:
            frame = self._noise.randbytes(self._noise.randint(1, 40))
        return [Transmission(frame)]

    def _read(self, table: str, address: int, count: int) -> list[int] | None:
        found: dict[int, int] = {}
        for value in self._values[table]:
            if value.overlaps(address, count):
                found |= dict(enumerate(value.read(), start=value.address))
        numbers = [found.get(i) for i in range(address, address + count)]
        return None if None in numbers else [number for number in numbers if number is not None]


def _pack_registers(numbers: Sequence[int]) -> bytes:
    return b"".join(number.to_bytes(2, "big") for number in numbers)


def _pack_bits(numbers: Sequence[int]) -> bytes:
    # The first coil is the lowest bit of the first byte (V1.1b3, section 6.1).
    bits = sum(bool(number) << i for i, number in enumerate(numbers))
    return bits.to_bytes((len(numbers) + 7) // 8, "little")


def split_rtu_requests(heard: bytes) -> tuple[list[tuple[int, bytes]], bytes]:
    """Find the requests in a stream of bytes; return them as (unit, PDU), and the unused rest.

    The standard ends a frame by silence, which a pseudo-terminal cannot keep; so frames are found
    by their length and CRC, and what belongs to none is passed over.
    """
    requests = []
    start = 0
    while start <= len(heard) - 4:
        length = _rtu_request_length(heard[start:])
        if length is None:
            start += 1
            continue
        requests.append((heard[start], heard[start + 1 : start + length - 2]))
        heard, start = heard[start + length :], 0
    return requests, heard[-(_LONGEST_RTU_FRAME - 1) :]


def _rtu_request_length(data: bytes) -> int | None:
    function = data[1]
    if function <= 6:
        length = 8
    elif function in {15, 16}:
        length = 9 + data[6] if len(data) > 6 else _LONGEST_RTU_FRAME
    else:
        return _shortest_sound_frame(data[:_LONGEST_RTU_FRAME])
    return length if length <= len(data) and crc16(data[:length]) == 0 else None


def _shortest_sound_frame(data: bytes) -> int | None:
    crc = crc16(data[:3])
    for length in range(4, len(data) + 1):
        crc = crc16(data[length - 1 : length], crc)
        if crc == 0:
            return length
    return None


def split_tcp_requests(heard: bytes) -> tuple[list[tuple[int, int, bytes]], bytes]:
    """Find the requests in a stream; return (transaction, unit, PDU) of each, and the rest.

    Raises ValueError when the stream is no Modbus, or no longer in step.
    """
    requests = []
    while len(heard) >= 8:
        transaction, protocol, length = (int.from_bytes(heard[i : i + 2], "big") for i in (0, 2, 4))
        if protocol != 0 or not 2 <= length <= 254:
            msg = f"no MBAP header: {heard[:7].hex(' ')}"
            raise ValueError(msg)
        if len(heard) < 6 + length:
            break
        requests.append((transaction, heard[6], heard[7 : 6 + length]))
        heard = heard[6 + length :]
    return requests, heard
