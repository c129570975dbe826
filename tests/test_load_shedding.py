"""The real daemon on well 7, with a battery whose voltage the test says."""

import asyncio
import contextlib
import subprocess
import sys
from random import Random

import pytest

from edge.daemon import Daemon
from edge.host.supervise import CrashLoopError
from edge.journal.journal import Journal
from edge.station.loader import load
from edge.status import Category, Reason
from edge.uplink.broker import BrokerSettings
from hw_fakes.broker import EmbeddedBroker
from hw_fakes.clock import ScaledClock
from hw_fakes.faults import FaultKind
from hw_fakes.hardware import Hardware
from hw_fakes.world import World
from tests.stations import MARCH, WELL_7

# An hour in a second: the dwell of a stage is half of that.
SPEED = 3600.0


class Station:
    """A daemon of well 7 on simulated hardware; ``volts`` is what its battery has."""

    def __init__(self, directory, broker=None, volts=12.8):
        self.directory = directory
        self.broker = broker
        self.volts = volts
        self.hangs = None  # a bus that is polled no more
        self.stop = asyncio.Event()

    async def __aenter__(self):
        station = load(WELL_7)
        clock = ScaledClock(MARCH + 6 * 3_600_000, SPEED)
        world = World(1, MARCH, energy=station.energy)
        world.battery_v = lambda _t_ms: self.volts
        world.temperature_c = lambda _t_ms: 25.0
        self.hardware = Hardware(station, world, clock, self.directory)
        await self.hardware.start()
        station = self.hardware.station
        self.daemon = Daemon(
            station,
            Journal(self.directory / "well.sqlite", station.series()),
            self.broker,
            clock=clock,
            environ={},
            rng=Random(1),
        )
        if self.hangs:
            self.daemon.buses[self.hangs].run = asyncio.Event().wait
        self.grown = asyncio.Event()
        on_growth = self.daemon.writer.on_growth

        def grow(newest):
            on_growth(newest)
            self.grown.set()

        self.daemon.writer.on_growth = grow
        self.task = asyncio.create_task(self.daemon.run(self.stop))
        return self

    async def until(self, holds):
        async with asyncio.timeout(30):
            while not holds(self.daemon):
                self.grown.clear()
                await self.grown.wait()

    async def until_stage(self, name):
        await self.until(lambda daemon: self.stage == name)

    @property
    def stage(self):
        return self.daemon.shedding.keeper.shedding.stage.name

    def energy(self):
        return next(one for one in self.daemon.conditions() if one.part == "energy")

    async def __aexit__(self, *_):
        self.stop.set()
        with contextlib.suppress(ExceptionGroup):
            await self.task
        await self.hardware.stop()


def journal_of(directory):
    journal = Journal(directory / "well.sqlite", load(WELL_7).series())
    try:
        return journal.fetch(1, journal.newest), journal.states()
    finally:
        journal.close()


async def test_a_stage_is_obeyed_by_everyone_journalled_and_left_again(tmp_path):
    async with EmbeddedBroker() as broker:
        to = BrokerSettings(broker.host, broker.port, "ash-creek-7")
        async with Station(tmp_path, to) as well:
            await well.until(lambda daemon: well.hardware.outputs["visitors"])
            before = well.daemon.publisher.timetable
            well.volts = 12.0
            await well.until_stage("lean")
            await well.until(lambda daemon: not well.hardware.outputs["visitors"])
            assert well.energy().category is Category.OUT_OF_SPECIFICATION
            assert "sampling 3 times less often" in well.energy().doing
            assert well.daemon.publisher.timetable.every_ms == 2 * before.every_ms
            well.volts = 13.2
            await well.until_stage("normal")
            await well.until(lambda daemon: well.hardware.outputs["visitors"])
            assert well.daemon.publisher.timetable == before
            assert well.energy().sound
    readings, states = journal_of(tmp_path)
    stages = [r.value for r in readings if r.series == "energy.stage"]
    assert set(stages) == {0.0, 1.0}
    assert (stages[0], stages[-1]) == (0.0, 0.0)
    assert states["@energy"]["stage"] == "normal"
    # In the stage every channel but the battery's was sampled every 15 minutes, not every 5.
    entered = next(r.utc_ms for r in readings if r.series == "energy.stage" and r.value == 1)
    left = next(
        r.utc_ms
        for r in readings
        if r.series == "energy.stage" and r.value == 0 and r.utc_ms > entered
    )
    within = {
        r.utc_ms // 60_000
        for r in readings
        if r.series == "panel" and entered + 120_000 < r.utc_ms < left
    }
    assert within
    assert all(minute % 15 == 0 for minute in within)


