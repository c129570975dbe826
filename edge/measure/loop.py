"""The 4-20 mA current loop.

The live zero: 4 mA means nought and 20 mA means full range, linearly (IEC 60381-1). What lies
outside says something about the loop instead of the process, and NAMUR NE 43 draws the lines:

    mA   0        3.6   3.8   4.0             20.0  20.5  21.0
         |--------|-----|-----|-----------------|-----|-----|---->
          failure  under  sat.      measuring      sat. over  failure

Below 3.6 mA a further line is drawn by common practice (no source): with less current than a
transmitter needs to run at all, the wire is broken or the supply gone.
"""

from __future__ import annotations

from dataclasses import dataclass

from edge.measure.line import Line
from edge.status import Quality, Reason

LIVE_ZERO = 0.004
FULL_SCALE = 0.020

_DEAD_LOOP = 0.0005

# (upper limit in amperes, exclusive; what a current below it means)
_BANDS_BELOW = (
    (_DEAD_LOOP, Reason.OPEN_LOOP),
    (0.0036, Reason.LOOP_FAILURE_LOW),
    (0.0038, Reason.UNDER_RANGE),
    (LIVE_ZERO, Reason.SATURATED_LOW),
)
# (lower limit in amperes, exclusive; what a current above it means)
_BANDS_ABOVE = (
    (0.0210, Reason.LOOP_FAILURE_HIGH),
    (0.0205, Reason.OVER_RANGE),
    (FULL_SCALE, Reason.SATURATED_HIGH),
)

# An ADC that shows 3.9999996 mA for 4 mA must not cast doubt on an empty tank: currents are judged
# to the nearest microampere, far finer than the bands.
_JUDGED_TO_DECIMALS = 6


def judge(amperes: float) -> Reason:
    """Say what a loop current means by NAMUR NE 43. ``amperes`` is any number."""
    judged = round(amperes, _JUDGED_TO_DECIMALS)
    for limit, reason in _BANDS_BELOW:
        if judged < limit:
            return reason
    for limit, reason in _BANDS_ABOVE:
        if judged > limit:
            return reason
    return Reason.OK


@dataclass(frozen=True, slots=True)
class LoopScale:
    """From the number a module sends to the value a transmitter means.

    ``signal`` maps raw numbers to amperes, or, with ``shunt`` (ohms) given, to volts across it.
    ``span`` maps 4 mA and 20 mA to the two ends of the transmitter's range.
    """

    signal: Line
    span: Line
    shunt: float | None = None

    @classmethod
    def spanning(
        cls, signal: Line, low: float, high: float, shunt: float | None = None
    ) -> LoopScale:
        """Build the scale of a transmitter that sends ``low`` at 4 mA and ``high`` at 20 mA."""
        return cls(signal, Line(LIVE_ZERO, FULL_SCALE, low, high), shunt)

    def amperes(self, raw: float) -> float:
        """Return the loop current behind a raw number, by Ohm's law where there is a shunt."""
        signal = self.signal.at(raw)
        return signal if self.shunt is None else signal / self.shunt

    def value(self, raw: float) -> tuple[float | None, Reason]:
        """Return the value in the range's unit, None where the loop carries none, and why."""
        current = self.amperes(raw)
        reason = judge(current)
        if reason.quality is Quality.BAD:
            return None, reason
        return self.span.at(current), reason
