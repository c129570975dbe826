"""``livezero status``: how the station is, in words for whoever stands before it."""

from __future__ import annotations

import json
import os
import shutil
import sys
from pathlib import Path

import click

from edge.commands.common import FOUND_WANTING, load_or_exit, station_argument
from edge.commands.status_report import Report, render, report_of
from edge.health import Condition
from edge.host.status_socket import GarbledError, SilentError, ask
from edge.journal.at_rest import at_rest, writer_of
from edge.station.loader import journal_path
from edge.station.model import Station
from edge.status import Category

# Where the service finds its station files (systemd/livezero@.service).
_INSTALLED = Path("/etc/livezero")

# Real seconds. A daemon on a busy small computer answers within a few hundredths of one.
_PATIENCE = 3.0


@click.command("status")
@station_argument
@click.option("--journal", type=click.Path(path_type=Path), help="The daemon keeps this journal.")
@click.option("--json", "as_json", is_flag=True, help="Print the same as one JSON object.")
def command(*, station_file: Path, journal: Path | None, as_json: bool) -> None:
    """Ask the running daemon how the station is: every part, and the series not good.

    Where no daemon answers, say what its journal holds and what the next start will do about it.

    Exit code 0: all is sound; 1: something is found wanting, or no daemon runs; 2: bad input.
    """
    station = load_or_exit(station_file)
    path = journal or journal_path(station, station_file, os.environ)
    report = _report(station, station_file, path)
    if as_json:
        click.echo(json.dumps(report.as_json(), indent=2))
    else:
        colour = sys.stdout.isatty() and not os.environ.get("NO_COLOR")
        click.echo(render(report, shutil.get_terminal_size().columns, colour=colour))
    if not report.ok:
        sys.exit(FOUND_WANTING)


def _report(station: Station, station_file: Path, path: Path) -> Report:
    running = True
    try:
        described = ask(path, _PATIENCE)
    except SilentError as silent:
        daemon = _failed(
            f"the daemon does not answer: {silent}",
            "the service manager restarts it when its watchdog runs out (60 s)",
        )
    except GarbledError as garbled:
        daemon = _failed(
            f"the daemon's answer makes no sense: found {garbled}",
            "ask again; if nothing changes, restart the service and look into its log",
        )
    else:
        if described is not None:
            return report_of(described)
        if process := writer_of(path):
            daemon = _failed(
                f"process {process} holds the journal and cannot be asked",
                "it may be starting, or salvaging a damaged file: ask again in a minute",
            )
        else:
            running = False
            daemon = _failed("no daemon runs on this journal", _how_to_start(station_file))
    info = station.station
    return Report(info.id, info.name or "", (daemon, at_rest(path)), running)


def _how_to_start(station_file: Path) -> str:
    if station_file.resolve().parent == _INSTALLED:
        return f"to start it: systemctl start livezero@{station_file.stem}"
    return f"to start it: livezero run {station_file}"


def _failed(found: str, doing: str) -> Condition:
    return Condition("daemon", Category.FAILURE, found, doing)
