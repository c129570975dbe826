"""The channels that are computed from other channels.

Each names the series it is computed from: ``level`` for a channel that yields one series of its own
name, ``flow.rate`` for one of several. The leading input sets the pace.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from edge.measure.contents import OpenChannelFlow, TankContents
from edge.measure.levels import BarometricallyCorrected, Drawdown, Medium, WaterLevel, Well
from edge.measure.sums import SpecificCapacity, Sum
from edge.measure.switching import Threshold
from edge.measure.totals import FlowTotal, PumpRuns
from edge.measure.values import Computation
from edge.measure.visits import Corrections, Visit
from edge.readings import Condense, Series
from edge.station.channel_base import DerivedChannel, Input, Site, Totalling
from edge.station.plain_types import SeriesName
from edge.station.quantity_types import (
    Duration,
    Extent,
    Flow,
    Length,
    Pressure,
    ProcessValue,
    Ratio,
    Salinity,
    Temperature,
)
from edge.station.section import Section, quantity, value_of
from edge.station.structures import Structure, TankShape
from edge.units import UNITS, Dimension, Unit

_LENGTH = (Dimension.LENGTH,)
_FLOW = (Dimension.FLOW,)

# A gap in the samples is one when as many in a row are missing.
_GAP_IN_SAMPLES = 3


class FollowingChannel(DerivedChannel):
    """What channels share that are computed from one series, perhaps with the help of others."""

    of: SeriesName
    """The series it is computed from, which also sets the pace."""

    accepts: ClassVar[tuple[Dimension, ...]] = ()
    """What that series may measure; empty for anything."""

    def inputs(self) -> list[Input]:
        """See `ChannelBase.inputs`."""
        return [Input(("of",), self.of, self.accepts)]

    def shown_as_input(self, site: Site) -> Unit:
        """Return the unit to show the channel in, by default that of its leading series."""
        return self.shown(site, site.series[self.of].unit)


# ------------------------------------------------------------------------------------------- wells


class HandMeasurement(Section):
    """A visit at which the depth to water was measured by hand."""

    at: datetime
    """When, with the offset from UTC: ``2026-03-01T10:05:00-07:00``."""
    by_hand: Length
    """Depth to water from the measuring point, measured by hand ..."""
    by_station: Length
    """... and what the station said at the same time, before any correction."""

    @property
    def utc_ms(self) -> int:
        """When, in milliseconds of UTC; an instant only if the offset is known."""
        return round(self.at.timestamp() * 1000)


class WaterLevelChannel(FollowingChannel):
    """The water in a well: submergence, depth to water, elevation.

    Yields ``submergence`` if it is computed from a pressure, ``depth_to_water`` if the transducer's
    depth is known, and ``elevation`` if the measuring point's is, too.
    """

    accepts: ClassVar[tuple[Dimension, ...]] = (Dimension.PRESSURE, Dimension.LENGTH)

    kind: Literal["water-level"]
    transducer: Literal["vented", "absolute"] = "vented"
    """A vented one measures against the air; an absolute one needs a ``barometer``."""
    barometer: SeriesName | None = None
    """The series of the air pressure, for an absolute transducer."""
    water_temperature: Temperature = quantity("10 degC")
    """Says how dense the water is, where no ``thermometer`` does."""
    thermometer: SeriesName | None = None
    """The series of the water's temperature."""
    salinity: Salinity = quantity("0 g/kg")
    """Makes the water denser."""
    transducer_depth: Length | None = None
    """How far the transducer hangs below the measuring point."""
    measuring_point: Length | None = None
    """Elevation of the measuring point on the site's datum."""
    hand_measurements: list[HandMeasurement] = []  # noqa: RUF012 - pydantic copies it
    """Visits, the earliest first. The difference is added to the depth to water: linear in time
    between two visits, and held after the last."""

    def inputs(self) -> list[Input]:
        """See `ChannelBase.inputs`."""
        found = super().inputs()
        if self.barometer is not None:
            found.append(Input(("barometer",), self.barometer, (Dimension.PRESSURE,)))
        if self.thermometer is not None:
            found.append(Input(("thermometer",), self.thermometer, (Dimension.TEMPERATURE,)))
        return found

    def corrections(self) -> Corrections | None:
        """Return what hand measurements add to the depth. Raises ValueError when out of order."""
        visits = [
            Visit(v.utc_ms, v.by_hand.value - v.by_station.value) for v in self.hand_measurements
        ]
        return Corrections(visits) if visits else None

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        of_pressure = site.series[self.of].unit.dimension is Dimension.PRESSURE
        depth, point = self.transducer_depth, self.measuring_point
        medium = Medium(self.water_temperature.value, self.salinity.value * 1000, site.gravity)
        return WaterLevel(
            name,
            [one.name for one in self.inputs()],
            self.shown(site, depth.unit if depth else UNITS["m"]),
            Well(value_of(depth), value_of(point), self.corrections()),
            medium if of_pressure else None,
            absolute=self.transducer == "absolute",
            thermometer=self.thermometer is not None,
            title=self.title,
        )


