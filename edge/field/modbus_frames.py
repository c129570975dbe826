"""Modbus frames: how to write a request, and how to find its reply in whatever is heard. Pure.

Theory of operation. Who knows what was asked knows how the reply must begin: the unit, the
function, the number of bytes (or, of a written coil, the whole request over again); over TCP also
the transaction and the length. So a reply is not
parsed out of a stream, which noise could bring out of step. It is *looked for*, anywhere in what
was heard since the request, by its beginning and, on a serial line, by its CRC. Noise before it,
the request's own echo, another unit's frame or half of an old one do not matter.

Sources: Modbus Application Protocol V1.1b3 for the PDU (function and data), Modbus over Serial
Line V1.02 for RTU frames, Modbus Messaging on TCP/IP Implementation Guide V1.0b for TCP frames.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Literal

from pymodbus.framer import FramerBase, FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from edge.status import Reason, modbus_exception

Framing = Literal["rtu", "tcp"]

LONGEST_FRAME = 260
"""Bytes of the longest frame there is, one over TCP; one over a serial line has at most 256."""

WRITE_COIL = 5
"""Function code that writes one coil (Modbus Application Protocol V1.1b3, section 6.5)."""

_REQUESTS: dict[int, type[ModbusPDU]] = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}
_FRAMERS: dict[Framing, FramerBase] = {
    "rtu": FramerRTU(DecodePDU(False)),
    "tcp": FramerSocket(DecodePDU(False)),
}


@dataclass(frozen=True, slots=True)
class Asked:
    """A request on its way: whom, what, how; ``transaction`` (1 to 65535) only for TCP.

    With `WRITE_COIL` the coil is to be as ``on`` says; every other function reads.
    """

    framing: Framing
    unit: int
    function: int
    address: int
    count: int
    transaction: int = 0
    on: bool = False

    @property
    def frame(self) -> bytes:
        """The request as it goes on the wire."""
        request: ModbusPDU
        if self.function == WRITE_COIL:
            request = WriteSingleCoilRequest(
                dev_id=self.unit,
                transaction_id=self.transaction,
                address=self.address,
                bits=[self.on],
            )
        else:
            request = _REQUESTS[self.function](
                dev_id=self.unit,
                transaction_id=self.transaction,
                address=self.address,
                count=self.count,
            )
        return _FRAMERS[self.framing].buildFrame(request)

    @property
    def reply_head(self) -> bytes:
        """How the PDU of the reply must begin."""
        if self.function == WRITE_COIL:
            value = b"\xff\0" if self.on else b"\0\0"
            return bytes([self.function]) + self.address.to_bytes(2, "big") + value
        return bytes([self.function, self.size])

    @property
    def reply_length(self) -> int:
        """How many bytes the PDU of the reply must have."""
        return len(self.reply_head) + (0 if self.function == WRITE_COIL else self.size)

    @property
    def size(self) -> int:
        """How many bytes of data the reply to a read must carry."""
        return (self.count + 7) // 8 if self.function in {1, 2} else 2 * self.count


def find_reply(heard: bytes, asked: Asked) -> bytes | None:
    """Return the PDU of the reply to ``asked``, or of the refusal; None if it is not there (yet).

    ``heard`` is all that came since the request, or the last of it.
    """
    return _find_rtu(heard, asked) if asked.framing == "rtu" else _find_tcp(heard, asked)


def _find_rtu(heard: bytes, asked: Asked) -> bytes | None:
    unit, head, reply_length = bytes([asked.unit]), asked.reply_head, asked.reply_length
    start = heard.find(unit)
    while 0 <= start <= len(heard) - 5:
        length = 0
        if heard.startswith(head, start + 1):
            length = 3 + reply_length
        elif heard[start + 1] == asked.function | 0x80:
            length = 5
        frame = heard[start : start + length]
        if length and len(frame) == length and _crc_is_right(frame):
            return frame[1:-2]
        start = heard.find(unit, start + 1)
    return None


def _find_tcp(heard: bytes, asked: Asked) -> bytes | None:
    # Transaction, protocol 0, length of what follows; then the unit and the PDU.
    begin = asked.transaction.to_bytes(2, "big") + b"\0\0"
    start = heard.find(begin)
    while start >= 0:
        frame = heard[start : start + 6 + int.from_bytes(heard[start + 4 : start + 6], "big")]
        if _answers(frame, asked):
            return frame[7:]
        start = heard.find(begin, start + 1)
    return None


def _answers(frame: bytes, asked: Asked) -> bool:
    """Tell whether a TCP frame, perhaps cut short, is the reply or the refusal."""
    # Who asks unit 0 asks the device behind the address, which may have a number of its own.
    if len(frame) < 9 or (asked.unit and frame[6] != asked.unit):
        return False
    if frame[7] == asked.function | 0x80:
        return len(frame) == 9 and frame[4:6] == b"\0\3"
    length = asked.reply_length
    right_head = frame.startswith(asked.reply_head, 7)
    return right_head and len(frame) == 7 + length and frame[4:6] == (1 + length).to_bytes(2, "big")


def values(reply: bytes, asked: Asked) -> list[int] | Reason:
    """Return the registers (or coils, as 0 and 1) that a PDU found by `find_reply` carries.

    A refusal gives the reason for its exception code; a written coil is as the request said.
    """
    if reply[0] & 0x80:
        return modbus_exception(reply[1])
    if asked.function == WRITE_COIL:
        return [int(asked.on)]
    data = reply[2:]
    if asked.function in {1, 2}:
        # The first coil is the lowest bit of the first byte (V1.1b3, section 6.1).
        bits = int.from_bytes(data, "little")
        return [bits >> i & 1 for i in range(asked.count)]
    return list(struct.unpack(f">{asked.count}H", data))


def diagnose(heard: bytes, asked: Asked) -> Reason:
    """Say why no reply was found in ``heard``, the first of what came until the time-out."""
    if not heard:
        return Reason.NO_REPLY
    if asked.framing == "rtu":
        return _diagnose_rtu(heard, asked)
    return _diagnose_tcp(heard, asked.unit)


def _diagnose_rtu(heard: bytes, asked: Asked) -> Reason:
    unit, function = asked.unit, asked.function
    if len(heard) < 5:
        return Reason.SHORT_FRAME
    if heard[1] & 0x80:
        length = 5
    else:
        length = 3 + asked.reply_length if heard[1] == WRITE_COIL else 5 + heard[2]
    if len(heard) < length:
        # Noise has a length byte too; only a frame that begins right is one that broke off.
        begins_right = heard[0] == unit and heard[1] & 0x7F == function
        return Reason.SHORT_FRAME if begins_right else Reason.BAD_CHECKSUM
    if not _crc_is_right(heard[:length]):
        return Reason.BAD_CHECKSUM
    return Reason.WRONG_REPLY if heard[0] == unit else Reason.WRONG_UNIT


def _diagnose_tcp(heard: bytes, unit: int) -> Reason:
    header, protocol = 6, heard[2:4]
    if len(heard) < header + 2:
        return Reason.SHORT_FRAME
    if protocol != b"\0\0":
        return Reason.WRONG_REPLY
    if len(heard) < header + int.from_bytes(heard[4:6], "big"):
        return Reason.SHORT_FRAME
    return Reason.WRONG_REPLY if heard[6] == unit else Reason.WRONG_UNIT


def _crc_is_right(frame: bytes) -> bool:
    return FramerRTU.compute_CRC(frame[:-2]) == int.from_bytes(frame[-2:], "big")
