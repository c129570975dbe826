"""Draws how a station lived on its battery in a bench run; needs matplotlib (extra "plan")."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import matplotlib
import matplotlib.dates
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from edge.energy.stages import NORMAL
from edge.station.energy import EnergySection
from hw_fakes.bench_state import BenchPlan
from hw_fakes.energy_account import EnergyAccount
from hw_fakes.promise import HOUR_MS

# Colours that the colour-blind can tell apart (Okabe and Ito, 2008).
_BLUE, _SKY, _ORANGE, _GREEN, _GREY = "#0072B2", "#56B4E9", "#D55E00", "#009E73", "#999999"
_STAGE_COLOURS = ("#E69F00", "#D55E00", "#CC79A7", "#7F3C8D", "#555555")

_INCHES = (11.0, 11.0)
_HEIGHTS = (4, 1.6, 1.8, 2.2)

_ROOM_FOR_LEGEND = 1.25

# Above the highest restore voltage only charging is to be seen.
_HEADROOM_V = 1.2


def plot(plan: BenchPlan, energy: EnergySection, account: EnergyAccount, file: Path) -> None:
    """Write the picture of a run, as the kind of file that its name ends in.

    Raises OSError when it cannot be written.
    """
    figure = Figure(figsize=_INCHES, layout="constrained")
    axes = figure.subplots(4, 1, sharex=True, height_ratios=_HEIGHTS)
    _voltage(axes[0], energy, account)
    _stages(axes[1], energy, account)
    _charge(axes[2], energy, account)
    _readings(axes[3], account)
    info = plan.station.station
    axes[0].set_title(
        f"{info.name or info.id} on the bench: {plan.days:g} days, {plan.weather}", loc="left"
    )
    for one in axes:
        one.grid(visible=True, axis="x", color="0.9")
        one.spines[["top", "right"]].set_visible(False)
    axes[3].set_xlim(*_days([plan.start_utc_ms, plan.end_utc_ms]))
    dates: Any = matplotlib.dates
    zone = ZoneInfo(info.timezone)
    locator = dates.AutoDateLocator(tz=zone, maxticks=14)
    axes[3].xaxis.set_major_locator(locator)
    axes[3].xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, tz=zone))
    axes[3].set_xlabel(f"time where the station is ({info.timezone})")
    # Text that stays text can be searched, and is drawn in the reader's own fonts.
    with matplotlib.rc_context({"svg.fonttype": "none"}):
        figure.savefig(file, dpi=110)


def _voltage(axes: Axes, energy: EnergySection, account: EnergyAccount) -> None:
    points = account.trace.points
    times = _days([point.utc_ms for point in points])
    at_terminals: list[float] = [point.volts for point in points]
    judged = [float("nan") if p.judged is None else p.judged for p in points]
    axes.plot(times, at_terminals, color=_SKY, linewidth=0.8, label="at the terminals")
    axes.plot(
        times, judged, color=_BLUE, linewidth=1.4,
        label=f"as judged: smoothed, as at {energy.reference.value:g} °C",
    )  # fmt: skip
    lowest, highest = min(at_terminals), max(at_terminals)
    for colour, stage in zip(_STAGE_COLOURS * 9, energy.stages, strict=False):
        for volts, style, words in (
            (stage.cutoff.value, "--", "below"),
            (stage.restore.value, ":", "until above"),
        ):
            axes.axhline(volts, color=colour, linestyle=style, linewidth=1)
            axes.annotate(
                f"{stage.name} {words} {volts:.2f} V", (1.005, volts), color=colour, fontsize=7.5,
                xycoords=("axes fraction", "data"), va="center", annotation_clip=False,
            )  # fmt: skip
        lowest = min(lowest, stage.cutoff.value)
    known = [volts for volts in judged if volts == volts]  # noqa: PLR0124 - not those that are nan
    top = max((stage.restore.value for stage in energy.stages), default=highest) + _HEADROOM_V
    axes.set_ylim(min([lowest, *known]) - 0.1, min(highest + 0.2, top))
    axes.set_ylabel("battery voltage, V")
    axes.legend(loc="upper right", fontsize=8, framealpha=0.9)


def _stages(axes: Axes, energy: EnergySection, account: EnergyAccount) -> None:
    names = [NORMAL, *(stage.name for stage in energy.stages)]
    spans = list(account.trace.spans())
    edges = _days([*(span.begin_ms for span in spans), spans[-1].end_ms])
    places = [names.index(span.stage) for span in spans]
    axes.step(edges, [*places, places[-1]], where="post", color=_BLUE, linewidth=2)
    label: str | None = "computer off"
    for span, begin, end in zip(spans, edges, edges[1:], strict=False):
        if not span.up:
            axes.axvspan(begin, end, color="0.8", linewidth=0, label=label)
            label = None
    if label is None:
        axes.legend(loc="lower left", fontsize=8, framealpha=0.9)
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.6, -0.4)
    axes.set_ylabel("stage")
    axes.grid(visible=True, axis="y", color="0.9")


def _charge(axes: Axes, energy: EnergySection, account: EnergyAccount) -> None:
    points = account.trace.points
    times = _days([point.utc_ms for point in points])
    percent = [100 * point.charge for point in points]
    axes.fill_between(times, percent, color=_GREEN, alpha=0.2, linewidth=0)
    axes.plot(times, percent, color=_GREEN, linewidth=1.4)
    if energy.battery is not None:
        deepest = 100 * (1 - energy.battery.depth_limit.value)
        axes.axhline(deepest, color=_ORANGE, linestyle="--", linewidth=1)
        axes.annotate(
            f"depth limit {deepest:.0f} %", (1.005, deepest), color=_ORANGE, fontsize=7.5,
            xycoords=("axes fraction", "data"), va="center", annotation_clip=False,
        )  # fmt: skip
    axes.set_ylim(0, 105)
    axes.set_ylabel("charge, %")


def _readings(axes: Axes, account: EnergyAccount) -> None:
    hours = account.hours
    edges = _days([*(hour.begin_ms for hour in hours), hours[-1].begin_ms + HOUR_MS])
    journalled = [hour.journalled for hour in hours]
    axes.stairs(journalled, edges, fill=True, color=_SKY, alpha=0.6, label="journalled")
    axes.stairs([hour.arrived for hour in hours], edges, color=_BLUE, linewidth=1, label="arrived")
    axes.stairs(
        [hour.promised for hour in hours], edges, color=_ORANGE, linestyle="--",
        linewidth=1, label="promised by the stage",
    )  # fmt: skip
    most = max(max(hour.promised, hour.journalled) for hour in hours)
    axes.set_ylim(0, max(1.0, _ROOM_FOR_LEGEND * most))
    axes.set_ylabel("readings an hour")
    axes.legend(loc="upper right", fontsize=8, ncols=3, framealpha=0.9)


def _days(utc_ms: Iterable[int]) -> list[float]:
    """Return times as matplotlib counts them: days since 1970."""
    return [at / 86_400_000 for at in utc_ms]
