"""The task that brings what the journal holds to the broker, for ever.

Theory of operation. Connect; say who we are; send until nothing is pending; wait for the next
publish slot; send again. When the connection is lost, pause and begin anew. All memory of what the
broker has is in the store: a message is done when the broker has acknowledged it, and until then it
may be sent again. So a reading may arrive twice, but not never; receivers tell duplicates by the
readings' numbers.

A refusal of a message (no right to publish, quota used up) is not a lost connection: nothing is
thrown away, and the next slot tries again.

Slots and pauses are counted on the clock; the time allowed for a farewell is real.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from random import Random
from typing import Any, Protocol, TypeVar

import structlog

from edge.clock import Clock, next_slot, wait_for_event
from edge.journal.journal import JournalError
from edge.journal.ranges import RangeSet
from edge.readings import Journalled
from edge.station.model import Station, Uplink
from edge.units import Unit
from edge.uplink import announce
from edge.uplink.backoff import BackOff, VersionChoice
from edge.uplink.outbox import Outbox, Range
from edge.uplink.senml import encode
from edge.uplink.session import (
    BrokerSettings,
    ConnectError,
    ConnectionLostError,
    Message,
    Patience,
    RefusedError,
    Session,
)

T = TypeVar("T")

# However far the next slot is, look at the clock this often, in seconds: it may have been set.
_LONGEST_SLEEP = 60.0

# How long the last readings may take when the station is stopped, in real seconds.
_LAST_SENDING = 5.0
_FAREWELL = 2.0


class Store(Protocol):
    """Where readings wait until the broker has them."""

    @property
    def newest(self) -> int:
        """The highest number there is; numbers begin at 1."""
        ...

    @property
    def sent(self) -> RangeSet:
        """What the broker has acknowledged."""
        ...

    @property
    def units(self) -> Mapping[str, Unit]:
        """Unit of every series' values, by its name."""
        ...

    async def fetch(self, first: int, last: int) -> list[Journalled]:
        """Return the readings numbered from ``first`` to ``last`` that are still there.

        Raises JournalError when they cannot be read.
        """
        ...

    def acknowledge(self, first: int, last: int) -> None:
        """Take note that the broker has these readings."""
        ...


@dataclass(slots=True)
class UplinkState:
    """How the link is, for status lines; counters since the start of the program."""

    connected: bool = False
    why: str = "not connected yet"
    """Why there is no connection, or why the broker takes no readings; "" when all is well."""
    version: str = ""
    """Version of MQTT spoken, once it is known."""
    acknowledged_ms: int | None = None
    """When the broker last acknowledged readings, in UTC milliseconds."""
    packs: int = 0
    readings: int = 0
    bytes: int = 0
    """Packs, readings in them and bytes of payload acknowledged."""


@dataclass(frozen=True, slots=True)
class _Pack:
    """A range of numbers under way, and how much there was in it."""

    range: Range
    readings: int
    bytes: int


