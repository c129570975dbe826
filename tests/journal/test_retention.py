import math
import sqlite3

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edge.journal.journal import Journal
from edge.journal.ranges import RangeSet
from edge.journal.retention import Pruned, Retention, prune
from edge.readings import Condense, Gap, Reading, Series, Stamp, WhyGone
from edge.status import Reason
from edge.units import UNITS
from tests.journal.parts import SERIES, levels, values

DAY = 86_400_000
HOUR = 3_600_000
TINY = Retention(keep_ms=400 * DAY, size_limit=1, thin_to_ms=HOUR)


@pytest.fixture
def small_portions(monkeypatch):
    monkeypatch.setattr("edge.journal.retention._PORTION", 10)


def everything(journal, rule, now_ms=5):
    """Prune until nothing more goes; return what went, in order."""
    done = []
    while (one := prune(journal, rule, now_ms)) != Pruned():
        done.append(one)
        assert len(done) < 10_000
    return done


def numbers(journal):
    return [row.seq for row in journal.fetch(1, journal.newest)]


def by_minute(count, start=0):
    return [Reading("level", (start + i) * 60_000, float(i)) for i in range(count)]


def test_old_readings_go_once_sent(journal):
    journal.append(levels(100))
    journal.append([], acknowledged=[(1, 30), (41, 100)])
    rule = Retention(keep_ms=50_000, size_limit=10**9)
    # At 100 s everything before 50 s is too old: numbers 1 to 50.
    assert prune(journal, rule, 100_000) == Pruned(sent_deleted=30)
    assert prune(journal, rule, 100_000) == Pruned(sent_deleted=10)
    assert prune(journal, rule, 100_000) == Pruned()
    assert numbers(journal) == [*range(31, 41), *range(51, 101)]


def test_nothing_goes_by_age_while_the_time_is_not_known(journal):
    journal.append(levels(100))
    journal.append([], acknowledged=[(1, 100)])
    rule = Retention(keep_ms=50_000, size_limit=10**9)
    assert prune(journal, rule, 2_300_000_000_000, time_known=False) == Pruned()
    # For lack of space they do.
    assert prune(journal, TINY, 0, time_known=False) == Pruned(sent_deleted=99)


def test_the_newest_always_stays_and_numbers_go_on(journal, path):
    journal.append(levels(10))
    journal.append([], acknowledged=[(1, 10)])
    assert prune(journal, Retention(1, 10**9), 400 * DAY) == Pruned(sent_deleted=9)
    journal.close()
    again = Journal(path, SERIES)
    assert again.newest == 10
    assert again.append(levels(1)) == 11
    again.close()


def test_when_space_runs_out_the_sent_go_first_and_the_unsent_on_record(journal):
    journal.append(levels(12_000))
    journal.append([], acknowledged=[(1, 2000)])
    tight = Retention(400 * DAY, int(0.7 * journal.bytes_used()), thin_to_ms=1000)
    done = everything(journal, tight)
    assert done[0] == Pruned(sent_deleted=2000)
    # An interval is as long as readings are apart: thinning gains nothing, and tells nobody.
    assert done[1:] == [
        Pruned(thinned=(2001, 7000)),
        Pruned(thinned=(7001, 11_999)),
        Pruned(dropped=(2001, 7000)),
    ]
    assert journal.untold == [Gap(2001, 7000, WhyGone.DROPPED, 2_000_000, 6_999_000, 5)]
    assert journal.bytes_used() < 0.95 * tight.size_limit


@pytest.mark.usefixtures("small_portions")
def test_no_unsent_reading_goes_while_a_sent_one_is_there(journal):
    """After an outage the newest were sent first, and the oldest still wait."""
    journal.append(levels(100))
    journal.append([], acknowledged=[(21, 99)])
    for _ in range(8):
        assert prune(journal, TINY, 5).sent_deleted
    assert numbers(journal) == [*range(1, 21), 100]
    assert prune(journal, TINY, 5) == Pruned(dropped=(1, 10))  # one interval, the newest


