"""Power cuts at random instants of a journal's life, below SQLite.

How it is done. A process writes a journal under strace(1), and says on its standard output whenever
something is committed; so the record of its calls holds the writes, the flushes and the promises in
their true order. The record is played back onto a simulated disk (`tests.faults.disk`, which says
what a power cut does to it, and what is not in that model: a drive that lies about its flushes, for
one). At random places the power is cut: what the disk then holds is put into a directory, and the
journal opened there as after a restart. Half of the cuts are of a journal that is made anew, the
others of one of the layout before, which is migrated first; both get more than their share of cuts
while they are made.

Then SQLite must find its file whole, with no need to salvage anything; everything that had been
promised must be there: readings, what channels must remember, acknowledgements, stated gaps, true
times; no round may be there in part; the journal must be the one it was; and it must take the next
round. As a check of the method itself, the record played back to its end without a cut must give
the files that the process left.
"""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from itertools import takewhile
from math import ceil
from pathlib import Path
from random import Random

from edge.journal.journal import Journal, JournalError
from edge.journal.ranges import RangeSet
from edge.readings import Gap, Journalled, Reading, WhyGone
from tests.faults.disk import Disk
from tests.faults.journal_rounds import (
    CHANNEL,
    COMMITTED,
    OLD_ROUNDS,
    OPENED,
    SERIES,
    START,
    TIMED,
    Round,
    gives_true_time,
    rounds,
    write_old,
)
from tests.faults.ledger import Ledger
from tests.faults.scenario import Progress, Scenario
from tests.faults.strace import STRACE, Operation, Said, trace

JOURNAL = "well.sqlite"
ROUNDS = 700

_CUTS_WHILE_MAKING = 0.2
_CUTS_A_TRACE = 250
_REPORT_EVERY = 50


@dataclass(slots=True)
class Promises:
    """What the writer has said so far."""

    identity: str = ""
    committed: int = 0
    timed: int = 0

    def hear(self, words: str) -> None:
        for line in words.splitlines():
            match line.split():
                case [word, identity] if word == OPENED:
                    self.identity = identity
                case [word, number] if word == COMMITTED:
                    self.committed = int(number)
                case [word, number] if word == TIMED:
                    self.timed = int(number)


@dataclass(slots=True)
class Tally:
    """What the cuts have shown so far."""

    integrity_ok: int = 0
    promised: int = 0
    lost: int = 0
    half_rounds: int = 0
    faults: list[str] = field(default_factory=list)


async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    """Cut the power ``count`` times."""
    return await asyncio.to_thread(cut_power, count, seed, directory, progress)


