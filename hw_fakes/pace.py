"""How fast time can run on the bench without leaving the station behind.

Theory of operation. Devices, links and disks take real time, and in a run of days in a minute a
millisecond is a quarter of a minute. Two things slow the clock down. *The station is late*: who
wanted to be woken was not, or a bus passed over a slot because it was not done with the one before.
*A window is open*: a station that is not always connected gives itself minutes to switch on its
modem, connect and send, and what that takes is real.
"""

from __future__ import annotations

from collections.abc import Callable

from edge.uplink.hours import WINDOW
from edge.uplink.timetable import Timetable
from hw_fakes.clock import ScaledClock

_LOOK_EVERY_S = 300.0

# In which a window lasts long enough for anything.
CAREFUL = 1440.0

# It is not slowed down for ever: a run is to end.
_SLOWEST_SHARE = 1 / 6

# Real seconds, and what is done about them.
_LATE = 0.008
_MUCH_SLOWER, _SLOWER, _FASTER = 0.85, 0.96, 1.003


class Pace:
    """Sets the speed of a clock, at most that which it has.

    ``timetable`` tells when the station publishes, ``in_use`` whether its link is, ``passed_over``
    how many slots its buses have passed over so far.
    """

    def __init__(
        self,
        clock: ScaledClock,
        timetable: Callable[[], Timetable | None],
        in_use: Callable[[], bool],
        passed_over: Callable[[], int] = lambda: 0,
    ) -> None:
        self._clock = clock
        self._timetable = timetable
        self._in_use = in_use
        self._passed_over = passed_over
        self._passed = 0
        self._fastest = self._pace = clock.speed
        self._slowest = min(self._fastest, max(CAREFUL, self._fastest * _SLOWEST_SHARE))
        self._slot = 0
        self._used = False
        self._over = False

    async def run(self) -> None:
        """Set the speed, for ever."""
        clock = self._clock
        while True:
            careful = self._window_is_open(clock.utc_ms())
            speed = min(self._pace, CAREFUL) if careful else self._pace
            if speed != clock.speed:
                clock.speed = speed
            until = clock.monotonic() + self._next_look()
            await clock.sleep(until - clock.monotonic())
            self._judge((clock.monotonic() - until) / clock.speed)

    def _judge(self, late: float) -> None:
        passed, self._passed = self._passed, self._passed_over()
        change = _FASTER
        if late > _LATE:
            change = _MUCH_SLOWER
        elif self._passed > passed:
            change = _SLOWER
        self._pace = min(max(self._pace * change, self._slowest), self._fastest)

    def _window_is_open(self, now_ms: int) -> bool:
        """Tell whether a connection is to be made, or stands, that will not stand for long."""
        table = self._timetable()
        if table is None or table.lingers:
            return False
        slot = table.next(now_ms - round(WINDOW * 1000))
        if slot is None or slot > now_ms:
            return False
        if slot != self._slot:
            self._slot, self._used, self._over = slot, False, False
        in_use = self._in_use()
        self._over = self._over or (self._used and not in_use)
        self._used = self._used or in_use
        return not self._over

    def _next_look(self) -> float:
        """Return in how many seconds to look again: a slot is not to be missed."""
        table, now_ms = self._timetable(), self._clock.utc_ms()
        if table is None or table.lingers:
            return _LOOK_EVERY_S
        slot = table.next(now_ms)
        if self._clock.speed < self._pace or slot is None:
            return _LOOK_EVERY_S / 10
        return min(_LOOK_EVERY_S, (slot - now_ms) / 1000 + 0.1)
