"""Damage to the bytes of a journal, as worn-out flash memory does it, and what is left after that.

A journal with readings, states, sent, deleted and dropped ranges, and a write-ahead log, is copied
as often as asked; each copy is damaged at random in one of several ways and opened as the daemon
does. Every one must open, must not give out a number again, and must account for every reading:
held as it was written, or on record as damaged.

A reading is told from a damaged one by 16 bits of a CRC: of 65 536 rows that are damaged and still
look like rows, one is believed on the average.
"""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from edge.journal.journal import Journal, JournalError
from edge.journal.ranges import RangeSet
from edge.readings import Gap, Journalled, Reading, Series, WhyGone
from edge.status import Reason
from edge.units import UNITS
from tests.faults.ledger import Ledger
from tests.faults.scenario import Progress, Scenario

SERIES = [
    Series("well-2.level", UNITS["ft"]),
    Series("well-2.flow", UNITS["gal/min"]),
    Series("well-2.flow.total", UNITS["gal"]),
    Series("tank.level", UNITS["ft"]),
]
START = 1_772_000_000_000
ROUNDS, A_ROUND = 600, 40
DELETED, DROPPED = 4000, (4001, 4200)
SENT = [(1, 4000), (4801, 14_000), (16_001, 20_000)]
_PAGE, _SECTOR = 4096, 512
_AT_ONCE = 2


@dataclass(slots=True)
class Written:
    """What a journal held before it was damaged."""

    path: Path
    identity: str = ""
    newest: int = 0
    ever: dict[int, Journalled] = field(default_factory=dict)
    """Every reading ever taken, by its number."""
    held: dict[int, Journalled] = field(default_factory=dict)
    states: dict[str, object] = field(default_factory=dict)
    sent: RangeSet = field(default_factory=RangeSet)


@dataclass(slots=True)
class Found:
    """What one damaged journal still held."""

    kind: str
    refused: str = ""
    rescued: bool = False
    held: int = 0
    altered: int = 0
    doubted: int = 0
    """As they were written, but for the doubt about their time that a damaged log leaves."""
    unaccounted: int = 0
    used_again: bool = False
    same_identity: bool = False
    states: str = ""
    """"same" as written, "older" or "gone"."""


