"""The scenarios of power, disk, clock and outage, each a short one, and that they can fail."""

import asyncio
import sys
from dataclasses import replace

import pytest

from edge.readings import Journalled
from edge.status import Reason
from tests.faults import clock, disk_full, long_outage, power_cut, small_disk
from tests.faults.ledger import Ledger
from tests.faults.meter_station import TRUTH
from tests.faults.scaled_rig import ScaledRig
from tests.faults.scaled_time import START

MINUTE = 60.0


def quietly(_words):
    pass


async def test_power_cuts_lose_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(power_cut, "ROUNDS", 90)
    ledger = await power_cut.SCENARIO.run(6, 1, tmp_path, quietly)
    assert ledger.ok, ledger.as_text()
    assert ledger.measures["cuts"] == ledger.measures["integrity_ok"] == 6


async def test_a_full_disk_loses_nothing_unsaid(tmp_path, monkeypatch):
    monkeypatch.setattr(disk_full, "_FULL_FOR_GOOD_S", 180.0)
    monkeypatch.setattr(disk_full, "_LITTLE_MEMORY", 30)
    monkeypatch.setattr(disk_full, "_BEFORE_S", 30.0)
    ledger = await disk_full.SCENARIO.run(120, 1, tmp_path, quietly)
    assert ledger.ok, ledger.as_text()
    assert ledger.measures["for_a_while_stated_lost"] == 0
    assert ledger.measures["beyond_memory_stated_lost"] > 0


@pytest.mark.parametrize("mount", [True, False])
async def test_a_small_disk_is_filled_and_freed(mount, tmp_path, monkeypatch):
    if not mount:
        monkeypatch.setattr(small_disk.shutil, "which", lambda _name: None)
    async with small_disk.SmallDisk(tmp_path / "disk") as disk:
        program = f"""
import sys
for n, _ in enumerate(sys.stdin):
    try:
        with open({str(disk.directory)!r} + f"/{{n}}", "wb") as file:
            file.write(bytes(100_000))
        print("written", flush=True)
    except OSError:
        print("refused", flush=True)
"""
        writer = await asyncio.create_subprocess_exec(
            sys.executable, "-c", program,
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip

        async def tries():
            writer.stdin.write(b"again\n")
            return (await writer.stdout.readline()).decode().strip()

        assert await tries() == "written"
        disk.fill(writer.pid)
        async with asyncio.timeout(20):
            while await tries() != "refused":
                pass
        await disk.free()
        assert await tries() == "written"
        writer.stdin.close()
        assert await writer.wait() == 0
    assert not disk.mounted


async def wrong_for_some_minutes(course):
    await course.start(error_ms=clock.IN_1970, synchronised=False)
    await course.run_for(5 * MINUTE)
    course.nothing_yet()
    course.set_right()


async def test_readings_of_a_wrong_clock_get_their_true_time(tmp_path, monkeypatch):
    monkeypatch.setattr(clock, "COURSES", (wrong_for_some_minutes,))
    ledger = await clock.SCENARIO.run(1, 1, tmp_path, quietly)
    assert ledger.ok, ledger.as_text()
    assert ledger.measures["stamped_wrong"] == 0
    assert ledger.arrived > 0


async def test_readings_with_a_wrong_time_are_found_out(tmp_path):
    async with ScaledRig(tmp_path, clock.SPEED) as rig:
        course = clock.Course(rig)
        at = START + 60_000
        rig.office.arrivals.take(
            [
                Journalled(1, TRUTH, at, 600.0, Reason.OK),
                Journalled(2, "level-0", at, 1.0, Reason.OK),
                Journalled(3, TRUTH, at + 86_400_000, 1200.0, Reason.OK),
                Journalled(4, "level-0", at, 1.0, Reason.TIME_UNSURE),
                Journalled(5, TRUTH, at + 900_000, 9600.0, Reason.OK),
            ]
        )
        course.arrived_untrusted = 2
        ledger = Ledger("clock", 1)
        assert clock._judge(course, ledger) == pytest.approx(86_400 - 60)
    assert ledger.measures["stamped_wrong"] == 1
    assert ledger.complaints == [
        "1 readings arrived with a wrong time",
        "1 readings said to be unsure whose time was known",
        "2 readings sent before the time was known",
        "not polled for 840 s, 120 s from the start",
    ]


async def test_a_backlog_arrives_once_through_restarts(tmp_path, monkeypatch):
    monkeypatch.setattr(long_outage, "_MINUTES_A_DAY", 300)
    ledger = await long_outage.SCENARIO.run(1, 1, tmp_path, quietly)
    # What this environment's libraries take of the memory is not for a test to judge.
    complaints = [words for words in ledger.complaints if not words.startswith("memory")]
    assert replace(ledger, complaints=complaints).ok, ledger.as_text()
    assert ledger.journalled == ledger.arrived > 2400
    assert ledger.measures["restarts_while_draining"] == 2
