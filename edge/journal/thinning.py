"""Condensing readings that there is no room for: one an interval stands for all. Pure.

Intervals lie on whole multiples of their length, in UTC. Of the readings of a series in an interval
one is left, under the number and with the time of the last that has a value. What it says, the
series decides (`edge.readings.Condense`). Where none has a value the last one is left as it is, and
so is a reading that stands alone. Readings whose time is unsure are condensed apart from the
others, and what is left of them says so.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from edge.journal.rows import Row
from edge.readings import Condense
from edge.status import Reason


@dataclass(slots=True)
class Thinned:
    """What is to become of a stretch of rows."""

    changed: list[Row] = field(default_factory=list)
    """Rows that now stand for others, with their new content."""
    gone: array[int] = field(default_factory=lambda: array("q"))
    """Numbers of the rows that are to be deleted."""
    since_ms: int | None = None
    until_ms: int | None = None
    """Earliest and latest time of the rows, in UTC milliseconds."""


def cut(
    times: Iterable[tuple[int, int]], interval_ms: int, newest_ms: int | None, at_least: int
) -> int | None:
    """Return the last number of the stretch to condense next; None when there is none.

    ``times`` are numbers and times (UTC milliseconds) in rising order of the numbers. The stretch
    ends where an interval does, once it is ``at_least`` rows long, or with the last of the rows; in
    any case before the interval that ``newest_ms`` lies in, where that is given. What comes late,
    after rows of the following interval, may fall into the next stretch; it then stands by itself.
    """
    before: tuple[int, int] | None = None
    newest = None if newest_ms is None else newest_ms // interval_ms
    for count, (seq, utc_ms) in enumerate(times):
        interval = utc_ms // interval_ms
        if interval == newest or (before and count >= at_least and before[1] < interval):
            break
        before = seq, interval
    return before and before[0]


def condense(rows: Iterable[Row], how: Mapping[int, Condense], interval_ms: int) -> Thinned:
    """Condense rows, each series as ``how`` says by its id; a series not named there is kept.

    Memory is bounded by the number of intervals and series, and eight bytes a row.
    """
    done = Thinned()
    groups: dict[tuple[int, int, bool], _Group] = {}
    for row in rows:
        done.since_ms = row.utc_ms if done.since_ms is None else min(done.since_ms, row.utc_ms)
        done.until_ms = row.utc_ms if done.until_ms is None else max(done.until_ms, row.utc_ms)
        way = how.get(row.series, Condense.KEEP)
        if way is Condense.KEEP:
            continue
        unsure = row.status == Reason.TIME_UNSURE.code
        group = groups.setdefault((row.series, row.utc_ms // interval_ms, unsure), _Group(way))
        if (overtaken := group.take(row)) is not None:
            done.gone.append(overtaken)
    for (_, _, unsure), group in groups.items():
        if group.last and group.bad:
            done.gone.append(group.bad.seq)
        if group.last and group.taken > 1:
            reason = Reason.TIME_UNSURE if unsure else Reason.THINNED
            done.changed.append(group.last._replace(value=group.value, status=reason.code))
    return done


@dataclass(slots=True)
class _Group:
    """The readings of a series in an interval, so far."""

    way: Condense
    taken: int = 0
    """How many there are, and of how many the value is."""
    valued: int = 0
    value: float = 0.0
    last: Row | None = None
    """The last that has a value, and the last that has none."""
    bad: Row | None = None

    def take(self, row: Row) -> int | None:
        """Add a row; return the number of the one that it takes the place of."""
        self.taken += 1
        if row.value is None:
            overtaken, self.bad = self.bad, row
        else:
            overtaken, self.last = self.last, row
            self.valued += 1
            self.value = self._with(row.value)
        return overtaken and overtaken.seq

    def _with(self, value: float) -> float:
        if self.valued == 1 or self.way is Condense.LAST:
            return value
        if self.way is Condense.SUM:
            return self.value + value
        if self.way is Condense.MEAN:
            return self.value + (value - self.value) / self.valued
        return min(self.value, value) if self.way is Condense.MINIMUM else max(self.value, value)
