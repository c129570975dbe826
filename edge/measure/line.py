"""A straight line through two points: the only scaling most instruments need."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    """Maps ``x0`` to ``y0`` and ``x1`` to ``y1``, and everything else in proportion.

    Raises ValueError when ``x0`` equals ``x1``.
    """

    x0: float
    x1: float
    y0: float
    y1: float

    def __post_init__(self) -> None:
        if self.x0 == self.x1:
            msg = f"both points of the line have x = {self.x0}"
            raise ValueError(msg)

    def at(self, x: float) -> float:
        """Return y at ``x``; exact at both given points."""
        # Interpolating from the nearer end keeps both end points free of rounding.
        share = (x - self.x0) / (self.x1 - self.x0)
        if abs(share) <= 0.5:
            return self.y0 + share * (self.y1 - self.y0)
        return self.y1 - (1 - share) * (self.y1 - self.y0)

    def inverse(self) -> Line:
        """Return the line that maps y back to x. Raises ValueError for a level line."""
        return Line(self.y0, self.y1, self.x0, self.x1)
