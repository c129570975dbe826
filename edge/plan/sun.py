"""Where the sun stands, hour by hour, and what of its light a tilted plane gets.

Theory of operation. A plan reckons in years of 8760 hours, without leap days. A `Sky` is one such
year over one place: for every hour where the sun stands in the middle of it, and how strong it is
outside the air. The hours are those of the place's own meridian to the nearest full hour, so that a
day's light lies within one day of the sky; what clocks show there does not matter. Light arrives in
three kinds (`Light`): all that falls on level ground, the beam straight from the sun, and what the
sky scatters. A plane's share of them is the model of Hay and Davies with light from the ground.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd  # type: ignore[import-untyped]
import pvlib  # type: ignore[import-untyped]
from numpy.typing import NDArray

Hours = NDArray[np.float64]
"""One number an hour."""

HOURS_A_YEAR = 8760
DAYS_A_YEAR = 365
DAYS_OF_MONTH = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

POLAR_CIRCLE = 66.56
"""Nearer to a pole than this there are days without sun (degrees of latitude)."""
NEAREST_TO_POLE = 89.0
"""At a pole every direction is south, or north: the azimuth of a panel means nothing."""

# Any year without a leap day would do: the sun moves by minutes of arc from one to the next.
_YEAR = 2025


@dataclass(frozen=True, slots=True)
class Place:
    """Degrees, north and east positive; metres above the sea."""

    latitude: float
    longitude: float = 0.0
    elevation: float = 0.0

    @property
    def is_polar(self) -> bool:
        """Whether there are days without sun."""
        return abs(self.latitude) > POLAR_CIRCLE


@dataclass(frozen=True, slots=True)
class Plane:
    """How a panel stands: degrees from level, and where it looks, clockwise from true north."""

    tilt: float
    azimuth: float


@dataclass(frozen=True, slots=True)
class Light:
    """What arrives, hour by hour, in W/m²: on level ground, as beam, scattered by the sky."""

    level: Hours
    beam: Hours
    scattered: Hours


def sun_at(
    times: pd.DatetimeIndex, place: Place, *, pascals: float | None = None, celsius: float = 12.0
) -> pd.DataFrame:
    """Return where the sun stands, by the NREL Solar Position Algorithm (Reda and Andreas, 2004).

    Columns are those of pvlib, in degrees: ``zenith``, ``apparent_zenith`` (with refraction),
    ``azimuth``; and ``equation_of_time`` in minutes. Pressure and temperature of the air matter for
    refraction only; the pressure is that of the place's elevation unless given.
    """
    return pvlib.solarposition.get_solarposition(
        times,
        place.latitude,
        place.longitude,
        altitude=place.elevation,
        pressure=pascals,
        method="nrel_numpy",
        temperature=celsius,
    )


class Sky:
    """A year of sun over a place, hour by hour. Arrays are of 8760 numbers."""

    def __init__(
        self, place: Place, *, hours_from_utc: float | None = None, minute: float = 30.0
    ) -> None:
        """Reckon the year; the sun of an hour is that of its ``minute``."""
        self.place = place
        zone = round(place.longitude / 15) if hours_from_utc is None else hours_from_utc
        first = pd.Timestamp(_YEAR, 1, 1, tz="UTC") - pd.Timedelta(hours=zone)
        times = first + pd.to_timedelta(np.arange(HOURS_A_YEAR) * 60 + minute, unit="min")
        position = sun_at(times, place)
        self.month = np.repeat(np.repeat(np.arange(12), DAYS_OF_MONTH), 24)
        """Month of every hour, from 0."""
        self.day_of_year = np.repeat(np.arange(1, DAYS_A_YEAR + 1), 24)
        self.zenith: Hours = position["zenith"].to_numpy()
        self.apparent_zenith: Hours = position["apparent_zenith"].to_numpy()
        self.azimuth: Hours = position["azimuth"].to_numpy()
        self.beam_outside: Hours = np.asarray(
            pvlib.irradiance.get_extra_radiation(self.day_of_year), dtype=float
        )
        """Beam outside the air, W/m²."""
        self.hour_angle: Hours = np.asarray(
            pvlib.solarposition.hour_angle(times, place.longitude, position["equation_of_time"]),
            dtype=float,
        )
        """Degrees from solar noon."""

    @cached_property
    def level_outside(self) -> Hours:
        """On a level plane outside the air, W/m²."""
        return self.beam_outside * np.maximum(np.cos(np.radians(self.zenith)), 0.0)

    @cached_property
    def sunset_angle(self) -> Hours:
        """Hour angle of sunset on every hour's day: radians, 0 in polar night, π in polar day."""
        declination = pvlib.solarposition.declination_spencer71(self.day_of_year)
        cosine = -np.tan(np.radians(self.place.latitude)) * np.tan(declination)
        return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))

    def in_plane(self, light: Light, plane: Plane, ground: float) -> Hours:
        """Return what falls on a plane, W/m²; ``light`` may be of several years.

        ``ground`` is the share of light that the ground throws back. The model is that of Hay and
        Davies (1980), as in pvlib; light from the ground as from an even, endless plain.
        """
        years = len(light.level) // HOURS_A_YEAR
        fallen = pvlib.irradiance.get_total_irradiance(
            plane.tilt,
            plane.azimuth,
            np.tile(self.apparent_zenith, years),
            np.tile(self.azimuth, years),
            light.beam,
            light.level,
            light.scattered,
            dni_extra=np.tile(self.beam_outside, years),
            albedo=ground,
            model="haydavies",
        )
        whole: Hours = np.asarray(fallen["poa_global"], dtype=float)
        # Below the horizon some of the terms are not numbers.
        return np.nan_to_num(np.maximum(whole, 0.0))


def by_month(sky: Sky, hours: Hours) -> list[float]:
    """Return the mean of each month over all years."""
    month = np.tile(sky.month, len(hours) // HOURS_A_YEAR)
    return [float(hours[month == one].mean()) for one in range(12)]
