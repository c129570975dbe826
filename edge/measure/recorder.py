"""From the values of one series to the readings that are kept of it.

A channel is sampled often and recorded seldom. What is kept of the samples of a record interval is
the last of them, or figures that speak for them all (`Figure`). Intervals lie on the wall clock:
the one recorded at 10:15 holds the samples after 10:00 up to and including 10:15.

The last value is also kept, at once, when the status has changed, so that the books show when a gap
truly began and ended. So is the first value after a start, when something is the matter with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from enum import Enum

from edge.measure.derived import titled
from edge.measure.statistics import IntervalStatistics
from edge.measure.values import Value
from edge.readings import Condense, Reading, Series
from edge.status import Reason, worst
from edge.units import UNITS


class Figure(Enum):
    """What can be kept of an interval; the value is the last part of its series' name."""

    LAST = "last"
    MEAN = "mean"
    MINIMUM = "min"
    MAXIMUM = "max"
    DEVIATION = "sd"
    """Standard deviation of the sample (n - 1)."""
    SAMPLES = "samples"
    """How many samples had a value."""
    COMPLETENESS = "completeness"
    """The share of the expected samples that had a value."""


# What stands for many figures of a kind, where there is no room for them all.
_CONDENSED = {
    Figure.MEAN: Condense.MEAN,
    Figure.MINIMUM: Condense.MINIMUM,
    Figure.MAXIMUM: Condense.MAXIMUM,
    Figure.DEVIATION: Condense.MAXIMUM,
    Figure.SAMPLES: Condense.SUM,
    Figure.COMPLETENESS: Condense.MEAN,
}


class Recorder:
    """Keeps of one series what its channel says.

    ``expected`` is the number of samples in a full interval; with less than the share
    ``complete_from`` of them, the figures of an interval are uncertain.
    """

    def __init__(
        self, series: Series, figures: Sequence[Figure], expected: int, complete_from: float
    ) -> None:
        self._figures = {figure: _series_of(series, figure) for figure in figures}
        self._expected = expected
        self._complete_from = complete_from
        self._over_all = [figure for figure in figures if figure is not Figure.LAST]
        self._interval = IntervalStatistics()
        self._last_reason: Reason | None = None

    @property
    def series(self) -> tuple[Series, ...]:
        """What is recorded, in the order of the readings."""
        return tuple(self._figures.values())

    def take(self, value: Value, *, due: bool) -> list[Reading]:
        """Take a value; return what is to be kept now."""
        before, self._last_reason = self._last_reason, value.reason
        if before is None:
            changed = value.reason is not Reason.OK and not value.reason.passes_by_itself
        else:
            changed = value.reason is not before
        readings = []
        if Figure.LAST in self._figures and (due or changed):
            name = self._figures[Figure.LAST].name
            readings.append(Reading(name, value.utc_ms, value.number, value.reason))
        if self._over_all:
            self._interval.take(value.number, value.reason)
            if due:
                readings += self._close(value.utc_ms)
        return readings

    def _close(self, utc_ms: int) -> list[Reading]:
        interval, self._interval = self._interval, IntervalStatistics()
        completeness = interval.completeness(self._expected)
        doubt = Reason.INCOMPLETE if completeness < self._complete_from else Reason.OK
        reason = worst(interval.reason, doubt) if interval.count else interval.bad_reason
        numbers = {
            Figure.MEAN: interval.mean,
            Figure.MINIMUM: interval.minimum,
            Figure.MAXIMUM: interval.maximum,
            Figure.DEVIATION: interval.deviation,
        }
        # That there were no samples is itself a good count of samples.
        counts = {Figure.SAMPLES: float(interval.count), Figure.COMPLETENESS: completeness}
        return [
            Reading(self._figures[figure].name, utc_ms, counts[figure])
            if figure in counts
            else _reading(self._figures[figure].name, utc_ms, numbers[figure], reason)
            for figure in self._over_all
        ]


def _reading(name: str, utc_ms: int, number: float | None, reason: Reason) -> Reading:
    if number is None:  # one sample has a mean, but no deviation
        reason = worst(reason, Reason.TOO_FEW_SAMPLES)
    return Reading(name, utc_ms, number, reason)


def _series_of(series: Series, figure: Figure) -> Series:
    if figure is Figure.LAST:
        return series
    unit = series.unit
    if figure is Figure.DEVIATION:
        unit = replace(unit, offset=0.0)  # a difference of temperatures has no zero point
    elif figure is Figure.SAMPLES:
        unit = UNITS["count"]
    elif figure is Figure.COMPLETENESS:
        unit = UNITS["%"]
    title = titled(series.title, figure.value)
    return Series(f"{series.name}.{figure.value}", unit, title, _CONDENSED[figure])
