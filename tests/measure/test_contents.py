import math

import pytest

from edge.measure.contents import OpenChannelFlow, TankContents
from edge.measure.tanks import UprightCylinder
from edge.measure.values import Value
from edge.measure.weirs import VNotch
from edge.readings import Series
from edge.status import Reason
from edge.units import UNITS

TANK = UprightCylinder(diameter=2.0, side_height=3.0)  # 3π m³
FULL = 3 * math.pi


def at(number, reason=Reason.OK):
    return Value(0, 0.0, number, reason)


def tank(offset=0.0):
    return TankContents("tank", "depth", TANK, offset=offset, shown=UNITS["gal"], title="Tank")


def pairs(channel, *inputs):
    return [(value.number, value.reason) for value in channel.compute(*inputs)]


def test_a_tank_yields_volume_ullage_and_share():
    assert [(one.name, one.unit.symbol, one.title) for one in tank().series] == [
        ("tank.volume", "gal", "Tank, volume"),
        ("tank.ullage", "gal", "Tank, ullage"),
        ("tank.filled", "%", "Tank, filled"),
    ]
    volume, ullage, filled = tank().compute(at(0.75))
    assert volume == at(pytest.approx(FULL / 4))
    assert ullage == at(pytest.approx(3 * FULL / 4))
    assert filled == at(pytest.approx(0.25))


def test_a_depth_may_be_read_above_the_bottom():
    assert tank(offset=0.5).compute(at(1.0))[2].number == pytest.approx(0.5)


def test_outside_the_tank_the_nearer_end_stands_with_a_doubt():
    assert pairs(tank(), at(3.1)) == [
        (pytest.approx(FULL), Reason.ABOVE_TANK),
        (pytest.approx(0.0, abs=1e-12), Reason.ABOVE_TANK),
        (pytest.approx(1.0), Reason.ABOVE_TANK),
    ]
    assert pairs(tank(), at(-0.1))[0] == (0.0, Reason.BELOW_TANK)


def test_a_doubt_about_the_depth_is_one_about_the_contents():
    assert [reason for _, reason in pairs(tank(), at(1.0, Reason.STUCK))] == [Reason.STUCK] * 3
    assert pairs(tank(), at(None, Reason.OPEN_LOOP)) == [(None, Reason.OPEN_LOOP)] * 3


def test_the_steps_of_a_tank():
    assert [step.name for step in tank().explain(at(1.0))] == [
        "Tank, volume",
        "Tank, ullage",
        "Tank, filled",
    ]


def weir(zero=0.1):
    series = Series("weir", UNITS["cfs"], "Weir")
    notch = VNotch(math.radians(90))
    return OpenChannelFlow(series, "gauge", notch, zero=zero, head_shown=UNITS["mm"])


def test_the_head_is_the_level_above_its_zero():
    notch = VNotch(math.radians(90))
    assert pairs(weir(), at(0.4)) == [
        (pytest.approx(notch.flow(0.3)[0]), Reason.OK),
    ]
    # USBR, Water Measurement Manual, chapter 7: Q = 2.49 h^2.48 in feet, for 90 degrees.
    feet = 0.3 / 0.3048
    assert weir().compute(at(0.4))[0].number == pytest.approx(
        2.49 * feet**2.48 * 0.3048**3, rel=0.02
    )


def test_water_below_the_crest_does_not_flow_and_that_is_good():
    assert pairs(weir(), at(0.1)) == [(0.0, Reason.OK)]
    assert pairs(weir(), at(-2.0)) == [(0.0, Reason.OK)]


@pytest.mark.parametrize(
    ("level", "reason"), [(0.11, Reason.HEAD_TOO_LOW), (1.1, Reason.HEAD_TOO_HIGH)]
)
def test_outside_the_formulas_range_there_is_a_doubt(level, reason):
    ((flow, found),) = pairs(weir(), at(level))
    assert found is reason
    assert flow > 0


def test_the_steps_of_a_weir():
    head, flow = weir().explain(at(0.4))
    assert (head.name, head.number, head.unit) == ("head", pytest.approx(0.3), UNITS["mm"])
    assert (flow.name, flow.unit) == ("Weir", UNITS["cfs"])
    assert weir().explain(at(None, Reason.NO_REPLY)) == []
