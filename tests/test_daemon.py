import asyncio
import contextlib
import socket
import sqlite3
from itertools import pairwise
from random import Random

import pytest
import structlog

from edge.daemon import Daemon
from edge.host.supervise import CrashLoopError
from edge.journal.journal import Journal
from edge.station.loader import load
from edge.status import Category, Reason
from edge.uplink.broker import BrokerSettings
from hw_fakes.broker import EmbeddedBroker
from hw_fakes.clock import ScaledClock
from hw_fakes.hardware import Hardware
from hw_fakes.world import World
from tests.stations import MARCH, WELL


class Running:
    """A daemon of the well station on simulated hardware, some hundred times as fast as life."""

    def __init__(self, directory, broker=None, environ=None, clock=None, host_time=None):
        self.directory = directory
        self.broker = broker
        self.environ = environ or {}
        self.clock = clock or ScaledClock(MARCH + 6 * 3_600_000, 600.0)
        self.host_time = host_time
        self.stop = asyncio.Event()

    async def __aenter__(self):
        self.hardware = Hardware(load(WELL), World(1, MARCH), self.clock, self.directory)
        await self.hardware.start()
        station = self.hardware.station
        self.daemon = Daemon(
            station,
            Journal(self.directory / "well.sqlite", station.series()),
            self.broker,
            clock=self.clock,
            environ=self.environ,
            rng=Random(1),
            host_time=self.host_time,
        )
        self.grown = asyncio.Event()
        self.daemon.writer.on_growth = lambda _: self.grown.set()
        self.task = asyncio.create_task(self.daemon.run(self.stop))
        return self

    async def until(self, holds):
        while not holds(self.daemon):
            self.grown.clear()
            await self.grown.wait()

    async def __aexit__(self, *_):
        self.stop.set()
        with contextlib.suppress(ExceptionGroup):
            await self.task
        await self.hardware.stop()

    def journal(self):
        return Journal(self.directory / "well.sqlite")


async def test_every_reading_made_is_kept(tmp_path):
    async with Running(tmp_path) as running:
        await running.until(lambda d: d.writer.newest >= 60)
    daemon, journal = running.daemon, running.journal()
    assert daemon.made == journal.newest
    rows = journal.fetch(1, journal.newest)
    assert {row.series for row in rows} >= {
        "level", "head", "flow.total", "flow.rate", "battery", "panel", "well.depth_to_water",
    }  # fmt: skip
    # On sound hardware nothing is in doubt but what takes time to know, such as the first rate.
    measured = [row for row in rows if row.series.partition(".")[0] in daemon.station.measured]
    doubts = {row.reason for row in measured} - {Reason.OK}
    assert Reason.NO_EARLIER_COUNT in doubts
    assert {reason.category for reason in doubts} == {Category.FUNCTION_CHECK}
    for row in rows:
        if row.series == "battery":
            assert row.value == pytest.approx(
                running.hardware.truth("battery", row.utc_ms), abs=0.1
            )
    assert "good" in daemon.summary()
    assert "no broker configured" in daemon.summary()
    journal.close()


async def test_counting_goes_on_where_the_last_run_stopped(tmp_path):
    clock = ScaledClock(MARCH + 6 * 3_600_000, 600.0)
    async with Running(tmp_path, clock=clock) as first:
        await first.until(lambda d: d.writer.newest >= 30)
    kept = first.journal()
    before = kept.states()["flow"]["channel"]
    kept.close()
    async with Running(tmp_path, clock=clock) as second:
        assert second.daemon.room.channels["flow"].computation.state() == before
        await second.until(lambda d: d.writer.newest >= first.daemon.made + 30)
        after = second.daemon.room.channels["flow"].computation.state()
    assert after["tally"]["pulses"] >= before["tally"]["pulses"]
    assert after["tally"]["utc_ms"] > before["tally"]["utc_ms"]
    assert second.daemon.writer.newest == first.daemon.made + second.daemon.made


async def test_a_broken_wire_is_on_record_and_logged_once(tmp_path):
    with structlog.testing.capture_logs() as logs:
        async with Running(tmp_path) as running:
            await running.until(lambda d: "level" in d.latest)
            running.hardware.force_loop("level", 0.0)
            await running.until(lambda d: d.latest["level"].reason is Reason.OPEN_LOOP)
            mark = running.daemon.writer.newest
            await running.until(lambda d: d.writer.newest >= mark + 20)
            running.hardware.force_loop("level", None)
            await running.until(lambda d: d.latest["level"].reason is Reason.OK)
    changes = [(e["event"], e.get("reason")) for e in logs if e.get("series") == "level"]
    assert changes == [("value in doubt", "open-loop"), ("value good again", None)]


