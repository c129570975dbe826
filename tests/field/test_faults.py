"""Hung, babbling and ill-mannered devices, on real pty pairs and sockets."""

import asyncio
import contextlib
import socket
import threading
import tracemalloc

import pytest

from edge.clock import SystemClock
from edge.field.assembly import make_field
from edge.field.modbus import ModbusDriver
from edge.field.tcp_port import TcpPort
from edge.station.model import ModbusTcpBus, Station
from edge.station.reads import ModbusRead
from edge.status import Category, Reason
from hw_fakes.babbler import Babbler, Manners, RudeServer
from hw_fakes.clock import ManualClock
from hw_fakes.faults import FaultKind
from hw_fakes.line_device import LineSlave, LineUnit
from hw_fakes.modbus_device import RtuSlave, TcpSlave
from hw_fakes.modbus_unit import ModbusUnit
from hw_fakes.ports import PtyPort

MOST_BYTES_MORE = 4_000_000
"""What babbling without end may cost in memory: far more than any buffer, far less than it sent."""


def units():
    made = [ModbusUnit(1), ModbusUnit(2)]
    for unit in made:
        unit.place("input", 0, 1, lambda number=unit.number: [1111 * number])
    return made


class Two:
    """A station with the bus "bad", which has a fault, and the bus "good", which has none."""

    def __init__(self, directory):
        self.directory = directory
        self.bad, self.good = PtyPort(directory / "bad"), PtyPort(directory / "good")
        self.rounds = {"bad": asyncio.Queue(), "good": asyncio.Queue()}
        self._stack = contextlib.AsyncExitStack()

    async def __aenter__(self):
        for port in (self.bad, self.good):
            port.plug()
            self._stack.callback(port.unplug)
        self.good_units = RtuSlave(self.good, units())
        self._stack.callback(self.good_units.close)
        return self

    async def __aexit__(self, *_):
        await self._stack.aclose()

    def run(self, clock, bad, read=None, sample="1 s"):
        """Start both buses; ``bad`` describes the bad one, ``read`` what is read from it."""
        devices = {f"u{n}": {"unit": n, "timeout": "2 s"} for n in (1, 2)}
        good = {"kind": "modbus-rtu", "port": str(self.good.path), "devices": devices}
        channel = {"kind": "value", "range": ["0 V", "1 V"], "sample": sample}
        read = read or {"table": "input", "register": 0}
        at_good = {"bus": "good", "read": {"table": "input", "register": 0}}
        station = Station.model_validate(
            {
                "station": {"id": "ash-creek-2"},
                "buses": {"bad": bad, "good": good},
                "channels": {
                    "c1": channel | at_good | {"device": "u1"},
                    "c2": channel | at_good | {"device": "u2"},
                    "lost": channel | {"bus": "bad", "device": "d", "read": read},
                },
            }
        )
        self.tasks = make_field(station, clock, self._take).buses
        for task in self.tasks.values():
            running = asyncio.create_task(task.run())
            self._stack.push_async_callback(asyncio.gather, running, return_exceptions=True)
            self._stack.callback(running.cancel)

    def _take(self, samples):
        bus = "bad" if samples[0][0].channel == "lost" else "good"
        self.rounds[bus].put_nowait(
            {s.channel: s.raw if s.raw is not None else s.reason for s, _ in samples}
        )

    async def next(self, bus):
        return await self.rounds[bus].get()


GOOD = {"c1": 1111, "c2": 2222}


def rtu(port, timeout="100 ms"):
    devices = {"d": {"unit": 1, "timeout": timeout, "retries": 0, "back_off_limit": "1 s"}}
    return {"kind": "modbus-rtu", "port": str(port.path), "devices": devices}


def tcp(server, timeout="100 ms"):
    devices = {"d": {"unit": 1, "timeout": timeout, "retries": 0, "back_off_limit": "1 s"}}
    return {"kind": "modbus-tcp", "host": server.host, "port": server.port, "devices": devices}


def line(port, timeout="100 ms"):
    device = {"request": "?A\r", "reply": r"L=(?P<level>\S+)", "checksum": "xor"}
    device |= {"timeout": timeout, "retries": 0, "back_off_limit": "1 s"}
    return {"kind": "line", "port": str(port.path), "devices": {"d": device}}


