import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from edge.measure.curve import Curve
from edge.measure.tanks import (
    Cone,
    Contents,
    Dish,
    HorizontalCylinder,
    Rectangular,
    Sphere,
    StrappingTable,
    UprightCylinder,
    measure,
)
from edge.status import Reason

SIZES = st.floats(0.05, 50)
BOTTOMS = st.none() | st.builds(Cone, SIZES) | st.builds(Dish, SIZES)
SHAPES = st.one_of(
    st.builds(UprightCylinder, SIZES, SIZES, BOTTOMS),
    st.builds(HorizontalCylinder, SIZES, SIZES, st.just(0.0) | SIZES),
    st.builds(Rectangular, SIZES, SIZES, SIZES),
    st.builds(Sphere, SIZES),
)
TABLES = st.lists(st.tuples(SIZES, SIZES), min_size=2, max_size=10).map(
    lambda steps: StrappingTable(
        Curve(
            [
                (sum(step for step, _ in steps[:n]), sum(rise for _, rise in steps[:n]))
                for n in range(len(steps) + 1)
            ]
        )
    )
)
TANKS = SHAPES | TABLES
SHARES = st.floats(0, 1)

SETTLING = StrappingTable(Curve([(0.1, 0.4), (0.5, 2.0), (2.0, 9.5)]))


@given(TANKS, SHARES, SHARES)
def test_the_deeper_the_more(tank, one, other):
    less, more = sorted((one, other))
    if more - less > 1e-6:
        assert tank.volume(less * tank.height) < tank.volume(more * tank.height)


@given(SHAPES)
def test_an_empty_tank_holds_nothing_and_a_full_one_its_capacity(tank):
    empty, full = measure(tank, 0.0), measure(tank, tank.height)
    assert empty == Contents(0.0, tank.capacity, 0.0, Reason.OK)
    assert full == Contents(tank.capacity, 0.0, 1.0, Reason.OK)


@given(TANKS, SHARES)
def test_contents_and_ullage_make_up_the_capacity(tank, share):
    contents = measure(tank, share * tank.height)
    assert contents.volume + contents.ullage == pytest.approx(tank.capacity, rel=1e-12)
    assert contents.fraction == pytest.approx(contents.volume / tank.capacity, rel=1e-12)


@given(SHAPES, SHARES)
def test_a_tank_upside_down_has_room_for_what_it_held(tank, share):
    # The only shape with a top unlike its bottom.
    assume(not (isinstance(tank, UprightCylinder) and tank.bottom))
    depth = share * tank.height
    held, room = measure(tank, depth), measure(tank, tank.height - depth)
    assert held.volume == pytest.approx(room.ullage, rel=1e-9, abs=1e-9 * tank.capacity)


@given(SHAPES, st.floats(0.02, 0.98))
def test_the_volume_grows_by_the_surface(tank, share):
    depth = share * tank.height
    step = 1e-5 * tank.height
    if isinstance(tank, UprightCylinder) and tank.bottom:
        # At the knee between bottom and side the difference takes in both.
        assume(abs(depth - tank.bottom.depth) > 2 * step)
    growth = (tank.volume(depth + step) - tank.volume(depth - step)) / (2 * step)
    assert growth == pytest.approx(surface(tank, depth), rel=2e-4, abs=1e-9)


def surface(tank, depth):
    match tank:
        case Rectangular():
            return tank.length * tank.width
        case Sphere():
            return math.pi * (tank.diameter - depth) * depth
        case HorizontalCylinder():
            width = 2 * math.sqrt(depth * (tank.diameter - depth))
            return width * tank.length + math.pi * width**2 / 2 * tank.end_depth / tank.diameter
        case UprightCylinder(bottom=None):
            share = 1.0
        case UprightCylinder(bottom=Cone()):
            share = min(depth / tank.bottom.depth, 1.0) ** 2
        case UprightCylinder():
            share = 1 - (1 - min(depth / tank.bottom.depth, 1.0)) ** 2
    return math.pi * tank.diameter**2 / 4 * share


