"""A line through many points: calibrations, K-factor tables, strapping tables."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise

from edge.measure.line import Line
from edge.status import Reason


class Curve:
    """Straight lines between points, in the order of their x.

    ``points`` are pairs (x, y), two or more. Raises ValueError when an x does not lie above the one
    before it, with the index of the offending point as second argument.
    """

    __slots__ = ("_lines", "_xs", "points")

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        for index, ((x0, _), (x1, _)) in enumerate(pairwise(points), 1):
            if x1 <= x0:
                msg = f"x = {x1} does not lie above {x0}"
                raise ValueError(msg, index)
        if len(points) < 2:
            msg = f"{len(points)} points, where two are the least"
            raise ValueError(msg, 0)
        self.points = tuple(points)
        self._xs = [x for x, _ in points[1:-1]]
        self._lines = [Line(x0, x1, y0, y1) for (x0, y0), (x1, y1) in pairwise(points)]

    def at(self, x: float) -> float:
        """Return y at ``x``, exact at every point; outside, the outermost lines go on."""
        return self._lines[bisect_right(self._xs, x)].at(x)

    def held(self, x: float) -> float:
        """Return y at ``x``; outside, y stays what it is at the nearer end."""
        (first, _), (last, _) = self.points[0], self.points[-1]
        return self.at(min(max(x, first), last))

    def judge(self, x: float) -> Reason:
        """Say whether ``x`` lies within the points, and if not, beyond which end."""
        if x < self.points[0][0]:
            return Reason.BELOW_TABLE
        return Reason.ABOVE_TABLE if x > self.points[-1][0] else Reason.OK

    @property
    def direction(self) -> int:
        """1 when y rises from every point to the next, -1 when it falls, 0 for anything else."""
        rises = [y1 > y0 for (_, y0), (_, y1) in pairwise(self.points)]
        falls = [y1 < y0 for (_, y0), (_, y1) in pairwise(self.points)]
        return 1 if all(rises) else -1 if all(falls) else 0

    def inverse(self) -> Curve:
        """Return the curve from y to x. Raises ValueError unless y rises or falls throughout."""
        if not self.direction:
            msg = "y neither rises nor falls throughout"
            raise ValueError(msg, 0)
        return Curve([(y, x) for x, y in self.points][:: self.direction])
