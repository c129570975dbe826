"""Totals by the hour, the local day, the month and the water year.

Theory of operation. A running total is known at the instants it was sampled. What flowed in a
period is the total at its end less the total at its beginning; between two samples the total is
taken to grow in a straight line. Polls fall on the wall clock, so a boundary mostly lies within
milliseconds of a sample, and the line matters only where samples are missing: then the two periods
on both sides share out what the gap holds by time, and are marked ESTIMATED. What one period is
given the other is not, so hours always add up to days, and days to months: unless the clock was set
back into an earlier period, which then begins anew as PART_OF_PERIOD. What the clock runs through
a second time is booked a second time.

What was counted while the station was down may be given to the first interval instead, that is to
the period in which counting went on: those that ended meanwhile then lack it (GAP_IN_TOTAL), and
that one says COUNTED_WHILE_DOWN.

Periods begin and end by the clocks on the wall where the station is: a day is 23 or 25 hours long
when they change. The water year runs from October to September (as the US Geological Survey has it,
who name it by the year it ends in).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from enum import Enum
from typing import Literal
from zoneinfo import ZoneInfo

from edge.measure.derived import titled
from edge.measure.values import State, Value
from edge.readings import Condense, Reading, Series
from edge.status import BY_CODE, Quality, Reason, worst

_HOUR_MS = 3_600_000

# A gap in the samples is one when more than one in a row is missing.
_GAP_IN_SAMPLES = 2

# No station is silent for longer: a clock that leaps by more was wrong before.
_LONGEST_GAP_MS = 400 * 24 * _HOUR_MS

# After a gap of years, no more periods than this are booked for it; then counting begins anew.
_MOST_AT_ONCE = 1000


AfterOutage = Literal["spread", "first-interval"]
"""What becomes of the amount that a total has grown by while the station was down."""

# Doubts about a running total that are none about a period: what was missed before it does not
# concern it, and when exactly pulses came matters only at its bounds.
_OF_THE_WHOLE = {Reason.GAP_IN_TOTAL, Reason.COUNTED_WHILE_DOWN}


class Period(Enum):
    """What totals are booked by."""

    HOUR = "hour"
    DAY = "day"
    MONTH = "month"
    WATER_YEAR = "water-year"


def start_of(period: Period, utc_ms: int, zone: ZoneInfo) -> int:
    """Return when the period began that holds an instant; both in UTC milliseconds.

    Hours begin when the wall clock shows a full hour; one in which it is moved by half an hour is
    as much longer or shorter. A day whose midnight does not exist, because the clocks are changed
    at it, begins with its first instant; one that has two, with the first.
    """
    if period is Period.HOUR:
        return _full_hour(utc_ms, zone)
    return _midnight(_first_day(period, _local(utc_ms, zone).date()), zone)


def next_start(period: Period, utc_ms: int, zone: ZoneInfo) -> int:
    """Return when the next period begins, after an instant; both in UTC milliseconds."""
    if period is Period.HOUR:
        start = _full_hour(utc_ms, zone)
        following = _full_hour(start + _HOUR_MS, zone)
        return following if following > start else _full_hour(start + 2 * _HOUR_MS, zone)
    first = _first_day(period, _local(utc_ms, zone).date())
    if period is Period.DAY:
        following_day = first + timedelta(days=1)
    elif period is Period.MONTH:
        following_day = date(first.year + first.month // 12, first.month % 12 + 1, 1)
    else:
        following_day = date(first.year + 1, 10, 1)
    return _midnight(following_day, zone)


def _full_hour(utc_ms: int, zone: ZoneInfo) -> int:
    offset = _offset_ms(utc_ms, zone)
    start = (utc_ms + offset) // _HOUR_MS * _HOUR_MS - offset
    # Where clocks were moved since, the wall clock showed something else then: no full hour, if it
    # was by half an hour. The hour that was running goes on.
    before = _offset_ms(start, zone)
    return start if before == offset else (start + before) // _HOUR_MS * _HOUR_MS - before


def _offset_ms(utc_ms: int, zone: ZoneInfo) -> int:
    return round((_local(utc_ms, zone).utcoffset() or timedelta()).total_seconds() * 1000)


def _first_day(period: Period, day: date) -> date:
    if period is Period.DAY:
        return day
    if period is Period.MONTH:
        return day.replace(day=1)
    return date(day.year if day.month >= 10 else day.year - 1, 10, 1)


def _local(utc_ms: int, zone: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(utc_ms // 1000, UTC).astimezone(zone)


def _midnight(day: date, zone: ZoneInfo) -> int:
    return round(datetime.combine(day, time(), zone).timestamp() * 1000)


@dataclass(frozen=True, slots=True)
class Closed:
    """A period that is over: its bounds (UTC ms), what it came to, what is doubtful."""

    start_ms: int
    end_ms: int
    amount: float
    reason: Reason


@dataclass(frozen=True, slots=True)
class _Open:
    """The period that is running: bounds (UTC ms), the total when it began, what is doubtful."""

    start_ms: int
    end_ms: int
    total: float
    reason: Reason


@dataclass(frozen=True, slots=True)
class _Seen:
    """The latest sample: its instant, the total, the seconds that total lacks."""

    utc_ms: int
    total: float
    missing: float


class PeriodTotals:
    """Books a running total by one kind of period.

    ``sample_s`` is the sampling interval in seconds.
    """

    def __init__(
        self,
        period: Period,
        zone: ZoneInfo,
        sample_s: float,
        after_outage: AfterOutage = "spread",
    ) -> None:
        self._period = period
        self._spreads = after_outage == "spread"
        self._restarted = False  # and nothing taken since
        self._zone = zone
        self._longest_step_ms = _GAP_IN_SAMPLES * sample_s * 1000
        self._open: _Open | None = None
        self._seen: _Seen | None = None

    def take(self, value: Value, missing: float = 0.0) -> list[Closed]:
        """Take a running total, and how many seconds it lacks by now; return the periods over."""
        if value.number is None:
            return []
        now = _Seen(value.utc_ms, value.number, missing)
        seen, running = self._seen, self._open
        after_restart, self._restarted = self._restarted, False
        if running is None or seen is None or _clock_was_wrong(seen, now, running):
            self._begin(now)
            return []
        gap = Reason.GAP_IN_TOTAL if now.missing > seen.missing else Reason.OK
        own = Reason.OK if value.reason in _OF_THE_WHOLE else value.reason
        doubt = worst(own, gap)
        if now.utc_ms <= seen.utc_ms:
            if now.utc_ms >= running.start_ms:  # set back, but the period is still the same
                self._open, self._seen = replace(running, reason=worst(running.reason, doubt)), now
            return []
        in_one = after_restart and not self._spreads and self._is_gap(seen, now)
        close = self._close_in_one if in_one and now.total > seen.total else self._close
        closed = close(seen, now, running, doubt)
        self._seen = now
        return closed

    def _is_gap(self, seen: _Seen, now: _Seen) -> bool:
        return now.utc_ms - seen.utc_ms > self._longest_step_ms

    def _begin(self, now: _Seen) -> None:
        start = start_of(self._period, now.utc_ms, self._zone)
        end = next_start(self._period, now.utc_ms, self._zone)
        doubt = Reason.OK if now.utc_ms == start else Reason.PART_OF_PERIOD
        self._open, self._seen = _Open(start, end, now.total, doubt), now

    def _close(self, seen: _Seen, now: _Seen, running: _Open, doubt: Reason) -> list[Closed]:
        if now.total < seen.total:  # counted anew by another hand: what was booked stays
            running = replace(running, total=running.total + now.total - seen.total)
            seen = replace(seen, total=now.total)
        closed: list[Closed] = []
        while running.end_ms <= now.utc_ms:
            if len(closed) == _MOST_AT_ONCE:
                self._begin(now)
                return closed
            share = (running.end_ms - seen.utc_ms) / (now.utc_ms - seen.utc_ms)
            total = seen.total + share * (now.total - seen.total)
            wide = self._is_gap(seen, now) and share < 1
            shared_out = worst(doubt, Reason.ESTIMATED if wide else Reason.OK)
            closed.append(
                Closed(
                    running.start_ms,
                    running.end_ms,
                    total - running.total,
                    worst(running.reason, shared_out),
                )
            )
            after = Reason.OK if share == 1 else shared_out
            end = next_start(self._period, running.end_ms, self._zone)
            running = _Open(running.end_ms, end, total, after)
        if running.start_ms < now.utc_ms:
            running = replace(running, reason=worst(running.reason, doubt))
        self._open = running
        return closed

    def _close_in_one(self, seen: _Seen, now: _Seen, running: _Open, doubt: Reason) -> list[Closed]:
        """Close the periods that ended in an outage; what it holds goes to the one after them."""
        closed = self._close(seen, replace(now, total=seen.total), running, Reason.OK)
        assert self._open is not None  # noqa: S101 - there is always one
        came = Reason.COUNTED_WHILE_DOWN if closed else self._open.reason
        self._open = replace(self._open, reason=worst(came, doubt))
        shared_out = {Reason.OK, Reason.ESTIMATED}  # which here nothing is
        return [
            replace(one, reason=Reason.GAP_IN_TOTAL) if one.reason in shared_out else one
            for one in closed
        ]

    def state(self) -> State | None:
        """Return what must survive a restart."""
        if self._open is None or self._seen is None:
            return None
        running = asdict(self._open) | {"reason": self._open.reason.code}
        return {"open": running, "seen": asdict(self._seen)}

    def restore(self, state: State) -> None:
        """Go on from the state of an earlier run."""
        reason = BY_CODE[state["open"]["reason"]]
        self._open = _Open(**(state["open"] | {"reason": reason}))
        self._seen = _Seen(**state["seen"])
        self._restarted = True


def _clock_was_wrong(seen: _Seen, now: _Seen, running: _Open) -> bool:
    """Tell a clock that has been set from time that has passed unobserved.

    One that is set forward looks like a gap, and is treated as one, unless it was years behind, as
    that of a computer without a battery for it. One that is set back by a little catches up again.
    """
    years_behind = now.utc_ms - seen.utc_ms > _LONGEST_GAP_MS
    return years_behind or now.utc_ms < running.start_ms - _HOUR_MS


class PeriodRecorder:
    """Keeps a running total by several kinds of period, as readings of series of their own.

    The series of ``flow.total`` by the day is ``flow.total.day``. A reading bears the instant its
    period ended.
    """

    def __init__(
        self,
        series: Series,
        periods: Sequence[Period],
        zone: ZoneInfo,
        sample_s: float,
        after_outage: AfterOutage = "spread",
    ) -> None:
        self._totals = {
            Series(
                f"{series.name}.{period.value.replace('-', '_')}",
                series.unit,
                titled(series.title, f"by the {period.value.replace('-', ' ')}"),
                Condense.KEEP,
            ): PeriodTotals(period, zone, sample_s, after_outage)
            for period in periods
        }

    @property
    def series(self) -> tuple[Series, ...]:
        """What is recorded."""
        return tuple(self._totals)

    def take(self, value: Value, missing: float) -> list[Reading]:
        """Take a running total; return a reading for every period that is over."""
        return [
            _reading(series.name, closed)
            for series, totals in self._totals.items()
            for closed in totals.take(value, missing)
        ]

    def state(self) -> State:
        """Return what must survive a restart."""
        return {series.name: totals.state() for series, totals in self._totals.items()}

    def restore(self, state: State) -> None:
        """Go on from the state of an earlier run."""
        for series, totals in self._totals.items():
            if kept := state.get(series.name):
                totals.restore(kept)


def _reading(name: str, closed: Closed) -> Reading:
    bad = closed.reason.quality is Quality.BAD
    return Reading(name, closed.end_ms, None if bad else closed.amount, closed.reason)
