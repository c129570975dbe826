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

from edge.measure.curve import Curve
from edge.measure.line import Line
from edge.measure.root import square_root
from edge.status import Quality, Reason, worst

LIVE_ZERO = 0.004
FULL_SCALE = 0.020

_DEAD_LOOP = 0.0005

# An ADC that shows 3.9999996 mA for 4 mA must not cast doubt on an empty tank: currents are judged
# to the nearest microampere, far finer than the bands.
_JUDGED_TO_DECIMALS = 6


@dataclass(frozen=True, slots=True)
class LoopLimits:
    """Where measuring ends and where failure begins, in amperes; by default as NE 43 has it.

    Raises ValueError unless the limits enclose 4 to 20 mA, each in its place.
    """

    failure_low: float = 0.0036
    measuring_low: float = 0.0038
    measuring_high: float = 0.0205
    failure_high: float = 0.0210

    def __post_init__(self) -> None:
        inwards = (_DEAD_LOOP, self.failure_low, self.measuring_low, LIVE_ZERO)
        outwards = (FULL_SCALE, self.measuring_high, self.failure_high)
        if sorted(inwards) != list(inwards) or sorted(outwards) != list(outwards):
            msg = f"limits that do not enclose 4 to 20 mA in order: {self}"
            raise ValueError(msg)

    def judge(self, amperes: float) -> Reason:
        """Say what a loop current means. ``amperes`` is any number."""
        judged = round(amperes, _JUDGED_TO_DECIMALS)
        for limit, reason in (
            (_DEAD_LOOP, Reason.OPEN_LOOP),
            (self.failure_low, Reason.LOOP_FAILURE_LOW),
            (self.measuring_low, Reason.UNDER_RANGE),
            (LIVE_ZERO, Reason.SATURATED_LOW),
        ):
            if judged < limit:
                return reason
        for limit, reason in (
            (self.failure_high, Reason.LOOP_FAILURE_HIGH),
            (self.measuring_high, Reason.OVER_RANGE),
            (FULL_SCALE, Reason.SATURATED_HIGH),
        ):
            if judged > limit:
                return reason
        return Reason.OK


NE43 = LoopLimits()


@dataclass(frozen=True, slots=True)
class LoopScale:
    """From the number a module sends to the value a transmitter means.

    ``signal`` maps raw numbers to amperes, or, with ``shunt`` (ohms) given, to volts across it;
    ``gain`` and ``offset`` (amperes or volts) are the module's own error, found on the bench: true
    signal = gain · indicated signal + offset.

    ``span`` maps amperes to the transmitter's range: a line for 4 and 20 mA, or a curve through the
    points of a calibration. Beyond the points the outermost lines go on, and the status says so.

    ``root_cutoff`` makes it the range of a flow by differential pressure whose transmitter does not
    extract the root itself (see `edge.measure.root`): a share of the span, 0 for no cutoff.
    """

    signal: Line
    span: Line | Curve
    shunt: float | None = None
    gain: float = 1.0
    offset: float = 0.0
    limits: LoopLimits = NE43
    root_cutoff: float | None = None

    @classmethod
    def spanning(
        cls, signal: Line, low: float, high: float, shunt: float | None = None
    ) -> LoopScale:
        """Build the scale of a transmitter that sends ``low`` at 4 mA and ``high`` at 20 mA."""
        return cls(signal, Line(LIVE_ZERO, FULL_SCALE, low, high), shunt)

    def amperes(self, raw: float) -> float:
        """Return the loop current behind a raw number, by Ohm's law where there is a shunt."""
        signal = self.gain * self.signal.at(raw) + self.offset
        return signal if self.shunt is None else signal / self.shunt

    def value(self, raw: float) -> tuple[float | None, Reason]:
        """Return the value in the range's unit, None where the loop carries none, and why."""
        current = self.amperes(raw)
        reason = self.limits.judge(current)
        if reason.quality is Quality.BAD:
            return None, reason
        number, doubt = self.meaning(current)
        return number, worst(reason, doubt)

    def meaning(self, current: float) -> tuple[float, Reason]:
        """Return what a current in A means, whatever its status, and whether the span covers it."""
        if isinstance(self.span, Curve):
            # Like the bands, the ends of a calibration are not blurred by the last bits of an ADC.
            judged = self.span.judge(round(current, _JUDGED_TO_DECIMALS))
            return self.span.at(current), judged
        if self.root_cutoff is not None:
            low, high = self.span.y0, self.span.y1
            share = (current - LIVE_ZERO) / (FULL_SCALE - LIVE_ZERO)
            return low + square_root(share, self.root_cutoff) * (high - low), Reason.OK
        return self.span.at(current), Reason.OK

    def raw(self, amperes: float) -> float:
        """Return the raw number the module sends for a loop current: the way back."""
        signal = amperes if self.shunt is None else amperes * self.shunt
        return self.signal.inverse().at((signal - self.offset) / self.gain)

    def current(self, value: float) -> float:
        """Return the loop current in amperes by which the transmitter says ``value``.

        Raises ValueError where a calibration curve has more than one, or none.
        """
        if self.root_cutoff is not None and isinstance(self.span, Line):
            share = (value - self.span.y0) / (self.span.y1 - self.span.y0)
            return LIVE_ZERO + max(share, 0.0) ** 2 * (FULL_SCALE - LIVE_ZERO)
        return self.span.inverse().at(value)
