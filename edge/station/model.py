"""The station file as types: every section, every key, its meaning and its default.

The JSON Schema for editors is generated from these classes, so their docstrings and descriptions
are the reference of the file format. Rules that span several keys live in `edge.station.checks`.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, model_validator

from edge.measure.line import Line
from edge.measure.loop import LoopScale
from edge.measure.pipeline import Pipeline, PulsePipeline, ScaledPipeline
from edge.measure.pulses import Meter
from edge.readings import Series
from edge.station.plain_types import (
    Framing,
    Host,
    Name,
    Number,
    Pair,
    SerialPath,
    StationId,
    Text,
    TimeZone,
    TopicPrefix,
)
from edge.station.quantity_types import (
    DataSize,
    Duration,
    Length,
    ProcessValue,
    PulsesPerVolume,
    Resistance,
    Signal,
    VolumePerPulse,
)
from edge.units import UNITS, Quantity, Unit, parse


def _quantity(text: str) -> Quantity:
    return parse(text)


class Section(BaseModel):
    """What all sections share: unknown keys and wrong types are errors, values do not change."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, use_attribute_docstrings=True
    )


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


# ---------------------------------------------------------------------------------------- devices


class Device(Section):
    """What all devices share: how long to wait for them and how to treat their silence."""

    timeout: Duration = _quantity("500 ms")
    """How long to wait for a reply; for a device that talks unasked, how old its word may be."""
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    """How often a failed request is repeated before the reading counts as bad."""
    back_off_limit: Duration = _quantity("5 min")
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
    """Check value at the end of a line, in hexadecimal: XOR or sum of the bytes (two digits), or
    the CRC-16 of Modbus (four digits)."""
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

# --------------------------------------------------------------------------------------- channels

REGISTER_TYPES: dict[str, int] = {
    "bit": 1,
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
    "int64": 4,
    "uint64": 4,
    "float64": 4,
}
"""Data types of Modbus values, and how many registers each takes (a bit: one coil)."""


