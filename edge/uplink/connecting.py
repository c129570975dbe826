"""A connection in whichever version of MQTT the broker speaks."""

from __future__ import annotations

from collections.abc import Callable

from edge.uplink.backoff import Version, VersionChoice
from edge.uplink.dial import ConnectError
from edge.uplink.reasons import UNSUPPORTED_VERSION
from edge.uplink.session import Session


async def connect(make: Callable[[Version], Session], choice: VersionChoice) -> Session:
    """Connect a session, made for the version to try next; note what became of it.

    Raises ConnectError.
    """
    session = make(choice.current)
    try:
        await session.connect()
    except ConnectError as error:
        if error.not_understood:
            choice.not_understood(said_so=error.code == UNSUPPORTED_VERSION)
        raise
    choice.worked()
    return session
