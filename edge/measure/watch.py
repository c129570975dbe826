"""An eye on how a signal moves: too little for something alive, or too fast to be true."""

from __future__ import annotations

from edge.status import Reason


class StuckSignal:
    """Doubts a signal that has moved by no more than ``least_change`` for longer than ``longest``.

    ``longest`` in seconds. The move is reckoned from where the signal was when it last did move, so
    that a slow drift counts as life. Raises ValueError unless ``longest`` is positive and
    ``least_change`` is not negative.
    """

    def __init__(self, longest: float, least_change: float = 0.0) -> None:
        if not (longest > 0 and least_change >= 0):
            msg = f"a signal that moves by {least_change} at least every {longest} s"
            raise ValueError(msg)
        self._longest = longest
        self._least_change = least_change
        self._times = 1
        self._stood: tuple[float, float] | None = None  # where, and since when

    def stretch(self, times: int) -> None:
        """Allow so many times as long from now on: numbers come that much less often."""
        if times != self._times:
            self._times = times
            self.reset()

    def take(self, number: float, monotonic: float) -> Reason:
        """Take the next number; return STUCK when it has stood still for too long."""
        if self._stood is None or abs(number - self._stood[0]) > self._least_change:
            self._stood = number, monotonic
        return (
            Reason.STUCK if monotonic - self._stood[1] > self._longest * self._times else Reason.OK
        )

    def reset(self) -> None:
        """Begin anew, as after a gap."""
        self._stood = None


class RateOfChange:
    """Doubts a number that moved from the one before by more than ``change`` in ``within`` seconds.

    Each number is held against the last one whatever was thought of that: a spike is doubted on its
    way up and on its way down, a genuine step once. Raises ValueError unless both are positive.
    """

    def __init__(self, change: float, within: float) -> None:
        if not (change > 0 and within > 0):
            msg = f"a change of {change} within {within} s"
            raise ValueError(msg)
        self._fastest = change / within
        self._last: tuple[float, float] | None = None

    def take(self, number: float, monotonic: float) -> Reason:
        """Take the next number; return CHANGED_TOO_FAST when it did."""
        last, self._last = self._last, (number, monotonic)
        if last is None:
            return Reason.OK
        allowed = self._fastest * max(monotonic - last[1], 0.0)
        # What is exactly as fast as allowed is not faster for a rounding.
        too_fast = abs(number - last[0]) > allowed * (1 + 1e-9)
        return Reason.CHANGED_TOO_FAST if too_fast else Reason.OK

    def reset(self) -> None:
        """Begin anew, as after a gap."""
        self._last = None
