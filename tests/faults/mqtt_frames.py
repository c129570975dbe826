"""MQTT's stream of bytes, cut into packets as it passes: enough to know what is under way.

Only the fixed header and the packet identifier are looked at (MQTT 3.1.1, sections 2.2 and 2.3;
MQTT 5.0, sections 2.1 and 2.2: the same in both).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

PUBLISH, PUBACK = 3, 4

_MOST_LENGTH_BYTES = 4


class Packet(NamedTuple):
    """One packet of a stream: its type, its QoS (of a PUBLISH), where it begins and how long it is.

    ``start`` is counted in bytes from the beginning of the stream; ``size`` has the header in it.
    """

    type: int
    qos: int
    start: int
    size: int


class PacketCutter:
    """Finds the packets in a stream that comes in pieces of any size."""

    def __init__(self) -> None:
        self._head = b""
        self._head_start = 0
        self._to_skip = 0

    def feed(self, data: bytes) -> Iterator[Packet]:
        """Yield the packets whose headers end in this piece."""
        at = 0
        while at < len(data):
            skipped = min(self._to_skip, len(data) - at)
            at += skipped
            self._to_skip -= skipped
            if at == len(data):
                return
            self._head += data[at : at + 1]
            at += 1
            if (size := _size(self._head)) is not None:
                type_, qos = self._head[0] >> 4, self._head[0] >> 1 & 3
                yield Packet(type_, qos, self._head_start, size)
                self._to_skip = size - len(self._head)
                self._head_start += size
                self._head = b""


def _size(head: bytes) -> int | None:
    """Return the size of the packet that begins so; None when the header goes on."""
    length = 0
    for n, byte in enumerate(head[1 : 1 + _MOST_LENGTH_BYTES]):
        length |= (byte & 0x7F) << 7 * n
        if not byte & 0x80:
            return 2 + n + length
    if len(head) > _MOST_LENGTH_BYTES:
        raise ValueError("not MQTT: a packet's length takes more than four bytes")
    return None
