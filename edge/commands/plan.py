"""``livezero plan``: whether panel and battery suffice, and what would."""

from __future__ import annotations

import json
from pathlib import Path

import click

from edge.clock import SystemClock
from edge.commands.common import FOUND_WANTING, load_or_exit, refuse, station_argument
from edge.station.loader import located


@click.command("plan")
@station_argument
@click.option("--json", "as_json", is_flag=True, help="Print everything found as JSON.")
@click.option(
    "--html", type=click.Path(path_type=Path), help="Also write one page with plots to this file."
)
@click.option(
    "--years",
    type=click.IntRange(1, 100),
    help="Years of weather; by default the goal's. A typical year is one.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the weather."
)
def command(
    *, station_file: Path, as_json: bool, html: Path | None, years: int | None, seed: int
) -> None:
    """Say whether the station's panel and battery suffice, hour by hour through years of weather.

    Needs the extra plan: pip install -e '.[plan]' in the checkout.

    Exit code 0: the station survives as its file specifies; 1: it does not; 2: bad input.
    """
    clock = SystemClock()
    began = clock.monotonic()
    station = load_or_exit(station_file)
    if html is not None and (html.is_dir() or not html.parent.is_dir()):
        refuse(f"plan: found {html}, expected a file in a directory that is there")
    try:
        from edge.plan.findings import make_plan  # noqa: PLC0415 - an extra
        from edge.plan.needs import PlanError  # noqa: PLC0415
        from edge.plan.report import as_json as in_json  # noqa: PLC0415
        from edge.plan.report import as_text  # noqa: PLC0415
        from edge.plan.typical_year import WeatherFileError  # noqa: PLC0415

        if html is not None:
            from edge.plan.page import page  # noqa: PLC0415 - slow to import
    except ModuleNotFoundError as error:
        refuse(f"plan: found no package {error.name}, expected it: pip install -e '.[plan]'")
    try:
        found = make_plan(station, station_file, years=years, seed=seed)
    except PlanError as error:
        refuse(str(located(station_file, error.faults)))
    except WeatherFileError as error:
        refuse(str(error))
    if html is not None:
        _write(html, page(found))
    if as_json:
        click.echo(json.dumps(in_json(found, clock.monotonic() - began), indent=2))
    else:
        click.echo(as_text(found))
    if not found.survives:
        raise SystemExit(FOUND_WANTING)


def _write(file: Path, text: str) -> None:
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        refuse(f"plan: found {file}, which cannot be written ({error.strerror}), expected a file")
