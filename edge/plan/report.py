"""A plan as text for a terminal, and as JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from textwrap import wrap
from typing import Any

from edge.energy.steps import Step
from edge.plan.findings import Findings
from edge.plan.sentences import CAUTIONS, answers, stage_hours, stage_names, verdict
from edge.plan.thresholds import Threshold, thresholds
from edge.text_table import table

Table = tuple[Sequence[str], list[list[str]], Sequence[int]]
"""Heads, rows, and the columns that are flush right."""

_WIDTH = 79


def month_table(found: Findings) -> Table:
    """Return the balance month by month, and what became of the station."""
    stages = stage_names(found)
    heads = (
        "MONTH",
        "LIGHT",
        "PANEL",
        "LOADS",
        "RATIO",
        "LOW",
        *(s.upper() for s in stages[:-1]),
        "OUT",
        "GAP",
    )
    rows = [
        [
            month.name,
            f"{month.light:.2f}",
            f"{month.panel_wh:.0f}",
            f"{month.load_wh:.0f}",
            f"{month.ratio:.2f}",
            f"{month.lowest * 100:.0f}",
            *(f"{hours:.0f}" for hours in month.hours),
            f"{month.days_without_data:.1f}",
        ]
        for month in found.months
    ]
    rows.append(
        [
            "year",
            f"{sum(month.light for month in found.months) / 12:.2f}",
            f"{sum(month.panel_wh for month in found.months) / 12:.0f}",
            f"{found.months[0].load_wh:.0f}",
            "",
            f"{found.run.lowest * 100:.0f}",
            *(f"{hours:.0f}" for hours in stage_hours(found)),
            f"{found.run.days_without_data / found.run.years:.1f}",
        ]
    )
    return heads, rows, range(1, len(heads))


def load_table(found: Findings) -> Table:
    """Return what every load takes, in every stage."""
    heads = ("LOAD", "W", *(one.stage.upper() for one in found.demands))
    rows = [
        [
            line.load,
            f"{line.watts:.2f}",
            *(f"{stage.lines[place].wh_per_day:.1f}" for stage in found.demands),
        ]
        for place, line in enumerate(found.demands[0].lines)
    ]
    rows.append(["all", "", *(f"{one.wh_per_day:.1f}" for one in found.demands)])
    return heads, rows, range(1, len(heads))


def stage_table(found: Findings) -> Table:
    """Return where every stage is entered, in the coldest and in the warmest month."""
    study = found.study
    box = study.box(found.design)
    at = (study.coldest, study.warmest)
    rows = [
        [cold.stage, *(cell for one in (cold, warm) for cell in _entered(one))]
        for cold, warm in thresholds(box.rules, box.battery, box.loads[0].watts, at)
    ]
    heads = ("STAGE", *(cell for celsius in at for cell in (f"AT {celsius:.0f} °C", "CHARGE")))
    return heads, rows, (1, 2, 3, 4)


def _entered(one: Threshold) -> tuple[str, str]:
    return f"{one.volts:.2f} V", f"{one.charge * 100:.0f} %"


def step_table(steps: Sequence[Step]) -> Table:
    """Return the steps of a method."""
    rows = [[step.what, f"{step.value:.4g}", step.unit] for step in steps]
    return ("STEP", "VALUE", ""), rows, (1,)


def change_table(found: Findings) -> Table:
    """Return what single changes do in the hardest years."""
    heads = ("CHANGE", "LOST", "SHED", "LOWEST", "ALONE")
    rows = [
        [
            one.what,
            f"{one.loss_of_load * 8760:.0f}",
            f"{one.shed_hours:.0f}",
            f"{one.lowest * 100:.0f} %",
            f"{one.autonomy_days:.1f}",
        ]
        for one in found.changes
    ]
    return heads, rows, (1, 2, 3, 4)


def circuit_table(found: Findings) -> Table:
    """Return wire and fuse of the box's circuits."""
    heads = ("CIRCUIT", "A", "LENGTH", "AWG", "BEARS", "FUSE", "DROP")
    rows = [
        [
            name,
            f"{section.current.value:.3g}",
            str(section.length),
            f"{wiring.gauge}",
            f"{wiring.ampacity:g} A",
            "none" if wiring.fuse is None else f"{wiring.fuse:g} A",
            f"{wiring.drop_v:.2f} V, {wiring.drop * 100:.1f} %",
        ]
        for name, (section, wiring) in found.circuits.items()
    ]
    return heads, rows, (1, 2, 3, 4, 5, 6)


def objections(found: Findings) -> list[str]:
    """Return what is wrong with the circuits."""
    return [
        f"Circuit {name}: {words}."
        for name, (_, wiring) in found.circuits.items()
        for words in wiring.objections
    ]


