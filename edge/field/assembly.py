"""From the station file to bus tasks: which driver serves which bus."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import cast

from edge.clock import Clock
from edge.field.bus import BusTask, DeviceRules, Point, Sink
from edge.field.driver import Driver, Instant
from edge.field.line import LineDriver
from edge.field.modbus import ModbusDriver
from edge.readings import Sample
from edge.station.model import (
    Bus,
    LineBus,
    LineDevice,
    Measured,
    ModbusDevice,
    Station,
)
from edge.station.reads import LineRead, ModbusRead
from edge.status import Reason


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


def make_bus_tasks(station: Station, clock: Clock, sink: Sink) -> dict[str, BusTask]:
    """Return a task for every bus that has channels, by the bus's name."""
    tasks = {}
    for name, bus in station.buses.items():
        channels = channels_of(station, name)
        if channels:
            tasks[name] = BusTask(
                name,
                make_driver(bus, channels, clock),
                {
                    channel: Point(settings.device, settings.sample_ms, settings.record_ms)
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
            )
    return tasks


def _rules(device: ModbusDevice | LineDevice, channels: int) -> DeviceRules:
    # To listen costs nothing: a device that talks unasked is listened to at every slot.
    unasked = isinstance(device, LineDevice) and device.request is None
    # At the worst every channel is a request of its own, and each waits for what is still owed.
    worst = channels * (3 + device.retries) * device.timeout.value
    limit = 0.0 if unasked else device.back_off_limit.value
    return DeviceRules(1 + device.retries, limit, worst)


async def poll_once(station: Station, clock: Clock, wanted: Iterable[str]) -> dict[str, Sample]:
    """Ask every device for the wanted channels now, once; return a sample for each channel."""
    names = set(wanted)
    samples: list[Sample] = []
    for bus_name, bus in station.buses.items():
        channels = {n: c for n, c in channels_of(station, bus_name).items() if n in names}
        if not channels:
            continue
        driver = make_driver(bus, channels, clock)
        try:
            reason = await driver.open()
            if reason is not Reason.OK:
                samples += Instant.now(clock).samples(dict.fromkeys(channels, reason))
                continue
            for device, settings in bus.devices.items():
                here = [name for name, channel in channels.items() if channel.device == device]
                if here:
                    samples += await driver.read(device, here, tries=1 + settings.retries)
        finally:
            await driver.close()
    return {sample.channel: sample for sample in samples}
