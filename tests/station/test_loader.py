"""From file to station: files that cannot be read, files that can, and where other files lie."""

import os
import re
import socket
import tomllib
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from edge.readings import Sample
from edge.station.checks import check
from edge.station.faults import StationFileError
from edge.station.loader import journal_path, load, secret_path, station_from
from edge.station.model import Station
from edge.station.parts import Parts
from edge.station.schema import json_schema
from edge.station.syntax import parse
from tests.station.toml_as_json import as_an_editor_sees_it
from tests.stations import CONFIG, WELL, WELL_7

EXAMPLE = CONFIG / "ash-creek-2.toml"
NOBODY = 65534
EVERYTHING = Path(__file__).parent / "everything.toml"
SCHEMA = Draft202012Validator(json_schema())


def told(path):
    with pytest.raises(StationFileError) as caught:
        load(path)
    (fault,) = caught.value.faults
    assert (fault.file, fault.key) == (str(path), "")
    return fault.line, fault.found, fault.expected


@contextmanager
def as_an_ordinary_user():
    """Root may read anything; do without being root meanwhile."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


# ---------------------------------------------------------------------- files that are unreadable


def test_a_file_that_is_not_there(tmp_path):
    path = tmp_path / "station.toml"
    assert told(path) == (None, "no such file", "a station file")
    with pytest.raises(StationFileError) as caught:
        load(path)
    assert str(caught.value) == f"{path}: found no such file, expected a station file"


def test_a_link_that_leads_nowhere(tmp_path):
    link = tmp_path / "station.toml"
    link.symlink_to(tmp_path / "gone.toml")
    assert told(link) == (None, "no such file", "a station file")


def test_a_directory(tmp_path):
    assert told(tmp_path) == (None, "a directory", "a station file")


def test_a_file_without_permission(tmp_path):
    path = tmp_path / "station.toml"
    path.write_bytes(EXAMPLE.read_bytes())
    path.chmod(0)
    with as_an_ordinary_user():
        assert told(path) == (None, "a file that this user may not read", "a station file")


def test_a_socket(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # the path of a socket must be short
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind("station.toml")
        line, found, _ = told(Path("station.toml"))
    assert line is None
    assert found == "a file that cannot be read (no such device or address)"


def test_a_file_whose_content_cannot_be_read():
    # Opens like a file; reading from address 0 of this process fails with EIO.
    line, found, _ = told(Path("/proc/self/mem"))
    assert line is None
    assert found == "a file that cannot be read (input/output error)"


def test_a_file_far_too_large(tmp_path):
    path = tmp_path / "station.toml"
    path.write_bytes(b"#" * 1_000_001)
    assert told(path) == (None, "a file of more than 1 MB", "a station file")


def test_a_file_in_another_encoding(tmp_path):
    path = tmp_path / "station.toml"
    path.write_bytes('[station]\nid = "ash-creek-2"\nname = "Ash Créek"\n'.encode("latin-1"))
    assert told(path) == (3, "the byte 0xe9, which is not UTF-8", "text in UTF-8 throughout")


def test_a_byte_order_mark_is_no_matter(tmp_path):
    path = tmp_path / "station.toml"
    path.write_bytes(b"\xef\xbb\xbf" + EXAMPLE.read_bytes())
    assert load(path) == load(EXAMPLE)


# ------------------------------------------------------------------------------ files that are good


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.toml")), ids=lambda path: path.stem)
def test_every_example_loads_and_computes(path):
    station = load(path)

    assert set(station.room().channels) == set(station.channels)


def test_the_example_is_what_it_says():
    station = load(EXAMPLE)

    assert station.station.id == "ash-creek-2"
    assert station.station.elevation.value == pytest.approx(1731.264)  # 5680 ft
    assert station.buses["rs485"].devices["loops"].timeout.value == 0.3
    level = station.channels["level"]
    assert level.counts == (0, 65535)
    assert level.scale().value(65535 * 12 / 20)[0] == pytest.approx(75 * 0.3048)  # 12 mA: half
    assert station.channels["flow"].modulus == 2**32
    assert station.channels["panel"].record_ms == 300_000
    assert station.uplink.port_number == 8883


def test_a_coil_is_a_bit_without_saying_so(example):
    read = 'read = { table = "input", register = 0, type = "uint16" }'
    station = station_from(
        example.replace(read, 'read = { table = "coil", register = 3 }'), "station.toml"
    )
    assert station.channels["level"].read.type == "bit"
    assert station.channels["level"].read.width == 1
    assert station.channels["head"].read.type == "uint16"


# ---------------------------------------------------------------------------- any file whatsoever

PIECES = [
    "0", "-1", "65535", "65536", "1e999", "nan", "true", '""', '"0 ft"', '"100 psi"', '"1 min"',
    '"90 s"', '"1 ms"', '"5 gal"', '"1 V"', '"250 ohm"', '"coil"', '"holding"', '"float64"',
    '"bit"', '"loop"', '"pulse"', '"value"', '"line"', '"modbus-tcp"', '"modbus-rtu"', '"rs485"',
    '"charger"', '"loops"', '"controller"', "[]", "[0, 1]", '["0 V", "5 V"]', "[1, 2, 3]", "{}",
    '{ field = "battery" }', '{ table = "coil", register = 0 }', "2026-03-01", "'('", '"a/b"',
    '"1e-300 ft"', '"1e300 ft"', '"1e300 ohm"', '"1e300 gpm"', '"0 %"', '"100 %"', '"-500 degC"',
    '"degF"', '"%"', '"gal"', '"level"', '"flow.rate"', '"flow.total"', '"pump.running"', '"well"',
    '["flow.rate", "main"]', '["warmth", "warmth"]', '["level", "level"]', '["mean", "mean"]',
    '[["4 mA", "1 ft"], ["8 mA", "2 ft"]]', '[[0, "1 ft"], [1, "2 ft"], [2, "2 ft"]]', '[["4 mA"]]',
    '[[]]', '[["1 Hz", "1 pulses/gal"], ["2 Hz", "1 pulses/gal"]]', '["1 ft", "1 min"]',
    '["1 ft"]', '{ shape = "sphere", diameter = "1e300 m" }',
    '{ shape = "sphere" }', '{ type = 3 }',
    '{ shape = "strapping-table", table = [["0 ft", "0 gal"], ["0 ft", "1 gal"]] }',
    '{ shape = "" }',
    '{ type = "parshall", throat = "5 in" }', '{ type = "v-notch", angle = "5 deg" }',
    '{ lowest_supply = "12 V", transmitter_least = "10 V", load = "1e14 ohm" }', "1", '"absolute"',
    '{ lowest_supply = "1e14 V", transmitter_least = "1e-14 V" }', '{ failure_low = "20 mA" }',
    "[{ at = 2026-03-01T10:00:00, by_hand = \"1 ft\", by_station = \"1 ft\" }]", "[{ at = 3 }]",
    "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59.999999-12:00", "10:05:00",
    '{ reads = "1 gal" }', '{ length = "m", flow = "ft" }',
]  # fmt: skip
KEYS = [
    "shunt", "record", "counter_bits", "k_factor", "pulse_volume", "request", "unit", "kind",
    "read", "tls", "ca_file", "key_file", "counts", "signal", "range", "title", "nonsense",
    "points", "of", "k_table", "k_table", "statistics", "totals", "circuit", "limits", "median",
    "stuck_after", "stuck_change", "fastest_change", "rest", "pump", "barometer", "tank", "zero",
    "structure", "hand_measurements", "at", "dial", "rate_resolution", "longest_gap", "elevation",
    "damping", "transducer_depth", "warmest_wire", "counter_digits", "greatest_flow", "units",
]  # fmt: skip


def changed(rows, data):
    """Change a station file line by line, in ways that people do and in ways they do not."""
    for _ in range(data.draw(st.integers(1, 4))):
        number = data.draw(st.integers(0, len(rows) - 1))
        row = rows[number]
        match data.draw(st.sampled_from(["drop", "repeat", "value", "key", "type"])):
            case "drop":
                rows[number] = ""
            case "repeat":
                rows.insert(data.draw(st.integers(0, len(rows))), row)
            case "value":
                rows[number] = f"{row.split('=')[0]}= {data.draw(st.sampled_from(PIECES))}"
            case "key":
                key, piece = data.draw(st.sampled_from(KEYS)), data.draw(st.sampled_from(PIECES))
                rows.insert(number + 1, f"{key} = {piece}")
            case "type":
                start = data.draw(st.integers(0, len(row)))
                typed = data.draw(st.text("[]{}\"'\\=.,# a0", max_size=3))
                rows[number] = row[:start] + typed + row[start + 2 :]
    return "\n".join(rows)


@pytest.mark.parametrize("path", [EXAMPLE, EVERYTHING], ids=["example", "everything"])
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_a_changed_file_is_either_good_throughout_or_told_what_is_wrong(path, data):
    text = changed(path.read_text().split("\n"), data)
    faults, station = [], None
    try:
        station = station_from(text, "station.toml")
    except StationFileError as error:
        faults = error.faults
    assert bool(faults) is (station is None)
    lines = [fault.line or 0 for fault in faults]
    assert lines == sorted(lines)
    assert len(set(faults)) == len(faults)
    assert "nput should" not in str(faults)
    if station is None:
        return
    # What passes can be computed with, and keeps to the published schema.
    for channel in station.measured.values():
        assert channel.device in station.buses[channel.bus].devices
        assert channel.sample_ms >= 100
        assert channel.record_ms % channel.sample_ms == 0
    room = station.room()
    for second in (0, 1):
        room.take([(Sample(name, second * 1000, second, 1.0), True) for name in station.measured])
    for name in station.channels:
        room.explain(name)
    assert list(SCHEMA.iter_errors(as_an_editor_sees_it(parse(text, "").data))) == []


# ------------------------------------------------------------------------------ where files are


@pytest.fixture
def station():
    return load(EXAMPLE)


def test_the_journal_is_beside_the_station_file_by_default(station):
    path = journal_path(station, Path("/etc/livezero/well.toml"), {})
    assert path == Path("/etc/livezero/ash-creek-2.sqlite")
    assert journal_path(station, Path("well.toml"), {"STATE_DIRECTORY": ""}) == Path(
        "ash-creek-2.sqlite"
    )


def test_the_service_keeps_the_journal_in_its_state_directory(station):
    path = journal_path(station, Path("/etc/well.toml"), {"STATE_DIRECTORY": "/var/lib/livezero"})
    assert path == Path("/var/lib/livezero/ash-creek-2.sqlite")
    # systemd.exec(5): several directories are joined with colons.
    path = journal_path(station, Path("/etc/well.toml"), {"STATE_DIRECTORY": "/var/lib/a:/b"})
    assert path == Path("/var/lib/a/ash-creek-2.sqlite")


@pytest.mark.parametrize(
    ("file", "path"),
    [("data/well.db", "/etc/livezero/data/well.db"), ("/srv/well.db", "/srv/well.db")],
)
def test_a_journal_that_is_named_is_where_it_says(example, file, path):
    station = station_from(
        example.replace("[journal]", f'[journal]\nfile = "{file}"'), "station.toml"
    )
    environ = {"STATE_DIRECTORY": "/var/lib/livezero"}
    assert journal_path(station, Path("/etc/livezero/well.toml"), environ) == Path(path)


def test_secrets_are_looked_for_among_the_credentials_first(tmp_path):
    station_file = tmp_path / "etc" / "well.toml"
    credentials = tmp_path / "credentials"
    credentials.mkdir()
    environ = {"CREDENTIALS_DIRECTORY": str(credentials)}
    beside = tmp_path / "etc" / "mqtt-password"

    assert secret_path("mqtt-password", station_file, {}) == beside
    assert secret_path("mqtt-password", station_file, environ) == beside
    (credentials / "mqtt-password").touch()
    assert secret_path("mqtt-password", station_file, environ) == credentials / "mqtt-password"
    assert secret_path("/etc/key.pem", station_file, environ) == Path("/etc/key.pem")


def test_the_station_file_explained_in_the_readme_is_good():
    readme = (CONFIG.parent / "README.md").read_text(encoding="utf-8")
    whole, *parts = re.findall(r"```toml\n(.*?)```", readme, re.DOTALL)
    station = station_from(whole, "README.md")
    assert {"level", "flow"} <= set(station.room().channels)

    # What is explained further on is good in the place of the like in a whole file.
    assert parts
    for part in parts:
        data = tomllib.loads(WELL_7.read_text(encoding="utf-8"))
        for section, explained in tomllib.loads(part).items():
            data[section] |= explained
        assert check(Parts.of(Station.model_validate(data))) == []


def test_the_journal_of_an_installed_station_is_found(tmp_path, monkeypatch):
    monkeypatch.setattr("edge.station.loader.SERVICE_STATE", tmp_path / "state")
    file = tmp_path / "etc" / "well.toml"
    station = load(WELL)
    assert journal_path(station, file, {}) == tmp_path / "etc" / "ash-creek-2.sqlite"
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "ash-creek-2.sqlite").touch()
    assert journal_path(station, file, {}) == tmp_path / "state" / "ash-creek-2.sqlite"


def test_the_journal_of_an_installed_station_is_found_by_who_may_not_look(monkeypatch):
    def forbidden(_path):
        raise PermissionError

    monkeypatch.setattr(Path, "exists", forbidden)
    path = journal_path(load(WELL), Path("/etc/livezero/well.toml"), {})
    assert path == Path("/var/lib/livezero/ash-creek-2.sqlite")
