"""The commands as people use them: by their arguments, what they print, how they exit."""

import asyncio
import json
import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest
from click.testing import CliRunner

from edge.cli import COMMANDS, main
from edge.journal.journal import Journal
from edge.readings import Reading, Series
from edge.status import Reason
from edge.units import UNITS
from hw_fakes.faults import FaultKind
from tests.stations import TANK, WELL, publishing_to, well_on_simulated_hardware


def livezero(*arguments):
    return CliRunner().invoke(main, [str(a) for a in arguments])


async def livezero_beside(*arguments):
    """Run a command while this loop goes on serving simulated hardware."""
    return await asyncio.to_thread(livezero, *arguments)


def test_the_list_of_commands():
    result = livezero("--help")
    assert result.exit_code == 0
    assert all(name in result.output for name in COMMANDS)
    assert livezero("brew").exit_code == 2


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name):
    result = livezero(name, "--help")
    assert result.exit_code == 0
    assert "STATION" in result.output


def test_the_version():
    assert livezero("--version").output.startswith("livezero, version ")


class TestCheck:
    @pytest.mark.parametrize("file", [WELL, TANK])
    def test_a_good_file(self, file):
        result = livezero("check", file)
        assert result.exit_code == 0
        assert "good" in result.output
        assert json.loads(livezero("check", file, "--json").output) == []

    def test_a_bad_file(self, tmp_path):
        bad = tmp_path / "bad.toml"
        bad.write_text(WELL.read_text().replace('"150 ft"', "150").replace("baud", "bauds"))
        result = livezero("check", bad)
        assert result.exit_code == 2
        lines = result.stderr.splitlines()
        assert all(line.startswith(f"{bad}:") for line in lines)
        assert len(lines) == 3
        faults = livezero("check", bad, "--json")
        assert faults.exit_code == 2
        assert [f["key"] for f in json.loads(faults.stdout)] == [
            "buses.rs485.bauds",
            "buses.charger.bauds",
            "channels.level.range[1]",
        ]

    def test_the_schema(self):
        assert "channels" in json.loads(livezero("check", "--schema").output)["properties"]

    def test_nothing_to_check(self):
        result = livezero("check")
        assert result.exit_code == 2
        assert "expected the path of a station file" in result.stderr


class TestRead:
    async def test_a_wiring_check(self, tmp_path):
        async with well_on_simulated_hardware(tmp_path) as (file, hardware):
            result = await livezero_beside("read", file)
            assert result.exit_code == 0
            lines = {line.split()[0]: line for line in result.output.splitlines()}
            assert "mA" in lines["level"]
            assert "ft" in lines["level"]
            assert lines["battery"].split()[-1] == "ok"
            assert "no-earlier-count" in lines["flow.rate"]
            hardware.faults("rs485", "loops").set(FaultKind.DEAD)
            result = await livezero_beside("read", file, "level", "battery")
            assert result.exit_code == 1
            assert "no reply within the time-out" in result.output

    async def test_one_channel_as_json(self, tmp_path):
        async with well_on_simulated_hardware(tmp_path) as (file, hardware):
            hardware.force_loop("level", 0.012)
            result = await livezero_beside("read", file, "level", "--json")
            assert result.exit_code == 0
            (row,) = [json.loads(line) for line in result.output.splitlines()]
            assert row["signal_unit"] == "mA"
            assert row["signal"] == pytest.approx(12.0, abs=0.001)
            assert (row["value"], row["unit"]) == (pytest.approx(75.0, abs=0.01), "ft")

    async def test_following_until_interrupted(self, tmp_path):
        async with well_on_simulated_hardware(tmp_path) as (file, _):
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "edge", "read", str(file), "flow",
                "--follow", "--every", "0.01", "--json",
                stdout=asyncio.subprocess.PIPE,
            )  # fmt: skip
            rows = [json.loads(await process.stdout.readline()) for _ in range(6)]
            process.send_signal(signal.SIGINT)
            await process.communicate()
            assert process.returncode == 0
            totals = [row for row in rows if row["series"] == "flow.total"]
            assert [row["status"] for row in totals] == ["ok"] * 3
            assert totals[0]["value"] == 0.0
            assert totals[0]["time"] < totals[2]["time"]

    def test_an_unknown_channel(self):
        result = livezero("read", WELL, "depth")
        assert result.exit_code == 2
        assert "found no channel depth, expected some of level" in result.stderr


