"""Shedding load by stages, as the battery's voltage has it. Pure: time and voltage are arguments.

Theory of operation. Stage 0, "normal", sheds nothing. The others are in order: the deeper, the
lower its cutoff and the more is shed. Between neighbours there are two thresholds: the deeper one
is entered below its cutoff and left above its restore voltage, which is higher.

Four things keep a station from flapping between two stages like a loose shutter:

*Hysteresis*, the span from cutoff to restore. A load that is shed lets the voltage jump up.

*Smoothing.* The voltage is a median over some time, and over three samples at least: fewer decide
nothing. Of an even number it is the higher of the two in the middle. So a modem that draws the
voltage down while it sends does no harm, as long as no more than half of the samples see it: three
samples or more from one sending to the next. (Looked at only when the modem sends, a battery always
sags, and no smoothing helps.)

*Dwell.* A stage is not left, either way, before its dwell has passed. So however the voltage jumps,
there and back takes the dwell of both stages. Normal has the dwell of the first stage. A start
begins the dwell anew: nobody knows how long the computer was off.

*One step at a time.* A stage is only left for a neighbour; but for the safe stage, which is entered
from any other when the voltage has been unknown for too long.

What happens is one table, `ACTS`: of what the voltage says (`Evidence`) and whether the dwell has
passed. A stage that halts the computer does so when it is entered. If the computer comes back while
it is still in that stage (its supply was switched off and on, say), it has one dwell to show a
voltage above the restore voltage, and is halted again. While the voltage is not known it stays up:
somebody may have come to see what is the matter.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from statistics import median_high
from typing import Any

NORMAL = "normal"
"""Name of the stage in which nothing is shed."""

_LEAST_SAMPLES = 3

# In °C. Beyond it is the sensor that has failed, not the battery. Common practice, no source.
_COLDEST, _HOTTEST = -60.0, 80.0


@dataclass(frozen=True, slots=True)
class Effects:
    """What is shed.

    ``publish_at`` are minutes of the local day, None where publishing is not held to hours; ``off``
    names outputs, ``stopped`` buses.
    """

    stretch_sampling: int = 1
    stretch_publishing: int = 1
    publish_at: tuple[int, ...] | None = None
    off: frozenset[str] = frozenset()
    stopped: frozenset[str] = frozenset()
    halt: bool = False

    def and_also(self, deeper: Effects) -> Effects:
        """Return what is shed when a deeper stage sheds its own on top."""
        return Effects(
            max(self.stretch_sampling, deeper.stretch_sampling),
            max(self.stretch_publishing, deeper.stretch_publishing),
            self.publish_at if deeper.publish_at is None else deeper.publish_at,
            self.off | deeper.off,
            self.stopped | deeper.stopped,
            self.halt or deeper.halt,
        )


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage; voltages are those of the whole battery at the reference temperature, times in s."""

    name: str
    cutoff: float
    restore: float
    dwell: float
    effects: Effects


@dataclass(frozen=True, slots=True)
class Rules:
    """What a station's load shedding goes by. Voltages in V, times in s, temperatures in °C."""

    stages: tuple[Stage, ...]
    """The deeper the later; "normal" is not among them."""
    safe_stage: str = NORMAL
    lost_after: float = 3600.0
    smoothing: float = 300.0
    plausible: tuple[float, float] = (9.0, 16.8)
    volts_per_degree: float = 0.0
    """What all thresholds change by for every °C above ``reference``."""
    reference: float = 25.0

    @property
    def ladder(self) -> tuple[Stage, ...]:
        """All stages, "normal" the first."""
        dwell = self.stages[0].dwell if self.stages else 0.0
        # Nothing is below normal's cutoff, or above its restore voltage.
        return (Stage(NORMAL, float("inf"), float("inf"), dwell, Effects()), *self.stages)


class Evidence(Enum):
    """What the battery's voltage says to the present stage."""

    LOW = "below the cutoff of the next stage"
    BETWEEN = "neither"
    HIGH = "above the restore voltage of this stage"
    UNKNOWN = "not known"
    LONG_UNKNOWN = "not known for too long"


class Act(Enum):
    """What is done about it."""

    HOLD = "stay"
    DEEPER = "to the next deeper stage"
    SHALLOWER = "to the next shallower stage"
    TO_SAFE = "to the safe stage"


