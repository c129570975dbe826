import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.flumes import SIZES, ParshallFlume
from edge.status import Reason

FOOT = 0.3048
CFS = FOOT**3


def test_the_sizes_known():
    assert list(SIZES) == [
        "1 in", "2 in", "3 in", "6 in", "9 in",
        "1 ft", "1.5 ft", "2 ft", "3 ft", "4 ft", "5 ft", "6 ft", "7 ft", "8 ft",
    ]  # fmt: skip
    assert SIZES["9 in"] == pytest.approx(0.2286)
    assert SIZES["1.5 ft"] == pytest.approx(0.4572)


@pytest.mark.parametrize("size", SIZES)
def test_each_size_by_inches_and_by_millimetres(size):
    assert ParshallFlume(SIZES[size]).size == size
    assert ParshallFlume(round(SIZES[size], 3)).size == size


@pytest.mark.parametrize("throat", [0.0, -0.3048, 0.1, 0.3, 0.301, 2.5, 3.048, math.nan, math.inf])
def test_another_throat_is_refused_with_those_known(throat):
    with pytest.raises(ValueError, match=r"1 in, 2 in, 3 in, 6 in, 9 in, 1 ft, 1\.5 ft, 2 ft"):
        ParshallFlume(throat)


@pytest.mark.parametrize("size", SIZES)
def test_each_head_has_a_flow_and_a_judgement(size):
    flume = ParshallFlume(SIZES[size])
    least, greatest = flume.head_range
    assert 0.015 <= least < greatest <= 0.76
    for head, reason in (
        (least / 2, Reason.HEAD_TOO_LOW),
        (least - 1e-12, Reason.OK),
        (least, Reason.OK),
        (greatest, Reason.OK),
        (greatest + 1e-12, Reason.OK),
        (greatest + 1e-5, Reason.HEAD_TOO_HIGH),
        (greatest * 2, Reason.HEAD_TOO_HIGH),
    ):
        flow, said = flume.flow(head)
        assert said is reason
        assert flow > 0


@pytest.mark.parametrize("head", [0.0, -1e-9, -3.0])
def test_a_dry_flume_is_a_measurement(head):
    assert ParshallFlume(SIZES["3 in"]).flow(head) == (0.0, Reason.OK)


@given(
    size=st.sampled_from(list(SIZES)),
    heads=st.tuples(st.floats(1e-6, 2.0), st.floats(1e-6, 2.0)).filter(lambda h: h[0] < h[1]),
)
def test_more_head_is_more_flow(size, heads):
    flume = ParshallFlume(SIZES[size])
    lower, higher = (flume.flow(head)[0] for head in heads)
    assert lower < higher or math.isclose(heads[0], heads[1], rel_tol=1e-12)


def test_a_wider_throat_passes_more():
    flows = [ParshallFlume(throat).flow(0.2)[0] for throat in SIZES.values()]
    assert flows == sorted(flows)


@pytest.mark.parametrize(
    ("size", "coefficient"),
    [("1 in", 0.338), ("2 in", 0.676), ("3 in", 0.992), ("6 in", 2.06), ("9 in", 3.07)]
    + [(f"{feet:g} ft", 4 * feet) for feet in (1, 1.5, 2, 3, 4, 5, 6, 7, 8)],
)
def test_the_flow_at_one_foot_is_the_coefficient(size, coefficient):
    flow, _ = ParshallFlume(SIZES[size]).flow(FOOT)
    assert flow == pytest.approx(coefficient * CFS, rel=1e-12)
