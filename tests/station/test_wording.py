"""Wrong types, missing and unknown keys: every fault in the project's words, none in pydantic's."""

import re

import pytest
from pydantic import ValidationError

from edge.station.faults import shown
from edge.station.model import Station
from edge.station.wording import faults_of

KINDS = (
    'one of "loop", "pulse", "value", "water-level", "barometric-correction", "drawdown", '
    '"specific-capacity", "tank", "open-channel", "total", "run-time", "sum", "difference"'
)
TABLES = "coil (function 1), discrete input (2), holding register (3), input register (4)"


def key_text(answers):
    return [(key, found, expected) for _, key, found, expected in answers]


@pytest.mark.parametrize(
    "case",  # old text, new text; key, found, expected
    [
        ("latitude = 39.76", 'latitude = "39.76"', "station.latitude", "'39.76'",
         "a number from -90 to 90"),
        ("latitude = 39.76", "latitude = 91", "station.latitude", "91", "a number from -90 to 90"),
        ("latitude = 39.76", "latitude = nan", "station.latitude", "nan",
         "a number from -90 to 90"),
        ('name = "Ash Creek well 2"', 'name = ""', "station.name", "''",
         "a text in quotes, not an empty one"),
        ('name = "Ash Creek well 2"', "name = 2026-03-01", "station.name", "2026-03-01",
         "a text in quotes, not an empty one"),
        ('"America/Denver"', '"America/Ash_Creek"', "station.timezone", "'America/Ash_Creek'",
         'a time zone of the IANA list, such as "America/Denver"'),
        ("baud = 19200", "baud = 19200.0", "buses.rs485.baud", "19200.0",
         "a whole number from 50 to 4000000"),
        ("baud = 19200", "baud = true", "buses.rs485.baud", "true",
         "a whole number from 50 to 4000000"),
        ("unit = 1\n", "unit = 256\n", "buses.rs485.devices.loops.unit", "256",
         "a whole number from 0 to 255"),
        ('"modbus-rtu"', '"modbus-rtv"', "buses.rs485.kind", "'modbus-rtv'",
         'one of "modbus-rtu", "modbus-tcp", "line" (did you mean "modbus-rtu"?)'),
        ('kind = "loop"\n', "", "channels.level.kind", "nothing",
         KINDS),
        ('kind = "loop"', "kind = [4, 20]", "channels.level.kind", "a list",
         KINDS),
        ('table = "input"', 'table = "inputs"', "channels.level.read.table", "'inputs'",
         'one of "coil", "discrete", "input", "holding"'),
        ('table = "input", ', "", "channels.level.read.table", "nothing",
         f'the key "table": {TABLES}'),
        ("table =", "tabel =", "channels.level.read.table", "nothing",
         f'the key "table": {TABLES}'),
        ('{ field = "panel" }', "3", "channels.panel.read", "3", "a table"),
        ('{ field = "panel" }', '{ field = "panel", register = 3 }',
         "channels.panel.read.register", 'unknown key "register"', "only the key field"),
        ("[0, 65535]", "[0]", "channels.level.counts", "a list of 1",
         "a list of 2, each a number"),
        ("[0, 65535]", "[]", "channels.level.counts", "a list of 0",
         "a list of 2, each a number"),
        ("[0, 65535]", "[0, 1, 2]", "channels.level.counts", "a list of 3",
         "a list of 2, each a number"),
        ("[0, 65535]", "65535", "channels.level.counts", "65535", "a list of 2, each a number"),
        ("[0, 65535]", '[0, "65535"]', "channels.level.counts[1]", "'65535'", "a number"),
        ("[0, 65535]", "[0, inf]", "channels.level.counts[1]", "inf", "a number"),
        ('["0 mA", "20 mA"]', '["0 mA", "20 psi"]', "channels.level.signal[1]",
         "'20 psi', a pressure",
         "an electric current in uA, mA, A or a voltage in uV, mV, V"),
        ('sample = "1 min"', 'sample = "0 min"', "channels.level.sample", "'0 min'",
         "a time in ms, s, min, h, d above zero"),
        ('keep = "400 d"', 'keep = "40000 d"', "journal.keep", "'40000 d'",
         "a time in ms, s, min, h, d, 36525 d at most"),
        ("tls = true", "tls = 1", "uplink.tls", "1", "true or false"),
        ("tls = true", 'topic_prefix = "wells/#"', "uplink.topic_prefix", "'wells/#'",
         'MQTT topic levels joined by "/", without "+" or "#"'),
        ("[journal]", "[journal]\nfoo = 1", "journal.foo", 'unknown key "foo"',
         "one of the keys file, keep, size_limit, thin_to"),
        ("[buses.rs485.devices.loops]", "[buses.rs485.devices.Loops]",
         "buses.rs485.devices.Loops", "'Loops'",
         "a name of small letters, digits, '-' and '_', beginning with a letter"),
        ("[channels.panel]", "[channels.2nd]", "channels.2nd", "'2nd'",
         "a name of small letters, digits, '-' and '_', beginning with a letter"),
        ("[channels.panel]", '[channels."[key]"]', "channels.[key]", "'[key]'",
         "a name of small letters, digits, '-' and '_', beginning with a letter"),
        ("unit = 1\n", 'unit = 1\n"[key]" = 1\n', "buses.rs485.devices.loops.[key]",
         'unknown key "[key]"', "one of the keys timeout, retries, back_off_limit, unit"),
    ],
)  # fmt: skip
def test_a_wrong_value_is_told_in_the_projects_words(spoil, case):
    old, new, *told = case

    answers = spoil((old, new))

    assert tuple(told) in key_text(answers)
    assert "" not in {line for line, *_ in answers}
    assert not re.search(r"[Ii]nput should|pydantic|valid dict", str(answers))


