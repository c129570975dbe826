import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.weirs import Cipolletti, RectangularContracted, RectangularSuppressed, VNotch
from edge.status import Reason

FOOT = 0.3048
RIGHT_ANGLE = math.radians(90)

WEIRS = [
    VNotch(RIGHT_ANGLE),
    VNotch(math.radians(20)),
    VNotch(math.radians(100), notch_height=0.5, approach_width=1.2),
    RectangularSuppressed(0.6, 0.3),
    RectangularContracted(0.3, 0.3, 0.9),
    RectangularContracted(0.9, 0.2, 1.1),
    Cipolletti(0.6),
]


@pytest.mark.parametrize("weir", WEIRS, ids=repr)
def test_each_head_has_a_flow_and_a_judgement(weir):
    least, greatest = weir.head_range
    assert 0 < least < greatest
    for head, reason in (
        (least / 2, Reason.HEAD_TOO_LOW),
        (least - 1e-5, Reason.HEAD_TOO_LOW),
        (least, Reason.OK),
        ((least + greatest) / 2, Reason.OK),
        (greatest, Reason.OK),
        (greatest + 1e-5, Reason.HEAD_TOO_HIGH),
        (greatest * 2, Reason.HEAD_TOO_HIGH),
    ):
        flow, said = weir.flow(head)
        assert said is reason
        assert flow > 0


@pytest.mark.parametrize("weir", WEIRS, ids=repr)
@pytest.mark.parametrize("head", [0.0, -1e-9, -3.0])
def test_no_water_over_the_crest_is_a_measurement(weir, head):
    assert weir.flow(head) == (0.0, Reason.OK)


@pytest.mark.parametrize("weir", WEIRS, ids=repr)
def test_the_last_bits_of_a_head_cast_no_doubt(weir):
    least, greatest = weir.head_range
    assert weir.flow(least - 1e-12)[1] is Reason.OK
    assert weir.flow(greatest + 1e-12)[1] is Reason.OK


@given(
    weir=st.sampled_from(WEIRS),
    heads=st.tuples(st.floats(1e-6, 2.0), st.floats(1e-6, 2.0)).filter(lambda h: h[0] < h[1]),
)
def test_more_head_is_more_flow(weir, heads):
    lower, higher = (weir.flow(head)[0] for head in heads)
    assert lower < higher or math.isclose(heads[0], heads[1], rel_tol=1e-12)


@given(angles=st.tuples(st.floats(20, 100), st.floats(20, 100)), head=st.floats(0.05, 0.38))
def test_a_wider_notch_passes_more(angles, head):
    narrow, wide = sorted(angles)
    flows = [VNotch(math.radians(angle)).flow(head)[0] for angle in (narrow, wide)]
    assert flows[0] <= flows[1] * (1 + 1e-12)


@given(width=st.floats(0.15, 5.0), more=st.floats(1e-3, 1.0), head=st.floats(0.03, 0.6))
def test_a_longer_crest_passes_more(width, more, head):
    for build in (
        lambda width: RectangularSuppressed(width, 0.3),
        lambda width: RectangularContracted(width, 0.3, 7.0),
        lambda width: Cipolletti(width + 0.2),
    ):
        assert build(width).flow(head)[0] < build(width + more).flow(head)[0]


@given(width=st.floats(0.15, 3.0), side=st.floats(0.1, 5.0), head=st.floats(0.03, 0.6))
def test_contraction_costs_flow(width, side, head):
    contracted = RectangularContracted(width, 0.3, width + 2 * side).flow(head)[0]
    # By no more than the longer correction of a short crest makes up for, which is 5.1 mm.
    suppressed = RectangularSuppressed(width, 0.3).flow(head)[0]
    assert contracted < suppressed * (1 + 0.0051 / (width - 0.0009))


def test_the_notch_of_right_angle():
    notch = VNotch(RIGHT_ANGLE)
    assert notch.coefficient == pytest.approx(0.578, abs=5e-4)
    assert notch.head_correction == pytest.approx(0.00085, abs=5e-5)
    assert notch.head_range == (0.2 * FOOT, 1.25 * FOOT)


def test_a_channel_narrows_the_range_of_a_notch():
    assert VNotch(RIGHT_ANGLE, notch_height=0.5).head_range[1] == 0.2
    assert VNotch(RIGHT_ANGLE, approach_width=0.9).head_range[1] == pytest.approx(0.18)
    assert VNotch(RIGHT_ANGLE, notch_height=2.0, approach_width=4.0).head_range[1] == 1.25 * FOOT


def test_the_crest_limits_the_head_over_it():
    assert RectangularSuppressed(0.6, 0.3).head_range == (0.03, 0.6)
    assert RectangularContracted(0.3, 0.2, 0.9).head_range == (0.03, 0.4)
    assert Cipolletti(0.9).head_range == (0.2 * FOOT, 0.9 / 3)


@pytest.mark.parametrize("degrees", [19.9, 100.1, 0.0, -90.0, math.nan, math.inf])
def test_a_notch_of_another_angle_is_refused(degrees):
    with pytest.raises(ValueError, match="outside 20 to 100"):
        VNotch(math.radians(degrees))


@pytest.mark.parametrize("degrees", [20, 100])
def test_the_limits_of_the_angle_themselves_are_accepted(degrees):
    assert VNotch(math.pi * degrees / 180).flow(0.1)[1] is Reason.OK


def test_a_notch_without_room_is_refused():
    with pytest.raises(ValueError, match="none"):
        VNotch(RIGHT_ANGLE, notch_height=0.15)
    with pytest.raises(ValueError, match="none"):
        VNotch(RIGHT_ANGLE, approach_width=0.3)


@pytest.mark.parametrize(
    ("build", "match"),
    [
        (lambda: RectangularSuppressed(0.149, 0.3), "crest 0.149 m long"),
        (lambda: RectangularSuppressed(0.6, 0.099), "0.099 m over the floor"),
        (lambda: RectangularContracted(0.149, 0.3, 0.9), "crest 0.149 m long"),
        (lambda: RectangularContracted(0.6, 0.099, 0.9), "0.099 m over the floor"),
        (lambda: RectangularContracted(0.6, 0.3, 0.79), "0.095 m of plate at either side"),
        (lambda: RectangularContracted(0.6, 0.3, 0.6), "0 m of plate at either side"),
        (lambda: RectangularSuppressed(math.nan, 0.3), "crest nan m long"),
        (lambda: Cipolletti(0.6 * FOOT), "too short"),
    ],
)
def test_a_weir_outside_the_formula_is_refused(build, match):
    with pytest.raises(ValueError, match=match):
        build()


def test_a_decimetre_of_plate_at_either_side_is_enough():
    assert RectangularContracted(0.7, 0.3, 0.9).flow(0.1)[1] is Reason.OK
