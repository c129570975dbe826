"""Years on the battery, hour by hour: sun, panel, battery, loads, and the shedding of load.

Theory of operation. In every hour the panel gives what the sun of that hour lets it, the loads take
what the present stage leaves on, and the battery takes or gives the difference. What its terminals
then show goes to `edge.energy.stages.Shedding`, the very code that runs in the daemon, and the
stage it says holds for the next hour. So no dwell under an hour shows here, and nothing flaps
faster; and an hour without a voltage is not one in which the voltage is lost.

A controller that cuts off the loads does so below its disconnect voltage, until its reconnect
voltage; the station then goes on in the stage it was in, as after any restart. A battery that is
empty supplies nobody, and makes the controller cut off too, for its voltage gives way. A halted
computer is taken to start again when its stage is left: something in the box has to do that, such
as a controller that switches its supply, or a timer.

The battery is as old as the plan says, all the time. It begins full; but before the hours that
count it has been through the last ones of the weather, so that it begins as it would end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edge.energy.battery import LeadAcid
from edge.energy.stages import Rules, Shedding
from edge.plan.sun import HOURS_A_YEAR, Hours

Numbers = NDArray[np.int64]
Truths = NDArray[np.bool_]

_HOUR_S = 3600.0
# A store for the winter forgets how it began within a year, not within months.
_RUN_IN_HOURS = HOURS_A_YEAR
# The shedding of load judges by three samples; here comes one an hour.
_SEVERAL_SAMPLES = 4
# Reconnect voltage above the disconnect voltage of a cell where none is given; no source.
_RECONNECT_SPAN_V = 0.17

OFF = -1
"""In the record of stages: without power."""


@dataclass(frozen=True, slots=True)
class StageLoad:
    """What is drawn in a stage: W on average; and what becomes of the data."""

    name: str
    watts: float
    measures: bool
    halted: bool


@dataclass(frozen=True, slots=True)
class Box:
    """What a run needs to know of the station. Voltages in V, draws in W."""

    battery: LeadAcid
    rules: Rules
    loads: Sequence[StageLoad]
    """By place on the ladder of the rules."""
    compensated: bool
    """Whether the station knows the battery's temperature."""
    disconnect: float | None = None
    reconnect: float | None = None
    own_draw: float = 0.0
    """Of the controller, also while it has cut off the loads."""


@dataclass(frozen=True)
class Run:
    """What became of the station, hour by hour."""

    loads: Sequence[StageLoad]
    months: Numbers
    """Of a year's hours, from 0."""
    charge: Hours
    """State of charge at the end of every hour, 0 to 1."""
    stage: Numbers
    """Place on the ladder in every hour, or `OFF`."""

    @property
    def years(self) -> int:
        """How many years were run through."""
        return len(self.charge) // HOURS_A_YEAR

    @cached_property
    def lost(self) -> Truths:
        """Hours in which the station was halted or without power."""
        halted = [place for place, load in enumerate(self.loads) if load.halted]
        return np.isin(self.stage, [OFF, *halted])

    @cached_property
    def data_days(self) -> Truths:
        """Days with an hour at least in which something was measured."""
        measuring = [place for place, load in enumerate(self.loads) if load.measures]
        return np.asarray(np.isin(self.stage, measuring).reshape(-1, 24).any(axis=1))

    @property
    def loss_of_load(self) -> float:
        """Share of the hours in which the station was halted or without power."""
        return float(self.lost.mean())

    @property
    def days_without_data(self) -> int:
        """Days in which nothing was measured, in all years."""
        return int((~self.data_days).sum())

    @property
    def lowest(self) -> float:
        """Lowest state of charge."""
        return float(self.charge.min())

    def hours_of(self, place: int, month: int | None = None) -> float:
        """Return the hours a year in a stage, or `OFF`; in one month of them, from 0."""
        found = self.stage == place
        return float(self._of_month(found, month).sum()) / self.years

    def lowest_of(self, month: int) -> float:
        """Return the lowest state of charge in a month of any year."""
        return float(self._of_month(self.charge, month).min())

    def lost_of(self, month: int) -> float:
        """Return the share of a month's hours halted or without power."""
        return float(self._of_month(self.lost, month).mean())

    def days_without_data_of(self, month: int) -> float:
        """Return the days a year without data in a month."""
        days = np.tile(self.months[::24] == month, self.years)
        return float((~self.data_days[days]).sum()) / self.years

    @property
    def worst_year(self) -> int:
        """The year with the most hours lost, or the lowest charge, from 0."""
        lost = self.lost.reshape(self.years, -1).sum(axis=1)
        lowest = self.charge.reshape(self.years, -1).min(axis=1)
        return int(np.lexsort((lowest, -lost))[0])

    def hardest_years(self, number: int) -> list[int]:
        """Return the years of most hours lost and lowest charge, the hardest first."""
        lost = self.lost.reshape(self.years, -1).sum(axis=1)
        lowest = self.charge.reshape(self.years, -1).min(axis=1)
        return [int(year) for year in np.lexsort((lowest, -lost))[:number]]

    def _of_month(self, hours: NDArray[Any], month: int | None) -> NDArray[Any]:
        if month is None:
            return hours
        return np.asarray(hours[np.tile(self.months == month, self.years)])


