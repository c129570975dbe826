"""How the journal is, in words for whoever looks after the station. Pure."""

from __future__ import annotations

from edge.health import Condition
from edge.journal.mending import Standing
from edge.journal.retention import Pruned, Retention
from edge.status import Category

_PART = "journal"


def condition(
    standing: Standing,
    rule: Retention,
    pruned: Pruned,
    *,
    unsent: int,
    waiting: int,
    lost: int,
    failing: str,
    untimed_why: str,
    retry_s: float,
) -> Condition:
    """Put into words how the journal is.

    ``pruned`` is what was thinned or dropped last, ``unsent``, ``waiting`` and ``lost`` are counts
    of readings, ``failing`` says why the file cannot be written, ``untimed_why`` why readings are
    not given their true time although it is known; both are "" where all is well.
    """
    if failing:
        found = f"cannot be written ({failing}); {waiting} readings wait in memory"
        if lost:
            found += f", {lost} are lost: memory was full"
        return Condition(_PART, Category.FAILURE, found, f"tried again every {retry_s:.0f} s")
    if untimed_why:
        found = f"{standing.untimed} readings cannot be given their true time ({untimed_why})"
        doing = f"they are kept and not sent; tried again every {retry_s:.0f} s"
        return Condition(_PART, Category.FAILURE, found, doing)
    if standing.rescue:
        return Condition(
            _PART,
            Category.MAINTENANCE_REQUIRED,
            standing.rescue,
            "goes on in a new file; replace the medium if this happens again",
        )
    size = f"{standing.size / 1e6:.1f} of {rule.size_limit / 1e6:.0f} MB"
    if rule.nearly_full(standing.size) and (pruned.thinned or pruned.dropped):
        doing = (
            "the oldest readings not sent are deleted, on record"
            if pruned.dropped
            else "the oldest readings not sent are thinned, on record"
        )
        found = f"full ({size}); {unsent} readings wait to be sent"
        return Condition(_PART, Category.OUT_OF_SPECIFICATION, found, doing)
    held = f"{standing.held} readings, {size}"
    sent = f"{unsent} not sent yet" if unsent > 0 else f"all sent up to number {standing.newest}"
    return Condition(_PART, Category.NORMAL, f"{held}; {sent}")
