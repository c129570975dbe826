"""Rounds for a journal that are known beforehand, and the process that writes them.

``python -m tests.faults.journal_rounds FILE SEED ROUNDS`` writes so many rounds and says on its
standard output when each of them is safe. Whoever knows the seed knows what must be in the journal.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random

from edge.journal.journal import Journal
from edge.journal.retention import Pruned, Retention, prune
from edge.measure.values import State
from edge.readings import Journalled, Reading, Series
from edge.status import Reason
from edge.units import UNITS

CHANNEL = "flow"
SERIES = [
    Series("level", UNITS["m"]),
    Series("head", UNITS["m"]),
    Series("flow.total", UNITS["m3"]),
    Series("battery", UNITS["V"]),
]
START = 1_772_348_400_000
MINUTE = 60_000

OPENED, COMMITTED = "opened", "committed"

_MOST_READINGS = 12
_ROUNDS_KEPT = 100
_PRUNE_EVERY = 40
_SESSIONS = 4


@dataclass(frozen=True, slots=True)
class Round:
    """One commit: readings numbered from ``first`` to ``last``, states, acknowledgements."""

    number: int
    first: int
    readings: list[Reading]
    states: dict[str, State]
    acknowledged: list[tuple[int, int]]

    @property
    def last(self) -> int:
        return self.first + len(self.readings) - 1

    @property
    def utc_ms(self) -> int:
        return START + self.number * MINUTE

    def journalled(self) -> list[Journalled]:
        return [
            Journalled(self.first + n, r.series, r.utc_ms, r.value, r.reason)
            for n, r in enumerate(self.readings)
        ]


def rounds(seed: int) -> Iterator[Round]:
    """Yield the rounds of a seed, the same every time, numbered from 1."""
    rng = Random(f"rounds {seed}")
    first, number = 1, 1
    while True:
        readings = [_reading(rng, number, n) for n in range(rng.randint(1, _MOST_READINGS))]
        # States of all lengths, so that the rows around them have to move.
        states: dict[str, State] = {CHANNEL: {"round": number, "memory": "x" * rng.randint(0, 900)}}
        one = Round(number, first, readings, states, _acknowledged(rng, first - 1))
        yield one
        first, number = one.last + 1, number + 1


def _reading(rng: Random, number: int, n: int) -> Reading:
    utc_ms = START + number * MINUTE + n
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


def write(path: Path, seed: int, count: int) -> None:
    """Write rounds, open and close the file between them, let go of the oldest now and then."""
    rule = Retention(_ROUNDS_KEPT * MINUTE, 1_000_000_000)
    source = rounds(seed)
    for _ in range(_SESSIONS):
        journal = Journal(path, SERIES)
        _say(OPENED)
        for _ in range(count // _SESSIONS):
            one = next(source)
            journal.append(one.readings, one.states, one.acknowledged)
            _say(f"{COMMITTED} {one.number}")
            while one.number % _PRUNE_EVERY == 0 and prune(journal, rule, one.utc_ms) != Pruned():
                pass
        journal.close()


def _say(words: str) -> None:
    # One call of the system for every word, at once: its place among the writes is what counts.
    os.write(sys.stdout.fileno(), words.encode() + b"\n")


if __name__ == "__main__":
    write(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
