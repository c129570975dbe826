import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import exp1

from hw_fakes.well import DAY_S, Aquifer, PumpedWell, day_schedule

START = 1_772_348_400.0
FLOW = 1e-3


def well(seed=1, flow=FLOW):
    return PumpedWell(seed, START, lambda _start: flow)


def test_theis_worked_through_by_hand():
    # s = Q / (4 pi T) W(u), u = r² S / (4 T t): USGS Water-Supply Paper 1536-E. Chosen so that
    # u = 0.01, where the paper has W = 4.0379; Q / (4 pi T) is 1 m.
    aquifer = Aquifer(transmissivity=1e-3, storativity=1e-3, radius=10.0)
    seconds = 10.0**2 * 1e-3 / (4 * 1e-3 * 0.01)
    assert aquifer.drawdown(4 * math.pi * 1e-3, seconds) == pytest.approx(4.0379, abs=5e-5)
    assert aquifer.drawdown(FLOW, 0.0) == 0.0


def by_superposition(well, now):
    """Theis for every run since the beginning, with nothing taken together."""
    aquifer = Aquifer()

    def drawdown(seconds):
        u = aquifer.radius**2 * aquifer.storativity / (4 * aquifer.transmissivity * seconds)
        return FLOW / (4 * math.pi * aquifer.transmissivity) * exp1(u)

    metres = 0.0
    for run in well.runs(START - 30 * DAY_S, now):
        metres += drawdown(now - run.start)
        if now > run.end:
            metres -= drawdown(now - run.end)
    return metres


@pytest.mark.parametrize("days", [-6.5, 0.02, 0.5, 1.3, 3.7, 9.1, 29.9])
def test_drawdown_is_theis_superposed_over_all_runs(days):
    one = well()
    now = START + days * DAY_S
    assert one.drawdown(now) == pytest.approx(by_superposition(one, now), abs=2e-4)


def test_drawdown_has_no_steps_where_a_day_is_first_seen_from_afar():
    one = well()
    for day in range(1, 40):
        midnight = (math.floor(START / DAY_S) + day) * DAY_S
        assert abs(one.drawdown(midnight - 0.1) - one.drawdown(midnight + 0.1)) < 2e-4


def test_the_water_falls_while_the_pump_runs_and_recovers_afterwards():
    one = well()
    run = one.runs(START, START + DAY_S)[0]
    falling = [one.drawdown(run.start + s) for s in (0, 20, 60, 600, run.end - run.start)]
    assert falling == sorted(falling)
    assert falling[-1] - falling[0] > 3
    rising = [one.drawdown(run.end + s) for s in (0, 20, 60, 600, 3600)]
    assert rising == sorted(rising, reverse=True)


@given(st.integers(0, 1000), st.floats(0, 40 * DAY_S), st.floats(0, 40 * DAY_S))
def test_the_volume_never_goes_back(seed, one, other):
    a_well = well(seed)
    early, late = sorted((one, other))
    assert 0 <= a_well.volume(START + early) <= a_well.volume(START + late)


def test_the_volume_is_the_integral_of_the_flow():
    one = well()
    end = START + 3 * DAY_S
    expected = sum(r.flow * (r.end - r.start) for r in one.runs(START, end) if r.end <= end)
    assert one.volume(end) == pytest.approx(expected, rel=1e-12)
    run = one.runs(START, end)[2]
    middle = (run.start + run.end) / 2
    gained = one.volume(middle) - one.volume(run.start)
    assert gained == pytest.approx(FLOW * (middle - run.start), rel=1e-9)
    assert one.flow(middle) == FLOW
    assert one.flow(run.end) == 0


def test_instants_may_be_asked_for_in_any_order():
    instants = [START + hours * 3600 for hours in range(0, 30 * 24, 7)]
    forwards, backwards = well(), well()
    there = [(forwards.drawdown(t), forwards.volume(t), forwards.flow(t)) for t in instants]
    back = [(backwards.drawdown(t), backwards.volume(t), backwards.flow(t)) for t in instants[::-1]]
    assert there == back[::-1]


def test_nothing_has_happened_before_the_history_begins():
    one = well()
    long_ago = START - 300 * DAY_S
    assert (one.drawdown(long_ago), one.flow(long_ago)) == (0.0, 0.0)


def test_a_pump_that_yields_nothing():
    idle = well(flow=0.0)
    now = START + 10 * DAY_S
    assert (idle.drawdown(now), idle.volume(now), idle.flow(now)) == (0.0, 0.0, 0.0)


@given(st.integers(0, 10**6), st.integers(0, 40_000))
def test_a_day_has_a_few_runs_that_neither_overlap_nor_leave_it(seed, day):
    runs = day_schedule(seed, day)
    assert runs == day_schedule(seed, day)
    assert 4 <= len(runs) <= 6
    instants = [instant for run in runs for instant in run]
    assert instants == sorted(instants)
    assert day * DAY_S < instants[0]
    assert instants[-1] < (day + 1) * DAY_S
    assert all(end - start >= 600 for start, end in runs)


@given(st.integers(0, 1000))
def test_the_pump_rests_at_the_start(seed):
    one = well(seed)
    assert all(one.flow(START + minutes * 60) == 0 for minutes in range(20))
    assert one.volume(START + 1200) == 0
    assert one.volume(START + DAY_S) > 0


def test_the_water_never_moves_faster_than_a_few_centimetres_a_second():
    one = well()
    run = one.runs(START, START + DAY_S)[0]
    for begin in (run.start, run.end):
        by_second = [one.drawdown(begin + second) for second in range(-5, 300)]
        assert max(abs(b - a) for a, b in itertools.pairwise(by_second)) < 0.06
