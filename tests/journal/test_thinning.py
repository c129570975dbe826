import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.journal.rows import Row
from edge.journal.thinning import condense, cut
from edge.readings import Condense
from edge.status import Reason

HOUR = 3_600_000
COMPUTED = {
    Condense.MEAN: statistics.fmean,
    Condense.LAST: lambda values: values[-1],
    Condense.MINIMUM: min,
    Condense.MAXIMUM: max,
    Condense.SUM: math.fsum,
}
THINNED, SILENT = Reason.THINNED.code, Reason.NO_REPLY.code


def rows_of(*values, series=1, step_ms=60_000, start=0):
    return [
        Row(seq, series, start + (seq - 1) * step_ms, value, 0 if value is not None else SILENT)
        for seq, value in enumerate(values, 1)
    ]


def after(rows, how, interval_ms=HOUR):
    """Return what is left of rows once they are condensed."""
    done = condense(rows, how, interval_ms)
    left = {row.seq: row for row in rows if row.seq not in done.gone}
    assert {row.seq for row in done.changed} <= left.keys()
    return list((left | {row.seq: row for row in done.changed}).values())


@pytest.mark.parametrize(
    ("way", "value"),
    [
        (Condense.MEAN, 3.0),
        (Condense.LAST, 5.0),
        (Condense.MINIMUM, 1.0),
        (Condense.MAXIMUM, 5.0),
        (Condense.SUM, 9.0),
    ],
)
def test_one_reading_stands_for_all_of_an_interval(way, value):
    rows = rows_of(1.0, 3.0, None, 5.0, None)
    assert after(rows, {1: way}) == [Row(4, 1, 180_000, value, THINNED)]


def test_what_must_be_kept_is_kept():
    rows = rows_of(1.0, 2.0)
    assert after(rows, {1: Condense.KEEP}) == rows
    assert after(rows, {}) == rows  # of a series that nobody knows


def test_a_reading_that_stands_alone_stays_as_it_is():
    rows = rows_of(1.0, 2.0, step_ms=HOUR)
    assert after(rows, {1: Condense.MEAN}) == rows


def test_where_none_has_a_value_the_last_says_why():
    rows = rows_of(None, None, None)
    assert after(rows, {1: Condense.MEAN}) == rows[-1:]


def test_one_value_among_failures_stands_for_all():
    rows = rows_of(None, 2.0, None)
    assert after(rows, {1: Condense.SUM}) == [Row(2, 1, 60_000, 2.0, THINNED)]


def test_what_is_left_of_readings_whose_time_is_unsure_says_so():
    unsure = Reason.TIME_UNSURE.code
    rows = [row._replace(status=unsure) for row in rows_of(1.0, 2.0)]
    rows += [row._replace(seq=row.seq + 2) for row in rows_of(5.0, 7.0)]
    assert after(rows, {1: Condense.MEAN}) == [
        Row(2, 1, 60_000, 1.5, unsure),
        Row(4, 1, 60_000, 6.0, THINNED),
    ]


def test_a_mean_of_large_numbers_is_no_overflow():
    rows = rows_of(1.5e308, 1.5e308, 1.5e308)
    assert after(rows, {1: Condense.MEAN})[0].value == pytest.approx(1.5e308)


row_lists = st.lists(
    st.tuples(
        st.integers(1, 4), st.integers(-3, 10), st.none() | st.floats(-1e6, 1e6, allow_nan=False)
    ),
    max_size=60,
).map(
    lambda parts: [
        Row(seq, series, tenth * HOUR // 4, value, 0 if value is not None else SILENT)
        for seq, (series, tenth, value) in enumerate(parts, 1)
    ]
)
ways = st.dictionaries(st.integers(1, 4), st.sampled_from(Condense))


@given(rows=row_lists, how=ways)
def test_every_interval_is_told_right(rows, how):
    left = after(rows, how)
    for series in {row.series for row in rows}:
        for hour in {row.utc_ms // HOUR for row in rows}:
            before, now = (
                [row for row in some if (row.series, row.utc_ms // HOUR) == (series, hour)]
                for some in (rows, left)
            )
            way = how.get(series, Condense.KEEP)
            if way is Condense.KEEP or len(before) < 2:
                assert now == before
                continue
            (one,) = now
            valued = [row for row in before if row.value is not None]
            assert one.seq == (valued or before)[-1].seq
            if valued:
                values = [row.value for row in valued]
                assert one.value == pytest.approx(COMPUTED[way](values), rel=1e-9, abs=1e-6)
                assert one.status == THINNED
            else:
                assert one == before[-1]


@given(rows=row_lists, how=ways)
def test_the_span_is_that_of_all_rows(rows, how):
    done = condense(rows, how, HOUR)
    times = [row.utc_ms for row in rows]
    assert (done.since_ms, done.until_ms) == (
        min(times, default=None),
        max(times, default=None),
    )


# Four an hour, to five o'clock.
TIMES = [(seq, seq * HOUR // 4) for seq in range(1, 21)]


class TestCut:
    def test_a_stretch_ends_where_an_interval_does(self):
        assert cut(TIMES, HOUR, 99 * HOUR, at_least=5) == 7
        assert cut(TIMES, HOUR, 99 * HOUR, at_least=7) == 7
        assert cut(TIMES, HOUR, 99 * HOUR, at_least=8) == 11

    def test_or_with_the_last_of_the_rows(self):
        assert cut(TIMES, HOUR, None, at_least=500) == 20

    def test_the_newest_interval_is_left_alone(self):
        assert cut(TIMES, HOUR, 2 * HOUR + 5, at_least=500) == 7
        assert cut(TIMES[:2], HOUR, 5, at_least=1) is None

    def test_without_rows_there_is_nothing_to_do(self):
        assert cut([], HOUR, 0, at_least=1) is None

    def test_a_clock_that_was_put_back_does_not_make_it_longer(self):
        back = [*TIMES[:8], *((seq, (seq - 80) * HOUR // 4) for seq in range(9, 40))]
        assert cut(back, HOUR, 99 * HOUR, at_least=8) == 11
