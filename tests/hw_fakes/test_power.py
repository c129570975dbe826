import itertools

from hypothesis import given
from hypothesis import strategies as st

from hw_fakes.power import SolarPower
from hw_fakes.well import DAY_S

MIDNIGHT = 20_000 * DAY_S


def at_greenwich(seed=1):
    return SolarPower(seed, MIDNIGHT, longitude=0.0)


def test_the_sun_is_highest_at_noon_and_down_at_night():
    power = at_greenwich()
    by_hour = [power.sun(MIDNIGHT + hour * 3600) for hour in range(24)]
    assert max(by_hour) == by_hour[12]
    assert 0.25 <= by_hour[12] <= 1
    assert by_hour[:6] == [0] * 6
    assert by_hour[18:] == [0] * 6


def test_noon_comes_six_hours_later_a_quarter_round_the_earth_to_the_west():
    west = SolarPower(1, MIDNIGHT, longitude=-90.0)
    by_hour = [west.sun(MIDNIGHT + hour * 3600) for hour in range(24)]
    assert max(by_hour) == by_hour[18]


@given(st.integers(0, 1000), st.floats(0, 30 * DAY_S))
def test_voltages_are_those_of_a_twelve_volt_system(seed, since):
    power = at_greenwich(seed)
    now = MIDNIGHT + since
    assert 0.1 <= power.charge(now) <= 1
    assert 11.8 < power.battery_v(now) <= 14.4
    assert 0 <= power.panel_v(now) < 20


def test_the_battery_charges_by_day_and_discharges_by_night():
    power = at_greenwich()
    dusk, dawn = MIDNIGHT + 18 * 3600, MIDNIGHT + 30 * 3600
    assert power.charge(dusk) > power.charge(MIDNIGHT + 6 * 3600)
    assert power.charge(dawn) < power.charge(dusk)
    noon = MIDNIGHT + 12 * 3600 + 60
    assert power.battery_v(noon) - power.battery_v(dusk + 3660) > 0.5
    assert power.panel_v(noon) > 15
    assert power.panel_v(dusk + 3600) == 0


def test_the_charge_has_no_steps():
    power = at_greenwich()
    by_minute = [power.charge(MIDNIGHT + minute * 60) for minute in range(20 * 1440)]
    steps = [abs(b - a) for a, b in itertools.pairwise(by_minute)]
    assert max(steps) < 0.002


def test_sending_draws_the_battery_down_for_a_moment():
    power = at_greenwich()
    assert power.battery_v(MIDNIGHT + 1) < power.battery_v(MIDNIGHT + 30) - 0.1


def test_a_night_follows_from_the_seed():
    instants = [MIDNIGHT + hours * 3600 for hours in range(24 * 20)]
    volts = [at_greenwich(5).battery_v(t) for t in instants]
    one = at_greenwich(5)
    assert [one.battery_v(t) for t in reversed(instants)] == volts[::-1]
    assert [at_greenwich(6).battery_v(t) for t in instants] != volts
