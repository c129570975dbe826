"""Reading a typical or measured year, hour by hour: TMY2, TMY3, EPW, or PVGIS's typical year.

pvlib reads the formats. Here it is told what a file is by how it begins, and made sure that every
hour is there, in order, with numbers that can be. The sun of such a file stands where the file's
own place, time zone and minute have it: a mean over an hour belongs to its middle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd  # type: ignore[import-untyped]
from numpy.typing import NDArray
from pvlib import iotools  # type: ignore[import-untyped]

from edge.plan.sun import HOURS_A_YEAR, Hours, Light, Place, Sky
from edge.plan.weather import Weather

Rows = NDArray[np.bool_]

FORMATS = "a year of hours as TMY2, TMY3, EPW, or the typical year of PVGIS as CSV"

# What the air lets through at most, W/m², with room for light that clouds throw together; and the
# temperatures that have been measured on earth, with room. No source.
_LIMITS = {"level": (-20.0, 1600.0), "beam": (-20.0, 1500.0), "scattered": (-20.0, 1200.0)}
_TEMPERATURES = (-90.0, 65.0)
_WORDS = {
    "level": "global horizontal irradiance in W/m²",
    "beam": "direct normal irradiance in W/m²",
    "scattered": "diffuse horizontal irradiance in W/m²",
    "celsius": "air temperature in °C",
}
_COLUMNS = {"level": "ghi", "beam": "dni", "scattered": "dhi", "celsius": "temp_air"}
_TMY2_COLUMNS = {"level": "GHI", "beam": "DNI", "scattered": "DHI", "celsius": "DryBulb"}


class WeatherFileError(Exception):
    """A file of weather cannot be used; the message names it, what was found, and expected."""

    def __init__(self, file: Path, found: str, expected: str) -> None:
        super().__init__(f"{file}: found {found}, expected {expected}")


@dataclass(frozen=True, slots=True)
class _Content:
    """What a file holds, its first hour that in which the year begins in its own time zone."""

    table: pd.DataFrame
    hours: list[tuple[int, int, int]]
    """Month, day and hour (0 to 23) in which every row begins."""
    place: Place
    hours_from_utc: float
    columns: dict[str, str]
    minute: float = 30.0
    celsius_factor: float = 1.0


def read_year(file: Path) -> Weather:
    """Read a file; raises WeatherFileError when it is not there or not as it must be."""
    beginning = _beginning(file)
    name, reader = _format(beginning, file)
    try:
        content = reader(file)
    # What pvlib and pandas raise for a file that only begins as it should.
    except (LookupError, ValueError, TypeError, AttributeError, OSError) as error:
        found = f"what begins as {name} and cannot be read on ({type(error).__name__}: {error})"
        raise WeatherFileError(file, found, FORMATS) from None
    hours = _whole_year(content, file)
    figures = {key: _numbers(content, key, hours, file) for key in _WORDS}
    sky = Sky(content.place, hours_from_utc=content.hours_from_utc, minute=content.minute)
    light = Light(
        *(np.maximum(figures[key], 0.0) for key in ("level", "beam", "scattered")),
    )
    return Weather(sky, light, figures["celsius"], f"the {name} file {file.name}")


def kilometres(one: Place, other: Place) -> float:
    """Return the distance of two places, along the surface of a round earth."""
    a, b = math.radians(one.latitude), math.radians(other.latitude)
    apart = math.radians(one.longitude - other.longitude)
    half = math.sin((a - b) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(apart / 2) ** 2
    return 2 * 6371.0 * math.asin(min(1.0, math.sqrt(half)))


# -------------------------------------------------------------------------------------- formats


def _beginning(file: Path) -> list[str]:
    try:
        with file.open("rb") as opened:
            lines = [opened.readline(4000).decode("utf-8", "replace") for _ in range(2)]
    except FileNotFoundError:
        raise WeatherFileError(file, "no such file", FORMATS) from None
    except OSError as error:
        raise WeatherFileError(file, f"what cannot be read ({error.strerror})", FORMATS) from None
    return lines


def _format(beginning: list[str], file: Path) -> tuple[str, Callable[[Path], _Content]]:
    first, second = beginning
    if first.upper().startswith("LOCATION,"):
        return "EPW", _epw
    if first.lower().startswith("latitude (decimal degrees)"):
        return "PVGIS", _pvgis
    if second.startswith("Date (MM/DD/YYYY)"):
        return "TMY3", _tmy3
    if first[:1] == " " and first[1:6].isdigit() and second[1:9].isdigit():
        return "TMY2", _tmy2
    shown = first.strip()[:40]
    found = f"a file that begins with {shown!r}" if shown else "an empty file, or first line"
    raise WeatherFileError(file, found, FORMATS)


def _tmy3(file: Path) -> _Content:
    table, about = iotools.read_tmy3(file, map_variables=True)
    place = Place(about["latitude"], about["longitude"], about["altitude"])
    # An hour is named by its end, from 01:00 to 24:00.
    hours = [
        (int(date[:2]), int(date[3:5]), int(time[:2]) - 1)
        for date, time in zip(table["Date (MM/DD/YYYY)"], table["Time (HH:MM)"], strict=True)
    ]
    return _Content(table, hours, place, about["TZ"], _COLUMNS)


def _tmy2(file: Path) -> _Content:
    table, about = iotools.read_tmy2(file)
    place = Place(about["latitude"], about["longitude"], about["altitude"])
    return _Content(
        table, _hours(table.index), place, about["TZ"], _TMY2_COLUMNS, celsius_factor=0.1
    )


def _epw(file: Path) -> _Content:
    table, about = iotools.read_epw(file)
    place = Place(about["latitude"], about["longitude"], about["altitude"])
    return _Content(table, _hours(table.index), place, about["TZ"], _COLUMNS)


def _pvgis(file: Path) -> _Content:
    table, about = iotools.read_pvgis_tmy(file, pvgis_format="csv", map_variables=True)
    inputs = about["inputs"]
    place = Place(inputs["latitude"], inputs["longitude"], inputs["elevation"])
    # Satellites look at one instant of the hour; other sources of PVGIS give means over it.
    minute = 60 * inputs.get("irradiance time offset", 0.5)
    # In UTC. A year's end in January's place is no more than some hours of it.
    zone = round(place.longitude / 15)
    rolled = table.iloc[np.roll(np.arange(len(table)), zone)]
    return _Content(rolled, _hours(table.index), place, zone, _COLUMNS, minute)


def _hours(times: pd.DatetimeIndex) -> list[tuple[int, int, int]]:
    return list(zip(times.month, times.day, times.hour, strict=True))


# --------------------------------------------------------------------------------------- checks


def _whole_year(content: _Content, file: Path) -> Rows:
    """Return which rows to take: all but a leap day. Raises WeatherFileError for gaps."""
    wanted = [hour[:2] != (2, 29) for hour in content.hours]
    kept = [hour for hour, one in zip(content.hours, wanted, strict=True) if one]
    year = _hours(pd.date_range("2025-01-01", periods=HOURS_A_YEAR, freq="h"))
    for row, (found, expected) in enumerate(zip(kept, year, strict=False)):
        if found != expected:
            raise WeatherFileError(
                file,
                f"{_stamp(found)} as hour {row + 1}",
                f"{_stamp(expected)}: every hour of the year, in order",
            )
    if len(kept) != HOURS_A_YEAR:
        raise WeatherFileError(file, f"{len(kept)} hours", f"{HOURS_A_YEAR}, a year")
    return np.asarray(wanted)


def _stamp(hour: tuple[int, int, int]) -> str:
    return f"{hour[0]:02}-{hour[1]:02} {hour[2]:02}:00"


def _numbers(content: _Content, key: str, rows: Rows, file: Path) -> Hours:
    column = content.columns[key]
    if column not in content.table:
        raise WeatherFileError(file, f'no column "{column}"', _WORDS[key])
    numbers: Hours = pd.to_numeric(content.table[column], errors="coerce").to_numpy(float)[rows]
    if key == "celsius":
        numbers = numbers * content.celsius_factor
    low, high = _LIMITS.get(key, _TEMPERATURES)
    # Not a number is not within limits either.
    wrong = np.flatnonzero(~((numbers >= low) & (numbers <= high)))
    if wrong.size:
        first = int(wrong[0])
        value = "no number" if np.isnan(numbers[first]) else f"{numbers[first]:g}"
        raise WeatherFileError(
            file,
            f'{value} in column "{column}" at hour {first + 1}, and {wrong.size} such in all',
            f"{_WORDS[key]} from {low:g} to {high:g}, without gaps",
        )
    return numbers
