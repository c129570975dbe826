import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.filters import Damping, Mean, Median

numbers = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40)


def test_a_median_takes_out_a_single_wrong_number():
    median = Median(3)
    assert [median.take(x) for x in (1.0, 1.0, 99.0, 1.0, 2.0, 2.0)] == [1, 1, 1, 1, 2, 2]


def test_a_median_of_as_many_as_there_are_yet():
    median = Median(5)
    assert [median.take(x) for x in (1.0, 3.0, 2.0)] == [1.0, 2.0, 2.0]


@given(numbers, st.sampled_from([1, 3, 7]))
def test_a_median_is_that_of_the_last_numbers(given_numbers, size):
    median = Median(size)
    for end, number in enumerate(given_numbers, 1):
        window = given_numbers[max(0, end - size) : end]
        assert median.take(number) == statistics.median(window)


@given(numbers, st.integers(1, 9))
def test_a_mean_is_that_of_the_last_numbers(given_numbers, size):
    mean = Mean(size)
    for end, number in enumerate(given_numbers, 1):
        window = given_numbers[max(0, end - size) : end]
        assert mean.take(number) == pytest.approx(math.fsum(window) / len(window), abs=1e-9)


@pytest.mark.parametrize("size", [0, -1, 2, 4])
def test_a_median_needs_a_middle(size):
    with pytest.raises(ValueError, match=f"a median of {size}, where an odd number has a middle"):
        Median(size)


@pytest.mark.parametrize("size", [0, -3])
def test_a_mean_needs_a_number(size):
    with pytest.raises(ValueError, match=f"a mean of {size} numbers"):
        Mean(size)


# IEC 60050-351, "time constant": 63.2 % of a step after one, 95.0 % after three.
@pytest.mark.parametrize(("constants", "share"), [(1, 0.632), (2, 0.865), (3, 0.950), (5, 0.993)])
def test_damping_follows_a_step(constants, share):
    damping = Damping(8.0)
    damping.take(0.0, 100.0)
    assert damping.take(1.0, 100.0 + constants * 8.0) == pytest.approx(share, abs=5e-4)


def test_the_first_number_passes_as_it_is():
    assert Damping(60.0).take(7.5, 1e6) == 7.5


def test_damping_stands_still_while_no_time_passes():
    damping = Damping(1.0)
    damping.take(1.0, 10.0)
    assert damping.take(2.0, 10.0) == 1.0
    assert damping.take(2.0, 9.0) == 1.0


@given(st.lists(st.floats(0.01, 100.0), min_size=1, max_size=10))
def test_damping_comes_to_the_same_however_often_it_is_sampled(steps):
    often, once = Damping(30.0), Damping(30.0)
    often.take(0.0, 0.0)
    once.take(0.0, 0.0)
    at = 0.0
    for step in steps:
        at += step
        last = often.take(1.0, at)
    assert last == pytest.approx(once.take(1.0, at), rel=1e-9)


@given(numbers)
def test_damping_stays_within_its_inputs(given_numbers):
    damping = Damping(5.0)
    for at, number in enumerate(given_numbers):
        shown = damping.take(number, float(at))
        seen = given_numbers[: at + 1]
        assert min(seen) - 1e-6 <= shown <= max(seen) + 1e-6


@pytest.mark.parametrize("seconds", [0.0, -1.0, math.nan])
def test_damping_needs_a_time(seconds):
    with pytest.raises(ValueError, match="a time constant of"):
        Damping(seconds)


def test_after_a_reset_the_past_is_forgotten():
    median, mean, damping = Median(3), Mean(3), Damping(10.0)
    for number in (1.0, 1.0):
        median.take(number)
        mean.take(number)
        damping.take(number, number)
    for one in (median, mean, damping):
        one.reset()
    assert (median.take(9.0), mean.take(9.0), damping.take(9.0, 2.0)) == (9.0, 9.0, 9.0)
