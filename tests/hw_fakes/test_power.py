import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.station.energy import EnergySection
from hw_fakes.power import LONGEST_SEGMENT_S, SolarPower, SteadyDraw, plant_of
from hw_fakes.sky import Sky
from hw_fakes.well import DAY_S

MIDNIGHT = 20_000 * DAY_S  # 2024-10-04
HOUR = 3600


class Switched:
    """A load of 12 W that can be switched, and says when it will be."""

    def __init__(self, *, on=True):
        self.on = on
        self.until_then = math.inf

    def watts(self, now):
        return 12.0 if self.on and now < self.until_then else 0.0

    def until(self, now):
        return self.until_then if now < self.until_then else math.inf


def at_greenwich(seed=1, draw=None, energy=None, weather="fair", air=15.0):
    sky = Sky(seed, MIDNIGHT, 40.0, 0.0, weather)
    plant = plant_of(energy and EnergySection.model_validate(energy))
    return SolarPower(plant, sky, MIDNIGHT, lambda _now: air, draw or SteadyDraw(2.0))


def section(*, kind="pwm", panel="40 W", **controller):
    return {
        "battery": {"capacity": "40 Ah"},
        "panel": {"power": panel, "tilt": "50 deg", "soiling": "0 %"},
        "controller": {"kind": kind, "draw": "1 mA", **controller},
    }


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000), st.floats(0, 8 * DAY_S))
def test_voltages_are_those_of_a_twelve_volt_system(seed, since):
    power = at_greenwich(seed)
    now = MIDNIGHT + since
    assert 0.5 <= power.charge(now) <= 1
    assert 12.0 < power.battery_v(now) <= 14.71  # 14.4 V at 25 °C, and 30 mV more a degree
    assert 0 <= power.panel_v(now) < 22
    assert power.connected(now)


def test_the_battery_charges_by_day_and_discharges_by_night():
    power = at_greenwich()
    dusk, dawn = MIDNIGHT + 18 * HOUR, MIDNIGHT + 30 * HOUR
    assert power.charge(dusk) > power.charge(MIDNIGHT + 6 * HOUR)
    assert power.charge(dawn) < power.charge(dusk)
    noon = MIDNIGHT + 12 * HOUR + 60
    assert power.battery_v(noon) - power.battery_v(dusk + HOUR) > 0.2
    assert power.panel_v(noon) > 12.5
    assert power.panel_v(dusk + HOUR) == 0


def test_the_charge_has_no_steps():
    power = at_greenwich()
    by_minute = [power.charge(MIDNIGHT + minute * 60) for minute in range(5 * 1440)]
    steps = [abs(b - a) for a, b in itertools.pairwise(by_minute)]
    assert 0 < max(steps) < 0.002


def test_a_night_follows_from_the_seed_in_any_order():
    instants = [MIDNIGHT + hours * HOUR for hours in range(24 * 10)]
    one, same, other = at_greenwich(5), at_greenwich(5), at_greenwich(6)
    volts = [one.battery_v(t) for t in instants]
    assert [same.battery_v(t) for t in reversed(instants)] == volts[::-1]
    assert [other.battery_v(t) for t in instants] != volts


def test_by_night_the_charge_falls_by_what_is_drawn():
    # 2 W for ten hours, and nothing comes in.
    power = at_greenwich(energy=section())
    begin, end = MIDNIGHT - 5 * HOUR, MIDNIGHT + 5 * HOUR
    power = SolarPower(
        power.plant, Sky(1, begin, 40.0, 0.0), begin, lambda _now: 25.0, SteadyDraw(2.0)
    )
    volts = power.battery_v(MIDNIGHT)
    drawn_ah = (2.0 / volts + 0.001) * 10
    # The slowest rate gives 1.1 times the rated charge; 3 % a month go by themselves.
    expected = drawn_ah / 40 / 1.1 + 0.03 * 10 / (24 * 365.25 / 12) * power.charge(begin)
    assert power.charge(begin) - power.charge(end) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("kind", "gain"), [("pwm", 1.0), ("mppt", 1.3)])
def test_what_comes_in_goes_into_loads_and_battery(kind, gain):
    power = at_greenwich(energy=section(kind=kind, panel="10 W"), weather="dull-week", air=0.0)
    noon = power.at(MIDNIGHT + 12 * HOUR + 60)
    assert noon.panel_w == pytest.approx(noon.volts * (noon.amperes + 0.001) + noon.watts)
    assert noon.volts < 14.0  # nothing is held back yet
    # A panel that is tied to the battery gives its rated current, 10 W / 18 V, by the light.
    light = power.sky.light((noon.begin + noon.end) / 2, 50.0)
    tied = 10 / 18 * light / 1000 * noon.volts
    assert noon.panel_w == pytest.approx(gain * tied, rel=0.06)


def test_a_full_battery_takes_no_more_than_holds_it_at_its_limit():
    power = at_greenwich(energy=section(panel="200 W"), weather="dull-week", air=25.0)
    volts = [power.battery_v(MIDNIGHT + minute * 300) for minute in range(2 * 288)]
    # 2.40 V a cell at 25 °C (common practice, no source).
    assert max(volts) == pytest.approx(14.4, abs=0.01)
    noon = power.at(MIDNIGHT + 13 * HOUR)
    assert noon.panel_w < 30
    assert noon.panel_v > 20  # it stands open, and above the battery


