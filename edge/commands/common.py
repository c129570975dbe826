"""What the commands share: the station argument, exits with a message."""

from __future__ import annotations

import asyncio
import signal
import sys
from pathlib import Path
from typing import NoReturn

import click

from edge.station.faults import StationFileError
from edge.station.loader import load
from edge.station.model import Station

FOUND_WANTING = 1
BAD_INPUT = 2

station_argument = click.argument(
    "station_file", metavar="STATION", type=click.Path(path_type=Path)
)


def load_or_exit(path: Path) -> Station:
    """Load a station file; print every fault and exit with 2 where it has any."""
    try:
        return load(path)
    except StationFileError as error:
        refuse(str(error))


def stop_on_signals() -> asyncio.Event:
    """Return an event that SIGTERM and SIGINT set; for use inside the running event loop."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    return stop


def refuse(message: str, code: int = BAD_INPUT) -> NoReturn:
    """Print a message to standard error and exit."""
    click.echo(message, err=True)
    sys.exit(code)