@pytest.mark.parametrize(
    ("tank", "height", "capacity"),
    [
        (UprightCylinder(2.0, 3.0), 3.0, 3 * math.pi),
        (UprightCylinder(2.0, 3.0, Cone(0.6)), 3.6, 3.2 * math.pi),
        (UprightCylinder(2.0, 3.0, Dish(0.6)), 3.6, 3.4 * math.pi),
        (HorizontalCylinder(2.0, 3.0), 2.0, 3 * math.pi),
        (HorizontalCylinder(2.0, 3.0, 0.5), 2.0, 3 * math.pi + 2 / 3 * math.pi),
        (HorizontalCylinder(2.0, 3.0, 1.0), 2.0, 3 * math.pi + 4 / 3 * math.pi),
        (Rectangular(4.0, 3.0, 2.0), 2.0, 24.0),
        (Sphere(2.0), 2.0, 4 / 3 * math.pi),
        (SETTLING, 2.0, 9.5),
    ],
)
def test_height_and_capacity(tank, height, capacity):
    assert tank.height == pytest.approx(height)
    assert tank.capacity == pytest.approx(capacity)


@given(SIZES, SHARES)
def test_hemispheres_on_a_short_cylinder_are_nearly_a_sphere(diameter, share):
    capsule = HorizontalCylinder(diameter, 1e-9 * diameter, diameter / 2)
    ball = Sphere(diameter)
    depth = share * diameter
    assert capsule.volume(depth) == pytest.approx(ball.volume(depth), abs=1e-8 * ball.capacity)


@given(TANKS, st.floats(0, 1e6))
def test_outside_the_contents_stay_at_the_end_with_a_doubt(tank, beyond):
    beyond += 1e-6 * tank.height
    table = isinstance(tank, StrappingTable)
    below, above = measure(tank, -beyond), measure(tank, tank.height + beyond)
    assert below.volume == tank.volume(0.0)
    assert below.reason is (Reason.BELOW_TABLE if table else Reason.BELOW_TANK)
    assert (above.volume, above.ullage, above.fraction) == (tank.capacity, 0.0, 1.0)
    assert above.reason is (Reason.ABOVE_TABLE if table else Reason.ABOVE_TANK)


@given(TANKS)
def test_a_rounding_beside_an_end_is_at_the_end(tank):
    rounding = 0.9e-9 * tank.height
    assert measure(tank, -rounding).reason is Reason.OK
    assert measure(tank, tank.height + rounding).reason is Reason.OK


@pytest.mark.parametrize(
    ("depth", "volume", "reason"),
    [
        (-0.2, 0.4, Reason.BELOW_TABLE),
        (0.09, 0.4, Reason.BELOW_TABLE),
        (0.1, 0.4, Reason.OK),
        (0.3, 1.2, Reason.OK),
        (1.4, 6.5, Reason.OK),
        (2.1, 9.5, Reason.ABOVE_TABLE),
    ],
)
def test_a_strapping_table_that_begins_above_the_bottom(depth, volume, reason):
    contents = measure(SETTLING, depth)
    assert contents.volume == pytest.approx(volume)
    assert contents.reason is reason


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([(0, 1), (1, 1)], "rise"),
        ([(0, 2), (1, 1)], "rise"),
        ([(0, 0), (1, 2), (2, 1)], "rise"),
        ([(-0.1, 0), (1, 2)], "negative"),
        ([(0, -1), (1, 2)], "negative"),
    ],
)
def test_a_table_no_tank_can_have_is_refused(points, said):
    with pytest.raises(ValueError, match=said):
        StrappingTable(Curve(points))


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.inf, math.nan])
@pytest.mark.parametrize(
    ("shape", "fields"),
    [
        (Cone, ["depth"]),
        (Dish, ["depth"]),
        (UprightCylinder, ["diameter", "side_height"]),
        (HorizontalCylinder, ["diameter", "length"]),
        (Rectangular, ["length", "width", "height"]),
        (Sphere, ["diameter"]),
    ],
)
def test_a_dimension_that_is_no_size_is_refused_by_name(shape, fields, wrong):
    for field in fields:
        sizes = dict.fromkeys(fields, 1.0) | {field: wrong}
        with pytest.raises(ValueError, match=field.replace("_", " ")):
            shape(**sizes)


def test_ends_that_go_inwards_are_refused():
    with pytest.raises(ValueError, match="end depth"):
        HorizontalCylinder(2.0, 3.0, -0.1)
