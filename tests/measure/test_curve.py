import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.curve import Curve
from edge.status import Reason

POINTS = [(0.0, 0.0), (1.0, 10.0), (3.0, 12.0), (4.0, 20.0)]
CURVE = Curve(POINTS)

xs = st.lists(st.integers(-1000, 1000), min_size=2, max_size=12, unique=True).map(sorted)


@given(xs, st.data())
def test_it_goes_through_every_point_and_between_them_as_numpy_has_it(xs, data):
    size = len(xs)
    ys = data.draw(st.lists(st.floats(-1e3, 1e3), min_size=size, max_size=size))
    x = data.draw(st.floats(-1100, 1100))
    curve = Curve(list(zip(xs, ys, strict=True)))
    assert [curve.at(x) for x in xs] == ys
    assert curve.held(x) == pytest.approx(np.interp(x, xs, ys), abs=1e-6)


@pytest.mark.parametrize(("x", "at", "held"), [(-1.0, -10.0, 0.0), (5.0, 28.0, 20.0)])
def test_outside_the_outermost_lines_go_on_or_the_ends_are_held(x, at, held):
    assert CURVE.at(x) == pytest.approx(at)
    assert CURVE.held(x) == held


@pytest.mark.parametrize(
    ("x", "reason"),
    [
        (-0.001, Reason.BELOW_TABLE),
        (0.0, Reason.OK),
        (2.0, Reason.OK),
        (4.0, Reason.OK),
        (4.001, Reason.ABOVE_TABLE),
    ],
)
def test_it_says_beyond_which_end_a_number_lies(x, reason):
    assert CURVE.judge(x) is reason


@pytest.mark.parametrize(
    ("ys", "direction"),
    [((0, 1, 2), 1), ((2, 1, 0), -1), ((0, 1, 1), 0), ((1, 0, 1), 0), ((2, 1, 1), 0)],
)
def test_it_knows_whether_it_rises_or_falls(ys, direction):
    assert Curve(list(zip((0, 1, 2), ys, strict=True))).direction == direction


@given(xs, xs, st.booleans(), st.floats(0.0, 1.0))
def test_the_inverse_is_the_way_back(xs, ys, falls, share):
    size = min(len(xs), len(ys))
    xs, ys = xs[:size], ys[:size]
    curve = Curve(list(zip(xs, reversed(ys) if falls else ys, strict=True)))
    x = xs[0] + share * (xs[-1] - xs[0])
    assert curve.inverse().at(curve.at(x)) == pytest.approx(x, abs=1e-6)
    assert curve.inverse().inverse().points == curve.points


def test_a_curve_with_a_level_stretch_has_no_inverse():
    with pytest.raises(ValueError, match="y neither rises nor falls throughout"):
        Curve([(0, 0), (1, 1), (2, 1)]).inverse()


@pytest.mark.parametrize(
    ("points", "message", "index"),
    [
        ([], "0 points, where two are the least", 0),
        ([(1, 1)], "1 points, where two are the least", 0),
        ([(0, 0), (1, 1), (1, 2)], "x = 1 does not lie above 1", 2),
        ([(0, 0), (-1, 1), (1, 2)], "x = -1 does not lie above 0", 1),
    ],
)
def test_points_that_make_no_curve_are_told_with_their_index(points, message, index):
    with pytest.raises(ValueError, match=message) as caught:
        Curve(points)
    assert caught.value.args == (message, index)
