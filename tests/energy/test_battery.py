import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.energy.battery import LeadAcid, acid_density, cold_factor, freezing_celsius

BATTERY = LeadAcid(100.0)
HOUR = 3600.0
DAY = 86400.0

CHARGES = st.floats(0, 1)
CELSIUS = st.floats(-40, 60)
BATTERIES = st.builds(
    LeadAcid,
    capacity_ah=st.floats(1, 2000),
    cells=st.integers(1, 24),
    peukert=st.floats(1, 1.6),
    charge_efficiency=st.floats(0.5, 1),
    self_discharge_month=st.floats(0, 0.3),
)


# ---------------------------------------------------------------------------------- what it holds


def test_the_rated_capacity_is_given_in_twenty_hours_at_25_degrees():
    assert BATTERY.capacity_at(25.0, 5.0) == pytest.approx(100.0)


def test_a_faster_discharge_gives_less_by_peukerts_law():
    amperes = 20.0
    hours = BATTERY.capacity_at(25.0, amperes) / amperes
    assert amperes**1.15 * hours == pytest.approx(5.0**1.15 * 20)


@pytest.mark.parametrize("amperes", [0.0, 1e-6, 0.05, 1.0])
def test_a_slow_discharge_gives_a_tenth_more_at_most(amperes):
    assert BATTERY.capacity_at(25.0, amperes) == pytest.approx(110.0)


def test_without_peukerts_law_every_rate_gives_the_same():
    assert LeadAcid(100.0, peukert=1.0).capacity_at(25.0, 50.0) == pytest.approx(100.0)


@given(st.tuples(CELSIUS, CELSIUS))
def test_the_colder_the_less(temperatures):
    cold, warm = sorted(temperatures)
    assert cold_factor(cold) >= cold_factor(warm) >= 0.85


def test_the_cold_factor_goes_on_below_the_table_without_a_step():
    assert cold_factor(-6.7 - 1e-9) == pytest.approx(cold_factor(-6.7))
    assert 1 / cold_factor(-20.0) == pytest.approx(1 / 1.59 - 0.011 * 13.3)
    assert cold_factor(-100.0) == pytest.approx(10.0)


@pytest.mark.parametrize(("celsius", "empty"), [(25.0, 0.0), (40.0, 0.0), (10.0, 1 - 1 / 1.19)])
def test_cold_raises_the_charge_at_which_it_is_empty(celsius, empty):
    assert BATTERY.empty_at(celsius) == pytest.approx(empty)


def test_what_the_cold_keeps_comes_back_with_the_warmth():
    left = BATTERY.step(1.0, -1.0, 100 * DAY, -10.0)
    assert left == pytest.approx(BATTERY.empty_at(-10.0))
    assert BATTERY.step(left, -1.0, HOUR, -10.0) == pytest.approx(left, abs=1e-4)
    assert BATTERY.step(left, -1.0, HOUR, 25.0) < left - 0.005


# ------------------------------------------------------------------------------- in and out of it


def test_twenty_hours_at_the_rated_current_empty_it():
    battery = LeadAcid(100.0, self_discharge_month=0.0)
    assert battery.step(1.0, -5.0, 20 * HOUR, 25.0) == pytest.approx(0.0, abs=1e-12)
    assert battery.step(1.0, -5.0, 10 * HOUR, 25.0) == pytest.approx(0.5)


def test_less_comes_out_than_went_in():
    battery = LeadAcid(100.0, charge_efficiency=0.9, self_discharge_month=0.0)
    assert battery.step(0.5, 5.0, 2 * HOUR, 25.0) == pytest.approx(0.59)


def test_left_alone_it_loses_its_share_in_a_month_and_twice_that_at_35_degrees():
    month = 365.25 / 12 * DAY
    assert BATTERY.step(1.0, 0.0, month, 25.0) == pytest.approx(0.97)
    assert BATTERY.step(1.0, 0.0, month, 35.0) == pytest.approx(0.97**2)
    assert BATTERY.step(1.0, 0.0, month, 15.0) == pytest.approx(0.97**0.5)


@given(
    battery=BATTERIES,
    soc=CHARGES,
    amperes=st.floats(-500, 500),
    seconds=st.floats(0, 30 * DAY),
    celsius=CELSIUS,
)
def test_it_is_never_emptier_than_empty_or_fuller_than_full(
    battery, soc, amperes, seconds, celsius
):
    after = battery.step(soc, amperes, seconds, celsius)
    assert 0 <= after <= 1
    if amperes <= 0:
        assert after <= soc + 1e-12


