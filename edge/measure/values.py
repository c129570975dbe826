"""What flows through the measuring room: values at an instant, and the steps that led to them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from edge.readings import Sample, Series
from edge.status import Quality, Reason, worst
from edge.units import Unit

State = dict[str, Any]
"""What a computation must remember over a restart: names to numbers, texts, lists; JSON."""


@dataclass(frozen=True, slots=True)
class Value:
    """A number in its base unit at one instant, or the reason why there is none.

    ``number`` is None exactly when ``reason`` is a bad one. ``utc_ms`` and ``monotonic`` (seconds)
    are the instant on the clock's two scales. Unless ``timed``, the former is provisional: it says
    nothing of how long ago anything was, least of all what an earlier run has seen.
    """

    utc_ms: int
    monotonic: float
    number: float | None
    reason: Reason = Reason.OK
    timed: bool = True

    @classmethod
    def of(cls, sample: Sample, *, timed: bool = True) -> Value:
        """Return a sample's raw number as a value."""
        return cls(sample.utc_ms, sample.monotonic, sample.raw, sample.reason, timed)

    def becomes(self, number: float | None, *reasons: Reason) -> Value:
        """Return what was computed from this value, its own doubts included.

        The status is the worst of this value's own and ``reasons``; a bad one leaves no number.
        """
        reason = worst(self.reason, *reasons)
        number = None if reason.quality is Quality.BAD else number
        return Value(self.utc_ms, self.monotonic, number, reason, self.timed)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a computation, for the eye: a name, a number in the base unit, the unit shown."""

    name: str
    number: float
    unit: Unit | None


class Computation(Protocol):
    """What makes a channel's values, one a series, out of the values it is computed from.

    A channel that is read from a device has one input, the raw number.
    """

    @property
    def series(self) -> tuple[Series, ...]:
        """What the channel yields, in the order of the values."""
        ...

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the series it is computed from, the leading one first; none: a raw number."""
        ...

    @property
    def missing(self) -> float:
        """How many seconds its totals lack; 0 where it has none."""
        ...

    def compute(self, *inputs: Value) -> tuple[Value, ...]:
        """Take a value of every input; return one of every series, at the leading one's instant."""
        ...

    def stretch(self, times: int) -> None:
        """Take note that, from now on, values come so many times less often than configured."""
        ...

    def explain(self, *inputs: Value) -> list[Step]:
        """Return the steps from the inputs just computed from to the values, for the eye."""
        ...

    def state(self) -> State | None:
        """Return what must survive a restart, if there is anything."""
        ...

    def restore(self, state: State) -> None:
        """Go on from the state of an earlier run of the same kind of computation."""
        ...
