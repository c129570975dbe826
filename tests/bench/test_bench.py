"""The bench from end to end, in short runs."""

import json
import os
import pty
import subprocess
import sys

import pytest
from click.testing import CliRunner

from edge.cli import main
from tests.conftest import free_port
from tests.stations import TANK, WELL


def bench(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "edge", "bench", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


KEYS = {
    "made", "journalled", "arrived", "duplicates", "gaps", "pulses_world", "pulses_station",
    "level_rms_m", "level_worst_m", "ok",
}  # fmt: skip


def test_a_few_hours_at_the_well_with_a_cut_and_a_restart():
    done = bench(WELL, "--days", 0.15, "--json")
    ledger = json.loads(done.stdout.splitlines()[-1])
    assert done.returncode == 0, ledger
    assert ledger.keys() >= KEYS
    assert ledger["ok"]
    assert ledger["made"] == ledger["journalled"] == ledger["arrived"] > 500
    assert ledger["gaps"] == ledger["unknown"] == ledger["altered"] == 0
    assert ledger["duplicates"] > 0
    assert ledger["pulses_world"] == ledger["pulses_station"] > 10_000
    assert "link cut" in done.stderr
    assert "broker started again" in done.stderr


def test_a_few_hours_at_the_tank():
    done = bench(TANK, "--days", 0.05)
    assert done.returncode == 0, done.stdout
    assert "everything adds up" in done.stdout


def test_a_broker_of_ones_own_and_a_dead_device(mosquitto):
    done = bench(
        WELL, "--days", 0.05, "--json", "--log",
        "--broker", f"127.0.0.1:{mosquitto.port}", "--dead", "rs485.counter",
    )  # fmt: skip
    ledger = json.loads(done.stdout.splitlines()[-1])
    assert done.returncode == 0, ledger  # what was asked for is no surprise
    assert ledger["bad"] > 2
    assert ledger["arrived"] == ledger["made"]
    assert (ledger["broker"], ledger["broker_restarts"]) == ("127.0.0.1", 0)
    assert ledger["pulses_station"] == 0
    assert "no reply within the time-out" in done.stderr


def test_on_a_terminal_there_is_a_live_screen():
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "edge", "bench", str(WELL), "--days", "0.01"],
        stdin=theirs,
        stdout=theirs,
        env=os.environ | {"TERM": "xterm", "COLUMNS": "100", "LINES": "40"},
    ) as process:
        os.close(theirs)
        shown = b""
        try:
            while data := os.read(ours, 4096):
                shown += data
        except OSError:  # how a pty ends
            pass
    os.close(ours)
    assert process.returncode == 0
    assert b"Ash Creek well 2 on the bench" in shown
    assert b"flow.total" in shown
    assert b"receiver" in shown
    assert b"everything adds up" in shown


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--broker", "nowhere"], "expected HOST:PORT"),
        (["--dead", "rs485.nothing"], "expected one of rs485.loops, rs485.counter"),
        (["--broker", "localhost:99999"], "expected HOST:PORT"),
        (["--days", "0"], "not in the range"),
        (["--days", "nan"], "not a number"),
        (["--speed", "-1"], "not in the range"),
    ],
)
def test_bad_options(options, words):
    result = CliRunner().invoke(main, ["bench", str(WELL), *options])
    assert result.exit_code == 2
    assert words in result.stderr


def test_a_broker_that_is_not_there_is_told_at_once():
    done = bench(WELL, "--broker", f"127.0.0.1:{free_port()}")
    assert done.returncode == 1
    assert "bench: found no broker at 127.0.0.1" in done.stderr


def test_without_the_broker_package_the_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "amqtt", None)
    monkeypatch.setitem(sys.modules, "amqtt.broker", None)
    for name in [name for name in sys.modules if name.startswith("hw_fakes.b")]:
        monkeypatch.delitem(sys.modules, name)
    result = CliRunner().invoke(main, ["bench", str(WELL)])
    assert result.exit_code == 2
    assert "pip install -e '.[bench]'" in result.stderr
