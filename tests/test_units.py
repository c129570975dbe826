"""Temperatures against pint, round trips, and texts that are no quantities.

What every unit is worth is checked in tests/accuracy/units.py.
"""

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.units import UNITS, Dimension, Quantity, UnitError, accepted, parse, unit

REGISTRY = pint.UnitRegistry()


@pytest.mark.parametrize("symbol", ["degC", "degF", "K"])
@pytest.mark.parametrize("value", [-40.0, 0.0, 32.0, 98.6, 273.15])
def test_every_temperature_agrees_with_the_reference_library(symbol, value):
    reference = REGISTRY.Quantity(value, symbol).to("degC").magnitude
    assert UNITS[symbol].to_base(value) == pytest.approx(reference, abs=1e-9)


def test_a_gallon_is_231_cubic_inches_to_the_last_digit():
    # NIST SP 811, appendix B.6: 1 gal = 231 in^3 = 3.785411784 L exactly.
    assert parse("1 gal").value == pytest.approx(3.785411784e-3, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "value", "symbol"),
    [
        ("30 ft", 30 * 0.3048, "ft"),
        ("30ft", 30 * 0.3048, "ft"),
        ("  -.5e1 m ", -5.0, "m"),
        ("+12.5 V", 12.5, "V"),
        ("15 min", 900.0, "min"),
        ("2 hours", 7200.0, "h"),
        ("80 %", 0.8, "%"),
        ("4 µA", 4e-6, "uA"),  # micro sign
        ("4 μA", 4e-6, "uA"),  # Greek letter
        ("250 Ω", 250.0, "ohm"),
        ("20 °C", 20.0, "degC"),
        ("5 m³/h", 5 / 3600, "m3/h"),
        ("3 l/sec", 3e-3, "L/s"),
        ("10 gal/pulse", 10 * 231 * 0.0254**3, "gal/pulse"),
        ("10 gal/pulses", 10 * 231 * 0.0254**3, "gal/pulse"),
        ("98.4 pulse/gal", 98.4 / (231 * 0.0254**3), "pulses/gal"),
        ("1 pulses/m³", 1.0, "pulses/m3"),
        ("90°", math.pi / 2, "deg"),
        ("3 hPa", 300.0, "hPa"),
        ("1 g/cm3", 1000.0, "g/cm3"),
        ("2 ft²", 2 * 0.3048**2, "ft2"),
        ("9.81 m/s²", 9.81, "m/s2"),
        ("86400 m²/d", 1.0, "m2/d"),
        ("3600 m3/h/m", 1.0, "m3/h/m"),
        ("2 lpm", 2e-3 / 60, "L/min"),
        ("2 impgpm", 2 * 4.54609e-3 / 60, "impgal/min"),
        ("3 l/sec/metre", 3e-3, "L/s/m"),
        ("1 gal/min/foot", 231 * 0.0254**3 / 60 / 0.3048, "gpm/ft"),
        ("1 g/cm³", 1000.0, "g/cm3"),
        ("1 ft/s²", 0.3048, "ft/s2"),
        ("1 in³", 0.0254**3, "in3"),
        ("2 mV", 2e-3, "mV"),
        ("2 µV", 2e-6, "uV"),
        ("1 Mgal", 1e6 * 231 * 0.0254**3, "Mgal"),
    ],
)
def test_a_quantity_is_read_as_people_write_it(text, value, symbol):
    quantity = parse(text)
    assert quantity.value == pytest.approx(value, rel=1e-12)
    assert quantity.unit is UNITS[symbol]


@pytest.mark.parametrize(
    ("text", "found", "expected"),
    [
        (30, "30 without a unit", 'a length in mm, cm, m, km, in, ft, mi, such as "30 ft"'),
        ("30", "'30' without a unit", 'a length in mm, cm, m, km, in, ft, mi, such as "30 ft"'),
        ("ft", "'ft'", 'a length in mm, cm, m, km, in, ft, mi, such as "30 ft"'),
        ("", "''", 'a length in mm, cm, m, km, in, ft, mi, such as "30 ft"'),
        ("1.2.3 ft", "'1.2.3 ft' with the unknown unit '.3 ft'",
         "a length in mm, cm, m, km, in, ft, mi"),
        ("30 feets", "'30 feets' with the unknown unit 'feets' (did you mean \"feet\"?)",
         "a length in mm, cm, m, km, in, ft, mi"),
        ("30 Ft", "'30 Ft' with the unknown unit 'Ft'", "a length in mm, cm, m, km, in, ft, mi"),
        ("30 x/y", "'30 x/y' with the unknown unit 'x/y'",
         "a length in mm, cm, m, km, in, ft, mi"),
        ("5 gal", "'5 gal', a volume", "a length in mm, cm, m, km, in, ft, mi"),
        ("5 mA", "'5 mA', an electric current", "a length in mm, cm, m, km, in, ft, mi"),
        ("1e999 m", "'1e999 m', too large a number", "a length in mm, cm, m, km, in, ft, mi"),
        (None, "None without a unit", 'a length in mm, cm, m, km, in, ft, mi, such as "30 ft"'),
    ],
)  # fmt: skip
def test_what_is_no_length_is_told_with_what_would_be_one(text, found, expected):
    with pytest.raises(UnitError) as caught:
        parse(text, Dimension.LENGTH)

    assert (caught.value.found, caught.value.expected) == (found, expected)
    assert str(caught.value) == f"found {found}, expected {expected}"


