from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edge.journal.journal import Journal
from edge.journal.timing import Timed
from edge.readings import Journalled, Reading, Stamp
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


def test_what_another_boot_left_is_unsure_where_it_was_good(journal):
    """Nobody knows any more when that was."""
    readings = [
        Reading("level", 10, 1.0),
        Reading("level", 20, 2.0, Reason.STUCK),
        Reading("level", 30, None, Reason.NO_REPLY),
    ]
    journal.append(readings, stamp=Stamp("before", 0))
    journal.append(levels(1), stamp=Stamp("now", 0))
    assert journal.give_true_time("now", TRUE) == Timed(true=1, unsure=1)
    assert journal.fetch(1, 9) == [
        Journalled(1, "level", 10, 1.0, Reason.TIME_UNSURE),
        Journalled(2, "level", 20, 2.0, Reason.STUCK),
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


def test_it_takes_no_more_memory_for_more_readings(journal):
    """The statement's own: the rows never come to Python."""
    journal.append(levels(100_000), stamp=Stamp("a", 0))
    assert journal.give_true_time("a", TRUE) == Timed(true=100_000)
    assert journal.fetch(100_000, 100_000)[0].utc_ms == TRUE + 99_999_000


runs = st.lists(
    st.tuples(st.sampled_from("abc"), st.integers(-(10**6), 10**6), st.integers(1, 4)), max_size=6
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(runs=runs, true=st.integers(0, 10**12))
def test_a_boot_gets_its_time_whatever_was_left_by_others(journal, runs, true):
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
    journal.give_true_time("a", true)
    rows, damaged = journal.read(begin + 1, journal.newest)
    assert ([(row.utc_ms, row.reason) for row in rows], damaged) == (expected, [])
