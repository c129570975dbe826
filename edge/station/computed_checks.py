"""Whether the channels that are computed from others can be. Pure.

An entry that is None has faults of its own already: nothing is said about it, nor about channels
that may be computed from it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise

from edge.measure.values import Computation
from edge.station.build import build
from edge.station.channel_base import ChannelBase, Input, Site
from edge.station.computed import (
    DifferenceChannel,
    DrawdownChannel,
    HandMeasurement,
    OpenChannel,
    RunTimeChannel,
    SumChannel,
    TankChannel,
    TotalChannel,
    WaterLevelChannel,
)
from edge.station.faults import Fault, KeyPath, not_there
from edge.station.meaning_checks import rising
from edge.station.structures import HorizontalCylinderShape, StrappingShape, UprightCylinderShape
from edge.units import Dimension, Unit, accepted


def computed_faults(channels: Mapping[str, ChannelBase | None], site: Site) -> Iterator[Fault]:
    """Yield what keeps channels from being computed from one another."""
    sound = {name: channel for name, channel in channels.items() if channel is not None}
    # A channel with a fault found here is as good as one that could not be read in the first place.
    faulty = {name for name, channel in channels.items() if channel is None}
    built = build(sound, site, _judge)
    yield from built.faults
    faulty |= {str(fault.key[1]) for fault in built.faults}
    missing = set()
    for name, channel in built.left.items():
        for one in channel.inputs():
            owner = one.name.partition(".")[0]
            if one.name not in built.series and owner not in built.left and owner not in faulty:
                missing.add(name)
                yield not_there(("channels", name, *one.key), one.name, "the series", built.series)
            elif one.name not in built.series and owner in faulty:
                faulty.add(name)
    yield from _circles({n: c for n, c in built.left.items() if n not in missing | faulty})


def _circles(left: Mapping[str, ChannelBase]) -> Iterator[Fault]:
    """Yield a fault for every channel that is computed, over some way, from itself."""
    for name, channel in left.items():
        for one in channel.inputs():
            if name in _reached(one.name.partition(".")[0], left):
                yield Fault(
                    ("channels", name, *one.key),
                    f"{one.name!r}, which is computed from {name}",
                    "a series that is not computed from this channel",
                )
                break


def _reached(name: str, left: Mapping[str, ChannelBase]) -> set[str]:
    """Return a channel of ``left``, and those of them it is computed from, over whatever way."""
    reached: set[str] = set()
    open_ = {name} & left.keys()
    while open_:
        one = open_.pop()
        reached.add(one)
        needed = {there.name.partition(".")[0] for there in left[one].inputs()}
        open_ |= (needed & left.keys()) - reached
    return reached


# ------------------------------------------------------------------------ a channel with its inputs


def _judge(name: str, channel: ChannelBase, site: Site) -> list[Fault]:
    key: KeyPath = ("channels", name)
    # With an input that measures something else, all further words would be beside the point.
    faults = list(_dimensions(key, channel, site)) or list(_by_kind(key, channel, site))
    if faults:
        return faults
    plain = channel.model_copy(update={"unit": None})
    return list(_unit(key, channel.unit, plain.computation(name, site)))


def _dimensions(key: KeyPath, channel: ChannelBase, site: Site) -> Iterator[Fault]:
    inputs = channel.inputs()
    for one in inputs:
        found = site.series[one.name].unit.dimension
        wanted = _wanted(channel, inputs, site) or one.dimensions
        if wanted and found not in wanted:
            yield Fault(
                (*key, *one.key),
                f"{one.name!r} ({found.title})",
                f"a series of {' or '.join(dimension.title for dimension in wanted)}",
            )


def _wanted(channel: ChannelBase, inputs: list[Input], site: Site) -> tuple[Dimension, ...]:
    """Return what all inputs must measure where the first one says it."""
    if isinstance(channel, SumChannel | DifferenceChannel):
        return (site.series[inputs[0].name].unit.dimension,)
    return ()


def _unit(key: KeyPath, unit: Unit | None, computation: Computation) -> Iterator[Fault]:
    # The others of several series, such as the share of a tank that is filled, have one unit only.
    fitting = computation.series[0].unit.dimension
    if unit is not None and unit.dimension is not fitting:
        yield Fault((*key, "unit"), f'"{unit.symbol}" ({unit.dimension.title})', accepted(fitting))


def _by_kind(key: KeyPath, channel: ChannelBase, site: Site) -> Iterator[Fault]:
    if isinstance(channel, WaterLevelChannel):
        yield from _water_level(key, channel, site)
    elif isinstance(channel, DrawdownChannel):
        yield from _drawdown(key, channel)
    elif isinstance(channel, RunTimeChannel):
        yield from _gap(key, channel, site)
        yield from _thresholds(key, channel, site)
    elif isinstance(channel, TotalChannel):
        yield from _gap(key, channel, site)
    elif isinstance(channel, TankChannel):
        yield from _tank((*key, "tank"), channel)
    elif isinstance(channel, SumChannel | DifferenceChannel):
        # Ten degrees of difference are 50 °F on a thermometer, but 18 on paper.
        if site.series[channel.of[0]].unit.dimension is Dimension.TEMPERATURE:
            yield Fault(
                (*key, "of", 0), f"{channel.of[0]!r} (temperature)", "what has no zero of its own"
            )
    elif isinstance(channel, OpenChannel):
        yield from _geometry((*key, "structure"), channel.structure.primary)


def _water_level(key: KeyPath, channel: WaterLevelChannel, site: Site) -> Iterator[Fault]:
    of_pressure = site.series[channel.of].unit.dimension is Dimension.PRESSURE
    if channel.transducer == "absolute" and channel.barometer is None:
        yield Fault((*key, "barometer"), "nothing", "the air pressure for an absolute transducer")
    if channel.transducer == "vented" and channel.barometer is not None:
        yield Fault(
            (*key, "barometer"), repr(channel.barometer), 'transducer = "absolute" beside it'
        )
    if not of_pressure:
        if channel.transducer_depth is None:
            yield Fault((*key, "transducer_depth"), "nothing", "it, with a submergence given")
        asked = {"transducer", "thermometer", "water_temperature", "salinity"}
        for name in sorted(asked & channel.model_fields_set):
            yield Fault((*key, name), f"{channel.of!r}, a length, to go with it", "a pressure")
    elif channel.transducer_depth is None:
        asked = {"measuring_point", "hand_measurements"} & channel.model_fields_set
        if asked:
            expected = f"it, to go with {' and '.join(sorted(asked))}"
            yield Fault((*key, "transducer_depth"), "nothing", expected)
    yield from _visits((*key, "hand_measurements"), channel.hand_measurements)


def _visits(key: KeyPath, visits: Sequence[HandMeasurement]) -> Iterator[Fault]:
    floating = [index for index, visit in enumerate(visits) if visit.at.utcoffset() is None]
    for index in floating:
        yield Fault(
            (*key, index, "at"),
            visits[index].at.isoformat(),
            "an offset from UTC too, such as -07:00",
        )
    if floating:  # there is no telling which comes first
        return
    for index, (before, visit) in enumerate(pairwise(visits), 1):
        if visit.utc_ms <= before.utc_ms:
            yield Fault(
                (*key, index, "at"),
                visit.at.isoformat(),
                f"a time after that of the visit before it, {before.at.isoformat()}",
            )


def _thresholds(key: KeyPath, channel: RunTimeChannel, site: Site) -> Iterator[Fault]:
    dimension = site.series[channel.of].unit.dimension
    off = [
        Fault((*key, name), f'"{level}" ({level.dimension.title})', accepted(dimension))
        for name, level in (("on_above", channel.on_above), ("off_below", channel.off_below))
        if level.dimension is not dimension
    ]
    yield from off
    if not off and channel.off_below.value > channel.on_above.value:
        yield Fault(
            (*key, "off_below"), f'"{channel.off_below}"', f'"{channel.on_above}" at most: on_above'
        )


def _drawdown(key: KeyPath, channel: DrawdownChannel) -> Iterator[Fault]:
    if channel.rest is None and channel.pump is None:
        yield Fault((*key, "rest"), "nothing", "rest or pump")
    elif channel.rest is not None and channel.pump is not None:
        yield Fault((*key, "pump"), "rest beside it", "only one of the two")


def _gap(key: KeyPath, channel: TotalChannel | RunTimeChannel, site: Site) -> Iterator[Fault]:
    gap, sample_s = channel.longest_gap, site.sample_s[channel.of]
    if gap is not None and gap.value <= sample_s:
        yield Fault(
            (*key, "longest_gap"),
            f'"{gap}"',
            f"longer than the {sample_s:g} s between two samples of {channel.of}",
        )


def _tank(key: KeyPath, channel: TankChannel) -> Iterator[Fault]:
    tank = channel.tank
    if isinstance(tank, UprightCylinderShape) and (tank.bottom == "flat") != (
        tank.bottom_depth is None
    ):
        found = "nothing" if tank.bottom_depth is None else f'"{tank.bottom_depth}"'
        expected = "how deep the bottom is" if tank.bottom_depth is None else "none: it is flat"
        yield Fault((*key, "bottom_depth"), found, expected)
    elif isinstance(tank, HorizontalCylinderShape) and tank.ends != "dished" and tank.end_depth:
        yield Fault((*key, "end_depth"), f'"{tank.end_depth}"', 'ends = "dished" beside it')
    elif isinstance(tank, StrappingShape):
        yield from _strapping((*key, "table"), tank)
    else:
        yield from _geometry(key, tank.tank)


def _strapping(key: KeyPath, tank: StrappingShape) -> Iterator[Fault]:
    for side, least in enumerate(tank.table[0]):
        if least.value < 0:
            yield Fault((*key, 0, side), f'"{least}"', f"0 {least.unit.symbol} or more")
        yield from rising(key, tank.table, side)


def _geometry(key: KeyPath, make: Callable[[], object]) -> Iterator[Fault]:
    """Yield what the formula itself has against the dimensions it is given."""
    try:
        make()
    except ValueError as error:
        yield Fault(key, str(error), "dimensions that the formula holds for")