def run(
    box: Box,
    amperes: Hours,
    celsius: Hours,
    months: Numbers,
    *,
    most_lost: float | None = None,
) -> Run | None:
    """Run through whole years of current from the panel, in A, and warmth, in °C.

    Return None as soon as more than ``most_lost`` of all hours are lost.
    """
    keeper = _Hourly(box)
    run_in = min(_RUN_IN_HOURS, len(celsius))
    given, warmth = amperes.tolist(), celsius.tolist()
    for amount, degrees in zip(given[-run_in:], warmth[-run_in:], strict=True):
        keeper.hour(amount, degrees)
    charge, stage = [], []
    allowed = len(given) if most_lost is None else most_lost * len(given)
    lost = 0
    for amount, degrees in zip(given, warmth, strict=True):
        place = keeper.hour(amount, degrees)
        charge.append(keeper.soc)
        stage.append(place)
        if place == OFF or box.loads[place].halted:
            lost += 1
            if lost > allowed:
                return None
    return Run(box.loads, months, np.array(charge), np.array(stage, dtype=np.int64))


def days_without_sun(box: Box, celsius: float, most: int = 365) -> float:
    """Return for how many days the loads are fed from a full battery, shedding as they do.

    Ends at ``most``, for a station that has shed everything may live on for long.
    """
    keeper = _Hourly(box)
    for hour in range(most * 24):
        place = keeper.hour(0.0, celsius)
        if place == OFF or box.loads[place].halted:
            return hour / 24
    return float(most)


class _Hourly:
    """The station's state from hour to hour."""

    def __init__(self, box: Box) -> None:
        self.soc = 1.0
        self._box = box
        self._battery = box.battery
        self._now = 0.0
        self._cut = False
        heard_in_time = max(box.rules.lost_after, _SEVERAL_SAMPLES * _HOUR_S)
        self._shedding = Shedding(replace(box.rules, lost_after=heard_in_time), 0.0)
        self._disconnect = box.disconnect
        self._reconnect = _reconnect(box)

    def hour(self, given: float, celsius: float) -> int:
        """Go through an hour; return the place on the ladder it was spent at, or `OFF`.

        ``given`` is what the panel gives, in A.
        """
        battery, soc = self._battery, self.soc
        empty = soc <= battery.empty_at(celsius)
        place = OFF if self._cut or empty else self._shedding.index
        at_rest = battery.open_circuit_v(soc)
        watts = self._box.own_draw if place == OFF else self._box.loads[place].watts
        amperes = given - watts / at_rest
        if amperes > 0:
            amperes = min(amperes, battery.accepted(soc, celsius))
        volts = battery.terminal_v(soc, amperes, celsius)
        self.soc = battery.step(soc, amperes, _HOUR_S, celsius)
        self._now += _HOUR_S
        # What runs empty within the hour has not lived through it.
        if amperes < 0 and self.soc <= battery.empty_at(celsius):
            place, empty = OFF, True
        # What is asked of an empty battery it does not give: under that load there is no voltage.
        self._after(0.0 if empty and amperes < 0 else volts, celsius, place)
        return place

    def _after(self, volts: float, celsius: float, place: int) -> None:
        """Let controller and station see the battery's voltage at the end of the hour."""
        if self._disconnect is not None and self._reconnect is not None:
            if self._cut and volts >= self._reconnect:
                self._cut = False
                self._shedding.restore(self._shedding.state(), self._now)
                return
            self._cut = self._cut or volts < self._disconnect
        if place != OFF and not self._cut:
            self._shedding.take(self._now, volts, celsius if self._box.compensated else None)


def _reconnect(box: Box) -> float | None:
    if box.disconnect is None or box.reconnect is not None:
        return box.reconnect
    return box.disconnect + _RECONNECT_SPAN_V * box.battery.cells
