"""What a plan advises: how the panel should stand, what the paper methods ask for, what helps.

Theory of operation. Tilt and azimuth are tried degree by degree on the mean year. Single changes
are tried in the hardest of the years to live through, hour by hour.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache

from edge.energy.array import Allowances, Array, mppt_array, pwm_array
from edge.energy.battery import cold_factor
from edge.energy.capacity import Capacity, Draw, battery_capacity
from edge.plan.sizes_made import BATTERIES_AH, PANELS_W
from edge.plan.study import Design, Study
from edge.plan.sun import Plane, by_month
from edge.plan.year import Run
from edge.units import Quantity

HARDEST_YEARS = 2
"""How many years stand for all where many designs are tried."""

_DAY_S = 86400.0
# A turned panel should earn its crooked looks.
_WORTH_TURNING = 1.005


# ----------------------------------------------------------------------------- how the panel stands


@dataclass(frozen=True, slots=True)
class Stand:
    """The best tilt and azimuth, degrees, and the light in that plane, kWh/m² a day."""

    plane: Plane
    light: float


def best_stands(study: Study) -> tuple[Stand, Stand]:
    """Return the best stand for the year as a whole, and the best for the worst month."""
    sky, light = study.mean.sky, study.mean.light
    climate = study.sections.energy.climate
    ground = climate.ground.value if climate else 0.0

    @cache
    def months(plane: Plane) -> tuple[float, ...]:
        return tuple(0.024 * one for one in by_month(sky, sky.in_plane(light, plane, ground)))

    towards_equator = 180.0 if sky.place.latitude >= 0 else 0.0
    return (
        _best(lambda plane: sum(months(plane)) / 12, towards_equator),
        _best(lambda plane: min(months(plane)), towards_equator),
    )


def _best(worth: Callable[[Plane], float], towards_equator: float) -> Stand:
    straight = _best_tilt(worth, towards_equator)
    turned = max(
        (Plane(straight.tilt, (towards_equator + turn) % 360) for turn in range(-90, 91, 5)),
        key=worth,
    )
    if worth(turned) < worth(straight) * _WORTH_TURNING:
        return Stand(straight, worth(straight))
    best = _best_tilt(worth, turned.azimuth)
    return Stand(best, worth(best))


def _best_tilt(worth: Callable[[Plane], float], azimuth: float) -> Plane:
    """Return the best plane that looks there; light has a single summit over the tilt."""
    coarse = max(range(0, 91, 10), key=lambda tilt: worth(Plane(float(tilt), azimuth)))
    near = range(max(0, coarse - 9), min(90, coarse + 9) + 1)
    return Plane(float(max(near, key=lambda tilt: worth(Plane(float(tilt), azimuth)))), azimuth)


# -------------------------------------------------------------------------------- the paper methods


def capacity_by_method(study: Study, design: Design) -> Capacity:
    """Return the battery that the method of IEEE 1013 asks for, in the normal stage."""
    battery = study.sections.battery
    lines = study.demands(design)[0].lines
    # What is on for part of the day runs at its mean: the rate is that of days.
    draws = [Draw(line.load, line.watts * line.duty / study.nominal_v) for line in lines]
    return battery_capacity(
        draws,
        days=study.sections.energy.goal.autonomy.value / _DAY_S,
        depth=battery.depth_limit.value,
        left_when_old=max(0.01, 1 - battery.ageing.value),
        temperature_factor=cold_factor(study.coldest),
        peukert=battery.peukert,
    )


def array_by_method(study: Study, design: Design, sun_hours: float) -> Array | None:
    """Return the panel that the method of IEEE 1562 asks for; None where there is no sun."""
    if sun_hours <= 0:
        return None
    panel, controller = study.sections.panel, study.sections.controller
    daily_ah = study.demands(design)[0].wh_per_day / study.nominal_v
    allowances = Allowances(derate=max(0.01, 1 - panel.soiling.value))
    if design.mppt:
        efficiency = controller.efficiency.value
        return mppt_array(daily_ah, sun_hours, study.charging_v, allowances, efficiency=efficiency)
    return pwm_array(daily_ah, sun_hours, panel.voltage.value, allowances)


def autonomy_days(study: Study, design: Design) -> float:
    """Return for how many days the battery alone feeds the normal stage.

    Down to its depth limit, at the end of its life, in the coldest month.
    """
    watts = study.demands(design)[0].watts
    if watts <= 0:
        return float("inf")
    amperes = watts / study.nominal_v
    held = study.battery(design).capacity_at(study.coldest, amperes)
    return held * study.sections.battery.depth_limit.value / amperes / 24.0


def shed_hours(went: Run) -> float:
    """Return the hours a year in which load was shed."""
    return sum(went.hours_of(place) for place in range(1, len(went.loads)))


# --------------------------------------------------------------------------------- what helps most


@dataclass(frozen=True, slots=True)
class Change:
    """A single change, and what became of the station in its hardest years."""

    what: str
    loss_of_load: float
    shed_hours: float
    """Hours a year in which load was shed."""
    lowest: float
    autonomy_days: float

    def shortfalls(self, goal_days: float) -> tuple[float, float, float]:
        """Return what is to be made less, the worst first: loss, days lacking, hours shed."""
        return self.loss_of_load, max(0.0, goal_days - self.autonomy_days), self.shed_hours


def changes(study: Study, design: Design, base: Run, worst: Stand) -> list[Change]:
    """Return single changes, the one that helps most first; the first entry is "as it is"."""
    hard = base.hardest_years(HARDEST_YEARS)

    def tried(what: str, other: Design) -> Change:
        went = study.run(other, hard)
        alone = autonomy_days(study, other)
        return Change(what, went.loss_of_load, shed_hours(went), went.lowest, alone)

    found = [tried(what, other) for what, other in _candidates(study, design, worst)]
    goal_days = study.sections.energy.goal.autonomy.value / _DAY_S
    found.sort(key=lambda one: (*one.shortfalls(goal_days), -one.lowest))
    return [tried("as it is", design), *found]


def _candidates(study: Study, design: Design, worst: Stand) -> Iterator[tuple[str, Design]]:
    panel = next((size for size in PANELS_W if size > design.panel_w), None)
    if panel is not None:
        yield f"a panel of {panel:g} W", design.bigger(panel_w=panel)
    battery = next((size for size in BATTERIES_AH if size > design.battery_ah), None)
    if battery is not None:
        yield f"a battery of {battery:g} Ah", design.bigger(battery_ah=battery)
    if (
        abs(worst.plane.tilt - design.plane.tilt) >= 1
        or worst.plane.azimuth != design.plane.azimuth
    ):
        words = f"the panel at {worst.plane.tilt:.0f} deg, looking to {worst.plane.azimuth:.0f} deg"
        yield words, replace(design, plane=worst.plane)
    if not design.mppt:
        yield "an MPPT controller", replace(design, mppt=True)
    station = design.station
    uplink = station.uplink
    if uplink is not None and uplink.supply is not None and uplink.stay_connected:
        parted = uplink.model_copy(update={"stay_connected": False})
        yield "stay_connected = false", _with(design, uplink=parted)
    yield from _slower(study, design)


def _slower(study: Study, design: Design) -> Iterator[tuple[str, Design]]:
    """Yield sampling and publishing half as often, where either changes what is drawn."""
    station = design.station
    now = study.demands(design)[0].wh_per_day
    sampled = {
        name: channel.model_copy(update={"sample": _twice(channel.sample)})
        for name, channel in station.measured.items()
    }
    slower = {"sampling half as often": _with(design, channels={**station.channels, **sampled})}
    if station.uplink is not None:
        seldom = station.uplink.model_copy(update={"publish": _twice(station.uplink.publish)})
        slower["publishing half as often"] = _with(design, uplink=seldom)
    for what, other in slower.items():
        if study.demands(other)[0].wh_per_day < now:
            yield what, other


def _twice(one: Quantity) -> Quantity:
    return replace(one, value=2 * one.value)


def _with(design: Design, **sections: object) -> Design:
    return replace(design, station=design.station.model_copy(update=sections))
