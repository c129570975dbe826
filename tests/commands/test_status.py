"""``livezero status`` against a real socket and real files, in every state a station may be in."""

import asyncio
import contextlib
import fcntl
import json
import os
import socket
import sqlite3
import subprocess
import sys
import threading

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edge.cli import main
from edge.commands import status
from edge.commands.status_report import Report, render, report_of
from edge.health import Condition
from edge.host.status_socket import address, serve
from edge.journal.layout import APPLICATION_ID
from edge.journal.migrations import migrate
from edge.status import Category, Reason
from tests.stations import WELL

SOUND = {
    "station": "ash-creek-2",
    "name": "Ash Creek well 2",
    "version": "0.1.0",
    "pid": 731,
    "since": "2026-03-01T06:30:00.000Z",
    "parts": [
        {"part": "clock", "category": "normal", "found": "set by a time server", "doing": ""},
        {"part": "journal", "category": "normal", "found": "4812 readings", "doing": ""},
        {"part": "link", "category": "normal", "found": "connected", "doing": ""},
        {"part": "bus rs485", "category": "normal", "found": "2 of 2 devices reply", "doing": ""},
    ],
    "series_good": 7,
    "series": 7,
    "doubtful": [],
}


def with_part(part, category, found, doing):
    """Return what a daemon tells whose named part is not sound."""
    new = {"part": part, "category": category, "found": found, "doing": doing}
    old = [new if one["part"] == part else one for one in SOUND["parts"]]
    return SOUND | {"parts": old if new in old else [*old, new]}


def with_doubts(*doubts):
    listed = [{"series": s, "reason": r.slug, "why": r.text} for s, r in doubts]
    return SOUND | {"series_good": 7 - len(listed), "doubtful": listed}


@pytest.fixture
def journal(tmp_path):
    return tmp_path / "well.sqlite"


def livezero_status(journal, *options, **environ):
    arguments = ["status", str(WELL), "--journal", str(journal), *options]
    return CliRunner().invoke(main, arguments, env={"COLUMNS": "80"} | environ)


async def status_of(journal, described, *options, **environ):
    """Run the command while a daemon answers so."""
    async with serve(journal, lambda: described):
        return await asyncio.to_thread(livezero_status, journal, *options, **environ)


async def test_a_sound_station(journal):
    result = await status_of(journal, SOUND)
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        "Ash Creek well 2 (ash-creek-2): livezero 0.1.0, running since",
        "  2026-03-01T06:30:00.000Z, process 731",
        "",
        "PART       STATE   FOUND, AND WHAT IS DONE ABOUT IT",
        "clock      normal  set by a time server",
        "journal    normal  4812 readings",
        "link       normal  connected",
        "bus rs485  normal  2 of 2 devices reply",
        "",
        "7 of 7 series good",
    ]


async def test_the_command_as_a_process_of_its_own(journal):
    command = [sys.executable, "-m", "edge", "status", str(WELL), "--journal", str(journal)]
    async with serve(journal, lambda: SOUND):
        process = await asyncio.create_subprocess_exec(*command, stdout=subprocess.PIPE)
        said, _ = await process.communicate()
        assert process.returncode == 0
    assert b"7 of 7 series good" in said
    assert b"\x1b" not in said
    process = await asyncio.create_subprocess_exec(*command, stdout=subprocess.PIPE)
    said, _ = await process.communicate()
    assert process.returncode == 1
    assert b"no daemon runs on this journal" in said


NOT_SOUND = [
    (
        "clock",
        "out of specification",
        "no time server has set the clock since the computer started",
        "readings are kept, and sent later with their true time",
    ),
    (
        "journal",
        "failure",
        "cannot be written: database or disk is full; 312 readings wait in memory",
        "tried again every 5 s",
    ),
    (
        "link",
        "failure",
        "the name broker.ash-creek.example cannot be resolved",
        "tried again in 40 s; 412 readings wait",
    ),
    ("bus rs485", "failure", "0 of 2 devices reply: no reply within the time-out", "polled on"),
    (
        "journal",
        "maintenance required",
        "the file was damaged: 4807 of 4812 readings were salvaged",
        "the damaged file is kept as well.sqlite.damaged-20260301T063000Z",
    ),
    ("task publisher", "failure", "crashed 3 times in 10 min", "started again after a pause"),
]


@pytest.mark.parametrize(("part", "category", "found", "doing"), NOT_SOUND)
async def test_a_part_that_is_not_sound(journal, part, category, found, doing):
    result = await status_of(journal, with_part(part, category, found, doing), COLUMNS="200")
    assert result.exit_code == 1
    lines = [" ".join(line.split()) for line in result.stdout.splitlines()]
    assert lines[lines.index(f"{part} {category} {found}") + 1] == doing
    assert sum("normal" in line for line in lines) >= 3


