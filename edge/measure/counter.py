"""From a raw number that rolls over to a count of pulses that never goes backwards.

Theory of operation. A counter of modulus M shows the pulses it has seen, modulo M. Between two
readings r0 and r1 it has therefore made (r1 - r0) mod M pulses, or M, 2 M ... more. What settles
how many is how many it can have made at most, given its meter's greatest rate and the time:

    most = floor(greatest rate x seconds x 1.02) + 1

(2 % for a meter that runs a little fast and for the clocks; one pulse for the ends of the
interval). Without a greatest rate, or where the time is unknown, most = M // 2 - 1: the step that
serial number arithmetic leaves undisputed (RFC 1982, section 3.1: at most 2^(bits-1) - 1).

A number is judged against every *mark* the count might go on from:

 * the baseline, the last number believed;
 * a suspect, the last number, when it was not believed;
 * the mark before, the baseline until the counter seemed to begin anew at the last reading.

A number is within reach of a mark when it is no more than `most` above it, modulo M, by the time
since that mark. Where several marks explain a number, **the one with the fewest pulses does**.
That one rule

 * counts rollovers: the baseline explains them;
 * lets a single wrong number cost nothing: the number after it is far from the wrong one, and a few
   pulses above the baseline;
 * believes a swapped meter at its second number. The baseline's reach grows while nothing is read,
   and would in the end swallow the distance to the new meter's number; but the suspect is nearer;
 * undoes a nought that a device shows while it starts, although a nought looks like a reset.

What it gives up: a wrong number followed by a silence so long that the true count passes it costs
the pulses up to the wrong number. Nothing in the numbers tells that from a swap, and of two
histories that both fit, the one that invents nothing is taken.

A number out of every mark's reach, but below the baseline and within reach of nought, is a counter
that began anew: the pulses it shows were surely made. Anything else is implausible and not counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from edge.measure.values import State
from edge.status import Reason

_MARGIN = 1.02
_MODULI = {1 << bits for bits in range(8, 65)} | {10**digits for digits in range(2, 20)}


@dataclass(frozen=True, slots=True)
class CounterRules:
    """How a counter rolls over, and how fast it can count.

    ``modulus`` is 2**bits (8 to 64 bits) or 10**digits (2 to 19 digits); ``greatest_rate`` in Hz is
    that of the meter, where it is known. Raises ValueError for other numbers.
    """

    modulus: int
    greatest_rate: float | None = None

    def __post_init__(self) -> None:
        if self.modulus not in _MODULI:
            msg = f"no counter of 8 to 64 bits or 2 to 19 digits rolls over at {self.modulus}"
            raise ValueError(msg)
        if self.greatest_rate is not None and not 0 < self.greatest_rate < math.inf:
            msg = f"a greatest rate of {self.greatest_rate} Hz"
            raise ValueError(msg)

    @classmethod
    def of_bits(cls, bits: int, greatest_rate: float | None = None) -> CounterRules:
        """Return the rules of a binary counter."""
        return cls(1 << bits, greatest_rate)

    @classmethod
    def of_digits(cls, digits: int, greatest_rate: float | None = None) -> CounterRules:
        """Return the rules of a decimal counter."""
        return cls(10**digits, greatest_rate)

    def most(self, seconds: float | None) -> int:
        """Return the most pulses to be believed in that time; None: a time unknown."""
        if self.greatest_rate is None or seconds is None:
            return self.modulus // 2 - 1
        return math.floor(self.greatest_rate * seconds * _MARGIN) + 1


@dataclass(frozen=True, slots=True)
class Mark:
    """A number the count may go on from.

    ``raw`` is the counter's number, ``pulses`` what had been counted by then, ``age`` how many
    seconds before the last reading that was (None: unknown).
    """

    raw: int
    pulses: int
    age: float | None = 0.0

    def older(self, seconds: float | None) -> Mark:
        """Return the mark as it is that many seconds later."""
        return replace(
            self, age=None if self.age is None or seconds is None else self.age + seconds
        )


@dataclass(frozen=True, slots=True)
class Tally:
    """All that a counting channel must remember.

    ``pulses`` is the count since the channel was first read, ``utc_ms`` when it was last read. At
    most one of ``suspect`` and ``before`` is there: see the top of this module.
    """

    pulses: int
    baseline: Mark
    utc_ms: int
    suspect: Mark | None = None
    before: Mark | None = None

    @classmethod
    def begin(cls, raw: int, utc_ms: int, rules: CounterRules) -> Tally:
        """Return the tally of a channel read for the first time: no pulses yet.

        Raises ValueError for a ``raw`` the counter cannot show.
        """
        _check(raw, rules)
        return cls(0, Mark(raw, 0), utc_ms)

    def advance(
        self, raw: int, utc_ms: int, seconds: float | None, rules: CounterRules
    ) -> tuple[Tally, Reason]:
        """Return the tally after the counter was seen at ``raw``, and what to think of it.

        ``seconds`` is the time since the last number that was read; None or less than nought means
        unknown, as after a restart with a clock not to be trusted. ``pulses`` never decreases. The
        reason is OK, MANY_ROLLOVERS (counted, but unread for so long that whole turns may be
        missing), COUNTER_RESET or IMPLAUSIBLE_JUMP. Raises ValueError for a ``raw`` the counter
        cannot show.
        """
        _check(raw, rules)
        if seconds is not None and seconds < 0:
            seconds = None
        baseline = self.baseline.older(seconds)
        marks = [baseline, *(m.older(seconds) for m in (self.suspect, self.before) if m)]
        within_reach = [
            (step, place)
            for place, mark in enumerate(marks)
            if (step := (raw - mark.raw) % rules.modulus) <= rules.most(mark.age)
        ]
        if within_reach:
            step, place = min(within_reach)
            believed = marks[place]
            swapped = place > 0 and self.suspect is not None
            return self._stand(Mark(raw, believed.pulses + step), utc_ms), _judge(
                believed, rules, swapped=swapped
            )
        if raw < baseline.raw and raw <= rules.most(baseline.age):
            anew = self._stand(Mark(raw, baseline.pulses + raw), utc_ms)
            return replace(anew, before=baseline), Reason.COUNTER_RESET
        suspect = Mark(raw, baseline.pulses)
        return Tally(self.pulses, baseline, utc_ms, suspect=suspect), Reason.IMPLAUSIBLE_JUMP

    def _stand(self, baseline: Mark, utc_ms: int) -> Tally:
        # What a nought that proved wrong has added cannot be taken back: the count stands still
        # until the truth has caught up with it.
        return Tally(max(self.pulses, baseline.pulses), baseline, utc_ms)

    def state(self) -> State:
        """Return the tally as JSON can hold it; whole numbers of more than 53 bits stay whole."""
        marks = {"baseline": self.baseline, "suspect": self.suspect, "before": self.before}
        return {"pulses": self.pulses, "utc_ms": self.utc_ms} | {
            name: [mark.raw, mark.pulses, mark.age] for name, mark in marks.items() if mark
        }

    @classmethod
    def from_state(cls, state: State) -> Tally:
        """Return the tally a state was made of; a bare count and number will do."""
        if "baseline" not in state:
            pulses = state["pulses"]
            return cls(pulses, Mark(state["raw"], pulses, None), 0)
        marks = {
            name: Mark(*state[name]) for name in ("baseline", "suspect", "before") if name in state
        }
        return cls(pulses=state["pulses"], utc_ms=state["utc_ms"], **marks)


def _judge(believed: Mark, rules: CounterRules, *, swapped: bool) -> Reason:
    if rules.most(believed.age) >= rules.modulus:
        return Reason.MANY_ROLLOVERS
    return Reason.COUNTER_RESET if swapped else Reason.OK


def _check(raw: int, rules: CounterRules) -> None:
    if not 0 <= raw < rules.modulus:
        msg = f"a counter that rolls over at {rules.modulus} cannot stand at {raw}"
        raise ValueError(msg)
