"""Years of weather: a mean year and random years from monthly figures.

Theory of operation. What is known of a place is often no more than twelve clearness indices: the
share of the light outside the air that reaches level ground, by month. A *mean year* gives every
day of a month that share. It shows the balance of light and load, the same whoever asks; but it has
no dull weeks, and it is those that empty batteries. *Random years* give every day a clearness of
its own:

- A number that wanders from day to day, normally distributed, and like that of the day before with
  a correlation of 0.29: the time series model of Graham, Hollands and Unny (Solar Energy 40, 1988,
  pages 83 to 92; the figure from memory). The three measured years that pvlib brings have 0.23 to
  0.27 (tests/plan/test_weather.py).
- The number's place in the normal distribution is taken as the place in that of clearness which
  Bendt, Collares-Pereira and Rabl found (Solar Energy 27, 1981, pages 1 to 5): exponential between
  a least and a greatest clearness. The greatest as in Duffie and Beckman, Solar Engineering of
  Thermal Processes, section 2.9 (from memory). The exponent is solved for, so that the mean is
  exact. Days spread by a quarter to a half more than in those three years, which are made of
  typical months: the plan errs on the safe side.

- A warmth of its own too, that wanders from day to day about the month's mean: a battery gives
  less, and freezes, in cold spells and not on average days. In the three measured years days of
  winter stray by 3 to 6 °C from the mean of their month, with a correlation of 0.65 to 0.79 from
  day to day (tests/plan/test_weather.py). That dull days of winter are often mild is not drawn: on
  the safe side.

Within the day light follows Collares-Pereira and Rabl (Solar Energy 22, 1979, pages 155 to 164),
made to add up to the day's sum exactly. What of it is scattered is by Erbs, Klein and Duffie (Solar
Energy 28, 1982, pages 293 to 302): in random years hour by hour, as in pvlib; in a mean year by
their formula for monthly means, for the bright hours of a month have more beam than an even grey
has. Clouds that pass within a day are not drawn: a battery hardly notices them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pvlib  # type: ignore[import-untyped]
from numpy.typing import NDArray
from scipy.optimize import brentq  # type: ignore[import-untyped]
from scipy.special import ndtr  # type: ignore[import-untyped]

from edge.plan.sun import DAYS_A_YEAR, HOURS_A_YEAR, Hours, Light, Sky

Numbers = NDArray[np.int64]

PERSISTENCE = 0.29
"""Correlation of a day's (normal) clearness with that of the day before."""

_STRAY_CELSIUS, _STRAY_PERSISTENCE = 4.5, 0.7
# °C about the day's mean, warmest at three in the afternoon: common practice, no source.
_DAILY_SWING = 5.0
_WARMEST_HOUR = 15
# Zenith beyond which light counts as scattered: as in pvlib.
_LOWEST_BEAM = 87.0
_LEAST_CLEARNESS = 0.05
_STEEPEST = 1e4


@dataclass(frozen=True, slots=True)
class Weather:
    """Whole years of weather over one sky."""

    sky: Sky
    light: Light
    celsius: Hours
    """Where the battery is; the panel's air too."""
    source: str
    """Where it is from, in words."""

    @property
    def years(self) -> int:
        """How many years there are."""
        return len(self.celsius) // HOURS_A_YEAR


def mean_year(sky: Sky, clearness: Sequence[float], celsius: Sequence[float]) -> Weather:
    """Return the year in which every day is its month's mean; twelve figures each."""
    hourly = np.asarray(clearness)[sky.month]
    level = _course(sky) * hourly
    # Duffie and Beckman, section 2.12 (from memory); fitted to clearness from 0.3 to 0.8.
    k = np.clip(hourly, 0.3, 0.8)
    short_days = np.polyval((-2.137, 4.189, -3.560, 1.391), k)
    long_days = np.polyval((-1.821, 3.427, -3.022, 1.311), k)
    share = np.where(np.degrees(sky.sunset_angle) <= 81.4, short_days, long_days)
    # Scattered light follows the light outside the air: Liu and Jordan, Solar Energy 4, 1960.
    scattered = np.minimum(share * hourly * sky.level_outside, level)
    height = np.cos(np.radians(sky.zenith))
    beam = np.where(sky.zenith < _LOWEST_BEAM, (level - scattered) / np.maximum(height, 0.01), 0.0)
    light = Light(level, beam, level - beam * np.maximum(height, 0.0))
    return Weather(sky, light, _temperature(sky, celsius, 1), "the monthly means")


