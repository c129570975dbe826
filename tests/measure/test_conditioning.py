import math

import pytest

from edge.measure.conditioning import Conditioner
from edge.measure.filters import Damping, Mean, Median
from edge.measure.values import Value
from edge.measure.watch import RateOfChange, StuckSignal
from edge.status import Reason


def at(seconds, number, reason=Reason.OK):
    return Value(seconds * 1000, float(seconds), number, reason)


def fed(conditioner, *numbers):
    """Return the numbers and reasons that come of numbers a second apart."""
    taken = [conditioner.take(at(second, number)) for second, number in enumerate(numbers)]
    return [(value.number, value.reason) for value in taken]


def numbers(conditioner, *raw):
    return [number for number, _ in fed(conditioner, *raw)]


def test_with_nothing_to_do_values_pass_as_they_are():
    value = at(3, 1.5, Reason.OVER_RANGE)
    assert Conditioner().take(value) == value


def test_the_median_comes_before_the_mean():
    """Otherwise the one wrong number would show in three means."""
    both = Conditioner(median=Median(3), mean=Mean(3))
    assert numbers(both, 5.0, 5.0, 900.0, 5.0, 5.0) == [5.0] * 5


def test_damping_comes_last():
    damped = Conditioner(mean=Mean(2), damping=Damping(1.0))
    share = 1 - math.exp(-1.0)
    assert numbers(damped, 0.0, 10.0) == [0.0, pytest.approx(5.0 * share)]


def test_a_bad_value_passes_at_once_and_the_filters_begin_anew():
    all_filters = Conditioner(median=Median(3), mean=Mean(3), damping=Damping(60.0))
    numbers(all_filters, 5.0, 5.0, 5.0)
    bad = at(3, None, Reason.OPEN_LOOP)
    assert all_filters.take(bad) == bad
    assert all_filters.take(at(4, 8.0)) == at(4, 8.0)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_said_to_be_none_and_is_forgotten(number):
    mean = Conditioner(mean=Mean(3))
    assert fed(mean, 1.0, number, 4.0) == [
        (1.0, Reason.OK),
        (None, Reason.NOT_A_NUMBER),
        (4.0, Reason.OK),
    ]


def test_the_watch_sees_numbers_as_they_come():
    """A median takes the spike out; that there was one is said all the same."""
    watched = Conditioner(median=Median(3), speed=RateOfChange(1.0, within=1.0))
    assert fed(watched, 5.0, 5.0, 900.0, 5.0, 5.0) == [
        (5.0, Reason.OK),
        (5.0, Reason.OK),
        (5.0, Reason.CHANGED_TOO_FAST),
        (5.0, Reason.CHANGED_TOO_FAST),
        (5.0, Reason.OK),
    ]


def test_a_stuck_signal_is_not_hidden_by_damping():
    stuck = Conditioner(damping=Damping(100.0), stuck=StuckSignal(2.0))
    reasons = [reason for _, reason in fed(stuck, 0.0, 9.0, 9.0, 9.0, 9.0)]
    assert reasons == [Reason.OK] * 4 + [Reason.STUCK]


def test_after_a_gap_nothing_is_stuck_or_too_fast():
    watched = Conditioner(stuck=StuckSignal(2.0), speed=RateOfChange(1.0, within=1.0))
    fed(watched, 5.0, 5.0)
    watched.take(at(2, None, Reason.NO_REPLY))
    assert watched.take(at(9, 5.0)).reason is Reason.OK
    watched.take(at(10, None, Reason.NO_REPLY))
    assert watched.take(at(11, 500.0)).reason is Reason.OK


def test_a_mean_is_in_doubt_for_as_long_as_what_was_in_doubt_is_in_it():
    mean = Conditioner(mean=Mean(2))
    given = [Reason.OK, Reason.OVER_RANGE, Reason.OK, Reason.OK]
    found = [mean.take(at(i, 1.0, reason)).reason for i, reason in enumerate(given)]
    assert found == [Reason.OK, Reason.OVER_RANGE, Reason.OVER_RANGE, Reason.OK]


def test_doubts_go_with_the_window_after_a_gap():
    mean = Conditioner(mean=Mean(2))
    mean.take(at(0, 1.0, Reason.OVER_RANGE))
    mean.take(at(1, None, Reason.NO_REPLY))
    assert mean.take(at(2, 1.0)).reason is Reason.OK


def test_of_several_doubts_the_values_own_stands():
    watched = Conditioner(speed=RateOfChange(1.0, within=1.0))
    watched.take(at(0, 1.0))
    assert watched.take(at(1, 9.0, Reason.OVER_RANGE)).reason is Reason.OVER_RANGE