class BarometricChannel(FollowingChannel):
    """A depth to water as it would stand under a steady air pressure."""

    accepts: ClassVar[tuple[Dimension, ...]] = _LENGTH

    kind: Literal["barometric-correction"]
    barometer: SeriesName
    """The series of the air pressure."""
    efficiency: Ratio
    """Barometric efficiency of the well: how much of a change of the air pressure, as a height of
    water, shows in its level."""
    reference: Pressure
    """The air pressure to correct to, such as the site's mean."""
    water_temperature: Temperature = quantity("10 degC")
    """Says how dense the water is."""

    def inputs(self) -> list[Input]:
        """See `ChannelBase.inputs`."""
        return [
            *super().inputs(),
            Input(("barometer",), self.barometer, (Dimension.PRESSURE,)),
        ]

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        return BarometricallyCorrected(
            Series(name, self.shown_as_input(site), self.title),
            [one.name for one in self.inputs()],
            efficiency=self.efficiency.value,
            reference=self.reference.value,
            medium=Medium(self.water_temperature.value, 0.0, site.gravity),
        )


class DrawdownChannel(FollowingChannel):
    """How far the water stands below its level at rest."""

    accepts: ClassVar[tuple[Dimension, ...]] = _LENGTH

    kind: Literal["drawdown"]
    rest: Length | None = None
    """Depth to water at rest. Either this or ``pump``."""
    pump: SeriesName | None = None
    """The series ``running`` of a run-time channel: the level at rest is then the last one before
    the pump started."""

    def inputs(self) -> list[Input]:
        """See `ChannelBase.inputs`."""
        pump = [Input(("pump",), self.pump, (Dimension.RATIO,))] if self.pump else []
        return [*super().inputs(), *pump]

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        series = Series(name, self.shown_as_input(site), self.title)
        return Drawdown(series, [one.name for one in self.inputs()], value_of(self.rest))


class SpecificCapacityChannel(DerivedChannel):
    """What the well yields for every unit of drawdown."""

    kind: Literal["specific-capacity"]
    flow: SeriesName
    """The series of the flow, which also sets the pace."""
    drawdown: SeriesName
    """The series of the drawdown."""
    least_drawdown: Extent = quantity("10 cm")
    """With less there is no value."""

    def inputs(self) -> list[Input]:
        """See `ChannelBase.inputs`."""
        return [
            Input(("flow",), self.flow, _FLOW),
            Input(("drawdown",), self.drawdown, _LENGTH),
        ]

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        customary = site.series[self.drawdown].unit.symbol in {"ft", "in"}
        written = UNITS["gpm/ft" if customary else "L/s/m"]
        series = Series(name, self.shown(site, written), self.title)
        return SpecificCapacity(series, (self.flow, self.drawdown), self.least_drawdown.value)


# --------------------------------------------------------------------------- tanks, weirs, flumes


class TankChannel(FollowingChannel):
    """What a tank holds: volume, ullage, share filled."""

    accepts: ClassVar[tuple[Dimension, ...]] = _LENGTH

    kind: Literal["tank"]
    tank: TankShape
    """Its geometry."""
    zero_above_bottom: Length = quantity("0 m")
    """How far above the lowest point of the tank the depth reads nought."""

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        customary = site.series[self.of].unit.symbol in {"ft", "in"}
        written = UNITS["gal" if customary else "m3"]
        return TankContents(
            name,
            self.of,
            self.tank.tank(),
            offset=self.zero_above_bottom.value,
            shown=self.shown(site, written),
            title=self.title,
        )


