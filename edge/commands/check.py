"""``livezero check``: say whether a station file is right."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click

from edge.commands.common import BAD_INPUT, load_or_exit, refuse
from edge.measure.loop_budget import budget
from edge.station.circuit import Circuit
from edge.station.faults import StationFileError
from edge.station.loader import load
from edge.station.measured import LoopChannel
from edge.station.schema import json_schema


@click.command("check")
@click.argument(
    "station_file", metavar="[STATION]", required=False, type=click.Path(path_type=Path)
)
@click.option("--schema", is_flag=True, help="Print the JSON Schema of station files instead.")
@click.option("--json", "as_json", is_flag=True, help="Print the faults as a JSON list.")
def command(*, station_file: Path | None, schema: bool, as_json: bool) -> None:
    """Check a station file and name everything that is wrong with it, with line and key.

    Exit code 0: nothing is wrong; 2: something is.
    """
    if schema:
        click.echo(json.dumps(json_schema(), indent=2))
        return
    if station_file is None:
        refuse("check: found no STATION, expected the path of a station file, or --schema")
    if as_json:
        _check_as_json(station_file)
        return
    station = load_or_exit(station_file)
    click.echo(
        f"{station_file}: good. Station {station.station.id}: {len(station.buses)} buses, "
        f"{len(station.channels)} channels, {len(station.series())} series"
    )
    for name, channel in station.measured.items():
        if isinstance(channel, LoopChannel) and channel.circuit:
            click.echo(f"  loop of {name}: {_budget(channel, channel.circuit)}")


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


def _check_as_json(station_file: Path) -> None:
    faults = []
    try:
        load(station_file)
    except StationFileError as error:
        faults = [asdict(fault) for fault in error.faults]
    click.echo(json.dumps(faults, indent=2))
    if faults:
        raise SystemExit(BAD_INPUT)
