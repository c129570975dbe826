"""Channels that add up over time: the volume of a flow, the hours of a pump."""

from __future__ import annotations

from dataclasses import replace

from edge.measure.derived import titled
from edge.measure.integral import Integral
from edge.measure.switching import RunLog, Threshold
from edge.measure.values import State, Step, Value
from edge.readings import Condense, Series
from edge.units import UNITS, Unit


class FlowTotal:
    """The volume in m³ that a flow (m³/s) adds up to; see `edge.measure.integral`."""

    def __init__(
        self,
        channel: str,
        source: str,
        *,
        longest_gap: float,
        low_cutoff: float,
        shown: Unit,
        title: str = "",
    ) -> None:
        self.inputs = (source,)
        self.series = (Series(f"{channel}.total", shown, titled(title, "total"), Condense.LAST),)
        self._integral = Integral(longest_gap, low_cutoff)

    @property
    def missing(self) -> float:
        """Seconds that the total lacks."""
        return self._integral.missing

    def compute(self, *inputs: Value) -> tuple[Value, ...]:
        """See `Computation.compute`. A total stands while there is no flow to add to it."""
        (flow,) = inputs
        total, reason = self._integral.take(flow)
        return (replace(flow, number=total, reason=reason),)

    def stretch(self, times: int) -> None:
        """See `Computation.stretch`."""
        self._integral.stretch(times)

    def explain(self, *inputs: Value) -> list[Step]:
        """Total, and the time it lacks."""
        del inputs
        return [
            Step("total", self._integral.total, self.series[0].unit),
            Step("time missing", self.missing, UNITS["h"]),
        ]

    def state(self) -> State | None:
        """Return the total."""
        return self._integral.state()

    def restore(self, state: State) -> None:
        """Go on from the total of an earlier run."""
        self._integral.restore(state)


class PumpRuns:
    """How long something has run (s), how often it was started, whether it runs now (0 or 1)."""

    def __init__(
        self,
        channel: str,
        source: str,
        threshold: Threshold,
        *,
        longest_gap: float,
        shown: Unit,
        title: str = "",
    ) -> None:
        self.inputs = (source,)
        self.series = (
            Series(f"{channel}.run_time", shown, titled(title, "run time"), Condense.LAST),
            Series(f"{channel}.starts", UNITS["count"], titled(title, "starts"), Condense.LAST),
            Series(f"{channel}.running", UNITS["1"], titled(title, "running"), Condense.LAST),
        )
        self._log = RunLog(threshold, longest_gap)

    @property
    def missing(self) -> float:
        """Seconds of which nobody knows whether it ran."""
        return self._log.missing

    def compute(self, *inputs: Value) -> tuple[Value, ...]:
        """See `Computation.compute`. Run time and starts stand while nothing is known."""
        (watched,) = inputs
        reason = self._log.take(watched)
        kept = (self._log.run_seconds, float(self._log.starts))
        running = None if watched.number is None else float(bool(self._log.running))
        return (
            *(replace(watched, number=number, reason=reason) for number in kept),
            watched.becomes(running),
        )

    def stretch(self, times: int) -> None:
        """See `Computation.stretch`."""
        self._log.stretch(times)

    def explain(self, *inputs: Value) -> list[Step]:
        """Run time, starts, and the time nothing is known of."""
        del inputs
        return [
            Step("run time", self._log.run_seconds, self.series[0].unit),
            Step("starts", float(self._log.starts), None),
            Step("time missing", self.missing, UNITS["h"]),
        ]

    def state(self) -> State | None:
        """Return run time and starts."""
        return self._log.state()

    def restore(self, state: State) -> None:
        """Go on from the log of an earlier run."""
        self._log.restore(state)
