"""Coils and what hangs on them, against simulated relay boards on real pty pairs and sockets."""

import asyncio
import contextlib

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from edge.clock import SystemClock
from edge.field.assembly import make_field, poll_once
from edge.field.modbus import ModbusDriver
from edge.field.switches import CoilSwitch
from edge.station.model import ModbusRtuBus, ModbusTcpBus, Station
from edge.station.outputs import CoilOutput
from edge.station.reads import ModbusRead
from edge.status import Reason
from hw_fakes.clock import ScaledClock
from hw_fakes.faults import Fault, FaultKind
from hw_fakes.modbus_device import RtuSlave, TcpSlave
from hw_fakes.modbus_unit import ModbusUnit, RtuFraming
from hw_fakes.ports import PtyPort

DEVICES = {
    "relays": {"unit": 5, "timeout": "60 ms", "back_off_limit": "1 s"},
    "loops": {"unit": 1, "timeout": "60 ms"},
}
POINTS = {"level": ModbusRead(table="input", register=0)}


class Board:
    """Two relays, the second with a contact that is read back; and a loop module on the first."""

    def __init__(self):
        self.coils = [False, False]
        self.log = []
        self.stuck = False
        self.on_switch = lambda: None
        self.relays, self.loops = ModbusUnit(5), ModbusUnit(1)
        for number in (0, 1):
            self.relays.place_coil(
                number, lambda n=number: self.coils[n], lambda on, n=number: self._set(n, on)
            )
        self.relays.place("discrete", 9, 1, lambda: [self.coils[1] or self.stuck])
        self.loops.place("input", 0, 1, lambda: self._measure("level", 1111))
        self.loops.place("input", 4, 1, lambda: self._measure("head", 2222))
        self.head_is_always_supplied = False

    @property
    def units(self):
        return [self.relays, self.loops]

    def _set(self, number, on):
        if on != self.coils[number]:
            self.log.append(f"{number} {'on' if on else 'off'}")
        self.coils[number] = on
        self.on_switch()

    def _measure(self, what, number):
        supplied = self.coils[0] or (what == "head" and self.head_is_always_supplied)
        self.log.append(f"{what} {'supplied' if supplied else 'dark'}")
        return [number if supplied else 0]


@contextlib.asynccontextmanager
async def rtu(tmp_path, board, *, echo=False, more=()):
    port = PtyPort(tmp_path / "usb-rs485")
    port.plug()
    if echo:
        port.attach(port.write)
    slave = RtuSlave(port, [*board.units, *more])
    try:
        yield {"kind": "modbus-rtu", "port": str(port.path), "devices": DEVICES}
    finally:
        slave.close()
        port.unplug()


@contextlib.asynccontextmanager
async def tcp(_tmp_path, board):
    slave = TcpSlave(board.units)
    await slave.start()
    try:
        yield {"kind": "modbus-tcp", "host": slave.host, "port": slave.port, "devices": DEVICES}
    finally:
        await slave.stop()


def driver_of(bus):
    kind = ModbusRtuBus if bus["kind"] == "modbus-rtu" else ModbusTcpBus
    return ModbusDriver(kind.model_validate(bus), POINTS, SystemClock())


@contextlib.asynccontextmanager
async def opened(bus):
    driver = driver_of(bus)
    assert await driver.open() is Reason.OK
    try:
        yield driver
    finally:
        await driver.close()


both = pytest.mark.parametrize("wire", [rtu, tcp])


# ---------------------------------------------------------------------------------- the driver


@both
async def test_a_coil_is_written_and_read(wire, tmp_path):
    board = Board()
    async with wire(tmp_path, board) as bus, opened(bus) as driver:
        for on in (True, True, False):
            assert await driver.write_coil("relays", 0, on=on) is Reason.OK
            assert board.coils == [on, False]
            assert await driver.read_bit("relays", "coil", 0) is on
        assert await driver.write_coil("relays", 1, on=True) is Reason.OK
        assert await driver.read_bit("relays", "discrete", 9) is True


@both
async def test_why_a_coil_is_not_written(wire, tmp_path):
    board = Board()
    async with wire(tmp_path, board) as bus, opened(bus) as driver:
        assert await driver.write_coil("relays", 7, on=True) is Reason.ILLEGAL_ADDRESS
        assert await driver.read_bit("relays", "coil", 7) is Reason.ILLEGAL_ADDRESS
        for fault, reason in (
            (FaultKind.DEAD, Reason.NO_REPLY),
            (Fault(FaultKind.EXCEPTION, code=4), Reason.DEVICE_FAILURE),
        ):
            board.relays.faults.set(fault)
            assert await driver.write_coil("relays", 0, on=True) is reason
            assert board.coils == [False, False]
        board.relays.faults.set(FaultKind.SHORT)
        assert await driver.write_coil("relays", 0, on=True) is Reason.SHORT_FRAME
        board.relays.faults.clear()
        assert await driver.write_coil("relays", 0, on=True, tries=2) is Reason.OK