def test_nothing_is_left_to_delete_but_the_newest(journal):
    journal.append(levels(1))
    assert prune(journal, Retention(1, 1), 400 * DAY) == Pruned()
    assert journal.newest == 1


@pytest.mark.usefixtures("small_portions")
def test_the_oldest_unsent_are_thinned_before_any_are_dropped(journal):
    journal.append(by_minute(200))
    done = everything(journal, TINY)
    # Portions end with the hour; the newest hour, from number 181 on, is left alone.
    assert done[:3] == [
        Pruned(thinned=(1, 60)),
        Pruned(thinned=(61, 120)),
        Pruned(thinned=(121, 180)),
    ]
    # Only then does what is left go, ten rows at a time.
    assert [one.dropped for one in done[3:]] == [(1, 187), (188, 197), (198, 199)]
    assert numbers(journal) == [200]


@pytest.mark.usefixtures("small_portions")
def test_what_is_thinned_says_so_and_is_on_record(journal):
    journal.append(by_minute(130))
    assert prune(journal, TINY, 77) == Pruned(thinned=(1, 60))
    assert [(r.seq, r.utc_ms, r.value, r.reason) for r in journal.fetch(1, 61)] == [
        (60, 59 * 60_000, 29.5, Reason.THINNED),
        (61, HOUR, 60.0, Reason.OK),
    ]
    assert journal.gaps() == [Gap(1, 60, WhyGone.THINNED, 0, 59 * 60_000, 77)]
    assert list(journal.nothing_to_send()) == []  # what stands for them wants to be sent


@pytest.mark.usefixtures("small_portions")
def test_space_is_enough_once_so_much_is_thinned(journal):
    journal.append(by_minute(5000))
    enough = Retention(400 * DAY, int(0.8 * journal.bytes_used()), HOUR)
    done = everything(journal, enough)
    assert all(one.thinned for one in done)
    assert len(done) < 4900 // 60
    assert prune(journal, enough, 5) == Pruned()


@pytest.mark.usefixtures("small_portions")
def test_sent_readings_and_such_that_have_no_time_yet_are_not_thinned(journal):
    journal.append(by_minute(120))
    journal.append(by_minute(120, start=120), stamp=Stamp("a", 0))
    journal.append([], acknowledged=[(31, 120)])
    journal.append([], acknowledged=[(1, 5)])
    done = everything(journal, TINY)
    thinned = [one.thinned for one in done if one.thinned]
    assert thinned == [(6, 30)]
    # As the very last resort even those go that have no time; it then is not on record.
    last = journal.gaps()[-1]
    assert (last.why, last.since_ms, last.until_ms) == (WhyGone.DROPPED, None, None)
    assert numbers(journal) == [240]


@pytest.mark.usefixtures("small_portions")
def test_a_damaged_row_is_not_condensed_with_others(journal):
    journal.append(by_minute(130))
    journal._db.execute("UPDATE reading SET value = 1e9 WHERE seq = 7")
    prune(journal, TINY, 5)
    rows, damaged = journal.read(1, 60)
    assert ([row.value for row in rows], damaged) == ([pytest.approx((1770 - 6) / 59)], [7])


@pytest.mark.usefixtures("small_portions")
def test_thinning_that_fails_changes_nothing(journal):
    journal.append(by_minute(130))
    journal._db.execute("PRAGMA query_only = 1")
    with pytest.raises(sqlite3.OperationalError):
        prune(journal, TINY, 5)
    journal._db.execute("PRAGMA query_only = 0")
    assert (len(numbers(journal)), journal.gaps()) == (130, [])


