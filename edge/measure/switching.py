"""Whether something runs, for how long it has run, and how often it was started."""

from __future__ import annotations

from dataclasses import dataclass

from edge.measure.spans import Spans, Sum, usable
from edge.measure.values import State, Value
from edge.status import Reason, worst


@dataclass(frozen=True, slots=True)
class Threshold:
    """On above one number, off below another, and between them as it was: hysteresis.

    The numbers are in the unit of what is watched: a current, a flow, a run contact's 0 and 1.
    Raises ValueError when ``off_below`` lies above ``on_above``.
    """

    on_above: float
    off_below: float

    def __post_init__(self) -> None:
        if not self.off_below <= self.on_above:
            msg = f"off below {self.off_below} would be on as well, above {self.on_above}"
            raise ValueError(msg)

    def running(self, number: float, was_running: bool | None) -> bool:
        """Say whether it runs. Between the numbers, one that was never seen is taken to be off."""
        if number > self.on_above:
            return True
        return number >= self.off_below and bool(was_running)


class RunLog:
    """How long something has run, and how often it was started.

    A span between two samples no more than ``longest_gap`` seconds apart counts as run when it
    began so. A longer one is a gap and adds nothing. A start is a sample that runs after one that
    did not, whatever lies between; the first sample of all is none. Raises ValueError unless
    ``longest_gap`` is positive.
    """

    def __init__(self, threshold: Threshold, longest_gap: float) -> None:
        self.threshold = threshold
        self.running: bool | None = None
        self.starts = 0
        self._run = Sum()
        self._spans = Spans(longest_gap)

    @property
    def run_seconds(self) -> float:
        """Seconds run since the state began."""
        return self._run.value

    @property
    def missing(self) -> float:
        """Seconds of which nobody knows whether it ran."""
        return self._spans.missing

    def take(self, value: Value) -> Reason:
        """Take a sample of what is watched; return what doubt there is about the log by now.

        A bad value leaves everything as it stands.
        """
        number = usable(value)
        if number is None:
            self._spans.take_bad(value)
            return self._spans.reason
        running = self.threshold.running(number, self.running)
        seconds = self._spans.take_good(value)
        if self.running and seconds is not None:
            self._run.add(seconds)
        self.starts += running and self.running is False
        self.running = running
        return worst(value.reason, self._spans.reason)

    def stretch(self, times: int) -> None:
        """See `Spans.stretch`."""
        self._spans.stretch(times)

    def state(self) -> State:
        """Return what must survive a restart."""
        return {
            "running": self.running,
            "starts": self.starts,
            "seconds": self._run.large,
            "rest": self._run.rest,
            "spans": self._spans.state(),
        }

    def restore(self, state: State) -> None:
        """Go on from the state of an earlier run."""
        self.running, self.starts = state["running"], state["starts"]
        self._run = Sum(state["seconds"], state["rest"])
        self._spans.restore(state["spans"])
