from itertools import accumulate

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


@pytest.mark.parametrize(
    "limits",
    [
        {"failure_low": 0.0039},
        {"measuring_low": 0.0041},
        {"measuring_high": 0.0199},
        {"failure_high": 0.0202},
        {"failure_low": 0.0004},
    ],
)
def test_limits_out_of_order(limits):
    with pytest.raises(ValueError, match="do not enclose 4 to 20 mA"):
        LoopLimits(**limits)


def test_limits_of_ones_own():
    wide = LoopLimits(failure_high=0.0225)
    assert wide.judge(0.022) is Reason.OVER_RANGE
    assert wide.judge(0.0226) is Reason.LOOP_FAILURE_HIGH


def test_the_modules_own_error_is_taken_out():
    # On the bench 4 mA showed as 4.1 and 20 as 20.5: true = (16/16.4) shown + offset.
    gain = 16 / 16.4
    scale = LoopScale(Line(0, 1, 0, 0.001), MILLIAMPS.span, gain=gain, offset=0.004 - gain * 0.0041)
    assert scale.value(4.1) == (pytest.approx(0.0, abs=1e-12), Reason.OK)
    assert scale.value(20.5) == (pytest.approx(10.0, abs=1e-12), Reason.OK)


def test_beyond_its_calibration_a_loop_is_in_doubt():
    span = Curve([(0.004, 0.0), (0.012, 6.0), (0.0195, 10.0)])
    scale = LoopScale(Line(0, 1, 0, 0.001), span)
    assert scale.value(12.0) == (pytest.approx(6.0), Reason.OK)
    assert scale.value(19.5) == (pytest.approx(10.0), Reason.OK)
    value, reason = scale.value(19.8)
    assert (value, reason) == (pytest.approx(10.16), Reason.ABOVE_TABLE)
    assert scale.value(3.9)[1] is Reason.SATURATED_LOW  # of two doubts the loop's own
    assert scale.value(2.0) == (None, Reason.LOOP_FAILURE_LOW)


# ISO 5167-1: the flow goes with the root of the differential pressure. A quarter of it is 8 mA.
def test_root_extraction_and_its_cutoff():
    scale = LoopScale(Line(0, 1, 0, 0.001), MILLIAMPS.span, root_cutoff=0.1)
    assert scale.value(8.0) == (pytest.approx(5.0), Reason.OK)
    assert scale.value(20.0) == (pytest.approx(10.0), Reason.OK)
    assert scale.value(4.0 + 16 * 0.09**2) == (0.0, Reason.OK)
    assert scale.value(4.0 + 16 * 0.11**2) == (pytest.approx(1.1), Reason.OK)
    assert scale.value(3.9) == (0.0, Reason.SATURATED_LOW)
    assert scale.current(5.0) == pytest.approx(0.008)
    assert scale.current(-1.0) == 0.004


def test_a_calibration_that_turns_back_has_no_way_back():
    scale = LoopScale(Line(0, 1, 0, 0.001), Curve([(0.004, 0.0), (0.012, 6.0), (0.02, 5.0)]))
    with pytest.raises(ValueError, match="neither rises nor falls"):
        scale.current(5.5)


@st.composite
def scales(draw):
    """Loops of every make: rising or falling, with a shunt, a bench error, a calibration."""
    shunt = draw(st.none() | st.floats(50.0, 500.0))
    top = 0.020 * (shunt or 1.0)
    signal = Line(0.0, draw(st.sampled_from([1.0, 4095.0, 65535.0])), 0.0, top)
    gain, offset = draw(st.floats(0.9, 1.1)), draw(st.floats(-0.02, 0.02)) * top
    steps = draw(st.lists(st.floats(0.1, 10.0), min_size=1, max_size=6))
    sign = draw(st.sampled_from([1, -1]))
    values = [sign * value for value in accumulate(steps, initial=draw(st.floats(-50, 50)))]
    currents = [0.004 + 0.016 * i / len(steps) for i in range(len(values))]
    span = (
        Line(0.004, 0.020, values[0], values[-1])
        if draw(st.booleans())
        else Curve(list(zip(currents, values, strict=True)))
    )
    return LoopScale(signal, span, shunt, gain, offset)


@given(scales(), st.floats(0.0036, 0.021), st.floats(0.0036, 0.021))
def test_scaling_is_monotonic(scale, one, another):
    low, high = (scale.raw(current) for current in sorted((one, another)))
    (first, _), (second, _) = scale.value(low), scale.value(high)
    if first is None or second is None:  # a rounding beyond where failure begins
        assert min(one, another) < 0.0036001 or max(one, another) > 0.0209999
        return
    rising = scale.value(scale.raw(0.020))[0] > scale.value(scale.raw(0.004))[0]
    assert (second - first if rising else first - second) >= -1e-9


@given(scales(), st.floats(0.0037, 0.0209))
def test_raw_number_current_and_value_all_lead_back(scale, current):
    raw = scale.raw(current)
    assert scale.amperes(raw) == pytest.approx(current, rel=1e-9)
    value, _ = scale.value(raw)
    assert scale.current(value) == pytest.approx(current, rel=1e-6)
    assert scale.raw(scale.current(value)) == pytest.approx(raw, rel=1e-6, abs=1e-6)


@given(st.floats(0.0, 1.0))
def test_a_root_leads_back_too(share):
    scale = LoopScale(Line(0, 1, 0, 0.001), MILLIAMPS.span, root_cutoff=0.0)
    value, reason = scale.value(4.0 + 16.0 * share)
    assert reason is Reason.OK
    assert scale.current(value) == pytest.approx(0.004 + 0.016 * share, abs=1e-9)
