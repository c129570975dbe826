"""Channels that are read from devices: scaled numbers and counters."""

from __future__ import annotations

import math

from edge.measure.conditioning import Conditioner
from edge.measure.counter import CounterRules, Tally
from edge.measure.curve import Curve
from edge.measure.derived import titled
from edge.measure.line import Line
from edge.measure.loop import LoopScale
from edge.measure.meter import AnyMeter, VolumeTotal, dial
from edge.measure.pulse_rate import PulseRate
from edge.measure.values import State, Step, Value
from edge.readings import Series
from edge.status import Reason
from edge.units import UNITS, Unit

LOOP_CURRENT = "loop current"
PULSES = "pulses"


class Scaled:
    """A channel whose value follows from one raw number: by a loop, a line or a curve."""

    inputs: tuple[str, ...] = ()
    missing = 0.0

    def __init__(
        self,
        channel: str,
        unit: Unit,
        scale: LoopScale | Line | Curve,
        conditioner: Conditioner | None = None,
        title: str = "",
    ) -> None:
        self.series = (Series(channel, unit, title),)
        self._scale = scale
        self._conditioner = conditioner or Conditioner()

    def compute(self, *inputs: Value) -> tuple[Value, ...]:
        """See `Computation.compute`."""
        (raw,) = inputs
        return (self._conditioner.take(self._scaled(raw)),)

    def explain(self, *inputs: Value) -> list[Step]:
        """Raw number, loop current where there is one, value before filters."""
        (raw,) = inputs
        if raw.number is None or not math.isfinite(raw.number):
            return []
        steps = [Step("raw", raw.number, None)]
        if isinstance(self._scale, LoopScale):
            steps.append(Step(LOOP_CURRENT, self._scale.amperes(raw.number), UNITS["mA"]))
        scaled = self._scaled(raw)
        if scaled.number is not None:
            steps.append(Step("value", scaled.number, self.series[0].unit))
        return steps

    def state(self) -> State | None:
        """Return nothing: filters begin anew after a restart."""
        return None

    def restore(self, state: State) -> None:
        """Do nothing."""

    def _scaled(self, raw: Value) -> Value:
        if raw.number is None:
            return raw
        if not math.isfinite(raw.number):
            return raw.becomes(None, Reason.NOT_A_NUMBER)
        if isinstance(self._scale, LoopScale):
            number, reason = self._scale.value(raw.number)
        else:
            number, reason = self._scale.at(raw.number), Reason.OK
            if isinstance(self._scale, Curve):
                reason = self._scale.judge(raw.number)
        return raw.becomes(number, reason)


