"""The station file as types: every section, every key, its meaning and its default.

The JSON Schema for editors is generated from these classes, so their docstrings and descriptions
are the reference of the file format. Rules that span several keys live in `edge.station.checks`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from edge.energy.keeper import EnergyKeeper
from edge.measure.room import Room
from edge.readings import Series
from edge.station.build import room_of, site_of
from edge.station.channel_base import MeasuredChannel, Site
from edge.station.computed import (
    BarometricChannel,
    DifferenceChannel,
    DrawdownChannel,
    OpenChannel,
    RunTimeChannel,
    SpecificCapacityChannel,
    SumChannel,
    TankChannel,
    TotalChannel,
    WaterLevelChannel,
)
from edge.station.energy import EnergySection
from edge.station.measured import LoopChannel, PulseChannel, ValueChannel
from edge.station.outputs import Output
from edge.station.plain_types import (
    Framing,
    Host,
    Name,
    SerialPath,
    StationId,
    Text,
    TimeZone,
    TopicPrefix,
)
from edge.station.quantity_types import DataSize, Duration, Length, Share, Shown
from edge.station.section import Section, quantity, value_of
from edge.units import Dimension, Unit


class ShownUnits(Section):
    """The units that the station's people want to see, by what is measured."""

    length: Annotated[Unit, Shown((Dimension.LENGTH,))] | None = None
    """Levels, depths, heads."""
    volume: Annotated[Unit, Shown((Dimension.VOLUME,))] | None = None
    """Totals, tanks."""
    flow: Annotated[Unit, Shown((Dimension.FLOW,))] | None = None
    """Rates of flow."""
    pressure: Annotated[Unit, Shown((Dimension.PRESSURE,))] | None = None
    """Pressures, that of the air included."""
    temperature: Annotated[Unit, Shown((Dimension.TEMPERATURE,))] | None = None
    """Temperatures."""
    specific_capacity: Annotated[Unit, Shown((Dimension.SPECIFIC_CAPACITY,))] | None = None
    """Flow for a drawdown."""

    def by_dimension(self) -> dict[Dimension, Unit]:
        """Return the units given."""
        given = (getattr(self, name) for name in type(self).model_fields)
        return {unit.dimension: unit for unit in given if unit}


class StationInfo(Section):
    """Who and where the station is."""

    id: StationId
    """Unique id; becomes a level of the MQTT topic and the base of every SenML name."""
    name: Text | None = None
    """What people call the station."""
    latitude: Annotated[float, Field(ge=-90, le=90)] | None = None
    """Degrees, north positive."""
    longitude: Annotated[float, Field(ge=-180, le=180)] | None = None
    """Degrees, east positive."""
    elevation: Length | None = None
    """Height above sea level."""
    timezone: TimeZone = "UTC"
    """Where days begin and end."""
    units: ShownUnits = ShownUnits()
    """Units to show values in; by default each in the unit it is written in."""

    def site(self) -> Site:
        """Return the surroundings that channels compute in."""
        shown = self.units.by_dimension()
        return site_of(self.latitude, value_of(self.elevation), self.timezone, shown)


# ---------------------------------------------------------------------------------------- devices


class Device(Section):
    """What all devices share: how long to wait for them and how to treat their silence."""

    timeout: Duration = quantity("500 ms")
    """How long to wait for a reply; for a device that talks unasked, how old its word may be."""
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    """How often a failed request is repeated before the reading counts as bad."""
    back_off_limit: Duration = quantity("5 min")
    """A dead device is tried less and less often, but at least this often."""


class ModbusDevice(Device):
    """A device that speaks Modbus."""

    unit: Annotated[int, Field(ge=0, le=255)]
    """Its address: 1 to 247 on a serial line; over TCP also 0 and 255."""


class LineDevice(Device):
    """A serial device that speaks in lines of text, when asked or unasked."""

    request: Text | None = None
    """What to send to get a reply; left out for a device that talks unasked."""
    reply: Text
    """Regular expression for the whole line; its named groups are the fields channels read."""
    terminator: Text = "\r\n"
    """What ends a line."""
    checksum: Literal["none", "xor", "sum", "crc16"] = "none"
    """Check value at the end of a line, in hexadecimal: XOR or sum of the bytes (two digits;
    neither notices two bytes swapped), or the CRC-16 of Modbus (four digits)."""
    checksum_mark: str = ""
    """What stands between the text and its check value, such as "*"."""
    checksum_skip: Annotated[int, Field(ge=0, le=80)] = 0
    """How many characters at the start of the line the checksum leaves out."""


# ------------------------------------------------------------------------------------------ buses


ModbusDevices = Annotated[dict[Name, ModbusDevice], Field(min_length=1)]


class SerialSettings(Section):
    """How a serial port is set."""

    port: SerialPath
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    """Bits a second."""
    framing: Framing = "8N1"
    """Data bits, parity, stop bits."""

    @property
    def line_settings(self) -> tuple[int, str, int]:
        """Data bits, parity and stop bits, as serial libraries want them."""
        return int(self.framing[0]), self.framing[1], int(self.framing[2])


class ModbusRtuBus(SerialSettings):
    """Modbus RTU on a serial line."""

    kind: Literal["modbus-rtu"]
    devices: ModbusDevices
    """What hangs on the bus, by name."""


class ModbusTcpBus(Section):
    """Modbus TCP: one address, behind it one or more units."""

    kind: Literal["modbus-tcp"]
    host: Host
    """Name or address of the device or gateway."""
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    """Its TCP port."""
    devices: ModbusDevices
    """What hangs on the bus, by name."""


class LineBus(SerialSettings):
    """Devices that speak in lines of text on a serial port."""

    kind: Literal["line"]
    devices: Annotated[dict[Name, LineDevice], Field(min_length=1)]
    """What hangs on the bus, by name."""


