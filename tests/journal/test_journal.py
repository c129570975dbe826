import sqlite3
import subprocess
import sys

import pytest
from sqlite_utils import Database, Migrations

from edge.journal.journal import Journal, JournalError
from edge.journal.layout import APPLICATION_ID, LAYOUT_VERSION
from edge.journal.migrations import migrate, readings_tallies_and_what_was_sent
from edge.journal.ranges import RangeSet
from edge.journal.retention import Pruned, Retention, prune
from edge.measure.counter import CounterRules
from edge.measure.measured import Counted
from edge.measure.meter import Meter
from edge.measure.values import Value
from edge.readings import Journalled, Reading, Series
from edge.status import Reason
from edge.units import UNITS

SERIES = [Series("level", UNITS["ft"]), Series("flow.total", UNITS["gal"])]
DAY = 86_400_000


@pytest.fixture
def path(tmp_path):
    return tmp_path / "ash-creek.sqlite"


@pytest.fixture
def journal(path):
    journal = Journal(path, SERIES)
    yield journal
    journal.close()


def levels(count, start=0):
    return [Reading("level", (start + i) * 1000, float(i)) for i in range(count)]


def test_what_is_appended_is_there_after_reopening(journal, path):
    states = {"flow": {"channel": {"tally": {"pulses": 7, "raw": 2**64 - 1}}}}
    assert journal.append(levels(2), states, [(1, 1)]) == 2
    journal.append([Reading("flow.total", 5000, None, Reason.NO_REPLY)])
    journal.close()
    again = Journal(path, SERIES)
    assert again.newest == 3
    assert again.fetch(2, 99) == [
        Journalled(2, "level", 1000, 1.0, Reason.OK),
        Journalled(3, "flow.total", 5000, None, Reason.NO_REPLY),
    ]
    assert again.states() == states
    assert again.sent == RangeSet([(1, 1)])
    again.close()


