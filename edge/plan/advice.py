"""What a plan advises: how the panel should stand, how large it and the battery must be.

Theory of operation. Tilt and azimuth are tried degree by degree on the mean year. The battery is
the smallest that has the autonomy; the panel is found by the hour-by-hour run. Whatever a larger
panel may do, it never does worse, so sizes are found by halving. To be quick that is done in the
hardest years of those to live through; what is found there must then hold in all of them.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

from edge.energy.array import Allowances, Array, mppt_array, pwm_array
from edge.energy.battery import cold_factor
from edge.energy.capacity import Capacity, Draw, battery_capacity
from edge.plan.demand import StageDemand
from edge.plan.study import Design, Study
from edge.plan.sun import Plane, by_month
from edge.plan.year import Run
from edge.station.energy import Goal
from edge.units import Quantity

# Sizes that are made: common practice, no source.
PANELS_W: tuple[float, ...] = (
    *(5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 120.0, 150.0, 180.0, 200.0),
    *(250.0, 300.0, 350.0, 400.0, 500.0, 600.0, 800.0, 1000.0, 1200.0, 1600.0, 2000.0),
)
BATTERIES_AH: tuple[float, ...] = (
    *(1.3, 2.3, 4.5, 7.0, 9.0, 12.0, 18.0, 26.0, 33.0, 40.0, 55.0, 70.0, 80.0, 100.0, 120.0),
    *(150.0, 180.0, 200.0, 250.0, 300.0, 400.0, 500.0, 600.0, 800.0, 1000.0, 1200.0, 1600.0),
    2000.0,
)

_HARDEST_YEARS = 2
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


def normal_draws(demand: StageDemand, nominal_v: float) -> list[Draw]:
    """Return the loads of a stage as currents from the battery."""
    return [
        Draw(line.load, line.watts / nominal_v, line.duty * 24.0)
        for line in demand.lines
        if line.duty > 0
    ]


def capacity_by_method(study: Study, design: Design) -> Capacity:
    """Return the battery that the method of IEEE 1013 asks for, in the normal stage."""
    battery = study.sections.battery
    demand = study.demands(design)[0]
    draws = normal_draws(demand, study.nominal_v)
    # What is on for part of the day runs at its mean: the rate is that of days.
    return battery_capacity(
        [Draw(draw.name, draw.daily_ah / 24.0) for draw in draws],
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


# ------------------------------------------------------------------------------------------- sizes


@dataclass(frozen=True, slots=True)
class Sizes:
    """Panel in W and battery in Ah that do as the goal says; None: none of the sizes tried does."""

    panel_w: float
    battery_ah: float
    shed_hours: float
    """Hours a year in which load is shed then."""


class Sizing:
    """Finds the smallest panel and battery of a study that do as the goal says."""

    def __init__(self, study: Study, design: Design, base: Run) -> None:
        """Begin with ``design``; ``base`` is how it went."""
        self._study = study
        self._design = design
        self._goal: Goal = study.sections.energy.goal
        self._hard = base.hardest_years(_HARDEST_YEARS)

    def smallest(self) -> Sizes | None:
        """Return the smallest battery that has the autonomy, and the smallest panel to go with it.

        Where no panel will do, the battery is made larger.
        """
        first = bisect_left(
            BATTERIES_AH,
            True,
            key=self._lasts,
        )
        for battery in BATTERIES_AH[first:]:
            sizes = self._with_panel(battery)
            if sizes is not None:
                return sizes
        return None

    def _with_panel(self, battery_ah: float) -> Sizes | None:
        """Return the smallest panel that will do with that battery."""
        hard, share = self._hard, self._goal.loss_of_load.value
        # In the hardest years may be lost all that may be lost at all.
        more = share * self._study.weather.years / len(hard)
        first = bisect_left(PANELS_W, True, key=lambda w: self._holds(w, battery_ah, more, hard))
        found = self._first_from(first, lambda w: self._holds(w, battery_ah, share))
        if found is None:
            return None
        went = self._study.run(self._design.bigger(panel_w=found, battery_ah=battery_ah))
        return Sizes(found, battery_ah, shed_hours(went))

    @staticmethod
    def _first_from(first: int, holds: Callable[[float], bool]) -> float | None:
        """Return the smallest panel that holds; most likely it is the first of these."""
        if first < len(PANELS_W) and not holds(PANELS_W[first]):
            first = bisect_left(PANELS_W, True, lo=first + 1, key=holds)
        return PANELS_W[first] if first < len(PANELS_W) else None

    def _lasts(self, battery_ah: float) -> bool:
        bigger = self._design.bigger(battery_ah=battery_ah)
        return autonomy_days(self._study, bigger) * _DAY_S >= self._goal.autonomy.value

    def _holds(
        self, panel_w: float, battery_ah: float, share: float, years: Sequence[int] | None = None
    ) -> bool:
        """Whether a design loses no more than that share of the hours."""
        design = self._design.bigger(panel_w=panel_w, battery_ah=battery_ah)
        return self._study.holds(design, share, years)


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
    hard = base.hardest_years(_HARDEST_YEARS)

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