PROCESS = 'a number with its unit, such as "30 ft", "500 gal" or "12 gpm"'
K_FACTOR = "a pulses per volume in pulses/gal, pulses/ft3, pulses/L, pulses/m3"
A_SERIES = 'the name of a series, such as "level" or "flow.rate"'
A_TIME = "a date and time, such as 2026-03-01T10:05:00-07:00, without quotes"
FIGURES = 'one of "last", "mean", "min", "max", "sd", "samples", "completeness"'
PERIODS = 'one of "hour", "day", "month", "water-year"'
POINTS = 'points = [["4 mA", "0 ft"], ["12 mA", "74.6 ft"], ["20 mA", "150 ft"]]'
NUMBERED = 'points = [[0, "0 mbar"], [1000, "1001 mbar"]]'
FASTEST = 'fastest_change = ["2 psi", "1 min"]'
VISIT = "at = 2026-02-03T10:40:00-07:00"
SHAPES = '"upright-cylinder", "horizontal-cylinder", "rectangular", "sphere", "strapping-table"'
TYPES = '"v-notch", "rectangular-suppressed", "rectangular-contracted", "cipolletti", "parshall"'


@pytest.mark.parametrize(
    "case",  # old text, new text; key, found, expected
    [
        # Lists in lists, of things that are alike and of things that are not.
        (POINTS, 'points = [["4 mA", "0 ft"]]', "lift.points", "a list of 1",
         f"a list of 2 or more, each a list of 2, each {PROCESS}"),
        (POINTS, "points = []", "lift.points", "a list of 0",
         f"a list of 2 or more, each a list of 2, each {PROCESS}"),
        (POINTS, 'points = "4 mA"', "lift.points", "'4 mA'",
         f"a list of 2 or more, each a list of 2, each {PROCESS}"),
        (POINTS, 'points = [["4 mA", "0 ft"], ["20 mA"]]', "lift.points[1]", "a list of 1",
         f"a list of 2, each {PROCESS}"),
        (POINTS, 'points = [["4 mA", "0 ft"], ["8 mA", "1 ft", 1]]', "lift.points[1]",
         "a list of 3", f"a list of 2, each {PROCESS}"),
        (POINTS, 'points = [["4 mA", "0 ft"], "20 mA"]', "lift.points[1]", "'20 mA'",
         f"a list of 2, each {PROCESS}"),
        (POINTS, 'points = [["4 mA", "0 ft"], [20, "9 ft"]]', "lift.points[1][0]",
         "20 without a unit", PROCESS),
        (NUMBERED, 'points = [[0, "0 mbar"], [3]]', "air.points[1]", "a list of 1",
         f"a list of 2, a number and then {PROCESS}"),
        (NUMBERED, 'points = [[0, "0 mbar"], ["a", "1 mbar"]]', "air.points[1][0]", "'a'",
         "a number"),
        ("k_table = [", 'k_table = [["1 Hz"], ', "spill.k_table[0]", "a list of 1",
         f"a list of 2, a frequency in Hz, kHz and then {K_FACTOR}"),
        (FASTEST, 'fastest_change = "2 psi"', "pressure.fastest_change", "'2 psi'",
         f"a list of 2, {PROCESS} and then a time in ms, s, min, h, d"),
        (FASTEST, 'fastest_change = ["2 psi", "1 ft"]', "pressure.fastest_change[1]",
         "'1 ft', a length", "a time in ms, s, min, h, d"),
        ('of = ["all", "main"]', 'of = ["all"]', "lost.of", "a list of 1",
         f"a list of 2, each {A_SERIES}"),
        ('of = ["all", "main"]', 'of = ["all", "main", "main"]', "lost.of", "a list of 3",
         f"a list of 2, each {A_SERIES}"),
        ('of = ["all", "main"]', 'of = ["all", 3]', "lost.of[1]", "3", A_SERIES),
        ('of = ["flow.rate", ', 'of = "flow.rate" # ', "all.of", "'flow.rate'",
         f"a list of 2 or more, each {A_SERIES}"),
        ('totals = ["day"]', 'totals = ["week"]', "pump.totals[0]", "'week'", PERIODS),
        ('totals = ["day"]', 'totals = "day"', "pump.totals", "'day'", f"a list, each {PERIODS}"),
        ('statistics = ["last", ', "statistics = [] # ", "pressure.statistics", "a list of 0",
         f"a list of 1 or more, each {FIGURES}"),
        # Tables in tables, and such as come in several shapes.
        ('{ shape = "sphere", diameter = "12 ft" }', '"sphere"', "globe.tank", "'sphere'",
         "a table"),
        ('shape = "sphere"', 'shape = "spher"', "globe.tank.shape", "'spher'",
         f'one of {SHAPES} (did you mean "sphere"?)'),
        ('shape = "sphere", ', "", "globe.tank.shape", "nothing", f"one of {SHAPES}"),
        ('shape = "sphere", ', 'shape = "sphere", height = "1 ft", ', "globe.tank.height",
         'unknown key "height"', "one of the keys shape, diameter"),
        ('shape = "sphere", diameter = "12 ft"', 'shape = "sphere"', "globe.tank.diameter",
         "nothing", 'the key "diameter": Inside diameter'),
        ('type = "parshall"', 'type = "parshal"', "flume.structure.type", "'parshal'",
         f'one of {TYPES} (did you mean "parshall"?)'),
        ('[["0 ft", "0 gal"], ', '[["0 ft", "0 ft"], ', "pond.tank.table[0][1]",
         "'0 ft', a length",
         "a volume in mL, L, m3, gal, impgal, ft3, in3, kL, ML, Mgal, ccf, acre-ft"),
        ("dial = {", "dial = 3 # {", "flow.dial", "3", "a table"),
        ('reads = "120450 gal", ', "", "flow.dial.reads", "nothing",
         'the key "reads": What the register showed'),
        ('failure_low = "3.5 mA"', 'failure_low = "3.5 V"', "pressure.limits.failure_low",
         "'3.5 V', a voltage", "an electric current in uA, mA, A"),
        ("wire_gauge = 20", "wire_gauge = 20.5", "pressure.circuit.wire_gauge", "20.5",
         "a whole number from 10 to 30"),
        ("adc_gain = 1.0004", "adc_gain = -1", "pressure.adc_gain", "-1", "a number above 0"),
        # Dates and times.
        (VISIT, 'at = "2026-02-03T10:40:00-07:00"', "well.hand_measurements[0].at",
         "'2026-02-03T10:40:00-07:00'", A_TIME),
        (VISIT, "at = 2026-02-03", "well.hand_measurements[0].at", "2026-02-03", A_TIME),
        (VISIT, "at = 10:40:00", "well.hand_measurements[0].at", "10:40:00", A_TIME),
        (VISIT, "", "well.hand_measurements[0].at", "nothing",
         'the key "at": When, with the offset from UTC: 2026-03-01T10:05:00-07:00'),
        # Units by themselves.
        ('unit = "m3"', 'unit = "cubit"', "tank.unit", "'cubit'",
         'a unit, such as "ft" or "gpm"'),
        ('unit = "m3"', "unit = 3", "tank.unit", "3", 'a unit, such as "ft" or "gpm"'),
    ],
)  # fmt: skip
def test_so_is_one_inside_lists_and_tables(spoil_everything, case):
    old, new, key, *told = case

    ((line, *answer),) = spoil_everything((old, new))

    assert line != ""
    assert answer == [f"channels.{key}", *told]


