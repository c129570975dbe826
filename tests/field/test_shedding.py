"""Buses that slow down, stop, and switch on what they need: on a clock that stands still."""

import asyncio
import contextlib

import structlog

from edge.field.bus import BusTask
from edge.field.output import OutputRules
from edge.field.outputs import Outputs
from edge.field.points import DeviceRules, Point
from edge.status import Category, Reason
from hw_fakes.clock import ManualClock
from tests.field.test_bus import ScriptedDriver
from tests.field.test_outputs import ScriptedSwitch

MINUTE = 60_000
HOUR = 60 * MINUTE


class Bus(ScriptedDriver):
    """A driver that also notes when it is closed."""

    async def close(self):
        self.asked.append(("close", self.clock.monotonic()))
        self.connected = False
        await super().close()

    def polls(self, device):
        return [at for name, at, *_ in self.asked if name == device]


@contextlib.asynccontextmanager
async def running(points, supplies=None, keep_open=False):
    clock = ManualClock(1_000 * HOUR)
    driver, rounds = Bus(clock), []
    switches = {name: ScriptedSwitch(clock) for name in supplies or {}}
    outputs = Outputs(switches, supplies or {}, switches, clock=clock)
    task = BusTask(
        "rs485",
        driver,
        points,
        {point.device: DeviceRules(1, 300.0) for point in points.values()},
        clock=clock,
        sink=rounds.append,
        supplies=outputs,
        keep_open=keep_open,
    )
    task.outputs, task.switches = outputs, switches
    tasks = [asyncio.create_task(task.run()), asyncio.create_task(outputs.run())]
    await clock.settle()
    try:
        yield clock, driver, rounds, task
    finally:
        for one in tasks:
            one.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def samples(rounds, channel):
    return [sample for batch in rounds for sample, _ in batch if sample.channel == channel]


def minutes(rounds, channel):
    return [(sample.utc_ms - 1_000 * HOUR) / MINUTE for sample in samples(rounds, channel)]


# ------------------------------------------------------------------------------ slowing down


async def test_stretched_intervals_keep_to_the_wall():
    async with running({"level": Point("a", MINUTE, 5 * MINUTE)}) as (clock, _, rounds, task):
        await clock.advance(150)
        task.shed(12, stopped=False)
        await clock.advance(2 * 3600)
        assert minutes(rounds, "level")[:2] == [1, 2]
        assert minutes(rounds, "level")[2:] == [12 * n for n in range(1, 11)]
        recorded = [s.utc_ms for batch in rounds for s, due in batch if due]
        assert [(at - 1_000 * HOUR) / MINUTE for at in recorded] == [60, 120]


async def test_steady_channels_keep_their_pace_and_are_recorded_less_often():
    points = {
        "battery": Point("a", MINUTE, MINUTE, steady=True),
        "level": Point("a", MINUTE, MINUTE),
    }
    async with running(points) as (clock, _, rounds, task):
        task.shed(10, stopped=False)
        await clock.advance(20 * 60)
        assert minutes(rounds, "battery") == list(range(1, 21))
        assert minutes(rounds, "level") == [10, 20]
        recorded = [s for batch in rounds for s, due in batch if due]
        assert [s.channel for s in recorded] == ["battery", "level"] * 2


async def test_leaving_a_long_interval_does_not_wait_for_its_end():
    async with running({"level": Point("a", MINUTE, MINUTE)}) as (clock, _, rounds, task):
        task.shed(60, stopped=False)
        await clock.advance(150)
        assert rounds == []
        task.shed(1, stopped=False)
        task.shed(1, stopped=False)
        await clock.advance(60)
        assert minutes(rounds, "level") == [2.5, 3]
        assert task.counts.slots_passed_over == 0


# --------------------------------------------------------------------------------- stopping


async def test_a_stopped_bus_asks_nobody_and_says_so():
    points = {"level": Point("a", MINUTE, MINUTE), "head": Point("b", MINUTE, MINUTE)}
    async with running(points) as (clock, driver, rounds, task):
        await clock.advance(60)
        task.shed(5, stopped=True)
        await clock.advance(1)
        assert not driver.connected
        await clock.advance(20 * 60)
        assert driver.polls("a") == [60]
        assert [s.reason for s in samples(rounds, "level")[1:]] == [Reason.SHED] * 4
        assert minutes(rounds, "head")[1:] == [5, 10, 15, 20]
        assert task.condition().sound
        assert task.condition().found == "stopped, to spare the battery"
        task.shed(1, stopped=False)
        await clock.advance(60)
        assert samples(rounds, "level")[-1].raw == 1.0
        assert driver.connected
        assert task.condition().found == "2 devices answer"


async def test_a_bus_with_outputs_keeps_its_port_while_it_is_stopped():
    points = {"level": Point("a", MINUTE, MINUTE)}
    async with running(points, keep_open=True) as (clock, driver, _, task):
        await clock.advance(60)
        task.shed(1, stopped=True)
        await clock.advance(600)
        assert driver.connected


