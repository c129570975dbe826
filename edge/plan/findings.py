"""All of a plan: from a station file to everything that is found, ready to be written down."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from edge.energy.array import Array
from edge.energy.capacity import Capacity
from edge.energy.circuits import Circuit, Wiring, wire_circuit
from edge.plan.advice import (
    Change,
    Stand,
    array_by_method,
    autonomy_days,
    best_stands,
    capacity_by_method,
    changes,
)
from edge.plan.demand import StageDemand
from edge.plan.needs import sections_of
from edge.plan.sizing import Sizes, Sizing
from edge.plan.study import Design, Sections, Study, design_of
from edge.plan.sun import DAYS_OF_MONTH, MONTHS, Place, Sky, by_month
from edge.plan.typical_year import kilometres, read_year
from edge.plan.weather import Weather, mean_year, random_years
from edge.plan.year import OFF, Run, days_without_sun
from edge.station.energy import BoxCircuit, Climate
from edge.station.model import Station
from edge.station.section import value_of
from edge.uplink.hours import WINDOW

_FAR_KM = 50.0


@dataclass(frozen=True, slots=True)
class Month:
    """A month's balance. Light in kWh/m² a day, Wh a day, hours and days a year, charge 0 to 1."""

    name: str
    light: float
    panel_wh: float
    load_wh: float
    lowest: float
    hours: tuple[float, ...]
    """Hours a year in every stage, and at last those without power."""
    lost: float
    """Share of the hours halted or without power."""
    days_without_data: float

    def lacking_ah(self, volts: float) -> float:
        """Return what the panel cannot give of what the loads take in the month, in Ah."""
        days = DAYS_OF_MONTH[MONTHS.index(self.name)]
        return max(0.0, self.load_wh - self.panel_wh) * days / volts

    @property
    def ratio(self) -> float:
        """What the panel can give, by what the loads take in the normal stage."""
        return self.panel_wh / self.load_wh if self.load_wh else float("inf")


@dataclass(frozen=True)
class Findings:
    """Everything a plan has found."""

    station: Station
    sections: Sections
    design: Design
    study: Study
    demands: Sequence[StageDemand]
    months: Sequence[Month]
    run: Run
    autonomy_days: float
    shedding_days: float
    """The same while load is shed, until the station is halted or without power."""
    for_year: Stand
    for_worst_month: Stand
    capacity: Capacity
    array: Array | None
    sizes: Sequence[Sizes]
    """Pairs of panel and battery that would do; none where no size that is made would."""
    changes: Sequence[Change]
    """The first is the station as it is."""
    circuits: dict[str, tuple[BoxCircuit, Wiring]]
    notes: Sequence[str]
    """Limits of what was reckoned, in sentences."""

    @property
    def panel_amperes(self) -> float:
        """What the panel's circuit must be made for, in A: its rated current and a quarter more."""
        return 1.25 * self.design.panel_w / self.sections.panel.voltage.value

    @property
    def load_amperes(self) -> float:
        """What all loads take from the battery together, if all are on, in A."""
        return sum(line.watts for line in self.demands[0].lines) / self.study.nominal_v

    @property
    def worst_month(self) -> int:
        """The month with the lowest ratio of what the panel can give to what the loads take."""
        return min(range(12), key=lambda one: self.months[one].ratio)

    @property
    def lasts(self) -> bool:
        """Whether the battery alone lasts as long as it should."""
        return self.autonomy_days * 86400.0 >= self.sections.energy.goal.autonomy.value

    @property
    def survives(self) -> bool:
        """Whether all is as the goal says."""
        return self.lasts and self.run.loss_of_load <= self.sections.energy.goal.loss_of_load.value


def make_plan(
    station: Station, station_file: Path, *, years: int | None = None, seed: int = 1
) -> Findings:
    """Plan for a station. ``years`` of weather are those of the goal unless given.

    Raises PlanError where the station file does not say enough, WeatherFileError where its file of
    weather cannot be used.
    """
    sections = sections_of(station)
    energy = sections.energy
    climate = energy.climate or Climate()
    place = Place(
        station.station.latitude or 0.0,
        station.station.longitude or 0.0,
        value_of(station.station.elevation) or 0.0,
    )
    weather, mean = _weather(climate, place, station_file, years or energy.goal.years, seed)
    study = Study(sections, weather, mean)
    design = design_of(station, sections)
    went = study.run(design)
    demands = study.demands(design)
    stands = best_stands(study)
    months = _months(study, design, went, demands)
    worst_light = min(month.light for month in months)
    found = Findings(
        station=station,
        sections=sections,
        design=design,
        study=study,
        demands=demands,
        months=months,
        run=went,
        autonomy_days=autonomy_days(study, design),
        shedding_days=days_without_sun(study.box(design), study.coldest),
        for_year=stands[0],
        for_worst_month=stands[1],
        capacity=capacity_by_method(study, design),
        array=array_by_method(study, design, worst_light),
        sizes=(),
        changes=changes(study, design, went, stands[1]),
        circuits=_circuits(study),
        notes=list(_notes(study, design, place, station)),
    )
    pairs = Sizing(study, design, went).pairs(survives=found.survives)
    return replace(found, sizes=pairs)


