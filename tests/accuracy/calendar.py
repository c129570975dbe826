"""Hours, days, months and water years against the laws that set the clocks, and dateutil."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import dateutil
from dateutil.tz import tzstr

from edge.measure.periods import Period, next_start, start_of
from tests.accuracy.check import Check, exact

US = "15 U.S.C. 260a: daylight time from 2 am, second Sunday of March to first of November"
US_1986 = "15 U.S.C. 260a until 2006: first Sunday of April to last of October"
EUROPE = "Directive 2000/84/EC: summer time from 01:00 UTC, last Sunday of March to that of October"
STANDARD = "no daylight time is kept there"
HALF = "Standard Time Act 1987 (NSW), section 4A: Lord Howe Island moves by half an hour"
MIDNIGHT = "Decreto 9.242/2017 (Brazil): daylight time from 00:00, first Sunday of November"
INDIA = "Indian Standard Time is UTC+05:30"
GREGORIAN = "ISO 8601-1:2019, 3.1.1.19 (leap years of the Gregorian calendar)"
WATER_YEAR = "USGS: a water year is October 1 to September 30, named by the year it ends in"
POSIX = f"dateutil.tz.tzstr of the POSIX rule (dateutil {dateutil.__version__})"

_HOUR_MS = 3_600_000

# Zone, day, hours it has, by which law.
_DAYS = [
    ("America/Denver", date(2024, 3, 10), 23.0, US),
    ("America/Denver", date(2024, 11, 3), 25.0, US),
    ("America/Denver", date(2025, 3, 9), 23.0, US),
    ("America/Denver", date(2025, 11, 2), 25.0, US),
    ("America/Denver", date(2025, 7, 4), 24.0, US),
    ("America/Denver", date(2006, 4, 2), 23.0, US_1986),
    ("America/Denver", date(2006, 10, 29), 25.0, US_1986),
    ("America/Denver", date(2006, 3, 12), 24.0, US_1986),
    ("Europe/Berlin", date(2024, 3, 31), 23.0, EUROPE),
    ("Europe/Berlin", date(2024, 10, 27), 25.0, EUROPE),
    ("America/Phoenix", date(2024, 3, 10), 24.0, STANDARD),
    ("Asia/Kolkata", date(2024, 3, 10), 24.0, STANDARD),
    ("Australia/Lord_Howe", date(2024, 4, 7), 24.5, HALF),
    ("Australia/Lord_Howe", date(2024, 10, 6), 23.5, HALF),
    ("America/Sao_Paulo", date(2018, 11, 4), 23.0, MIDNIGHT),
]

# Zone, a day of the month, days it has.
_MONTHS = [
    (date(2023, 2, 10), 28.0),
    (date(2024, 2, 10), 29.0),
    (date(2000, 2, 29), 29.0),
    (date(2100, 2, 10), 28.0),
    (date(2024, 4, 30), 30.0),
    (date(2024, 12, 31), 31.0),
]
_WATER_YEARS = [(2023, 365.0), (2024, 366.0), (2025, 365.0), (2000, 366.0)]

# The rules of five zones as POSIX writes them, for a year in which they held.
_RULES = {
    "America/Denver": "MST7MDT,M3.2.0,M11.1.0",
    "America/Anchorage": "AKST9AKDT,M3.2.0,M11.1.0",
    "America/St_Johns": "NST3:30NDT,M3.2.0,M11.1.0",
    "Europe/Berlin": "CET-1CEST,M3.5.0,M10.5.0/3",
    "Asia/Kolkata": "IST-5:30",
}
_RULES_YEAR = 2024


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)


def _noon(day: date, zone: ZoneInfo) -> int:
    return _ms(datetime(day.year, day.month, day.day, 12, tzinfo=zone))


def _length(period: Period, day: date, zone: ZoneInfo) -> float:
    """How many hours the period has that a day's noon lies in."""
    noon = _noon(day, zone)
    return (next_start(period, noon, zone) - start_of(period, noon, zone)) / _HOUR_MS


def _hours_by_rule(rule: str) -> list[float]:
    """How many hours every day of the year has, by the POSIX rule."""
    zone = tzstr(rule, posix_offset=False)
    days = [date(_RULES_YEAR, 1, 1) + timedelta(days=n) for n in range(367)]
    starts = [datetime(d.year, d.month, d.day, tzinfo=zone).astimezone(UTC) for d in days]
    return [(following - start).total_seconds() / 3600 for start, following in pairwise(starts)]


def _days_that_differ(name: str, rule: str) -> int:
    zone = ZoneInfo(name)
    mine = [
        _length(Period.DAY, date(_RULES_YEAR, 1, 1) + timedelta(days=n), zone) for n in range(366)
    ]
    return sum(a != b for a, b in zip(mine, _hours_by_rule(rule), strict=True))


def checks() -> list[Check]:
    denver, utc, kolkata = ZoneInfo("America/Denver"), ZoneInfo("UTC"), ZoneInfo("Asia/Kolkata")
    return [
        *(
            exact(f"{day} in {name}, hours", law, hours, _length(Period.DAY, day, ZoneInfo(name)))
            for name, day, hours, law in _DAYS
        ),
        *(
            exact(f"month of {day}, days", GREGORIAN, days, _length(Period.MONTH, day, utc) / 24)
            for day, days in _MONTHS
        ),
        *(
            # Both changes of the clocks fall into a water year, so it has whole days all in all.
            exact(f"water year {year} in America/Denver, days", WATER_YEAR, days,
                  _length(Period.WATER_YEAR, date(year, 5, 1), denver) / 24)
            for year, days in _WATER_YEARS
        ),
        exact("water year 2024 in America/Denver, beginning in UTC s", WATER_YEAR,
              datetime(2023, 10, 1, 6, tzinfo=UTC).timestamp(),
              start_of(Period.WATER_YEAR, _noon(date(2024, 9, 30), denver), denver) / 1000),
        exact("hour in Asia/Kolkata, begins at UTC minute", INDIA, 30.0,
              start_of(Period.HOUR, _noon(date(2024, 1, 1), kolkata), kolkata) / 60_000 % 60),
        *(
            exact(f"days of {_RULES_YEAR} in {name} that differ in length", POSIX, 0.0,
                  float(_days_that_differ(name, rule)))
            for name, rule in _RULES.items()
        ),
        *(
            exact(f"hours of {_RULES_YEAR} in {name}", POSIX, sum(_hours_by_rule(rule)),
                  sum(_length(Period.MONTH, date(_RULES_YEAR, month, 15), ZoneInfo(name))
                      for month in range(1, 13)))
            for name, rule in _RULES.items()
        ),
    ]  # fmt: skip
