"""A station under study: its design, and what any other design would make of the same weather.

Theory of operation. A `Design` is what may be changed on paper: panel, battery, how the panel
stands, and the station file's own switches. A `Study` runs it through the weather. The light on a
plane and what a panel of 1 W gives there are reckoned once and kept, for they do not depend on
sizes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from edge.energy.battery import LeadAcid
from edge.energy.panel import Panel, panel_current, panel_power
from edge.plan.demand import NOMINAL_CELL_V, StageDemand, demands
from edge.plan.sun import HOURS_A_YEAR, Hours, Plane
from edge.plan.weather import Weather
from edge.plan.year import Box, Run, StageLoad, run
from edge.station.energy import (
    BatterySection,
    ControllerSection,
    EnergySection,
    PanelSection,
)
from edge.station.model import Station

# Of a battery under charge, a cell: what a panel tied to it has to reach. Common practice.
_CHARGING_CELL_V = 2.3


@dataclass(frozen=True, slots=True)
class Sections:
    """The parts of the energy section that a plan cannot do without."""

    energy: EnergySection
    battery: BatterySection
    panel: PanelSection
    controller: ControllerSection


@dataclass(frozen=True, slots=True)
class Design:
    """What may be changed on paper. W at standard test conditions; Ah new, at the 20-hour rate."""

    station: Station
    panel_w: float
    battery_ah: float
    plane: Plane
    mppt: bool

    def bigger(self, *, panel_w: float | None = None, battery_ah: float | None = None) -> Design:
        """Return the design with another panel or battery."""
        return replace(
            self, panel_w=panel_w or self.panel_w, battery_ah=battery_ah or self.battery_ah
        )


def design_of(station: Station, sections: Sections) -> Design:
    """Return the design that the station file describes."""
    panel = sections.panel
    plane = Plane(float(np.degrees(panel.tilt.value)), float(np.degrees(panel.azimuth.value)))
    return Design(
        station,
        panel.power.value,
        sections.battery.capacity.value / 3600.0,
        plane,
        sections.controller.kind == "mppt",
    )


@dataclass
class Study:
    """Designs of one station in one weather.

    ``weather`` is what stations have to live through, ``mean`` what the months are on average.
    """

    sections: Sections
    weather: Weather
    mean: Weather
    _light: dict[tuple[Plane, bool], Hours] = field(default_factory=dict)
    _unit: dict[tuple[Plane, bool, bool], Hours] = field(default_factory=dict)

    # -------------------------------------------------------------------------------- panel, light

    def light(self, plane: Plane, *, mean: bool) -> Hours:
        """Return what falls on a plane, W/m²; on average, or in the years to live through."""
        key = (plane, mean)
        if key not in self._light:
            climate = self.sections.energy.climate
            ground = climate.ground.value if climate else 0.0
            weather = self.mean if mean else self.weather
            self._light[key] = weather.sky.in_plane(weather.light, plane, ground)
        return self._light[key]

    def amperes(self, design: Design, *, mean: bool = False) -> Hours:
        """Return the current from the panel into a battery under charge, in A, hour by hour."""
        return self._unit_amperes(design, mean=mean) * design.panel_w

    def panel_wh(self, design: Design) -> list[float]:
        """Return what the panel can give the battery in a day of each month, in Wh, on average."""
        amperes = self.amperes(design, mean=True)
        months = self.mean.sky.month
        volts = NOMINAL_CELL_V * self.sections.energy.cells
        return [float(amperes[months == one].mean()) * 24 * volts for one in range(12)]

    def _unit_amperes(self, design: Design, *, mean: bool) -> Hours:
        key = (design.plane, design.mppt, mean)
        if key not in self._unit:
            section, controller = self.sections.panel, self.sections.controller
            panel = Panel(1.0, section.voltage.value, section.temperature_coefficient / 100)
            volts = self.charging_v
            clean = self.light(design.plane, mean=mean) * (1 - section.soiling.value)
            air = (self.mean if mean else self.weather).celsius
            hours = zip(clean.tolist(), air.tolist(), strict=True)
            efficiency = controller.efficiency.value
            self._unit[key] = np.array(
                [panel_power(panel, sun, warmth) * efficiency / volts for sun, warmth in hours]
                if design.mppt
                else [panel_current(panel, sun, warmth, volts) for sun, warmth in hours]
            )
        return self._unit[key]

    # ------------------------------------------------------------------------------ battery, loads

    def battery(self, design: Design) -> LeadAcid:
        """Return the battery as it is at the end of its life."""
        section = self.sections.battery
        return LeadAcid(
            design.battery_ah * (1 - section.ageing.value),
            cells=self.sections.energy.cells,
            peukert=section.peukert,
            self_discharge_month=section.self_discharge.value,
        )

    def demands(self, design: Design) -> list[StageDemand]:
        """Return what the design draws in every stage."""
        return demands(design.station, self.sections.energy)

    @property
    def coldest(self) -> float:
        """Mean temperature of the coldest month, °C."""
        return min(self._monthly_celsius)

    @property
    def warmest(self) -> float:
        """Mean temperature of the warmest month, °C."""
        return max(self._monthly_celsius)

    @property
    def _monthly_celsius(self) -> list[float]:
        months, celsius = self.mean.sky.month, self.mean.celsius
        return [float(celsius[months == one].mean()) for one in range(12)]

    @property
    def nominal_v(self) -> float:
        """The battery's nominal voltage."""
        return NOMINAL_CELL_V * self.sections.energy.cells

    @property
    def charging_v(self) -> float:
        """The battery's voltage while it is charged."""
        return _CHARGING_CELL_V * self.sections.energy.cells

    def box(self, design: Design) -> Box:
        """Return what a run needs to know of the design."""
        energy, controller = self.sections.energy, self.sections.controller
        rules = energy.rules()
        loads = [
            StageLoad(one.stage, one.watts, one.measures, stage.effects.halt)
            for one, stage in zip(self.demands(design), rules.ladder, strict=True)
        ]
        return Box(
            self.battery(design),
            rules,
            loads,
            compensated=energy.temperature is not None,
            disconnect=None if controller.disconnect is None else controller.disconnect.value,
            reconnect=None if controller.reconnect is None else controller.reconnect.value,
            own_draw=controller.draw.value * self.nominal_v,
        )

    # ---------------------------------------------------------------------------------------- runs

    def run(self, design: Design, years: Sequence[int] | None = None) -> Run:
        """Run the design through the weather, or through some of its years."""
        result = self._run(design, years, None)
        assert result is not None  # noqa: S101 - nothing was said of how much may be lost
        return result

    def survived(
        self, design: Design, most_lost: float, years: Sequence[int] | None = None
    ) -> Run | None:
        """Return how it went; None, as soon as it is plain, where more of the hours are lost."""
        return self._run(design, years, most_lost)

    def _run(
        self, design: Design, years: Sequence[int] | None, most_lost: float | None
    ) -> Run | None:
        amperes, celsius = self.amperes(design), self.weather.celsius
        if years is not None:
            amperes = _only(amperes, years)
            celsius = _only(celsius, years)
        return run(
            self.box(design),
            amperes,
            celsius,
            self.weather.sky.month,
            most_lost=most_lost,
        )


def _only(hours: Hours, years: Sequence[int]) -> Hours:
    return np.asarray(hours.reshape(-1, HOURS_A_YEAR)[list(years)].reshape(-1))
