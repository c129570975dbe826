"""Where in a device a channel's raw number lies."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from edge.station.plain_types import Text
from edge.station.section import Section

REGISTER_TYPES: dict[str, int] = {
    "bit": 1,
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
    "int64": 4,
    "uint64": 4,
    "float64": 4,
}
"""Data types of Modbus values, and how many registers each takes (a bit: one coil)."""


class ModbusRead(Section):
    """Where in a Modbus device a value lies."""

    table: Literal["coil", "discrete", "input", "holding"]
    """coil (function 1), discrete input (2), holding register (3), input register (4)."""
    register_: Annotated[int, Field(alias="register", ge=0, le=65535)]
    """Address as sent on the wire, from 0."""
    type: Literal[
        "bit",
        "int16",
        "uint16",
        "int32",
        "uint32",
        "float32",
        "int64",
        "uint64",
        "float64",
    ] = "uint16"
    """How the registers are to be understood; a coil or discrete input is always a bit, and need
    not say so."""
    word_order: Literal["big", "little"] = "big"
    """Whether the first register holds the high or the low word."""
    byte_order: Literal["big", "little"] = "big"
    """Whether the first byte of a register is the high one, as the standard says, or the low."""

    @model_validator(mode="before")
    @classmethod
    def _bit_by_default(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("table") in ("coil", "discrete"):
            return {"type": "bit", **data}
        return data

    @property
    def width(self) -> int:
        """How many registers (or coils) the value takes."""
        return REGISTER_TYPES[self.type]


class LineRead(Section):
    """Which part of a line device's reply a value is."""

    field: Text
    """Name of a group in the device's ``reply`` expression."""


def _read_kind(value: Any) -> str:
    if isinstance(value, dict):
        return "line" if "field" in value else "modbus"
    return "line" if isinstance(value, LineRead) else "modbus"


Read = Annotated[
    Annotated[ModbusRead, Tag("modbus")] | Annotated[LineRead, Tag("line")],
    Discriminator(_read_kind),
]
