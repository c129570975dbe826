import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from edge.journal.errors import AstrayError
from edge.journal.gaps import Lost
from edge.journal.journal import Journal, JournalError
from edge.journal.ranges import RangeSet
from edge.journal.rows import mark
from edge.readings import Condense, Gap, Journalled, Reading, Series, Stamp, WhyGone
from edge.status import Reason
from edge.units import UNITS
from tests.journal.parts import SERIES, levels, values


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


def test_another_programs_database_is_left_alone(tmp_path):
    path = tmp_path / "wells.sqlite"
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
    journal._db.execute(
        "UPDATE reading SET status = 999, value = NULL, mark = ?", (mark(1, 1, 0, None, 999),)
    )
    assert journal.fetch(1, 1)[0].reason is Reason.INTERNAL


def test_a_missing_directory_is_named(tmp_path):
    with pytest.raises(JournalError, match="nowhere does not exist"):
        Journal(tmp_path / "nowhere" / "a.sqlite")


def test_a_file_that_is_no_journal_is_left_alone(path):
    path.write_text("level 3 ft\n" * 100)
    with pytest.raises(JournalError, match="not a database"):
        Journal(path)
    assert path.read_text().startswith("level")


# ------------------------------------------------------------------------- numbers and gaps


def test_a_number_is_never_used_twice(journal, path):
    """Not even when the newest readings are the ones that are gone."""
    journal.append(levels(10))
    journal.record_gap(Gap(8, 10, WhyGone.DAMAGED, 7000, None, 99))
    journal.close()
    again = Journal(path, SERIES)
    assert (again.newest, [r.seq for r in again.fetch(1, 99)]) == (10, [*range(1, 8)])
    assert again.append(levels(1)) == 11
    again.close()


def test_lost_readings_take_numbers_of_their_own(journal):
    journal.append(levels(2))
    assert journal.append(levels(1), lost=Lost(5, 10, 20), noted_ms=30) == 8
    assert [r.seq for r in journal.fetch(1, 99)] == [1, 2, 8]
    assert journal.untold == [Gap(3, 7, WhyGone.LOST, 10, 20, 30)]
    assert list(journal.nothing_to_send()) == [(3, 7)]
    journal.append([], told=journal.untold)
    assert (journal.untold, len(journal.gaps())) == ([], 1)


def test_a_row_that_does_not_bear_its_mark_is_left_out(journal):
    journal.append(levels(5))
    journal._db.execute("UPDATE reading SET value = value + 1 WHERE seq = 3")
    rows, damaged = journal.read(1, 9)
    assert ([row.seq for row in rows], damaged) == ([1, 2, 4, 5], [3])


def test_a_row_of_no_known_series_is_damaged(journal):
    journal.append(levels(2))
    journal._db.execute(
        "UPDATE reading SET series = 9, mark = ? WHERE seq = 2", (mark(2, 9, 0, 0.0, 0),)
    )
    assert journal.read(1, 9)[1] == [2]


@pytest.mark.parametrize("value", [-0.0, float("nan"), float("inf"), -1e308, 5, 2.0**60])
def test_every_value_bears_its_mark_as_the_file_gives_it_back(journal, value):
    journal.append([Reading("level", 0, value)])
    assert len(journal.fetch(1, 1)) == 1


def test_how_a_series_is_condensed_follows_the_station_file(journal, path):
    assert set(journal.condensing().values()) == {Condense.MEAN, Condense.LAST}
    journal.close()
    again = Journal(path, [Series("level", UNITS["ft"], condense=Condense.MAXIMUM)])
    assert again.condensing()[again._ids["level"]] is Condense.MAXIMUM
    again.close()


def test_what_a_channel_remembered_and_cannot_be_read_is_left_out(journal):
    journal.append([], {"flow": {"total": 1}, "level": {"head": 2}})
    journal._db.execute("UPDATE state SET state = '{\"total\":' WHERE channel = 'flow'")
    assert journal.states() == {"level": {"head": 2}}
    for damaged in ("[1]", "7", "null", '"total"', "9" * 5000):
        journal._db.execute("UPDATE state SET state = ? WHERE channel = 'flow'", (damaged,))
        assert journal.states() == {"level": {"head": 2}}


def test_a_gap_that_a_flipped_bit_turned_round_is_passed_over(journal, path):
    journal.append(levels(2))
    journal._db.execute("INSERT INTO gap VALUES (3, 1, 'lost', NULL, NULL, 0, 0)")
    journal._db.execute("INSERT INTO sent VALUES (3, 1)")
    journal.close()
    again = Journal(path, SERIES)
    assert (again.gaps(), again.untold, list(again.nothing_to_send())) == ([], [], [])
    again.append(levels(1), acknowledged=[(1, 1)])
    gap = Gap(3, 3, WhyGone.DAMAGED, None, None, 0)
    again.record_gap(gap)
    assert again.gaps() == [gap]
    again.close()


# ------------------------------------------------------------------------------------ times


def test_the_newest_time_is_that_of_good_readings_that_have_one(journal):
    assert journal.newest_utc_ms() is None
    journal.append([Reading("level", 9000, None, Reason.NO_REPLY)])
    assert journal.newest_utc_ms() == 9000
    journal.append([Reading("level", 5000, 1.0)])
    journal.append([Reading("level", 99_000, 1.0, Reason.TIME_UNSURE)])
    journal.append([Reading("level", 77_000, 1.0)], stamp=Stamp("a", 0))
    assert journal.newest_utc_ms() == 5000


def test_the_newest_time_is_no_flipped_bit(journal):
    journal.append(levels(2))
    journal._db.execute("UPDATE reading SET utc_ms = 1 << 60 WHERE seq = 2")
    assert journal.newest_utc_ms() == 0


