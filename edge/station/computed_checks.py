"""Whether the channels that are computed from others can be. Pure.

An entry that is None has faults of its own already: nothing is said about it, nor about channels
that may be computed from it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from edge.measure.values import Computation
from edge.station.build import build
from edge.station.channel_base import ChannelBase, Input, Site
from edge.station.computed import (
    DifferenceChannel,
    DrawdownChannel,
    OpenChannel,
    RunTimeChannel,
    SumChannel,
    TankChannel,
    WaterLevelChannel,
)
from edge.station.faults import Fault, KeyPath, listed, suggestion
from edge.station.meaning_checks import rising
from edge.station.structures import StrappingShape, UprightCylinderShape
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
                yield _not_there(("channels", name, *one.key), one.name, built.series)
            elif one.name not in built.series and owner in faulty:
                faulty.add(name)
    yield from _circles({n: c for n, c in built.left.items() if n not in missing | faulty})


def _not_there(key: KeyPath, name: str, series: Mapping[str, object]) -> Fault:
    return Fault(key, repr(name), f"one of the series: {listed(series)}{suggestion(name, series)}")


def _circles(left: Mapping[str, ChannelBase]) -> Iterator[Fault]:
    """Yield a fault for every channel that is computed, over some way, from itself."""
    needs = {
        name: {one.name.partition(".")[0] for one in channel.inputs()} & left.keys()
        for name, channel in left.items()
    }
    for name, channel in left.items():
        reached: set[str] = set()
        open_ = set(needs[name])
        while open_:
            one = open_.pop()
            reached.add(one)
            open_ |= needs[one] - reached
        if name in reached:
            lead = next(one for one in channel.inputs() if one.name.partition(".")[0] in reached)
            yield Fault(
                ("channels", name, *lead.key),
                f"{lead.name!r}, which is computed from {name}",
                "a series that is not computed from this channel",
            )


# ------------------------------------------------------------------------- a channel with its inputs


def _judge(name: str, channel: ChannelBase, site: Site) -> list[Fault]:
    key: KeyPath = ("channels", name)
    faults = [*_dimensions(key, channel, site), *_by_kind(key, channel, site)]
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
    fitting = dict.fromkeys(series.unit.dimension for series in computation.series)
    if unit is not None and unit.dimension not in fitting:
        yield Fault(
            (*key, "unit"),
            f'"{unit.symbol}" ({unit.dimension.title})',
            accepted(next(iter(fitting))),
        )


def _by_kind(key: KeyPath, channel: ChannelBase, site: Site) -> Iterator[Fault]:
    if isinstance(channel, WaterLevelChannel):
        yield from _water_level(key, channel, site)
    elif isinstance(channel, DrawdownChannel):
        if channel.rest is None and channel.pump is None:
            yield Fault((*key, "rest"), "nothing", "rest or pump")
        elif channel.rest is not None and channel.pump is not None:
            yield Fault((*key, "pump"), "rest beside it", "only one of the two")
    elif isinstance(channel, RunTimeChannel):
        yield from _thresholds(key, channel, site)
    elif isinstance(channel, TankChannel):
        yield from _tank((*key, "tank"), channel)
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
    if channel.transducer_depth is None:
        for name in ("measuring_point", "hand_measurements"):
            if name in channel.model_fields_set:
                yield Fault((*key, "transducer_depth"), "nothing", f"it, to go with {name}")
    for index, visit in enumerate(channel.hand_measurements):
        at = (*key, "hand_measurements", index, "at")
        if visit.at.tzinfo is None:
            yield Fault(at, visit.at.isoformat(), "an offset from UTC too, such as -07:00")
            return
        if index and visit.at <= channel.hand_measurements[index - 1].at:
            yield Fault(at, visit.at.isoformat(), "a time after that of the visit before it")


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


def _tank(key: KeyPath, channel: TankChannel) -> Iterator[Fault]:
    tank = channel.tank
    if isinstance(tank, UprightCylinderShape) and (tank.bottom == "flat") != (
        tank.bottom_depth is None
    ):
        found = "nothing" if tank.bottom_depth is None else f'"{tank.bottom_depth}"'
        expected = "how deep the bottom is" if tank.bottom_depth is None else "none: it is flat"
        yield Fault((*key, "bottom_depth"), found, expected)
    elif isinstance(tank, StrappingShape):
        faults = [*rising((*key, "table"), tank.table, 0), *rising((*key, "table"), tank.table, 1)]
        yield from faults or _geometry(key, tank.tank)
    else:
        yield from _geometry(key, tank.tank)


def _geometry(key: KeyPath, make: Callable[[], object]) -> Iterator[Fault]:
    """Yield what the formula itself has against the dimensions it is given."""
    try:
        make()
    except ValueError as error:
        yield Fault(key, str(error), "dimensions that the formula holds for")