def write(directory: Path, seed: int) -> Written:
    """Write a journal; leave it as a power cut would, with its log, and closed."""
    random = Random(seed)
    at_work, path = directory / "at-work" / "well.sqlite", directory / "well.sqlite"
    at_work.parent.mkdir(parents=True)
    journal = Journal(at_work, SERIES)
    written = Written(path)
    for number in range(ROUNDS):
        readings = [_reading(random, number, place) for place in range(A_ROUND)]
        pulses = number * 17
        states = {
            "well-2.flow": {"channel": {"tally": {"pulses": pulses, "raw": pulses % 65_536}}},
            "tank.level": {"statistics": [random.random() for _ in range(40)], "round": number},
        }
        first = journal.newest + 1
        acknowledged = [SENT[number // 200]] if number % 200 == 199 else []
        journal.append(readings, states, acknowledged)
        for seq, one in enumerate(readings, first):
            written.ever[seq] = Journalled(seq, one.series, one.utc_ms, one.value, one.reason)
        if number == ROUNDS // 2:
            journal.delete_sent(1, DELETED)
            journal.record_gap(Gap(*DROPPED, WhyGone.DROPPED, None, None, START))
    for ending in ("", "-wal"):
        shutil.copyfile(f"{at_work}{ending}", f"{path}{ending}")
    written.identity, written.newest = journal.identity, journal.newest
    written.held = {one.seq: one for one in journal.fetch(1, journal.newest)}
    written.states, written.sent = dict(journal.states()), journal.sent
    journal.close()
    # The same, closed in an orderly way: all of it is in the file, and there is no log.
    shutil.copyfile(at_work, f"{path}-closed")
    return written


def _reading(random: Random, number: int, place: int) -> Reading:
    series = SERIES[place % len(SERIES)].name
    utc_ms = START + number * 60_000 + place * 10
    if random.random() < 0.02:
        return Reading(series, utc_ms, None, Reason.NO_REPLY)
    value = float(number) if series.endswith("total") else random.uniform(0, 40)
    return Reading(series, utc_ms, value)


# ------------------------------------------------------------------------------ kinds of damage

Bytes = bytearray


def noise_in_pages(random: Random, file: Bytes, _log: Bytes) -> None:
    for at in _places(random, file, _PAGE):
        file[at : at + _PAGE] = random.randbytes(_PAGE)


def zeros_in_pages(random: Random, file: Bytes, _log: Bytes) -> None:
    for at in _places(random, file, _PAGE):
        file[at : at + _PAGE] = bytes(_PAGE)


def noise_in_sectors(random: Random, file: Bytes, _log: Bytes) -> None:
    for at in _places(random, file, _SECTOR):
        file[at : at + _SECTOR] = random.randbytes(_SECTOR)


def a_page_over_another(random: Random, file: Bytes, _log: Bytes) -> None:
    for at in _places(random, file, _PAGE):
        other = random.randrange(len(file) // _PAGE) * _PAGE
        file[at : at + _PAGE] = file[other : other + _PAGE]


def flipped_bits(random: Random, file: Bytes, _log: Bytes) -> None:
    for _ in range(random.choice([1, 8, 64])):
        file[random.randrange(len(file))] ^= 1 << random.randrange(8)


def tail_cut_off(random: Random, file: Bytes, _log: Bytes) -> None:
    del file[random.randrange(len(file)) :]


def noise_in_the_header(random: Random, file: Bytes, _log: Bytes) -> None:
    size = random.choice([16, 100, _PAGE])
    file[:size] = random.randbytes(size)


def first_block_gone(random: Random, file: Bytes, _log: Bytes) -> None:
    file[: 16 * _PAGE] = bytes(16 * _PAGE)


def noise_in_the_log(random: Random, _file: Bytes, log: Bytes) -> None:
    for at in _places(random, log, _PAGE):
        log[at : at + _PAGE] = random.randbytes(min(_PAGE, len(log) - at))


def flipped_bits_in_the_log(random: Random, _file: Bytes, log: Bytes) -> None:
    for _ in range(random.choice([1, 8])):
        log[random.randrange(len(log))] ^= 1 << random.randrange(8)


def both(random: Random, file: Bytes, log: Bytes) -> None:
    noise_in_pages(random, file, log)
    noise_in_the_log(random, file, log)


KINDS: list[Callable[[Random, Bytes, Bytes], None]] = [
    noise_in_pages,
    zeros_in_pages,
    noise_in_sectors,
    a_page_over_another,
    flipped_bits,
    tail_cut_off,
    noise_in_the_header,
    first_block_gone,
    noise_in_the_log,
    flipped_bits_in_the_log,
    both,
]


def _places(random: Random, data: Bytes, size: int) -> list[int]:
    count = random.choice([1, 1, 3, 10])
    return [random.randrange(max(1, len(data) // size)) * size for _ in range(count)]


# ---------------------------------------------------------------------------------- the account


def damaged_and_opened(written: Written, directory: Path, seed: int) -> Found:
    """Damage a copy in ``directory``, open it as the daemon does, and look at what is there."""
    random = Random(seed)
    kind = KINDS[seed % len(KINDS)]
    found = Found(kind.__name__)
    directory.mkdir()
    path = directory / "well.sqlite"
    of_the_log = "log" in kind.__name__ or kind is both
    closed = not of_the_log and random.random() < 0.5
    ending = "-closed" if closed else ""
    file = bytearray(Path(f"{written.path}{ending}").read_bytes())
    log = bytearray() if closed else bytearray(Path(f"{written.path}-wal").read_bytes())
    kind(random, file, log)
    path.write_bytes(file)
    if not closed:
        Path(f"{path}-wal").write_bytes(log)
    # What lies beside a journal where a daemon has been.
    for ending in ("-lock", "-about"):
        shutil.copyfile(
            f"{written.path.parent / 'at-work' / 'well.sqlite'}{ending}", f"{path}{ending}"
        )
    try:
        journal = Journal(path, SERIES)
    except JournalError as error:
        found.refused = str(error)
        return found
    try:
        _look(journal, written, found)
    finally:
        journal.close()
    shutil.rmtree(directory)
    return found


def _look(journal: Journal, written: Written, found: Found) -> None:
    try:
        readings, bad = journal.read(1, journal.newest)
    except sqlite3.DatabaseError:
        journal.rescue()
        readings, bad = journal.read(1, journal.newest)
    for seq in bad:
        journal.record_gap(Gap(seq, seq, WhyGone.DAMAGED, None, None, START))
    held = {one.seq: one for one in readings}
    found.rescued = journal.rescued is not None
    changed = [one for seq, one in held.items() if one != written.ever.get(seq)]
    found.doubted = sum(_is_doubted(one, written.ever.get(one.seq)) for one in changed)
    found.altered = len(changed) - found.doubted
    found.held = sum(seq in held for seq in written.held)
    stated = RangeSet((gap.first, gap.last) for gap in journal.gaps())
    found.same_identity = journal.identity == written.identity
    found.unaccounted = sum(
        seq not in held and seq not in stated and seq not in written.sent for seq in written.held
    )
    found.used_again = found.same_identity and journal.newest < written.newest
    states = journal.states()
    gone = written.states.keys() - states.keys()
    found.states = "same" if states == written.states else "gone" if gone else "older"


async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    """Damage ``count`` journals."""
    written = await asyncio.to_thread(write, directory / "sound", seed)
    limit, done = asyncio.Semaphore(_AT_ONCE), 0

    async def one(number: int) -> Found:
        nonlocal done
        async with limit:
            place = directory / f"{number}"
            found = await asyncio.to_thread(damaged_and_opened, written, place, seed + number)
        done += 1
        if done % 50 == 0:
            progress(f"{done} of {count} journals")
        return found

    return _account(written, await asyncio.gather(*(one(number) for number in range(count))))


def _account(written: Written, all_found: list[Found]) -> Ledger:
    opened = [found for found in all_found if not found.refused]
    ledger = Ledger("damage", len(all_found))
    ledger.journalled = len(written.held) * len(all_found)
    ledger.arrived = sum(found.held for found in opened)
    ledger.lost = sum(found.unaccounted for found in opened)
    shares: defaultdict[str, list[float]] = defaultdict(list)
    for found in all_found:
        shares[found.kind].append(found.held / len(written.held))
    every = [share for of_kind in shares.values() for share in of_kind]
    altered = sum(found.altered for found in opened)
    states = Counter(found.states for found in opened)
    ledger.measures = {
        "started": len(opened),
        "salvages": sum(found.rescued for found in opened),
        "salvaged_mean": round(sum(every) / len(every), 5),
        "salvaged_worst": round(min(every), 5),
        "altered_readings": altered,
        "readings_of_doubted_time": sum(found.doubted for found in opened),
        "numbers_used_again": sum(found.used_again for found in opened),
        "same_identity": sum(found.same_identity for found in opened),
        "states_same": states["same"],
        "states_older": states["older"],
        "states_gone": states["gone"],
        "by_kind": [
            f"{kind}: mean {sum(of_kind) / len(of_kind):.4f} worst {min(of_kind):.4f}"
            for kind, of_kind in shares.items()
        ],
    }
    ledger.complaints = [f"{one.kind}: {one.refused}" for one in all_found if one.refused]
    if altered:
        ledger.complaints.append(f"{altered} readings came back other than they were written")
    if ledger.measures["numbers_used_again"]:
        ledger.complaints.append("numbers are given out a second time")
    return ledger


def _is_doubted(one: Journalled, written: Journalled | None) -> bool:
    return written is not None and one == written._replace(reason=Reason.TIME_UNSURE)


SCENARIO = Scenario(
    name="damage",
    about="damaged journal files: all open, what is readable is salvaged, the rest is stated",
    default_count=len(KINDS),
    run=run,
)
