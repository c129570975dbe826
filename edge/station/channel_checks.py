"""Whether the channels that are read from devices can be, and how often. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from edge.station.channel_base import ChannelBase, MeasuredChannel
from edge.station.faults import Fault, KeyPath, listed, not_there
from edge.station.meaning_checks import meaning_faults
from edge.station.model import Bus, LineBus
from edge.station.reads import REGISTER_TYPES, LineRead, ModbusRead
from edge.units import Quantity

_SHORTEST_SAMPLE_MS = 100

_REGISTERS = 65536
_WHOLE_TYPES = [name for name in REGISTER_TYPES if name != "bit"]


def channel_faults(
    buses: Mapping[str, Bus | None], channels: Mapping[str, ChannelBase | None]
) -> Iterator[Fault]:
    """Yield what is wrong with each channel, by itself and with the bus it names."""
    for name, channel in channels.items():
        if not isinstance(channel, MeasuredChannel):
            continue
        key: KeyPath = ("channels", name)
        # With no bus at all the fault lies there, not with every channel.
        if buses:
            yield from _reference(key, channel, buses)
        if isinstance(channel.read, ModbusRead):
            yield from _registers((*key, "read"), channel.read)
        yield from _intervals(key, channel)
        yield from meaning_faults(key, channel)


# ---------------------------------------------------------------------- where the number comes from


def _reference(
    key: KeyPath, channel: MeasuredChannel, buses: Mapping[str, Bus | None]
) -> Iterator[Fault]:
    if channel.bus not in buses:
        yield not_there((*key, "bus"), channel.bus, "the buses", buses)
        return
    bus = buses[channel.bus]
    if bus is None:
        return
    if isinstance(bus, LineBus) is not isinstance(channel.read, LineRead):
        expected = "field" if isinstance(bus, LineBus) else "table and register"
        found = "field" if isinstance(channel.read, LineRead) else "table and register"
        yield Fault(
            (*key, "read"),
            found,
            f'{expected}, because bus "{channel.bus}" is of kind "{bus.kind}"',
        )
    if channel.device not in bus.devices:
        yield not_there(
            (*key, "device"), channel.device, f'the devices of bus "{channel.bus}"', bus.devices
        )
    elif isinstance(bus, LineBus) and isinstance(channel.read, LineRead):
        fields = _fields(bus.devices[channel.device].reply)
        if fields and channel.read.field not in fields:
            yield not_there(
                (*key, "read", "field"),
                channel.read.field,
                f'the groups in the reply of device "{channel.device}"',
                fields,
            )


def _fields(reply: str) -> Mapping[str, int]:
    """Return the named groups of a reply expression; none if it is not valid."""
    try:
        return re.compile(reply).groupindex
    except (re.error, OverflowError, RecursionError):
        return {}


def _registers(key: KeyPath, read: ModbusRead) -> Iterator[Fault]:
    of_bits = read.table in {"coil", "discrete"}
    if of_bits and read.type != "bit":
        yield Fault(
            (*key, "type"), f'"{read.type}" in the table "{read.table}"', '"bit", or no type at all'
        )
    elif read.type == "bit" and not of_bits:
        yield Fault(
            (*key, "type"),
            f'"bit" in the table "{read.table}"',
            f"a type of whole registers: {listed(_WHOLE_TYPES)}",
        )
    elif read.register_ + read.width > _REGISTERS:
        yield Fault(
            (*key, "register"),
            f"{read.register_}, where a {read.type} of {read.width} registers runs off the table",
            f"{_REGISTERS - read.width} at most",
        )


# -------------------------------------------------------------------------------------- how often


def _intervals(key: KeyPath, channel: MeasuredChannel) -> Iterator[Fault]:
    sample, record = channel.sample, channel.record
    uneven = [
        name
        for name, interval in (("sample", sample), ("record", record))
        if interval is not None and not _is_whole_milliseconds(interval)
    ]
    for name in uneven:
        yield Fault((*key, name), f'"{getattr(channel, name)}"', "a whole number of milliseconds")
    if uneven:
        return
    if channel.sample_ms < _SHORTEST_SAMPLE_MS:
        yield Fault((*key, "sample"), f'"{sample}"', f"{_SHORTEST_SAMPLE_MS} ms or longer")
    elif channel.record_ms % channel.sample_ms:
        shorter = channel.record_ms < channel.sample_ms
        yield Fault(
            (*key, "record"),
            f'"{record}"' + (", shorter than the sample interval" if shorter else ""),
            f'a whole multiple of the sample interval "{sample}"',
        )


def _is_whole_milliseconds(interval: Quantity) -> bool:
    # 1.001 s is 1000.9999999999999 ms in floating point.
    milliseconds = interval.value * 1000
    return abs(milliseconds - round(milliseconds)) < 1e-6 * milliseconds
