import asyncio
import math

import pytest
import serial

from edge.clock import SystemClock
from edge.field.assembly import poll_once
from edge.field.line_codec import LineReader
from edge.field.modbus_codec import decode
from edge.measure.counter import CounterRules, Tally
from edge.station.model import LineBus, LineDevice, Station
from edge.station.reads import ModbusRead
from edge.status import Reason
from hw_fakes.clock import ManualClock
from hw_fakes.faults import FaultKind
from hw_fakes.hardware import Hardware
from hw_fakes.reply_text import CannotWriteError
from hw_fakes.signals import quantity_named, registers_of
from hw_fakes.world import World

START = 1_772_348_400_000  # 2026-03-01 07:00 UTC, midnight at the Ash Creek wells
MODBUS = {"bus": "rs485", "device": "module", "sample": "1 min"}


def register(number, table="input", type_="uint16", **orders):
    return {"table": table, "register": number, "type": type_, **orders}


def loop(number, span, **more):
    counts = {"counts": [0, 65535], "signal": ["0 mA", "20 mA"]}
    return {"kind": "loop", **MODBUS, "read": register(number), "range": span, **counts, **more}


def value(read, span, **more):
    return {"kind": "value", **MODBUS, "read": read, "range": span, **more}


def make_station(**changes):
    """A station that has one of everything."""
    plain = {
        "station": {"id": "ash-creek-2"},
        "buses": {
            "rs485": {
                "kind": "modbus-rtu",
                "port": "/dev/serial/by-id/usb-rs485-adapter",
                "framing": "8E1",
                "devices": {"module": {"unit": 1}, "counter": {"unit": 2}},
            },
            "ethernet": {
                "kind": "modbus-tcp",
                "host": "192.0.2.7",
                "devices": {"gateway": {"unit": 3}},
            },
            "charger": {
                "kind": "line",
                "port": "/dev/serial/by-id/usb-charge-controller",
                "devices": {
                    "controller": {
                        "request": "?\r",
                        "reply": r"V=(?P<battery>\d+\.\d+),P=(?P<panel>\d+\.\d+),"
                        r"T=(?P<temp>-?\d+\.\d+),(?P<state>[A-Z]+)",
                        "checksum": "crc16",
                        "checksum_mark": "*",
                    },
                    "gauge": {"request": "L?\r", "reply": r"L (?P<mm>\d+)"},
                },
            },
            "talker": {
                "kind": "line",
                "port": "/dev/serial/by-id/usb-talker",
                "devices": {"probe": {"reply": r"(?P<temp>-?\d+\.\d+) C", "timeout": "2 s"}},
            },
        },
        "channels": {
            "level": loop(0, ["0 ft", "150 ft"]),
            "head": loop(1, ["0 psi", "100 psi"], signal=["0 V", "5 V"], shunt="250 ohm"),
            "rate": value(register(10, type_="float32", word_order="little"), ["0 gpm", "1 gpm"]),
            "air": value(register(12, type_="int16"), ["0 degC", "1 degC"], counts=[0, 10]),
            "running": value(register(0, table="coil"), ["0 %", "100 %"]),
            "open-valve": value(register(14), ["0 %", "50 %"], counts=[0, 1000]),
            "flow": {
                "kind": "pulse",
                **MODBUS,
                "device": "counter",
                "read": register(0, type_="uint32", byte_order="little"),
                "k_factor": "98.4 pulses/gal",
            },
            "flow16": {
                "kind": "pulse",
                **MODBUS,
                "device": "counter",
                "read": register(4),
                "pulse_volume": "0.1 gal/pulse",
            },
            "battery": value({"field": "battery"}, ["0 V", "1 V"])
            | {"bus": "charger", "device": "controller"},
            "solar-panel": value({"field": "panel"}, ["0 V", "1 V"])
            | {"bus": "charger", "device": "controller"},
            "gauge": value({"field": "mm"}, ["0 mm", "1 mm"])
            | {"bus": "charger", "device": "gauge"},
            "probe": value({"field": "temp"}, ["0 degF", "1 degF"])
            | {"bus": "talker", "device": "probe"},
            "remote": value(register(7, type_="float64"), ["0 m", "1 m"])
            | {"bus": "ethernet", "device": "gateway"},
            "pumped": value(register(20, type_="float64"), ["0 m3", "1 m3"])
            | {"bus": "ethernet", "device": "gateway"},
        },
    }
    return Station.model_validate(plain | changes)


@pytest.fixture
def clock():
    return ManualClock(START)


@pytest.fixture
def world():
    return World(1, START)


@pytest.fixture
async def hardware(tmp_path, clock, world):
    async with Hardware(make_station(), world, clock, tmp_path) as hardware:
        yield hardware


async def poll(hardware, clock, *names):
    """Read channels with the program's own drivers; return values, or reasons."""
    station = hardware.station
    samples = await poll_once(station, clock, names or set(station.channels) - {"probe"})
    values = {}
    for name, sample in samples.items():
        if sample.raw is None:
            values[name] = sample.reason
            continue
        scale = getattr(station.channels[name], "scale", None)
        if scale is None:
            values[name] = int(sample.raw)
        else:
            scaled = scale()
            value = scaled.value(sample.raw)[0] if hasattr(scaled, "span") else None
            values[name] = scaled.at(sample.raw) if value is None else value
    return values


