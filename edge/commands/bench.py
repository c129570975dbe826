"""``livezero bench``: the real daemon against simulated hardware."""

from __future__ import annotations

import asyncio
import json
import logging
import math
import signal
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from edge.commands.common import FOUND_WANTING, load_or_exit, refuse, station_argument
from edge.host.logs import set_up_logs
from edge.station.model import Station


@click.command("bench")
@station_argument
@click.option(
    "--days",
    type=click.FloatRange(min=0.001, max=3660),
    default=1.0,
    show_default=True,
    help="Simulated days to run.",
)
@click.option(
    "--speed",
    type=click.FloatRange(min=1, max=10_000),
    default=1440.0,
    show_default=True,
    help="Multiple of real time.",
)
@click.option("--seed", default=1, show_default=True, help="The same seed makes the same world.")
@click.option("--broker", metavar="HOST:PORT", help="Use this broker, not the embedded one.")
@click.option(
    "--dead", metavar="BUS.DEVICE", multiple=True, help="This device never answers; repeatable."
)
@click.option("--json", "as_json", is_flag=True, help="Print the ledger as one JSON object, last.")
@click.option("--log", "show_log", is_flag=True, help="Show the daemon's log.")
def command(
    *,
    station_file: Path,
    days: float,
    speed: float,
    seed: int,
    broker: str | None,
    dead: tuple[str, ...],
    as_json: bool,
    show_log: bool,
) -> None:
    """Run STATION against simulated hardware made from the same file, and draw up a ledger.

    Simulated devices hang on real serial ports (pty pairs) and sockets. On the way the link is cut
    for an hour and, where it is the embedded one, the broker restarted. Topics begin with "bench/",
    so that nobody takes them for the real station's. Exit code 1: something in the ledger does not
    add up.
    """
    station = load_or_exit(station_file)
    if math.isnan(days) or math.isnan(speed):
        refuse("bench: found --days or --speed not a number, expected one in the range")
    try:
        from hw_fakes.bench import BenchError, BenchPlan, run_bench  # noqa: PLC0415 - an extra
        from hw_fakes.bench_view import live_screen, plain_lines  # noqa: PLC0415
    except ImportError as error:
        refuse(f"bench: found no package {error.name}, expected it: pip install 'livezero[bench]'")
    plan = BenchPlan(
        station,
        days=days,
        speed=speed,
        seed=seed,
        broker=_host_and_port(broker),
        dead=[_device(station, name) for name in dead],
    )
    set_up_logs(level=logging.INFO if show_log else logging.CRITICAL)
    on_terminal = sys.stdout.isatty() and not as_json and not show_log
    show = live_screen if on_terminal else plain_lines(lambda line: click.echo(line, err=as_json))
    # As Ctrl-C: what was begun is taken down again.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with TemporaryDirectory(prefix="livezero-bench-") as directory:
        try:
            ledger = asyncio.run(run_bench(plan, Path(directory), show))
        except KeyboardInterrupt:
            refuse("bench: interrupted", FOUND_WANTING)
        except BenchError as error:
            refuse(f"bench: {error}", FOUND_WANTING)
    if on_terminal:
        click.echo("\n".join(ledger.notes["events"]))
    click.echo(json.dumps(ledger.as_json()) if as_json else ledger.as_text())
    if ledger.complaints():
        sys.exit(FOUND_WANTING)


def _host_and_port(text: str | None) -> tuple[str, int] | None:
    if text is None:
        return None
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        refuse(f"bench: found --broker {text!r}, expected HOST:PORT, such as localhost:1883")
    return host, int(port)


def _device(station: Station, name: str) -> tuple[str, str]:
    bus, _, device = name.partition(".")
    known = [f"{bus}.{device}" for bus, one in station.buses.items() for device in one.devices]
    if name not in known:
        refuse(f"bench: found --dead {name!r}, expected one of {', '.join(known)}")
    return bus, device
