"""Panel, charge controller and lead-acid battery of a station, and what draws on them.

Theory of operation. Time is cut into *segments* of some minutes at most, in each of which light,
temperature, loads, currents and voltage stand still, and only the charge goes on. A segment begins
where the one before ended, so the battery is followed forward in time, and any instant that has
passed can still be asked for, in any order. An instant ahead is answered as if nothing were
switched until then. Where something is switched after all (`SolarPower.changing`), the segment
under way ends there, and what was foreseen is forgotten.

In a segment the battery's voltage decides what panel and loads make of it, and the current of both
decides the voltage; halving the span that it must lie in settles that. A controller lets in no more
than the battery accepts at its charging limit. A battery that is empty gives nothing: the loads are
cut off as if by the controller, and where that has no voltages, until it is a little charged again.

What is weeks away hardly depends any more on how charged the battery was: a leap over more than two
months is not followed through, but begun anew a while before where it leads.

Where the station file does not say what a station lives on, it is a small 12 V system that never
runs low.

Times are seconds since 1970-01-01 00:00 UTC.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from edge.energy.battery import LeadAcid
from edge.energy.panel import Panel, panel_current, panel_power
from edge.station.energy import BatterySection, ControllerSection, EnergySection, PanelSection
from hw_fakes.sky import Sky
from hw_fakes.well import DAY_S

LONGEST_SEGMENT_S = 300.0

# What is kept for those who ask for the past; also the longest leap that is followed through, and
# where one that is longer begins anew.
_KEPT_SEGMENTS = round(60 * DAY_S / LONGEST_SEGMENT_S)
_LONGEST_LEAP_S, _RUN_UP_S = 60 * DAY_S, 10 * DAY_S

_CHARGE_AT_START = 0.9
# Of its charge, above empty, before a battery that was empty feeds anything again; no source.
_BARELY_CHARGED = 0.02

# Above its working voltage a panel without a load rises by this; in light this weak it is well on
# the way there (common practice, no source).
_OPEN_TO_WORKING = 1.2
_WEAK_LIGHT = 60.0
_LOST_IN_CONTROLLER_V = 0.3

# The voltage lies between these, a cell, and is found to a fraction of a millivolt.
_LEAST_V, _MOST_V = 1.0, 3.0
_HALVINGS = 16


class Draw(Protocol):
    """What draws on the battery."""

    def watts(self, now: float) -> float:
        """Return what is drawn at an instant."""
        ...

    def until(self, now: float) -> float:
        """Return until when that stays so at most, if nothing is switched."""
        ...


@dataclass(frozen=True, slots=True)
class SteadyDraw:
    """Always draws the same."""

    power: float

    def watts(self, _now: float) -> float:
        """See `Draw`."""
        return self.power

    def until(self, _now: float) -> float:
        """See `Draw`."""
        return math.inf


@dataclass(frozen=True, slots=True)
class Plant:
    """What a station lives on."""

    cells: int
    battery: BatterySection
    panel: PanelSection
    controller: ControllerSection

    def lead_acid(self) -> LeadAcid:
        """Return the battery as formulas."""
        return LeadAcid(
            capacity_ah=self.battery.capacity.value / 3600,
            cells=self.cells,
            peukert=self.battery.peukert,
            self_discharge_month=self.battery.self_discharge.value,
        )

    def solar_panel(self) -> Panel:
        """Return the panel as formulas."""
        panel = self.panel
        per_degree = panel.temperature_coefficient / 100
        return Panel(panel.power.value, panel.voltage.value, per_degree)


def plant_of(energy: EnergySection | None) -> Plant:
    """Return what a station lives on, as its file has it, and for the rest something sensible."""
    cells = energy.cells if energy else 6
    battery = energy and energy.battery
    panel = energy and energy.panel
    controller = energy and energy.controller
    return Plant(
        cells,
        battery or BatterySection.model_validate({"capacity": "24 Ah"}),
        panel
        or PanelSection.model_validate(
            {"power": "60 W", "voltage": f"{3 * cells} V", "tilt": "45 deg"}
        ),
        controller or ControllerSection.model_validate({"kind": "pwm"}),
    )


@dataclass(frozen=True, slots=True)
class Segment:
    """A while in which only the charge changes."""

    begin: float
    end: float
    charge: float
    """From 0 to 1, at the beginning."""
    amperes: float
    """Into the battery; below nought out of it."""
    volts: float
    """At its terminals."""
    celsius: float
    panel_v: float
    panel_w: float
    """What the panel yields."""
    watts: float
    """What is drawn, but for the controller's own."""
    connected: bool
    """Whether the controller lets anything be drawn."""