@pytest.mark.parametrize("text", ["nan m", "inf m", "0x10 m", "1_000 m"])
def test_numbers_are_plain_decimals(text):
    with pytest.raises(UnitError):
        parse(text)


def test_without_a_dimension_anything_with_a_unit_will_do():
    with pytest.raises(UnitError, match='expected a number and a unit, such as "30 ft"'):
        parse("30")


@pytest.mark.parametrize(
    ("dimensions", "hint"),
    [
        ((), ' (did you mean "gal/s"?)'),
        ((Dimension.VOLUME,), ' (did you mean "gal"?)'),
        ((Dimension.LENGTH, Dimension.VOLUME), ' (did you mean "gal"?)'),
        ((Dimension.LENGTH,), ""),
    ],
)
def test_the_nearest_unit_is_suggested_if_it_would_do(dimensions, hint):
    with pytest.raises(UnitError) as caught:
        parse("5 gals", *dimensions)
    assert caught.value.found == f"'5 gals' with the unknown unit 'gals'{hint}"


def test_the_units_of_a_flow_are_told_as_the_handful_in_use():
    assert accepted(Dimension.FLOW) == (
        "a volume flow in gpm, cfs, MGD, L/s, L/min, m3/h, m3/s"
    )  # fmt: skip
    assert accepted(Dimension.CURRENT, Dimension.DATA) == (
        "an electric current in uA, mA, A or an amount of data in B, kB, MB, GB, KiB, MiB, GiB"
    )


@pytest.mark.parametrize("dimension", Dimension)
def test_every_dimension_has_its_base_unit_and_an_example(dimension):
    base = unit(dimension.base)
    assert base is not None
    assert (base.dimension, base.factor, base.offset) == (dimension, 1.0, 0.0)
    with pytest.raises(UnitError) as caught:
        parse(0, dimension)
    example = caught.value.expected.split('such as "')[1].removesuffix('"')
    assert parse(example, dimension).dimension is dimension


def test_an_acre_foot_is_a_foot_of_water_on_an_acre():
    assert parse("1 acre-ft").value == pytest.approx(
        parse("1 acre").value * parse("1 ft").value, rel=1e-15
    )


@pytest.mark.parametrize(
    "symbol",
    [s for s, u in UNITS.items() if "/" in s and u.dimension in {Dimension.FLOW,
                                                                 Dimension.VOLUME_PER_PULSE}],
)  # fmt: skip
def test_a_unit_of_two_parts_is_their_quotient(symbol):
    over, under = symbol.split("/")
    divisor = 1.0 if under == "pulse" else UNITS[under].factor
    assert UNITS[symbol].factor == pytest.approx(UNITS[over].factor / divisor, rel=1e-15)


def test_a_unit_says_its_registered_name_if_it_has_one():
    assert UNITS["gal"].senml == "m3"
    assert UNITS["degF"].senml == "Cel"
    assert UNITS["gal/pulse"].senml == ""


def test_of_many_dimensions_only_examples_are_told():
    assert accepted(*Dimension) == 'a number with its unit, such as "30 ft", "500 gal" or "12 gpm"'
    with pytest.raises(UnitError) as caught:
        parse(3, *Dimension)
    assert caught.value.expected == accepted(*Dimension)


def test_of_many_dimensions_a_wrong_one_is_told_which_would_do():
    wanted = (Dimension.LENGTH, Dimension.CURRENT, Dimension.TIME, Dimension.AREA)
    with pytest.raises(UnitError) as caught:
        parse("5 MB", *wanted)
    assert str(caught.value) == (
        "found '5 MB', an amount of data, expected a length, an electric current, a time or an area"
    )


def test_the_units_of_a_meter_factor_are_told_as_the_handful_in_use():
    assert accepted(Dimension.PULSES_PER_VOLUME, Dimension.VOLUME_PER_PULSE) == (
        "a pulses per volume in pulses/gal, pulses/ft3, pulses/L, pulses/m3"
        " or a volume per pulse in gal/pulse, ft3/pulse, L/pulse, m3/pulse"
    )


numbers = st.floats(allow_nan=False, min_value=-1e9, max_value=1e9)


@given(numbers, st.sampled_from(sorted(UNITS)))
def test_converting_there_and_back_changes_nothing(value, symbol):
    there = UNITS[symbol].to_base(value)
    assert UNITS[symbol].from_base(there) == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(st.floats(min_value=1e-3, max_value=1e9), st.sampled_from(sorted(UNITS)))
def test_a_quantity_written_out_reads_as_itself(value, symbol):
    quantity = Quantity(UNITS[symbol].to_base(value), UNITS[symbol])
    again = parse(str(quantity))
    assert again.unit is quantity.unit
    assert math.isclose(again.value, quantity.value, rel_tol=1e-9, abs_tol=1e-6)
