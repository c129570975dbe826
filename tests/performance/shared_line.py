"""A shared RS-485 line in real time: a dead unit among five, and an adapter pulled for a while."""

from __future__ import annotations

import asyncio
from collections import Counter
from pathlib import Path

from edge.clock import SystemClock
from edge.field.assembly import make_field
from edge.status import Reason
from hw_fakes.faults import FaultKind
from hw_fakes.modbus_device import RtuSlave
from hw_fakes.modbus_unit import ModbusUnit
from hw_fakes.ports import PtyPort
from tests.performance.figures import Figure
from tests.stations import five_units

UNITS = range(1, 6)
AWAY_S = 30


class Line:
    """Five units on a pty, polled every second."""

    def __init__(self, directory: Path, name: str) -> None:
        self.port = PtyPort(directory / name)
        self.port.plug()
        self.units = [ModbusUnit(number) for number in UNITS]
        for unit in self.units:
            unit.place("input", 0, 1, lambda: [1])
        self.slave = RtuSlave(self.port, self.units)
        self.rounds: list[dict[str, Reason]] = []
        station = five_units(self.port.path, "300 ms")
        self.task = make_field(station, SystemClock(), self._take).buses["rs485"]
        self.running = asyncio.create_task(self.task.run())

    def _take(self, samples) -> None:
        self.rounds.append({sample.channel: sample.reason for sample, _ in samples})

    async def close(self) -> None:
        self.running.cancel()
        await asyncio.gather(self.running, return_exceptions=True)
        self.slave.close()
        self.port.unplug()


async def dead_unit(directory: Path, seconds: int) -> list[Figure]:
    line = Line(directory, "dead-unit")
    line.units[2].faults.set(FaultKind.DEAD)
    await asyncio.sleep(seconds + 0.5)
    good = Counter(c for r in line.rounds for c, reason in r.items() if reason is Reason.OK)
    kept = min(good[f"c{n}"] for n in UNITS if n != 3)
    # Of so many slots that fell due, not of so many seconds: the span may hold one slot more.
    scheduled = len(line.rounds) + line.task.counts.slots_passed_over
    how = f"one of five units dead, 300 ms time-out, 1 s schedule, {scheduled} slots"
    figures = [
        Figure(
            "scheduled polls kept by the worst of the live four", 100 * kept / scheduled, "%", how
        ),
        Figure("tries spent on the dead unit", line.task.counts.polls["u3"], "", how),
    ]
    await line.close()
    return figures


async def adapter_away(directory: Path) -> list[Figure]:
    line = Line(directory, "adapter")
    await asyncio.sleep(5.5)
    before = len(line.rounds)
    line.port.unplug()
    await asyncio.sleep(AWAY_S)
    back_at, plugged = len(line.rounds), asyncio.get_running_loop().time()
    line.port.plug()
    while Reason.OK not in line.rounds[-1].values():
        await asyncio.sleep(0.05)
    resumed = asyncio.get_running_loop().time() - plugged
    gap = Counter(reason for r in line.rounds[before:back_at] for reason in r.values())
    how = f"pty taken away for {AWAY_S} s and brought back; reasons in the gap: " + ", ".join(
        f"{reason.slug} x {count}" for reason, count in gap.items()
    )
    figures = [
        Figure("good polls before the adapter went", before, "", how),
        Figure(
            "readings in the gap that are bad for that reason", gap[Reason.PORT_ABSENT], "", how
        ),
        Figure("from plugging in to the first good round", resumed, "s", how),
    ]
    await line.close()
    return figures
