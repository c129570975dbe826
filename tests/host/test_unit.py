"""The systemd unit, as systemd itself understands it."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

UNIT = Path(__file__).parents[2] / "systemd" / "livezero@.service"
ANALYZE = shutil.which("systemd-analyze")


def settings(section):
    """Return the lines of a section of the unit, in the order of the file."""
    lines = UNIT.read_text(encoding="utf-8").splitlines()
    begin = lines.index(f"[{section}]") + 1
    end = next((i for i in range(begin, len(lines)) if lines[i].startswith("[")), len(lines))
    return [line for line in lines[begin:end] if line and not line.startswith("#")]


def test_a_station_is_never_given_up_but_for_a_wrong_station_file():
    assert "StartLimitIntervalSec=0" in settings("Unit")
    assert {"Restart=always", "RestartPreventExitStatus=2"} <= set(settings("Service"))


def test_a_station_waits_for_neither_the_time_nor_the_network():
    after = [
        line for line in settings("Unit") if line.startswith(("After=", "Wants=", "Requires="))
    ]
    assert after == ["After=local-fs.target"]


def test_systemd_finds_nothing_wrong_with_it(tmp_path):
    if ANALYZE is None:
        pytest.fail("this test needs systemd-analyze: apt-get install systemd")
    # The program it starts is not installed where the tests run.
    text = UNIT.read_text(encoding="utf-8").replace("/opt/livezero/bin/livezero", sys.executable)
    unit = tmp_path / "livezero@ash-creek-2.service"
    unit.write_text(text, encoding="utf-8")
    command = [ANALYZE, "verify", "--man=no", str(unit)]
    verdict = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (verdict.returncode, verdict.stderr) == (0, "")
