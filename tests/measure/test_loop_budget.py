import math
from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from edge.measure.line import Line
from edge.measure.loop_budget import LoopSupply, budget, flat_at
from edge.measure.wire import copper_resistance

VOLTS = st.floats(0, 40)
OHMS = st.floats(0, 2000)
LOOPS = st.builds(
    LoopSupply,
    supply=VOLTS,
    least_voltage=st.floats(0, 30),
    shunt=OHMS,
    wire=OHMS,
    further_volts=st.floats(0, 10),
    further_ohms=OHMS,
)

# Nearly empty 12 V battery, 250 ohm, 300 ft of 22 AWG: the usual reason why a level stands still.
STARVED = LoopSupply(11.0, least_voltage=8.0, shunt=250.0, wire=9.686)


def test_a_loop_worked_by_hand():
    found = budget(STARVED)
    assert found.greatest_current == pytest.approx(3.0 / 259.686)
    assert found.volts_at_full_scale == pytest.approx(11.0 - 0.020 * 259.686)
    assert found.volts_short == pytest.approx(8.0 - (11.0 - 0.020 * 259.686), abs=1e-6)
    assert found.volts_short_at_alarm == pytest.approx(8.0 - (11.0 - 0.021 * 259.686), abs=1e-6)
    assert found.least_supply == pytest.approx(8.0 + 0.020 * 259.686)
    assert found.greatest_shunt == pytest.approx(150.0 - 9.686)
    assert found.lives
    assert not found.reaches_full_scale
    assert not found.reaches_alarm


def test_where_the_reading_goes_flat():
    feet = Line(0.004, 0.020, 0.0, 30.0).at
    current = 3.0 / 259.686
    assert flat_at(budget(STARVED), feet) == pytest.approx((current - 0.004) / 0.016 * 30.0)


def test_a_range_upside_down_goes_flat_at_its_low_end():
    depth = Line(0.004, 0.020, 30.0, 0.0).at
    current = 3.0 / 259.686
    assert flat_at(budget(STARVED), depth) == pytest.approx(30.0 - (current - 0.004) / 0.016 * 30)


def test_a_loop_that_just_balances_reaches_full_scale_and_not_the_alarm():
    # 10.3 + 250 x 0.020 + 0.7: not one of them is exact in binary.
    found = budget(LoopSupply(16.0, least_voltage=10.3, shunt=250.0, further_volts=0.7))
    assert found.reaches_full_scale
    assert found.volts_short == 0
    assert not found.reaches_alarm
    assert found.volts_short_at_alarm == pytest.approx(0.25)
    assert found.greatest_shunt == pytest.approx(250.0)
    assert flat_at(found, Line(0.004, 0.020, 0.0, 30.0).at) is None


def test_a_barrier_counts_like_wire_and_like_voltage():
    ohms = budget(LoopSupply(24.0, 10.0, 100.0, further_ohms=300.0))
    assert ohms.greatest_current == pytest.approx(14.0 / 400.0)
    volts = budget(LoopSupply(24.0, 10.0, 100.0, further_volts=6.0))
    assert volts.greatest_current == pytest.approx(8.0 / 100.0)


def test_without_any_resistance_there_is_no_greatest_current():
    found = budget(LoopSupply(12.0, least_voltage=12.0, shunt=0.0))
    assert found.greatest_current == math.inf
    assert found.reaches_full_scale
    assert found.reaches_alarm
    assert found.greatest_shunt == 0.0


@pytest.mark.parametrize("shunt", [0.0, 250.0])
def test_a_transmitter_that_does_not_start(shunt):
    found = budget(LoopSupply(9.0, least_voltage=10.0, shunt=shunt))
    assert found.greatest_current == 0.0
    assert not found.lives
    assert not found.reaches_full_scale
    assert found.greatest_shunt is None
    assert flat_at(found, Line(0.004, 0.020, 0.0, 30.0).at) is None


def test_a_loop_below_4_ma_does_not_live():
    found = budget(LoopSupply(10.9, least_voltage=10.0, shunt=250.0))
    assert found.greatest_current == pytest.approx(0.0036)
    assert not found.lives
    assert flat_at(found, Line(0.004, 0.020, 0.0, 30.0).at) is None


def test_too_much_wire_is_cured_by_no_shunt():
    wire = 2 * copper_resistance(24, 3000.0, 40.0)
    assert budget(LoopSupply(18.0, 10.0, 250.0, wire=wire)).greatest_shunt is None


@given(loop=LOOPS)
def test_the_greatest_current_leaves_the_transmitter_what_it_needs(loop):
    found = budget(loop)
    assume(0 < found.greatest_current < math.inf)
    dropped = loop.further_volts + found.greatest_current * loop.ohms
    assert loop.supply - dropped == pytest.approx(loop.least_voltage, abs=1e-6)


@given(loop=LOOPS)
def test_the_cures_cure(loop):
    found = budget(loop)
    assert budget(replace(loop, supply=found.least_supply)).reaches_full_scale
    if found.greatest_shunt is not None:
        assert budget(replace(loop, shunt=found.greatest_shunt)).reaches_full_scale
        worse = budget(replace(loop, shunt=found.greatest_shunt + 1.0))
        assert not worse.reaches_full_scale


@given(loop=LOOPS)
def test_the_answers_agree_with_each_other(loop):
    found = budget(loop)
    # Where the balance is struck to the microvolt, rounding decides.
    assume(abs(found.volts_at_full_scale - loop.least_voltage) > 1e-5)
    assert found.reaches_full_scale == (found.greatest_current >= 0.020)
    assert found.reaches_full_scale == (loop.supply >= found.least_supply)
    assert found.volts_short_at_alarm >= found.volts_short >= 0
    assert found.reaches_full_scale or not found.reaches_alarm


@given(loop=LOOPS, name=st.sampled_from(["shunt", "wire", "further_volts", "further_ohms"]))
def test_more_in_the_loop_is_less_current(loop, name):
    before = budget(loop).greatest_current
    after = budget(replace(loop, **{name: getattr(loop, name) + 1.0})).greatest_current
    assert after <= before


@pytest.mark.parametrize(
    "name", ["supply", "least_voltage", "shunt", "wire", "further_volts", "further_ohms"]
)
@pytest.mark.parametrize("number", [-1e-9, math.nan, math.inf])
def test_a_number_that_makes_no_sense_is_refused(name, number):
    with pytest.raises(ValueError, match=f"{name} = "):
        replace(STARVED, **{name: number})
