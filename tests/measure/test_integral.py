import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.integral import Integral
from edge.measure.spans import Sum
from edge.measure.values import Value
from edge.status import Reason

BOOT = 5000.0  # what the monotonic clock showed at nought of UTC


def at(seconds, number, reason=Reason.OK, *, boot=BOOT):
    return Value(round(seconds * 1000), boot + seconds, number, reason)


def fed(integral, *pairs):
    return [integral.take(at(seconds, number)) for seconds, number in pairs]


def restarted(integral, longest_gap=60.0):
    fresh = Integral(longest_gap)
    fresh.restore(json.loads(json.dumps(integral.state())))
    return fresh


def test_trapezoids():
    assert fed(Integral(60.0), (0, 1.0), (10, 3.0), (40, 0.0)) == [
        (0.0, Reason.OK),
        (20.0, Reason.OK),
        (65.0, Reason.OK),
    ]


def test_negative_rates_and_those_below_the_cutoff_are_nought():
    integral = Integral(60.0, low_cutoff=0.5)
    assert [total for total, _ in fed(integral, (0, -4.0), (10, 0.49), (20, 0.5), (30, -1.0))] == [
        0.0, 0.0, 2.5, 5.0,
    ]  # fmt: skip


def test_a_gap_adds_nothing_and_is_never_forgotten():
    integral = Integral(60.0)
    assert fed(integral, (0, 1.0), (60, 1.0), (121, 1.0), (131, 1.0)) == [
        (0.0, Reason.OK),
        (60.0, Reason.OK),
        (60.0, Reason.GAP_IN_TOTAL),
        (70.0, Reason.GAP_IN_TOTAL),
    ]
    assert (integral.missing, integral.gaps) == (61.0, 1)


def test_a_bad_value_is_bridged_when_good_ones_are_near_enough():
    integral = Integral(60.0)
    integral.take(at(0, 1.0))
    assert integral.take(at(30, None, Reason.NO_REPLY)) == (0.0, Reason.OK)
    assert integral.take(at(60, 3.0)) == (120.0, Reason.OK)
    assert integral.missing == 0.0


def test_bad_values_become_a_gap_when_it_is_one_and_not_before():
    integral = Integral(60.0)
    integral.take(at(0, 1.0))
    seen = [integral.take(at(t, None, Reason.NO_REPLY))[1] for t in (60, 61, 90)]
    assert seen == [Reason.OK, Reason.GAP_IN_TOTAL, Reason.GAP_IN_TOTAL]
    assert integral.missing == 90.0
    assert integral.take(at(100, 1.0)) == (0.0, Reason.GAP_IN_TOTAL)
    assert integral.take(at(110, 1.0)) == (10.0, Reason.GAP_IN_TOTAL)
    assert (integral.missing, integral.gaps) == (100.0, 1)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_bad(number):
    integral = Integral(60.0)
    fed(integral, (0, 1.0), (10, number))
    assert integral.take(at(20, 1.0)) == (20.0, Reason.OK)


def test_before_the_first_good_value_nothing_is_missing():
    integral = Integral(60.0)
    assert integral.take(at(0, None, Reason.NO_REPLY)) == (0.0, Reason.OK)
    assert integral.take(at(1000, 5.0)) == (0.0, Reason.OK)
    assert integral.gaps == 0


def test_a_doubt_about_the_rate_is_one_about_that_total():
    integral = Integral(60.0)
    integral.take(at(0, 1.0))
    assert integral.take(at(10, 1.0, Reason.OVER_RANGE)) == (10.0, Reason.OVER_RANGE)
    assert integral.take(at(20, 1.0)) == (20.0, Reason.OK)
    integral.take(at(100, 1.0))
    assert integral.take(at(110, 1.0, Reason.OVER_RANGE))[1] is Reason.OVER_RANGE


def test_a_step_of_the_wall_clock_is_none_of_the_flow():
    integral = Integral(60.0)
    integral.take(Value(0, 100.0, 1.0))
    assert integral.take(Value(86_400_000, 110.0, 1.0)) == (10.0, Reason.OK)


@pytest.mark.parametrize(
    ("after", "total", "missing", "gaps"),
    [(70.0, 130.0, 0.0, 0), (71.0, 10.0, 61.0, 1), (9.0, 10.0, 60.0, 1)],
)
def test_over_a_restart_the_wall_clock_tells(after, total, missing, gaps):
    integral = Integral(60.0)
    fed(integral, (0, 1.0), (10, 1.0))
    integral = restarted(integral)
    found, reason = integral.take(at(after, 3.0, boot=1.0))
    assert (found, integral.missing, integral.gaps) == (total, missing, gaps)
    assert reason is (Reason.GAP_IN_TOTAL if gaps else Reason.OK)
    assert integral.take(at(after + 10, 3.0, boot=1.0))[0] == total + 30.0


