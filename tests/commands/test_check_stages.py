"""``livezero check`` on a station that sheds load: its stages, and the ways between them."""

import pytest
from click.testing import CliRunner

from edge.cli import main
from edge.energy.keeper import in_words
from edge.energy.stages import Effects
from edge.station.loader import load
from tests.stations import CONFIG, TANK, WELL

SHEDDING = CONFIG / "ash-creek-7.toml"
ENERGY = """
[energy]
voltage = "battery"
lost_after = "30 min"

[[energy.stages]]
name = "lean"
cutoff = "12.1 V"
restore = "12.6 V"
dwell = "20 min"
stretch_sampling = 5
stretch_publishing = 2

[[energy.stages]]
name = "sparse"
cutoff = "11.8 V"
restore = "12.4 V"
stop_buses = ["rs485"]
publish_at = ["18:30"]
"""


def livezero(*arguments):
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture
def station(tmp_path):
    file = tmp_path / "shedding.toml"
    file.write_text(WELL.read_text(encoding="utf-8") + ENERGY, encoding="utf-8")
    return file


def test_the_whole_table_of_a_station(station):
    result = livezero("check", station, "--stages")
    assert result.exit_code == 0
    table, sheds, remarks = result.output.split("\n\n")
    assert [" ".join(line.split()) for line in table.splitlines()] == [
        "STAGE BATTERY'S VOLTAGE DWELL WHAT IS DONE",
        "normal below 12.1 V not yet stay",
        "normal below 12.1 V passed enter lean",
        "normal 12.1 V or more not yet stay",
        "normal 12.1 V or more passed stay",
        "normal not known not yet stay",
        "normal not known passed stay",
        "normal not known for 30 min not yet stay",
        "normal not known for 30 min passed stay",
        "lean below 11.8 V not yet stay",
        "lean below 11.8 V passed enter sparse",
        "lean 11.8 V to 12.6 V not yet stay",
        "lean 11.8 V to 12.6 V passed stay",
        "lean above 12.6 V not yet stay",
        "lean above 12.6 V passed enter normal",
        "lean not known not yet stay",
        "lean not known passed stay",
        "lean not known for 30 min not yet stay",
        "lean not known for 30 min passed enter normal",
        "sparse 12.4 V or less not yet stay",
        "sparse 12.4 V or less passed stay",
        "sparse above 12.4 V not yet stay",
        "sparse above 12.4 V passed enter lean",
        "sparse not known not yet stay",
        "sparse not known passed stay",
        "sparse not known for 30 min not yet stay",
        "sparse not known for 30 min passed enter normal",
    ]
    assert [" ".join(line.split()) for line in sheds.splitlines()] == [
        "STAGE DWELL WHAT IT SHEDS",
        "normal 20 min nothing is shed",
        "lean 20 min sampling 5 times less often, publishing 2 times less often",
        "sparse 15 min sampling 5 times less often, publishing at 18:30 only, not polled: rs485",
    ]
    assert remarks.splitlines() == [
        "The voltage is the median of battery over 5 min, and over three samples at least.",
        "Where it has not been known for 30 min the stage is normal.",
    ]


def test_a_station_that_halts_and_compensates():
    output = livezero("check", SHEDDING, "--stages").output
    energy = load(SHEDDING).energy
    millivolts = energy.compensation.value * 6 * 1000  # six cells
    assert "the computer halted" in output
    assert "halt again" in output
    assert "one dwell to show a higher voltage" in output
    change = f"is above that, all of them change by {millivolts:+.3g} mV."
    assert f"for every °C that {energy.temperature} {change}" in output


def test_the_stages_in_a_line_of_the_plain_check(station):
    result = livezero("check", station)
    assert result.exit_code == 0
    assert "  stages: lean below 12.1 V, sparse below 11.8 V\n" in result.output
    assert "stages" not in livezero("check", WELL).output


@pytest.mark.parametrize("file", [WELL, TANK])
def test_a_station_without_stages(file):
    result = livezero("check", file, "--stages")
    assert result.exit_code == 2
    assert result.stdout == ""
    expected = "energy.stages: found none, expected one or more for --stages"
    assert result.stderr == f"{file}: {expected}\n"


def test_a_wrong_file_is_told_as_ever(station):
    station.write_text(station.read_text().replace('"12.6 V"', '"12.0 V"'), encoding="utf-8")
    result = livezero("check", station, "--stages")
    assert result.exit_code == 2
    assert "energy.stages[0].restore" in result.stderr


def test_one_manner_at_a_time(station):
    result = livezero("check", station, "--stages", "--json")
    assert result.exit_code == 2
    assert "found both --json and --stages" in result.stderr


@pytest.mark.parametrize(
    ("effects", "words"),
    [
        (Effects(), "nothing is shed"),
        (Effects(off=frozenset({"modem"})), "off: modem"),
        (Effects(off=frozenset({"b", "c", "a"})), "off: a, b, c"),
        (
            Effects(stretch_publishing=6, publish_at=(5, 720)),
            "publishing at 00:05, 12:00 only",
        ),
        (Effects(halt=True), "the computer halted"),
    ],
)
def test_what_is_in_words(effects, words):
    assert in_words(effects) == words
