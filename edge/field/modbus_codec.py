"""Modbus without the wire: which requests to make, and what the registers mean. Pure."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from edge.station.reads import ModbusRead
from edge.status import Reason

FUNCTIONS = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Function codes that read each table (Modbus Application Protocol V1.1b3, section 6)."""

_MOST_PER_REQUEST = {1: 2000, 2: 2000, 3: 125, 4: 125}

_FORMATS = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
    "int64": ">q",
    "uint64": ">Q",
    "float64": ">d",
}


def silence_between_frames(baud: int) -> float:
    """Return the seconds of silence that part two RTU frames: 3.5 characters of 11 bits.

    Above 19 200 baud it is 1.75 ms throughout (Modbus over Serial Line V1.02, section 2.5.1.1).
    """
    return 3.5 * 11 / baud if baud <= 19_200 else 1.75e-3


@dataclass(frozen=True, slots=True)
class Request:
    """One read request, and which channels its reply serves, each at an offset in the reply."""

    function: int
    address: int
    count: int
    members: tuple[tuple[str, int, ModbusRead], ...]


def plan(points: Mapping[str, ModbusRead]) -> list[Request]:
    """Join points of one device that lie side by side in the same table into single requests.

    Only what touches is joined: registers nobody asked for are never read, because a device may
    answer a gap in its map with an exception.
    """
    requests: list[Request] = []
    in_order = sorted(points.items(), key=lambda item: (item[1].table, item[1].register_))
    for channel, point in in_order:
        function = FUNCTIONS[point.table]
        end = point.register_ + point.width
        last = requests[-1] if requests else None
        if (
            last is not None
            and last.function == function
            and last.address <= point.register_ <= last.address + last.count
            and end - last.address <= _MOST_PER_REQUEST[function]
        ):
            member = (channel, point.register_ - last.address, point)
            count = max(last.count, end - last.address)
            requests[-1] = Request(function, last.address, count, (*last.members, member))
        else:
            requests.append(Request(function, point.register_, point.width, ((channel, 0, point),)))
    return requests


def decode(registers: Sequence[int], point: ModbusRead) -> float | Reason:
    """Make a number of the registers (or coils, as 0 and 1) of one point.

    Whole numbers come back as int, exactly, up to 64 bits. A float that is infinite or not a
    number gives NOT_A_NUMBER.
    """
    if point.type == "bit":
        return int(registers[0])
    words = registers if point.word_order == "big" else tuple(reversed(registers))
    data = b"".join(word.to_bytes(2, point.byte_order) for word in words)
    value: int | float = struct.unpack(_FORMATS[point.type], data)[0]
    return value if math.isfinite(value) else Reason.NOT_A_NUMBER
