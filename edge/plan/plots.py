"""The plots of a plan, as SVG to stand inside a page.

Colours are not those of a file but names: each is drawn in a stand-in of its own, and the stand-in
then replaced by a variable of the page's style, so that one drawing serves light and dark.
"""

from __future__ import annotations

import io
import re
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from edge.plan.findings import Findings
from edge.plan.sentences import stage_names
from edge.plan.sun import DAYS_A_YEAR, HOURS_A_YEAR, MONTHS
from edge.plan.year import OFF

_INK, _FAINT, _PANEL, _LOAD, _CHARGE = "#010203", "#010204", "#010205", "#010206", "#010207"
_LIMIT, _NO_POWER = "#010208", "#010209"
_STAGES = ("#01020a", "#01020b", "#01020c", "#01020d")
_VARIABLES = {
    _INK: "--ink",
    _FAINT: "--faint",
    _PANEL: "--panel",
    _LOAD: "--load",
    _CHARGE: "--charge",
    _LIMIT: "--limit",
    _NO_POWER: "--no-power",
    **{colour: f"--stage-{place}" for place, colour in enumerate(_STAGES, 1)},
}

_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 10,
    "axes.edgecolor": _FAINT,
    "axes.labelcolor": _INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlecolor": _INK,
    "grid.color": _FAINT,
    "grid.linewidth": 0.5,
    "legend.frameon": False,
    "legend.labelcolor": _INK,
    "text.color": _INK,
    "xtick.color": _INK,
    "ytick.color": _INK,
    "xtick.labelcolor": _INK,
    "ytick.labelcolor": _INK,
}
_WIDTH = 8.4


def month_balance(found: Findings) -> str:
    """Draw what the panel can give and what the loads take, month by month."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDTH, 3.1), layout="constrained")
        axes = figure.subplots()
        places = np.arange(12)
        axes.bar(
            places,
            [month.panel_wh for month in found.months],
            width=0.62,
            color=_PANEL,
            label="panel can give",
        )
        colours = [_LOAD, *_STAGES]
        for place, demand in enumerate(found.demands):
            axes.axhline(
                demand.wh_per_day,
                color=colours[min(place, len(_STAGES))],
                linewidth=2,
                linestyle="-" if place == 0 else (0, (4, 2)),
                label=f"loads, {demand.stage}",
            )
        axes.set_xticks(places, MONTHS)
        axes.set_ylabel("Wh a day")
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        axes.tick_params(axis="x", length=0)
        _legend_above(axes)
        return _svg(figure, "balance")


def worst_year(found: Findings) -> str:
    """Draw the state of charge over the worst year, and the stages beneath."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDTH, 3.9), layout="constrained")
        axes, strip = figure.subplots(2, sharex=True, height_ratios=(5, 1.6))
        first = found.run.worst_year * HOURS_A_YEAR
        charge = found.run.charge[first : first + HOURS_A_YEAR].reshape(-1, 24) * 100
        days = np.arange(DAYS_A_YEAR)
        axes.fill_between(
            days, charge.min(axis=1), charge.max(axis=1), color=_CHARGE, alpha=0.45, linewidth=0
        )
        axes.plot(days, charge.min(axis=1), color=_CHARGE, linewidth=1.2, label="lowest of the day")
        limit = (1 - found.sections.battery.depth_limit.value) * 100
        axes.axhline(
            limit, color=_LIMIT, linewidth=1.2, linestyle=(0, (4, 2)), label="limit of discharge"
        )
        axes.set_ylim(0, 102)
        axes.set_ylabel("state of charge, %")
        axes.grid(axis="y")
        _legend_above(axes)
        _stage_strip(strip, found, first)
        starts = np.flatnonzero(np.diff(found.run.months[::24], prepend=-1))
        strip.set_xticks(starts, MONTHS, ha="left")
        strip.set_xlim(0, DAYS_A_YEAR)
        return _svg(figure, "year")


def _stage_strip(axes: Axes, found: Findings, first: int) -> None:
    """Draw for how many hours of every day each stage lasted."""
    stages = found.run.stage[first : first + HOURS_A_YEAR].reshape(-1, 24)
    bottom = np.zeros(DAYS_A_YEAR)
    for place, colour in _shed_colours(found):
        hours = (stages == place).sum(axis=1)
        days = np.flatnonzero(hours)
        axes.bar(days, hours[days], bottom=bottom[days], width=1.0, color=colour, align="edge")
        bottom += hours
    axes.set_ylim(0, 24)
    axes.set_yticks([0, 12, 24])
    axes.set_ylabel("hours shed")


def stages_by_month(found: Findings) -> str:
    """Draw how long load is shed in each month, on average over the years."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDTH, 2.7), layout="constrained")
        axes = figure.subplots()
        places, bottom = np.arange(12), np.zeros(12)
        for place, colour in _shed_colours(found):
            hours = np.array([found.run.hours_of(place, month) for month in range(12)])
            axes.bar(
                places, hours, bottom=bottom, width=0.62, color=colour, label=_name(found, place)
            )
            bottom += hours
        axes.set_ylim(0, max(1.0, bottom.max() * 1.05))
        axes.set_xticks(places, MONTHS)
        axes.set_ylabel("hours a year")
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        axes.tick_params(axis="x", length=0)
        if not bottom.any():
            axes.text(5.5, 0.5, "no load is shed, and power never fails", ha="center")
        _legend_above(axes)
        return _svg(figure, "stages")


def _shed_colours(found: Findings) -> list[tuple[int, str]]:
    """Return what is drawn of the stages: place on the ladder and colour, normal left out."""
    shed = [
        (place, _STAGES[min(place, len(_STAGES)) - 1]) for place in range(1, len(found.demands))
    ]
    return [*shed, (OFF, _NO_POWER)]


def _name(found: Findings, place: int) -> str:
    return stage_names(found)[place]


def _legend_above(axes: Axes) -> None:
    axes.legend(
        loc="lower left",
        bbox_to_anchor=(0, 1),
        ncols=5,
        borderaxespad=0.3,
        handlelength=1.4,
        columnspacing=1.2,
    )


def _svg(figure: Figure, salt: str) -> str:
    """Return the drawing, its colours replaced by the page's own."""
    written = io.StringIO()
    # Ids must differ between the drawings of one page, and not from run to run.
    with mpl.rc_context({"svg.hashsalt": salt}):
        figure.savefig(written, format="svg", transparent=True, metadata={"Date": None})
    text = written.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'<svg ([^>]*?)width="[^"]*" height="[^"]*"', r"<svg \1", text, count=1)
    for colour, variable in _VARIABLES.items():
        text = text.replace(colour, f"var({variable})")
    # Groups are named alike in every drawing; only what is referred to needs its name.
    return re.sub(r'<g id="[^"]*"', "<g", text)
