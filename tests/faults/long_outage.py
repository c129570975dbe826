"""A link that is down for days: how the backlog is kept, and how it leaves when the link is back.

The station's process plays ``count`` days in a few seconds each, eight readings a minute, with its
own code and a commit a round (`tests.faults.outage_station`), while the link refuses connections.
Then the link is good again, to a real broker with a receiver, and time goes at the pace of life.
The newest reading must not wait for the backlog, all of it must arrive once, in spite of a SIGKILL
and a SIGTERM in the midst of it, and memory must stay within the budget throughout.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
import time
from pathlib import Path

from tests.faults.audit import audit
from tests.faults.ledger import Ledger
from tests.faults.meter_station import PULSES_A_CUBIC_METRE, STATION, TOTAL, TRUTH, station_file
from tests.faults.office import Office
from tests.faults.outage_station import PULSES_A_ROUND, Course
from tests.faults.process import StationProcess
from tests.faults.scaled_time import START
from tests.faults.scenario import Progress, Scenario

_LEVELS = 5
_MINUTES_A_DAY = 1440
_MEMORY_BUDGET_MIB = 48

# How long anything may take, in real seconds.
_PATIENCE_S = 900.0

# A restart takes this many seconds and rounds of the station's, counted generously: its counters
# and its clock have gone on meanwhile.
_DOWN_S = 20_000

# When so much of the backlog has arrived, the station is restarted.
_RESTART_AT = (0.3, 0.6)

# The rounds that may be on their way while the last of the backlog arrives, in readings.
_LIVE = 200

_CLOSING_RUNS = 3
_ROUNDS_UNTIL_SEEN = 3


class _Run:
    """One process of the station, and what it says of itself."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.station = StationProcess(process)
        self._process = process

    @classmethod
    async def start(cls, course: Course, environment: dict[str, str]) -> _Run:
        return cls(
            await asyncio.create_subprocess_exec(
                sys.executable, "-m", "tests.faults.outage_station", course.as_argument(),
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.PIPE,
                start_new_session=True,
                env=environment,
            )
        )  # fmt: skip

    async def says(self) -> dict[str, float]:
        """Return the next thing it says. Raises EndedError when it has ended instead."""
        assert self._process.stdout
        async with asyncio.timeout(_PATIENCE_S):
            line = await self._process.stdout.readline()
        if not line:
            await self.station.until_running()
            raise RuntimeError(f"it said no more: {list(self.station.said)[-3:]}")
        return dict(json.loads(line))

    def peak_mib(self) -> float:
        """Return the most memory it has had resident so far, in MiB."""
        for line in Path(f"/proc/{self.station.pid}/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1024
        raise LookupError("VmHWM")


class _Outage:
    """The whole course, with what it has shown so far."""

    def __init__(self, directory: Path, office: Office, days: int) -> None:
        self.journal = directory / "well.sqlite"
        self.peak_mib = 0.0
        self._office = office
        self._file = directory / "well.toml"
        # As the installed service runs; it is a matter of some MiB, and so is compiling.
        self._environment = os.environ | {
            "PYTHONOPTIMIZE": "2",
            "PYTHONPYCACHEPREFIX": str(directory / "compiled"),
            "PYTHONDONTWRITEBYTECODE": "",
        }
        self._rounds = days * _MINUTES_A_DAY
        self._starts = 0
        self._run: _Run | None = None
        link = office.link.port
        text = station_file(panel=502, link=link, sample="1 min", publish="5 s", levels=_LEVELS)
        self._file.write_text(text, encoding="utf-8")

    async def compile(self) -> None:
        """Compile what the station imports, so that no run of it has to."""
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", "import tests.faults.outage_station", env=self._environment
        )
        await process.wait()

    async def start(self) -> _Run:
        """Start the station: for the outage the first time, later for life after it."""
        later = self._starts
        start_s = self._rounds * 60 + later * _DOWN_S if later else 0
        course = Course(
            str(self._file),
            str(self.journal),
            START + 1000 * start_s,
            self._rounds + later * _DOWN_S if later else 0,
            0 if later else self._rounds,
        )
        self._starts += 1
        self._run = await _Run.start(course, self._environment)
        return self._run

    async def end(self, *, kill: bool) -> None:
        """End the station, having looked at its memory."""
        assert self._run
        self.peak_mib = max(self.peak_mib, self._run.peak_mib())
        if kill:
            await self._run.station.kill()
        else:
            await self._run.station.stop()

    async def clear_away(self) -> None:
        if self._run:
            await self._run.station.clear_away()


async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    """Be without a link for ``count`` days."""
    ledger = Ledger("long-outage", count)
    async with Office(STATION, directory) as office:
        outage = _Outage(directory, office, count)
        try:
            await _through(outage, office, ledger, progress)
        finally:
            await outage.clear_away()
    return ledger


