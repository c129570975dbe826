"""From pulses to volume, and from a pulse rate to a flow.

The K-factor of a meter is the pulses it makes a unit of volume (API Manual of Petroleum Measurement
Standards, chapters 5.3 and 12.2): the volume is the number of pulses divided by it, and so the flow
is the pulse rate divided by it. The K-factor of a real meter changes with the flow, and is given as
a table against the pulse rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from edge.measure.curve import Curve
from edge.measure.spans import Sum
from edge.measure.values import State
from edge.status import Reason


class AnyMeter(Protocol):
    """What turns pulses into volume."""

    @property
    def constant(self) -> float | None:
        """Volume of a pulse in m³, where it is the same at every pulse rate."""
        ...

    def pulse_volume(self, hertz: float) -> tuple[float, Reason]:
        """Return the volume of a pulse in m³ at a pulse rate, and whether that is known for it."""
        ...

    def flow(self, hertz: float) -> tuple[float, Reason]:
        """Return the flow in m³/s at a pulse rate, and whether the meter is known there."""
        ...


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter that makes a pulse for every ``volume_per_pulse`` cubic metres, at every flow.

    Raises ValueError unless that is positive and finite.
    """

    volume_per_pulse: float

    def __post_init__(self) -> None:
        _check("a volume per pulse", self.volume_per_pulse)

    @classmethod
    def from_k_factor(cls, pulses_per_m3: float) -> Meter:
        """Build a meter from its K-factor in pulses a cubic metre. Raises ValueError likewise."""
        _check("a K-factor", pulses_per_m3)
        return cls(1 / pulses_per_m3)

    @property
    def constant(self) -> float | None:
        """See `AnyMeter.constant`."""
        return self.volume_per_pulse

    def pulse_volume(self, hertz: float) -> tuple[float, Reason]:  # noqa: ARG002 - the same at all
        """See `AnyMeter.pulse_volume`."""
        return self.volume_per_pulse, Reason.OK

    def volume(self, pulses: int) -> float:
        """Return the volume of so many pulses, in m³."""
        return pulses * self.volume_per_pulse

    def flow(self, hertz: float) -> tuple[float, Reason]:
        """See `AnyMeter.flow`."""
        return hertz * self.volume_per_pulse, Reason.OK


class KTable:
    """A meter whose K-factor depends on its pulse rate.

    ``points`` are pairs (pulse rate in Hz, K-factor in pulses/m³), as on a calibration sheet, with
    straight lines between them. Outside, the K-factor stays that of the nearer end, and there is a
    doubt: BELOW_TABLE or ABOVE_TABLE, but not at standstill. Raises ValueError, with the index of
    the offending point as second argument, unless the pulse rates rise from nought or more, and
    the K-factors are positive and finite.
    """

    __slots__ = ("_k_factor",)

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        for index, (hertz, k_factor) in enumerate(points):
            if not 0 <= hertz < math.inf:
                msg = f"a pulse rate of {hertz} Hz"
                raise ValueError(msg, index)
            _check("a K-factor", k_factor, index)
        self._k_factor = Curve(points)

    @property
    def constant(self) -> float | None:
        """See `AnyMeter.constant`."""
        return None

    def k_factor(self, hertz: float) -> float:
        """Return the K-factor in pulses/m³ at a pulse rate."""
        return self._k_factor.held(hertz)

    def pulse_volume(self, hertz: float) -> tuple[float, Reason]:
        """See `AnyMeter.pulse_volume`."""
        reason = self._k_factor.judge(hertz) if hertz > 0 else Reason.OK
        return 1 / self.k_factor(hertz), reason

    def flow(self, hertz: float) -> tuple[float, Reason]:
        """See `AnyMeter.flow`."""
        _, reason = self.pulse_volume(hertz)
        return hertz / self.k_factor(hertz), reason


class VolumeTotal:
    """The volume a meter has measured since the channel was first read, in m³.

    It never goes backwards, and a change of the meter's factor leaves standing what was measured
    with the old one. With a constant volume per pulse it is the volume at the last change plus the
    pulses since times the volume per pulse, so that no rounding piles up; with a `KTable` every
    step is added at that step's pulse rate.
    """

    def __init__(self, meter: AnyMeter) -> None:
        self._meter = meter
        self._at_base = Sum()
        self._base_pulses: int | None = None
        self._pulses = 0

    @property
    def volume(self) -> float:
        """The total by now, in m³."""
        constant = self._meter.constant
        if constant is None or self._base_pulses is None:
            return self._at_base.value
        return self._at_base.value + (self._pulses - self._base_pulses) * constant

    def take(self, pulses: int, hertz: float | None) -> tuple[float, Reason]:
        """Take a channel's count of pulses and its pulse rate; return the total and its doubt.

        The first count of all is where the total begins: at nought, whatever the count. A table
        needs the rate: while that is unknown (None), its total waits, and makes up for it at the
        next known rate. A count smaller than the one before is one that began anew, and adds
        nothing.
        """
        if self._base_pulses is None:
            self._base_pulses = self._pulses = pulses
        if pulses < self._pulses:
            self._rebase(self.volume, pulses)
        if self._meter.constant is not None:
            self._pulses = pulses
            return self.volume, Reason.OK
        if hertz is None or pulses == self._pulses:
            return self.volume, Reason.OK
        each, reason = self._meter.pulse_volume(hertz)
        self._at_base.add((pulses - self._pulses) * each)
        self._base_pulses = self._pulses = pulses
        return self.volume, reason

    def state(self) -> State:
        """Return what must survive a restart."""
        return {
            "volume": self._at_base.large,
            "rest": self._at_base.rest,
            "base_pulses": self._base_pulses,
            "pulses": self._pulses,
            "volume_per_pulse": self._meter.constant,
        }

    def restore(self, state: State) -> None:
        """Go on from the state of an earlier run, perhaps with another meter or factor.

        Pulses made while nobody counted are measured with the factor of now.
        """
        self._at_base = Sum(state["volume"], state["rest"])
        self._base_pulses, self._pulses = state["base_pulses"], state["pulses"]
        earlier = state["volume_per_pulse"]
        if earlier != self._meter.constant and self._base_pulses is not None:
            since = (self._pulses - self._base_pulses) * (earlier or 0.0)
            self._rebase(self._at_base.value + since, self._pulses)

    def restore_pulses(self, pulses: int) -> None:
        """Go on from a bare count of pulses, all of them measured with the factor of now."""
        self._base_pulses, self._pulses = 0, pulses
        if self._meter.constant is None:
            each, _ = self._meter.pulse_volume(0.0)
            self._rebase(pulses * each, pulses)

    def _rebase(self, volume: float, pulses: int) -> None:
        self._at_base = Sum(volume)
        self._base_pulses = self._pulses = pulses


def dial(total: float, reading: float, at_total: float) -> float:
    """Return what a register shows, in m³, when it showed ``reading`` at the total ``at_total``."""
    return reading + (total - at_total)


def _check(what: str, number: float, *place: int) -> None:
    if not 0 < number < math.inf:
        msg = f"{what} of {number}"
        raise ValueError(msg, *place)