async def test_words_are_wrapped_to_the_width(journal):
    long = "the clock was never set " * 10
    result = await status_of(journal, with_part("clock", "failure", long, long), COLUMNS="60")
    table = result.stdout.split("\n\n")[1].splitlines()
    assert max(len(line) for line in table) <= 60
    assert len(table) > 10
    assert " ".join(result.stdout.split()).count("the clock was never set") > 10


async def test_a_path_is_not_broken(journal):
    path = "/var/lib/livezero/ash-creek-2.sqlite.damaged-20260301T063000Z"
    told = with_part("journal", "maintenance required", f"damaged: {path}", "")
    assert path in (await status_of(journal, told, COLUMNS="40")).stdout


async def test_series_in_doubt(journal):
    told = with_doubts(("level", Reason.OPEN_LOOP), ("flow.rate", Reason.NO_EARLIER_COUNT))
    result = await status_of(journal, told)
    assert result.exit_code == 1
    assert result.stdout.splitlines()[-5:] == [
        "5 of 7 series good; the others:",
        "SERIES     STATUS            WHY",
        "level      open-loop         no loop current: broken wire, no supply, or",
        "                             transmitter disconnected",
        "flow.rate  no-earlier-count  no earlier count yet to compute a rate from",
    ]


async def test_what_only_takes_time_is_no_fault(journal):
    told = with_doubts(("flow.rate", Reason.NO_EARLIER_COUNT))
    result = await status_of(journal, told)
    assert result.exit_code == 0
    assert "6 of 7 series good" in result.stdout


async def test_a_long_list_is_cut(journal):
    told = with_doubts(*((f"well{n}", Reason.NO_REPLY) for n in range(40)))
    result = await status_of(journal, told)
    lines = result.stdout.splitlines()
    assert lines[-1] == "... and 30 more"
    assert sum("no-reply" in line for line in lines) == 10
    assert (
        len(json.loads((await status_of(journal, told, "--json")).stdout)["series"]["doubtful"])
        == 40
    )


async def test_as_json(journal):
    told = with_doubts(("level", Reason.OPEN_LOOP))
    result = await status_of(journal, told, "--json")
    assert result.exit_code == 1
    assert json.loads(result.stdout) == {
        "station": "ash-creek-2",
        "name": "Ash Creek well 2",
        "running": True,
        "pid": 731,
        "version": "0.1.0",
        "since": "2026-03-01T06:30:00.000Z",
        "parts": SOUND["parts"],
        "series": {"good": 6, "of": 7, "doubtful": told["doubtful"]},
        "ok": False,
    }
    assert json.loads((await status_of(journal, SOUND, "--json")).stdout)["ok"] is True


class TestWithoutAnAnswer:
    def test_no_daemon(self, journal):
        migrate(journal)
        result = livezero_status(journal)
        assert result.exit_code == 1
        lines = [line.strip() for line in result.stdout.splitlines()]
        assert lines[0] == "Ash Creek well 2 (ash-creek-2): not running"
        assert lines[3] == "daemon   failure  no daemon runs on this journal"
        # Where the path is long the line is broken before it.
        assert lines[4].startswith("to start it: livezero run")
        assert lines[-1].startswith("journal  normal   readings up to number 0, 0 of them not")

    def test_no_daemon_as_json(self, journal):
        found = json.loads(livezero_status(journal, "--json").stdout)
        assert (found["running"], found["pid"], found["ok"]) == (False, None, False)
        assert found["series"] is None
        assert [part["part"] for part in found["parts"]] == ["daemon", "journal"]

    def test_how_an_installed_one_is_started(self, journal, tmp_path, monkeypatch):
        monkeypatch.setattr(status, "_INSTALLED", tmp_path)
        (tmp_path / "ash-creek-2.toml").write_text(WELL.read_text())
        command = ["status", str(tmp_path / "ash-creek-2.toml"), "--journal", str(journal)]
        result = CliRunner().invoke(main, command)
        assert "systemctl start livezero@ash-creek-2" in result.stdout

    def test_a_missing_directory(self, tmp_path):
        result = livezero_status(tmp_path / "nowhere" / "well.sqlite", COLUMNS="300")
        assert result.exit_code == 1
        assert f"the directory {tmp_path / 'nowhere'} does not exist" in result.stdout

    def test_a_damaged_file(self, journal):
        migrate(journal)
        with journal.open("r+b") as file:
            file.write(b"noise")
        result = livezero_status(journal, COLUMNS="300")
        assert result.exit_code == 1
        assert "is damaged: file is not a database" in result.stdout
        assert "at its next start the daemon sets the file aside and salvages" in result.stdout

    @pytest.mark.parametrize(
        ("statements", "words"),
        [
            (["CREATE TABLE notes (text TEXT)"], "is another program's database"),
            (
                [f"PRAGMA application_id = {APPLICATION_ID}", "PRAGMA user_version = 99"],
                "was written by a newer version (layout 99;",
            ),
        ],
    )
    def test_a_file_it_does_not_start_on(self, journal, statements, words):
        with contextlib.closing(sqlite3.connect(journal)) as db:
            for statement in statements:
                db.execute(statement)
        result = livezero_status(journal, COLUMNS="300")
        assert result.exit_code == 1
        assert words in result.stdout
        assert "leaves it as it is" in result.stdout

    def test_a_daemon_that_does_not_answer(self, journal, monkeypatch):
        monkeypatch.setattr(status, "_PATIENCE", 0.05)
        with listening(journal):
            result = livezero_status(journal, COLUMNS="300")
            found = json.loads(livezero_status(journal, "--json").stdout)
        assert result.exit_code == 1
        assert "ash-creek-2): running, but gives no answer" in result.stdout
        assert "the daemon does not answer: no answer within 0.05 s" in result.stdout
        assert "when its watchdog runs out (60 s)" in result.stdout
        assert (found["running"], found["pid"], found["ok"]) == (True, None, False)

    def test_an_answer_that_makes_no_sense(self, journal):
        def say(listener):
            asker, _ = listener.accept()
            with asker:
                asker.sendall(b"\x1b[2Jgood")

        with listening(journal) as listener:
            speaker = threading.Thread(target=say, args=(listener,))
            speaker.start()
            result = livezero_status(journal, COLUMNS="300")
            speaker.join(10)
        assert result.exit_code == 1
        assert "makes no sense: found an answer that is not JSON" in result.stdout

    def test_a_process_that_holds_the_journal_and_cannot_be_asked(self, journal):
        with journal.with_name(f"{journal.name}-lock").open("wb") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            result = livezero_status(journal, COLUMNS="300")
        assert result.exit_code == 1
        assert f"process {os.getpid()} holds the journal and cannot be asked" in result.stdout
        assert "ask again in a minute" in result.stdout


