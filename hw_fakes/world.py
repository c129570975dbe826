"""The world around a simulated station, as a function of time.

Any instant can be asked for, in any order, and the same seed always gives the same answer. Times
are UTC milliseconds; values are in the base units of `edge.units`.
"""

from __future__ import annotations

import math
from random import Random

from edge.station.energy import EnergySection
from edge.station.model import Station
from hw_fakes.power import SolarPower, SteadyDraw, plant_of
from hw_fakes.sky import Sky, Weather
from hw_fakes.well import DAY_S, REST_AT_START_S, PumpedWell, Run

_YEAR_S = 365.25 * DAY_S
_WATER_N_PER_M3 = 1000 * 9.80665

_REST_LEVEL_M = 24.0
_SEASONAL_M = 0.6
# Barometric waves in the water level: period in days, amplitude in metres.
_BAROMETRIC = ((5.3, 0.035), (2.1, 0.018), (1.0, 0.006))
_BAROMETRIC_EFFICIENCY = 0.5
_AIR_PA = 82_300.0

_RATED_FLOW = 0.76e-3  # 12 gallons a minute
_LIFT_AT_REST_M = 60.0
# What the flow loses for every metre of lift: a pump curve, straightened near its working point.
_LOSS_PER_METRE = 0.008
_RUN_TO_RUN = 0.01

_TANK_HEAD_M = 28.0
_FRICTION_M = 7.0

# What a station draws, in watts, whose file does not say.
_DRAW = 2.0

# Where the Ash Creek wells are.
_LATITUDE, _LONGITUDE = 39.76, -105.2


