"""A station through a long outage of its link, in a process of its own and in a few seconds a day.

``python -m tests.faults.outage_station COURSE`` runs the daemon, whole but for its bus: in place of
the bus a task hands over a round of samples a minute, each committed by itself, on a clock that
goes on as fast as the commits do. After ``minutes`` of that it goes on at the pace of life, with a
round a second. Its standard output takes a JSON object a line: what the rounds have cost, once the
fast part is over; and the newest number in the journal when the broker was reached.

While it looks for the broker, once the fast part is over, time still goes faster than in life: the
pauses between its attempts are minutes by then.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from random import Random

# As `livezero run` does: it would count for memory that no daemon uses.
sys.modules.setdefault("rich", None)

from edge.commands.common import stop_on_signals
from edge.daemon import Daemon
from edge.health import Condition
from edge.host.logs import set_up_logs
from edge.journal.journal import Journal
from edge.readings import Sample
from edge.station.loader import load
from edge.station.model import Station
from edge.status import Category
from edge.uplink.settings import broker_settings
from hw_fakes.clock import ManualClock
from tests.faults.meter_station import METER, TRUTH

PULSES_A_ROUND = 7

_MINUTE = 60.0
_TICK_S = 0.02
_SPEED_WHILE_LOOKING = 60.0

# So many rounds at the beginning and at the end are timed.
_TIMED = 1000


@dataclass(frozen=True, slots=True)
class Course:
    """Where a run begins, and how long it lasts without a link."""

    file: str
    journal: str
    start_utc_ms: int
    first_round: int
    minutes: int

    def as_argument(self) -> str:
        return json.dumps(asdict(self))


class PlayedBus:
    """What stands in for a bus: rounds of samples known beforehand."""

    def __init__(self, course: Course, station: Station, clock: ManualClock) -> None:
        self.daemon: Daemon
        self._course = course
        self._clock = clock
        self._channels = list(station.measured)
        self._round = course.first_round
        self._spent_ns: list[int] = []

    async def run(self) -> None:
        """Play the outage, then go on for ever at the pace of life."""
        for _ in range(self._course.minutes):
            await self._clock.advance(_MINUTE)
            begin = time.process_time_ns()
            self._play()
            await self.daemon.writer.flush()
            self._spent_ns.append(time.process_time_ns() - begin)
        _say(self._costs())
        await self._live()

    def condition(self) -> Condition:
        """Nothing is ever the matter with it."""
        return Condition("bus panel", Category.NORMAL, "played")

    async def _live(self) -> None:
        publisher = self.daemon.publisher
        assert publisher
        reached = False
        last, due = time.monotonic(), self._clock.monotonic()
        while True:
            await asyncio.sleep(_TICK_S)
            now = time.monotonic()
            speed = 1.0 if reached else _SPEED_WHILE_LOOKING
            await self._clock.advance((now - last) * speed)
            last = now
            if publisher.state.connected and not reached:
                reached = True
                _say({"newest_when_reached": self.daemon.writer.newest})
            if self._clock.monotonic() >= due:
                self._play()
                due = self._clock.monotonic() + 1.0

    def _play(self) -> None:
        utc_ms, monotonic = self._clock.utc_ms(), self._clock.monotonic()
        self.daemon.take_round(
            [
                (Sample(name, utc_ms, monotonic, self._raw(n, name)), True)
                for n, name in enumerate(self._channels)
            ]
        )
        self._round += 1

    def _raw(self, n: int, channel: str) -> float:
        match channel:
            case _ if channel == TRUTH:
                return float(self._round)
            case _ if channel == METER:
                return float(PULSES_A_ROUND * self._round)
        return float((self._round * (n + 3)) % 65_536)

    def _costs(self) -> dict[str, float]:
        return {
            "rounds": len(self._spent_ns),
            "first_us": _mean_us(self._spent_ns[:_TIMED]),
            "last_us": _mean_us(self._spent_ns[-_TIMED:]),
        }


def _mean_us(spent_ns: Sequence[int]) -> float:
    return sum(spent_ns) / max(1, len(spent_ns)) / 1000


def _say(words: dict[str, float]) -> None:
    print(json.dumps(words), flush=True)


async def run(course: Course) -> None:
    """Run the daemon until told to stop."""
    clock = ManualClock(course.start_utc_ms)
    file = Path(course.file)
    station = load(file)
    bus = PlayedBus(course, station, clock)
    bus.daemon = Daemon(
        station,
        Journal(Path(course.journal), station.series()),
        broker_settings(station, file, os.environ),
        clock=clock,
        environ={},
        rng=Random(1),
    )
    bus.daemon.buses = {"panel": bus}
    await bus.daemon.run(stop_on_signals())


if __name__ == "__main__":
    set_up_logs("json")
    asyncio.run(run(Course(**json.loads(sys.argv[1]))))
