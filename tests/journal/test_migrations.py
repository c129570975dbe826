import os
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest
from sqlite_utils import Database, Migrations

from edge.journal.journal import Journal, JournalError
from edge.journal.layout import APPLICATION_ID, LAYOUT_VERSION
from edge.journal.migrations import (
    migrate,
    one_state_a_channel_instead_of_a_tally,
    readings_tallies_and_what_was_sent,
)
from edge.measure.counter import CounterRules
from edge.measure.measured import Counted
from edge.measure.meter import Meter
from edge.measure.values import Value
from edge.readings import Condense, Gap, Journalled, Reading, WhyGone
from edge.status import Reason
from edge.units import UNITS
from tests.journal.parts import SERIES, levels

FIRST = [readings_tallies_and_what_was_sent]
SECOND = [*FIRST, one_state_a_channel_instead_of_a_tally]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "ash-creek.sqlite"


def laid_out(path, steps):
    """Make a journal of an old layout, with three readings of which one was dropped."""
    db = Database(path)
    db.enable_wal()
    migrations = Migrations("journal")
    for step in steps:
        migrations()(step)
    migrations.apply(db)
    db.execute("INSERT INTO series (name, unit) VALUES ('level', 'm')")
    db.execute("INSERT INTO reading VALUES (2, 1, 60000, 50.0, 0), (3, 1, 60001, NULL, 40)")
    db.execute("INSERT INTO sent VALUES (2, 2)")
    db.execute("INSERT INTO dropped VALUES (1, 1, 7, 'size limit')")
    db.conn.commit()
    return db


def dump(path):
    with closing(sqlite3.connect(path)) as db:
        return list(db.iterdump()), db.execute("PRAGMA user_version").fetchone()


def test_a_new_journal_has_an_identity_of_its_own(tmp_path):
    identities = set()
    for name in "ab":
        migrate(tmp_path / name)
        with closing(sqlite3.connect(tmp_path / name)) as db:
            assert db.execute("PRAGMA user_version").fetchone() == (LAYOUT_VERSION,)
            assert db.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
            identities |= {id_ for (id_,) in db.execute("SELECT id FROM identity")}
    assert len(identities) == 2
    assert all(re.fullmatch("[0-9a-f]{16}", one) for one in identities)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["a", "b"]


def test_half_a_new_journal_is_begun_afresh(path):
    """A power cut while it is made leaves only what bears another name."""
    laid_out(path.with_name(f"{path.name}.new"), FIRST).close()
    migrate(path)
    assert [file.name for file in path.parent.iterdir()] == [path.name]
    Journal(path).close()


def test_migrating_twice_changes_nothing(path):
    migrate(path)
    before = dump(path)
    migrate(path)
    assert dump(path) == before
    assert not path.with_name(f"{path.name}.layout-{LAYOUT_VERSION}").exists()


@pytest.mark.parametrize(("steps", "layout"), [(FIRST, 1), (SECOND, 2)])
def test_an_old_journal_keeps_all_it_holds(path, steps, layout):
    laid_out(path, steps).close()
    before = dump(path)
    journal = Journal(path, SERIES)
    assert journal.fetch(1, 9) == [
        Journalled(2, "level", 60_000, 50.0, Reason.OK),
        Journalled(3, "level", 60_001, None, Reason.NO_REPLY),
    ]
    assert (journal.newest, list(journal.sent)) == (3, [(2, 2)])
    assert journal.gaps() == journal.untold == [Gap(1, 1, WhyGone.DROPPED, None, None, 7)]
    assert journal.condensing()[1] is Condense.MEAN
    assert re.fullmatch("[0-9a-f]{16}", journal.identity)
    journal.close()
    assert dump(path.with_name(f"{path.name}.layout-{layout}")) == before


def test_the_copy_holds_what_was_only_in_the_log(path):
    """As after a power cut."""
    laid_out(path, SECOND).close()
    program = (
        "import os, signal, sqlite3, sys\n"
        "db = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "db.execute('INSERT INTO reading VALUES (4, 1, 60002, 1.0, 0)')\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", program, str(path)], check=False)
    assert path.with_name(f"{path.name}-wal").stat().st_size
    Journal(path, SERIES).close()
    copy = path.with_name(f"{path.name}.layout-2")
    with closing(sqlite3.connect(copy)) as db:
        assert db.execute("SELECT max(seq) FROM reading").fetchone() == (4,)
    assert not copy.with_name(f"{copy.name}-wal").exists()


def test_a_step_that_fails_leaves_the_layout_as_it_was(path):
    """Even one of several: between them no version knows what it has before it."""
    db = laid_out(path, FIRST)
    db.execute("CREATE TABLE untimed (x)")
    db.close()
    before = dump(path)
    with pytest.raises(JournalError, match=r"to layout 3: table untimed already exists"):
        Journal(path)
    assert dump(path) == before


def test_without_a_copy_nothing_is_changed(path):
    laid_out(path, SECOND).close()
    before = path.read_bytes()
    path.with_name(f"{path.name}.layout-2").mkdir()
    with pytest.raises(JournalError, match=r"could not be brought to layout 3: .*Is a directory"):
        Journal(path)
    assert path.read_bytes() == before
    assert not list(path.parent.glob("*.part*"))


def with_free(monkeypatch, directory, size):
    usage = shutil.disk_usage(directory)._replace(free=size)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)