async def test_every_channel_reads_what_the_world_has(hardware, world, clock):
    run = world.runs(START, START + 86_400_000)[1]
    await clock.advance((run.start + run.end) / 2 - START / 1000)
    now = clock.utc_ms()
    assert world.pump_running(now)
    values = await poll(hardware, clock)
    within_half_a_count = {
        "level": (world.level_m(now), 45.72 * 20 / 16 / 65535),
        "head": (world.discharge_pa(now), 689_476 * 20 / 16 / 65535),
        "rate": (world.flow_m3s(now), 1e-9),
        "air": (world.temperature_c(now), 0.1),
        "running": (1.0, 0),
        "open-valve": (0.25, 0),
        "battery": (world.battery_v(now), 0.001),
        "solar-panel": (world.panel_v(now), 0.001),
        "gauge": (world.level_m(now), 0.001),
        "remote": (world.level_m(now), 1e-12),
        "pumped": (world.volume_m3(now), 1e-12),
    }
    for name, (expected, tolerance) in within_half_a_count.items():
        assert values[name] == pytest.approx(expected, abs=tolerance / 2 + 1e-12), name
        if name not in {"running", "open-valve"}:
            assert hardware.truth(name, now) == expected, name
    assert hardware.truth("running", now) == 1.0
    assert hardware.truth("open-valve", now) == 0.25
    assert set(values) == {*within_half_a_count, "flow", "flow16"}


async def test_counters_roll_over_on_the_first_day_and_count_every_pulse(hardware, world, clock):
    station = hardware.station
    rules = {name: CounterRules(station.channels[name].modulus) for name in ("flow", "flow16")}
    tallies, rollovers = {}, dict.fromkeys(rules, 0)
    for _ in range(24 * 4):
        values = await poll(hardware, clock)
        for name in rollovers:
            before = tallies.get(name) or Tally.begin(values[name], 0, rules[name])
            rollovers[name] += values[name] < before.baseline.raw
            tallies[name], _ = before.advance(values[name], 0, None, rules[name])
        await clock.advance(900)
    values = await poll(hardware, clock)
    for name, tally in tallies.items():
        pulses = tally.advance(values[name], 0, None, rules[name])[0].pulses
        assert pulses == hardware.pulses(name)
        meter = station.channels[name].meter()
        volume = world.volume_m3(clock.utc_ms())
        assert pulses == math.floor(volume / meter.volume_per_pulse)
        assert hardware.truth(f"{name}.total", clock.utc_ms()) == volume
        assert hardware.truth(f"{name}.rate", clock.utc_ms()) == world.flow_m3s(clock.utc_ms())
    assert rollovers["flow"] == 1
    assert rollovers["flow16"] == 1


async def test_a_counter_that_is_reset(hardware, world, clock):
    await clock.advance(86_400)
    hardware.reset_counter("flow")
    assert (await poll(hardware, clock))["flow"] == 0
    before = hardware.pulses("flow")
    await clock.advance(86_400)
    assert (await poll(hardware, clock))["flow"] == hardware.pulses("flow") - before > 0


@pytest.mark.parametrize(
    ("milliamperes", "reason"),
    [(0.0, Reason.OPEN_LOOP), (3.5, Reason.LOOP_FAILURE_LOW), (22.0, Reason.LOOP_FAILURE_HIGH)],
)
async def test_a_loop_that_fails(hardware, clock, milliamperes, reason):
    scale = hardware.station.channels["head"].scale()
    hardware.force_loop("head", milliamperes / 1000)
    sample = (await poll_once(hardware.station, clock, ["head"]))["head"]
    # The module converts no more than 20 mA.
    if milliamperes <= 20:
        assert scale.amperes(sample.raw) == pytest.approx(milliamperes / 1000, abs=1e-6)
        assert scale.value(sample.raw) == (None, reason)
    else:
        assert sample.raw == 65535
    hardware.force_loop("head", None)
    sample = (await poll_once(hardware.station, clock, ["head"]))["head"]
    assert scale.value(sample.raw)[1] is Reason.OK


async def test_a_transmitter_out_of_range_drives_the_limits_of_its_current(tmp_path, world, clock):
    channels = {
        "low": loop(0, ["100 ft", "150 ft"]),
        "high": loop(1, ["0 ft", "10 ft"], counts=[0, 60000], signal=["0 mA", "24 mA"]),
    }
    async with Hardware(make_station(channels=channels), world, clock, tmp_path) as hardware:
        samples = await poll_once(hardware.station, clock, channels)
    for name, amperes in (("low", 0.0038), ("high", 0.0205)):
        scale = hardware.station.channels[name].scale()
        assert scale.amperes(samples[name].raw) == pytest.approx(amperes, abs=3e-7)


