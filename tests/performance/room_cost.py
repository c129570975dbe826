"""What the measuring room costs: processor time a value, for each of the example stations."""

from __future__ import annotations

import time
from pathlib import Path

from edge.readings import Sample
from edge.station.loader import load
from hw_fakes.hardware import Hardware
from hw_fakes.world import World
from tests.performance.figures import Figure
from tests.stations import CONFIG, MARCH


def room_costs(directory: Path, rounds: int) -> list[Figure]:
    """Measure one example after another: every channel once a minute for ``rounds`` minutes."""
    return [_cost(directory, file, rounds) for file in sorted(CONFIG.glob("*.toml"))]


def _cost(directory: Path, file: Path, rounds: int) -> Figure:
    station = load(file)
    hardware = Hardware(station, World(1, MARCH), _Standing(), directory)
    samples = [
        [
            (Sample(name, utc_ms, utc_ms / 1000, hardware.raw(name, utc_ms)), True)
            for name in station.measured
        ]
        for utc_ms in range(MARCH, MARCH + rounds * 60_000, 60_000)
    ]
    room = station.room()
    values = rounds * sum(len(one.computation.series) for one in room.channels.values())
    start = time.process_time()
    readings = sum(len(room.take(round_).readings) for round_ in samples)
    spent = time.process_time() - start
    return Figure(
        f"measuring room, {file.stem}",
        1e6 * spent / values,
        "us",
        f"CPU a value; {values} values of {len(room.channels)} channels, {readings} readings",
    )


class _Standing:
    """A clock nobody looks at: the samples are made beforehand."""

    def utc_ms(self) -> int:
        return MARCH

    def monotonic(self) -> float:
        return 0.0

    async def sleep(self, seconds: float) -> None:
        raise NotImplementedError