def test_it_survives_a_process_that_is_killed(path):
    program = (
        "import os, signal, sys, pathlib\n"
        "from edge.journal.journal import Journal\n"
        "from edge.readings import Reading, Series\n"
        "from edge.units import UNITS\n"
        "journal = Journal(pathlib.Path(sys.argv[1]), [Series('level', UNITS['ft'])])\n"
        "for i in range(50): journal.append([Reading('level', i, float(i))])\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(path)], check=False)
    assert done.returncode == -9
    journal = Journal(path, SERIES)
    assert [row.value for row in journal.fetch(1, 99)] == [float(i) for i in range(50)]
    journal.close()


def test_it_is_a_durable_wal_file(journal):
    assert journal._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert journal._db.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL


def test_acknowledgements_merge(journal):
    journal.append(levels(10))
    for pack in ((1, 2), (5, 6), (3, 4), (9, 10)):
        journal.append([], acknowledged=[pack])
    rows = list(journal._db.execute("SELECT first, last FROM sent ORDER BY first"))
    assert rows == [(1, 6), (9, 10)]
    assert list(journal.sent) == rows


def test_a_failed_commit_changes_nothing(journal):
    journal.append(levels(1))
    with pytest.raises(KeyError):
        journal.append([*levels(1), Reading("unknown", 0, 1.0)], acknowledged=[(1, 1)])
    journal._db.execute("PRAGMA query_only = 1")
    with pytest.raises(sqlite3.OperationalError):
        journal.append(levels(1), acknowledged=[(1, 1)])
    journal._db.execute("PRAGMA query_only = 0")
    assert (journal.newest, list(journal.sent)) == (1, [])
    assert journal.append(levels(1)) == 2


def test_a_series_never_changes_its_unit_under_the_readings(journal, path):
    """3.048 m must not become 3.048 Pa because a channel's range was rewritten."""
    journal.append(levels(1))
    journal.close()
    with pytest.raises(JournalError, match=r"level in this journal are in m, those .* in Pa"):
        Journal(path, [Series("level", UNITS["psi"])])
    again = Journal(path, [Series("level", UNITS["in"]), Series("battery", UNITS["V"])])
    assert again.units() == {
        "level": UNITS["m"],
        "flow.total": UNITS["m3"],
        "battery": UNITS["V"],
    }
    again.close()


def test_a_second_daemon_on_the_same_journal_is_refused(journal, path):
    with pytest.raises(JournalError, match="another daemon writes this journal"):
        Journal(path)
    journal.append(levels(1))
    journal.close()
    again = Journal(path)
    assert again.newest == 1
    again.close()


def test_another_programs_database_is_left_alone(path):
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE wells (name)")
    db.close()
    with pytest.raises(JournalError, match="another program's database"):
        Journal(path)
    db = sqlite3.connect(path)
    assert [name for (name,) in db.execute("SELECT name FROM sqlite_schema")] == ["wells"]
    db.execute("PRAGMA user_version = 1")
    db.execute("PRAGMA application_id = 7")
    db.close()
    with pytest.raises(JournalError, match="another program's database"):
        Journal(path)


def test_an_unknown_status_reads_as_a_defect(journal):
    journal.append(levels(1))
    journal._db.execute("UPDATE reading SET status = 999, value = NULL")
    assert journal.fetch(1, 1)[0].reason is Reason.INTERNAL


def test_a_missing_directory_is_named(tmp_path):
    with pytest.raises(JournalError, match="nowhere does not exist"):
        Journal(tmp_path / "nowhere" / "a.sqlite")


def test_a_file_that_is_no_journal_is_left_alone(path):
    path.write_text("level 3 ft\n" * 100)
    with pytest.raises(JournalError, match="not a database"):
        Journal(path)
    assert path.read_text().startswith("level")


def test_a_newer_journal_is_refused_with_both_versions(journal, path):
    journal._db.execute(f"PRAGMA user_version = {LAYOUT_VERSION + 3}")
    journal.close()
    newer, known = LAYOUT_VERSION + 3, LAYOUT_VERSION
    with pytest.raises(JournalError, match=rf"layout {newer}.*up to {known}"):
        Journal(path)


def test_a_migration_that_fails_is_told(path):
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE series (x)")
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.close()
    with pytest.raises(JournalError, match="could not be brought to layout"):
        Journal(path)


def test_a_journal_whose_tables_are_gone_is_told(journal, path):
    journal._db.execute("DROP TABLE sent")
    journal.close()
    with pytest.raises(JournalError, match="no such table"):
        Journal(path)


def test_migrating_twice_changes_nothing(path):
    migrate(str(path))
    migrate(str(path))
    db = Database(path)
    assert set(db.table_names()) >= {"series", "reading", "state", "sent", "dropped"}
    db.close()


def test_a_journal_of_the_first_layout_goes_on_counting(path):
    """Its tallies were bare counts, and its totals so many pulses by one factor."""
    db = Database(path)
    db.enable_wal()
    lay_out_first(db)
    db.execute("INSERT INTO series (name, unit) VALUES ('flow.total', 'm3')")
    db.execute("INSERT INTO reading VALUES (7, 1, 60000, 50.0, 0)")
    db.execute("INSERT INTO tally VALUES ('flow', 100, '65530')")
    db.execute("INSERT INTO tally VALUES ('old-meter', 5, ?)", (str(2**64 - 1),))
    db.execute("INSERT INTO sent VALUES (1, 7)")
    db.conn.commit()
    db.close()

    journal = Journal(path, SERIES)
    assert journal._one("PRAGMA user_version") == LAYOUT_VERSION
    assert (journal.newest, list(journal.sent)) == (7, [(1, 7)])
    assert journal.fetch(7, 7) == [Journalled(7, "flow.total", 60_000, 50.0, Reason.OK)]
    assert journal.states()["old-meter"] == {"channel": {"tally": {"pulses": 5, "raw": 2**64 - 1}}}

    counted = counting_flow()
    counted.restore(journal.states()["flow"]["channel"])
    assert counted.tally.pulses == 100
    total, _ = counted.compute(Value(120_000, 5.0, 4.0))  # over the top of its 16 bits
    assert (total.number, total.reason) == (55.0, Reason.OK)
    assert counted.tally.pulses == 110

    state = {"channel": counted.state()}
    journal.append([Reading("flow.total", total.utc_ms, total.number)], {"flow": state})
    journal.close()
    again = Journal(path, SERIES)
    assert again.states()["flow"] == state
    later = counting_flow()
    later.restore(again.states()["flow"]["channel"])
    assert later.compute(Value(180_000, 1.0, 14.0))[0].number == 60.0
    again.close()


def lay_out_first(db):
    migrations = Migrations("journal")
    migrations()(readings_tallies_and_what_was_sent)
    migrations.apply(db)
    assert "state" not in db.table_names()


def counting_flow():
    rules = CounterRules.of_bits(16)
    return Counted("flow", rules, Meter(0.5), volume_unit=UNITS["gal"], flow_unit=UNITS["gpm"])


class TestRetention:
    def test_old_readings_go_once_sent(self, journal):
        journal.append(levels(100))
        journal.append([], acknowledged=[(1, 30), (41, 100)])
        rule = Retention(keep_ms=50_000, size_limit=10**9)
        # At 100 s everything before 50 s is too old: numbers 1 to 50.
        assert prune(journal, rule, 100_000) == Pruned(sent_deleted=30)
        assert prune(journal, rule, 100_000) == Pruned(sent_deleted=10)
        assert prune(journal, rule, 100_000) == Pruned()
        assert [r.seq for r in journal.fetch(1, 60)] == [*range(31, 41), *range(51, 61)]

    def test_the_newest_always_stays_and_numbers_go_on(self, journal, path):
        journal.append(levels(10))
        journal.append([], acknowledged=[(1, 10)])
        assert prune(journal, Retention(1, 10**9), 400 * DAY) == Pruned(sent_deleted=9)
        journal.close()
        again = Journal(path, SERIES)
        assert again.newest == 10
        assert again.append(levels(1)) == 11
        again.close()

    def test_when_space_runs_out_the_sent_go_first_and_the_unsent_on_record(self, journal):
        journal.append(levels(12_000))
        journal.append([], acknowledged=[(1, 2000)])
        tight = Retention(keep_ms=400 * DAY, size_limit=int(0.7 * journal.bytes_used()))
        assert prune(journal, tight, 5) == Pruned(sent_deleted=2000)
        gone = []
        while (done := prune(journal, tight, 5)) != Pruned():
            gone += done.dropped
        assert gone == [(2001, 7000)]
        rows = list(journal._db.execute("SELECT first, last, utc_ms, why FROM dropped"))
        assert rows == [(2001, 7000, 5, "size limit")]
        assert journal.dropped() == [(2001, 7000)]
        assert journal.bytes_used() < 0.95 * tight.size_limit

    def test_no_unsent_reading_goes_while_a_sent_one_is_there(self, journal, monkeypatch):
        """After an outage the newest were sent first, and the oldest still wait."""
        monkeypatch.setattr("edge.journal.retention._PORTION", 10)
        journal.append(levels(100))
        journal.append([], acknowledged=[(21, 99)])
        tight = Retention(keep_ms=400 * DAY, size_limit=1)
        for _ in range(8):
            assert prune(journal, tight, 5).dropped == ()
        assert [r.seq for r in journal.fetch(1, 200)] == [*range(1, 21), 100]
        assert prune(journal, tight, 5).dropped == ((1, 10),)

    def test_nothing_is_left_to_delete_but_the_newest(self, journal):
        journal.append(levels(1))
        assert prune(journal, Retention(1, 1), 400 * DAY) == Pruned()
        assert journal.newest == 1