class TestExport:
    @pytest.fixture
    def journal(self, tmp_path):
        path = tmp_path / "well.sqlite"
        journal = Journal(path, [Series("level", UNITS["ft"]), Series("old", UNITS["V"])])
        journal.append(
            [
                Reading("level", 1_772_348_400_000, 3.048),
                Reading("level", 1_772_348_460_000, None, Reason.OPEN_LOOP),
                Reading("old", 1_772_348_520_000, 12.5),
            ]
        )
        journal.close()
        return path

    def test_csv_in_the_units_of_the_station(self, journal):
        assert livezero("export", WELL, "--journal", journal).output.splitlines() == [
            "seq,time,series,value,unit,quality,status",
            "1,2026-03-01T07:00:00.000Z,level,10,ft,good,ok",
            "2,2026-03-01T07:01:00.000Z,level,,ft,bad,open-loop",
            "3,2026-03-01T07:02:00.000Z,old,12.5,V,good,ok",
        ]

    def test_a_span_and_a_series(self, journal):
        result = livezero(
            "export", WELL, "--journal", journal, "--series", "level",
            "--from", "2026-03-01T00:01:00-07:00", "--to", "2026-03-01T07:02:00Z",
        )  # fmt: skip
        assert [line[:1] for line in result.output.splitlines()[1:]] == ["2"]

    def test_senml(self, journal):
        (line,) = livezero(
            "export", WELL, "--journal", journal, "--format", "senml"
        ).output.splitlines()
        first = json.loads(line)[0]
        assert (first["bn"], first["bu"], first["v"]) == ("ash-creek-2:level", "m", 3.048)

    @pytest.mark.parametrize(
        ("options", "words"),
        [
            (["--series", "depth"], "found no series depth, expected some of level, old"),
            (["--from", "yesterday"], "expected ISO 8601"),
            (["--from", "2026-03-01"], "without a zone"),
        ],
    )
    def test_bad_options(self, journal, options, words):
        result = livezero("export", WELL, "--journal", journal, *options)
        assert result.exit_code == 2
        assert words in result.stderr

    def test_no_journal(self, tmp_path):
        result = livezero("export", WELL, "--journal", tmp_path / "none")
        assert result.exit_code == 2
        assert "found no journal" in result.stderr

    def test_what_is_no_journal(self, tmp_path, journal):
        text = tmp_path / "text"
        text.write_text("level 3 ft\n" * 100)
        assert "not a database" in livezero("export", WELL, "--journal", text).stderr
        changed = Journal(journal)
        changed._db.execute("PRAGMA user_version = 77")
        changed.close()
        result = livezero("export", WELL, "--journal", journal)
        assert result.exit_code == 2
        assert "found layout 77" in result.stderr


class TestRunAndListen:
    async def test_from_devices_to_a_receiver(self, tmp_path, mosquitto):
        """The daemon as a process, a receiver as another, a broker in between."""
        async with well_on_simulated_hardware(tmp_path) as (well_file, _):
            file = publishing_to(well_file, mosquitto.port)
            listener = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "edge", "listen", str(file), "--json",
                stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
            )  # fmt: skip
            assert b"listening" in await listener.stderr.readline()
            daemon = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "edge", "run", str(file),
                stderr=asyncio.subprocess.PIPE, env=os.environ | {"STATE_DIRECTORY": str(tmp_path)},
            )  # fmt: skip
            assert b"clock" in await daemon.stderr.readline()
            assert b"station running" in await daemon.stderr.readline()
            journal = tmp_path / "ash-creek-2.sqlite"
            await asyncio.to_thread(_wait_for_readings, journal, 60)
            daemon.send_signal(signal.SIGTERM)
            _, log = await daemon.communicate()
            assert daemon.returncode == 0
            stopped = json.loads(log.splitlines()[-1])
            assert stopped["event"] == "station stopped"
            listener.send_signal(signal.SIGTERM)
            out, _ = await listener.communicate()
        books = json.loads(out)
        assert listener.returncode == 0
        assert books["malformed"] == 0
        well = books["stations"]["ash-creek-2"]
        assert (well["arrived"], well["gaps"]) == (stopped["made"], [])
        assert well["state"] == "offline"
        assert set(well["latest"]) >= {"level", "flow.total", "battery"}

    def test_listening_for_a_while_as_text(self, tmp_path, mosquitto):
        file = tmp_path / "tank.toml"
        file.write_text(TANK.read_text())
        file = publishing_to(file, mosquitto.port)
        done = _run("listen", file, "--all", "--for", "0.5")
        assert done.returncode == 0
        assert "0 messages could not be read" in done.stdout

    def test_a_receiver_needs_a_broker(self, tmp_path):
        file = tmp_path / "tank.toml"
        file.write_text(TANK.read_text().partition("[uplink]")[0])
        result = livezero("listen", file)
        assert result.exit_code == 2
        assert "found no section uplink" in result.stderr

    @pytest.mark.parametrize("command", ["run", "listen"])
    def test_a_missing_password(self, tmp_path, command):
        file = tmp_path / "well.toml"
        file.write_text(WELL.read_text())
        done = _run(command, file)
        assert done.returncode == 2
        assert "uplink.password_file: found" in done.stderr
        assert "expected a file that holds the password" in done.stderr

    def test_a_journal_that_cannot_be(self, tmp_path):
        done = _run("run", TANK, "--journal", tmp_path / "nowhere" / "a.sqlite")
        assert done.returncode == 1
        assert "does not exist" in done.stderr

    def test_a_file_that_is_not_there(self):
        done = _run("run", "nowhere.toml")
        assert done.returncode == 2
        assert done.stderr.startswith("nowhere.toml: ")


def _run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "edge", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def _wait_for_readings(path, count):
    while True:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
            if (db.execute("SELECT max(seq) FROM reading").fetchone()[0] or 0) >= count:
                return
