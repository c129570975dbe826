"""What a weir and a flume have in common: water whose depth at one place tells its flow."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from edge.status import Reason

# A level less a zero is seldom exact in its last bits: heads are judged to the nearest micrometre.
_JUDGED_TO_DECIMALS = 6


class Primary(Protocol):
    """A primary measuring device in an open channel: a weir or a flume."""

    @property
    def head_range(self) -> tuple[float, float]:
        """Least and greatest head in m that the formula is valid for."""
        ...

    def flow(self, head: float) -> tuple[float, Reason]:
        """Return the flow in m³/s at a head in m, and whether the formula is valid there."""
        ...


def rated(
    head: float, head_range: tuple[float, float], discharge: Callable[[float], float]
) -> tuple[float, Reason]:
    """Return ``discharge(head)`` in m³/s and what is to be said of a head in m.

    No head is no flow, and a sound measurement of it: the water stands below the crest. Outside
    ``head_range`` the formula's value is the best there is, and the reason casts the doubt.
    """
    if head <= 0:
        return 0.0, Reason.OK
    least, greatest = head_range
    judged = round(head, _JUDGED_TO_DECIMALS)
    if judged < round(least, _JUDGED_TO_DECIMALS):
        return discharge(head), Reason.HEAD_TOO_LOW
    if judged > round(greatest, _JUDGED_TO_DECIMALS):
        return discharge(head), Reason.HEAD_TOO_HIGH
    return discharge(head), Reason.OK
