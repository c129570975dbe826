"""The measuring room of a station: a round of samples goes in, what is to be kept comes out.

Theory of operation. Every channel is a `Computation`. Those read from devices are computed first,
each from its own sample; then those computed from other channels, in an order in which no channel
comes before its inputs. A computed channel follows its leading input: it is computed, and recorded,
when that is. Of its other inputs it takes the latest values, unless these are too old.

What a channel yields is recorded by a `Recorder` a series. Totals are also booked by the hour, day,
month or water year (`PeriodRecorder`).

What must survive a restart is one small dictionary a channel, handed out together with the readings
it led to, so that both can be committed at once.

While the time of day is not known, everything goes on by the monotonic scale, but nothing is booked
by periods: that goes on from the last sample whose time was known, as over any gap.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from edge.measure.periods import PeriodRecorder
from edge.measure.recorder import Recorder
from edge.measure.values import Computation, State, Step, Value
from edge.readings import Reading, Sample, Series
from edge.status import Reason
from edge.units import Unit

# An input is believed for as many of its own sampling intervals.
_BELIEVED_FOR = 3

# States of the first layout of the journal do not say whose they are; only counters had any.
_FIRST_KIND = "Counted"


@dataclass(frozen=True, slots=True)
class RoomChannel:
    """A channel with all that is done to what it yields.

    ``sample_s`` is the interval at which it is computed. ``recorders`` holds one for every series,
    ``periods`` one for every series that is booked by periods, by the series' name.
    """

    name: str
    computation: Computation
    sample_s: float
    recorders: Sequence[Recorder]
    periods: Mapping[str, PeriodRecorder] = field(default_factory=dict)

    @property
    def recorded(self) -> list[Series]:
        """What readings there can be of the channel."""
        kept = [one for recorder in self.recorders for one in recorder.series]
        return kept + [one for totals in self.periods.values() for one in totals.series]


class StrangeStateError(Exception):
    """What a channel is to remember makes no sense; the room must not be used."""

    def __init__(self, channel: str) -> None:
        super().__init__(channel)
        self.channel = channel


@dataclass(slots=True)
class Round:
    """What a round of samples led to."""

    readings: list[Reading] = field(default_factory=list)
    states: dict[str, State] = field(default_factory=dict)
    """By channel, to be kept together with the readings."""


class Room:
    """All channels of a station.

    ``channels`` come in an order in which none stands before one it is computed from.
    """

    def __init__(self, channels: Iterable[RoomChannel]) -> None:
        self.channels = {channel.name: channel for channel in channels}
        self._owner = {
            series.name: channel
            for channel in self.channels.values()
            for series in channel.computation.series
        }
        self._derived = [c for c in self.channels.values() if c.computation.inputs]
        self._latest: dict[str, Value] = {}
        self._taken: dict[str, tuple[Value, ...]] = {}
        self._times = 1
        self._times_then: dict[str, int] = {}

    @property
    def series(self) -> list[Series]:
        """Everything there can be readings of."""
        return [one for channel in self.channels.values() for one in channel.recorded]

    def unit_of(self, series: str) -> Unit:
        """Return the unit that a series of a channel is shown in."""
        computed = self._owner[series].computation.series
        return next(one.unit for one in computed if one.name == series)

    def stretch(self, times: int) -> None:
        """Take note that, from now on, samples come so many times less often than configured."""
        self._times = times
        for channel in self.channels.values():
            channel.computation.stretch(times)

    def restore(self, states: Mapping[str, State]) -> list[str]:
        """Go on from the states of an earlier run; those of unknown channels are left alone.

        A channel that was of another kind in the earlier run begins anew; return their names.
        Raises StrangeStateError when a state is none that any run has written.
        """
        strange = []
        for name, channel in self.channels.items():
            if not (state := states.get(name)):
                continue
            if state.get("kind", _FIRST_KIND) != _kind(channel):
                strange.append(name)
                continue
            try:
                _restore(channel, state)
            except (LookupError, TypeError, ValueError, AttributeError):
                raise StrangeStateError(name) from None
        return strange

    def states(self) -> dict[str, State]:
        """Return what every channel must remember by now, as on the way out."""
        states = {name: self._state(channel) for name, channel in self.channels.items()}
        return {name: state for name, state in states.items() if state}

    def take(self, samples: Iterable[tuple[Sample, bool]], *, timed: bool = True) -> Round:
        """Take a round of samples, each with whether its record interval fell due.

        ``timed`` is whether the UTC of the samples is the true time, rather than a provisional one.
        """
        made = Round()
        due: dict[str, bool] = {}
        for sample, falls_due in samples:
            channel = self.channels[sample.channel]
            due[channel.name] = falls_due
            self._compute(channel, (Value.of(sample, timed=timed),), falls_due, made)
        for channel in self._derived:
            lead = self._owner[channel.computation.inputs[0]].name
            if lead in due:
                due[channel.name] = due[lead]
                self._compute(channel, self._gather(channel.computation.inputs), due[lead], made)
        return made

    def latest(self, channel: str) -> list[tuple[Series, Value]]:
        """Return the latest values of a channel, with their series; none if there are none yet."""
        series = self.channels[channel].computation.series
        return [(one, self._latest[one.name]) for one in series if one.name in self._latest]

    def explain(self, channel: str) -> list[Step]:
        """Return the steps that led to the latest values of a channel."""
        taken = self._taken.get(channel)
        return self.channels[channel].computation.explain(*taken) if taken else []

    def sources(self, channel: str) -> list[str]:
        """Return the channels that must be read to compute one, itself included if it is read."""
        inputs = self.channels[channel].computation.inputs
        found = [source for one in inputs for source in self.sources(self._owner[one].name)]
        return list(dict.fromkeys(found)) if inputs else [channel]

    def _gather(self, inputs: Sequence[str]) -> tuple[Value, ...]:
        lead = self._latest[inputs[0]]
        return (lead, *(self._companion(lead, name) for name in inputs[1:]))

    def _companion(self, lead: Value, name: str) -> Value:
        """Return the latest value of an input beside the leading one, or why it is of no use."""
        value = self._latest.get(name)
        if value is None:
            return Value(lead.utc_ms, lead.monotonic, None, Reason.NO_INPUT_YET)
        # What was sampled at a slower pace has its next sample that much later.
        interval = self._owner[name].sample_s * max(self._times, self._times_then[name])
        if lead.monotonic - value.monotonic > _BELIEVED_FOR * interval:
            return value.becomes(None, Reason.INPUT_TOO_OLD)
        return value

    def _compute(
        self, channel: RoomChannel, inputs: tuple[Value, ...], due: bool, made: Round
    ) -> None:
        values = channel.computation.compute(*inputs)
        self._taken[channel.name] = inputs
        readings: list[Reading] = []
        for series, recorder, value in zip(
            channel.computation.series, channel.recorders, values, strict=True
        ):
            self._latest[series.name] = value
            self._times_then[series.name] = self._times
            readings += recorder.take(value, due=due)
            if value.timed and (totals := channel.periods.get(series.name)):
                readings += totals.take(value, channel.computation.missing)
        made.readings += readings
        if readings and (state := self._state(channel)):
            made.states[channel.name] = state

    def _state(self, channel: RoomChannel) -> State:
        state: State = {name: totals.state() for name, totals in channel.periods.items()}
        if (own := channel.computation.state()) is not None:
            state["channel"] = own
        return state and state | {"kind": _kind(channel)}


def _restore(channel: RoomChannel, state: State) -> None:
    if "channel" in state:
        channel.computation.restore(state["channel"])
    for series, totals in channel.periods.items():
        if series in state:
            totals.restore(state[series])


def _kind(channel: RoomChannel) -> str:
    # The names of these classes stand in people's journals: to rename one begins its totals anew.
    return type(channel.computation).__name__