async def test_a_device_that_talks_unasked(hardware, world):
    reader = LineReader(hardware.station.buses["talker"].devices["probe"])
    with serial.Serial(str(hardware.port("talker").path), timeout=5) as near:
        lines = [await asyncio.to_thread(near.readline) for _ in range(2)]
    in_fahrenheit = world.temperature_c(START) * 9 / 5 + 32
    for line in lines:
        fields = reader.read(line.removesuffix(b"\r\n"))
        assert float(fields["temp"]) == pytest.approx(in_fahrenheit, abs=0.0005)


async def test_faults_and_pulled_plugs_are_seen_and_pass(hardware, clock):
    hardware.faults("rs485", "module").set(FaultKind.BAD_CHECKSUM)
    hardware.faults("charger", "gauge").set(FaultKind.DEAD)
    values = await poll(hardware, clock, "level", "flow", "gauge", "battery")
    assert values["level"] is Reason.BAD_CHECKSUM
    assert values["gauge"] is Reason.NO_REPLY
    assert isinstance(values["flow"], int)
    assert isinstance(values["battery"], float)
    hardware.faults("rs485", "module").clear()

    hardware.port("rs485").unplug()
    await hardware.port("ethernet").stop()
    values = await poll(hardware, clock, "level", "remote")
    assert values == {"level": Reason.PORT_ABSENT, "remote": Reason.NO_CONNECTION}
    hardware.port("rs485").plug()
    await hardware.port("ethernet").start()
    values = await poll(hardware, clock, "level", "remote")
    assert all(isinstance(value, float) for value in values.values())
    assert hardware.unit("rs485", "module").requests > 0


async def test_stopping_leaves_nothing_behind(tmp_path, world, clock):
    before = asyncio.all_tasks()
    hardware = Hardware(make_station(), world, clock, tmp_path)
    await hardware.start()
    await hardware.stop()
    assert asyncio.all_tasks() == before
    assert not list((tmp_path / "serial").iterdir())


async def test_only_the_ports_of_the_station_change(hardware):
    given, simulated = make_station(), hardware.station
    assert simulated.channels == given.channels
    for name, bus in simulated.buses.items():
        assert bus.devices == given.buses[name].devices
        assert bus != given.buses[name]
    # A pseudo-terminal takes no parity.
    assert simulated.buses["rs485"].framing == "8N1"


def test_a_station_that_cannot_be_simulated_says_why(tmp_path, world):
    overlapping = {
        "one": value(register(0, type_="uint32"), ["0 ft", "1 ft"]),
        "two": value(register(1), ["0 ft", "1 ft"]),
    }
    with pytest.raises(ValueError, match="two values share input 1 to 1"):
        Hardware(make_station(channels=overlapping), world, SystemClock(), tmp_path)

    strange = LineDevice(request="?", reply=r"(?P<x>[A-Z]+)")
    buses = {"odd": LineBus(kind="line", port="/dev/x", devices={"odd": strange})}
    odd = {"odd": value({"field": "x"}, ["0 m", "1 m"]) | {"bus": "odd", "device": "odd"}}
    with pytest.raises(CannotWriteError, match="group 'x'"):
        Hardware(make_station(buses=buses, channels=odd), world, SystemClock(), tmp_path)


def test_two_channels_may_read_the_same_register(tmp_path, world):
    twice = {"one": loop(0, ["0 ft", "150 ft"]), "two": loop(0, ["0 ft", "150 ft"])}
    Hardware(make_station(channels=twice), world, SystemClock(), tmp_path)


async def test_loops_and_counters_are_not_mistaken_for_each_other(hardware):
    with pytest.raises(TypeError, match="flow is no loop"):
        hardware.force_loop("flow", 0.0)
    with pytest.raises(TypeError, match="level counts no pulses"):
        hardware.pulses("level")


@pytest.mark.parametrize(
    ("type_", "raw", "sent"),
    [
        ("uint16", 70000.0, 65535),
        ("uint16", -3.0, 0),
        ("int16", -3.4, -3),
        ("float32", 1.5, 1.5),
        ("bit", 0.7, 1),
    ],
)
def test_a_register_holds_the_nearest_number_it_can(type_, raw, sent):
    read = ModbusRead.model_validate({"table": "holding", "register": 0, "type": type_})
    assert decode(registers_of(raw, read), read) == sent


def test_fields_are_known_by_their_names(world):
    assert quantity_named("T_battery", world) == world.battery_v
    assert quantity_named("PANEL_V", world) == world.panel_v
    assert quantity_named("humidity", world) is None


def test_a_wide_counter_begins_anywhere_below_its_width(tmp_path, world):
    wide = {
        "wide": {
            "kind": "pulse",
            **MODBUS,
            "read": register(0, type_="uint64"),
            "k_factor": "1 pulses/gal",
        }
    }
    hardware = Hardware(make_station(channels=wide), world, ManualClock(START), tmp_path)
    first = hardware.unit("rs485", "module").respond(bytes([4, 0, 0, 0, 4]))
    assert 2**40 < int.from_bytes(first[2:], "big") < 2**64
