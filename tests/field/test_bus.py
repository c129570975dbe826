import asyncio
import contextlib
from itertools import pairwise

import pytest
import structlog

from edge.field.assembly import channels_of, make_field, poll_once
from edge.field.bus import BusTask
from edge.field.driver import Instant
from edge.field.points import DeviceRules, Point
from edge.health import Condition
from edge.station.loader import load
from edge.status import Category, Reason
from hw_fakes.clock import ManualClock, ScaledClock
from hw_fakes.faults import FaultKind
from hw_fakes.hardware import Hardware
from hw_fakes.modbus_device import RtuSlave
from hw_fakes.modbus_unit import ModbusUnit
from hw_fakes.ports import PtyPort
from hw_fakes.world import World
from tests.stations import MARCH, TANK, five_units

MINUTE = 60_000


class ScriptedDriver:
    """Stands in for a bus where only the order and the time of polls matter."""

    def __init__(self, clock):
        self.clock = clock
        self.connected = False
        self.port = Reason.OK
        self.says = {}
        self.takes = {}
        self.asked = []
        self.closed = False

    async def open(self):
        self.asked.append(("open", self.clock.monotonic()))
        self.connected = self.port is Reason.OK
        return self.port

    async def read(self, device, channels, *, tries):
        self.asked.append((device, self.clock.monotonic(), tries))
        await self.clock.sleep(self.takes.get(device, 0))
        answer = self.says.get(device, 1.0)
        return Instant.now(self.clock).samples(dict.fromkeys(channels, answer))

    async def close(self):
        self.closed = True


@contextlib.asynccontextmanager
async def running(points, tries=2, limit=300.0, start=1_000 * MINUTE):
    clock = ManualClock(start)
    driver, rounds = ScriptedDriver(clock), []
    task = BusTask(
        "rs485",
        driver,
        points,
        {point.device: DeviceRules(tries, limit) for point in points.values()},
        clock=clock,
        sink=rounds.append,
    )
    running = asyncio.create_task(task.run())
    await clock.settle()
    try:
        yield clock, driver, rounds, task
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        assert driver.closed


def every_minute(*devices):
    return {f"of-{d}": Point(d, MINUTE, MINUTE) for d in devices}


async def test_polls_fall_on_full_minutes_of_the_wall_clock():
    async with running(every_minute("a"), start=12_345) as (clock, _, rounds, _):
        await clock.advance(180)
        times = [sample.utc_ms for batch in rounds for sample, _ in batch]
        assert times == [MINUTE, 2 * MINUTE, 3 * MINUTE]


async def test_sampling_is_often_recording_seldom():
    points = {"level": Point("a", 10_000, MINUTE)}
    async with running(points) as (clock, _, rounds, _):
        await clock.advance(120)
        assert [due for batch in rounds for _, due in batch] == ([False] * 5 + [True]) * 2


async def test_devices_that_answer_go_before_those_that_do_not():
    async with running(every_minute("a", "b", "c")) as (clock, driver, _, _):
        driver.says["a"] = Reason.NO_REPLY
        await clock.advance(60)
        driver.asked.clear()
        await clock.advance(60)
        assert [asked[0] for asked in driver.asked] == ["b", "c", "a"]


async def test_a_dead_device_is_asked_less_and_less_but_never_forgotten():
    async with running(every_minute("a"), limit=600.0) as (clock, driver, rounds, task):
        driver.says["a"] = Reason.NO_REPLY
        await clock.advance(3600)
        polls = [round(at / 60) for name, at, *_ in driver.asked if name == "a"]
        gaps = [b - a for a, b in pairwise(polls)]
        assert gaps[:2] == [1, 1]
        assert gaps == sorted(gaps)
        assert gaps[-1] == 10
        # Every minute is on record all the same, with the reason.
        assert len(rounds) == 60
        assert {s.reason for batch in rounds for s, _ in batch} == {Reason.NO_REPLY}
        assert task.counts.polls == {"a": len(polls)}
        assert task.counts.answers == {}


async def test_only_the_first_failure_is_worth_retries():
    async with running(every_minute("a"), tries=3) as (clock, driver, _, _):
        driver.says["a"] = Reason.BAD_CHECKSUM
        await clock.advance(180)
        assert [tries for name, _, *rest in driver.asked if name == "a" for tries in rest] == [
            3,
            1,
            1,
        ]


