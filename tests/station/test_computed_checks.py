"""Channels computed from others: each rule broken by one change, and said on its line."""

import pytest

LENGTH = "a length in mm, cm, m, km, in, ft, mi"
PRESSURE = (
    "a pressure in Pa, hPa, kPa, bar, mbar, MPa, atm, psi, ftH2O, inH2O, cmH2O, mH2O, inHg, mmHg"
)
VOLUME = "a volume in mL, L, m3, gal, impgal, ft3, in3, kL, ML, Mgal, ccf, acre-ft"
CURRENT = "an electric current in uA, mA, A"
HOLDS = "dimensions that the formula holds for"
NO_CIRCLE = "a series that is not computed from this channel"
A_SERIES = 'the name of a series, such as "level" or "flow.rate"'
SIZES = "1 in, 2 in, 3 in, 6 in, 9 in, 1 ft, 1.5 ft, 2 ft, 3 ft, 4 ft, 5 ft, 6 ft, 7 ft, 8 ft"
SUM = 'of = ["flow.rate", "bypass.rate", "spill.rate"]'
FIRST_VISIT = "at = 2026-02-03T10:40:00-07:00"
SECOND_VISIT = "at = 2026-02-24T14:05:00-07:00"
TABLE = '["4 ft", "30000 gal"], ["9 ft", "100000 gal"]'


