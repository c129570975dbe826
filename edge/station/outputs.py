"""The outputs of a station: what the daemon switches on and off."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from edge.station.plain_types import GpioChip, Name
from edge.station.quantity_types import Duration, Power, Span
from edge.station.section import Section, quantity


class OutputBase(Section):
    """What all outputs share.

    An output that channels or the uplink name as their ``supply`` is on while one of them needs it.
    Any other is on unless a stage of the energy section switches it off.
    """

    title: str = ""
    """What people call it."""
    at_rest: Literal["on", "off"] = "off"
    """Its safe state: how it is left when the daemon stops, and set when the daemon has died."""
    least_on: Span = quantity("0 s")
    """Once on, it stays on for so long at least."""
    least_off: Span = quantity("0 s")
    """Once off, it stays off for so long at least."""
    warm_up: Span = quantity("0 s")
    """What hangs on it can be used so long after it was switched on."""
    coil_power: Power = quantity("0 W")
    """What the relay itself draws while it is pulled in; for ``livezero plan``. That is while the
    output is on, or off where a coil is ``inverted``."""


class CoilOutput(OutputBase):
    """A relay that is a coil of a Modbus device."""

    kind: Literal["coil"]
    bus: Name
    """Name of a Modbus bus of this file."""
    device: Name
    """Name of a device on that bus."""
    register_: Annotated[int, Field(alias="register", ge=0, le=65535)]
    """Address of the coil as sent on the wire, from 0."""
    inverted: bool = False
    """Whether a coil that is 1 means off, as with a relay wired to its resting contact."""
    read_back: bool = True
    """Whether the device can be asked how the coil is."""
    feedback: Annotated[int, Field(ge=0, le=65535)] | None = None
    """A discrete input of the same device that shows whether what is switched truly is on."""
    refresh: Duration = quantity("1 min")
    """Written anew this often, for devices that let go of their relays when nobody speaks to them,
    and for those that lost their supply for a moment."""


class GpioOutput(OutputBase):
    """A line of the computer's own GPIO; wants the extra ``gpio``."""

    kind: Literal["gpio"]
    chip: GpioChip
    """Device file of the chip."""
    line: Annotated[int, Field(ge=0, le=1023)]
    """Number of the line on the chip."""
    inverted: bool = False
    """Whether the line is low for on."""


Output = Annotated[CoilOutput | GpioOutput, Field(discriminator="kind")]
