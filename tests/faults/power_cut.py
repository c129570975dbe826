"""Power cuts at random instants of a journal's life, below SQLite.

How it is done. A process writes a journal, its making included, under strace(1), and says on its
standard output whenever a round is committed; so the record of its calls holds the writes, the
flushes and the promises in their true order. The record is played back onto a simulated disk
(`tests.faults.disk`, which says what a power cut does to it). At random places the power is cut:
what the disk then holds is put into a directory, and the journal opened there as after a restart.

Then SQLite must find its file whole; every round that had been promised must be there, with what
its channels must remember and what the broker had acknowledged; no round may be there in part; and
the journal must take the next one. As a check of the method itself, the record played back to its
end without a cut must give the files that the process left.
"""

from __future__ import annotations

import asyncio
import sqlite3
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from random import Random

from edge.journal.journal import Journal, JournalError
from edge.journal.ranges import RangeSet
from edge.readings import Journalled, Reading
from tests.faults.disk import Disk
from tests.faults.journal_rounds import CHANNEL, COMMITTED, SERIES, START, Round, rounds
from tests.faults.ledger import Ledger
from tests.faults.scenario import Progress, Scenario
from tests.faults.strace import STRACE, Operation, Said, trace

JOURNAL = "well.sqlite"
ROUNDS = 1000

# A file is made once and written to for years; its making gets more than its share of the cuts.
_CUTS_WHILE_MAKING = 0.15

_CUTS_A_TRACE = 250


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
    tally, commits, calls = Tally(), 0, 0
    sectors = dict.fromkeys(("kept", "dropped", "torn"), 0)
    for part, begin in enumerate(range(0, count, _CUTS_A_TRACE)):
        progress(f"writing a journal of {ROUNDS} rounds under strace ...")
        operations = _trace(seed + part, directory / f"journal-{part}", ledger.complaints)
        commits += sum(_is_promise(one) for one in operations)
        calls += len(operations)
        rng = Random(f"cuts {seed} {part}")
        places = _places(operations, min(_CUTS_A_TRACE, count - begin), rng)
        disk = Disk()
        for n, (place, promised) in enumerate(_played(operations, places, disk)):
            after = directory / f"cut-{part}-{n}"
            _lay_out(disk.after_cut(rng), after)
            _judge(after / JOURNAL, seed + part, promised, tally)
            if tally.faults:
                ledger.complaints += [f"cut at call {place}: {fault}" for fault in tally.faults]
                tally.faults.clear()
            if (begin + n + 1) % 50 == 0:
                progress(f"{begin + n + 1} of {count} cuts")
        for fate in sectors:
            sectors[fate] += disk.fates[fate]
    ledger.journalled, ledger.lost = tally.promised, tally.lost
    ledger.arrived = tally.promised - tally.lost
    ledger.measures |= {
        "cuts": count,
        "integrity_ok": tally.integrity_ok,
        "lost_committed": tally.lost,
        "rounds_half_there": tally.half_rounds,
        "commits_in_the_trace": commits,
        "calls_in_the_trace": calls,
        "unflushed_sectors_kept": sectors["kept"],
        "unflushed_sectors_dropped": sectors["dropped"],
        "unflushed_sectors_torn": sectors["torn"],
    }
    return ledger


def _trace(seed: int, directory: Path, complaints: list[str]) -> list[Operation]:
    directory.mkdir()
    command = [sys.executable, "-m", "tests.faults.journal_rounds", str(directory / JOURNAL)]
    record = directory.with_suffix(".strace")
    operations = trace([*command, str(seed), str(ROUNDS)], directory, record)
    record.unlink()
    disk = Disk()
    for operation in operations:
        disk.do(operation)
    left = {path.name: path.read_bytes() for path in directory.iterdir()}
    if disk.seen() != left:
        complaints.append("the trace played back does not give the files that were written")
    return operations


def _places(operations: Sequence[Operation], count: int, rng: Random) -> list[int]:
    """Choose where to cut: before so many operations have been carried out, in rising order."""
    made = next(n for n, operation in enumerate(operations) if isinstance(operation, Said))
    ends = (made if rng.random() < _CUTS_WHILE_MAKING else len(operations) for _ in range(count))
    return sorted(rng.randint(0, end) for end in ends)


def _played(
    operations: Sequence[Operation], places: Sequence[int], disk: Disk
) -> Iterator[tuple[int, int]]:
    """Play the operations back; at each place yield it, and the last round promised by then."""
    done = promised = 0
    for place in places:
        for operation in operations[done:place]:
            disk.do(operation)
            if _is_promise(operation):
                promised = int(operation.words.split()[1])
        done = place
        yield place, promised


def _is_promise(operation: Operation) -> bool:
    return isinstance(operation, Said) and operation.words.startswith(COMMITTED)


def _lay_out(files: dict[str, bytes], directory: Path) -> None:
    directory.mkdir()
    for name, content in files.items():
        (directory / name).write_bytes(content)


def _judge(path: Path, seed: int, promised: int, tally: Tally) -> None:
    """Open the journal as after a restart and hold it against what had been promised."""
    written = list(takewhile(lambda one: one.number <= promised + 1, rounds(seed)))
    tally.promised += sum(len(one.readings) for one in written[:promised])
    try:
        journal = Journal(path, SERIES)
    except JournalError as error:
        tally.faults.append(str(error))
        tally.lost += sum(len(one.readings) for one in written[:promised])
        return
    try:
        with closing(sqlite3.connect(path)) as db:
            found = [row[0] for row in db.execute("PRAGMA integrity_check")]
        if found == ["ok"]:
            tally.integrity_ok += 1
        else:
            tally.faults.append(f"integrity check: {found[0]}")
        _compare(journal, written, promised, tally)
    finally:
        journal.close()


def _compare(journal: Journal, written: Sequence[Round], promised: int, tally: Tally) -> None:
    there = int(journal.states().get(CHANNEL, {}).get("round", 0))
    kept = written[:there]
    newest = kept[-1].last if kept else 0
    sent = RangeSet(range_ for one in kept for range_ in one.acknowledged)
    if there < promised:
        tally.faults.append(f"round {promised} had been committed, found up to {there}")
        tally.lost += sum(len(one.readings) for one in written[there:promised])
    if journal.newest != newest:
        tally.half_rounds += 1
        tally.faults.append(f"states of round {there}, readings to {journal.newest} not {newest}")
    if journal.sent != sent:
        tally.half_rounds += 1
        tally.faults.append(f"states of round {there}, acknowledgements of another")
    if kept and journal.states() != kept[-1].states:
        tally.faults.append(f"states of round {there} are not what was written")
    _compare_readings(journal.fetch(1, journal.newest), kept, sent, tally)
    one_more = journal.append([Reading(SERIES[0].name, START, 1.0)])
    if one_more != newest + 1 or not journal.fetch(one_more, one_more):
        tally.faults.append(f"the next reading got number {one_more}")


def _compare_readings(
    found: Sequence[Journalled], kept: Sequence[Round], sent: RangeSet, tally: Tally
) -> None:
    """Every reading must be there as it was written, or have been acknowledged and let go."""
    expected = {reading.seq: reading for one in kept for reading in one.journalled()}
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
