"""The Modbus driver against simulated devices on real pty pairs and TCP sockets."""

import asyncio
import contextlib

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from edge.clock import SystemClock
from edge.field.modbus import ModbusDriver
from edge.station.model import ModbusRtuBus, ModbusTcpBus
from edge.station.reads import ModbusRead
from edge.status import Reason
from hw_fakes.faults import Fault, FaultKind
from hw_fakes.modbus_device import RtuSlave, TcpSlave
from hw_fakes.modbus_unit import ModbusUnit
from hw_fakes.ports import PtyPort

POINTS = {
    "level": ModbusRead(table="input", register=0),
    "head": ModbusRead(table="input", register=1),
    "count": ModbusRead(table="input", register=10, type="uint32"),
    "running": ModbusRead(table="discrete", register=3, type="bit"),
    "missing": ModbusRead(table="holding", register=500),
}
DEVICES = {"loops": {"unit": 1, "timeout": "60 ms"}, "other": {"unit": 7, "timeout": "60 ms"}}


def unit(number=1):
    unit = ModbusUnit(number)
    unit.place("input", 0, 2, lambda: [1111, 2222])
    unit.place("input", 10, 2, lambda: [0x0001, 0x0002])
    unit.place("discrete", 3, 1, lambda: [1])
    return unit


@contextlib.asynccontextmanager
async def rtu_bus(tmp_path):
    port = PtyPort(tmp_path / "usb-rs485")
    port.plug()
    slave = RtuSlave(port, [unit(1), unit(7)])
    bus = ModbusRtuBus.model_validate(
        {"kind": "modbus-rtu", "port": str(port.path), "devices": DEVICES}
    )
    driver = ModbusDriver(bus, POINTS, SystemClock())
    try:
        yield driver, slave, port
    finally:
        await driver.close()
        slave.close()
        port.unplug()


@contextlib.asynccontextmanager
async def tcp_bus(_tmp_path):
    slave = TcpSlave([unit(1), unit(7)])
    await slave.start()
    bus = ModbusTcpBus.model_validate(
        {"kind": "modbus-tcp", "host": slave.host, "port": slave.port, "devices": DEVICES}
    )
    driver = ModbusDriver(bus, POINTS, SystemClock())
    try:
        yield driver, slave, None
    finally:
        await driver.close()
        await slave.stop()


both = pytest.mark.parametrize("make_bus", [rtu_bus, tcp_bus])


async def read(driver, *channels, device="loops", tries=1):
    samples = await driver.read(device, channels, tries=tries)
    return {s.channel: s.raw if s.raw is not None else s.reason for s in samples}


@both
async def test_values_of_several_tables(make_bus, tmp_path):
    async with make_bus(tmp_path) as (driver, slave, _):
        assert await driver.open() is Reason.OK
        assert await read(driver, "level", "head", "count", "running") == {
            "level": 1111,
            "head": 2222,
            "count": 65538,
            "running": 1,
        }
        assert slave.units[1].requests == 3  # level and head lie side by side


@both
async def test_a_failed_request_does_not_take_the_others_along(make_bus, tmp_path):
    async with make_bus(tmp_path) as (driver, _, _):
        await driver.open()
        assert await read(driver, "missing", "level") == {
            "missing": Reason.ILLEGAL_ADDRESS,
            "level": 1111,
        }


@both
@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        (FaultKind.DEAD, Reason.NO_REPLY),
        (FaultKind.SHORT, Reason.SHORT_FRAME),
        (FaultKind.WRONG_UNIT, Reason.WRONG_UNIT),
        (Fault(FaultKind.EXCEPTION, code=2), Reason.ILLEGAL_ADDRESS),
        (Fault(FaultKind.EXCEPTION, code=6), Reason.DEVICE_BUSY),
    ],
)
async def test_each_failure_has_its_reason(make_bus, tmp_path, fault, reason):
    async with make_bus(tmp_path) as (driver, slave, _):
        await driver.open()
        slave.units[1].faults.set(fault)
        assert await read(driver, "level") == {"level": reason}
        slave.units[1].faults.clear()
        assert await read(driver, "level") == {"level": 1111}


async def test_noise_on_the_line_has_its_reason(tmp_path):
    async with rtu_bus(tmp_path) as (driver, slave, _):
        await driver.open()
        slave.units[1].faults.set(FaultKind.BAD_CHECKSUM)
        assert await read(driver, "level") == {"level": Reason.BAD_CHECKSUM}


@both
async def test_babble_is_never_a_value(make_bus, tmp_path):
    async with make_bus(tmp_path) as (driver, slave, _):
        await driver.open()
        slave.units[1].faults.set(FaultKind.BABBLE)
        for _ in range(10):
            (answer,) = (await read(driver, "level")).values()
            assert isinstance(answer, Reason)
            if not driver.connected:
                await driver.open()


async def test_a_retry_gets_over_a_lost_reply(tmp_path):
    async with rtu_bus(tmp_path) as (driver, slave, _):
        await driver.open()
        slave.units[1].faults.set(Fault(FaultKind.DEAD, every=2))
        for _ in range(4):
            assert await read(driver, "level", tries=2) == {"level": 1111}


