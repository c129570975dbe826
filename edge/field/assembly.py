"""From the station file to bus tasks and outputs: which driver serves which bus."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import cast

from edge.clock import Clock
from edge.field.bus import BusTask
from edge.field.driver import Driver, Instant
from edge.field.gpio import GpioSwitch
from edge.field.line import LineDriver
from edge.field.modbus import ModbusDriver
from edge.field.output import OutputRules
from edge.field.outputs import REST_WITHIN, Outputs
from edge.field.points import DeviceRules, Point, Sink
from edge.field.switches import CoilSwitch, GpioFactory, Switch
from edge.readings import Sample
from edge.station.model import (
    Bus,
    LineBus,
    LineDevice,
    Measured,
    ModbusDevice,
    Station,
)
from edge.station.outputs import CoilOutput, GpioOutput, Output
from edge.station.reads import LineRead, ModbusRead
from edge.status import Reason

# A request that gets no reply, the wait for one that comes late, and another request.
_TIMEOUTS_TO_REST = 4


@dataclass(frozen=True, slots=True)
class Field:
    """All that the daemon has to keep running on the field side."""

    buses: dict[str, BusTask]
    """A task for every bus that has channels, by the bus's name."""
    outputs: Outputs | None
    """None where the station has no outputs."""


def make_field(
    station: Station, clock: Clock, sink: Sink, *, gpio: GpioFactory | None = None
) -> Field:
    """Return the bus tasks and outputs of a station, nothing opened yet.

    ``gpio`` makes the switches of GPIO outputs; by default those of the computer's own lines.
    """
    drivers = _drivers(station, station.measured, station.outputs, clock)
    outputs = make_outputs(station, station.outputs, drivers, clock, gpio)
    with_outputs = _buses_of(station.outputs.values())
    steady = station.steady_channels()
    buses = {}
    for name, bus in station.buses.items():
        channels = channels_of(station, name)
        if channels:
            buses[name] = BusTask(
                name,
                drivers[name],
                {
                    channel: Point(
                        settings.device,
                        settings.sample_ms,
                        settings.record_ms,
                        settings.supply,
                        channel in steady,
                    )
                    for channel, settings in channels.items()
                },
                {
                    device: _rules(
                        settings, sum(channel.device == device for channel in channels.values())
                    )
                    for device, settings in bus.devices.items()
                },
                clock=clock,
                sink=sink,
                supplies=outputs,
                keep_open=name in with_outputs,
            )
    return Field(buses, outputs)


def channels_of(station: Station, bus: str) -> dict[str, Measured]:
    """Return the channels that hang on a bus, in the order of the station file."""
    return {name: channel for name, channel in station.measured.items() if channel.bus == bus}


def make_driver(bus: Bus, channels: Mapping[str, Measured], clock: Clock) -> Driver:
    """Return a driver for a bus, closed; to add a bus kind, add it here."""
    points = {name: channel.read for name, channel in channels.items()}
    # The station file's checks have made sure that each channel reads what its bus can tell.
    if isinstance(bus, LineBus):
        return LineDriver(bus, cast("dict[str, LineRead]", points), clock)
    return ModbusDriver(bus, cast("dict[str, ModbusRead]", points), clock)


def make_outputs(
    station: Station,
    names: Collection[str],
    drivers: Mapping[str, Driver],
    clock: Clock,
    gpio: GpioFactory | None = None,
) -> Outputs | None:
    """Return some of a station's outputs; None for no names.

    ``drivers`` holds those of their buses; ``gpio``: see `make_field`.
    """
    outputs = {name: output for name, output in station.outputs.items() if name in names}
    if not outputs:
        return None
    return Outputs(
        {
            name: make_switch(station, output, drivers, gpio or GpioSwitch)
            for name, output in outputs.items()
        },
        {name: _output_rules(station, output) for name, output in outputs.items()},
        supplies_of(station),
        clock=clock,
        rest_within=_rest_within(station, outputs.values()),
    )


def _rest_within(station: Station, outputs: Iterable[Output]) -> float:
    """Return how long outputs may take to come to rest: what is lost on the way is asked again."""
    devices = (
        station.buses[one.bus].devices[one.device] for one in outputs if isinstance(one, CoilOutput)
    )
    longest = max((device.timeout.value for device in devices), default=0.0)
    return max(REST_WITHIN, _TIMEOUTS_TO_REST * longest)


def make_switch(
    station: Station, output: Output, drivers: Mapping[str, Driver], gpio: GpioFactory
) -> Switch:
    """Return the switch of an output."""
    if isinstance(output, GpioOutput):
        return gpio(output)
    # The station file's checks have made sure that it is the coil of a Modbus device.
    driver = cast("ModbusDriver", drivers[output.bus])
    return CoilSwitch(output, driver, 1 + station.buses[output.bus].devices[output.device].retries)


