"""From the station file to what a connection needs: paths made absolute, the password read."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from edge.station.loader import secret_path
from edge.station.model import Station
from edge.uplink.broker import BrokerSettings


class SettingsError(Exception):
    """A file that the uplink needs cannot be read; says which, and why."""


def broker_settings(
    station: Station, station_file: Path, environ: Mapping[str, str]
) -> BrokerSettings | None:
    """Return how to reach the station's broker, None where it has no uplink.

    Files are looked for in systemd's credentials directory, then beside the station file. Raises
    SettingsError.
    """
    uplink = station.uplink
    if uplink is None:
        return None
    password = None
    if uplink.password_file is not None:
        path = secret_path(uplink.password_file, station_file, environ)
        try:
            password = path.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "not a text in UTF-8"
            raise SettingsError(
                f"{station_file}: uplink.password_file: found {path}: {why}, "
                "expected a file that holds the password"
            ) from None
        if not password:
            raise SettingsError(
                f"{station_file}: uplink.password_file: found {path} empty, expected the password"
            )
    return BrokerSettings.from_uplink(
        uplink,
        station.station.id,
        password,
        lambda name: secret_path(name, station_file, environ),
    )
