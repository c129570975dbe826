"""A pulse counter in the field, and how much of what it counts can be known from its numbers."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from edge.measure.counter import CounterRules, Tally
from edge.status import Reason


@dataclass
class CounterWorld:
    """A counter that rolls over and is reset, read now and then.

    ``observable`` is the ledger of the pulses that can be known: every pulse between two readings,
    but for those made after the one and before a reset ahead of the other, which no number shows
    any more. ``silence`` is the longest time between two readings in seconds. A reset is refused
    where the numbers cannot give it away: when the last number read lies so near either end of the
    counter that, within the next two readings, the new numbers could follow from it by counting.
    """

    rules: CounterRules
    stand: int
    silence: float
    observable: int = 0
    made: int = 0
    resets: int = 0
    rollovers: int = 0
    _since_reading: int = 0
    _seconds: float = 0.0
    _last_read: int = field(init=False)

    def __post_init__(self) -> None:
        self._last_read = self.stand

    def run(self, pulses: int, seconds: float) -> None:
        self.made += pulses
        self.rollovers += (self.stand + pulses) // self.rules.modulus
        self.stand = (self.stand + pulses) % self.rules.modulus
        self._since_reading += pulses
        self._seconds += seconds

    def reset(self) -> bool:
        reach = 2 * self.rules.most(self.silence) + 1
        if not reach < self._last_read < self.rules.modulus - reach:
            return False
        self.stand = self._since_reading = 0
        self.resets += 1
        return True

    @property
    def must_be_read(self) -> bool:
        return self._seconds >= self.silence

    def read(self) -> tuple[int, float]:
        """Return the number shown, and the seconds since the one before."""
        seconds, self._seconds = self._seconds, 0.0
        self.observable += self._since_reading
        self._since_reading, self._last_read = 0, self.stand
        return self.stand, seconds


def ten_million(seed: int) -> tuple[int, int, str]:
    """Return the pulses observable and counted of ten million, and what befell them."""
    chance = random.Random(seed)
    kinds = [  # how the counter rolls over, Hz, seconds between polls, share of the pulses
        (CounterRules.of_bits(8, 4.0), 5.0, 200_000),
        (CounterRules.of_bits(16, 40.0), 60.0, 4_000_000),
        (CounterRules.of_digits(5, 40.0), 60.0, 3_000_000),
        (CounterRules.of_bits(32, 1000.0), 10.0, 2_000_000),
        (CounterRules.of_bits(64, 100.0), 30.0, 800_000),
    ]
    observable = counted = resets = rollovers = dropped = 0
    for rules, poll, pulses in kinds:
        stand = rules.modulus - chance.randrange(1, 100)
        world = CounterWorld(rules, stand, silence=5 * poll)
        tally, utc_ms = Tally.begin(stand, 0, rules), 0
        while world.made < pulses:
            at_most = int(rules.greatest_rate * poll)
            world.run(min(chance.randint(0, at_most), pulses - world.made), poll)
            if chance.random() < 0.05:
                world.reset()
            utc_ms += int(poll * 1000)
            last = world.made == pulses
            if chance.random() < 0.2 and not last and not world.must_be_read:
                dropped += 1
                continue
            raw, seconds = world.read()
            tally, reason = tally.advance(raw, utc_ms, seconds, rules)
            assert reason in (Reason.OK, Reason.COUNTER_RESET)
        observable, counted = observable + world.observable, counted + tally.pulses
        resets, rollovers = resets + world.resets, rollovers + world.rollovers
    return observable, counted, f"{rollovers} rollovers, {resets} resets, {dropped} dropped polls"
