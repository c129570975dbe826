"""Put random stations through random histories of their battery, and count what goes wrong.

Every history has rules of its own (1 to 6 stages), a voltage with noise, jumps, sags, gaps and
nonsense at random intervals, and restarts. Then the same rules see a voltage that falls and rises
through all stages. It is drawn by Python's own generator from the seed and the history's number, so
that ``--first N --count 1`` shows history N again. Exit code 1 on any violation.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from random import Random
from typing import Any

from edge.energy.stages import NORMAL, Effects, Rules, Stage
from tests.energy.referee import KINDS, Findings, Witnessed, falls_and_rises

MOST_STAGES = 6
_NONSENSE = (None, math.nan, math.inf, -math.inf, 0.0, 8.99, 16.9, -12.6)


def random_rules(random: Random) -> Rules:
    """Return rules that `livezero check` would let pass."""
    count = random.randint(1, MOST_STAGES)
    cutoffs = sorted((random.uniform(10.5, 12.6) for _ in range(count)), reverse=True)
    restores = sorted((cut + random.uniform(0.01, 1.5) for cut in cutoffs), reverse=True)
    halts = random.random() < 0.5
    stages = tuple(
        Stage(f"s{place}", cutoff, restore, _between(random, 1, 20_000), Effects())
        for place, (cutoff, restore) in enumerate(zip(cutoffs, restores, strict=True), 1)
    )
    names = [NORMAL, *(stage.name for stage in stages)]
    if halts:
        stages = (*stages[:-1], replace(stages[-1], effects=Effects(halt=True)))
        names.pop()
    return Rules(
        stages,
        safe_stage=random.choice(names),
        lost_after=_between(random, 60, 20_000),
        smoothing=random.choice((0.0, _between(random, 1, 4000))),
        volts_per_degree=random.choice((0.0, random.uniform(-0.03, 0.01))),
    )


def _between(random: Random, least: float, most: float) -> float:
    """Return a time in s; whether it is of seconds or of hours is equally likely."""
    return math.exp(random.uniform(math.log(least), math.log(most)))


def random_samples(
    random: Random, rules: Rules, begin: float
) -> Iterator[tuple[float, float | None, float | None]]:
    """Yield time, voltage and temperature of some spells, each with its own voltage and pace."""
    now = begin
    lowest = rules.stages[-1].cutoff - 0.4
    highest = rules.stages[0].restore + 0.4
    level = highest
    for _ in range(random.randint(4, 14)):
        dwell = random.choice(rules.stages).dwell
        pace = min(_between(random, dwell / 30, dwell * 2), rules.lost_after * 1.2)
        noise = random.choice((0.0, 0.02, 0.3))
        sag_every = random.choice((0, 0, 2, 5))
        nonsense = random.choice((0.0, 0.0, 0.1, 1.0))
        celsius = random.choice((None, random.uniform(-30, 50), math.nan, 85.0))
        drift = 0.0
        if random.random() < 0.5:
            level = random.uniform(lowest, highest)
        else:
            drift = random.uniform(lowest - level, highest - level)
        count = random.randint(2, 24)
        for number in range(count):
            now += pace * random.choice((1.0, random.uniform(0.01, 1.5)))
            level += drift / count
            volts = level + random.gauss(0.0, noise) - (sag_every and number % sag_every == 0) * 0.8
            bad = random.random() < nonsense
            yield now, random.choice(_NONSENSE) if bad else volts, celsius
        if random.random() < 0.1:
            now += random.uniform(0, 3) * rules.lost_after


def history(number: int, seed: int, findings: Findings) -> None:
    """Run history ``number``; what was seen is added to ``findings``."""
    random = Random(f"{seed}/{number}")
    rules = random_rules(random)
    begin = random.uniform(0, 1e6)
    witnessed = Witnessed(rules, begin, findings)
    off = 0.0
    for now, volts, celsius in random_samples(random, rules, begin):
        witnessed.take(now + off, volts, celsius)
        if witnessed.machine.halts(now + off) or random.random() < 0.004:
            off += _between(random, 1, 100_000)
            witnessed.restart(now + off)
    falls_and_rises(rules, Findings(violations=findings.violations))


def run(count: int, seed: int, first: int = 0, most_complaints: int = 10) -> dict[str, Any]:
    """Run histories ``first`` to ``first + count - 1``; return the account, ready for JSON."""
    started = time.monotonic()
    findings = Findings()
    complaints: list[str] = []
    for number in range(first, first + count):
        before = findings.violations.copy()
        history(number, seed, findings)
        found = findings.violations - before
        if found and len(complaints) < most_complaints:
            complaints.append(f"history {number}: {', '.join(sorted(found))}")
        if (number - first + 1) % 10_000 == 0:
            seconds = time.monotonic() - started
            print(f"{seconds:6.0f} s  {number - first + 1} histories", file=sys.stderr, flush=True)
    return {
        "histories": count,
        "seed": seed,
        "ok": not findings.violations.total(),
        "samples": findings.samples,
        "moves": findings.moves,
        "moves_to_safe": findings.safe_moves,
        "restarts": findings.restarts,
        "halts": findings.halts,
        "violations": {kind: findings.violations[kind] for kind in KINDS},
        "stages": [
            {"place": place, "entries": findings.entries[place], "exits": findings.exits[place]}
            for place in range(MOST_STAGES + 1)
        ],
        "complaints": complaints,
        "seconds": round(time.monotonic() - started, 1),
    }


def as_text(account: dict[str, Any]) -> str:
    """Return the account for the eye."""
    lines = [
        "{histories} histories, seed {seed}: {samples} samples, {moves} moves ({moves_to_safe} of"
        " them to the safe stage), {restarts} restarts, {halts} halts; {seconds} s".format(
            **account
        ),
        "",
        "VIOLATIONS",
        *(f"{account['violations'][kind]:>10}  {what}" for kind, what in KINDS.items()),
        "",
        "STAGE     ENTRIES     EXITS",
        *(
            f"{row['place'] or NORMAL!s:<6} {row['entries']:>10} {row['exits']:>9}"
            for row in account["stages"]
        ),
        *account["complaints"],
    ]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Run what the arguments ask for; return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.energy.histories", description=__doc__)
    parser.add_argument("--count", type=int, default=10_000, help="histories (default 10000)")
    parser.add_argument("--first", type=int, default=0, help="number of the first (default 0)")
    parser.add_argument("--seed", type=int, default=1, help="of the random choices (default 1)")
    parser.add_argument("--json", action="store_true", help="print an object instead")
    asked = parser.parse_args(arguments)
    if asked.count < 1:
        parser.error(f"--count: found {asked.count}, expected 1 or more")
    account = run(asked.count, asked.seed, asked.first)
    print(json.dumps(account, indent=1) if asked.json else as_text(account))
    return 0 if account["ok"] else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
