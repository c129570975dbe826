import asyncio

import pytest

from hw_fakes.clock import ManualClock, ScaledClock

START = 1_772_323_200_000  # 2026-03-01 00:00 UTC


async def test_a_scaled_sleep_lasts_at_least_as_long_as_asked_on_every_scale():
    clock = ScaledClock(START, speed=3600)
    before, real_before = clock.monotonic(), asyncio.get_running_loop().time()
    await clock.sleep(60)
    assert clock.monotonic() - before >= 60
    assert asyncio.get_running_loop().time() - real_before >= 60 / 3600 - 1e-6
    assert clock.utc_ms() >= START + 60_000


def test_utc_and_monotonic_run_together():
    clock = ScaledClock(START, speed=1e6)
    before = clock.monotonic()
    elapsed = (clock.utc_ms() - START) / 1000
    assert before - 0.001 <= elapsed <= clock.monotonic()


async def test_a_sleep_of_nothing_returns():
    await ScaledClock(START).sleep(-1)
    await ManualClock(START).sleep(0)


@pytest.mark.parametrize("speed", [0, -2])
def test_a_clock_must_go_forward(speed):
    with pytest.raises(ValueError, match="cannot run"):
        ScaledClock(START, speed)


async def test_whoever_sleeps_wakes_in_time_though_the_pace_changes():
    clock = ScaledClock(START, speed=1e-3)
    sleeper = asyncio.create_task(clock.sleep(100))  # for a day, at this pace
    await asyncio.sleep(0.01)
    assert not sleeper.done()
    clock.speed = 1e4
    await asyncio.wait_for(sleeper, 5)
    assert clock.monotonic() >= 100
    assert clock.speed == 1e4


def test_the_time_does_not_jump_when_the_pace_changes():
    clock = ScaledClock(START, speed=1e6)
    before = clock.monotonic()
    clock.speed = 1e-6
    there = clock.monotonic()
    assert there >= before
    assert clock.monotonic() - there < 0.001
    with pytest.raises(ValueError, match="cannot run"):
        clock.speed = 0


def test_a_clock_can_begin_anew():
    clock = ScaledClock(START, speed=1e9)
    while clock.monotonic() < 10_000:
        pass
    clock.speed = 1e-6
    clock.begin_anew()
    assert clock.monotonic() < 1
    assert clock.utc_ms() == START


def test_stepping_moves_utc_and_leaves_the_monotonic_scale_alone():
    for clock in (ScaledClock(START, speed=1e-6), ManualClock(START)):
        clock.step(-90_000)
        assert clock.utc_ms() == START - 90_000
        assert 0 <= clock.monotonic() < 1


async def test_manual_time_stands_still_until_advanced():
    clock = ManualClock(START)
    await clock.settle()
    assert (clock.utc_ms(), clock.monotonic()) == (START, 0.0)
    await clock.advance(2.5)
    assert (clock.utc_ms(), clock.monotonic()) == (START + 2500, 2.5)


async def test_sleepers_wake_in_order_each_at_its_own_instant():
    clock = ManualClock(START)
    seen = []

    async def sleeper(name, seconds):
        await clock.sleep(seconds)
        seen.append((name, clock.monotonic()))

    async with asyncio.TaskGroup() as group:
        for name, seconds in [("late", 3), ("early", 1), ("first of two", 2), ("second", 2)]:
            group.create_task(sleeper(name, seconds))
        await clock.advance(0)
        assert clock.sleepers == 4
        await clock.advance(2.9)
        assert seen == [("early", 1), ("first of two", 2), ("second", 2)]
        await clock.advance(0.2)
    assert seen[-1] == ("late", 3)


async def test_who_sleeps_again_within_the_span_is_woken_again():
    clock = ManualClock(START)
    ticks = []

    async def ticker():
        while True:
            await clock.sleep(10)
            ticks.append(clock.utc_ms() - START)

    task = asyncio.create_task(ticker())
    await clock.advance(35)
    assert ticks == [10_000, 20_000, 30_000]
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert clock.sleepers == 0
    await clock.advance(35)
    assert len(ticks) == 3
