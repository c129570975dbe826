"""Channels that are sums, differences and quotients of others."""

from __future__ import annotations

from collections.abc import Sequence

from edge.measure import water
from edge.measure.derived import Derived, Outcome
from edge.readings import Series
from edge.status import Reason


class Sum(Derived):
    """The sum of the inputs, each times its sign: 1 or -1."""

    def __init__(self, series: Series, inputs: Sequence[str], signs: Sequence[int]) -> None:
        super().__init__(inputs, [series])
        self._signs = tuple(signs)

    def _evaluate(self, numbers: Sequence[float], utc_ms: int) -> list[Outcome]:
        del utc_ms
        return [(sum(s * n for s, n in zip(self._signs, numbers, strict=True)), Reason.OK)]


class SpecificCapacity(Derived):
    """What a well yields for every metre of drawdown, in m²/s.

    Inputs: the flow (m³/s) and the drawdown (m). With less drawdown than ``least`` there is no
    value: the well is at rest, or hardly pumped.
    """

    def __init__(self, series: Series, inputs: Sequence[str], least: float) -> None:
        super().__init__(inputs, [series])
        self._least = least

    def _evaluate(self, numbers: Sequence[float], utc_ms: int) -> list[Outcome]:
        del utc_ms
        flow, drawdown = numbers
        if drawdown < self._least or drawdown <= 0:
            return [(None, Reason.NO_DRAWDOWN)]
        return [(water.specific_capacity(flow, drawdown), Reason.OK)]