def test_a_list_that_stands_for_a_table_is_told_item_by_item():
    well = {"kind": "water-level", "of": "level", "hand_measurements": [3, {}]}
    data = {
        "station": {"id": "a", "units": {"length": "gal"}},
        "buses": {},
        "channels": {"w": well},
    }
    with pytest.raises(ValidationError) as caught:
        Station.model_validate(data)

    told = {fault.key: (fault.found, fault.expected) for fault in faults_of(caught.value)}
    assert told["channels", "w", "hand_measurements", 0] == ("3", "a table")
    assert told["channels", "w", "hand_measurements", 1, "by_hand"][0] == "nothing"
    assert told["station", "units", "length"] == (
        "'gal'",
        "the unit alone, for a length in mm, cm, m, km, in, ft, mi",
    )


def test_a_list_of_tables_that_is_no_list_is_told_so():
    well = {"kind": "water-level", "of": "level", "hand_measurements": 3}
    with pytest.raises(ValidationError) as caught:
        Station.model_validate({"channels": {"w": well}})

    told = {fault.key: (fault.found, fault.expected) for fault in faults_of(caught.value)}
    assert told["channels", "w", "hand_measurements"] == ("3", "a list, each a table")


@pytest.mark.parametrize("section", ["station", "buses", "channels", "journal", "uplink"])
def test_a_section_that_is_no_table_is_told_so(section):
    with pytest.raises(ValidationError) as caught:
        Station.model_validate({section: 5})

    faults = {fault.key: (fault.found, fault.expected) for fault in faults_of(caught.value)}
    assert faults[(section,)] == ("5", "a table")


