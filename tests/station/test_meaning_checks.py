"""What a raw number means: each rule broken by one change, and said on its line."""

import pytest

POINTS = 'points = [["4 mA", "0 ft"], ["12 mA", "74.6 ft"], ["20 mA", "150 ft"]]'
NUMBERED = 'points = [[0, "0 mbar"], [1000, "1001 mbar"]]'
K_TABLE = 'k_table = [["5 Hz", "95 pulses/gal"], ["400 Hz", "98.4 pulses/gal"]]'
LIMITS = (
    'limits = { failure_low = "3.5 mA", measuring_low = "3.9 mA", '
    'measuring_high = "20.4 mA", failure_high = "21.5 mA" }'
)
FASTEST = 'fastest_change = ["2 psi", "1 min"]'

LENGTH = "a length in mm, cm, m, km, in, ft, mi"
PRESSURE = (
    "a pressure in Pa, hPa, kPa, bar, mbar, MPa, atm, psi, ftH2O, inH2O, cmH2O, mH2O, inHg, mmHg"
)
IN_ORDER = "failure_low, measuring_low, 4 mA, 20 mA, measuring_high, failure_high in this order"
ONE_OF_TWO = "only one of the two"


def _points(*points):
    return f"points = [{', '.join(points)}]"


UP_AND_DOWN = _points('["4 mA", "0 ft"]', '["12 mA", "150 ft"]', '["20 mA", "74.6 ft"]')
DOWN_AND_UP = _points('["4 mA", "150 ft"]', '["12 mA", "0 ft"]', '["20 mA", "74.6 ft"]')
EQUAL = _points('["4 mA", "0 ft"]', '["4 mA", "74.6 ft"]', '["20 mA", "150 ft"]')
NEARLY_EQUAL = _points('["4 mA", "0 ft"]', '["12 mA", "1 ft"]', '["20 mA", "12 in"]')
OTHER_MEANING = _points('["4 mA", "0 ft"]', '["12 mA", "74.6 psi"]', '["20 mA", "150 ft"]')
OTHER_SIGNAL = _points('["4 mA", "0 ft"]', '["12 V", "74.6 ft"]', '["20 mA", "150 ft"]')


