"""What totals over time have in common: spans between readings, gaps, and sums without drift."""

from __future__ import annotations

import math
from dataclasses import dataclass

from edge.measure.values import State, Value
from edge.status import Reason


class Spans:
    """The time between consecutive good values, as far as it may be bridged.

    Two values no more than ``longest_gap`` seconds apart bound a span; anything longer is a gap.
    ``gaps`` counts them and ``missing`` their seconds, since the state began. Over a restart the
    time is that of UTC; should it have run backwards, or not be known on either side, that is a gap
    of unknown length. Raises ValueError unless ``longest_gap`` is positive.
    """

    def __init__(self, longest_gap: float) -> None:
        if not longest_gap > 0:
            msg = f"a longest gap of {longest_gap} s"
            raise ValueError(msg)
        self.longest_gap = longest_gap
        self.missing = 0.0
        self.gaps = 0
        self._utc_ms: int | None = None
        self._monotonic: float | None = None
        self._timed = True
        self._in_gap = False
        self._blank = False  # no good value yet
        self._times = self._most_times = 1

    def stretch(self, times: int) -> None:
        """Take values that come so many times less often for no gap.

        The span under way may have begun at a slower pace: it is judged by that.
        """
        self._times = times
        self._most_times = max(self._most_times, times)

    def take_good(self, value: Value) -> float | None:
        """Return the seconds that may be bridged since the good value before; None: none may."""
        began, seconds = self._utc_ms is not None and not self._blank, self._seconds(value)
        bridged = None
        if began and seconds is not None and not self._in_gap and seconds <= self._limit:
            bridged = seconds
        elif began or self._in_gap:
            self._miss(seconds)
        self._stand_at(value, in_gap=False)
        self._blank = False
        return bridged

    def take_bad(self, value: Value) -> None:
        """Take note of a value there is no number in: perhaps the span has become a gap."""
        if self._utc_ms is None:
            # Nothing to go on from. That it stays so for long is a gap, too, but for what is only
            # getting ready, such as a rate that waits for its first pulse.
            if not value.reason.passes_by_itself:
                self._stand_at(value, in_gap=False)
                self._blank = True
            return
        seconds = self._seconds(value)
        if seconds is not None and (self._in_gap or seconds > self._limit):
            self._miss(seconds)
            self._stand_at(value, in_gap=True)

    @property
    def reason(self) -> Reason:
        """GAP_IN_TOTAL once there has been a gap."""
        return Reason.GAP_IN_TOTAL if self.gaps else Reason.OK

    def state(self) -> State:
        """Return what must survive a restart."""
        return {
            "missing": self.missing,
            "gaps": self.gaps,
            "utc_ms": self._utc_ms,
            "timed": self._timed,
            "in_gap": self._in_gap,
            "blank": self._blank,
        }

    def restore(self, state: State) -> None:
        """Go on from the state of an earlier run."""
        self.missing, self.gaps = state["missing"], state["gaps"]
        self._utc_ms, self._in_gap = state["utc_ms"], state["in_gap"]
        self._blank = state["blank"]
        self._timed = state.get("timed", True)
        self._monotonic = None

    @property
    def _limit(self) -> float:
        return self.longest_gap * self._most_times

    def _seconds(self, value: Value) -> float | None:
        if self._utc_ms is None:
            return None
        if self._monotonic is not None:
            return max(0.0, value.monotonic - self._monotonic)
        if not (self._timed and value.timed):
            return None
        seconds = (value.utc_ms - self._utc_ms) / 1000
        return seconds if seconds >= 0 else None

    def _miss(self, seconds: float | None) -> None:
        self.gaps += not self._in_gap
        # Of a gap of unknown length so much is known.
        self.missing += self.longest_gap if seconds is None else seconds

    def _stand_at(self, value: Value, *, in_gap: bool) -> None:
        self._utc_ms, self._monotonic, self._in_gap = value.utc_ms, value.monotonic, in_gap
        self._timed = value.timed
        self._most_times = self._times


@dataclass(slots=True)
class Sum:
    """A sum of many small amounts, without the drift that rounding each addition would bring.

    Neumaier's variant of compensated summation (Zeitschrift für Angewandte Mathematik und Mechanik
    54, 1974, pages 39 to 51): ``rest`` gathers what ``large`` is too coarse to hold.
    """

    large: float = 0.0
    rest: float = 0.0

    def add(self, amount: float) -> None:
        """Add any finite amount."""
        total = self.large + amount
        if abs(self.large) >= abs(amount):
            self.rest += (self.large - total) + amount
        else:
            self.rest += (amount - total) + self.large
        self.large = total

    @property
    def value(self) -> float:
        """The sum, to the nearest float or the one beside it."""
        return self.large + self.rest


def usable(value: Value) -> float | None:
    """Return the number of a value that is there and finite."""
    return value.number if value.number is not None and math.isfinite(value.number) else None