def _weather(
    climate: Climate, place: Place, station_file: Path, years: int, seed: int
) -> tuple[Weather, Weather]:
    """Return the weather to live through, and the mean one."""
    if climate.typical_year is not None:
        typical = read_year(station_file.parent / climate.typical_year)
        return typical, typical
    sky = Sky(place)
    clearness = climate.clearness or []
    celsius = [one.value for one in climate.temperature or []]
    return random_years(sky, clearness, celsius, years, seed), mean_year(sky, clearness, celsius)


def _months(study: Study, design: Design, went: Run, demands: Sequence[StageDemand]) -> list[Month]:
    light = by_month(study.mean.sky, study.light(design.plane, mean=True))
    panel = study.panel_wh(design)
    places = [*range(len(demands)), OFF]
    return [
        Month(
            name=name,
            light=light[one] * 0.024,
            panel_wh=panel[one],
            load_wh=demands[0].wh_per_day,
            lowest=went.lowest_of(one),
            hours=tuple(went.hours_of(place, one) for place in places),
            lost=went.lost_of(one),
            days_without_data=went.days_without_data_of(one),
        )
        for one, name in enumerate(MONTHS)
    ]


def _circuits(study: Study) -> dict[str, tuple[BoxCircuit, Wiring]]:
    found = {}
    for name, section in study.sections.energy.circuits.items():
        circuit = Circuit(
            section.current.value,
            section.length.value,
            study.nominal_v,
            value_of(section.surge),
            section.most_drop.value,
            section.gauge,
            value_of(section.fuse),
        )
        found[name] = (section, wire_circuit(circuit))
    return found


def _notes(study: Study, design: Design, place: Place, station: Station) -> list[str]:
    notes = []
    if place.is_polar:
        notes.append(
            "The station is beyond the polar circle: there are days without any sun, and nothing a"
            " panel can do about them. Only a battery for all of them, or another source, helps."
        )
    if station.station.longitude is None and study.weather is not study.mean:
        notes.append("No longitude is given; for the light of a day it does not matter.")
    apart = kilometres(place, study.weather.sky.place)
    if apart > _FAR_KM:
        notes.append(
            f"The file of weather is from a place {apart:.0f} km from the station: its sun and its"
            " weather are taken as they are."
        )
    if study.weather.years < 3:
        notes.append(
            "With less than some ten years of weather the rare dull spell may be missing, and with"
            " it the worst that will happen."
        )
    battery = study.battery(design)
    coldest = float(np.min(study.weather.celsius))
    notes += _of_halting(study)
    notes += _of_a_lost_link(study, design)
    if battery.may_freeze(1 - study.sections.battery.depth_limit.value, coldest):
        notes.append(
            f"At {coldest:.0f} °C, as in the coldest hour here, a battery discharged to its limit"
            " freezes, which destroys it. Keep it fuller, or warmer: in the ground, insulated."
        )
    return notes


def _of_halting(study: Study) -> Iterator[str]:
    halting = [one for one in study.sections.energy.rules().stages if one.effects.halt]
    if not halting:
        return
    yield (
        "A halted computer is taken to start again once the battery has recovered: something in the"
        " box must see to that, such as a timer that switches its supply."
    )
    disconnect = study.sections.controller.disconnect
    if disconnect is None or disconnect.value < halting[0].cutoff:
        does = (
            "cuts nothing off" if disconnect is None else f"cuts off below {disconnect.value:g} V"
        )
        yield (
            f"The controller will not: it {does}, and the computer is halted at"
            f" {halting[0].cutoff:g} V. If the sun comes back in between, the supply is never"
            " switched, and the station stays halted until somebody comes."
        )


def _of_a_lost_link(study: Study, design: Design) -> Iterator[str]:
    uplink = design.station.uplink
    if uplink is None or uplink.supply is None or uplink.stay_connected:
        return
    normal = study.demands(design)[0]
    watts = sum(
        load.power.value / load.efficiency.value
        for load in study.sections.energy.loads.values()
        if load.output == uplink.supply and load.per_publish is None
    )
    hours = min(24.0, normal.publishings_per_day * WINDOW / 3600.0)
    yield (
        f"While the broker cannot be reached, the link is tried for up to {WINDOW / 60:g} min at"
        f" every publishing, and may take {watts * hours:.0f} Wh a day in the normal stage. The"
        " plan has it reached every time."
    )