@pytest.mark.parametrize(
    "case",  # old text, new text; line, key, found, expected
    [
        # A calibration in several points.
        (POINTS, EQUAL, EQUAL, "channels.lift.points[1][0]", '"4 mA"',
         'more than at the point before it, "4 mA"'),
        (POINTS, UP_AND_DOWN, UP_AND_DOWN, "channels.lift.points[2][1]", '"74.6 ft"',
         'more than at the point before it, "150 ft"'),
        (POINTS, DOWN_AND_UP, DOWN_AND_UP, "channels.lift.points[2][1]", '"74.6 ft"',
         'less than at the point before it, "0 ft"'),
        (POINTS, NEARLY_EQUAL, NEARLY_EQUAL, "channels.lift.points[2][1]", '"12 in"',
         'more than at the point before it, "1 ft"'),
        (POINTS, OTHER_MEANING, OTHER_MEANING, "channels.lift.points[1][1]",
         '"74.6 psi" (pressure)', LENGTH),
        (POINTS, OTHER_SIGNAL, OTHER_SIGNAL, "channels.lift.points[1][0]", '"12 V" (voltage)',
         "an electric current in uA, mA, A"),
        (NUMBERED, _points('[0, "0 mbar"]', '[0, "9 mbar"]'), '[0, "9 mbar"]',
         "channels.air.points[1][0]", "0", "more than at the point before it, 0"),
        (POINTS, POINTS + '\nrange = ["0 ft", "150 ft"]', POINTS, "channels.lift.points",
         "range beside it", ONE_OF_TWO),
        (POINTS + "\n", "", "[channels.lift]", "channels.lift.range", "nothing",
         "range or points"),
        (POINTS, POINTS + '\nextraction = "square-root"', 'extraction = "square-root"',
         "channels.lift.extraction", '"square-root" with points', "a range to go with it"),
        (POINTS, POINTS + '\nlow_cutoff = "5 %"', 'low_cutoff = "5 %"',
         "channels.lift.low_cutoff", '"linear"', 'extraction = "square-root" beside it'),
        # Filters and watches.
        ("median = 3", "median = 4", "median = 4", "channels.pressure.median", "4",
         "an odd number"),
        ('stuck_after = "12 h"\n', "", "[channels.pressure]", "channels.pressure.stuck_after",
         "nothing", "how long the signal may stand still"),
        ('stuck_after = "12 h"', 'stuck_after = "10 s"', 'stuck_after = "10 s"',
         "channels.pressure.stuck_after", '"10 s"', 'longer than the sample interval "10 s"'),
        ('stuck_change = "0.001 psi"', 'stuck_change = "1 ft"', 'stuck_change = "1 ft"',
         "channels.pressure.stuck_change", '"1 ft" (length)', PRESSURE),
        ('stuck_change = "0.001 psi"', 'stuck_change = "0 psi"', 'stuck_change = "0 psi"',
         "channels.pressure.stuck_change", '"0 psi"', f"{PRESSURE} above zero"),
        (FASTEST, 'fastest_change = ["2 ft", "1 min"]', '["2 ft", "1 min"]',
         "channels.pressure.fastest_change[0]", '"2 ft" (length)', PRESSURE),
        (FASTEST, 'fastest_change = ["-2 psi", "1 min"]', '["-2 psi", "1 min"]',
         "channels.pressure.fastest_change[0]", '"-2 psi"', f"{PRESSURE} above zero"),
        # The loop.
        ('adc_offset = "-1.2 mV"', 'adc_offset = "-1.2 mA"', 'adc_offset = "-1.2 mA"',
         "channels.pressure.adc_offset", '"-1.2 mA" (electric current)',
         "a voltage in uV, mV, V, as the signal"),
        (LIMITS, 'limits = { failure_low = "3.9 mA", measuring_low = "3.8 mA" }', "limits = {",
         "channels.pressure.limits", '"3.9 mA", "3.8 mA", "20.5 mA" and "21 mA"', IN_ORDER),
        (LIMITS, 'limits = { measuring_low = "4.1 mA" }', "limits = {",
         "channels.pressure.limits", '"3.6 mA", "4.1 mA", "20.5 mA" and "21 mA"', IN_ORDER),
        (LIMITS, 'limits = { measuring_high = "21.5 mA" }', "limits = {",
         "channels.pressure.limits", '"3.6 mA", "3.8 mA", "21.5 mA" and "21 mA"', IN_ORDER),
        (POINTS, POINTS + '\ncircuit = { lowest_supply = "24 V", transmitter_least = "9 V" }',
         "circuit = {", "channels.lift.circuit.load", "nothing",
         "the input resistance of the module"),
        # Pulses.
        (K_TABLE, 'k_table = [["50 Hz", "95 pulses/gal"], ["5 Hz", "98 pulses/gal"]]',
         "k_table = [", "channels.spill.k_table[1][0]", '"5 Hz"',
         'more than at the point before it, "50 Hz"'),
        (K_TABLE, K_TABLE + '\nk_factor = "98.4 pulses/gal"', K_TABLE, "channels.spill.k_table",
         "k_factor beside it", ONE_OF_TWO),
        ('greatest_rate = "400 Hz"', 'greatest_rate = "400 Hz"\ngreatest_flow = "9 gpm"',
         'greatest_flow = "9 gpm"', "channels.flow.greatest_flow", "greatest_rate beside it",
         ONE_OF_TWO),
        ("counter_digits = 6", "counter_digits = 6\ncounter_bits = 16", "counter_digits = 6",
         "channels.bypass.counter_digits", "counter_bits beside it", ONE_OF_TWO),
        ("counter_digits = 6", "counter_digits = 17", "counter_digits = 17",
         "channels.bypass.counter_digits", "17",
         "15 at most, for that is how far a float64 counts"),
        ("counter_bits = 32\n", "", "[channels.spill]", "channels.spill.counter_bits", "nothing",
         "the width at which the counter rolls over, or counter_digits"),
        ("k_factor =", 'unit = "gpm"\nk_factor =', 'unit = "gpm"', "channels.flow.unit", '"gpm"',
         "a volume in mL, L, m3, gal, impgal, ft3, in3, kL, ML, Mgal, ccf, acre-ft"),
    ],
)  # fmt: skip
def test_a_rule_broken_is_the_one_fault_told(spoil_everything, case):
    old, new, line, *told = case

    ((at, *answer),) = spoil_everything((old, new))

    assert line in at
    assert answer == told