async def test_a_retry_gets_over_a_lost_reply(tmp_path):
    board = Board()
    async with rtu(tmp_path, board) as bus, opened(bus) as driver:
        board.relays.faults.set(Fault(FaultKind.BAD_CHECKSUM, every=1))
        assert await driver.write_coil("relays", 0, on=True, tries=2) is Reason.BAD_CHECKSUM
        assert board.relays.requests == 2
        board.relays.faults.set(Fault(FaultKind.DEAD, every=2))
        await driver.read_bit("relays", "coil", 0)
        assert await driver.write_coil("relays", 0, on=False, tries=2) is Reason.OK


async def test_an_echo_is_no_reply_to_a_written_coil(tmp_path):
    """A two-wire adapter that hears itself: the very bytes of the reply, from nobody."""
    board = Board()
    async with rtu(tmp_path, board, echo=True) as bus, opened(bus) as driver:
        assert (await driver.read("loops", ["level"], tries=1))[0].raw == 0
        assert await driver.write_coil("relays", 0, on=True) is Reason.OK
        board.relays.faults.set(FaultKind.DEAD)
        assert await driver.write_coil("relays", 0, on=False) is Reason.NO_REPLY
        assert board.coils[0]


@both
async def test_whoever_asks_waits_until_the_wire_is_free(wire, tmp_path):
    board = Board()
    async with wire(tmp_path, board) as bus, opened(bus) as driver:
        await driver.write_coil("relays", 0, on=True)

        async def read():
            return [(await driver.read("loops", ["level"], tries=1))[0].raw for _ in range(20)]

        async def switch():
            return [await driver.write_coil("relays", 1, on=bool(n % 2)) for n in range(20)]

        async def look():
            return [await driver.read_bit("relays", "coil", 0) for _ in range(20)]

        assert await asyncio.gather(read(), switch(), look()) == [
            [1111] * 20, [Reason.OK] * 20, [True] * 20,
        ]  # fmt: skip


async def test_a_write_given_up_owes_its_reply(tmp_path):
    """The late reply of a write that nobody waits for any more spoils nothing."""
    board = Board()
    async with rtu(tmp_path, board) as bus, opened(bus) as driver:
        board.relays.faults.set(Fault(FaultKind.SLOW, seconds=0.05))
        asked = asyncio.Event()
        board.on_switch = asked.set
        writing = asyncio.create_task(driver.write_coil("relays", 0, on=True))
        await asked.wait()
        writing.cancel()
        await asyncio.wait([writing])
        board.relays.faults.clear()
        assert await driver.write_coil("relays", 0, on=False) is Reason.OK
        assert board.coils[0] is False


# Reference library: pymodbus' own server, which shares no code with the simulated devices here.
async def test_against_a_server_that_is_not_ours():
    coils = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    others = [SimData(0, values=[0], datatype=DataType.REGISTERS)]
    device = SimDevice(5, simdata=(coils, coils, others, others))
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    port = server.transport.sockets[0].getsockname()[1]
    bus = {"kind": "modbus-tcp", "host": "127.0.0.1", "port": port, "devices": DEVICES}
    try:
        async with opened(bus) as driver:
            assert await driver.write_coil("relays", 3, on=True) is Reason.OK
            assert await driver.read_bit("relays", "coil", 3) is True
            assert await driver.read_bit("relays", "coil", 2) is False
            assert await driver.write_coil("relays", 3, on=False) is Reason.OK
            assert await driver.read_bit("relays", "coil", 3) is False
            assert await driver.write_coil("relays", 900, on=True) is Reason.ILLEGAL_ADDRESS
    finally:
        await server.shutdown()
        await asyncio.sleep(0)


# ---------------------------------------------------------------------------- the simulated board


