"""Whether a two-wire transmitter has enough voltage left to drive its loop to full scale.

    supply ──► barrier ──► wire ──► transmitter ──► wire ──► shunt ──► back
     U      -  Ub, Rb   -   Rw/2  -      Ut       -  Rw/2  -   Rs   =  0

The transmitter sets the current; all else in the loop takes voltage in proportion to it, and the
transmitter keeps what is left: Ut = U - Ub - I (Rs + Rw + Rb). Below its least voltage, the lift-
off voltage, it can no longer raise the current, and from there on the reading stands still at a
believable value: flat. The more so in the night, when a battery is low (Kirchhoff's voltage law).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields

from edge.measure.loop import FULL_SCALE, LIVE_ZERO, NE43

# Voltages are compared to the nearest microvolt, so that a budget that just balances does.
_JUDGED_TO_DECIMALS = 6


@dataclass(frozen=True, slots=True)
class LoopSupply:
    """What is in a loop.

    ``supply`` is the voltage in V at its lowest, ``least_voltage`` in V what the transmitter needs
    at its own terminals. Ohms: ``shunt`` that the current is measured across, ``wire`` of both
    conductors together. ``further_volts`` and ``further_ohms`` are what else lies in the loop, such
    as a safety barrier, a diode, or an indicator.

    Raises ValueError for a number below nought, or none.
    """

    supply: float
    least_voltage: float
    shunt: float
    wire: float = 0.0
    further_volts: float = 0.0
    further_ohms: float = 0.0

    def __post_init__(self) -> None:
        for field in fields(self):
            number = getattr(self, field.name)
            if not 0 <= number < math.inf:
                msg = f"{field.name} = {number}, where nought is the least"
                raise ValueError(msg)

    @property
    def ohms(self) -> float:
        """All resistance in the loop, less the transmitter's own."""
        return self.shunt + self.wire + self.further_ohms

    def volts_left(self, current: float) -> float:
        """Return the voltage in V left for the transmitter at a current in A."""
        return self.supply - self.further_volts - current * self.ohms

    def volts_short(self, current: float) -> float:
        """Return the voltage in V it is short of at a current in A; nought when it has enough."""
        short = round(self.least_voltage - self.volts_left(current), _JUDGED_TO_DECIMALS)
        return max(short, 0.0)


@dataclass(frozen=True, slots=True)
class LoopBudget:
    """What comes of it; see `budget`.

    ``greatest_current`` in A that the transmitter can drive: infinity where there is no resistance,
    nought where it does not even start. ``volts_at_full_scale`` in V are at its terminals at 20 mA,
    possibly fewer than it needs; ``volts_short`` are those missing then, ``volts_short_at_alarm``
    those missing at 21 mA, by which it would signal a failure (NAMUR NE 43). ``least_supply`` in V
    would do for 20 mA, all else being the same, as would a shunt of at most ``greatest_shunt`` ohms
    (None: none would, not even a piece of wire).
    """

    greatest_current: float
    volts_at_full_scale: float
    volts_short: float
    volts_short_at_alarm: float
    least_supply: float
    greatest_shunt: float | None

    @property
    def lives(self) -> bool:
        """Whether the transmitter can carry 4 mA, the bottom of its range."""
        return self.greatest_current >= LIVE_ZERO

    @property
    def reaches_full_scale(self) -> bool:
        """Whether it can carry 20 mA."""
        return self.volts_short == 0

    @property
    def reaches_alarm(self) -> bool:
        """Whether it can carry 21 mA."""
        return self.volts_short_at_alarm == 0


def budget(loop: LoopSupply) -> LoopBudget:
    """Reckon up the voltages of a loop."""
    spare = loop.supply - loop.further_volts - loop.least_voltage
    shunt = round(spare / FULL_SCALE - loop.wire - loop.further_ohms, _JUDGED_TO_DECIMALS)
    return LoopBudget(
        greatest_current=_greatest_current(spare, loop.ohms),
        volts_at_full_scale=loop.volts_left(FULL_SCALE),
        volts_short=loop.volts_short(FULL_SCALE),
        volts_short_at_alarm=loop.volts_short(NE43.failure_high),
        least_supply=loop.least_voltage + loop.further_volts + FULL_SCALE * loop.ohms,
        greatest_shunt=shunt if shunt >= 0 else None,
    )


def _greatest_current(spare: float, ohms: float) -> float:
    if spare < 0:
        return 0.0
    return spare / ohms if ohms else math.inf


def flat_at(budget: LoopBudget, span: Callable[[float], float]) -> float | None:
    """Return the value at which the reading would go flat.

    ``span`` maps a current in A to the transmitter's range, such as the ``at`` of a line. None
    where nothing goes flat: the loop reaches full scale, or it does not live in the first place.
    """
    if budget.reaches_full_scale or not budget.lives:
        return None
    return span(budget.greatest_current)
