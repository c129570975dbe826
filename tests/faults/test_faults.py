"""A short selection of the scenarios, each a few rounds, and what their accounts are worth."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from edge.readings import Journalled
from edge.status import Reason
from tests.faults import __main__ as command
from tests.faults import broker_restart, kill
from tests.faults.arrivals import Arrivals
from tests.faults.ledger import Ledger
from tests.faults.mqtt_frames import Packet, PacketCutter
from tests.faults.scenario import Scenario
from tests.faults.station import Rig

ROOT = Path(__file__).parent.parent.parent


@pytest.mark.parametrize("module", [kill, broker_restart])
async def test_nothing_is_lost(module, tmp_path):
    said = []
    ledger = await module.SCENARIO.run(2, 1, tmp_path, said.append)
    assert ledger.ok, ledger.as_text()
    assert ledger.count == 2
    assert ledger.journalled == ledger.arrived > 0
    assert ledger.measures["pulses_world"] > 0


def test_the_command_prints_ledgers():
    arguments = ["-m", "tests.faults", "link-cut", "--count", "2", "--seed", "3", "--json"]
    done = subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, capture_output=True, text=True, check=False
    )
    (said,) = json.loads(done.stdout)
    assert done.returncode == 0, said
    assert said["scenario"] == "link-cut"
    assert said["count"] == 2
    assert said["journalled"] == said["arrived"] > 0
    assert (said["lost"], said["doubled"], said["pulses_lost"], said["ok"]) == (0, 0, 0, True)
    assert sum(said[f"failures_{way}"] for way in ("cut", "stall", "replies", "hang")) == 2


@pytest.mark.parametrize(
    ("found", "code"),
    [
        ({}, 0),
        ({"lost": 1}, 1),
        ({"doubled": 1}, 1),
        ({"pulses_lost": -1}, 1),
        ({"complaints": ["the disk was too small"]}, 1),
    ],
)
def test_a_loss_makes_the_exit_code(found, code, monkeypatch, capsys):
    async def run(count, seed, directory, progress):
        assert directory.is_dir()
        return Ledger("kill", count, journalled=10, arrived=10, **found)

    scenario = Scenario("kill", "made up", 7, run)
    monkeypatch.setattr(command, "scenario", lambda _name: scenario)
    assert command.main(["kill", "--json"]) == code
    (said,) = json.loads(capsys.readouterr().out)
    assert said["ok"] is (code == 0)
    assert said["count"] == 7
    assert command.main(["kill", "--count", "3"]) == code
    assert ("nothing lost" in capsys.readouterr().out) is (code == 0)


def test_a_scenario_that_breaks_down_proves_nothing(monkeypatch, capsys):
    async def run(count, seed, directory, progress):
        raise RuntimeError("no disk to fill")

    monkeypatch.setattr(command, "scenario", lambda _name: Scenario("kill", "made up", 7, run))
    assert command.main(["kill", "--json"]) == 1
    (said,) = json.loads(capsys.readouterr().out)
    assert said["complaints"] == ["broke down: RuntimeError('no disk to fill')"]


def test_an_unknown_scenario(capsys):
    with pytest.raises(SystemExit) as end:
        command.main(["flood"])
    assert end.value.code == 2
    assert "found flood, expected some of kill, power-cut" in capsys.readouterr().err


def test_the_list(capsys):
    assert command.main(["--list"]) == 0
    said = capsys.readouterr().out
    assert [line.split()[0] for line in said.splitlines()] == list(command.NAMES)
    assert kill.SCENARIO.about in said


async def test_the_audit_finds_what_is_missing_altered_and_doubled(tmp_path):
    async with Rig(tmp_path, 1) as rig:
        await rig.run_station()
        await rig.news()
        rig.let_flow()
        await rig.news()
        # As if two had been lost on the way, and a third had been changed.
        first, second, third = sorted(rig.arrivals.readings)[:3]
        del rig.arrivals.readings[first], rig.arrivals.readings[second]
        rig.arrivals.readings[third] = rig.arrivals.readings[third]._replace(value=-1.0)
        ledger = Ledger("made-up", 1)
        await rig.close(ledger)
    assert ledger.lost == 2
    assert ledger.complaints == ["1 readings arrived other than journalled"]
    assert ledger.pulses_lost == 0


def test_the_same_reading_under_two_numbers_is_doubled():
    arrivals = Arrivals()
    level = Journalled(4, "level", 1_772_348_400_000, 3.048, Reason.OK)
    arrivals.take([level, level._replace(seq=5, series="head")])
    assert arrivals.doubled == 0
    arrivals.take([level])
    assert arrivals.doubled == 1
    arrivals.take([level._replace(seq=6)])
    assert arrivals.doubled == 2


def test_packets_are_found_however_the_stream_comes():
    # A CONNECT of 2 bytes, a PUBLISH of QoS 1 and 200 bytes, a PUBACK of 2: lengths as in MQTT
    # 3.1.1, section 2.2.3.
    stream = b"\x10\x02ab" + b"\x32\xc8\x01" + bytes(200) + b"\x40\x02\x00\x07"
    found = [Packet(1, 0, 0, 4), Packet(3, 1, 4, 203), Packet(4, 0, 207, 4)]
    for size in (1, 2, 3, 7, 100, len(stream)):
        cutter = PacketCutter()
        pieces = (stream[at : at + size] for at in range(0, len(stream), size))
        assert [packet for piece in pieces for packet in cutter.feed(piece)] == found
    with pytest.raises(ValueError, match="not MQTT"):
        list(PacketCutter().feed(b"\x30\xff\xff\xff\xff\x01"))