ACTS: Mapping[tuple[Evidence, bool], Act] = {
    # (evidence, whether the dwell has passed)
    (Evidence.LOW, False): Act.HOLD,
    (Evidence.BETWEEN, False): Act.HOLD,
    (Evidence.HIGH, False): Act.HOLD,
    (Evidence.UNKNOWN, False): Act.HOLD,
    (Evidence.LONG_UNKNOWN, False): Act.HOLD,
    (Evidence.LOW, True): Act.DEEPER,
    (Evidence.BETWEEN, True): Act.HOLD,
    (Evidence.HIGH, True): Act.SHALLOWER,
    (Evidence.UNKNOWN, True): Act.HOLD,
    (Evidence.LONG_UNKNOWN, True): Act.TO_SAFE,
}

_KEEPS_HALTED = frozenset({Evidence.LOW, Evidence.BETWEEN})


@dataclass(frozen=True, slots=True)
class Move:
    """A stage was entered, and why; ``before`` and ``after`` are places on the ladder."""

    before: int
    after: int
    why: str


class Shedding:
    """The state machine. Times are monotonic seconds, of any origin."""

    def __init__(self, rules: Rules, now: float) -> None:
        """Begin in "normal" at ``now``."""
        self.rules = rules
        self.voltage: float | None = None
        """The smoothed voltage, as it would be at the reference temperature; None: not known.

        Until three samples have come it is the median of what there is, and decides nothing."""
        self.why = "the station began"
        """Why the present stage was entered."""
        self._ladder = rules.ladder
        self._at = 0
        self._entered = now
        self._known = now
        self._samples: deque[tuple[float, float]] = deque()
        self._celsius = rules.reference
        self._celsius_known = float("-inf")
        self._evidence = Evidence.UNKNOWN
        # Whether the stage was entered in this run, rather than found at its start.
        self._fresh = True

    @property
    def stage(self) -> Stage:
        """The present stage."""
        return self._ladder[self._at]

    @property
    def index(self) -> int:
        """Place of the present stage on the ladder; 0 is normal."""
        return self._at

    @property
    def lost(self) -> bool:
        """Whether the voltage is not known at present."""
        return self.voltage is None

    def unknown_for(self, now: float) -> float:
        """Return for how many seconds the voltage has not been known, or since the start."""
        return now - self._known if self.lost else 0.0

    def settled(self, now: float) -> bool:
        """Whether the present stage's dwell has passed."""
        return now - self._entered >= self.stage.dwell

    def halts(self, now: float) -> bool:
        """Whether the computer is to be halted: its stage does that, and is entered or stays."""
        stays = self._evidence in _KEEPS_HALTED and self.settled(now)
        return self.stage.effects.halt and (self._fresh or stays)

    def state(self) -> dict[str, Any]:
        """Return what must survive a restart, ready for JSON."""
        return {"stage": self.stage.name, "index": self._at, "why": self.why}

    def restore(self, state: Mapping[str, Any], now: float) -> None:
        """Go on in the stage of an earlier run; its dwell begins anew.

        A stage that there is no more is replaced by the one that stands in its place. Raises
        LookupError, TypeError or ValueError when ``state`` makes no sense.
        """
        names = [stage.name for stage in self._ladder]
        name, index, why = state["stage"], state["index"], str(state["why"])
        if not isinstance(index, int):
            raise TypeError(f"found the index {index!r}, expected a whole number")
        if index < 0:
            raise ValueError(f"found the index {index}, expected 0 or more")
        self._at = names.index(name) if name in names else min(index, len(names) - 1)
        self.why = why
        self._entered = self._known = now
        self._fresh = False

    def take(self, now: float, volts: float | None, celsius: float | None = None) -> Move | None:
        """Take the battery's voltage, None if there is none; return what happened, if anything.

        To be called now and then also while there is none. ``celsius`` is the battery's
        temperature, if that is known.
        """
        self._measure(now, volts, celsius)
        evidence = self._evidence = self._judge(now)
        act = ACTS[evidence, self.settled(now)]
        if act is Act.HOLD:
            return None
        target = {
            Act.DEEPER: self._at + 1,
            Act.SHALLOWER: self._at - 1,
            Act.TO_SAFE: self._safe,
        }[act]
        if target == self._at:
            return None
        move = Move(self._at, target, self._reason(evidence))
        self._at, self._entered, self.why, self._fresh = target, now, move.why, True
        return move

    # ------------------------------------------------------------------------------ the voltage

    def _measure(self, now: float, volts: float | None, celsius: float | None) -> None:
        shift = self._shift(now, celsius)
        low, high = self.rules.plausible
        # No comparison holds for a NaN.
        if volts is None or not low <= volts <= high:
            self.voltage = None
            return
        if now - self._known > self.rules.lost_after:
            # What was measured before a long silence says nothing of now.
            self._samples.clear()
        self._known = now
        self._samples.append((now, volts - shift))
        oldest = now - self.rules.smoothing
        while len(self._samples) > _LEAST_SAMPLES and self._samples[0][0] <= oldest:
            self._samples.popleft()
        self.voltage = median_high(sample for _, sample in self._samples)

    def _shift(self, now: float, celsius: float | None) -> float:
        """Return by how much thresholds are off their value at the reference temperature."""
        if celsius is not None and _COLDEST <= celsius <= _HOTTEST:
            self._celsius, self._celsius_known = celsius, now
        elif now - self._celsius_known >= self.rules.lost_after:
            self._celsius = self.rules.reference
        return self.rules.volts_per_degree * (self._celsius - self.rules.reference)

    def _judge(self, now: float) -> Evidence:
        if now - self._known >= self.rules.lost_after:
            return Evidence.LONG_UNKNOWN
        if self.voltage is None or len(self._samples) < _LEAST_SAMPLES:
            return Evidence.UNKNOWN
        deeper = self._ladder[self._at + 1 : self._at + 2]
        if deeper and self.voltage < deeper[0].cutoff:
            return Evidence.LOW
        return Evidence.HIGH if self.voltage > self.stage.restore else Evidence.BETWEEN

    @property
    def _safe(self) -> int:
        return next(i for i, one in enumerate(self._ladder) if one.name == self.rules.safe_stage)

    def _reason(self, evidence: Evidence) -> str:
        if self.voltage is None:
            return (
                f"the battery's voltage has not been known for {self.rules.lost_after / 60:g} min"
            )
        if evidence is Evidence.LOW:
            cutoff = self._ladder[self._at + 1].cutoff
            return f"{self._told(self.voltage, cutoff)}, below {cutoff:g} V"
        restore = self.stage.restore
        return f"{self._told(self.voltage, restore)}, above {restore:g} V"

    def _told(self, volts: float, threshold: float) -> str:
        """Say a smoothed voltage as a meter would show it, and as it is judged."""
        judged = _beside(volts, threshold)
        rules = self.rules
        if not rules.volts_per_degree:
            return judged
        shown = volts + rules.volts_per_degree * (self._celsius - rules.reference)
        return f"{shown:.2f} V at {self._celsius:.0f} degC, as {judged} at {rules.reference:g} degC"


