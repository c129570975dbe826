"""Quantities with units as pydantic field types, one for each dimension a station file uses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from edge.units import Dimension, Quantity, Unit, UnitError, accepted, parse, unit

# In base units. No station has anything larger, or smaller than its inverse and yet above zero;
# within these bounds a float can be squared and divided by without a second thought.
_LARGEST = 1e15


@dataclass(frozen=True)
class Measured:
    """Marks a field as a quantity of one of ``dimensions``.

    Optionally it is above zero, no less than ``least``, or no more than ``most``.
    """

    dimensions: tuple[Dimension, ...]
    positive: bool = False
    least: Quantity | None = None
    most: Quantity | None = None

    def __get_pydantic_core_schema__(
        self, _source: Any, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self._validate, serialization=core_schema.to_string_ser_schema()
        )

    def __get_pydantic_json_schema__(
        self, _schema: CoreSchema, _handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {
            "type": "string",
            "pattern": r"^\s*[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\s*\S+\s*$",
            "description": accepted(*self.dimensions),
        }

    def _validate(self, value: object) -> Quantity:
        if isinstance(value, Quantity):
            return value
        try:
            quantity = parse(value, *self.dimensions)
        except UnitError as error:
            raise custom_fault(error.found, error.expected) from None
        if self.positive and quantity.value <= 0:
            raise custom_fault(repr(value), f"{accepted(*self.dimensions)} above zero")
        if self.least is not None and quantity.value < self.least.value:
            raise custom_fault(repr(value), f"{accepted(*self.dimensions)}, {self.least} at least")
        if self.most is not None and quantity.value > self.most.value:
            raise custom_fault(repr(value), f"{accepted(*self.dimensions)}, {self.most} at most")
        if abs(quantity.value) > _LARGEST or (self.positive and quantity.value < 1 / _LARGEST):
            size = "large" if abs(quantity.value) > _LARGEST else "small"
            raise custom_fault(repr(value), f"{accepted(*self.dimensions)}, not as {size} as that")
        return quantity


def custom_fault(found: str, expected: str) -> PydanticCustomError:
    """Make an error for pydantic that says what was found and expected in the project's words."""
    return PydanticCustomError(
        "fault", "found {found}, expected {expected}", {"found": found, "expected": expected}
    )


@dataclass(frozen=True)
class Shown:
    """Marks a field as the symbol of a unit, of one of ``dimensions`` (none: of any)."""

    dimensions: tuple[Dimension, ...] = ()

    def __get_pydantic_core_schema__(
        self, _source: Any, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self._validate,
            serialization=core_schema.plain_serializer_function_ser_schema(lambda u: u.symbol),
        )

    def __get_pydantic_json_schema__(
        self, _schema: CoreSchema, _handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {"type": "string", "description": self._expected()}

    def _validate(self, value: object) -> Unit:
        if isinstance(value, Unit):
            return value
        found = unit(value) if isinstance(value, str) else None
        if found is None or (self.dimensions and found.dimension not in self.dimensions):
            raise custom_fault(repr(value), self._expected())
        return found

    def _expected(self) -> str:
        if not self.dimensions:
            return 'a unit, such as "ft" or "gpm"'
        return f"the unit alone, for {accepted(*self.dimensions)}"


AnyUnit = Annotated[Unit, Shown()]

Length = Annotated[Quantity, Measured((Dimension.LENGTH,))]
Extent = Annotated[Quantity, Measured((Dimension.LENGTH,), positive=True)]
Angle = Annotated[Quantity, Measured((Dimension.ANGLE,), positive=True)]
Current = Annotated[Quantity, Measured((Dimension.CURRENT,), positive=True)]
Supply = Annotated[Quantity, Measured((Dimension.VOLTAGE,), positive=True)]
Drop = Annotated[Quantity, Measured((Dimension.VOLTAGE,), least=parse("0 V"))]
Temperature = Annotated[Quantity, Measured((Dimension.TEMPERATURE,))]
# Beyond, the resistance of copper departs from a straight line.
WireTemperature = Annotated[
    Quantity,
    Measured((Dimension.TEMPERATURE,), least=parse("-50 degC"), most=parse("100 degC")),
]
Pressure = Annotated[Quantity, Measured((Dimension.PRESSURE,), positive=True)]
Flow = Annotated[Quantity, Measured((Dimension.FLOW,), positive=True)]
Volume = Annotated[Quantity, Measured((Dimension.VOLUME,))]
Frequency = Annotated[Quantity, Measured((Dimension.FREQUENCY,), positive=True)]
Ratio = Annotated[Quantity, Measured((Dimension.RATIO,), least=parse("0 %"), most=parse("100 %"))]
Share = Annotated[Quantity, Measured((Dimension.RATIO,), least=parse("1 %"), most=parse("100 %"))]
Resolution = Annotated[Quantity, Measured((Dimension.RATIO,), positive=True, most=parse("100 %"))]
Salinity = Annotated[
    Quantity, Measured((Dimension.RATIO,), least=parse("0 g/kg"), most=parse("42 g/kg"))
]
Resistance = Annotated[Quantity, Measured((Dimension.RESISTANCE,), positive=True)]
# A century: more is a slip of the pen, and could leave the calendar or 64-bit milliseconds.
Duration = Annotated[Quantity, Measured((Dimension.TIME,), positive=True, most=parse("36525 d"))]
Span = Annotated[Quantity, Measured((Dimension.TIME,), least=parse("0 s"), most=parse("36525 d"))]
Power = Annotated[Quantity, Measured((Dimension.POWER,), least=parse("0 W"))]
Charge = Annotated[Quantity, Measured((Dimension.CHARGE,), positive=True)]
Efficiency = Annotated[
    Quantity, Measured((Dimension.RATIO,), least=parse("10 %"), most=parse("100 %"))
]
Depth = Annotated[Quantity, Measured((Dimension.RATIO,), least=parse("5 %"), most=parse("95 %"))]
Inclination = Annotated[
    Quantity, Measured((Dimension.ANGLE,), least=parse("0 deg"), most=parse("90 deg"))
]
Bearing = Annotated[
    Quantity, Measured((Dimension.ANGLE,), least=parse("0 deg"), most=parse("360 deg"))
]
# A cell of lead and acid gives about two volts; further off it is no such correction.
PerDegree = Annotated[
    Quantity, Measured((Dimension.VOLTAGE,), least=parse("-10 mV"), most=parse("10 mV"))
]
DataSize = Annotated[Quantity, Measured((Dimension.DATA,), positive=True)]
PulsesPerVolume = Annotated[Quantity, Measured((Dimension.PULSES_PER_VOLUME,), positive=True)]
VolumePerPulse = Annotated[Quantity, Measured((Dimension.VOLUME_PER_PULSE,), positive=True)]
Signal = Annotated[Quantity, Measured((Dimension.CURRENT, Dimension.VOLTAGE))]
ProcessValue = Annotated[
    Quantity,
    Measured(
        (
            Dimension.LENGTH,
            Dimension.VOLUME,
            Dimension.FLOW,
            Dimension.PRESSURE,
            Dimension.TEMPERATURE,
            Dimension.VOLTAGE,
            Dimension.CURRENT,
            Dimension.POWER,
            Dimension.FREQUENCY,
            Dimension.RATIO,
            Dimension.TIME,
            Dimension.SPECIFIC_CAPACITY,
        )
    ),
]
