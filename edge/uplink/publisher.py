"""The task that brings what the journal holds to the broker, for ever.

Theory of operation. While the timetable wants the link up (`edge.uplink.hours`): switch on what
supplies it, connect, and hold a conversation (`edge.uplink.conversation`). When the connection is
lost, pause and begin anew; the supply stays on meanwhile. While the link is not wanted, it is off.
All memory of what the broker has is in the store: a message is done when the broker has
acknowledged it, and until then it may be sent again. So a reading may arrive twice, but not never;
receivers tell duplicates by the readings' numbers. What is gone, and so will never arrive, is
stated, until that is acknowledged too.

What goes when, and what a failed message means, is the matter of `edge.uplink.sending`. A refusal
(no right to publish, quota used up) is not a lost connection: nothing is thrown away.

Slots, windows and pauses are counted on the clock; the time allowed for a farewell is real.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack, suppress
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import structlog

from edge.clock import Clock
from edge.health import Condition
from edge.station.model import Station, Uplink
from edge.uplink import announce
from edge.uplink.backoff import BackOff, RetainChoice, ShortConnections, Version, VersionChoice
from edge.uplink.bulletins import Bulletins
from edge.uplink.connecting import connect
from edge.uplink.conversation import Conversation
from edge.uplink.hours import Hours
from edge.uplink.link import NOT_YET, Store, UplinkState
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
from edge.uplink.supply import Supply, switch_on
from edge.uplink.timetable import Timetable, timetable_of

# How long the last readings may take when we must leave, in real seconds.
_LAST_SENDING = 5.0


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
        supply: Supply | None = None,
        waits_for_time: Callable[[], bool] = bool,
    ) -> None:
        """``station`` must have an uplink section; ``rng`` jitters the pauses.

        ``conditions`` tells how the parts of the station are, for its status message; one named
        "energy" tells what is shed. Without a ``supply`` the link is taken to be powered.
        """
        if station.uplink is None:
            raise ValueError("a station without an uplink section publishes nothing")
        self.state = UplinkState()
        plan: Uplink = station.uplink
        self._id = station.station.id
        self._status_topic = announce.status_topic(plan.topic_prefix, self._id)
        self._broker = broker
        self._clock = clock
        self._allowances = allowances
        self._supply = supply
        self._waits_for_time = waits_for_time
        self._hours = Hours(timetable_of(plan, ZoneInfo(station.station.timezone)), clock)
        self._back_off = BackOff(rng)
        self._short = ShortConnections()
        self._version = VersionChoice(broker.protocol)
        self._retain = RetainChoice()
        # Series that the station file no longer has may still wait to be sent.
        old = {name: unit.senml for name, unit in store.units.items()}
        self._sender = Sender(
            store,
            plan,
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
        self._since = 0.0
        self._idle = asyncio.Event()
        self._idle.set()
        self._log = structlog.get_logger()

    @property
    def timetable(self) -> Timetable:
        """When readings are published. Another one takes effect at once."""
        return self._hours.timetable

    @timetable.setter
    def timetable(self, timetable: Timetable) -> None:
        self._hours.change(timetable, connected=self.state.connected)

    @property
    def pending(self) -> int:
        """How many readings that may be sent the broker has not acknowledged yet."""
        return self._sender.pending

    def condition(self) -> Condition:
        """Say how the link is."""
        hours = self._hours
        now = self._clock.monotonic()
        left = None if hours.next_try is None else max(0.0, hours.next_try - now)
        plan = hours.plan() or ("" if hours.timetable.lingers else "connecting")
        spared = not (hours.timetable.open or hours.stopped)
        return self.state.condition(self.pending, left, plan, spared=spared)

    def summary(self) -> str:
        """One line on how the link is."""
        link = f"connected, MQTT {self.state.version}" if self.state.connected else "not connected"
        link = f"{link}: {self.state.why}" if self._says_why else link
        plan = "" if self.state.connected else self._hours.plan()
        link = f"{link}; {plan}" if plan else link
        return f"{link}, {self.pending} readings to send"

    @property
    def _says_why(self) -> bool:
        away = not self.state.connected and not self._hours.stopped and self._hours.leave.is_set()
        return bool(self.state.why) and not away

    def dropped(self, first: int, last: int) -> None:
        """Take note that readings were deleted before the broker had them."""
        self._sender.dropped(first, last)

    async def run(self) -> None:
        """Publish until `stop`. No fault of the network or the broker ends it."""
        self._idle.clear()
        try:
            while not self._hours.stopped:
                if self._hours.wanted:
                    await self._be_up()
                else:
                    await self._rest()
        finally:
            self._hours.next_try = None
            self._idle.set()

    async def stop(self, why: str = announce.STOPPED) -> None:
        """Send what is pending, for a few seconds at most, say farewell, and end `run`.

        ``why`` is told to the broker; it is not empty.
        """
        self._hours.stop(why)
        await self._idle.wait()

    # ------------------------------------------------------------------------ up, and not

    async def _rest(self) -> None:
        """Wait until the link is wanted."""
        if self.state.why == NOT_YET:
            self.state.why = ""
        await self._hours.rest()
        if not self._hours.timetable.lingers:
            self._back_off.reset()
            self._sender.slot()
            self._bulletins.slot()

    async def _be_up(self) -> None:
        """Have the link's supply on, and connect again and again, for as long as that is wanted."""
        async with AsyncExitStack() as stack:
            why = await switch_on(self._supply, stack, self._hours) if self._supply else ""
            while not why and self._hours.wanted:
                try:
                    await self._one_connection()
                except (ConnectError, ConnectionLostError) as error:
                    self._note(str(error))
                if self._hours.wanted:
                    await self._hours.pause(self._back_off.next())
        if why and not self._hours.leave.is_set():
            self._note(why)
            await self._hours.pause(self._back_off.next())

    # ------------------------------------------------------------------------- one connection

    async def _one_connection(self) -> None:
        """Connect, and publish until the connection is lost or not wanted any more.

        Raises ConnectError and ConnectionLostError.
        """
        leaving = asyncio.ensure_future(self._hours.leave.wait())
        try:
            session = await self._connect(leaving)
            if session is not None:
                await self._converse(session, leaving)
        finally:
            leaving.cancel()

    async def _converse(self, session: Session, leaving: asyncio.Future[Any]) -> None:
        talk = Conversation(
            session,
            self._sender,
            self._bulletins,
            self._hours,
            self._clock,
            waits_for_time=self._waits_for_time,
        )
        publishing = asyncio.ensure_future(talk.publish())
        try:
            await first_of((publishing, leaving))
            with suppress(TimeoutError):
                await asyncio.wait_for(publishing, _LAST_SENDING)
            await talk.take_leave()
            self._left()
        except ConnectionLostError as error:
            raise ConnectionLostError(self._why_lost(session, str(error))) from None
        finally:
            publishing.cancel()
            self._sender.end()
            self.state.connected, self._hours.next_try = False, None
            session.abort()

    def _left(self) -> None:
        self._hours.close_window()
        self._short.left()
        if self._hours.stopped:
            self.state.why = self._hours.stopped
        self._log.info("left the broker", pending=self.pending)

    async def _connect(self, leaving: asyncio.Future[Any]) -> Session | None:
        retained, version = self._retain.current, self._version.current
        connecting = asyncio.ensure_future(connect(self._make_session, self._version))
        try:
            await first_of((connecting, leaving))
            if not connecting.done():
                return None
            session = connecting.result()
        except ConnectError as error:
            if error.code == RETAIN_NOT_SUPPORTED:
                # Who comes late then does not learn how the station is; readings go all the same.
                self._retain.refused()
            elif error.not_understood and version == "3.1.1":
                self._retain.hung_up()
            raise
        finally:
            connecting.cancel()
        self._retain.worked()
        self._since = self._clock.monotonic()
        self._bulletins.begin(retained=retained)
        self.state.connected, self.state.version = True, session.version
        self.state.why = ""
        self._log.info("connected to the broker", version=session.version, pending=self.pending)
        return session

    def _make_session(self, version: Version) -> Session:
        lost = announce.offline(self._id, announce.LOST)
        if not self._hours.timetable.lingers:
            planned, next_ms = self._hours.absence()
            lost = announce.away(self._id, f"{announce.LOST}; {planned}", next_ms)
        will = Message(self._status_topic, lost, retained=self._retain.current)
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
