"""Broken station files, and everything that is to be said about each, word for word.

Every line at fault is marked in the file itself, so the line numbers here cannot drift unseen.
"""

import re
from pathlib import Path

import pytest

from edge.station.faults import StationFileError
from edge.station.loader import load

BROKEN = Path(__file__).parent / "broken"
MARK = "# <-"

TOPIC_LEVEL = (
    "an id that can be one MQTT topic level: letters, digits, '-', '_', '.' and ':', "
    "beginning with a letter or digit"
)
PROCESS_UNITS = (
    "a length in mm, cm, m, km, in, ft, mi or a volume in mL, L, m3, gal, impgal, ft3, acre-ft or "
    "a volume flow in gpm, cfs, MGD, L/s, L/min, m3/h, m3/s or "
    "a pressure in Pa, hPa, kPa, bar, mbar, psi, ftH2O, inH2O, mH2O, inHg or "
    "a temperature in degC, degF, K or a voltage in uV, mV, V or "
    "an electric current in uA, mA, A or a power in mW, W, kW or a frequency in Hz, kHz or "
    'a ratio in 1, %, such as "30 ft"'
)

FAULTS = {
    "text_without_quotes": [
        "17: channels.level.sample: found 'min' at column 12, expected the end of the line; text "
        'stands in quotes, such as "30 ft"',
    ],
    "header_without_bracket": [
        '11: channels.level: found the end of the line, expected "]" after the name of a table',
    ],
    "bracket_over_two_lines": [
        "17: channels.level.range: found 'ft]' at column 6, expected \",\" or \"]\"; text stands in "
        'quotes, such as "30 ft"',
    ],
    "two_channels_of_one_name": [
        "19: channels.level: found a second table of this name (the first is on line 11), "
        "expected every name once",
    ],
    "key_given_twice": [
        "18: channels.level.sample: found a second value for this name (the first is on line 17), "
        "expected every name once",
    ],
    "unknown_key": [
        '3: station.nam: found unknown key "nam", expected one of the keys id, name, latitude, '
        'longitude, elevation, timezone (did you mean "name"?)',
    ],
    "unknown_section": [
        '19: uplnik: found unknown section "uplnik", expected one of the sections station, buses, '
        'channels, journal, uplink (did you mean "uplink"?)',
    ],
    "missing_unit": [
        f"16: channels.level.range[0]: found 0 without a unit, expected {PROCESS_UNITS}",
        f"16: channels.level.range[1]: found 30 without a unit, expected {PROCESS_UNITS}",
    ],
    "wrong_dimension": [
        "3: station.elevation: found '5 gal', a volume, expected a length in mm, cm, m, km, in, "
        "ft, mi",
    ],
    "register_out_of_range": [
        "15: channels.level.read.register: found 65536, expected a whole number from 0 to 65535",
    ],
    "id_with_a_slash": [f"2: station.id: found 'ash-creek/2', expected {TOPIC_LEVEL}"],
    "device_without_unit": [
        '8: buses.rs485.devices.loops.unit: found nothing, expected the key "unit": Its address: '
        "1 to 247 on a serial line; over TCP also 0 and 255",
    ],
    "no_channels": [
        'None: channels: found nothing, expected the section "channels": What is measured, by name',
    ],
    "bus_not_there": [
        "13: channels.level.bus: found 'rs458', expected one of the buses: \"rs485\" "
        '(did you mean "rs485"?)',
    ],
    "type_off_the_table": [
        "15: channels.level.read.register: found 65535, where a uint32 of 2 registers runs off "
        "the table, expected 65534 at most",
    ],
    "record_shorter_than_sample": [
        '18: channels.level.record: found "30 s", shorter than the sample interval, expected a '
        'whole multiple of the sample interval "1 min"',
    ],
    "five_faults": [
        f"2: station.id: found 'ash creek', expected {TOPIC_LEVEL}",
        "8: buses.rs485.framing: found '8-N-1', expected data bits, parity and stop bits, such as "
        '"8N1" or "7E1"',
        "27: channels.level.sample: found the end of the line, expected the closing quote of a "
        "text",
        "33: channels.battery.read.field: found 'batery', expected one of the groups in the reply "
        'of device "charger": "battery" (did you mean "battery"?)',
        "39: uplink.publish: found '1 m', a length, expected a time in ms, s, min, h, d",
    ],
}


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_of_a_broken_file_is_named_with_line_and_key(name):
    path = BROKEN / f"{name}.toml"

    with pytest.raises(StationFileError) as caught:
        load(path)

    faults = caught.value.faults
    told = [f"{f.line}: {f.key}: found {f.found}, expected {f.expected}" for f in faults]
    assert told == FAULTS[name]
    rows = path.read_text().split("\n")
    marked = [number for number, row in enumerate(rows, 1) if MARK in row]
    assert sorted({f.line for f in faults if f.line is not None}) == marked
    assert {f.file for f in faults} == {str(path)}


def test_every_broken_file_is_described_here():
    assert {path.stem for path in BROKEN.glob("*.toml")} == set(FAULTS)


def test_the_error_as_text_is_one_line_a_fault():
    path = BROKEN / "five_faults.toml"

    with pytest.raises(StationFileError) as caught:
        load(path)

    lines = str(caught.value).split("\n")
    assert len(lines) == 5
    assert lines[0] == f"{path}:2: station.id: found 'ash creek', expected {TOPIC_LEVEL}"


def test_a_fault_of_the_whole_file_has_no_line():
    path = BROKEN / "no_channels.toml"

    with pytest.raises(StationFileError, match=f"^{re.escape(str(path))}: channels: found nothing"):
        load(path)
