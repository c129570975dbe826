"""Channels that are read from devices: scaled numbers and counters."""

from __future__ import annotations

import math
from typing import NamedTuple

from edge.measure.conditioning import Conditioner
from edge.measure.counter import CounterRules, Tally
from edge.measure.curve import Curve
from edge.measure.derived import titled
from edge.measure.line import Line
from edge.measure.loop import LoopScale
from edge.measure.meter import AnyMeter, VolumeTotal, dial
from edge.measure.pulse_rate import PulseRate
from edge.measure.values import State, Step, Value
from edge.readings import Condense, Series
from edge.status import Reason
from edge.units import UNITS, Unit

LOOP_CURRENT = "loop current"
PULSES = "pulses"

# A counter has been left alone for a while when more than one sample in a row is missing.
_GAP_IN_SAMPLES = 2


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

    def stretch(self, times: int) -> None:
        """See `Computation.stretch`."""
        self._conditioner.stretch(times)

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


class _Left(NamedTuple):
    """How an earlier run left the counter: when it was last read, and when it had last moved.

    UTC milliseconds, and the pulses by then.
    """

    read_ms: int
    moved_ms: int
    pulses: int


class Counted:
    """A channel that counts a meter's pulses: total volume, rate of flow, the meter's register.

    ``resolution`` and ``zero_after`` are those of the rate (see `edge.measure.pulse_rate`);
    ``aligned`` is what the register showed and the total at which it did, both in m³: with it there
    is a third series, what the register should show now.

    The counter counts on while the station is down. Its pulses are credited when it is read again,
    and the total that includes them is COUNTED_WHILE_DOWN, once, unless the counter was unread for
    no more than two sampling intervals of ``sample_s`` seconds (None: never say so).
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
        sample_s: float | None = None,
        title: str = "",
    ) -> None:
        series = [
            Series(f"{channel}.total", volume_unit, titled(title, "total"), Condense.LAST),
            Series(f"{channel}.rate", flow_unit, titled(title, "rate")),
        ]
        if aligned:
            register = titled(title, "register")
            series.append(Series(f"{channel}.register", volume_unit, register, Condense.LAST))
        self.series = tuple(series)
        self.tally: Tally | None = None
        self._rules = rules
        self._meter = meter
        self._volume = VolumeTotal(meter)
        self._rate = PulseRate(resolution, zero_after)
        self._aligned = aligned
        self._sample_s = sample_s
        self._left: _Left | None = None
        self._read_at: float | None = None  # monotonic seconds, of the latest number in this run
        self._moved: tuple[float, int] | None = None  # when the count last moved, and to what
        self._counted_while_down = False  # and not said yet

    def compute(self, *inputs: Value) -> tuple[Value, ...]:
        """See `Computation.compute`."""
        (raw,) = inputs
        counter = raw.becomes(raw.number, self._count(raw))
        if counter.number is None or self.tally is None:
            return (counter,) * len(self.series)
        self._time_pulses(raw, self.tally.pulses)
        rate = self._rate.rate()
        before = self._volume.volume
        volume, doubt = self._volume.take(self.tally.pulses, rate.hertz if rate else None)
        down = Reason.OK
        if self._counted_while_down and volume > before:
            self._counted_while_down, down = False, Reason.COUNTED_WHILE_DOWN
        values = [counter.becomes(volume, doubt, down)]
        if rate is None:
            values.append(counter.becomes(None, Reason.NO_EARLIER_COUNT))
        else:
            values.append(counter.becomes(*self._meter.flow(rate.hertz)))
        if self._aligned:
            values.append(values[0].becomes(dial(volume, *self._aligned)))
        return tuple(values)

    def stretch(self, times: int) -> None:
        """Do nothing: what is watched here goes by the time that has passed."""

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
            "moved": self._moved_utc(),
        }

    def restore(self, state: State) -> None:
        """Go on counting from where an earlier run stopped."""
        self.tally = Tally.from_state(state["tally"])
        if moved := state.get("moved"):
            self._left = _Left(self.tally.utc_ms, *moved)
        if "volume" in state:
            self._volume.restore(state["volume"])
        else:  # a tally of the first layout of the journal, whose total was all by one factor
            self._volume.restore_pulses(self.tally.pulses)

    def _moved_utc(self) -> list[int] | None:
        """Return when the count last moved and to what; None where that time is not known."""
        if self._read_at is None:
            return list(self._left[1:]) if self._left else None
        assert self.tally is not None  # noqa: S101 - it has been read
        assert self._moved is not None  # noqa: S101
        if not self.tally.utc_ms:
            return None
        moved, pulses = self._moved
        return [self.tally.utc_ms - round((self._read_at - moved) * 1000), pulses]

    def _time_pulses(self, raw: Value, pulses: int) -> None:
        """Tell the rate of the count, and remember when that last moved."""
        if self._moved is None:
            self._moved = raw.monotonic, pulses
            if self._left and raw.timed:
                self._go_on(self._left, raw, pulses)
        if pulses != self._moved[1]:
            self._moved = raw.monotonic, pulses
        self._rate.take(raw.monotonic, pulses)

    def _go_on(self, left: _Left, raw: Value, pulses: int) -> None:
        """Tell the rate of the earlier run: a pump that has long been at rest is so still.

        The first rate is then the mean over the time the counter was not read. A clock that has run
        backwards, or by less than those pulses take, knows nothing of that time.
        """
        unread, unmoved = (raw.utc_ms - left.read_ms) / 1000, (raw.utc_ms - left.moved_ms) / 1000
        if not 0 < unread <= unmoved or pulses - left.pulses > self._rules.most(unread):
            return
        self._moved = raw.monotonic - unmoved, left.pulses
        for ago in (unmoved, unread):
            self._rate.take(raw.monotonic - ago, left.pulses)

    def _count(self, raw: Value) -> Reason:
        if raw.number is None:
            return Reason.OK
        if not math.isfinite(raw.number) or raw.number != int(raw.number):
            return Reason.NOT_A_NUMBER
        number = int(raw.number)
        if not 0 <= number < self._rules.modulus:
            return Reason.NOT_A_NUMBER
        utc_ms = raw.utc_ms if raw.timed else 0
        if self.tally is None:
            self.tally, reason = Tally.begin(number, utc_ms, self._rules), Reason.OK
        else:
            unread, before = self._unread(self.tally, raw), self.tally.pulses
            self.tally, reason = self.tally.advance(
                number, utc_ms, self._believed(unread), self._rules
            )
            if self._read_at is None and self.tally.pulses > before:
                self._counted_while_down = self._is_down_time(unread)
        self._read_at = raw.monotonic
        return reason

    def _unread(self, tally: Tally, raw: Value) -> float | None:
        """Return for how many seconds the counter was not read; None: nobody knows."""
        if self._read_at is not None:
            return raw.monotonic - self._read_at
        seconds = (raw.utc_ms - tally.utc_ms) / 1000
        return seconds if raw.timed and tally.utc_ms and seconds >= 0 else None

    def _believed(self, unread: float | None) -> float | None:
        """Return the seconds to judge a count by.

        Over a restart there is only the clock on the wall, which may lag behind by the whole
        outage: it can tell that many rollovers were possible, but not that few pulses were.
        """
        if self._read_at is not None:
            return unread
        many = unread is not None and self._rules.most(unread) > self._rules.modulus // 2
        return unread if many else None

    def _is_down_time(self, unread: float | None) -> bool:
        if self._sample_s is None:
            return False
        return unread is None or unread > _GAP_IN_SAMPLES * self._sample_s