# Modbus Application Protocol V1.1b3: the examples of section 6.5 (coil 173 on) and of section 6.11
# (ten coils from coil 20 on: CD 01).
def test_a_simulated_board_does_as_the_standard_says():
    unit, coils = ModbusUnit(1), {}
    for address in (172, *range(19, 29)):
        unit.place_coil(
            address,
            lambda a=address: coils.get(a, False),
            lambda on, a=address: coils.update({a: on}),
        )
    request = bytes.fromhex("05 00 AC FF 00")
    assert unit.respond(request) == request
    assert coils == {172: True}
    assert unit.respond(bytes.fromhex("0F 00 13 00 0A 02 CD 01")) == bytes.fromhex("0F 00 13 00 0A")
    assert [int(coils[a]) for a in range(19, 29)] == [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]
    assert unit.respond(bytes.fromhex("01 00 13 00 0A")) == bytes.fromhex("01 02 CD 01")


@pytest.mark.parametrize(
    ("request_", "code"),
    [
        ("05 00 AC 12 34", 3),  # neither on nor off
        ("05 00 AC FF", 3),
        ("05 00 AD FF 00", 2),
        ("0F 00 13 00 0A 01 CD", 3),  # ten coils are two bytes
        ("0F 00 13 00 0A 02 CD 01", 2),  # not all of them are there, so none is set
        ("0F 00 13 00 00 00", 3),
    ],
)
def test_a_simulated_board_refuses(request_, code):
    unit, set_ = ModbusUnit(1), []
    for address in (172, 19, 20):
        unit.place_coil(address, lambda: False, set_.append)
    unit.place("coil", 173, 1, lambda: [1])  # one that can only be read
    pdu = bytes.fromhex(request_)
    assert unit.respond(pdu) == bytes([pdu[0] | 0x80, code])
    assert set_ == []


def test_a_dead_board_does_nothing():
    board = Board()
    board.relays.faults.set(FaultKind.DEAD)
    assert board.relays.answer(bytes.fromhex("05 00 00 FF 00"), RtuFraming()) == []
    assert board.coils == [False, False]


# ---------------------------------------------------------------------------------- the switch


def coil(**more):
    return CoilOutput.model_validate(
        {"kind": "coil", "bus": "rs485", "device": "relays", "register": 1} | more
    )


@both
async def test_a_coil_as_a_switch(wire, tmp_path):
    board = Board()
    async with wire(tmp_path, board) as bus:
        driver = driver_of(bus)
        switch = CoilSwitch(coil(), driver, 2)
        assert await switch.set(True) is Reason.OK  # it opens the port by itself
        assert board.coils == [False, True]
        assert await switch.get() is True
        inverted = CoilSwitch(coil(inverted=True), driver, 2)
        assert await inverted.get() is False
        assert await inverted.set(True) is Reason.OK
        assert board.coils == [False, False]
        assert await inverted.get() is True
        assert await CoilSwitch(coil(read_back=False), driver, 2).get() is None
        watched = CoilSwitch(coil(feedback=9), driver, 2)
        board.stuck = True
        assert await watched.get() is True
        assert await watched.coil() is False
        await switch.close()
        assert not driver.connected


async def test_a_switch_that_failed_is_tried_once(tmp_path):
    board = Board()
    async with rtu(tmp_path, board) as bus:
        switch = CoilSwitch(coil(), driver_of(bus), 3)
        board.relays.faults.set(FaultKind.DEAD)
        assert await switch.set(True) is Reason.NO_REPLY
        assert board.relays.requests == 3
        assert await switch.set(True) is Reason.NO_REPLY
        assert await switch.get() is Reason.NO_REPLY
        assert board.relays.requests == 5
        await switch.close()


async def test_a_switch_without_a_port(tmp_path):
    bus = {"kind": "modbus-rtu", "port": str(tmp_path / "none"), "devices": DEVICES}
    switch = CoilSwitch(coil(), driver_of(bus), 1)
    assert await switch.set(True) is Reason.PORT_ABSENT
    assert await switch.get() is Reason.PORT_ABSENT


# ----------------------------------------------------------------------------------- the station


def station(bus, **more):
    channel = {"kind": "value", "range": ["0 V", "1 V"], "sample": "2 s"}
    channel |= {"bus": "rs485", "device": "loops"}
    return Station.model_validate(
        {
            "station": {"id": "ash-creek-7"},
            "buses": {"rs485": bus},
            "channels": {
                "level": channel
                | {"read": {"table": "input", "register": 0}, "supply": "loops"},
                "head": channel
                | {"read": {"table": "input", "register": 4}, "supply": "loops"},
                "board": channel
                | {"read": {"table": "coil", "register": 1, "type": "bit"}, "device": "relays"},
            },
            "outputs": {
                "loops": {
                    "kind": "coil", "bus": "rs485", "device": "relays", "register": 0,
                    "warm_up": "1 s",
                },
                "lamp": {
                    "kind": "coil", "bus": "rs485", "device": "relays", "register": 1,
                    "feedback": 9,
                },
            },
        } | more
    )  # fmt: skip


