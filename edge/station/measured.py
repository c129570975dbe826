"""The channels that are read from devices."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from edge.measure.conditioning import Conditioner
from edge.measure.counter import CounterRules
from edge.measure.curve import Curve
from edge.measure.filters import Damping, Mean, Median
from edge.measure.line import Line
from edge.measure.loop import LoopLimits, LoopScale
from edge.measure.measured import Counted, Scaled
from edge.measure.meter import KTable, Meter
from edge.measure.periods import AfterOutage
from edge.measure.values import Computation
from edge.measure.watch import RateOfChange, StuckSignal
from edge.station.channel_base import MeasuredChannel, Site, Totalling
from edge.station.circuit import Circuit
from edge.station.plain_types import Couple, Number, Pair
from edge.station.quantity_types import (
    Current,
    Duration,
    Flow,
    Frequency,
    ProcessValue,
    PulsesPerVolume,
    Ratio,
    Resistance,
    Resolution,
    Signal,
    Volume,
    VolumePerPulse,
)
from edge.station.reads import ModbusRead
from edge.station.section import Section, quantity
from edge.units import UNITS, Quantity, Unit


class ScaledChannel(MeasuredChannel):
    """What channels share whose value follows from one raw number: filters, and a watchful eye."""

    median: Annotated[int, Field(ge=3, le=99)] | None = None
    """Take the median of so many samples, an odd number: takes out single wrong ones."""
    mean: Annotated[int, Field(ge=2, le=1000)] | None = None
    """Take the mean of so many samples."""
    damping: Duration | None = None
    """Time constant of a first-order lag: after a step, 63 % of it show after this time."""
    stuck_after: Duration | None = None
    """Doubt a signal that has not moved for this long."""
    stuck_change: ProcessValue | None = None
    """Moves no larger than this are none; by default only a number that stays the same is stuck."""
    fastest_change: Couple[ProcessValue, Duration] | None = None
    """Doubt a signal that changes faster: by how much in which time, as ``["2 ft", "1 min"]``."""

    def conditioner(self) -> Conditioner:
        """Return the filters and watches that the channel's keys describe."""
        stuck, speed = None, None
        if self.stuck_after:
            least = _size(self.stuck_change) if self.stuck_change else 0.0
            stuck = StuckSignal(self.stuck_after.value, least)
        if self.fastest_change:
            change, within = self.fastest_change
            speed = RateOfChange(_size(change), within.value)
        return Conditioner(
            median=Median(self.median) if self.median else None,
            mean=Mean(self.mean) if self.mean else None,
            damping=Damping(self.damping.value) if self.damping else None,
            stuck=stuck,
            speed=speed,
        )

    def _scaled(
        self, name: str, site: Site, scale: LoopScale | Line | Curve, written: Unit
    ) -> Computation:
        shown = self.shown(site, written)
        return Scaled(name, shown, scale, self.conditioner(), self.title)


class Limits(Section):
    """Where a loop's measuring ends and its failure begins: NAMUR NE 43, unless told otherwise."""

    failure_low: Current = quantity("3.6 mA")
    """Less is a failure."""
    measuring_low: Current = quantity("3.8 mA")
    """Less is no measurement any more, though no failure yet."""
    measuring_high: Current = quantity("20.5 mA")
    """More is no measurement any more, though no failure yet."""
    failure_high: Current = quantity("21 mA")
    """More is a failure."""

    def loop_limits(self) -> LoopLimits:
        """Return the limits in amperes. Raises ValueError when they are out of order."""
        return LoopLimits(
            self.failure_low.value,
            self.measuring_low.value,
            self.measuring_high.value,
            self.failure_high.value,
        )


