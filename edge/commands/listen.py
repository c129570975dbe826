"""``livezero listen``: a receiving end that proves what arrives."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import sys
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from random import Random
from secrets import token_hex
from typing import Any

import click

from edge.clock import SystemClock, iso_utc
from edge.commands.common import (
    FOUND_WANTING,
    load_or_exit,
    refuse,
    station_argument,
    stop_on_signals,
)
from edge.host.logs import set_up_logs
from edge.text_table import table
from edge.uplink.broker import BrokerSettings
from edge.uplink.receiver import ANY_STATION, Receiver
from edge.uplink.settings import SettingsError, broker_settings


@click.command("listen")
@station_argument
@click.option("--all", "all_stations", is_flag=True, help="Listen to every station of the prefix.")
@click.option(
    "--for", "seconds", type=click.FloatRange(min=0, max=1e9), help="Stop after so many seconds."
)
@click.option("--json", "as_json", is_flag=True, help="Print the books as JSON at the end.")
def command(
    *, station_file: Path, all_stations: bool, seconds: float | None, as_json: bool
) -> None:
    """Subscribe at the broker of STATION and keep books: what arrives, what is missing or double.

    Readings that the station says are gone, and why, do not count as missing. On a terminal a live
    table is shown; stop it with Ctrl-C. Exit code 1: readings are missing in between, messages
    could not be read, or the broker never let us listen.
    """
    station = load_or_exit(station_file)
    if station.uplink is None:
        refuse(f"{station_file}: found no section uplink, expected one: it names the broker")
    try:
        settings = broker_settings(station, station_file, os.environ)
    except SettingsError as error:
        refuse(str(error))
    assert settings is not None  # noqa: S101 - there is an uplink
    wanted = ANY_STATION if all_stations else station.station.id
    # A client id of its own: the station's would take over the station's connection.
    settings = replace(settings, client_id=f"{settings.client_id}-listen-{token_hex(4)}")
    show = None if as_json or not sys.stdout.isatty() else _live_table
    set_up_logs(level=logging.CRITICAL if show else logging.INFO)
    books = asyncio.run(_listen(settings, station.uplink.topic_prefix, wanted, seconds, show))
    click.echo(json.dumps(books, indent=2) if as_json else _as_text(books))
    if (
        not books["listened"]
        or books["malformed"]
        or any(one["gaps"] for one in books["stations"].values())
    ):
        sys.exit(FOUND_WANTING)


async def _listen(
    settings: BrokerSettings,
    prefix: str,
    wanted: str,
    seconds: float | None,
    show: Callable[[Receiver, asyncio.Event], Awaitable[None]] | None,
) -> dict[str, Any]:
    receiver = Receiver(settings, prefix, wanted, clock=SystemClock(), rng=Random())
    stop = stop_on_signals()
    if seconds is not None:
        asyncio.get_running_loop().call_later(seconds, stop.set)
    listening = asyncio.create_task(receiver.run())
    # It never returns; should it crash, there is nothing left to wait for.
    listening.add_done_callback(lambda _: stop.set())
    if show:
        await show(receiver, stop)
    await stop.wait()
    listening.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await listening
    return _summary(receiver)


async def _live_table(receiver: Receiver, stop: asyncio.Event) -> None:
    from rich.live import Live  # noqa: PLC0415 - only for a terminal
    from rich.text import Text  # noqa: PLC0415

    with Live(auto_refresh=False, transient=True) as live:
        while not stop.is_set():
            live.update(Text(_as_text(_summary(receiver))), refresh=True)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.5):
                    await stop.wait()


def _summary(receiver: Receiver) -> dict[str, Any]:
    return {
        "link": receiver.link,
        "listened": receiver.has_listened,
        "malformed": receiver.library.malformed,
        "stations": {
            station: {
                "state": receiver.states.get(station, "unknown"),
                "packs": books.packs,
                "journals": len(books.volumes),
                "arrived": books.distinct,
                "duplicates": books.duplicates,
                "gaps": books.gaps(),
                "explained": {why.value: count for why, count in books.explained().items()},
                "latest": {
                    series: {
                        "time": iso_utc(reading.utc_ms),
                        "value": reading.value,
                        "status": reading.reason.slug,
                    }
                    for series, reading in sorted(books.latest.items())
                },
            }
            for station, books in sorted(receiver.library.books.items())
        },
    }


def _as_text(summary: dict[str, Any]) -> str:
    """Lay the books out for the eye: a line and a table for each station."""
    parts = [f"{summary['link']}; {summary['malformed']} messages could not be read"]
    for station, books in summary["stations"].items():
        missing = sum(last - first + 1 for first, last in books["gaps"])
        parts.append(
            f"{station} is {books['state']}: {books['arrived']} readings in {books['packs']} packs,"
            f" {books['duplicates']} duplicates, {missing} missing in {len(books['gaps'])} gaps"
            + "".join(f", {count} {why}" for why, count in books["explained"].items())
        )
        rows = [
            [
                series,
                "" if latest["value"] is None else f"{latest['value']:.6g}",
                latest["status"],
                latest["time"],
            ]
            for series, latest in books["latest"].items()
        ]
        parts.append(table(("SERIES", "VALUE (SI)", "STATUS", "TIME"), rows, right=(1,)))
    return "\n\n".join(parts)