@pytest.mark.parametrize(
    "case",  # old text, new text; part of the line, key, found, expected
    [
        # What an input measures.
        ('of = "notch"', 'of = "depth"', 'of = "depth"', "channels.creek.of",
         "'depth' (length)", "a series of volume flow"),
        ('of = "pressure"', 'of = "warmth"', 'of = "warmth"', "channels.well.of",
         "'warmth' (temperature)", "a series of pressure or length"),
        ('barometer = "air"\nwater', 'barometer = "depth"\nwater', 'barometer = "depth"',
         "channels.well.barometer", "'depth' (length)", "a series of pressure"),
        ('thermometer = "warmth"', 'thermometer = "air"', 'thermometer = "air"',
         "channels.well.thermometer", "'air' (pressure)", "a series of temperature"),
        ('pump = "pump.running"', 'pump = "pump.run_time"', 'pump = "pump.run_time"',
         "channels.drawdown.pump", "'pump.run_time' (time)", "a series of ratio"),
        ('flow = "flow.rate"', 'flow = "flow.total"', 'flow = "flow.total"',
         "channels.yield.flow", "'flow.total' (volume)", "a series of volume flow"),
        ('drawdown = "drawdown"', 'drawdown = "warmth"', 'drawdown = "warmth"',
         "channels.yield.drawdown", "'warmth' (temperature)", "a series of length"),
        (SUM, SUM.replace("bypass.rate", "bypass.total"), "bypass.total", "channels.all.of[1]",
         "'bypass.total' (volume)", "a series of volume flow"),
        ('of = ["all", "main"]', 'of = ["all", "depth"]', 'of = ["all", "depth"]',
         "channels.lost.of[1]", "'depth' (length)", "a series of volume flow"),
        ('of = ["all", "main"]', 'of = ["warmth", "warmth"]', '["warmth", "warmth"]',
         "channels.lost.of[0]", "'warmth' (temperature)", "what has no zero of its own"),
        # The unit to show it in.
        ('unit = "kPa"', 'unit = "ft"', 'unit = "ft"', "channels.pressure.unit",
         '"ft" (length)', PRESSURE),
        ('unit = "m3"', 'unit = "ft"', 'unit = "ft"', "channels.tank.unit", '"ft" (length)',
         VOLUME),
        ('unit = "m3"', 'unit = "%"', 'unit = "%"', "channels.tank.unit", '"%" (ratio)', VOLUME),
        ('unit = "m3"', 'unit = "cubit"', 'unit = "cubit"', "channels.tank.unit", "'cubit'",
         'a unit, such as "ft" or "gpm"'),
        ('unit = "acre-ft"', 'unit = "gpm"', 'unit = "gpm"', "channels.creek.unit",
         '"gpm" (volume flow)', VOLUME),
        # Wells.
        ('barometer = "air"\nwater', "water", "[channels.well]", "channels.well.barometer",
         "nothing", "the air pressure for an absolute transducer"),
        ('transducer = "absolute"\n', "", 'barometer = "air"', "channels.well.barometer",
         "'air'", 'transducer = "absolute" beside it'),
        ('transducer_depth = "160 ft"\n', "", "[channels.observed]",
         "channels.observed.transducer_depth", "nothing", "it, with a submergence given"),
        ('transducer_depth = "160 ft"', 'transducer_depth = "160 ft"\nsalinity = "1 g/kg"',
         'salinity = "1 g/kg"', "channels.observed.salinity",
         "'lift', a length, to go with it", "a pressure"),
        ('transducer_depth = "98.50 ft"\n', "", "[channels.well]",
         "channels.well.transducer_depth", "nothing",
         "it, to go with hand_measurements and measuring_point"),
        (SECOND_VISIT, "at = 2026-02-03T17:40:00Z", "at = 2026-02-03T17:40:00Z",
         "channels.well.hand_measurements[1].at", "2026-02-03T17:40:00+00:00",
         "a time after that of the visit before it, 2026-02-03T10:40:00-07:00"),
        (SECOND_VISIT, "at = 2026-02-03T10:40:00.0001-07:00", "10:40:00.0001",
         "channels.well.hand_measurements[1].at", "2026-02-03T10:40:00.000100-07:00",
         "a time after that of the visit before it, 2026-02-03T10:40:00-07:00"),
        (FIRST_VISIT, "at = 2026-02-03T10:40:00", "at = 2026-02-03T10:40:00",
         "channels.well.hand_measurements[0].at", "2026-02-03T10:40:00",
         "an offset from UTC too, such as -07:00"),
        ('pump = "pump.running"\n', "", "[channels.drawdown]", "channels.drawdown.rest",
         "nothing", "rest or pump"),
        ('pump = "pump.running"', 'pump = "pump.running"\nrest = "12 ft"', "pump =",
         "channels.drawdown.pump", "rest beside it", "only one of the two"),
        # Totals and runs.
        ('off_below = "2 A"', 'off_below = "4 A"', 'off_below = "4 A"',
         "channels.pump.off_below", '"4 A"', '"3 A" at most: on_above'),
        ('off_below = "2 A"', 'off_below = "2 gpm"', 'off_below = "2 gpm"',
         "channels.pump.off_below", '"2 gpm" (volume flow)', CURRENT),
        ('on_above = "3 A"', 'on_above = "3 V"', 'on_above = "3 V"', "channels.pump.on_above",
         '"3 V" (voltage)', CURRENT),
        ('longest_gap = "2 min"', 'longest_gap = "10 s"', 'longest_gap = "10 s"',
         "channels.pump.longest_gap", '"10 s"',
         "longer than the 10 s between two samples of power"),
        ('longest_gap = "10 min"', 'longest_gap = "1 s"', 'longest_gap = "1 s"',
         "channels.creek.longest_gap", '"1 s"',
         "longer than the 10 s between two samples of notch"),
        # Tanks.
        (', bottom_depth = "3 ft"', "", 'bottom = "cone"', "channels.tank.tank.bottom_depth",
         "nothing", "how deep the bottom is"),
        ('bottom = "cone", ', "", 'bottom_depth = "3 ft"', "channels.tank.tank.bottom_depth",
         '"3 ft"', "none: it is flat"),
        ('ends = "dished"', 'ends = "hemispherical"', 'end_depth = "2 ft"',
         "channels.pressure-vessel.tank.end_depth", '"2 ft"', 'ends = "dished" beside it'),
        ('ends = "dished", ', "", 'end_depth = "2 ft"',
         "channels.pressure-vessel.tank.end_depth", '"2 ft"', 'ends = "dished" beside it'),
        (TABLE, '["9 ft", "30000 gal"], ["4 ft", "100000 gal"]', "strapping-table",
         "channels.pond.tank.table[2][0]", '"4 ft"', 'more than at the point before it, "9 ft"'),
        (TABLE, '["4 ft", "30000 gal"], ["9 ft", "30000 gal"]', "strapping-table",
         "channels.pond.tank.table[2][1]", '"30000 gal"',
         'more than at the point before it, "30000 gal"'),
        ('["0 ft", "0 gal"]', '["-1 ft", "0 gal"]', "strapping-table",
         "channels.pond.tank.table[0][0]", '"-1 ft"', "0 ft or more"),
        ('["0 ft", "0 gal"]', '["0 ft", "-5 gal"]', "strapping-table",
         "channels.pond.tank.table[0][1]", '"-5 gal"', "0 gal or more"),
        # Weirs and flumes.
        ('angle = "90 deg"', 'angle = "15 deg"', 'angle = "15 deg"', "channels.notch.structure",
         "a notch of 15 degrees, outside 20 to 100", HOLDS),
        ('throat = "9 in"', 'throat = "10 in"', 'throat = "10 in"', "channels.flume.structure",
         f"a throat of 0.254 m, where the sizes known are {SIZES}", HOLDS),
        ('approach_width = "6 ft"', 'approach_width = "3.2 ft"', "rectangular-contracted",
         "channels.gate.structure", "0.03048 m of plate at either side, less than 0.1 m", HOLDS),
        ('crest_height = "1 ft" }', 'crest_height = "1 in" }', "rectangular-suppressed",
         "channels.sill.structure", "a crest 0.0254 m over the floor, less than 0.1 m", HOLDS),
        ('"cipolletti", width = "2 ft"', '"cipolletti", width = "2 in"', "cipolletti",
         "channels.ditch.structure", "a crest 0.0508 m long, where 0.18288 m are too short",
         HOLDS),
        # Series that are no names.
        ('flow = "flow.rate"', 'flow = "Flow!"', 'flow = "Flow!"', "channels.yield.flow",
         "'Flow!'", A_SERIES),
        # One computed from itself.
        ('of = "lift"', 'of = "observed.depth_to_water"', "of =", "channels.observed.of",
         "'observed.depth_to_water', which is computed from observed", NO_CIRCLE),
    ],
)  # fmt: skip
def test_a_rule_broken_is_the_one_fault_told(spoil_everything, case):
    old, new, line, *told = case

    ((at, *answer),) = spoil_everything((old, new))

    assert line in at
    assert answer == told