def test_a_load_switched_off_lets_the_battery_recover():
    switched, always = Switched(), Switched()
    power, other = at_greenwich(draw=switched), at_greenwich(draw=always)
    when = MIDNIGHT + 3 * HOUR + 100
    before = power.battery_v(when - 1)
    power.changing(when)
    switched.on = False
    assert power.battery_v(when) > before + 0.05
    assert power.battery_v(when - 1) == before == other.battery_v(when - 1)
    assert power.battery_v(when + 2 * HOUR) > other.battery_v(when + 2 * HOUR) + 0.1
    assert power.charge(when + 2 * HOUR) > other.charge(when + 2 * HOUR) + 0.04


def test_what_was_foreseen_is_forgotten_when_something_is_switched():
    switched = Switched()
    power = at_greenwich(draw=switched)
    foreseen = power.charge(MIDNIGHT + 6 * HOUR)
    power.changing(MIDNIGHT + HOUR)
    switched.on = False
    assert power.charge(MIDNIGHT + 6 * HOUR) > foreseen + 0.1
    switched.on = True
    at_once = at_greenwich(draw=switched)
    at_once.at(MIDNIGHT + DAY_S)
    at_once.changing(MIDNIGHT - HOUR)
    switched.on = False
    assert at_once.charge(MIDNIGHT + 6 * HOUR) > power.charge(MIDNIGHT + 6 * HOUR)


def test_it_makes_no_difference_how_often_it_is_asked():
    def charge_after(asked_every):
        switched = Switched()
        power = at_greenwich(draw=switched)
        for since in range(0, 6 * HOUR, asked_every):
            power.battery_v(MIDNIGHT + since)
        power.changing(MIDNIGHT + 6 * HOUR)
        switched.on = False
        return power.charge(MIDNIGHT + 7 * HOUR)

    assert charge_after(60) == charge_after(3 * HOUR)


def test_a_segment_ends_where_the_load_says_so():
    switched = Switched()
    switched.until_then = MIDNIGHT + 1000
    power = at_greenwich(draw=switched)
    assert power.at(MIDNIGHT + 999).watts == 12
    assert power.at(MIDNIGHT + 1000).watts == 0
    for since in range(0, 3600, 100):
        segment = power.at(MIDNIGHT + since)
        assert segment.begin <= MIDNIGHT + since < segment.end
        assert segment.end - segment.begin <= LONGEST_SEGMENT_S


def test_the_controller_cuts_off_and_gives_back():
    draw = SteadyDraw(6.0)
    energy = section(disconnect="11.9 V", reconnect="12.9 V", panel="30 W")
    power = at_greenwich(draw=draw, energy=energy, weather="dull-week")
    segments = [power.at(MIDNIGHT + since) for since in range(0, 15 * round(DAY_S), 300)]
    cut = [a.volts for a, b in itertools.pairwise(segments) if a.connected and not b.connected]
    back = [a.volts for a, b in itertools.pairwise(segments) if b.connected and not a.connected]
    assert cut
    assert back
    assert max(cut) < 11.9
    assert min(back) > 12.9
    assert all(s.watts == (6.0 if s.connected else 0.0) for s in segments)


@pytest.mark.parametrize("limits", [{}, {"disconnect": "11.4 V", "reconnect": "12.6 V"}])
@pytest.mark.parametrize(("weather", "air"), [("dull-week", 15.0), ("dull-week", -15.0)])
@pytest.mark.parametrize("watts", [0.3, 6.0])
def test_no_more_comes_out_in_ten_days_than_was_there_and_came_in(limits, weather, air, watts):
    power = at_greenwich(
        draw=SteadyDraw(watts), energy=section(panel="10 W", **limits), weather=weather, air=air
    )
    segments = [power.at(MIDNIGHT + since) for since in range(0, 10 * round(DAY_S), 300)]
    hours = [(one.end - one.begin) / HOUR for one in segments]
    drawn = sum(one.watts / one.volts * h for one, h in zip(segments, hours, strict=True))
    given = sum(one.panel_w / one.volts * h for one, h in zip(segments, hours, strict=True))
    stored = 40.0 * (segments[0].charge - segments[-1].charge)
    # A slow discharge gives a tenth more than the rated capacity.
    assert drawn <= 1.1 * max(0.0, stored + given) + 0.1


def test_before_the_start_it_is_as_at_the_start():
    power = at_greenwich()
    assert power.battery_v(MIDNIGHT - DAY_S) == power.battery_v(MIDNIGHT)


def test_what_is_long_past_is_forgotten():
    power = at_greenwich()
    day_one = power.charge(MIDNIGHT + DAY_S)
    for days in range(0, 130, 5):
        power.at(MIDNIGHT + days * DAY_S)
    assert len(power._segments) <= 2 * 60 * 288 + 1
    assert power.charge(MIDNIGHT + DAY_S) != day_one


def test_a_long_leap_leads_to_about_the_same_without_every_step_of_the_way():
    leaping, walking = at_greenwich(), at_greenwich()
    for days in range(70):
        walking.at(MIDNIGHT + days * DAY_S)
    there = MIDNIGHT + 70 * DAY_S + 1234
    leaping.at(there)
    assert len(leaping._segments) < 11 * 288
    assert leaping.at(there).begin == walking.at(there).begin
    assert leaping.charge(there) == pytest.approx(walking.charge(there), abs=0.03)
