import asyncio
from zoneinfo import ZoneInfo

import pytest

from edge.uplink.timetable import Timetable
from hw_fakes.clock import ScaledClock
from hw_fakes.pace import CAREFUL, Pace

MIDNIGHT = 1_772_323_200_000  # 2026-03-01 00:00 UTC
FAST = 10_000.0


def twice_a_day():
    return Timetable(3_600_000, at=(360, 1080), zone=ZoneInfo("UTC"))


class Bench:
    """A clock, its pace, and what a station's link does."""

    def __init__(self, timetable, hour):
        self.clock = ScaledClock(MIDNIGHT + round(hour * 3_600_000), FAST)
        self.in_use = False
        self.pace = Pace(self.clock, lambda: timetable, lambda: self.in_use)

    async def __aenter__(self):
        self._task = asyncio.create_task(self.pace.run())
        return self

    async def __aexit__(self, *_):
        self._task.cancel()
        await asyncio.wait([self._task])

    async def careful(self, *, is_careful):
        async with asyncio.timeout(5):
            while (self.clock.speed <= CAREFUL) is not is_careful:  # noqa: ASYNC110
                await asyncio.sleep(0)


async def test_time_goes_slowly_from_a_slot_until_the_link_has_been_used():
    async with Bench(twice_a_day(), 5.5) as bench:
        await bench.careful(is_careful=True)
        assert 6 * 3_600_000 <= bench.clock.utc_ms() - MIDNIGHT < 7 * 3_600_000
        bench.in_use = True
        await bench.clock.sleep(100)
        assert bench.clock.speed == CAREFUL
        bench.in_use = False
        await bench.careful(is_careful=False)
        assert bench.clock.utc_ms() - MIDNIGHT < 8 * 3_600_000
        await bench.careful(is_careful=True)  # until the next slot
        assert bench.clock.utc_ms() - MIDNIGHT >= 18 * 3_600_000


async def test_a_link_that_does_not_come_up_does_not_hold_time_up_for_long():
    async with Bench(twice_a_day(), 5.9) as bench:
        await bench.careful(is_careful=True)
        await bench.careful(is_careful=False)
        assert bench.clock.utc_ms() - MIDNIGHT < 8 * 3_600_000


@pytest.mark.parametrize(
    "timetable", [None, Timetable(3_600_000, zone=ZoneInfo("UTC"))], ids=["none", "always"]
)
async def test_who_is_always_connected_is_not_waited_for(timetable):
    async with Bench(timetable, 0) as bench:
        bench.in_use = True
        await bench.clock.sleep(3 * 86_400 / 24)
        assert bench.clock.speed > CAREFUL


def test_who_is_late_gets_more_time_and_who_is_in_time_gets_less_again():
    bench = Bench(None, 0)
    for _ in range(100):
        bench.pace._judge(0.05)
    assert bench.pace._pace == pytest.approx(FAST / 6)
    for _ in range(2000):
        bench.pace._judge(0.0)
    assert bench.pace._pace == FAST


def test_a_run_that_is_slow_by_itself_gets_no_slower():
    pace = Pace(ScaledClock(MIDNIGHT, 10.0), lambda: None, lambda: False)
    pace._judge(1.0)
    assert pace._pace == 10.0
