"""How large a battery must be, by the method of IEEE 1013.

Theory of operation. What is drawn in a day, times the days to live without sun, is the charge that
must be there. It is divided by how far the battery may be discharged, and by the share of its
capacity that is left when it is old. A day's charge by itself must not go deeper than a day's
discharge may: that is what wears out a battery that is cycled every night. The cold takes its
share, a margin is added, and the result holds at the rate at which it would be drawn; where that is
faster than in 20 hours, Peukert's law says how much more the rated capacity must be.

The method takes the larger of what the depth asks for and what age asks for: at the end of its life
the battery may be emptied to the last. Here both apply at once, so that an old battery too is not
discharged further than the limit. ``depth_when_old=False`` is the method as it stands.

Sources: IEEE 1013 (sizing lead-acid batteries for stand-alone photovoltaic systems), its order of
steps from memory; Sandia National Laboratories, SAND87-7023, worksheets 1 and 3
(looked up in a reprint, worksheet 3 from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from edge.energy.battery import RATED_HOURS
from edge.energy.steps import Step


@dataclass(frozen=True, slots=True)
class Draw:
    """A load: ``amperes`` from the battery for ``hours`` of a day.

    A momentary one, such as a relay that pulls in, counts for the greatest current, and hardly for
    the charge.
    """

    name: str
    amperes: float
    hours: float = 24.0
    momentary: bool = False

    @property
    def daily_ah(self) -> float:
        """Charge drawn in a day, in Ah."""
        return self.amperes * self.hours


def from_watts(
    name: str, watts: float, hours: float, battery_v: float, efficiency: float = 1.0
) -> Draw:
    """Return the draw of a load of ``watts`` behind a converter of ``efficiency``."""
    return Draw(name, watts / efficiency / battery_v, hours)


@dataclass(frozen=True, slots=True)
class Capacity:
    """A battery's capacity and how it came about. Charges in Ah, currents in A, times in h."""

    daily_ah: float
    days: float
    stored_ah: float
    """Drawn in all those days; nothing is allowed for yet."""
    for_depth: float
    """Capacity so that the depth of discharge is kept ..."""
    for_daily_depth: float
    """... so that a day does not discharge it further than a day may ..."""
    for_age: float
    """... and so that an old battery has the charge."""
    largest: float
    temperature_factor: float
    margin: float
    adjusted: float
    running_amperes: float
    """All loads together, but for the momentary."""
    most_amperes: float
    functional_hours: float
    """How long the adjusted capacity lasts at the running current: the rate it must be rated at."""
    rate_factor: float
    rated_ah: float
    """Capacity to buy: at the 20-hour rate and 25 °C, new."""

    def steps(self) -> tuple[Step, ...]:
        """Return the calculation, in order."""
        return (
            Step("drawn in a day", self.daily_ah, "Ah"),
            Step("days without sun", self.days, "d"),
            Step("drawn in those days", self.stored_ah, "Ah"),
            Step("capacity for the depth of discharge", self.for_depth, "Ah"),
            Step("capacity for the depth of a day", self.for_daily_depth, "Ah"),
            Step("capacity for an old battery", self.for_age, "Ah"),
            Step("the largest of these", self.largest, "Ah"),
            Step("factor for cold", self.temperature_factor),
            Step("design margin", self.margin),
            Step("adjusted capacity", self.adjusted, "Ah"),
            Step("running current", self.running_amperes, "A"),
            Step("greatest current", self.most_amperes, "A"),
            Step("lasts at the running current", self.functional_hours, "h"),
            Step("factor for a rate above the 20-hour rate", self.rate_factor),
            Step("capacity at the 20-hour rate", self.rated_ah, "Ah"),
        )


def battery_capacity(
    draws: Iterable[Draw],
    *,
    days: float,
    depth: float,
    daily_depth: float = 1.0,
    left_when_old: float = 0.8,
    temperature_factor: float = 1.0,
    margin: float = 1.0,
    peukert: float = 1.15,
    depth_when_old: bool = True,
) -> Capacity:
    """Return the capacity that lives through ``days`` without sun.

    ``depth`` and ``daily_depth`` are the shares of the capacity that may be discharged at all, and
    in a day; ``left_when_old`` the share of the capacity at the end of its life;
    ``temperature_factor`` as of `edge.energy.battery.cold_factor` at the coldest: below 1 it counts
    as 1, since cold and warm days come to the same battery. ``margin`` multiplies at the end.

    Raises ValueError for shares not above 0 or above 1, and for days or a margin below nought.
    """
    for name, share in (
        ("depth", depth),
        ("daily_depth", daily_depth),
        ("left_when_old", left_when_old),
    ):
        if not 0 < share <= 1:
            msg = f"{name}: found {share:g}, expected more than 0, and 1 at most"
            raise ValueError(msg)
    if not (days >= 0 and margin >= 0):
        msg = f"found {days:g} days and a margin of {margin:g}, expected none below 0"
        raise ValueError(msg)
    loads = list(draws)
    daily = math.fsum(load.daily_ah for load in loads)
    running = math.fsum(load.amperes for load in loads if not load.momentary)
    stored = daily * days
    for_depth = stored / depth / (left_when_old if depth_when_old else 1.0)
    for_daily_depth = daily / daily_depth
    for_age = stored / left_when_old
    largest = max(for_depth, for_daily_depth, for_age)
    factor = max(1.0, temperature_factor)
    adjusted = largest * factor * margin
    hours = adjusted / running if running else math.inf
    rate_factor = _rate_factor(adjusted, hours, peukert)
    return Capacity(
        daily_ah=daily,
        days=days,
        stored_ah=stored,
        for_depth=for_depth,
        for_daily_depth=for_daily_depth,
        for_age=for_age,
        largest=largest,
        temperature_factor=factor,
        margin=margin,
        adjusted=adjusted,
        running_amperes=running,
        most_amperes=math.fsum(load.amperes for load in loads),
        functional_hours=hours,
        rate_factor=rate_factor,
        rated_ah=adjusted * rate_factor,
    )


def _rate_factor(adjusted: float, hours: float, peukert: float) -> float:
    """Return C20 by C where C is what is given in ``hours``: I^k t = constant, C = I t."""
    if adjusted <= 0 or hours >= RATED_HOURS:
        return 1.0
    return math.pow(RATED_HOURS / hours, (peukert - 1) / peukert)
