import itertools

import pytest

from hw_fakes.world import World

START = 1_772_348_400_000  # 2026-03-01 07:00 UTC, midnight at the Ash Creek wells
HOUR, DAY = 3_600_000, 86_400_000
QUANTITIES = (
    "level_m",
    "flow_m3s",
    "volume_m3",
    "battery_v",
    "panel_v",
    "temperature_c",
    "discharge_pa",
)


def everything(world, t_ms):
    return {name: getattr(world, name)(t_ms) for name in QUANTITIES}


def test_the_same_seed_gives_the_same_world_in_any_order():
    instants = [START + hours * HOUR for hours in range(0, 30 * 24, 5)]
    one, other = World(7, START), World(7, START)
    there = [everything(one, t) for t in instants]
    assert [everything(other, t) for t in reversed(instants)] == there[::-1]


def test_another_seed_gives_another_world():
    t = START + 5 * DAY
    one, other = everything(World(1, START), t), everything(World(2, START), t)
    for name in ("level_m", "volume_m3"):
        assert one[name] != other[name]


def test_the_level_is_the_rest_level_less_the_drawdown():
    world = World(1, START)
    t = START + 2 * DAY
    assert world.level_m(t) == world.static_level_m(t) - world.drawdown_m(t)


def test_the_numbers_of_a_month_are_plausible():
    world = World(3, START)
    for hours in range(30 * 24):
        now = everything(world, START + hours * HOUR + 17_000)
        assert 8 < now["level_m"] < 26
        assert -20 < now["temperature_c"] < 35
        assert 270e3 < now["discharge_pa"] < 360e3
        assert now["flow_m3s"] == 0 or 0.6e-3 < now["flow_m3s"] < 0.9e-3


def test_a_running_pump_raises_the_pressure_behind_it():
    world = World(1, START)
    run = world.runs(START, START + DAY)[0]
    middle = 500 * (run.start + run.end)
    assert world.pump_running(middle)
    assert not world.pump_running(run.end * 1000)
    assert world.discharge_pa(middle) > world.discharge_pa(run.end * 1000) + 50e3


def test_the_flow_falls_where_the_lift_grows():
    # A season apart the rest level differs by more than a metre; a run's own noise averages out.
    world = World(1, START)

    def mean_flow(begin):
        flows = [run.flow for run in world.runs(begin, begin + 20 * DAY)]
        return sum(flows) / len(flows)

    high, low = START + 20 * DAY, START + 205 * DAY
    assert world.static_level_m(high) > world.static_level_m(low) + 0.8
    assert mean_flow(high) > mean_flow(low)


def test_the_rest_level_drifts_slowly():
    world = World(1, START)
    levels = [world.static_level_m(START + minutes * 600_000) for minutes in range(144 * 10)]
    steps = [abs(b - a) for a, b in itertools.pairwise(levels)]
    assert max(steps) < 0.003
    assert max(levels) - min(levels) > 0.02


def test_what_was_pumped_is_flow_times_time():
    world = World(1, START)
    runs = world.runs(START, START + DAY)
    pumped = sum(run.flow * (run.end - run.start) for run in runs)
    assert world.volume_m3(START + DAY) == pytest.approx(pumped, rel=1e-9)
    assert world.volume_m3(START) == 0