@contextlib.asynccontextmanager
async def running(the_station, clock):
    rounds = asyncio.Queue()
    field = make_field(the_station, clock, rounds.put_nowait)
    tasks = [asyncio.create_task(bus.run()) for bus in field.buses.values()]
    tasks.append(asyncio.create_task(field.outputs.run()))

    async def next_of(channel):
        while True:
            found = {s.channel: s for s, _ in await rounds.get()}
            if channel in found:
                return {n: s.reason if s.raw is None else s.raw for n, s in found.items()}

    try:
        yield field, next_of
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@both
async def test_sensors_are_read_while_they_are_supplied(wire, tmp_path):
    board = Board()
    async with wire(tmp_path, board) as bus:
        async with running(station(bus), ScaledClock(0, 10)) as (field, next_of):
            for _ in range(3):
                assert await next_of("level") == {"level": 1111, "head": 2222}
            assert field.outputs.is_on("lamp")
        seen = [what for what in board.log if what[0] != "1"]
        one_round = ["0 on", "level supplied", "head supplied", "0 off"]
        assert seen[:8] == one_round * 2
        assert board.coils[1]
        # The tasks have ended, and closed the port; the outputs come to rest all the same.
        assert await field.outputs.rest() == {"loops": Reason.OK, "lamp": Reason.OK}
        assert board.coils == [False, False]


async def test_a_dead_relay_board_costs_only_those_it_supplies(tmp_path):
    board = Board()
    board.head_is_always_supplied = True
    board.relays.faults.set(FaultKind.DEAD)
    async with rtu(tmp_path, board) as bus:
        the_station = station(bus)
        unsupplied = the_station.channels["head"].model_copy(update={"supply": None})
        the_station.channels["head"] = unsupplied
        async with running(the_station, ScaledClock(0, 4)) as (field, next_of):
            for _ in range(2):
                assert (await next_of("head"))["head"] == 2222
                assert await next_of("level") == {"level": Reason.NO_SUPPLY}
            parts = [one.part for one in field.outputs.conditions()]
            assert parts == ["outputs", "output loops", "output lamp"]
            assert field.buses["rs485"].counts.slots_passed_over == 0
            assert field.buses["rs485"].counts.answers["loops"] >= 2
            board.relays.faults.clear()
            while (await next_of("level"))["level"] is Reason.NO_SUPPLY:
                pass
            while not field.outputs.is_on("lamp"):
                await next_of("head")
        assert "level supplied" in board.log


METER = {
    "level": {
        "kind": "value", "bus": "rs485", "device": "loops", "range": ["0 V", "1 V"],
        "read": {"table": "input", "register": 0}, "sample": "200 ms",
    }
}  # fmt: skip


def lamps(many):
    relay = {"kind": "coil", "bus": "rs485", "device": "relays", "register": 0}
    return {f"lamp{n}": relay | {"register": n} for n in range(many)}


async def test_a_dead_board_of_many_relays_leaves_the_bus_to_others(tmp_path):
    board = Board()
    board.relays.faults.set(FaultKind.DEAD)
    async with rtu(tmp_path, board) as bus:
        the_station = station(bus, outputs=lamps(6), channels=METER)
        async with running(the_station, SystemClock()) as (field, next_of):
            for _ in range(10):
                await next_of("level")
            assert field.buses["rs485"].counts.slots_passed_over < 5
            # Alone each of the six would have asked twice before its first pause.
            assert board.relays.requests < 2 * 6
            assert len(field.outputs.conditions()) == 1 + 6
            # On the way out each of them is asked all the same.
            before = board.relays.requests
        assert set((await field.outputs.rest()).values()) == {Reason.NO_REPLY}
        assert board.relays.requests - before >= 6


async def test_a_dead_board_keeps_no_other_from_rest(tmp_path):
    """Each board asks for one output at a time, so the wire is soon free for the next board."""
    board, well = Board(), ModbusUnit(6)
    asked_of_the_dead = []
    well.place_coil(0, lambda: False, lambda _: asked_of_the_dead.append(board.relays.requests))
    outputs = lamps(3) | {"pump": lamps(1)["lamp0"] | {"device": "well"}}
    devices = {"devices": DEVICES | {"well": {"unit": 6, "timeout": "2 s"}}}
    board.relays.faults.set(FaultKind.DEAD)
    async with rtu(tmp_path, board, more=[well]) as bus:
        the_station = station(bus | devices, channels=METER, outputs=outputs)
        field = make_field(the_station, SystemClock(), lambda _: None)
        reasons = await field.outputs.rest()
    assert reasons == dict.fromkeys(lamps(3), Reason.NO_REPLY) | {"pump": Reason.OK}
    assert asked_of_the_dead == [2]  # one of the three outputs: once, and once more