def _beside(volts: float, threshold: float) -> str:
    """Return a voltage with as many digits as show on which side of the threshold it is."""
    digits = next((n for n in (2, 3, 4, 5) if round(volts, n) != round(threshold, n)), 6)
    return f"{volts:.{digits}f} V"


def transitions(rules: Rules) -> list[tuple[str, str, str, str]]:
    """Return the whole machine as words.

    A row for each stage, evidence and whether the dwell has passed: these three, and what is done.
    """
    return [
        (
            stage.name,
            _in_volts(rules, at, evidence),
            "passed" if settled else "not yet",
            _outcome(rules, at, evidence, settled=settled),
        )
        for at, stage in enumerate(rules.ladder)
        for evidence in _possible(rules, at)
        for settled in (False, True)
    ]


def _possible(rules: Rules, at: int) -> list[Evidence]:
    impossible = {Evidence.HIGH} if at == 0 else set()
    impossible |= {Evidence.LOW} if at == len(rules.stages) else set()
    return [one for one in Evidence if one not in impossible]


def _in_volts(rules: Rules, at: int, evidence: Evidence) -> str:
    deeper = rules.ladder[at + 1 : at + 2]
    least = f"{deeper[0].cutoff:g} V" if deeper else ""
    most = f"{rules.ladder[at].restore:g} V"
    if at == 0:
        between = f"{least} or more"
    else:
        between = f"{least} to {most}" if deeper else f"{most} or less"
    return {
        Evidence.LOW: f"below {least}",
        Evidence.BETWEEN: between,
        Evidence.HIGH: f"above {most}",
        Evidence.UNKNOWN: "not known",
        Evidence.LONG_UNKNOWN: f"not known for {rules.lost_after / 60:g} min",
    }[evidence]


def _outcome(rules: Rules, at: int, evidence: Evidence, *, settled: bool) -> str:
    ladder = rules.ladder
    target = {
        Act.DEEPER: ladder[min(at + 1, len(rules.stages))].name,
        Act.SHALLOWER: ladder[max(at - 1, 0)].name,
        Act.TO_SAFE: rules.safe_stage,
    }.get(ACTS[evidence, settled], ladder[at].name)
    if target != ladder[at].name:
        return f"enter {target}"
    halted = ladder[at].effects.halt and settled and evidence in _KEEPS_HALTED
    return "halt again" if halted else "stay"