async def test_a_late_reply_never_passes_for_another_one(tmp_path):
    """The reply to "level" comes late, when "count" might be asked already."""
    async with rtu_bus(tmp_path) as (driver, slave, _):
        await driver.open()
        slave.units[1].place("holding", 500, 1, lambda: [5555])
        slave.units[1].faults.set(Fault(FaultKind.SLOW, seconds=0.08))
        assert await read(driver, "level") == {"level": Reason.NO_REPLY}
        slave.units[1].faults.clear()
        assert await read(driver, "missing") == {"missing": 5555}


async def test_the_late_reply_to_a_try_that_failed_never_passes_for_another_one(tmp_path):
    """The unit is slower than its time-out: the retry gets the first reply, one is still owed."""
    async with rtu_bus(tmp_path) as (driver, slave, _):
        await driver.open()
        slave.units[1].place("holding", 500, 1, lambda: [5555])
        slave.units[1].faults.set(Fault(FaultKind.SLOW, seconds=0.08))
        for _ in range(3):
            answers = await read(driver, "missing", "level", tries=2)
            assert answers["missing"] in {5555, Reason.NO_REPLY}
            assert answers["level"] in {1111, Reason.NO_REPLY}
            assert set(answers.values()) & {5555, 1111}


async def test_a_dead_unit_is_not_waited_for_over_and_over(tmp_path):
    async with rtu_bus(tmp_path) as (driver, slave, _):
        await driver.open()
        slave.units[1].faults.set(FaultKind.DEAD)
        answers = await read(driver, "level", "count", "running", tries=3)
        assert set(answers.values()) == {Reason.NO_REPLY}
        assert slave.units[1].requests == 3 + 1 + 1


async def test_a_dead_unit_does_not_harm_its_mate(tmp_path):
    async with rtu_bus(tmp_path) as (driver, slave, _):
        await driver.open()
        slave.units[1].faults.set(FaultKind.DEAD)
        assert await read(driver, "level") == {"level": Reason.NO_REPLY}
        assert await read(driver, "level", device="other") == {"level": 1111}


async def test_a_port_that_is_not_there(tmp_path):
    async with rtu_bus(tmp_path) as (driver, _, port):
        port.unplug()
        assert await driver.open() is Reason.PORT_ABSENT
        assert not driver.connected
        assert await read(driver, "level") == {"level": Reason.PORT_ABSENT}


async def test_an_adapter_pulled_out_and_put_back(tmp_path):
    async with rtu_bus(tmp_path) as (driver, _, port):
        await driver.open()
        assert await read(driver, "level") == {"level": 1111}
        port.unplug()
        assert await read(driver, "level") == {"level": Reason.PORT_ABSENT}
        port.plug()
        assert await driver.open() is Reason.OK
        assert await read(driver, "level") == {"level": 1111}


async def test_an_address_nobody_listens_at():
    slave = TcpSlave([])
    await slave.start()
    await slave.stop()
    bus = ModbusTcpBus.model_validate(
        {"kind": "modbus-tcp", "host": slave.host, "port": slave.port, "devices": DEVICES}
    )
    driver = ModbusDriver(bus, POINTS, SystemClock())
    assert await driver.open() is Reason.NO_CONNECTION
    assert await read(driver, "level") == {"level": Reason.NO_CONNECTION}


async def test_a_server_that_goes_away(tmp_path):
    async with tcp_bus(tmp_path) as (driver, slave, _):
        await driver.open()
        await slave.stop()
        assert await read(driver, "level") == {"level": Reason.NO_CONNECTION}
        await slave.start()
        assert await driver.open() is Reason.OK
        assert await read(driver, "level") == {"level": 1111}


async def test_a_reading_under_way_can_be_given_up(tmp_path):
    async with rtu_bus(tmp_path) as (driver, slave, port):
        asked = asyncio.Event()
        port.attach(lambda _: asked.set())
        await driver.open()
        slave.units[1].faults.set(FaultKind.DEAD)
        reading = asyncio.create_task(read(driver, "level"))
        await asked.wait()
        reading.cancel()
        await asyncio.wait([reading])
        assert reading.cancelled()
        slave.units[1].faults.clear()
        assert await read(driver, "level") == {"level": 1111}


async def test_samples_are_stamped_between_request_and_reply(tmp_path):
    class Ticking(SystemClock):
        now = 0.0

        def monotonic(self):
            self.now += 10.0
            return self.now

        def utc_ms(self):
            return 1_000_000 + round(self.now * 1000)

    async with rtu_bus(tmp_path) as (driver, _, _):
        driver._clock = Ticking()
        await driver.open()
        (sample,) = await driver.read("loops", ["level"], tries=1)
        assert 10.0 < sample.monotonic < 20.0


# Reference library: pymodbus' own server, which shares no code with the simulated devices here.
async def test_against_a_server_that_is_not_ours():
    device = SimDevice(1, simdata=[SimData(0, values=[7, 8, 9], datatype=DataType.REGISTERS)])
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    port = server.transport.sockets[0].getsockname()[1]
    bus = ModbusTcpBus.model_validate(
        {"kind": "modbus-tcp", "host": "127.0.0.1", "port": port, "devices": DEVICES}
    )
    points = {
        "a": ModbusRead(table="holding", register=1),
        "b": ModbusRead(table="input", register=2),
        "c": ModbusRead(table="holding", register=900),
    }
    driver = ModbusDriver(bus, points, SystemClock())
    try:
        assert await driver.open() is Reason.OK
        assert await read(driver, "a", "b", "c") == {"a": 8, "b": 9, "c": Reason.ILLEGAL_ADDRESS}
    finally:
        await driver.close()
        await server.shutdown()
        await asyncio.sleep(0)