async def test_rest_waits_for_a_reply_that_is_lost_on_the_way(tmp_path, monkeypatch):
    """Stopped while a relay is being told on; its board may take its time to answer."""
    monkeypatch.setattr("edge.field.assembly.REST_WITHIN", 0.0)
    board = Board()
    devices = {"devices": DEVICES | {"relays": {"unit": 5, "timeout": "200 ms"}}}
    async with rtu(tmp_path, board) as bus:
        the_station = station(bus | devices, channels=METER, outputs=lamps(1))
        field = make_field(the_station, SystemClock(), lambda _: None)
        told = asyncio.Event()
        board.on_switch = told.set
        board.relays.faults.set(FaultKind.SHORT)
        running_ = asyncio.create_task(field.outputs.run())
        await told.wait()
        running_.cancel()
        board.relays.faults.clear()
        assert await field.outputs.rest() == {"lamp0": Reason.OK}
        assert board.coils[0] is False
        await asyncio.wait([running_])


async def test_a_relay_board_on_a_bus_without_channels(tmp_path):
    board, other = Board(), Board()
    async with rtu(tmp_path, board) as bus, tcp(tmp_path, other) as relays:
        the_station = station(bus)
        the_station.buses["relays"] = ModbusTcpBus.model_validate(relays)
        for name, output in the_station.outputs.items():
            the_station.outputs[name] = output.model_copy(update={"bus": "relays"})
        async with running(the_station, ScaledClock(0, 10)) as (field, next_of):
            assert await next_of("level") == {"level": 0, "head": 0}
            assert list(field.buses) == ["rs485"]
        assert other.log[:2] in (["1 on", "0 on"], ["0 on", "1 on"])
        assert await field.outputs.rest() == {"loops": Reason.OK, "lamp": Reason.OK}
        assert other.coils == [False, False]


async def test_a_stuck_contact_is_told(tmp_path):
    board = Board()
    async with (
        rtu(tmp_path, board) as bus,
        running(station(bus), ScaledClock(0, 10)) as (field, next_of),
    ):
        await next_of("level")
        board.stuck = True
        field.outputs.forbid({"lamp"})
        while len(field.outputs.conditions()) < 2:
            await next_of("board")
        assert "found otherwise" in field.outputs.conditions()[1].found
        board.stuck = False
        while len(field.outputs.conditions()) > 1:
            await next_of("board")


async def test_polling_once_switches_on_what_it_needs(tmp_path):
    board = Board()
    async with rtu(tmp_path, board) as bus:
        samples = await poll_once(station(bus), ScaledClock(0, 10), ["level", "board"])
        assert samples["level"].raw == 1111
        assert samples["board"].raw == 0
        assert board.log == ["0 on", "level supplied", "0 off"]
        board.log.clear()
        samples = await poll_once(station(bus), ScaledClock(0, 10), ["board"])
        assert samples["board"].raw == 0
        assert board.log == []
        board.relays.faults.set(FaultKind.DEAD)
        samples = await poll_once(station(bus), ScaledClock(0, 10), ["level"])
        assert samples["level"].reason is Reason.NO_SUPPLY


def test_what_the_stages_go_by_is_read_as_ever():
    bus = {"kind": "modbus-rtu", "port": "/dev/ttyS9", "devices": DEVICES}
    volts = {"kind": "value", "range": ["0 V", "1 V"], "sample": "2 s", "bus": "rs485"}
    volts |= {"device": "relays", "read": {"table": "input", "register": 8}}
    difference = {"kind": "difference", "of": ["level", "head"]}
    more = station(bus).model_dump(by_alias=True, exclude_unset=True)["channels"]
    more |= {"volts": volts, "across": difference}

    def steady(energy):
        made = station(bus, channels=more, **energy)
        points = make_field(made, SystemClock(), lambda _: None).buses["rs485"]._points
        return {name for name, point in points.items() if point.steady}

    assert steady({}) == set()
    assert steady({"energy": {"voltage": "volts.mean"}}) == {"volts"}
    both = {"energy": {"voltage": "across", "temperature": "volts"}}
    assert steady(both) == {"level", "head", "volts"}
