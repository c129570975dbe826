"""Parshall flumes: a throat in the channel, and the head of water where it begins to narrow.

Free flow only: the water below the throat stands so low that it cannot hold back the water above.
That is so as long as its head over the flume's floor is less than a share of the head upstream: 0.5
for throats of 1 to 3 in, 0.6 for 6 and 9 in, 0.7 for 1 to 8 ft. Beyond that the flume passes less
than computed here, and one level cannot tell.

Sources: Bureau of Reclamation, Water Measurement Manual, 3rd ed. (revised reprint 2001), chapter 8,
section 10, for the equations in ft³/s and feet; Bos, Discharge Measurement Structures, 3rd ed.
(1989), table 7.4, for the same in metres and the ranges of head.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from edge.measure.primary import rated
from edge.status import Reason
from edge.units import UNITS

_FOOT = UNITS["ft"].factor
_CFS = UNITS["cfs"].factor


@dataclass(frozen=True, slots=True)
class _Rating:
    """Q = coefficient · Ha^exponent in ft³/s and feet, for heads of least to greatest m."""

    coefficient: float
    exponent: float
    least: float
    greatest: float


def _of_feet(width: float, least: float) -> _Rating:
    """Return the rating of a throat of 1 to 8 ft: Q = 4 W Ha^(1.522 W^0.026)."""
    return _Rating(4 * width, 1.522 * width**0.026, least, 0.76)


_RATINGS = {
    "1 in": _Rating(0.338, 1.55, 0.015, 0.21),
    "2 in": _Rating(0.676, 1.55, 0.015, 0.24),
    "3 in": _Rating(0.992, 1.547, 0.03, 0.33),
    "6 in": _Rating(2.06, 1.58, 0.03, 0.45),
    "9 in": _Rating(3.07, 1.53, 0.03, 0.61),
    "1 ft": _of_feet(1, 0.03),
    "1.5 ft": _of_feet(1.5, 0.03),
    "2 ft": _of_feet(2, 0.046),
    "3 ft": _of_feet(3, 0.046),
    "4 ft": _of_feet(4, 0.06),
    "5 ft": _of_feet(5, 0.06),
    "6 ft": _of_feet(6, 0.076),
    "7 ft": _of_feet(7, 0.076),
    "8 ft": _of_feet(8, 0.076),
}


def _metres(size: str) -> float:
    number, symbol = size.split()
    return UNITS[symbol].to_base(float(number))


SIZES: dict[str, float] = {size: _metres(size) for size in _RATINGS}
"""The sizes known: what the trade calls each, and the width of its throat in m."""

# A throat written in metric is rounded to the millimetre: 152 mm for 6 in.
_SAME_THROAT = 0.0005


def _size_of(throat: float) -> str:
    for size, width in SIZES.items():
        if math.isclose(throat, width, rel_tol=0, abs_tol=_SAME_THROAT):
            return size
    msg = f"a throat of {throat:g} m, where the sizes known are {', '.join(SIZES)}"
    raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class ParshallFlume:
    """A Parshall flume of a standard size in free flow.

    ``throat`` is the width of its throat in m, to the millimetre that of a size in `SIZES`: each
    size is calibrated by itself. Raises ValueError for another width, naming those known.
    """

    throat: float

    def __post_init__(self) -> None:
        _size_of(self.throat)

    @property
    def size(self) -> str:
        """What the trade calls the size, such as ``"9 in"``."""
        return _size_of(self.throat)

    @property
    def head_range(self) -> tuple[float, float]:
        """Least and greatest valid head in m."""
        rating = _RATINGS[self.size]
        return rating.least, rating.greatest

    def flow(self, head: float) -> tuple[float, Reason]:
        """Return the flow in m³/s at a head Ha in m over the floor of the converging part.

        Ha is taken two thirds of the way back along the converging wall from the throat.
        """
        return rated(head, self.head_range, self._discharge)

    def _discharge(self, head: float) -> float:
        rating = _RATINGS[self.size]
        return rating.coefficient * math.pow(head / _FOOT, rating.exponent) * _CFS
