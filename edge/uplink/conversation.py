"""What is said on one connection, from the first word to the farewell.

Theory of operation. Say how the station is, and send; at every slot of the timetable say what has
changed and send again. Where the connection does not stand between slots, it is over as soon as
nothing is under way any more: what is left then would not go now. The backlog then has all of the
link's time, for every second of it costs power. The timetable is looked at again at every turn, so
a connection goes over from the one manner to the other.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress

from edge.clock import Clock
from edge.uplink.bulletins import Bulletins
from edge.uplink.hours import Hours
from edge.uplink.sending import Sender, first_of
from edge.uplink.session import ConnectionLostError, Session
from edge.uplink.timetable import Timetable

# How long a farewell may take, in real seconds: when the station is stopped, and else. Where it
# does not get through the broker will say that the connection was lost.
_FAREWELL = 2.0
_FAREWELL_AT_LEISURE = 10.0


class Conversation:
    """Publishes on one session. Everything raises ConnectionLostError."""

    def __init__(
        self,
        session: Session,
        sender: Sender,
        bulletins: Bulletins,
        hours: Hours,
        clock: Clock,
        *,
        waits_for_time: Callable[[], bool],
    ) -> None:
        """``waits_for_time`` says whether there are readings that wait for their true time."""
        self._waits_for_time = waits_for_time
        self._session = session
        self._sender = sender
        self._bulletins = bulletins
        self._hours = hours
        self._clock = clock

    async def publish(self) -> None:
        """Send for as long as the connection is wanted; once more when we must leave."""
        table = self._hours.timetable
        await self._bulletins.status_if_changed(self._session, stays=table.lingers)
        self._sender.begin(self._session, hurry=not table.lingers)
        await self._bulletins.gaps_at_the_start(self._session)
        slot = table.next(self._clock.utc_ms())
        waited = False
        while self._hours.wanted:
            now = self._clock.utc_ms()
            if table is not self._hours.timetable:
                table = self._hours.timetable
                slot = table.next(now)
                await self._at_slot(table)
            if waited and not (self._waits_for_time() or table.lingers):
                await self._at_slot(table)  # what waited can go at once
            # A time server may be out there: its answer is worth a longer visit.
            waited = self._waits_for_time()
            await self._sender.fill(self._session)
            if table is self._hours.timetable and not waited and self._is_over(table):
                # Where connections were lost over them, they did not come first.
                await self._bulletins.gaps(self._session)
                return
            now = self._clock.utc_ms()
            slot = table.sooner(slot, now)
            if slot is None or slot > now:
                await self._until_something_happens(slot, now)
            else:
                slot = table.next(now)
                await self._at_slot(table)
        if self._hours.leave.is_set():
            await self._send_the_rest()
        else:
            await self._wait_for_answers()

    async def take_leave(self) -> None:
        """Say farewell, and why, and end the session in the manner that wakes no will."""
        reason, next_ms = self._hours.absence()
        stopped = bool(self._hours.stopped)
        with suppress(TimeoutError):
            async with asyncio.timeout(_FAREWELL if stopped else _FAREWELL_AT_LEISURE):
                if stopped:
                    await self._bulletins.farewell(self._session, reason)
                else:
                    await self._bulletins.away(self._session, reason, next_ms)
                await self._session.close()

    def _is_over(self, table: Timetable) -> bool:
        return not (table.lingers or self._sender.under_way)

    async def _until_something_happens(self, slot: int | None, now: int) -> None:
        """Wait until the slot at most, for answers, for the end, or until backlog may go on."""
        seconds = self._hours.window_left
        if slot is not None:
            self._hours.next_try = self._clock.monotonic() + (slot - now) / 1000
            seconds = min(seconds, (slot - now) / 1000)
        backlog = self._sender.wait()
        if backlog is not None:
            seconds = min(seconds, backlog)
        await self._hours.wait(seconds, self._session.ended, *self._sender.under_way)
        self._sender.settle()
        if self._session.ended.done():
            raise ConnectionLostError(self._session.ended.result())

    async def _at_slot(self, table: Timetable) -> None:
        self._sender.slot(hurry=not table.lingers)
        self._bulletins.slot()
        await self._bulletins.status_if_changed(self._session, stays=table.lingers)
        await self._bulletins.gaps(self._session)

    async def _send_the_rest(self) -> None:
        self._sender.slot(hurry=True)
        await self._bulletins.status_if_changed(self._session, stays=False)
        await self._bulletins.gaps(self._session)
        while True:
            await self._sender.fill(self._session)
            if not self._sender.under_way:
                break
            await self._one_answer()

    async def _wait_for_answers(self) -> None:
        while self._sender.under_way:
            await self._one_answer()

    async def _one_answer(self) -> None:
        await first_of(self._sender.under_way)
        self._sender.settle()