def supplies_of(station: Station) -> set[str]:
    """Return the outputs that something of the station is supplied by."""
    users = [*station.measured.values(), *([station.uplink] if station.uplink else [])]
    return {user.supply for user in users if user.supply is not None}


def make_drivers(
    station: Station, channels: Iterable[str], outputs: Iterable[str], clock: Clock
) -> dict[str, Driver]:
    """Return a driver for every bus that one of the channels or outputs named hangs on."""
    return _drivers(
        station,
        {name: station.measured[name] for name in channels},
        {name: station.outputs[name] for name in outputs},
        clock,
    )


def _drivers(
    station: Station, channels: Mapping[str, Measured], outputs: Mapping[str, Output], clock: Clock
) -> dict[str, Driver]:
    used = {channel.bus for channel in channels.values()} | _buses_of(outputs.values())
    return {
        name: make_driver(bus, {n: c for n, c in channels.items() if c.bus == name}, clock)
        for name, bus in station.buses.items()
        if name in used
    }


def _buses_of(outputs: Iterable[Output]) -> set[str]:
    return {output.bus for output in outputs if isinstance(output, CoilOutput)}


def _output_rules(station: Station, output: Output) -> OutputRules:
    rules = OutputRules(
        output.at_rest == "on", output.least_on.value, output.least_off.value, output.warm_up.value
    )
    if isinstance(output, GpioOutput):
        return rules
    device = station.buses[output.bus].devices[output.device]
    return replace(rules, refresh=output.refresh.value, retry_limit=device.back_off_limit.value)


def _rules(device: ModbusDevice | LineDevice, channels: int) -> DeviceRules:
    # To listen costs nothing: a device that talks unasked is listened to at every slot.
    unasked = isinstance(device, LineDevice) and device.request is None
    # At the worst every channel is a request of its own, and each waits for what is still owed.
    worst = channels * (3 + device.retries) * device.timeout.value
    limit = 0.0 if unasked else device.back_off_limit.value
    return DeviceRules(1 + device.retries, limit, worst)


async def poll_once(
    station: Station, clock: Clock, wanted: Iterable[str], *, gpio: GpioFactory | None = None
) -> dict[str, Sample]:
    """Ask every device for the wanted channels now, once; return a sample for each channel.

    What their sensors are supplied by is switched on for it, and brought to its safe state after.
    """
    names = set(wanted)
    channels = {name: channel for name, channel in station.measured.items() if name in names}
    supplies = {channel.supply for channel in channels.values() if channel.supply is not None}
    drivers = make_drivers(station, channels, supplies, clock)
    outputs = make_outputs(station, supplies, drivers, clock, gpio)
    samples: list[Sample] = []
    async with contextlib.AsyncExitStack() as stack:
        for driver in drivers.values():
            stack.push_async_callback(driver.close)
        supplied = await _switched_on(outputs, stack)
        for name, bus in station.buses.items():
            here = {n: channel for n, channel in channels.items() if channel.bus == name}
            if here:
                samples += await _poll_bus(bus, drivers[name], here, supplied, clock)
    return {sample.channel: sample for sample in samples}


async def _switched_on(
    outputs: Outputs | None, stack: contextlib.AsyncExitStack
) -> dict[str, Reason]:
    """Switch on all outputs until ``stack`` is left; return for each OK, or why it is not on."""
    if outputs is None:
        return {}
    running = asyncio.create_task(outputs.run())

    async def bring_to_rest() -> None:
        running.cancel()
        await asyncio.wait([running])
        await outputs.rest()

    stack.push_async_callback(bring_to_rest)
    # All at once: their warm-ups need not be waited for one after another.
    powered = [stack.enter_async_context(outputs.powered(name)) for name in outputs.names]
    return dict(zip(outputs.names, await asyncio.gather(*powered), strict=True))


async def _poll_bus(
    bus: Bus,
    driver: Driver,
    channels: Mapping[str, Measured],
    supplied: Mapping[str, Reason],
    clock: Clock,
) -> list[Sample]:
    reason = Reason.OK if driver.connected else await driver.open()
    if reason is not Reason.OK:
        return Instant.now(clock).samples(dict.fromkeys(channels, reason))
    without = {
        name: supplied[channel.supply]
        for name, channel in channels.items()
        if channel.supply is not None and supplied[channel.supply] is not Reason.OK
    }
    samples = Instant.now(clock).samples(without)
    for device, settings in bus.devices.items():
        here = [n for n, c in channels.items() if c.device == device and n not in without]
        if here:
            samples += await driver.read(device, here, tries=1 + settings.retries)
    return samples
