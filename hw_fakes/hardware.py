"""The hardware of a station, simulated from the same station file that the daemon gets.

Every bus becomes a real pseudo-terminal or TCP port, every device a simulated one, every channel a
quantity of the simulated world. The daemon cannot tell, except by where its ports are. What it
switches is switched: sensors lose their supply, the modem its link, the battery a load.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

from edge.clock import Clock
from edge.measure.loop_budget import budget
from edge.station.measured import LoopChannel, PulseChannel
from edge.station.model import (
    Bus,
    LineBus,
    LineDevice,
    Measured,
    ModbusDevice,
    ModbusTcpBus,
    Station,
)
from edge.station.outputs import CoilOutput, GpioOutput
from edge.station.reads import LineRead, ModbusRead
from hw_fakes.faults import FaultSwitch
from hw_fakes.line_device import LineUnit
from hw_fakes.loads import StationLoads
from hw_fakes.modbus_device import TcpSlave
from hw_fakes.modbus_unit import ModbusUnit
from hw_fakes.ports import PtyPort
from hw_fakes.relays import GpioLine, Relays, gpio_name
from hw_fakes.reply_text import write_line
from hw_fakes.roles import quantities_by_role
from hw_fakes.signals import (
    CounterSignal,
    ScaledSignal,
    Signal,
    quantity_named,
    registers_of,
)
from hw_fakes.startable import Startable
from hw_fakes.wires import LineWire, RtuWire, TcpWire, Wire
from hw_fakes.world import World

# A supply of less is the battery itself, and sags with it.
_CONVERTED_V = 20.0

# A device that talks unasked does so this often within its time-out, and at least this often.
_WORDS_PER_TIMEOUT = 4
_LONGEST_SILENCE_S = 0.25


class Hardware(Startable):
    """All simulated devices of a station; ``directory`` is where the links to the ports go.

    Raises ValueError for a station whose devices cannot be simulated: two different values in the
    same register, or a reply that `reply_text` cannot write.
    """

    def __init__(self, station: Station, world: World, clock: Clock, directory: Path) -> None:
        self._station = station
        self._world = world
        self._clock = clock
        self.relays = Relays(station.outputs, clock, self._about_to_switch, self._switched)
        """The outputs, as they truly are."""
        self.loads = StationLoads(station, self.relays.states, world.power.changing)
        """What draws on the battery."""
        self.on_switch: Callable[[str, bool], None] = lambda _name, _on: None
        """Called, with its name and whether it is on, when an output has changed."""
        if station.energy and station.energy.loads:
            world.power.draw = self.loads
        by_role = quantities_by_role(station, world)
        self._signals: dict[str, Signal] = {
            name: CounterSignal(name, channel, world)
            if isinstance(channel, PulseChannel)
            else ScaledSignal(name, channel, world, by_role.get(name))
            for name, channel in station.measured.items()
        }
        for name, channel in station.measured.items():
            self._supply(name, channel)
        self._wires = {
            name: self._wire(name, bus, directory / "serial" / name)
            for name, bus in station.buses.items()
        }

    @property
    def station(self) -> Station:
        """The station with its ports where the simulated devices are; once started."""
        buses = {name: wire.bus for name, wire in self._wires.items()}
        return self._station.model_copy(update={"buses": buses})

    @property
    def outputs(self) -> dict[str, bool]:
        """Which outputs are truly on."""
        return dict(self.relays.states)

    def gpio(self, output: GpioOutput) -> GpioLine:
        """Return the switch of an output on a GPIO line."""
        return GpioLine(self.relays, gpio_name(self._station.outputs, output))

    @property
    def modem_up(self) -> bool:
        """Whether the modem has its supply, and has warmed up; without a supply it always has."""
        uplink = self._station.uplink
        if uplink is None or uplink.supply is None:
            return True
        return self.relays.warm_share(uplink.supply) >= 1

    async def start(self) -> None:
        """Switch everything on."""
        for wire in self._wires.values():
            await wire.start()

    async def stop(self) -> None:
        """Switch everything off."""
        for wire in self._wires.values():
            await wire.stop()

    def port(self, bus: str) -> PtyPort | TcpSlave:
        """Return what a bus hangs on: something to unplug, or to stop."""
        return self._wires[bus].port

    def unit(self, bus: str, device: str) -> ModbusUnit | LineUnit:
        """Return a simulated device."""
        return self._wires[bus].units[device]

    def faults(self, bus: str, device: str) -> FaultSwitch:
        """Return the switch for the faults of a device."""
        return self.unit(bus, device).faults

    def force_loop(self, channel: str, amperes: float | None) -> None:
        """Put a current on a loop whatever the world says; None lets the world speak again.

        0 is an open loop, 22 mA a shorted one.
        """
        signal = self._signals[channel]
        if not isinstance(signal, ScaledSignal):
            msg = f"{channel} is no loop"
            raise TypeError(msg)
        signal.forced_amperes = amperes

    def reset_counter(self, channel: str) -> None:
        """Put a pulse channel's counter back to nought."""
        self._counter(channel).reset(self._clock.utc_ms())

    def truth(self, series: str, utc_ms: float) -> float:
        """Return what the world had at an instant, in the base unit of the series.

        For a ``.total`` that is the volume since the world began, for a ``.rate`` the flow at the
        instant.
        """
        channel = series.removesuffix(".total").removesuffix(".rate")
        return self._signals[channel].truth(series, utc_ms)

    def raw(self, channel: str, utc_ms: int) -> float:
        """Return the raw number that a channel's device would send at an instant."""
        return self._signals[channel].raw(utc_ms)

    def pulses(self, channel: str) -> int:
        """Return how many pulses a channel's meter has made by now, since the world began."""
        return self._counter(channel).pulses(self._clock.utc_ms())

    def _about_to_switch(self) -> None:
        self._world.power.changing(self._clock.utc_ms() / 1000)

    def _switched(self, name: str, on: bool) -> None:
        self.on_switch(name, on)

    def _supply(self, name: str, channel: Measured) -> None:
        """Connect a sensor to the output that supplies it, and its loop to the battery."""
        signal = self._signals[name]
        if not isinstance(signal, ScaledSignal):
            return
        if channel.supply is not None:
            signal.warm_share = partial(self.relays.warm_share, channel.supply)
        circuit = channel.circuit if isinstance(channel, LoopChannel) else None
        if circuit is None or circuit.lowest_supply.value >= _CONVERTED_V:
            return
        at_worst = circuit.supply(channel.shunt if isinstance(channel, LoopChannel) else None)

        def carried(t_ms: float) -> float:
            volts = max(0.0, self._world.battery_v(t_ms))
            return budget(replace(at_worst, supply=volts)).greatest_current

        signal.most_amperes = carried

    def _counter(self, channel: str) -> CounterSignal:
        signal = self._signals[channel]
        if not isinstance(signal, CounterSignal):
            msg = f"{channel} counts no pulses"
            raise TypeError(msg)
        return signal

    def _wire(self, name: str, bus: Bus, path: Path) -> Wire:
        if isinstance(bus, LineBus):
            lines = {d: self._line_unit(name, d, device) for d, device in bus.devices.items()}
            return LineWire(bus, lines, path)
        units = {d: self._modbus_unit(name, d, device) for d, device in bus.devices.items()}
        return TcpWire(bus, units) if isinstance(bus, ModbusTcpBus) else RtuWire(bus, units, path)

    def _modbus_unit(self, bus: str, name: str, device: ModbusDevice) -> ModbusUnit:
        unit = ModbusUnit(device.unit)
        placed: set[ModbusRead] = set()
        for output_name, output in self._station.outputs.items():
            if isinstance(output, CoilOutput) and (output.bus, output.device) == (bus, name):
                self._place_output(unit, output_name, output)
        for channel, read in self._reads(bus, name).items():
            if isinstance(read, ModbusRead) and read not in placed:
                placed.add(read)
                self._place(unit, channel, read)
        return unit

    def _place_output(self, unit: ModbusUnit, name: str, output: CoilOutput) -> None:
        relays = self.relays
        unit.place_coil(
            output.register_,
            lambda: relays.commanded(name) != output.inverted,
            lambda coil: relays.command(name, on=coil != output.inverted),
        )
        if output.feedback is not None:
            unit.place("discrete", output.feedback, 1, lambda: [int(relays.states[name])])

    def _place(self, unit: ModbusUnit, channel: str, read: ModbusRead) -> None:
        signal = self._signals[channel]
        unit.place(
            read.table,
            read.register_,
            read.width,
            lambda: registers_of(signal.raw(self._clock.utc_ms()), read),
        )

    def _line_unit(self, bus: str, name: str, device: LineDevice) -> LineUnit:
        channels = {
            read.field: channel
            for channel, read in self._reads(bus, name).items()
            if isinstance(read, LineRead)
        }
        fields = {field: self._signals[channel].raw for field, channel in channels.items()}
        named = {
            field: quantity
            for field in re.compile(device.reply).groupindex
            if field not in fields and (quantity := quantity_named(field, self._world))
        }

        def render() -> str:
            now = self._clock.utc_ms()
            return write_line(
                device.reply,
                {field: number(now) for field, number in fields.items()},
                {field: number(now) for field, number in named.items()},
            )

        render()  # A reply that cannot be written is to be found out now.
        return LineUnit(
            render,
            request=device.request,
            terminator=device.terminator,
            checksum=device.checksum,
            checksum_mark=device.checksum_mark,
            checksum_skip=device.checksum_skip,
            interval=min(device.timeout.value / _WORDS_PER_TIMEOUT, _LONGEST_SILENCE_S),
        )

    def _reads(self, bus: str, device: str) -> dict[str, ModbusRead | LineRead]:
        return {
            name: channel.read
            for name, channel in self._station.measured.items()
            if (channel.bus, channel.device) == (bus, device)
        }
