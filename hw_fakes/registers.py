"""Numbers as Modbus registers, in every type and order that devices are known to use."""

from __future__ import annotations

import struct

_FORMATS = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "float32": "f",
    "int64": "q",
    "uint64": "Q",
    "float64": "d",
}


def is_whole(type_: str) -> bool:
    """Tell whether a type can hold whole numbers only."""
    return not type_.startswith("float")


def limits(type_: str) -> tuple[int, int]:
    """Return the smallest and largest whole number a type can hold ("bit" included)."""
    if type_ == "bit":
        return 0, 1
    bits = 8 * struct.calcsize(_FORMATS[type_])
    return (
        (0, (1 << bits) - 1) if type_.startswith("u") else (-(1 << bits - 1), (1 << bits - 1) - 1)
    )


def encode(
    value: float, type_: str, *, word_order: str = "big", byte_order: str = "big"
) -> list[int]:
    """Return the registers, first address first; whole types take the value rounded.

    Raises ValueError for a value outside the type's range.
    """
    try:
        data = struct.pack(">" + _FORMATS[type_], round(value) if is_whole(type_) else value)
    except (struct.error, OverflowError):
        msg = f"{value} does not fit {type_}"
        raise ValueError(msg) from None
    pairs = [data[i : i + 2] for i in range(0, len(data), 2)]
    if word_order == "little":
        pairs.reverse()
    return [high << 8 | low if byte_order == "big" else low << 8 | high for high, low in pairs]
