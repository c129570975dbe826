"""A disk that is full for a while: the station must live on, and lose nothing without saying so.

Twice. First the disk is full for ``count`` seconds of the station, which lives an hour a minute:
what is read meanwhile waits in memory, and must be in the journal and arrive afterwards. Then it is
full for longer than the memory allowed to the station lasts (it is allowed little, so that this is
quick): what did not fit must be stated as lost, readings and times, and the rest must be there.

One channel reads the true time, so a round that is missing shows as a silence.
"""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from edge.journal.export import JournalReader
from tests.faults.ledger import Ledger
from tests.faults.meter_station import TRUTH
from tests.faults.process import EndedError
from tests.faults.scaled_rig import ScaledRig
from tests.faults.scaled_time import START
from tests.faults.scenario import Progress, Scenario
from tests.faults.small_disk import SmallDisk

SPEED = 60.0
_SAMPLE_S = 10
_BEFORE_S = 90.0

# Rounds may be late on a busy machine, in seconds of the station; a lost one and more are not.
_LONGEST_SILENCE_S = 60.0

_LITTLE_MEMORY = 100
_FULL_FOR_GOOD_S = 600.0


async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    """Fill the disk for ``count`` seconds of the station, then for longer than memory lasts."""
    ledger = Ledger("disk-full", count)
    progress(f"the disk is full for {count} s of the station, {count / SPEED:.0f} s of ours ...")
    await _fill(directory / "while", ledger, _Filling("for_a_while", float(count)))
    progress("the disk is full for longer than memory lasts ...")
    beyond = _Filling("beyond_memory", _FULL_FOR_GOOD_S, _LITTLE_MEMORY)
    await _fill(directory / "good", ledger, beyond)
    return ledger


@dataclass(frozen=True, slots=True)
class _Filling:
    """How long the disk is full, in seconds of the station; readings that memory may hold then."""

    name: str
    seconds: float
    most_held: int = 0


async def _fill(directory: Path, ledger: Ledger, filling: _Filling) -> None:
    await asyncio.to_thread(directory.mkdir)
    async with (
        SmallDisk(directory / "disk") as disk,
        ScaledRig(
            directory,
            SPEED,
            sample=f"{_SAMPLE_S} s",
            publish="1 min",
            journal=disk.directory / "well.sqlite",
        ) as rig,
    ):
        ledger.measures["disk"] = disk.how
        try:
            await _through(rig, disk, ledger, filling)
        except EndedError as error:
            ledger.complaints.append(f"{filling.name}: {error}")


async def _through(rig: ScaledRig, disk: SmallDisk, ledger: Ledger, filling: _Filling) -> None:
    name, seconds, most_held = filling.name, filling.seconds, filling.most_held
    process = await rig.run_station(most_held=most_held)
    await rig.news()
    await rig.world.sleep(_BEFORE_S)
    begin = rig.world.seconds()
    disk.fill(process.pid)
    await rig.world.sleep(seconds)
    copy = disk.directory.with_name("copy")
    refused = rig.world.seconds() - await asyncio.to_thread(_last_journalled, rig, copy)
    alive = process.alive
    await disk.free()
    end = rig.world.seconds()
    came_back = await rig.news()
    recovered = rig.world.seconds() - end
    await rig.close(ledger, most_held=most_held)
    stated = _stated_lost(rig.journal)
    silences = _silences(rig)
    unstated = [span for span in silences if not _covered(span, stated)]
    lost = sum(last - first + 1 for first, last, _, _ in stated)
    ledger.measures |= {
        f"{name}_full_s": end - begin,
        f"{name}_refused_s": refused,
        f"{name}_alive": str(alive),
        f"{name}_recovered_after_s": recovered,
        f"{name}_rounds_taken_meanwhile": _rounds(rig, begin, end),
        f"{name}_stated_lost": lost,
    }
    checks = {
        "the station died": not alive,
        f"the disk refused nothing, or hardly ({refused:.0f} s)": refused < seconds / 2,
        "nothing arrived after the disk was freed": not came_back,
        f"rounds missing for no stated reason, {unstated[0][0]:.0f} s after the start on"
        if unstated
        else "": unstated,
        f"{lost} readings lost though there was room in memory": lost and not most_held,
        "nothing is stated as lost, though memory was too small": most_held and not lost,
    }
    ledger.complaints += [f"{name}: {words}" for words, so in checks.items() if so]


def _last_journalled(rig: ScaledRig, beside: Path) -> float:
    """Return when the newest round in the journal was taken, in seconds since the world began.

    A copy is read, in the directory ``beside``: reading takes some room for an index of the log.
    """
    beside.mkdir()
    for suffix in ("", "-wal"):
        file = rig.journal.with_name(rig.journal.name + suffix)
        if file.exists():
            shutil.copy(file, beside / file.name)
    rows = JournalReader(beside / rig.journal.name).rows()
    return max((rig.taken_at(row) for row in rows if row.series == TRUTH), default=0.0)


def _taken(rig: ScaledRig) -> list[float]:
    arrived = sorted(rig.office.arrivals.readings.items())
    return [
        rig.taken_at(one) for _, one in arrived if one.series == TRUTH and one.value is not None
    ]


def _rounds(rig: ScaledRig, begin: float, end: float) -> int:
    return sum(begin <= at <= end for at in _taken(rig))


def _silences(rig: ScaledRig) -> list[tuple[float, float]]:
    return [(a, b) for a, b in pairwise(sorted(_taken(rig))) if b - a > _LONGEST_SILENCE_S]


Stated = tuple[int, int, int | None, int | None]


def _stated_lost(journal: Path) -> list[Stated]:
    """Return what the journal says was lost: first and last number, since and until when."""
    with closing(sqlite3.connect(f"{journal.resolve().as_uri()}?mode=ro", uri=True)) as db:
        query = "SELECT first, last, since_ms, until_ms FROM gap WHERE why = 'lost' ORDER BY first"
        return list(db.execute(query))


def _covered(silence: tuple[float, float], stated: list[Stated]) -> bool:
    """Tell whether a gap of the right time stands for a silence, but for a round at either end."""
    begin, end = (START + 1000 * seconds for seconds in silence)
    slack = 1000 * _LONGEST_SILENCE_S
    return any(
        since is not None
        and until is not None
        and since <= begin + slack
        and until >= end - slack
        and since >= begin - slack
        for _, _, since, until in stated
    )


SCENARIO = Scenario(
    name="disk-full",
    about="the journal's disk is full for COUNT seconds, and for longer than memory lasts",
    default_count=600,
    run=run,
)
