"""What the daemon switches: sensors on a supply, loops that the battery feeds, the modem's link."""

import asyncio

import pytest

from edge.field.assembly import poll_once
from edge.measure.loop_budget import LoopSupply, budget
from edge.station.model import Station
from edge.status import Reason
from edge.units import Dimension, parse
from hw_fakes.clock import ManualClock, ScaledClock
from hw_fakes.hardware import Hardware
from hw_fakes.link import CuttableLink
from hw_fakes.world import world_of

START = 1_772_348_400_000  # 2026-03-01 07:00 UTC, midnight at the Ash Creek wells
NIGHT = START + 3 * 3_600_000
RELAY = {"kind": "coil", "bus": "rs485", "device": "relays"}
CHANNEL = {"bus": "rs485", "device": "loops", "sample": "5 min"}
LOOP = CHANNEL | {
    "kind": "loop",
    "counts": [0, 65535],
    "signal": ["0 mA", "20 mA"],
    "range": ["0 ft", "100 ft"],
}


def register(number):
    return {"table": "input", "register": number}


def make_station(*, lowest_supply="11 V", least="7.5 V"):
    circuit = {"lowest_supply": lowest_supply, "transmitter_least": least, "load": "250 ohm"}
    return Station.model_validate(
        {
            "station": {"id": "ash-creek-7", "latitude": 39.7, "longitude": -105.2},
            "buses": {
                "rs485": {
                    "kind": "modbus-rtu",
                    "port": "/dev/x",
                    "devices": {"loops": {"unit": 1}, "relays": {"unit": 3}},
                }
            },
            "outputs": {
                "sensors": RELAY | {"register": 0, "warm_up": "8 s", "feedback": 0},
                "modem": RELAY | {"register": 1, "warm_up": "40 s"},
                "heater": RELAY | {"register": 2, "inverted": True},
                "lamp": {"kind": "gpio", "chip": "/dev/gpiochip0", "line": 17},
            },
            "channels": {
                "level": LOOP | {"read": register(0), "supply": "sensors"},
                "volts": CHANNEL
                | {
                    "kind": "value",
                    "read": register(2),
                    "range": ["0 V", "1 V"],
                    "counts": [0, 100],
                    "supply": "sensors",
                },
                "fed": LOOP | {"read": register(1), "circuit": circuit},
            },
            "energy": {
                "battery": {"capacity": "20 Ah"},
                "panel": {"power": "20 W", "tilt": "50 deg"},
                "loads": {
                    "computer": {"power": "2 W"},
                    "heater": {"power": "24 W", "output": "heater"},
                    "sending": {"power": "24 W", "per_publish": "20 s"},
                },
            },
            "uplink": {"host": "broker.ash-creek.example", "supply": "modem"},
        }
    )


class Rig:
    """A station's hardware without its wires, in a night."""

    def __init__(self, station, clock, directory):
        self.clock = clock
        self.world = world_of(station, 1, START)
        self.hardware = Hardware(station, self.world, clock, directory)
        self._channels = station.channels

    @property
    def volts(self):
        return self.world.battery_v(self.clock.utc_ms())

    def amperes(self, channel):
        raw = self.hardware.raw(channel, self.clock.utc_ms())
        return self._channels[channel].scale().amperes(raw)

    def true_amperes(self, channel):
        truth = self.hardware.truth(channel, self.clock.utc_ms())
        return self._channels[channel].scale().current(truth)

    def switch(self, name, *, on):
        self.hardware.relays.command(name, on=on)


@pytest.fixture
def rig(tmp_path):
    return Rig(make_station(), ManualClock(NIGHT), tmp_path)


async def test_a_sensor_whose_supply_is_off_sends_nothing(rig):
    assert rig.amperes("level") == 0
    assert rig.hardware.raw("volts", NIGHT) == 0
    rig.switch("sensors", on=True)
    await rig.clock.advance(8)
    assert rig.amperes("level") == pytest.approx(rig.true_amperes("level"), abs=1e-9)
    assert rig.hardware.raw("volts", NIGHT) == pytest.approx(100 * rig.volts)


async def test_whoever_reads_it_before_it_is_warm_reads_nonsense(rig):
    rig.switch("sensors", on=True)
    for second in range(8):
        assert rig.amperes("level") < 0.75 * rig.true_amperes("level"), second
        await rig.clock.advance(1)
    assert rig.amperes("level") == pytest.approx(rig.true_amperes("level"), abs=1e-9)


@pytest.mark.parametrize(("believed", "right"), [("8 s", True), ("0.5 s", False)])
async def test_a_station_that_waits_too_short_is_caught(tmp_path, believed, right):
    truly = make_station()
    clock = ScaledClock(NIGHT, 40.0)
    world = world_of(truly, 1, START)
    async with Hardware(truly, world, clock, tmp_path) as hardware:
        outputs = dict(hardware.station.outputs)
        warm_up = parse(believed, Dimension.TIME)
        outputs["sensors"] = outputs["sensors"].model_copy(update={"warm_up": warm_up})
        station = hardware.station.model_copy(update={"outputs": outputs})
        sample = (await poll_once(station, clock, ["level"]))["level"]
        assert not hardware.outputs["sensors"]  # it is off again
    value, _ = station.channels["level"].scale().value(sample.raw)
    true = world.level_m(clock.utc_ms())
    assert (value is not None and abs(value - true) < 0.05) is right