def cut_power(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    ledger = Ledger("power-cut", count)
    if STRACE is None:
        ledger.complaints.append("this scenario needs strace: apt-get install strace")
        return ledger
    tally, commits, calls, done = Tally(), 0, 0, 0
    sectors = dict.fromkeys(("kept", "dropped", "torn"), 0)
    traces = max(min(2, count), ceil(count / _CUTS_A_TRACE))
    for part in range(traces):
        old = part % 2 == 1
        progress(
            f"writing {ROUNDS} rounds under strace{', from the old layout' if old else ''} ..."
        )
        before, operations = _trace(seed + part, directory / f"{part}", ledger.complaints, old=old)
        written = list(takewhile(lambda one: one.number <= ROUNDS, rounds(seed + part)))
        commits += sum(_is(COMMITTED, operation) for operation in operations)
        calls += len(operations)
        rng = Random(f"cuts {seed} {part}")
        places = _places(operations, count * (part + 1) // traces - done, rng)
        disk = Disk(before)
        promises = Promises(committed=OLD_ROUNDS if old else 0)
        for place in _played(operations, places, disk, promises):
            after = directory / f"after-{done}"
            _lay_out(disk.after_cut(rng), after)
            _judge(after / JOURNAL, written, promises, tally)
            shutil.rmtree(after)
            ledger.complaints += [f"cut at call {place}: {fault}" for fault in tally.faults]
            tally.faults.clear()
            done += 1
            if done % _REPORT_EVERY == 0:
                progress(f"{done} of {count} cuts")
        for fate in sectors:
            sectors[fate] += disk.fates[fate]
    ledger.journalled, ledger.lost = tally.promised, tally.lost
    ledger.arrived = tally.promised - tally.lost
    ledger.measures |= {
        "cuts": done,
        "integrity_ok": tally.integrity_ok,
        "lost_committed": tally.lost,
        "rounds_half_there": tally.half_rounds,
        "commits_in_the_traces": commits,
        "calls_in_the_traces": calls,
        "unflushed_sectors_kept": sectors["kept"],
        "unflushed_sectors_dropped": sectors["dropped"],
        "unflushed_sectors_torn": sectors["torn"],
    }
    return ledger


def _trace(
    seed: int, directory: Path, complaints: list[str], *, old: bool
) -> tuple[dict[str, bytes], list[Operation]]:
    """Return the files that were there before the writer began, and what it did."""
    directory.mkdir()
    if old:
        write_old(directory / JOURNAL, seed)
    before = _files(directory)
    command = [sys.executable, "-m", "tests.faults.journal_rounds", str(directory / JOURNAL)]
    record = directory.with_suffix(".strace")
    operations = trace([*command, str(seed), str(ROUNDS)], directory, record)
    record.unlink()
    disk = Disk(before)
    for operation in operations:
        disk.do(operation)
    if disk.seen() != _files(directory):
        complaints.append("the trace played back does not give the files that were written")
    return before, operations


def _files(directory: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in directory.iterdir()}


def _places(operations: Sequence[Operation], count: int, rng: Random) -> list[int]:
    """Choose where to cut: before so many operations have been carried out, in rising order."""
    made = next(n for n, operation in enumerate(operations) if isinstance(operation, Said))
    ends = (made if rng.random() < _CUTS_WHILE_MAKING else len(operations) for _ in range(count))
    return sorted(rng.randint(0, end) for end in ends)


def _played(
    operations: Sequence[Operation], places: Sequence[int], disk: Disk, promises: Promises
) -> Iterator[int]:
    """Play the operations back; yield at each place."""
    done = 0
    for place in places:
        for operation in operations[done:place]:
            disk.do(operation)
            if isinstance(operation, Said):
                promises.hear(operation.words)
        done = place
        yield place


def _is(word: str, operation: Operation) -> bool:
    return isinstance(operation, Said) and operation.words.startswith(word)


def _lay_out(files: dict[str, bytes], directory: Path) -> None:
    directory.mkdir()
    for name, content in files.items():
        (directory / name).write_bytes(content)


def _judge(path: Path, written: Sequence[Round], promises: Promises, tally: Tally) -> None:
    """Open the journal as after a restart and hold it against what had been promised."""
    promised = sum(len(one.readings) for one in written[: promises.committed])
    tally.promised += promised
    try:
        journal = Journal(path, SERIES)
    except JournalError as error:
        tally.faults.append(str(error))
        tally.lost += promised
        return
    with closing(journal):
        with closing(sqlite3.connect(path)) as db:
            found = [row[0] for row in db.execute("PRAGMA integrity_check")]
        if found == ["ok"]:
            tally.integrity_ok += 1
        else:
            tally.faults.append(f"integrity check: {found[0]}")
        if journal.rescued:
            tally.faults.append(f"salvaged without need: {journal.rescued.words}")
        _compare(journal, written, promises, tally)


def _compare(journal: Journal, written: Sequence[Round], promises: Promises, tally: Tally) -> None:
    there = int(journal.states().get(CHANNEL, {}).get("round", 0))
    kept = written[:there]
    newest = kept[-1].last if kept else 0
    sent = RangeSet(range_ for one in kept for range_ in one.acknowledged)
    gaps, untold = _gaps(kept)
    if there < promises.committed:
        tally.faults.append(f"round {promises.committed} was committed, found up to {there}")
        tally.lost += sum(len(one.readings) for one in written[there : promises.committed])
    parts = {
        f"readings to {journal.newest} not {newest}": journal.newest != newest,
        "acknowledgements of another": journal.sent != sent,
        "gaps of another": journal.gaps() != gaps or journal.untold != untold,
        "states other than written": kept and journal.states() != kept[-1].states,
    }
    if wrong := [words for words, so in parts.items() if so]:
        tally.half_rounds += 1
        tally.faults += [f"states of round {there}, {words}" for words in wrong]
    if promises.identity and journal.identity != promises.identity:
        tally.faults.append("it is another journal than before")
    timed = _times_are_true(journal, kept, promises, tally)
    found = journal.fetch(1, journal.newest)
    _compare_readings(found, kept, sent, tally, timed=timed)
    one_more = journal.append([Reading(SERIES[0].name, START, 1.0)])
    if one_more != newest + 1 or not journal.fetch(one_more, one_more):
        tally.faults.append(f"the next reading got number {one_more}")


def _gaps(kept: Sequence[Round]) -> tuple[list[Gap], list[Gap]]:
    """Return the gaps that must be on record, and those of them that no receiver has heard of."""
    gaps = [one.gap for one in kept if one.gap]
    told = [gap for one in kept for gap in one.told]
    assert all(gap.why is WhyGone.LOST for gap in gaps)
    return gaps, [gap for gap in gaps if gap not in told]


def _times_are_true(
    journal: Journal, kept: Sequence[Round], promises: Promises, tally: Tally
) -> bool:
    """Tell whether the last readings without their true time have got it, or there are none."""
    waiting = [one for one in kept if one.stamp]
    waiting = [
        one
        for one in waiting
        if not any(gives_true_time(later.number) for later in kept[one.number :])
    ]
    timed = not journal.untimed
    if waiting and timed and not gives_true_time(kept[-1].number + 1):
        tally.faults.append("readings got a time before it was known")
    if not timed and (not waiting or promises.timed > waiting[-1].number):
        tally.faults.append("true times had been given, and are gone")
    return timed


def _compare_readings(
    found: Sequence[Journalled],
    kept: Sequence[Round],
    sent: RangeSet,
    tally: Tally,
    *,
    timed: bool,
) -> None:
    """Every reading must be there as it was written, or have been acknowledged and let go."""
    given = [one.number for one in kept if gives_true_time(one.number)]
    last_given = given[-1] if given else 0
    expected = {
        reading.seq: reading
        for one in kept
        for reading in one.journalled(timed=timed or one.number < last_given)
    }
    altered = [reading.seq for reading in found if expected.pop(reading.seq, None) != reading]
    if altered:
        tally.faults.append(f"readings other than written, from number {altered[0]}")
    missing = [seq for seq in expected if seq not in sent]
    if missing:
        tally.lost += len(missing)
        tally.faults.append(f"readings missing, from number {missing[0]}")


SCENARIO = Scenario(
    name="power-cut",
    about="the power goes at any write; what was flushed is there, of the rest some sectors",
    default_count=40,
    run=run,
)