def sections(found: Findings) -> list[tuple[str, str, Table]]:
    """Return the tables of a plan: heading, legend, table."""
    tables = [
        (
            "Month by month",
            (
                "LIGHT in the panel's plane, kWh/m² a day; PANEL and LOADS, Wh a day, what the"
                " panel can give and what is drawn while nothing is shed; RATIO of the two; the LOW"
                " of the state of charge, %; hours a year in each stage, and OUT of power; the GAP:"
                " days a year without data"
            ),
            month_table(found),
        ),
        (
            "Loads",
            "W at the battery while on; Wh a day in each stage",
            load_table(found),
        ),
    ]
    if found.sections.energy.stages:
        tables.append(
            (
                "Stages",
                (
                    "The battery's voltage that each is entered at in the coldest and in the"
                    " warmest month, and how far it is then charged: what is below is kept for"
                    " worse days"
                ),
                stage_table(found),
            )
        )
    tables.append(
        (
            "Battery, by the method of IEEE 1013",
            "The autonomy asked for, in the coldest month, while nothing is shed",
            step_table(found.capacity.steps()),
        )
    )
    if found.array is not None:
        tables.append(
            (
                "Panel, by the method of IEEE 1562",
                "For the month with the least light, while nothing is shed",
                step_table(found.array.steps()),
            )
        )
    tables.append(
        (
            "Single changes",
            (
                "In the hardest years: hours a year LOST (halted or without power) and SHED (load"
                " is shed), LOWEST state of charge, and for how many days the battery ALONE feeds"
                " everything"
            ),
            change_table(found),
        )
    )
    if found.circuits:
        legend = (
            "For the currents that the station file gives; copper pair at 60 °C; the wire BEARS so"
            f" much; DROP there and back. To compare: a panel of {found.design.panel_w:g} W can"
            f" give {found.panel_amperes:.1f} A, with a quarter more for bright days, and all loads"
            f" together take {found.load_amperes:.1f} A"
        )
        tables.append(("Circuits", legend, circuit_table(found)))
    return tables


def as_text(found: Findings) -> str:
    """Return the plan for a terminal."""
    parts = [_wrapped(verdict(found)), *(_wrapped(one, "- ") for one in answers(found))]
    for heading, legend, (heads, rows, right) in sections(found):
        parts += ["", heading.upper(), _wrapped(legend), "", table(heads, rows, right)]
    parts += [_wrapped(one, "! ") for one in objections(found)]
    parts += ["", "BEFORE YOU TOUCH ANYTHING", *(_wrapped(one, "- ") for one in CAUTIONS)]
    return "\n".join(parts)


def as_json(found: Findings, seconds: float) -> dict[str, Any]:
    """Return the plan for scripts; numbers that are without bound are null."""
    names = stage_names(found)
    whole: dict[str, Any] = _finite(
        {
            "station": found.station.station.id,
            "survives": found.survives,
            "weather": found.study.weather.source,
            "years": found.run.years,
            "worst_month": found.months[found.worst_month].name,
            "tilt_year_deg": found.for_year.plane.tilt,
            "azimuth_year_deg": found.for_year.plane.azimuth,
            "tilt_worst_month_deg": found.for_worst_month.plane.tilt,
            "azimuth_worst_month_deg": found.for_worst_month.plane.azimuth,
            "panel_w": found.design.panel_w,
            "battery_ah": found.design.battery_ah,
            "panel_w_needed": found.sizes[0].panel_w if found.sizes else None,
            "battery_ah_needed": found.sizes[0].battery_ah if found.sizes else None,
            "sizes": [asdict(one) for one in found.sizes],
            "battery_ah_by_method": found.capacity.rated_ah,
            "panel_w_by_method": found.array.watts if found.array else None,
            "autonomy_days": found.autonomy_days,
            "autonomy_days_while_shedding": found.shedding_days,
            "loss_of_load_probability": found.run.loss_of_load,
            "days_without_data": found.run.days_without_data,
            "lowest_charge": found.run.lowest,
            "stages": dict(zip(names, stage_hours(found), strict=True)),
            "months": [
                {
                    "month": month.name,
                    "plane_kwh_m2_day": month.light,
                    "panel_wh_day": month.panel_wh,
                    "load_wh_day": month.load_wh,
                    "ratio": month.ratio,
                    "lowest_charge": month.lowest,
                    "loss_of_load_probability": month.lost,
                    "days_without_data": month.days_without_data,
                    "stages": dict(zip(names, month.hours, strict=True)),
                }
                for month in found.months
            ],
            "loads": [
                {
                    "stage": one.stage,
                    "wh_day": one.wh_per_day,
                    "publishings_day": one.publishings_per_day,
                    "loads": [{**asdict(line), "wh_day": line.wh_per_day} for line in one.lines],
                }
                for one in found.demands
            ],
            "changes": [asdict(one) for one in found.changes],
            "battery_steps": [step._asdict() for step in found.capacity.steps()],
            "panel_steps": [step._asdict() for step in found.array.steps()] if found.array else [],
            "circuits": {name: asdict(wiring) for name, (_, wiring) in found.circuits.items()},
            "answers": [verdict(found), *answers(found)],
            "seconds": round(seconds, 2),
        }
    )
    return whole


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(one) for one in value]
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value


def _wrapped(text: str, mark: str = "") -> str:
    return "\n".join(
        wrap(
            text,
            _WIDTH,
            initial_indent=mark,
            subsequent_indent=" " * len(mark),
            break_on_hyphens=False,
        )
    )
