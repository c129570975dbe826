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
         "one of the keys file, keep, size_limit"),
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
