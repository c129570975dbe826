"""Keeps a station's stage: takes the battery's readings, says what is to be journalled and shed.

The daemon hands it the values of every round, and asks it now and then also when no round comes.
What it returns goes into the journal: stage and voltage as readings of series of their own, the
stage and its reason as a state in the same transaction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from edge.energy.stages import NORMAL, Effects, Move, Rules, Shedding
from edge.health import ENERGY, Condition
from edge.readings import Condense, Reading, Series
from edge.status import Category, Reason
from edge.units import UNITS

STATE = "@energy"
"""Under this name the journal keeps the stage, among the channels' states; no channel's name."""

_END_OF_CALENDAR_MS = 253_402_300_800_000  # the year 10000

STAGE = Series("energy.stage", UNITS["count"], "Stage of load shedding", Condense.MAXIMUM)
VOLTAGE = Series(
    "energy.voltage", UNITS["V"], "Battery voltage as judged by the stages", Condense.MEAN
)


@dataclass(frozen=True, slots=True)
class Instant:
    """A moment: UTC milliseconds, and seconds of the scale that never goes back."""

    utc_ms: int
    monotonic: float


@dataclass(slots=True)
class Kept:
    """What came of a look at the battery."""

    readings: list[Reading] = field(default_factory=list)
    state: dict[str, Any] | None = None
    """To be kept together with the readings; None: as it was."""
    move: Move | None = None
    """Set when a stage was entered."""


class EnergyKeeper:
    """The stage of a station, from one round to the next and over restarts."""

    series = (STAGE, VOLTAGE)

    def __init__(self, rules: Rules, now: Instant, state: Mapping[str, Any] | None = None) -> None:
        """Begin at ``now``, in the stage of an earlier run whose ``state`` was kept.

        A state that makes no sense is left alone.
        """
        self.shedding = Shedding(rules, now.monotonic)
        self.since_ms = now.utc_ms
        """When the present stage was entered."""
        self.strange_state = False
        """Whether the state of the earlier run made no sense."""
        if state is not None:
            try:
                self.shedding.restore(state, now.monotonic)
            except (LookupError, TypeError, ValueError):
                self.shedding = Shedding(rules, now.monotonic)
                self.strange_state = True
            else:
                self.since_ms = _moment(state.get("since_ms"), now.utc_ms)
        self.halts = False
        """Whether the computer is to be halted."""
        self._recorded = False
        self._volts: float | None = None  # the latest that were known, as judged ...
        self._measured: float | None = None  # ... and as a meter would show them
        self._lost = False

    @property
    def effects(self) -> Effects:
        """What is shed now."""
        return self.shedding.stage.effects

    def take(
        self, now: Instant, volts: float | None, celsius: float | None = None, *, due: bool = False
    ) -> Kept:
        """Take what is known of the battery; ``due`` is whether its record interval fell due."""
        kept = Kept(move=self.shedding.take(now.monotonic, volts, celsius))
        self.halts = self.shedding.halts(now.monotonic)
        if kept.move:
            self.since_ms = now.utc_ms
        # A reply that is lost now and then says nothing of the battery.
        unknown_for = self.shedding.unknown_for(now.monotonic)
        was_lost, self._lost = self._lost, unknown_for > self.shedding.rules.smoothing
        if self.shedding.voltage is not None:
            self._volts, self._measured = self.shedding.voltage, volts
        changed = kept.move is not None or self._lost is not was_lost
        if due or changed or not self._recorded:
            kept.readings = self._readings(now.utc_ms)
            # Every time: the journal may be another one by now.
            kept.state = self.state()
            self._recorded = True
        return kept

    def state(self) -> dict[str, Any]:
        """Return what must survive a restart."""
        return self.shedding.state() | {"since_ms": self.since_ms}

    def _readings(self, utc_ms: int) -> list[Reading]:
        stage = Reason.BATTERY_UNKNOWN if self._lost else Reason.OK
        readings = [Reading(STAGE.name, utc_ms, float(self.shedding.index), stage)]
        if self.shedding.voltage is not None:
            readings.append(Reading(VOLTAGE.name, utc_ms, self.shedding.voltage))
        return readings

    def condition(self) -> Condition:
        """Say how the battery is, and what is shed for its sake."""
        stage = self.shedding.stage
        entered = datetime.fromtimestamp(self.since_ms / 1000, UTC)
        since = f"since {entered:%Y-%m-%d %H:%M} UTC ({self.shedding.why})"
        shed = f'stage "{stage.name}" {since}: {in_words(stage.effects)}'
        if self._lost:
            rules = self.shedding.rules
            return Condition(
                ENERGY,
                Category.FAILURE,
                "the battery's voltage is not known",
                f'{shed}; held, and after {rules.lost_after / 60:g} min "{rules.safe_stage}"',
            )
        if self._volts is None:
            return Condition(
                ENERGY, Category.FUNCTION_CHECK, "the battery's voltage is not known yet", shed
            )
        found = f"battery {self._measured:.2f} V"
        if self.shedding.rules.volts_per_degree:
            found += f", {self._volts:.2f} V as at {self.shedding.rules.reference:g} degC"
        if stage.name == NORMAL:
            return Condition(ENERGY, Category.NORMAL, found)
        return Condition(ENERGY, Category.OUT_OF_SPECIFICATION, found, shed)


def _moment(kept: object, now_ms: int) -> int:
    """Return when the stage was entered, as it was kept; now, where that makes no sense."""
    return kept if isinstance(kept, int) and 0 <= kept < _END_OF_CALENDAR_MS else now_ms


def in_words(effects: Effects) -> str:
    """Say what is shed."""
    said = []
    if effects.stretch_sampling > 1:
        said.append(f"sampling {effects.stretch_sampling} times less often")
    if effects.publish_at is not None:
        times = ", ".join(f"{m // 60:02d}:{m % 60:02d}" for m in effects.publish_at)
        said.append(f"publishing at {times} only")
    elif effects.stretch_publishing > 1:
        said.append(f"publishing {effects.stretch_publishing} times less often")
    if effects.off:
        said.append(f"off: {', '.join(sorted(effects.off))}")
    if effects.stopped:
        said.append(f"not polled: {', '.join(sorted(effects.stopped))}")
    if effects.halt:
        said.append("the computer halted")
    return ", ".join(said) or "nothing is shed"
