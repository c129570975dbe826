"""The energy section: when the station sheds load, and what ``livezero plan`` must know of it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from edge.energy.stages import NORMAL, Effects, Rules, Stage
from edge.station.plain_types import Name, SeriesName, Text, TimeOfDay
from edge.station.quantity_types import (
    Bearing,
    Charge,
    Current,
    Depth,
    Duration,
    Efficiency,
    Extent,
    Inclination,
    PerDegree,
    Power,
    Ratio,
    Span,
    Supply,
    Temperature,
)
from edge.station.section import Section, quantity

# ----------------------------------------------------------------------------------- load shedding


class StageSection(Section):
    """One step of shedding load. What a stage sheds stays shed in the deeper ones."""

    name: Name
    """What it is called, in the journal and in messages."""
    cutoff: Supply
    """Entered when the battery's voltage is below this ..."""
    restore: Supply
    """... and left again when it is above this."""
    dwell: Duration = quantity("15 min")
    """Not left, either way, before so long has passed."""
    stretch_sampling: Annotated[int, Field(ge=1, le=1440)] = 1
    """Channels are sampled and recorded so many times less often. Those that the energy section
    itself reads are sampled as ever."""
    stretch_publishing: Annotated[int, Field(ge=1, le=1440)] = 1
    """Readings are published so many times less often."""
    publish_at: Annotated[list[TimeOfDay], Field(min_length=1)] | None = None
    """Readings are published at these times of the day only, by the station's time zone; between
    them the link is down, and what supplies it is off."""
    off: list[Name] = []  # noqa: RUF012 - pydantic copies it
    """Outputs that are off."""
    stop_buses: list[Name] = []  # noqa: RUF012 - pydantic copies it
    """Buses that are not polled."""
    halt: bool = False
    """In the last stage only: the computer is halted by ``halt_command``."""

    def own_effects(self) -> Effects:
        """Return what this stage sheds by itself."""
        return Effects(
            stretch_sampling=self.stretch_sampling,
            stretch_publishing=self.stretch_publishing,
            publish_at=None if self.publish_at is None else tuple(map(_minutes, self.publish_at)),
            off=frozenset(self.off),
            stopped=frozenset(self.stop_buses),
            halt=self.halt,
        )


def _minutes(time_of_day: str) -> int:
    hours, minutes = time_of_day.split(":")
    return int(hours) * 60 + int(minutes)


# ------------------------------------------------------------------------------- what it lives on


class BatterySection(Section):
    """A lead-acid battery, for ``livezero plan`` and the bench."""

    capacity: Charge
    """At the 20-hour rate and 25 °C, new."""
    peukert: Annotated[float, Field(ge=1, le=1.6)] = 1.15
    """Exponent of Peukert's law: how much less it gives the faster it is discharged."""
    depth_limit: Depth = quantity("80 %")
    """How far it may be discharged."""
    ageing: Ratio = quantity("20 %")
    """Capacity it will have lost at the end of its life: it is sized for that day."""
    self_discharge: Ratio = quantity("3 %")
    """Lost a month at 25 °C while nothing is drawn."""


class PanelSection(Section):
    """A solar panel."""

    power: Power
    """At standard test conditions: 1000 W/m² at 25 °C."""
    voltage: Supply = quantity("18 V")
    """Where it gives the most power, at standard test conditions."""
    temperature_coefficient: Annotated[float, Field(ge=-1, le=0)] = -0.4
    """Power gained for every °C of warming, in per cent; below nought."""
    tilt: Inclination
    """From the horizontal."""
    azimuth: Bearing = quantity("180 deg")
    """Where it looks: 180 deg is true south."""
    soiling: Ratio = quantity("5 %")
    """Light lost to dust, droppings and snow."""


class ControllerSection(Section):
    """The charge controller between panel and battery."""

    kind: Literal["pwm", "mppt"]
    """"pwm" ties the panel to the battery's voltage; "mppt" finds where the panel gives most."""
    efficiency: Efficiency = quantity("95 %")
    """Of an MPPT controller's conversion."""
    draw: Current = quantity("10 mA")
    """What it takes for itself, from the battery."""
    disconnect: Supply | None = None
    """Where it cuts off all loads to save the battery, if it does ..."""
    reconnect: Supply | None = None
    """... and where it gives them back."""


class Load(Section):
    """Something that draws on the battery. With no key but ``power`` it does so all the time."""

    power: Power
    """While it is on, at its own supply."""
    efficiency: Efficiency = quantity("100 %")
    """Of the converter between battery and load."""
    output: Name | None = None
    """Drawn while this output is on only."""
    bus: Name | None = None
    """Drawn while this bus is polled only: in a stage that stops the bus it is off."""
    per_publish: Duration | None = None
    """Drawn for so long at every publishing only, as a modem does that sends."""
    when_halted: Power | None = None
    """Drawn when the computer is halted; by default the same, or nothing for what is drawn at
    publishing only."""


