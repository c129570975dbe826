"""What a station says of itself: the retained message on its status topic.

The message is a JSON object. ``state`` is "online" or "offline". Online, it describes the station,
so that a receiver can make sense of the readings without the station file::

    {"state": "online", "station": "ash-creek-2", "name": "Ash Creek well 2",
     "version": "0.1.0", "since": "2026-03-01T06:30:00.000Z",
     "place": {"latitude": 39.76, "longitude": -105.22, "elevation": 1731.264},
     "channels": {"level": {"unit": "m", "shown": "ft", "title": "Water above the transducer"}}}

``unit`` is the SenML unit of the values, ``shown`` the unit the station's people use; degrees north
and east, metres above the sea. Offline, ``reason`` tells a station that was stopped from one that
the broker lost sight of; the latter message is the connection's last will.
"""

from __future__ import annotations

import json
from typing import Any

from edge import __version__
from edge.clock import iso_utc
from edge.station.model import Station

STOPPED = "stopped"
LOST = "connection lost"


def readings_topic(prefix: str, station_id: str) -> str:
    """Return the topic of a station's readings."""
    return f"{prefix}/{station_id}/readings"


def status_topic(prefix: str, station_id: str) -> str:
    """Return the topic of a station's status."""
    return f"{prefix}/{station_id}/status"


def online(station: Station, now_ms: int) -> bytes:
    """Write the message that the station is there, since ``now_ms``."""
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
    return _write(
        {
            "state": "online",
            "station": info.id,
            "name": info.name or info.id,
            "version": __version__,
            "since": iso_utc(now_ms),
            "place": known_place,
            "channels": channels,
        }
    )


def offline(station_id: str, reason: str) -> bytes:
    """Write the message that the station is not there, and why."""
    return _write({"state": "offline", "station": station_id, "reason": reason})


def units(station: Station) -> dict[str, str]:
    """Return the SenML unit of every series of the station, by its name."""
    return {one.name: one.unit.senml for one in station.series()}


def _write(message: dict[str, Any]) -> bytes:
    return json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode()
