"""A station whose clock is wrong: every reading must arrive with its true time, or be said unsure.

The station lives faster than in life (`tests.faults.scaled_rig`), on a computer whose wall clock is
set at will, and whose kernel says that a time server sets it when it is told to. One of its
channels reads the true time of the world: whatever the clock showed, each round that arrives says
itself when it was taken.

Readings of a run of the computer in which the time was never known cannot have their true time;
they must say so (``time-unsure``), and no others may.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from edge.journal.export import JournalReader
from edge.status import Reason
from tests.faults.ledger import Ledger
from tests.faults.meter_station import TRUTH
from tests.faults.process import EndedError
from tests.faults.scaled_rig import ScaledRig
from tests.faults.scaled_time import START
from tests.faults.scenario import Progress, Scenario

# An hour of the station passes in a quarter of a minute.
SPEED = 240.0
_MINUTE, _HOUR, _DAY_MS = 60.0, 3600.0, 86_400_000

# How far the value that is the true time and the reading's stamp may lie apart: on a busy machine a
# second of real time may pass between the two. Every error made here is larger.
_TOLERANCE_S = 300.0

# Polling must not stop because the clock was set.
_LONGEST_SILENCE_S = 600.0

_AT_A_TIME = 3

IN_1970 = -START
"""Error in milliseconds of a clock that begins at 1970-01-01 with the world."""


@dataclass(slots=True)
class Course:
    """One station's life, as far as it needs to be judged."""

    rig: ScaledRig
    arrived_untrusted: int = 0
    unsure_allowed: int = 0
    """Readings numbered up to this may have no certain time."""
    downs: list[tuple[float, float]] = field(default_factory=list)
    """When the station was down, in seconds of the world."""
    _down_since: float | None = None

    async def start(self, **conditions: object) -> None:
        """Start the station; it is down until it runs."""
        await self.rig.run_station(**conditions)
        if self._down_since is not None:
            self.downs.append((self._down_since, self.rig.world.seconds()))

    async def run_for(self, seconds: float) -> None:
        await self.rig.world.sleep(seconds)

    async def go_down(self, seconds: float, *, kill: bool) -> None:
        """End the station, and leave it down so long."""
        process, self._down_since = self.rig.process, self.rig.world.seconds()
        assert process
        if kill:
            await process.kill()
        else:
            await process.stop()
        await self.rig.world.sleep(seconds)

    def set_right(self) -> None:
        """Let a time server set the clock."""
        self.rig.tell("error 0")
        self.rig.tell("synchronised")

    def set_by_hand(self, error_ms: int) -> None:
        """Set the clock wrong; the kernel then no longer calls it synchronised."""
        self.rig.tell("unsynchronised")
        self.rig.tell(f"error {error_ms}")

    def nothing_yet(self) -> None:
        """Take note of what has arrived although the time was not known."""
        self.arrived_untrusted += len(self.rig.office.arrivals.readings)


async def set_right_after_an_hour(course: Course) -> None:
    await course.start(error_ms=IN_1970, synchronised=False)
    await course.run_for(_HOUR)
    course.nothing_yet()
    course.set_right()


async def a_day_ahead_at_the_start(course: Course) -> None:
    await course.start(error_ms=_DAY_MS, synchronised=False)
    await course.run_for(30 * _MINUTE)
    course.nothing_yet()
    course.set_right()
    await course.run_for(30 * _MINUTE)


async def set_back_by_a_day(course: Course) -> None:
    await _set_by_hand(course, -_DAY_MS)


async def set_forward_by_a_day(course: Course) -> None:
    await _set_by_hand(course, _DAY_MS)


async def _set_by_hand(course: Course, error_ms: int) -> None:
    await course.start()
    await course.run_for(15 * _MINUTE)
    course.set_by_hand(error_ms)
    await course.run_for(30 * _MINUTE)
    course.set_right()
    await course.run_for(15 * _MINUTE)


async def two_restarts_in_1970(course: Course) -> None:
    await course.start(error_ms=IN_1970, synchronised=False)
    for kill in (False, True):
        await course.run_for(20 * _MINUTE)
        await course.go_down(20 * _MINUTE, kill=kill)
        await course.start(error_ms=IN_1970, synchronised=False)
    await course.run_for(20 * _MINUTE)
    course.nothing_yet()
    course.set_right()


