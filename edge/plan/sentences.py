"""What a plan found, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from edge.plan.advice import Change
from edge.plan.findings import Findings
from edge.plan.sun import MONTHS
from edge.plan.year import OFF

_REACH = 0.02

CAUTIONS = (
    (
        "A battery can feed hundreds of amperes into a fault: put a fuse at its terminal, before"
        " anything else."
    ),
    (
        "On charge it gives off hydrogen, which explodes: let its box breathe to the open air, and"
        " keep sparks away."
    ),
    (
        "Mind the polarity: a battery or panel the wrong way round destroys the controller, and may"
        " start a fire. Connect the battery before the panel, and part them the other way."
    ),
    (
        "A panel in the sun cannot be switched off. Fuses and switches must be made for direct"
        " current at its open voltage."
    ),
    (
        "Local codes go before anything said here; leave the work to those licensed for it where"
        " they say so."
    ),
)


def verdict(found: Findings) -> str:
    """Return the answer in one sentence."""
    name = found.station.station.name or found.station.station.id
    if found.survives:
        return f"{name} survives as specified."
    return f"{name} does not survive as specified: {' and '.join(_shortfalls(found))}."


def _shortfalls(found: Findings) -> Iterator[str]:
    goal = found.sections.energy.goal
    if found.run.loss_of_load > goal.loss_of_load.value:
        yield (
            f"it is halted or without power in {_share(found.run.loss_of_load)} of the hours, where"
            f" {_share(goal.loss_of_load.value)} may be"
        )
    if not found.lasts:
        yield (
            f"the battery alone lasts {_days(found.autonomy_days)}, where"
            f" {_days(goal.autonomy.value / 86400.0)} are asked for"
        )


def answers(found: Findings) -> list[str]:
    """Return what people want to know of a plan, a few sentences each."""
    return [
        _premises(found),
        _balance(found),
        _years(found),
        _autonomy(found),
        _stand(found),
        _sizes(found),
        _help(found),
        *found.notes,
    ]


def _premises(found: Findings) -> str:
    aged = found.study.battery(found.design).capacity_ah
    return (
        f"Reckoned hour by hour, with {found.study.weather.source}; with the battery as it is at"
        f" the end of its life ({aged:.3g} of {found.design.battery_ah:.3g} Ah)"
        + (
            ", and with load shed as the station does."
            if found.sections.energy.stages
            else "; the station has no stages to shed load in."
        )
    )


def _balance(found: Findings) -> str:
    worst = found.months[found.worst_month]
    judged = (
        "more than the loads take, as it should be"
        if worst.ratio >= 1.2
        else "hardly more than the loads take: too little to fill the battery again"
        if worst.ratio >= 1
        else "less than the loads take: the battery must bridge the month, and gives"
        f" {worst.lacking_ah(found.study.nominal_v):.0f} Ah more than it gets"
    )
    return (
        f"The worst month is {worst.name}: in a day of it the panel can give"
        f" {worst.panel_wh:.0f} Wh and the loads take {worst.load_wh:.0f} Wh. That is {judged}"
        f" (ratio {worst.ratio:.2f})."
    )


def _years(found: Findings) -> str:
    run = found.run
    years = "year" if run.years == 1 else f"{run.years} years"
    lost = run.loss_of_load * 8760
    gaps = f"{run.days_without_data / run.years:.1f} days a year are"
    if not run.days_without_data:
        gaps = "no day is"
    parts = [
        (
            f"In the {years} it is halted or without power for {lost:.0f} h a year"
            f" ({_share(run.loss_of_load)} of the hours, the loss-of-load probability), and"
            f" {gaps} without data."
        ),
        f"The lowest state of charge is {run.lowest * 100:.0f} %.",
    ]
    if run.hours_of(OFF) and run.lowest > _REACH:
        parts.append("The rest is out of reach: a cold battery is empty before it is discharged.")
    shed = [
        f"{run.hours_of(place):.0f} h in {load.name}" for place, load in enumerate(run.loads[1:], 1)
    ]
    if shed:
        parts.append(f"Load is shed for so long a year: {', '.join(shed)}.")
    limit = 1 - found.sections.battery.depth_limit.value
    if run.lowest < limit:
        parts.append(
            f"That is below the {limit * 100:.0f} % to which the battery may be discharged: it will"
            " not live as long as it could."
        )
    return " ".join(parts)


def _autonomy(found: Findings) -> str:
    goal = found.sections.energy.goal.autonomy.value / 86400.0
    text = (
        f"In the coldest month the battery alone feeds everything for {_days(found.autonomy_days)};"
        f" {_days(goal)} are asked for."
    )
    if found.sections.energy.stages:
        text += (
            f" Shedding load the station lives for {_days(found.shedding_days)}"
            f"{' at least' if found.shedding_days >= 365 else ''} from a full battery."
        )
    return text


def _stand(found: Findings) -> str:
    year, worst, now = found.for_year, found.for_worst_month, found.design.plane
    return (
        f"The panel stands at {now.tilt:.0f} deg and looks to {now.azimuth:.0f} deg. For the most"
        f" light in a year it should stand at {year.plane.tilt:.0f} deg and look to"
        f" {year.plane.azimuth:.0f} deg; for the most in the worst month at"
        f" {worst.plane.tilt:.0f} deg, looking to {worst.plane.azimuth:.0f} deg"
        f" ({worst.light:.2f} kWh/m² a day then, now {found.months[_darkest(found)].light:.2f})."
    )


def _darkest(found: Findings) -> int:
    return min(range(len(MONTHS)), key=lambda one: found.months[one].light)


def _sizes(found: Findings) -> str:
    if not found.sizes:
        return (
            "No panel up to 2000 W and battery up to 2000 Ah would do as specified: the loads must"
            " fall, or the goal, or another source must help."
        )
    first, *others = found.sizes
    by_method = f" (by the method of IEEE 1562, {found.array.watts:.0f} W)" if found.array else ""
    shed = f", with load shed for {first.shed_hours:.0f} h a year" if first.shed_hours >= 1 else ""
    words = list(_too_small(found))
    words.append(
        f"With a battery of {first.battery_ah:g} Ah the smallest panel that would do as specified"
        f" is one of {first.panel_w:g} W{by_method}{shed}."
    )
    words += [f"With {one.battery_ah:g} Ah it is one of {one.panel_w:g} W." for one in others]
    return " ".join(words)


def _too_small(found: Findings) -> Iterator[str]:
    if not found.lasts:
        yield f"The battery of {found.design.battery_ah:.4g} Ah is too small."
    if not found.survives and found.sizes[0].panel_w > found.design.panel_w:
        yield f"The panel of {found.design.panel_w:.4g} W is too small."


def _help(found: Findings) -> str:
    now, *others = found.changes
    days = found.sections.energy.goal.autonomy.value / 86400.0
    if not any(now.shortfalls(days)):
        return "No load is shed even in the hardest years: nothing needs to change."
    best = min(others, key=lambda one: one.shortfalls(days), default=now)
    if best.shortfalls(days) >= now.shortfalls(days):
        return "No single change tried makes it better: see the table."
    words = [f"shedding load for {best.shed_hours:.0f} h a year instead of {now.shed_hours:.0f} h"]
    if now.loss_of_load:
        words.append(
            f"halted or without power for {best.loss_of_load * 8760:.0f} h instead of"
            f" {now.loss_of_load * 8760:.0f} h"
        )
    if best.autonomy_days != now.autonomy_days:
        words.append(
            f"fed by the battery alone for {_days(best.autonomy_days)} instead of"
            f" {_days(now.autonomy_days)}"
        )
    text = (
        f"The single change that helps most: {best.what}. In the hardest years the station is then:"
        f" {'; '.join(words)}."
    )
    if found.survives or _rescues(best, found):
        return text
    largest = max(found.demands[0].lines, key=lambda line: line.wh_per_day)
    return (
        f"{text} That alone does not make it survive. The largest load is {largest.load}:"
        f" {largest.wh_per_day:.0f} of {found.demands[0].wh_per_day:.0f} Wh a day."
    )


def _rescues(change: Change, found: Findings) -> bool:
    goal = found.sections.energy.goal
    lasts = change.autonomy_days * 86400.0 >= goal.autonomy.value
    return lasts and change.loss_of_load <= goal.loss_of_load.value


def stage_names(found: Findings) -> list[str]:
    """Return the names of the stages, and of the state without power."""
    return [*(one.stage for one in found.demands), "no power"]


def stage_hours(found: Findings) -> list[float]:
    """Return the hours a year in each of them."""
    return [found.run.hours_of(place) for place in (*range(len(found.demands)), OFF)]


def _share(share: float) -> str:
    return f"{share * 100:.3g} %"


def _days(days: float) -> str:
    return f"{days:.3g} days"
