"""How a bench run looks: a live screen on a terminal, a line now and then elsewhere."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from edge.status import Reason
from hw_fakes.bench_state import BenchState, Show

_REFRESH_S = 0.25
_STEPS = 10
_EVENTS_SHOWN = 8


async def live_screen(state: BenchState) -> None:
    """Show the run on the terminal until cancelled."""
    from rich.console import Group  # noqa: PLC0415 - only for a terminal
    from rich.live import Live  # noqa: PLC0415
    from rich.progress_bar import ProgressBar  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    with Live(auto_refresh=False, transient=True) as live:
        while True:
            live.update(
                Group(
                    Text(heading(state), style="bold"),
                    ProgressBar(total=1.0, completed=state.share_done, width=72),
                    Text(),
                    Text("\n".join(series_lines(state)), no_wrap=True, overflow="ellipsis"),
                    Text(),
                    Text("\n".join(river_lines(state)), no_wrap=True, overflow="ellipsis"),
                    Text(),
                    Text("\n".join(battery_lines(state)), no_wrap=True, overflow="ellipsis"),
                    Text(),
                    Text("\n".join(state.events[-_EVENTS_SHOWN:]), style="dim"),
                ),
                refresh=True,
            )
            await asyncio.sleep(_REFRESH_S)


def plain_lines(echo: Callable[[str], None]) -> Show:
    """Return a way to show the run as a line for every tenth of it, and one for every event."""

    async def show(state: BenchState) -> None:
        said, step = 0, 0
        while True:
            for event in state.events[said:]:
                echo(event)
                said += 1
            if state.share_done * _STEPS >= step:
                lives = "; ".join(line.strip() for line in battery_lines(state))
                echo("; ".join(filter(None, [heading(state), lives, state.daemon.summary()])))
                step += 1
            await asyncio.sleep(_REFRESH_S)

    return show


def heading(state: BenchState) -> str:
    """Name the station and say how far the run is."""
    info = state.plan.station.station
    return (
        f"{info.name or info.id} on the bench: {state.local_time}, "
        f"{state.share_done:.0%}, {state.plan.speed:g} times real time"
    )


def series_lines(state: BenchState) -> list[str]:
    """Return a line for every series: name, value in the station's unit, status."""
    lines = []
    for series in state.daemon.room.series:
        reading = state.daemon.latest.get(series.name)
        if reading is None:
            lines.append(f"  {series.name:<20} {'waiting':>18}")
            continue
        value = (
            "--"
            if reading.value is None
            else f"{series.unit.from_base(reading.value):.3f} {series.unit.symbol}"
        )
        status = "" if reading.reason is Reason.OK else reading.reason.slug
        lines.append(f"  {series.name:<20} {value:>18}  {status}")
    return lines


def river_lines(state: BenchState) -> list[str]:
    """Return the river's three stages: station, link, receiver."""
    books = state.receiver.library.books.get(state.plan.station.station.id)
    arrived, duplicates = (books.distinct, books.duplicates) if books else (0, 0)
    publisher = state.daemon.publisher
    sending = publisher.summary() if publisher else "nothing is sent"
    link = f"cut; {publisher.pending if publisher else 0} readings wait"
    if not state.link.is_cut:
        link = f"up; {sending}"
    return [
        f"  station   {state.daemon.made} readings made, {state.daemon.writer.newest} journalled",
        f"  link      {link}",
        f"  receiver  {arrived} arrived, {duplicates} came twice; broker {state.broker_name}",
    ]


def battery_lines(state: BenchState) -> list[str]:
    """Return how a station with an energy section lives: stage, battery, outputs."""
    if state.plan.station.energy is None or not state.trace.points:
        return []
    step, point = state.trace.steps[-1], state.trace.points[-1]
    stage = f"{step.stage}, since {state.plan.local(step.utc_ms)}"
    battery = f"{point.volts:.2f} V, {point.charge:.0%} charged"
    draws = f"draws {point.watts:.1f} W, the panel gives {point.panel_w:.1f} W"
    outputs = ", ".join(
        f"{name} {'on' if name in point.on else 'off'}" for name in state.hardware.outputs
    )
    return [
        f"  stage     {stage if step.up else f'{stage}; the computer is off'}",
        f"  battery   {battery}; {draws}",
        *([f"  outputs   {outputs}"] if outputs else []),
    ]
