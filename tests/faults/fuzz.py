"""Spoilt replies through every decoder: none may crash, none may pass for a number unchecked.

What a check value can do is limited by its width. A mutant with other numbers than the original
whose check value is right by chance is a *collision*: no decoder can tell it from a reply. Noise
leads to one mutant in 65 536 (16 bits) or 256 (8 bits) at the most. XOR and sum do not see the
order of the bytes, and XOR not two flips of the same bit: such mutants collide far more often,
which is why a CRC is worth asking a device for.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from edge.status import Quality, Reason
from tests.faults.fuzz_targets import TARGETS, Exchange, Numbers, Target
from tests.faults.ledger import Ledger
from tests.faults.mutations import mutate
from tests.faults.scenario import Progress, Scenario

_MUTANTS_PER_EXCHANGE = 100
_MOST_COMPLAINTS = 5


@dataclass(slots=True)
class Tally:
    """What came of the mutants of one target."""

    target: Target
    mutants: int = 0
    rejected: int = 0
    unharmed: int = 0
    """Accepted, with the numbers of the original."""
    collisions: Counter[str] = field(default_factory=Counter)
    """Accepted with other numbers, the check value being right; by how they were made."""
    unchecked: int = 0
    """Accepted with other numbers, the protocol having no check value."""
    wrong: int = 0
    """Accepted with other numbers though the check value is wrong: a defect."""
    crashes: int = 0
    complaints: list[str] = field(default_factory=list)

    def judge(self, made_by: str, exchange: Exchange, original: Numbers, mutant: bytes) -> None:
        """Have the mutant decoded, and take note of what came of it."""
        self.mutants += 1
        try:
            said = self.target.decode(exchange, mutant)
        except Exception as error:  # noqa: BLE001 - whatever it is, that is what is looked for
            self.crashes += 1
            self._complain(f"{type(error).__name__} ({error}) from {made_by}: {mutant.hex(' ')}")
            return
        if isinstance(said, Reason):
            self.rejected += 1
            if said.quality is not Quality.BAD:
                self._complain(f"rejected as {said.slug}: {mutant.hex(' ')}")
        elif said == original:
            self.unharmed += 1
        elif not self.target.check_bits:
            self.unchecked += 1
        elif self.target.verifies(exchange, mutant):
            self.collisions[made_by] += 1
        else:
            self.wrong += 1
            self._complain(f"{said} accepted from {made_by}: {mutant.hex(' ')}")

    def _complain(self, words: str) -> None:
        if len(self.complaints) < _MOST_COMPLAINTS:
            self.complaints.append(f"{self.target.name}: {words}")

    def measures(self) -> dict[str, int | float | str | list[str]]:
        """Return the counts under names that begin with the target's."""
        counts: dict[str, int | float | str | list[str]] = {
            "mutants": self.mutants,
            "rejected": self.rejected,
            "unharmed": self.unharmed,
            "crashes": self.crashes,
        }
        if self.target.check_bits:
            by_chance = self.rejected / 2**self.target.check_bits
            counts["wrong_accepted"] = self.wrong
            counts["collisions"] = self.collisions.total()
            counts["collisions_from_noise_at_most"] = round(by_chance, 1)
            counts["collisions_made_by"] = [f"{m} {n}" for m, n in self.collisions.most_common(4)]
        else:
            counts["wrong_accepted_unchecked"] = self.unchecked
        return {f"{self.target.name}.{name}": count for name, count in counts.items()}


def fuzz(target: Target, count: int, rng: Random) -> Tally:
    """Judge ``count`` mutants."""
    tally = Tally(target)
    while tally.mutants < count:
        exchange = target.exchange(rng)
        original = target.decode(exchange, exchange.frame)
        assert not isinstance(original, Reason), f"{target.name}: {original} for a sound frame"
        for _ in range(min(_MUTANTS_PER_EXCHANGE, count - tally.mutants)):
            made_by, mutant = mutate(rng, exchange.frame, exchange.foreign)
            tally.judge(made_by, exchange, original, mutant)
    return tally


async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    """See `Scenario`: ``count`` mutants in all, shared out among the decoders."""
    ledger = Ledger("fuzz", count)
    done = crashes = wrong = 0
    for i, target in enumerate(TARGETS):
        rng = Random(f"{seed} {target.name}")
        share = count * (i + 1) // len(TARGETS) - count * i // len(TARGETS)
        tally = fuzz(target, share, rng)
        done += share
        crashes += tally.crashes
        wrong += tally.wrong
        ledger.complaints += tally.complaints
        ledger.measures |= tally.measures()
        progress(f"{done} of {count} mutants, {target.name} done")
    ledger.measures = {"crashes": crashes, "wrong_accepted": wrong} | ledger.measures
    return ledger


SCENARIO = Scenario(
    name="fuzz",
    about="spoilt replies through every decoder of the field",
    default_count=30_000,
    run=run,
)
