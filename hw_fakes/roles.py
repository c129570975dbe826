"""What a channel must be measuring, told by what the station computes from it."""

from __future__ import annotations

from collections.abc import Callable

from edge.measure import water
from edge.station.computed import BarometricChannel, OpenChannel, TankChannel, WaterLevelChannel
from edge.station.model import Station
from edge.units import Dimension
from hw_fakes.world import World

Quantity = Callable[[float], float]
"""A quantity of the world: from UTC milliseconds to the base unit."""


def quantities_by_role(station: Station, world: World) -> dict[str, Quantity]:
    """Return what the world has for the channels that others are computed from, by their names.

    A pressure that a water level is computed from is that at the transducer in the well.
    """
    found: dict[str, Quantity] = {}
    for channel in station.channels.values():
        if isinstance(channel, WaterLevelChannel):
            found |= _water_level(station, channel, world)
        elif isinstance(channel, BarometricChannel):
            found[channel.barometer] = world.barometer_pa
        elif isinstance(channel, TankChannel):
            found[channel.of] = _shifted(world.tank_m, -channel.zero_above_bottom.value)
        elif isinstance(channel, OpenChannel):
            found[channel.of] = _shifted(world.stream_head_m, channel.zero.value)
    return found


def _shifted(quantity: Quantity, by: float) -> Quantity:
    return lambda t_ms: quantity(t_ms) + by


def _water_level(station: Station, channel: WaterLevelChannel, world: World) -> dict[str, Quantity]:
    found: dict[str, Quantity] = {}
    if channel.barometer is not None:
        found[channel.barometer] = world.barometer_pa
    if channel.thermometer is not None:
        found[channel.thermometer] = world.water_temperature_c
    if station.room().unit_of(channel.of).dimension is Dimension.PRESSURE:
        gravity = station.station.site().gravity
        salinity = channel.salinity.value * 1000
        absolute = channel.transducer == "absolute"

        def pressure(t_ms: float) -> float:
            temperature = channel.water_temperature.value
            if channel.thermometer is not None:
                temperature = world.water_temperature_c(t_ms)
            density = water.density(temperature, salinity)
            gauge = water.pressure(world.level_m(t_ms), density, gravity)
            return gauge + (world.barometer_pa(t_ms) if absolute else 0.0)

        found[channel.of] = pressure
    return found