async def test_a_device_that_comes_back_is_polled_as_before():
    async with running(every_minute("a")) as (clock, driver, rounds, _):
        driver.says["a"] = Reason.NO_REPLY
        await clock.advance(600)
        driver.says.clear()
        await clock.advance(600)
        driver.asked.clear()
        await clock.advance(600)
        assert len(driver.asked) == 10
        assert rounds[-1][0][0].raw == 1.0


async def test_an_exception_reply_is_no_silence():
    async with running(every_minute("a")) as (clock, driver, _, _):
        driver.says["a"] = Reason.ILLEGAL_ADDRESS
        await clock.advance(1200)
        assert len([1 for name, *_ in driver.asked if name == "a"]) == 20


async def test_a_device_that_talks_unasked_is_listened_to_at_every_slot():
    async with running(every_minute("a"), limit=0.0) as (clock, driver, rounds, _):
        driver.says["a"] = Reason.SILENT
        await clock.advance(1200)
        driver.says.clear()
        await clock.advance(60)
        assert len([1 for name, *_ in driver.asked if name == "a"]) == 21
        assert rounds[-1][0][0].raw == 1.0


async def test_changes_are_logged_once():
    with structlog.testing.capture_logs() as logs:
        async with running(every_minute("a")) as (clock, driver, _, _):
            driver.says["a"] = Reason.NO_REPLY
            await clock.advance(1800)
            driver.says.clear()
            await clock.advance(1800)
    events = [(e["event"], e.get("reason")) for e in logs]
    assert events == [("device fails", "no-reply"), ("device answers again", None)]


async def test_a_bus_that_comes_late_polls_once_for_all_slots_passed():
    points = {"slow": Point("a", MINUTE, MINUTE), "hourly": Point("b", 5 * MINUTE, 5 * MINUTE)}
    async with running(points) as (clock, driver, rounds, task):
        driver.takes["a"] = 200  # seconds: the slot of "hourly" falls into the wait
        await clock.advance(1300)
        recorded = [s.channel for batch in rounds for s, due in batch if due]
        assert recorded.count("hourly") == 3
        assert task.counts.slots_passed_over > 0
        assert task.counts.rounds == len(rounds)


async def test_a_clock_set_back_does_not_stop_polling():
    async with running(every_minute("a")) as (clock, _, rounds, _):
        await clock.advance(120)
        clock.step(-86_400_000)
        await clock.advance(180)
        assert len(rounds) == 5


async def test_a_clock_set_forward_leads_to_one_poll():
    async with running(every_minute("a")) as (clock, _, rounds, _):
        clock.step(86_400_000)
        await clock.advance(120)
        assert len(rounds) == 2


async def test_a_port_that_is_away_is_on_record_and_tried_again():
    with structlog.testing.capture_logs() as logs:
        async with running(every_minute("a")) as (clock, driver, rounds, _):
            driver.port = Reason.PORT_ABSENT
            await clock.advance(300)
            assert {s.reason for batch in rounds for s, _ in batch} == {Reason.PORT_ABSENT}
            driver.port = Reason.OK
            await clock.advance(120)
            assert rounds[-1][0][0].raw == 1.0
    assert [e["event"] for e in logs] == ["port fails", "port open again"]


async def test_the_condition_of_a_bus_through_its_life():
    async with running(every_minute("a", "b")) as (clock, driver, _, task):
        assert task.condition() == Condition("bus rs485", Category.NORMAL, "no device asked yet")
        await clock.advance(60)
        assert task.condition().found == "2 devices answer"
        driver.says["a"] = Reason.NO_REPLY
        await clock.advance(60)
        assert task.condition() == Condition(
            "bus rs485",
            Category.FAILURE,
            "1 of 2 devices fails: a (no reply within the time-out)",
            "asks again as ever; the other devices are asked as ever",
        )
        await clock.advance(60)
        assert task.condition().doing.startswith("asks again every 5 min at least")
        driver.connected, driver.port = False, Reason.PORT_DENIED
        await clock.advance(60)
        assert task.condition().found == "no permission to open the serial port"
        driver.port = Reason.OK
        driver.says.clear()
        await clock.advance(600)
        assert task.condition().sound


