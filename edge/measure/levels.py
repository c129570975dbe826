"""Channels computed from pressures and levels: the water in a well, and how far it is drawn down.

    pressure ──► submergence ──► depth to water ──► elevation of the water level
      gauge, or     over the        below the           on the site's
      absolute      transducer      measuring point     datum
      less the air's

Depths count downwards from the measuring point, a mark at the well head that hand measurements are
taken from; elevations count upwards from the datum. The formulas are in `edge.measure.water`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from edge.measure import water
from edge.measure.derived import Derived, Outcome, titled
from edge.measure.values import State, Step, Value
from edge.measure.visits import Corrections
from edge.readings import Series
from edge.status import Reason, worst
from edge.units import UNITS, Unit

_PUMP_IS_ON = 0.5


@dataclass(frozen=True, slots=True)
class Medium:
    """The water, and the gravity where it is: what turns a pressure into a height of water.

    ``temperature`` in °C is what is assumed where none is measured; ``salinity`` in g/kg;
    ``gravity`` in m/s².
    """

    temperature: float
    salinity: float
    gravity: float


@dataclass(frozen=True, slots=True)
class Well:
    """Where the transducer hangs, in metres.

    ``transducer_depth`` counts from the measuring point down, ``measuring_point`` from the datum
    up. Without the first nothing is known but the submergence, without the second no elevation.
    ``corrections`` by hand measurements are added to the depth to water.
    """

    transducer_depth: float | None = None
    measuring_point: float | None = None
    corrections: Corrections | None = None


class WaterLevel(Derived):
    """The water level in a well, from the pressure at a transducer, or from its submergence.

    Inputs: a pressure (Pa), or a submergence (m) where ``medium`` is None; the air pressure where
    ``absolute``; the water's temperature where ``thermometer``. Raises ValueError where there is
    nothing to compute: for a submergence without the depth of the transducer.
    """

    def __init__(
        self,
        channel: str,
        inputs: Sequence[str],
        shown: Unit,
        well: Well,
        medium: Medium | None,
        *,
        absolute: bool = False,
        thermometer: bool = False,
        title: str = "",
    ) -> None:
        names = ["submergence"] if medium else []
        if well.transducer_depth is not None:
            names.append("depth to water")
            if well.measuring_point is not None:
                names.append("elevation")
        if not names:
            msg = "nothing to compute from a submergence without the depth of the transducer"
            raise ValueError(msg)
        super().__init__(
            inputs,
            [
                Series(f"{channel}.{name.replace(' ', '_')}", shown, titled(title, name))
                for name in names
            ],
        )
        self._well = well
        self._medium = medium
        self._absolute = absolute
        self._thermometer = thermometer
        self._shown = shown

    def _evaluate(self, numbers: Sequence[float], utc_ms: int) -> list[Outcome]:
        steps = self._steps(numbers, utc_ms)
        submergence = next(step.number for step in steps if step.name == "submergence")
        doubt = Reason.TRANSDUCER_DRY if submergence < 0 else Reason.OK
        if self._medium:
            doubt = worst(doubt, water.judge_temperature(self._temperature(numbers)))
        return [(step.number, doubt) for step in steps[-len(self.series) :]]

    def _steps(self, numbers: Sequence[float], utc_ms: int) -> list[Step]:
        steps = self._to_submergence(numbers)
        well = self._well
        if well.transducer_depth is None:
            return steps
        depth = water.depth_to_water(well.transducer_depth, steps[-1].number)
        if well.corrections:
            # Said before the series' own steps, which come last and in their order.
            correction = well.corrections.at(utc_ms)
            steps[-1:-1] = [
                Step("depth before correction", depth, self._shown),
                Step("correction by hand measurement", correction, self._shown),
            ]
            depth += correction
        steps.append(Step("depth to water", depth, self._shown))
        if well.measuring_point is not None:
            level = water.elevation(well.measuring_point, depth)
            steps.append(Step("elevation", level, self._shown))
        return steps

    def _to_submergence(self, numbers: Sequence[float]) -> list[Step]:
        if self._medium is None:
            return [Step("submergence", numbers[0], self._shown)]
        pressure = numbers[0]
        steps = []
        if self._absolute:
            pressure = water.gauge_pressure(pressure, numbers[1])
            steps.append(Step("gauge pressure", pressure, UNITS["kPa"]))
        temperature = self._temperature(numbers)
        density = water.density(temperature, self._medium.salinity)
        height = water.submergence(pressure, density, self._medium.gravity)
        return [
            *steps,
            Step("water temperature", temperature, UNITS["degC"]),
            Step("water density", density, UNITS["kg/m3"]),
            Step("gravity", self._medium.gravity, UNITS["m/s2"]),
            Step("submergence", height, self._shown),
        ]

    def _temperature(self, numbers: Sequence[float]) -> float:
        assert self._medium is not None  # noqa: S101 - only asked for a pressure
        return numbers[-1] if self._thermometer else self._medium.temperature


class BarometricallyCorrected(Derived):
    """The depth to water (m) as it would stand under a reference air pressure (Pa).

    Inputs: the depth to water, the air pressure.
    """

    def __init__(
        self,
        series: Series,
        inputs: Sequence[str],
        *,
        efficiency: float,
        reference: float,
        medium: Medium,
    ) -> None:
        super().__init__(inputs, [series])
        self._efficiency = efficiency
        self._reference = reference
        self._gravity = medium.gravity
        self._density = water.density(medium.temperature, medium.salinity)

    def _evaluate(self, numbers: Sequence[float], utc_ms: int) -> list[Outcome]:
        del utc_ms
        depth, barometer = numbers
        corrected = water.barometric_correction(
            depth, barometer, self._reference, self._efficiency, self._density, self._gravity
        )
        return [(corrected, Reason.OK)]


class Drawdown(Derived):
    """How far the water stands below its level at rest, in metres.

    Inputs: a depth to water; unless ``rest`` (m) is given, also whether the pump runs (0 or 1): the
    level at rest is then the last one before the pump started, and survives a restart.
    """

    def __init__(self, series: Series, inputs: Sequence[str], rest: float | None) -> None:
        super().__init__(inputs, [series])
        self._rest = rest
        self._learns = rest is None
        self._beyond_doubt = False

    def _evaluate(self, numbers: Sequence[float], utc_ms: int) -> list[Outcome]:
        del utc_ms
        if self._learns and self._beyond_doubt and numbers[1] < _PUMP_IS_ON:
            self._rest = numbers[0]
        if self._rest is None:
            return [(None, Reason.NO_REST_LEVEL_YET)]
        return [(water.drawdown(numbers[0], self._rest), Reason.OK)]

    def compute(self, *inputs: Value) -> tuple[Value, ...]:
        """See `Computation.compute`. The level at rest is learnt from what is beyond doubt only."""
        self._beyond_doubt = all(value.reason is Reason.OK for value in inputs)
        return super().compute(*inputs)

    def state(self) -> State | None:
        """Return the level at rest, where it was learnt."""
        return {"rest_depth": self._rest} if self._learns and self._rest is not None else None

    def restore(self, state: State) -> None:
        """Go on with the level at rest of an earlier run."""
        if self._learns:
            self._rest = state["rest_depth"]
