"""``livezero read``: poll now and show every step from the wire to the value; the wiring check."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable
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
    table,
)
from edge.field.assembly import poll_once
from edge.measure.pipeline import Pipeline
from edge.readings import Reading, Sample, Series
from edge.station.model import Station
from edge.status import Reason
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
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a reading.")
def command(
    *, station_file: Path, channels: tuple[str, ...], follow: bool, every: float, as_json: bool
) -> None:
    """Poll the station's devices now and show raw number, loop current or pulses, value, status.

    Nothing is kept or published. Stop the daemon first: a serial port serves one master only.
    Exit code 1: a channel has no good value; a rate,
    which takes two polls to know, does not count.
    """
    station = load_or_exit(station_file)
    unknown = [name for name in channels if name not in station.channels]
    if unknown:
        refuse(
            f"{station_file}: found no channel {', '.join(unknown)}, "
            f"expected some of {', '.join(station.channels)}"
        )
    reader = _Reader(station, channels or tuple(station.channels))
    show = _print_json if as_json else _print_table
    if follow:
        asyncio.run(reader.follow(show, every))
    elif not asyncio.run(reader.read_once(show)):
        sys.exit(FOUND_WANTING)


Row = dict[str, Any]

# A single poll cannot know a rate; that is no fault of the wiring.
_AS_IT_SHOULD_BE = {Reason.OK.slug, Reason.NO_EARLIER_COUNT.slug}


class _Reader:
    def __init__(self, station: Station, channels: tuple[str, ...]) -> None:
        self._station = station
        self._channels = channels
        self._pipelines: dict[str, Pipeline] = station.pipelines()
        self._clock = SystemClock()

    async def follow(self, show: Callable[[list[Row]], None], every: float) -> None:
        """Read every so many seconds until interrupted."""
        stop = stop_on_signals()
        while not stop.is_set():
            await self.read_once(show)
            await wait_for_event(stop, self._clock, every)

    async def read_once(self, show: Callable[[list[Row]], None]) -> bool:
        """Read and show; tell whether every value is as it should be."""
        samples = await poll_once(self._station, self._clock, self._channels)
        rows = [
            _row(samples[name], self._pipelines[name], series, reading)
            for name in self._channels
            for series, reading in zip(
                self._pipelines[name].series,
                self._pipelines[name].take(samples[name], due=True),
                strict=True,
            )
        ]
        show(rows)
        return all(row["status"] in _AS_IT_SHOULD_BE for row in rows)


def _row(sample: Sample, pipeline: Pipeline, series: Series, reading: Reading) -> Row:
    """Return all that is known of one series, ready for JSON; numbers in the unit shown."""
    steps = [] if sample.raw is None else pipeline.explain(sample.raw)
    signal = next((step for step in steps if step.name in {"loop", "pulses"}), None)
    return {
        "series": series.name,
        "time": iso_utc(sample.utc_ms),
        "raw": sample.raw,
        "signal": None if signal is None else _shown(signal.value, signal.unit),
        "signal_unit": None if signal is None else getattr(signal.unit, "symbol", signal.name),
        "value": None if reading.value is None else _shown(reading.value, series.unit),
        "unit": series.unit.symbol,
        "status": reading.reason.slug,
        "why": reading.reason.text,
    }


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
