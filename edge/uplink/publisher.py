"""The task that brings what the journal holds to the broker, for ever.

Theory of operation. Connect; say who we are; send; at every publish slot say what has changed and
send again. When the connection is lost, pause and begin anew. All memory of what the broker has is
in the store: a message is done when the broker has acknowledged it, and until then it may be sent
again. So a reading may arrive twice, but not never; receivers tell duplicates by the readings'
numbers. What is gone, and so will never arrive, is stated, until that is acknowledged too.

What goes when, and what a failed message means, is the matter of `edge.uplink.sending`. A refusal
(no right to publish, quota used up) is not a lost connection: nothing is thrown away.

Slots and pauses are counted on the clock; the time allowed for a farewell is real.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from random import Random
from typing import Any

import structlog

from edge.clock import Clock, next_slot, wait_for_event
from edge.health import Condition
from edge.station.model import Station, Uplink
from edge.uplink import announce
from edge.uplink.backoff import BackOff, ShortConnections, Version, VersionChoice
from edge.uplink.bulletins import Bulletins
from edge.uplink.connecting import connect
from edge.uplink.link import Store, UplinkState
from edge.uplink.reasons import RETAIN_NOT_SUPPORTED
from edge.uplink.sending import Sender, first_of
from edge.uplink.session import (
    Allowances,
    BrokerSettings,
    ConnectError,
    ConnectionLostError,
    Message,
    Session,
)

# However far the next slot is, look at the clock this often, in seconds: it may have been set.
_LONGEST_SLEEP = 60.0

# How long the last readings may take when the station is stopped, in real seconds.
_LAST_SENDING = 5.0
_FAREWELL = 2.0


class Publisher:
    """Publishes one station's readings and status, and states the gaps in its numbers."""

    def __init__(
        self,
        station: Station,
        store: Store,
        broker: BrokerSettings,
        *,
        clock: Clock,
        rng: Random,
        conditions: Callable[[], Sequence[Condition]] = tuple,
        allowances: Allowances | None = None,
    ) -> None:
        """``station`` must have an uplink section; ``rng`` jitters the pauses.

        ``conditions`` tells how the parts of the station are, for its status message.
        """
        if station.uplink is None:
            raise ValueError("a station without an uplink section publishes nothing")
        self.state = UplinkState()
        self._plan: Uplink = station.uplink
        self._id = station.station.id
        self._status_topic = announce.status_topic(self._plan.topic_prefix, self._id)
        self._broker = broker
        self._clock = clock
        self._allowances = allowances
        self._back_off = BackOff(rng)
        self._short = ShortConnections()
        self._version = VersionChoice(broker.protocol)
        # Series that the station file no longer has may still wait to be sent.
        old = {name: unit.senml for name, unit in store.units.items()}
        self._sender = Sender(
            store,
            self._plan,
            self._id,
            old | announce.units(station),
            self.state,
            clock=clock,
            note=self._note,
            on_arrival=self._back_off.reset,
        )
        self._bulletins = Bulletins(
            station, store, conditions, self._sender, clock=clock, note=self._note
        )
        self._retained = True
        self._since = 0.0
        self._next_try: float | None = None
        self._stop = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()
        self._log = structlog.get_logger()

    @property
    def pending(self) -> int:
        """How many readings that may be sent the broker has not acknowledged yet."""
        return self._sender.pending

    def condition(self) -> Condition:
        """Say how the link is."""
        now = self._clock.monotonic()
        left = None if self._next_try is None else max(0.0, self._next_try - now)
        return self.state.condition(self.pending, left)

    def summary(self) -> str:
        """One line on how the link is."""
        link = f"connected, MQTT {self.state.version}" if self.state.connected else "not connected"
        parts = [f"{link}: {self.state.why}" if self.state.why else link]
        return ", ".join([*parts, f"{self.pending} readings to send"])

    def dropped(self, first: int, last: int) -> None:
        """Take note that readings were deleted before the broker had them."""
        self._sender.dropped(first, last)

    async def run(self) -> None:
        """Publish until `stop`. No fault of the network or the broker ends it."""
        self._idle.clear()
        stopping = asyncio.ensure_future(self._stop.wait())
        try:
            while not self._stop.is_set():
                self._next_try = None
                try:
                    await self._one_connection(stopping)
                except (ConnectError, ConnectionLostError) as error:
                    self._note(str(error))
                pause = self._back_off.next()
                self._next_try = self._clock.monotonic() + pause
                await wait_for_event(self._stop, self._clock, pause)
        finally:
            self._next_try = None
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
            await first_of((publishing, stopping))
            with suppress(TimeoutError):
                await asyncio.wait_for(publishing, _LAST_SENDING)
            await self._take_leave(session)
        except ConnectionLostError as error:
            raise ConnectionLostError(self._why_lost(session, str(error))) from None
        finally:
            publishing.cancel()
            self._sender.end()
            self.state.connected = False
            session.abort()

    async def _connect(self, stopping: asyncio.Future[Any]) -> Session | None:
        connecting = asyncio.ensure_future(connect(self._make_session, self._version))
        try:
            await first_of((connecting, stopping))
            if not connecting.done():
                return None
            session = connecting.result()
        except ConnectError as error:
            if error.code == RETAIN_NOT_SUPPORTED:
                # Who comes late then does not learn how the station is; readings go all the same.
                self._retained = False
            raise
        finally:
            connecting.cancel()
        self._since = self._clock.monotonic()
        self._bulletins.begin()
        self.state.connected, self.state.version = True, session.version
        self.state.why = ""
        self._log.info("connected to the broker", version=session.version, pending=self.pending)
        return session

    def _make_session(self, version: Version) -> Session:
        lost = announce.offline(self._id, announce.LOST)
        will = Message(self._status_topic, lost, retained=self._retained)
        return Session(
            self._broker,
            version,
            will=will,
            on_unexpected=self._count_unexpected,
            allowances=self._allowances,
        )

    def _why_lost(self, session: Session, why: str) -> str:
        """Draw the consequences of a lost connection; say why it was lost."""
        with suppress(ConnectionLostError):
            self._sender.settle()
        in_vain = self._sender.in_vain
        self._sender.blame()
        again_and_again = self._short.ended(self._clock.monotonic() - self._since)
        name = self._broker.client_id
        if session.taken_over:
            self._back_off.lengthen()
            return f'another client uses the client id "{name}" and has taken over the connection'
        if again_and_again and not in_vain:
            self._back_off.lengthen(self._short.in_a_row - 1)
            return f'{why}, each time soon after it began: does another use the client id "{name}"?'
        if self._short.in_a_row == 0 and not in_vain:
            self._back_off.reset()
        return why

    async def _publish(self, session: Session, stopping: asyncio.Future[Any]) -> None:
        """Send what is pending now and at every slot; once more when we are to stop."""
        await self._bulletins.status(session)
        self._sender.begin(session)
        await self._bulletins.gaps_at_the_start(session)
        interval = round(self._plan.publish.value * 1000)
        slot = next_slot(self._clock.utc_ms(), interval)
        while not self._stop.is_set():
            await self._sender.fill(session)
            left = slot - self._clock.utc_ms()
            if left > interval:  # the clock was set back
                slot = next_slot(self._clock.utc_ms(), interval)
            elif left > 0:
                self._next_try = self._clock.monotonic() + left / 1000
                await self._until_something_happens(session, stopping, left / 1000)
            else:
                slot = next_slot(self._clock.utc_ms(), interval)
                await self._at_slot(session)
        await self._send_the_rest(session)

    async def _until_something_happens(
        self, session: Session, stopping: asyncio.Future[Any], seconds: float
    ) -> None:
        """Wait, for so long at most, for answers, for the end, or until backlog may go on."""
        backlog = self._sender.wait()
        seconds = min(seconds, _LONGEST_SLEEP, seconds if backlog is None else backlog)
        timer = asyncio.ensure_future(self._clock.sleep(seconds))
        try:
            await first_of((timer, session.ended, stopping, *self._sender.under_way))
        finally:
            timer.cancel()
        self._sender.settle()
        if session.ended.done():
            raise ConnectionLostError(session.ended.result())

    async def _at_slot(self, session: Session) -> None:
        self._sender.slot()
        await self._bulletins.status_if_changed(session)
        await self._bulletins.gaps(session)

    async def _send_the_rest(self, session: Session) -> None:
        self._sender.slot(hurry=True)
        await self._bulletins.gaps(session)
        while True:
            await self._sender.fill(session)
            if not self._sender.under_way:
                break
            await first_of(self._sender.under_way)
            self._sender.settle()

    async def _take_leave(self, session: Session) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(_FAREWELL):
                await self._bulletins.farewell(session)
                await session.close()
        self.state.why = "stopped"
        self._log.info("left the broker", pending=self.pending)

    def _count_unexpected(self, what: str) -> None:
        self.state.unexpected += 1
        self._log.debug("unexpected from the broker", what=what)

    def _note(self, why: str) -> None:
        """Log how the link is when that has changed."""
        if why == self.state.why:
            return
        self.state.why = why
        if why:
            self._log.warning("broker", why=why, pending=self.pending)
        else:
            self._log.info("broker takes readings", pending=self.pending)