class Counted:
    """A channel that counts a meter's pulses: total volume, rate of flow, the meter's register.

    ``resolution`` and ``zero_after`` are those of the rate (see `edge.measure.pulse_rate`);
    ``aligned`` is what the register showed and the total at which it did, both in m³: with it there
    is a third series, what the register should show now.
    """

    inputs: tuple[str, ...] = ()
    missing = 0.0

    def __init__(
        self,
        channel: str,
        rules: CounterRules,
        meter: AnyMeter,
        *,
        volume_unit: Unit,
        flow_unit: Unit,
        resolution: float = 0.01,
        zero_after: float = 900.0,
        aligned: tuple[float, float] | None = None,
        title: str = "",
    ) -> None:
        series = [
            Series(f"{channel}.total", volume_unit, titled(title, "total")),
            Series(f"{channel}.rate", flow_unit, titled(title, "rate")),
        ]
        if aligned:
            series.append(Series(f"{channel}.register", volume_unit, titled(title, "register")))
        self.series = tuple(series)
        self.tally: Tally | None = None
        self._rules = rules
        self._meter = meter
        self._volume = VolumeTotal(meter)
        self._rate = PulseRate(resolution, zero_after)
        self._aligned = aligned
        self._moved: tuple[int, int] | None = None  # UTC ms when the count last moved, and to what
        self._rate_begun = False
        self._read_at: float | None = None  # monotonic seconds, of the latest number in this run

    def compute(self, *inputs: Value) -> tuple[Value, ...]:
        """See `Computation.compute`."""
        (raw,) = inputs
        counter = raw.becomes(raw.number, self._count(raw))
        if counter.number is None or self.tally is None:
            return (counter,) * len(self.series)
        self._time_pulses(raw, self.tally.pulses)
        rate = self._rate.rate()
        volume, doubt = self._volume.take(self.tally.pulses, rate.hertz if rate else None)
        values = [counter.becomes(volume, doubt)]
        if rate is None:
            values.append(counter.becomes(None, Reason.NO_EARLIER_COUNT))
        else:
            values.append(counter.becomes(*self._meter.flow(rate.hertz)))
        if self._aligned:
            values.append(values[0].becomes(dial(volume, *self._aligned)))
        return tuple(values)

    def explain(self, *inputs: Value) -> list[Step]:
        """Counter, pulses counted, volume, rate and how finely that is known."""
        (raw,) = inputs
        if raw.number is None or self.tally is None:
            return []
        steps = [
            Step("counter", raw.number, None),
            Step(PULSES, float(self.tally.pulses), None),
            Step("total", self._volume.volume, self.series[0].unit),
        ]
        if rate := self._rate.rate():
            finest, _ = self._meter.flow(rate.resolution_hz)
            steps += [
                Step("pulse rate", rate.hertz, UNITS["Hz"]),
                Step("rate", self._meter.flow(rate.hertz)[0], self.series[1].unit),
                Step("rate known to within", finest, self.series[1].unit),
            ]
        return steps

    def state(self) -> State | None:
        """Return the count and the volume."""
        if self.tally is None:
            return None
        return {
            "tally": self.tally.state(),
            "volume": self._volume.state(),
            "moved": self._moved and list(self._moved),
        }

    def restore(self, state: State) -> None:
        """Go on counting from where an earlier run stopped."""
        self.tally = Tally.from_state(state["tally"])
        if moved := state.get("moved"):
            self._moved = moved[0], moved[1]
        if "volume" in state:
            self._volume.restore(state["volume"])
        else:  # a tally of the first layout of the journal, whose total was all by one factor
            self._volume.restore_pulses(self.tally.pulses)

    def _time_pulses(self, raw: Value, pulses: int) -> None:
        """Tell the rate of the count, and remember when that last moved."""
        if self._moved is None:
            self._moved = raw.utc_ms, pulses
        if not self._rate_begun:
            # The rate goes on over a restart: a pump that has long been at rest is so still.
            moved_ms, then = self._moved
            before = (raw.utc_ms - moved_ms) / 1000
            if before > 0:
                self._rate.take(raw.monotonic - before, then)
            self._rate_begun = True
        if pulses != self._moved[1]:
            self._moved = raw.utc_ms, pulses
        self._rate.take(raw.monotonic, pulses)

    def _count(self, raw: Value) -> Reason:
        if raw.number is None:
            return Reason.OK
        if not math.isfinite(raw.number) or raw.number != int(raw.number):
            return Reason.NOT_A_NUMBER
        number = int(raw.number)
        if not 0 <= number < self._rules.modulus:
            return Reason.NOT_A_NUMBER
        if self.tally is None:
            self.tally, reason = Tally.begin(number, raw.utc_ms, self._rules), Reason.OK
        else:
            seconds = self._seconds_since(self.tally, raw)
            self.tally, reason = self.tally.advance(number, raw.utc_ms, seconds, self._rules)
        self._read_at = raw.monotonic
        return reason

    def _seconds_since(self, tally: Tally, raw: Value) -> float | None:
        if self._read_at is not None:
            return raw.monotonic - self._read_at
        # Over a restart there is only the clock on the wall, which may lag behind by the whole
        # outage: it can tell that many rollovers were possible, but not that few pulses were.
        seconds = (raw.utc_ms - tally.utc_ms) / 1000 if tally.utc_ms else None
        many = self._rules.most(seconds) > self._rules.modulus // 2
        return seconds if many else None