@pytest.mark.parametrize(
    ("old", "new", "key", "found"),
    [
        ('k_factor = "98.4 pulses/gal"', 'k_factor = "-98.4 pulses/gal"', "flow.k_factor",
         "'-98.4 pulses/gal'"),
        ('k_factor = "98.4 pulses/gal"', 'k_factor = "0 pulses/gal"', "flow.k_factor",
         "'0 pulses/gal'"),
        ('pulse_volume = "10 gal/pulse"', 'pulse_volume = "-1 gal/pulse"', "bypass.pulse_volume",
         "'-1 gal/pulse'"),
        ('"95 pulses/gal"', '"-95 pulses/gal"', "spill.k_table[0][1]", "'-95 pulses/gal'"),
        ('rate_resolution = "2 %"', 'rate_resolution = "0 %"', "flow.rate_resolution", "'0 %'"),
        ('diameter = "12 ft"', 'diameter = "0 ft"', "globe.tank.diameter", "'0 ft'"),
    ],
)  # fmt: skip
def test_what_must_be_above_zero_is(spoil_everything, old, new, key, found):
    ((_, *answer, expected),) = spoil_everything((old, new))

    assert answer == [f"channels.{key}", found]
    assert expected.endswith(" above zero")


@pytest.mark.parametrize(
    ("old", "new", "size"),
    [
        ('load = "250 ohm"', 'load = "1e300 ohm"', "large"),
        ('transmitter_least = "9 V"', 'transmitter_least = "1e-300 V"', "small"),
        ('pulse_volume = "10 gal/pulse"', 'pulse_volume = "1e-310 m3/pulse"', "small"),
        ('elevation = "5660 ft"', 'elevation = "-1e200 ft"', "large"),
        ('diameter = "12 ft"', 'diameter = "1e200 ft"', "large"),
    ],
)
def test_sizes_beyond_computing_are_refused(spoil_everything, old, new, size):
    ((line, _, _, expected),) = spoil_everything((old, new))

    assert line in new or new in line
    assert expected.endswith(f", not as {size} as that")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (POINTS, _points('["4 mA", "150 ft"]', '["12 mA", "70 ft"]', '["20 mA", "0 ft"]')),
        ('stuck_change = "0.001 psi"\n', ""),
        ('stuck_change = "0.001 psi"', 'stuck_change = "1 Pa"'),
        (FASTEST + "\n", ""),
        (LIMITS, 'limits = { measuring_low = "4 mA", failure_low = "4 mA" }'),
        (LIMITS, 'limits = { failure_high = "20 mA", measuring_high = "20 mA" }'),
        ("counter_digits = 6", "counter_digits = 15"),
        ("counter_digits = 6", "counter_bits = 53"),
        ('greatest_rate = "400 Hz"', 'greatest_flow = "200 gpm"'),
        (K_TABLE, 'pulse_volume = "2 gal/pulse"'),
        (K_TABLE, K_TABLE + '\ngreatest_flow = "240 gpm"'),
        ('range = ["0 degC", "0.1 degC"]', 'range = ["32 degF", "212 degF"]'),
    ],
)  # fmt: skip
def test_what_keeps_the_rules_is_let_pass(spoil_everything, old, new):
    assert spoil_everything((old, new)) == []


def test_a_few_degrees_fahrenheit_are_a_step_not_a_temperature(spoil_everything):
    """10 °F as a temperature is -12.2 °C, below zero; as a step it is 5.6 K."""
    wide = 'range = ["0 degC", "0.1 degC"]'

    assert spoil_everything((wide, wide + '\nfastest_change = ["10 degF", "1 h"]')) == []
    ((_, key, found, expected),) = spoil_everything(
        (wide, wide + '\nfastest_change = ["-10 degF", "1 h"]')
    )
    assert (key, found) == ("channels.warmth.fastest_change[0]", '"-10 degF"')
    assert expected.endswith(" above zero")


# ---------------------------------------------------------------------------------- loop circuits

# The wire of the example: 400 ft of AWG 20 and back at 60 °C, 2 · 121.92 m · 33.29 mΩ/m · 1.157
# (ASTM B258 and IEC 60028), are 9.4 ohms.


def circuit(answers):
    ((line, key, found, expected),) = answers
    assert (line, key) == ("[channels.pressure.circuit]", "channels.pressure.circuit")
    return found, expected


