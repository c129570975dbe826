"""From the channels of a station file to the station's measuring room.

A channel that is computed from others can be built once these are known. So the channels are gone
through again and again, each time building those whose inputs are all known, until no more can be.
What is then left asks for something that is not there, or goes round in a circle. The same walk
serves the checks, which want to know what was left and why, and the daemon, which has a checked
station and nothing left over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from edge.measure import water
from edge.measure.periods import Period, PeriodRecorder
from edge.measure.recorder import Figure, Recorder
from edge.measure.room import Room, RoomChannel
from edge.measure.values import Computation
from edge.readings import Series
from edge.station.channel_base import ChannelBase, MeasuredChannel, Site, Totalling
from edge.station.faults import Fault
from edge.station.measured import PulseChannel
from edge.units import Dimension, Unit

Judge = Callable[[str, ChannelBase, Site], list[Fault]]
"""Says what keeps a channel from being built, although its inputs are all known."""


@dataclass(slots=True)
class Built:
    """How far the channels could be built."""

    channels: list[RoomChannel] = field(default_factory=list)
    """In an order in which none stands before one it is computed from."""
    series: dict[str, Series] = field(default_factory=dict)
    """What can be computed from."""
    left: dict[str, ChannelBase] = field(default_factory=dict)
    """Channels with inputs that are not known."""
    faults: list[Fault] = field(default_factory=list)


def site_of(
    latitude: float | None,
    elevation: float | None,
    timezone: str,
    shown: Mapping[Dimension, Unit],
) -> Site:
    """Return a site with nothing on it yet; gravity is the standard one where it is unknown."""
    gravity = water.STANDARD_GRAVITY
    if latitude is not None:
        gravity = water.gravity(latitude, elevation or 0.0)
    return Site(gravity, ZoneInfo(timezone), shown, {}, {})


def build(channels: Mapping[str, ChannelBase], site: Site, judge: Judge | None = None) -> Built:
    """Build what can be built of ``channels`` on ``site``, which is told of each in turn."""
    built = Built(left=dict(channels))
    series, sample_s, record_s = dict(site.series), dict(site.sample_s), dict[str, float]()
    site = Site(site.gravity, site.zone, site.shown, series, sample_s)
    while ready := _ready(built.left, series):
        for name in ready:
            channel = built.left.pop(name)
            if judge and (faults := judge(name, channel, site)):
                built.faults += faults
                continue
            sample, record = _pace(channel, sample_s, record_s)
            computation = channel.computation(name, site)
            for one in computation.series:
                series[one.name], sample_s[one.name], record_s[one.name] = one, sample, record
            pace = sample, record
            built.channels.append(_room_channel(name, channel, computation, site, pace))
    built.series = series
    return built


def room_of(channels: Mapping[str, ChannelBase], site: Site) -> Room:
    """Return the measuring room of channels that have been checked."""
    return Room(build(channels, site).channels)


def _ready(left: Mapping[str, ChannelBase], known: Iterable[str]) -> list[str]:
    there = set(known)
    return [
        name for name, channel in left.items() if all(one.name in there for one in channel.inputs())
    ]


def _pace(
    channel: ChannelBase, sample_s: Mapping[str, float], record_s: Mapping[str, float]
) -> tuple[float, float]:
    """Return the sampling and the recording interval in seconds; those of the leading input."""
    if isinstance(channel, MeasuredChannel):
        return channel.sample_ms / 1000, channel.record_ms / 1000
    lead = channel.inputs()[0].name
    return sample_s[lead], record_s[lead]


def _room_channel(
    name: str,
    channel: ChannelBase,
    computation: Computation,
    site: Site,
    pace: tuple[float, float],
) -> RoomChannel:
    sample, record = pace
    totals = {f"{name}.{part}" for part in channel.cumulative}
    expected = round(record / sample)
    recorders = [
        Recorder(
            one,
            [Figure.LAST] if one.name in totals else channel.figures,
            expected,
            channel.complete_from.value,
        )
        for one in computation.series
    ]
    periods = {}
    if isinstance(channel, Totalling) and channel.totals:
        booked = [Period(period) for period in dict.fromkeys(channel.totals)]
        after_outage = channel.after_outage if isinstance(channel, PulseChannel) else "spread"
        periods = {
            one.name: PeriodRecorder(one, booked, site.zone, sample, after_outage)
            for one in computation.series
            if one.name in totals
        }
    return RoomChannel(name, computation, sample, recorders, periods)
