import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.wire import AWG, copper_resistance, wire_diameter

GAUGES = st.sampled_from(list(AWG))


def test_the_gauges():
    assert (AWG[0], AWG[-1]) == (4, 30)
    assert wire_diameter(18) == pytest.approx(1.0237e-3, rel=1e-4)


@pytest.mark.parametrize("gauge", [3, 31, 0, -1])
def test_a_gauge_off_the_table_is_refused(gauge):
    with pytest.raises(ValueError, match="outside 4 to 30 AWG"):
        wire_diameter(gauge)
    with pytest.raises(ValueError, match="outside 4 to 30 AWG"):
        copper_resistance(gauge, 100.0, 20.0)


@pytest.mark.parametrize("length", [-1.0, math.nan, math.inf])
def test_a_length_that_makes_no_sense_is_refused(length):
    with pytest.raises(ValueError, match="m long"):
        copper_resistance(18, length, 20.0)


@pytest.mark.parametrize("temperature", [-50.1, 100.1, math.nan])
def test_a_temperature_outside_the_straight_line_is_refused(temperature):
    with pytest.raises(ValueError, match="outside -50 to 100 degC"):
        copper_resistance(18, 100.0, temperature)


@given(
    gauge=GAUGES,
    length=st.floats(0, 1e5),
    more=st.floats(0, 1e5),
    temperature=st.floats(-50, 100),
)
def test_wires_in_series_add_up(gauge, length, more, temperature):
    parts = copper_resistance(gauge, length, temperature) + copper_resistance(
        gauge, more, temperature
    )
    assert copper_resistance(gauge, length + more, temperature) == pytest.approx(parts, rel=1e-12)


@given(gauge=st.sampled_from(list(AWG)[:-1]), temperature=st.floats(-50, 100))
def test_a_thinner_wire_has_more(gauge, temperature):
    thick, thin = (copper_resistance(g, 100.0, temperature) for g in (gauge, gauge + 1))
    # The rule of thumb of the trade: three gauges are twice the resistance.
    assert thin / thick == pytest.approx(2 ** (1 / 3), rel=2e-3)


@given(gauge=GAUGES, temperatures=st.tuples(st.floats(-50, 100), st.floats(-50, 100)))
def test_a_warmer_wire_has_more(gauge, temperatures):
    cold, warm = (copper_resistance(gauge, 100.0, t) for t in sorted(temperatures))
    assert 0 < cold <= warm


def test_no_wire_has_none():
    assert copper_resistance(24, 0.0, 20.0) == 0.0
