"""Thin-plate weirs: a sharp-edged plate across a channel, and the head of water over its edge.

Theory of operation. Water that falls freely over a sharp edge, air beneath it, flows at a rate that
depends on the head upstream and on the opening alone. Torricelli's law, integrated over the
opening, gives the form of the formula; a coefficient found by experiment gives what is lost to the
narrowing of the jet. Kindsvater and his co-workers found that surface tension and viscosity act as
if the head were larger by kh and the crest longer by kb, lengths of a millimetre or so; with these
added, the coefficient Ce depends on the proportions of the weir only:

    V-notch        Q = 8/15 √(2g) Ce tan(θ/2) (h + kh)^(5/2)
    rectangular    Q = 2/3  √(2g) Ce (b + kb) (h + kh)^(3/2)

h is the head over the bottom of the notch or over the crest, measured at least four times the
greatest head upstream of the plate. All of it holds for free fall only: the water below the weir
stands lower than the crest.

Sources:
- USBR: Bureau of Reclamation, Water Measurement Manual, 3rd ed. (revised reprint 2001), chapter 7.
- ISO 1438 (thin-plate weirs), Kindsvater-Carter and Kindsvater-Shen formulas.
- Bos, Discharge Measurement Structures, 3rd ed. (1989), sections 5.1 to 5.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from edge.measure.curve import Curve
from edge.measure.primary import rated
from edge.measure.water import STANDARD_GRAVITY
from edge.status import Reason
from edge.units import UNITS

_FOOT = UNITS["ft"].factor
_CFS = UNITS["cfs"].factor

# Standard gravity: from pole to equator the flow differs from this by 0.1 % at most.
_ROOT_2G = math.sqrt(2 * STANDARD_GRAVITY)


@dataclass(frozen=True, slots=True)
class VNotch:
    """A triangular notch, fully contracted, by Kindsvater and Shen.

    ``angle`` is the whole angle of the notch in radians, 20 to 100 degrees. Ce and kh are the
    customary polynomials in the angle θ in degrees for the curves of USBR, figure 7-6 (kh in feet):

        Ce = 0.607165052 - 0.000874466963 θ + 6.10393334e-6 θ²
        kh = 0.0144902648 - 0.00033955535 θ + 3.29819003e-6 θ² - 1.06215442e-8 θ³

    At 90 degrees they give 0.5779 and 0.88 mm, where ISO 1438 has 0.578 and 0.85 mm.

    Valid for heads of 0.2 to 1.25 ft (USBR, section 7 of the chapter). The notch is fully
    contracted as long as the head is at most 0.4 of ``notch_height``, the height of its bottom over
    the floor of the approach channel, and 0.2 of ``approach_width``, the width of that channel
    (Bos, section 5.2); both in m, and not judged where not given.

    Raises ValueError for another angle, and where the channel leaves no valid head.
    """

    angle: float
    notch_height: float | None = None
    approach_width: float | None = None

    def __post_init__(self) -> None:
        # An angle that was degrees once may lie off the limit by its last bits.
        if not 20 <= round(math.degrees(self.angle), 9) <= 100:
            msg = f"a notch of {math.degrees(self.angle):g} degrees, outside 20 to 100"
            raise ValueError(msg)
        least, greatest = self.head_range
        if greatest <= least:
            msg = f"a channel that leaves heads of {least:g} to {greatest:g} m: none"
            raise ValueError(msg)

    @property
    def head_range(self) -> tuple[float, float]:
        """Least and greatest valid head in m."""
        limits = [1.25 * _FOOT]
        if self.notch_height is not None:
            limits.append(0.4 * self.notch_height)
        if self.approach_width is not None:
            limits.append(0.2 * self.approach_width)
        return 0.2 * _FOOT, min(limits)

    @property
    def coefficient(self) -> float:
        """The coefficient of discharge Ce, a plain number."""
        degrees = math.degrees(self.angle)
        return 0.607165052 - 0.000874466963 * degrees + 6.10393334e-6 * degrees**2

    @property
    def head_correction(self) -> float:
        """The length kh that is added to the head, in m."""
        degrees = math.degrees(self.angle)
        in_feet = (
            0.0144902648
            - 0.00033955535 * degrees
            + 3.29819003e-6 * degrees**2
            - 1.06215442e-8 * degrees**3
        )
        return in_feet * _FOOT

    def flow(self, head: float) -> tuple[float, Reason]:
        """Return the flow in m³/s at a head in m over the bottom of the notch."""
        return rated(head, self.head_range, self._discharge)

    def _discharge(self, head: float) -> float:
        effective = head + self.head_correction
        area = math.tan(self.angle / 2) * effective**2
        return 8 / 15 * _ROOT_2G * self.coefficient * area * math.sqrt(effective)


# Kindsvater-Carter, by the share b/B that the crest takes of the channel's width: ISO 1438 and Bos,
# table 5.1 (Ce = a + b h/p) and figure 5.3 (kb in m). USBR, table 7-1, is the same in feet. In the
# figure kb bends sharply between 0.8 and 1; a straight line is off by some 2 mm there, on a crest
# that is then 0.8 m or more.
_STATIC = Curve(
    [
        (0.0, 0.587),
        (0.2, 0.589),
        (0.4, 0.591),
        (0.5, 0.592),
        (0.6, 0.593),
        (0.7, 0.595),
        (0.8, 0.597),
        (0.9, 0.599),
        (1.0, 0.602),
    ]
)
_WITH_HEAD = Curve(
    [
        (0.0, -0.0023),
        (0.2, -0.0018),
        (0.4, 0.0058),
        (0.5, 0.011),
        (0.6, 0.018),
        (0.7, 0.030),
        (0.8, 0.045),
        (0.9, 0.064),
        (1.0, 0.075),
    ]
)
_WIDTH_CORRECTION = Curve(
    [(0.0, 0.0024), (0.2, 0.0024), (0.4, 0.0027), (0.6, 0.0036), (0.8, 0.0042), (1.0, -0.0009)]
)
_HEAD_CORRECTION = 0.001

_LEAST_HEAD = 0.03
_GREATEST_HEAD_TO_CREST = 2.0
_LEAST_WIDTH = 0.15
_LEAST_CREST = 0.10
_LEAST_SIDE = 0.10


def _kindsvater_carter(
    head: float, width: float, crest_height: float, approach_width: float
) -> float:
    share = width / approach_width
    coefficient = _STATIC.at(share) + _WITH_HEAD.at(share) * head / crest_height
    effective_width = width + _WIDTH_CORRECTION.at(share)
    effective_head = head + _HEAD_CORRECTION
    area = effective_width * effective_head
    return 2 / 3 * _ROOT_2G * coefficient * area * math.sqrt(effective_head)


def _check_crest(width: float, crest_height: float) -> None:
    if not width >= _LEAST_WIDTH:
        msg = f"a crest {width:g} m long, shorter than {_LEAST_WIDTH:g} m"
        raise ValueError(msg)
    if not crest_height >= _LEAST_CREST:
        msg = f"a crest {crest_height:g} m over the floor, less than {_LEAST_CREST:g} m"
        raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class RectangularSuppressed:
    """A crest across the whole width of a channel of rectangular section, by Kindsvater and Carter.

    ``width`` and ``crest_height`` (over the floor of the approach channel) in m; kb is -0.9 mm, kh
    1 mm, Ce = 0.602 + 0.075 h/p. The air beneath the falling water must have a way in.

    Valid for heads from 0.03 m to twice the crest's height, crests of 0.15 m and longer, 0.1 m and
    higher (Bos, section 5.1). Raises ValueError for lesser ones.
    """

    width: float
    crest_height: float

    def __post_init__(self) -> None:
        _check_crest(self.width, self.crest_height)

    @property
    def head_range(self) -> tuple[float, float]:
        """Least and greatest valid head in m."""
        return _LEAST_HEAD, _GREATEST_HEAD_TO_CREST * self.crest_height

    def flow(self, head: float) -> tuple[float, Reason]:
        """Return the flow in m³/s at a head in m over the crest."""
        return rated(head, self.head_range, self._discharge)

    def _discharge(self, head: float) -> float:
        return _kindsvater_carter(head, self.width, self.crest_height, self.width)


@dataclass(frozen=True, slots=True)
class RectangularContracted:
    """A rectangular notch in the middle of a wider channel, by Kindsvater and Carter.

    ``width`` of the notch, ``crest_height`` over the floor of the approach channel and
    ``approach_width`` of that channel in m. Ce and kb by width / approach_width, straight lines
    between the points of the tables; kh is 1 mm.

    Valid for heads from 0.03 m to twice the crest's height, crests of 0.15 m and longer, 0.1 m and
    higher, with 0.1 m or more of plate at either side (Bos, section 5.1). Raises ValueError for
    lesser ones.
    """

    width: float
    crest_height: float
    approach_width: float

    def __post_init__(self) -> None:
        _check_crest(self.width, self.crest_height)
        side = (self.approach_width - self.width) / 2
        if not round(side, 9) >= _LEAST_SIDE:
            msg = f"{side:g} m of plate at either side, less than {_LEAST_SIDE:g} m"
            raise ValueError(msg)

    @property
    def head_range(self) -> tuple[float, float]:
        """Least and greatest valid head in m."""
        return _LEAST_HEAD, _GREATEST_HEAD_TO_CREST * self.crest_height

    def flow(self, head: float) -> tuple[float, Reason]:
        """Return the flow in m³/s at a head in m over the crest."""
        return rated(head, self.head_range, self._discharge)

    def _discharge(self, head: float) -> float:
        return _kindsvater_carter(head, self.width, self.crest_height, self.approach_width)


@dataclass(frozen=True, slots=True)
class Cipolletti:
    """A trapezoidal notch whose sides lean outwards by 1 in 4, fully contracted.

    ``width`` is that of the crest, the bottom of the notch, in m. The lean makes up for the
    narrowing at the sides, so that Q = 3.367 L h^(3/2) in ft³/s and feet, within 5 %.

    Valid for heads from 0.2 ft to a third of the crest (USBR, section 12 of the chapter). Raises
    ValueError for a crest so short that no head is left.
    """

    width: float

    def __post_init__(self) -> None:
        least, greatest = self.head_range
        if not greatest > least:
            msg = f"a crest {self.width:g} m long, where {3 * least:g} m are too short"
            raise ValueError(msg)

    @property
    def head_range(self) -> tuple[float, float]:
        """Least and greatest valid head in m."""
        return 0.2 * _FOOT, self.width / 3

    def flow(self, head: float) -> tuple[float, Reason]:
        """Return the flow in m³/s at a head in m over the crest."""
        return rated(head, self.head_range, self._discharge)

    def _discharge(self, head: float) -> float:
        return 3.367 * (self.width / _FOOT) * math.pow(head / _FOOT, 1.5) * _CFS
