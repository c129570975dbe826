"""What may go, and when: what was sent and is old, and the oldest when space runs out."""

from __future__ import annotations

from dataclasses import dataclass

from edge.journal.journal import Journal

# Deleting is done in portions, so that a polling round never waits long for the writer.
_PORTION = 5000

# "Near the size limit" means above this share of it: room to write while the oldest go.
_NEARLY_FULL = 0.95


@dataclass(frozen=True, slots=True)
class Retention:
    """The retention rule of the station file: an age in milliseconds and a size in bytes."""

    keep_ms: int
    size_limit: int


@dataclass(frozen=True, slots=True)
class Pruned:
    """What one pass of pruning did. ``dropped`` lists ranges that had never been sent."""

    sent_deleted: int = 0
    dropped: tuple[tuple[int, int], ...] = ()


def prune(journal: Journal, rule: Retention, now_ms: int) -> Pruned:
    """Delete one portion of what the rule lets go; call again until it returns nothing.

    By age only readings go that the broker has acknowledged. By size the oldest sent go first; only
    when none are left do unsent ones go, and that is put on record. The newest always stays.
    """
    too_old = journal.first_not_older(now_ms - rule.keep_ms) - 1
    deleted = _delete_sent(journal, too_old)
    if deleted or journal.bytes_used() < _NEARLY_FULL * rule.size_limit:
        return Pruned(deleted)
    deleted = _delete_sent(journal, journal.newest)
    if deleted:
        return Pruned(deleted)
    first = journal.oldest()
    last = min(first + _PORTION - 1, journal.newest - 1)
    if first > last:
        return Pruned()
    journal.delete(first, last, unsent_because="size limit", utc_ms=now_ms)
    return Pruned(dropped=((first, last),))


def _delete_sent(journal: Journal, until: int) -> int:
    """Delete up to a portion of the oldest sent readings numbered up to ``until``."""
    for first, last in journal.sent.within(journal.oldest(), until):
        held = journal.held(first, last)
        if held and (deleted := journal.delete(held, min(last, held + _PORTION - 1))):
            return deleted
    return 0
