"""Makes the parts of the daemon obey the stage that the battery's voltage has it in.

The voltage comes out of the measuring room with everything else. When a stage is entered, buses
slow down or stop, outputs are forbidden, the publisher gets another timetable, and the measuring
room is told at which pace samples come. All of it is set anew at every start, from the stage in the
journal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import structlog

from edge.clock import Clock
from edge.energy.keeper import EnergyKeeper, Instant, Kept, in_words
from edge.field.bus import BusTask
from edge.field.outputs import Outputs
from edge.health import Condition
from edge.measure.room import Room
from edge.measure.values import Value
from edge.readings import Sample
from edge.station.energy import EnergySection
from edge.station.model import Station
from edge.status import Quality
from edge.uplink.publisher import Publisher
from edge.uplink.timetable import timetable_of

# The voltage's channel is missed after so many of its sampling intervals, and so many seconds.
_MISSED_INTERVALS = 3
_MISSED_S = 120.0


class LoadShedding:
    """Watches the battery of a station whose energy section has stages."""

    def __init__(
        self,
        station: Station,
        energy: EnergySection,
        room: Room,
        *,
        buses: Mapping[str, BusTask],
        outputs: Outputs | None,
        publisher: Publisher | None,
        clock: Clock,
        state: Mapping[str, Any] | None,
    ) -> None:
        """Begin in the stage of an earlier run, whose ``state`` was kept, and have it obeyed."""
        assert energy.voltage is not None  # noqa: S101 - edge.station.energy_checks sees to it
        self._station = station
        self._energy = energy
        self._room = room
        self._buses, self._outputs, self._publisher = buses, outputs, publisher
        self._clock = clock
        self._voltage = energy.voltage
        self._lead = room.sources(_channel(energy.voltage))[0]
        interval = station.measured[self._lead].sample.value
        self._missed_after = max(_MISSED_S, _MISSED_INTERVALS * interval)
        self._log = structlog.get_logger()
        now = self._now()
        self._looked = now.monotonic
        self.keeper = EnergyKeeper(energy.rules(), now, state)
        if self.keeper.strange_state:
            self._log.warning("the stage of an earlier run makes no sense: begins in normal")
        self._obey()

    def after_round(self, samples: Sequence[tuple[Sample, bool]]) -> Kept:
        """Look at the battery if a round, which the room has taken, was about it."""
        due = [falls_due for sample, falls_due in samples if sample.channel == self._lead]
        if not due:
            return Kept()
        self._looked = self._clock.monotonic()
        value = self._latest(self._voltage)
        return self._take(None if value is None else _trusted(value), due=any(due))

    def look(self) -> Kept:
        """Take note of a battery that is not read at all, such as when its bus hangs."""
        missed = self._clock.monotonic() - self._looked >= self._missed_after
        return self._take(None) if missed else Kept()

    @property
    def halts(self) -> bool:
        """Whether the computer is to be halted."""
        return self.keeper.halts

    def condition(self) -> Condition:
        """Say how the battery is, and what is shed for its sake."""
        return self.keeper.condition()

    def _take(self, volts: float | None, *, due: bool = False) -> Kept:
        now = self._now()
        kept = self.keeper.take(now, volts, self._celsius(now), due=due)
        if kept.move:
            stage = self.keeper.shedding.stage
            self._log.warning(
                "energy stage", stage=stage.name, why=kept.move.why, shed=in_words(stage.effects)
            )
            self._obey()
        return kept

    def _obey(self) -> None:
        effects = self.keeper.effects
        uplink = self._station.uplink
        if self._publisher and uplink:
            # First of all, so that it can take leave before its modem is switched off.
            zone = ZoneInfo(self._station.station.timezone)
            self._publisher.timetable = timetable_of(uplink, zone, effects)
        if self._outputs:
            self._outputs.forbid(effects.off)
        for name, bus in self._buses.items():
            bus.shed(effects.stretch_sampling, stopped=name in effects.stopped)
        self._room.stretch(effects.stretch_sampling)

    def _celsius(self, now: Instant) -> float | None:
        value = self._energy.temperature and self._latest(self._energy.temperature)
        if not value or now.monotonic - value.monotonic > self._energy.lost_after.value:
            return None
        return _trusted(value)

    def _latest(self, series: str) -> Value | None:
        values = self._room.latest(_channel(series))
        return next((value for one, value in values if one.name == series), None)

    def _now(self) -> Instant:
        return Instant(self._clock.utc_ms(), self._clock.monotonic())


def _channel(series: str) -> str:
    return series.partition(".")[0]


def _trusted(value: Value) -> float | None:
    # A signal that is stuck, or out of range, is no ground to switch anything by.
    return value.number if value.reason.quality is Quality.GOOD else None
