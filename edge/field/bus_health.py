"""How a bus is, in plain words. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from edge.health import Condition
from edge.status import Category, Reason

# More than this many names in one sentence are not read.
_MOST_NAMED = 4


@dataclass(frozen=True, slots=True)
class DeviceFault:
    """A device that does not answer as it should, and why.

    ``waits`` says whether it is asked less often now, ``limit`` how many seconds may pass between
    two tries at the most; 0 for one that is only listened to.
    """

    device: str
    reason: Reason
    waits: bool
    limit: float


def condition_of_bus(
    bus: str, port: Reason, reopen_limit: float, asked: int, failing: Sequence[DeviceFault]
) -> Condition:
    """Say how the bus named ``bus`` is.

    ``port`` is why it is not open, OK where it is; ``asked`` the number of its devices that have
    been asked by now. Times in seconds.
    """
    part = f"bus {bus}"
    if port is not Reason.OK:
        return Condition(
            part, port.category, port.text, f"tries again every {duration(reopen_limit)} at least"
        )
    if not failing:
        found = f"{_devices(asked)} {_verb(asked, 'answer')}" if asked else "no device asked yet"
        return Condition(part, Category.NORMAL, found)
    found = f"{len(failing)} of {_devices(asked)} {_verb(len(failing), 'fail')}: {_named(failing)}"
    return Condition(part, _category(failing), found, _doing(failing, asked))


def duration(seconds: float) -> str:
    """Write a span of time as people say it: "30 s", "5 min", "2 h"."""
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"


def _category(failing: Sequence[DeviceFault]) -> Category:
    categories = [fault.reason.category for fault in failing]
    return Category.FAILURE if Category.FAILURE in categories else categories[0]


def _named(failing: Sequence[DeviceFault]) -> str:
    named = [f"{fault.device} ({fault.reason.text})" for fault in failing[:_MOST_NAMED]]
    rest = len(failing) - len(named)
    return ", ".join(named) + (f" and {rest} more" if rest else "")


def _doing(failing: Sequence[DeviceFault], asked: int) -> str:
    limits = [fault.limit for fault in failing if fault.waits and fault.limit]
    doing = f"asks again every {duration(max(limits))} at least" if limits else "asks again as ever"
    if len(failing) == asked:
        return doing
    return f"{doing}; the other devices are asked as ever"


def _devices(count: int) -> str:
    return f"{count} device" + ("" if count == 1 else "s")


def _verb(count: int, verb: str) -> str:
    return f"{verb}s" if count == 1 else verb
