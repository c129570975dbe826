"""A station in a process of its own that lives faster than in life, on a clock that may be wrong.

``python -m tests.faults.scaled_station CONDITIONS`` runs the daemon on the conditions given as a
JSON object (`Conditions`). On its standard input it takes, a line each: ``error MS`` (the wall
clock is now that far ahead of the true time), ``synchronised`` and ``unsynchronised`` (what the
kernel says of its clock). SIGTERM ends it, as it does the real one.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from random import Random

from edge.commands.common import stop_on_signals
from edge.daemon import Daemon
from edge.host.logs import set_up_logs
from edge.journal import writer
from edge.journal.journal import Journal
from edge.station.loader import load
from edge.uplink.settings import broker_settings
from tests.faults.scaled_time import TrueTime, WrongClock


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a run of the station finds when it starts."""

    file: str
    journal: str
    began: float
    speed: float
    booted: float = 0.0
    boot: str = "first-boot"
    error_ms: int = 0
    synchronised: bool = True
    most_held: int = 0
    """How many readings may wait in memory; 0 for what the daemon allows itself."""

    def as_argument(self) -> str:
        return json.dumps(asdict(self))


class HostTime:
    """What the computer knows of its clock (`edge.host.station_clock.HostTime`)."""

    def __init__(self, boot: str, *, synchronised: bool) -> None:
        self.boot = boot
        self.is_synchronised = synchronised

    def synchronised(self) -> bool:
        return self.is_synchronised


async def run(conditions: Conditions) -> None:
    """Run the daemon until told to stop."""
    world = TrueTime(conditions.began, conditions.speed)
    clock = WrongClock(world, conditions.booted, conditions.error_ms)
    host = HostTime(conditions.boot, synchronised=conditions.synchronised)
    file = Path(conditions.file)
    station = load(file)
    daemon = Daemon(
        station,
        Journal(Path(conditions.journal), station.series()),
        broker_settings(station, file, os.environ),
        clock=clock,
        environ={},
        rng=Random(conditions.boot),
        host_time=host,
    )
    orders = asyncio.create_task(_obey(clock, host))
    await daemon.run(stop_on_signals())
    orders.cancel()


async def _obey(clock: WrongClock, host: HostTime) -> None:
    lines = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    async for line in lines:
        match line.decode().split():
            case ["error", milliseconds]:
                clock.error_ms = int(milliseconds)
            case ["synchronised"]:
                host.is_synchronised = True
            case ["unsynchronised"]:
                host.is_synchronised = False


if __name__ == "__main__":
    set_up_logs("json")
    given = Conditions(**json.loads(sys.argv[1]))
    if given.most_held:
        writer._MOST_HELD = given.most_held
    asyncio.run(run(given))