Bus = Annotated[ModbusRtuBus | ModbusTcpBus | LineBus, Field(discriminator="kind")]

Measured = LoopChannel | PulseChannel | ValueChannel
Computed = (
    WaterLevelChannel
    | BarometricChannel
    | DrawdownChannel
    | SpecificCapacityChannel
    | TankChannel
    | OpenChannel
    | TotalChannel
    | RunTimeChannel
    | SumChannel
    | DifferenceChannel
)
Channel = Annotated[Measured | Computed, Field(discriminator="kind")]

# ------------------------------------------------------------------------------ journal and uplink


class JournalSettings(Section):
    """Where readings are kept, and for how long."""

    file: Text | None = None
    """The SQLite file. Relative paths start at the station file; by default it is named after the
    station's id, in the service's state directory or else beside the station file."""
    keep: Duration = quantity("400 d")
    """Readings that the broker has acknowledged are deleted at this age."""
    size_limit: DataSize = quantity("1 GB")
    """When the file nears this size, readings already sent are deleted, the oldest first. Where
    that is not enough the oldest unsent are thinned, and only then deleted; both is put on record
    and published. It must be well below what the disk has free: of a disk that is full the journal
    cannot take leave of anything."""
    thin_to: Duration = quantity("1 h")
    """Thinned, one reading of a series stands for all in as long an interval."""


class Uplink(Section):
    """The MQTT broker, and how to publish to it."""

    host: Host
    """Name or address of the broker."""
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """1883 by default, 8883 with TLS."""
    tls: bool = False
    """Encrypt, and check the broker's certificate against the system's authorities."""
    ca_file: Text | None = None
    """Check the broker's certificate against the authorities of this file instead."""
    certificate_file: Text | None = None
    """Client certificate (PEM)."""
    key_file: Text | None = None
    """Private key of the client certificate (PEM)."""
    username: Text | None = None
    """What the broker knows the station as, if it asks."""
    password_file: Text | None = None
    """File that holds the password and nothing else; looked for in systemd's credentials directory
    first. A password never stands in the station file."""
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    """MQTT version; "auto" tries 5 and falls back to 3.1.1."""
    client_id: Text | None = None
    """By default the station's id."""
    topic_prefix: TopicPrefix = "livezero"
    """Topics are ``{topic_prefix}/{station id}/readings``, ``.../status`` and ``.../gaps``."""
    keep_alive: Duration = quantity("60 s")
    """MQTT keep-alive interval."""
    publish: Duration = quantity("5 min")
    """How often readings are sent, on the wall clock."""
    stay_connected: bool = True
    """Whether the connection stands between two publishings. If not, it is made for each, and what
    supplies the link is off in between."""
    supply: Name | None = None
    """Output that supplies the modem: switched on, with its warm-up, before a connection is made,
    and off when the link is not to be up."""
    window: Annotated[int, Field(ge=1, le=100)] = 8
    """How many packs may be under way unacknowledged."""
    pack_readings: Annotated[int, Field(ge=1, le=5000)] = 500
    """How many readings a pack holds at most."""
    backlog_share: Share = quantity("50 %")
    """How much of its time the link may be busy with what an outage has left over; live readings
    always go first."""

    @property
    def port_number(self) -> int:
        """The port to connect to."""
        return self.port or (8883 if self.tls else 1883)


# ------------------------------------------------------------------------------------------ clock


class ClockSettings(Section):
    """When to believe the computer's clock. Until then readings are kept, and sent later."""

    trust: Literal["synchronised", "plausible"] = "synchronised"
    """"synchronised": once the kernel says that a time server sets the clock. "plausible": at once,
    unless it lags behind what the journal holds or is years off; for a computer that has a clock
    with a battery and never sees a time server."""


class Station(Section):
    """A livezero station file."""

    station: StationInfo
    """Who and where the station is; its id at least."""
    buses: Annotated[dict[Name, Bus], Field(min_length=1)]
    """Serial lines and network addresses that devices hang on, by name."""
    channels: Annotated[dict[Name, Channel], Field(min_length=1)]
    """What is measured, by name."""
    outputs: dict[Name, Output] = {}  # noqa: RUF012 - pydantic copies it
    """What the daemon switches on and off, by name."""
    energy: EnergySection | None = None
    """When to shed load, and what the station lives on; left out, nothing is shed."""
    clock: ClockSettings = ClockSettings()
    """When to believe the computer's clock; left out, once a time server sets it."""
    journal: JournalSettings = JournalSettings()
    """Where readings are kept; left out, the defaults hold."""
    uplink: Uplink | None = None
    """Left out, the station only keeps its journal."""

    @property
    def measured(self) -> Mapping[str, Measured]:
        """The channels that are read from devices, by name."""
        return {n: c for n, c in self.channels.items() if isinstance(c, MeasuredChannel)}

    def series(self) -> list[Series]:
        """Return everything the station yields readings of."""
        of_energy = EnergyKeeper.series if self.energy and self.energy.stages else ()
        return [*self.room().series, *of_energy]

    def steady_channels(self) -> frozenset[str]:
        """Return the measured channels that the energy section goes by: they keep their pace."""
        given = (self.energy.voltage, self.energy.temperature) if self.energy else ()
        read: set[str] = set()
        waiting = [series.partition(".")[0] for series in given if series is not None]
        while waiting:
            name = waiting.pop()
            if name in self.measured:
                read.add(name)
            elif name in self.channels:
                waiting += [one.name.partition(".")[0] for one in self.channels[name].inputs()]
        return frozenset(read)

    def room(self) -> Room:
        """Return a fresh measuring room."""
        return room_of(self.channels, self.station.site())