def test_the_cost_of_a_step_does_not_grow_with_what_waits(journal, monkeypatch):
    """Counted in steps of SQLite's own machine, which do not depend on the computer."""
    monkeypatch.setattr("edge.journal.retention._PORTION", 100)
    costs = []
    for start in (0, 30_000):
        journal.append(by_minute(30_000, start))
        steps = [0]

        def count(steps=steps):
            steps[0] += 1

        journal._db.set_progress_handler(count, 100)
        assert prune(journal, TINY, 5).thinned
        journal.fetch(journal.newest - 100, journal.newest)
        journal.append(levels(8))
        journal._db.set_progress_handler(None, 0)
        costs.append(steps[0])
    assert costs[1] < 1.2 * costs[0] + 5


many = [
    Series("mean", UNITS["m"], condense=Condense.MEAN),
    Series("sum", UNITS["m"], condense=Condense.SUM),
    Series("max", UNITS["m"], condense=Condense.MAXIMUM),
    Series("keep", UNITS["m"], condense=Condense.KEEP),
]
rounds = st.lists(
    st.tuples(
        st.integers(1, 40),  # minutes since the last
        st.none() | st.floats(-1000, 1000),
        st.sampled_from(["none", "all", "newest", "prune", "prune"]),
    ),
    min_size=1,
    max_size=60,
)


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(rounds=rounds, limit=st.sampled_from([1, 50_000, 10**9]))
def test_every_number_is_accounted_for(path, small_portions, rounds, limit):
    """Held, or sent, or on record; and sums and extremes are those of what was taken."""
    journal = Journal(path, many)
    journal._db.execute("PRAGMA synchronous = OFF")
    journal._db.execute("DELETE FROM reading")
    journal._db.execute("DELETE FROM sent")
    journal._db.execute("DELETE FROM gap")
    journal._learn_contents()
    rule = Retention(400 * DAY, limit, HOUR)
    now, taken, delivered = 0, {}, {}
    for minutes, value, what in rounds:
        now += minutes * 60_000
        reason = Reason.OK if value is not None else Reason.NO_REPLY
        for series in many:
            journal.append([Reading(series.name, now, value, reason)])
            taken[journal.newest] = (series.name, now, value)
        if what == "prune":
            prune(journal, rule, now)
        elif what != "none":
            first = 1 if what == "all" else max(1, journal.newest - 6)
            delivered |= {row.seq: row for row in journal.fetch(first, journal.newest)}
            journal.append([], acknowledged=[(first, journal.newest)])
    for _ in range(3):
        prune(journal, rule, now)

    check_account(journal, taken)
    check_thinning(journal, taken, delivered, newest_hour=now // HOUR)
    journal.close()


def check_account(journal, taken):
    """Every number is held, sent or stated to be gone; what claims to be untouched is."""
    held = {row.seq: row for row in journal.fetch(1, journal.newest)}
    stated = RangeSet([(gap.first, gap.last) for gap in journal.gaps()])
    for number in range(1, journal.newest + 1):
        assert number in held or number in journal.sent or number in stated
    for row in held.values():
        if row.reason is not Reason.THINNED:
            assert (row.series, row.utc_ms, row.value) == taken[row.seq]


def check_thinning(journal, taken, delivered, newest_hour):
    """The newest hour is untouched; sums go on being right; what must be kept is."""
    settled = journal.nothing_to_send()
    held = {row.seq: row for row in journal.fetch(1, journal.newest)}
    for seq, (_, utc_ms, _) in taken.items():
        if utc_ms // HOUR == newest_hour and seq not in settled:
            assert held[seq].reason is not Reason.THINNED
    if WhyGone.DROPPED not in {gap.why for gap in journal.gaps()}:
        arrives = (held | delivered).values()
        assert total("sum", arrives) == pytest.approx(
            math.fsum(v for name, _, v in taken.values() if name == "sum" and v is not None),
            abs=1e-6,
        )
        assert sum(row.series == "keep" for row in arrives) == len(taken) // len(many)


def total(series, rows):
    return math.fsum(row.value for row in rows if row.series == series and row.value is not None)


def test_values_are_kept_through_it_all(journal):
    journal.append(levels(3))
    prune(journal, Retention(400 * DAY, 10**9), 5)
    assert values(journal) == [0, 1, 2]