async def test_a_hung_serial_bus_takes_no_slot_from_another(tmp_path):
    clock = ManualClock()
    async with Two(tmp_path) as two:
        two.run(clock, rtu(two.bad, "1 s"))
        for _ in range(30):  # all of them while the first request to the bad bus still waits
            await clock.advance(1)
            assert await two.next("good") == GOOD
        assert two.tasks["good"].counts.slots_passed_over == 0
        assert two.tasks["bad"].counts.rounds == 0
        await two.next("bad")


async def test_a_hung_tcp_device_takes_no_slot_from_another_bus(tmp_path):
    clock = ManualClock()
    with RudeServer(Manners.SILENT) as server:
        async with Two(tmp_path) as two:
            two.run(clock, tcp(server, "1 s"))
            for _ in range(30):
                await clock.advance(1)
                assert await two.next("good") == GOOD
            assert two.tasks["good"].counts.slots_passed_over == 0
            assert await two.next("bad") == {"lost": Reason.NO_REPLY}


BABBLE = {
    "rtu": (rtu, None, bytes(range(256))),
    "line": (line, {"field": "level"}, bytes(set(range(256)) - {10})),
    "line-of-line-ends": (line, {"field": "level"}, b"\r\n"),
}


@pytest.mark.parametrize("kind", BABBLE)
async def test_a_babbler_at_full_pace_neither_fills_memory_nor_keeps_others_waiting(tmp_path, kind):
    bus, read, alphabet = BABBLE[kind]
    async with Two(tmp_path) as two:
        babbler = Babbler(two.bad, alphabet=alphabet)
        babbler.start()
        tracemalloc.start()
        try:
            two.run(SystemClock(), bus(two.bad), read, sample="100 ms")
            bad = [await two.next("bad") for _ in range(6)]
            good = [await two.next("good") for _ in range(6)]
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
            babbler.stop()
        assert babbler.sent > 20_000
        assert peak < MOST_BYTES_MORE
        assert good == [GOOD] * 6
        counts = two.tasks["good"].counts
        assert counts.slots_passed_over <= counts.rounds
        reasons = {reading["lost"] for reading in bad}
        assert reasons <= {Reason.BABBLE, Reason.BAD_CHECKSUM, Reason.WRONG_REPLY}
        if kind != "line-of-line-ends":
            assert Reason.BABBLE in reasons
        assert two.tasks["bad"].condition().category is Category.FAILURE
        # It falls silent, and the device it stood in the way of is heard again.
        if bus is rtu:
            slave = RtuSlave(two.bad, units())
        else:
            slave = LineSlave(
                two.bad, [LineUnit(lambda: "L=7.5", "?A\r", checksum="xor")], SystemClock()
            )
        while not isinstance((await two.next("bad"))["lost"], int | float):
            pass
        assert two.tasks["bad"].condition().found == "1 device answers"
        await slave.close() if isinstance(slave, LineSlave) else slave.close()


async def test_a_babbler_at_the_other_end_of_tcp(tmp_path):
    with RudeServer(Manners.BABBLE) as server:
        async with Two(tmp_path) as two:
            tracemalloc.start()
            try:
                two.run(SystemClock(), tcp(server), sample="100 ms")
                bad = [await two.next("bad") for _ in range(4)]
                good = [await two.next("good") for _ in range(4)]
                peak = tracemalloc.get_traced_memory()[1]
            finally:
                tracemalloc.stop()
            assert bad == [{"lost": Reason.BABBLE}] * 4
            assert good == [GOOD] * 4
            assert peak < MOST_BYTES_MORE


@pytest.mark.parametrize("burst", [3, 30])
async def test_a_unit_that_babbles_now_and_then_never_makes_a_value(tmp_path, burst):
    async with Two(tmp_path) as two:
        slave = RtuSlave(two.bad, units())
        babbler = Babbler(two.bad, burst=burst, pause=0.003)
        babbler.start()
        try:
            two.run(SystemClock(), rtu(two.bad), sample="20 ms")
            heard = [(await two.next("bad"))["lost"] for _ in range(40)]
        finally:
            babbler.stop()
        assert {raw for raw in heard if not isinstance(raw, Reason)} == {1111}
        while (await two.next("bad"))["lost"] != 1111:
            pass
        slave.close()