@given(battery=BATTERIES, soc=CHARGES, hours=st.floats(0, 20), celsius=st.floats(25, 60))
def test_a_cycle_never_gains(battery, soc, hours, celsius):
    amperes = battery.rated_amperes / 2
    charged = battery.step(soc, amperes, hours * HOUR, celsius)
    given_back = battery.step(charged, -amperes * battery.charge_efficiency, hours * HOUR, celsius)
    # Slow discharge gives up to a tenth more than the rated capacity, and no more than that.
    gained = given_back - soc
    assert gained <= (charged - soc) * (1 - 1 / 1.1) + 1e-9


# --------------------------------------------------------------------------------- at its terminals


def test_a_full_and_an_empty_battery_at_rest():
    assert BATTERY.terminal_v(1.0, 0.0, 25.0) == pytest.approx(12.65)
    assert BATTERY.terminal_v(0.0, 0.0, 25.0) == pytest.approx(11.89)
    assert LeadAcid(100.0, cells=12).open_circuit_v(0.5) == pytest.approx(24.48)


def test_the_rated_discharge_ends_at_1_75_volts_a_cell():
    assert BATTERY.terminal_v(0.0, -5.0, 25.0) == pytest.approx(10.5)
    assert LeadAcid(7.0, cells=3).terminal_v(0.0, -0.35, 25.0) == pytest.approx(5.25)


def test_a_cold_battery_that_is_empty_shows_it_whatever_its_charge():
    empty = BATTERY.empty_at(-20.0)
    assert BATTERY.terminal_v(empty, -5.0, -20.0) < 11.3 < BATTERY.terminal_v(empty, -5.0, 25.0)


@given(
    battery=BATTERIES,
    charges=st.tuples(CHARGES, CHARGES),
    hours=st.floats(-200, 200).filter(lambda hours: abs(hours) > 1),
    celsius=CELSIUS,
)
def test_the_voltage_rises_with_the_charge(battery, charges, hours, celsius):
    amperes = battery.capacity_ah / hours
    low, high = (battery.terminal_v(soc, amperes, celsius) for soc in sorted(charges))
    assert low <= high * (1 + 1e-12)


@given(soc=CHARGES, currents=st.tuples(st.floats(-100, 50), st.floats(-100, 50)), celsius=CELSIUS)
def test_the_voltage_rises_with_the_current(soc, currents, celsius):
    low, high = (BATTERY.terminal_v(soc, amperes, celsius) for amperes in sorted(currents))
    assert 0 <= low <= high


@given(st.tuples(CELSIUS, CELSIUS), CHARGES)
def test_a_colder_battery_resists_more(temperatures, soc):
    cold, warm = sorted(temperatures)
    assert BATTERY.resistance(soc, cold) >= BATTERY.resistance(soc, warm) > 0


def test_the_limit_on_charge_falls_as_it_warms_within_bounds():
    limits = [BATTERY.charge_limit_v(celsius) for celsius in (-30, -20, 0, 25, 50, 60)]
    assert limits == pytest.approx([15.75, 15.75, 15.15, 14.4, 13.65, 13.65])


# ------------------------------------------------------------------------------------ what it takes


def test_an_empty_battery_takes_a_fifth_of_its_capacity_in_an_hour():
    assert BATTERY.accepted(0.2, 25.0) == pytest.approx(20.0)


def test_a_full_battery_takes_next_to_nothing():
    assert 0 < BATTERY.accepted(1.0, 25.0) < 1.0


def test_the_current_dies_away_as_it_fills():
    currents = [BATTERY.accepted(soc / 20, 25.0) for soc in range(21)]
    assert all(after <= before for before, after in pairwise(currents))


@given(battery=BATTERIES, soc=CHARGES, celsius=CELSIUS)
def test_with_the_current_it_takes_it_is_at_its_limit_at_most(battery, soc, celsius):
    amperes = battery.accepted(soc, celsius)
    limit = battery.charge_limit_v(celsius)
    assert battery.terminal_v(soc, amperes, celsius) <= limit * (1 + 1e-12)
    if 0 < amperes < battery.capacity_ah / 5:
        assert battery.terminal_v(soc, amperes, celsius) == pytest.approx(limit)


# ----------------------------------------------------------------------------------------- freezing


@given(st.tuples(CHARGES, CHARGES))
def test_the_emptier_the_sooner_it_freezes(charges):
    empty, full = sorted(charges)
    assert freezing_celsius(empty) >= freezing_celsius(full)
    assert acid_density(empty) <= acid_density(full)


def test_an_empty_battery_freezes_in_a_winter_night_and_a_full_one_does_not():
    assert BATTERY.may_freeze(0.1, -15.0)
    assert not BATTERY.may_freeze(0.9, -40.0)


def test_numbers_stay_numbers_at_the_edges():
    for soc in (-0.1, 0.0, 1.0, 1.1):
        for celsius in (-273.0, 100.0):
            assert math.isfinite(BATTERY.terminal_v(soc, -1000.0, celsius))
            assert math.isfinite(BATTERY.accepted(soc, celsius))
