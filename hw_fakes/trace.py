"""What a run looked like from outside: the battery, the stage, and whether the computer was up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from edge.daemon import Daemon
from edge.energy.stages import NORMAL
from hw_fakes.power import SolarPower


class Point(NamedTuple):
    """An instant of a run."""

    utc_ms: int
    volts: float
    """At the terminals."""
    judged: float | None
    """As the station judges it: smoothed, and as at the reference temperature."""
    charge: float
    watts: float
    panel_w: float
    on: tuple[str, ...]
    """Outputs that were on."""


class Step(NamedTuple):
    """A stage was entered, or the computer went on or off."""

    utc_ms: int
    stage: str
    up: bool
    why: str


@dataclass(frozen=True, slots=True)
class Span:
    """A while in one stage, with the computer up or not."""

    begin_ms: int
    end_ms: int
    stage: str
    up: bool

    @property
    def hours(self) -> float:
        """How long it took."""
        return (self.end_ms - self.begin_ms) / 3_600_000

    def overlap_ms(self, begin_ms: float, end_ms: float) -> float:
        """Return for how long it overlaps with another span of time."""
        return max(0.0, min(self.end_ms, end_ms) - max(self.begin_ms, begin_ms))


class Trace:
    """Takes note of a run as it goes on, up to its end."""

    def __init__(self, start_ms: int, end_ms: int) -> None:
        self._end_ms = end_ms
        self.points: list[Point] = []
        self.steps = [Step(start_ms, NORMAL, up=True, why="the run began")]

    def look(
        self, utc_ms: int, power: SolarPower, outputs: dict[str, bool], judged: float | None
    ) -> None:
        """Take note of the battery and the outputs."""
        if utc_ms >= self._end_ms and self.points:
            return
        now = utc_ms / 1000
        segment = power.at(now)
        on = tuple(name for name, state in outputs.items() if state)
        self.points.append(
            Point(
                utc_ms, segment.volts, judged, power.charge(now), segment.watts, segment.panel_w, on
            )
        )

    def observe(self, utc_ms: int, daemon: Daemon, *, up: bool) -> Step | None:
        """Take note of a daemon's stage; return the step if it is another."""
        if daemon.shedding is None:
            stage, why = NORMAL, ""
        else:
            keeper = daemon.shedding.keeper
            stage, why = keeper.shedding.stage.name, keeper.shedding.why
        last = self.steps[-1]
        if utc_ms >= self._end_ms or (stage, up) == (last.stage, last.up):
            return None
        if stage == last.stage:
            why = "the computer started" if up else "the computer went off"
        self.steps.append(Step(utc_ms, stage, up=up, why=why))
        return self.steps[-1]

    @property
    def moves(self) -> list[tuple[Step, Step]]:
        """Steps from one stage to another: the one before, and the one that entered."""
        pairs = zip(self.steps, self.steps[1:], strict=False)
        return [(a, b) for a, b in pairs if a.stage != b.stage]

    def spans(self) -> Iterator[Span]:
        """Yield the whiles between steps, up to the end of the run."""
        ends = [*(step.utc_ms for step in self.steps[1:]), self._end_ms]
        for step, end_ms in zip(self.steps, ends, strict=True):
            if step.utc_ms < end_ms:
                yield Span(step.utc_ms, end_ms, step.stage, step.up)