async def test_a_round_that_never_ends_is_given_up_as_a_crash(monkeypatch):
    monkeypatch.setattr("edge.field.bus._AT_LEAST", 0.02)
    clock = ManualClock(1_000 * MINUTE)
    driver = ScriptedDriver(clock)
    driver.takes["a"] = float("inf")
    rules = {"a": DeviceRules(1, 300.0, poll_within=0.001)}
    task = BusTask("rs485", driver, every_minute("a"), rules, clock=clock, sink=lambda _: None)
    running = asyncio.create_task(task.run())
    await clock.settle()
    await clock.advance(60)
    with pytest.raises(TimeoutError):
        await running
    assert driver.closed


@pytest.fixture
async def line_of_five(tmp_path):
    port = PtyPort(tmp_path / "usb-rs485")
    port.plug()
    units = [ModbusUnit(n) for n in range(1, 6)]
    for unit in units:
        unit.place("input", 0, 1, lambda number=unit.number: [number])
    slave = RtuSlave(port, units)
    yield five_units(port.path, "50 ms", back_off_limit="1 min"), slave, port
    slave.close()
    port.unplug()


async def test_one_dead_unit_among_five_on_a_real_line(line_of_five):
    station, slave, _ = line_of_five
    slave.units[3].faults.set(FaultKind.DEAD)
    clock, rounds = ManualClock(), asyncio.Queue()
    task = make_field(station, clock, rounds.put_nowait).buses["rs485"]
    running = asyncio.create_task(task.run())
    for _ in range(40):
        await clock.advance(1)
        samples = {s.channel: s for s, _ in await rounds.get()}
        assert samples["c3"].reason is Reason.NO_REPLY
        assert [samples[f"c{n}"].raw for n in (1, 2, 4, 5)] == [1, 2, 4, 5]
    assert [task.counts.answers.get(f"u{n}", 0) for n in (1, 2, 3, 4, 5)] == [40, 40, 0, 40, 40]
    assert task.counts.polls["u3"] < 10
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_an_adapter_pulled_out_for_a_while_on_a_real_line(line_of_five):
    station, _, port = line_of_five
    clock, rounds = ManualClock(), asyncio.Queue()
    task = make_field(station, clock, rounds.put_nowait).buses["rs485"]
    running = asyncio.create_task(task.run())

    async def next_round():
        await clock.advance(1)
        return {s.channel: s.raw if s.raw is not None else s.reason for s, _ in await rounds.get()}

    good = {f"c{n}": n for n in range(1, 6)}
    assert await next_round() == good
    port.unplug()
    for _ in range(30):
        assert set((await next_round()).values()) == {Reason.PORT_ABSENT}
    port.plug()
    back = [await next_round() for _ in range(31)]
    assert back[-1] == good
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_polling_once_for_the_wiring_check(line_of_five):
    station, slave, port = line_of_five
    clock = ScaledClock(0)
    slave.units[2].faults.set(FaultKind.DEAD)
    samples = await poll_once(station, clock, ["c1", "c2"])
    assert samples["c1"].raw == 1
    assert samples["c2"].reason is Reason.NO_REPLY
    assert set(samples) == {"c1", "c2"}
    port.unplug()
    samples = await poll_once(station, clock, ["c1"])
    assert samples["c1"].reason is Reason.PORT_ABSENT


def test_to_listen_needs_no_back_off():
    tank = make_field(load(TANK), ManualClock(), lambda _: None).buses
    limits = {name: bus._devices for name, bus in tank.items()}
    assert limits["hatch"]["gauge"].patience.limit == 0.0
    assert limits["panel"]["inputs"].patience.limit == 300.0


def test_no_sound_round_is_ever_long_enough_to_be_given_up(line_of_five):
    station, _, _ = line_of_five
    task = make_field(station, ManualClock(), lambda _: None).buses["rs485"]
    # Five units of one channel each: two tries, and the wait for what may still be owed.
    assert task._round_limit == pytest.approx(60 + 10 * 5 * 4 * 0.05)


async def test_a_device_that_talks_unasked_in_the_wiring_check(tmp_path):
    clock = ScaledClock(MARCH)
    async with Hardware(load(TANK), World(1, MARCH), clock, tmp_path) as hardware:
        samples = await poll_once(hardware.station, clock, ["gauge", "air"])
    assert samples["gauge"].raw == pytest.approx(hardware.truth("gauge", MARCH), abs=0.01)
    assert samples["air"].reason is Reason.OK


def test_channels_of_a_bus(line_of_five):
    station, _, _ = line_of_five
    assert list(channels_of(station, "rs485")) == ["c1", "c2", "c3", "c4", "c5"]
    assert channels_of(station, "other") == {}
