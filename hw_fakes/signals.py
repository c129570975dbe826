"""What the channels of a station measure in the simulated world, and the raw numbers they send."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

from edge.measure.line import Line
from edge.measure.loop import LoopScale
from edge.measure.meter import Meter
from edge.station.measured import LoopChannel, PulseChannel, ValueChannel
from edge.station.reads import ModbusRead
from edge.units import Dimension
from hw_fakes.registers import encode, is_whole, limits
from hw_fakes.roles import Quantity
from hw_fakes.world import World

ScaledChannel = LoopChannel | ValueChannel

# A transmitter drives no less and no more than the limits of NAMUR NE 43 for measurement.
_LEAST_A, _MOST_A = 0.0038, 0.0205

# While a sensor warms up it is silent at first, and then reads far too little.
_SILENT_UNTIL, _HALF_WARM = 0.5, 0.7

# How much the pump moves before a counter rolls over: little enough to see it on the first day.
_ROLLS_OVER_WITHIN_M3 = (0.2, 1.0)


def quantity_named(name: str, world: World) -> Quantity | None:
    """Return what the world has for a field of which only the name is known, if anything."""
    for part, quantity in (
        ("panel", world.panel_v),
        ("bat", world.battery_v),
        ("temp", world.temperature_c),
        ("level", world.level_m),
        ("flow", world.flow_m3s),
        ("pres", world.discharge_pa),
    ):
        if part in name.lower():
            return quantity
    return None


def quantity_of(name: str, channel: ScaledChannel, world: World) -> Quantity:
    """Return what a channel measures, by its dimension.

    A length is the water in the well, unless the channel's title speaks of a tank. A single bit is
    whether the pump runs. What the world does not have stands still in the middle of the channel's
    range.
    """
    low, high = _ends(channel)
    if _is_bit(channel.read):
        at = Line(0.0, 1.0, low, high).at
        return lambda t_ms: at(float(world.pump_running(t_ms)))
    field = "" if isinstance(channel.read, ModbusRead) else channel.read.field
    of_panel = "panel" in name or "panel" in field
    by_dimension: dict[Dimension, Quantity] = {
        Dimension.LENGTH: world.tank_m if "tank" in channel.title.lower() else world.level_m,
        Dimension.PRESSURE: world.discharge_pa,
        Dimension.FLOW: world.flow_m3s,
        Dimension.VOLUME: world.volume_m3,
        Dimension.TEMPERATURE: world.temperature_c,
        Dimension.VOLTAGE: world.panel_v if of_panel else world.battery_v,
    }
    return by_dimension.get(channel.written.dimension, lambda _t_ms: (low + high) / 2)


def _ends(channel: ScaledChannel) -> tuple[float, float]:
    """Return the two ends of a channel's range, in the base unit."""
    if channel.range:
        return channel.range[0].value, channel.range[1].value
    points = channel.points or []
    return points[0][1].value, points[-1][1].value


class ScaledSignal:
    """A channel whose raw number follows from a quantity: a loop, or a value sent as it is.

    ``forced_amperes`` puts a current on the loop whatever the world says: 0 for an open loop.
    ``warm_share`` tells how far the sensor has come since it was supplied, 0 when it is not: until
    it has warmed up it sends nothing, and then something wrong. ``most_amperes`` tells, by time,
    what current the loop's supply can drive.
    """

    def __init__(
        self,
        name: str,
        channel: ScaledChannel,
        world: World,
        quantity: Quantity | None = None,
    ) -> None:
        self.forced_amperes: float | None = None
        self.warm_share: Callable[[], float] = lambda: 1.0
        self.most_amperes: Callable[[float], float] = lambda _t_ms: math.inf
        self._quantity = quantity or quantity_of(name, channel, world)
        self._scale = channel.scale()

    def truth(self, _series: str, t_ms: float) -> float:
        """Return the quantity in its base unit."""
        return self._quantity(t_ms)

    def raw(self, t_ms: float) -> float:
        """Return the number a device would send, unrounded."""
        value, settled = self._quantity(t_ms), _settled(self.warm_share())
        if not isinstance(self._scale, LoopScale):
            return self._scale.inverse().at(value) * settled
        if self.forced_amperes is not None:
            return self._scale.raw(self.forced_amperes)
        amperes = min(max(self._scale.current(value), _LEAST_A), _MOST_A) * settled
        return self._scale.raw(min(amperes, self.most_amperes(t_ms)))


def _settled(warm_share: float) -> float:
    """Return the share of its signal that a sensor gives which is that far with warming up."""
    if warm_share >= 1:
        return 1.0
    return _HALF_WARM if warm_share >= _SILENT_UNTIL else 0.0


class CounterSignal:
    """A channel that counts the pulses of the flow meter, in a counter that is about to roll over.

    A counter wider than 32 bits begins anywhere.
    """

    def __init__(self, name: str, channel: PulseChannel, world: World) -> None:
        self._world = world
        # A meter with a table is simulated at the K-factor of its middle point.
        self._volume_per_pulse = _volume_per_pulse(channel)
        self._modulus = channel.modulus
        rng = Random(f"counter {world.seed} {name}")
        before_rollover = rng.uniform(*_ROLLS_OVER_WITHIN_M3) / self._volume_per_pulse
        if channel.modulus > 1 << 32:
            before_rollover = rng.randrange(self._modulus)
        self._start = -max(1, int(before_rollover))

    def truth(self, series: str, t_ms: float) -> float:
        """Return the volume since the world began, or, for a rate, the flow at the instant."""
        if series.endswith(".rate"):
            return self._world.flow_m3s(t_ms)
        return self._world.volume_m3(t_ms)

    def pulses(self, t_ms: float) -> int:
        """Return how many pulses the meter has made since the world began."""
        return math.floor(self._world.volume_m3(t_ms) / self._volume_per_pulse)

    def raw(self, t_ms: float) -> int:
        """Return where the counter stands."""
        return (self._start + self.pulses(t_ms)) % self._modulus

    def reset(self, t_ms: float) -> None:
        """Put the counter back to nought, as a device does that has lost its supply."""
        self._start = -self.pulses(t_ms)


def _volume_per_pulse(channel: PulseChannel) -> float:
    meter = channel.meter()
    if isinstance(meter, Meter):
        return meter.volume_per_pulse
    table = channel.k_table or []
    return 1 / table[len(table) // 2][1].value


Signal = ScaledSignal | CounterSignal


def registers_of(raw: float, read: ModbusRead) -> list[int]:
    """Return the registers (or the coil) by which a device sends a raw number.

    A whole type takes the nearest number that it can hold.
    """
    if _is_bit(read):
        return [int(raw >= 0.5)]
    if is_whole(read.type):
        low, high = limits(read.type)
        raw = min(max(round(raw), low), high)
    return encode(raw, read.type, word_order=read.word_order, byte_order=read.byte_order)


def _is_bit(read: object) -> bool:
    return isinstance(read, ModbusRead) and (
        read.type == "bit" or read.table in {"coil", "discrete"}
    )
