"""Corrections by hand measurements: what a person found at the well, spread over time.

At every visit the depth to water is taken by hand with a tape. Where the station says something
else, its transducer has drifted. How it did so between two visits nobody saw, so the drift is
shared out linearly in time, as USGS Techniques of Water-Resources Investigations 8-A3 (Freeman and
others, 2004, data processing) has it.

Nothing measured is ever changed: this only says what is to be added.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from edge.measure.curve import Curve


@dataclass(frozen=True, slots=True)
class Visit:
    """A hand measurement: its instant, and by how many metres it exceeds what the station said."""

    utc_ms: int
    correction: float


class Corrections:
    """What is to be added to a station's depths to water, by the visits made to it.

    Raises ValueError unless every visit comes after the one before it, with the index of the
    offending one as second argument.
    """

    __slots__ = ("_curve", "visits")

    def __init__(self, visits: Sequence[Visit]) -> None:
        for index, (before, visit) in enumerate(pairwise(visits), 1):
            if visit.utc_ms <= before.utc_ms:
                msg = "a visit that does not come after the one before it"
                raise ValueError(msg, index)
        self.visits = tuple(visits)
        self._curve = (
            Curve([(visit.utc_ms, visit.correction) for visit in visits])
            if len(visits) > 1
            else None
        )

    def at(self, utc_ms: int) -> float:
        """Return the correction at an instant, in m.

        Between two visits linear in time; before the first that of the first, after the last that
        of the last; without any visit nought.
        """
        if self._curve:
            return self._curve.held(utc_ms)
        return self.visits[0].correction if self.visits else 0.0
