"""Check values, computed without the libraries that the program under test uses."""

from __future__ import annotations


def _table_entry(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ 0xA001 if byte & 1 else byte >> 1
    return byte


_TABLE = [_table_entry(byte) for byte in range(256)]


def crc16(data: bytes, crc: int = 0xFFFF) -> int:
    """Return the CRC-16 of Modbus over Serial Line V1.02, section 6.2.2.

    On an RTU line its low byte goes first, and a frame together with its CRC has the CRC 0. The
    CRC of the bytes before ``data`` can be handed in as ``crc``.
    """
    for byte in data:
        crc = crc >> 8 ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc


def checksum_digits(kind: str, data: bytes) -> str:
    """Return the hexadecimal digits that check a line of text; ``kind`` as in the station file.

    Raises ValueError for a kind that is not known.
    """
    if kind == "none":
        return ""
    if kind == "xor":
        value = 0
        for byte in data:
            value ^= byte
        return f"{value:02X}"
    if kind == "sum":
        return f"{sum(data) % 256:02X}"
    if kind == "crc16":
        return f"{crc16(data):04X}"
    msg = f"unknown kind of checksum: {kind!r}"
    raise ValueError(msg)
