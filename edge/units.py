"""Quantities with units, as people of the trade write them: ``"30 ft"``, ``"98.4 pulses/gal"``.

Inside the program every quantity is a float in the base unit of its dimension; the unit as written
is kept beside it, so that a person sees again what a person wrote. The base units are SI, with two
concessions to the wire format: temperatures are in °C, and a ratio is a plain number.

Conversion factors: NIST Special Publication 811 (2008), appendix B. Where a customary unit is
defined by another (the US gallon is 231 in³, the inch 25.4 mm) the factor is computed from the
definition, so that it is exact to the last bit of a float.

Unit names on the wire: the SenML units registry (RFC 8428, section 12.1; RFC 8798).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from difflib import get_close_matches
from enum import Enum


class Dimension(Enum):
    """What a quantity measures.

    Each member is ``(title, base, senml)``: the dimension in words, the unit that values are kept
    in, and that unit's registered SenML name (None where there is none: such a number goes on the
    wire without a unit).
    """

    LENGTH = ("length", "m", "m")
    VOLUME = ("volume", "m3", "m3")
    FLOW = ("volume flow", "m3/s", "m3/s")
    PRESSURE = ("pressure", "Pa", "Pa")
    TEMPERATURE = ("temperature", "degC", "Cel")
    CURRENT = ("electric current", "A", "A")
    VOLTAGE = ("voltage", "V", "V")
    RESISTANCE = ("resistance", "ohm", "Ohm")
    POWER = ("power", "W", "W")
    ENERGY = ("energy", "J", "J")
    CHARGE = ("electric charge", "C", "C")
    TIME = ("time", "s", "s")
    FREQUENCY = ("frequency", "Hz", "Hz")
    RATIO = ("ratio", "1", "/")
    ANGLE = ("angle", "rad", "rad")
    AREA = ("area", "m2", "m2")
    DENSITY = ("density", "kg/m3", "kg/m3")
    ACCELERATION = ("acceleration", "m/s2", "m/s2")
    SPECIFIC_CAPACITY = ("specific capacity", "m2/s", None)
    COUNT = ("count", "pulses", "count")
    DATA = ("amount of data", "B", None)
    PULSES_PER_VOLUME = ("pulses per volume", "pulses/m3", None)
    VOLUME_PER_PULSE = ("volume per pulse", "m3/pulse", None)

    title: str
    base: str
    senml: str | None

    def __init__(self, title: str, base: str, senml: str | None) -> None:
        self.title = title
        self.base = base
        self.senml = senml


@dataclass(frozen=True, slots=True)
class Unit:
    """``base = value * factor + offset``; only temperatures have an offset."""

    symbol: str
    dimension: Dimension
    factor: float
    offset: float = 0.0

    @property
    def senml(self) -> str:
        """SenML name of the base unit of the dimension; "" where it has none."""
        return self.dimension.senml or ""

    def to_base(self, value: float) -> float:
        """Convert a number in this unit to the base unit of its dimension."""
        return value * self.factor + self.offset

    def from_base(self, value: float) -> float:
        """Convert a number in the base unit to this unit."""
        return (value - self.offset) / self.factor


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number in the base unit of its dimension, and the unit it was written in."""

    value: float
    unit: Unit

    @property
    def dimension(self) -> Dimension:
        """What the quantity measures."""
        return self.unit.dimension

    def __str__(self) -> str:
        return f"{self.unit.from_base(self.value):.10g} {self.unit.symbol}"


class UnitError(ValueError):
    """A text is not a quantity of the dimension wanted; says what was found and expected."""

    def __init__(self, found: str, expected: str) -> None:
        super().__init__(f"found {found}, expected {expected}")
        self.found = found
        self.expected = expected


_FOOT = 0.3048
_INCH = 0.0254
_GALLON = 231 * _INCH**3
_POUND = 0.45359237
_STANDARD_GRAVITY = 9.80665
_IMPERIAL_GALLON = 4.54609e-3

