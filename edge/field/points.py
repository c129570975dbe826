"""What a bus is told of its channels and devices, and what it tells of itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from typing import Protocol

from edge.readings import Sample
from edge.status import Reason

Sink = Callable[[Sequence[tuple[Sample, bool]]], None]
"""Takes the samples of one round, each with whether its channel's record interval fell due."""


class Supplies(Protocol):
    """What a bus knows of the station's outputs; see `edge.field.outputs.Outputs`."""

    def powered(self, name: str) -> AbstractAsyncContextManager[Reason]:
        """Have a supply on within the block, warm-up and all; yields OK, or why it is not on."""
        ...


@dataclass(frozen=True, slots=True)
class Point:
    """A channel as its bus sees it: on which device, and how often (milliseconds).

    ``supply`` is the output its sensor hangs on, if any. A ``steady`` channel keeps its sampling
    interval when load is shed.
    """

    device: str
    sample_ms: int
    record_ms: int
    supply: str | None = None
    steady: bool = False

    def sample_every(self, stretch: int) -> int:
        """Return the sampling interval in milliseconds, with so much load shed."""
        return self.sample_ms * (1 if self.steady else stretch)

    def record_every(self, stretch: int) -> int:
        """Return the record interval in milliseconds, with so much load shed."""
        return self.record_ms * stretch


@dataclass(frozen=True, slots=True)
class DeviceRules:
    """How a device is treated: how often it is asked in one poll, and the longest pause in s.

    ``poll_within`` is how long a poll of it takes at the worst, in real seconds.
    """

    tries: int
    back_off_limit: float
    poll_within: float = 60.0


@dataclass(slots=True)
class PollCounts:
    """What a bus has done so far."""

    rounds: int = 0
    slots_passed_over: int = 0
    polls: dict[str, int] = field(default_factory=dict)
    """Per device, how often it was asked."""
    answers: dict[str, int] = field(default_factory=dict)
    """Per device, how often it answered."""
