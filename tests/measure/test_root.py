import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.root import square_root


# ISO 5167-1: the flow is proportional to the root of the differential pressure.
@pytest.mark.parametrize(
    ("share", "flow"), [(0.0, 0.0), (0.01, 0.1), (0.25, 0.5), (0.5, math.sqrt(0.5)), (1.0, 1.0)]
)
def test_a_quarter_of_the_pressure_is_half_the_flow(share, flow):
    assert square_root(share) == pytest.approx(flow, rel=1e-15)


def test_a_negative_pressure_is_no_flow():
    assert square_root(-0.01) == 0.0


def test_above_full_scale_it_goes_on():
    assert square_root(1.21) == pytest.approx(1.1)


def test_below_the_cutoff_there_is_no_flow():
    assert square_root(0.0099, cutoff=0.1) == 0.0
    assert square_root(0.01, cutoff=0.1) == 0.1


@given(st.floats(0.0, 2.0))
def test_squaring_is_the_way_back(flow):
    assert square_root(flow * flow) == pytest.approx(flow, abs=1e-150)
