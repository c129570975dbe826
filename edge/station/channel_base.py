"""What all channels of a station file share, and what they are told of the station around them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, ClassVar, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from edge.measure.recorder import Figure
from edge.measure.values import Computation
from edge.readings import Series
from edge.station.plain_types import Name
from edge.station.quantity_types import AnyUnit, Duration, Ratio
from edge.station.reads import Read
from edge.station.section import Section, quantity
from edge.units import Dimension, Unit


@dataclass(frozen=True, slots=True)
class Site:
    """What a channel is told of its surroundings in order to compute."""

    gravity: float
    """In m/s²."""
    zone: ZoneInfo
    """Where days begin and end."""
    shown: Mapping[Dimension, Unit]
    """The units the station's people want to see."""
    series: Mapping[str, Series]
    """Everything known so far that can be computed from, by name."""
    sample_s: Mapping[str, float]
    """How often each of them is sampled."""

    def unit(self, written: Unit) -> Unit:
        """Return the unit to show in place of ``written``, which the station may leave as it is."""
        return self.shown.get(written.dimension, written)


@dataclass(frozen=True, slots=True)
class Input:
    """A series that a channel is computed from: the key it stands at, and what it may measure."""

    key: tuple[str | int, ...]
    name: str
    dimensions: tuple[Dimension, ...] = ()
    """Empty for anything."""


class ChannelBase(Section):
    """What all channels share."""

    cumulative: ClassVar[tuple[str, ...]] = ()
    """Which of the channel's series are totals, by the last part of their names."""

    title: str = ""
    """What people call the channel."""
    unit: AnyUnit | None = None
    """The unit to show it in; by default the station's, or else the one it is written in."""
    statistics: Annotated[
        list[Literal["last", "mean", "min", "max", "sd", "samples", "completeness"]],
        Field(min_length=1),
    ] = ["last"]  # noqa: RUF012 - pydantic copies it
    """What is kept of the samples of a record interval. Anything but the last one is a series of
    its own, such as ``level.mean``. Totals are always kept as they stand."""
    complete_from: Ratio = quantity("75 %")
    """With fewer of its samples good than this share, an interval's statistics are uncertain."""

    @property
    def figures(self) -> list[Figure]:
        """What is kept of the samples of a record interval."""
        return [Figure(name) for name in dict.fromkeys(self.statistics)]

    def inputs(self) -> list[Input]:
        """Return the series the channel is computed from, the leading one first."""
        return []

    def shown(self, site: Site, written: Unit) -> Unit:
        """Return the unit to show the channel in: its own, or the station's, or ``written``."""
        return self.unit or site.unit(written)

    def computation(self, name: str, site: Site) -> Computation:
        """Return a fresh computation for the channel of that name."""
        raise NotImplementedError


class Totalling(ChannelBase):
    """What channels share that yield totals."""

    totals: list[Literal["hour", "day", "month", "water-year"]] = []  # noqa: RUF012 - pydantic copies it
    """Periods the totals are also booked by, each a series of its own, such as ``flow.total.day``.
    They begin and end where the station is; a water year begins on the first of October."""


class MeasuredChannel(ChannelBase):
    """What channels share that are read from a device: where the number comes from, how often."""

    bus: Name
    """Name of a bus of this file."""
    device: Name
    """Name of a device on that bus."""
    read: Read
    """Where in the device the raw number lies."""
    sample: Duration
    """How often the device is asked, on the wall clock: "1 min" means on every full minute."""
    supply: Name | None = None
    """Output that supplies the sensor: switched on before it is read, left on for its warm-up, and
    switched off when no channel on it needs it. Left out, the sensor is always supplied."""
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


class DerivedChannel(ChannelBase):
    """What channels share that are computed from other channels. They follow the leading one."""
