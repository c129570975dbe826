import math

import pytest

from edge.measure.watch import RateOfChange, StuckSignal
from edge.status import Reason

OK, STUCK, FAST = Reason.OK, Reason.STUCK, Reason.CHANGED_TOO_FAST


def test_a_signal_that_stands_still_for_too_long_is_stuck():
    watch = StuckSignal(60.0)
    samples = [(5.0, 0.0), (5.0, 30.0), (5.0, 60.0), (5.0, 60.1), (5.0, 500.0)]
    assert [watch.take(*sample) for sample in samples] == [OK, OK, OK, STUCK, STUCK]


def test_it_is_alive_again_with_the_first_move():
    watch = StuckSignal(60.0)
    watch.take(5.0, 0.0)
    assert watch.take(5.0, 61.0) is STUCK
    assert watch.take(5.1, 62.0) is OK
    assert watch.take(5.1, 122.0) is OK
    assert watch.take(5.1, 122.1) is STUCK


def test_what_moves_by_no_more_than_the_least_change_does_not_count_as_moving():
    watch = StuckSignal(60.0, least_change=0.5)
    samples = [(5.0, 0.0), (5.5, 30.0), (4.5, 61.0), (5.75, 62.0)]
    assert [watch.take(*sample) for sample in samples] == [OK, OK, STUCK, OK]


def test_numbers_that_come_less_often_may_stand_still_for_longer():
    """Two equal numbers in a row, an hour apart, are no more than two at the usual pace."""
    watch = StuckSignal(1800.0)
    watch.stretch(12)
    assert watch.take(5.0, 0.0) is OK
    assert watch.take(5.0, 3600.0) is OK
    assert watch.take(5.0, 12 * 1800.0) is OK
    assert watch.take(5.0, 12 * 1800.0 + 1) is STUCK


def test_when_they_come_as_ever_again_what_passed_meanwhile_does_not_count():
    watch = StuckSignal(1800.0)
    watch.stretch(12)
    watch.take(5.0, 0.0)
    watch.take(5.0, 3600.0)
    watch.stretch(1)
    assert watch.take(5.0, 3900.0) is OK
    watch.stretch(1)  # which is nothing new
    assert watch.take(5.0, 3900.0 + 1801) is STUCK


def test_a_slow_drift_is_life():
    watch = StuckSignal(60.0, least_change=0.5)
    drift = [watch.take(minute * 0.25, minute * 15.0) for minute in range(40)]
    assert set(drift) == {OK}


@pytest.mark.parametrize(
    ("longest", "least"), [(0.0, 0.0), (-1.0, 0.0), (60.0, -0.1), (math.nan, 0.0)]
)
def test_a_watch_for_stuck_signals_needs_a_time(longest, least):
    with pytest.raises(ValueError, match="a signal that moves by"):
        StuckSignal(longest, least)


# No faster than 2 in 10 s, either way.
@pytest.mark.parametrize(
    ("number", "at", "reason"),
    [
        (1.0, 10.0, OK), (2.0, 10.0, OK), (-2.0, 10.0, OK), (2.001, 10.0, FAST),
        (-2.001, 10.0, FAST), (1.0, 5.0, OK), (1.1, 5.0, FAST), (20.0, 100.0, OK),
        (0.0, 0.0, OK), (0.1, 0.0, FAST), (0.1, -5.0, FAST),
    ],
)  # fmt: skip
def test_a_change_is_held_against_the_time_it_took(number, at, reason):
    watch = RateOfChange(2.0, 10.0)
    assert watch.take(0.0, 0.0) is OK
    assert watch.take(number, at) is reason


def test_a_spike_is_doubted_twice_and_a_step_once():
    spiked, stepped = RateOfChange(1.0, 1.0), RateOfChange(1.0, 1.0)
    spike = [spiked.take(x, float(at)) for at, x in enumerate((0, 0, 50, 0, 0))]
    step = [stepped.take(x, float(at)) for at, x in enumerate((0, 0, 50, 50, 50))]
    assert spike == [OK, OK, FAST, FAST, OK]
    assert step == [OK, OK, FAST, OK, OK]


def test_exactly_as_fast_as_allowed_is_not_too_fast_for_a_rounding():
    watch = RateOfChange(0.1, 1.0)
    assert {watch.take(0.1 * at, float(at)) for at in range(100)} == {OK}


@pytest.mark.parametrize(("change", "within"), [(0.0, 1.0), (1.0, 0.0), (-1.0, 1.0), (1.0, -1.0)])
def test_a_watch_for_speed_needs_one(change, within):
    with pytest.raises(ValueError, match=f"a change of {change} within {within} s"):
        RateOfChange(change, within)


def test_after_a_reset_the_past_is_forgotten():
    stuck, speed = StuckSignal(10.0), RateOfChange(1.0, 1.0)
    stuck.take(1.0, 0.0)
    speed.take(1.0, 0.0)
    stuck.reset()
    speed.reset()
    assert stuck.take(1.0, 11.0) is OK
    assert speed.take(500.0, 1.0) is OK
