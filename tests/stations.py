"""Station files for tests: the examples of config/, moved onto simulated hardware."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

from edge.station.loader import load
from edge.station.model import LineBus, ModbusRtuBus, Station
from hw_fakes.clock import ScaledClock
from hw_fakes.hardware import Hardware
from hw_fakes.world import World

CONFIG = Path(__file__).parent.parent / "config"
WELL = CONFIG / "ash-creek-2.toml"
WATCHED = CONFIG / "ash-creek-5.toml"
WELL_7 = CONFIG / "ash-creek-7.toml"
TANK = CONFIG / "ash-creek-tank.toml"

MARCH = 1_772_348_400_000  # 2026-03-01 00:00 at the Ash Creek wells


@contextlib.asynccontextmanager
async def well_on_simulated_hardware(directory: Path) -> AsyncIterator[tuple[Path, Hardware]]:
    """Yield a station file whose ports lead to running simulated hardware, and that hardware."""
    clock = ScaledClock(MARCH)
    async with Hardware(load(WELL), World(1, MARCH), clock, directory) as hardware:
        text = WELL.read_text(encoding="utf-8")
        for name, bus in load(WELL).buses.items():
            moved = hardware.station.buses[name]
            assert isinstance(bus, ModbusRtuBus | LineBus)
            assert isinstance(moved, ModbusRtuBus | LineBus)
            text = text.replace(bus.port, moved.port)
        file = directory / "well.toml"
        file.write_text(text.replace('sample = "1 min"', 'sample = "100 ms"'), encoding="utf-8")
        yield file, hardware


def five_units(port: Path, timeout: str, **rules: str) -> Station:
    """Return a station of five Modbus units on one serial line, each read every second."""
    devices = {f"u{n}": {"unit": n, "timeout": timeout} | rules for n in range(1, 6)}
    channels = {
        f"c{n}": {
            "kind": "value",
            "bus": "rs485",
            "device": f"u{n}",
            "read": {"table": "input", "register": 0},
            "range": ["0 V", "1 V"],
            "sample": "1 s",
        }
        for n in range(1, 6)
    }
    return Station.model_validate(
        {
            "station": {"id": "ash-creek-2"},
            "buses": {"rs485": {"kind": "modbus-rtu", "port": str(port), "devices": devices}},
            "channels": channels,
        }
    )


def publishing_to(file: Path, port: int) -> Path:
    """Return a copy of the station file that publishes to a broker on this machine."""
    head, _, _ = file.read_text(encoding="utf-8").partition("[uplink]")
    copy = file.with_name("publishing.toml")
    # Whether a time server sets this computer's clock is not for the tests to depend on.
    clock = '[clock]\ntrust = "plausible"\n'
    uplink = f'[uplink]\nhost = "127.0.0.1"\nport = {port}\npublish = "1 s"\n'
    copy.write_text(head + clock + uplink, encoding="utf-8")
    return copy
