from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edge.journal import timing
from edge.journal.journal import Journal
from edge.journal.timing import PORTION, Timed
from edge.readings import Gap, Journalled, Reading, Stamp, WhyGone
from edge.status import Reason
from tests.journal.parts import SERIES, levels

TRUE = 1_700_000_000_000


def test_untimed_readings_wait_and_get_their_true_time(journal, path):
    here = Stamp("this boot", 1000)
    journal.append(levels(2))
    journal.append(levels(2, start=10), stamp=here)
    journal.append(levels(1, start=20), stamp=here)
    assert journal.untimed == [(3, 5, here)]
    assert (journal.sendable, journal.newest) == (2, 5)
    journal.close()

    again = Journal(path, SERIES)
    assert (again.untimed, again.sendable) == ([(3, 5, here)], 2)
    assert again.give_true_time("this boot", TRUE) == Timed(true=3)
    assert (again.untimed, again.sendable) == ([], 5)
    assert [(r.seq, r.utc_ms, r.reason) for r in again.fetch(1, 9)] == [
        (1, 0, Reason.OK),
        (2, 1000, Reason.OK),
        (3, TRUE + 9000, Reason.OK),
        (4, TRUE + 10_000, Reason.OK),
        (5, TRUE + 19_000, Reason.OK),
    ]
    again.close()


def test_two_runs_of_one_boot_have_offsets_of_their_own(journal):
    journal.append([Reading("level", 500, 1.0)], stamp=Stamp("a", 100))
    journal.append([Reading("level", 900, 1.0)], stamp=Stamp("a", 200))
    assert [(first, last) for first, last, _ in journal.untimed] == [(1, 1), (2, 2)]
    journal.give_true_time("a", TRUE)
    assert [r.utc_ms for r in journal.fetch(1, 9)] == [TRUE + 400, TRUE + 700]


def test_what_another_boot_left_is_unsure_where_it_has_a_value(journal):
    """Nobody knows any more when that was."""
    readings = [
        Reading("level", 10, 1.0),
        Reading("level", 20, 2.0, Reason.STUCK),
        Reading("level", 30, None, Reason.NO_REPLY),
    ]
    journal.append(readings, stamp=Stamp("before", 0))
    journal.append(levels(1), stamp=Stamp("now", 0))
    assert journal.give_true_time("now", TRUE) == Timed(true=1, unsure=2)
    assert journal.fetch(1, 9) == [
        Journalled(1, "level", 10, 1.0, Reason.TIME_UNSURE),
        Journalled(2, "level", 20, 2.0, Reason.TIME_UNSURE),
        Journalled(3, "level", 30, None, Reason.NO_REPLY),
        Journalled(4, "level", TRUE, 0.0, Reason.OK),
    ]
    assert journal.sendable == 4


def test_a_damaged_row_gets_no_new_mark(journal):
    journal.append(levels(3), stamp=Stamp("a", 0))
    journal.append(levels(3), stamp=Stamp("b", 0))
    journal._db.execute("UPDATE reading SET value = 7 WHERE seq IN (2, 5)")
    assert journal.give_true_time("a", TRUE) == Timed(true=2, unsure=2)
    assert journal.read(1, 9)[1] == [2, 5]


def test_one_call_puts_right_a_portion_from_the_oldest_on(journal, path):
    here = Stamp("a", 0)
    journal.append(levels(PORTION - 1), stamp=Stamp("before", 7))
    journal.append(levels(PORTION), stamp=here)
    assert journal.give_true_time("a", TRUE) == Timed(true=1, unsure=PORTION - 1)
    assert journal.untimed == [(PORTION + 1, 2 * PORTION - 1, here)]
    assert journal.sendable == PORTION
    journal.append(levels(1))  # whose time is known already
    journal.close()

    again = Journal(path, SERIES)
    assert (again.sendable, again.newest) == (PORTION, 2 * PORTION)
    assert again.give_true_time("a", TRUE) == Timed(true=PORTION - 1)
    assert (again.sendable, again.untimed) == (2 * PORTION, [])
    times = [row.utc_ms for row in again.fetch(PORTION, 2 * PORTION)]
    assert times == [*(TRUE + 1000 * k for k in range(PORTION)), 0]
    again.close()


def test_numbers_that_are_not_there_do_not_count(journal):
    """As where readings were dropped before their time was known."""
    journal.append(levels(3 * PORTION), stamp=Stamp("a", 0))
    journal.record_gap(Gap(2, 3 * PORTION - 1, WhyGone.DROPPED, None, None, 0))
    assert journal.give_true_time("a", TRUE) == Timed(true=2)
    assert journal.untimed == []


def test_a_range_that_a_flipped_bit_turned_round_is_passed_over(journal, path):
    journal.append(levels(2), stamp=Stamp("a", 0))
    journal._db.execute("INSERT INTO untimed VALUES (3, 1, 'a', 0)")
    journal.close()
    again = Journal(path, SERIES)
    assert again.untimed == [(1, 2, Stamp("a", 0))]
    again.append(levels(1), stamp=Stamp("b", 0))
    assert [(first, last) for first, last, _ in again.untimed] == [(1, 2), (3, 3)]
    again.close()


runs = st.lists(
    st.tuples(st.sampled_from("abc"), st.integers(-(10**6), 10**6), st.integers(1, 4)), max_size=6
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(runs=runs, true=st.integers(0, 10**12), portion=st.integers(1, 9))
def test_a_boot_gets_its_time_whatever_was_left_by_others(journal, runs, true, portion):
    """Monotonic time plus the true offset, to the millisecond."""
    begin = journal.newest
    expected = []
    for boot, offset, count in runs:
        monotonic = [1000 * k + len(expected) for k in range(count)]
        readings = [Reading("level", offset + at, 1.0) for at in monotonic]
        journal.append(readings, stamp=Stamp(boot, offset))
        expected += [
            (at + true, Reason.OK) if boot == "a" else (at + offset, Reason.TIME_UNSURE)
            for at in monotonic
        ]
    while left := timing.untimed(journal._db):
        done = timing.give_true_time(journal._db, "a", true, at_most=portion)
        assert done.true + done.unsure == min(portion, sum(b - a + 1 for a, b, _ in left))
    rows, damaged = journal.read(begin + 1, journal.newest)
    assert ([(row.utc_ms, row.reason) for row in rows], damaged) == (expected, [])
