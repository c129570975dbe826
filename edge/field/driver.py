"""What a bus kind must offer: one small protocol, and the instant a sample is stamped with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from edge.clock import Clock
from edge.readings import Sample
from edge.status import Reason

Said = Mapping[str, float | Reason]
"""What a device said, by channel: a number, or why there is none."""


class Driver(Protocol):
    """Speaks with the devices of one bus.

    A driver never raises for anything a device, a cable or a network may do: it answers with a
    `Reason`. It knows nothing of schedules and back-off; that is the bus task's part.
    """

    @property
    def connected(self) -> bool:
        """Whether the port or the connection is open, as far as is known."""
        ...

    async def open(self) -> Reason:
        """Open the port or the connection; return OK, or why that failed."""
        ...

    async def read(self, device: str, channels: Sequence[str], *, tries: int) -> list[Sample]:
        """Ask one device for some of its channels; return a sample for each, in any order."""
        ...

    async def close(self) -> None:
        """Let go of the port or the connection."""
        ...


@dataclass(frozen=True, slots=True)
class Instant:
    """One moment on both scales of a clock."""

    utc_ms: int
    monotonic: float

    @classmethod
    def now(cls, clock: Clock) -> Instant:
        """Return the present moment."""
        return cls(clock.utc_ms(), clock.monotonic())

    def until(self, later: Instant) -> Instant:
        """Return the middle of the span to ``later``: when a device most likely took its value."""
        half = (later.monotonic - self.monotonic) / 2
        return Instant(later.utc_ms - round(half * 1000), later.monotonic - half)

    def sample(self, channel: str, said: float | Reason) -> Sample:
        """Make a sample of what a device said at this moment."""
        if isinstance(said, Reason):
            return Sample(channel, self.utc_ms, self.monotonic, None, said)
        return Sample(channel, self.utc_ms, self.monotonic, said)

    def samples(self, said: Said) -> list[Sample]:
        """Make samples of all that a device said at this moment."""
        return [self.sample(channel, what) for channel, what in said.items()]