async def power_cut_in_1970(course: Course) -> None:
    await course.start(error_ms=IN_1970, synchronised=False)
    await course.run_for(30 * _MINUTE)
    await course.go_down(20 * _MINUTE, kill=True)
    course.unsure_allowed = await asyncio.to_thread(_newest, course.rig)
    now = course.rig.world.seconds()
    in_1970_again = IN_1970 - round(now * 1000)
    await course.start(error_ms=in_1970_again, synchronised=False, booted=now, boot="second-boot")
    await course.run_for(20 * _MINUTE)
    course.nothing_yet()
    course.set_right()


COURSES: tuple[Callable[[Course], Awaitable[None]], ...] = (
    set_right_after_an_hour,
    a_day_ahead_at_the_start,
    set_back_by_a_day,
    set_forward_by_a_day,
    two_restarts_in_1970,
    power_cut_in_1970,
)


async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    """Run ``count`` of the courses, one after another and from the first again."""
    ledger = Ledger("clock", count)
    ledger.measures |= dict.fromkeys(("stamped_wrong", "time_unsure", "arrived_untrusted"), 0)
    worst: list[float] = [0.0]
    places = asyncio.Semaphore(_AT_A_TIME)

    async def one(number: int) -> None:
        course = COURSES[(seed - 1 + number) % len(COURSES)]
        async with places:
            own = directory / f"{number}"
            own.mkdir()
            progress(f"{_words(course)} ...")
            worst.append(await _course(course, own, ledger))

    async with asyncio.TaskGroup() as group:
        for number in range(count):
            group.create_task(one(number))
    names = [
        _words(COURSES[(seed - 1 + n) % len(COURSES)]) for n in range(min(count, len(COURSES)))
    ]
    ledger.measures |= {"worst_error_s": max(worst), "courses": names}
    return ledger


async def _course(
    course: Callable[[Course], Awaitable[None]], directory: Path, ledger: Ledger
) -> float:
    """Run a course and judge it; return the largest error of a time said to be certain, in s."""
    async with ScaledRig(directory, SPEED) as rig:
        taken = Course(rig)
        complaints = Ledger("clock", 1)
        try:
            await course(taken)
            await rig.close(complaints)
        except EndedError as error:
            complaints.complaints.append(str(error))
        worst = _judge(taken, complaints)
    ledger.complaints += [f"{_words(course)}: {words}" for words in complaints.complaints]
    ledger.journalled += complaints.journalled
    ledger.arrived += complaints.arrived
    ledger.lost += complaints.lost
    ledger.doubled += complaints.doubled
    ledger.pulses_lost += complaints.pulses_lost
    for name, number in complaints.measures.items():
        ledger.measures[name] += number
    return worst


def _judge(course: Course, ledger: Ledger) -> float:
    rig = course.rig
    wrong, unsure, undue, worst = 0, 0, 0, 0.0
    taken: list[float] = []
    for seq, reading in sorted(rig.office.arrivals.readings.items()):
        if reading.series == TRUTH and reading.value is not None:
            taken.append(rig.taken_at(reading))
        if not taken:
            continue
        if reading.reason is Reason.TIME_UNSURE:
            unsure += 1
            undue += seq > course.unsure_allowed
        # Where there is no good value, the reason says why, and the doubt about the time is lost.
        elif seq > course.unsure_allowed:
            error = abs((reading.utc_ms - START) / 1000 - taken[-1])
            worst = max(worst, error)
            wrong += error > _TOLERANCE_S
    ledger.measures |= {
        "stamped_wrong": wrong,
        "time_unsure": unsure,
        "arrived_untrusted": course.arrived_untrusted,
    }
    checks = {
        f"{wrong} readings arrived with a wrong time": wrong,
        f"{undue} readings said to be unsure whose time was known": undue,
        f"{course.arrived_untrusted} readings sent before the time was known": (
            course.arrived_untrusted
        ),
        "no reading of the boot before the power cut says that its time is unsure": (
            course.unsure_allowed and not unsure
        ),
    }
    ledger.complaints += [words for words, so in checks.items() if so]
    for begin, end in pairwise(taken):
        silence = (
            end
            - begin
            - sum(until - since for since, until in course.downs if begin <= since < end)
        )
        if silence > _LONGEST_SILENCE_S:
            ledger.complaints.append(
                f"not polled for {silence:.0f} s, {begin:.0f} s from the start"
            )
    return worst


def _newest(rig: ScaledRig) -> int:
    """Return the highest number in the journal of a station that is down."""
    return max((row.seq for row in JournalReader(rig.journal).rows()), default=0)


def _words(course: Callable[[Course], Awaitable[None]]) -> str:
    return course.__name__.replace("_", " ")


SCENARIO = Scenario(
    name="clock",
    about="the clock stands at 1970, or is set by days, through restarts and power cuts",
    default_count=len(COURSES),
    run=run,
)
