"""The resistance of copper wire, for the voltage a loop loses on the way.

American wire gauge (ASTM B258, section 4): the diameter falls by the same factor from each gauge to
the next, 0.46 in at 4/0 and 0.005 in at 36, so that d = 0.005 in · 92^((36 - n)/39).

Annealed copper (IEC 60028; NBS Handbook 100, "standard annealed copper"): 1/58 Ω·mm²/m at 20 °C,
and 0.00393 of that more for every °C.
"""

from __future__ import annotations

import math

from edge.units import UNITS

AWG = range(4, 31)
"""Gauges of wire, from a battery's to a loop's."""

_RESISTIVITY = 1e-6 / 58
_TEMPERATURE_COEFFICIENT = 0.00393
_REFERENCE = 20.0
_INCH = UNITS["in"].factor

_COLDEST, _HOTTEST = -50.0, 100.0


def wire_diameter(gauge: int) -> float:
    """Return the diameter in m of a solid wire. Raises ValueError for a gauge outside `AWG`."""
    if gauge not in AWG:
        msg = f"gauge {gauge}, outside {AWG[0]} to {AWG[-1]} AWG"
        raise ValueError(msg)
    return 0.005 * _INCH * math.pow(92, (36 - gauge) / 39)


def copper_resistance(gauge: int, length: float, temperature: float) -> float:
    """Return the resistance in ohms of one solid copper conductor.

    ``length`` in m, that of the one conductor: a loop has two. ``temperature`` of the wire in °C.
    A stranded conductor has 2 to 4 % more, since its strands are twisted.

    Raises ValueError for a gauge outside `AWG`, a length below nought, and temperatures outside -50
    to 100 °C, where copper departs from the straight line.
    """
    if not 0 <= length < math.inf:
        msg = f"a wire {length:g} m long"
        raise ValueError(msg)
    if not _COLDEST <= temperature <= _HOTTEST:
        msg = f"a wire at {temperature:g} degC, outside {_COLDEST:g} to {_HOTTEST:g} degC"
        raise ValueError(msg)
    area = math.pi / 4 * wire_diameter(gauge) ** 2
    warmth = 1 + _TEMPERATURE_COEFFICIENT * (temperature - _REFERENCE)
    return _RESISTIVITY * length / area * warmth