class SolarPower:
    """A plant under a ``sky``, from ``start`` on; ``air`` gives the temperature in °C."""

    def __init__(
        self, plant: Plant, sky: Sky, start: float, air: Callable[[float], float], draw: Draw
    ) -> None:
        self.plant = plant
        self.draw = draw
        self.sky = sky
        self._battery = plant.lead_acid()
        self._panel = plant.solar_panel()
        self._air = air
        self._start = self._begin = start
        self._segments: list[Segment] = []
        self._begins: list[float] = []

    def battery_v(self, now: float) -> float:
        """Return the battery's voltage at its terminals."""
        return self.at(now).volts

    def panel_v(self, now: float) -> float:
        """Return the panel's voltage."""
        return self.at(now).panel_v

    def charge(self, now: float) -> float:
        """Return the battery's state of charge, from 0 to 1."""
        return self._charge_within(self.at(now), now)

    def connected(self, now: float) -> bool:
        """Tell whether the controller lets anything be drawn."""
        return self.at(now).connected

    def at(self, now: float) -> Segment:
        """Return the segment of an instant; of one before the start, the first."""
        followed = self._segments[-1].end if self._segments else self._begin
        if now - followed > _LONGEST_LEAP_S:
            self._forget_from(0)
            self._begin = self._on_grid(now - _RUN_UP_S)
        while not self._segments or self._segments[-1].end <= now:
            self._append(self._next())
        return self._segments[max(0, bisect_right(self._begins, now) - 1)]

    def changing(self, now: float) -> None:
        """Take note that something is about to be switched."""
        if now <= self._begin:
            self._forget_from(0)
            return
        current = self.at(now)
        index = bisect_right(self._begins, now) - 1
        self._forget_from(index)
        if current.begin < now:
            self._append(replace(current, end=now))

    def _append(self, segment: Segment) -> None:
        if len(self._segments) > 2 * _KEPT_SEGMENTS:
            del self._segments[:_KEPT_SEGMENTS], self._begins[:_KEPT_SEGMENTS]
        self._segments.append(segment)
        self._begins.append(segment.begin)

    def _forget_from(self, index: int) -> None:
        del self._segments[index:], self._begins[index:]

    def _next(self) -> Segment:
        before = self._segments[-1] if self._segments else None
        begin = before.end if before else self._begin
        charge = self._charge_within(before, begin) if before else _CHARGE_AT_START
        regular = self._on_grid(begin) + LONGEST_SEGMENT_S
        connected = self._connects(before, charge)
        end = min(regular, self.draw.until(begin))
        return self._balanced(begin, end, charge, connected=connected)

    def _on_grid(self, now: float) -> float:
        segments = math.floor((now - self._start) / LONGEST_SEGMENT_S)
        return self._start + segments * LONGEST_SEGMENT_S

    def _charge_within(self, segment: Segment, now: float) -> float:
        seconds = min(max(now, segment.begin), segment.end) - segment.begin
        return self._battery.step(segment.charge, segment.amperes, seconds, segment.celsius)

    def _connects(self, before: Segment | None, charge: float) -> bool:
        controller = self.plant.controller
        if before is None:
            return True
        above_empty = charge - self._battery.empty_at(before.celsius)
        if above_empty <= 0:
            return False
        if controller.disconnect is None or controller.reconnect is None:
            return before.connected or above_empty > _BARELY_CHARGED
        if before.connected:
            return before.volts >= controller.disconnect.value
        return before.volts > controller.reconnect.value

    def _balanced(self, begin: float, end: float, charge: float, *, connected: bool) -> Segment:
        """Return the segment in which the currents of panel, loads and battery balance."""
        battery, plant = self._battery, self.plant
        middle = (begin + end) / 2
        celsius = self._air(middle)
        panel = plant.panel
        tilt, azimuth = math.degrees(panel.tilt.value), math.degrees(panel.azimuth.value)
        light = self.sky.light(middle, tilt, azimuth) * (1 - panel.soiling.value)
        watts = self.draw.watts(begin) if connected else 0.0
        empty = charge <= battery.empty_at(celsius)
        own = 0.0 if empty else plant.controller.draw.value

        def into(volts: float) -> float:
            return self._panel_a(light, celsius, volts) - watts / volts - own

        low, high = plant.cells * _LEAST_V, plant.cells * _MOST_V
        for _ in range(_HALVINGS):
            volts = (low + high) / 2
            if battery.terminal_v(charge, into(volts), celsius) > volts:
                low = volts
            else:
                high = volts
        net = into(volts)
        most = battery.accepted(charge, celsius)
        tapers = net > most
        if tapers:
            net = most
            volts = battery.terminal_v(charge, net, celsius)
        given = net + watts / volts + own
        panel_v = _panel_v(plant, light, None if tapers else volts)
        return Segment(
            begin,
            end,
            charge,
            net,
            volts,
            celsius,
            panel_v,
            max(0.0, given) * volts,
            watts,
            connected,
        )

    def _panel_a(self, light: float, celsius: float, volts: float) -> float:
        controller = self.plant.controller
        if controller.kind == "mppt":
            return panel_power(self._panel, light, celsius) * controller.efficiency.value / volts
        return panel_current(self._panel, light, celsius, volts + _LOST_IN_CONTROLLER_V)


def _panel_v(plant: Plant, light: float, battery_v: float | None) -> float:
    """Return the panel's voltage: the battery's, where a controller ties it to that."""
    if light <= 0:
        return 0.0
    tied = plant.controller.kind == "pwm" and battery_v is not None
    working = plant.panel.voltage.value
    loaded = working * (1 if battery_v is not None else _OPEN_TO_WORKING)
    free = loaded * (1 - math.exp(-light / _WEAK_LIGHT))
    return min(free, (battery_v or 0.0) + _LOST_IN_CONTROLLER_V) if tied else free
