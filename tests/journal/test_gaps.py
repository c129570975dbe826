import sqlite3

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.journal import gaps
from edge.readings import Gap, WhyGone

DROPPED, THINNED, LOST = WhyGone.DROPPED, WhyGone.THINNED, WhyGone.LOST


@pytest.fixture
def db():
    db = table()
    yield db
    db.close()


def table():
    db = sqlite3.connect(":memory:")
    db.execute(
        "CREATE TABLE gap (first INTEGER PRIMARY KEY, last INTEGER NOT NULL, why TEXT NOT NULL,"
        " since_ms INTEGER, until_ms INTEGER, noted_ms INTEGER NOT NULL, told INTEGER NOT NULL)"
        " STRICT"
    )
    return db


def test_neighbours_of_one_kind_are_one(db):
    gaps.record(db, Gap(1, 10, THINNED, 5, 6, 100))
    gaps.record(db, Gap(11, 20, THINNED, 3, 9, 200))
    gaps.record(db, Gap(21, 21, LOST, 10, 10, 200))
    assert gaps.all_of(db) == [Gap(1, 20, THINNED, 3, 9, 200), Gap(21, 21, LOST, 10, 10, 200)]


def test_a_time_that_is_not_known_stays_unknown(db):
    gaps.record(db, Gap(1, 10, LOST, 5, 6, 100))
    gaps.record(db, Gap(11, 20, LOST, None, None, 200))
    assert gaps.all_of(db) == [Gap(1, 20, LOST, None, None, 200)]


def test_what_was_told_is_not_told_again(db):
    gaps.record(db, Gap(1, 10, LOST, 5, 6, 100))
    gaps.tell(db, gaps.untold(db))
    assert gaps.untold(db) == []
    gaps.record(db, Gap(11, 20, LOST, 7, 8, 200))
    assert gaps.untold(db) == [Gap(11, 20, LOST, 7, 8, 200)]


def test_what_grew_while_it_was_told_is_told_again(db):
    gaps.record(db, Gap(1, 10, LOST, 5, 6, 100))
    told = gaps.untold(db)
    gaps.record(db, Gap(11, 20, LOST, 7, 8, 200))
    gaps.tell(db, told)
    assert gaps.untold(db) == [Gap(1, 20, LOST, 5, 8, 200)]


def test_the_last_word_on_a_number_holds(db):
    gaps.record(db, Gap(1, 100, THINNED, 5, 6, 100))
    gaps.tell(db, gaps.untold(db))
    gaps.record(db, Gap(1, 10, DROPPED, 5, 5, 200))
    gaps.record(db, Gap(50, 60, DROPPED, 6, 6, 200))
    assert [(g.first, g.last, g.why) for g in gaps.all_of(db)] == [
        (1, 10, DROPPED),
        (11, 49, THINNED),
        (50, 60, DROPPED),
        (61, 100, THINNED),
    ]
    assert [g.why for g in gaps.untold(db)] == [DROPPED, DROPPED]


def test_a_word_that_nobody_knows_is_damage(db):
    gaps.record(db, Gap(1, 1, LOST, None, None, 1))
    db.execute("UPDATE gap SET why = 'lOst'")
    assert gaps.all_of(db)[0].why is WhyGone.DAMAGED


@given(
    st.lists(
        st.tuples(st.integers(1, 50), st.integers(0, 20), st.sampled_from(WhyGone), st.booleans()),
        max_size=30,
    )
)
def test_every_number_has_one_reason_the_last_given(records):
    db = table()
    expected = {}
    for first, more, why, told in records:
        gaps.record(db, Gap(first, first + more, why, None, None, 0), told=told)
        expected |= dict.fromkeys(range(first, first + more + 1), (why, told))
    untold = gaps.untold(db)
    stated = [
        (number, (gap.why, gap not in untold))
        for gap in gaps.all_of(db)
        for number in range(gap.first, gap.last + 1)
    ]
    db.close()
    assert len(stated) == len(dict(stated))
    assert dict(stated) == expected
