"""Figures that speak for all samples of an interval, computed as the samples come."""

from __future__ import annotations

import math
from dataclasses import dataclass

from edge.status import Quality, Reason, worst


@dataclass(slots=True)
class IntervalStatistics:
    """Count, mean, extremes, last, spread, and the worst that is to be said of the samples.

    Mean and sum of squared deviations are updated sample by sample without the cancellation that
    sums of squares suffer (Welford, Technometrics 4, 1962); two parts of an interval merge into the
    whole (Chan, Golub and LeVeque, The American Statistician 37, 1983).
    """

    count: int = 0
    """Samples that had a number."""
    mean: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    last: float | None = None
    reason: Reason = Reason.OK
    """The worst reason of the samples that had a number."""
    bad: int = 0
    """Samples that had none."""
    bad_reason: Reason = Reason.TOO_FEW_SAMPLES
    """Why the latest of those had none."""
    _squares: float = 0.0  # sum of squared deviations from the mean

    def take(self, number: float | None, reason: Reason = Reason.OK) -> None:
        """Take a sample: a finite number, or None with the bad reason why there is none."""
        if number is None or reason.quality is Quality.BAD:
            self.bad += 1
            self.bad_reason = reason
            return
        self.merge(IntervalStatistics(1, number, number, number, number, reason))

    def merge(self, later: IntervalStatistics) -> None:
        """Take in the samples of a later part of the interval."""
        if later.bad:
            self.bad, self.bad_reason = self.bad + later.bad, later.bad_reason
        if not later.count:
            return
        assert later.mean is not None  # noqa: S101 - there are samples
        assert later.minimum is not None  # noqa: S101
        assert later.maximum is not None  # noqa: S101
        if self.mean is None or self.minimum is None or self.maximum is None:
            self.mean, self._squares = later.mean, later._squares
            self.minimum, self.maximum = later.minimum, later.maximum
        else:
            count = self.count + later.count
            apart = later.mean - self.mean
            self.mean += apart * later.count / count
            self._squares += later._squares + apart * apart * self.count * later.count / count
            self.minimum = min(self.minimum, later.minimum)
            self.maximum = max(self.maximum, later.maximum)
        self.count += later.count
        self.last = later.last
        self.reason = worst(self.reason, later.reason)

    @property
    def deviation(self) -> float | None:
        """Standard deviation of the sample, with n - 1; None for fewer than two."""
        return math.sqrt(self._squares / (self.count - 1)) if self.count > 1 else None

    def completeness(self, expected: int) -> float:
        """Return the share of ``expected`` samples that had a number; 1 at most."""
        return min(1.0, self.count / expected)
