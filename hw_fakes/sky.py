"""Sun and weather over a place: how much light falls on a panel. Coarse, with the right shapes.

The sun's place follows from date and longitude by Cooper's declination, without the equation of
time (a quarter of an hour at most). Light under a clear sky is Haurwitz's; a day has as much of it
as its clearness says; what of it is diffuse, Erbs's correlation tells; diffuse light comes evenly
from the whole sky. Sources: Cooper 1969; Haurwitz 1945; Erbs, Klein and Duffie 1982; Liu and Jordan
1963; as in Duffie and Beckman, Solar Engineering of Thermal Processes, chapters 1 and 2 (formulas
from memory; the tests hold them against pvlib).

Times are seconds since 1970-01-01 00:00 UTC, angles degrees.
"""

from __future__ import annotations

import math
from functools import cache
from random import Random
from typing import Literal

from hw_fakes.well import DAY_S

Weather = Literal["fair", "dull-week"]

_YEAR_DAYS = 365.25
_SOLAR_CONSTANT = 1367.0
_GROUND = 0.2
_LOWEST_SUN = 0.02  # sine of about one degree: below, the formulas leave the ground

_FAIR = (0.25, 1.0)
# Of a dull week: fair days before, dull ones, and how clear they are.
_BEFORE, _DULL = 1, 6
_BRIGHT, _GREY = (0.8, 1.0), (0.07, 0.13)


class Sky:
    """The sky over a place.

    In "fair" weather every day is as clear as the ``seed`` has it. A "dull-week" has one bright
    day, counted from ``start`` on, then six dull ones; then it is bright again.
    """

    def __init__(
        self,
        seed: int,
        start: float,
        latitude: float,
        longitude: float,
        weather: Weather = "fair",
    ) -> None:
        self._seed = seed
        self._sine, self._cosine = (
            math.sin(math.radians(latitude)),
            math.cos(math.radians(latitude)),
        )
        # Solar time is 4 minutes earlier for every degree to the west.
        self._ahead = longitude * 240
        self._weather = weather
        # The clock's midnight may lie somewhat before the sun's.
        self._first_day = self._day(start + DAY_S / 8)
        self.clearness = cache(self._clearness)

    def light(self, now: float, tilt: float = 0.0, azimuth: float = 180.0) -> float:
        """Return the light in W/m² that falls on a plane."""
        declination, hour = self._sun(now)
        sine, cosine = math.sin(declination), math.cos(declination)
        up = self._sine * sine + self._cosine * cosine * math.cos(hour)
        if up < _LOWEST_SUN:
            return 0.0
        level = self.clearness(self._day(now)) * 1098 * up * math.exp(-0.059 / up)
        diffuse = level * _diffuse_share(level / (_SOLAR_CONSTANT * up))
        slope = math.cos(math.radians(tilt))
        onto = self._onto(sine, cosine, hour, math.radians(tilt), math.radians(azimuth - 180))
        return (
            (level - diffuse) * max(onto, 0.0) / up
            + diffuse * (1 + slope) / 2
            + level * _GROUND * (1 - slope) / 2
        )

    def _onto(self, sine: float, cosine: float, hour: float, tilt: float, turn: float) -> float:
        """Return the cosine of the angle at which the beam meets a plane."""
        level = self._sine * math.cos(tilt) - self._cosine * math.sin(tilt) * math.cos(turn)
        south = self._cosine * math.cos(tilt) + self._sine * math.sin(tilt) * math.cos(turn)
        west = math.sin(tilt) * math.sin(turn)
        return sine * level + cosine * (south * math.cos(hour) + west * math.sin(hour))

    def _sun(self, now: float) -> tuple[float, float]:
        """Return declination and hour angle, in radians."""
        days = now / DAY_S % _YEAR_DAYS
        declination = math.radians(23.45) * math.sin(2 * math.pi * (285 + days) / _YEAR_DAYS)
        return declination, 2 * math.pi * ((now + self._ahead) / DAY_S % 1.0 - 0.5)

    def _day(self, now: float) -> int:
        return math.floor((now + self._ahead) / DAY_S)

    def _clearness(self, day: int) -> float:
        rng = Random(f"sky {self._seed} {day}")
        if self._weather == "fair":
            return rng.uniform(*_FAIR)
        dull = _BEFORE <= day - self._first_day < _BEFORE + _DULL
        return rng.uniform(*(_GREY if dull else _BRIGHT))


def _diffuse_share(clearness_index: float) -> float:
    k = clearness_index
    if k <= 0.22:
        return 1 - 0.09 * k
    if k <= 0.8:
        return 0.9511 - 0.1604 * k + 4.388 * k**2 - 16.638 * k**3 + 12.336 * k**4
    return 0.165
