"""The bench in dull weather: a whole station that sheds load, is halted, and comes back."""

import asyncio
import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from edge.cli import main
from edge.station.energy import ControllerSection
from edge.station.loader import load
from hw_fakes import sky
from hw_fakes.bench import run_bench
from hw_fakes.bench_plot import plot
from hw_fakes.bench_state import BenchPlan
from hw_fakes.bench_view import plain_lines
from hw_fakes.computer import wakes_above
from tests.stations import WELL

SMALL_BATTERY = Path(__file__).parent / "small_battery.toml"


class Run:
    """Three days on far too small a battery: two dull ones, then a bright one."""

    def __init__(self, directory):
        self.plan = BenchPlan(
            load(SMALL_BATTERY),
            days=3,
            speed=36_000,
            weather="dull-week",
            link_cut_at=None,
            broker_restart_at=None,
        )
        self.lines = []
        show = plain_lines(self.lines.append)
        self.ledger = asyncio.run(run_bench(self.plan, directory, show))
        self.account = self.ledger.energy
        self.json = json.loads(json.dumps(self.ledger.as_json()))


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sky, "_BEFORE", 0)
        patch.setattr(sky, "_DULL", 2)
        return Run(tmp_path_factory.mktemp("bench"))


def test_the_station_goes_down_the_stages_is_halted_and_comes_back(run):
    moves = [move["to"] for move in run.json["moves"]]
    assert moves == ["lean", "sparse", "dark", "sparse", "lean", "normal"]
    assert run.json["moves"][0]["from"] == "normal"
    assert "below 12.3 V" in run.json["moves"][0]["why"]
    assert "above 12.8 V" in run.json["moves"][-1]["why"]
    assert (run.json["halts"], run.json["power_cuts"]) == (1, 0)
    assert run.json["recovered"] is True
    assert run.json["last_stage"] == "normal"


def test_nothing_is_lost_but_what_the_stages_give_up(run):
    assert run.ledger.complaints() == []
    assert run.json["ok"]
    assert run.json["unexplained"] == 0
    assert run.json["made"] == run.json["journalled"] > 400
    assert run.json["arrived"] + run.json["waiting"] == run.json["journalled"]
    assert run.json["given_up"] == run.json["by_status"]["shed"] > 0
    assert run.json["bad"] == 0


def test_pulses_are_counted_also_while_the_computer_is_off(run):
    assert run.json["pulses_world"] == run.json["pulses_station"] > 100_000
    assert run.json["by_status"]["counted-while-down"] > 0


def test_every_hour_is_in_a_stage_and_promises_as_its_stage_has_it(run):
    hours = run.json["hours_by_stage"]
    assert sum(hours.values()) == pytest.approx(72, abs=0.01)
    assert hours["dark, computer off"] > 12
    by_hour = run.json["completeness_by_hour"]
    assert len(by_hour) == 72
    # Four channels every half an hour; none while the computer is off.
    assert by_hour[0]["promised"] == 8
    assert min(hour["promised"] for hour in by_hour) == 0
    # In "sparse" three of them every hour, for the bus of the fourth is stopped.
    assert 3 in {hour["promised"] for hour in by_hour}
    assert run.json["promised"] + run.json["spared"] == pytest.approx(8 * 72, abs=1)
    # At this speed what the daemon takes to end is an hour or more.
    assert sum(hour["journalled"] for hour in by_hour if hour["promised"] == 0) <= 8
    assert 0.9 < run.json["completeness"] < 1.1


def test_the_battery_pays_for_it(run):
    assert run.json["lowest_charge"] < 0.5 < run.json["last_charge"]
    assert 11 < run.json["lowest_v"] < 12


