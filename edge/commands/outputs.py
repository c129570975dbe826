"""``livezero outputs``: how the outputs are; switch them for the bench, or bring them to rest."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import click

from edge.clock import SystemClock
from edge.commands.common import (
    FOUND_WANTING,
    load_or_exit,
    refuse,
    station_argument,
    stop_on_signals,
)
from edge.field.assembly import make_drivers, make_outputs, make_switch
from edge.field.gpio import GpioSwitch
from edge.field.switches import CoilSwitch, Switch
from edge.host.logs import set_up_logs
from edge.host.status_socket import GarbledError, SilentError, ask
from edge.station.loader import journal_path
from edge.station.model import Station
from edge.station.outputs import CoilOutput, GpioOutput, Output
from edge.status import Reason
from edge.text_table import table

# Real seconds. A daemon on a busy small computer answers within a few hundredths of one.
_PATIENCE = 3.0

# Real seconds in which a relay, and a contactor behind it, has moved (common practice, no source).
_CONTACTS_SETTLE = 0.2


@dataclass(frozen=True, slots=True)
class Row:
    """One output as it is shown: what it was told, how it is found, what is wrong."""

    name: str
    output: Output
    told: bool | None
    found: bool | None
    reason: Reason

    def as_json(self) -> dict[str, str | None]:
        """Return the row ready for JSON."""
        return {
            "output": self.name,
            "title": self.output.title,
            "where": _where(self.output),
            "told": _word(self.told),
            "found": _word(self.found),
            "at_rest": self.output.at_rest,
            "status": self.reason.slug,
            "why": self.reason.text,
        }


@click.command("outputs")
@station_argument
@click.option("--on", "on", metavar="NAME", multiple=True, help="Switch this output on.")
@click.option("--off", "off", metavar="NAME", multiple=True, help="Switch this output off.")
@click.option("--rest", is_flag=True, help="Bring all outputs to their safe state.")
@click.option("--journal", type=click.Path(path_type=Path), help="The daemon keeps this journal.")
@click.option("--json", "as_json", is_flag=True, help="Print a JSON list.")
def command(
    *,
    station_file: Path,
    on: tuple[str, ...],
    off: tuple[str, ...],
    rest: bool,
    journal: Path | None,
    as_json: bool,
) -> None:
    """Show how the station's outputs are told to be and found to be, or switch them by hand.

    For the bench and for commissioning, while the service is stopped. Whoever switches by hand
    looks after the least times, and after people and machines that hang on the output. A coil stays
    as it was switched; a GPIO line only as long as this command runs.

    Exit code 1: an output cannot be reached or is not as it was told, or the daemon runs; 2: bad
    input.
    """
    set_up_logs(level=logging.CRITICAL)
    station = load_or_exit(station_file)
    if rest and (on or off):
        refuse("outputs: found --rest beside --on or --off, expected one or the other")
    wanted = _wanted(station, station_file, on, off)
    if not station.outputs:
        click.echo("[]" if as_json else f"{station_file}: the station has no outputs")
        return
    _refuse_beside_a_daemon(journal or journal_path(station, station_file, os.environ))
    show = _print_json if as_json else _print_table
    if rest:
        rows = asyncio.run(_bring_to_rest(station))
        show(rows)
    elif wanted:
        rows = asyncio.run(_switch(station, wanted, show))
    else:
        rows = asyncio.run(_look(station))
        show(rows)
    if any(row.reason is not Reason.OK for row in rows):
        sys.exit(FOUND_WANTING)


def _wanted(
    station: Station, station_file: Path, on: tuple[str, ...], off: tuple[str, ...]
) -> dict[str, bool]:
    """Return what is to be switched, and whether on; exit where that makes no sense."""
    unknown = [name for name in (*on, *off) if name not in station.outputs]
    if unknown:
        known = f"some of {', '.join(station.outputs)}" if station.outputs else "none: it has none"
        refuse(f"{station_file}: found no output {', '.join(unknown)}, expected {known}")
    if both := [name for name in on if name in off]:
        refuse(f"outputs: found {', '.join(both)} both on and off, expected one of the two")
    return dict.fromkeys(on, True) | dict.fromkeys(off, False)


def _refuse_beside_a_daemon(journal: Path) -> None:
    try:
        running = ask(journal, _PATIENCE) is not None
    except (SilentError, GarbledError):
        running = True
    if running:
        refuse(
            "outputs: found the station's daemon running, which switches them itself, expected it"
            " stopped; how they are: livezero status",
            FOUND_WANTING,
        )


# --------------------------------------------------------------------------------- what it does


def _switches(station: Station, names: Mapping[str, object]) -> dict[str, Switch]:
    drivers = make_drivers(station, (), names, SystemClock())
    return {
        name: make_switch(station, station.outputs[name], drivers, GpioSwitch) for name in names
    }


async def _look(station: Station) -> list[Row]:
    switches = _switches(station, station.outputs)
    try:
        return [await _row(name, station.outputs[name], one) for name, one in switches.items()]
    finally:
        await _close(switches)


async def _row(name: str, output: Output, switch: Switch) -> Row:
    """Look at an output that was told nothing by this command."""
    told: bool | None = None
    if isinstance(switch, CoilSwitch) and isinstance(output, CoilOutput) and output.read_back:
        coil = await switch.coil()
        if isinstance(coil, Reason):
            return Row(name, output, None, None, coil)
        told = coil
    found = await switch.get()
    return _judged(name, output, told, found)


async def _switch(
    station: Station, wanted: Mapping[str, bool], show: Callable[[list[Row]], None]
) -> list[Row]:
    switches = _switches(station, wanted)
    rows = []
    try:
        for name, switch in switches.items():
            reason = await switch.set(wanted[name])
            found: bool | Reason | None = reason
            if reason is Reason.OK:
                await asyncio.sleep(_CONTACTS_SETTLE)
                found = await switch.get()
            rows.append(_judged(name, station.outputs[name], wanted[name], found))
        show(rows)
        held = [
            row for row in rows if isinstance(row.output, GpioOutput) and row.reason is Reason.OK
        ]
        if held:
            names = ", ".join(row.name for row in held)
            click.echo(f"{names}: held until you interrupt (Ctrl-C), then let go", err=True)
            await stop_on_signals().wait()
    finally:
        await _close(switches)
    return rows


async def _bring_to_rest(station: Station) -> list[Row]:
    drivers = make_drivers(station, (), station.outputs, SystemClock())
    outputs = make_outputs(station, station.outputs, drivers, SystemClock())
    reasons = {} if outputs is None else await outputs.rest()
    return [
        Row(
            name,
            station.outputs[name],
            station.outputs[name].at_rest == "on",
            station.outputs[name].at_rest == "on" if reason is Reason.OK else None,
            reason,
        )
        for name, reason in reasons.items()
    ]


async def _close(switches: Mapping[str, Switch]) -> None:
    for switch in switches.values():
        await switch.close()


def _judged(name: str, output: Output, told: bool | None, found: bool | Reason | None) -> Row:
    if isinstance(found, Reason):
        return Row(name, output, told, None, found)
    differs = told is not None and found is not None and told != found
    return Row(name, output, told, found, Reason.NOT_AS_SWITCHED if differs else Reason.OK)


# ------------------------------------------------------------------------------ what it looks like


def _word(state: bool | None) -> str | None:
    return None if state is None else "on" if state else "off"


def _where(output: Output) -> str:
    if isinstance(output, GpioOutput):
        return f"line {output.line} of {output.chip}"
    return f"coil {output.register_} of {output.device}, bus {output.bus}"


def _print_json(rows: list[Row]) -> None:
    click.echo(json.dumps([row.as_json() for row in rows], indent=2))


def _print_table(rows: list[Row]) -> None:
    heads = ("OUTPUT", "TOLD", "FOUND", "AT REST", "WHERE", "STATUS", "WHY")
    cells = [
        [
            row.name,
            _word(row.told) or "",
            _word(row.found) or "",
            row.output.at_rest,
            _where(row.output),
            row.reason.slug,
            "" if row.reason is Reason.OK else row.reason.text,
        ]
        for row in rows
    ]
    click.echo(table(heads, cells))
