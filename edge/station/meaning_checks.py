"""Whether a channel that is read from a device can make sense of what it reads. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

from edge.measure.loop import FULL_SCALE
from edge.measure.loop_budget import LoopBudget, LoopSupply, budget, flat_at
from edge.measure.wire import copper_resistance
from edge.station.channel_base import MeasuredChannel
from edge.station.circuit import Circuit
from edge.station.faults import Fault, KeyPath
from edge.station.measured import LoopChannel, PulseChannel, ValueChannel
from edge.station.reads import ModbusRead
from edge.units import Dimension, Quantity, accepted

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

_THICKEST_WIRE = 10


def meaning_faults(key: KeyPath, channel: MeasuredChannel) -> Iterator[Fault]:
    """Yield what keeps the raw number from having a meaning."""
    if isinstance(channel, PulseChannel):
        yield from _pulses(key, channel)
    elif isinstance(channel, LoopChannel):
        faults = [*_scaling(key, channel), *_loop(key, channel)]
        yield from faults
        if channel.circuit and not faults:  # where the reading goes flat only a sound scale tells
            yield from _circuit((*key, "circuit"), channel, channel.circuit)
    elif isinstance(channel, ValueChannel):
        yield from _scaling(key, channel)


# ----------------------------------------------------------------------------------- scaled numbers


def _scaling(key: KeyPath, channel: LoopChannel | ValueChannel) -> Iterator[Fault]:
    if channel.counts[0] == channel.counts[1]:
        yield Fault(
            (*key, "counts"), f"{channel.counts[0]:.15g} twice", "two numbers that are not the same"
        )
    if channel.range and channel.points:
        yield Fault((*key, "points"), "range beside it", "only one of the two")
    elif channel.range:
        yield from _ends((*key, "range"), channel.range)
    elif channel.points:
        yield from _points((*key, "points"), channel.points)
    else:
        yield Fault((*key, "range"), "nothing", "range or points")
    yield from _watching(key, channel)


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


def _points(key: KeyPath, points: Sequence[tuple[Quantity | float, Quantity]]) -> Iterator[Fault]:
    # A calibration must rise throughout at the one side, and rise or fall at the other.
    faults = list(_one_dimension(key, points, 1, points[0][1].dimension))
    if isinstance(points[0][0], Quantity):
        faults += _one_dimension(key, points, 0, Dimension.CURRENT)
    yield from faults
    if faults:
        return
    yield from rising(key, points, 0)
    falls = points[1][1].value < points[0][1].value
    yield from rising(key, points, 1, falling=falls)


def _one_dimension(
    key: KeyPath,
    points: Sequence[tuple[Quantity | float, Quantity]],
    side: int,
    dimension: Dimension,
) -> Iterator[Fault]:
    for index, point in enumerate(points):
        there = point[side]
        if isinstance(there, Quantity) and there.dimension is not dimension:
            yield Fault(
                (*key, index, side), f'"{there}" ({there.dimension.title})', accepted(dimension)
            )


def rising(
    key: KeyPath,
    points: Sequence[tuple[Quantity | float, Quantity]],
    side: int,
    *,
    falling: bool = False,
) -> Iterator[Fault]:
    """Yield a fault for every point that does not lie beyond the one before it.

    ``side`` says which half of the points is meant. Of values that go up and down each turn is a
    fault.
    """
    for index, (before, after) in enumerate(pairwise(points), 1):
        low, high = (_number(before[side]), _number(after[side]))
        if falling:
            low, high = high, low
        if high <= low or math.isclose(low, high):
            yield Fault(
                (*key, index, side),
                _written(after[side]),
                f"{'less' if falling else 'more'} than at the point before it,"
                f" {_written(before[side])}",
            )


def _number(item: Quantity | float) -> float:
    return item.value if isinstance(item, Quantity) else item


def _written(item: Quantity | float) -> str:
    return f'"{item}"' if isinstance(item, Quantity) else f"{item:.15g}"


def _watching(key: KeyPath, channel: LoopChannel | ValueChannel) -> Iterator[Fault]:
    if channel.median is not None and channel.median % 2 == 0:
        yield Fault((*key, "median"), str(channel.median), "an odd number")
    if channel.stuck_change and channel.stuck_after is None:
        yield Fault((*key, "stuck_after"), "nothing", "how long the signal may stand still")
    sample = channel.sample.value
    if channel.stuck_after and channel.stuck_after.value <= sample:
        yield Fault(
            (*key, "stuck_after"),
            f'"{channel.stuck_after}"',
            f'longer than the sample interval "{channel.sample}"',
        )
    if not (channel.range or channel.points):
        return
    dimension = channel.written.dimension
    moves = {"stuck_change": channel.stuck_change}
    if channel.fastest_change:
        moves["fastest_change"] = channel.fastest_change[0]
    for name, move in moves.items():
        if move is None:
            continue
        at = (*key, name, 0) if name == "fastest_change" else (*key, name)
        if move.dimension is not dimension:
            yield Fault(at, f'"{move}" ({move.dimension.title})', accepted(dimension))
        elif move.value - move.unit.to_base(0.0) <= 0:
            yield Fault(at, f'"{move}"', f"{accepted(dimension)} above zero")


# -------------------------------------------------------------------------------------------- loops


def _loop(key: KeyPath, channel: LoopChannel) -> Iterator[Fault]:
    given = {"counts", "signal"} & channel.model_fields_set
    if len(given) == 1:
        # Half a scale would be completed by a default that has nothing to do with it.
        (there,) = given
        missing = "signal" if there == "counts" else "counts"
        yield Fault((*key, missing), "nothing", f"{missing} to go with {there}, or neither")
    yield from _ends((*key, "signal"), channel.signal)
    yield from _shunt(key, channel)
    try:
        channel.limits.loop_limits()
    except ValueError:
        limits = channel.limits
        yield Fault(
            (*key, "limits"),
            f'"{limits.failure_low}", "{limits.measuring_low}", "{limits.measuring_high}" and'
            f' "{limits.failure_high}"',
            "failure_low, measuring_low, 4 mA, 20 mA, measuring_high, failure_high in this order",
        )
    if channel.extraction == "square-root":
        if channel.range is None:
            yield Fault((*key, "extraction"), '"square-root" with points', "a range to go with it")
    elif "low_cutoff" in channel.model_fields_set:
        yield Fault((*key, "low_cutoff"), '"linear"', 'extraction = "square-root" beside it')


def _shunt(key: KeyPath, channel: LoopChannel) -> Iterator[Fault]:
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
    if channel.adc_offset and channel.adc_offset.dimension not in dimensions:
        yield Fault(
            (*key, "adc_offset"),
            f'"{channel.adc_offset}" ({channel.adc_offset.dimension.title})',
            f"{accepted(channel.signal[0].dimension)}, as the signal",
        )


def _circuit(key: KeyPath, channel: LoopChannel, circuit: Circuit) -> Iterator[Fault]:
    if circuit.load is None and channel.shunt is None:
        yield Fault((*key, "load"), "nothing", "the input resistance of the module")
        return
    supply = circuit.supply(channel.shunt)
    reckoned = budget(supply)
    if reckoned.reaches_full_scale:
        return
    yield Fault(
        key,
        _starved(channel, circuit, supply, reckoned),
        f"20 mA: {', or '.join(_remedies(circuit, supply, reckoned))}",
    )


def _starved(
    channel: LoopChannel, circuit: Circuit, supply: LoopSupply, reckoned: LoopBudget
) -> str:
    volts = f'"{circuit.lowest_supply}" at the lowest, "{circuit.transmitter_least}" for the'
    volts += f" transmitter, {supply.ohms:.4g} ohm in the loop ({supply.wire:.3g} of them wire)"
    scale = channel.scale()
    flat = flat_at(reckoned, lambda current: scale.meaning(current)[0])
    if flat is None:
        return f"a loop that does not even carry 4 mA: {volts}"
    shown = channel.written
    return (
        f"a loop that carries {reckoned.greatest_current * 1000:.4g} mA at most: {volts}; the"
        f" reading would go flat at {shown.from_base(flat):.4g} {shown.symbol}"
    )


def _remedies(circuit: Circuit, supply: LoopSupply, reckoned: LoopBudget) -> Iterator[str]:
    # Rounded to the safe side: a remedy that is a few millivolts short is none.
    yield f"a supply of {math.ceil(reckoned.least_supply * 100) / 100:g} V or more"
    load = math.floor((reckoned.greatest_shunt or 0) * 10) / 10
    if load:
        yield f"a load of {load:g} ohm or less"
    spare = (supply.supply - supply.further_volts - supply.least_voltage) / FULL_SCALE
    wire = spare - supply.shunt - supply.further_ohms
    if circuit.wire_length is None or wire <= 0:
        return
    length, warmest = circuit.wire_length.value, circuit.warmest_wire.value
    for gauge in range(circuit.wire_gauge - 1, _THICKEST_WIRE - 1, -1):
        if 2 * copper_resistance(gauge, length, warmest) <= wire:
            yield f"wire of AWG {gauge} or thicker"
            return


# ------------------------------------------------------------------------------------------- pulses


def _pulses(key: KeyPath, channel: PulseChannel) -> Iterator[Fault]:
    ways = ("k_factor", "pulse_volume", "k_table")
    given = [name for name in ways if getattr(channel, name) is not None]
    if not given:
        yield Fault((*key, "k_factor"), "nothing", "k_factor, pulse_volume or k_table")
    for name in given[1:]:
        yield Fault((*key, name), f"{given[0]} beside it", "only one of the two")
    if channel.k_table is not None:
        yield from rising((*key, "k_table"), channel.k_table, 0)
    if channel.greatest_rate is not None and channel.greatest_flow is not None:
        yield Fault((*key, "greatest_flow"), "greatest_rate beside it", "only one of the two")
    if channel.unit is not None and channel.unit.dimension is not Dimension.VOLUME:
        yield Fault((*key, "unit"), f'"{channel.unit.symbol}"', accepted(Dimension.VOLUME))
    if channel.counter_bits is not None and channel.counter_digits is not None:
        yield Fault((*key, "counter_digits"), "counter_bits beside it", "only one of the two")
    elif isinstance(channel.read, ModbusRead):
        yield from _counter(key, channel, channel.read)
    elif channel.counter_bits is None and channel.counter_digits is None:
        yield Fault(
            (*key, "counter_bits"),
            "nothing",
            "the width at which the counter rolls over, or counter_digits",
        )


def _counter(key: KeyPath, channel: PulseChannel, read: ModbusRead) -> Iterator[Fault]:
    stated = channel.counter_bits is not None or channel.counter_digits is not None
    if read.type == "bit":
        yield Fault((*key, "read", "type"), '"bit"', "a type that a counter can stand in")
    elif not stated and not read.type.startswith("uint"):
        yield Fault(
            (*key, "read", "type"),
            f'"{read.type}", which does not say where the counter rolls over',
            '"uint16", "uint32" or "uint64", or the key counter_bits or counter_digits',
        )
    elif channel.modulus > 1 << _COUNTER_BITS[read.type]:
        name = "counter_bits" if channel.counter_bits is not None else "counter_digits"
        most = _COUNTER_BITS[read.type]
        if name == "counter_digits":
            most = len(str(1 << most)) - 1
        yield Fault(
            (*key, name),
            str(getattr(channel, name)),
            f"{most} at most, for that is how far a {read.type} counts",
        )