class OpenChannel(FollowingChannel):
    """The flow over a weir or through a flume, from the level of the water above it."""

    accepts: ClassVar[tuple[Dimension, ...]] = _LENGTH

    kind: Literal["open-channel"]
    structure: Structure
    """The weir or flume."""
    zero: Length = quantity("0 m")
    """What the level reads when the water stands at the crest, the bottom of the notch or the floor
    of the flume."""

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        head = site.series[self.of].unit
        written = UNITS["cfs" if head.symbol in {"ft", "in"} else "L/s"]
        series = Series(name, self.shown(site, written), self.title)
        primary = self.structure.primary()
        return OpenChannelFlow(series, self.of, primary, zero=self.zero.value, head_shown=head)


# --------------------------------------------------------------------------------- totals and runs


class TotalChannel(FollowingChannel, Totalling):
    """The volume that a flow adds up to; yields ``total``."""

    accepts: ClassVar[tuple[Dimension, ...]] = _FLOW
    cumulative: ClassVar[tuple[str, ...]] = ("total",)

    kind: Literal["total"]
    low_cutoff: Flow | None = None
    """Less counts as none."""
    longest_gap: Duration | None = None
    """Samples further apart have a gap between them, which adds nothing; by default three sampling
    intervals."""

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        flow = site.series[self.of].unit.symbol
        volume = {"gpm": "gal", "cfs": "ft3", "MGD": "gal"}.get(flow, flow.rpartition("/")[0])
        return FlowTotal(
            name,
            self.of,
            longest_gap=_longest_gap(self.longest_gap, site.sample_s[self.of]),
            low_cutoff=self.low_cutoff.value if self.low_cutoff else 0.0,
            shown=self.shown(site, UNITS[volume]),
            title=self.title,
        )


class RunTimeChannel(FollowingChannel, Totalling):
    """How long a pump has run and how often it has started, told by a flow, a current, a pressure.

    Yields ``run_time``, ``starts`` and ``running`` (0 or 1).
    """

    cumulative: ClassVar[tuple[str, ...]] = ("run_time", "starts")

    kind: Literal["run-time"]
    on_above: ProcessValue
    """The pump runs when the series is above this ..."""
    off_below: ProcessValue
    """... and until it is below this."""
    longest_gap: Duration | None = None
    """Samples further apart have a gap between them, which adds nothing; by default three sampling
    intervals."""

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        return PumpRuns(
            name,
            self.of,
            Threshold(self.on_above.value, self.off_below.value),
            longest_gap=_longest_gap(self.longest_gap, site.sample_s[self.of]),
            shown=self.shown(site, UNITS["h"]),
            title=self.title,
        )


def _longest_gap(given: Duration | None, sample_s: float) -> float:
    return given.value if given else _GAP_IN_SAMPLES * sample_s


# -------------------------------------------------------------------------------------------- sums


class SumChannel(DerivedChannel):
    """The sum of several series of one dimension."""

    kind: Literal["sum"]
    of: Annotated[list[SeriesName], Field(min_length=2)]
    """The series to add; the first sets the pace."""

    def inputs(self) -> list[Input]:
        """See `ChannelBase.inputs`."""
        return [Input(("of", index), name) for index, name in enumerate(self.of)]

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        return _sum(self, name, site, [1] * len(self.of))


class DifferenceChannel(DerivedChannel):
    """The first of two series less the second."""

    kind: Literal["difference"]
    of: Annotated[list[SeriesName], Field(min_length=2, max_length=2)]
    """The two series; the first sets the pace."""

    def inputs(self) -> list[Input]:
        """See `ChannelBase.inputs`."""
        return [Input(("of", index), name) for index, name in enumerate(self.of)]

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        return _sum(self, name, site, [1, -1])


def _sum(
    channel: SumChannel | DifferenceChannel, name: str, site: Site, signs: list[int]
) -> Computation:
    inputs = [site.series[one] for one in channel.of]
    # What is made of running totals only is a running total itself.
    running = all(one.condense is Condense.LAST for one in inputs)
    series = Series(
        name,
        channel.shown(site, inputs[0].unit),
        channel.title,
        Condense.LAST if running else Condense.MEAN,
    )
    return Sum(series, channel.of, signs)
