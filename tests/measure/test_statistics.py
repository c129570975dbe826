import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.statistics import IntervalStatistics
from edge.status import Reason

UNCERTAIN = [Reason.OK, Reason.SATURATED_HIGH, Reason.STUCK]
BAD = [Reason.OPEN_LOOP, Reason.NO_REPLY]

good = st.tuples(st.floats(-1e6, 1e6), st.sampled_from(UNCERTAIN))
bad = st.tuples(st.none(), st.sampled_from(BAD))
samples = st.lists(good | bad, max_size=50)


def of(taken):
    found = IntervalStatistics()
    for number, reason in taken:
        found.take(number, reason)
    return found


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=60))
def test_the_figures_are_those_of_the_standard_library(numbers):
    found = of([(number, Reason.OK) for number in numbers])
    assert found.count == len(numbers)
    assert found.mean == pytest.approx(statistics.fmean(numbers), abs=1e-8)
    assert found.deviation == pytest.approx(statistics.stdev(numbers), rel=1e-6, abs=1e-6)
    assert (found.minimum, found.maximum, found.last) == (min(numbers), max(numbers), numbers[-1])


@given(samples, samples, samples)
def test_parts_merged_are_the_whole(first, second, third):
    whole, merged = of(first + second + third), of(first)
    later = of(second)
    later.merge(of(third))
    merged.merge(later)
    for name in ("count", "minimum", "maximum", "last", "reason", "bad", "bad_reason"):
        assert getattr(merged, name) == getattr(whole, name), name
    if whole.count > 0:
        assert merged.mean == pytest.approx(whole.mean, abs=1e-8)
    if whole.count > 1:
        assert merged.deviation == pytest.approx(whole.deviation, rel=1e-6, abs=1e-6)


@given(st.floats(-1e9, 1e9), st.integers(2, 100))
def test_numbers_that_are_all_the_same_have_exactly_that_mean_and_no_spread(number, count):
    found = of([(number, Reason.OK)] * count)
    assert (found.mean, found.deviation) == (number, 0.0)


def test_small_deviations_of_large_numbers_are_not_lost():
    # The sum of squares would leave nothing of these.
    found = of([(1e9 + offset, Reason.OK) for offset in (4.0, 7.0, 13.0, 16.0)])
    assert found.deviation == pytest.approx(30**0.5, rel=1e-12)


def test_of_nothing_there_is_nothing():
    found = IntervalStatistics()
    assert (found.count, found.bad) == (0, 0)
    assert (found.mean, found.minimum, found.maximum, found.last) == (None,) * 4
    assert found.deviation is None
    assert found.bad_reason is Reason.TOO_FEW_SAMPLES


def test_one_sample_has_a_mean_but_no_spread():
    found = of([(2.5, Reason.OK)])
    assert (found.mean, found.deviation) == (2.5, None)


def test_samples_without_a_number_are_counted_and_the_latest_gives_the_reason():
    found = of([(1.0, Reason.OK), (None, Reason.NO_REPLY), (None, Reason.OPEN_LOOP)])
    assert (found.count, found.bad, found.bad_reason) == (1, 2, Reason.OPEN_LOOP)
    assert found.mean == 1.0


def test_a_number_of_a_bad_sample_does_not_count():
    found = of([(1.0, Reason.OK), (99.0, Reason.OPEN_LOOP)])
    assert (found.count, found.bad, found.maximum) == (1, 1, 1.0)


def test_the_worst_reason_stands_for_all():
    found = of([(1.0, Reason.OK), (2.0, Reason.STUCK), (3.0, Reason.OK)])
    assert found.reason is Reason.STUCK


@pytest.mark.parametrize(
    ("numbers", "expected", "share"), [(0, 4, 0.0), (3, 4, 0.75), (4, 4, 1.0), (5, 4, 1.0)]
)
def test_completeness_is_the_share_of_what_was_expected(numbers, expected, share):
    assert of([(1.0, Reason.OK)] * numbers).completeness(expected) == share
