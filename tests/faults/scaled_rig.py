"""The rig of a station that lives faster than in life: its field, its link, its office.

The field is a Modbus TCP device in this process. One of its values is the true time itself, so
that every reading of that channel says when it was really taken; others are levels; and there is a
meter, whose counter goes on while the station is down. It begins to count when it is first read,
and is held at the end, so that what the station has counted can be compared to the pulse.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from edge.readings import Journalled
from hw_fakes.modbus_device import TcpSlave
from hw_fakes.modbus_unit import ModbusUnit
from hw_fakes.startable import Startable
from tests.faults.audit import Audit, audit
from tests.faults.ledger import Ledger
from tests.faults.meter_station import (
    LEVELS_AT,
    METER_AT,
    PULSES_A_CUBIC_METRE,
    STATION,
    TOTAL,
    TRUTH,
    TRUTH_AT,
    station_file,
)
from tests.faults.office import Office
from tests.faults.process import StationProcess
from tests.faults.scaled_station import Conditions
from tests.faults.scaled_time import TrueTime

_LEVELS = 3

# Of the meter: pulses a second of the world, and what its counter can show.
_PULSES_A_SECOND = 0.5
_COUNTER = 1 << 32

# Generous: on a busy machine everything takes its time. In real seconds.
_ARRIVES_WITHIN_S = 60.0
_CLOSING_RUNS = 3


class ScaledRig(Startable):
    """A station at ``speed`` times the pace of life, and everything around it.

    ``directory`` must exist and be the rig's own; the journal lies there too, unless said where.
    """

    def __init__(
        self,
        directory: Path,
        speed: float,
        *,
        sample: str = "1 min",
        publish: str = "2 min",
        journal: Path | None = None,
    ) -> None:
        self.world = TrueTime.beginning_now(speed)
        self.journal = journal or directory / "well.sqlite"
        self.office = Office(STATION, directory)
        self.process: StationProcess | None = None
        """The station's latest run."""
        self._file = directory / "well.toml"
        self._sample, self._publish = sample, publish
        self._conditions = Conditions(str(self._file), str(self.journal), 0.0, speed)
        self._first_read: float | None = None
        self._held: float | None = None
        self._orders: asyncio.StreamWriter | None = None
        self._undo = contextlib.AsyncExitStack()

    async def start(self) -> None:
        """Start office and field; not the station."""
        async with contextlib.AsyncExitStack() as stack:
            await stack.enter_async_context(self.office)
            field = TcpSlave([self._panel()])
            await field.start()
            stack.push_async_callback(field.stop)
            self._write_file(field.port)
            self.world = TrueTime.beginning_now(self.world.speed)
            self._conditions = replace(self._conditions, began=self.world.began)
            stack.push_async_callback(self._clear_station_away)
            self._undo = stack.pop_all()

    async def stop(self) -> None:
        """End everything, whatever state it is in."""
        await self._undo.aclose()

    async def run_station(self, **conditions: object) -> StationProcess:
        """Start the station on such `Conditions`; return when it runs. Raises EndedError."""
        with_these = replace(self._conditions, **conditions)
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tests.faults.scaled_station", with_these.as_argument(),
            stdin=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            start_new_session=True,
        )  # fmt: skip
        self._orders = process.stdin
        self.process = StationProcess(process)
        await self.process.until_running()
        return self.process

    def tell(self, order: str) -> None:
        """Give the station's computer an order; see `tests.faults.scaled_station`."""
        assert self._orders
        self._orders.write(f"{order}\n".encode())

    def taken_at(self, reading: Journalled) -> float:
        """Return when a reading of the true time was taken, in seconds since the world began."""
        assert reading.series == TRUTH
        assert reading.value is not None
        return reading.value / 10

    async def news(self, within_s: float = _ARRIVES_WITHIN_S) -> bool:
        """Wait until a reading taken after this call has arrived; False when none does."""
        now = self.world.seconds()

        def there() -> bool:
            latest = self.office.arrivals.latest.get(TRUTH)
            total = self.office.arrivals.latest.get(TOTAL)
            return bool(
                latest
                and total
                and latest.value is not None
                and self.taken_at(latest) > now
                and total.utc_ms >= latest.utc_ms
            )

        return await self.office.arrivals.until(there, within_s)

    @property
    def pulses(self) -> int:
        """Pulses that the meter has given so far."""
        if self._first_read is None:
            return 0
        until = self.world.seconds() if self._held is None else self._held
        return int(_PULSES_A_SECOND * (until - self._first_read))

    async def settle(self, conditions: Mapping[str, object]) -> Audit:
        """Hold the meter, let the running station say the last of it, stop it, and compare.

        What could not be sent in time is given another run of the station, on such conditions.
        """
        self._held = self.world.seconds()
        for _ in range(_CLOSING_RUNS):
            assert self.process
            await self.news()
            await self.process.stop()
            await self.office.receiver.catch_up()
            found = await asyncio.to_thread(audit, self.journal, self.office.arrivals.readings)
            if not found.unsent:
                break
            await self.run_station(**conditions)
        return found

    async def close(self, ledger: Ledger, **conditions: object) -> None:
        """`settle`, and enter what is found; sums up where the ledger has entries already."""
        found = await self.settle(conditions)
        arrived = len(self.office.arrivals.readings)
        # Where room was needed, readings went from the journal once they were sent.
        let_go = arrived - found.unknown - (found.journalled - found.lost)
        ledger.journalled += found.journalled + let_go
        ledger.arrived += arrived
        ledger.lost += found.lost
        ledger.doubled += self.office.arrivals.doubled
        total = self.office.arrivals.latest.get(TOTAL)
        counted = (
            round(PULSES_A_CUBIC_METRE * total.value) if total and total.value is not None else 0
        )
        ledger.pulses_lost += self.pulses - counted
        ledger.complaints += found.complaints()

    def _panel(self) -> ModbusUnit:
        unit = ModbusUnit(1)
        unit.place("input", TRUTH_AT, 2, lambda: divmod(round(10 * self.world.seconds()), 1 << 16))
        unit.place("input", METER_AT, 2, self._counter)
        for n in range(_LEVELS):
            unit.place("input", LEVELS_AT + n, 1, lambda n=n: [20_000 + n + self.pulses % 1000])
        return unit

    def _counter(self) -> tuple[int, int]:
        if self._first_read is None:
            self._first_read = self.world.seconds()
        return divmod(self.pulses % _COUNTER, 1 << 16)

    def _write_file(self, panel: int) -> None:
        text = station_file(
            panel=panel,
            link=self.office.link.port,
            sample=self._sample,
            publish=self._publish,
            levels=_LEVELS,
        )
        self._file.write_text(text, encoding="utf-8")

    async def _clear_station_away(self) -> None:
        if self.process:
            await self.process.clear_away()
