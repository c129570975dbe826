"""The receiving end: subscribes to stations, keeps books of what they send, survives its broker."""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import Callable, Sequence
from random import Random

import structlog

from edge.clock import Clock
from edge.readings import Journalled
from edge.uplink.announce import gaps_topic, readings_topic, status_topic
from edge.uplink.backoff import BackOff, Version, VersionChoice
from edge.uplink.books import Library
from edge.uplink.broker import BrokerSettings
from edge.uplink.connecting import connect
from edge.uplink.dial import ConnectError, Message
from edge.uplink.session import ConnectionLostError, RefusedError, Session

ANY_STATION = "+"

OnReadings = Callable[[str, Sequence[Journalled]], None]
"""Takes a station's id and those of its readings that are new."""


class Receiver:
    """Listens to the stations under a topic prefix; ``station`` may be `ANY_STATION`."""

    def __init__(
        self,
        settings: BrokerSettings,
        prefix: str,
        station: str,
        *,
        clock: Clock,
        rng: Random,
        on_readings: OnReadings | None = None,
    ) -> None:
        self.library = Library()
        """What has arrived, by station."""
        self.states: dict[str, str] = {}
        """What each station last said of itself: online or offline."""
        self.unexpected = 0
        """Packets from the broker that nobody asked for, or that MQTT does not allow."""
        self.listening = asyncio.Event()
        """Set while subscribed."""
        self.has_listened = False
        """Whether it ever was."""
        self.link = "not connected yet"
        """How the connection is, in words."""
        self._settings = settings
        self._topics = [readings_topic(prefix, station), status_topic(prefix, station)]
        self._gaps_topic = gaps_topic(prefix, station)
        self._clock = clock
        self._back_off = BackOff(rng)
        self._version = VersionChoice(settings.protocol)
        self._on_readings = on_readings
        self._session: Session | None = None
        self._echo_topic = f"{prefix}/echo/{secrets.token_hex(8)}"
        self._echoes: dict[bytes, asyncio.Future[None]] = {}
        self._log = structlog.get_logger()

    async def run(self) -> None:
        """Listen until cancelled; connect anew whenever the connection is lost."""
        while True:
            try:
                await self._listen()
            except (ConnectError, ConnectionLostError, RefusedError) as error:
                self._note(str(error))
            await self._clock.sleep(self._back_off.next())

    async def catch_up(self) -> None:
        """Return when everything that the broker had for us before this call has been entered.

        Sends a message to ourselves and waits for it: a broker delivers in order. Raises
        ConnectionLostError and RefusedError.
        """
        if self._session is None:
            raise ConnectionLostError(self.link)
        token = secrets.token_bytes(8)
        echo = self._echoes[token] = asyncio.get_running_loop().create_future()
        try:
            await self._session.publish(self._echo_topic, token)
            await asyncio.wait({echo, self._session.ended}, return_when=asyncio.FIRST_COMPLETED)
            if not echo.done():
                raise ConnectionLostError(self._session.ended.result())
        finally:
            del self._echoes[token]

    async def _listen(self) -> None:
        session = await connect(self._make_session, self._version)
        try:
            self._back_off.reset()
            for topic in (*self._topics, self._echo_topic):
                await session.subscribe(topic)
            await self._ask_for_gaps(session)
            self._session = session
            self.listening.set()
            self.has_listened = True
            self._note(f"listening, MQTT {session.version}")
            raise ConnectionLostError(await asyncio.shield(session.ended))
        finally:
            self.listening.clear()
            self._session = None
            await session.close()

    async def _ask_for_gaps(self, session: Session) -> None:
        try:
            await session.subscribe(self._gaps_topic)
        except RefusedError as error:  # readings are worth having without the reasons for gaps
            self._log.warning("receiver is not told why readings are missing", why=str(error))

    def _make_session(self, version: Version) -> Session:
        return Session(
            self._settings,
            version,
            on_message=self._take,
            on_unexpected=self._count_unexpected,
        )

    def _take(self, message: Message) -> None:
        place, _, kind = message.topic.rpartition("/")
        if message.topic == self._echo_topic:
            if (echo := self._echoes.get(message.payload)) and not echo.done():
                echo.set_result(None)
        elif kind == "status":
            self.states[place.rpartition("/")[2]] = _state(message.payload)
        elif kind == "gaps":
            self.library.take_gaps(message.payload)
        elif kind == "readings":
            sender, new = self.library.take(message.payload)
            if new and self._on_readings:
                self._on_readings(sender, new)
        else:
            self._count_unexpected(f"a message on {message.topic!r}")

    def _count_unexpected(self, what: str) -> None:
        self.unexpected += 1
        self._log.debug("unexpected from the broker", what=what)

    def _note(self, link: str) -> None:
        if link != self.link:
            self.link = link
            self._log.info("receiver", link=link)


def _state(payload: bytes) -> str:
    try:
        said = json.loads(payload)
        return str(said["state"]) if isinstance(said, dict) else "unreadable"
    except (ValueError, KeyError, RecursionError):
        return "unreadable"
