"""``livezero plan`` as people use it: what it prints, what it writes, how it exits."""

import json
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from edge.cli import main
from edge.commands.plan import _write
from tests.stations import CONFIG, WELL_7

SOUTH = CONFIG / "ash-creek-south.toml"
NORTH = CONFIG / "ash-creek-north.toml"

KEYS = {
    "survives",
    "worst_month",
    "tilt_year_deg",
    "tilt_worst_month_deg",
    "panel_w_needed",
    "battery_ah_needed",
    "autonomy_days",
    "loss_of_load_probability",
    "months",
    "stages",
    "days_without_data",
    "lowest_charge",
    "seconds",
}


def livezero(*arguments):
    return CliRunner().invoke(main, [str(a) for a in arguments])


def test_a_station_that_survives(tmp_path):
    file = tmp_path / "plan.html"
    result = livezero("plan", SOUTH, "--years", 1, "--html", file)
    assert result.exit_code == 0
    assert result.output.startswith("Ash Creek south survives as specified.")
    assert file.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_a_station_that_does_not():
    result = livezero("plan", NORTH, "--years", 1, "--seed", 7, "--json")
    assert result.exit_code == 1
    found = json.loads(result.stdout)
    assert found.keys() >= KEYS
    assert found["survives"] is False
    assert found["seconds"] > 0
    assert found["weather"] == "1 random year about the monthly means, seed 7"


def test_a_file_that_says_nothing_of_energy():
    result = livezero("plan", CONFIG / "ash-creek-5.toml")
    assert result.exit_code == 2
    lines = result.stderr.splitlines()
    assert len(lines) == 5
    assert all(line.startswith(f"{CONFIG / 'ash-creek-5.toml'}: energy.") for line in lines)


def test_a_file_that_is_wrong(tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text(SOUTH.read_text().replace('"55 Ah"', "55"))
    result = livezero("plan", bad)
    assert result.exit_code == 2
    assert "energy.battery.capacity" in result.stderr


def test_a_file_of_weather_that_is_not_there(tmp_path):
    text = SOUTH.read_text()
    start, end = text.index("clearness = ["), text.index('ground = "30 %"')
    file = tmp_path / "station.toml"
    file.write_text(f'{text[:start]}typical_year = "none.epw"\n{text[end:]}')
    result = livezero("plan", file)
    assert result.exit_code == 2
    assert f"{tmp_path / 'none.epw'}: found no such file, expected" in result.stderr


def test_a_page_where_no_file_can_be(tmp_path):
    for place in (tmp_path, tmp_path / "none" / "plan.html"):
        result = livezero("plan", SOUTH, "--html", place)
        assert result.exit_code == 2
        assert f"found {place}, expected a file" in result.stderr


def test_a_page_that_the_disk_refuses(capsys):
    with pytest.raises(SystemExit) as caught:
        _write(Path("/dev/full"), "page")
    assert caught.value.code == 2
    assert "cannot be written (No space left on device)" in capsys.readouterr().err


@pytest.mark.parametrize("package", ["pvlib", "matplotlib"])
def test_without_the_extra(monkeypatch, tmp_path, package):
    for name in [one for one in sys.modules if one.startswith("edge.plan")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, package, None)
    result = livezero("plan", SOUTH, "--html", tmp_path / "plan.html")
    assert result.exit_code == 2
    assert f"found no package {package}" in result.stderr
    assert "pip install -e '.[plan]'" in result.stderr


@pytest.mark.parametrize("option", [("--years", "0"), ("--years", "101"), ("--seed", "-1")])
def test_options_out_of_range(option):
    assert livezero("plan", SOUTH, *option).exit_code == 2


def test_what_a_plan_cannot_use_is_named_with_its_line(tmp_path):
    file = tmp_path / "station.toml"
    text = WELL_7.read_text(encoding="utf-8").replace('power = "80 W"', 'power = "0 W"')
    file.write_text(text, encoding="utf-8")
    line = text[: text.index('power = "0 W"')].count("\n") + 1
    result = livezero("plan", file)
    assert result.exit_code == 2
    assert result.stderr == f'{file}:{line}: energy.panel.power: found "0 W", expected more\n'
