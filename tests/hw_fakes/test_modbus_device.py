"""The slaves on real wires, read by pymodbus' clients as the reference."""

import asyncio

import pytest
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusIOException

from hw_fakes.faults import Fault, FaultKind
from hw_fakes.modbus_device import RtuSlave, TcpSlave
from hw_fakes.modbus_unit import ModbusUnit
from hw_fakes.ports import PtyPort
from hw_fakes.registers import encode

VALUES = {
    "int16": -1234,
    "uint16": 65000,
    "int32": -123_456_789,
    "uint32": 4_000_000_000,
    "float32": 12.625,
    "int64": -(10**17),
    "uint64": 2**63 + 11,
    "float64": 3.141592653589793,
}
COILS = [1, 0, 0, 1, 1, 0, 1, 0, 1, 1]


def make_units():
    """Two units: one with every type, high word first; one with the low word first."""
    units = []
    for number, word_order in ((1, "big"), (2, "little")):
        unit, address = ModbusUnit(number), 0
        for type_, value in VALUES.items():
            registers = encode(value, type_, word_order=word_order)
            for table in ("input", "holding"):
                unit.place(table, address, len(registers), lambda r=registers: r)
            address += len(registers)
        unit.place("coil", 3, len(COILS), lambda: COILS)
        unit.place("discrete", 3, len(COILS), lambda: COILS)
        units.append(unit)
    return units


@pytest.fixture
async def rtu(tmp_path):
    port = PtyPort(tmp_path / "rs485")
    port.plug()
    slave = RtuSlave(port, make_units())
    client = AsyncModbusSerialClient(str(port.path), baudrate=19200, timeout=0.3, retries=0)
    await client.connect()
    yield slave, client
    client.close()
    slave.close()
    port.unplug()


@pytest.fixture
async def tcp():
    slave = TcpSlave(make_units())
    await slave.start()
    client = AsyncModbusTcpClient(slave.host, port=slave.port, timeout=0.3, retries=0)
    await client.connect()
    yield slave, client
    client.close()
    await slave.stop()


@pytest.fixture(params=["rtu", "tcp"])
def bus(request, rtu, tcp):
    return rtu if request.param == "rtu" else tcp


@pytest.mark.parametrize(("unit", "word_order"), [(1, "big"), (2, "little")])
async def test_every_type_in_both_orders(bus, unit, word_order):
    _, client = bus
    for read in (client.read_input_registers, client.read_holding_registers):
        address = 0
        for type_, value in VALUES.items():
            data_type = client.DATATYPE[type_.upper()]
            reply = await read(address, count=data_type.value[1], device_id=unit)
            got = client.convert_from_registers(reply.registers, data_type, word_order=word_order)
            assert got == value
            address += data_type.value[1]


async def test_coils_and_discrete_inputs(bus):
    _, client = bus
    for read in (client.read_coils, client.read_discrete_inputs):
        reply = await read(3, count=len(COILS), device_id=1)
        assert [int(bit) for bit in reply.bits[: len(COILS)]] == COILS


async def test_exceptions_reach_the_client(bus):
    slave, client = bus
    assert (await client.read_coils(0, device_id=1)).exception_code == 2
    assert (await client.write_register(0, 1, device_id=1)).exception_code == 1
    assert (await client.write_registers(0, [1, 2], device_id=1)).exception_code == 1
    slave.units[1].faults.set(Fault(FaultKind.EXCEPTION, code=6))
    assert (await client.read_input_registers(0, device_id=1)).exception_code == 6


@pytest.mark.parametrize(
    "kind",
    [FaultKind.DEAD, FaultKind.BAD_CHECKSUM, FaultKind.SHORT, FaultKind.BABBLE, FaultKind.LATE],
)
async def test_a_unit_that_fails_gets_no_answer_through(rtu, kind):
    slave, client = rtu
    slave.units[1].faults.set(kind)
    with pytest.raises(ModbusIOException):
        await client.read_input_registers(0, device_id=1)
    slave.units[1].faults.clear()
    reply = await client.read_input_registers(0, device_id=2)
    assert reply.registers == encode(VALUES["int16"], "int16")


async def test_a_slow_reply_comes_in_the_end(bus):
    slave, client = bus
    slave.units[1].faults.set(Fault(FaultKind.SLOW, seconds=0.02))
    reply = await client.read_input_registers(1, device_id=1)
    assert reply.registers == [VALUES["uint16"]]


async def test_an_address_where_no_unit_is(rtu, tcp):
    with pytest.raises(ModbusIOException):
        await rtu[1].read_input_registers(0, device_id=9)
    assert (await tcp[1].read_input_registers(0, device_id=9)).exception_code == 11


async def test_replies_still_under_way_die_with_the_bus(rtu, tcp):
    for slave, client in (rtu, tcp):
        slave.units[1].faults.set(Fault(FaultKind.SLOW, seconds=60))
        with pytest.raises(ModbusIOException):
            await client.read_input_registers(0, device_id=1)


async def test_a_tcp_device_that_restarts_keeps_its_port(tcp):
    slave, client = tcp
    port = slave.port
    await slave.stop()
    await slave.stop()
    with pytest.raises(OSError):  # noqa: PT011 - refused, whatever the system calls it
        await asyncio.open_connection(slave.host, port)
    client.close()
    await slave.start()
    assert slave.port == port
    assert await client.connect()
    reply = await client.read_input_registers(1, device_id=1)
    assert reply.registers == [VALUES["uint16"]]


async def test_a_tcp_device_hangs_up_on_what_is_no_modbus(tcp):
    slave, _ = tcp
    reader, writer = await asyncio.open_connection(slave.host, slave.port)
    writer.write(b"GET / HTTP/1.1\r\n\r\n")
    assert await reader.read() == b""
    writer.close()
    await writer.wait_closed()
