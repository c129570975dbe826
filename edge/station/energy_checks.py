"""Whether the energy section makes sense, by itself and with the rest of the station. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

from edge.energy.stages import NORMAL
from edge.readings import Series
from edge.station.channel_base import MeasuredChannel
from edge.station.energy import Climate, ControllerSection, EnergySection, StageSection
from edge.station.faults import Fault, KeyPath, listed, not_there
from edge.station.outputs import CoilOutput
from edge.station.parts import Parts
from edge.units import Dimension, Quantity


def energy_faults(
    energy: EnergySection, parts: Parts, series: Mapping[str, Series]
) -> Iterator[Fault]:
    """Yield what is wrong; ``series`` are those that can be read or computed."""
    key: KeyPath = ("energy",)
    if energy.stages and "energy" in parts.channels:
        yield Fault(
            ("channels", "energy"),
            "a channel of this name beside stages of load shedding",
            'another name: "energy.stage" and "energy.voltage" are series of the stages',
        )
    yield from _sources(key, energy, parts, series)
    yield from _plausible(key, energy)
    yield from _ladder(key, energy.stages)
    yield from _halting(key, energy)
    yield from _safe_stage(key, energy)
    for index, stage in enumerate(energy.stages):
        yield from _what_it_sheds((*key, "stages", index), stage, energy, parts)
    yield from _loads(key, energy, parts)
    yield from _circuits(key, energy)
    if energy.controller:
        yield from _controller((*key, "controller"), energy.controller, energy.stages)
    if energy.climate:
        yield from _climate((*key, "climate"), energy.climate)


# -------------------------------------------------------------------------------- what it goes by


def _sources(
    key: KeyPath, energy: EnergySection, parts: Parts, series: Mapping[str, Series]
) -> Iterator[Fault]:
    if energy.stages and energy.voltage is None:
        yield Fault((*key, "voltage"), "nothing", "the series that is the battery's voltage")
    if energy.compensation.value and energy.temperature is None:
        yield Fault(
            (*key, "temperature"), "nothing", "the series that is the battery's temperature"
        )
    wanted = {
        "voltage": (energy.voltage, Dimension.VOLTAGE),
        "temperature": (energy.temperature, Dimension.TEMPERATURE),
    }
    for name, (given, dimension) in wanted.items():
        if given is None or _is_spoilt(given, parts):
            continue
        fitting = [one for one, s in series.items() if s.unit.dimension is dimension]
        if given not in series:
            yield not_there((*key, name), given, f"the series of {dimension.title}", fitting)
        elif given not in fitting:
            yield Fault(
                (*key, name),
                f"{given!r} ({series[given].unit.dimension.title})",
                f"a series of {dimension.title}" + (f": {listed(fitting)}" if fitting else ""),
            )
    for name, channel in _read_for(energy.voltage, parts).items():
        if channel.sample.value >= energy.lost_after.value:
            yield Fault(
                (*key, "lost_after"),
                f'"{energy.lost_after}"',
                f'longer than the sampling interval of "{name}", "{channel.sample}"',
            )


def _read_for(series: str | None, parts: Parts) -> dict[str, MeasuredChannel]:
    """Return the channels that are read from devices for a series' sake, by name."""
    if series is None:
        return {}
    name = series.partition(".")[0]
    channel = parts.channels.get(name)
    if isinstance(channel, MeasuredChannel):
        return {name: channel}
    inputs = channel.inputs() if channel else []
    return {n: c for one in inputs for n, c in _read_for(one.name, parts).items()}


def _is_spoilt(series: str, parts: Parts) -> bool:
    """Whether the channel behind a series has faults of its own, which come first."""
    channel = series.partition(".")[0]
    return channel in parts.channels and parts.channels[channel] is None


def _plausible(key: KeyPath, energy: EnergySection) -> Iterator[Fault]:
    low, high = energy.plausible_volts
    if low >= high:
        yield Fault((*key, "plausible"), f"{low:g} V to {high:g} V", "the lower voltage first")
        return
    for index, stage in enumerate(energy.stages):
        for name in ("cutoff", "restore"):
            volts = getattr(stage, name)
            if not low < volts.value < high:
                yield Fault(
                    (*key, "stages", index, name),
                    f'"{volts}"',
                    f"a voltage that is believed, between {low:g} V and {high:g} V"
                    " (energy.cells, energy.plausible)",
                )


# ------------------------------------------------------------------------------------- the stages


def _ladder(key: KeyPath, stages: list[StageSection]) -> Iterator[Fault]:
    names: set[str] = set()
    for index, stage in enumerate(stages):
        at: KeyPath = (*key, "stages", index)
        if stage.name == NORMAL or stage.name in names:
            yield Fault(
                (*at, "name"), f'"{stage.name}"', f'a name of its own, other than "{NORMAL}"'
            )
        names.add(stage.name)
        if stage.restore.value <= stage.cutoff.value:
            yield Fault(
                (*at, "restore"), f'"{stage.restore}"', f'more than the cutoff of "{stage.cutoff}"'
            )
    for index, (upper, deeper) in enumerate(pairwise(stages), 1):
        at = (*key, "stages", index)
        if deeper.cutoff.value >= upper.cutoff.value:
            yield Fault(
                (*at, "cutoff"),
                f'"{deeper.cutoff}"',
                f'less than the cutoff of stage "{upper.name}" before it, "{upper.cutoff}"',
            )
        if deeper.restore.value > upper.restore.value:
            yield Fault(
                (*at, "restore"),
                f'"{deeper.restore}"',
                f'no more than that of stage "{upper.name}" before it, "{upper.restore}"',
            )


