"""``livezero bench``: the real daemon against simulated hardware."""

from __future__ import annotations

import asyncio
import json
import logging
import math
import signal
import sys
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Literal

import click

from edge.commands.common import FOUND_WANTING, load_or_exit, refuse, station_argument
from edge.host.logs import set_up_logs
from edge.station.model import Station

if TYPE_CHECKING:
    from hw_fakes.bench_state import BenchPlan
    from hw_fakes.ledger import Ledger

_A_DAY_A_MINUTE = 1440.0
# Any faster, and the daemon cannot keep up.
_FASTEST = 14_400.0


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
    type=click.FloatRange(min=1, max=20_000),
    help="Multiple of real time; 1440 by default, and with --weather so that it takes a minute.",
)
@click.option(
    "--weather",
    type=click.Choice(["fair", "dull-week"]),
    help="Have the battery live through it, without other mishaps. A dull week is a bright day,"
    " six dull ones, and bright ones after.",
)
@click.option("--seed", default=1, show_default=True, help="The same seed makes the same world.")
@click.option("--broker", metavar="HOST:PORT", help="Use this broker, not the embedded one.")
@click.option(
    "--dead", metavar="BUS.DEVICE", multiple=True, help="This device never answers; repeatable."
)
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False, writable=True),
    help="Draw how it lived on its battery: a .png or .svg file.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the ledger as one JSON object, last.")
@click.option("--log", "show_log", is_flag=True, help="Show the daemon's log.")
def command(
    *,
    station_file: Path,
    days: float,
    speed: float | None,
    weather: Literal["fair", "dull-week"] | None,
    seed: int,
    broker: str | None,
    dead: tuple[str, ...],
    plot: Path | None,
    as_json: bool,
    show_log: bool,
) -> None:
    """Run STATION against simulated hardware made from the same file, and draw up a ledger.

    Simulated devices hang on real serial ports (pty pairs) and sockets; what the station switches
    is switched, and spares the simulated battery. On the way the link is cut for an hour and, where
    it is the embedded one, the broker restarted; not so with --weather. Topics begin with "bench/",
    so that nobody takes them for the real station's. Exit code 1: something in the ledger does not
    add up.
    """
    station = load_or_exit(station_file)
    if math.isnan(days) or (speed is not None and math.isnan(speed)):
        refuse("bench: found --days or --speed not a number, expected one in the range")
    try:
        from hw_fakes.bench import BenchError, run_bench  # noqa: PLC0415 - an extra
        from hw_fakes.bench_state import (  # noqa: PLC0415
            BROKER_RESTART_AT,
            LINK_CUT_AT,
            BenchPlan,
        )
        from hw_fakes.bench_view import live_screen, plain_lines  # noqa: PLC0415
    except ImportError as error:
        refuse(f"bench: found no package {error.name}, expected it: pip install -e '.[bench]'")
    if plot:
        _look_ahead(station, plot)
    plan = BenchPlan(
        station,
        days=days,
        speed=speed or _usual_speed(days, weather),
        seed=seed,
        broker=_host_and_port(broker),
        dead=[_device(station, name) for name in dead],
        weather=weather or "fair",
        link_cut_at=None if weather else LINK_CUT_AT,
        broker_restart_at=None if weather else BROKER_RESTART_AT,
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
    if plot:
        _draw(plan, ledger, plot)
    if on_terminal:
        click.echo("\n".join(ledger.notes["events"]))
    click.echo(json.dumps(ledger.as_json()) if as_json else ledger.as_text())
    if ledger.complaints():
        sys.exit(FOUND_WANTING)


def _look_ahead(station: Station, plot: Path) -> None:
    """Find out before the run what would keep it from being drawn."""
    if station.energy is None:
        refuse("bench: found --plot for a station without [energy], expected one with it")
    if plot.suffix.lower() not in {".png", ".svg"}:
        refuse(f"bench: found --plot {plot.name!r}, expected a name that ends in .png or .svg")
    if not plot.parent.is_dir():
        refuse(f"bench: found no directory {plot.parent}, expected it for --plot")
    if find_spec("matplotlib") is None:
        refuse("bench: found no package matplotlib, expected it: pip install -e '.[plan]'")


def _draw(plan: BenchPlan, ledger: Ledger, file: Path) -> None:
    from hw_fakes.bench_plot import plot  # noqa: PLC0415 - an extra

    if plan.station.energy is None or ledger.energy is None:
        return
    try:
        plot(plan, plan.station.energy, ledger.energy, file)
    except OSError as error:
        refuse(f"bench: cannot write {file}: {error.strerror}", FOUND_WANTING)


def _usual_speed(days: float, weather: str | None) -> float:
    """Return a speed at which a run of the weather takes about a minute, any other that a day."""
    of_the_weather = min(max(_A_DAY_A_MINUTE, _A_DAY_A_MINUTE * days), _FASTEST)
    return of_the_weather if weather else _A_DAY_A_MINUTE


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