class Climate(Section):
    """The weather to expect: twelve months, January first, or a typical year's file."""

    clearness: (
        Annotated[list[Annotated[float, Field(gt=0, le=0.85)]], Field(min_length=12, max_length=12)]
        | None
    ) = None
    """Mean clearness index of every month: the share of the light outside the air that reaches
    the ground."""
    temperature: Annotated[list[Temperature], Field(min_length=12, max_length=12)] | None = None
    """Mean temperature of every month, where the battery is."""
    typical_year: Text | None = None
    """File of a typical or measured year, hour by hour, instead: TMY2, TMY3, EPW, or the CSV of
    PVGIS. Relative paths start at the station file."""
    ground: Ratio = quantity("20 %")
    """Light that the ground throws back; fresh snow 80 %."""


class BoxCircuit(Section):
    """A circuit of the box's own wiring, for wire and fuse."""

    current: Current
    """The most that flows for longer than a moment; from a panel, 1.25 times what it gives into a
    short, for the sun may be stronger than in tests (NEC 690.8)."""
    surge: Current | None = None
    """The most that flows for a moment, if that is more."""
    length: Extent
    """Length of the wire, one way."""
    gauge: Annotated[int, Field(ge=4, le=30)] | None = None
    """Size of the copper wire, AWG; left out, the plan says which would do."""
    fuse: Current | None = None
    """Rating of the fuse; left out, the plan says which would do."""
    most_drop: Ratio = quantity("3 %")
    """Voltage that may be lost on the way, as a share of the battery's nominal voltage."""


class Goal(Section):
    """What it means that the station survives."""

    autonomy: Duration = quantity("5 d")
    """To live from the battery alone for so long, in the coldest month, with an aged battery."""
    loss_of_load: Ratio = quantity("0 %")
    """Share of the hours in which it may be without power, or halted."""
    years: Annotated[int, Field(ge=1, le=100)] = 10
    """Years of weather to run through."""


class EnergySection(Section):
    """When the station sheds load, and what it lives on."""

    voltage: SeriesName | None = None
    """Series that is the battery's voltage; needed where there are stages."""
    temperature: SeriesName | None = None
    """Series that is the battery's temperature, for ``compensation``."""
    cells: Annotated[int, Field(ge=1, le=24)] = 6
    """Cells in series: 6 make a battery of 12 V."""
    compensation: PerDegree = quantity("0 mV")
    """What cutoffs and restore voltages change by, a cell, for every °C that the battery is warmer
    than ``reference``; below nought they fall as it warms. Needs ``temperature``."""
    reference: Temperature = quantity("25 degC")
    """The temperature that cutoffs and restore voltages are given for."""
    smoothing: Span = quantity("5 min")
    """The voltage is the median over this time, and over three samples at least: it sags while a
    modem sends, and that is no reason to shed load."""
    plausible: tuple[Supply, Supply] | None = Field(default=None, strict=False)
    """Other voltages are not believed; by default 1.5 to 2.8 V a cell."""
    lost_after: Duration = quantity("1 h")
    """Without a voltage that can be believed the stage is held, and after so long ..."""
    safe_stage: Name = NORMAL
    """... this stage entered, or "normal"."""
    stages: list[StageSection] = []  # noqa: RUF012 - pydantic copies it
    """The first is entered first; cutoffs fall from stage to stage."""
    halt_command: Annotated[list[Text], Field(min_length=1)] | None = None
    """Program and arguments that halt the computer, such as ["systemctl", "poweroff"]."""

    battery: BatterySection | None = None
    """The battery; needed for ``livezero plan``, as are the next three."""
    panel: PanelSection | None = None
    """The solar panel."""
    controller: ControllerSection | None = None
    """The charge controller."""
    loads: dict[Name, Load] = {}  # noqa: RUF012 - pydantic copies it
    """What draws on the battery, by name."""
    climate: Climate | None = None
    """The weather to expect."""
    circuits: dict[Name, BoxCircuit] = {}  # noqa: RUF012 - pydantic copies it
    """The box's own wiring, by name."""
    goal: Goal = Goal()
    """What the plan is to make sure of."""

    def rules(self) -> Rules:
        """Return the rules of load shedding; voltages are those of the whole battery."""
        stages: list[Stage] = []
        effects = Effects()
        for one in self.stages:
            effects = effects.and_also(one.own_effects())
            stages.append(
                Stage(one.name, one.cutoff.value, one.restore.value, one.dwell.value, effects)
            )
        low, high = self.plausible_volts
        return Rules(
            tuple(stages),
            safe_stage=self.safe_stage,
            lost_after=self.lost_after.value,
            smoothing=self.smoothing.value,
            plausible=(low, high),
            volts_per_degree=self.compensation.value * self.cells,
            reference=self.reference.value,
        )

    @property
    def plausible_volts(self) -> tuple[float, float]:
        """Between which voltages the battery's is believed."""
        if self.plausible is not None:
            return self.plausible[0].value, self.plausible[1].value
        return 1.5 * self.cells, 2.8 * self.cells