# ------------------------------------------------------------------- the file under our hands


def test_a_file_deleted_while_it_is_open_is_put_back(journal, path):
    journal.append(levels(3), {"flow": {"total": 1}}, [(1, 2)])
    identity = journal.identity
    for file in (path, *path.parent.glob(f"{path.name}-[ws]*")):
        file.unlink()
    with pytest.raises(AstrayError, match="is gone"):
        journal.check_place()
    journal.reopen()
    journal.check_place()
    assert (journal.identity, journal.newest, list(journal.sent)) == (identity, 3, [(1, 2)])
    assert values(journal) == [0, 1, 2]
    assert journal.append(levels(1)) == 4


def test_a_file_that_took_its_place_is_opened(journal, path, tmp_path):
    """And what the log of the old one holds does not get into it."""
    journal.append(levels(9))
    other = Journal(tmp_path / "other.sqlite", SERIES)
    other.append(levels(2))
    other.close()
    other.path.replace(path)
    with pytest.raises(AstrayError, match="another file"):
        journal.check_place()
    journal.reopen()
    assert (journal.identity, journal.newest) == (other.identity, 2)
    assert journal.append(levels(1)) == 3
    replaced = Journal(path.with_name(f"{path.name}.replaced"))
    assert values(replaced) == [float(k) for k in range(9)]
    replaced.close()


@pytest.mark.parametrize("replaced", [False, True])
def test_without_room_for_a_copy_a_file_without_a_name_stays_open(
    journal, path, tmp_path, monkeypatch, replaced
):
    journal.append(levels(3))
    path.unlink()
    if replaced:
        shutil.copy(path.with_name(f"{path.name}-lock"), path)
    usage = shutil.disk_usage(tmp_path)._replace(free=100)
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "disk_usage", lambda _: usage)
        with pytest.raises(JournalError, match=r"cannot be copied to .*: the disk is too full"):
            journal.reopen()
    assert path.exists() is replaced
    assert values(journal) == [0, 1, 2]
    if not replaced:
        journal.reopen()
        journal.check_place()
        assert values(journal) == [0, 1, 2]


def test_a_file_that_cannot_be_read_any_more_is_let_go(journal, path, monkeypatch):
    def unreadable(*_):
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorcode = sqlite3.SQLITE_IOERR_READ
        raise error

    journal.append(levels(3))
    path.unlink()
    monkeypatch.setattr("edge.journal.opened.copy_database", unreadable)
    journal.reopen()
    assert values(journal) == []


def test_a_long_log_gets_short_again(journal, path):
    log = path.with_name(f"{path.name}-wal")
    with closing(sqlite3.connect(path)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM reading").fetchall()
        for _ in range(12):
            journal.append(levels(20_000))
        assert log.stat().st_size > 5_000_000
    for _ in range(3):
        journal.append(levels(1))
    assert log.stat().st_size <= 4 * 1024 * 1024


def test_no_new_file_is_made_where_the_medium_is_gone(journal, path):
    path.unlink()
    journal._file = journal._file._replace(device=-1)  # as though the directory were another's
    with pytest.raises(JournalError, match=r"the medium .* is not there"):
        journal.reopen()
    assert not path.exists()


def test_a_journal_that_cannot_be_opened_anew_is_closed_and_says_so(journal, path):
    journal.append(levels(1))
    other = sqlite3.connect(path)
    other.execute("PRAGMA user_version = 99")
    other.close()
    with pytest.raises(JournalError, match="newer version"):
        journal.reopen()
    with pytest.raises(AstrayError, match="closed"):
        journal.check_place()
    with pytest.raises(sqlite3.ProgrammingError):
        journal.append(levels(1))
    journal.close()


# ------------------------------------------------------------------------------------ damage


def damage(path):
    """Write over all pages but the first, as a failing card does."""
    content = bytearray(path.read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    path.write_bytes(content)


def test_a_damaged_journal_is_salvaged_when_it_is_opened(journal, path):
    journal.append(levels(3000), {"flow": {"total": 1}})
    journal.close()
    content = bytearray(path.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 4096] = bytes(4096)
    path.write_bytes(content)
    again = Journal(path, SERIES)
    assert again.rescued
    assert 2500 < again.rescued.readings < 3000
    assert again.identity == journal.identity
    assert again.newest > 3000
    assert len(again.fetch(1, 3000)) == again.rescued.readings
    again.close()
    sound = Journal(path, SERIES)
    assert sound.rescued is None
    sound.close()


def test_a_journal_whose_tables_are_gone_is_salvaged(journal, path):
    journal.append(levels(3))
    journal._db.execute("DROP TABLE sent")
    journal.close()
    again = Journal(path, SERIES)
    assert again.rescued
    assert values(again) == [0, 1, 2]
    again.close()


def test_a_journal_of_which_only_the_log_is_left_is_salvaged(journal, path, tmp_path):
    journal.append(levels(50))
    copy = tmp_path / "copy" / "ash-creek.sqlite"
    copy.parent.mkdir()
    copy.touch()
    for ending in ("-wal", "-about"):
        beside = path.with_name(path.name + ending).read_bytes()
        copy.with_name(copy.name + ending).write_bytes(beside)
    again = Journal(copy, SERIES)
    assert again.rescued
    assert len(again.fetch(1, 50)) == 50
    again.close()


def test_what_cannot_be_salvaged_is_told(journal, path, monkeypatch):
    def fail(_):
        raise JournalError("no room")

    journal.append(levels(3000))
    journal.close()
    damage(path)
    monkeypatch.setattr("edge.journal.opening.rescue", fail)
    with pytest.raises(JournalError, match="no room"):
        Journal(path, SERIES)
