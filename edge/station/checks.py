"""Whether the parts of a station file can work, and work together: rules that span several keys.

Pure.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace

from edge.station.build import build, site_of
from edge.station.channel_checks import channel_faults
from edge.station.computed_checks import computed_faults
from edge.station.energy_checks import energy_faults
from edge.station.faults import Fault, KeyPath
from edge.station.model import (
    Bus,
    LineBus,
    LineDevice,
    ModbusDevice,
    ModbusRtuBus,
    ModbusTcpBus,
    Uplink,
)
from edge.station.output_checks import output_faults
from edge.station.parts import Parts

# Modbus over Serial Line V1.02, section 2.2: 0 is broadcast, 248 to 255 are reserved. Modbus
# Messaging on TCP/IP Implementation Guide V1.0b, section 4.4.2.2: 255, or 0, stands for a device
# that is not behind a gateway.
_SERIAL_UNITS = range(1, 248)
_TCP_UNITS = {0, *_SERIAL_UNITS, 255}


def check(parts: Parts) -> list[Fault]:
    """Return everything that keeps these parts from working together."""
    of_channels = list(channel_faults(parts.buses, parts.channels))
    spoilt = {fault.key[1] for fault in of_channels}
    sound = {name: None if name in spoilt else one for name, one in parts.channels.items()}
    site = parts.station.site() if parts.station else site_of(None, None, "UTC", {})
    of_computed = list(computed_faults(sound, site))
    faults = [*_bus_faults(parts.buses), *of_channels, *of_computed, *output_faults(parts)]
    if parts.energy:
        spoilt |= {fault.key[1] for fault in of_computed}
        sound = {name: None if name in spoilt else one for name, one in parts.channels.items()}
        series = build({n: c for n, c in sound.items() if c is not None}, site).series
        faults += energy_faults(parts.energy, replace(parts, channels=sound), series)
    if parts.uplink:
        faults += _uplink_faults(parts.uplink)
    return faults


# ------------------------------------------------------------------------------------------- buses


def _bus_faults(buses: Mapping[str, Bus | None]) -> Iterator[Fault]:
    yield from _shared_ports(buses)
    for name, bus in buses.items():
        key: KeyPath = ("buses", name)
        if isinstance(bus, LineBus):
            yield from _line_bus(key, bus)
        elif isinstance(bus, ModbusRtuBus | ModbusTcpBus):
            yield from _modbus_bus(key, bus)


def _shared_ports(buses: Mapping[str, Bus | None]) -> Iterator[Fault]:
    users: dict[str, str] = {}
    for name, bus in buses.items():
        if isinstance(bus, LineBus | ModbusRtuBus):
            first = users.setdefault(bus.port, name)
            if first != name:
                yield Fault(
                    ("buses", name, "port"),
                    f'{bus.port!r}, which bus "{first}" has already',
                    "a port for every bus",
                )


def _modbus_bus(key: KeyPath, bus: ModbusRtuBus | ModbusTcpBus) -> Iterator[Fault]:
    if isinstance(bus, ModbusRtuBus) and bus.framing[0] != "8":
        # Modbus over Serial Line V1.02, section 2.5.1.
        yield Fault((*key, "framing"), repr(bus.framing), "8 data bits, as Modbus RTU has them")
    owners: dict[int, str] = {}
    for name, device in bus.devices.items():
        unit_key = (*key, "devices", name, "unit")
        yield from _unit(unit_key, device, bus)
        first = owners.setdefault(device.unit, name)
        if first != name:
            yield Fault(
                unit_key, f'{device.unit}, which device "{first}" has already', "a unit of its own"
            )


def _unit(key: KeyPath, device: ModbusDevice, bus: ModbusRtuBus | ModbusTcpBus) -> Iterator[Fault]:
    serial = isinstance(bus, ModbusRtuBus)
    if device.unit not in (_SERIAL_UNITS if serial else _TCP_UNITS):
        expected = "from 1 to 247" if serial else "from 0 to 247, or 255"
        yield Fault(key, str(device.unit), f"a unit {expected}")


def _line_bus(key: KeyPath, bus: LineBus) -> Iterator[Fault]:
    for name, device in bus.devices.items():
        device_key = (*key, "devices", name)
        if device.request is None and len(bus.devices) > 1:
            yield Fault(
                (*device_key, "request"),
                "nothing",
                "a request: only a device that has the bus to itself may talk unasked",
            )
        yield from _line_device(device_key, device)


def _line_device(key: KeyPath, device: LineDevice) -> Iterator[Fault]:
    try:
        groups = re.compile(device.reply).groupindex
    except (re.error, OverflowError, RecursionError) as error:
        yield Fault(
            (*key, "reply"), f"{device.reply!r} ({error})", "a regular expression of Python"
        )
    else:
        if not groups:
            yield Fault(
                (*key, "reply"),
                f"{device.reply!r} without a named group",
                r"a group for every field, such as (?P<level>-?\d+\.\d+)",
            )
    # Lines are bytes on the wire, one for every character.
    for name in ("request", "terminator", "checksum_mark"):
        text = getattr(device, name) or ""
        wide = [character for character in text if ord(character) > 0xFF]
        if wide:
            yield Fault((*key, name), repr(wide[0]), "characters of one byte (Latin-1)")
    if device.checksum == "none":
        for name in sorted({"checksum_mark", "checksum_skip"} & device.model_fields_set):
            yield Fault((*key, name), "no checksum to apply it to", 'the key "checksum" beside it')


# ------------------------------------------------------------------------------------------ uplink


def _uplink_faults(uplink: Uplink) -> Iterator[Fault]:
    if uplink.publish.value < 1:
        yield Fault(("uplink", "publish"), f'"{uplink.publish}"', "1 s or longer")
    # MQTT 5.0, section 3.1.2.10: the keep-alive goes over the wire as 16 bits of whole seconds.
    if not 1 <= uplink.keep_alive.value <= 65535:
        yield Fault(("uplink", "keep_alive"), f'"{uplink.keep_alive}"', "from 1 s to 65535 s")
    if uplink.password_file is not None and uplink.username is None:
        # MQTT 3.1.1, section 3.1.2.9.
        yield Fault(("uplink", "username"), "nothing", "a username to go with the password")
    if not uplink.tls:
        given = {"ca_file", "certificate_file", "key_file"} & uplink.model_fields_set
        for name in sorted(given):
            yield Fault(("uplink", name), "a file for TLS", "tls = true beside it")
    for name, other in (("certificate_file", "key_file"), ("key_file", "certificate_file")):
        if getattr(uplink, name) is not None and getattr(uplink, other) is None:
            yield Fault(("uplink", other), "nothing", f"a file to go with {name}")
