"""Rounds for a journal that are known beforehand, and the process that writes them.

``python -m tests.faults.journal_rounds FILE SEED ROUNDS`` writes the rounds up to that number and
says on its standard output when each of them is safe. Whoever knows the seed knows what must be in
the journal.

In every hundred rounds there is a stretch whose time is not known, the first half of it from an
earlier boot of the computer; then the true time is given. Now and then readings were lost before
they could be written, and somewhat later a receiver has heard of it.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from random import Random

from sqlite_utils import Database

from edge.journal.gaps import Lost
from edge.journal.journal import Journal
from edge.journal.migrations import identity_marks_stated_gaps_and_untimed_readings, migrations
from edge.journal.ranges import RangeSet
from edge.journal.retention import Pruned, Retention, prune
from edge.measure.values import State
from edge.readings import Gap, Journalled, Reading, Series, Stamp, WhyGone
from edge.status import Reason
from edge.units import UNITS

CHANNEL = "flow"
SERIES = [
    Series("level", UNITS["m"]),
    Series("head", UNITS["m"]),
    Series("flow.total", UNITS["m3"]),
    Series("battery", UNITS["V"]),
]
START = 1_803_884_400_000
MINUTE = 60_000

OPENED, COMMITTED, TIMED = "opened", "committed", "timed"

OLD_ROUNDS = 20
"""So many of the first rounds hold only what a journal of the layout before can hold."""

_MOST_READINGS = 12
_ROUNDS_KEPT = 100
_PRUNE_EVERY = 40
_A_SESSION = 250

_BLOCK = 100
_EARLIER_BOOT, _THIS_BOOT = range(50, 60), range(60, 80)
_PROVISIONAL = {boot: Stamp(boot, 10 * MINUTE) for boot in ("earlier", "this")}
"""The offset to the true time is nought: provisional times are ten minutes ahead."""

_LOSE_EVERY, _TELL_AFTER, _LOST = 37, 5, 3


@dataclass(frozen=True, slots=True)
class Round:
    """One commit: readings numbered from ``first``, and all that is committed with them."""

    number: int
    first: int
    readings: list[Reading]
    states: dict[str, State]
    acknowledged: list[tuple[int, int]]
    stamp: Stamp | None
    lost: Lost | None
    told: list[Gap]

    @property
    def last(self) -> int:
        return self.first + len(self.readings) - 1

    @property
    def utc_ms(self) -> int:
        return START + self.number * MINUTE

    @property
    def gap(self) -> Gap | None:
        """What it puts on record about readings that were lost."""
        if self.lost is None:
            return None
        first, last = self.first - self.lost.readings, self.first - 1
        return Gap(first, last, WhyGone.LOST, *self.lost[1:], self.utc_ms)

    def journalled(self, *, timed: bool) -> list[Journalled]:
        """Return its readings as they are before, or after, the true time was given."""
        return [
            Journalled(self.first + n, one.series, *self._stamped(one, timed=timed))
            for n, one in enumerate(self.readings)
        ]

    def _stamped(self, one: Reading, *, timed: bool) -> tuple[int, float | None, Reason]:
        if self.stamp and timed and self.stamp.boot == "this":
            return one.utc_ms - self.stamp.offset_ms, one.value, one.reason
        if self.stamp and timed and one.reason is Reason.OK:
            return one.utc_ms, one.value, Reason.TIME_UNSURE
        return one.utc_ms, one.value, one.reason


def gives_true_time(number: int) -> bool:
    """Tell whether the true time is given right before a round."""
    return number % _BLOCK == _THIS_BOOT.stop


def rounds(seed: int) -> Iterator[Round]:
    """Yield the rounds of a seed, the same every time, numbered from 1."""
    rng = Random(f"rounds {seed}")
    newest, number, gap = 0, 1, None
    while True:
        stamp, lost, told = _stamp(number), None, []
        if number % _LOSE_EVERY == 0:
            lost = Lost(_LOST, START + number * MINUTE - 50, START + number * MINUTE - 1)
        if gap and number % _LOSE_EVERY == _TELL_AFTER:
            told = [gap]
        first = newest + 1 + (lost.readings if lost else 0)
        readings = [_reading(rng, number, n, stamp) for n in range(rng.randint(1, _MOST_READINGS))]
        # States of all lengths, so that the rows around them have to move.
        states: dict[str, State] = {CHANNEL: {"round": number, "memory": "x" * rng.randint(0, 900)}}
        acknowledged = _acknowledged(rng, newest) if stamp is None else []
        one = Round(number, first, readings, states, acknowledged, stamp, lost, told)
        yield one
        newest, number, gap = one.last, number + 1, one.gap or gap


def _stamp(number: int) -> Stamp | None:
    place = number % _BLOCK
    if place in _EARLIER_BOOT:
        return _PROVISIONAL["earlier"]
    return _PROVISIONAL["this"] if place in _THIS_BOOT else None


def _reading(rng: Random, number: int, n: int, stamp: Stamp | None) -> Reading:
    utc_ms = START + number * MINUTE + n + (stamp.offset_ms if stamp else 0)
    series = SERIES[n % len(SERIES)].name
    if rng.random() < 0.1:
        return Reading(series, utc_ms, None, Reason.OPEN_LOOP)
    return Reading(series, utc_ms, rng.uniform(-1e3, 1e6))


def _acknowledged(rng: Random, newest: int) -> list[tuple[int, int]]:
    """Return packs as the broker might have them by now: the newest first, then the oldest."""
    if newest < 1 or rng.random() < 0.5:
        return []
    if rng.random() < 0.2:
        return [(max(1, newest - rng.randint(0, 5)), newest)]
    last = rng.randint(max(1, newest - 400), newest)
    return [(max(1, last - rng.randint(0, 200)), last)]


def write_old(path: Path, seed: int) -> None:
    """Make a journal of the layout before the present one that holds the first rounds.

    Its last writer was cut off: all of it is in the write-ahead log still.
    """
    unfinished = path.with_name("unfinished")
    unfinished.mkdir()
    with closing(sqlite3.connect(unfinished / path.name)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        step = identity_marks_stated_gaps_and_untimed_readings.__name__
        migrations.apply(Database(db), stop_before=step)
        with db:
            _fill_old(db, seed)
        for file in (path.name, f"{path.name}-wal"):
            shutil.copy(unfinished / file, path.with_name(file))
    shutil.rmtree(unfinished)


def _fill_old(db: sqlite3.Connection, seed: int) -> None:
    ids = {one.name: id_ for id_, one in enumerate(SERIES, 1)}
    for one in SERIES:
        row = ids[one.name], one.name, one.unit.dimension.base
        db.execute("INSERT INTO series VALUES (?, ?, ?)", row)
    sent = RangeSet()
    for one in islice(rounds(seed), OLD_ROUNDS):
        for range_ in one.acknowledged:
            sent.add(*range_)
        for row in one.journalled(timed=True):
            old = row.seq, ids[row.series], row.utc_ms, row.value, row.reason.code
            db.execute("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", old)
        for channel, state in one.states.items():
            kept = channel, json.dumps(state)
            db.execute("INSERT OR REPLACE INTO state VALUES (?, ?)", kept)
    db.executemany("INSERT INTO sent VALUES (?, ?)", sent)


def write(path: Path, seed: int, count: int) -> None:
    """Write rounds up to ``count``, open and close the file, let go of the oldest now and then."""
    rule = Retention(_ROUNDS_KEPT * MINUTE, 1_000_000_000)
    journal = Journal(path, SERIES)
    done = int(journal.states().get(CHANNEL, {}).get("round", 0))
    _say(f"{OPENED} {journal.identity}")
    for one in rounds(seed):
        if one.number <= done:
            continue
        if one.number > count:
            break
        if one.number % _A_SESSION == 0:
            journal.close()
            journal = Journal(path, SERIES)
        if gives_true_time(one.number):
            journal.give_true_time("this", 0)
            _say(f"{TIMED} {one.number}")
        journal.append(
            one.readings,
            one.states,
            one.acknowledged,
            stamp=one.stamp,
            told=one.told,
            lost=one.lost,
            noted_ms=one.utc_ms,
        )
        _say(f"{COMMITTED} {one.number}")
        while one.number % _PRUNE_EVERY == 0 and prune(journal, rule, one.utc_ms) != Pruned():
            pass
    journal.close()


def _say(words: str) -> None:
    # One call of the system for every word, at once: its place among the writes is what counts.
    os.write(sys.stdout.fileno(), words.encode() + b"\n")


if __name__ == "__main__":
    write(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
