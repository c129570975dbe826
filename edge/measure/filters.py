"""Filters for one stream of numbers: median, mean, first-order lag."""

from __future__ import annotations

import math
from collections import deque
from statistics import fmean, median


class Median:
    """The median of the last ``size`` numbers, or of as many as there are yet.

    Takes out single wrong numbers without smearing them. Raises ValueError for an even size.
    """

    def __init__(self, size: int) -> None:
        if size < 1 or size % 2 == 0:
            msg = f"a median of {size}, where an odd number has a middle"
            raise ValueError(msg)
        self.size = size
        self._window: deque[float] = deque(maxlen=size)

    def take(self, number: float) -> float:
        """Take the next number; return the median by now."""
        self._window.append(number)
        return median(self._window)

    def reset(self) -> None:
        """Begin anew, as after a gap."""
        self._window.clear()


class Mean:
    """The mean of the last ``size`` numbers, or of as many as there are yet.

    Raises ValueError for a size below 1.
    """

    def __init__(self, size: int) -> None:
        if size < 1:
            msg = f"a mean of {size} numbers"
            raise ValueError(msg)
        self.size = size
        self._window: deque[float] = deque(maxlen=size)

    def take(self, number: float) -> float:
        """Take the next number; return the mean by now."""
        self._window.append(number)
        return fmean(self._window)

    def reset(self) -> None:
        """Begin anew, as after a gap."""
        self._window.clear()


class Damping:
    """A first-order lag with a time constant in seconds, exact for any spacing of the samples.

    Between samples the input is taken to stand at the newer one: y += (x - y)(1 - exp(-Δt/τ)). One
    time constant after a step 63.2 % of it show (IEC 60050-351, "time constant"). The first number
    passes as it is. Raises ValueError unless ``seconds`` is positive.
    """

    def __init__(self, seconds: float) -> None:
        if not seconds > 0:
            msg = f"a time constant of {seconds} s"
            raise ValueError(msg)
        self._tau = seconds
        self._output: float | None = None
        self._at = 0.0

    def take(self, number: float, monotonic: float) -> float:
        """Take the next number and its instant; return the damped one."""
        if self._output is None:
            self._output = number
        elif monotonic > self._at:
            # -expm1(-x) is 1 - exp(-x), without the rounding where x is small.
            self._output += (number - self._output) * -math.expm1(
                (self._at - monotonic) / self._tau
            )
        self._at = monotonic
        return self._output

    def reset(self) -> None:
        """Begin anew, as after a gap."""
        self._output = None
