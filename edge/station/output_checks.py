"""Whether outputs can be switched, and who may switch them. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from edge.station.faults import Fault, KeyPath, not_there
from edge.station.measured import PulseChannel
from edge.station.model import LineBus, Uplink
from edge.station.outputs import CoilOutput, GpioOutput, Output
from edge.station.parts import Parts


def output_faults(parts: Parts) -> Iterator[Fault]:
    """Yield what is wrong with outputs, and with who names them as a supply."""
    yield from _shared_hardware(parts)
    for name, output in parts.outputs.items():
        if isinstance(output, CoilOutput) and parts.buses:
            yield from _coil(("outputs", name), output, parts)
    yield from _supplies(parts)


def _shared_hardware(parts: Parts) -> Iterator[Fault]:
    owners: dict[tuple[str | int, ...], str] = {}
    for name, output in parts.outputs.items():
        if output is None:
            continue
        first = owners.setdefault(_hardware(output), name)
        if first != name:
            last_key = "register" if isinstance(output, CoilOutput) else "line"
            yield Fault(
                ("outputs", name, last_key),
                f'{_hardware(output)[-1]}, which output "{first}" has already',
                "a coil or line of its own for every output",
            )


def _hardware(output: Output) -> tuple[str | int, ...]:
    if isinstance(output, GpioOutput):
        return output.chip, output.line
    return output.bus, output.device, output.register_


def _coil(key: KeyPath, output: CoilOutput, parts: Parts) -> Iterator[Fault]:
    if output.bus not in parts.buses:
        yield not_there((*key, "bus"), output.bus, "the buses", parts.buses)
        return
    bus = parts.buses[output.bus]
    if bus is None:
        return
    if isinstance(bus, LineBus):
        yield Fault((*key, "bus"), f'"{output.bus}", of kind "line"', "a Modbus bus")
    elif output.device not in bus.devices:
        yield not_there(
            (*key, "device"), output.device, f'the devices of bus "{output.bus}"', bus.devices
        )


def _supplies(parts: Parts) -> Iterator[Fault]:
    """Yield what keeps channels and the uplink from being supplied by the outputs they name."""
    by_channels: set[str] = set()
    for name, channel in parts.measured.items():
        if channel.supply is None:
            continue
        key: KeyPath = ("channels", name, "supply")
        by_channels.add(channel.supply)
        if channel.supply not in parts.outputs:
            yield not_there(key, channel.supply, "the outputs", parts.outputs)
        elif isinstance(channel, PulseChannel):
            yield Fault(
                key, f'"{channel.supply}"', "none: what counts pulses must be supplied all the time"
            )
        elif output := parts.outputs[channel.supply]:
            needed = output.warm_up.value + output.least_off.value
            if needed >= channel.sample.value:
                yield Fault(
                    ("channels", name, "sample"),
                    f'"{channel.sample}", with {needed:g} s until its supply can be used',
                    "a longer interval, or a sensor that is always supplied",
                )
    if parts.uplink is not None and parts.uplink.supply is not None:
        yield from _supply_of_uplink(parts.uplink, parts.uplink.supply, by_channels, parts)


def _supply_of_uplink(
    uplink: Uplink, supply: str, by_channels: set[str], parts: Parts
) -> Iterator[Fault]:
    key: KeyPath = ("uplink", "supply")
    if supply not in parts.outputs:
        yield not_there(key, supply, "the outputs", parts.outputs)
    elif supply in by_channels:
        yield Fault(
            key,
            f'"{supply}", which channels have as their supply',
            "an output that nobody else switches",
        )
    elif (output := parts.outputs[supply]) and not uplink.stay_connected:
        needed = output.warm_up.value + output.least_off.value
        if needed >= uplink.publish.value:
            yield Fault(
                ("uplink", "publish"),
                f'"{uplink.publish}", with {needed:g} s until the link can be used',
                "a longer interval, or stay_connected = true",
            )