async def test_what_is_shed_has_not_failed():
    with structlog.testing.capture_logs() as logs:
        points = {"level": Point("a", MINUTE, MINUTE)}
        async with running(points) as (clock, _, _, task):
            await clock.advance(60)
            task.shed(1, stopped=True)
            await clock.advance(3600)
            assert task._devices["a"].reason is Reason.OK
            assert task._devices["a"].patience.failures == 0
            task.shed(1, stopped=False)
            await clock.advance(60)
            assert task.counts.polls == {"a": 2}
    assert logs == []


# --------------------------------------------------------------------------------- supplies


LOOPS = {"loops": OutputRules(warm_up=10)}


async def test_one_switching_serves_all_channels_of_a_supply():
    points = {
        "level": Point("a", 5 * MINUTE, 5 * MINUTE, "loops"),
        "head": Point("b", 5 * MINUTE, 5 * MINUTE, "loops"),
        "battery": Point("c", MINUTE, MINUTE),
    }
    async with running(points, LOOPS) as (clock, driver, rounds, task):
        driver.takes = {"a": 2, "b": 1}
        await clock.advance(10 * 60)
        assert task.switches["loops"].log == [
            (0, "off"), (300, "on"), (313, "off"), (600, "on"),
        ]  # fmt: skip
        assert driver.polls("a") == [310]
        assert driver.polls("b") == [312]
        # Nobody waits for another's warm-up.
        assert minutes(rounds, "battery") == list(range(1, 11))


async def test_a_supply_that_cannot_be_had_is_a_reason_and_no_poll():
    points = {"level": Point("a", MINUTE, MINUTE, "loops"), "battery": Point("c", MINUTE, MINUTE)}
    with structlog.testing.capture_logs() as logs:
        async with running(points, LOOPS) as (clock, driver, rounds, task):
            task.switches["loops"].answer = Reason.NO_REPLY
            await clock.advance(180)
            assert [s.reason for s in samples(rounds, "level")] == [Reason.NO_SUPPLY] * 3
            assert driver.polls("a") == []
            assert minutes(rounds, "level") == minutes(rounds, "battery") == [1, 2, 3]
            assert task.condition().category is Category.NORMAL
            task.switches["loops"].answer = Reason.OK
            await clock.advance(360)
            assert samples(rounds, "level")[-1].raw == 1.0
    assert [e["event"] for e in logs] == ["output fails", "output works again"]


async def test_a_supply_that_is_forbidden_sheds_its_channels():
    points = {"level": Point("a", MINUTE, MINUTE, "loops"), "battery": Point("c", MINUTE, MINUTE)}
    async with running(points, LOOPS) as (clock, driver, rounds, task):
        task.outputs.forbid({"loops"})
        await clock.advance(180)
        assert [s.reason for s in samples(rounds, "level")] == [Reason.SHED] * 3
        assert len(driver.polls("c")) == 3
        assert task.switches["loops"].log == [(0, "off")]


async def test_a_stopped_bus_switches_nothing_on():
    points = {"level": Point("a", MINUTE, MINUTE, "loops")}
    async with running(points, LOOPS) as (clock, _, rounds, task):
        task.shed(1, stopped=True)
        await clock.advance(180)
        assert task.switches["loops"].log == [(0, "off")]
        assert [s.reason for s in samples(rounds, "level")] == [Reason.SHED] * 3


async def test_a_port_with_nothing_but_switched_devices_is_closed_between_rounds():
    """Over TCP a device without supply leaves a connection that seems to stand."""
    points = {"level": Point("a", MINUTE, MINUTE, "loops")}
    async with running(points, LOOPS) as (clock, driver, _, _):
        await clock.advance(125)
        names = [name for name, *_ in driver.asked]
        assert names == ["open", "a", "close"]
        await clock.advance(60)
        assert [name for name, *_ in driver.asked] == names * 2


async def test_a_port_that_somebody_else_opened_is_fine_again():
    points = {"level": Point("a", MINUTE, MINUTE)}
    async with running(points) as (clock, driver, rounds, task):
        driver.port = Reason.PORT_ABSENT
        await clock.advance(60)
        assert not task.condition().sound
        driver.connected = True
        await clock.advance(60)
        assert samples(rounds, "level")[-1].raw == 1.0
        assert task.condition().sound


async def test_stopping_cuts_nobody_short():
    """The bus is stopped while one series of rounds is being polled and another sleeps."""
    points = {"level": Point("a", MINUTE, MINUTE, "loops"), "battery": Point("c", HOUR, HOUR)}
    async with running(points, LOOPS) as (clock, driver, rounds, task):
        driver.takes["a"] = 20
        await clock.advance(75)
        task.shed(1, stopped=True)
        await clock.advance(5)
        assert driver.connected
        await clock.advance(30)
        assert not driver.connected
        assert samples(rounds, "level")[0].raw == 1.0