class LoopChannel(ScaledChannel):
    """A transmitter on a 4-20 mA loop, read by any module that measures current or voltage."""

    kind: Literal["loop"]
    counts: Pair[Number] = (0.0, 1.0)
    """Two raw numbers of the module ..."""
    signal: Pair[Signal] = (quantity("0 mA"), quantity("1 mA"))
    """... and the signals they stand for: currents, or voltages across ``shunt``. Left out, both
    together mean a module that sends milliamperes."""
    shunt: Resistance | None = None
    """Resistor the voltage is measured across."""
    adc_gain: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 1.0
    """The module's own error, found on the bench: the true signal is the one it indicates, times
    this ..."""
    adc_offset: Signal | None = None
    """... plus this."""
    range: Pair[ProcessValue] | None = None
    """What the transmitter means by 4 mA and by 20 mA. Either this or ``points``."""
    points: Annotated[list[Pair[ProcessValue]], Field(min_length=2)] | None = None
    """A calibration in more points than two, each a current and what it means, as
    ``[["4 mA", "0 ft"], ["12 mA", "74.6 ft"], ["20 mA", "150 ft"]]``."""
    extraction: Literal["linear", "square-root"] = "linear"
    """"square-root" for a flow by differential pressure whose transmitter is linear in pressure."""
    low_cutoff: Ratio = quantity("0 %")
    """With square-root extraction: a smaller share of the full flow counts as none."""
    limits: Limits = Limits()
    """The status limits of the current."""
    circuit: Circuit | None = None
    """The loop's wiring and supply, for ``livezero check`` to see whether the voltage suffices."""

    @property
    def written(self) -> Unit:
        """The unit the range is written in."""
        assert self.range or self.points  # noqa: S101 - edge.station.channel_checks sees to it
        return self.range[1].unit if self.range else (self.points or [])[-1][1].unit

    def scale(self) -> LoopScale:
        """Return the computation the channel's keys describe."""
        span: Line | Curve
        if self.range:
            span = Line(0.004, 0.020, self.range[0].value, self.range[1].value)
        else:
            span = Curve([(at.value, value.value) for at, value in self.points or []])
        return LoopScale(
            Line(*self.counts, self.signal[0].value, self.signal[1].value),
            span,
            shunt=self.shunt.value if self.shunt else None,
            gain=self.adc_gain,
            offset=self.adc_offset.value if self.adc_offset else 0.0,
            limits=self.limits.loop_limits(),
            root_cutoff=self.low_cutoff.value if self.extraction == "square-root" else None,
        )

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        return self._scaled(name, site, self.scale(), self.written)


class ValueChannel(ScaledChannel):
    """A device that sends the value itself, perhaps as a whole number of some small unit."""

    kind: Literal["value"]
    counts: Pair[Number] = (0.0, 1.0)
    """Two raw numbers of the device ..."""
    range: Pair[ProcessValue] | None = None
    """... and the values they stand for. Either this or ``points``."""
    points: Annotated[list[Couple[Number, ProcessValue]], Field(min_length=2)] | None = None
    """A calibration in more points than two, each a raw number and what it means."""

    @property
    def written(self) -> Unit:
        """The unit the range is written in."""
        assert self.range or self.points  # noqa: S101 - edge.station.channel_checks sees to it
        return self.range[1].unit if self.range else (self.points or [])[-1][1].unit

    def scale(self) -> Line | Curve:
        """Return the computation the channel's keys describe."""
        if self.range:
            return Line(*self.counts, self.range[0].value, self.range[1].value)
        return Curve([(raw, value.value) for raw, value in self.points or []])

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        return self._scaled(name, site, self.scale(), self.written)


class Dial(Section):
    """How the meter's own register stood, beside the station's total, at one and the same time."""

    reads: Volume
    """What the register showed ..."""
    at_total: Volume = quantity("0 m3")
    """... when the station's total was this."""