class Publisher:
    """Publishes one station's readings and status."""

    def __init__(
        self,
        station: Station,
        store: Store,
        broker: BrokerSettings,
        *,
        clock: Clock,
        rng: Random,
        patience: Patience | None = None,
    ) -> None:
        """``station`` must have an uplink section; ``rng`` jitters the pauses."""
        if station.uplink is None:
            raise ValueError("a station without an uplink section publishes nothing")
        self.state = UplinkState()
        self._plan: Uplink = station.uplink
        self._station = station
        # Series that the station file no longer has may still wait to be sent.
        old = {name: unit.senml for name, unit in store.units.items()}
        self._units = old | announce.units(station)
        self._id = station.station.id
        self._topic = announce.readings_topic(self._plan.topic_prefix, self._id)
        self._status_topic = announce.status_topic(self._plan.topic_prefix, self._id)
        self._store = store
        self._outbox = Outbox(store.newest, store.sent, self._plan.window)
        self._broker = broker
        self._clock = clock
        self._patience = patience
        self._back_off = BackOff(rng)
        self._version = VersionChoice(broker.protocol)
        self._pack_size = self._plan.pack_readings
        self._stop = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()
        self._log = structlog.get_logger()

    @property
    def pending(self) -> int:
        """How many readings the broker has not acknowledged yet."""
        self._outbox.grew(self._store.newest)
        return self._outbox.pending

    def summary(self) -> str:
        """One line on how the link is."""
        link = f"connected, MQTT {self.state.version}" if self.state.connected else "not connected"
        parts = [f"{link}: {self.state.why}" if self.state.why else link]
        return ", ".join([*parts, f"{self.pending} readings to send"])

    def dropped(self, first: int, last: int) -> None:
        """Take note that readings were deleted before the broker had them."""
        self._outbox.dropped(first, last)

    async def run(self) -> None:
        """Publish until `stop`. No fault of the network or the broker ends it."""
        self._idle.clear()
        stopping = asyncio.ensure_future(self._stop.wait())
        try:
            while not self._stop.is_set():
                try:
                    await self._one_connection(stopping)
                except (ConnectError, ConnectionLostError) as error:
                    self._note(str(error))
                await wait_for_event(self._stop, self._clock, self._back_off.next())
        finally:
            stopping.cancel()
            self._idle.set()

    async def stop(self) -> None:
        """Send what is pending, for a few seconds at most, say farewell, and end `run`."""
        self._stop.set()
        await self._idle.wait()

    # ------------------------------------------------------------------------- one connection

    async def _one_connection(self, stopping: asyncio.Future[Any]) -> None:
        """Connect, and publish until the connection is lost or we are to stop.

        Raises ConnectError and ConnectionLostError.
        """
        session = await self._connect(stopping)
        if session is None:
            return
        publishing = asyncio.ensure_future(self._publish(session, stopping))
        try:
            await _first_of((publishing, stopping))
            with suppress(TimeoutError):
                await asyncio.wait_for(publishing, _LAST_SENDING)
            await self._take_leave(session)
        finally:
            publishing.cancel()
            self._outbox.connection_lost()
            self.state.connected = False
            session.abort()

    async def _connect(self, stopping: asyncio.Future[Any]) -> Session | None:
        will = Message(self._status_topic, announce.offline(self._id, announce.LOST), retained=True)
        session = Session(self._broker, self._version.current, will=will, patience=self._patience)
        connecting = asyncio.ensure_future(session.connect())
        try:
            await _first_of((connecting, stopping))
            if not connecting.done():
                return None
            connecting.result()
        except ConnectError as error:
            if error.not_understood:
                self._version.not_understood()
            raise
        finally:
            connecting.cancel()
        self._version.worked()
        self._outbox.window = min(self._plan.window, session.receive_maximum)
        self._pack_size = self._plan.pack_readings
        self.state.connected, self.state.version = True, session.version
        self.state.why = ""
        self._log.info("connected to the broker", version=session.version, pending=self.pending)
        return session

    async def _publish(self, session: Session, stopping: asyncio.Future[Any]) -> None:
        """Send what is pending now and at every slot; once more when we are to stop."""
        await self._say(session, announce.online(self._station, self._clock.utc_ms()))
        while not self._stop.is_set():
            await self._send_pending(session)
            await self._until_slot(session, stopping)
        await self._send_pending(session)

    async def _until_slot(self, session: Session, stopping: asyncio.Future[Any]) -> None:
        interval = round(self._plan.publish.value * 1000)
        slot = next_slot(self._clock.utc_ms(), interval)
        while (left := slot - self._clock.utc_ms()) > 0 and not self._stop.is_set():
            if left > interval:  # the clock was set back
                slot = next_slot(self._clock.utc_ms(), interval)
                continue
            timer = asyncio.ensure_future(self._clock.sleep(min(left / 1000, _LONGEST_SLEEP)))
            await _first_of((timer, session.ended, stopping))
            timer.cancel()
            if session.ended.done():
                raise ConnectionLostError(session.ended.result())

    async def _take_leave(self, session: Session) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(_FAREWELL):
                await self._say(session, announce.offline(self._id, announce.STOPPED))
                await session.close()
        self.state.why = "stopped"
        self._log.info("left the broker", pending=self.pending)

    async def _say(self, session: Session, status: bytes) -> None:
        if not session.fits(self._status_topic, status):
            self._note("the station's status is too large for the broker")
            return
        try:
            await session.publish(self._status_topic, status, retain=True)
        except RefusedError as error:
            self._note(f"the broker refuses the station's status: {error}")

    # ------------------------------------------------------------------------------- sending

    async def _send_pending(self, session: Session) -> None:
        """Send until nothing is pending, or the broker refuses or the journal cannot be read.

        Raises ConnectionLostError.
        """
        under_way: dict[asyncio.Future[None], _Pack] = {}
        hindered = False
        while True:
            if not hindered:
                hindered = not await self._fill_window(session, under_way)
            if not under_way:
                break
            for answer in await _first_of(under_way):
                hindered |= not self._settle(answer, under_way.pop(answer))
        if not hindered:
            self._back_off.reset()
            self._note("")

    async def _fill_window(
        self, session: Session, under_way: dict[asyncio.Future[None], _Pack]
    ) -> bool:
        """Send as much as may be under way; False when the journal cannot be read."""
        self._outbox.grew(self._store.newest)
        while (range_ := self._outbox.next_range(self._pack_size)) is not None:
            try:
                readings = await self._store.fetch(*range_)
            except JournalError as error:
                self._outbox.put_back(*range_)
                self._note(f"the journal cannot be read: {error}")
                return False
            if not readings:  # deleted meanwhile
                self._outbox.acknowledged(*range_)
                continue
            payload = encode(readings, self._id, self._units)
            if not session.fits(self._topic, payload) and len(readings) > 1:
                self._outbox.put_back(*range_)
                self._pack_size = max(1, (range_[1] - range_[0] + 1) // 2)
                continue
            under_way[session.publish(self._topic, payload)] = _Pack(
                range_, len(readings), len(payload)
            )
        return True

    def _settle(self, answer: asyncio.Future[None], pack: _Pack) -> bool:
        """Book what the broker answered; False when it refused. Raises ConnectionLostError."""
        try:
            answer.result()
        except RefusedError as error:
            self._outbox.put_back(*pack.range)
            self._note(f"the broker refuses readings: {error}")
            return False
        self._store.acknowledge(*pack.range)
        self._outbox.acknowledged(*pack.range)
        self._back_off.reset()
        self.state.acknowledged_ms = self._clock.utc_ms()
        self.state.packs += 1
        self.state.readings += pack.readings
        self.state.bytes += pack.bytes
        return True

    def _note(self, why: str, *, severe: bool = True) -> None:
        """Log how the link is when that has changed."""
        if why == self.state.why:
            return
        self.state.why = why
        if not why:
            self._log.info("broker takes readings", pending=self.pending)
        elif severe:
            self._log.warning("broker", why=why, pending=self.pending)
        else:
            self._log.info("broker", why=why, pending=self.pending)


async def _first_of(futures: Iterable[asyncio.Future[T]]) -> set[asyncio.Future[T]]:
    """Wait until one of the futures is done; return all that are."""
    done, _ = await asyncio.wait(set(futures), return_when=asyncio.FIRST_COMPLETED)
    return done