class World:
    """A pumped well with a solar-powered station, from ``start_utc_ms`` on.

    ``latitude`` and ``longitude`` (degrees, north and east positive) say where the sun is,
    ``energy`` what the station lives on. The pump rests for the first ``rest`` seconds.
    """

    def __init__(
        self,
        seed: int,
        start_utc_ms: int,
        *,
        latitude: float = _LATITUDE,
        longitude: float = _LONGITUDE,
        weather: Weather = "fair",
        energy: EnergySection | None = None,
        rest: float = REST_AT_START_S,
    ) -> None:
        self.seed = seed
        rng = Random(f"weather {seed}")
        self._phases = [rng.uniform(0, 2 * math.pi) for _ in _BAROMETRIC]
        start = start_utc_ms / 1000
        self._well = PumpedWell(seed, start, self._flow_of_run, rest=rest)
        self._noon = DAY_S / 2 - longitude * 240
        climate = energy.climate if energy else None
        monthly = climate.temperature if climate else None
        self._monthly_c = [month.value for month in monthly] if monthly else None
        self.power = SolarPower(
            plant_of(energy),
            Sky(seed, start, latitude, longitude, weather),
            start,
            lambda now: self.temperature_c(now * 1000),
            SteadyDraw(_DRAW),
        )
        """What the station lives on."""

    def level_m(self, t_ms: float) -> float:
        """Return the height of the water above the transducer, in metres."""
        return self.static_level_m(t_ms) - self.drawdown_m(t_ms)

    def static_level_m(self, t_ms: float) -> float:
        """Return where the water would stand without the pump, in metres above the transducer."""
        return self._static_level(t_ms / 1000)

    def drawdown_m(self, t_ms: float) -> float:
        """Return by how much the pump has lowered the water, in metres."""
        return self._well.drawdown(t_ms / 1000)

    def flow_m3s(self, t_ms: float) -> float:
        """Return what the pump yields, in m³/s."""
        return self._well.flow(t_ms / 1000)

    def pump_running(self, t_ms: float) -> bool:
        """Tell whether the pump is on."""
        return self.flow_m3s(t_ms) > 0

    def volume_m3(self, t_ms: float) -> float:
        """Return the volume pumped since the start, in m³: the exact integral of the flow."""
        return self._well.volume(t_ms / 1000)

    def discharge_pa(self, t_ms: float) -> float:
        """Return the gauge pressure behind the pump, in Pa: the tank's height, and friction."""
        friction = _FRICTION_M * (self.flow_m3s(t_ms) / _RATED_FLOW) ** 2
        return _WATER_N_PER_M3 * (_TANK_HEAD_M + friction)

    def tank_m(self, t_ms: float) -> float:
        """Return the depth in the tank, in metres: drawn down by day, filled up by night."""
        days = t_ms / 1000 / DAY_S
        return 2.6 + 0.9 * math.sin(2 * math.pi * days) + 0.2 * math.sin(2 * math.pi * days / 3)

    def barometer_pa(self, t_ms: float) -> float:
        """Return the air pressure, in Pa: the well's water stands lower the higher it is."""
        return _AIR_PA - self._barometric_m(t_ms / 1000) * _WATER_N_PER_M3 / _BAROMETRIC_EFFICIENCY

    def water_temperature_c(self, t_ms: float) -> float:
        """Return the temperature of the water in the well, in °C."""
        return 11.4 + 0.2 * math.sin(2 * math.pi * t_ms / 1000 / _YEAR_S)

    def stream_head_m(self, t_ms: float) -> float:
        """Return the head over the weir in the creek, in metres: some snow melts every day."""
        return 0.16 + 0.03 * math.sin(2 * math.pi * t_ms / 1000 / DAY_S)

    def battery_v(self, t_ms: float) -> float:
        """Return the battery's voltage."""
        return self.power.battery_v(t_ms / 1000)

    def panel_v(self, t_ms: float) -> float:
        """Return the solar panel's voltage."""
        return self.power.panel_v(t_ms / 1000)

    def temperature_c(self, t_ms: float) -> float:
        """Return the temperature of the air, in °C: warmest in July and in mid-afternoon."""
        now = t_ms / 1000
        hour = math.cos(2 * math.pi * (now - self._noon - 3 * 3600) / DAY_S)
        return self._season_c(now) + 6.0 * hour

    def runs(self, begin_ms: float, end_ms: float) -> list[Run]:
        """Return the runs of the pump that begin in a span of time; their times are in seconds."""
        return self._well.runs(begin_ms / 1000, end_ms / 1000)

    def _season_c(self, now: float) -> float:
        year = now / _YEAR_S % 1.0
        if self._monthly_c is None:
            return 11.0 + 11.0 * math.cos(2 * math.pi * (year - 0.55))
        # Every month's mean stands in its middle.
        month, share = divmod(12 * year - 0.5, 1.0)
        before, after = self._monthly_c[int(month) % 12], self._monthly_c[int(month + 1) % 12]
        return before + (after - before) * share

    def _static_level(self, now: float) -> float:
        level = _REST_LEVEL_M + _SEASONAL_M * math.sin(2 * math.pi * now / _YEAR_S)
        return level + self._barometric_m(now)

    def _barometric_m(self, now: float) -> float:
        return sum(
            amplitude * math.sin(2 * math.pi * now / (period * DAY_S) + phase)
            for (period, amplitude), phase in zip(_BAROMETRIC, self._phases, strict=True)
        )

    def _flow_of_run(self, start: float) -> float:
        # The lift is that of the rest level: what the pump draws down itself is the same each run.
        lift = _LIFT_AT_REST_M + _REST_LEVEL_M - self._static_level(start)
        noise = Random(f"run {self.seed} {start:.0f}").gauss(0, _RUN_TO_RUN)
        return _RATED_FLOW * (1 - _LOSS_PER_METRE * (lift - _LIFT_AT_REST_M)) * (1 + noise)


def world_of(
    station: Station,
    seed: int,
    start_utc_ms: int,
    weather: Weather = "fair",
    rest: float = REST_AT_START_S,
) -> World:
    """Return the world around a station, at its place and with what it lives on."""
    info = station.station
    return World(
        seed,
        start_utc_ms,
        latitude=_LATITUDE if info.latitude is None else info.latitude,
        longitude=_LONGITUDE if info.longitude is None else info.longitude,
        weather=weather,
        energy=station.energy,
        rest=rest,
    )
