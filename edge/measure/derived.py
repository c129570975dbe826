"""What all channels have in common that are computed from other channels.

A value is computed when the leading input has a new one, from it and the latest of the others. Each
input's doubts carry through: the result is no better than the worst of them, and where one has no
number, the result has none and says for what reason.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence

from edge.measure.values import State, Step, Value
from edge.readings import Series
from edge.status import Reason

Outcome = tuple[float | None, Reason]
"""A number in its base unit and what is to be doubted about it; None where the reason is bad."""


class Derived(ABC):
    """A channel whose values are functions of the latest numbers of its inputs."""

    missing = 0.0

    def __init__(self, inputs: Sequence[str], series: Sequence[Series]) -> None:
        self.inputs = tuple(inputs)
        self.series = tuple(series)

    @abstractmethod
    def _evaluate(self, numbers: Sequence[float], utc_ms: int) -> Sequence[Outcome]:
        """Return an outcome for every series, from a finite number of every input."""

    def _steps(self, numbers: Sequence[float], utc_ms: int) -> list[Step]:
        """Return what led there, for the eye; by default the outcomes alone."""
        outcomes = zip(self.series, self._evaluate(numbers, utc_ms), strict=True)
        return [
            Step(series.title or series.name, number, series.unit)
            for series, (number, _) in outcomes
            if number is not None
        ]

    def compute(self, *inputs: Value) -> tuple[Value, ...]:
        """See `Computation.compute`."""
        lead, *others = inputs
        lead = lead.becomes(lead.number, *(other.reason for other in others))
        if lead.number is None:
            return (lead,) * len(self.series)
        try:
            outcomes = self._evaluate([_number(value) for value in inputs], lead.utc_ms)
        except ArithmeticError:
            outcomes = [(None, Reason.OUT_OF_DOMAIN)] * len(self.series)
        return tuple(
            lead.becomes(number, reason)
            if number is None or math.isfinite(number)
            else lead.becomes(None, Reason.OUT_OF_DOMAIN)
            for number, reason in outcomes
        )

    def stretch(self, times: int) -> None:  # noqa: B027 - most do not mind
        """Do nothing."""

    def explain(self, *inputs: Value) -> list[Step]:
        """See `Computation.explain`."""
        if any(value.number is None for value in inputs):
            return []
        try:
            return self._steps([_number(value) for value in inputs], inputs[0].utc_ms)
        except ArithmeticError:
            return []

    def state(self) -> State | None:
        """Return nothing: a function has no memory."""
        return None

    def restore(self, state: State) -> None:  # noqa: B027 - most have nothing to restore
        """Do nothing."""


def titled(title: str, part: str) -> str:
    """Return the title of one of several series of a channel."""
    return f"{title}, {part}" if title else part


def _number(value: Value) -> float:
    assert value.number is not None  # noqa: S101 - the callers have made sure
    return value.number