async def _through(outage: _Outage, office: Office, ledger: Ledger, progress: Progress) -> None:
    arrivals = office.arrivals
    await office.link.cut()
    await outage.compile()
    progress(f"{ledger.count} days without a link ...")
    station = await outage.start()
    costs = await station.says()
    backlog = int(costs["rounds"]) * (_LEVELS + 3)
    ledger.measures |= {
        "days": ledger.count,
        "readings_a_round": _LEVELS + 3,
        "cpu_us_a_round_at_first": costs["first_us"],
        "cpu_us_a_round_at_last": costs["last_us"],
        "journal_mib": outage.journal.stat().st_size / 2**20,
        "memory_peak_before_reconnecting_mib": station.peak_mib(),
    }
    progress("the link is good again ...")
    await office.link.restore()
    newest = (await station.says())["newest_when_reached"]
    began = time.monotonic()

    def live() -> bool:
        # It takes the station a moment to see that it is connected; it has gone on by then.
        return _newest(office) > newest - _ROUNDS_UNTIL_SEEN * (_LEVELS + 3)

    if not await arrivals.until(live, _PATIENCE_S):
        ledger.complaints.append("no live reading has arrived")
    ledger.measures["live_reading_after_s"] = round(time.monotonic() - began, 3)
    ledger.measures["arrived_with_or_before_it"] = len(arrivals.readings)
    pauses: list[float] = []
    watching = asyncio.create_task(_watch(office, pauses))
    restarted_at = []
    for share, kill in zip(_RESTART_AT, (True, False), strict=True):
        await arrivals.until(
            lambda share=share: len(arrivals.readings) > share * backlog, _PATIENCE_S
        )
        restarted_at.append(len(arrivals.readings))
        progress(f"{len(arrivals.readings)} of {backlog} have arrived; restarting the station ...")
        await outage.end(kill=kill)
        station = await outage.start()
        await station.says()  # its costs: there are none
        await station.says()  # the broker is reached
    if not await arrivals.until(lambda: _drained(office), _PATIENCE_S):
        ledger.complaints.append("the backlog has not drained")
    drained = time.monotonic() - began
    watching.cancel()
    await outage.end(kill=False)
    await _compare(outage, office, ledger)
    ledger.measures |= {
        "backlog": backlog,
        "backlog_drained_after_s": drained,
        "backlog_readings_a_second": backlog / drained,
        "longest_wait_for_live_s": max(pauses, default=0.0),
        "restarts_while_draining": len(restarted_at),
        "restarted_after_readings": restarted_at,
        "duplicates_recognised": sum(
            books.duplicates for books in office.receiver.library.books.values()
        ),
        "memory_peak_mib": outage.peak_mib,
        "memory_budget_mib": _MEMORY_BUDGET_MIB,
    }
    if outage.peak_mib > _MEMORY_BUDGET_MIB:
        ledger.complaints.append(
            f"memory peak {outage.peak_mib:.1f} MiB, budget {_MEMORY_BUDGET_MIB} MiB"
        )


async def _compare(outage: _Outage, office: Office, ledger: Ledger) -> None:
    """Hold the journal against what arrived; what was not sent in time gets another run."""
    arrivals = office.arrivals
    for _ in range(_CLOSING_RUNS):
        await office.receiver.catch_up()
        found = await asyncio.to_thread(audit, outage.journal, arrivals.readings)
        if not found.unsent:
            break
        station = await outage.start()
        await station.says()
        await station.says()
        await outage.end(kill=False)
    total, truth = arrivals.latest[TOTAL].value, arrivals.latest[TRUTH].value
    assert total is not None
    assert truth is not None
    ledger.journalled, ledger.arrived = found.journalled, len(arrivals.readings)
    ledger.lost, ledger.doubled = found.lost, arrivals.doubled
    ledger.pulses_lost = round(truth) * PULSES_A_ROUND - round(total * PULSES_A_CUBIC_METRE)
    ledger.complaints += found.complaints()


def _newest(office: Office) -> int:
    newest = office.arrivals.latest.get(TRUTH)
    return newest.seq if newest else 0


async def _watch(office: Office, pauses: list[float]) -> None:
    """Note, for ever, how long it took until something newer arrived than ever before."""
    since = time.monotonic()
    while True:
        newest = _newest(office)
        await office.arrivals.until(lambda newest=newest: _newest(office) > newest, _PATIENCE_S)
        pauses.append(time.monotonic() - since)
        since = time.monotonic()


def _drained(office: Office) -> bool:
    """Tell whether all but what was read in the last moments has arrived."""
    return len(office.arrivals.readings) > _newest(office) - _LIVE


SCENARIO = Scenario(
    name="long-outage",
    about="COUNT days without a link, then all of the backlog, with restarts in the midst",
    default_count=2,
    run=run,
)
