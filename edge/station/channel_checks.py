"""Whether a channel can be read from its bus, and makes sense of what it reads. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping

from edge.station.faults import Fault, KeyPath, listed, suggestion
from edge.station.model import (
    Bus,
    Channel,
    LineBus,
    LineRead,
    LoopChannel,
    ModbusRead,
    PulseChannel,
    ValueChannel,
)
from edge.units import Dimension, Quantity, accepted

_SHORTEST_SAMPLE_MS = 100

_REGISTERS = 65536

# How far a counter can get in a value of each type, in bits: a signed integer spends one on the
# sign, and a float counts in ones only as far as its mantissa (IEEE 754).
_COUNTER_BITS = {
    "uint16": 16,
    "uint32": 32,
    "uint64": 64,
    "int16": 15,
    "int32": 31,
    "int64": 63,
    "float32": 24,
    "float64": 53,
}


def channel_faults(
    buses: Mapping[str, Bus | None], channels: Mapping[str, Channel | None]
) -> Iterator[Fault]:
    """Yield what is wrong with each channel, by itself and with the bus it names."""
    for name, channel in channels.items():
        if channel is None:
            continue
        key: KeyPath = ("channels", name)
        # With no bus at all the fault lies there, not with every channel.
        if buses:
            yield from _reference(key, channel, buses)
        if isinstance(channel.read, ModbusRead):
            yield from _registers((*key, "read"), channel.read)
        yield from _intervals(key, channel)
        if isinstance(channel, PulseChannel):
            yield from _pulses(key, channel)
        else:
            yield from _scaling(key, channel)
        if isinstance(channel, LoopChannel):
            yield from _loop(key, channel)


# ---------------------------------------------------------------------- where the number comes from


def _reference(key: KeyPath, channel: Channel, buses: Mapping[str, Bus | None]) -> Iterator[Fault]:
    if channel.bus not in buses:
        yield _not_there((*key, "bus"), channel.bus, "the buses", buses)
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
        yield _not_there(
            (*key, "device"), channel.device, f'the devices of bus "{channel.bus}"', bus.devices
        )
    elif isinstance(bus, LineBus) and isinstance(channel.read, LineRead):
        fields = _fields(bus.devices[channel.device].reply)
        if fields and channel.read.field not in fields:
            yield _not_there(
                (*key, "read", "field"),
                channel.read.field,
                f'the groups in the reply of device "{channel.device}"',
                fields,
            )


def _not_there(key: KeyPath, name: str, what: str, there: Mapping[str, object]) -> Fault:
    return Fault(key, repr(name), f"one of {what}: {listed(there)}{suggestion(name, there)}")


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
            f"a type of whole registers: {listed(_COUNTER_BITS)}",
        )
    elif read.register_ + read.width > _REGISTERS:
        yield Fault(
            (*key, "register"),
            f"{read.register_}, where a {read.type} of {read.width} registers runs off the table",
            f"{_REGISTERS - read.width} at most",
        )


# -------------------------------------------------------------------------------------- how often


def _intervals(key: KeyPath, channel: Channel) -> Iterator[Fault]:
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


# ----------------------------------------------------------------------------------- what it means


def _scaling(key: KeyPath, channel: LoopChannel | ValueChannel) -> Iterator[Fault]:
    if channel.counts[0] == channel.counts[1]:
        yield Fault(
            (*key, "counts"), f"{channel.counts[0]:.15g} twice", "two numbers that are not the same"
        )
    yield from _ends((*key, "range"), channel.range)


def _ends(key: KeyPath, ends: tuple[Quantity, Quantity]) -> Iterator[Fault]:
    first, second = ends
    if first.dimension is not second.dimension:
        yield Fault(
            (*key, 1),
            f'"{second}" ({second.dimension.title})',
            f"{accepted(first.dimension)}, as at the other end",
        )
    elif math.isclose(first.value, second.value):  # 1 ft and 12 in differ in the last bit
        yield Fault(key, f'"{first}" and "{second}"', "two values that are not the same")


def _loop(key: KeyPath, channel: LoopChannel) -> Iterator[Fault]:
    given = {"counts", "signal"} & channel.model_fields_set
    if len(given) == 1:
        # Half a scale would be completed by a default that has nothing to do with it.
        (there,) = given
        missing = "signal" if there == "counts" else "counts"
        yield Fault((*key, missing), "nothing", f"{missing} to go with {there}, or neither")
    yield from _ends((*key, "signal"), channel.signal)
    dimensions = {end.dimension for end in channel.signal}
    if dimensions == {Dimension.VOLTAGE} and channel.shunt is None:
        yield Fault(
            (*key, "shunt"), "nothing", 'the resistor the voltage is across, such as "250 ohm"'
        )
    if dimensions == {Dimension.CURRENT} and channel.shunt is not None:
        yield Fault(
            (*key, "shunt"),
            f'"{channel.shunt}"',
            "no shunt with a signal in amperes, or volts there",
        )


def _pulses(key: KeyPath, channel: PulseChannel) -> Iterator[Fault]:
    if channel.k_factor is None and channel.pulse_volume is None:
        yield Fault((*key, "k_factor"), "nothing", "k_factor or pulse_volume")
    elif channel.k_factor is not None and channel.pulse_volume is not None:
        yield Fault((*key, "pulse_volume"), "k_factor beside it", "only one of the two")
    if isinstance(channel.read, ModbusRead):
        yield from _counter(key, channel, channel.read)
    elif channel.counter_bits is None:
        yield Fault((*key, "counter_bits"), "nothing", "the width at which the counter rolls over")


def _counter(key: KeyPath, channel: PulseChannel, read: ModbusRead) -> Iterator[Fault]:
    if read.type == "bit":
        yield Fault((*key, "read", "type"), '"bit"', "a type that a counter can stand in")
    elif channel.counter_bits is None and not read.type.startswith("uint"):
        yield Fault(
            (*key, "read", "type"),
            f'"{read.type}", which does not say where the counter rolls over',
            '"uint16", "uint32" or "uint64", or the key counter_bits',
        )
    elif channel.counter_bits is not None and channel.counter_bits > _COUNTER_BITS[read.type]:
        yield Fault(
            (*key, "counter_bits"),
            str(channel.counter_bits),
            f"{_COUNTER_BITS[read.type]} at most, for that is how far a {read.type} counts",
        )
