"""What the station draws from its battery, load by load, in every stage of shedding. Pure.

Theory of operation. A load is on for a share of the time, its duty. That follows from the station
file: from the output that switches it, the bus it belongs to, or the publishings at which it sends.
An output in turn is on all the time; or, where it supplies sensors, around each sampling slot; or,
where it supplies the link, around each publishing, unless the connection stands. A stage changes
all of these, and only `Effects` says how. What is drawn is reckoned at the battery, before the
converter.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from edge.energy.stages import NORMAL, Effects
from edge.station.energy import EnergySection, Load
from edge.station.model import Measured, Station, Uplink
from edge.station.outputs import CoilOutput

DAY_S = 86400.0

NOMINAL_CELL_V = 2.0
"""What a cell counts for where currents and powers are turned into each other."""

# Our own estimates, a second more or less of a switched supply: no source.
_READING_S = 1.0
_SENDING_S = 30.0


@dataclass(frozen=True, slots=True)
class Line:
    """A load in a stage: W at the battery while it is on, and for which share of the time."""

    load: str
    watts: float
    duty: float

    @property
    def wh_per_day(self) -> float:
        """What it draws from the battery in a day, in Wh."""
        return self.watts * self.duty * 24.0


@dataclass(frozen=True, slots=True)
class StageDemand:
    """Everything that is drawn in a stage."""

    stage: str
    lines: tuple[Line, ...]
    measures: bool
    """Whether any channel is still read."""
    publishings_per_day: float

    @property
    def wh_per_day(self) -> float:
        """Drawn in a day, in Wh."""
        return sum(line.wh_per_day for line in self.lines)

    @property
    def watts(self) -> float:
        """Drawn on average, in W."""
        return self.wh_per_day / 24.0


def demands(station: Station, energy: EnergySection) -> list[StageDemand]:
    """Return what is drawn in every stage, "normal" the first."""
    ladder = energy.rules().ladder
    return [demand_in(station, energy, stage.effects, stage.name) for stage in ladder]


def demand_in(
    station: Station, energy: EnergySection, effects: Effects, name: str = NORMAL
) -> StageDemand:
    """Return what is drawn when this is shed."""
    return _Reckoning(station, energy, effects, station.steady_channels()).demand(name)


class _Reckoning:
    """How a station stands when ``effects`` are in force."""

    def __init__(
        self, station: Station, energy: EnergySection, effects: Effects, steady: frozenset[str]
    ) -> None:
        self._station = station
        self._energy = energy
        self._effects = effects
        self._steady = steady

    def demand(self, name: str) -> StageDemand:
        """Return what is drawn."""
        lines = [self._line(load, one) for load, one in self._energy.loads.items()]
        lines += [
            Line(f"coil of {output}", one.coil_power.value, self._coil_duty(output))
            for output, one in self._station.outputs.items()
            if one.coil_power.value > 0
        ]
        if self._energy.controller is not None:
            volts = NOMINAL_CELL_V * self._energy.cells
            lines.append(Line("charge controller", self._energy.controller.draw.value * volts, 1.0))
        return StageDemand(name, tuple(lines), self._measures, self._publishings)

    # -------------------------------------------------------------------------------------- loads

    def _line(self, name: str, load: Load) -> Line:
        if self._effects.halt and load.when_halted is not None:
            return Line(name, load.when_halted.value / load.efficiency.value, 1.0)
        return Line(name, load.power.value / load.efficiency.value, self._duty(load))

    def _duty(self, load: Load) -> float:
        if load.bus is not None and load.bus in self._effects.stopped:
            return 0.0
        if load.per_publish is not None:
            if load.output is not None and load.output in self._effects.off:
                return 0.0
            return min(1.0, self._publishings * load.per_publish.value / DAY_S)
        return 1.0 if load.output is None else self._output_duty(load.output)

    # ------------------------------------------------------------------------------------ outputs

    def _output_duty(self, name: str) -> float:
        """Return for which share of the time an output is on."""
        output = self._station.outputs[name]
        if self._effects.halt:
            return 1.0 if output.at_rest == "on" else 0.0
        if name in self._effects.off:
            return 0.0
        least_on, warm_up = output.least_on.value, output.warm_up.value
        uplink = self._station.uplink
        if uplink is not None and uplink.supply == name:
            return self._link_duty(uplink, max(least_on, warm_up + self._sending_s(name)))
        sensors = {n: c for n, c in self._station.measured.items() if c.supply == name}
        if sensors:
            return _share_around(self._slots(sensors.items()), max(least_on, warm_up + _READING_S))
        return 1.0

    def _coil_duty(self, name: str) -> float:
        """Return for which share of the time a relay draws: while off at its resting contact."""
        duty = self._output_duty(name)
        output = self._station.outputs[name]
        return 1 - duty if isinstance(output, CoilOutput) and output.inverted else duty

    def _slots(self, sensors: Iterable[tuple[str, Measured]]) -> set[int]:
        """Return the milliseconds of the day at which any of these channels is read."""
        slots: set[int] = set()
        for name, channel in sensors:
            if channel.bus not in self._effects.stopped:
                stretch = 1 if name in self._steady else self._effects.stretch_sampling
                interval = round(channel.sample.value * 1000) * stretch
                slots.update(range(0, int(DAY_S * 1000), interval))
        return slots

    def _link_duty(self, uplink: Uplink, window: float) -> float:
        if uplink.stay_connected and self._effects.publish_at is None:
            return 1.0
        return min(1.0, self._publishings * window / DAY_S)

    def _sending_s(self, output: str) -> float:
        """Return how long the link is needed at every publishing."""
        said = [
            load.per_publish.value
            for load in self._energy.loads.values()
            if load.output == output and load.per_publish is not None
        ]
        return max(said, default=_SENDING_S)

    # --------------------------------------------------------------------------------- the station

    @property
    def _publishings(self) -> float:
        """Publishings a day."""
        uplink = self._station.uplink
        if uplink is None or self._effects.halt or uplink.supply in self._effects.off:
            return 0.0
        if self._effects.publish_at is not None:
            return float(len(set(self._effects.publish_at)))
        return DAY_S / (uplink.publish.value * self._effects.stretch_publishing)

    @property
    def _measures(self) -> bool:
        return not self._effects.halt and any(
            channel.bus not in self._effects.stopped and channel.supply not in self._effects.off
            for channel in self._station.measured.values()
        )


def _share_around(slots: set[int], window_s: float) -> float:
    """Return for which share of the day it is less than a window since a slot."""
    window = window_s * 1000
    in_order = sorted(slots)
    ends = [*in_order[1:], int(DAY_S * 1000) + in_order[0]] if in_order else []
    on = sum(min(window, end - start) for start, end in zip(in_order, ends, strict=True))
    return on / (DAY_S * 1000)