def test_a_clock_that_ran_backwards_says_nothing_while_the_rate_is_bad():
    integral = Integral(60.0)
    fed(integral, (0, 1.0), (10, 1.0))
    integral = restarted(integral)
    assert integral.take(at(5, None, Reason.NO_REPLY, boot=1.0)) == (10.0, Reason.OK)


def test_a_gap_goes_on_over_a_restart():
    integral = Integral(60.0)
    fed(integral, (0, 1.0), (100, math.nan))
    integral = restarted(integral)
    integral.take(at(110, 1.0, boot=1.0))
    assert (integral.total, integral.missing, integral.gaps) == (0.0, 110.0, 1)


@pytest.mark.parametrize(("gap", "cutoff"), [(0.0, 0.0), (-1.0, 0.0), (60.0, -0.1)])
def test_numbers_that_make_no_sense(gap, cutoff):
    with pytest.raises(ValueError, match=r"longest gap|low cutoff"):
        Integral(gap, cutoff)


@given(
    st.lists(
        st.tuples(
            st.floats(0.001, 200.0), st.none() | st.floats(-10, 1e6), st.sampled_from(["on", "re"])
        ),
        max_size=60,
    )
)
def test_every_second_is_either_integrated_or_missing(samples):
    """At a rate of 1 throughout the total is the seconds bridged, and never goes backwards."""
    integral, now, begun, last_good, before = Integral(60.0), 0.0, None, None, 0.0
    for step, number, event in samples:
        now += round(step, 3)  # whole milliseconds, so that either clock tells the same
        if event == "re":
            integral = restarted(integral)
        bad = number is None or number < 0
        total, _ = integral.take(
            at(now, None if bad else 1.0, Reason.NO_REPLY if bad else Reason.OK)
        )
        assert total >= before
        before = total
        if not bad:
            # Bad from the beginning for longer than the gap: that is missing, too.
            begun, last_good = now - integral.missing if begun is None else begun, now
            assert total + integral.missing == pytest.approx(now - begun, abs=1e-6)
    assert (integral.gaps > 0) == (integral.missing > 0)
    assert last_good is not None or integral.total == 0.0


@given(st.lists(st.floats(-1e12, 1e12), max_size=200))
def test_a_sum_is_as_good_as_one_without_rounding(amounts):
    total = Sum()
    for amount in amounts:
        total.add(amount)
    # Neumaier's bound: a rounding of the sum, and one of second order in the amounts.
    second_order = 1e-28 * sum(map(abs, amounts))
    assert total.value == pytest.approx(math.fsum(amounts), rel=1e-15, abs=second_order)


def test_a_rate_that_was_never_good_is_no_good_total():
    integral = Integral(60.0)
    for seconds in range(0, 300, 30):
        total, reason = integral.take(at(seconds, None, Reason.OPEN_LOOP))
    assert (total, reason, integral.missing) == (0.0, Reason.GAP_IN_TOTAL, 270.0)


def test_a_rate_that_waits_for_its_first_pulse_is_no_gap():
    integral = Integral(60.0)
    for seconds in range(0, 300, 30):
        integral.take(at(seconds, None, Reason.NO_EARLIER_COUNT))
    assert integral.take(at(300, 1.0)) == (0.0, Reason.OK)


def test_where_the_time_is_not_known_a_restart_is_a_gap_of_unknown_length():
    for timed_before, timed_after in ((False, True), (True, False), (False, False)):
        total = Integral(longest_gap=60.0)
        total.take(Value(0, 0.0, 1.0, timed=timed_before))
        again = Integral(longest_gap=60.0)
        again.restore(json.loads(json.dumps(total.state())))
        assert again.take(Value(30_000, 500.0, 1.0, timed=timed_after)) == (
            0.0,
            Reason.GAP_IN_TOTAL,
        )
        assert (again.gaps, again.missing) == (1, 60.0)
        # From then on the monotonic scale will do.
        assert again.take(Value(0, 510.0, 1.0, timed=timed_after))[0] == 10.0


def test_a_span_of_an_earlier_layout_was_timed():
    total = Integral(longest_gap=60.0)
    total.take(Value(0, 0.0, 1.0))
    state = total.state()
    del state["spans"]["timed"]
    again = Integral(longest_gap=60.0)
    again.restore(state)
    assert again.take(Value(30_000, 500.0, 1.0)) == (30.0, Reason.OK)