def test_an_entry_that_is_no_table_is_told_so():
    data = {"station": {"id": "a"}, "buses": {"b": 1}, "channels": {"c": True}}
    with pytest.raises(ValidationError) as caught:
        Station.model_validate(data)

    assert [(fault.key, fault.found, fault.expected) for fault in faults_of(caught.value)] == [
        (("buses", "b"), "1", "a table"),
        (("channels", "c"), "true", "a table"),
    ]


def test_an_empty_section_wants_an_entry():
    bus = {"kind": "line", "port": "/dev/ttyS0", "devices": {}}
    with pytest.raises(ValidationError) as caught:
        Station.model_validate({"station": {"id": "a"}, "buses": {"b": bus}, "channels": {}})

    assert [(fault.key, fault.found, fault.expected) for fault in faults_of(caught.value)] == [
        (("buses", "b", "devices"), "no entries", "one at least"),
        (("channels",), "no entries", "one at least"),
    ]


@pytest.mark.parametrize("name", ["modbus-rtu", "line", "read", "kind", "devices", "modbus"])
def test_names_that_sound_like_the_models_own_are_left_alone(name):
    """The path of a fault has steps that are no keys: kinds of buses, channels and reads."""
    device = {"unit": "one"}
    data = {
        "station": {"id": "a"},
        "buses": {
            name: {"kind": "modbus-rtu", "port": "/dev/ttyS0", "devices": {name: device}},
        },
        "channels": {
            name: {
                "kind": "value",
                "bus": name,
                "device": name,
                "read": {"table": "input", "register": -1},
                "range": ["0 m", "1 m"],
                "sample": "1 s",
            }
        },
    }
    with pytest.raises(ValidationError) as caught:
        Station.model_validate(data)

    assert [fault.key for fault in faults_of(caught.value)] == [
        ("buses", name, "devices", name, "unit"),
        ("channels", name, "read", "register"),
    ]


def test_a_missing_section_is_described():
    with pytest.raises(ValidationError) as caught:
        Station.model_validate({})

    assert [(fault.key, fault.found, fault.expected) for fault in faults_of(caught.value)] == [
        (("station",), "nothing",
         'the section "station": Who and where the station is; its id at least'),
        (("buses",), "nothing",
         'the section "buses": Serial lines and network addresses that devices hang on, by name'),
        (("channels",), "nothing", 'the section "channels": What is measured, by name'),
    ]  # fmt: skip


def test_values_are_shown_as_the_file_has_them():
    assert [shown(value) for value in (True, False, {"a": 1}, [1], "x", 1.5)] == [
        "true", "false", "a table", "a list", "'x'", "1.5",
    ]  # fmt: skip