class PulseChannel(MeasuredChannel, Totalling):
    """A flow meter whose pulses a counter counts."""

    cumulative: ClassVar[tuple[str, ...]] = ("total",)

    kind: Literal["pulse"]
    k_factor: PulsesPerVolume | None = None
    """Pulses a volume, as on the meter's calibration sheet. One of this, ``pulse_volume`` and
    ``k_table``."""
    pulse_volume: VolumePerPulse | None = None
    """Volume a pulse stands for."""
    k_table: Annotated[list[Couple[Frequency, PulsesPerVolume]], Field(min_length=2)] | None = None
    """K-factors at several pulse frequencies, the lowest first: straight lines between them, held
    at both ends."""
    counter_bits: Annotated[int, Field(ge=8, le=64)] | None = None
    """Width at which the counter rolls over; by default that of the value's type."""
    counter_digits: Annotated[int, Field(ge=2, le=18)] | None = None
    """Decimal digits at which the counter rolls over, if it counts in those."""
    greatest_rate: Frequency | None = None
    """As fast as the meter can pulse: tells a rollover from a reset, and refuses jumps."""
    greatest_flow: Flow | None = None
    """The same, said as a flow."""
    rate_resolution: Resolution = quantity("1 %")
    """A rate is averaged over as many pulses as this takes, if ``zero_flow_after`` allows it."""
    zero_flow_after: Duration = quantity("15 min")
    """With no pulse for this long, nothing flows."""
    dial: Dial | None = None
    """Aligns the series ``register`` with the register on the meter itself."""
    after_outage: AfterOutage = "spread"
    """Where pulses go, in the totals by period, that were counted while the station was down:
    "spread" shares them out by time over the outage, "first-interval" gives all of them to the
    period in which counting went on."""

    def meter(self) -> Meter | KTable:
        """Return the meter the channel's keys describe."""
        if self.k_table is not None:
            return KTable([(at.value, factor.value) for at, factor in self.k_table])
        if self.pulse_volume is not None:
            return Meter(self.pulse_volume.value)
        assert self.k_factor is not None  # noqa: S101 - edge.station.channel_checks sees to it
        return Meter.from_k_factor(self.k_factor.value)

    @property
    def modulus(self) -> int:
        """How many numbers the counter can show."""
        if self.counter_digits is not None:
            return int(10**self.counter_digits)
        if self.counter_bits is not None:
            return 1 << self.counter_bits
        assert isinstance(self.read, ModbusRead)  # noqa: S101 - channel_checks sees to it
        return 1 << (16 * self.read.width)

    def rules(self) -> CounterRules:
        """Return what the counter's numbers are judged by."""
        greatest = self.greatest_rate.value if self.greatest_rate else None
        if self.greatest_flow is not None:
            greatest = self.greatest_flow.value * self._most_pulses_per_m3()
        return CounterRules(self.modulus, greatest)

    def _most_pulses_per_m3(self) -> float:
        if self.k_table is not None:
            return max(factor.value for _, factor in self.k_table)
        meter = self.meter()
        assert isinstance(meter, Meter)  # noqa: S101 - there is no table
        return 1 / meter.volume_per_pulse

    @property
    def volume_unit(self) -> Unit:
        """The unit of volume the meter's factor is written in."""
        factor = self.pulse_volume or self.k_factor or (self.k_table or [])[0][1]
        symbol = factor.unit.symbol
        return UNITS[symbol.removeprefix("pulses/").removesuffix("/pulse")]

    def computation(self, name: str, site: Site) -> Computation:
        """See `ChannelBase.computation`."""
        volume = self.shown(site, self.volume_unit)
        return Counted(
            name,
            self.rules(),
            self.meter(),
            volume_unit=volume,
            flow_unit=site.unit(UNITS[f"{volume.symbol}/min"]),
            resolution=self.rate_resolution.value,
            zero_after=self.zero_flow_after.value,
            aligned=(self.dial.reads.value, self.dial.at_total.value) if self.dial else None,
            sample_s=self.sample.value,
            title=self.title,
        )


def _size(step: Quantity) -> float:
    """Return how large a difference is; 10 °F are no temperature here, but a number of degrees."""
    return step.value - step.unit.to_base(0.0)