def test_a_loop_that_starves_is_told_where_and_what_would_help(spoil_everything):
    """By hand, with 15.2 - 9 - 0.7 V = 5.5 V to spare in 464.9 ohm.

    5.5 V / 464.9 ohm = 11.83 mA, which means (11.83 - 4) / 16 of 30 psi = 14.68 psi; 20 mA take
    9.7 V + 9.298 V, or no more than 5.5 V / 20 mA = 275 ohm, of which 215 are wire.
    """
    found, expected = circuit(
        spoil_everything(
            ('lowest_supply = "23 V"', 'lowest_supply = "15.2 V"'),
            ("wire_gauge = 20", "wire_gauge = 30"),
            ('wire_length = "400 ft"', 'wire_length = "900 ft"'),
        )
    )

    assert found == (
        'a loop that carries 11.83 mA at most: "15.2 V" at the lowest, "9 V" for the transmitter,'
        " 464.9 ohm in the loop (215 of them wire); the reading would go flat at 14.68 psi"
    )
    assert expected == (
        "20 mA: a supply of 19 V or more, or a load of 60 ohm or less, or wire of AWG 20 or thicker"
    )


@pytest.mark.parametrize(
    "remedy",
    [
        ('lowest_supply = "15.2 V"', 'lowest_supply = "19 V"'),
        ('load = "250 ohm"', 'load = "60 ohm"'),
        ("wire_gauge = 30", "wire_gauge = 20"),
    ],
)
def test_every_remedy_named_is_one(spoil_everything, remedy):
    starved = [
        ('lowest_supply = "23 V"', 'lowest_supply = "15.2 V"'),
        ("wire_gauge = 20", "wire_gauge = 30"),
        ('wire_length = "400 ft"', 'wire_length = "900 ft"'),
    ]
    assert spoil_everything(*starved) != []
    assert spoil_everything(*starved, remedy) == []


def test_the_next_thinner_wire_would_not_do(spoil_everything):
    answers = spoil_everything(
        ('lowest_supply = "23 V"', 'lowest_supply = "15.2 V"'),
        ("wire_gauge = 20", "wire_gauge = 21"),
        ('wire_length = "400 ft"', 'wire_length = "900 ft"'),
    )
    assert [key for _, key, *_ in answers] == ["channels.pressure.circuit"]


def test_a_loop_that_does_not_live_is_told_so(spoil_everything):
    found, expected = circuit(
        spoil_everything(('lowest_supply = "23 V"', 'lowest_supply = "9.5 V"'))
    )

    assert found == (
        'a loop that does not even carry 4 mA: "9.5 V" at the lowest, "9 V" for the transmitter,'
        " 259.4 ohm in the loop (9.4 of them wire)"
    )
    assert expected == "20 mA: a supply of 14.89 V or more"


def test_without_a_load_the_shunt_is_reckoned_with_and_without_wire_none_is_proposed(
    spoil_everything,
):
    starved = ('lowest_supply = "23 V"', 'lowest_supply = "14 V"')

    by_shunt = circuit(spoil_everything(starved, ('load = "250 ohm"\n', "")))
    assert by_shunt == circuit(spoil_everything(starved))
    assert by_shunt[1] == "20 mA: a supply of 14.89 V or more, or a load of 205.6 ohm or less"
    found, expected = circuit(spoil_everything(starved, ('wire_length = "400 ft"\n', "")))
    assert "250 ohm in the loop (0 of them wire)" in found
    assert expected == "20 mA: a supply of 14.7 V or more, or a load of 215 ohm or less"


def test_a_circuit_is_not_reckoned_with_a_scale_that_is_wrong(spoil_everything):
    answers = spoil_everything(
        ('lowest_supply = "23 V"', 'lowest_supply = "9.5 V"'), ("median = 3", "median = 4")
    )
    assert [key for _, key, *_ in answers] == ["channels.pressure.median"]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('warmest_wire = "60 degC"', 'warmest_wire = "150 degC"', ", 100 degC at most"),
        ('warmest_wire = "60 degC"', 'warmest_wire = "-60 degC"', ", -50 degC at least"),
        ("wire_gauge = 20", "wire_gauge = 9", "a whole number from 10 to 30"),
        ("wire_gauge = 20", "wire_gauge = 31", "a whole number from 10 to 30"),
    ],
)
def test_wire_that_no_formula_is_for(spoil_everything, old, new, expected):
    ((line, *_, told),) = spoil_everything((old, new))
    assert line == new
    assert told.endswith(expected)