def test_outputs_are_coils_with_a_feedback_that_tells_the_truth(rig):
    board = rig.hardware.unit("rs485", "relays")
    assert board.respond(bytes([1, 0, 0, 0, 3])) == b"\1\1\0"
    assert rig.hardware.outputs == {
        "sensors": False, "modem": False, "heater": True, "lamp": False,
    }  # fmt: skip
    board.respond(bytes([5, 0, 0, 0xFF, 0]))
    board.respond(bytes([5, 0, 2, 0xFF, 0]))
    assert rig.hardware.outputs["sensors"]
    assert not rig.hardware.outputs["heater"]
    assert board.respond(bytes([2, 0, 0, 0, 1])) == b"\2\1\1"
    rig.hardware.relays.force("sensors", on=False)
    assert board.respond(bytes([1, 0, 0, 0, 1])) == b"\1\1\1"
    assert board.respond(bytes([2, 0, 0, 0, 1])) == b"\2\1\0"


async def test_outputs_on_the_computers_own_lines(rig):
    told = []
    rig.hardware.on_switch = lambda name, on: told.append((name, on))
    lamp = rig.hardware.gpio(make_station().outputs["lamp"])
    assert await lamp.set(True) is Reason.OK
    assert rig.hardware.outputs["lamp"]
    assert told == [("lamp", True)]


async def test_switching_a_load_off_lets_the_battery_recover(rig):
    await rig.clock.advance(3600)
    low = rig.world.battery_v(rig.clock.utc_ms() - 1)
    rig.switch("heater", on=False)
    assert rig.volts > low + 0.15  # 2 A through some tenths of an ohm
    assert rig.world.battery_v(rig.clock.utc_ms() - 1) == low  # what is past stays as it was
    assert rig.volts > rig.world.battery_v(NIGHT)


async def test_the_battery_sags_while_the_modem_sends(rig):
    rig.switch("heater", on=False)
    at_rest = rig.volts
    rig.hardware.loads.sent(NIGHT / 1000)
    sagging = rig.volts
    # By Ohm: 24 W at 12.5 V through the battery's resistance.
    power = rig.world.power
    charge, celsius = power.charge(NIGHT / 1000), power.at(NIGHT / 1000).celsius
    resistance = power.plant.lead_acid().resistance(charge, celsius)
    assert at_rest - sagging == pytest.approx(24 / sagging * resistance, rel=0.1)
    await rig.clock.advance(20)
    assert rig.volts == pytest.approx(at_rest, abs=0.01)


async def test_a_transmitter_that_the_battery_feeds_starves_with_it(tmp_path):
    # At 12 mA and more, 250 ohm and a transmitter of 10 V take more than a low battery has.
    rig = Rig(make_station(least="9.8 V"), ManualClock(NIGHT), tmp_path)
    assert rig.true_amperes("fed") > 0.012
    assert rig.amperes("fed") < rig.true_amperes("fed") - 0.0005
    # Kirchhoff: what is left for the resistor, over its ohms.
    assert rig.amperes("fed") == pytest.approx((rig.volts - 9.8) / 250)
    carried = budget(LoopSupply(rig.volts, 9.8, 250.0)).greatest_current
    assert rig.amperes("fed") == pytest.approx(carried)
    flat = rig.amperes("fed")
    rig.hardware.loads.sent(NIGHT / 1000)
    assert rig.amperes("fed") < flat  # the more so while the modem sends
    rig.hardware.force_loop("fed", 0.01)
    assert rig.amperes("fed") == pytest.approx(0.01)


@pytest.mark.parametrize("lowest_supply", ["11 V", "23.5 V"])
async def test_it_does_not_where_its_supply_suffices_or_is_converted(tmp_path, lowest_supply):
    least = "7.5 V" if lowest_supply == "11 V" else "9.8 V"
    station = make_station(lowest_supply=lowest_supply, least=least)
    rig = Rig(station, ManualClock(NIGHT), tmp_path)
    assert rig.amperes("fed") == pytest.approx(rig.true_amperes("fed"), abs=1e-9)


async def test_the_modem_is_up_when_it_has_warmed_up(rig):
    assert not rig.hardware.modem_up
    rig.switch("modem", on=True)
    await rig.clock.advance(39)
    assert not rig.hardware.modem_up
    await rig.clock.advance(1)
    assert rig.hardware.modem_up
    rig.switch("modem", on=False)
    assert not rig.hardware.modem_up


async def test_a_link_without_its_modem_carries_nothing(until):
    up, told = False, []

    async def answer(reader, writer):
        writer.write(await reader.read(4))  # nothing, where the link is dropped first
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    async with server, CuttableLink(*server.sockets[0].getsockname()[:2]) as link:
        link.modem_up = lambda: up
        link.on_sending(lambda: told.append("sent"))

        async def ask():
            reader, writer = await asyncio.open_connection("127.0.0.1", link.port)
            writer.write(b"ping")
            try:
                return await reader.readexactly(4)
            finally:
                writer.close()

        with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
            await ask()
        assert told == []
        up = True
        assert await ask() == b"ping"
        assert told == ["sent"]

        reader, writer = await asyncio.open_connection("127.0.0.1", link.port)
        await until(lambda: link.in_use)
        link.drop()
        with pytest.raises(ConnectionError):
            await reader.readexactly(1)
        writer.close()