def random_years(
    sky: Sky, clearness: Sequence[float], celsius: Sequence[float], years: int, seed: int
) -> Weather:
    """Return years in which clearness wanders about its monthly means; the same for one seed."""
    days = random_days(clearness, _months_of_days(sky), years, seed)
    # Numbers of its own, so that the light is the same with and without.
    strays = _wandering(np.random.default_rng([seed, 1]), len(days), _STRAY_PERSISTENCE)
    return Weather(
        sky,
        _drawn_light(sky, days),
        _temperature(sky, celsius, years) + np.repeat(_STRAY_CELSIUS * strays, 24),
        f"{years} random {'year' if years == 1 else 'years'} about the monthly means, seed {seed}",
    )


def random_days(
    clearness: Sequence[float],
    months: Numbers,
    years: int,
    seed: int,
) -> Hours:
    """Return a clearness for every day of the years; ``months`` are those of one year's days."""
    wandering = _wandering(np.random.default_rng(seed), years * len(months), PERSISTENCE)
    places: Hours = ndtr(wandering)
    days = np.empty_like(places)
    of_day = np.tile(months, years)
    for month, mean in enumerate(clearness):
        mine = of_day == month
        days[mine] = clearness_at(mean, places[mine])
    return days


def _wandering(rng: np.random.Generator, days: int, persistence: float) -> Hours:
    """Return a normal number for every day, correlated with that of the day before."""
    shocks = rng.standard_normal(days)
    wandering = np.empty_like(shocks)
    value = shocks[0]
    for day, shock in enumerate(shocks):
        value = persistence * value + (1 - persistence**2) ** 0.5 * shock if day else shock
        wandering[day] = value
    return wandering


def clearness_at(mean: float, places: Hours) -> Hours:
    """Return the clearness at these places (0 to 1) of its distribution about a monthly mean."""
    least = min(_LEAST_CLEARNESS, mean / 2)
    most = max(0.6313 + 0.267 * mean - 11.9 * (mean - 0.75) ** 8, mean + 0.01)
    steepness = _steepness((mean - least) / (most - least))
    return np.asarray(least + (most - least) * _exponential_place(steepness, places))


def _steepness(mean: float) -> float:
    """Return g, where exp(g x) for x from 0 to 1 is a distribution of that mean."""
    return float(brentq(lambda g: _exponential_mean(g) - mean, -_STEEPEST, _STEEPEST))


def _exponential_mean(g: float) -> float:
    if g < 0:
        return 1 - _exponential_mean(-g)
    # The limit for small g, where the terms would cancel each other out.
    return 0.5 + g / 12 if g < 1e-3 else float(-1 / np.expm1(-g) - 1 / g)


def _exponential_place(g: float, places: Hours) -> Hours:
    if abs(g) < 1e-6:
        return places
    if g < 0:
        return 1 - _exponential_place(-g, 1 - places)
    return np.asarray(1 + np.log(places + (1 - places) * np.exp(-g)) / g)


def _months_of_days(sky: Sky) -> Numbers:
    return sky.month[::24]


def _drawn_light(sky: Sky, clearness: Hours) -> Light:
    """Return the light of days of that clearness."""
    years = len(clearness) // DAYS_A_YEAR
    level = np.tile(_course(sky), years) * np.repeat(clearness, 24)
    split = pvlib.irradiance.erbs(
        level,
        np.tile(sky.zenith, years),
        np.tile(sky.day_of_year, years),
        max_zenith=_LOWEST_BEAM,
    )
    return Light(level, np.asarray(split["dni"]), np.asarray(split["dhi"]))


def _course(sky: Sky) -> Hours:
    """Return light on level ground on days of a clearness of 1, W/m²."""
    sunset, angle = sky.sunset_angle, np.radians(sky.hour_angle)
    a = 0.409 + 0.5016 * np.sin(sunset - np.pi / 3)
    b = 0.6609 - 0.4767 * np.sin(sunset - np.pi / 3)
    shape = np.maximum(a + b * np.cos(angle), 0.0) * sky.level_outside
    whole = sky.level_outside.reshape(-1, 24).sum(axis=1)
    shaped = shape.reshape(-1, 24).sum(axis=1)
    factor = np.divide(whole, shaped, out=np.zeros_like(whole), where=shaped > 0)
    return np.asarray(shape * np.repeat(factor, 24))


def _temperature(sky: Sky, months: Sequence[float], years: int) -> Hours:
    """Return temperatures that go smoothly from month to month, with a daily wave."""
    middles = np.array([np.flatnonzero(sky.month == one).mean() for one in range(12)])
    hours = np.arange(HOURS_A_YEAR)
    smooth = np.interp(hours, middles, months, period=HOURS_A_YEAR)
    # So that the mean of a month is what it was said to be, not what is left of its peak.
    got = np.array([smooth[sky.month == one].mean() for one in range(12)])
    smooth = smooth + (np.asarray(months) - got)[sky.month]
    solar = sky.hour_angle / 15 + 12
    return np.tile(smooth + _DAILY_SWING * np.cos(2 * np.pi * (solar - _WARMEST_HOUR) / 24), years)