class ModbusRead(Section):
    """Where in a Modbus device a value lies."""

    table: Literal["coil", "discrete", "input", "holding"]
    """coil (function 1), discrete input (2), holding register (3), input register (4)."""
    register_: Annotated[int, Field(alias="register", ge=0, le=65535)]
    """Address as sent on the wire, from 0."""
    type: Literal[
        "bit",
        "int16",
        "uint16",
        "int32",
        "uint32",
        "float32",
        "int64",
        "uint64",
        "float64",
    ] = "uint16"
    """How the registers are to be understood; a coil or discrete input is always a bit, and need
    not say so."""
    word_order: Literal["big", "little"] = "big"
    """Whether the first register holds the high or the low word."""
    byte_order: Literal["big", "little"] = "big"
    """Whether the first byte of a register is the high one, as the standard says, or the low."""

    @model_validator(mode="before")
    @classmethod
    def _bit_by_default(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("table") in ("coil", "discrete"):
            return {"type": "bit", **data}
        return data

    @property
    def width(self) -> int:
        """How many registers (or coils) the value takes."""
        return REGISTER_TYPES[self.type]


class LineRead(Section):
    """Which part of a line device's reply a value is."""

    field: Text
    """Name of a group in the device's ``reply`` expression."""


def _read_kind(value: Any) -> str:
    if isinstance(value, dict):
        return "line" if "field" in value else "modbus"
    return "line" if isinstance(value, LineRead) else "modbus"


Read = Annotated[
    Annotated[ModbusRead, Tag("modbus")] | Annotated[LineRead, Tag("line")],
    Discriminator(_read_kind),
]


class ChannelBase(Section):
    """What all channels share: where the raw number comes from, and how often."""

    title: str = ""
    """What people call the channel."""
    bus: Name
    """Name of a bus of this file."""
    device: Name
    """Name of a device on that bus."""
    read: Read
    """Where in the device the raw number lies."""
    sample: Duration
    """How often the device is asked, on the wall clock: "1 min" means on every full minute."""
    record: Duration | None = None
    """How often a reading is kept and sent: a whole multiple of ``sample``; the same by default."""

    @cached_property
    def sample_ms(self) -> int:
        """Sampling interval in milliseconds."""
        return round(self.sample.value * 1000)

    @cached_property
    def record_ms(self) -> int:
        """Record interval in milliseconds."""
        return self.sample_ms if self.record is None else round(self.record.value * 1000)


class LoopChannel(ChannelBase):
    """A transmitter on a 4-20 mA loop, read by any module that measures current or voltage."""

    kind: Literal["loop"]
    counts: Pair[Number] = (0.0, 1.0)
    """Two raw numbers of the module ..."""
    signal: Pair[Signal] = (_quantity("0 mA"), _quantity("1 mA"))
    """... and the signals they stand for: currents, or voltages across ``shunt``. Left out, both
    together mean a module that sends milliamperes."""
    shunt: Resistance | None = None
    """Resistor the voltage is measured across."""
    range: Pair[ProcessValue]
    """What the transmitter means by 4 mA and by 20 mA."""

    def scale(self) -> LoopScale:
        """Return the computation the channel's keys describe."""
        signal = Line(*self.counts, self.signal[0].value, self.signal[1].value)
        return LoopScale.spanning(
            signal,
            self.range[0].value,
            self.range[1].value,
            self.shunt.value if self.shunt else None,
        )

    def pipeline(self, name: str) -> Pipeline:
        """Return a fresh pipeline for the channel of that name."""
        return ScaledPipeline(name, self.range[1].unit, self.scale(), self.title)


class PulseChannel(ChannelBase):
    """A flow meter whose pulses a counter counts."""

    kind: Literal["pulse"]
    k_factor: PulsesPerVolume | None = None
    """Pulses a volume, as on the meter's calibration sheet. Either this or ``pulse_volume``."""
    pulse_volume: VolumePerPulse | None = None
    """Volume a pulse stands for. Either this or ``k_factor``."""
    counter_bits: Annotated[int, Field(ge=8, le=64)] | None = None
    """Width at which the counter rolls over; by default that of the value's type."""

    def meter(self) -> Meter:
        """Return the meter the channel's keys describe."""
        if self.pulse_volume is not None:
            return Meter(self.pulse_volume.value)
        assert self.k_factor is not None  # noqa: S101 - edge.station.checks sees to it
        return Meter.from_k_factor(self.k_factor.value)

    @property
    def bits(self) -> int:
        """Width of the counter in bits."""
        if self.counter_bits is not None:
            return self.counter_bits
        assert isinstance(self.read, ModbusRead)  # noqa: S101 - edge.station.checks sees to it
        return 16 * self.read.width

    @property
    def volume_unit(self) -> Unit:
        """The unit of volume the meter's factor is written in."""
        factor = self.pulse_volume or self.k_factor
        assert factor is not None  # noqa: S101 - edge.station.checks sees to it
        symbol = factor.unit.symbol
        return UNITS[symbol.removeprefix("pulses/").removesuffix("/pulse")]

    def pipeline(self, name: str) -> Pipeline:
        """Return a fresh pipeline for the channel of that name."""
        volume = self.volume_unit
        return PulsePipeline(
            name,
            self.meter(),
            bits=self.bits,
            volume_unit=volume,
            flow_unit=UNITS[f"{volume.symbol}/min"],
            title=self.title,
        )


class ValueChannel(ChannelBase):
    """A device that sends the value itself, perhaps as a whole number of some small unit."""

    kind: Literal["value"]
    counts: Pair[Number] = (0.0, 1.0)
    """Two raw numbers of the device ..."""
    range: Pair[ProcessValue]
    """... and the values they stand for."""

    def scale(self) -> Line:
        """Return the computation the channel's keys describe."""
        return Line(*self.counts, self.range[0].value, self.range[1].value)

    def pipeline(self, name: str) -> Pipeline:
        """Return a fresh pipeline for the channel of that name."""
        return ScaledPipeline(name, self.range[1].unit, self.scale(), self.title)


Channel = Annotated[LoopChannel | PulseChannel | ValueChannel, Field(discriminator="kind")]

# ------------------------------------------------------------------------------ journal and uplink


class JournalSettings(Section):
    """Where readings are kept, and for how long."""

    file: Text | None = None
    """The SQLite file. Relative paths start at the station file; by default it is named after the
    station's id, in the service's state directory or else beside the station file."""
    keep: Duration = _quantity("400 d")
    """Readings that the broker has acknowledged are deleted at this age."""
    size_limit: DataSize = _quantity("1 GB")
    """When the file nears this size the oldest readings go, those already sent first."""


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
    """Topics are ``{topic_prefix}/{station id}/readings`` and ``.../status``."""
    keep_alive: Duration = _quantity("60 s")
    """MQTT keep-alive interval."""
    publish: Duration = _quantity("5 min")
    """How often readings are sent, on the wall clock."""
    window: Annotated[int, Field(ge=1, le=100)] = 8
    """How many packs may be under way unacknowledged."""
    pack_readings: Annotated[int, Field(ge=1, le=5000)] = 500
    """How many readings a pack holds at most."""

    @property
    def port_number(self) -> int:
        """The port to connect to."""
        return self.port or (8883 if self.tls else 1883)


class Station(Section):
    """A livezero station file."""

    station: StationInfo
    """Who and where the station is; its id at least."""
    buses: Annotated[dict[Name, Bus], Field(min_length=1)]
    """Serial lines and network addresses that devices hang on, by name."""
    channels: Annotated[dict[Name, Channel], Field(min_length=1)]
    """What is measured, by name."""
    journal: JournalSettings = JournalSettings()
    """Where readings are kept; left out, the defaults hold."""
    uplink: Uplink | None = None
    """Left out, the station only keeps its journal."""

    def series(self) -> list[Series]:
        """Return everything the station yields, in the order of the station file."""
        return [one for pipeline in self.pipelines().values() for one in pipeline.series]

    def pipelines(self) -> dict[str, Pipeline]:
        """Return a fresh pipeline for every channel, by the channel's name."""
        return {name: channel.pipeline(name) for name, channel in self.channels.items()}