async def test_noise_between_the_frames_does_no_harm(tmp_path):
    """What comes while nobody waits is thrown away, even half a frame of the unit asked next."""
    async with Two(tmp_path) as two:
        clock = ManualClock()
        slave = RtuSlave(two.bad, units())
        two.run(clock, rtu(two.bad, "1 s"))
        for noise in (b"\x01\x04\x02", b"\x01\x84", b"\xff" * 300, b"\x01\x04\xff"):
            two.bad.write(noise)
            await clock.advance(1)
            assert await two.next("bad") == {"lost": 1111}
        slave.close()


def driver_for(server, timeout="50 ms"):
    bus = {"kind": "modbus-tcp", "host": server.host, "port": server.port}
    bus["devices"] = {"d": {"unit": 1, "timeout": timeout}}
    points = {"level": ModbusRead(table="input", register=0)}
    return ModbusDriver(ModbusTcpBus.model_validate(bus), points, SystemClock())


async def ask(driver):
    (sample,) = await driver.read("d", ["level"], tries=1)
    return sample.raw if sample.raw is not None else sample.reason


async def test_a_server_that_hangs_up_at_once_is_no_reply_to_wait_for():
    with RudeServer(Manners.HANG_UP) as server:
        driver = driver_for(server, timeout="1 h")  # a test that waits for it would never end
        for _ in range(20):
            # The end of the connection may be noticed before or after the request is sent.
            assert await driver.open() in {Reason.OK, Reason.NO_CONNECTION}
            assert await ask(driver) is Reason.NO_CONNECTION
            assert not driver.connected
        assert server.connections == 20


async def test_a_connection_that_only_looks_alive_is_made_anew():
    with RudeServer(Manners.SILENT) as server:
        driver = driver_for(server)
        await driver.open()
        for _ in range(3):
            assert driver.connected
            assert await ask(driver) is Reason.NO_REPLY
        assert not driver.connected
        assert await driver.open() is Reason.OK
        await driver.close()


async def test_a_gateway_with_one_dead_unit_keeps_its_connection():
    slave = TcpSlave(units())
    await slave.start()
    driver = driver_for(slave)
    await driver.open()
    for _ in range(3):
        slave.units[1].faults.set(FaultKind.DEAD)
        assert await ask(driver) is Reason.NO_REPLY
        assert await ask(driver) is Reason.NO_REPLY
        slave.units[1].faults.clear()
        assert await ask(driver) == 1111
    assert driver.connected
    await driver.close()
    await slave.stop()


class Resolver:
    """Stands in for the resolver of a computer that has lost its network."""

    def __init__(self, monkeypatch, answers):
        self.calls, self.answers, self.go = 0, answers, threading.Event()
        self.waited_in_vain = False
        monkeypatch.setattr(socket, "getaddrinfo", self)

    def __call__(self, host, port, **_):
        self.calls += 1
        self.waited_in_vain |= not self.go.wait(10)
        if not self.answers:
            raise socket.gaierror(-3, "Temporary failure in name resolution")
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (a, 0)) for a in self.answers]


async def test_a_name_that_takes_long_to_look_up_holds_up_nobody(monkeypatch):
    slave = TcpSlave(units())
    await slave.start()
    resolver = Resolver(monkeypatch, ["127.0.0.1"])
    port = TcpPort("meter.ash-creek.example", slave.port, 0.05, lambda _: None)
    assert await port.open() is Reason.NO_CONNECTION
    assert await port.open() is Reason.NO_CONNECTION
    assert resolver.calls == 1
    resolver.go.set()  # by the loop, which is free while the look-up goes on
    assert not resolver.waited_in_vain
    while await port.open() is not Reason.OK:
        pass
    assert resolver.calls == 1
    port.close()
    await slave.stop()


async def test_a_name_nobody_knows(monkeypatch):
    resolver = Resolver(monkeypatch, [])
    resolver.go.set()
    port = TcpPort("meter.ash-creek.example", 502, 5.0, lambda _: None)
    assert await port.open() is Reason.NO_CONNECTION
    assert await port.open() is Reason.NO_CONNECTION
    assert resolver.calls == 2
    assert not port.write(b"?")


async def test_the_second_address_of_a_name_is_tried_as_well(monkeypatch):
    slave = TcpSlave(units())
    await slave.start()
    Resolver(monkeypatch, ["127.0.0.2", "127.0.0.1"]).go.set()
    port = TcpPort("meter.ash-creek.example", slave.port, 5.0, lambda _: None)
    assert await port.open() is Reason.OK
    port.close()
    await slave.stop()
