"""Devices that speak in lines of text, without the wire: pure splitting, checking and reading."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import xor

from pymodbus.framer import FramerRTU

from edge.station.model import LineDevice
from edge.status import Reason

LONGEST_LINE = 4096
"""Bytes after which a line without an end is given up: the wrong baud rate, or noise."""


# Python's float() knows more notations than devices do, such as "1_5" for 15.
_NUMBER = re.compile(r" *[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)? *")


@dataclass(frozen=True, slots=True)
class _Check:
    digits: int
    compute: Callable[[bytes], int]


_CHECKS = {
    "xor": _Check(2, lambda data: reduce(xor, data, 0)),
    "sum": _Check(2, lambda data: sum(data) & 0xFF),
    # pymodbus gives the CRC as it goes on the wire, low byte first; as a number it is the reverse.
    "crc16": _Check(4, lambda data: int.from_bytes(
        FramerRTU.compute_CRC(data).to_bytes(2, "big"), "little"
    )),
}  # fmt: skip


class LineSplitter:
    """Cuts a stream of bytes into lines at a terminator, which is dropped."""

    def __init__(self, terminator: bytes) -> None:
        self._terminator = terminator
        self._rest = b""
        self.overflowed = False
        """Whether what came last was longer than any line, and was given up."""

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes in any portions; return the lines they complete."""
        *lines, rest = (self._rest + data).split(self._terminator)
        if lines:
            self.overflowed = False
        if len(rest) > LONGEST_LINE:
            rest, self.overflowed = b"", True
        self._rest = rest
        return lines

    @property
    def unfinished(self) -> bool:
        """Whether a line has begun and not ended."""
        return bool(self._rest)


class LineReader:
    """Understands the lines of one device."""

    def __init__(self, device: LineDevice) -> None:
        self._device = device
        self._pattern = re.compile(device.reply)

    def read(self, line: bytes) -> Mapping[str, str] | Reason:
        """Return the fields of a line by the names of the pattern's groups, or what is wrong."""
        body = self._checked(line)
        if body is None:
            return Reason.BAD_CHECKSUM
        # Latin-1 gives every byte a character, so that no noise can make decoding fail.
        match = self._pattern.fullmatch(body.decode("latin-1"))
        if match is None:
            return Reason.WRONG_REPLY
        return {name: text or "" for name, text in match.groupdict().items()}

    def _checked(self, line: bytes) -> bytes | None:
        check = _CHECKS.get(self._device.checksum)
        if check is None:
            return line
        mark = self._device.checksum_mark.encode("latin-1")
        body, digits = line[: -check.digits], line[-check.digits :]
        if not body.endswith(mark) or not re.fullmatch(rb"[0-9A-Fa-f]{%d}" % check.digits, digits):
            return None
        body = body.removesuffix(mark)
        covered = body[self._device.checksum_skip :]
        return body if check.compute(covered) == int(digits, 16) else None


def number(text: str) -> float | Reason:
    """Read a field as a number; what is none, or is infinite, gives NOT_A_NUMBER."""
    if _NUMBER.fullmatch(text) is None:
        return Reason.NOT_A_NUMBER
    value = float(text)
    return value if math.isfinite(value) else Reason.NOT_A_NUMBER
