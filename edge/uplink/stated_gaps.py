"""Stated gaps as a message, and back: which numbers are not there, and why.

A JSON object on the station's topic of gaps::

    {"station": "ash-creek-2", "journal": "9f2c41d07be8a356",
     "gaps": [{"first": 1200, "last": 1399, "why": "dropped",
               "since": "2026-03-01T06:30:00.000Z", "until": "2026-03-01T09:45:00.000Z",
               "noted": "2026-03-02T10:00:00.000Z"}]}

``why`` is one of the words of `edge.readings.WhyGone`; ``since`` and ``until`` are null where the
time of what is gone is not known. Some of the numbers may be there all the same: where readings
were thinned, those that stand for the others are.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from edge.clock import iso_utc
from edge.readings import Gap, WhyGone

_LARGEST_NUMBER = 2**63 - 1  # of a reading: what SQLite can number
_LAST_MS = 253_402_300_799_999  # the last millisecond of the year 9999


class GapsError(ValueError):
    """A payload is no statement of gaps; says why."""


@dataclass(frozen=True, slots=True)
class Statement:
    """What one message stated: gaps in the numbers of one journal of one station."""

    station: str
    journal: str
    gaps: list[Gap]


def encode_gaps(gaps: Sequence[Gap], station_id: str, journal: str) -> bytes:
    """Write a statement."""
    stated = [
        {
            "first": gap.first,
            "last": gap.last,
            "why": gap.why.value,
            "since": _iso(gap.since_ms),
            "until": _iso(gap.until_ms),
            "noted": _iso(gap.noted_ms),
        }
        for gap in gaps
    ]
    message = {"station": station_id, "journal": journal, "gaps": stated}
    return json.dumps(message, separators=(",", ":")).encode()


def decode_gaps(payload: bytes) -> Statement:
    """Read a statement. Raises GapsError for anything else, whatever the bytes."""
    try:
        said = json.loads(payload)
        station, journal = said["station"], said["journal"]
        gaps = [_gap(one) for one in said["gaps"]]
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise GapsError(f"no statement of gaps: {error}") from None
    if not (isinstance(station, str) and station and isinstance(journal, str)):
        raise GapsError("no statement of gaps: it does not say of which journal")
    return Statement(station, journal, gaps)


def _gap(stated: dict[str, Any]) -> Gap:
    first, last = stated["first"], stated["last"]
    # "True" is an int to Python.
    if type(first) is not int or type(last) is not int or not 0 < first <= last <= _LARGEST_NUMBER:
        raise GapsError(f"{first!r} to {last!r} are no numbers of readings")
    noted_ms = _ms(stated["noted"])
    if noted_ms is None:
        raise GapsError("it was noted at no time")
    why = WhyGone(stated["why"])
    return Gap(first, last, why, _ms(stated["since"]), _ms(stated["until"]), noted_ms)


def _iso(utc_ms: int | None) -> str | None:
    # A time that no calendar has can only come from a damaged journal: it is not known.
    return None if utc_ms is None or not 0 <= utc_ms <= _LAST_MS else iso_utc(utc_ms)


def _ms(text: str | None) -> int | None:
    if text is None:
        return None
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise GapsError(f"{text!r} is a time without a zone")
    return round(moment.timestamp() * 1000)