async def test_at_the_last_stage_the_journal_is_flushed_and_the_daemon_ends(tmp_path):
    async with Station(tmp_path, volts=11.5) as well:
        async with asyncio.timeout(30):
            await well.task
        assert well.daemon.halted
        assert well.stop.is_set()
        assert well.daemon.writer.lost == 0
        assert well.hardware.outputs == dict.fromkeys(well.hardware.outputs, False)
    readings, states = journal_of(tmp_path)
    assert [r.value for r in readings if r.series == "energy.stage"][-1] == 3.0
    assert len(readings) == well.daemon.made
    assert states["@energy"]["stage"] == "dark"
    assert states["@energy"]["why"].startswith("11.50 V")

    # The computer comes back, the battery has not: it is halted again after one dwell.
    async with Station(tmp_path, volts=12.2) as again:
        assert again.stage == "dark"
        async with asyncio.timeout(30):
            await again.task
        assert again.daemon.halted

    # It comes back with the sun.
    async with Station(tmp_path, volts=13.4) as later:
        await later.until_stage("normal")
    assert not later.daemon.halted
    assert journal_of(tmp_path)[1]["@energy"]["stage"] == "normal"


async def test_a_battery_nobody_can_read_leads_to_the_safe_stage(tmp_path):
    async with Station(tmp_path) as well:
        await well.until(lambda daemon: well.energy().sound)
        well.hardware.faults("charger", "controller").set(FaultKind.DEAD)
        await well.until(lambda daemon: well.energy().category is Category.FAILURE)
        assert well.stage == "normal"
        await well.until_stage("lean")
        well.hardware.faults("charger", "controller").clear()
        await well.until_stage("normal")
    readings, _ = journal_of(tmp_path)
    unknown = [r for r in readings if r.reason is Reason.BATTERY_UNKNOWN]
    assert {r.value for r in unknown} == {0.0, 1.0}


async def test_so_does_one_that_is_not_read_at_all(tmp_path):
    well = Station(tmp_path)
    well.hangs = "charger"
    async with well:
        await well.until_stage("lean")
        assert well.energy().category is Category.FAILURE


async def test_a_defect_that_ends_the_daemon_leaves_outputs_at_rest(tmp_path, monkeypatch):
    monkeypatch.setattr("edge.host.supervise._MOST_CRASHES", 1)
    async with Station(tmp_path) as well:
        await well.until(lambda daemon: well.hardware.outputs["visitors"])

        def crash(samples):
            raise ZeroDivisionError

        well.daemon.buses["charger"]._sink = crash
        async with asyncio.timeout(30):
            with pytest.raises(ExceptionGroup) as ended:
                await well.task
        assert ended.group_contains(CrashLoopError)
        assert well.hardware.outputs == dict.fromkeys(well.hardware.outputs, False)


async def test_a_stage_whose_time_makes_no_sense_any_more_is_gone_on_in(tmp_path):
    """A bit flipped on the disk; a daemon that stumbled over it would do so for ever."""
    journal = Journal(tmp_path / "well.sqlite", load(WELL_7).series())
    state = {"stage": "lean", "index": 1, "why": "12.00 V", "since_ms": 977_235_200_000_000}
    journal.append([], {"@energy": state}, [])
    journal.close()
    async with Station(tmp_path, volts=12.3) as well:
        await well.until(lambda daemon: daemon.made and not well.energy().sound)
        assert well.stage == "lean"
        assert "since 2026-03-01" in well.energy().doing


HALTING = """
[station]
id = "ash-creek-7"

[clock]
trust = "plausible"

[buses.panel]
kind = "modbus-tcp"
host = "127.0.0.1"
port = {port}

[buses.panel.devices.inputs]
unit = 1

[channels.battery]
kind = "value"
bus = "panel"
device = "inputs"
read = {{ table = "input", register = 0 }}
range = ["0 V", "1 mV"]
sample = "100 ms"

[energy]
voltage = "battery"
smoothing = "0 s"
halt_command = {command}

[[energy.stages]]
name = "dark"
cutoff = "11.6 V"
restore = "12.4 V"
dwell = "500 ms"
halt = true
"""


@pytest.mark.parametrize(
    ("command", "code"), [('["touch", "halted"]', 0), ('["/no/such/program"]', 1)]
)
async def test_the_command_of_the_station_file_halts_the_computer(tmp_path, command, code):
    file = tmp_path / "station.toml"
    file.write_text(HALTING.format(port=1502, command=command))
    world = World(1, MARCH)
    world.battery_v = lambda _t_ms: 11.2
    async with Hardware(load(file), world, ScaledClock(MARCH, 1.0), tmp_path) as hardware:
        port = hardware.station.buses["panel"].port
        file.write_text(HALTING.format(port=port, command=command))
        run = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "edge", "run", str(file), "--log", "json",
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=tmp_path,
        )  # fmt: skip
        said, _ = await asyncio.wait_for(run.communicate(), 30)
    assert run.returncode == code, said.decode()
    assert (tmp_path / "halted").exists() == (code == 0)
    assert (b"cannot be halted" in said) == (code == 1)
