import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.curve import Curve
from edge.measure.line import Line
from edge.measure.loop import NE43, LoopLimits, LoopScale
from edge.status import Quality, Reason

MILLIAMPS = LoopScale.spanning(Line(0, 1, 0, 0.001), 0.0, 10.0)

finite = st.floats(-1e6, 1e6)


# NAMUR NE 43 (limits as listed in shared reference values): measuring 3.8 to 20.5 mA, failure below
# 3.6 mA and above 21 mA. The dead loop below 0.5 mA: common practice, no source.
@pytest.mark.parametrize(
    ("milliamps", "reason"),
    [
        (0.0, Reason.OPEN_LOOP),
        (-2.0, Reason.OPEN_LOOP),
        (0.499, Reason.OPEN_LOOP),
        (0.5, Reason.LOOP_FAILURE_LOW),
        (3.599, Reason.LOOP_FAILURE_LOW),
        (3.6, Reason.UNDER_RANGE),
        (3.799, Reason.UNDER_RANGE),
        (3.8, Reason.SATURATED_LOW),
        (3.999, Reason.SATURATED_LOW),
        (3.9999996, Reason.OK),
        (4.0, Reason.OK),
        (12.0, Reason.OK),
        (20.0, Reason.OK),
        (20.001, Reason.SATURATED_HIGH),
        (20.5, Reason.SATURATED_HIGH),
        (20.501, Reason.OVER_RANGE),
        (21.0, Reason.OVER_RANGE),
        (21.001, Reason.LOOP_FAILURE_HIGH),
        (24.0, Reason.LOOP_FAILURE_HIGH),
    ],
)
def test_ne43_bands(milliamps, reason):
    assert NE43.judge(milliamps / 1000) is reason


# IEC 60381-1: 4 mA is 0 % and 20 mA is 100 % of the range, linear.
@pytest.mark.parametrize(
    ("milliamps", "value"), [(4, 0.0), (8, 2.5), (12, 5.0), (16, 7.5), (20, 10.0)]
)
def test_live_zero_is_linear(milliamps, value):
    assert MILLIAMPS.value(milliamps) == (pytest.approx(value, abs=1e-12), Reason.OK)


def test_a_failed_loop_has_no_value():
    assert MILLIAMPS.value(0.0) == (None, Reason.OPEN_LOOP)
    assert MILLIAMPS.value(22.0) == (None, Reason.LOOP_FAILURE_HIGH)


def test_a_saturated_loop_has_a_value_with_a_doubt():
    value, reason = MILLIAMPS.value(3.9)
    assert value == pytest.approx(-0.0625)
    assert reason.quality is Quality.UNCERTAIN


# Ohm's law: 250 ohm turns 4-20 mA into 1-5 V.
@pytest.mark.parametrize(("volts", "value"), [(1.0, 0.0), (3.0, 5.0), (5.0, 10.0)])
def test_volts_across_a_shunt(volts, value):
    scale = LoopScale.spanning(Line(0, 1, 0.0, 1.0), 0.0, 10.0, shunt=250.0)
    assert scale.value(volts)[0] == pytest.approx(value, abs=1e-12)


def test_adc_counts():
    scale = LoopScale.spanning(Line(0, 65535, 0.0, 0.020), 0.0, 10.0)
    assert scale.amperes(65535) == 0.020
    assert scale.value(65535) == (10.0, Reason.OK)


@given(finite, finite, finite, finite, finite)
def test_a_line_goes_through_its_points_and_back(x0, x1, y0, y1, share):
    if abs(x0 - x1) < 1e-3 or abs(y0 - y1) < 1e-3:
        return
    line = Line(x0, x1, y0, y1)
    assert line.at(x0) == y0
    assert line.at(x1) == y1
    x = x0 + (x1 - x0) * (share / 1e6)
    assert line.inverse().at(line.at(x)) == pytest.approx(x, rel=1e-6, abs=1e-4)


@given(st.floats(0.0036, 0.021), st.floats(0.0036, 0.021))
def test_more_current_never_means_less(first, second):
    low, high = sorted((first, second))
    assert MILLIAMPS.span.at(low) <= MILLIAMPS.span.at(high)


def test_a_line_needs_two_points():
    with pytest.raises(ValueError, match="both points"):
        Line(3.0, 3.0, 0.0, 1.0)
    with pytest.raises(ValueError, match="both points"):
        Line(0.0, 1.0, 2.0, 2.0).inverse()
