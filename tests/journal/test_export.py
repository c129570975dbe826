import sqlite3

import pytest

from edge.journal.errors import JournalError
from edge.journal.export import JournalReader
from edge.journal.gaps import Lost
from edge.readings import Gap, Stamp, WhyGone
from edge.status import Reason
from tests.journal.parts import levels


def test_what_a_journal_holds_while_it_is_written(journal, path):
    journal.append(levels(10), acknowledged=[(1, 4)])
    journal.append(levels(2), lost=Lost(3, None, None), noted_ms=9)
    journal.append(levels(1), stamp=Stamp("a", 0))
    journal.delete_sent(1, 4)
    reader = JournalReader(path)
    found = reader.summary()
    assert (found.identity, found.newest) == (journal.identity, 16)
    assert found.held == 12  # of them three numbers were lost
    assert found.unsent == 16 - 4 - 3
    assert found.untimed == 1
    assert found.gaps == (Gap(11, 13, WhyGone.LOST, None, None, 9),)
    assert list(found.gaps) == reader.gaps()
    assert found.size == journal._one("PRAGMA page_count") * 4096


def test_an_empty_journal_holds_nothing(path):
    found = JournalReader(path).summary()
    assert (found.newest, found.held, found.unsent, found.gaps) == (0, 0, 0, ())


def test_a_journal_that_is_nothing_but_a_gap_counts_on(journal, path):
    journal.record_gap(Gap(1, 50, WhyGone.DAMAGED, None, None, 0))
    found = JournalReader(path).summary()
    assert (found.newest, found.held, found.unsent) == (50, 0, 0)


def test_damaged_rows_are_left_out(journal, path):
    journal.append(levels(3))
    journal._db.execute("UPDATE reading SET value = 9 WHERE seq = 2")
    assert [row.seq for row in JournalReader(path).rows()] == [1, 3]


def test_readings_that_wait_for_their_time_are_unsure_of_it(journal, path):
    journal.append(levels(1))
    journal.append(levels(1), stamp=Stamp("a", 0))
    assert [r.reason for r in JournalReader(path).rows()] == [Reason.OK, Reason.TIME_UNSURE]


def test_a_table_that_is_gone_is_told(journal, path):
    reader = JournalReader(path)
    journal._db.execute("DROP TABLE sent")
    with pytest.raises(JournalError, match="no such table"):
        reader.summary()
    journal._db.execute("DROP TABLE untimed")
    with pytest.raises(JournalError, match="no such table"):
        JournalReader(path)


def test_a_journal_of_another_layout_is_told(path):
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 2")
    db.close()
    with pytest.raises(JournalError, match="found layout 2"):
        JournalReader(path)
