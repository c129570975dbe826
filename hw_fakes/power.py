"""Sun, panel and a 12 V lead-acid battery, coarse but with the right shapes.

The sun is up for half of the day. A day is as clear as the seed has it, charges the battery
accordingly, and the station draws the same current day and night; a battery that is full stays
full. The state of charge goes from dawn to dawn, and within a day it is a formula, so that any
instant can be asked for. The numbers are common practice, without a source: at rest 12.7 V full
and 12.0 V near empty, 14.4 V at most while charging.

Times are seconds since 1970-01-01 00:00 UTC.
"""

from __future__ import annotations

import math
from random import Random

from hw_fakes.well import DAY_S

_DAYS_OF_HISTORY = 7

_CHARGE_OF_A_CLEAR_DAY = 0.45
_DRAIN_OF_A_DAY = 0.12
_EMPTIEST = 0.1

_EMPTY_V, _FULL_V, _CHARGING_V, _MOST_V = 12.0, 12.75, 1.4, 14.4
_OPEN_PANEL_V = 19.5
_TRANSMIT_EVERY_S, _TRANSMIT_FOR_S, _TRANSMIT_DIP_V = 300.0, 20.0, 0.12


class SolarPower:
    """Panel and battery at a ``longitude`` (degrees, east positive), from ``start`` on."""

    def __init__(self, seed: int, start: float, longitude: float) -> None:
        self._seed = seed
        # Solar time is 4 minutes earlier for every degree to the west; dawn is at 6.
        self._dawn = DAY_S / 4 - longitude * 240
        self._first_day = self._day_and_share(start)[0] - _DAYS_OF_HISTORY
        self._charge_at_dawn = [0.9]

    def battery_v(self, now: float) -> float:
        """Return the battery's voltage at its terminals."""
        at_rest = _EMPTY_V + (_FULL_V - _EMPTY_V) * self.charge(now)
        volts = at_rest + _CHARGING_V * (1 - math.exp(-3 * self.sun(now)))
        dip = _TRANSMIT_DIP_V if now % _TRANSMIT_EVERY_S < _TRANSMIT_FOR_S else 0.0
        return min(_MOST_V, volts) - dip

    def panel_v(self, now: float) -> float:
        """Return the panel's voltage."""
        return _OPEN_PANEL_V * (1 - math.exp(-10 * self.sun(now)))

    def sun(self, now: float) -> float:
        """Return how strong the sun is: 0 at night, 1 at noon of the clearest day."""
        day, share = self._day_and_share(now)
        return self._clearness(day) * math.sin(2 * math.pi * share) if share < 0.5 else 0.0

    def charge(self, now: float) -> float:
        """Return the battery's state of charge, from 0 to 1."""
        day, share = self._day_and_share(now)
        index = max(0, day - self._first_day)
        while len(self._charge_at_dawn) <= index:
            yesterday = self._first_day + len(self._charge_at_dawn) - 1
            dawn = self._charge_at_dawn[-1]
            self._charge_at_dawn.append(self._charge_within(yesterday, 1.0, dawn))
        return self._charge_within(day, share, self._charge_at_dawn[index])

    def _charge_within(self, day: int, share: float, at_dawn: float) -> float:
        lit = min(share, 0.5)
        got = _CHARGE_OF_A_CLEAR_DAY * self._clearness(day) * (1 - math.cos(2 * math.pi * lit)) / 2
        by_light = min(1.0, at_dawn + got - _DRAIN_OF_A_DAY * lit)
        return max(_EMPTIEST, by_light - _DRAIN_OF_A_DAY * (share - lit))

    def _clearness(self, day: int) -> float:
        return Random(f"sky {self._seed} {day}").uniform(0.25, 1.0)

    def _day_and_share(self, now: float) -> tuple[int, float]:
        day, share = divmod((now - self._dawn) / DAY_S, 1.0)
        return int(day), share
