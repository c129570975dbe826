"""Years on the battery, hour by hour."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from edge.energy.battery import LeadAcid
from edge.energy.stages import Effects, Rules, Stage
from edge.plan.year import OFF, Box, StageLoad, days_without_sun, run

MONTHS = np.repeat(np.repeat(np.arange(12), [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]), 24)
WARM = np.full(8760, 25.0)
LEAN = Stage("lean", 12.2, 12.6, 1800.0, Effects(stretch_sampling=4))
DARK = Stage("dark", 12.0, 12.5, 1800.0, Effects(halt=True))


def box(*stages, watts=(6.0, 2.0, 0.5), **more):
    ladder = [None, *stages]
    loads = [
        StageLoad("normal" if one is None else one.name, w, one is not DARK, one is DARK)
        for one, w in zip(ladder, watts, strict=False)
    ]
    return Box(LeadAcid(50.0), Rules(stages), loads, compensated=False, **more)


def sun(amperes, hours=range(9, 15)):
    day = np.zeros(24)
    day[list(hours)] = amperes
    return np.tile(day, 365)


def without(amperes, days):
    dull = amperes.copy()
    dull[days.start * 24 : days.stop * 24] = 0
    return dull


def test_enough_sun():
    went = run(box(LEAN, DARK), sun(4.0), WARM, MONTHS)
    assert went.years == 1
    assert went.loss_of_load == 0
    assert went.days_without_data == 0
    assert went.hours_of(0) == 8760
    # 18 h of 6 W at some 12.5 V are 8.6 of 50 Ah, by a slow rate somewhat less.
    assert went.lowest == pytest.approx(1 - 8.6 / 50 / 1.1, abs=0.03)


def test_dull_days_lead_down_the_ladder_and_back():
    went = run(box(LEAN, DARK), without(sun(4.0), range(100, 112)), WARM, MONTHS)
    stages = [int(place) for place in went.stage[99 * 24 : 125 * 24]]
    visited = [one for one, before in zip(stages, [None, *stages], strict=False) if one != before]
    assert visited[:5] == [0, 1, 2, 1, 0]
    assert went.lost.sum() == stages.count(2)
    assert 0 < went.days_without_data < 12
    # The twelve days are from the 11th to the 22nd of April.
    assert went.hours_of(2, 3) == stages.count(2)
    assert went.lost_of(3) == pytest.approx(stages.count(2) / 720)
    assert went.days_without_data_of(3) == went.days_without_data
    assert went.lowest_of(3) == went.lowest
    assert went.lowest_of(7) > 0.8


def test_a_voltage_an_hour_is_enough_however_soon_it_counts_as_lost():
    dull = without(sun(4.0), range(100, 112))
    calm, hasty = box(LEAN), box(LEAN)
    hasty = replace(hasty, rules=replace(hasty.rules, lost_after=60.0))
    assert run(hasty, dull, WARM, MONTHS).hours_of(1) == run(calm, dull, WARM, MONTHS).hours_of(1)


def test_shedding_load_keeps_the_battery_fuller():
    dull = without(sun(4.0), range(100, 105))
    shed, steadfast = run(box(LEAN), dull, WARM, MONTHS), run(box(), dull, WARM, MONTHS)
    assert shed.lowest > steadfast.lowest + 0.1


def test_a_battery_that_is_empty_feeds_nobody():
    went = run(box(), sun(0.3), WARM, MONTHS)
    assert went.hours_of(OFF) > 4000
    assert went.loss_of_load == pytest.approx(went.hours_of(OFF) / 8760)
    assert went.lowest == pytest.approx(0, abs=0.01)


def test_a_controller_cuts_off_and_gives_back():
    dull = without(sun(4.0), range(100, 112))
    went = run(box(disconnect=12.0, reconnect=12.6), dull, WARM, MONTHS)
    off = np.flatnonzero(went.stage == OFF)
    assert off.size
    assert (np.diff(off) == 1).all()
    # Cut off above empty, and for good until the sun is back.
    assert went.charge[off[0]] > 0.1
    assert off[-1] // 24 in {112, 113}


def test_an_empty_battery_makes_the_controller_cut_off():
    # In the cold it is empty while its voltage at rest is still above where it cuts off.
    cold = np.full(8760, -10.0)
    dull = without(sun(4.0), range(100, 112))
    went = run(box(disconnect=11.0, reconnect=12.6), dull, cold, MONTHS)
    off = np.flatnonzero(went.stage == OFF)
    assert (np.diff(off) == 1).all()
    assert went.charge[off[0]] == pytest.approx(LeadAcid(50.0).empty_at(-10.0), abs=0.01)
    # Without one the computer would start with every morning's sun, and fail with it.
    flickers = np.flatnonzero(run(box(), dull + sun(0.7), cold, MONTHS).stage == OFF)
    assert (np.diff(flickers) > 1).any()


def test_no_more_is_fed_than_there_is():
    # 0.1 A feed a load of 6 W at 11.89 V or more for a fifth of the hours at most.
    went = run(box(), np.full(8760, 0.1), WARM, MONTHS)
    assert went.loss_of_load >= 1 - 0.1 / (6.0 / 12.65)


def test_after_a_cut_the_station_goes_on_where_it_was():
    dull = without(sun(4.0), range(100, 115))
    went = run(box(LEAN, disconnect=12.0, reconnect=12.3), dull, WARM, MONTHS)
    last = int(np.flatnonzero(went.stage == OFF)[-1])
    assert went.stage[last + 1] == 1


def test_a_reconnect_voltage_is_found_where_none_is_given():
    dull = without(sun(4.0), range(100, 112))
    went = run(box(disconnect=12.0), dull, WARM, MONTHS)
    assert 24 < (went.stage == OFF).sum() < 15 * 24


def test_it_begins_as_it_would_end():
    # No sun in December: in January the battery has not forgotten it.
    went = run(box(), without(sun(4.0), range(350, 365)), WARM, MONTHS)
    assert went.charge[0] < 0.1


def test_it_ends_when_too_much_is_lost():
    assert run(box(), sun(0.3), WARM, MONTHS, most_lost=0.01) is None
    assert run(box(), sun(4.0), WARM, MONTHS, most_lost=0.0) is not None


def test_the_worst_years():
    one = sun(4.0)
    amperes = np.concatenate([one, without(one, range(10, 22)), without(one, range(50, 53))])
    went = run(box(), amperes, np.tile(WARM, 3), MONTHS)
    assert went.worst_year == 1
    assert went.hardest_years(2) == [1, 2]


def test_days_without_sun_by_hand():
    # 50 Ah at 0.2 A, slower than the rate of 20 h: 55 Ah, so 11.4 days of 4.8 Ah at 12 V.
    alone = days_without_sun(box(watts=(2.4,)), 25.0)
    assert alone == pytest.approx(50 * 1.1 / (2.4 / 12.25 * 24), rel=0.04)
    assert days_without_sun(box(LEAN, watts=(2.4, 0.6)), 25.0) > alone
    assert days_without_sun(box(watts=(0.0,)), 25.0, most=3) == 3


def test_cold_takes_its_share():
    assert days_without_sun(box(), -10.0) < 0.75 * days_without_sun(box(), 25.0)


@settings(max_examples=4, deadline=None, phases=[Phase.generate])
@given(st.floats(0.5, 3.0), st.integers(0, 1000))
def test_more_sun_never_loses_more(amperes, seed):
    chances = np.repeat(np.random.default_rng(seed).uniform(0, 1, 365), 24)
    less = run(box(), sun(amperes) * chances, WARM, MONTHS)
    more = run(box(), sun(amperes * 1.2) * chances, WARM, MONTHS)
    assert more.loss_of_load <= less.loss_of_load
