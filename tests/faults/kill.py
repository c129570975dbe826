"""SIGKILL at any instant: at work, in the start, and while the first journal is being laid out.

Theory of operation. A station lives through some two dozen kills, then is brought to rest and
audited; then a new one begins with no journal. Several live at the same time. Between a kill and
the next start it is down for up to two seconds, while the counters in the field go on. For some of
the time the link is cut or hangs, so that there is a backlog as well.

A kill strikes in one of four phases: *new*, when a journal has just appeared where there was none;
*start*, at any instant of the start; *work*, at any instant after it; *delivery*, while packs are
under way, stuck in the link or arrived and unacknowledged. It strikes the daemon with its children,
as a power cut does, or, in one of three, the daemon alone, as the kernel does when memory is short.

What it does not show: what the disk would have lost with its power. See the scenario power-cut.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from tests.faults.audit import hot_wal
from tests.faults.ledger import Ledger
from tests.faults.process import StationProcess
from tests.faults.scenario import Progress, Scenario
from tests.faults.station import Rig
from tests.faults.stations import in_stations

_KILLS_A_LIFE = 25
_LIVES_TOGETHER = 6
_KILLS_OF_A_NEW_ONE = 2

# In seconds: the longest time down; how long after a start a kill of the phase "start" may come
# (on a free processor a start takes 0.8 s); how long after it one of the phase "work" may; how long
# after a journal has appeared one of the phase "new" may, and after packs are under way one of the
# phase "delivery".
_LONGEST_DOWN_S = 2.0
_START_S = 1.2
_WORK_S = 2.0
_NEW_S = 0.3
_UNDER_WAY_S = 0.6

# The phases of a station that has been met, and how often they come up.
_LATER = {"start": 6, "work": 9, "delivery": 5}
_SHARE_OF_DAEMON_ALONE = 1 / 3
_SHARE_OF_LINK_FAILURES = 0.4
_SHARE_OF_RESTORATIONS = 0.6
_SHARE_OF_CUTS = 0.6
_SHARE_OF_ARRIVALS = 0.4

_REPORT_EVERY = 25

_LOOKS_FOR_JOURNAL_EVERY_S = 0.002
_JOURNAL_APPEARS_WITHIN_S = 20.0
_PUBLISHES_WITHIN_S = 20.0


@dataclass(slots=True)
class _Tally:
    """What has been done so far, over all stations."""

    kills: dict[str, int] = field(default_factory=lambda: dict.fromkeys(("new", *_LATER), 0))
    alone: int = 0
    hot: int = 0
    link_failures: int = 0
    down_s: list[float] = field(default_factory=list)


class _Life:
    """One station from its first start to its audit."""

    def __init__(self, rig: Rig, rng: Random, tally: _Tally) -> None:
        self._rig = rig
        self._rng = rng
        self._tally = tally

    async def be_killed(self, phase: str) -> None:
        """Start the station, kill it in a phase of its life, and leave it down for a while."""
        rng, tally = self._rng, self._tally
        process = await self._started()
        if phase == "new":
            await self._journal_appears()
            await asyncio.sleep(rng.uniform(0, _NEW_S))
        elif phase == "start":
            await self._change_link()
            await asyncio.sleep(rng.uniform(0, _START_S))
        elif phase == "work":
            await process.until_running()
            await self._change_link()
            await asyncio.sleep(rng.uniform(0, _WORK_S))
        else:
            await self._packs_under_way()
            await asyncio.sleep(rng.uniform(0, _UNDER_WAY_S))
        alone = rng.random() < _SHARE_OF_DAEMON_ALONE
        await process.kill(children=not alone)
        tally.kills[phase] += 1
        tally.alone += alone
        if phase == "delivery":
            # What is stuck in the link is gone for good.
            await self._rig.link.cut()
        down = rng.uniform(0, _LONGEST_DOWN_S)
        tally.down_s.append(down)
        await asyncio.sleep(down)

    async def be_met(self) -> None:
        """Start the station and wait for its first total, then let the field's time go on."""
        await self._started()
        await self._rig.news()
        self._rig.let_flow()

    async def go_on(self) -> None:
        """Start the station for good, with a sound link."""
        await self._rig.link.restore()
        process = await self._started()
        await process.until_running()

    async def _started(self) -> StationProcess:
        rig = self._rig
        if rig.process is None or not rig.process.alive:
            self._tally.hot += hot_wal(rig.journal)
            return await rig.start_station()
        return rig.process

    async def _change_link(self) -> None:
        """Now and then, do something to the link, or undo it."""
        link, rng = self._rig.link, self._rng
        if link.is_cut or link.is_hung:
            if rng.random() < _SHARE_OF_RESTORATIONS:
                await link.restore()
        elif rng.random() < _SHARE_OF_LINK_FAILURES:
            self._tally.link_failures += 1
            if rng.random() < _SHARE_OF_CUTS:
                await link.cut()
            else:
                link.hang()

    async def _packs_under_way(self) -> None:
        """Let the station publish, and let what it publishes get stuck, or its acknowledgements."""
        link, rng = self._rig.link, self._rng
        await link.restore()
        await self._rig.news()
        async with asyncio.timeout(_PUBLISHES_WITHIN_S):
            if rng.random() < _SHARE_OF_ARRIVALS:
                link.hang(replies_only=True)
                await link.until_under_way()
            else:
                await link.stop_in_packet(rng.random())

    async def _journal_appears(self) -> None:
        async with asyncio.timeout(_JOURNAL_APPEARS_WITHIN_S):
            while not self._rig.journal.exists():  # noqa: ASYNC110 - a file makes no event
                await asyncio.sleep(_LOOKS_FOR_JOURNAL_EVERY_S)

    def phases(self, kills: int) -> tuple[list[str], list[str]]:
        """Return in which phases the kills come, in order: before the station is met, and after."""
        new = min(_KILLS_OF_A_NEW_ONE, kills // 3)
        later = self._rng.choices(list(_LATER), list(_LATER.values()), k=kills)
        # When it has been met it runs already.
        return ["new"] * new, ["work", *later[: kills - new - 1]]


async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    """Kill stations ``count`` times in all."""
    ledger, tally = Ledger("kill", count), _Tally()

    async def live(rig: Rig, rng: Random, kills: int) -> None:
        life = _Life(rig, rng, tally)
        before, after = life.phases(kills)
        for phase in before:
            await life.be_killed(phase)
        await life.be_met()
        for phase in after:
            await life.be_killed(phase)
            if (done := sum(tally.kills.values())) % _REPORT_EVERY == 0:
                progress(f"{done} of {count} kills")
        await life.go_on()

    await in_stations(
        ledger,
        seed,
        directory,
        live,
        most_rounds=_KILLS_A_LIFE,
        most_together=_LIVES_TOGETHER,
    )
    ledger.measures |= {
        "kills_while_the_journal_was_laid_out": tally.kills["new"],
        "kills_in_the_start": tally.kills["start"],
        "kills_at_work": tally.kills["work"],
        "kills_with_packs_under_way": tally.kills["delivery"],
        "kills_of_the_daemon_alone": tally.alone,
        "restarts_with_a_hot_wal": tally.hot,
        "link_failures": tally.link_failures,
        "down_s_least": round(min(tally.down_s, default=0.0), 3),
        "down_s_most": round(max(tally.down_s, default=0.0), 3),
    }
    return ledger


SCENARIO = Scenario(
    name="kill",
    about="SIGKILL at any instant, the first start and the first migration included",
    default_count=6,
    run=run,
)
