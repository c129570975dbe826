"""What may go, and when: what was sent and is old, and what there is no room for.

Theory of operation. By age only readings go that the broker has acknowledged. When the file nears
its size limit, the oldest sent go first; when none are left, the oldest unsent are thinned
(`edge.journal.thinning`); only when nothing is left to thin do the oldest unsent go. What is
thinned or dropped is put on record as a gap, and receivers are told.

One call does one portion. It looks for the portion along the ranges of numbers that were sent or
are gaps, of which there are few, and reads no more rows than the portion has; how many readings
wait does not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

from edge.journal.journal import Journal
from edge.journal.ranges import RangeSet
from edge.journal.thinning import condense, cut
from edge.readings import Gap, WhyGone

# Deleting is done in portions, so that a polling round never waits long for the writer.
_PORTION = 5000

# "Near the size limit" means above this share of it: room to write while the oldest go.
_NEARLY_FULL = 0.95


@dataclass(frozen=True, slots=True)
class Retention:
    """The retention rule of the station file.

    An age and the interval to thin to in milliseconds, a size in bytes.
    """

    keep_ms: int
    size_limit: int
    thin_to_ms: int = 3_600_000

    def nearly_full(self, size: int) -> bool:
        """Tell whether so many bytes are too close to the limit."""
        return size >= _NEARLY_FULL * self.size_limit


@dataclass(frozen=True, slots=True)
class Pruned:
    """What one pass of pruning did; ``thinned`` and ``dropped`` had never been sent."""

    sent_deleted: int = 0
    thinned: tuple[int, int] | None = None
    dropped: tuple[int, int] | None = None


def prune(journal: Journal, rule: Retention, now_ms: int, *, time_known: bool = True) -> Pruned:
    """Let one portion go of what the rule says may go; call again until it returns nothing.

    Nothing goes by age where ``now_ms`` is not known to be the time: a clock that is decades ahead
    makes everything old. Raises sqlite3.Error when the file cannot be written.
    """
    deleted = _delete_sent(journal, older_than_ms=now_ms - rule.keep_ms) if time_known else 0
    if deleted or not rule.nearly_full(journal.bytes_used()):
        return Pruned(deleted)
    if deleted := prune_sent(journal):
        return Pruned(deleted)
    if thinned := _thin(journal, rule.thin_to_ms, now_ms):
        return Pruned(thinned=thinned)
    return Pruned(dropped=_drop(journal, now_ms))


def prune_sent(journal: Journal) -> int:
    """Delete a portion of the oldest sent readings, whatever their age; return how many went.

    Raises sqlite3.Error when the file cannot be written.
    """
    return _delete_sent(journal)


def _delete_sent(journal: Journal, older_than_ms: int | None = None) -> int:
    for first, last in journal.sent.within(journal.oldest(), journal.newest):
        held = journal.held(first, last)
        if not held:
            continue
        end = min(last, held + _PORTION - 1)
        if older_than_ms is not None:
            times = journal.times(held, end)
            end = next((seq - 1 for seq, utc_ms in times if utc_ms >= older_than_ms), end)
        if held <= end and (deleted := journal.delete_sent(held, end)):
            return deleted
    return 0


def _thin(journal: Journal, interval_ms: int, now_ms: int) -> tuple[int, int] | None:
    """Thin the oldest stretch that was neither sent nor thinned, short of the newest interval."""
    top = min(journal.sendable, journal.newest - 1)
    # Where readings without a time follow, no more will come into the interval before them.
    newest_ms = None if journal.untimed else journal.newest_row_ms()
    settled = RangeSet([*journal.sent, *((gap.first, gap.last) for gap in journal.gaps())])
    for first, last in settled.gaps(journal.oldest(), top):
        end = cut(journal.times(first, last), interval_ms, newest_ms, _PORTION)
        if end is not None:
            thinned = condense(journal.rows(first, end), journal.condensing(), interval_ms)
            times = thinned.since_ms, thinned.until_ms
            journal.thin(Gap(first, end, WhyGone.THINNED, *times, now_ms), thinned)
            return first, end
    return None


def _drop(journal: Journal, now_ms: int) -> tuple[int, int] | None:
    """Delete the oldest unsent readings, but for the newest."""
    oldest = journal.oldest()
    for first, last in journal.nothing_to_send().gaps(1, journal.newest - 1):
        end = min(last, journal.end_of(first, _PORTION))
        if last >= oldest:
            known = end <= journal.sendable
            times = [utc_ms for _, utc_ms in journal.times(first, end)] if known else []
            since_ms, until_ms = min(times, default=None), max(times, default=None)
            journal.record_gap(Gap(first, end, WhyGone.DROPPED, since_ms, until_ms, now_ms))
            return first, end
    return None
