"""What a station says of itself: the retained message on its status topic.

The message is a JSON object. ``state`` is "online" or "offline". Online, it describes the station,
so that a receiver can make sense of the readings without the station file::

    {"state": "online", "station": "ash-creek-2", "name": "Ash Creek well 2",
     "version": "0.1.0", "since": "2026-03-01T06:30:00.000Z",
     "place": {"latitude": 39.76, "longitude": -105.22, "elevation": 1731.264},
     "channels": {"level": {"unit": "m", "shown": "ft", "title": "Water above the transducer"}},
     "clock": {"trusted": true, "found": "set by a time server"},
     "energy": {"category": "normal", "found": "12.61 V: nothing is shed", "doing": ""},
     "health": [{"part": "bus rs485", "category": "failure", "found": "the port is not there",
                 "doing": "it is tried again every 5 s"}]}

``unit`` is the SenML unit of the values, ``shown`` the unit the station's people use; degrees north
and east, metres above the sea. ``clock`` and ``energy`` are left out where nothing is known of
them; ``health`` names the parts with which something is the matter. Offline, ``reason`` tells a
station that was stopped from one that the broker lost sight of; the latter message is the
connection's last will. A station that connects for each publishing, or stays away to spare the
battery, says so, with its ``health`` and, if it knows that, when it means to be there ``next``::

    {"state": "offline", "station": "ash-creek-2",
     "reason": "as planned; publishes next at 18:00 America/Denver",
     "next": "2026-03-02T01:00:00.000Z", "health": []}
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from edge import __version__
from edge.clock import iso_utc
from edge.health import CLOCK, ENERGY, Condition
from edge.station.model import Station

STOPPED = "stopped"
LOST = "connection lost"


def readings_topic(prefix: str, station_id: str) -> str:
    """Return the topic of a station's readings."""
    return f"{prefix}/{station_id}/readings"


def status_topic(prefix: str, station_id: str) -> str:
    """Return the topic of a station's status."""
    return f"{prefix}/{station_id}/status"


def gaps_topic(prefix: str, station_id: str) -> str:
    """Return the topic on which a station states the gaps in its numbers."""
    return f"{prefix}/{station_id}/gaps"


def online(station: Station, since_ms: int, conditions: Sequence[Condition] = ()) -> bytes:
    """Write the message that the station is there, since ``since_ms``, and how its parts are."""
    info = station.station
    place = {
        "latitude": info.latitude,
        "longitude": info.longitude,
        "elevation": info.elevation and info.elevation.value,
    }
    known_place = {key: value for key, value in place.items() if value is not None}
    channels = {
        one.name: {"unit": one.unit.dimension.senml, "shown": one.unit.symbol, "title": one.title}
        for one in station.series()
    }
    of_clock = next((one for one in conditions if one.part == CLOCK), None)
    clock = of_clock and {"trusted": of_clock.sound, "found": of_clock.found}
    of_energy = next((one for one in conditions if one.part == ENERGY), None)
    energy = of_energy and {k: v for k, v in of_energy.as_json().items() if k != "part"}
    return _write(
        {
            "state": "online",
            "station": info.id,
            "name": info.name or info.id,
            "version": __version__,
            "since": iso_utc(since_ms),
            "place": known_place,
            "channels": channels,
            **({CLOCK: clock} if clock else {}),
            **({ENERGY: energy} if energy else {}),
            "health": _health(conditions),
        }
    )


def online_in_short(station_id: str, since_ms: int) -> bytes:
    """Write no more than that the station is there, for a broker that bears only short messages."""
    return _write({"state": "online", "station": station_id, "since": iso_utc(since_ms)})


def offline(station_id: str, reason: str) -> bytes:
    """Write the message that the station is not there, and why."""
    return _write({"state": "offline", "station": station_id, "reason": reason})


def away(
    station_id: str, reason: str, next_ms: int | None, conditions: Sequence[Condition] = ()
) -> bytes:
    """Write the message that the station is not there for a while, as it means to be.

    ``next_ms`` is when it will be back, None if nobody knows.
    """
    known = {} if next_ms is None else {"next": iso_utc(next_ms)}
    said = {"state": "offline", "station": station_id, "reason": reason}
    return _write({**said, **known, "health": _health(conditions)})


def units(station: Station) -> dict[str, str]:
    """Return the SenML unit of every series of the station, by its name."""
    return {one.name: one.unit.senml for one in station.series()}


def _health(conditions: Sequence[Condition]) -> list[dict[str, str]]:
    return [one.as_json() for one in conditions if not one.sound]


def _write(message: dict[str, Any]) -> bytes:
    return json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode()