def _halting(key: KeyPath, energy: EnergySection) -> Iterator[Fault]:
    halting = [index for index, stage in enumerate(energy.stages) if stage.halt]
    for index in halting:
        if index != len(energy.stages) - 1:
            yield Fault((*key, "stages", index, "halt"), "true", "it at the last stage, or at none")
    if halting and energy.halt_command is None:
        yield Fault(
            (*key, "halt_command"),
            f'nothing, where stage "{energy.stages[halting[0]].name}" halts the computer',
            'program and arguments, such as ["systemctl", "poweroff"]',
        )
    if energy.halt_command is not None and not halting:
        yield Fault((*key, "halt_command"), "no stage that halts", "halt = true at the last stage")


def _safe_stage(key: KeyPath, energy: EnergySection) -> Iterator[Fault]:
    names = [NORMAL, *(stage.name for stage in energy.stages)]
    if energy.safe_stage not in names:
        yield not_there((*key, "safe_stage"), energy.safe_stage, "the stages", names)
    elif any(stage.halt for stage in energy.stages if stage.name == energy.safe_stage):
        yield Fault(
            (*key, "safe_stage"),
            f'"{energy.safe_stage}", which halts the computer',
            "a stage in which somebody can find out what is the matter",
        )


def _what_it_sheds(
    key: KeyPath, stage: StageSection, energy: EnergySection, parts: Parts
) -> Iterator[Fault]:
    wanted = _read_for(energy.voltage, parts) | _read_for(energy.temperature, parts)
    for index, name in enumerate(stage.off):
        at: KeyPath = (*key, "off", index)
        if name not in parts.outputs:
            yield not_there(at, name, "the outputs", parts.outputs)
        elif of := [n for n, channel in wanted.items() if channel.supply == name]:
            yield Fault(at, f'"{name}", which supplies {listed(of)}', "it on: stages go by that")
    for index, name in enumerate(stage.stop_buses):
        at = (*key, "stop_buses", index)
        relays = [
            output
            for output, one in parts.outputs.items()
            if isinstance(one, CoilOutput) and one.bus == name
        ]
        if name not in parts.buses:
            yield not_there(at, name, "the buses", parts.buses)
        elif of := [n for n, channel in wanted.items() if channel.bus == name]:
            yield Fault(at, f'"{name}", which reads {listed(of)}', "it polled: stages go by that")
        elif relays:
            yield Fault(
                at, f'"{name}", on which outputs are switched: {listed(relays)}', "another bus"
            )


# ------------------------------------------------------------------------------- what it lives on


def _loads(key: KeyPath, energy: EnergySection, parts: Parts) -> Iterator[Fault]:
    for name, load in energy.loads.items():
        at: KeyPath = (*key, "loads", name)
        if load.output is not None and load.output not in parts.outputs:
            yield not_there((*at, "output"), load.output, "the outputs", parts.outputs)
        if load.bus is not None and load.bus not in parts.buses:
            yield not_there((*at, "bus"), load.bus, "the buses", parts.buses)
        if load.per_publish and parts.uplink:
            yield from _sending((*at, "per_publish"), load.per_publish, parts.uplink.publish)


def _circuits(key: KeyPath, energy: EnergySection) -> Iterator[Fault]:
    for name, circuit in energy.circuits.items():
        if circuit.surge and circuit.surge.value < circuit.current.value:
            yield Fault(
                (*key, "circuits", name, "surge"),
                f'"{circuit.surge}"',
                f'more than the current that flows for longer, "{circuit.current}"',
            )


def _sending(key: KeyPath, lasts: Quantity, publish: Quantity) -> Iterator[Fault]:
    if lasts.value >= publish.value:
        yield Fault(key, f'"{lasts}"', f'less than from one publishing to the next, "{publish}"')


def _controller(
    key: KeyPath, controller: ControllerSection, stages: list[StageSection]
) -> Iterator[Fault]:
    cut, back = controller.disconnect, controller.reconnect
    if (cut is None) is not (back is None):
        missing = "disconnect" if cut is None else "reconnect"
        yield Fault((*key, missing), "nothing", "both disconnect and reconnect, or neither")
    if cut and back and back.value <= cut.value:
        yield Fault((*key, "reconnect"), f'"{back}"', f'more than "{cut}", where it disconnects')
    if cut and stages and cut.value >= stages[-1].cutoff.value:
        yield Fault(
            (*key, "disconnect"),
            f'"{cut}", before stage "{stages[-1].name}" is entered',
            f'less than its cutoff, "{stages[-1].cutoff}": else the computer just loses its supply',
        )


def _climate(key: KeyPath, climate: Climate) -> Iterator[Fault]:
    by_month = [n for n in ("clearness", "temperature") if getattr(climate, n) is not None]
    if climate.typical_year is not None:
        for name in by_month:
            yield Fault((*key, name), "a typical year beside it", "one of the two")
    elif len(by_month) < 2:
        yield Fault(
            key, f"only {by_month[0]}" if by_month else "nothing",
            "clearness and temperature of every month, or typical_year",
        )  # fmt: skip
