"""Pulse counters: from a number that rolls over to a total that never goes backwards."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Tally:
    """All that a totaliser must remember: what it has counted, and where the counter stood.

    ``pulses`` is the total since the channel was first read; ``raw`` the counter's last number.
    """

    pulses: int
    raw: int

    def advance(self, raw: int, bits: int) -> Tally:
        """Return the tally after the counter, ``bits`` wide, was seen at ``raw``.

        A smaller number than the last is a rollover. A step of half the counter's range or more is
        not believed: the counter has gone backwards, and the tally begins anew from ``raw`` without
        counting (see `went_backwards`). So a counter must be read at least once in 2**(bits-1)
        pulses. Raises ValueError for a ``raw`` that such a counter cannot show.
        """
        if not 0 <= raw < 1 << bits:
            msg = f"a {bits}-bit counter cannot stand at {raw}"
            raise ValueError(msg)
        step = 0 if self.went_backwards(raw, bits) else (raw - self.raw) % (1 << bits)
        return replace(self, pulses=self.pulses + step, raw=raw)

    def went_backwards(self, raw: int, bits: int) -> bool:
        """Tell whether a counter that shows ``raw`` has been reset or replaced.

        What is told from a rollover in this way is a counter that stood in the lower half of its
        range, as a wide one does for years.
        """
        return (raw - self.raw) % (1 << bits) >= 1 << (bits - 1)


@dataclass(frozen=True, slots=True)
class Meter:
    """A flow meter that closes a contact once for every ``volume_per_pulse`` cubic metres."""

    volume_per_pulse: float

    @classmethod
    def from_k_factor(cls, pulses_per_m3: float) -> Meter:
        """Build a meter from its K-factor in pulses a cubic metre."""
        return cls(1 / pulses_per_m3)

    def volume(self, pulses: int) -> float:
        """Return the volume of so many pulses, in m³."""
        return pulses * self.volume_per_pulse

    def pulses(self, volume: float) -> int:
        """Return how many pulses a total volume in m³ was computed from."""
        return round(volume / self.volume_per_pulse)

    def rate(self, pulses: int, seconds: float) -> float:
        """Return the mean flow in m³/s that made ``pulses`` in ``seconds``."""
        return self.volume(pulses) / seconds
