"""The nouns of the river: a sample is what a device said, a reading is what it means."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from edge.status import Reason
from edge.units import Unit


@dataclass(frozen=True, slots=True)
class Sample:
    """What a device said of one channel, at one instant: a raw number, or why there is none.

    ``raw`` is None exactly when ``reason`` is a bad one. The instant is given on both scales of
    the clock: ``utc_ms`` for the books, ``monotonic`` (seconds) to measure intervals with.
    """

    channel: str
    utc_ms: int
    monotonic: float
    raw: float | None
    reason: Reason = Reason.OK


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one series, in the base unit of its dimension, with its status.

    ``value`` is None exactly when ``reason`` is a bad one.
    """

    series: str
    utc_ms: int
    value: float | None
    reason: Reason = Reason.OK


class Condense(Enum):
    """What stands for many readings of a series where there is no room to keep them all."""

    MEAN = "mean"
    LAST = "last"
    MINIMUM = "min"
    MAXIMUM = "max"
    SUM = "sum"
    KEEP = "keep"
    """Nothing does: every one of them is kept, such as the volume of a day."""


@dataclass(frozen=True, slots=True)
class Series:
    """A named row of readings: what a channel yields one or more of.

    ``unit`` is the one people see; readings are always in its dimension's base unit.
    """

    name: str
    unit: Unit
    title: str = ""
    condense: Condense = Condense.MEAN


class Journalled(NamedTuple):
    """A reading as the journal holds it: numbered, never to be renumbered or reused."""

    seq: int
    series: str
    utc_ms: int
    value: float | None
    reason: Reason


class WhyGone(Enum):
    """Why readings are not there under their numbers; the value is the word on the wire."""

    DROPPED = "dropped"
    """Deleted before they were sent, for lack of space."""
    THINNED = "thinned"
    """Condensed: one reading an interval stands for them, for lack of space."""
    LOST = "lost"
    """Taken, but never written: the disk refused for so long that memory was full."""
    DAMAGED = "damaged"
    """Unreadable on the disk; or numbers left out after a damage, so that none is used twice."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stated gap in the numbers: what went, when it had been taken, and why it went.

    ``since_ms`` and ``until_ms`` are UTC milliseconds of the readings concerned, None where that is
    not known; ``noted_ms`` is when the gap was put on record.
    """

    first: int
    last: int
    why: WhyGone
    since_ms: int | None
    until_ms: int | None
    noted_ms: int


class Stamp(NamedTuple):
    """How readings were stamped whose time is not known yet.

    Their ``utc_ms`` is ``offset_ms`` plus the monotonic milliseconds of the boot ``boot``; the
    true time is had by putting the true offset of that boot in place of this one.
    """

    boot: str
    offset_ms: int