def test_without_room_both_sizes_are_named_and_nothing_is_written(path, monkeypatch):
    laid_out(path, SECOND).close()
    half_made = path.with_name(f"{path.name}.layout-2.part")
    half_made.write_bytes(bytes(99))
    size = path.stat().st_size
    monkeypatch.setattr("edge.journal.migrations.copy_database", None)
    with_free(monkeypatch, path.parent, size)
    with pytest.raises(OSError, match=rf"too full: {1.5 * size / 1e6:.1f} MB .*, 0.0 MB are free"):
        migrate(path)
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_it_takes_the_room_of_one_copy(path, monkeypatch):
    laid_out(path, SECOND).close()
    before = path.stat().st_ino
    with_free(monkeypatch, path.parent, 1.5 * path.stat().st_size)
    migrate(path)
    copy = path.with_name(f"{path.name}.layout-2")
    assert (copy.stat().st_ino, copy.stat().st_nlink) == (before, 1)
    assert {file.name for file in path.parent.iterdir()} == {path.name, copy.name}


def test_where_a_file_can_have_one_name_only_it_is_copied(path, monkeypatch):
    def refuse(*_):
        raise PermissionError

    laid_out(path, SECOND).close()
    before = path.read_bytes()
    monkeypatch.setattr(os, "link", refuse)
    migrate(path)
    assert path.with_name(f"{path.name}.layout-2").read_bytes() == before


def test_a_power_cut_before_the_end_is_made_good(path, monkeypatch):
    def stop(*_):
        raise KeyboardInterrupt

    laid_out(path, SECOND).close()
    before = dump(path)
    with monkeypatch.context() as patch:
        patch.setattr("edge.journal.migrations.put_in_place", stop)
        with pytest.raises(KeyboardInterrupt):
            migrate(path)
    assert dump(path) == before
    migrate(path)
    copy = path.with_name(f"{path.name}.layout-2")
    assert dump(copy) == before
    assert {file.name for file in path.parent.iterdir()} == {path.name, copy.name}
    Journal(path, SERIES).close()


def test_a_file_that_another_program_reads_is_not_split_from_its_log(path):
    laid_out(path, SECOND).close()
    with closing(sqlite3.connect(path)) as reader, closing(sqlite3.connect(path)) as writer:
        writer.execute("UPDATE series SET unit = 'ft'")
        writer.commit()
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM series").fetchall()
        writer.execute("UPDATE series SET unit = 'm'")
        writer.commit()
        with pytest.raises(OSError, match="another program is reading the file"):
            migrate(path)
        assert not path.with_name(f"{path.name}.layout-2").exists()


def test_a_newer_journal_is_refused_with_both_versions_and_untouched(path):
    newer = LAYOUT_VERSION + 3
    migrate(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {newer}")
    before = path.read_bytes()
    with pytest.raises(JournalError, match=rf"layout {newer}.*up to {LAYOUT_VERSION}"):
        Journal(path)
    assert path.read_bytes() == before


def test_a_journal_of_the_first_layout_goes_on_counting(path):
    """Its tallies were bare counts, and its totals so many pulses by one factor."""
    db = laid_out(path, FIRST)
    db.execute("INSERT INTO series (name, unit) VALUES ('flow.total', 'm3')")
    db.execute("INSERT INTO tally VALUES ('flow', 100, '65530')")
    db.execute("INSERT INTO tally VALUES ('old-meter', 5, ?)", (str(2**64 - 1),))
    db.conn.commit()
    db.close()

    journal = Journal(path, SERIES)
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
    again.append(levels(1))
    again.close()


def counting_flow():
    rules = CounterRules.of_bits(16)
    return Counted("flow", rules, Meter(0.5), volume_unit=UNITS["gal"], flow_unit=UNITS["gpm"])
