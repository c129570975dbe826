import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.energy.array import (
    Allowances,
    array_to_load,
    mppt_array,
    pwm_array,
    worst_month,
)
from edge.energy.battery import LeadAcid

SUN = [2.1, 2.9, 3.8, 4.6, 5.0, 5.3, 5.4, 5.1, 4.5, 3.6, 2.4, 1.9]
NO_SPARE = Allowances(ratio=1.0, losses=0.0, charge_efficiency=0.9, derate=1.0)


def test_the_worst_month_is_the_darkest_where_the_load_is_steady():
    assert worst_month([6.0] * 12, SUN) == 11


def test_the_worst_month_is_another_where_the_load_is_not():
    load = [6.0] * 12
    load[6] = 30.0
    assert worst_month(load, SUN) == 6


def test_a_month_without_sun_is_the_worst():
    assert worst_month([6.0, 6.0, 60.0], [2.0, 0.0, 2.0]) == 1


@pytest.mark.parametrize(("load", "sun"), [([], []), ([1.0], [1.0, 2.0]), ([1.0], [-1.0])])
def test_months_that_do_not_match_are_refused(load, sun):
    with pytest.raises(ValueError, match="expected as many of both, and no hours below 0"):
        worst_month(load, sun)


def test_a_panel_tied_to_the_battery_step_by_step():
    found = pwm_array(6.0, 1.9, 18.0, Allowances(1.2, 0.02, 0.9, 0.95))
    assert found.corrected_ah == pytest.approx(6.0 / 0.98 / 0.9)
    assert found.amperes == pytest.approx(1.2 * found.corrected_ah / 1.9)
    assert found.watts == pytest.approx(found.amperes * 18.0 / 0.95)
    steps = found.steps()
    assert steps[0].value == 6.0
    assert (steps[-1].value, steps[-1].unit) == (found.watts, "W")


def test_a_converting_controller_needs_less_of_a_panel_of_high_voltage():
    tied = pwm_array(6.0, 1.9, 18.0, Allowances())
    converted = mppt_array(6.0, 1.9, 13.5, Allowances(), efficiency=0.95)
    assert converted.watts == pytest.approx(tied.watts * 13.5 / 18.0 / 0.95)
    assert converted.amperes == pytest.approx(tied.amperes)


def test_the_ratio_of_a_panel_that_is_there():
    needed = pwm_array(6.0, 1.9, 18.0, Allowances(ratio=1.4))
    assert array_to_load(needed.watts, needed) == pytest.approx(1.4)
    assert array_to_load(needed.watts / 2, needed) == pytest.approx(0.7)
    assert array_to_load(50.0, pwm_array(0.0, 1.9, 18.0, Allowances())) == math.inf


@pytest.mark.parametrize("sun_hours", [0.0, -1.0, math.nan])
def test_no_panel_will_do_without_sun(sun_hours):
    with pytest.raises(ValueError, match="peak sun hours, expected more than 0"):
        pwm_array(6.0, sun_hours, 18.0, Allowances())


@pytest.mark.parametrize("share", [{"losses": 1.0}, {"charge_efficiency": 1.1}, {"derate": 0.0}])
def test_an_allowance_out_of_range_is_refused(share):
    with pytest.raises(ValueError, match="expected more than 0, and 1 at most"):
        Allowances(**share)


@given(daily_ah=st.floats(1, 20), sun_hours=st.floats(1, 8))
def test_with_nothing_to_spare_the_battery_is_in_the_evening_what_it_was(daily_ah, sun_hours):
    # Twenty hours' load at night, the sun's hours by day: with the model of the battery itself.
    battery = LeadAcid(400.0, peukert=1.0, self_discharge_month=0.0)
    panel = pwm_array(daily_ah, sun_hours, 18.0, NO_SPARE)
    after_night = battery.step(0.5, -daily_ah / 20, 20 * 3600.0, 25.0)
    after_day = battery.step(after_night, panel.amperes, sun_hours * 3600.0, 25.0)
    assert after_night < 0.5
    assert after_day == pytest.approx(0.5)
