import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.sums import SpecificCapacity, Sum
from edge.measure.values import Value
from edge.readings import Series
from edge.status import Reason
from edge.units import UNITS

FLOW = Series("both", UNITS["gpm"], "Both wells")


def at(number, reason=Reason.OK):
    return Value(0, 0.0, number, reason)


def only(channel, *inputs):
    (value,) = channel.compute(*inputs)
    return value


def test_sums_and_differences():
    assert only(Sum(FLOW, ("a", "b", "c"), (1, 1, 1)), at(1.0), at(2.0), at(3.5)) == at(6.5)
    assert only(Sum(FLOW, ("a", "b"), (1, -1)), at(1.0), at(2.5)) == at(-1.5)


def test_a_sum_is_at_the_instant_of_its_leading_input():
    value = only(Sum(FLOW, ("a", "b"), (1, 1)), Value(5, 6.0, 1.0), Value(3, 4.0, 2.0))
    assert value == Value(5, 6.0, 3.0)


def test_with_an_input_missing_there_is_no_sum_and_of_equals_the_leading_ones_reason():
    both = Sum(FLOW, ("a", "b"), (1, 1))
    silent, open_loop = at(None, Reason.SILENT), at(None, Reason.OPEN_LOOP)
    assert only(both, at(1.0), silent) == silent
    assert only(both, open_loop, silent) == open_loop
    assert both.explain(at(1.0), silent) == []


def test_a_sum_beyond_all_numbers_has_no_value():
    both = Sum(FLOW, ("a", "b"), (1, 1))
    assert only(both, at(1.7e308), at(1.7e308)) == at(None, Reason.OUT_OF_DOMAIN)


def test_the_steps_of_a_sum():
    ((name, number, unit),) = [
        (step.name, step.number, step.unit)
        for step in Sum(FLOW, ("a", "b"), (1, 1)).explain(at(1.0), at(2.0))
    ]
    assert (name, number, unit) == ("Both wells", 3.0, UNITS["gpm"])


@given(st.lists(st.tuples(st.floats(-1e6, 1e6), st.sampled_from([1, -1])), min_size=1, max_size=8))
def test_a_sum_taken_away_again_leaves_nothing(terms):
    numbers, signs = zip(*terms, strict=True)
    names = [str(place) for place in range(len(terms))]
    there = only(Sum(FLOW, names, signs), *map(at, numbers)).number
    back = only(Sum(FLOW, names, [-sign for sign in signs]), *map(at, numbers)).number
    assert there + back == pytest.approx(0.0, abs=1e-6)


def capacity(least=0.3):
    return SpecificCapacity(Series("capacity", UNITS["gpm/ft"]), ("flow", "drawdown"), least)


def test_specific_capacity():
    # 100 gpm for 20 ft of drawdown are 5 gpm for every foot.
    flow, drawdown = UNITS["gpm"].to_base(100.0), UNITS["ft"].to_base(20.0)
    value = only(capacity(), at(flow), at(drawdown))
    assert UNITS["gpm/ft"].from_base(value.number) == pytest.approx(5.0)


@pytest.mark.parametrize("drawdown", [0.29, 0.0, -1.0])
def test_with_too_little_drawdown_there_is_none(drawdown):
    assert only(capacity(), at(1.0), at(drawdown)) == at(None, Reason.NO_DRAWDOWN)
    assert capacity().explain(at(1.0), at(drawdown)) == []


def test_the_least_drawdown_is_enough_but_nought_never_is():
    assert only(capacity(0.3), at(1.5), at(0.3)).number == pytest.approx(5.0)
    assert only(capacity(0.0), at(1.5), at(0.0)).reason is Reason.NO_DRAWDOWN


def test_a_formula_that_fails_at_a_number_has_no_value_there():
    # The smallest float there is divides to more than the largest.
    assert only(capacity(0.0), at(1e300), at(5e-324)) == at(None, Reason.OUT_OF_DOMAIN)


def test_a_formula_that_raises_has_no_value():
    class Failing(Sum):
        def _evaluate(self, numbers, utc_ms):
            return [(numbers[0] / numbers[1], Reason.OK)]

    failing = Failing(FLOW, ("a", "b"), (1, 1))
    assert only(failing, at(1.0), at(0.0)) == at(None, Reason.OUT_OF_DOMAIN)
    assert failing.explain(at(1.0), at(0.0)) == []


def test_a_function_has_no_memory():
    channel = capacity()
    channel.restore({"total": 1.0})
    assert channel.state() is None
    assert only(channel, at(1.0), at(2.0)).number == 0.5
