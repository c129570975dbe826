"""``livezero check``: say whether a station file is right."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click

from edge.commands.common import BAD_INPUT, load_or_exit, refuse
from edge.energy.keeper import in_words
from edge.energy.stages import transitions
from edge.measure.loop_budget import budget
from edge.station.circuit import Circuit
from edge.station.energy import EnergySection
from edge.station.faults import StationFileError
from edge.station.loader import load
from edge.station.measured import LoopChannel
from edge.station.model import Station
from edge.station.schema import json_schema
from edge.text_table import table


@click.command("check")
@click.argument(
    "station_file", metavar="[STATION]", required=False, type=click.Path(path_type=Path)
)
@click.option("--schema", is_flag=True, help="Print the JSON Schema of station files instead.")
@click.option("--json", "as_json", is_flag=True, help="Print the faults as a JSON list.")
@click.option(
    "--stages", is_flag=True, help="Print what leads from stage to stage, and what each sheds."
)
def command(*, station_file: Path | None, schema: bool, as_json: bool, stages: bool) -> None:
    """Check a station file and name everything that is wrong with it, with line and key.

    Exit code 0: nothing is wrong; 2: something is.
    """
    if schema:
        click.echo(json.dumps(json_schema(), indent=2))
        return
    if station_file is None:
        refuse("check: found no STATION, expected the path of a station file, or --schema")
    if as_json and stages:
        refuse("check: found both --json and --stages, expected one of them")
    if as_json:
        _check_as_json(station_file)
        return
    station = load_or_exit(station_file)
    if stages:
        click.echo(_stages(station_file, station))
        return
    click.echo(
        f"{station_file}: good. Station {station.station.id}: {len(station.buses)} buses, "
        f"{len(station.channels)} channels, {len(station.series())} series"
    )
    for name, channel in station.measured.items():
        if isinstance(channel, LoopChannel) and channel.circuit:
            click.echo(f"  loop of {name}: {_budget(channel, channel.circuit)}")

    if station.energy and station.energy.stages:
        cutoffs = (f"{one.name} below {one.cutoff}" for one in station.energy.stages)
        click.echo(f"  stages: {', '.join(cutoffs)}")


def _budget(channel: LoopChannel, circuit: Circuit) -> str:
    """Say how well the supply of a loop suffices."""
    supply = circuit.supply(channel.shunt)
    reckoned = budget(supply)
    spare = reckoned.volts_at_full_scale - supply.least_voltage
    words = (
        f"at 20 mA {reckoned.volts_at_full_scale:.2f} V of {supply.supply:g} V are left for the"
        f" transmitter, which needs {supply.least_voltage:g} V: {spare:.2f} V to spare; it carries"
        f" up to {reckoned.greatest_current * 1000:.1f} mA"
    )
    return words if reckoned.reaches_alarm else f"{words}, too little to signal a failure by 21 mA"


def _stages(station_file: Path, station: Station) -> str:
    energy = station.energy
    if energy is None or not energy.stages:
        refuse(f"{station_file}: energy.stages: found none, expected one or more for --stages")
    rules = energy.rules()
    heads = ("STAGE", "BATTERY'S VOLTAGE", "DWELL", "WHAT IS DONE")
    dwells = [energy.stages[0].dwell, *(one.dwell for one in energy.stages)]
    sheds = [
        (stage.name, str(dwell), in_words(stage.effects))
        for stage, dwell in zip(rules.ladder, dwells, strict=True)
    ]
    return "\n\n".join(
        (
            table(heads, transitions(rules)),
            table(("STAGE", "DWELL", "WHAT IT SHEDS"), sheds),
            "\n".join(_remarks(energy)),
        )
    )


def _remarks(energy: EnergySection) -> list[str]:
    smoothed = f"the median of {energy.voltage} over {energy.smoothing}, and over three samples"
    remarks = [
        f"The voltage is {smoothed} at least.",
        f"Where it has not been known for {energy.lost_after} the stage is {energy.safe_stage}.",
    ]
    if energy.compensation.value:
        millivolts = energy.compensation.value * energy.cells * 1000
        remarks.append(
            f"Voltages hold at {energy.reference}; for every °C that {energy.temperature} is above"
            f" that, all of them change by {millivolts:+.3g} mV."
        )
    if energy.stages[-1].halt:
        remarks.append(
            f"Stage {energy.stages[-1].name} halts the computer when it is entered. A computer that"
            " comes back in it has one dwell to show a higher voltage, and is halted again."
        )
    return remarks


def _check_as_json(station_file: Path) -> None:
    faults = []
    try:
        load(station_file)
    except StationFileError as error:
        faults = [asdict(fault) for fault in error.faults]
    click.echo(json.dumps(faults, indent=2))
    if faults:
        raise SystemExit(BAD_INPUT)
