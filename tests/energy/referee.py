"""Watches a `Shedding` from outside, and says where it does what it must not, or fails to do.

It knows the rules, what was measured and what the machine did about it. It has a reckoning of its
own of the smoothed voltage, slow and plain, and no table of acts: what is allowed and what is due
is said here once more, in other words.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from math import isnan

from edge.energy.stages import Move, Rules, Shedding

KINDS = {
    "left-early": "a stage left before its dwell",
    "not-a-neighbour": "a move that skips a stage, other than to the safe one",
    "short-cycle": "there and back in less than both dwells",
    "deeper-unfounded": "deeper, without a smoothed voltage below that cutoff",
    "shallower-unfounded": "shallower, without a smoothed voltage above the restore voltage",
    "safe-unfounded": "to the safe stage, though the voltage was known not long ago",
    "deeper-missed": "stayed, though the dwell was over and the voltage below the cutoff",
    "shallower-missed": "stayed, though the dwell was over and the voltage above restore",
    "safe-missed": "stayed, though the dwell was over and the voltage unknown for long",
    "wrong-halt": "halted, or stayed up, against the rule",
    "wrong-books": "what the machine says of itself does not fit what it did",
    "unreachable": "a voltage that fell, then rose, did not lead through every stage and back",
}


@dataclass(slots=True)
class Findings:
    """What was seen, of any number of histories."""

    samples: int = 0
    moves: int = 0
    safe_moves: int = 0
    restarts: int = 0
    halts: int = 0
    violations: Counter[str] = field(default_factory=Counter)
    entries: Counter[int] = field(default_factory=Counter)
    """By place on the ladder, as are exits."""
    exits: Counter[int] = field(default_factory=Counter)


class Witnessed:
    """A machine and what it is fed, under the eyes of a referee."""

    def __init__(self, rules: Rules, now: float, findings: Findings) -> None:
        self.rules = rules
        self.findings = findings
        self.machine = Shedding(rules, now)
        self._names = ["normal", *(stage.name for stage in rules.stages)]
        self._dwells = [rules.stages[0].dwell, *(stage.dwell for stage in rules.stages)]
        self._at = 0
        self._since = now
        self._entries = [(0, now)]
        self._entered_in_this_run = True
        self._run: list[tuple[float, float]] = []
        self._last_believed = now
        self._warmth: tuple[float, float] | None = None

    def restart(self, now: float) -> None:
        """Let the computer come back at ``now``, with what it had written down."""
        state = json.loads(json.dumps(self.machine.state()))
        why = self.machine.why
        self.machine = Shedding(self.rules, now)
        self.machine.restore(state, now)
        self.findings.restarts += 1
        self._since = self._last_believed = now
        self._entered_in_this_run = False
        self._run = []
        self._warmth = None
        if (self.machine.index, self.machine.why) != (self._at, why):
            self._violated("wrong-books")

    def take(self, now: float, volts: float | None, celsius: float | None = None) -> Move | None:
        """Feed the machine, and judge what it does."""
        move = self.machine.take(now, volts, celsius)
        self.findings.samples += 1
        smoothed = self._smoothed(now, volts, celsius)
        settled = now - self._since >= self._dwells[self._at]
        long_unknown = now - self._last_believed >= self.rules.lost_after
        due = self._due(smoothed, long_unknown=long_unknown) if settled else None
        if move is None:
            if due:
                self._violated(f"{due}-missed")
        else:
            self._judge(move, due, now, settled=settled)
        if self.machine.index != self._at or self.machine.stage.name != self._names[self._at]:
            self._violated("wrong-books")
        self._judge_halting(now, smoothed)
        return move

    def _due(self, smoothed: float | None, *, long_unknown: bool) -> str | None:
        """Say what is to be done once the dwell is over."""
        if long_unknown:
            return None if self._names[self._at] == self.rules.safe_stage else "safe"
        if smoothed is None:
            return None
        if self._at < len(self.rules.stages) and smoothed < self.rules.stages[self._at].cutoff:
            return "deeper"
        if self._at > 0 and smoothed > self.rules.stages[self._at - 1].restore:
            return "shallower"
        return None

    def _judge(self, move: Move, due: str | None, now: float, *, settled: bool) -> None:
        self.findings.moves += 1
        self.findings.safe_moves += due == "safe"
        self.findings.exits[move.before] += 1
        self.findings.entries[move.after] += 1
        if move.before != self._at or move.after == self._at:
            self._violated("wrong-books")
        if not settled:
            self._violated("left-early")
        elif wrong := self._unfounded(move, due):
            self._violated(wrong)
        self._at, self._since, self._entered_in_this_run = move.after, now, True
        self._entries = [*self._entries[-2:], (move.after, now)]
        if len(self._entries) == 3 and self._entries[0][0] == move.after:
            (there, begun), (other, _), _ = self._entries
            # Sums of times are rounded.
            if now - begun < (self._dwells[there] + self._dwells[other]) * (1 - 1e-9):
                self._violated("short-cycle")

    def _unfounded(self, move: Move, due: str | None) -> str | None:
        to_safe = self._names[move.after] == self.rules.safe_stage
        if due == "safe":
            return None if to_safe else "not-a-neighbour"
        if abs(move.after - move.before) != 1:
            return "safe-unfounded" if to_safe else "not-a-neighbour"
        direction = "deeper" if move.after > move.before else "shallower"
        return None if due == direction else f"{direction}-unfounded"

    def _judge_halting(self, now: float, smoothed: float | None) -> None:
        halts = False
        if self._at > 0 and self.rules.stages[self._at - 1].effects.halt:
            stays_low = smoothed is not None and smoothed <= self.rules.stages[self._at - 1].restore
            settled = now - self._since >= self._dwells[self._at]
            halts = self._entered_in_this_run or (stays_low and settled)
        self.findings.halts += halts
        if self.machine.halts(now) is not halts:
            self._violated("wrong-halt")

    def _smoothed(self, now: float, volts: float | None, celsius: float | None) -> float | None:
        """Return the median by its definition; None where it is not known."""
        if celsius is not None and not isnan(celsius) and -60 <= celsius <= 80:
            self._warmth = (now, celsius)
        if self._warmth and now - self._warmth[0] >= self.rules.lost_after:
            self._warmth = None
        if volts is None or isnan(volts):
            return None
        if volts < self.rules.plausible[0] or volts > self.rules.plausible[1]:
            return None
        if now - self._last_believed > self.rules.lost_after:
            self._run = []
        self._last_believed = now
        warmer = self._warmth[1] - self.rules.reference if self._warmth else 0.0
        self._run.append((now, volts - self.rules.volts_per_degree * warmer))
        lately = sum(1 for at, _ in self._run if at > now - self.rules.smoothing)
        self._run = self._run[-max(lately, 3) :]
        if len(self._run) < 3:
            return None
        return sorted(sample for _, sample in self._run)[len(self._run) // 2]

    def _violated(self, kind: str) -> None:
        self.findings.violations[kind] += 1


def falls_and_rises(rules: Rules, findings: Findings) -> list[int]:
    """Let the voltage fall below one cutoff after another, then rise; return the stages seen.

    At every step it stays where it is until the stage changes, or has had every chance to.
    """
    witnessed = Witnessed(rules, 0.0, findings)
    seen = [0]
    now = 0.0
    falling = [stage.cutoff - 0.01 for stage in rules.stages]
    rising = [stage.restore + 0.01 for stage in reversed(rules.stages)]
    for volts in (*falling, *rising):
        dwell = witnessed.machine.stage.dwell
        step = min(rules.lost_after, max(dwell, rules.smoothing, 1.0)) / 2
        # Half of the samples of a full window and three more are at the new voltage by then.
        for _ in range(int((dwell + rules.smoothing) / step) + 6):
            now += step
            if witnessed.take(now, volts):
                seen.append(witnessed.machine.index)
                break
    deepest = len(rules.stages)
    if seen != [*range(deepest + 1), *reversed(range(deepest))]:
        findings.violations["unreachable"] += 1
    return seen
