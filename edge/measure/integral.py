"""From a rate to a total: the volume that flowed, where there is no meter that counts."""

from __future__ import annotations

from edge.measure.spans import Spans, Sum, usable
from edge.measure.values import State, Value
from edge.status import Reason, worst


class Integral:
    """A forward total of a rate: m³ out of m³/s.

    Between consecutive values no more than ``longest_gap`` seconds apart the rate is taken to go in
    a straight line (the trapezoidal rule: (r0 + r1) / 2 x seconds). Over anything longer nothing is
    added; how often that was and for how many seconds is in ``gaps`` and ``missing``. Rates below
    ``low_cutoff`` count as nought, and so do negative ones: the total never goes backwards.

    Raises ValueError unless ``longest_gap`` is positive and ``low_cutoff`` is not negative.
    """

    def __init__(self, longest_gap: float, low_cutoff: float = 0.0) -> None:
        if not low_cutoff >= 0:
            msg = f"a low cutoff of {low_cutoff}"
            raise ValueError(msg)
        self.low_cutoff = low_cutoff
        self._spans = Spans(longest_gap)
        self._sum = Sum()
        self._rate = 0.0

    @property
    def total(self) -> float:
        """What has flowed since the state began, in the rate's unit times seconds."""
        return self._sum.value

    @property
    def missing(self) -> float:
        """How many seconds the total lacks."""
        return self._spans.missing

    @property
    def gaps(self) -> int:
        """How many gaps those seconds are spread over."""
        return self._spans.gaps

    def take(self, value: Value) -> tuple[float, Reason]:
        """Take a rate; return the total by now, and what doubt there is about it.

        A bad rate leaves the total as it stands. Once there has been a gap, the total is
        GAP_IN_TOTAL for ever; a doubt about the rate is one about this total only.
        """
        number = usable(value)
        if number is None:
            self._spans.take_bad(value)
            return self.total, self._spans.reason
        rate = number if number > 0 and number >= self.low_cutoff else 0.0
        seconds = self._spans.take_good(value)
        if seconds is not None:
            self._sum.add((self._rate + rate) / 2 * seconds)
        self._rate = rate
        return self.total, worst(value.reason, self._spans.reason)

    def stretch(self, times: int) -> None:
        """See `Spans.stretch`."""
        self._spans.stretch(times)

    def state(self) -> State:
        """Return what must survive a restart."""
        return {
            "total": self._sum.large,
            "rest": self._sum.rest,
            "rate": self._rate,
            "spans": self._spans.state(),
        }

    def restore(self, state: State) -> None:
        """Go on from the state of an earlier run."""
        self._sum = Sum(state["total"], state["rest"])
        self._rate = state["rate"]
        self._spans.restore(state["spans"])
