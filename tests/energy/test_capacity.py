import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.energy.battery import LeadAcid
from edge.energy.capacity import Draw, battery_capacity, from_watts

LOGGER = Draw("logger", 0.2)
MODEM = Draw("modem", 0.5, hours=2.0)
RELAY = Draw("relay", 3.0, hours=0.01, momentary=True)

SHARES = st.floats(0.05, 1)


def test_the_ash_creek_logger_step_by_step():
    found = battery_capacity(
        [LOGGER, MODEM, RELAY],
        days=5,
        depth=0.8,
        daily_depth=0.2,
        temperature_factor=1.3,
        margin=1.1,
    )
    assert found.daily_ah == pytest.approx(4.8 + 1.0 + 0.03)
    assert found.stored_ah == pytest.approx(29.15)
    assert found.for_depth == pytest.approx(29.15 / 0.8 / 0.8)
    assert found.for_daily_depth == pytest.approx(29.15)
    assert found.for_age == pytest.approx(29.15 / 0.8)
    assert found.largest == found.for_depth
    assert found.adjusted == found.rated_ah == pytest.approx(29.15 / 0.64 * 1.3 * 1.1)
    assert found.running_amperes == pytest.approx(0.7)
    assert found.most_amperes == pytest.approx(3.7)
    assert found.functional_hours == pytest.approx(found.adjusted / 0.7)
    assert found.rate_factor == 1


def test_the_steps_are_the_calculation_in_order():
    found = battery_capacity([LOGGER], days=5, depth=0.5)
    steps = found.steps()
    assert [step.value for step in steps[:3]] == pytest.approx([4.8, 5, 24])
    assert steps[-1].value == found.rated_ah
    assert steps[-1].unit == "Ah"
    assert all(step.what for step in steps)


def test_a_large_daily_cycle_decides_over_a_short_autonomy():
    found = battery_capacity([LOGGER], days=0.5, depth=0.8, daily_depth=0.15)
    assert found.largest == found.for_daily_depth == pytest.approx(32)


def test_as_the_method_stands_age_and_depth_do_not_add_up():
    found = battery_capacity([LOGGER], days=5, depth=0.9, depth_when_old=False)
    assert found.for_depth == pytest.approx(24 / 0.9)
    assert found.largest == found.for_age == pytest.approx(30)


def test_warmth_makes_no_battery_smaller():
    found = battery_capacity([LOGGER], days=5, depth=0.8, temperature_factor=0.9)
    assert found.temperature_factor == 1


def test_watts_behind_a_converter():
    assert from_watts("computer", 3.0, 24.0, 12.0, efficiency=0.8).daily_ah == pytest.approx(7.5)


def test_without_loads_there_is_no_need_of_a_battery():
    found = battery_capacity([], days=5, depth=0.8)
    assert found.rated_ah == 0
    assert found.functional_hours == math.inf


@pytest.mark.parametrize("share", [0.0, -0.1, 1.1, math.nan])
@pytest.mark.parametrize("name", ["depth", "daily_depth", "left_when_old"])
def test_a_share_out_of_range_is_refused(name, share):
    with pytest.raises(ValueError, match=f"{name}: found .*, expected more than 0, and 1 at most"):
        battery_capacity([LOGGER], days=5, **({"depth": 0.8} | {name: share}))


@pytest.mark.parametrize(("days", "margin"), [(-1, 1), (5, -1), (math.nan, 1)])
def test_less_than_no_days_or_margin_is_refused(days, margin):
    with pytest.raises(ValueError, match="expected none below 0"):
        battery_capacity([LOGGER], days=days, depth=0.8, margin=margin)


@given(amperes=st.floats(0.01, 500), hours=st.floats(0.5, 19), peukert=st.floats(1, 1.6))
def test_at_a_fast_rate_the_battery_it_names_gives_just_what_is_needed(amperes, hours, peukert):
    found = battery_capacity(
        [Draw("pump", amperes, hours=hours)],
        days=1,
        depth=1,
        left_when_old=1,
        peukert=peukert,
    )
    battery = LeadAcid(found.rated_ah, peukert=peukert)
    assert battery.capacity_at(25.0, amperes) == pytest.approx(amperes * hours)


@given(days=st.floats(0.1, 30), depth=SHARES, old=SHARES, factor=st.floats(1, 5), amperes=SHARES)
def test_an_old_cold_battery_of_that_size_lasts_and_keeps_its_depth(
    days, depth, old, factor, amperes
):
    found = battery_capacity(
        [Draw("logger", amperes)],
        days=days,
        depth=depth,
        left_when_old=old,
        temperature_factor=factor,
    )
    there = found.rated_ah * old / factor * depth
    assert there >= found.stored_ah * (1 - 1e-12)