def test_a_station_that_sheds_nothing_is_cut_off_and_begins_anew(tmp_path, monkeypatch):
    monkeypatch.setattr(sky, "_BEFORE", 0)
    monkeypatch.setattr(sky, "_DULL", 2)
    station = load(SMALL_BATTERY)
    limits = {"kind": "pwm", "disconnect": "11.9 V", "reconnect": "12.9 V"}
    controller = ControllerSection.model_validate(limits)
    energy = station.energy.model_copy(update={"stages": [], "controller": controller})
    plan = BenchPlan(
        station.model_copy(update={"energy": energy}),
        days=2.5,
        speed=50_000,
        weather="dull-week",
        link_cut_at=None,
        broker_restart_at=None,
    )
    lines = []
    ledger = asyncio.run(run_bench(plan, tmp_path, plain_lines(lines.append)))
    account = ledger.as_json()
    assert (account["halts"], account["power_cuts"]) == (0, 1)
    assert account["hours_by_stage"]["normal, computer off"] > 6
    assert account["moves"] == []
    assert account["unexplained"] == account["gaps"] == 0
    assert any("the controller has cut off the loads" in line for line in lines)
    assert account["recovered"]


@pytest.mark.parametrize(
    ("section", "volts"),
    [
        ({"controller": {"kind": "pwm", "reconnect": "12.9 V"}}, 12.9),
        ({"controller": {"kind": "pwm"}}, 12.6),
        ({"controller": None}, 12.6),
        ({"controller": None, "stages": []}, 0.0),
    ],
)
def test_a_halted_computer_wakes_when_the_loads_are_given_back(section, volts):
    energy = load(SMALL_BATTERY).energy.model_copy(
        update=section
        | {"controller": section["controller"] and ControllerSection(**section["controller"])}
    )
    assert wakes_above(energy) == volts
    assert wakes_above(None) == 0


def test_what_is_shown_tells_of_stage_battery_and_outputs(run):
    shown = "\n".join(run.lines)
    assert "normal -> lean" in shown
    assert "the computer is halted, to spare the battery" in shown
    assert "the computer has power again, and starts" in shown
    assert "stage     dark" in shown
    assert "the computer is off" in shown
    assert "lamp off" in shown
    assert "% charged" in shown
    text = run.ledger.as_text()
    assert "hours: dark, computer off" in text
    assert "normal -> lean: " in text
    assert "everything adds up" in text


def test_a_run_can_be_drawn(run, tmp_path):
    picture, drawing = tmp_path / "run.png", tmp_path / "run.svg"
    for file in (picture, drawing):
        plot(run.plan, run.plan.station.energy, run.account, file)
    assert picture.read_bytes().startswith(b"\x89PNG")
    words = drawing.read_text(encoding="utf-8")
    for label in (
        "Ash Creek well 8", "battery voltage, V", "charge, %", "readings an hour", "computer off",
        "lean below 12.30 V", "dark until above 12.60 V", "America/Denver",
    ):  # fmt: skip
        assert label in words


def test_in_fair_weather_nothing_is_shed_and_nothing_else_happens(tmp_path):
    options = ["--days", "0.2", "--weather", "fair", "--speed", "10000", "--json"]
    picture = tmp_path / "run.png"
    done = subprocess.run(
        [sys.executable, "-m", "edge", "bench", SMALL_BATTERY, *options, "--plot", picture],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    ledger = json.loads(done.stdout.splitlines()[-1])
    assert done.returncode == 0, ledger
    assert (ledger["weather"], ledger["moves"], ledger["given_up"]) == ("fair", [], 0)
    assert (ledger["link_cuts"], ledger["broker_restarts"]) == (0, 0)
    assert picture.stat().st_size > 10_000


@pytest.mark.parametrize(
    ("station", "name", "words"),
    [
        (WELL, "run.png", "a station without [energy]"),
        (SMALL_BATTERY, "run.gif", "a name that ends in .png or .svg"),
        (SMALL_BATTERY, "nowhere/run.png", "found no directory"),
    ],
)
def test_what_cannot_be_drawn_is_told_before_the_run(tmp_path, station, name, words):
    result = CliRunner().invoke(main, ["bench", str(station), "--plot", str(tmp_path / name)])
    assert result.exit_code == 2
    assert words in result.stderr


def test_without_matplotlib_the_extra_is_named(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    options = ["bench", str(SMALL_BATTERY), "--plot", str(tmp_path / "run.png")]
    result = CliRunner().invoke(main, options)
    assert result.exit_code == 2
    assert "pip install -e '.[plan]'" in result.stderr


def test_no_other_weather():
    result = CliRunner().invoke(main, ["bench", str(SMALL_BATTERY), "--weather", "hail"])
    assert result.exit_code == 2
    assert "dull-week" in result.stderr