_LENGTHS = {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "km": 1e3, "in": _INCH, "ft": _FOOT, "mi": 1609.344}
_VOLUMES = {
    "mL": 1e-6,
    "L": 1e-3,
    "m3": 1.0,
    "gal": _GALLON,
    "impgal": _IMPERIAL_GALLON,
    "ft3": _FOOT**3,
    "in3": _INCH**3,
    "kL": 1.0,
    "ML": 1e3,
    "Mgal": 1e6 * _GALLON,
    "ccf": 100 * _FOOT**3,
    "acre-ft": 43560 * _FOOT**3,
}
_TIMES = {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_FLOWS = {
    "gpm": _GALLON / 60,
    "cfs": _FOOT**3,
    "MGD": 1e6 * _GALLON / 86400,
}
_SIMPLE = {
    Dimension.LENGTH: _LENGTHS,
    Dimension.VOLUME: _VOLUMES,
    Dimension.TIME: _TIMES,
    Dimension.FLOW: _FLOWS
    | {f"{v}/{t}": vf / tf for v, vf in _VOLUMES.items() for t, tf in _TIMES.items()},
    Dimension.PRESSURE: {
        "Pa": 1.0,
        "hPa": 100.0,
        "kPa": 1e3,
        "bar": 1e5,
        "mbar": 100.0,
        "MPa": 1e6,
        "atm": 101325.0,
        "psi": _POUND * _STANDARD_GRAVITY / _INCH**2,
        # Heights of a liquid are conventional units: water at 4 °C, mercury at 0 °C, as SP 811 has
        # them. What stands in a well is another water; `edge.measure.water` reckons with that.
        "ftH2O": 2988.98,
        "inH2O": 249.082,
        "cmH2O": 98.0638,
        "mH2O": 9806.38,
        "inHg": 3386.38,
        "mmHg": 133.3224,
    },
    Dimension.CURRENT: {"uA": 1e-6, "mA": 1e-3, "A": 1.0},
    Dimension.VOLTAGE: {"uV": 1e-6, "mV": 1e-3, "V": 1.0},
    Dimension.RESISTANCE: {"ohm": 1.0, "kohm": 1e3},
    Dimension.POWER: {"mW": 1e-3, "W": 1.0, "kW": 1e3},
    Dimension.ENERGY: {"J": 1.0, "Wh": 3600.0, "kWh": 3.6e6},
    Dimension.CHARGE: {"C": 1.0, "Ah": 3600.0},
    Dimension.FREQUENCY: {"Hz": 1.0, "kHz": 1e3},
    Dimension.RATIO: {"1": 1.0, "%": 0.01, "g/kg": 1e-3},
    Dimension.ANGLE: {"rad": 1.0, "deg": math.pi / 180},
    Dimension.AREA: {"m2": 1.0, "ha": 1e4, "ft2": _FOOT**2, "acre": 43560 * _FOOT**2},
    Dimension.DENSITY: {"kg/m3": 1.0, "g/cm3": 1e3, "lb/ft3": _POUND / _FOOT**3},
    Dimension.ACCELERATION: {"m/s2": 1.0, "ft/s2": _FOOT},
    Dimension.SPECIFIC_CAPACITY: {
        "m2/s": 1.0,
        "m2/d": 1 / 86400,
        "L/s/m": 1e-3,
        "m3/h/m": 1 / 3600,
        "gpm/ft": _GALLON / 60 / _FOOT,
    },
    Dimension.COUNT: {"pulses": 1.0, "count": 1.0},
    Dimension.DATA: {
        "B": 1.0,
        "kB": 1e3,
        "MB": 1e6,
        "GB": 1e9,
        "KiB": 2.0**10,
        "MiB": 2.0**20,
        "GiB": 2.0**30,
    },
    Dimension.PULSES_PER_VOLUME: {f"pulses/{v}": 1 / f for v, f in _VOLUMES.items()},
    Dimension.VOLUME_PER_PULSE: {f"{v}/pulse": f for v, f in _VOLUMES.items()},
}

UNITS: dict[str, Unit] = {
    symbol: Unit(symbol, dimension, factor)
    for dimension, units in _SIMPLE.items()
    for symbol, factor in units.items()
} | {
    "degC": Unit("degC", Dimension.TEMPERATURE, 1.0),
    "degF": Unit("degF", Dimension.TEMPERATURE, 5 / 9, -160 / 9),
    "K": Unit("K", Dimension.TEMPERATURE, 1.0, -273.15),
}

_SPELLINGS = {
    "μA": "uA",
    "µA": "uA",
    "μV": "uV",
    "µV": "uV",
    "Ω": "ohm",
    "Ohm": "ohm",
    "kΩ": "kohm",
    "°C": "degC",
    "°F": "degF",
    "Cel": "degC",
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "l": "L",
    "lpm": "L/min",
    "impgpm": "impgal/min",
    "gal/min/ft": "gpm/ft",
    "meter": "m",
    "meters": "m",
    "metre": "m",
    "metres": "m",
    "gallon": "gal",
    "gallons": "gal",
    "liter": "L",
    "liters": "L",
    "litre": "L",
    "litres": "L",
    "volt": "V",
    "volts": "V",
    "minute": "min",
    "minutes": "min",
    "second": "s",
    "seconds": "s",
    "foot": "ft",
    "feet": "ft",
    "inch": "in",
    "inches": "in",
    "sec": "s",
    "hour": "h",
    "hours": "h",
    "hr": "h",
    "day": "d",
    "days": "d",
    "pulse": "pulses",
    "bytes": "B",
}

_SUPERSCRIPTS = str.maketrans("²³", "23")

_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*")


def unit(symbol: str) -> Unit | None:
    """Look a unit up by its symbol or one of its usual spellings."""
    *over, under = symbol.translate(_SUPERSCRIPTS).split("/")
    # What is counted is in the plural, but not what something is for each of.
    each = "pulse" if over and under in {"pulse", "pulses"} else _SPELLINGS.get(under, under)
    spelled = "/".join([*(_SPELLINGS.get(part, part) for part in over), each])
    return UNITS.get(_SPELLINGS.get(spelled, spelled))


_MOST_DIMENSIONS_LISTED = 3


def accepted(*dimensions: Dimension) -> str:
    """Say in words which units a quantity of one of these dimensions may be written in.

    More than three dimensions would bury the reader, so a few examples stand for them.
    """
    if len(dimensions) > _MOST_DIMENSIONS_LISTED:
        examples = [_example((dimension,)) for dimension in dimensions[:_MOST_DIMENSIONS_LISTED]]
        return f"a number with its unit, such as {', '.join(examples[:-1])} or {examples[-1]}"
    return " or ".join(
        f"{_with_article(dimension.title)} in {', '.join(_common_units(dimension))}"
        for dimension in dimensions
    )


def parse(text: object, *dimensions: Dimension) -> Quantity:
    """Read a quantity such as ``"30 ft"``.

    Raises UnitError when ``text`` is not a string, has no number or no unit, has a unit that is
    not known, or measures something else than one of ``dimensions`` (none given: anything).
    """
    expected = accepted(*dimensions) if dimensions else "a number and a unit"
    for_example = (
        expected if "such as" in expected else f"{expected}, such as {_example(dimensions)}"
    )
    if not isinstance(text, str):
        raise UnitError(f"{text!r} without a unit", for_example)
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise UnitError(repr(text), for_example)
    number, symbol = match.groups()
    if not symbol:
        raise UnitError(f"{text!r} without a unit", for_example)
    found = unit(symbol)
    if found is None:
        hint = _nearest(symbol, dimensions)
        raise UnitError(f"{text!r} with the unknown unit {symbol!r}{hint}", expected)
    if dimensions and found.dimension not in dimensions:
        titles = [_with_article(dimension.title) for dimension in dimensions]
        many = len(dimensions) > _MOST_DIMENSIONS_LISTED
        wanted = f"{', '.join(titles[:-1])} or {titles[-1]}" if many else expected
        raise UnitError(f"{text!r}, {_with_article(found.dimension.title)}", wanted)
    value = found.to_base(float(number))
    if not math.isfinite(value):
        raise UnitError(f"{text!r}, too large a number", expected)
    return Quantity(value, found)


def _nearest(symbol: str, dimensions: tuple[Dimension, ...]) -> str:
    spelled = UNITS | {spelling: UNITS[known] for spelling, known in _SPELLINGS.items()}
    fitting = [
        name for name, found in spelled.items() if not dimensions or found.dimension in dimensions
    ]
    near = get_close_matches(symbol, fitting, n=1)
    return f' (did you mean "{near[0]}"?)' if near else ""


def _with_article(title: str) -> str:
    return f"an {title}" if title[0] in "aeiou" else f"a {title}"


# Every volume over every time is understood, but a message wants the handful in use.
_HANDFUL = {
    Dimension.FLOW: [*_FLOWS, "L/s", "L/min", "m3/h", "m3/s"],
    Dimension.PULSES_PER_VOLUME: ["pulses/gal", "pulses/ft3", "pulses/L", "pulses/m3"],
    Dimension.VOLUME_PER_PULSE: ["gal/pulse", "ft3/pulse", "L/pulse", "m3/pulse"],
}


def _common_units(dimension: Dimension) -> list[str]:
    units = [symbol for symbol, found in UNITS.items() if found.dimension is dimension]
    return _HANDFUL.get(dimension, units)


_EXAMPLES = {
    Dimension.LENGTH: "30 ft",
    Dimension.VOLUME: "500 gal",
    Dimension.FLOW: "12 gpm",
    Dimension.PRESSURE: "15 psi",
    Dimension.TEMPERATURE: "20 degC",
    Dimension.CURRENT: "20 mA",
    Dimension.VOLTAGE: "12.5 V",
    Dimension.RESISTANCE: "250 ohm",
    Dimension.POWER: "5 W",
    Dimension.ENERGY: "240 Wh",
    Dimension.CHARGE: "35 Ah",
    Dimension.ANGLE: "90 deg",
    Dimension.AREA: "2 acre",
    Dimension.DENSITY: "1000 kg/m3",
    Dimension.ACCELERATION: "9.81 m/s2",
    Dimension.SPECIFIC_CAPACITY: "1.5 gpm/ft",
    Dimension.TIME: "15 min",
    Dimension.FREQUENCY: "50 Hz",
    Dimension.RATIO: "80 %",
    Dimension.COUNT: "10 pulses",
    Dimension.DATA: "500 MB",
    Dimension.PULSES_PER_VOLUME: "98.4 pulses/gal",
    Dimension.VOLUME_PER_PULSE: "10 gal/pulse",
}


def _example(dimensions: tuple[Dimension, ...]) -> str:
    return f'"{_EXAMPLES[dimensions[0] if dimensions else Dimension.LENGTH]}"'
