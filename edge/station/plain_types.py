"""Texts and numbers as pydantic field types: names, topics, zones, pairs."""

from __future__ import annotations

import re
from typing import Annotated, TypeVar
from zoneinfo import ZoneInfo

from pydantic import Field, PlainValidator, StringConstraints, WithJsonSchema

from edge.station.quantity_types import custom_fault

# SenML names (RFC 8428, section 4.5.1) and MQTT topic levels (MQTT 5.0, section 4.7) both allow
# these characters; MQTT also forbids "/", "+" and "#" inside a level.
TOPIC_LEVEL = r"[A-Za-z0-9][A-Za-z0-9_.:-]*"
NAME = r"[a-z][a-z0-9_-]*"


def _pattern(pattern: str, expected: str) -> tuple[PlainValidator, WithJsonSchema]:
    def validate(value: object) -> str:
        if not isinstance(value, str) or not re.fullmatch(pattern, value):
            raise custom_fault(repr(value), expected)
        return value

    return PlainValidator(validate), WithJsonSchema(
        {"type": "string", "pattern": f"^{pattern}$", "description": expected}
    )


_id_check, _id_schema = _pattern(
    TOPIC_LEVEL,
    "an id that can be one MQTT topic level: letters, digits, '-', '_', '.' and ':', "
    "beginning with a letter or digit",
)
StationId = Annotated[str, _id_check, _id_schema]

_prefix_check, _prefix_schema = _pattern(
    rf"{TOPIC_LEVEL}(/{TOPIC_LEVEL})*", 'MQTT topic levels joined by "/", without "+" or "#"'
)
TopicPrefix = Annotated[str, _prefix_check, _prefix_schema]

_name_check, _name_schema = _pattern(
    NAME, "a name of small letters, digits, '-' and '_', beginning with a letter"
)
Name = Annotated[str, _name_check, _name_schema]

_series_check, _series_schema = _pattern(
    rf"{NAME}(\.[a-z_]+)*", 'the name of a series, such as "level" or "flow.rate"'
)
SeriesName = Annotated[str, _series_check, _series_schema]

_framing_check, _framing_schema = _pattern(
    "[78][NEO][12]", 'data bits, parity and stop bits, such as "8N1" or "7E1"'
)
Framing = Annotated[str, _framing_check, _framing_schema]


def _zone(value: object) -> str:
    try:
        ZoneInfo(str(value))
    except (KeyError, ValueError, OSError):
        raise custom_fault(
            repr(value), 'a time zone of the IANA list, such as "America/Denver"'
        ) from None
    return str(value)


TimeZone = Annotated[str, PlainValidator(_zone), WithJsonSchema({"type": "string"})]
Text = Annotated[str, StringConstraints(min_length=1)]
_path_check, _path_schema = _pattern(
    r"/.+", "the whole path of a device file, such as /dev/serial/by-id/usb-rs485-adapter"
)
SerialPath = Annotated[str, _path_check, _path_schema]
_host_check, _host_schema = _pattern(
    r"[^\s/:]+|[0-9A-Fa-f:.]*:[0-9A-Fa-f:.]*:[0-9A-Fa-f:.]*",
    "a host name or an address, without scheme and port: the port has a key of its own",
)
Host = Annotated[str, _host_check, _host_schema]
_time_check, _time_schema = _pattern(
    r"([01]\d|2[0-3]):[0-5]\d", 'a time of day in 24 hours, such as "06:30"'
)
TimeOfDay = Annotated[str, _time_check, _time_schema]
_chip_check, _chip_schema = _pattern(
    r"/dev/gpiochip\d+", "the device file of a GPIO chip, such as /dev/gpiochip0"
)
GpioChip = Annotated[str, _chip_check, _chip_schema]
Number = Annotated[float, Field(allow_inf_nan=False)]
Item = TypeVar("Item")
Other = TypeVar("Other")
# TOML has lists only, which strict checking would not take for a tuple.
Pair = Annotated[tuple[Item, Item], Field(strict=False)]
Couple = Annotated[tuple[Item, Other], Field(strict=False)]