@pytest.mark.parametrize(
    "case",  # old text, new text; key, found, and what is near it
    [
        ('of = "notch"', 'of = "notsh"', "creek.of", "'notsh'", "notch"),
        ('flow = "flow.rate"', 'flow = "flow"', "yield.flow", "'flow'", "flow.rate"),
        ('pump = "pump.running"', 'pump = "pump.run"', "drawdown.pump", "'pump.run'",
         "pump.running"),
        (SUM, SUM.replace("bypass.rate", "bypas.rate"), "all.of[1]", "'bypas.rate'",
         "bypass.rate"),
    ],
)  # fmt: skip
def test_a_series_that_is_not_there_is_told_with_those_that_are(spoil_everything, case):
    old, new, key, found, near = case

    ((_, *answer, expected),) = spoil_everything((old, new))

    assert answer == [f"channels.{key}", found]
    assert expected.startswith('one of the series: "pressure", "lift", "main", "flow.total", ')
    assert expected.endswith(f' (did you mean "{near}"?)')


def test_every_channel_of_a_circle_is_told_and_none_beside_it(spoil_everything):
    """`all` and `lost` go in a circle, and so do `beyond` and `here`; `after` is in neither."""
    more = """
[channels.beyond]
kind = "sum"
of = ["here", "here"]
[channels.here]
kind = "sum"
of = ["beyond", "beyond"]
[channels.after]
kind = "total"
of = "lost"
"""
    answers = spoil_everything(
        (SUM, 'of = ["beyond", "lost"]'),
        ('of = ["all", "main"]', f'of = ["all", "main"]\n{more}'),
    )

    assert [tuple(answer[1:3]) for answer in answers] == [
        ("channels.all.of[1]", "'lost', which is computed from all"),
        ("channels.lost.of[0]", "'all', which is computed from lost"),
        ("channels.beyond.of[0]", "'here', which is computed from beyond"),
        ("channels.here.of[0]", "'beyond', which is computed from here"),
    ]


def test_all_inputs_that_are_wrong_are_told(spoil_everything):
    answers = spoil_everything((SUM, 'of = ["flow.rate", "depth", "warmth"]'))
    assert [key for _, key, *_ in answers] == ["channels.all.of[1]", "channels.all.of[2]"]

    answers = spoil_everything((SUM, 'of = ["flowrate", "depht"]'))
    assert [key for _, key, *_ in answers] == ["channels.all.of[0]", "channels.all.of[1]"]