async def test_what_is_made_arrives_before_the_daemon_leaves(tmp_path):
    async with EmbeddedBroker() as broker:
        settings = BrokerSettings(broker.host, broker.port, "ash-creek-2")
        async with Running(tmp_path, settings) as running:
            await running.until(lambda d: d.writer.newest >= 60)
            assert "MQTT" in running.daemon.summary()
        journal = running.journal()
        assert list(journal.sent) == [(1, running.daemon.made)]
        journal.close()


async def test_the_service_manager_hears_of_it(tmp_path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.setblocking(False)
        environ = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "20000"}
        loop = asyncio.get_running_loop()
        async with Running(tmp_path, environ=environ):
            heard = [await loop.sock_recv(manager, 200) for _ in range(7)]
        with contextlib.suppress(BlockingIOError):
            while True:
                heard.append(manager.recv(200))
    assert heard[0] == b"READY=1"
    assert heard.count(b"WATCHDOG=1") >= 3
    assert any(message.startswith(b"STATUS=") for message in heard)
    assert heard[-1] == b"STOPPING=1"


async def test_a_defect_that_stays_ends_the_daemon_and_keeps_the_journal(tmp_path):
    with structlog.testing.capture_logs() as logs:
        async with Running(tmp_path) as running:
            await running.until(lambda d: d.writer.newest > 0)
            del running.daemon.room.channels["level"]
            with pytest.raises(ExceptionGroup) as caught:
                await running.task
    assert caught.value.subgroup(CrashLoopError)
    assert [e["task"] for e in logs if e["event"] == "task crashed"] == ["bus rs485"] * 5
    journal = running.journal()
    assert journal.newest > 0
    journal.close()


async def test_the_state_of_a_channel_that_is_gone_is_left_alone(tmp_path):
    async with Running(tmp_path) as running:
        await running.until(lambda d: d.writer.newest > 0)
    journal = running.journal()
    journal._db.execute("INSERT INTO state VALUES ('old-meter', '{\"a\": 5}')")
    journal.close()
    async with Running(tmp_path) as again:
        await again.until(lambda d: d.made > 0)
    journal = again.journal()
    assert journal.states()["old-meter"] == {"a": 5}
    journal.close()


class Host:
    """A computer whose clock a time server sets, or not."""

    def __init__(self, boot, synchronised):
        self.boot = boot
        self._synchronised = synchronised

    def synchronised(self):
        return self._synchronised


async def test_the_time_of_a_boot_is_known_to_the_next_run_in_it(tmp_path):
    """The kernel gives up on a time server after some hours: a restart must not forget the time."""
    clock = ScaledClock(MARCH + 6 * 3_600_000, 600.0)
    async with Running(tmp_path, clock=clock, host_time=Host("b1", synchronised=True)) as running:
        await running.until(lambda d: d.writer.newest >= 20)
    clock.step(-86_400_000)
    async with Running(tmp_path, clock=clock, host_time=Host("b1", synchronised=False)) as running:
        await running.until(lambda d: d.writer.newest >= 40)
        assert running.daemon.clock.trusted
        assert running.daemon.writer.sendable == running.daemon.writer.newest
    async with Running(tmp_path, clock=clock, host_time=Host("b2", synchronised=False)) as running:
        newest = running.daemon.writer.newest
        await running.until(lambda d: d.writer.newest >= newest + 20)
        assert not running.daemon.clock.trusted
        assert running.daemon.writer.sendable == newest
    journal = running.journal()
    times = [row.utc_ms for row in journal.fetch(1, newest)]
    # Within a round times may stand in any order; a day lies between no two.
    assert all(later - earlier > -60_000 for earlier, later in pairwise(times))
    journal.close()


async def test_a_state_that_makes_no_sense_does_not_keep_the_station_from_starting(tmp_path):
    async with Running(tmp_path) as running:
        await running.until(lambda d: d.writer.newest >= 60)
    with sqlite3.connect(tmp_path / "well.sqlite") as db:
        db.execute("UPDATE state SET state = replace(state, 'tally', 'tamly') WHERE channel='flow'")
        db.execute("UPDATE state SET state = replace(state, 'boot', 'bopt') WHERE channel='@clock'")
        db.execute("UPDATE state SET state = replace(state, 'total', 'totbl') WHERE channel='pump'")
    db.close()
    with structlog.testing.capture_logs() as logs:
        async with Running(tmp_path) as running:
            newest = running.daemon.writer.newest
            await running.until(lambda d: d.writer.newest >= newest + 60)
    (line,) = [line for line in logs if "begin anew" in line["event"]]
    assert set(line["channels"]) >= {"flow"}
    assert running.daemon.latest["flow.total"].value is not None
