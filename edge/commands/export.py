"""``livezero export``: the journal as CSV or SenML."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import click

from edge.commands.common import load_or_exit, refuse, station_argument
from edge.journal.export import JournalReader, write_csv
from edge.journal.journal import JournalError
from edge.readings import Journalled
from edge.station.loader import journal_path
from edge.station.model import Station
from edge.uplink.senml import encode


def _instant(_ctx: click.Context, _param: click.Parameter, text: str | None) -> int | None:
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(
            f"found {text!r}, expected ISO 8601 with a zone, such as 2026-03-01T00:00Z"
        ) from None
    if moment.tzinfo is None:
        raise click.BadParameter(
            f"found {text!r} without a zone, expected one, such as Z or -07:00"
        )
    return round(moment.timestamp() * 1000)


@click.command("export")
@station_argument
@click.option("--journal", type=click.Path(path_type=Path), help="Read this file instead.")
@click.option(
    "--format", "style", type=click.Choice(["csv", "senml"]), default="csv", show_default=True
)
@click.option("--from", "since", callback=_instant, help="From this time on (ISO 8601, zoned).")
@click.option("--to", "until", callback=_instant, help="Before this time.")
@click.option("--series", multiple=True, help="Only this series; may be repeated.")
def command(
    *,
    station_file: Path,
    journal: Path | None,
    style: str,
    since: int | None,
    until: int | None,
    series: tuple[str, ...],
) -> None:
    """Print readings from the station's journal; the daemon may go on meanwhile.

    CSV has one line a reading. SenML (RFC 8428) has one JSON pack a line.
    """
    station = load_or_exit(station_file)
    path = journal or journal_path(station, station_file, os.environ)
    try:
        reader = JournalReader(path)
    except JournalError as error:
        refuse(str(error))
    unknown = sorted(set(series) - set(reader.base_units))
    if unknown:
        refuse(
            f"{path}: found no series {', '.join(unknown)}, "
            f"expected some of {', '.join(reader.base_units)}"
        )
    if since is not None and until is not None and since >= until:
        refuse("export: found --from not before --to, expected a span of time")
    rows = reader.rows(since, until, series)
    try:
        _write(rows, style, reader, station)
        sys.stdout.flush()
    except BrokenPipeError:
        raise  # click knows how to end quietly
    except OSError as error:
        refuse(f"export: cannot write: {error.strerror}")


def _write(rows: Iterator[Journalled], style: str, reader: JournalReader, station: Station) -> None:
    if style == "csv":
        shown = {one.name: one.unit for one in station.series()}
        write_csv(rows, sys.stdout, reader.base_units | shown)
    else:
        for pack in reader.in_packs(rows):
            click.echo(encode(pack, station.station.id, reader.senml_units).decode())
