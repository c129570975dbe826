"""The nouns of the river: a sample is what a device said, a reading is what it means."""

from __future__ import annotations

from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class Series:
    """A named row of readings: what a channel yields one or more of.

    ``unit`` is the one people see; readings are always in its dimension's base unit.
    """

    name: str
    unit: Unit
    title: str = ""


class Journalled(NamedTuple):
    """A reading as the journal holds it: numbered, never to be renumbered or reused."""

    seq: int
    series: str
    utc_ms: int
    value: float | None
    reason: Reason
