"""The decoders of the field, each with frames to spoil and a judge of its own.

The frames are written, and the check values verified, by the simulated devices, which share no code
with the decoders.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import Protocol

from edge.field.line_codec import LineReader, LineSplitter, number
from edge.field.modbus_codec import decode
from edge.field.modbus_frames import Asked, diagnose, find_reply, values
from edge.station.model import LineDevice
from edge.station.reads import REGISTER_TYPES, ModbusRead
from edge.status import Reason
from hw_fakes.checksums import checksum_digits, crc16
from hw_fakes.modbus_unit import RtuFraming, TcpFraming

Numbers = tuple[float | Reason, ...]


@dataclass(frozen=True, slots=True)
class Exchange:
    """A request under way: the frame that answers it, and one that answers something else."""

    frame: bytes
    foreign: bytes
    asked: Asked | None = None
    point: ModbusRead | None = None


class Target(Protocol):
    """A decoder."""

    name: str
    check_bits: int
    """Width of the check value; 0 where the protocol has none."""

    def exchange(self, rng: Random) -> Exchange:
        """Return a new exchange to spoil."""
        ...

    def decode(self, exchange: Exchange, heard: bytes) -> Numbers | Reason:
        """Return the numbers read from what was heard, or why there are none."""
        ...

    def verifies(self, exchange: Exchange, heard: bytes) -> bool:
        """Tell whether something in what was heard bears out its own check value."""
        ...


class ModbusTarget:
    """Modbus of either framing."""

    def __init__(self, framing: str) -> None:
        self.name = f"modbus-{framing}"
        self.check_bits = 16 if framing == "rtu" else 0

    def exchange(self, rng: Random) -> Exchange:
        """See `Target`."""
        function = rng.randint(1, 4)
        unit, transaction = rng.randint(1, 247), rng.randint(1, 0xFFFF)
        kind = rng.choice([t for t in REGISTER_TYPES if (t == "bit") == (function < 3)])
        point = ModbusRead(
            table={1: "coil", 2: "discrete", 3: "holding", 4: "input"}[function],
            register=rng.randint(0, 9999),
            type=kind,
            word_order=rng.choice(["big", "little"]),
        )
        count = point.width * rng.randint(1, 6)
        rtu = self.check_bits > 0
        asked = Asked("rtu" if rtu else "tcp", unit, function, point.register_, count, transaction)
        strangers = [
            (unit % 247 + 1, function, asked.size),
            (unit, function % 4 + 1, asked.size),
            (unit, function, asked.size + 2),
        ]
        other_unit, other_function, other_size = rng.choice(strangers)
        return Exchange(
            self._frame(rng, unit, function, asked.size, transaction),
            self._frame(rng, other_unit, other_function, other_size, transaction % 0xFFFF + 1),
            asked,
            point,
        )

    def _frame(self, rng: Random, unit: int, function: int, size: int, transaction: int) -> bytes:
        framing = RtuFraming() if self.check_bits else TcpFraming(transaction)
        return framing.wrap(unit, bytes([function, size]) + rng.randbytes(size))

    def decode(self, exchange: Exchange, heard: bytes) -> Numbers | Reason:
        """See `Target`."""
        asked, point = exchange.asked, exchange.point
        assert asked
        assert point
        pdu = find_reply(heard, asked)
        if pdu is None:
            return diagnose(heard, asked)
        registers = values(pdu, asked)
        if isinstance(registers, Reason):
            return registers
        width = point.width
        return tuple(
            decode(registers[at : at + width], point) for at in range(0, asked.count, width)
        )

    def verifies(self, exchange: Exchange, heard: bytes) -> bool:
        """See `Target`: some frame of the right head and length has the CRC 0 with its own."""
        asked = exchange.asked
        assert asked
        head, length = bytes([asked.unit, asked.function, asked.size]), 5 + asked.size
        starts = [at.start() for at in re.finditer(b"(?=" + re.escape(head) + b")", heard)]
        return any(
            len(heard) >= start + length and crc16(heard[start : start + length]) == 0
            for start in starts
        )


class LineTarget:
    """A device that speaks in lines."""

    _terminator = "\r\n"
    _mark = "*"

    def __init__(self, checksum: str) -> None:
        self.name = f"line-{checksum}"
        self._checksum = checksum
        self.check_bits = {"none": 0, "xor": 8, "sum": 8, "crc16": 16}[checksum]
        device = LineDevice(
            reply=r"L=(?P<level>[^,]*),T=(?P<air>[^,]*)",
            checksum=checksum,
            checksum_mark=self._mark if self.check_bits else "",
        )
        self._reader = LineReader(device)

    def exchange(self, rng: Random) -> Exchange:
        """See `Target`."""
        own = f"L={rng.uniform(0, 30):.3f},T={rng.uniform(-40, 60):.2f}"
        foreign = f"P={rng.uniform(900, 1100):.1f}"
        return Exchange(self._line(own), self._line(foreign))

    def _line(self, text: str) -> bytes:
        digits = checksum_digits(self._checksum, text.encode())
        mark = self._mark if digits else ""
        return f"{text}{mark}{digits}{self._terminator}".encode()

    def decode(self, exchange: Exchange, heard: bytes) -> Numbers | Reason:
        """See `Target`."""
        lines = self._lines(heard)
        if not lines:
            return Reason.SHORT_FRAME
        fields = self._reader.read(lines[0])
        if isinstance(fields, Reason):
            return fields
        return (number(fields["level"]), number(fields["air"]))

    def verifies(self, exchange: Exchange, heard: bytes) -> bool:
        """See `Target`."""
        body, _, digits = heard.split(self._terminator.encode())[0].rpartition(self._mark.encode())
        right = checksum_digits(self._checksum, body)
        return digits.upper() == right.encode()

    def _lines(self, heard: bytes) -> Sequence[bytes]:
        return LineSplitter(self._terminator.encode()).feed(heard)


TARGETS: tuple[Target, ...] = (
    ModbusTarget("rtu"),
    ModbusTarget("tcp"),
    *(LineTarget(checksum) for checksum in ("crc16", "xor", "sum", "none")),
)
