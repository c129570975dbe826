"""Every unit against pint, and the customary ones against the factors that NIST prints."""

from __future__ import annotations

import pint

from edge.units import UNITS, Dimension
from tests.accuracy.check import Check, exact, printed, within

NIST = "NIST SP 811 (2008), appendix B.8 (looked up in reprints)"
NIST_MEMORY = "NIST SP 811 (2008), appendix B.8 (from memory)"
DEFINED = "NIST SP 811 (2008), appendix B, exact by definition"
PINT = f"pint {pint.__version__}"

_PRINTED = {
    "ft": "3.048E-01",
    "in": "2.54E-02",
    "mi": "1.609344E+03",
    "gal": "3.785412E-03",
    "ftH2O": "2.98898E+03",
    "inH2O": "2.49082E+02",
    "inHg": "3.38638E+03",
}
_PRINTED_FROM_MEMORY = {
    "ft3": "2.831685E-02",
    "in3": "1.638706E-05",
    "impgal": "4.54609E-03",
    "gpm": "6.309020E-05",
    "cfs": "2.831685E-02",
    "gal/d": "4.381264E-08",
    "ft3/min": "4.719474E-04",
    "psi": "6.894757E+03",
    "atm": "1.01325E+05",
    "bar": "1.0E+05",
    "mbar": "1.0E+02",
    "cmH2O": "9.80638E+01",
    "mmHg": "1.333224E+02",
    "ft2": "9.290304E-02",
    "ha": "1.0E+04",
    "lb/ft3": "1.601846E+01",
    "ft/s2": "3.048E-01",
    "deg": "1.745329E-02",
    "kWh": "3.6E+06",
    "Wh": "3.6E+03",
    "Ah": "3.6E+03",
    "d": "8.64E+04",
}

# A US gallon is 231 in3, an acre 43 560 ft2, a pound 0.45359237 kg, a standard weight 9.80665 m/s2.
_DEFINED = {
    "gal": 0.003785411784,
    "acre-ft": 1233.48183754752,
    "acre": 4046.8564224,
    "ccf": 2.8316846592,
    "MGD": 3785.411784 / 86400,
    "psi": 0.45359237 * 9.80665 / 0.00064516,
    "g/kg": 0.001,
}

_TEMPERATURES = [
    ("degF", 32.0, 0.0),
    ("degF", 212.0, 100.0),
    ("degF", -40.0, -40.0),
    ("K", 273.15, 0.0),
    ("K", 0.0, -273.15),
]

# What pint writes otherwise. Its acre is that of the surveyors' foot.
_IN_PINT = {
    "in": "inch",
    "gal": "gallon",
    "impgal": "imperial_gallon",
    "m3": "meter**3",
    "ft3": "foot**3",
    "in3": "inch**3",
    "Mgal": "(1e6 * gallon)",
    "ccf": "(100 * foot**3)",
    "acre-ft": "(43560 * foot**3)",
    "acre": "(43560 * foot**2)",
    "gpm": "(gallon / minute)",
    "cfs": "(foot**3 / second)",
    "MGD": "(1e6 * gallon / day)",
    "m2": "meter**2",
    "ft2": "foot**2",
    "s2": "second**2",
    "cm3": "centimeter**3",
    "1": "dimensionless",
    "%": "percent",
    "count": "dimensionless",
    "pulse": "dimensionless",
    "pulses": "dimensionless",
    "B": "byte",
    "kB": "kilobyte",
    "MB": "megabyte",
    "GB": "gigabyte",
    "KiB": "kibibyte",
    "MiB": "mebibyte",
    "GiB": "gibibyte",
    "C": "coulomb",
    "d": "day",
    "h": "hour",
    "ftH2O": "ftH2O_4C",
    "inH2O": "inH2O_4C",
    "cmH2O": "(0.01 * mH2O_4C)",
    "mH2O": "mH2O_4C",
    "inHg": "inHg_0C",
    "mmHg": "mmHg_0C",
}
_COLUMNS_OF_LIQUID = {"ftH2O", "inH2O", "cmH2O", "mH2O", "inHg", "mmHg"}
_SIX_DIGITS = 5e-6


def in_pint(registry: pint.UnitRegistry, symbol: str) -> pint.Quantity:
    """Return one of a unit, as the reference library has it."""
    if symbol in _IN_PINT or "/" not in symbol:
        return 1.0 * registry.parse_expression(_IN_PINT.get(symbol, symbol))
    over, *under = symbol.split("/")
    quotient = in_pint(registry, over)
    for divisor in under:
        quotient = quotient / in_pint(registry, divisor)
    return quotient


def _against_pint() -> list[Check]:
    registry = pint.UnitRegistry()
    rows = []
    for symbol, unit in UNITS.items():
        if unit.dimension is Dimension.TEMPERATURE or symbol == unit.dimension.base:
            continue
        base = in_pint(registry, unit.dimension.base)
        expected = float((in_pint(registry, symbol) / base).to("").magnitude)
        what = f"1 {symbol} in {unit.dimension.base}"
        if symbol in _COLUMNS_OF_LIQUID:
            rows.append(within(what, PINT, expected, unit.to_base(1.0), _SIX_DIGITS))
        else:
            rows.append(exact(what, PINT, expected, unit.to_base(1.0)))
    return rows


def checks() -> list[Check]:
    return [
        *(
            printed(f"1 {symbol} by NIST, in {UNITS[symbol].dimension.base}", source, factor,
                    UNITS[symbol].to_base(1.0))
            for table, source in ((_PRINTED, NIST), (_PRINTED_FROM_MEMORY, NIST_MEMORY))
            for symbol, factor in table.items()
        ),
        *(
            exact(f"1 {symbol} by definition, in {UNITS[symbol].dimension.base}", DEFINED, factor,
                  UNITS[symbol].to_base(1.0))
            for symbol, factor in _DEFINED.items()
        ),
        *(
            Check(f"{number:g} {symbol} in degC", DEFINED, celsius,
                  UNITS[symbol].to_base(number), 1e-12)
            for symbol, number, celsius in _TEMPERATURES
        ),
        *_against_pint(),
    ]  # fmt: skip
