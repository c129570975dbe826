"""What is installed beside the program: the unit, its user, what that user may do."""

import re
import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

SYSTEMD = Path(__file__).parents[2] / "systemd"
UNIT = SYSTEMD / "livezero@.service"
USER = SYSTEMD / "livezero.sysusers"
RULES = SYSTEMD / "livezero.rules"
# What one may ask of systemd-logind, as systemd itself ships it.
ACTIONS = Path("/usr/share/polkit-1/actions/org.freedesktop.login1.policy")


def tool(name):
    """Return the path of a program of systemd; these tests are worth nothing without."""
    path = shutil.which(name, path="/usr/bin:/bin:/usr/sbin:/sbin")
    if path is None:
        pytest.fail(f"this test needs {name}: apt-get install systemd")
    return path


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
    # The program it starts is not installed where the tests run.
    text = UNIT.read_text(encoding="utf-8").replace("/opt/livezero/bin/livezero", sys.executable)
    unit = tmp_path / "livezero@ash-creek-2.service"
    unit.write_text(text, encoding="utf-8")
    command = [tool("systemd-analyze"), "verify", "--man=no", str(unit)]
    verdict = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (verdict.returncode, verdict.stderr) == (0, "")


def test_outputs_go_to_their_safe_state_however_the_daemon_ended():
    (rest,) = [line for line in settings("Service") if line.startswith("ExecStopPost=")]
    # The "-" (systemd.service(5)): a relay that does not answer hides not how the daemon ended.
    assert rest == "ExecStopPost=-/opt/livezero/bin/livezero outputs /etc/livezero/%i.toml --rest"
    # It has this much time, as the daemon had before it (systemd.service(5), TimeoutStopSec).
    assert "TimeoutStopSec=90" in settings("Service")


def test_its_user_may_open_serial_ports_and_gpio_lines(tmp_path):
    command = [tool("systemd-sysusers"), f"--root={tmp_path}", str(USER)]
    (tmp_path / "etc").mkdir()
    subprocess.run(command, capture_output=True, check=True)
    members = {}
    for line in (tmp_path / "etc" / "group").read_text(encoding="utf-8").splitlines():
        name, _, _, users = line.split(":")
        members[name] = users
    assert members == {"dialout": "livezero", "gpio": "livezero", "livezero": ""}
    # By that, and by nothing that would keep the unit from starting where a group is missing.
    assert "User=livezero" in settings("Service")
    assert not [line for line in settings("Service") if line.startswith("SupplementaryGroups")]


def test_its_user_may_power_off_and_nothing_else():
    text = "".join(
        line
        for line in RULES.read_text(encoding="utf-8").splitlines(keepends=True)
        if not line.startswith("//")
    )
    allowed = re.findall(r'"(org\.freedesktop\.[^"]+)"', text)
    assert allowed == [
        "org.freedesktop.login1.power-off",
        "org.freedesktop.login1.power-off-multiple-sessions",
    ]
    assert 'subject.user == "livezero" &&' in text
    assert re.findall(r"polkit\.Result\.(\w+)", text) == ["YES", "NOT_HANDLED"]
    if not ACTIONS.exists():
        pytest.fail(f"this test needs {ACTIONS}: apt-get install systemd")
    known = {action.get("id") for action in ET.parse(ACTIONS).getroot().iter("action")}
    assert set(allowed) <= known


def test_the_installer_puts_all_of_it_in_place():
    script = (SYSTEMD / "install").read_text(encoding="utf-8")
    subprocess.run(["/bin/sh", "-n", SYSTEMD / "install"], check=True)
    for file, place in {
        UNIT: "/etc/systemd/system/livezero@.service",
        USER: "/usr/lib/sysusers.d/livezero.conf",
        RULES: "/etc/polkit-1/rules.d/livezero.rules",
    }.items():
        assert f'install -m 644 "$here/{file.name}" {place}\n' in script
    # What reads the rules; without it nobody but root may power off.
    assert re.search(r"^apt-get install .*\bpolkitd\b", script, re.MULTILINE)
