"""When the link is to be up: by the timetable, which may change at any time, until we are to stop.

Theory of operation. Where the connection stands between slots it is wanted all the time. Where it
does not, a slot opens a *window*: the connection is wanted until what was pending has gone, but for
no longer than the window lasts. Who waits for anything is woken when the timetable changes.
"""

from __future__ import annotations

import asyncio
from math import inf
from typing import Any

from edge.clock import Clock
from edge.uplink.timetable import Timetable

# However far the next slot is, look at the clock this often, in seconds: it may have been set.
_LONGEST_SLEEP = 60.0

WINDOW = 600.0
"""How long the link is up at most for one slot, in seconds of the clock."""

SPARED = "switched off to spare the battery"


class Hours:
    """Says whether the link is wanted, and waits for that to change. For one task at a time."""

    def __init__(self, timetable: Timetable, clock: Clock) -> None:
        self.leave = asyncio.Event()
        """Set while there may be no connection, and one that is there must end soon."""
        self.stopped = ""
        """Why we are to stop, "" as long as we are not."""
        self.next_try: float | None = None
        """When something is tried next, in monotonic seconds."""
        self._timetable = timetable
        self._clock = clock
        self._ends = -inf
        self._news = asyncio.Event()
        self._heed()

    @property
    def timetable(self) -> Timetable:
        """The timetable that holds."""
        return self._timetable

    def change(self, timetable: Timetable, *, connected: bool) -> None:
        """Go over to another timetable at once.

        Who is ``connected`` gets a window to send what is pending, if the connection is to stand no
        more.
        """
        if timetable == self._timetable:
            return
        if connected and self._timetable.lingers and not timetable.lingers:
            self.open_window()
        self._timetable = timetable
        self._heed()

    def stop(self, why: str) -> None:
        """Want no connection any more."""
        self.stopped = why
        self._heed()

    @property
    def wanted(self) -> bool:
        """Whether there is to be a connection now."""
        return not self.leave.is_set() and self.window_left > 0

    @property
    def window_left(self) -> float:
        """How many seconds more a connection is wanted, if nothing changes."""
        return inf if self._timetable.lingers else self._ends - self._clock.monotonic()

    def open_window(self) -> None:
        """Want a connection for a while."""
        self._ends = self._clock.monotonic() + WINDOW

    def close_window(self) -> None:
        """Want no more of a connection before the next slot."""
        self._ends = -inf

    async def rest(self) -> None:
        """Wait until a connection is wanted, or we are to stop."""
        table = self._timetable
        slot = table.next(self._clock.utc_ms())
        while not (self.stopped or self.wanted):
            now = self._clock.utc_ms()
            if table is not self._timetable:
                table = self._timetable
                slot = table.next(now)
            elif slot is not None and now >= slot:
                self.open_window()
            else:
                slot = table.sooner(slot, now)
                await self.wait(_LONGEST_SLEEP if slot is None else (slot - now) / 1000)

    async def wait(self, seconds: float, *others: asyncio.Future[Any]) -> None:
        """Wait for a change, or for any of ``others``; not for ever, and so long at most."""
        news = asyncio.ensure_future(self._news.wait())
        timer = asyncio.ensure_future(self._clock.sleep(min(seconds, _LONGEST_SLEEP)))
        try:
            await asyncio.wait({news, timer, *others}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            news.cancel()
            timer.cancel()
        self._news.clear()

    async def pause(self, seconds: float) -> None:
        """Wait before the next try; what is too long for the window is left to the next slot."""
        if seconds >= self.window_left:
            self.close_window()
            return
        self.next_try = until = self._clock.monotonic() + seconds
        table = self._timetable
        while self.wanted and table is self._timetable and self._clock.monotonic() < until:
            await self.wait(until - self._clock.monotonic())
        self.next_try = None

    def plan(self) -> str:
        """Say in words what there is to expect while no connection is wanted; "" while one is."""
        if self.stopped or self.wanted:
            return ""
        now = self._clock.utc_ms()
        slot = self._timetable.next(now)
        if slot is None:
            return SPARED
        return f"publishes next {self._timetable.in_words(slot, now)}"

    def absence(self) -> tuple[str, int | None]:
        """Say why there is no connection, for those far away, and when the next is planned.

        In words, and in UTC milliseconds, None where nobody knows.
        """
        table = self._timetable
        now = self._clock.utc_ms()
        slot = table.next(now)
        if self.stopped:
            return self.stopped, None
        if slot is None:
            return SPARED, None
        if table.lingers:
            return "connects again at once", now
        return f"as planned; publishes next {table.in_words(slot, now)} {table.zone}", slot

    def _heed(self) -> None:
        if self.stopped or not self._timetable.open:
            self.leave.set()
        else:
            self.leave.clear()
        self._news.set()
