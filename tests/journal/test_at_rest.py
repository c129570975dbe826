"""What is said of a journal file while no daemon answers for it, for every state it may be in."""

import contextlib
import fcntl
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edge.journal.at_rest import at_rest, writer_of
from edge.journal.errors import JournalError
from edge.journal.journal import Journal
from edge.journal.layout import LAYOUT_VERSION
from edge.journal.migrations import migrate
from edge.status import Category


@pytest.fixture
def path(tmp_path):
    return tmp_path / "well.sqlite"


def changed(path, *statements):
    """Carry out SQL on the file, and leave no write-ahead log."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        for statement in statements:
            db.execute(statement)


def readings(first, last):
    return (
        f"WITH RECURSIVE n(seq) AS (SELECT {first} UNION ALL SELECT seq + 1 FROM n"
        f" WHERE seq < {last}) INSERT INTO reading SELECT seq, 1, seq * 60000, 3.5, 0, 0 FROM n"
    )


@pytest.fixture
def journal(path):
    """A journal of a thousand readings, 900 of them sent."""
    migrate(path)
    changed(path, readings(1, 1000), "INSERT INTO sent VALUES (1, 400), (501, 1000)")
    return path


@pytest.fixture
def as_nobody():
    """Give up the rights of the superuser, if the tests have them, for as long as the test runs."""
    if os.geteuid():
        yield
        return
    os.seteuid(65_534)
    yield
    os.seteuid(0)


def test_a_sound_journal(journal):
    found = at_rest(journal)
    assert found.sound
    assert found.found.startswith("readings up to number 1000, 100 of them not sent yet, in 0.")
    assert found.found.endswith(" MB")
    assert found.doing == ""


def test_gaps_and_readings_without_a_true_time(journal):
    changed(
        journal,
        "INSERT INTO gap VALUES (1001, 1040, 'dropped', 0, 0, 0, 0)",
        "INSERT INTO gap VALUES (1041, 1045, 'damaged', NULL, NULL, 0, 1)",
        "INSERT INTO gap VALUES (1100, 1101, 'dropped', 0, 0, 0, 0)",
        "INSERT INTO untimed VALUES (990, 1000, 'boot', 5)",
    )
    assert at_rest(journal).found.endswith(
        "; 11 wait for their true time; not there, on record: 5 damaged, 42 dropped"
    )


def test_a_new_journal(path):
    migrate(path)
    assert at_rest(path).found.startswith("readings up to number 0, 0 of them not sent yet")


def test_what_a_killed_daemon_left_in_the_write_ahead_log_counts(journal):
    with contextlib.closing(sqlite3.connect(journal, isolation_level=None)) as daemon:
        daemon.execute("PRAGMA journal_mode = WAL")
        daemon.execute(readings(1001, 1200))
        assert "up to number 1200, 300 of them" in at_rest(journal).found


def test_nothing_is_changed(journal):
    before = journal.read_bytes()
    names = sorted(one.name for one in journal.parent.iterdir())
    at_rest(journal)
    assert journal.read_bytes() == before
    assert sorted(one.name for one in journal.parent.iterdir()) == names


def test_no_file_yet(path):
    found = at_rest(path)
    assert found.sound
    assert found.found == f"there is no file {path} yet"
    assert "makes it" in found.doing


def test_no_directory(tmp_path):
    found = at_rest(tmp_path / "nowhere" / "well.sqlite")
    assert found.category is Category.FAILURE
    assert found.found == f"the directory {tmp_path / 'nowhere'} does not exist"


def test_a_directory_in_its_place(tmp_path):
    assert at_rest(tmp_path).found == f"{tmp_path} is no plain file"


def test_a_file_in_the_place_of_the_directory(journal):
    found = at_rest(journal / "well.sqlite")
    assert found.category is Category.FAILURE
    assert found.found == f"the directory {journal} does not exist"


def test_a_name_no_file_can_have(tmp_path):
    found = at_rest(tmp_path / ("x" * 300))
    assert found.category is Category.FAILURE
    assert "File name too long" in found.found


def test_an_empty_file(path):
    path.touch()
    found = at_rest(path)
    assert found.sound
    assert "is empty" in found.found


def test_another_programs_database(path):
    changed(path, "CREATE TABLE notes (text TEXT)")
    found = at_rest(path)
    assert found.category is Category.FAILURE
    assert "another program's database" in found.found
    assert "leaves it as it is" in found.doing


def test_a_newer_layout(journal):
    changed(journal, f"PRAGMA user_version = {LAYOUT_VERSION + 1}")
    found = at_rest(journal)
    assert found.category is Category.FAILURE
    assert f"newer version (layout {LAYOUT_VERSION + 1};" in found.found


def test_an_older_layout(journal):
    changed(journal, f"PRAGMA user_version = {LAYOUT_VERSION - 1}")
    found = at_rest(journal)
    assert found.sound
    assert f"keeps a copy and brings it to layout {LAYOUT_VERSION}" in found.doing


def overwrite(path, start, content):
    with path.open("r+b") as file:
        file.seek(start)
        file.write(content)


@pytest.mark.parametrize(
    ("start", "content"),
    [
        (0, b"level 3 ft\n" * 10),  # no database any more
        (100, bytes(4000)),  # the table of tables
        (3 * 4096, b"\xa5" * 4096),
    ],
)
def test_a_damaged_file(journal, start, content):
    overwrite(journal, start, content)
    found = at_rest(journal)
    assert found.category is Category.FAILURE
    assert found.found.startswith(f"the file {journal} is damaged: ")
    assert "salvages what is readable" in found.doing


def test_a_file_that_breaks_off(journal):
    os.truncate(journal, journal.stat().st_size // 2)
    assert "is damaged" in at_rest(journal).found


def spoil_a_word(path):
    overwrite(path, path.read_bytes().index(b"CREATE TABLE gap") + 3, b"\x80")


def test_words_that_are_no_text(journal):
    # SQLite quotes them in its message, which Python then cannot read.
    spoil_a_word(journal)
    assert at_rest(journal).found == f"the file {journal} is damaged: found text that is not UTF-8"


@pytest.fixture
def killed(journal):
    """A journal as a killed daemon leaves it: 50 commits in its write-ahead log."""
    program = (
        "import os, signal, sys, pathlib\n"
        "from edge.journal.journal import Journal\n"
        "from edge.readings import Reading, Series\n"
        "from edge.units import UNITS\n"
        "journal = Journal(pathlib.Path(sys.argv[1]), [Series('level', UNITS['ft'])])\n"
        "for n in range(50):\n"
        "    journal.append([Reading('level', n * 60_000, 3.5)])\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", program, str(journal)], check=False)
    return journal


def log_of(path):
    return path.with_name(f"{path.name}-wal")


def test_what_a_killed_daemon_left_stays_as_it_is(killed):
    before = log_of(killed).read_bytes()
    assert "up to number 1050, 150 of them" in at_rest(killed).found
    assert log_of(killed).read_bytes() == before


def test_a_damaged_log(killed):
    overwrite(log_of(killed), log_of(killed).stat().st_size // 2, b"\xa5" * 4096)
    before = log_of(killed).read_bytes()
    assert at_rest(killed).found == f"the log beside the file {killed} is damaged"
    assert log_of(killed).read_bytes() == before


def test_an_empty_file_beside_its_log(killed):
    os.truncate(killed, 0)
    before = log_of(killed).read_bytes()
    assert "is damaged: it is empty, its log is not" in at_rest(killed).found
    assert log_of(killed).read_bytes() == before


def test_a_salvage_that_was_broken_off(journal):
    journal.rename(journal.with_name(f"{journal.name}.damaged"))
    found = at_rest(journal)
    assert found.category is Category.FAILURE
    assert "goes on with it" in found.doing


def test_a_large_file_is_not_checked_page_by_page(journal, monkeypatch):
    monkeypatch.setattr("edge.journal.at_rest.CHECKED_WHOLE", 0)
    overwrite(journal, 3 * 4096, b"\xa5" * 4096)
    assert "number 1000" in at_rest(journal).found


def test_a_table_that_is_gone(journal):
    changed(journal, "DROP TABLE gap")
    assert "is damaged: no such table: gap" in at_rest(journal).found


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.integers(0, 60_000), st.binary(min_size=1, max_size=64)),
        min_size=1,
        max_size=4,
    )
)
def test_whatever_is_done_to_the_file_something_is_said(journal, writes):
    hurt = journal.with_name("hurt.sqlite")
    hurt.write_bytes(journal.read_bytes())
    for start, content in writes:
        overwrite(hurt, start, content)
    assert at_rest(hurt).found


def test_a_file_this_user_may_not_read(journal, as_nobody):
    if os.getuid():
        journal.chmod(0)
    found = at_rest(journal)
    assert found.category is Category.FUNCTION_CHECK
    assert found.found == f"this user may not look into {journal}"


def test_a_file_in_the_hands_of_another_program(journal):
    with contextlib.closing(sqlite3.connect(journal, isolation_level=None)) as other:
        other.execute("PRAGMA journal_mode = DELETE")
        other.execute("BEGIN EXCLUSIVE")
        with writer(journal):
            found = at_rest(journal)
    assert found.category is Category.FUNCTION_CHECK
    assert "cannot be looked into: database is locked" in found.found


@contextlib.contextmanager
def writer(path):
    with path.with_name(f"{path.name}-lock").open("wb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def test_who_holds_the_journal(path):
    assert writer_of(path) is None
    with writer(path):
        assert writer_of(path) == os.getpid()
    assert writer_of(path) is None


def test_what_never_was_a_journal(path):
    path.write_text("level 3 ft\n" * 1000)
    found = at_rest(path)
    assert found.category is Category.FAILURE
    assert found.found == f"{path} is no journal: file is not a database"
    assert "leaves it as it is" in found.doing


def test_a_journal_whose_mark_is_gone(journal):
    changed(journal, "PRAGMA application_id = 1")
    assert "is damaged: its head is not a journal's" in at_rest(journal).found


class TestTheNextStartDoesWhatWasSaid:
    """The same files, opened as a daemon opens them."""

    @pytest.mark.parametrize(
        ("change", "promise"),
        [
            (lambda _: None, ""),
            (Path.unlink, "makes it"),
            (lambda path: os.truncate(path, 0), "makes a journal of it"),
            (lambda path: overwrite(path, 5 * 4096, bytes(4096)), "salvages"),
            (lambda path: overwrite(path, 0, b"noise"), "salvages"),
            (spoil_a_word, "salvages"),
            (lambda path: changed(path, "PRAGMA application_id = 1"), "salvages"),
        ],
    )
    def test_it_starts(self, journal, change, promise):
        change(journal)
        assert promise in at_rest(journal).doing
        opened = Journal(journal)
        assert (opened.rescued is not None) == (promise == "salvages")
        opened.close()
        assert at_rest(journal).sound

    @pytest.mark.parametrize(
        "change",
        [
            lambda path: changed(path, "PRAGMA user_version = 99"),
            lambda path: path.write_text("level 3 ft\n" * 1000),
            lambda path: (path.unlink(), changed(path, "CREATE TABLE notes (text TEXT)")),
            lambda path: (path.unlink(), path.mkdir()),
            lambda path: (path.unlink(), path.parent.rename(path.parent.with_name("away"))),
        ],
    )
    def test_it_does_not(self, journal, change):
        change(journal)
        assert "does not start" in at_rest(journal).doing
        with pytest.raises(JournalError):
            Journal(journal)
