import pytest

from edge.field.assembly import poll_once
from edge.station.loader import load
from edge.status import Quality
from hw_fakes.clock import ScaledClock
from hw_fakes.hardware import Hardware
from hw_fakes.world import World
from tests.stations import CONFIG, MARCH, TANK, WATCHED


@pytest.fixture(params=sorted(CONFIG.glob("*.toml")), ids=lambda path: path.stem)
async def simulated(request, tmp_path):
    """An example's measuring room after one poll of its simulated hardware, and the world."""
    world, clock = World(1, MARCH), ScaledClock(MARCH, 1000)
    async with Hardware(load(request.param), world, clock, tmp_path) as hardware:
        station = hardware.station
        samples = await poll_once(station, clock, set(station.measured))
        room = station.room()
        room.take([(sample, True) for sample in samples.values()])
        yield request.param, room, world


def numbers(room):
    return {
        series.name: value.number for name in room.channels for series, value in room.latest(name)
    }


async def test_what_is_computed_from_the_hardware_is_what_the_world_has(simulated):
    path, room, world = simulated
    found = numbers(room)
    if path == WATCHED:
        assert found["well.submergence"] == pytest.approx(world.level_m(MARCH), abs=0.01)
        assert found["water"] == pytest.approx(world.water_temperature_c(MARCH), abs=0.01)
        assert found["air"] == pytest.approx(world.barometer_pa(MARCH), abs=10)
        assert found["stage"] == pytest.approx(world.stream_head_m(MARCH), abs=0.005)
    elif path == TANK:
        assert found["depth"] == pytest.approx(world.tank_m(MARCH), abs=0.01)
        assert found["tank.volume"] == pytest.approx(found["depth"] * 36 * 3.14159265, rel=1e-6)
    else:
        depth = 165 * 0.3048 - world.level_m(MARCH)
        assert found["well.depth_to_water"] == pytest.approx(depth, abs=0.01)


async def test_nothing_is_bad_but_what_is_getting_ready(simulated):
    _, room, _ = simulated
    bad = [
        value.reason.slug
        for name in room.channels
        for _, value in room.latest(name)
        if value.reason.quality is Quality.BAD
    ]
    assert set(bad) <= {"no-earlier-count", "silent", "input-too-old", "no-input-yet"}
