"""What a tank holds, from the depth of what is in it.

All dimensions are inner ones, in m; volumes are in m³. A depth counts upwards from the lowest point
of the tank, which stands level. All shapes are exact: a closed formula each, none of them a fit.

The formulas for cylinders with their bottoms and ends are those of D. Jones, "Calculating Tank
Volume", which follow from integrating the area of the surface over the depth. Torispherical ends,
flanged and dished, have no closed formula in a tank that lies: take ends in the shape of half an
ellipsoid, the 2:1 form being an ``end_depth`` of a quarter of the diameter, or a strapping table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from edge.measure.curve import Curve
from edge.status import Reason

# A depth that is a rounding beside an end is at the end.
_ROUNDING = 1e-9


class Tank(Protocol):
    """A vessel whose contents follow from the depth."""

    @property
    def height(self) -> float:
        """The depth of a full tank, in m."""
        ...

    @property
    def capacity(self) -> float:
        """What a full tank holds, in m³."""
        ...

    def volume(self, depth: float) -> float:
        """Return what the tank holds up to a ``depth`` from 0 to the height, in m³."""
        ...

    def judge(self, depth: float) -> Reason:
        """Say whether a depth lies within the tank, and if not, beyond which end."""
        ...


@dataclass(frozen=True, slots=True)
class Contents:
    """What is in a tank and what it has room for (``ullage``), in m³; ``fraction`` is 1 if full."""

    volume: float
    ullage: float
    fraction: float
    reason: Reason


def measure(tank: Tank, depth: float) -> Contents:
    """Return the contents at any ``depth`` in m: outside, those at the nearer end, and a doubt."""
    volume = tank.volume(min(max(depth, 0.0), tank.height))
    capacity = tank.capacity
    return Contents(volume, capacity - volume, volume / capacity, tank.judge(depth))


class _Shape:
    __slots__ = ()

    @property
    def capacity(self: Tank) -> float:
        """What a full tank holds, in m³."""
        return self.volume(self.height)

    def judge(self: Tank, depth: float) -> Reason:
        """Say whether a depth lies within the tank, and if not, beyond which end."""
        rounding = _ROUNDING * self.height
        if depth < -rounding:
            return Reason.BELOW_TANK
        return Reason.ABOVE_TANK if depth > self.height + rounding else Reason.OK


@dataclass(frozen=True, slots=True)
class Cone:
    """A bottom that runs to a point ``depth`` below the side.

    Raises ValueError unless positive.
    """

    depth: float

    def __post_init__(self) -> None:
        _check_positive(depth=self.depth)

    def volume(self, radius: float, depth: float) -> float:
        """Return what a bottom of ``radius`` holds up to a ``depth`` within it: π (R h/a)² h/3."""
        return math.pi * (radius * depth / self.depth) ** 2 * depth / 3


@dataclass(frozen=True, slots=True)
class Dish:
    """A bottom in the shape of half an ellipsoid, ``depth`` below the side.

    Half the tank's diameter makes it a hemisphere, a quarter the 2:1 form. Raises ValueError unless
    positive.
    """

    depth: float

    def __post_init__(self) -> None:
        _check_positive(depth=self.depth)

    def volume(self, radius: float, depth: float) -> float:
        """Return what a bottom of ``radius`` holds up to a ``depth``: π (R h/a)² (a - h/3)."""
        return math.pi * (radius * depth / self.depth) ** 2 * (self.depth - depth / 3)


@dataclass(frozen=True, slots=True)
class UprightCylinder(_Shape):
    """A cylinder that stands. ``side_height`` is without the ``bottom``; None is a flat one.

    Raises ValueError for a dimension that is not positive.
    """

    diameter: float
    side_height: float
    bottom: Cone | Dish | None = None

    def __post_init__(self) -> None:
        _check_positive(diameter=self.diameter, side_height=self.side_height)

    @property
    def height(self) -> float:
        """The depth of a full tank, in m."""
        return self.side_height + (self.bottom.depth if self.bottom else 0.0)

    def volume(self, depth: float) -> float:
        """Return π R² times the depth above the bottom, and what the bottom holds."""
        radius = self.diameter / 2
        if self.bottom is None:
            return math.pi * radius**2 * depth
        within = min(depth, self.bottom.depth)
        return self.bottom.volume(radius, within) + math.pi * radius**2 * (depth - within)


@dataclass(frozen=True, slots=True)
class HorizontalCylinder(_Shape):
    """A cylinder that lies. ``length`` is without the ends.

    Each end is half an ellipsoid that stands out by ``end_depth``: 0 is flat, half the diameter a
    hemisphere, a quarter the 2:1 form. Raises ValueError for a diameter or length that is not
    positive, or a negative depth.
    """

    diameter: float
    length: float
    end_depth: float = 0.0

    def __post_init__(self) -> None:
        _check_positive(diameter=self.diameter, length=self.length)
        if self.end_depth:
            _check_positive(end_depth=self.end_depth)

    @property
    def height(self) -> float:
        """The depth of a full tank, in m."""
        return self.diameter

    def volume(self, depth: float) -> float:
        """Return L R² (θ - sin θ cos θ) + π a h² (1 - h/3R), θ being half the wetted angle."""
        radius = self.diameter / 2
        # The angle from both its sides, for its cosine alone says next to nothing near 0 and π.
        half_width = math.sqrt(depth * (self.diameter - depth))
        angle = math.atan2(half_width, radius - depth)
        segment = radius**2 * angle - (radius - depth) * half_width
        ends = math.pi * self.end_depth * depth**2 * (1 - depth / (3 * radius))
        return self.length * segment + ends


@dataclass(frozen=True, slots=True)
class Rectangular(_Shape):
    """A box. Raises ValueError for a dimension that is not positive."""

    length: float
    width: float
    height: float

    def __post_init__(self) -> None:
        _check_positive(length=self.length, width=self.width, height=self.height)

    def volume(self, depth: float) -> float:
        """Return length times width times depth."""
        return self.length * self.width * depth


@dataclass(frozen=True, slots=True)
class Sphere(_Shape):
    """A ball. Raises ValueError for a diameter that is not positive."""

    diameter: float

    def __post_init__(self) -> None:
        _check_positive(diameter=self.diameter)

    @property
    def height(self) -> float:
        """The depth of a full tank, in m."""
        return self.diameter

    def volume(self, depth: float) -> float:
        """Return the volume of a spherical cap: π h² (R - h/3)."""
        return math.pi * depth**2 * (self.diameter / 2 - depth / 3)


@dataclass(frozen=True, slots=True)
class StrappingTable:
    """A tank of any shape, by a table of volumes (m³) over depths (m), with straight lines between.

    The first volume may be more than nought: what lies below the first depth cannot be told.
    Outside the table the volume stays what it is at the nearer end. Raises ValueError when a volume
    does not lie above the one before it, or the first depth or volume is negative.
    """

    curve: Curve

    def __post_init__(self) -> None:
        if self.curve.direction != 1:
            msg = "volumes that do not rise with the depth throughout"
            raise ValueError(msg)
        if min(self.curve.points[0]) < 0:
            msg = f"a negative depth or volume: {self.curve.points[0]}"
            raise ValueError(msg)

    @property
    def height(self) -> float:
        """The last depth of the table, in m."""
        return self.curve.points[-1][0]

    @property
    def capacity(self) -> float:
        """The last volume of the table, in m³."""
        return self.curve.points[-1][1]

    def volume(self, depth: float) -> float:
        """Return the volume at a depth; outside the table, that of the nearer end."""
        return self.curve.held(depth)

    def judge(self, depth: float) -> Reason:
        """Say whether a depth lies within the table, and if not, beyond which end."""
        (lowest, _), (highest, _) = self.curve.points[0], self.curve.points[-1]
        rounding = _ROUNDING * highest
        if lowest - rounding <= depth <= highest + rounding:
            return Reason.OK
        return self.curve.judge(depth)


def _check_positive(**dimensions: float) -> None:
    for name, value in dimensions.items():
        if not 0 < value < math.inf:
            msg = f"{name.replace('_', ' ')} of {value}, which is not positive"
            raise ValueError(msg)
