"""``livezero run``: the daemon."""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path
from random import Random

import click
import structlog

from edge.clock import SystemClock
from edge.commands.common import (
    FOUND_WANTING,
    load_or_exit,
    refuse,
    station_argument,
    stop_on_signals,
)
from edge.daemon import Daemon
from edge.host.halt import halt_computer
from edge.host.logs import LogStyle, set_up_logs
from edge.host.station_clock import KernelTime
from edge.host.supervise import CrashLoopError
from edge.journal.journal import Journal, JournalError
from edge.station.loader import journal_path
from edge.uplink.settings import SettingsError, broker_settings


@click.command("run")
@station_argument
@click.option("--journal", type=click.Path(path_type=Path), help="Keep the journal in this file.")
@click.option(
    "--log",
    "log_style",
    type=click.Choice(["auto", "text", "json"]),
    default="auto",
    show_default=True,
    help="Log style; auto means text on a terminal, else JSON.",
)
def command(*, station_file: Path, journal: Path | None, log_style: LogStyle) -> None:
    """Run the station: poll, keep, publish, until SIGTERM or SIGINT.

    Where the last stage of load shedding says so, the daemon ends by itself and has the computer
    halted. Exit code 1: the journal is unusable, a part of the daemon kept crashing, readings were
    lost, or the computer could not be halted; 2: the station file or the credentials are unusable,
    which trying again does not mend.
    """
    set_up_logs(log_style)
    station = load_or_exit(station_file)
    path = journal or journal_path(station, station_file, os.environ)
    try:
        settings = broker_settings(station, station_file, os.environ)
        opened = Journal(path, station.series())
    except SettingsError as error:
        refuse(str(error))
    except JournalError as error:
        # A disk that is mounted late, a daemon that has not ended yet: started again, it may work.
        refuse(str(error), FOUND_WANTING)
    daemon = Daemon(
        station,
        opened,
        settings,
        clock=SystemClock(),
        environ=os.environ,
        rng=Random(),
        host_time=KernelTime(),
    )
    try:
        asyncio.run(_until_told_to_stop(daemon))
    except* CrashLoopError as crashes:
        structlog.get_logger().critical("gave up", why=str(crashes.exceptions[0]))
        sys.exit(FOUND_WANTING)
    if daemon.halted and station.energy and station.energy.halt_command:
        why = halt_computer(station.energy.halt_command)
        if why:
            structlog.get_logger().critical("the computer cannot be halted", why=why)
            sys.exit(FOUND_WANTING)
    if daemon.writer.lost:
        sys.exit(FOUND_WANTING)


async def _until_told_to_stop(daemon: Daemon) -> None:
    await daemon.run(stop_on_signals())