@contextlib.contextmanager
def listening(journal):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(address(journal))
        listener.listen(8)
        yield listener


def test_a_bad_station_file(tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("[station]\n")
    result = CliRunner().invoke(main, ["status", str(bad)])
    assert result.exit_code == 2
    assert str(bad) in result.stderr


KEYS = st.sampled_from([*SOUND, *SOUND["parts"][0], "reason", "why"])
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.just("normal"),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=20,
)


class TestWhatItIsTold:
    @settings(suppress_health_check=[HealthCheck.too_slow])
    @given(st.dictionaries(st.sampled_from(list(SOUND)), JSON))
    def test_any_answer_makes_a_page_and_json(self, described):
        report = report_of(described)
        page = render(report, 80)
        assert all(line.isprintable() for line in page.split("\n"))
        json.dumps(report.as_json())
        # Only what says so in the very words is sound.
        if report.ok:
            assert all(part["category"] == "normal" for part in described["parts"])

    def test_a_category_of_another_version(self):
        told = with_part("clock", "much too hot", "91 degrees", "")
        report = report_of(told)
        assert not report.ok
        assert report.parts[0] == Condition(
            "clock",
            Category.FUNCTION_CHECK,
            "91 degrees (in a state this version has no word for: much too hot)",
        )

    def test_what_would_move_the_cursor(self):
        told = with_part("clock", "failure", "a\x1b[2Jb\nc\u202ed", "")
        assert "a [2Jb c d" in render(report_of(told), 80)

    def test_a_path_that_is_no_text(self):
        report = Report("ash-creek-2", "", (Condition("journal", Category.FAILURE, "\udcff"),))
        assert "failure  ?" in render(report, 80)

    def test_no_parts(self):
        report = report_of(SOUND | {"parts": []})
        assert not report.ok
        assert "its answer names no parts" in render(report, 80)

    def test_colours_mark_the_state_and_nothing_else(self):
        told = with_part("link", "failure", "normal  failure", "")
        plain, coloured = (render(report_of(told), 80, colour=c) for c in (False, True))
        assert "\x1b" not in plain
        assert "\x1b[31mfailure\x1b[0m  normal  failure" in coloured
        assert coloured.count("\x1b[32mnormal\x1b[0m") == 3
        told = with_part("link", "maintenance required", "", "")
        assert "\x1b[33mmaintenance required\x1b[0m" in render(report_of(told), 80, colour=True)


@pytest.mark.parametrize(("environ", "colours"), [({}, True), ({"NO_COLOR": "1"}, False)])
async def test_colours_on_a_terminal_unless_unwanted(journal, environ, colours):
    """A real pseudo-terminal as standard output."""
    here, there = os.openpty()
    command = [sys.executable, "-m", "edge", "status", str(WELL), "--journal", str(journal)]
    clean = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
    async with serve(journal, lambda: SOUND):
        process = await asyncio.create_subprocess_exec(*command, stdout=there, env=clean | environ)
        assert await process.wait() == 0
    said = os.read(here, 65_536)
    os.close(here)
    os.close(there)
    assert b"set by a time server" in said
    assert (b"\x1b[32mnormal" in said) is colours
