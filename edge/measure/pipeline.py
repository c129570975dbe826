"""One pipeline a channel: samples go in, readings come out.

A pipeline takes every sample, and is told which of them fall on the channel's record interval. It
answers with readings when one does, and also when the status has changed, so that the books show
when a gap truly began and ended. A pipeline whose channel counts has a `Tally`, which must be
saved together with the readings it led to and handed back after a restart.

`explain` gives the same computation step by step, for people who check a wiring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from edge.measure.line import Line
from edge.measure.loop import LoopScale
from edge.measure.pulses import Meter, Tally
from edge.readings import Reading, Sample, Series
from edge.status import Quality, Reason, worst
from edge.units import UNITS, Unit


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a computation, for the eye: a name, a number in the base unit, the unit shown."""

    name: str
    value: float
    unit: Unit | None


class Pipeline(Protocol):
    """What turns a channel's samples into readings."""

    @property
    def series(self) -> tuple[Series, ...]:
        """What the channel yields, in the order of the readings."""
        ...

    @property
    def tally(self) -> Tally | None:
        """State that must survive a restart, if there is any yet."""
        ...

    def restore(self, tally: Tally) -> None:
        """Go on from a tally saved by an earlier run."""
        ...

    def take(self, sample: Sample, *, due: bool) -> list[Reading]:
        """Take a sample; return readings when it is ``due`` or the status changed, else none."""
        ...

    def explain(self, raw: float) -> list[Step]:
        """Return the steps from a raw number to the value."""
        ...


class ScaledPipeline:
    """A channel whose value follows from one raw number, by a `LoopScale` or a `Line`."""

    def __init__(self, channel: str, unit: Unit, scale: LoopScale | Line, title: str = "") -> None:
        self.series = (Series(channel, unit, title),)
        self.tally: Tally | None = None
        self._scale = scale
        self._last_reason: Reason | None = None

    def restore(self, tally: Tally) -> None:
        """Do nothing: a scale has no memory."""

    def take(self, sample: Sample, *, due: bool) -> list[Reading]:
        """See `Pipeline.take`."""
        value, reason = self._value(sample)
        changed = self._last_reason is not None and reason is not self._last_reason
        self._last_reason = reason
        if not (due or changed):
            return []
        return [Reading(self.series[0].name, sample.utc_ms, value, reason)]

    def explain(self, raw: float) -> list[Step]:
        """Raw number, loop current where there is one, value."""
        steps = [Step("raw", raw, None)]
        if isinstance(self._scale, LoopScale):
            steps.append(Step("loop", self._scale.amperes(raw), UNITS["mA"]))
            value, _ = self._scale.value(raw)
        else:
            value = self._scale.at(raw)
        if value is not None:
            steps.append(Step("value", value, self.series[0].unit))
        return steps

    def _value(self, sample: Sample) -> tuple[float | None, Reason]:
        if sample.raw is None:
            return None, sample.reason
        if not math.isfinite(sample.raw):
            return None, Reason.NOT_A_NUMBER
        if isinstance(self._scale, LoopScale):
            value, reason = self._scale.value(sample.raw)
        else:
            value, reason = self._scale.at(sample.raw), Reason.OK
        if value is not None and not math.isfinite(value):
            return None, Reason.NOT_A_NUMBER
        return value, worst(sample.reason, reason)


class PulsePipeline:
    """A channel that counts: yields the total volume, and the mean flow since the last record."""

    def __init__(
        self,
        channel: str,
        meter: Meter,
        *,
        bits: int,
        volume_unit: Unit,
        flow_unit: Unit,
        title: str = "",
    ) -> None:
        self.series = (
            Series(f"{channel}.total", volume_unit, f"{title}, total".lstrip(", ")),
            Series(f"{channel}.rate", flow_unit, f"{title}, rate".lstrip(", ")),
        )
        self.tally: Tally | None = None
        self.meter = meter
        self._bits = bits
        self._last_reason: Reason | None = None
        self._rate_since: tuple[int, float] | None = None  # pulses, monotonic seconds

    def restore(self, tally: Tally) -> None:
        """Go on counting from where an earlier run stopped."""
        self.tally = tally

    def take(self, sample: Sample, *, due: bool) -> list[Reading]:
        """See `Pipeline.take`."""
        reason = self._count(sample)
        changed = self._last_reason is not None and reason is not self._last_reason
        self._last_reason = reason
        if not (due or changed):
            return []
        total, rate = self.series
        if self.tally is None or reason.quality is Quality.BAD:
            return [
                Reading(total.name, sample.utc_ms, None, reason),
                Reading(rate.name, sample.utc_ms, None, reason),
            ]
        volume = self.meter.volume(self.tally.pulses)
        return [
            Reading(total.name, sample.utc_ms, volume, reason),
            self._rate(rate.name, sample, self.tally.pulses, reason),
        ]

    def explain(self, raw: float) -> list[Step]:
        """Counter, pulses counted, volume."""
        steps = [Step("counter", raw, None)]
        if self.tally is not None:
            volume = self.meter.volume(self.tally.pulses)
            steps.append(Step("pulses", float(self.tally.pulses), None))
            steps.append(Step("total", volume, self.series[0].unit))
        return steps

    def _count(self, sample: Sample) -> Reason:
        if sample.raw is None:
            return sample.reason
        if not math.isfinite(sample.raw) or sample.raw != int(sample.raw):
            return Reason.NOT_A_NUMBER
        raw = int(sample.raw)
        if not 0 <= raw < 1 << self._bits:
            return Reason.NOT_A_NUMBER
        before = self.tally or Tally(pulses=0, raw=raw)
        self.tally = before.advance(raw, self._bits)
        if before.went_backwards(raw, self._bits):
            return worst(sample.reason, Reason.COUNTER_RESET)
        return sample.reason

    def _rate(self, name: str, sample: Sample, pulses: int, reason: Reason) -> Reading:
        since, self._rate_since = self._rate_since, (pulses, sample.monotonic)
        if since is None or sample.monotonic <= since[1]:
            return Reading(name, sample.utc_ms, None, Reason.NO_EARLIER_COUNT)
        flow = self.meter.rate(pulses - since[0], sample.monotonic - since[1])
        return Reading(name, sample.utc_ms, flow, reason)