def test_visits_without_an_offset_are_all_told_but_not_compared(spoil_everything):
    answers = spoil_everything(
        (FIRST_VISIT, "at = 2026-02-03T10:40:00"), (SECOND_VISIT, "at = 2026-02-03T10:40:00")
    )

    expected = "an offset from UTC too, such as -07:00"
    assert [answer[1:] for answer in answers] == [
        (f"channels.well.hand_measurements[{n}].at", "2026-02-03T10:40:00", expected)
        for n in (0, 1)
    ]


def test_what_only_a_pressure_has_is_told_key_by_key(spoil_everything):
    given = (
        'transducer = "vented"\nsalinity = "1 g/kg"\nthermometer = "warmth"\n'
        'water_temperature = "3 degC"\ntransducer_depth = "160 ft"'
    )
    answers = spoil_everything(('transducer_depth = "160 ft"', given))

    assert [key.rpartition(".")[2] for _, key, *_ in answers] == [
        "transducer", "salinity", "thermometer", "water_temperature",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("fault", "of_it"),
    [
        # A measured channel with a fault of its own, or of a pair of keys, or a computed one.
        ('unit = "kPa"', 'unit = "ft"'),
        ("median = 3", "median = 4"),
        ("median = 3", "median = true"),
        ("[channels.pressure]", "[channels.pressure"),
    ],
)
def test_what_is_computed_from_a_faulty_channel_says_nothing(spoil_everything, fault, of_it):
    """`well` has one fault more, `steady` and `drawdown` are computed from `well`."""
    answers = spoil_everything((fault, of_it), ('transducer = "absolute"\n', ""))
    assert {key.split(".")[1] for _, key, *_ in answers} == {"pressure"}


def test_what_is_computed_from_a_faulty_computed_channel_says_nothing(spoil_everything):
    answers = spoil_everything(
        ('transducer = "absolute"\n', ""),
        ('of = "well.depth_to_water"', 'of = "well.nonsense"'),
        ('least_drawdown = "1 ft"', 'least_drawdown = "1 ft"\nunit = "ft"'),
    )
    assert [key for _, key, *_ in answers] == ["channels.well.barometer"]


def test_nor_is_what_waits_for_a_series_that_is_not_there(spoil_everything):
    """The fault is told once, where it is, and not down the river."""
    answers = spoil_everything(('of = "pressure"', 'of = "presure"'))
    assert [(key, found) for _, key, found, _ in answers] == [("channels.well.of", "'presure'")]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('off_below = "2 A"', 'off_below = "3 A"'),
        ('off_below = "2 A"', 'off_below = "2000 mA"'),
        ('pump = "pump.running"', 'rest = "12 ft"'),
        ('ends = "dished", end_depth = "2 ft"', 'ends = "dished"'),
        ('ends = "dished", end_depth = "2 ft"', 'ends = "hemispherical"'),
        ('bottom = "cone", bottom_depth = "3 ft"', 'bottom = "dished", bottom_depth = "5 ft"'),
        ('bottom = "cone", bottom_depth = "3 ft"', 'bottom = "flat"'),
        ('["0 ft", "0 gal"]', '["1 ft", "500 gal"]'),
        ('angle = "90 deg"', 'angle = "20 deg"'),
        ('angle = "90 deg"', 'angle = "100 deg"'),
        ('throat = "9 in"', 'throat = "8 ft"'),
        ('throat = "9 in"', 'throat = "228.6 mm"'),
        ('longest_gap = "2 min"', 'longest_gap = "11 s"'),
        ('longest_gap = "2 min"\n', ""),
        ('transducer = "absolute"\nbarometer = "air"\n', ""),
        ('transducer_depth = "98.50 ft"\nmeasuring_point = "5657.12 ft"',
         'transducer_depth = "98.50 ft"'),
        (SECOND_VISIT, "at = 2026-02-03T10:40:00.001-07:00"),
        (SECOND_VISIT, "at = 2026-02-03T10:40:00-08:00"),
        ('of = ["all", "main"]', 'of = ["depth", "lift"]'),
    ],
)  # fmt: skip
def test_what_keeps_the_rules_is_let_pass(spoil_everything, old, new):
    assert spoil_everything((old, new)) == []
