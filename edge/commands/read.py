"""``livezero read``: poll now and show every step from the wire to the value; the wiring check."""

from __future__ import annotations

import asyncio
import json
import logging
import sys
from collections.abc import Callable
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

import click

from edge.clock import SystemClock, iso_utc, wait_for_event
from edge.commands.common import (
    FOUND_WANTING,
    load_or_exit,
    refuse,
    station_argument,
    stop_on_signals,
)
from edge.field.assembly import poll_once
from edge.host.logs import set_up_logs
from edge.measure.measured import LOOP_CURRENT, PULSES
from edge.measure.values import Value
from edge.readings import Sample, Series
from edge.station.model import Station
from edge.status import Reason
from edge.text_table import table
from edge.units import Unit


@click.command("read")
@station_argument
@click.argument("channels", metavar="[CHANNEL]...", nargs=-1)
@click.option("--follow", is_flag=True, help="Go on reading until interrupted.")
@click.option(
    "--every",
    type=click.FloatRange(min=0.01, max=86_400),
    default=1.0,
    show_default=True,
    help="Seconds between readings with --follow.",
)
@click.option("--steps", is_flag=True, help="Show every step from the raw number to the value.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a reading.")
def command(
    *,
    station_file: Path,
    channels: tuple[str, ...],
    follow: bool,
    every: float,
    steps: bool,
    as_json: bool,
) -> None:
    """Poll the station's devices now and show raw number, loop current or pulses, value, status.

    Of a channel that is computed from others, these are polled. A sensor that hangs on a switched
    supply gets it, and its warm-up, for every poll.

    Nothing is kept or published. Stop the daemon first: a serial port serves one master only.
    Exit code 1: a channel has no good value; a rate,
    which takes two polls to know, does not count.
    """
    set_up_logs(level=logging.CRITICAL)  # what fails is in the table
    station = load_or_exit(station_file)
    unknown = [name for name in channels if name not in station.channels]
    if unknown:
        refuse(
            f"{station_file}: found no channel {', '.join(unknown)}, "
            f"expected some of {', '.join(station.channels)}"
        )
    reader = _Reader(station, channels or tuple(station.channels))
    show = _print_json if as_json else _print_steps if steps else _print_table
    if follow:
        asyncio.run(reader.follow(show, every))
    elif not asyncio.run(reader.read_once(show)):
        sys.exit(FOUND_WANTING)


Row = dict[str, Any]


class _Reader:
    def __init__(self, station: Station, channels: tuple[str, ...]) -> None:
        self._station = station
        self._channels = channels
        self._room = station.room()
        self._polled = {source for name in channels for source in self._room.sources(name)}
        self._clock = SystemClock()

    async def follow(self, show: Callable[[list[Row]], None], every: float) -> None:
        """Read every so many seconds until interrupted."""
        stop = stop_on_signals()
        while not stop.is_set():
            await self.read_once(show)
            await wait_for_event(stop, self._clock, every)

    async def read_once(self, show: Callable[[list[Row]], None]) -> bool:
        """Read and show; tell whether every value is as it should be."""
        samples = await poll_once(self._station, self._clock, self._polled)
        self._room.take([(sample, True) for sample in samples.values()])
        shown = [
            (name, series, value)
            for name in self._channels
            for series, value in self._room.latest(name)
        ]
        show([self._row(name, samples.get(name), one, value) for name, one, value in shown])
        # A single poll cannot know a rate; that is no fault of the wiring.
        return all(
            value.reason is Reason.OK or value.reason.passes_by_itself for _, _, value in shown
        )

    def _row(self, channel: str, sample: Sample | None, series: Series, value: Value) -> Row:
        """Return all that is known of one series, ready for JSON; numbers in the unit shown."""
        steps = self._room.explain(channel)
        signal = next((step for step in steps if step.name in _SIGNALS), None)
        return {
            "channel": channel,
            "series": series.name,
            "time": iso_utc(value.utc_ms),
            "raw": sample and sample.raw,
            "signal": None if signal is None else _shown(signal.number, signal.unit),
            "signal_unit": None if signal is None else getattr(signal.unit, "symbol", signal.name),
            "value": None if value.number is None else _shown(value.number, series.unit),
            "unit": series.unit.symbol,
            "status": value.reason.slug,
            "why": value.reason.text,
            "steps": [
                {
                    "step": step.name,
                    "value": _shown(step.number, step.unit),
                    "unit": step.unit and step.unit.symbol,
                }
                for step in steps
            ],
        }


_SIGNALS = {LOOP_CURRENT, PULSES}


def _shown(value: float, unit: Unit | None) -> float:
    return value if unit is None else unit.from_base(value)


def _print_json(rows: list[Row]) -> None:
    for row in rows:
        click.echo(json.dumps(row))


def _print_table(rows: list[Row]) -> None:
    def cells(row: Row) -> list[str]:
        number = "" if row["raw"] is None else f"{row['raw']:.10g}"
        signal = "" if row["signal"] is None else f"{row['signal']:.7g} {row['signal_unit']}"
        value = "" if row["value"] is None else f"{row['value']:.3f} {row['unit']}"
        why = "" if row["status"] == Reason.OK.slug else row["why"]
        return [row["series"], number, signal, value, row["status"], why]

    heads = ("SERIES", "RAW", "SIGNAL", "VALUE", "STATUS", "WHY")
    click.echo(table(heads, [cells(row) for row in rows], right=(1, 2, 3)))


def _print_steps(rows: list[Row]) -> None:
    """Print every channel once: its steps one under another, then its series with their status."""
    lines: list[tuple[str, str, str]] = []
    for channel, series in groupby(rows, key=itemgetter("channel")):
        of_channel = list(series)
        lines.append((channel, "", ""))
        lines += [
            (f"  {step['step']}", f"{step['value']:.7g}", step["unit"] or "")
            for step in of_channel[0]["steps"]
        ]
        for row in of_channel:
            value = "" if row["value"] is None else f"{row['value']:.3f}"
            status = f"{row['unit']:<10} {row['status']}"
            why = "" if row["status"] == Reason.OK.slug else f"  {row['why']}"
            lines.append((f"= {row['series']}", value, status + why))
    name = max(len(line[0]) for line in lines)
    number = max(len(line[1]) for line in lines)
    for left, value, right in lines:
        click.echo(f"{left:<{name}}  {value:>{number}} {right}".rstrip())
